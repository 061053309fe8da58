//! What can go wrong in the store.
//!
//! [`Error`] is for what stops a whole read or write: the file, the disk, another writer, a stored row that breaks the
//! domain's rules. What is wrong with one row of a batch is no error but a [`RowProblem`], and the other rows go in.
//! Inside the store a `Fault` is either of the two, until the loop over the rows tells them apart.

use std::path::PathBuf;

use crate::domain::batch::RowError;

/// Why a read or a write failed as a whole.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Another writer held the database for longer than the busy timeout.
    #[error("another program is writing to the database; try again when it has finished")]
    Busy,
    /// A change of an account holds in this process, but another write has kept it from being written so far.
    #[error(
        "this is in force until the server stops, but not written yet, since another write takes long; try again"
    )]
    NotWritten,
    /// The disk, or the size allowed to the database, is full, or takes nothing for another reason. Nothing of the write was
    /// kept.
    #[error("the disk is full, or cannot be written; nothing of this write was kept")]
    Full,
    /// The file or its folder may only be read.
    #[error("the database may only be read, not written")]
    ReadOnly,
    /// The file could not be opened or made.
    #[error(
        "the database file {path} could not be opened or made; check that its folder exists and may be written"
    )]
    CannotOpen {
        /// The file.
        path: PathBuf,
    },
    /// The file is not an SQLite database.
    #[error("{path} is not a database")]
    NotADatabase {
        /// The file.
        path: PathBuf,
    },
    /// The file is an SQLite database made by another program.
    #[error("{path} is a database of another program; it was left as it is")]
    NotOurs {
        /// The file.
        path: PathBuf,
    },
    /// The database was made by a newer version of this program.
    #[error(
        "the database has migration {version}, which this version of the program does not know; use a newer version"
    )]
    Newer {
        /// The unknown migration.
        version: i64,
    },
    /// A migration of the database differs from the one this program has under the same number.
    #[error("migration {version} of the database differs from the one of this version of the program")]
    AlteredMigration {
        /// The migration.
        version: i64,
    },
    /// A migration could not be applied; the database is as it was.
    #[error("the database could not be brought up to date")]
    Migration(#[source] sqlx::migrate::MigrateError),
    /// The database file is damaged.
    #[error("the database file is damaged")]
    Damaged(#[source] sqlx::Error),
    /// A stored row breaks the domain's rules.
    #[error("table {table}, column {column}, row {row}: {reason}")]
    StoredRow {
        /// The table.
        table: &'static str,
        /// The column.
        column: &'static str,
        /// The row's key.
        row: i64,
        /// What is wrong.
        reason: String,
    },
    /// A rule of the database was broken by something other than a row of a file.
    #[error("the database's rule {constraint} was broken")]
    Rule {
        /// The name of the constraint, or the columns of a unique key.
        constraint: String,
    },
    /// The thing that was to be changed is not there.
    #[error("there is no {what} {id}")]
    Missing {
        /// What kind of thing.
        what: &'static str,
        /// Its key.
        id: i64,
    },
    /// The batch was undone before.
    #[error("batch {0} is undone already")]
    UndoneAlready(i64),
    /// Anything else that the database reports.
    #[error("the database failed")]
    Database(#[source] sqlx::Error),
}

/// What is wrong with one row that was to go in: the parts of a [`RowError`] that the store knows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RowProblem {
    /// The row in the file.
    pub row_number: u64,
    /// The field, by its Darwin Core or Coilway name.
    pub field: String,
    /// The value.
    pub value: String,
    /// What is wrong with it.
    pub reason: String,
    /// What would mend it.
    pub hint: String,
}

impl RowProblem {
    /// The row error, given the whole row as read, header and value.
    pub fn into_row_error(self, raw: Vec<(String, String)>) -> RowError {
        RowError {
            row_number: self.row_number,
            field: self.field,
            value: self.value,
            reason: self.reason,
            hint: self.hint,
            raw,
        }
    }
}

/// A problem of a row before its number is known, or an error of the whole.
#[derive(Debug)]
pub(super) enum Fault {
    /// The row does not go in.
    Row(Problem),
    /// Nothing goes in.
    Store(Error),
}

/// A [`RowProblem`] without its number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Problem {
    pub(super) field: String,
    pub(super) value: String,
    pub(super) reason: String,
    pub(super) hint: String,
}

