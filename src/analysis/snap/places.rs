//! Places that hold records: car parks, campsites, viewpoints, buildings.

use geo::Area;
use geo::BoundingRect;
use geo::Coord;
use geo::Distance;
use geo::Euclidean;
use geo::LineString;
use geo::Point;
use geo::Polygon;

use crate::analysis::plane::LocalPlane;
use crate::domain::geography::LonLat;

/// The ground that a place takes up.
#[derive(Debug, Clone, PartialEq)]
pub enum PlaceArea {
    /// Within a radius of a point, its edge included.
    Circle {
        /// The point.
        centre: LonLat,
        /// The radius, metres.
        radius_m: f64,
    },
    /// A polygon, and what lies within a tolerance of it.
    Polygon {
        /// The exterior ring; closed or not.
        exterior: Vec<LonLat>,
        /// The holes.
        holes: Vec<Vec<LonLat>>,
        /// The tolerance, metres; zero takes the polygon as drawn.
        tolerance_m: f64,
    },
}

/// Places in a plane, the smallest first.
#[derive(Debug, Clone, Default)]
pub(super) struct PlaceIndex {
    places: Vec<PlanarPlace>,
}

#[derive(Debug, Clone)]
struct PlanarPlace {
    place_idx: usize,
    shape: Polygon<f64>,
    centre: Option<Coord<f64>>,
    /// Distance from the shape, or from the centre, within which the place holds a point.
    within_m: f64,
    min: Coord<f64>,
    max: Coord<f64>,
    area_m2: f64,
}

impl PlaceIndex {
    pub(super) fn new(plane: &LocalPlane, places: &[PlaceArea]) -> Self {
        let mut places: Vec<PlanarPlace> = places
            .iter()
            .enumerate()
            .filter_map(|(place_idx, place)| planar(plane, place_idx, place))
            .collect();
        places.sort_by(|a, b| a.area_m2.total_cmp(&b.area_m2).then(a.place_idx.cmp(&b.place_idx)));
        Self { places }
    }

    /// The smallest place that holds a point.
    pub(super) fn holding(&self, point: Coord<f64>) -> Option<usize> {
        self.places.iter().find(|place| place.holds(point)).map(|place| place.place_idx)
    }
}

impl PlanarPlace {
    fn holds(&self, point: Coord<f64>) -> bool {
        let in_box =
            (self.min.x..=self.max.x).contains(&point.x) && (self.min.y..=self.max.y).contains(&point.y);
        in_box && self.distance_m(point) <= self.within_m
    }

    fn distance_m(&self, point: Coord<f64>) -> f64 {
        match self.centre {
            Some(centre) => (point.x - centre.x).hypot(point.y - centre.y),
            None => Euclidean.distance(&Point::from(point), &self.shape),
        }
    }
}

/// `None` for a polygon without vertices, which holds nothing.
fn planar(plane: &LocalPlane, place_idx: usize, place: &PlaceArea) -> Option<PlanarPlace> {
    let (shape, centre, within_m) = match place {
        PlaceArea::Circle { centre, radius_m } => {
            let centre = plane.to_plane(*centre);
            (Polygon::new(LineString::new(vec![centre]), Vec::new()), Some(centre), *radius_m)
        }
        PlaceArea::Polygon { exterior, holes, tolerance_m } => {
            let ring = |positions: &Vec<LonLat>| positions.iter().map(|&p| plane.to_plane(p)).collect();
            let holes: Vec<LineString<f64>> = holes.iter().map(ring).collect();
            (Polygon::new(ring(exterior), holes), None, *tolerance_m)
        }
    };
    let bounds = shape.bounding_rect()?;
    let grow = |c: Coord<f64>, by_m: f64| Coord { x: c.x + by_m, y: c.y + by_m };
    let area_m2 = match centre {
        Some(_) => std::f64::consts::PI * within_m * within_m,
        None => shape.unsigned_area(),
    };
    Some(PlanarPlace {
        place_idx,
        min: grow(bounds.min(), -within_m),
        max: grow(bounds.max(), within_m),
        shape,
        centre,
        within_m,
        area_m2,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn index(plane: &LocalPlane) -> PlaceIndex {
        let at = |x: f64, y: f64| plane.to_lonlat(Coord { x, y });
        let square = |half: f64| vec![at(-half, -half), at(half, -half), at(half, half), at(-half, half)];
        PlaceIndex::new(
            plane,
            &[
                PlaceArea::Polygon { exterior: square(100.0), holes: vec![square(20.0)], tolerance_m: 5.0 },
                PlaceArea::Circle { centre: at(80.0, 0.0), radius_m: 15.0 },
                PlaceArea::Polygon { exterior: Vec::new(), holes: Vec::new(), tolerance_m: 5.0 },
            ],
        )
    }

    #[test]
    fn the_smallest_place_holds_a_point() {
        let plane = LocalPlane::new(LonLat::wrapped(179.9999, -17.0));
        let index = index(&plane);
        let held = |x: f64, y: f64| index.holding(Coord { x, y });
        assert_eq!(held(50.0, 0.0), Some(0));
        assert_eq!(held(80.0, 10.0), Some(1));
        assert_eq!(held(-104.0, 0.0), Some(0));
        assert_eq!(held(-106.0, 0.0), None);
        assert_eq!(held(0.0, 0.0), None);
        assert_eq!(held(0.0, 17.0), Some(0));
    }
}
