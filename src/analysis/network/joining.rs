//! Ends that stop short of another line, or reach past it, by no more than the tolerance.

use std::collections::HashMap;

use geo::Coord;

use crate::analysis::network::Note;
use crate::analysis::network::frame;
use crate::analysis::network::noding::Connector;
use crate::analysis::network::noding::Noded;
use crate::analysis::network::noding::Touch;
use crate::analysis::network::noding::share_inside;
use crate::analysis::network::points::Chain;
use crate::analysis::network::points::PointIdx;
use crate::analysis::network::points::Points;
use crate::analysis::network::points::Terminal;
use crate::domain::geography::LonLat;

/// An end may be joined to its own line only beyond this many tolerances along it: a bend is not a junction. A chain no
/// longer than that is never trimmed either.
const OWN_LINE_TOLERANCES: f64 = 4.0;

const TERMINALS: [Terminal; 2] = [Terminal::First, Terminal::Last];

/// Joins each free end to the nearest line within the tolerance by a short leg, which splits that line at its foot.
pub(super) fn join_ends(
    points: &mut Points,
    chains: &[Chain],
    noded: &mut Noded,
    tolerance_m: f64,
) -> Vec<Note> {
    let mut notes = Vec::new();
    let mut degrees = degrees(points.xy.len(), chains);
    let mut touch_points: HashMap<u32, Vec<PointIdx>> = HashMap::new();
    for touch in &noded.touches {
        degrees[touch.point as usize] += 2;
        touch_points.entry(touch.leg).or_default().push(touch.point);
    }
    let mut first_leg = 0;
    for (chain_idx, chain) in chains.iter().enumerate() {
        let n_legs = chain.points.len() - 1;
        for terminal in TERMINALS {
            let end = End { chain_idx, terminal, first_leg, n_legs, tolerance_m };
            let point = end.point(chain);
            if chain.is_closed() || degrees[point as usize] > 1 {
                continue;
            }
            if end.meets_a_line(points, chain, &degrees, &touch_points) {
                continue;
            }
            let Some((gap_m, foot)) = end.nearest_foot(points, chain, noded) else { continue };
            let to = points.insert(foot);
            if to == point {
                continue;
            }
            degrees.resize(points.xy.len(), 2);
            degrees[point as usize] += 1;
            degrees[to as usize] += 1;
            split_at(points, noded, to);
            noded.connectors.push(Connector { chain_idx: chain_idx as u32, terminal, to });
            let at = points.lonlat[point as usize];
            notes.push(Note::EndJoined { trail_idx: chain.trail_idx, at, gap_m });
        }
        first_leg += n_legs;
    }
    notes
}

/// One end of a chain.
#[derive(Debug, Clone, Copy)]
struct End {
    chain_idx: usize,
    terminal: Terminal,
    /// Number of the chain's first leg among all legs.
    first_leg: usize,
    n_legs: usize,
    tolerance_m: f64,
}

impl End {
    fn point(&self, chain: &Chain) -> PointIdx {
        match self.terminal {
            Terminal::First => chain.points[0],
            Terminal::Last => chain.points[self.n_legs],
        }
    }

    /// The number among all legs of the chain's `k`th leg from this end.
    fn leg_from_end(&self, k: usize) -> usize {
        match self.terminal {
            Terminal::First => self.first_leg + k,
            Terminal::Last => self.first_leg + self.n_legs - 1 - k,
        }
    }

    /// Whether the chain meets another line within the tolerance of this end, as where it reaches past that line.
    fn meets_a_line(
        &self,
        points: &Points,
        chain: &Chain,
        degrees: &[u32],
        touch_points: &HashMap<u32, Vec<PointIdx>>,
    ) -> bool {
        let mut along_m = 0.0;
        let mut before = self.point(chain);
        for (k, after) in chain.points_from(self.terminal).skip(1).enumerate() {
            let touches = touch_points.get(&(self.leg_from_end(k) as u32));
            let soon = |&p: &PointIdx| along_m + points.distance_m(before, p) <= self.tolerance_m;
            if touches.is_some_and(|on_leg| on_leg.iter().any(soon)) {
                return true;
            }
            along_m += points.distance_m(before, after);
            if along_m > self.tolerance_m {
                return false;
            }
            if degrees[after as usize] > 2 {
                return true;
            }
            before = after;
        }
        false
    }

