//! Closures of trails: times in which people were not to walk there.

/// What a row of a table says in the place of a name for a closure of the whole area; case does not matter.
pub const WHOLE_AREA: &str = "whole area";

/// The longest text of a reason, characters.
pub const LONGEST_REASON: usize = 200;

/// A time for which a trail, those who start at a trailhead, or the whole area were closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closure {
    /// The name of a trail or a trailhead, whether or not there is one of that name now; empty for the whole area.
    pub name: String,
    /// First instant, seconds since 1970-01-01T00:00:00Z.
    pub from_s: i64,
    /// First instant after it, seconds since 1970-01-01T00:00:00Z; none while it is still closed.
    pub until_s: Option<i64>,
    /// Why, in a few words, or empty.
    pub reason: String,
}
