//! From chains to pieces: shared legs once, nodes, and the runs between them.

use std::collections::HashMap;

use crate::analysis::network::Direction;
use crate::analysis::network::PieceUse;
use crate::analysis::network::VertexKind;
use crate::analysis::network::points::Chain;
use crate::analysis::network::points::PointIdx;
use crate::analysis::network::points::Points;

/// A piece before it is cut.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TracedPiece {
    pub(super) points: Vec<PointIdx>,
    pub(super) trails: Vec<usize>,
}

/// Pieces and how trails go through them.
#[derive(Debug)]
pub(super) struct Traced {
    pub(super) pieces: Vec<TracedPiece>,
    /// By trail.
    pub(super) uses: Vec<Vec<PieceUse>>,
    /// What each point would be as a vertex.
    pub(super) kinds: Vec<VertexKind>,
}

/// Traces the pieces, in the order and direction in which the chains first come to them.
///
/// A point is a node where other than two distinct legs meet, or where the trails of its two legs differ. So a trail cut
/// into parts at a plain vertex has the same pieces as the whole, and a path that trails share is a piece of its own.
pub(super) fn trace(points: &Points, chains: &[Chain], n_trails: usize) -> Traced {
    let table = LegTable::new(points.xy.len(), chains);
    let mut piece_of: Vec<Option<(usize, Direction)>> = vec![None; table.ends.len()];
    let mut pieces: Vec<TracedPiece> = Vec::new();
    let mut uses: Vec<Vec<PieceUse>> = vec![Vec::new(); n_trails];
    // The last trail that used a piece; chains of one trail follow each other.
    let mut last_user: Vec<usize> = Vec::new();
    let mut steps = table.steps.iter();
    for chain in chains {
        for (pair, &leg) in chain.points.windows(2).zip(steps.by_ref()) {
            let step_direction = table.direction(leg, pair[0]);
            if piece_of[leg as usize].is_none() {
                let piece_idx = pieces.len();
                let traced = table.trace_from(leg, pair[0], pair[1]);
                for &(leg, from) in &traced.legs {
                    piece_of[leg as usize] = Some((piece_idx, table.direction(leg, from)));
                }
                pieces.push(TracedPiece { points: traced.points, trails: table.trails(leg).to_vec() });
                last_user.push(usize::MAX);
            }
            let Some((piece_idx, leg_direction)) = piece_of[leg as usize] else { continue };
            if last_user[piece_idx] != chain.trail_idx {
                last_user[piece_idx] = chain.trail_idx;
                let along = step_direction == leg_direction;
                let direction = if along { Direction::Forward } else { Direction::Backward };
                uses[chain.trail_idx].push(PieceUse { piece_idx, direction });
            }
        }
    }
    let kinds = (0..points.xy.len() as PointIdx).map(|p| table.kind(p)).collect();
    Traced { pieces, uses, kinds }
}

/// Distinct legs, with the trails that go through them.
struct LegTable {
    /// Lower and higher point of each distinct leg.
    ends: Vec<[PointIdx; 2]>,
    trail_set: Vec<u32>,
    sets: Vec<Vec<usize>>,
    /// The distinct leg of every step of every chain, chain after chain.
    steps: Vec<u32>,
    row_starts: Vec<u32>,
    rows: Vec<u32>,
}

struct TracedLegs {
    points: Vec<PointIdx>,
    /// Each leg with the point from which the piece enters it.
    legs: Vec<(u32, PointIdx)>,
}

