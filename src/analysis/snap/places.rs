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

/// How finely lines are looked at to find what lies on the ground of places, metres.
const SAMPLE_M: f64 = 0.5;

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

/// A place, and whether it comes before trails.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceGround {
    /// The ground that it takes up.
    pub area: PlaceArea,
    /// Whether it is known how many visit it. Then what is met on its ground belongs to it even where a trail leads through,
    /// and so must the walking there ([`SnapIndex::outside_places`]). A place without visits holds only what lies off all
    /// trails: on them walking is known, and at the place nothing is.
    ///
    /// [`SnapIndex::outside_places`]: super::SnapIndex::outside_places
    pub has_visits: bool,
}

/// Places in a plane, the smallest first.
#[derive(Debug, Clone, Default)]
pub(super) struct PlaceIndex {
    places: Vec<PlanarPlace>,
}

#[derive(Debug, Clone)]
struct PlanarPlace {
    place_idx: usize,
    has_visits: bool,
    shape: Polygon<f64>,
    centre: Option<Coord<f64>>,
    /// Distance from the shape, or from the centre, within which the place holds a point.
    within_m: f64,
    min: Coord<f64>,
    max: Coord<f64>,
    area_m2: f64,
}

impl PlaceIndex {
    pub(super) fn new(plane: &LocalPlane, places: &[PlaceGround]) -> Self {
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

    /// The smallest place with visits that holds a point.
    pub(super) fn holding_with_visits(&self, point: Coord<f64>) -> Option<usize> {
        let mut with_visits = self.places.iter().filter(|place| place.has_visits);
        with_visits.find(|place| place.holds(point)).map(|place| place.place_idx)
    }

    /// The parts of a straight line outside all places with visits, in order; their ends are right to within [`SAMPLE_M`]. None
    /// where no such place is near: all of it then.
    pub(super) fn outside_visits(&self, [from, to]: [Coord<f64>; 2]) -> Option<Vec<[Coord<f64>; 2]>> {
        let is_near = |place: &&PlanarPlace| {
            place.has_visits
                && from.x.min(to.x) <= place.max.x
                && from.x.max(to.x) >= place.min.x
                && from.y.min(to.y) <= place.max.y
                && from.y.max(to.y) >= place.min.y
        };
        let near: Vec<&PlanarPlace> = self.places.iter().filter(is_near).collect();
        if near.is_empty() {
            return None;
        }
        let length_m = (to.x - from.x).hypot(to.y - from.y);
        let n = (length_m / SAMPLE_M).ceil().max(1.0);
        let at =
            |share: f64| Coord { x: from.x + share * (to.x - from.x), y: from.y + share * (to.y - from.y) };
        let mut outside: Vec<[Coord<f64>; 2]> = Vec::new();
        let mut was_outside = false;
        for sample in 0..n as usize {
            let is_outside = !near.iter().any(|place| place.holds(at((sample as f64 + 0.5) / n)));
            let ends = [sample as f64 / n, (sample as f64 + 1.0) / n].map(at);
            match outside.last_mut().filter(|_| was_outside) {
                Some(part) if is_outside => part[1] = ends[1],
                _ if is_outside => outside.push(ends),
                _ => {}
            }
            was_outside = is_outside;
        }
        Some(outside)
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
fn planar(plane: &LocalPlane, place_idx: usize, place: &PlaceGround) -> Option<PlanarPlace> {
    let (shape, centre, within_m) = match &place.area {
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
        has_visits: place.has_visits,
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
        let areas = [
            PlaceArea::Polygon { exterior: square(100.0), holes: vec![square(20.0)], tolerance_m: 5.0 },
            PlaceArea::Circle { centre: at(80.0, 0.0), radius_m: 15.0 },
            PlaceArea::Polygon { exterior: Vec::new(), holes: Vec::new(), tolerance_m: 5.0 },
        ];
        let visits = [true, false, true];
        let grounds =
            areas.into_iter().zip(visits).map(|(area, has_visits)| PlaceGround { area, has_visits });
        PlaceIndex::new(plane, &grounds.collect::<Vec<_>>())
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
        let with_visits = |x: f64, y: f64| index.holding_with_visits(Coord { x, y });
        assert_eq!((with_visits(80.0, 10.0), with_visits(106.0, 0.0)), (Some(0), None));
    }

    #[test]
    fn lines_are_measured_on_the_ground_of_places_with_visits() {
        let plane = LocalPlane::new(LonLat::wrapped(179.9999, -17.0));
        let index = index(&plane);
        let metres = |from: (f64, f64), to: (f64, f64)| {
            let at = |(x, y): (f64, f64)| Coord { x, y };
            let length_m = |[a, b]: [Coord<f64>; 2]| (b.x - a.x).hypot(b.y - a.y);
            let line = [at(from), at(to)];
            let outside = index.outside_visits(line).unwrap_or_else(|| vec![line]);
            length_m(line) - outside.into_iter().map(length_m).sum::<f64>()
        };
        // Through the polygon with its tolerance of 5 m, less its hole of 30 m between tolerances.
        assert!((metres((-300.0, 0.0), (300.0, 0.0)) - 180.0).abs() < 2.0);
        assert!((metres((50.0, -300.0), (50.0, 300.0)) - 210.0).abs() < 1.0);
        // The circle, which has no visits, reaches no farther than the polygon does.
        assert_eq!(metres((106.0, -300.0), (106.0, 300.0)), 0.0);
        assert_eq!(metres((60.0, 1.0), (60.0, 1.0)), 0.0);
    }
}
