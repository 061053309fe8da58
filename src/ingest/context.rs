//! What is known before a file is read.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::domain::geography::LonLat;

/// How far beyond the trails records may lie, degrees.
const MARGIN_DEG: f64 = 1.0;

/// The order of day and month in dates of numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DayOrder {
    /// Not known: a date that can be read both ways is refused.
    Unknown,
    /// Day, month, year.
    DayFirst,
    /// Month, day, year.
    MonthFirst,
}

/// What is known of the area that a file is for.
#[derive(Debug, Clone)]
pub struct Context {
    /// The area's zone: local dates and times are in it.
    pub(crate) zone: TimeZone,
    /// Today, in the area's zone: nothing happened after it.
    pub(crate) today: Date,
    /// The species the area lists; empty when it lists none, and then any name is taken.
    pub(crate) species: Vec<String>,
    /// West, south, east, north of the trails with a margin, where there are trails that do not cross the antimeridian.
    pub(crate) bounds: Option<[f64; 4]>,
    /// The order of day and month.
    pub(crate) day_order: DayOrder,
}

impl Context {
    /// What is known of an area. An unknown zone is taken as UTC; `trails` are positions of its trails.
    pub fn new(
        time_zone: &str,
        today: Date,
        species: Vec<String>,
        trails: impl Iterator<Item = LonLat>,
    ) -> Self {
        let mut bounds: Option<[f64; 4]> = None;
        for at in trails {
            let (lon, lat) = (at.lon(), at.lat());
            bounds = Some(match bounds {
                None => [lon, lat, lon, lat],
                Some([w, s, e, n]) => [w.min(lon), s.min(lat), e.max(lon), n.max(lat)],
            });
        }
        let bounds = bounds.filter(|[w, _, e, _]| e - w < 180.0);
        Self {
            zone: TimeZone::get(time_zone).unwrap_or(TimeZone::UTC),
            today,
            species,
            bounds: bounds
                .map(|[w, s, e, n]| [w - MARGIN_DEG, s - MARGIN_DEG, e + MARGIN_DEG, n + MARGIN_DEG]),
            day_order: DayOrder::Unknown,
        }
    }

    /// The same, with the order of day and month known.
    pub fn with_day_order(self, day_order: DayOrder) -> Self {
        Self { day_order, ..self }
    }

    /// Whether a position lies where the area's records do; true when that is not known.
    pub(crate) fn is_near(&self, lon: f64, lat: f64) -> bool {
        self.bounds.is_none_or(|[w, s, e, n]| (w..=e).contains(&lon) && (s..=n).contains(&lat))
    }
}

#[cfg(test)]
pub(crate) mod testing {
    use super::*;

    /// An area in a zone with clock changes, with one trail.
    pub(crate) fn context() -> Context {
        let trail = [LonLat::new(-109.4, 37.6).unwrap(), LonLat::new(-109.3, 37.7).unwrap()];
        let species = vec!["Crotalus viridis".to_owned(), "Pituophis catenifer".to_owned()];
        Context::new("America/Denver", jiff::civil::date(2026, 1, 15), species, trail.into_iter())
    }
}
