//! Places off the trail that hold encounters, and places that must not be shown.

use crate::domain::geography::LonLat;
use crate::domain::ids::PlaceId;
use crate::domain::ids::TrailheadId;
use crate::domain::terms::terms;
use crate::domain::units::Length;

terms! {
    /// What a place is.
    PlaceKind, "kinds of place", {
        /// A car park.
        CarPark => "car park",
        /// A campsite.
        Campsite => "campsite",
        /// A viewpoint.
        Viewpoint => "viewpoint",
        /// A building.
        Building => "building",
        /// Anything else.
        Other => "other",
    }
}

/// A place as read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceDraft {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: PlaceKind,
    /// Its middle.
    pub position: LonLat,
    /// How far it reaches, where no outline is given.
    pub radius: Length,
    /// Its outline, closed, or none.
    pub ring: Option<Vec<LonLat>>,
    /// The trailhead whose walkers visit it, by name, or empty.
    pub trailhead: String,
    /// Visits a day, where known.
    pub visits_per_day: Option<f64>,
}

/// A stored place.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// The stored row.
    pub id: PlaceId,
    /// What was given.
    pub given: PlaceDraft,
    /// The trailhead whose walkers visit it.
    pub trailhead_id: Option<TrailheadId>,
}

/// A den or the like: never shown to the public, no sign within the buffer.
#[derive(Debug, Clone, PartialEq)]
pub struct SensitivePlace {
    /// Its name, for staff.
    pub name: String,
    /// Where.
    pub position: LonLat,
    /// How far around it nothing may point.
    pub buffer: Length,
    /// Why it is sensitive.
    pub reason: String,
    /// When that is reviewed, as an ISO date.
    pub review_date: String,
}
