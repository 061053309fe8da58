//! Facts in SQLite: the only SQL.
//!
//! [`Store::open`] opens or makes the database. A [`Writer`] is the only way in: it holds the one write transaction, and
//! [`Writer::commit`] raises the data revision in the same transaction. A [`Snapshot`] is the way out: it reads the
//! revision and the rows in one read transaction, so that everything read through it belongs together.
//!
//! Invariant: a row that changes carries the revision that last touched it; a row that is taken out carries that revision
//! and stays. So [`EncounterCache`] and [`ReadingCache`] read only what changed since they last looked.
//!
//! Invariant: no row of a file stops the others. What is wrong with a row is a [`RowProblem`] in the [`Tally`].

mod accounts;
mod areas;
mod batches;
mod boxed;
mod bulk;
mod calibrations;
mod closures;
mod constraints;
mod counters;
mod daily_weather;
mod decisions;
mod double_observers;
mod encounter_cache;
mod encounter_details;
mod encounter_wire;
mod encounters_insert;
mod encounters_read;
mod encounters_write;
mod error;
mod event_time;
pub mod filter;
mod geometry;
mod hand_snaps;
mod history;
mod incremental;
mod kept;
mod late_indexes;
mod notices;
mod organisms;
mod party_sizes;
mod photos;
mod places;
mod private_file;
mod reactions;
mod readings;
mod record_states;
mod retention;
mod safe_keeping;
mod sensitive_places;
mod sign_inspections;
mod sign_locations;
mod sign_plans;
mod sign_watches;
mod signs_in_place;
mod snapshot;
pub mod space_key;
#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
mod trailheads;
mod trails;
mod undo;
mod walks;
mod wire;
mod writer;

use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use sqlx::ConnectOptions;
use sqlx::Connection;
use sqlx::SqlitePool;
use sqlx::migrate::MigrateError;
use sqlx::migrate::Migrator;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::sqlite::SqliteJournalMode;
use sqlx::sqlite::SqlitePoolOptions;
use sqlx::sqlite::SqliteSynchronous;

use crate::domain::revision::Revision;

pub use crate::domain::sign::SignInPlaceDraft;
pub use crate::store::accounts::AccountChange;
pub use crate::store::accounts::AccountDraft;
pub use crate::store::accounts::AccountEvent;
pub use crate::store::accounts::ApiToken;
pub use crate::store::accounts::ApiTokenDraft;
pub use crate::store::accounts::Invitation;
pub use crate::store::accounts::Invited;
pub use crate::store::accounts::SessionLimits;
pub use crate::store::areas::AreaDraft;
pub use crate::store::batches::BatchDraft;
pub use crate::store::batches::BatchHolds;
pub use crate::store::batches::BatchStep;
pub use crate::store::batches::BatchStory;
pub use crate::store::batches::FileDraft;
pub use crate::store::batches::FileFormat;
pub use crate::store::batches::RowErrorState;
pub use crate::store::batches::StoredFile;
pub(crate) use crate::store::boxed::boxed;
pub use crate::store::decisions::Choice;
pub use crate::store::decisions::Decision;
pub use crate::store::decisions::DecisionDraft;
pub use crate::store::encounter_cache::EncounterCache;
pub use crate::store::encounter_cache::EncounterRow;
pub use crate::store::encounter_cache::Encounters;
pub use crate::store::encounters_read::Encounter;
pub use crate::store::error::Error;
pub use crate::store::error::RowProblem;
pub use crate::store::filter::EncounterFilter;
pub use crate::store::filter::EncounterPage;
pub use crate::store::filter::EncounterSummary;
pub use crate::store::filter::Paging;
pub use crate::store::hand_snaps::HandSnap;
pub use crate::store::hand_snaps::HandSnapDraft;
pub use crate::store::hand_snaps::SnapTarget;
pub use crate::store::history::Change;
pub use crate::store::history::ChangeFilter;
pub use crate::store::history::Effect;
pub use crate::store::history::FieldChange;
pub use crate::store::history::RecordKind;
pub use crate::store::history::RevisionEntry;
pub use crate::store::photos::AddedPhoto;
pub use crate::store::photos::PictureFile;
pub use crate::store::photos::PictureSize;
pub use crate::store::reactions::ApproachRecord;
pub use crate::store::readings::ReadingCache;
pub use crate::store::readings::Readings;
pub use crate::store::record_states::Edited;
pub use crate::store::record_states::RecordEdit;
pub use crate::store::record_states::RecordState;
pub use crate::store::record_states::StateKey;
pub use crate::store::record_states::difference;
pub use crate::store::retention::Emptied;
pub use crate::store::retention::WITHHELD;
pub use crate::store::safe_keeping::Checkup;
pub use crate::store::safe_keeping::check_file;
pub use crate::store::safe_keeping::is_alone;
pub use crate::store::safe_keeping::put_back_in_service;
pub use crate::store::sign_inspections::SignInspection;
pub use crate::store::sign_locations::SignLocation;
pub use crate::store::sign_plans::PlanSite;
pub use crate::store::sign_plans::SignPlan;
pub use crate::store::sign_plans::SignPlanDraft;
pub use crate::store::sign_plans::SignPlanParameters;
pub use crate::store::signs_in_place::SignInPlace;
pub use crate::store::snapshot::Snapshot;
pub use crate::store::undo::Undone;
pub use crate::store::writer::Origin;
pub use crate::store::writer::Reach;
pub use crate::store::writer::Tally;
pub use crate::store::writer::Target;
pub use crate::store::writer::Writer;

