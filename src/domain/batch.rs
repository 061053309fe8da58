//! Batches of files brought in together, and the rows that did not go in.

use crate::domain::ids::BatchId;
use crate::domain::ids::FileId;
use crate::domain::ids::RowErrorId;
use crate::domain::revision::Revision;
use crate::domain::terms::terms;

terms! {
    /// What the rows of a batch are.
    Content, "kinds of content", {
        /// Trails.
        Trails => "trails",
        /// Encounters with their approaches and reactions.
        Encounters => "encounters",
        /// Counters and where they stand.
        Counters => "counters",
        /// Counter readings.
        Readings => "readings",
        /// Calibrations: a person counted beside the device.
        Calibrations => "calibrations",
        /// Trailheads.
        Trailheads => "trailheads",
        /// Places.
        Places => "places",
        /// Survey walks.
        Walks => "walks",
        /// Party sizes.
        PartySizes => "party-sizes",
        /// Closures of trails, trailheads or the whole area.
        Closures => "closures",
        /// Sensitive places.
        SensitivePlaces => "sensitive-places",
        /// The species list.
        Species => "species",
        /// Sign locations.
        Signs => "signs",
        /// Who of two observers noticed what on survey walks.
        DoubleObserver => "double-observer",
        /// Signs in place, since when and until when.
        SignsInPlace => "signs-in-place",
        /// Inspections of signs in place.
        SignInspections => "sign-inspections",
        /// Watches at signs: who passed, read and did as asked.
        SignWatches => "sign-watches",
        /// The highest temperature of each day.
        DailyWeather => "daily-weather",
        /// Photos that say where and when they were taken.
        Photos => "photos",
        /// Sent by the form.
        Form => "form",
    }
}

/// A row that was not taken: where, what and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RowError {
    /// The row in the file: for CSV the line number of its first line, for GeoJSON and GPX the feature's number, from 1.
    pub row_number: u64,
    /// The field, by its Darwin Core or Coilway name; the header as written where no field takes it.
    pub field: String,
    /// The value as written, cut to 200 characters.
    pub value: String,
    /// What is wrong with it.
    pub reason: String,
    /// What would mend it.
    pub hint: String,
    /// The whole row as read, header and value.
    pub raw: Vec<(String, String)>,
}

/// A row error as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredRowError {
    /// The stored row.
    pub id: RowErrorId,
    /// The file.
    pub file_id: FileId,
    /// The file's name.
    pub file_name: String,
    /// What the rows of the file are.
    pub content: Content,
    /// The error.
    pub error: RowError,
    /// `open`, `mended` or `set-aside`.
    pub state: String,
}

/// A batch, with its counts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchSummary {
    /// The stored row.
    pub id: BatchId,
    /// What its rows are.
    pub content: Content,
    /// Who brought it in.
    pub actor: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub created_at_s: i64,
    /// The revision it made.
    pub revision: Revision,
    /// Rows that went in.
    pub n_accepted: u64,
    /// Rows that were there already.
    pub n_unchanged: u64,
    /// Rows that did not go in.
    pub n_refused: u64,
    /// When it was undone, if it was.
    pub undone_at_s: Option<i64>,
    /// The names of its files.
    pub file_names: Vec<String>,
}
