//! The one way in: a write transaction that ends in a new revision, or in nothing.

use std::collections::HashMap;

use sqlx::Sqlite;
use sqlx::SqliteConnection;
use sqlx::SqlitePool;
use sqlx::Transaction;

use crate::domain::ids::AreaId;
use crate::domain::ids::BatchId;
use crate::domain::ids::FileId;
use crate::domain::revision::Revision;
use crate::store::boxed;
use crate::store::error::Error;
use crate::store::error::RowProblem;
use crate::store::late_indexes::LateIndexes;
use crate::store::snapshot;

/// Where rows go, and the file they come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Target {
    /// The area they belong to.
    pub area: AreaId,
    /// Batch and file, none for what is entered by hand outside of any batch.
    pub source: Option<(BatchId, FileId)>,
}

/// Which row of which file a record came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Origin {
    /// The batch.
    pub batch_id: BatchId,
    /// The file.
    pub file_id: FileId,
    /// The row in the file.
    pub row_number: u64,
}

/// What became of the rows of a chunk.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tally {
    /// New records.
    pub n_inserted: u64,
    /// Rows whose record was there already, or was and has been changed since.
    pub n_unchanged: u64,
    /// Rows that changed a record that was there; its earlier state is in the history.
    pub n_updated: u64,
    /// Rows that did not go in, and why.
    pub problems: Vec<RowProblem>,
}

impl Tally {
    /// Adds the tally of another chunk.
    pub fn add(&mut self, other: Self) {
        self.n_inserted += other.n_inserted;
        self.n_unchanged += other.n_unchanged;
        self.n_updated += other.n_updated;
        self.problems.extend(other.problems);
    }

    /// Rows that went in: new or changing a record.
    pub fn n_accepted(&self) -> u64 {
        self.n_inserted + self.n_updated
    }
}

/// Which records rows that come in may change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Reach {
    /// All.
    #[default]
    Everything,
    /// Those that the actor of the write brought in: nothing is told of any other, not even whether a row says the same.
    OwnRecords,
}

/// Revision and origin that a row is stamped with.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stamp {
    pub(super) revision: i64,
    pub(super) origin: Option<Origin>,
}

impl Stamp {
    pub(super) fn batch_id(&self) -> Option<i64> {
        self.origin.map(|origin| origin.batch_id.0)
    }

    pub(super) fn file_id(&self) -> Option<i64> {
        self.origin.map(|origin| origin.file_id.0)
    }

    pub(super) fn row_number(&self) -> Option<i64> {
        self.origin.map(|origin| origin.row_number as i64)
    }
}

impl Target {
    pub(super) fn origin(&self, row_number: u64) -> Option<Origin> {
        self.source.map(|(batch_id, file_id)| Origin { batch_id, file_id, row_number })
    }
}

impl Origin {
    /// The origin in three columns of a row; none unless all three are there.
    pub(super) fn from_columns(
        batch_id: Option<i64>,
        file_id: Option<i64>,
        row_number: Option<i64>,
    ) -> Option<Self> {
        Some(Self { batch_id: BatchId(batch_id?), file_id: FileId(file_id?), row_number: row_number? as u64 })
    }
}

/// A write under way: the only thing with insert methods.
///
/// Dropped without [`Writer::commit`], it leaves nothing behind. Nobody else sees anything of it before the commit.
#[derive(Debug)]
pub struct Writer {
    transaction: Transaction<'static, Sqlite>,
    base: Revision,
    actor: String,
    summary: String,
    now_s: i64,
    is_touched: bool,
    moves_figures: bool,
    reach: Reach,
    keeps_reviewed: bool,
    pub(super) known: Known,
    pub(super) late_indexes: LateIndexes,
}

/// What this write has looked up already. Only this writer can change it meanwhile.
#[derive(Debug, Default)]
pub(super) struct Known {
    /// By area and `organismID`.
    pub(super) organisms: HashMap<(AreaId, String), i64>,
    /// By area and `eventID`; a survey walk that is put clears it.
    pub(super) walks: HashMap<(AreaId, String), Option<i64>>,
    /// By area and name; a counter that is put clears it.
    pub(super) counters: HashMap<(AreaId, String), Option<i64>>,
    /// By term, those of the core and of the area.
    pub(super) reaction_terms: HashMap<AreaId, HashMap<String, i64>>,
}

