//! One row of any format: values by field.

use crate::domain::batch::Content;
use crate::domain::geography::LonLat;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::wkt;

/// What a spreadsheet writes where a formula failed.
const BROKEN: [&str; 7] = ["#REF!", "#N/A", "#VALUE!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!"];

/// A row as it was read: headers and values.
pub type Raw = Vec<(String, String)>;

/// One row.
pub(crate) trait Row {
    /// Its number in the file.
    fn number(&self) -> u64;

    /// The value of a field, without space around it; empty where there is none.
    fn get(&self, field: Field) -> &str;

    /// Values that no field takes, header and value, empty ones left out.
    fn others(&self) -> Raw;

    /// The whole row, header and value.
    fn raw(&self) -> Raw;

    /// The lines of its geometry, for formats that have one.
    fn lines(&self) -> &[Vec<LonLat>] {
        &[]
    }

    /// For each line the elevations of its positions, metres; empty where they are not all given.
    fn elevations_m(&self) -> &[Vec<f64>] {
        &[]
    }

    /// The instants of its geometry's positions, seconds since 1970-01-01T00:00:00Z, where all are known.
    fn line_times_s(&self) -> &[i64] {
        &[]
    }
}

/// A row held as headers and values, as features, waypoints and mended rows are.
#[derive(Debug, Clone, Default)]
pub(crate) struct Pairs {
    number: u64,
    pairs: Raw,
    fields: Vec<Option<Field>>,
    pub(crate) lines: Vec<Vec<LonLat>>,
    pub(crate) elevations_m: Vec<Vec<f64>>,
    pub(crate) times_s: Vec<i64>,
}

impl Pairs {
    pub(crate) fn new(content: Content, number: u64, pairs: Raw, context: &Context) -> Self {
        let fields = pairs.iter().map(|(header, _)| context.field_of(content, header)).collect();
        Self { number, pairs, fields, lines: Vec::new(), elevations_m: Vec::new(), times_s: Vec::new() }
    }

    /// Refuses values that are no values but traces of a program.
    pub(crate) fn check(&self) -> Result<(), Problem> {
        self.fields.iter().zip(&self.pairs).try_for_each(|(field, (header, value))| match field {
            Some(field) => check_value(field.name(), value),
            None => check_letters(header, value),
        })
    }

    /// Which header is read as which field.
    pub(crate) fn headers(&self) -> impl Iterator<Item = (&str, Option<Field>)> {
        self.pairs.iter().zip(&self.fields).map(|((header, _), field)| (header.as_str(), *field))
    }
}

impl Row for Pairs {
    fn number(&self) -> u64 {
        self.number
    }

    fn get(&self, field: Field) -> &str {
        // The first that says anything: a feature may carry its position twice.
        let values = self.fields.iter().zip(&self.pairs).filter(|(known, _)| **known == Some(field));
        values.map(|(_, (_, value))| trimmed(value)).find(|value| !value.is_empty()).unwrap_or("")
    }

    fn others(&self) -> Raw {
        let unknown = self.fields.iter().zip(&self.pairs).filter(|(known, _)| known.is_none());
        unknown.map(|(_, pair)| pair.clone()).filter(|(_, value)| !value.trim().is_empty()).collect()
    }

    fn raw(&self) -> Raw {
        let mut raw = self.pairs.clone();
        let mut add = |field: Field, value: String| {
            if self.get(field).is_empty() {
                raw.push((field.name().to_owned(), value));
            }
        };
        // With its lines and times, so that nothing is lost when the row is mended and tried again.
        if !self.lines.is_empty() {
            add(Field::Footprint, wkt::from_lines(&self.lines));
        }
        if !self.times_s.is_empty() {
            let text = |second: &i64| jiff::Timestamp::from_second(*second).map(|at| at.to_string());
            let times: Vec<String> = self.times_s.iter().filter_map(|second| text(second).ok()).collect();
            add(Field::TrackTimes, times.join(" "));
        }
        raw
    }

    fn lines(&self) -> &[Vec<LonLat>] {
        &self.lines
    }

    fn elevations_m(&self) -> &[Vec<f64>] {
        &self.elevations_m
    }

    fn line_times_s(&self) -> &[i64] {
        &self.times_s
    }
}

/// Refuses what is no value but the trace of a program.
pub(crate) fn check_value(field: &str, value: &str) -> Result<(), Problem> {
    let value = trimmed(value);
    if value.starts_with('=') {
        let hint = "copy the column and paste it as values, then export again";
        return Err(Problem::new(field, value, "this is a spreadsheet formula, not its result", hint));
    }
    if value.starts_with('#') && BROKEN.contains(&value) {
        let reason = "this is the error of a spreadsheet formula";
        return Err(Problem::new(field, value, reason, "enter the value"));
    }
    check_letters(field, value)
}

/// Refuses letters that were not in the file's encoding.
pub(crate) fn check_letters(field: &str, value: &str) -> Result<(), Problem> {
    if value.contains('\u{fffd}') {
        let reason = "some letters are not in the file's encoding";
        return Err(Problem::new(field, value, reason, "save the file as UTF-8"));
    }
    Ok(())
}

/// Without space around it. Most values have none, and the first and last byte tell.
pub(crate) fn trimmed(value: &str) -> &str {
    match value.as_bytes() {
        [b'!'..=b'~'] | [b'!'..=b'~', .., b'!'..=b'~'] | [] => value,
        _ => value.trim(),
    }
}
