//! Trails: named lines.

use crate::domain::geography::LonLat;
use crate::domain::ids::TrailId;
use crate::domain::ids::TrailheadId;

/// A trail as read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct TrailDraft {
    /// Its name.
    pub name: String,
    /// The habitat it runs through, or empty.
    pub habitat: String,
    /// Its parts, each a run of positions.
    pub parts: Vec<Vec<LonLat>>,
    /// For each part the elevations of its positions, metres; empty where the file gives none, or not for all of them.
    /// As [`given_elevations`] leaves them.
    pub elevations_m: Vec<Vec<f64>>,
}

/// A stored trail.
#[derive(Debug, Clone, PartialEq)]
pub struct Trail {
    /// The stored row.
    pub id: TrailId,
    /// Its name.
    pub name: String,
    /// The habitat it runs through, or empty.
    pub habitat: String,
    /// Its parts.
    pub parts: Vec<Vec<LonLat>>,
    /// For each part the elevations of its positions, metres; empty where they are not known. As [`given_elevations`]
    /// leaves them.
    pub elevations_m: Vec<Vec<f64>>,
}

/// Elevations by part, with none at all written in one way: no part where none has any.
pub fn given_elevations(by_part_m: Vec<Vec<f64>>) -> Vec<Vec<f64>> {
    if by_part_m.iter().all(Vec::is_empty) { Vec::new() } else { by_part_m }
}

/// A trailhead as read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct TrailheadDraft {
    /// Its name.
    pub name: String,
    /// Where.
    pub position: LonLat,
    /// The stated prior of its share of walkers, in any unit common to all trailheads (parking places, an estimate).
    pub relative_volume: f64,
}

/// A stored trailhead.
#[derive(Debug, Clone, PartialEq)]
pub struct Trailhead {
    /// The stored row.
    pub id: TrailheadId,
    /// Its name.
    pub name: String,
    /// Where.
    pub position: LonLat,
    /// The stated prior of its share of walkers.
    pub relative_volume: f64,
}