static MIGRATOR: Migrator = sqlx::migrate!("./migrations");

/// What an acknowledged commit survives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Durability {
    /// The loss of power: each commit waits for the disk.
    #[default]
    PowerLoss,
    /// The end of the process, however sudden; for data that can be made again.
    ProcessEnd,
}

/// How a database is opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenParams {
    /// How long a writer waits for another one before it gives up with [`Error::Busy`].
    pub busy_timeout: Duration,
    /// How many snapshots may be read at the same time.
    pub n_readers: u32,
    /// What an acknowledged commit survives.
    pub durability: Durability,
}

impl Default for OpenParams {
    /// Ten seconds, four readers, commits that survive the loss of power.
    fn default() -> Self {
        Self { busy_timeout: Duration::from_secs(10), n_readers: 4, durability: Durability::PowerLoss }
    }
}

/// An open database. Cheap to clone; all clones share the connections.
#[derive(Debug, Clone)]
pub struct Store {
    readers: SqlitePool,
    writer: SqlitePool,
    pending: Arc<accounts::Pending>,
}

/// How often a database that somebody else is making is tried, and how long between.
const OPEN_TRIES: usize = 4;
const OPEN_PAUSE: std::time::Duration = std::time::Duration::from_millis(100);

impl Store {
    /// Opens the database, or makes an empty one, and brings it up to date.
    ///
    /// # Errors
    /// [`Error::CannotOpen`], [`Error::NotADatabase`], [`Error::NotOurs`]: the file is left as it is.
    /// [`Error::Newer`] or [`Error::AlteredMigration`] when it was made by another version; [`Error::Migration`],
    /// [`Error::Busy`], [`Error::Full`], [`Error::ReadOnly`] when it could not be brought up to date.
    pub async fn open(path: &Path, params: &OpenParams) -> Result<Self, Error> {
        // Of two programs that make a new database at once, each may hold what the other needs: then SQLite refuses one
        // without waiting.
        for _ in 1..OPEN_TRIES {
            match Self::open_once(path, params).await {
                Err(Error::Busy) => tokio::time::sleep(OPEN_PAUSE).await,
                done => return done,
            }
        }
        Self::open_once(path, params).await
    }

    async fn open_once(path: &Path, params: &OpenParams) -> Result<Self, Error> {
        let plain = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .foreign_keys(true)
            .busy_timeout(params.busy_timeout)
            .disable_statement_logging();
        private_file::make(path);
        let state = boxed(look_at(&plain, path)).await?;
        let options = plain
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(match params.durability {
                Durability::PowerLoss => SqliteSynchronous::Full,
                Durability::ProcessEnd => SqliteSynchronous::Normal,
            })
            .pragma("temp_store", "MEMORY")
            // What the rule for personal data empties is overwritten in the file, not only marked as unused.
            .pragma("secure_delete", "ON")
            // Gives the disk back after a large import.
            .pragma("journal_size_limit", "67108864");
        let writer = pool(1, params)
            .connect_with(options.clone().pragma("cache_size", "-65536"))
            .await
            .map_err(|error| Error::opening(error, path))?;
        if let FileState::Older { version } = state {
            boxed(keep_former(&writer, path, version)).await?;
        }
        if state != FileState::Current {
            migrate(&writer).await?;
        }
        let readers = pool(params.n_readers.max(1), params).connect_lazy_with(
            options.pragma("cache_size", "-16384").pragma("query_only", "ON").row_buffer_size(512),
        );
        Ok(Self { readers, writer, pending: Arc::default() })
    }

    /// The revision of the data now, whoever committed it.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn revision(&self) -> Result<Revision, Error> {
        snapshot::revision(&mut *self.readers.acquire().await?).await
    }

    /// A consistent view of the data at its present revision.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read, or all readers are taken for longer than the busy timeout.
    pub async fn snapshot(&self) -> Result<Snapshot, Error> {
        boxed(Snapshot::begin(&self.readers)).await
    }

    /// Begins a write, for which it waits until no other writer, in this or another process, is at work.
    ///
    /// `actor` is who, `summary` why, in a few words; `now_s` is the time in seconds since 1970-01-01T00:00:00Z.
    ///
    /// # Errors
    /// [`Error::Busy`] when another writer is at work for longer than the busy timeout; [`Error::ReadOnly`].
    pub async fn write(&self, actor: &str, summary: &str, now_s: i64) -> Result<Writer, Error> {
        boxed(Writer::begin(&self.writer, actor, summary, now_s)).await
    }

    /// Closes all connections, after the reads and writes under way.
    pub async fn close(&self) {
        if !matches!(self.catch_up().await, Ok(true)) {
            tracing::warn!("changes of accounts were in force and could not be written");
        }
        self.readers.close().await;
        self.writer.close().await;
    }
}

