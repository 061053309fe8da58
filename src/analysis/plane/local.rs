//! The azimuthal equidistant plane.

use geo::Coord;
use nalgebra::DMatrix;

use crate::analysis::plane::antimeridian::bounding_box;
use crate::analysis::plane::geodesic::{bearing_deg, destination, distance_m, metres_per_degree};
use crate::domain::geography::LonLat;

/// Degree of the polynomials in longitude and latitude that stand in for geodesics.
const DEGREE: usize = 8;
/// The polynomials are used only where they agree with geodesics to this, metres.
const FIT_TOLERANCE_M: f64 = 1e-5;
/// Half-width of the smallest fitted area, degrees.
const LEAST_HALF_WIDTH_DEG: f64 = 0.01;

/// A plane in metres, x east and y north, in which distances and azimuths from its centre are exact.
///
/// Two-point distances err by about 1 mm in a square of 10 km and 7 cm in one of 40 km. The antimeridian is a line like
/// any other. Not for places near the centre's antipode.
#[derive(Debug, Clone, PartialEq)]
pub struct LocalPlane {
    centre: LonLat,
    fit: Option<Fit>,
}

impl LocalPlane {
    /// The plane centred on a position, computed by geodesics everywhere.
    pub fn new(centre: LonLat) -> Self {
        Self { centre, fit: None }
    }

    /// The plane centred on the narrowest box that holds the positions; `None` without positions.
    ///
    /// Inside that box the projection runs through polynomials fitted to geodesics, some thirty times as fast and equal to
    /// them within 0.01 mm; where that is not reached, as near a pole, geodesics are used.
    pub fn covering(positions: &[LonLat]) -> Option<Self> {
        let bbox = bounding_box(positions)?;
        let width_deg = (bbox.east - bbox.west).rem_euclid(360.0);
        let centre = LonLat::wrapped(bbox.west + width_deg / 2.0, (bbox.south + bbox.north) / 2.0);
        let half_lon_deg = (width_deg / 2.0 * 1.1).max(LEAST_HALF_WIDTH_DEG);
        let half_lat_deg = ((bbox.north - bbox.south) / 2.0 * 1.1).max(LEAST_HALF_WIDTH_DEG);
        let exact = Self::new(centre);
        let fit = Fit::new(&exact, half_lon_deg, half_lat_deg);
        Some(Self { centre, fit })
    }

    /// Where the plane touches the ellipsoid: its origin.
    pub fn centre(&self) -> LonLat {
        self.centre
    }

    /// A position in metres east and north of the centre.
    pub fn to_plane(&self, position: LonLat) -> Coord<f64> {
        self.fit
            .as_ref()
            .and_then(|fit| fit.project(self.centre, position))
            .unwrap_or_else(|| self.project_exactly(position))
    }

    /// The position of a point of the plane.
    pub fn to_lonlat(&self, point: Coord<f64>) -> LonLat {
        destination(self.centre, point.x.atan2(point.y).to_degrees(), point.x.hypot(point.y))
    }

    fn project_exactly(&self, position: LonLat) -> Coord<f64> {
        let distance_m = distance_m(self.centre, position);
        let (sin, cos) = bearing_deg(self.centre, position).to_radians().sin_cos();
        Coord { x: distance_m * sin, y: distance_m * cos }
    }
}

/// The difference of two longitudes in degrees, in [-180, 180].
pub(super) fn longitude_difference(from_deg: f64, to_deg: f64) -> f64 {
    let difference = to_deg - from_deg;
    if difference.abs() <= 180.0 { difference } else { difference - 360.0 * (difference / 360.0).round() }
}

/// Polynomials in u (longitude) and v (latitude), both scaled to [-1, 1] over the area.
///
/// By symmetry about the central meridian x is odd in u and y is even, so x = u p(u^2, v) and y = q(u^2, v).
#[derive(Debug, Clone, PartialEq)]
struct Fit {
    half_lon_deg: f64,
    half_lat_deg: f64,
    /// Coefficients of u^(2 j) v^i, all i of one j together.
    x: Vec<f64>,
    y: Vec<f64>,
}

const N_V: usize = DEGREE + 1;
const N_U: usize = DEGREE / 2 + 1;

impl Fit {
    fn new(exact: &LocalPlane, half_lon_deg: f64, half_lat_deg: f64) -> Option<Self> {
        let lat = exact.centre.lat().abs() + half_lat_deg;
        if lat >= 90.0 || half_lon_deg >= 90.0 || metres_per_degree(lat).longitude < 1000.0 {
            return None;
        }
        let nodes_v: Vec<f64> = chebyshev_nodes(N_V);
        // The positive half of an even number of nodes: enough by symmetry.
        let nodes_u: Vec<f64> = chebyshev_nodes(2 * N_U).into_iter().filter(|u| *u > 0.0).collect();
        let at = |u: f64, v: f64| {
            let position =
                LonLat::wrapped(exact.centre.lon() + u * half_lon_deg, exact.centre.lat() + v * half_lat_deg);
            exact.project_exactly(position)
        };
        let values = DMatrix::from_fn(N_U, N_V, |j, i| at(nodes_u[j], nodes_v[i]));
        let x = solve(&nodes_u, &nodes_v, &DMatrix::from_fn(N_U, N_V, |j, i| values[(j, i)].x / nodes_u[j]))?;
        let y = solve(&nodes_u, &nodes_v, &DMatrix::from_fn(N_U, N_V, |j, i| values[(j, i)].y))?;
        let fit = Self { half_lon_deg, half_lat_deg, x, y };
        let checks = [-0.99, -0.7, -0.35, 0.0, 0.2, 0.55, 0.9, 1.0];
        let agrees = |u: f64, v: f64| {
            let (fitted, true_point) = (fit.evaluate(u, v), at(u, v));
            (fitted.x - true_point.x).hypot(fitted.y - true_point.y) < FIT_TOLERANCE_M
        };
        let good = checks.iter().all(|&u| checks.iter().all(|&v| agrees(u, v)));
        good.then_some(fit)
    }

