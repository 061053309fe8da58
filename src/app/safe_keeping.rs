//! Backups and getting them back, as files.

use std::path::Path;
use std::path::PathBuf;

use crate::app::App;
use crate::app::health::BACKUP_WRITTEN;
use crate::store;
use crate::store::Checkup;
use crate::store::check_file;
use crate::store::is_alone;
use crate::store::put_back_in_service;

/// Why a backup or a restore failed.
#[derive(Debug, thiserror::Error)]
pub enum SafeKeepingError {
    /// The database or the copy.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// A file.
    #[error("{path}: {error}")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        error: std::io::Error,
    },
    /// The copy is not whole, and was not used.
    #[error("the copy is not whole: {}", .0.findings.join("; "))]
    NotWhole(Checkup),
    /// Another program has the database open.
    #[error("the database {0} is in use: stop the server first")]
    InUse(PathBuf),
}

fn at(path: &Path) -> impl FnOnce(std::io::Error) -> SafeKeepingError {
    let path = path.to_owned();
    move |error| SafeKeepingError::File { path, error }
}

impl App {
    /// Writes a backup while the server may be at work, and checks it after writing.
    ///
    /// It is written beside its place under another name and moved there when it is whole, so that a file of the name given
    /// is a whole backup or the one that was there before.
    ///
    /// # Errors
    /// [`SafeKeepingError`] when it cannot be written or is not whole; no file of that name is left then.
    pub async fn backup(&self, path: &Path) -> Result<Checkup, SafeKeepingError> {
        let unfinished = beside(path, "unfinished");
        remove_if_there(&unfinished)?;
        let written = async {
            self.store().copy_to(&unfinished).await?;
            sync(&unfinished)?;
            let checkup = check_file(&unfinished).await?;
            if !checkup.is_whole() {
                return Err(SafeKeepingError::NotWhole(checkup));
            }
            std::fs::rename(&unfinished, path).map_err(at(path))?;
            sync_folder(path);
            Ok(checkup)
        };
        let outcome = written.await;
        match &outcome {
            Ok(_) => self.store().record_account_event(self.clock().now_s(), BACKUP_WRITTEN, "", "").await?,
            Err(_) => remove_if_there(&unfinished)?,
        }
        outcome
    }
}

/// Puts a backup in the place of a database that nobody serves. What was there is kept beside it.
///
/// Returns what the check of the backup said, and where the former database is now; none where there was none.
///
/// # Errors
/// [`SafeKeepingError`]; the database is as it was then.
pub async fn restore(
    backup: &Path,
    database: &Path,
    now_s: i64,
) -> Result<(Checkup, Option<PathBuf>), SafeKeepingError> {
    let checkup = check_file(backup).await?;
    if !checkup.is_whole() {
        return Err(SafeKeepingError::NotWhole(checkup));
    }
    if database.exists() && !is_alone(database).await? {
        return Err(SafeKeepingError::InUse(database.to_owned()));
    }
    let incoming = beside(database, "incoming");
    // What a restore left that was killed belongs to another copy.
    remove_logs(&incoming)?;
    std::fs::copy(backup, &incoming).map_err(at(&incoming))?;
    put_back_in_service(&incoming, now_s).await?;
    sync(&incoming)?;
    let former = database.exists().then(|| free_name(&beside(database, &format!("before-restore-{now_s}"))));
    put_in_place(&incoming, database, former.as_deref())?;
    Ok((checkup, former))
}

/// Moves the copy to its place, and gives what was there another name.
///
/// The former database gets its second name before it loses the first, so that there is one at the path at every moment: a
/// program that finds none there makes an empty one. Where a file cannot have two names, it is moved away first.
fn put_in_place(incoming: &Path, database: &Path, former: Option<&Path>) -> Result<(), SafeKeepingError> {
    let is_linked = former.is_some_and(|former| std::fs::hard_link(database, former).is_ok());
    if let Some(former) = former.filter(|_| !is_linked) {
        std::fs::rename(database, former).map_err(at(former))?;
    }
    // The log of the one must not be read into the other. It is folded in already, unless the former is broken.
    let moved =
        remove_logs(database).and_then(|()| std::fs::rename(incoming, database).map_err(at(database)));
    if let (Err(_), Some(former)) = (&moved, former) {
        let undone = if is_linked { std::fs::remove_file(former) } else { std::fs::rename(former, database) };
        undone.map_err(at(former))?;
    }
    moved?;
    sync_folder(database);
    Ok(())
}

/// Removes what SQLite keeps beside a file.
fn remove_logs(path: &Path) -> Result<(), SafeKeepingError> {
    ["-wal", "-shm", "-journal"].iter().try_for_each(|suffix| remove_if_there(&with_suffix(path, suffix)))
}

/// "park.db" becomes "park.db.unfinished".
fn beside(path: &Path, word: &str) -> PathBuf {
    with_suffix(path, &format!(".{word}"))
}

/// The name, or with a number the first that no file has: a clock that went back must not cost a former database.
fn free_name(wanted: &Path) -> PathBuf {
    let numbered = (2_u32..).map(|number| with_suffix(wanted, &format!("-{number}")));
    std::iter::once(wanted.to_owned())
        .chain(numbered)
        .find(|name| !name.exists())
        .unwrap_or_else(|| wanted.to_owned())
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

fn remove_if_there(path: &Path) -> Result<(), SafeKeepingError> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(at(path)(error)),
        _ => Ok(()),
    }
}

/// Waits until the disk has it: a backup that is only in memory is none.
fn sync(path: &Path) -> Result<(), SafeKeepingError> {
    let file = std::fs::File::open(path).map_err(at(path))?;
    file.sync_all().map_err(at(path))
}

/// So that the new name outlives a loss of power too; some systems cannot, and the file itself is safe already.
fn sync_folder(path: &Path) {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let synced = std::fs::File::open(folder).and_then(|folder| folder.sync_all());
    if let Err(error) = synced {
        tracing::debug!(%error, "the folder of a backup could not be flushed");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_there_is_kept_whatever_goes_wrong() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        let read = |name: &str| std::fs::read_to_string(path(name)).unwrap_or_default();
        std::fs::write(path("park.db"), "former").unwrap();
        std::fs::write(path("park.db-wal"), "log").unwrap();
        // Nothing came in: the database stays under its name and no other.
        put_in_place(&path("incoming"), &path("park.db"), Some(&path("before"))).unwrap_err();
        assert_eq!((read("park.db").as_str(), path("before").exists()), ("former", false));
        std::fs::write(path("incoming"), "copy").unwrap();
        put_in_place(&path("incoming"), &path("park.db"), Some(&path("before"))).unwrap();
        assert_eq!((read("park.db").as_str(), read("before").as_str()), ("copy", "former"));
        assert!(!path("incoming").exists() && !path("park.db-wal").exists());
        // A name that is taken costs nothing either.
        std::fs::create_dir(path("taken")).unwrap();
        std::fs::write(path("incoming"), "again").unwrap();
        put_in_place(&path("incoming"), &path("park.db"), Some(&path("taken"))).unwrap_err();
        assert_eq!(read("park.db"), "copy");
        std::fs::remove_file(path("park.db")).unwrap();
        put_in_place(&path("incoming"), &path("park.db"), None).unwrap();
        assert_eq!(read("park.db"), "again");
    }
}