impl Problem {
    pub(super) fn of(field: &str, value: &str, reason: &str, hint: &str) -> Self {
        Self { field: field.into(), value: value.into(), reason: reason.into(), hint: hint.into() }
    }

    pub(super) fn at(self, row_number: u64) -> RowProblem {
        let Self { field, value, reason, hint } = self;
        RowProblem { row_number, field, value, reason, hint }
    }
}

impl From<Problem> for Fault {
    fn from(problem: Problem) -> Self {
        Self::Row(problem)
    }
}

impl From<Error> for Fault {
    fn from(error: Error) -> Self {
        Self::Store(error)
    }
}

impl From<sqlx::Error> for Fault {
    fn from(error: sqlx::Error) -> Self {
        match broken_check(&error) {
            Some(constraint) => Self::Row(super::constraints::problem(&constraint)),
            None => Self::Store(error.into()),
        }
    }
}

/// The name of the CHECK that a statement broke. SQLite reports it in the message only.
pub(super) fn broken_check(error: &sqlx::Error) -> Option<String> {
    let database = error.as_database_error()?;
    if !matches!(database.kind(), sqlx::error::ErrorKind::CheckViolation) {
        return None;
    }
    Some(database.message().rsplit(": ").next().unwrap_or_default().to_owned())
}

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        if matches!(error, sqlx::Error::PoolTimedOut) {
            return Self::Busy;
        }
        if extended_code(&error).is_some_and(|code| SQLITE_IOERR_OF_WRITES.contains(&code)) {
            return Self::Full;
        }
        match primary_code(&error) {
            Some(SQLITE_BUSY | SQLITE_LOCKED) => Self::Busy,
            Some(SQLITE_FULL) => Self::Full,
            Some(SQLITE_READONLY) => Self::ReadOnly,
            Some(SQLITE_CORRUPT | SQLITE_NOTADB) => Self::Damaged(error),
            Some(SQLITE_CONSTRAINT) => Self::Rule { constraint: constraint_of(&error) },
            _ => Self::Database(error),
        }
    }
}

impl Error {
    /// An error met while opening the file, where damage and missing rights mean something else than later.
    pub(super) fn opening(error: sqlx::Error, path: &std::path::Path) -> Self {
        let path = path.to_owned();
        match primary_code(&error) {
            Some(SQLITE_CANTOPEN | SQLITE_PERM | SQLITE_IOERR) => Self::CannotOpen { path },
            Some(SQLITE_NOTADB) => Self::NotADatabase { path },
            _ => error.into(),
        }
    }
}

// Primary result codes, https://www.sqlite.org/rescode.html
const SQLITE_PERM: i32 = 3;
const SQLITE_BUSY: i32 = 5;
const SQLITE_LOCKED: i32 = 6;
const SQLITE_READONLY: i32 = 8;
const SQLITE_IOERR: i32 = 10;
const SQLITE_CORRUPT: i32 = 11;
const SQLITE_FULL: i32 = 13;
const SQLITE_CANTOPEN: i32 = 14;
const SQLITE_CONSTRAINT: i32 = 19;
const SQLITE_NOTADB: i32 = 26;

/// SQLITE_IOERR_WRITE, _FSYNC, _TRUNCATE, _SHMSIZE and _SHMMAP: a file may grow no more, or the memory that readers and writer
/// share finds no room on the disk.
const SQLITE_IOERR_OF_WRITES: [i32; 5] = [778, 1034, 1546, 4874, 5386];

/// The primary code is the low byte of the extended code.
fn primary_code(error: &sqlx::Error) -> Option<i32> {
    Some(extended_code(error)? & 0xff)
}

/// The driver reports it as text.
fn extended_code(error: &sqlx::Error) -> Option<i32> {
    error.as_database_error()?.code()?.parse().ok()
}

fn constraint_of(error: &sqlx::Error) -> String {
    let message = error.as_database_error().map(|database| database.message().to_owned()).unwrap_or_default();
    message.split_once(": ").map(|(_, name)| name.to_owned()).unwrap_or(message)
}

/// Turns a domain rule broken by a stored value into [`Error::StoredRow`].
pub(super) fn stored<T, E: std::fmt::Display>(
    result: Result<T, E>,
    table: &'static str,
    column: &'static str,
    row: i64,
) -> Result<T, Error> {
    result.map_err(|error| Error::StoredRow { table, column, row, reason: error.to_string() })
}
