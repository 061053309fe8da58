//! How records are written into the change history, as JSON.
//!
//! Floats are written as text: the shortest decimal that reads back to the same bits, which a JSON reader need not
//! honour for numbers. A record that is put back is then the same record to the last bit.

use serde::Deserialize;
use serde::Deserializer;
use serde::Serialize;
use serde::Serializer;
use serde::de::Error as _;

use crate::domain::geography::LonLat;

/// A float that reads back to the same bits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Exact(pub(super) f64);

impl Serialize for Exact {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Exact {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map(Self).map_err(D::Error::custom)
    }
}

/// A position: longitude, latitude.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Point(Exact, Exact);

impl From<LonLat> for Point {
    fn from(at: LonLat) -> Self {
        Self(Exact(at.lon()), Exact(at.lat()))
    }
}

impl TryFrom<Point> for LonLat {
    type Error = String;

    fn try_from(point: Point) -> Result<Self, String> {
        LonLat::new(point.0.0, point.1.0).map_err(|e| e.to_string())
    }
}

/// A run of positions.
pub(super) fn points(run: &[LonLat]) -> Vec<Point> {
    run.iter().copied().map(Point::from).collect()
}

/// Reads a run of positions.
///
/// # Errors
/// A position out of range, in words.
pub(super) fn run(points: Vec<Point>) -> Result<Vec<LonLat>, String> {
    points.into_iter().map(LonLat::try_from).collect()
}

/// Reads a term or a quantity, its error in words.
pub(super) fn in_words<T, E: std::fmt::Display>(result: Result<T, E>) -> Result<T, String> {
    result.map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn floats_read_back_to_the_bit(value in proptest::num::f64::NORMAL | proptest::num::f64::ZERO) {
            let text = serde_json::to_string(&Exact(value)).unwrap();
            let back: Exact = serde_json::from_str(&text).unwrap();
            prop_assert_eq!(back.0.to_bits(), value.to_bits());
        }
    }
}
