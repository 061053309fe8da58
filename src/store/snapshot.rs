//! The way out: a consistent view of the data.

use sqlx::Sqlite;
use sqlx::SqliteConnection;
use sqlx::SqlitePool;
use sqlx::Transaction;

use crate::domain::revision::Revision;
use crate::store::error::Error;

/// The data at one revision, whatever is committed meanwhile.
///
/// It holds a connection and keeps the log of writes from being folded into the file: read, then drop it.
#[derive(Debug)]
pub struct Snapshot {
    transaction: Transaction<'static, Sqlite>,
    revision: Revision,
}

impl Snapshot {
    pub(super) async fn begin(pool: &SqlitePool) -> Result<Self, Error> {
        let mut transaction = pool.begin().await?;
        // The first read fixes what the transaction sees, so the revision belongs to all later reads.
        let revision = revision(&mut transaction).await?;
        Ok(Self { transaction, revision })
    }

    /// The revision of everything read through this snapshot.
    pub fn revision(&self) -> Revision {
        self.revision
    }

    /// When a revision was committed, in seconds since 1970-01-01T00:00:00Z; none where there is no such revision, as before the
    /// first commit.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn committed_at_s(&mut self, revision: Revision) -> Result<Option<i64>, Error> {
        let revision = revision.0 as i64;
        let committed_at_s =
            sqlx::query_scalar!("SELECT committed_at_s FROM revisions WHERE revision = ?", revision)
                .fetch_optional(self.connection())
                .await?;
        Ok(committed_at_s)
    }

    /// The last revision that changed anything that figures rest on: a later one kept decisions and notices alone.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn figures_revision(&mut self) -> Result<Revision, Error> {
        let revision = sqlx::query_scalar!(
            r#"SELECT coalesce(max(revision), 0) AS "revision!: i64" FROM revisions WHERE leaves_figures = 0"#
        )
        .fetch_one(self.connection())
        .await?;
        Ok(Revision(revision as u64))
    }

    pub(super) fn connection(&mut self) -> &mut SqliteConnection {
        &mut self.transaction
    }
}

/// The revision as the connection sees it.
pub(super) async fn revision(connection: &mut SqliteConnection) -> Result<Revision, Error> {
    let revision = sqlx::query_scalar!("SELECT revision FROM data_revision WHERE only_row = 1")
        .fetch_one(connection)
        .await?;
    Ok(Revision(revision as u64))
}
