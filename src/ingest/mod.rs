//! Bytes in, drafts and row errors out.
//!
//! [`read`] streams a file: memory does not grow with it. Every row becomes a [`Draft`] or a
//! [`RowError`] that keeps the row as it was read; `Err` means that the file as a whole is
//! not what it should be, and then nothing of it should be kept. Nothing is guessed silently: what can be read in two ways
//! is refused by name, with what would mend it.
//!
//! Read in this order: `field` (names and spellings), `row` (one row of any format), `csv`, `geojson`, `gpx` (formats),
//! `fields` (numbers, coordinates, dates), `rows` (contents); `photo` (pictures, and what they say of where and when).

mod context;
mod csv;
mod decode;
mod error;
mod field;
mod fields;
mod geojson;
mod gpx;
pub mod photo;
mod row;
mod rows;

use std::io::Read;
use std::ops::ControlFlow;

use crate::domain::approach::CoreReaction;
use crate::domain::area::Species;
use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::closure::Closure;
use crate::domain::double_observer::DoubleObservationDraft;
use crate::domain::encounter::EncounterDraft;
use crate::domain::exposure::CalibrationDraft;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::PartySizeDraft;
use crate::domain::exposure::ReadingDraft;
use crate::domain::place::PlaceDraft;
use crate::domain::place::SensitivePlace;
use crate::domain::sign::SignInPlaceDraft;
use crate::domain::sign::SignInspectionDraft;
use crate::domain::sign::SignLocationDraft;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::trail::TrailDraft;
use crate::domain::trail::TrailheadDraft;
use crate::domain::walk::WalkDraft;
use crate::domain::weather::DailyWeather;

pub use crate::ingest::context::Context;
pub use crate::ingest::context::DayOrder;
pub use crate::ingest::error::FileError;
pub use crate::ingest::row::Raw;

/// A record as read, before it is stored.
#[expect(
    clippy::large_enum_variant,
    reason = "nearly all are encounters: a box would cost an allocation a row"
)]
#[derive(Debug, Clone, PartialEq)]
pub enum Draft {
    /// A trail.
    Trail(TrailDraft),
    /// A trailhead.
    Trailhead(TrailheadDraft),
    /// A place.
    Place(PlaceDraft),
    /// A sensitive place.
    SensitivePlace(SensitivePlace),
    /// A species of the area's list.
    Species(Species),
    /// A counter at one of its locations.
    Counter(CounterDraft),
    /// A counter reading.
    Reading(ReadingDraft),
    /// A calibration session.
    Calibration(CalibrationDraft),
    /// The highest temperature of a day.
    DailyWeather(DailyWeather),
    /// A party size.
    PartySize(PartySizeDraft),
    /// A closure.
    Closure(Closure),
    /// A survey walk.
    Walk(WalkDraft),
    /// A sign location.
    SignLocation(SignLocationDraft),
    /// A sign in place.
    SignInPlace(SignInPlaceDraft),
    /// An inspection of a sign.
    SignInspection(SignInspectionDraft),
    /// A watch at a sign, or at a place to compare with.
    SignWatch(SignWatchDraft),
    /// A row of a double-observer walk.
    DoubleObservation(DoubleObservationDraft),
    /// An encounter with its approaches.
    Encounter(EncounterDraft),
}

/// The formats.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Values separated by commas, semicolons or tabs, with a header.
    Csv,
    /// RFC 7946.
    GeoJson,
    /// GPX 1.0 or 1.1.
    Gpx,
}

/// What a row became.
#[expect(clippy::large_enum_variant, reason = "nearly all are drafts: a box would cost an allocation a row")]
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// A record.
    Draft {
        /// Its row: for CSV the line it starts on, else the number of the feature, from 1.
        row_number: u64,
        /// The record.
        draft: Draft,
    },
    /// A row that was not taken.
    Refused(RowError),
}

/// How a file was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileReport {
    /// Its character encoding.
    pub encoding: String,
    /// Which header was read as which field; "kept as it is" for one that no field takes. Where the order of day and month was
    /// settled, it stands last under [`DayOrder::NAME`].
    pub mapping: Vec<(String, String)>,
}

