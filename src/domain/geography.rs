//! Positions on the WGS 84 ellipsoid, longitude first, range-checked.

/// A position in WGS 84 degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LonLat {
    lon: f64,
    lat: f64,
}

/// Why a pair of numbers is not a position.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidPosition {
    /// Longitude outside [-180, 180] or not finite.
    #[error("longitude {0} is outside -180 to 180 degrees")]
    Longitude(f64),
    /// Latitude outside [-90, 90] or not finite.
    #[error("latitude {0} is outside -90 to 90 degrees")]
    Latitude(f64),
}

impl LonLat {
    /// A position from longitude and latitude in degrees.
    ///
    /// # Errors
    /// [`InvalidPosition`] when a coordinate is not finite or out of range.
    pub fn new(lon: f64, lat: f64) -> Result<Self, InvalidPosition> {
        if !(-180.0..=180.0).contains(&lon) {
            return Err(InvalidPosition::Longitude(lon));
        }
        if !(-90.0..=90.0).contains(&lat) {
            return Err(InvalidPosition::Latitude(lat));
        }
        Ok(Self { lon, lat })
    }

    /// A position computed from other positions: longitude is wrapped into [-180, 180], latitude clamped.
    ///
    /// Not a number becomes zero, so only call it on results of arithmetic on valid positions.
    pub fn wrapped(lon: f64, lat: f64) -> Self {
        let lon = if lon.is_finite() { lon } else { 0.0 };
        let lat = if lat.is_finite() { lat } else { 0.0 };
        let lon = if (-180.0..=180.0).contains(&lon) { lon } else { (lon + 180.0).rem_euclid(360.0) - 180.0 };
        Self { lon, lat: lat.clamp(-90.0, 90.0) }
    }

    /// Longitude in degrees, in [-180, 180].
    pub fn lon(self) -> f64 {
        self.lon
    }

    /// Latitude in degrees, in [-90, 90].
    pub fn lat(self) -> f64 {
        self.lat
    }
}

/// A box in degrees; `west > east` means that it crosses the antimeridian (RFC 7946, section 5.2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoundingBox {
    /// Western edge, degrees.
    pub west: f64,
    /// Southern edge, degrees.
    pub south: f64,
    /// Eastern edge, degrees.
    pub east: f64,
    /// Northern edge, degrees.
    pub north: f64,
}

impl BoundingBox {
    /// Whether the position lies in the box, edges included.
    pub fn contains(&self, position: LonLat) -> bool {
        let in_lon = if self.west <= self.east {
            (self.west..=self.east).contains(&position.lon)
        } else {
            position.lon >= self.west || position.lon <= self.east
        };
        in_lon && (self.south..=self.north).contains(&position.lat)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_are_range_checked() {
        assert!(LonLat::new(180.0, -90.0).is_ok());
        assert_eq!(LonLat::new(180.1, 0.0), Err(InvalidPosition::Longitude(180.1)));
        assert!(LonLat::new(0.0, f64::NAN).is_err());
    }

    #[test]
    fn wrapping_keeps_the_meridian() {
        assert!((LonLat::wrapped(181.0, 0.0).lon() + 179.0).abs() < 1e-12);
    }

    #[test]
    fn a_box_may_cross_the_antimeridian() {
        let fiji = BoundingBox { west: 177.0, south: -20.0, east: -178.0, north: -15.0 };
        assert!(fiji.contains(LonLat::new(179.5, -17.0).unwrap()));
        assert!(fiji.contains(LonLat::new(-179.0, -17.0).unwrap()));
        assert!(!fiji.contains(LonLat::new(0.0, -17.0).unwrap()));
    }
}
