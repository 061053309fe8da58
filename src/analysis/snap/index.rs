//! Finding segments near a point: straight edges in a grid, packed cell after cell.

use std::collections::HashMap;

use geo::Coord;
use rayon::prelude::*;

use crate::analysis::network::Network;
use crate::analysis::plane::EdgeGrid;
use crate::analysis::plane::LocalPlane;
use crate::analysis::snap::error_model::ErrorModel;
use crate::analysis::snap::error_model::edge_integral;
use crate::analysis::snap::error_model::log_edge_integral;
use crate::analysis::snap::places::PlaceGround;
use crate::analysis::snap::places::PlaceIndex;

/// Least width of the grid's cells, metres.
const CELL_M: f64 = 50.0;
/// Points that one thread takes at a time.
const CHUNK: usize = 4096;

/// The point of a segment nearest to a position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nearest {
    /// The segment.
    pub segment_idx: usize,
    /// Distance to it, metres.
    pub distance_m: f64,
    /// Metres along the segment from its start.
    pub along_m: f64,
    /// The nearest point, in the network's plane.
    pub foot: Coord<f64>,
}

/// An index over a network's segments, and over places, for tying positions to them.
#[derive(Debug, Clone)]
pub struct SnapIndex {
    plane: LocalPlane,
    target_segment_m: f64,
    grid: EdgeGrid,
    packed: Vec<PackedEdge>,
    edges: Vec<IndexedEdge>,
    /// First edge of each segment, and the number of edges at the end.
    edge_starts: Vec<u32>,
    trail_of: Vec<u32>,
    places: PlaceIndex,
    /// Of each segment that a place with visits comes near: its parts outside such places.
    outside: HashMap<usize, Vec<[Coord<f64>; 2]>>,
}

/// What the search for the nearest edge reads, in one piece of memory.
#[derive(Debug, Clone, Copy)]
struct PackedEdge {
    from: Coord<f64>,
    along: Coord<f64>,
    inverse_length_squared: f64,
    edge_idx: u32,
}

#[derive(Debug, Clone, Copy)]
struct IndexedEdge {
    ends: [Coord<f64>; 2],
    segment_idx: u32,
    /// Ground metres from the segment's start to the edge's start, and per metre of the plane.
    start_m: f64,
    ground_per_plane: f64,
}

impl SnapIndex {
    /// An index over a network, without places.
    pub fn new(network: &Network) -> Self {
        let mut edges = Vec::new();
        let mut edge_starts = vec![0u32];
        for (segment_idx, segment) in network.segments.iter().enumerate() {
            let planar_m = |ends: &[Coord<f64>]| (ends[1].x - ends[0].x).hypot(ends[1].y - ends[0].y);
            let total_m: f64 = segment.planar.windows(2).map(planar_m).sum();
            let ground_per_plane = segment.length_m / total_m;
            let mut along_m = 0.0;
            for ends in segment.planar.windows(2) {
                edges.push(IndexedEdge {
                    ends: [ends[0], ends[1]],
                    segment_idx: segment_idx as u32,
                    start_m: along_m * ground_per_plane,
                    ground_per_plane,
                });
                along_m += planar_m(ends);
            }
            edge_starts.push(edges.len() as u32);
        }
        let ends: Vec<[Coord<f64>; 2]> = edges.iter().map(|edge| edge.ends).collect();
        let grid = EdgeGrid::new(&ends, CELL_M, 0.0);
        let packed = grid.entries().iter().map(|&edge| pack(edge, ends[edge as usize])).collect();
        let trail_of = network.segments.iter().map(|segment| segment.trail_idx as u32).collect();
        Self {
            plane: network.plane.clone(),
            target_segment_m: network.target_segment_m,
            grid,
            packed,
            edges,
            edge_starts,
            trail_of,
            places: PlaceIndex::default(),
            outside: HashMap::new(),
        }
    }

    /// The index with places; a place's number is its index here.
    pub fn with_places(self, places: &[PlaceGround]) -> Self {
        let places = PlaceIndex::new(&self.plane, places);
        let mut outside = HashMap::new();
        for segment in 0..self.n_segments() {
            let ends = self.ends_of(segment);
            let parts: Vec<Option<Vec<[Coord<f64>; 2]>>> =
                ends.iter().map(|ends| places.outside_visits(*ends)).collect();
            if parts.iter().any(Option::is_some) {
                let parts =
                    parts.into_iter().zip(ends).flat_map(|(parts, ends)| parts.unwrap_or_else(|| vec![ends]));
                outside.insert(segment, parts.collect());
            }
        }
        Self { places, outside, ..self }
    }

    /// The plane of planar coordinates: the network's.
    pub fn plane(&self) -> &LocalPlane {
        &self.plane
    }

    /// How many segments.
    pub fn n_segments(&self) -> usize {
        self.trail_of.len()
    }

