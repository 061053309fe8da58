//! Features on the wire (RFC 7946): longitude first, seven decimals, every property in every feature.

use serde::Serialize;
use serde_json::Map;
use serde_json::Value;

use crate::analysis::plane::cut_line;
use crate::domain::geography::BoundingBox;
use crate::domain::geography::LonLat;

/// The media type.
pub const MEDIA_TYPE: &str = "application/geo+json";

/// A collection with its counts and links.
#[derive(Debug, Serialize)]
pub struct Collection {
    r#type: &'static str,
    /// The revision and parameters that the features rest on.
    pub revision: u64,
    /// The parameters, in words.
    pub parameters: String,
    /// Features that match.
    #[serde(rename = "numberMatched")]
    pub number_matched: u64,
    /// Features here.
    #[serde(rename = "numberReturned")]
    pub number_returned: u64,
    /// Links: the next page, where there is one.
    pub links: Vec<Link>,
    /// The features.
    pub features: Vec<Feature>,
}

/// A link.
#[derive(Debug, Serialize)]
pub struct Link {
    /// What it leads to.
    pub rel: &'static str,
    /// Its media type.
    pub r#type: &'static str,
    /// Where.
    pub href: String,
}

/// One feature.
#[derive(Debug, Clone, Serialize)]
pub struct Feature {
    r#type: &'static str,
    /// Its identifier in the layer.
    pub id: Value,
    /// Its geometry; null where the record has none.
    pub geometry: Option<Geometry>,
    /// Its properties.
    pub properties: Map<String, Value>,
}

/// A geometry.
#[derive(Debug, Clone, Serialize)]
#[serde(tag = "type", content = "coordinates")]
pub enum Geometry {
    /// A point.
    Point([f64; 2]),
    /// A line.
    LineString(Vec<[f64; 2]>),
    /// Several lines.
    MultiLineString(Vec<Vec<[f64; 2]>>),
    /// Several areas: rings, exterior counter-clockwise, holes clockwise.
    MultiPolygon(Vec<Vec<Vec<[f64; 2]>>>),
}

/// A position with seven decimals, about a centimetre.
pub fn position(at: LonLat) -> [f64; 2] {
    [at.lon(), at.lat()].map(|degrees| (degrees * 1e7).round() / 1e7)
}

/// A number that JSON can hold, rounded to `decimals`; null where there is none.
pub fn number(value: Option<f64>, decimals: i32) -> Value {
    let scale = 10f64.powi(decimals);
    let rounded = value.filter(|value| value.is_finite()).map(|value| (value * scale).round() / scale);
    rounded.and_then(serde_json::Number::from_f64).map_or(Value::Null, Value::Number)
}

impl Feature {
    /// A feature.
    pub fn new(id: impl Into<Value>, geometry: Option<Geometry>, properties: Map<String, Value>) -> Self {
        Self { r#type: "Feature", id: id.into(), geometry, properties }
    }
}

impl Collection {
    /// A whole collection, or one page of it.
    pub fn new(revision: u64, parameters: String, number_matched: u64, features: Vec<Feature>) -> Self {
        let number_returned = features.len() as u64;
        Self {
            r#type: "FeatureCollection",
            revision,
            parameters,
            number_matched,
            number_returned,
            links: Vec::new(),
            features,
        }
    }
}

impl Geometry {
    /// A line, cut where it crosses the antimeridian (RFC 7946, section 3.1.9).
    pub fn line(course: &[LonLat]) -> Self {
        Self::lines(std::slice::from_ref(&course))
    }

    /// Lines, cut where they cross the antimeridian; a single one that does not stays a single one.
    pub fn lines(courses: &[&[LonLat]]) -> Self {
        let parts = courses.iter().flat_map(|course| cut_line(course));
        let mut parts: Vec<Vec<[f64; 2]>> =
            parts.map(|part| part.into_iter().map(position).collect()).collect();
        match parts.len() {
            1 => Self::LineString(parts.remove(0)),
            _ => Self::MultiLineString(parts),
        }
    }