/// Gets every item in the order of the file; breaking off ends the reading without an error.
pub type Sink<'a> = &'a mut dyn FnMut(Item) -> ControlFlow<()>;

/// Reads a file.
///
/// # Errors
/// [`FileError`] when the file is not of that format, breaks off, or lacks a header that its content needs. Items before
/// the error have been handed over already: the caller keeps all or nothing.
pub fn read(
    content: Content,
    format: Format,
    reader: impl Read,
    context: &Context,
    sink: Sink<'_>,
) -> Result<FileReport, FileError> {
    if content == Content::Photos {
        return Err(FileError::WrongContent { content: content.term(), format: "rows" });
    }
    match format {
        Format::Csv => csv::read(content, reader, context, sink),
        Format::GeoJson => geojson::read(content, reader, context, sink),
        Format::Gpx => gpx::read(content, reader, context, sink),
    }
}

/// The columns that a table of a content may have, by name, and whether it cannot be read without.
pub fn columns(content: Content) -> Vec<(&'static str, bool)> {
    let needed = field::required(content);
    field::fields_of(content).iter().map(|field| (field.name(), needed.contains(field))).collect()
}

/// Whether a cell of a row may say what a snake did to people, which is health data: the outcome, a bite or unknown words
/// among reactions, and free words, those in columns that no field takes included.
///
/// A bite of footwear or a device counts as well: if it did not, what is withheld would be known to be one of skin.
///
/// The header may be numbered, as those of a further approach are: "reactions \[2\]".
pub fn is_about_health(content: Content, header: &str, value: &str) -> bool {
    let header = header.split_once('[').map_or(header, |(header, _)| header);
    let is_of_encounters = match content {
        Content::Encounters | Content::Form | Content::Photos => true,
        Content::Trails
        | Content::Counters
        | Content::Readings
        | Content::Calibrations
        | Content::Trailheads
        | Content::Places
        | Content::Walks
        | Content::PartySizes
        | Content::Closures
        | Content::SensitivePlaces
        | Content::Species
        | Content::Signs
        | Content::DoubleObserver
        | Content::SignsInPlace
        | Content::SignInspections
        | Content::SignWatches
        | Content::DailyWeather => false,
    };
    if !is_of_encounters || value.trim().is_empty() {
        return false;
    }
    match field::field_of(content, header) {
        Some(field::Field::Outcome | field::Field::OccurrenceRemarks | field::Field::Behavior) | None => true,
        Some(field::Field::Reactions) => value.split(';').any(|part| {
            let term = part.split_once('@').map_or(part, |(term, _)| term).trim();
            match term.parse() {
                Ok(CoreReaction::BitSkin | CoreReaction::BitFootwear) => true,
                Ok(_) => false,
                Err(_) => !term.is_empty(),
            }
        }),
        Some(_) => false,
    }
}

/// Adds an empty cell for a field that a row lacks, so that it can be filled in when the row is mended; nothing where a header
/// stands for it already, or the name is that of no field.
pub fn with_field(content: Content, mut raw: Raw, name: &str) -> Raw {
    let is_field = field::fields_of(content).iter().any(|field| field.name() == name);
    let stands_for =
        |header: &str| field::field_of(content, header).is_some_and(|field| field.name() == name);
    if is_field && !raw.iter().any(|(header, _)| stands_for(header)) {
        raw.push((name.to_owned(), String::new()));
    }
    raw
}