    fn project(&self, centre: LonLat, position: LonLat) -> Option<Coord<f64>> {
        let u = longitude_difference(centre.lon(), position.lon()) / self.half_lon_deg;
        let v = (position.lat() - centre.lat()) / self.half_lat_deg;
        (u.abs() <= 1.0 && v.abs() <= 1.0).then(|| self.evaluate(u, v))
    }

    fn evaluate(&self, u: f64, v: f64) -> Coord<f64> {
        let u_squared = u * u;
        let (mut x, mut y) = (0.0, 0.0);
        for (row_x, row_y) in self.x.chunks_exact(N_V).zip(self.y.chunks_exact(N_V)).rev() {
            x = x * u_squared + horner(row_x, v);
            y = y * u_squared + horner(row_y, v);
        }
        Coord { x: x * u, y }
    }
}

fn horner(coefficients: &[f64], v: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * v + c)
}

fn chebyshev_nodes(n: usize) -> Vec<f64> {
    (0..n).map(|k| (std::f64::consts::PI * (k as f64 + 0.5) / n as f64).cos()).collect()
}

/// Coefficients of u^(2 j) v^i through the values at the nodes.
fn solve(nodes_u: &[f64], nodes_v: &[f64], values: &DMatrix<f64>) -> Option<Vec<f64>> {
    let vandermonde_u = DMatrix::from_fn(N_U, N_U, |row, j| nodes_u[row].powi(2 * j as i32));
    let vandermonde_v = DMatrix::from_fn(N_V, N_V, |row, i| nodes_v[row].powi(i as i32));
    let by_u = vandermonde_u.lu().solve(values)?;
    let by_both = vandermonde_v.lu().solve(&by_u.transpose())?;
    // Column j of `by_both` holds the powers of v that go with u^(2 j), and nalgebra stores columns together.
    Some(by_both.as_slice().to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn worst_two_point_error_m(plane: &LocalPlane, half_width_m: f64) -> f64 {
        let ticks: Vec<f64> = (-3..=3).map(|k| f64::from(k) / 3.0 * half_width_m).collect();
        let points: Vec<Coord<f64>> =
            ticks.iter().flat_map(|&x| ticks.iter().map(move |&y| Coord { x, y })).collect();
        let places: Vec<LonLat> = points.iter().map(|&p| plane.to_lonlat(p)).collect();
        let mut worst = 0.0f64;
        for i in 0..points.len() {
            for j in 0..i {
                let planar_m = (points[i].x - points[j].x).hypot(points[i].y - points[j].y);
                worst = worst.max((planar_m - distance_m(places[i], places[j])).abs());
            }
        }
        worst
    }

    #[test]
    fn errors_stay_within_the_known_bound_of_the_projection() {
        // geographiclib 2.1, azimuthal equidistant in a square of half-width 5 km, 5 % slack.
        for (lat, bound_m) in [(0.0, 0.001031), (36.0, 0.001026), (60.0, 0.001021), (75.0, 0.001018)] {
            let plane = LocalPlane::new(LonLat::wrapped(0.0, lat));
            assert!(worst_two_point_error_m(&plane, 5000.0) < bound_m * 1.05 + 1e-6, "{lat}");
        }
    }

    #[test]
    fn the_antimeridian_is_no_edge() {
        let plane =
            LocalPlane::covering(&[LonLat::wrapped(179.9, -17.0), LonLat::wrapped(-179.9, -16.8)]).unwrap();
        let west = plane.to_plane(LonLat::wrapped(179.999, -16.9));
        let east = plane.to_plane(LonLat::wrapped(-179.999, -16.9));
        assert!(west.x < 0.0 && east.x > 0.0 && east.x - west.x < 300.0);
    }

    #[test]
    fn a_polar_area_falls_back_to_geodesics() {
        let plane =
            LocalPlane::covering(&[LonLat::wrapped(0.0, 89.0), LonLat::wrapped(90.0, 89.99)]).unwrap();
        let point = plane.to_plane(LonLat::wrapped(45.0, 89.5));
        let back = plane.to_lonlat(point);
        assert!(distance_m(back, LonLat::wrapped(45.0, 89.5)) < 1e-6);
    }

    proptest! {
        #[test]
        fn fitted_and_geodesic_projection_agree(
            lon in -180.0..180.0f64, lat in -80.0..80.0f64, half in 0.001..0.5f64, u in -1.0..1.0f64, v in -1.0..1.0f64,
        ) {
            let corners = [LonLat::wrapped(lon - half, lat - half), LonLat::wrapped(lon + half, lat + half)];
            let plane = LocalPlane::covering(&corners).unwrap();
            let position = LonLat::wrapped(lon + u * half, lat + v * half);
            let (fitted, exact) = (plane.to_plane(position), plane.project_exactly(position));
            prop_assert!((fitted.x - exact.x).hypot(fitted.y - exact.y) < 2e-5);
            prop_assert!(distance_m(plane.to_lonlat(fitted), position) < 3e-5);
        }
    }
}