    pub(super) fn target_segment_m(&self) -> f64 {
        self.target_segment_m
    }

    pub(super) fn trail_of(&self, segment_idx: usize) -> usize {
        self.trail_of[segment_idx] as usize
    }

    pub(super) fn place_holding(&self, point: Coord<f64>) -> Option<usize> {
        self.places.holding(point)
    }

    pub(super) fn place_with_visits_holding(&self, point: Coord<f64>) -> Option<usize> {
        self.places.holding_with_visits(point)
    }

    /// By segment, the share of its length that lies outside all places with visits, in [0, 1].
    ///
    /// What is met inside them is theirs, so that only walking outside may stand under what is met on the segment.
    pub fn outside_places(&self) -> Vec<f64> {
        let share = |segment: usize| {
            let Some(parts) = self.outside.get(&segment) else { return 1.0 };
            (planar_m(parts) / planar_m(&self.ends_of(segment))).clamp(0.0, 1.0)
        };
        (0..self.n_segments()).map(share).collect()
    }

    /// Whether a segment lies inside places with visits as a whole.
    pub(super) fn is_inside_places(&self, segment_idx: usize) -> bool {
        self.outside.get(&segment_idx).is_some_and(Vec::is_empty)
    }

    fn ends_of(&self, segment: usize) -> Vec<[Coord<f64>; 2]> {
        let edges = self.edge_starts[segment] as usize..self.edge_starts[segment + 1] as usize;
        self.edges[edges].iter().map(|edge| edge.ends).collect()
    }

    /// The segment nearest to a point of the plane; `None` when none is within `max_m`.
    ///
    /// Between equally near segments either may be named, the same one each time.
    pub fn nearest(&self, point: Coord<f64>, max_m: f64) -> Option<Nearest> {
        if !(point.x.is_finite() && point.y.is_finite() && max_m >= 0.0) {
            return None;
        }
        let mut best = Best { distance_squared: max_m * max_m, edge_idx: None, share: 0.0 };
        // Widening boxes: most points have an edge in their own cell or next to it.
        let mut reach_m = CELL_M.min(max_m) / 4.0;
        self.look_within(point, reach_m, &mut best);
        while best.edge_idx.is_none() && reach_m < max_m {
            reach_m = (reach_m * 4.0).min(max_m);
            self.look_within(point, reach_m, &mut best);
        }
        // What was found may lie in a corner of its box, and something nearer just outside.
        let found_m = best.distance_squared.sqrt();
        if best.edge_idx.is_some() && found_m > reach_m {
            self.look_within(point, found_m, &mut best);
        }
        best.edge_idx.map(|edge_idx| self.describe(point, edge_idx as usize, best.share))
    }

    /// The nearest segment of each of many points, as [`SnapIndex::nearest`], on all threads; in their order.
    pub fn nearest_within(&self, points: &[Coord<f64>], max_m: f64) -> Vec<Option<Nearest>> {
        let order = self.cell_order(points);
        let found: Vec<Option<Nearest>> = order
            .par_iter()
            .with_min_len(CHUNK)
            .map(|&point_idx| self.nearest(points[point_idx as usize], max_m))
            .collect();
        in_given_order(&order, found)
    }

    /// The indices of points, those of one cell together: neighbours read the same memory, which is most of the work.
    pub(super) fn cell_order(&self, points: &[Coord<f64>]) -> Vec<u32> {
        let (n_columns, _) = self.grid.shape();
        let cell = |point: &Coord<f64>| self.grid.row(point.y) * n_columns + self.grid.column(point.x);
        let mut keys: Vec<u64> = points
            .iter()
            .enumerate()
            .map(|(point_idx, point)| (cell(point) as u64) << 32 | point_idx as u64)
            .collect();
        keys.sort_unstable();
        keys.into_iter().map(|key| key as u32).collect()
    }

    fn look_within(&self, point: Coord<f64>, reach_m: f64, best: &mut Best) {
        let range = self.grid.range(
            Coord { x: point.x - reach_m, y: point.y - reach_m },
            Coord { x: point.x + reach_m, y: point.y + reach_m },
        );
        for row in range.min_y..=range.max_y {
            for edge in &self.packed[self.grid.slots(row, range.min_x, range.max_x)] {
                let (distance_squared, share) = edge.distance_squared(point);
                if distance_squared <= best.distance_squared {
                    let is_nearer = distance_squared < best.distance_squared;
                    if is_nearer || best.edge_idx.is_none_or(|known| edge.edge_idx < known) {
                        *best = Best { distance_squared, edge_idx: Some(edge.edge_idx), share };
                    }
                }
            }
        }
    }