/// Tries one row again, header and value, as mended by a person. An encounter's rows, numbered as in "contact \[2\]", are tried
/// together.
///
/// # Errors
/// [`RowError`] when it is still not right; its row number is zero. What a photo said gives its encounter, without the
/// photo, which is not kept when it is refused.
#[expect(clippy::result_large_err, reason = "called once for a row that a person mended")]
pub fn retry(content: Content, raw: Raw, context: &Context) -> Result<Draft, RowError> {
    let refused =
        |problem: error::Problem| problem.into_row_error(&row::Pairs::new(content, 0, raw.clone(), context));
    if content == Content::Photos && raw.is_empty() {
        let hint = "mend the photo and bring it in again, or add it on the page of its encounter";
        return Err(refused(error::Problem::new("photo", "", "a picture cannot be mended here", hint)));
    }
    let rows = match content {
        Content::Encounters | Content::Form => rows::parted(raw.clone()),
        _ => vec![raw.clone()],
    };
    let mut gather = rows::Gather::new(content);
    let mut items = Vec::new();
    let mut sink = |item| {
        items.push(item);
        ControlFlow::Continue(())
    };
    for pairs in rows {
        let row = row::Pairs::new(content, 0, pairs, context);
        let parsed = row.check().and_then(|()| rows::parse(content, &row, context)).map_err(refused)?;
        let _ = gather.take(&row, Ok(parsed), &|| raw.clone(), &mut sink);
    }
    let _ = gather.finish(&mut sink);
    match (items.pop(), items.is_empty()) {
        (Some(Item::Draft { draft, .. }), true) => Ok(draft),
        (Some(Item::Refused(error)), true) => Err(RowError { raw, ..error }),
        _ => {
            let (reason, hint) =
                ("the rows do not tell of one encounter", "make all but the approaches agree");
            Err(refused(error::Problem::new(field::Field::OccurrenceId.name(), "", reason, hint)))
        }
    }
}

/// The rows of the given numbers as they were read, header and value; an encounter with all its rows, as [`retry`] takes them.
///
/// # Errors
/// As [`read`].
pub fn rows_as_read(
    content: Content,
    format: Format,
    reader: impl Read,
    context: &Context,
    wanted: &[u64],
) -> Result<Vec<(u64, Raw)>, FileError> {
    match format {
        Format::Csv => csv::raw_rows(Some(content), reader, context, wanted),
        Format::GeoJson => geojson::raw_rows(content, reader, context, wanted),
        Format::Gpx => gpx::raw_rows(content, reader, context, wanted),
    }
}

/// The rows of the given numbers as they were read, where it is not known what they should be: of CSV and GeoJSON each row by
/// itself, of GPX the waypoints. [`rows_as_read`] knows more.
///
/// # Errors
/// As [`read`].
pub fn raw_rows(format: Format, reader: impl Read, wanted: &[u64]) -> Result<Vec<(u64, Raw)>, FileError> {
    let context = Context::new("UTC", jiff::civil::Date::MAX, Vec::new(), std::iter::empty());
    match format {
        Format::Csv => csv::raw_rows(None, reader, &context, wanted),
        Format::GeoJson => geojson::raw_rows(Content::Trails, reader, &context, wanted),
        Format::Gpx => gpx::raw_rows(Content::Encounters, reader, &context, wanted),
    }
}

/// The order of day and month that the dates of a file settle, for [`Context::with_day_order`]: known when at least one date can
/// be read in one way only and none in the other way only.
///
/// Reads the file once, but no further than its first thousand dates when none of them is made of numbers.
///
/// # Errors
/// As [`read`]. Formats whose dates have a fixed order give [`DayOrder::Unknown`].
pub fn settled_day_order(
    content: Content,
    format: Format,
    reader: impl Read,
    context: &Context,
) -> Result<DayOrder, FileError> {
    match format {
        Format::Csv => csv::settled_day_order(content, reader, context),
        Format::GeoJson | Format::Gpx => Ok(DayOrder::Unknown),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_snake_did_to_people_is_known_by_its_header_and_its_words() {
        let check = |header: &str, value: &str| is_about_health(Content::Encounters, header, value);
        assert!(check("Outcome", "bite treated") && check("outcome", "something") && !check("outcome", " "));
        assert!(check("reactions", "Still; Bit Skin @ 3") && check("response [2]", "bit skin"));
        assert!(check("reactions", "still; bit footwear or device") && check("reactions", "bit my hand"));
        assert!(!check("reactions", "still; struck short@2;") && !check("reactions", ""));
        for header in ["behavior", "Notes", "occurrenceRemarks", "a column of their own"] {
            assert!(
                check(header, "bit her ankle") && check(header, "quiet") && !check(header, " "),
                "{header}"
            );
        }
        assert!(!check("recordedBy", "x") && !check("eventDate", "2024"));
        assert!(!is_about_health(Content::Trails, "outcome", "x"));
        assert!(!is_about_health(Content::SignInspections, "remarks", "x"));
    }
}
