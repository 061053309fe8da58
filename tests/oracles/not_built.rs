//! What the library does not compute yet.

use crate::record::Record;

/// Records without an answer: their topic, how their quantity begins, and why.
pub(crate) const NOT_BUILT: [(&str, &str, &str); 4] = [
    ("mvt", "", "there are no vector tiles"),
    ("geopackage", "", "there is no GeoPackage export"),
    ("sign-content", "a new trail information sign", "there is no list of what a trailhead panel states"),
    ("sign-letter", "observation distance = distance factor Z", "there is no sizing by distance factor"),
];

/// Whether an entry of the list is about this record.
pub(crate) fn is_about(entry: &(&str, &str, &str), record: &Record) -> bool {
    record.topic == entry.0 && record.quantity.starts_with(entry.1)
}

/// Whether the record asks for something that is not built.
pub(crate) fn is_listed(record: &Record) -> bool {
    NOT_BUILT.iter().any(|entry| is_about(entry, record))
}