impl Writer {
    pub(super) async fn begin(
        pool: &SqlitePool,
        actor: &str,
        summary: &str,
        now_s: i64,
    ) -> Result<Self, Error> {
        let mut transaction = pool.begin_with("BEGIN IMMEDIATE").await?;
        let base = snapshot::revision(&mut transaction).await?;
        Ok(Self {
            transaction,
            base,
            actor: actor.to_owned(),
            summary: summary.to_owned(),
            now_s,
            is_touched: false,
            moves_figures: false,
            reach: Reach::Everything,
            keeps_reviewed: false,
            known: Known::default(),
            late_indexes: LateIndexes::default(),
        })
    }

    /// The revision that this write starts from.
    pub fn base(&self) -> Revision {
        self.base
    }

    /// Says which records rows that come in from now on may change.
    pub fn set_reach(&mut self, reach: Reach) {
        self.reach = reach;
    }

    /// Says that whoever writes may not review: from now on rows that come in change no encounter that was reviewed.
    ///
    /// What was reviewed is what the public sees, counted. If its own author could change it at will, and it then counted
    /// no more, whether the public count falls would tell which of them lies in the buffer of a sensitive place.
    pub fn keep_reviewed(&mut self) {
        self.keeps_reviewed = true;
    }

    pub(super) fn keeps_reviewed(&self) -> bool {
        self.keeps_reviewed
    }

    pub(super) fn reach(&self) -> Reach {
        self.reach
    }

    /// Whether rows that come in may meet a record that came from there.
    pub(super) async fn reaches(&mut self, origin: Option<Origin>) -> Result<bool, Error> {
        if self.reach == Reach::Everything {
            return Ok(true);
        }
        let Some(origin) = origin else { return Ok(false) };
        let actor = sqlx::query_scalar!("SELECT actor FROM batches WHERE id = ?", origin.batch_id.0)
            .fetch_optional(&mut *self.transaction)
            .await?;
        Ok(actor.as_deref() == Some(self.actor.as_str()))
    }

    /// Whether any fact has changed so far, so that the commit will raise the revision.
    pub fn is_touched(&self) -> bool {
        self.is_touched
    }

    /// Keeps what was written and returns the revision of the data from now on.
    ///
    /// Where no fact changed (the same file again), the revision stays as it is; batches and files are kept all the same,
    /// so that it can be seen that they came.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; nothing is kept then.
    pub async fn commit(mut self) -> Result<Revision, Error> {
        boxed(self.make_late_indexes()).await?;
        let revision = match self.is_touched {
            true => boxed(self.raise_revision()).await?,
            false => boxed(self.keep_revision()).await?,
        };
        boxed(self.transaction.commit()).await?;
        Ok(revision)
    }

    async fn raise_revision(&mut self) -> Result<Revision, Error> {
        let (revision, leaves_figures) = (self.revision(), !self.moves_figures);
        sqlx::query!(
            "INSERT INTO revisions (revision, committed_at_s, actor, summary, leaves_figures) VALUES (?, ?, ?, ?, ?)",
            revision,
            self.now_s,
            self.actor,
            self.summary,
            leaves_figures
        )
        .execute(&mut *self.transaction)
        .await?;
        sqlx::query!("UPDATE data_revision SET revision = ? WHERE only_row = 1", revision)
            .execute(&mut *self.transaction)
            .await?;
        Ok(self.base.next())
    }

    async fn keep_revision(&mut self) -> Result<Revision, Error> {
        let (base, next) = (self.base.0 as i64, self.revision());
        sqlx::query!("UPDATE batches SET revision = ? WHERE revision = ?", base, next)
            .execute(&mut *self.transaction)
            .await?;
        Ok(self.base)
    }

    /// The revision that rows of this write are stamped with.
    pub(super) fn revision(&self) -> i64 {
        self.base.next().0 as i64
    }

    pub(super) fn stamp(&self, origin: Option<Origin>) -> Stamp {
        Stamp { revision: self.revision(), origin }
    }

    pub(super) fn now_s(&self) -> i64 {
        self.now_s
    }

    pub(super) fn actor(&self) -> &str {
        &self.actor
    }

    /// Says that a fact has changed.
    pub(super) fn touch(&mut self) {
        self.is_touched = true;
        self.moves_figures = true;
    }

    /// Says that something was kept that no figure rests on.
    pub(super) fn touch_apart(&mut self) {
        self.is_touched = true;
    }

    pub(super) fn connection(&mut self) -> &mut SqliteConnection {
        &mut self.transaction
    }
}