impl LegTable {
    fn new(n_points: usize, chains: &[Chain]) -> Self {
        let all = chains.iter().flat_map(|c| c.points.windows(2).map(move |leg| (leg, c.trail_idx)));
        let mut records: Vec<(PointIdx, PointIdx, usize, u32)> = all
            .enumerate()
            .map(|(step, (leg, trail))| (leg[0].min(leg[1]), leg[0].max(leg[1]), trail, step as u32))
            .collect();
        records.sort_unstable();
        let mut table = Self {
            ends: Vec::new(),
            trail_set: Vec::new(),
            sets: Vec::new(),
            steps: vec![0; records.len()],
            row_starts: vec![0; n_points + 1],
            rows: Vec::new(),
        };
        let mut set_numbers: HashMap<Vec<usize>, u32> = HashMap::new();
        for same in records.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
            let leg = table.ends.len() as u32;
            table.ends.push([same[0].0, same[0].1]);
            for record in same {
                table.steps[record.3 as usize] = leg;
            }
            let mut trails: Vec<usize> = same.iter().map(|record| record.2).collect();
            trails.dedup();
            let set = *set_numbers.entry(trails).or_insert_with_key(|trails| {
                table.sets.push(trails.clone());
                table.sets.len() as u32 - 1
            });
            table.trail_set.push(set);
        }
        table.fill_rows();
        table
    }

    fn fill_rows(&mut self) {
        for &point in self.ends.iter().flatten() {
            self.row_starts[point as usize + 1] += 1;
        }
        for point in 1..self.row_starts.len() {
            self.row_starts[point] += self.row_starts[point - 1];
        }
        let mut next = self.row_starts.clone();
        self.rows = vec![0; self.ends.len() * 2];
        for (leg, ends) in self.ends.iter().enumerate() {
            for &point in ends {
                self.rows[next[point as usize] as usize] = leg as u32;
                next[point as usize] += 1;
            }
        }
    }

    fn legs_at(&self, point: PointIdx) -> &[u32] {
        let point = point as usize;
        &self.rows[self.row_starts[point] as usize..self.row_starts[point + 1] as usize]
    }

    fn trails(&self, leg: u32) -> &[usize] {
        &self.sets[self.trail_set[leg as usize] as usize]
    }

    /// Whether a leg entered at a point is gone through from its lower point to its higher.
    fn direction(&self, leg: u32, from: PointIdx) -> Direction {
        if self.ends[leg as usize][0] == from { Direction::Forward } else { Direction::Backward }
    }

    /// The other leg at a point that is no node.
    fn onward(&self, leg: u32, point: PointIdx) -> Option<u32> {
        match *self.legs_at(point) {
            [a, b] if self.trail_set[a as usize] == self.trail_set[b as usize] => {
                Some(if a == leg { b } else { a })
            }
            _ => None,
        }
    }

    fn kind(&self, point: PointIdx) -> VertexKind {
        match *self.legs_at(point) {
            [_] => VertexKind::End,
            [a, b] if self.trail_set[a as usize] == self.trail_set[b as usize] => VertexKind::Cut,
            _ => VertexKind::Junction,
        }
    }

    /// The piece that holds a leg, in the leg's direction. A loop without a node starts and ends at `from`.
    fn trace_from(&self, leg: u32, from: PointIdx, to: PointIdx) -> TracedLegs {
        let mut points = vec![from, to];
        let mut legs = vec![(leg, from)];
        let (mut current, mut at) = (leg, to);
        while let Some(next) = self.onward(current, at) {
            if next == leg {
                return TracedLegs { points, legs };
            }
            legs.push((next, at));
            at = self.far_end(next, at);
            points.push(at);
            current = next;
        }
        let (mut back_points, mut back_legs) = (Vec::new(), Vec::new());
        (current, at) = (leg, from);
        while let Some(next) = self.onward(current, at) {
            at = self.far_end(next, at);
            back_legs.push((next, at));
            back_points.push(at);
            current = next;
        }
        back_points.reverse();
        back_legs.reverse();
        back_points.append(&mut points);
        back_legs.append(&mut legs);
        TracedLegs { points: back_points, legs: back_legs }
    }

    fn far_end(&self, leg: u32, point: PointIdx) -> PointIdx {
        let [a, b] = self.ends[leg as usize];
        if a == point { b } else { a }
    }
}
