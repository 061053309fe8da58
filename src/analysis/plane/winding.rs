//! The winding of rings, as RFC 7946 asks (section 3.1.6): exterior counterclockwise, holes clockwise.

use geo::{LineString, Winding};

use crate::domain::geography::LonLat;

/// Signed area of a closed ring in square degrees by the shoelace formula, positive counterclockwise.
///
/// The ring repeats its first position at its end and does not cross the antimeridian. Only its sign is a measure of
/// anything on the ground.
pub fn signed_area(ring: &[LonLat]) -> f64 {
    let twice: f64 = ring.windows(2).map(|s| s[0].lon() * s[1].lat() - s[1].lon() * s[0].lat()).sum();
    twice / 2.0
}

/// The ring as an exterior ring: counterclockwise.
///
/// A ring that goes the other way is reversed; one without area comes back as it is.
pub fn exterior_ring(ring: &[LonLat]) -> Vec<LonLat> {
    let mut wound = line_string(ring);
    wound.make_ccw_winding();
    positions(&wound)
}

/// The ring as a hole: clockwise.
///
/// A ring that goes the other way is reversed; one without area comes back as it is.
pub fn hole_ring(ring: &[LonLat]) -> Vec<LonLat> {
    let mut wound = line_string(ring);
    wound.make_cw_winding();
    positions(&wound)
}

fn line_string(ring: &[LonLat]) -> LineString<f64> {
    ring.iter().map(|p| (p.lon(), p.lat())).collect()
}

fn positions(ring: &LineString<f64>) -> Vec<LonLat> {
    ring.coords().map(|c| LonLat::wrapped(c.x, c.y)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(positions: &[[f64; 2]]) -> Vec<LonLat> {
        positions.iter().map(|p| LonLat::wrapped(p[0], p[1])).collect()
    }

    #[test]
    fn rings_are_wound_by_the_right_hand_rule() {
        let clockwise = ring(&[[0.0, 0.0], [0.0, 1.0], [1.0, 1.0], [1.0, 0.0], [0.0, 0.0]]);
        let counterclockwise = ring(&[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0], [0.0, 0.0]]);
        assert_eq!(signed_area(&clockwise), -1.0);
        assert_eq!(exterior_ring(&clockwise), counterclockwise);
        assert_eq!(hole_ring(&clockwise), clockwise);
        assert_eq!(hole_ring(&counterclockwise), clockwise);
    }
}
