//! The area: one park or reserve, with its zone and its species.

use crate::domain::ids::AreaId;
use crate::domain::units::Length;

/// One park or reserve.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Area {
    /// The stored row.
    pub id: AreaId,
    /// Its name.
    pub name: String,
    /// Its IANA time zone.
    pub time_zone: String,
    /// The local emergency number, as staff gave it.
    pub emergency_number: String,
    /// The distance to keep from a snake: the land manager's setting, never computed.
    pub keep_distance: Option<Length>,
}

/// A species of the area's list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Species {
    /// The scientific name.
    pub scientific_name: String,
    /// The name people use.
    pub vernacular_name: String,
    /// Whether it is venomous.
    pub is_venomous: bool,
    /// Sensitivity category 1 to 4 (Chapman 2020), none when not sensitive.
    pub sensitivity_category: Option<u8>,
    /// Why it is sensitive.
    pub sensitivity_reason: String,
    /// When that is reviewed, as an ISO date, or empty.
    pub review_date: String,
}
