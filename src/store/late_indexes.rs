//! Indexes that a large import makes at its end.
//!
//! Positions and instants come in no order, so every row lands on another page of their indexes; over a large import that
//! costs as much as the rows themselves. Sorting the keys once and writing the index in order costs a fraction. Both
//! happen in the one transaction of the write: readers keep the indexes that they have, and a write that ends early
//! leaves them as they were.

use sqlx::AssertSqlSafe;

use crate::store::error::Error;
use crate::store::writer::Writer;

/// What nothing in an import of encounters looks up. Uniqueness is not among it: each row is checked as it comes.
const LATE: [&str; 2] = ["encounters_by_space", "encounters_by_instant"];
/// So many rows are not worth it.
const LEAST: u64 = 10_000;

/// What a write has brought in, and the indexes that it has put off.
#[derive(Debug, Default)]
pub(super) struct LateIndexes {
    n_new: u64,
    /// The statements that make them, as the schema has them.
    open: Vec<String>,
}

impl Writer {
    /// Makes way for new encounters, where there are `greatest` so far.
    ///
    /// Making an index anew takes all rows, not only the new ones, so it is put off once the write has brought in half as
    /// many as were there before: whatever comes after that, the index costs at most a few times the least it could.
    pub(super) async fn make_way(&mut self, greatest: u64, n_coming: u64) -> Result<(), Error> {
        let before = greatest.saturating_sub(self.late_indexes.n_new);
        self.late_indexes.n_new += n_coming;
        let n_new = self.late_indexes.n_new;
        if n_new < LEAST || 2 * n_new < before || !self.late_indexes.open.is_empty() {
            return Ok(());
        }
        for name in LATE {
            let sql: Option<String> =
                sqlx::query_scalar("SELECT sql FROM sqlite_schema WHERE type = 'index' AND name = ?")
                    .bind(name)
                    .fetch_optional(self.connection())
                    .await?;
            // Kept first: should dropping fail, the write fails with it.
            self.late_indexes.open.extend(sql);
            let drop = format!("DROP INDEX IF EXISTS {name}");
            sqlx::query(AssertSqlSafe(drop)).persistent(false).execute(self.connection()).await?;
        }
        Ok(())
    }

    /// Makes the indexes that were put off.
    pub(super) async fn make_late_indexes(&mut self) -> Result<(), Error> {
        for sql in std::mem::take(&mut self.late_indexes.open) {
            sqlx::query(AssertSqlSafe(sql)).persistent(false).execute(self.connection()).await?;
        }
        Ok(())
    }
}