    /// The segments within `reach_m` of a point, each with its nearest point, ascending by segment.
    pub fn segments_within(&self, point: Coord<f64>, reach_m: f64) -> Vec<Nearest> {
        let range = self.grid.range(
            Coord { x: point.x - reach_m, y: point.y - reach_m },
            Coord { x: point.x + reach_m, y: point.y + reach_m },
        );
        let mut found: Vec<(u32, f64, f64, u32)> = Vec::new();
        for row in range.min_y..=range.max_y {
            for edge in &self.packed[self.grid.slots(row, range.min_x, range.max_x)] {
                let (distance_squared, share) = edge.distance_squared(point);
                if distance_squared <= reach_m * reach_m {
                    let segment = self.edges[edge.edge_idx as usize].segment_idx;
                    found.push((segment, distance_squared, share, edge.edge_idx));
                }
            }
        }
        found.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(a.3.cmp(&b.3)));
        found.dedup_by_key(|edge| edge.0);
        found.iter().map(|&(_, _, share, edge_idx)| self.describe(point, edge_idx as usize, share)).collect()
    }

    /// Logarithm of the integral of the error density along a segment, outside places with visits: what was inside is theirs.
    pub(super) fn log_integral(
        &self,
        segment_idx: usize,
        point: Coord<f64>,
        sigma_m: f64,
        model: ErrorModel,
    ) -> f64 {
        match self.outside.get(&segment_idx) {
            Some(parts) => log_integral(parts.iter().copied(), point, sigma_m, model),
            None => {
                let edges =
                    self.edge_starts[segment_idx] as usize..self.edge_starts[segment_idx + 1] as usize;
                log_integral(self.edges[edges].iter().map(|edge| edge.ends), point, sigma_m, model)
            }
        }
    }

    fn describe(&self, point: Coord<f64>, edge_idx: usize, share: f64) -> Nearest {
        let edge = &self.edges[edge_idx];
        let [a, b] = edge.ends;
        let (dx, dy) = (b.x - a.x, b.y - a.y);
        let foot = Coord { x: a.x + share * dx, y: a.y + share * dy };
        Nearest {
            segment_idx: edge.segment_idx as usize,
            distance_m: (point.x - foot.x).hypot(point.y - foot.y),
            along_m: edge.start_m + share * dx.hypot(dy) * edge.ground_per_plane,
            foot,
        }
    }
}

fn log_integral(
    lines: impl Iterator<Item = [Coord<f64>; 2]>,
    point: Coord<f64>,
    sigma_m: f64,
    model: ErrorModel,
) -> f64 {
    match model {
        // The t density falls as a power, so its integrals can be added as they are.
        ErrorModel::StudentT4 => {
            lines.map(|ends| edge_integral(model, point, ends, sigma_m)).sum::<f64>().ln()
        }
        ErrorModel::Normal => log_of_sum(lines.map(|ends| log_edge_integral(model, point, ends, sigma_m))),
    }
}

/// Length of lines, metres.
fn planar_m(lines: &[[Coord<f64>; 2]]) -> f64 {
    lines.iter().map(|[a, b]| (b.x - a.x).hypot(b.y - a.y)).sum()
}

/// Results that were computed in another order, put back.
pub(super) fn in_given_order<T: Clone>(order: &[u32], results: Vec<Option<T>>) -> Vec<Option<T>> {
    let mut given = vec![None; results.len()];
    for (&idx, result) in order.iter().zip(results) {
        given[idx as usize] = result;
    }
    given
}

/// The logarithm of a sum, from the logarithms of its terms.
fn log_of_sum(logs: impl Iterator<Item = f64>) -> f64 {
    let (mut highest, mut sum) = (f64::NEG_INFINITY, 0.0);
    for log in logs {
        if log > highest {
            sum = sum * (highest - log).exp() + 1.0;
            highest = log;
        } else if log > f64::NEG_INFINITY {
            sum += (log - highest).exp();
        }
    }
    highest + sum.ln()
}

#[derive(Debug, Clone, Copy)]
struct Best {
    distance_squared: f64,
    edge_idx: Option<u32>,
    share: f64,
}

fn pack(edge_idx: u32, [from, to]: [Coord<f64>; 2]) -> PackedEdge {
    let along = Coord { x: to.x - from.x, y: to.y - from.y };
    let length_squared = along.x * along.x + along.y * along.y;
    PackedEdge { from, along, inverse_length_squared: 1.0 / length_squared.max(f64::MIN_POSITIVE), edge_idx }
}

impl PackedEdge {
    fn distance_squared(&self, point: Coord<f64>) -> (f64, f64) {
        let (px, py) = (point.x - self.from.x, point.y - self.from.y);
        let share = ((px * self.along.x + py * self.along.y) * self.inverse_length_squared).clamp(0.0, 1.0);
        let (x, y) = (px - share * self.along.x, py - share * self.along.y);
        (x * x + y * y, share)
    }
}
