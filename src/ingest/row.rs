//! One row of any format: values by field.

use crate::domain::batch::Content;
use crate::domain::geography::LonLat;
use crate::ingest::field::Field;
use crate::ingest::field::field_of;

/// One row.
pub(crate) trait Row {
    /// Its number in the file.
    fn number(&self) -> u64;

    /// The value of a field, without space around it; empty where there is none.
    fn get(&self, field: Field) -> &str;

    /// Values that no field takes, header and value, empty ones left out.
    fn others(&self) -> Vec<(String, String)>;

    /// The whole row, header and value.
    fn raw(&self) -> Vec<(String, String)>;

    /// The lines of its geometry, for formats that have one.
    fn lines(&self) -> &[Vec<LonLat>] {
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
    pairs: Vec<(String, String)>,
    fields: Vec<Option<Field>>,
    pub(crate) lines: Vec<Vec<LonLat>>,
    pub(crate) times_s: Vec<i64>,
}

impl Pairs {
    pub(crate) fn new(content: Content, number: u64, pairs: Vec<(String, String)>) -> Self {
        let fields = pairs.iter().map(|(header, _)| field_of(content, header)).collect();
        Self { number, pairs, fields, lines: Vec::new(), times_s: Vec::new() }
    }
}

impl Row for Pairs {
    fn number(&self) -> u64 {
        self.number
    }

    fn get(&self, field: Field) -> &str {
        // The first that says anything: a feature may carry its position twice.
        let values = self.fields.iter().zip(&self.pairs).filter(|(known, _)| **known == Some(field));
        values.map(|(_, (_, value))| value.trim()).find(|value| !value.is_empty()).unwrap_or("")
    }

    fn others(&self) -> Vec<(String, String)> {
        let unknown = self.fields.iter().zip(&self.pairs).filter(|(known, _)| known.is_none());
        unknown.map(|(_, pair)| pair.clone()).filter(|(_, value)| !value.trim().is_empty()).collect()
    }

    fn raw(&self) -> Vec<(String, String)> {
        self.pairs.clone()
    }

    fn lines(&self) -> &[Vec<LonLat>] {
        &self.lines
    }

    fn line_times_s(&self) -> &[i64] {
        &self.times_s
    }
}
