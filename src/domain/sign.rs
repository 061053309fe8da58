//! Sign locations given by staff, and signs in place.

use crate::domain::geography::LonLat;
use crate::domain::terms::terms;

terms! {
    /// What a plan may do with a location.
    Standing, "standings of a sign location", {
        /// A sign may stand here.
        Candidate => "candidate",
        /// A sign stands here and stays.
        Fixed => "fixed",
        /// No sign may stand here.
        Forbidden => "forbidden",
    }
}

/// A sign location as read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct SignLocationDraft {
    /// Its name.
    pub name: String,
    /// Where.
    pub position: LonLat,
    /// What a plan may do with it.
    pub standing: Standing,
    /// Whether a permit is needed.
    pub permit_needed: bool,
    /// Whether it is on rock.
    pub on_rock: bool,
    /// Whether it is a heritage site.
    pub heritage: bool,
    /// Why, or empty.
    pub reason: String,
}
