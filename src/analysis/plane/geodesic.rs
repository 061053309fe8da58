//! Geodesics on the WGS 84 ellipsoid.

use geo::{Bearing, Destination, Distance, Geodesic, InterpolatePoint, Point};

use crate::domain::geography::LonLat;

/// Semi-major axis of the WGS 84 ellipsoid, metres.
const SEMI_MAJOR_M: f64 = 6_378_137.0;
/// Flattening of the WGS 84 ellipsoid.
const FLATTENING: f64 = 1.0 / 298.257_223_563;
/// A foot on a geodesic has settled when a step moves it less than this, metres.
const FOOT_STEP_M: f64 = 1e-7;
/// Steps allowed for a foot to settle; three or four are usual.
const MAX_FOOT_STEPS: usize = 30;

/// The shortest line between two positions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GeodesicLine {
    /// Its length, metres.
    pub distance_m: f64,
    /// Its azimuth at the first position, degrees clockwise from north, in [-180, 180].
    pub azimuth_start_deg: f64,
    /// Its azimuth at the second position, going on in the same sense, in [-180, 180].
    pub azimuth_end_deg: f64,
}

/// Metres that one degree spans at a latitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MetresPerDegree {
    /// Along the meridian.
    pub latitude: f64,
    /// Along the parallel; zero at a pole.
    pub longitude: f64,
}

/// The point of a polyline nearest to a position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NearestOnLine {
    /// Geodesic distance to it, metres.
    pub distance_m: f64,
    /// Index of the line's leg that holds it: leg `i` runs from vertex `i` to vertex `i + 1`.
    pub leg_idx: usize,
    /// Metres along the line from its first vertex.
    pub along_m: f64,
    /// The point itself.
    pub foot: LonLat,
}

/// Geodesic distance between two positions in metres.
///
/// # References
/// Karney, C. F. F. (2013). Algorithms for geodesics. *Journal of Geodesy* 87, 43-55. doi:10.1007/s00190-012-0578-z
pub fn distance_m(from: LonLat, to: LonLat) -> f64 {
    Geodesic.distance(point(from), point(to))
}

/// The shortest line between two positions, with its azimuths at both.
///
/// Between positions that coincide the azimuths have no meaning.
pub fn geodesic(from: LonLat, to: LonLat) -> GeodesicLine {
    GeodesicLine {
        distance_m: distance_m(from, to),
        azimuth_start_deg: signed_angle(bearing_deg(from, to)),
        azimuth_end_deg: signed_angle(bearing_deg(to, from) + 180.0),
    }
}

/// Geodesic length of a polyline in metres; zero for fewer than two vertices.
pub fn length_m(line: &[LonLat]) -> f64 {
    line.windows(2).map(|leg| distance_m(leg[0], leg[1])).sum()
}

/// The position reached by walking from a position along a geodesic.
///
/// `azimuth_deg` is clockwise from north; a negative distance walks backwards.
pub fn destination(from: LonLat, azimuth_deg: f64, distance_m: f64) -> LonLat {
    position(Geodesic.destination(point(from), azimuth_deg, distance_m))
}

/// The position at a share of the way from one position to another, along the geodesic.
///
/// A share of zero gives `from`, of one gives `to`.
pub fn interpolate(from: LonLat, to: LonLat, share: f64) -> LonLat {
    position(Geodesic.point_at_ratio_between(point(from), point(to), share))
}

/// Metres per degree of latitude and of longitude at a latitude in degrees.
///
/// From the radii of curvature of the ellipsoid in the meridian and in the prime vertical.
pub fn metres_per_degree(latitude_deg: f64) -> MetresPerDegree {
    let eccentricity_squared = FLATTENING * (2.0 - FLATTENING);
    let latitude = latitude_deg.to_radians();
    let w_squared = 1.0 - eccentricity_squared * latitude.sin().powi(2);
    let meridian_radius_m = SEMI_MAJOR_M * (1.0 - eccentricity_squared) / w_squared.powf(1.5);
    let parallel_radius_m = SEMI_MAJOR_M / w_squared.sqrt() * latitude.cos();
    MetresPerDegree { latitude: meridian_radius_m.to_radians(), longitude: parallel_radius_m.to_radians() }
}

/// The point of a polyline of geodesic legs that is nearest to a position; `None` for a line without vertices.
///
/// A line of one vertex is that vertex. The distance is good to a micrometre for positions within some hundred
/// kilometres of the line. At a vertex that two legs share, either may be named.
pub fn nearest_on_line(from: LonLat, line: &[LonLat]) -> Option<NearestOnLine> {
    let (&first, _) = line.split_first()?;
    let mut best =
        NearestOnLine { distance_m: distance_m(from, first), leg_idx: 0, along_m: 0.0, foot: first };
    let mut start_m = 0.0;
    for (leg_idx, leg) in line.windows(2).enumerate() {
        let leg_m = distance_m(leg[0], leg[1]);
        let (along_m, foot) = foot_on_leg(from, leg[0], leg[1], leg_m);
        let foot_distance_m = distance_m(from, foot);
        if foot_distance_m < best.distance_m || leg_idx == 0 {
            best = NearestOnLine { distance_m: foot_distance_m, leg_idx, along_m: start_m + along_m, foot };
        }
        start_m += leg_m;
    }
    Some(best)
}

