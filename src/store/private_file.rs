//! Files that hold places of dens, names of people and bites: nobody but their owner reads them.

use std::io::ErrorKind;
use std::path::Path;

/// Makes an empty file that only its owner may read and write, where there is none. SQLite takes an empty file for a new
/// database, and gives the files beside it the same rights.
///
/// Whoever shares a database with others of the machine says so by changing its rights: those of a file that is there stay.
pub(super) fn make(path: &Path) {
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    match options.open(path) {
        Ok(_) => {}
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
        // What is wrong with the place, SQLite meets next and says better.
        Err(error) => tracing::debug!(%error, "a file could not be made beforehand"),
    }
}

#[cfg(all(test, unix))]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use crate::store::OpenParams;
    use crate::store::Store;

    #[tokio::test]
    async fn a_database_and_its_copies_are_for_their_owner_only() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        let store = Store::open(&path("park.db"), &OpenParams::default()).await.unwrap();
        store.write("tester", "something", 5).await.unwrap().commit().await.unwrap();
        store.copy_to(&path("copy.db")).await.unwrap();
        let mut n_seen = 0;
        for entry in std::fs::read_dir(folder.path()).unwrap() {
            let entry = entry.unwrap();
            let mode = entry.metadata().unwrap().permissions().mode() & 0o777;
            assert_eq!(mode, 0o600, "{:?} {mode:o}", entry.file_name());
            n_seen += 1;
        }
        assert!(n_seen >= 3, "a log lies beside the database");
        // Rights that somebody chose stay.
        store.close().await;
        std::fs::set_permissions(path("park.db"), std::fs::Permissions::from_mode(0o640)).unwrap();
        Store::open(&path("park.db"), &OpenParams::default()).await.unwrap().close().await;
        assert_eq!(std::fs::metadata(path("park.db")).unwrap().permissions().mode() & 0o777, 0o640);
    }
}
