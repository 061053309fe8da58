//! What can be wrong with a whole file, and with one value.
//!
//! [`FileError`] stops a file. A [`Problem`] is what is wrong with one value of a row; with the row it becomes a
//! [`RowError`], which is data and stops nothing.

use crate::domain::batch::RowError;
use crate::ingest::row::Row;

/// How many characters of a value an error shows.
const SHOWN: usize = 200;

/// Why a file cannot be read at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FileError {
    /// There is nothing in it.
    #[error("the file is empty")]
    Empty,
    /// It holds zero bytes: not text.
    #[error("the file is not text (it holds zero bytes at {at}); export it as CSV, GeoJSON or GPX first")]
    Binary {
        /// The first of them.
        at: usize,
    },
    /// It is UTF-16 without the mark that says so.
    #[error("the file seems to be UTF-16 without a byte-order mark: save it as UTF-8")]
    Utf16WithoutMark,
    /// It is larger than what is taken.
    #[error("the file is larger than {limit_bytes} bytes: divide it")]
    TooLarge {
        /// What is taken.
        limit_bytes: u64,
    },
    /// One row or feature is longer than what is held in memory.
    #[error(
        "one row or feature is longer than {limit_bytes} bytes ({at}): is a quote or an element not closed?"
    )]
    TooLong {
        /// What is held.
        limit_bytes: u64,
        /// Where, in words.
        at: String,
    },
    /// A header that no field takes stands twice.
    #[error("the header \"{header}\" stands twice: rename one")]
    RepeatedHeader {
        /// The header.
        header: String,
    },
    /// A mapping names a field that the content does not have.
    #[error("there is no field {field} of {content}; there are: {known}")]
    NoSuchField {
        /// What was named.
        field: String,
        /// What the rows should be.
        content: &'static str,
        /// The fields there are.
        known: String,
    },
    /// Two headers stand for one field.
    #[error(
        "the header \"{header}\" and the header \"{other}\" both stand for {field}: remove or rename one"
    )]
    DuplicateHeader {
        /// The second header.
        header: String,
        /// The first header.
        other: String,
        /// The field.
        field: &'static str,
    },
    /// A header is missing that the content needs.
    #[error("no header stands for {field}, which {content} need; the headers are: {headers}")]
    MissingHeader {
        /// The field.
        field: &'static str,
        /// What the rows should be.
        content: &'static str,
        /// The headers there are.
        headers: String,
    },
    /// There are more columns than any table of records has.
    #[error("the first line has {n_columns} columns, more than {limit}: is the right separator used?")]
    TooManyColumns {
        /// How many.
        n_columns: usize,
        /// How many are taken.
        limit: usize,
    },
    /// The format cannot hold the content.
    #[error("{content} cannot be read from {format}")]
    WrongContent {
        /// What the rows should be.
        content: &'static str,
        /// The format.
        format: &'static str,
    },
    /// The format's grammar is broken, or the file breaks off.
    #[error("this is not {format}: {reason} (at {at})")]
    Malformed {
        /// The format.
        format: &'static str,
        /// What is wrong.
        reason: String,
        /// Where, in words.
        at: String,
    },
    /// There is nothing of the kind in it.
    #[error("the file holds no {what}")]
    Nothing {
        /// What was looked for.
        what: &'static str,
    },
    /// The bytes cannot be read.
    #[error("the file cannot be read: {0}")]
    Io(String),
}

/// What is wrong with one value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Problem {
    pub(crate) field: String,
    pub(crate) value: String,
    pub(crate) reason: String,
    pub(crate) hint: String,
}

impl Problem {
    pub(crate) fn new(field: &str, value: &str, reason: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { field: field.to_owned(), value: cut(value), reason: reason.into(), hint: hint.into() }
    }

    pub(crate) fn into_row_error(self, row: &dyn Row) -> RowError {
        RowError {
            row_number: row.number(),
            field: self.field,
            value: self.value,
            reason: self.reason,
            hint: self.hint,
            raw: row.raw(),
        }
    }
}

fn cut(value: &str) -> String {
    match value.char_indices().nth(SHOWN) {
        Some((end, _)) => format!("{}…", &value[..end]),
        None => value.to_owned(),
    }
}
