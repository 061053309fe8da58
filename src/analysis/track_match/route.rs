//! Shortest ways along the network within a bounded distance.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use crate::analysis::graph::Graph;
use crate::analysis::graph::VertexIdx;
use crate::analysis::track_match::path::Move;

/// A place on the network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    pub(super) edge: usize,
    /// Metres from the edge's start.
    pub(super) at_m: f64,
}

/// Searches from one place at a time, with memory that is kept from search to search.
pub(super) struct Router<'a> {
    graph: &'a Graph,
    reached: Vec<Reached>,
    search: u32,
    queue: BinaryHeap<Waiting>,
    from: Spot,
}

/// How a vertex was reached in the search of that number.
#[derive(Clone, Copy)]
struct Reached {
    search: u32,
    distance_m: f64,
    /// The edge come along and the vertex before; none at the ends of the first edge.
    by: Option<(usize, VertexIdx, End)>,
}

/// An end of an edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    From,
    To,
}

struct Waiting {
    distance_m: f64,
    vertex: VertexIdx,
}

impl PartialEq for Waiting {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Waiting {}

impl PartialOrd for Waiting {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Waiting {
    fn cmp(&self, other: &Self) -> Ordering {
        // The heap gives the greatest first; vertices break ties so that ways do not depend on chance.
        other.distance_m.total_cmp(&self.distance_m).then(other.vertex.cmp(&self.vertex))
    }
}

impl<'a> Router<'a> {
    pub(super) fn new(graph: &'a Graph) -> Self {
        let unreached = Reached { search: 0, distance_m: f64::INFINITY, by: None };
        Self {
            graph,
            reached: vec![unreached; graph.n_vertices()],
            search: 0,
            queue: BinaryHeap::new(),
            from: Spot { edge: 0, at_m: 0.0 },
        }
    }

    /// Finds all vertices within `bound_m` of a place.
    pub(super) fn search(&mut self, from: Spot, bound_m: f64) {
        if self.search == u32::MAX {
            self.reached.iter_mut().for_each(|reached| reached.search = 0);
            self.search = 0;
        }
        self.search += 1;
        self.from = from;
        self.queue.clear();
        let edge = self.graph.edges()[from.edge];
        self.reach(edge.from, from.at_m.max(0.0), bound_m, None);
        self.reach(edge.to, (edge.length_m - from.at_m).max(0.0), bound_m, None);
        let graph = self.graph;
        while let Some(Waiting { distance_m, vertex }) = self.queue.pop() {
            if distance_m > self.reached[vertex].distance_m {
                continue;
            }
            for end in graph.at(vertex) {
                let left_by = if end.at_start { End::From } else { End::To };
                let length_m = graph.edges()[end.edge].length_m;
                self.reach(end.other, distance_m + length_m, bound_m, Some((end.edge, vertex, left_by)));
            }
        }
    }

    fn reach(
        &mut self,
        vertex: VertexIdx,
        distance_m: f64,
        bound_m: f64,
        by: Option<(usize, VertexIdx, End)>,
    ) {
        let known = &mut self.reached[vertex];
        let is_better = known.search != self.search || distance_m < known.distance_m;
        if distance_m <= bound_m && is_better {
            *known = Reached { search: self.search, distance_m, by };
            self.queue.push(Waiting { distance_m, vertex });
        }
    }

    fn distance_m(&self, vertex: VertexIdx) -> f64 {
        let reached = &self.reached[vertex];
        if reached.search == self.search { reached.distance_m } else { f64::INFINITY }
    }

    /// Metres from the place searched from to another; infinite when no way was found.
    pub(super) fn to(&self, spot: Spot) -> f64 {
        self.best(spot).0
    }

    /// The length of the best way, and the end by which it comes onto the last edge; none when it stays on the edge.
    fn best(&self, spot: Spot) -> (f64, Option<End>) {
        let edge = self.graph.edges()[spot.edge];
        let by_from = self.distance_m(edge.from) + spot.at_m.max(0.0);
        let by_to = self.distance_m(edge.to) + (edge.length_m - spot.at_m).max(0.0);
        let around = if by_from <= by_to { (by_from, Some(End::From)) } else { (by_to, Some(End::To)) };
        let direct_m = (spot.at_m - self.from.at_m).abs();
        if spot.edge == self.from.edge && direct_m <= around.0 { (direct_m, None) } else { around }
    }

    /// The moves of the best way to a place, none when no way was found.
    pub(super) fn moves_to(&self, spot: Spot) -> Vec<Move> {
        let (length_m, onto) = self.best(spot);
        if !length_m.is_finite() {
            return Vec::new();
        }
        let Some(onto) = onto else {
            return vec![Move { edge: spot.edge, from_m: self.from.at_m, to_m: spot.at_m }];
        };
        let edges = self.graph.edges();
        let at_end = |edge: usize, end: End| if end == End::From { 0.0 } else { edges[edge].length_m };
        let mut moves = vec![Move { edge: spot.edge, from_m: at_end(spot.edge, onto), to_m: spot.at_m }];
        let last = edges[spot.edge];
        let mut vertex = if onto == End::From { last.from } else { last.to };
        while let Some((edge, before, left_by)) = self.reached[vertex].by {
            let far = if left_by == End::From { End::To } else { End::From };
            moves.push(Move { edge, from_m: at_end(edge, left_by), to_m: at_end(edge, far) });
            vertex = before;
        }
        let first = edges[self.from.edge];
        // In a loop of one edge both ends are one vertex: the nearer one was taken.
        let is_by_from = vertex == first.from
            && (first.to != first.from || self.from.at_m <= first.length_m - self.from.at_m);
        let end = if is_by_from { End::From } else { End::To };
        moves.push(Move { edge: self.from.edge, from_m: self.from.at_m, to_m: at_end(self.from.edge, end) });
        moves.reverse();
        moves
    }
}
