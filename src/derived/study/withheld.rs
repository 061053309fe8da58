//! What a study withholds near sensitive places: every row and line finer than a trail.
//!
//! A gap in a table tells of a place as much as a row does, so the gap must not follow the place. Withheld is the cell of the
//! decimal grid that the place lies in, the grid of the public map, and the buffer all around that cell: wherever in its
//! cell a place lies, the same segments are withheld, so that the study tells no more than its rounded position. Positions
//! are rounded and never moved at random (Chapman 2020, section 4.1).

use geo::Intersects;
use geo::LineString;
use geo::Rect;

use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::public;
use crate::domain::disclosure::rounded;
use crate::domain::disclosure::step_degrees;
use crate::domain::geography::LonLat;
use crate::domain::place::SensitivePlace;

/// What is added for the difference between the plane and the grid, metres: far more than it is over one cell.
const MARGIN_M: f64 = 5.0;

/// The segments near sensitive places, and where that is.
#[derive(Debug, Clone, Default)]
pub struct Withheld {
    areas: Vec<Rect<f64>>,
    segments: Vec<bool>,
    cell_deg: f64,
}

impl Withheld {
    /// What is withheld of a network.
    pub fn of(facts: &Facts, layer: &NetworkLayer) -> Self {
        let decimals = public::decimals(facts);
        let areas: Vec<Rect<f64>> =
            facts.sensitive_places.iter().map(|place| area(layer, place, decimals)).collect();
        let is_near = |line: &LineString<f64>| areas.iter().any(|area| area.intersects(line));
        let segments = layer.network.segments.iter();
        let segments = segments.map(|segment| is_near(&LineString::new(segment.planar.clone()))).collect();
        Self { areas, segments, cell_deg: step_degrees(decimals) }
    }

    /// Whether anything of a segment is near a sensitive place.
    pub fn holds(&self, segment: usize) -> bool {
        self.segments.get(segment) == Some(&true)
    }

    /// Whether anything of some segments is.
    pub fn touches(&self, segments: &[usize]) -> bool {
        segments.iter().any(|segment| self.holds(*segment))
    }

    /// Whether a position is.
    pub fn holds_position(&self, layer: &NetworkLayer, position: LonLat) -> bool {
        let at = layer.network.plane.to_plane(position);
        self.areas.iter().any(|area| area.intersects(&at))
    }

    /// Whether anything at all is withheld.
    pub fn is_empty(&self) -> bool {
        !self.segments.contains(&true)
    }

    /// Why rows are withheld, in words that follow their number.
    pub fn reason(&self) -> String {
        format!(
            "in the {} degree grid cell of a sensitive place, or within its buffer of that cell; the rows of whole trails hold \
             what is on them",
            self.cell_deg
        )
    }

    /// What stands below a map on which something is withheld; nothing where all is drawn.
    pub fn note(&self) -> Option<String> {
        (!self.is_empty()).then(|| {
            format!(
                "Thin grey: withheld near a sensitive place, that is in its {} degree grid cell or within its buffer of that cell.",
                self.cell_deg
            )
        })
    }
}

/// The cell of the grid that a place lies in with the buffer around it: the same wherever in the cell it lies.
fn area(layer: &NetworkLayer, place: &SensitivePlace, decimals: u8) -> Rect<f64> {
    let middle = rounded(place.position, decimals);
    let half = step_degrees(decimals) / 2.0;
    let corner = |(east, north): (f64, f64)| {
        layer.network.plane.to_plane(LonLat::wrapped(middle.lon() + east * half, middle.lat() + north * half))
    };
    let corners = [(-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0)].map(corner);
    let around_m = place.buffer.in_metres() + MARGIN_M;
    let least = |of: fn(&geo::Coord<f64>) -> f64| corners.iter().map(of).fold(f64::INFINITY, f64::min);
    let most = |of: fn(&geo::Coord<f64>) -> f64| corners.iter().map(of).fold(f64::NEG_INFINITY, f64::max);
    Rect::new(
        (least(|at| at.x) - around_m, least(|at| at.y) - around_m),
        (most(|at| at.x) + around_m, most(|at| at.y) + around_m),
    )
}