    /// The nearest point on any line within the tolerance, the chain's own legs next to this end apart.
    fn nearest_foot(&self, points: &Points, chain: &Chain, noded: &Noded) -> Option<(f64, LonLat)> {
        let point = self.point(chain);
        let (here, position) = (points.xy[point as usize], points.lonlat[point as usize]);
        let n_own = self.n_legs_at_the_end(points, chain);
        let reach_m = self.tolerance_m;
        let min = Coord { x: here.x - reach_m, y: here.y - reach_m };
        let max = Coord { x: here.x + reach_m, y: here.y + reach_m };
        let is_own = |leg_idx: usize| match self.terminal {
            Terminal::First => leg_idx < n_own,
            Terminal::Last => leg_idx + n_own >= self.n_legs,
        };
        noded
            .grid
            .edges_near(min, max)
            .into_iter()
            .map(|leg| &noded.legs[leg])
            .filter(|leg| leg.chain_idx as usize != self.chain_idx || !is_own(leg.leg_idx as usize))
            .map(|leg| frame::foot(position, points.edge_lonlat(leg.ends)))
            .filter(|(gap_m, _)| *gap_m <= reach_m)
            .min_by(|a, b| a.0.total_cmp(&b.0).then(frame::order(a.1, b.1)))
    }

    /// How many of the chain's legs are too near along the chain to be joined to.
    fn n_legs_at_the_end(&self, points: &Points, chain: &Chain) -> usize {
        let mut along_m = 0.0;
        let mut before = self.point(chain);
        for (k, after) in chain.points_from(self.terminal).skip(1).enumerate() {
            if along_m > OWN_LINE_TOLERANCES * self.tolerance_m {
                return k;
            }
            along_m += points.distance_m(before, after);
            before = after;
        }
        self.n_legs
    }
}

/// Splits every leg that a point lies on.
fn split_at(points: &Points, noded: &mut Noded, point: PointIdx) {
    let here = points.xy[point as usize];
    for leg in noded.grid.edges_near(here, here) {
        if let Some(share) = share_inside(points, noded.legs[leg].ends, point) {
            noded.touches.push(Touch { leg: leg as u32, share, point });
        }
    }
}

/// Cuts off what reaches past another line by no more than the tolerance.
pub(super) fn trim_overshoots(points: &Points, chains: &mut [Chain], tolerance_m: f64) -> Vec<Note> {
    let mut notes = Vec::new();
    let degrees = degrees(points.xy.len(), chains);
    for chain in chains.iter_mut() {
        for terminal in TERMINALS {
            let Some((n_points, length_m)) = overshoot(points, chain, &degrees, terminal, tolerance_m) else {
                continue;
            };
            let n = chain.points.len();
            let end = match terminal {
                Terminal::First => chain.points.drain(..n_points).next(),
                Terminal::Last => chain.points.drain(n - n_points..).next_back(),
            };
            let at = end.map(|p| points.lonlat[p as usize]);
            notes.extend(at.map(|at| Note::OvershootTrimmed { trail_idx: chain.trail_idx, at, length_m }));
        }
    }
    notes
}

/// How many points to cut off a free end, and the length that goes with them.
fn overshoot(
    points: &Points,
    chain: &Chain,
    degrees: &[u32],
    terminal: Terminal,
    tolerance_m: f64,
) -> Option<(usize, f64)> {
    let legs_m = |pair: &[PointIdx]| points.distance_m(pair[0], pair[1]);
    let chain_m: f64 = chain.points.windows(2).map(legs_m).sum();
    let mut from_end = chain.points_from(terminal);
    let mut before = from_end.next()?;
    if degrees[before as usize] != 1 || chain_m <= OWN_LINE_TOLERANCES * tolerance_m {
        return None;
    }
    let mut along_m = 0.0;
    for (k, after) in from_end.enumerate() {
        along_m += points.distance_m(before, after);
        if along_m > tolerance_m {
            return None;
        }
        if degrees[after as usize] > 2 {
            return Some((k + 1, along_m));
        }
        before = after;
    }
    None
}

/// The number of distinct legs at each point.
fn degrees(n_points: usize, chains: &[Chain]) -> Vec<u32> {
    let mut legs: Vec<(PointIdx, PointIdx)> = chains
        .iter()
        .flat_map(|chain| chain.points.windows(2).map(|leg| (leg[0].min(leg[1]), leg[0].max(leg[1]))))
        .collect();
    legs.sort_unstable();
    legs.dedup();
    let mut degrees = vec![0; n_points];
    for (a, b) in legs {
        degrees[a as usize] += 1;
        degrees[b as usize] += 1;
    }
    degrees
}
