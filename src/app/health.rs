//! How the server is: what administrators and their instruments ask. No place, name or address is in any of it.

use std::path::Path;

use crate::app::App;
use crate::store;

/// The kind of event that a backup leaves.
pub(super) const BACKUP_WRITTEN: &str = "backup written";
const DAY_S: i64 = 86_400;

/// How the server is at one moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Health {
    /// The data revision.
    pub revision: u64,
    /// Bytes of the database.
    pub database_bytes: u64,
    /// Bytes of it that are unused.
    pub unused_bytes: u64,
    /// Bytes left on its disk for this program; none where the system does not say.
    pub free_bytes: Option<u64>,
    /// When the last backup was written, seconds since 1970-01-01T00:00:00Z; none when none is known.
    pub last_backup_s: Option<i64>,
    /// Sign-ins that failed in the last day.
    pub n_failed_sign_ins: u64,
    /// Answers since the start, by the hundreds of their status.
    pub answers: [u64; 5],
    /// Connections that are open.
    pub n_connections: u64,
    /// Seconds since the start.
    pub up_s: u64,
}

impl App {
    /// How the server is now.
    ///
    /// # Errors
    /// [`store::Error`] when the database cannot be read.
    pub async fn health(&self) -> Result<Health, store::Error> {
        let now_s = self.clock().now_s();
        let (database_bytes, unused_bytes) = self.store().size_bytes().await?;
        Ok(Health {
            revision: self.store().revision().await?.0,
            database_bytes,
            unused_bytes,
            free_bytes: free_bytes(&self.config().database),
            last_backup_s: self.store().last_account_event(BACKUP_WRITTEN).await?,
            n_failed_sign_ins: self.store().n_failed_sign_ins(now_s - DAY_S).await?,
            answers: self.metrics().answers(),
            n_connections: self.metrics().n_connections(),
            up_s: (now_s - self.started_s()).max(0) as u64,
        })
    }
}

/// Room on the disk that holds a file.
fn free_bytes(file: &Path) -> Option<u64> {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = rustix::fs::statvfs(folder).ok()?;
    disk.f_bavail.checked_mul(disk.f_frsize)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disk_has_some_room() {
        let folder = tempfile::tempdir().unwrap();
        assert!(free_bytes(&folder.path().join("park.db")).unwrap() > 0);
        assert!(free_bytes(Path::new("Cargo.toml")).is_some(), "a file in the working folder");
        assert_eq!(free_bytes(&folder.path().join("nowhere/park.db")), None);
    }
}
