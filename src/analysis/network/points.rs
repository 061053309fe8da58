//! The table of distinct positions, and lines as chains of its indices.

use std::collections::HashMap;

use geo::Coord;

use crate::analysis::network::Note;
use crate::analysis::network::TrailLine;
use crate::analysis::network::frame::order;
use crate::analysis::plane::LocalPlane;
use crate::analysis::plane::distance_m;
use crate::analysis::plane::interpolate;
use crate::domain::geography::LonLat;

/// Positions this near are one, metres.
pub(super) const SAME_POINT_M: f64 = 0.01;
/// Longer legs are bent along their geodesic, metres.
const MAX_LEG_M: f64 = 2000.0;
/// Cells of the table; a little wider than the distance within which positions are one.
const CELL_M: f64 = 0.05;

/// An index into [`Points`].
pub(super) type PointIdx = u32;

/// Distinct positions.
#[derive(Debug)]
pub(super) struct Points {
    plane: LocalPlane,
    pub(super) lonlat: Vec<LonLat>,
    pub(super) xy: Vec<Coord<f64>>,
    /// The latest point of a cell; `next` leads on to the earlier ones.
    cells: HashMap<(i64, i64), PointIdx>,
    next: Vec<PointIdx>,
}

/// A line as point indices; neighbours differ, and there are at least two.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Chain {
    pub(super) trail_idx: usize,
    pub(super) points: Vec<PointIdx>,
}

/// One of a chain's two ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Terminal {
    First,
    Last,
}

impl Chain {
    pub(super) fn is_closed(&self) -> bool {
        self.points.first() == self.points.last()
    }

    /// The chain's points, starting from one of its ends.
    pub(super) fn points_from(&self, terminal: Terminal) -> impl Iterator<Item = PointIdx> + '_ {
        let n = self.points.len();
        (0..n).map(move |k| match terminal {
            Terminal::First => self.points[k],
            Terminal::Last => self.points[n - 1 - k],
        })
    }
}

const NO_POINT: PointIdx = PointIdx::MAX;

impl Points {
    pub(super) fn new(plane: &LocalPlane) -> Self {
        Self {
            plane: plane.clone(),
            lonlat: Vec::new(),
            xy: Vec::new(),
            cells: HashMap::new(),
            next: Vec::new(),
        }
    }

    /// The index of a position, which is that of an earlier one within a centimetre if there is one.
    pub(super) fn insert(&mut self, position: LonLat) -> PointIdx {
        let xy = self.plane.to_plane(position);
        if let Some(known) = self.find(xy) {
            return known;
        }
        let idx = self.xy.len() as PointIdx;
        self.lonlat.push(position);
        self.xy.push(xy);
        let earlier = self.cells.insert((cell(xy.x), cell(xy.y)), idx);
        self.next.push(earlier.unwrap_or(NO_POINT));
        idx
    }

    fn find(&self, xy: Coord<f64>) -> Option<PointIdx> {
        for cell_x in cell(xy.x - SAME_POINT_M)..=cell(xy.x + SAME_POINT_M) {
            for cell_y in cell(xy.y - SAME_POINT_M)..=cell(xy.y + SAME_POINT_M) {
                let mut idx = self.cells.get(&(cell_x, cell_y)).copied().unwrap_or(NO_POINT);
                while idx != NO_POINT {
                    let other = self.xy[idx as usize];
                    if (other.x - xy.x).hypot(other.y - xy.y) <= SAME_POINT_M {
                        return Some(idx);
                    }
                    idx = self.next[idx as usize];
                }
            }
        }
        None
    }

    pub(super) fn distance_m(&self, a: PointIdx, b: PointIdx) -> f64 {
        let (a, b) = (self.xy[a as usize], self.xy[b as usize]);
        (a.x - b.x).hypot(a.y - b.y)
    }

    pub(super) fn edge_xy(&self, edge: [PointIdx; 2]) -> [Coord<f64>; 2] {
        edge.map(|p| self.xy[p as usize])
    }

    pub(super) fn edge_lonlat(&self, edge: [PointIdx; 2]) -> [LonLat; 2] {
        edge.map(|p| self.lonlat[p as usize])
    }
}

fn cell(metres: f64) -> i64 {
    (metres / CELL_M).floor() as i64
}

/// All usable parts as chains over one table of positions.
pub(super) fn chains(plane: &LocalPlane, lines: &[TrailLine], notes: &mut Vec<Note>) -> (Points, Vec<Chain>) {
    let mut points = Points::new(plane);
    let mut chains = Vec::new();
    for (trail_idx, line) in lines.iter().enumerate() {
        for (part_idx, part) in line.parts.iter().enumerate() {
            let chain = chain_of(&mut points, part);
            if chain.len() < 2 {
                notes.push(Note::PartSkipped { trail_idx, part_idx });
            } else {
                chains.push(Chain { trail_idx, points: chain });
            }
        }
    }
    (points, chains)
}

fn chain_of(points: &mut Points, part: &[LonLat]) -> Vec<PointIdx> {
    let mut chain: Vec<PointIdx> = Vec::with_capacity(part.len());
    for &position in part {
        let idx = points.insert(position);
        let Some(&last) = chain.last() else {
            chain.push(idx);
            continue;
        };
        if idx == last {
            continue;
        }
        if points.distance_m(last, idx) > MAX_LEG_M {
            bend(points, &mut chain, last, idx);
        }
        chain.push(idx);
    }
    chain
}

/// Adds positions between `from` and `to` along their geodesic, the same ones whichever way the leg runs.
fn bend(points: &mut Points, chain: &mut Vec<PointIdx>, from: PointIdx, to: PointIdx) {
    let [start, end] = points.edge_lonlat([from, to]);
    let n_legs = (distance_m(start, end) / MAX_LEG_M).ceil() as usize;
    let forward = order(start, end).is_le();
    for k in 1..n_legs {
        let position = if forward {
            interpolate(start, end, k as f64 / n_legs as f64)
        } else {
            interpolate(end, start, (n_legs - k) as f64 / n_legs as f64)
        };
        chain.push(points.insert(position));
    }
}
