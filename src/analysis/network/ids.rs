//! Segment identifiers made from geometry.

use std::collections::HashSet;
use std::fmt;

use crate::domain::geography::LonLat;

/// Identifiers keep to this many bits: an exact number in JSON, a positive integer in a database.
const BITS: u32 = 53;
/// Steps per degree to which positions are rounded before they count: about a centimetre.
const STEPS_PER_DEGREE: f64 = 1e7;

/// A segment's lasting identifier, made from the geometry of its piece and its place in it.
///
/// At most 2^53 - 1. It does not depend on the direction in which a line was drawn, on the order of lines, or on lines
/// elsewhere; it changes when its piece does or when the piece is cut into another number of segments.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SegmentId(u64);

impl SegmentId {
    /// The identifier as a number.
    pub fn number(self) -> u64 {
        self.0
    }

    /// The identifier with a number that [`SegmentId::number`] gave.
    pub fn from_number(number: u64) -> Self {
        Self(number)
    }
}

impl fmt::Display for SegmentId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:014x}", self.0)
    }
}

/// Gives out identifiers, no one twice.
#[derive(Debug, Default)]
pub(super) struct IdSource {
    given: HashSet<u64>,
}

impl IdSource {
    /// A number for a line, from its positions rounded to a centimetre.
    pub(super) fn key(line: &[LonLat]) -> u64 {
        let mut hasher = blake3::Hasher::new();
        for position in line {
            // Both names of the antimeridian count as one.
            let lon = if position.lon() == 180.0 { -180.0 } else { position.lon() };
            for degrees in [lon, position.lat()] {
                hasher.update(&((degrees * STEPS_PER_DEGREE).round() as i64).to_le_bytes());
            }
        }
        number(&hasher)
    }

    /// The identifier of segment `k` of `n` of the piece with this key.
    pub(super) fn next(&mut self, key: u64, k: usize, n: usize) -> SegmentId {
        let mut attempt = 0u64;
        loop {
            let mut hasher = blake3::Hasher::new();
            for part in [key, k as u64, n as u64, attempt] {
                hasher.update(&part.to_le_bytes());
            }
            let id = number(&hasher) >> (64 - BITS);
            if self.given.insert(id) {
                return SegmentId(id);
            }
            attempt += 1;
        }
    }
}

fn number(hasher: &blake3::Hasher) -> u64 {
    let hash = hasher.finalize();
    hash.as_bytes().iter().take(8).fold(0, |number, &byte| number << 8 | u64::from(byte))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_are_small_distinct_and_repeat() {
        let line = [LonLat::wrapped(1.0, 2.0), LonLat::wrapped(1.001, 2.0)];
        let key = IdSource::key(&line);
        let mut ids = IdSource::default();
        let (first, second, again) = (ids.next(key, 0, 2), ids.next(key, 1, 2), ids.next(key, 0, 2));
        assert_eq!(first, IdSource::default().next(key, 0, 2));
        assert!(first != second && first != again && again != second);
        assert!(first.number() < 1 << 53);
        assert_eq!(SegmentId::from_number(255).to_string(), "000000000000ff");
    }
}