fn pool(n_connections: u32, params: &OpenParams) -> SqlitePoolOptions {
    SqlitePoolOptions::new()
        .max_connections(n_connections)
        // A connection keeps its prepared statements and its pages for as long as it lives.
        .idle_timeout(None)
        .max_lifetime(None)
        .test_before_acquire(false)
        // A write that a full or failing disk breaks off is rolled back by SQLite itself (sqlite.org/lang_transaction.html,
        // section 3.1). The driver still takes it as begun and would begin no other on that connection, so it is closed.
        .after_release(|connection, _| {
            Box::pin(async move {
                // Whatever the dropped transaction left to be done is done before the answer.
                connection.ping().await?;
                Ok(!connection.is_in_transaction())
            })
        })
        .acquire_timeout(params.busy_timeout.max(Duration::from_millis(1)))
}

/// How a database file compares with this version of the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum FileState {
    /// It has all migrations.
    Current,
    /// It has some, up to this one.
    Older { version: i64 },
    /// It was just made.
    Empty,
}

/// Looks which migrations the file has already. Changes nothing in it, but makes it if there is none.
async fn look_at(options: &SqliteConnectOptions, path: &Path) -> Result<FileState, Error> {
    let opening = |error| Error::opening(error, path);
    let mut connection = options.connect().await.map_err(opening)?;
    let tables: Vec<String> = sqlx::query_scalar("SELECT name FROM sqlite_schema WHERE type = 'table'")
        .fetch_all(&mut connection)
        .await
        .map_err(opening)?;
    let is_ours = tables.iter().any(|name| name == "_sqlx_migrations");
    if !is_ours && !tables.is_empty() {
        return Err(Error::NotOurs { path: path.to_owned() });
    }
    let applied: Vec<(i64, Vec<u8>)> = if is_ours {
        sqlx::query_as("SELECT version, checksum FROM _sqlx_migrations ORDER BY version")
            .fetch_all(&mut connection)
            .await
            .map_err(opening)?
    } else {
        Vec::new()
    };
    connection.close().await.map_err(opening)?;
    for (version, checksum) in &applied {
        match MIGRATOR.iter().find(|known| known.version == *version) {
            None => return Err(Error::Newer { version: *version }),
            Some(known) if *known.checksum != **checksum => {
                return Err(Error::AlteredMigration { version: *version });
            }
            Some(_) => {}
        }
    }
    Ok(match applied.last() {
        _ if applied.len() == MIGRATOR.iter().count() => FileState::Current,
        Some((version, _)) => FileState::Older { version: *version },
        None => FileState::Empty,
    })
}

/// Keeps a copy of an older database beside it before anything is changed in it: "park.db.migration-3".
///
/// The copy is written under another name first, so that a file of that name is a whole copy whenever the program ends.
async fn keep_former(writer: &SqlitePool, path: &Path, version: i64) -> Result<(), Error> {
    let mut connection = writer.acquire().await?;
    let revision = snapshot::revision(&mut connection).await?;
    let mut former = with_suffix(path, &format!(".migration-{version}"));
    let mut number = 1;
    while former.exists() {
        // One of the same data is from a start that ended before the migration did; one of other data stays.
        if safe_keeping::check_file(&former).await.is_ok_and(|checkup| checkup.revision == revision) {
            return Ok(());
        }
        number += 1;
        former = with_suffix(path, &format!(".migration-{version}-{number}"));
    }
    let unfinished = with_suffix(&former, &format!(".{}", std::process::id()));
    let written = async {
        safe_keeping::vacuum_into(&mut connection, &unfinished).await?;
        std::fs::rename(&unfinished, &former).map_err(|_| Error::CannotOpen { path: former.clone() })
    };
    let written = written.await;
    if written.is_err() {
        let _ = std::fs::remove_file(&unfinished);
    }
    written?;
    tracing::info!(version, "the former database is kept beside the new one");
    Ok(())
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// Applies the missing migrations as one write, so that two programs that start together do not disturb each other.
async fn migrate(writer: &SqlitePool) -> Result<(), Error> {
    let mut transaction = writer.begin_with("BEGIN IMMEDIATE").await?;
    MIGRATOR.run(&mut *transaction).await.map_err(|error| match error {
        MigrateError::VersionMissing(version) => Error::Newer { version },
        MigrateError::VersionMismatch(version) => Error::AlteredMigration { version },
        MigrateError::Execute(error) | MigrateError::ExecuteMigration(error, _) => error.into(),
        other => Error::Migration(other),
    })?;
    Ok(transaction.commit().await?)
}
