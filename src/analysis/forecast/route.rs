//! Routes as visits of units.

use std::collections::BTreeMap;

use crate::analysis::graph::{Graph, Reach, ShortestPaths, Step};

/// Kilometres walked on one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Visit {
    /// The unit (segment, stretch, trail).
    pub unit: usize,
    /// Kilometres of path, each counted once.
    pub km: f64,
    /// Of these, kilometres inside places with visits: what is met there is counted by the visits.
    pub inside_km: f64,
    /// How often they are walked; at least one.
    pub n_passes: u32,
}

impl Visit {
    /// Kilometres outside places with visits, each counted once.
    pub fn outside_km(&self) -> f64 {
        self.km - self.inside_km
    }
}

/// What visits are made on, a value each segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ground<'a> {
    /// Its unit.
    pub unit_of: &'a [usize],
    /// The share of its length outside places with visits, in [0, 1].
    pub outside: &'a [f64],
}

impl Ground<'_> {
    fn visit(&self, edge: usize, length_m: f64, n_passes: u32) -> Visit {
        let km = length_m / 1000.0;
        Visit { unit: self.unit_of[edge], km, inside_km: km * (1.0 - self.outside[edge]), n_passes }
    }
}

/// The visits of a list of steps over whole segments.
///
/// A segment stepped over twice is one visit with two passes, whichever way it
/// was walked. In the order of the segments' numbers.
pub fn visits(graph: &Graph, steps: &[Step], ground: &Ground<'_>) -> Vec<Visit> {
    let mut passes: BTreeMap<usize, u32> = BTreeMap::new();
    for step in steps {
        *passes.entry(step.edge).or_insert(0) += 1;
    }
    let visit = |(edge, n_passes): (usize, u32)| ground.visit(edge, graph.edges()[edge].length_m, n_passes);
    passes.into_iter().map(visit).collect()
}

/// The steps out to a turning point, and the visits of the walk there and back.
///
/// The last step may be walked in part only. Empty where the turning point cannot be reached.
pub fn out_and_back(
    graph: &Graph,
    paths: &ShortestPaths,
    reach: &Reach,
    ground: &Ground<'_>,
) -> (Vec<Step>, Vec<Visit>) {
    let Some(mut steps) = paths.path_to(reach.near) else { return (Vec::new(), Vec::new()) };
    let mut walked: Vec<Visit> =
        visits(graph, &steps, ground).into_iter().map(|visit| Visit { n_passes: 2, ..visit }).collect();
    steps.push(reach.step);
    walked.push(ground.visit(reach.step.edge, reach.on_edge_m, 2));
    (steps, walked)
}

/// The visits of a list of steps walked there and back.
pub fn round_trip(graph: &Graph, steps: &[Step], ground: &Ground<'_>) -> Vec<Visit> {
    let once = visits(graph, steps, ground).into_iter();
    once.map(|visit| Visit { n_passes: 2 * visit.n_passes, ..visit }).collect()
}
