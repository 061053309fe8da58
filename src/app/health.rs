//! How the server is: what administrators and their instruments ask. No place, name or address is in any of it.

use std::sync::atomic::AtomicU64;
use std::sync::atomic::Ordering;

use crate::app::App;
use crate::store;

/// The kind of event that a backup leaves.
pub(super) const BACKUP_WRITTEN: &str = "backup written";
const DAY_S: i64 = 86_400;

/// Answers by the hundreds of their status, since the start.
#[derive(Debug, Default)]
pub struct Answered {
    by_class: [AtomicU64; 5],
}

impl Answered {
    /// Counts one answer.
    pub fn count(&self, status: u16) {
        let class = usize::from(status / 100).clamp(1, 5) - 1;
        self.by_class[class].fetch_add(1, Ordering::Relaxed);
    }

    /// Answers of the classes 1xx to 5xx.
    pub fn by_class(&self) -> [u64; 5] {
        [0, 1, 2, 3, 4].map(|class| self.by_class[class].load(Ordering::Relaxed))
    }
}

/// How the server is at one moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Health {
    /// The data revision.
    pub revision: u64,
    /// Bytes of the database.
    pub database_bytes: u64,
    /// Bytes of it that are unused.
    pub unused_bytes: u64,
    /// When the last backup was written, seconds since 1970-01-01T00:00:00Z; none when none is known.
    pub last_backup_s: Option<i64>,
    /// Sign-ins that failed in the last day.
    pub n_failed_sign_ins: u64,
    /// Answers since the start, by the hundreds of their status.
    pub answers: [u64; 5],
    /// Seconds since the start.
    pub up_s: i64,
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
            last_backup_s: self.store().last_account_event(BACKUP_WRITTEN).await?,
            n_failed_sign_ins: self.store().n_failed_sign_ins(now_s - DAY_S).await?,
            answers: self.answered().by_class(),
            up_s: (now_s - self.started_s()).max(0),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_status_has_a_class() {
        let answered = Answered::default();
        for status in [0, 101, 200, 204, 303, 404, 429, 500, 599, 999] {
            answered.count(status);
        }
        assert_eq!(answered.by_class(), [2, 2, 1, 2, 3]);
    }
}