/// The foot on one leg: walk along the leg by the distance's component along it until that vanishes.
fn foot_on_leg(from: LonLat, start: LonLat, end: LonLat, leg_m: f64) -> (f64, LonLat) {
    let azimuth_deg = bearing_deg(start, end);
    let mut along_m = 0.0;
    let mut foot = start;
    for _ in 0..MAX_FOOT_STEPS {
        // The azimuth turns along a geodesic, so it is taken anew at the foot.
        let course_deg = if along_m < 1.0 { azimuth_deg } else { bearing_deg(foot, start) + 180.0 };
        let turn = (bearing_deg(foot, from) - course_deg).to_radians();
        let next_m = (along_m + distance_m(foot, from) * turn.cos()).clamp(0.0, leg_m);
        let step_m = (next_m - along_m).abs();
        along_m = next_m;
        foot = if along_m == 0.0 { start } else { destination(start, azimuth_deg, along_m) };
        if step_m < FOOT_STEP_M {
            break;
        }
    }
    (along_m, foot)
}

pub(super) fn bearing_deg(from: LonLat, to: LonLat) -> f64 {
    Geodesic.bearing(point(from), point(to))
}

fn signed_angle(angle_deg: f64) -> f64 {
    let wrapped = angle_deg.rem_euclid(360.0);
    if wrapped > 180.0 { wrapped - 360.0 } else { wrapped }
}

fn point(position: LonLat) -> Point<f64> {
    Point::new(position.lon(), position.lat())
}

fn position(point: Point<f64>) -> LonLat {
    LonLat::wrapped(point.x(), point.y())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(positions: &[[f64; 2]]) -> Vec<LonLat> {
        positions.iter().map(|p| LonLat::wrapped(p[0], p[1])).collect()
    }

    const CANYON: [[f64; 2]; 7] = [
        [-112.1129, 36.1069],
        [-112.111615, 36.1081427],
        [-112.1090403, 36.1087025],
        [-112.1081266, 36.1082744],
        [-112.1064051, 36.1106939],
        [-112.1066944, 36.1120252],
        [-112.1051749, 36.1154127],
    ];

    #[test]
    fn inverse_geodesics_match_published_values() {
        // geographiclib 2.1, test_geodesic.py (Karney): lon, lat, lon, lat, metres, azimuths.
        let cases = [
            (
                [-139.44815, 35.60777, -69.95921, -11.17491],
                8935244.56048183,
                111.0987484295603,
                129.2892708897088,
            ),
            (
                [106.05087, 55.52454, 197.18234, 77.03196],
                4105086.171392441,
                22.0200598809828,
                109.1120411106715,
            ),
            (
                [142.59065, -21.97856, 98.56635, 41.84138],
                8394328.894657671,
                -32.44456876433189,
                -41.84359951440466,
            ),
        ];
        for ([lon1, lat1, lon2, lat2], expected_m, start_deg, end_deg) in cases {
            let found = geodesic(LonLat::wrapped(lon1, lat1), LonLat::wrapped(lon2, lat2));
            assert!((found.distance_m - expected_m).abs() < 1e-6);
            assert!((found.azimuth_start_deg - start_deg).abs() < 1e-9);
            assert!((found.azimuth_end_deg - end_deg).abs() < 1e-9);
        }
    }

    #[test]
    fn lengths_match_sums_of_inverse_geodesics() {
        // geographiclib 2.1, sum of inverse s12.
        assert!((length_m(&line(&CANYON)) - 1375.01310607).abs() < 1e-4);
        let fiji = [
            [179.9976, -16.8512],
            [179.9989861, -16.8509646],
            [-179.9989574, -16.8511378],
            [-179.997901, -16.8505505],
            [-179.9956084, -16.851354],
        ];
        assert!((length_m(&line(&fiji)) - 759.987633344).abs() < 1e-4);
        assert_eq!(length_m(&[]), 0.0);
    }

    #[test]
    fn nearest_points_match_the_azimuth_condition() {
        // geographiclib 2.1: root of the azimuth condition on each leg, tolerance 1 mm.
        let cases = [
            ([-112.1105, 36.1085], 12.311275376685, 287.238396634),
            ([-112.1075, 36.1068], 173.05618049186, 515.00569909762),
            ([-112.101, 36.116], 381.48115047576, 1375.0131060716),
            ([-112.1090403, 36.1087025], 0.0, 420.00694961205),
        ];
        for ([lon, lat], distance_m, along_m) in cases {
            let found = nearest_on_line(LonLat::wrapped(lon, lat), &line(&CANYON)).unwrap();
            assert!((found.distance_m - distance_m).abs() < 1e-3, "{found:?}");
            assert!((found.along_m - along_m).abs() < 1e-3, "{found:?}");
        }
    }

    #[test]
    fn a_long_leg_bows_away_from_its_parallel() {
        // geographiclib 2.1: a 90 km leg along 36 N is 116 m north of the parallel in its middle.
        let leg = line(&[[-110.5, 36.0], [-109.5, 36.0]]);
        let found = nearest_on_line(LonLat::wrapped(-110.0, 36.2), &leg).unwrap();
        assert!((found.distance_m - 22076.547745045).abs() < 1e-3);
        assert!((found.foot.lat() - 36.0010420373).abs() < 1e-7);
    }

    #[test]
    fn lines_of_one_and_no_vertex() {
        let here = LonLat::wrapped(10.0, 50.0);
        assert_eq!(nearest_on_line(here, &[]), None);
        assert_eq!(nearest_on_line(here, &[here]).unwrap().distance_m, 0.0);
    }

    #[test]
    fn degrees_span_what_the_radii_say() {
        // M = a(1 - e2)/w^1.5 and N = a/sqrt(w), checked with geographiclib 2.1.
        let at_36 = metres_per_degree(36.0);
        assert!((at_36.latitude - 110959.000675).abs() < 1e-5);
        assert!((at_36.longitude - 90163.6878216).abs() < 1e-5);
    }
}
