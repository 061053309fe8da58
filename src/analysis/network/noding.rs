//! Where lines touch or cross.

use geo::Coord;

use crate::analysis::network::frame;
use crate::analysis::network::points::Chain;
use crate::analysis::network::points::PointIdx;
use crate::analysis::network::points::Points;
use crate::analysis::network::points::SAME_POINT_M;
use crate::analysis::network::points::Terminal;
use crate::analysis::plane::EdgeGrid;

/// Least width of the grid's cells, metres.
const CELL_M: f64 = 40.0;

/// One leg of a chain.
#[derive(Debug, Clone, Copy)]
pub(super) struct Leg {
    pub(super) ends: [PointIdx; 2],
    pub(super) chain_idx: u32,
    pub(super) leg_idx: u32,
}

/// A point inside a leg at which it is to be split.
#[derive(Debug, Clone, Copy)]
pub(super) struct Touch {
    pub(super) leg: u32,
    /// Share of the way along the leg, only for sorting.
    pub(super) share: f64,
    pub(super) point: PointIdx,
}

/// A short leg from a chain's end to another line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Connector {
    pub(super) chain_idx: u32,
    pub(super) terminal: Terminal,
    pub(super) to: PointIdx,
}

/// All legs, the grid over them, and where they are to be split and joined.
#[derive(Debug)]
pub(super) struct Noded {
    pub(super) legs: Vec<Leg>,
    pub(super) grid: EdgeGrid,
    pub(super) touches: Vec<Touch>,
    pub(super) connectors: Vec<Connector>,
}

/// Finds where legs touch or cross, self-crossings included. The grid it leaves behind finds legs within `reach_m`.
pub(super) fn find_touches(points: &mut Points, chains: &[Chain], reach_m: f64) -> Noded {
    let legs = legs_of(chains);
    let edges: Vec<[Coord<f64>; 2]> = legs.iter().map(|leg| points.edge_xy(leg.ends)).collect();
    let grid = EdgeGrid::new(&edges, CELL_M.max(reach_m), SAME_POINT_M);
    let mut touches = Vec::new();
    let (n_x, n_y) = grid.shape();
    for y in 0..n_y {
        for x in 0..n_x {
            let cell = &grid.entries()[grid.slots(y, x, x)];
            for (i, &a) in cell.iter().enumerate() {
                for &b in &cell[i + 1..] {
                    let pair = [&edges[a as usize], &edges[b as usize]];
                    if boxes_meet(pair) && is_first_common_cell(&grid, pair, x, y) {
                        touch(points, &legs, [a, b], &mut touches);
                    }
                }
            }
        }
    }
    Noded { legs, grid, touches, connectors: Vec::new() }
}

fn legs_of(chains: &[Chain]) -> Vec<Leg> {
    let mut legs = Vec::with_capacity(chains.iter().map(|c| c.points.len() - 1).sum());
    for (chain_idx, chain) in chains.iter().enumerate() {
        legs.extend(chain.points.windows(2).enumerate().map(|(leg_idx, ends)| Leg {
            ends: [ends[0], ends[1]],
            chain_idx: chain_idx as u32,
            leg_idx: leg_idx as u32,
        }));
    }
    legs
}

fn boxes_meet([a, b]: [&[Coord<f64>; 2]; 2]) -> bool {
    let apart = |a0: f64, a1: f64, b0: f64, b1: f64| {
        a0.max(a1) + SAME_POINT_M < b0.min(b1) || b0.max(b1) + SAME_POINT_M < a0.min(a1)
    };
    !(apart(a[0].x, a[1].x, b[0].x, b[1].x) || apart(a[0].y, a[1].y, b[0].y, b[1].y))
}

/// Two legs may share several cells; the pair is looked at in the first of them only.
fn is_first_common_cell(grid: &EdgeGrid, [a, b]: [&[Coord<f64>; 2]; 2], x: usize, y: usize) -> bool {
    let (a, b) = (grid.range_of(a), grid.range_of(b));
    a.min_x.max(b.min_x) == x && a.min_y.max(b.min_y) == y
}

fn touch(points: &mut Points, legs: &[Leg], pair: [u32; 2], touches: &mut Vec<Touch>) {
    let [a, b] = pair.map(|leg| legs[leg as usize].ends);
    let n_before = touches.len();
    for (leg, ends, others) in [(pair[0], a, b), (pair[1], b, a)] {
        for point in others {
            if let Some(share) = share_inside(points, ends, point) {
                touches.push(Touch { leg, share, point });
            }
        }
    }
    let share_an_end = a.iter().any(|end| b.contains(end));
    if touches.len() > n_before || share_an_end || !cross(points.edge_xy(a), points.edge_xy(b)) {
        return;
    }
    let point = points.insert(frame::crossing(points.edge_lonlat(a), points.edge_lonlat(b)));
    for (leg, ends) in [(pair[0], a), (pair[1], b)] {
        if !ends.contains(&point) {
            touches.push(Touch { leg, share: share_along(points, ends, point), point });
        }
    }
}

/// Share along a leg at which a point lies on it, away from its ends.
pub(super) fn share_inside(points: &Points, ends: [PointIdx; 2], point: PointIdx) -> Option<f64> {
    if ends.contains(&point) {
        return None;
    }
    let share = share_along(points, ends, point);
    let [a, b] = points.edge_xy(ends);
    let p = points.xy[point as usize];
    let off_m = (a.x + share * (b.x - a.x) - p.x).hypot(a.y + share * (b.y - a.y) - p.y);
    (share > 0.0 && share < 1.0 && off_m <= SAME_POINT_M).then_some(share)
}

fn share_along(points: &Points, ends: [PointIdx; 2], point: PointIdx) -> f64 {
    let [a, b] = points.edge_xy(ends);
    let p = points.xy[point as usize];
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    ((p.x - a.x) * dx + (p.y - a.y) * dy) / (dx * dx + dy * dy)
}

fn cross(a: [Coord<f64>; 2], b: [Coord<f64>; 2]) -> bool {
    let side = |line: [Coord<f64>; 2], p: Coord<f64>| {
        (line[1].x - line[0].x) * (p.y - line[0].y) - (line[1].y - line[0].y) * (p.x - line[0].x)
    };
    side(a, b[0]) * side(a, b[1]) < 0.0 && side(b, a[0]) * side(b, a[1]) < 0.0
}

impl Noded {
    /// Splits the chains' legs where they are touched and adds the connectors.
    pub(super) fn apply(mut self, chains: &mut [Chain]) {
        self.touches.sort_by(|a, b| a.leg.cmp(&b.leg).then(a.share.total_cmp(&b.share)));
        let mut touches = self.touches.iter().peekable();
        let mut legs = self.legs.iter().enumerate();
        for chain in chains.iter_mut() {
            let mut split = Vec::with_capacity(chain.points.len());
            split.extend(chain.points.first());
            for (leg_number, leg) in legs.by_ref().take(chain.points.len() - 1) {
                while let Some(touch) = touches.next_if(|t| t.leg as usize == leg_number) {
                    split.push(touch.point);
                }
                split.push(leg.ends[1]);
            }
            split.dedup();
            chain.points = split;
        }
        for connector in &self.connectors {
            let points = &mut chains[connector.chain_idx as usize].points;
            match connector.terminal {
                Terminal::First => points.insert(0, connector.to),
                Terminal::Last => points.push(connector.to),
            }
        }
    }
}
