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
    /// How often they are walked; at least one.
    pub n_passes: u32,
}

/// The visits of a list of steps over whole segments.
///
/// `unit_of` names the unit of each segment. A segment stepped over twice is one visit with two passes, whichever way it
/// was walked. In the order of the segments' numbers.
pub fn visits(graph: &Graph, steps: &[Step], unit_of: &[usize]) -> Vec<Visit> {
    let mut passes: BTreeMap<usize, u32> = BTreeMap::new();
    for step in steps {
        *passes.entry(step.edge).or_insert(0) += 1;
    }
    let visit = |(edge, n_passes): (usize, u32)| Visit {
        unit: unit_of[edge],
        km: graph.edges()[edge].length_m / 1000.0,
        n_passes,
    };
    passes.into_iter().map(visit).collect()
}

/// The steps out to a turning point, and the visits of the walk there and back.
///
/// The last step may be walked in part only. Empty where the turning point cannot be reached.
pub fn out_and_back(
    graph: &Graph,
    paths: &ShortestPaths,
    reach: &Reach,
    unit_of: &[usize],
) -> (Vec<Step>, Vec<Visit>) {
    let Some(mut steps) = paths.path_to(reach.near) else { return (Vec::new(), Vec::new()) };
    let mut walked: Vec<Visit> =
        visits(graph, &steps, unit_of).into_iter().map(|visit| Visit { n_passes: 2, ..visit }).collect();
    steps.push(reach.step);
    walked.push(Visit { unit: unit_of[reach.step.edge], km: reach.on_edge_m / 1000.0, n_passes: 2 });
    (steps, walked)
}

/// The visits of a list of steps walked there and back.
pub fn round_trip(graph: &Graph, steps: &[Step], unit_of: &[usize]) -> Vec<Visit> {
    let once = visits(graph, steps, unit_of).into_iter();
    once.map(|visit| Visit { n_passes: 2 * visit.n_passes, ..visit }).collect()
}
