//! Spreads what lies on every edge over the places within one bandwidth.

use rayon::prelude::*;

use crate::analysis::density::source::EdgeSource;
use crate::analysis::density::walk::Arrival;
use crate::analysis::density::walk::Walks;
use crate::analysis::graph::EdgeIdx;
use crate::analysis::graph::Graph;

/// Edges that one task spreads, at least: each has its own sums at all places, which are added up at the end.
const EDGES_A_TASK: usize = 2048;
/// Tasks at most. How many there are does not depend on the threads, so that rounding does not either.
const MOST_TASKS: usize = 8;

/// Places to evaluate, grouped by edge and ascending within an edge.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Targets {
    pub(super) starts: Vec<usize>,
    pub(super) offsets_m: Vec<f64>,
}

impl Targets {
    pub(super) fn of_edge(&self, edge: EdgeIdx) -> std::ops::Range<usize> {
        self.starts[edge]..self.starts[edge + 1]
    }
}

/// The summed values of the source at the targets, in their order.
pub(super) fn spread<W: Walks, S: EdgeSource>(
    graph: &Graph,
    walks: impl Fn() -> W + Sync,
    targets: &Targets,
    bandwidth_m: f64,
    source: impl Fn() -> S + Sync,
) -> Vec<f64> {
    let n_edges = graph.n_edges();
    let a_task = EDGES_A_TASK.max(n_edges.div_ceil(MOST_TASKS));
    let of_task = |first: usize| {
        let edges = first..n_edges.min(first + a_task);
        spread_from(graph, edges, &mut walks(), targets, bandwidth_m, &mut source())
    };
    let firsts: Vec<usize> = (0..n_edges).step_by(a_task).collect();
    let parts: Vec<Vec<f64>> = firsts.into_par_iter().map(of_task).collect();
    let sum = |mut sums: Vec<f64>, part: Vec<f64>| {
        sums.iter_mut().zip(part).for_each(|(sum, value)| *sum += value);
        sums
    };
    parts.into_iter().reduce(sum).unwrap_or_else(|| vec![0.0; targets.offsets_m.len()])
}

/// What some edges alone bring.
fn spread_from<W: Walks, S: EdgeSource>(
    graph: &Graph,
    edges: std::ops::Range<EdgeIdx>,
    walks: &mut W,
    targets: &Targets,
    bandwidth_m: f64,
    source: &mut S,
) -> Vec<f64> {
    let mut values = vec![0.0; targets.offsets_m.len()];
    for (edge, ends) in edges.clone().zip(&graph.edges()[edges]) {
        if !source.load(edge, ends.length_m) {
            continue;
        }
        for target in targets.of_edge(edge) {
            values[target] += source.on_edge(targets.offsets_m[target]);
        }
        for at_start in [true, false] {
            let reach_m = bandwidth_m - source.gap_m(at_start);
            let arrivals = walks.arrivals(edge, at_start, reach_m).iter();
            for walk in arrivals.filter(|walk| walk.distance_m < reach_m) {
                let range = targets.of_edge(walk.edge);
                let walked = Walked { walk, length_m: graph.edges()[walk.edge].length_m, at_start, reach_m };
                walked.add(source, &targets.offsets_m[range.clone()], &mut values[range]);
            }
        }
    }
    values
}

/// A walk that enters an edge, and where it set out.
struct Walked<'w> {
    walk: &'w Arrival,
    length_m: f64,
    at_start: bool,
    reach_m: f64,
}

impl Walked<'_> {
    /// Adds what the walk brings to the targets of the edge it enters.
    fn add<S: EdgeSource>(&self, source: &S, offsets_m: &[f64], values: &mut [f64]) {
        // An integral along the edge grows with the walk, so against the edge's direction it counts down.
        let sign = if S::CUMULATIVE && !self.walk.at_start { -1.0 } else { 1.0 };
        let weight = sign * self.walk.weight;
        let distance_m = |offset_m: f64| {
            let along_m = if self.walk.at_start { offset_m } else { self.length_m - offset_m };
            self.walk.distance_m + along_m
        };
        let value = |offset_m| weight * source.past_end(self.at_start, distance_m(offset_m));
        let within = |offset_m| S::CUMULATIVE || distance_m(offset_m) < self.reach_m;
        let pairs = offsets_m.iter().zip(values);
        if self.walk.at_start {
            pairs
                .take_while(|(offset_m, _)| within(**offset_m))
                .for_each(|(offset_m, sum)| *sum += value(*offset_m));
        } else {
            pairs
                .rev()
                .take_while(|(offset_m, _)| within(**offset_m))
                .for_each(|(offset_m, sum)| *sum += value(*offset_m));
        }
    }
}