    /// Whether the geometry itself (not its envelope) meets a box.
    pub fn meets(&self, bbox: &BoundingBox) -> bool {
        if bbox.west > bbox.east {
            let west = BoundingBox { east: 180.0, ..*bbox };
            let east = BoundingBox { west: -180.0, ..*bbox };
            return self.meets(&west) || self.meets(&east);
        }
        match self {
            Self::Point(at) => holds(bbox, *at),
            Self::LineString(line) => line_meets(line, bbox),
            Self::MultiLineString(lines) => lines.iter().any(|line| line_meets(line, bbox)),
            Self::MultiPolygon(polygons) => polygons.iter().any(|rings| {
                let corner = [bbox.west, bbox.south];
                let is_inside = rings.first().is_some_and(|ring| ring_holds(ring, corner))
                    && !rings.iter().skip(1).any(|hole| ring_holds(hole, corner));
                is_inside || rings.iter().any(|ring| line_meets(ring, bbox))
            }),
        }
    }
}

fn holds(bbox: &BoundingBox, at: [f64; 2]) -> bool {
    LonLat::new(at[0], at[1]).is_ok_and(|at| bbox.contains(at))
}

fn line_meets(line: &[[f64; 2]], bbox: &BoundingBox) -> bool {
    line.iter().any(|at| holds(bbox, *at)) || line.windows(2).any(|ends| crosses(ends[0], ends[1], bbox))
}

/// Whether a straight piece enters a box (Liang and Barsky 1984).
fn crosses(from: [f64; 2], to: [f64; 2], bbox: &BoundingBox) -> bool {
    let (low, high) = ([bbox.west, bbox.south], [bbox.east, bbox.north]);
    let (mut enter, mut leave) = (0.0f64, 1.0f64);
    for axis in 0..2 {
        let delta = to[axis] - from[axis];
        if delta == 0.0 {
            if from[axis] < low[axis] || from[axis] > high[axis] {
                return false;
            }
            continue;
        }
        let (first, second) = ((low[axis] - from[axis]) / delta, (high[axis] - from[axis]) / delta);
        enter = enter.max(first.min(second));
        leave = leave.min(first.max(second));
    }
    enter <= leave
}

fn ring_holds(ring: &[[f64; 2]], at: [f64; 2]) -> bool {
    let crossings = ring.windows(2).filter(|ends| {
        let (a, b) = (ends[0], ends[1]);
        (a[1] > at[1]) != (b[1] > at[1]) && at[0] < (b[0] - a[0]) * (at[1] - a[1]) / (b[1] - a[1]) + a[0]
    });
    crossings.count() % 2 == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOX: BoundingBox = BoundingBox { west: 1.0, south: 1.0, east: 2.0, north: 2.0 };

    #[test]
    fn the_geometry_must_meet_the_box_not_its_envelope() {
        let meets = |line: &[[f64; 2]]| Geometry::LineString(line.to_vec()).meets(&BOX);
        assert!(meets(&[[0.0, 1.5], [3.0, 1.5]]));
        assert!(meets(&[[1.5, 1.5], [1.6, 1.6]]));
        // Round the corner: the envelope meets the box, the line does not.
        assert!(!meets(&[[0.0, 2.5], [0.0, 0.0], [0.9, 0.0]]));
        assert!(!meets(&[[0.0, 1.9], [1.0, 3.0]]));
        let around = vec![vec![[0.0, 0.0], [5.0, 0.0], [5.0, 5.0], [0.0, 5.0], [0.0, 0.0]]];
        assert!(Geometry::MultiPolygon(vec![around]).meets(&BOX));
    }

    #[test]
    fn a_box_across_the_antimeridian_has_two_sides() {
        let fiji = BoundingBox { west: 177.0, south: -20.0, east: -178.0, north: -15.0 };
        let square = |lon: f64| {
            let ring = vec![[lon, -25.0], [lon + 8.0, -25.0], [lon + 8.0, -10.0], [lon, -10.0], [lon, -25.0]];
            Geometry::MultiPolygon(vec![vec![ring]])
        };
        // Each holds one side of the box wholly; neither has a corner or an edge in it.
        assert!(square(172.0).meets(&fiji) && square(-180.0).meets(&fiji));
        assert!(!square(0.0).meets(&fiji));
        assert!(Geometry::Point([-179.5, -17.0]).meets(&fiji));
    }

    #[test]
    fn lines_are_cut_at_the_antimeridian() {
        let across = [LonLat::wrapped(179.0, 0.0), LonLat::wrapped(-179.0, 2.0)];
        let Geometry::MultiLineString(parts) = Geometry::line(&across) else { panic!("not cut") };
        assert_eq!(parts, [[[179.0, 0.0], [180.0, 1.0]], [[-180.0, 1.0], [-179.0, 2.0]]]);
    }

    #[test]
    fn what_json_cannot_hold_is_null() {
        assert_eq!(number(Some(f64::NAN), 2), Value::Null);
        assert_eq!(number(Some(1.234_56), 2), Value::from(1.23));
    }
}
