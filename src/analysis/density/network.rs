//! Network kernel density at places, on lixels, and summed over edges.

use crate::analysis::density::DeadEnd;
use crate::analysis::density::InvalidDensity;
use crate::analysis::density::Lixels;
use crate::analysis::density::NetworkKernel;
use crate::analysis::density::SplitRule;
use crate::analysis::density::source::EdgeSource;
use crate::analysis::density::source::Grouped;
use crate::analysis::density::source::MOMENTS_LONGEST_EDGE;
use crate::analysis::density::source::PointSum;
use crate::analysis::density::source::QuarticMoments;
use crate::analysis::density::spread::Targets;
use crate::analysis::density::spread::spread;
use crate::analysis::density::walk::Walker;
use crate::analysis::graph::EdgeIdx;
use crate::analysis::graph::Graph;

/// A place on the network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// The edge it lies on.
    pub edge: EdgeIdx,
    /// Metres from the edge's start, in [0, length].
    pub offset_m: f64,
}

/// What is spread: an encounter, or the share of one that a place got.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// Where.
    pub position: Position,
    /// How much of an encounter, at least zero.
    pub weight: f64,
}

/// How a network density is computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NetworkParams {
    /// The kernel's shape.
    pub kernel: NetworkKernel,
    /// The distance along the network at which the kernel ends, metres.
    pub bandwidth_m: f64,
    /// How junctions are passed.
    pub rule: SplitRule,
    /// What a dead end does.
    pub dead_end: DeadEnd,
}

impl NetworkParams {
    /// The quartic kernel with continuous splits, reflecting at dead ends: the default, which keeps all mass.
    pub fn continuous(bandwidth_m: f64) -> Self {
        Self {
            kernel: NetworkKernel::Quartic,
            bandwidth_m,
            rule: SplitRule::Continuous,
            dead_end: DeadEnd::Reflect,
        }
    }

    /// The quartic kernel with discontinuous splits, absorbing at dead ends: what runs over an end is lost.
    pub fn discontinuous(bandwidth_m: f64) -> Self {
        Self { rule: SplitRule::Discontinuous, dead_end: DeadEnd::Absorb, ..Self::continuous(bandwidth_m) }
    }

    pub(super) fn check(&self) -> Result<(), InvalidDensity> {
        if self.bandwidth_m.is_finite() && self.bandwidth_m > 0.0 {
            Ok(())
        } else {
            Err(InvalidDensity::Bandwidth(self.bandwidth_m))
        }
    }
}

/// Density at given places, per metre, in the order of `at`.
///
/// At a vertex the value is the limit along the edge that the place names: under the discontinuous rule the edges that
/// meet there differ. An event at a vertex likewise belongs to the edge it names. No events give zeros.
///
/// # Errors
/// [`InvalidDensity`] for a bandwidth, position or weight that is not usable.
///
/// # References
/// Okabe, A. & Sugihara, K. (2012). *Spatial Analysis along Networks*. Wiley, chapter 9.
pub fn density_at(
    graph: &Graph,
    events: &[Event],
    at: &[Position],
    params: &NetworkParams,
) -> Result<Vec<f64>, InvalidDensity> {
    params.check()?;
    let grouped = group(graph, events)?;
    for (index, position) in at.iter().enumerate() {
        check_position(graph, index, position)?;
    }
    let mut order: Vec<usize> = (0..at.len()).collect();
    order.sort_by(|&a, &b| at[a].edge.cmp(&at[b].edge).then(at[a].offset_m.total_cmp(&at[b].offset_m)));
    let mut starts = vec![0; graph.n_edges() + 1];
    for position in at {
        starts[position.edge + 1] += 1;
    }
    accumulate(&mut starts);
    let targets = Targets { starts, offsets_m: order.iter().map(|&idx| at[idx].offset_m).collect() };
    let sorted = densities(graph, &grouped, &targets, params);
    let mut values = vec![0.0; at.len()];
    for (&idx, value) in order.iter().zip(sorted) {
        values[idx] = value;
    }
    Ok(values)
}

/// Density at the centre of every lixel, per metre; a thousand times that is encounters per kilometre of trail.
///
/// # Errors
/// [`InvalidDensity`] for a bandwidth, position or weight that is not usable, or lixels of another graph.
pub fn lixel_density(
    graph: &Graph,
    events: &[Event],
    lixels: &Lixels,
    params: &NetworkParams,
) -> Result<Vec<f64>, InvalidDensity> {
    params.check()?;
    check_lixels(graph, lixels)?;
    let grouped = group(graph, events)?;
    Ok(densities(graph, &grouped, &centres(lixels), params))
}

/// The integral of the density over every lixel: encounters expected there under the smoothed density.
///
/// With the continuous rule and reflecting dead ends they add up to the events' weights.
///
/// # Errors
/// As [`lixel_density`].
pub fn lixel_masses(
    graph: &Graph,
    events: &[Event],
    lixels: &Lixels,
    params: &NetworkParams,
) -> Result<Vec<f64>, InvalidDensity> {
    check_lixels(graph, lixels)?;
    let bounds = boundaries(graph, |edge| lixels.of_edge(edge).len());
    let integrals = integrals(graph, events, &bounds, params)?;
    let edges = 0..graph.n_edges();
    Ok(edges.flat_map(|edge| differences(&integrals[bounds.starts[edge]..bounds.starts[edge + 1]])).collect())
}

/// The integral of the density over every edge.
///
/// # Errors
/// As [`density_at`].
pub fn edge_masses(
    graph: &Graph,
    events: &[Event],
    params: &NetworkParams,
) -> Result<Vec<f64>, InvalidDensity> {
    let bounds = boundaries(graph, |_| 1);
    let integrals = integrals(graph, events, &bounds, params)?;
    Ok(integrals.chunks_exact(2).map(|ends| ends[1] - ends[0]).collect())
}

/// Densities at the targets: by sums of powers where the kernel and the edges allow it, else one by one.
pub(super) fn densities(
    graph: &Graph,
    grouped: &Grouped,
    targets: &Targets,
    params: &NetworkParams,
) -> Vec<f64> {
    let (kernel, bandwidth_m) = (params.kernel, params.bandwidth_m);
    if has_moments(graph, params) {
        spread_over(graph, targets, params, || QuarticMoments::new(bandwidth_m, grouped))
    } else {
        spread_over(graph, targets, params, || PointSum::<false>::new(kernel, bandwidth_m, grouped))
    }
}

/// Whether kernel and edges allow sums of powers.
pub(super) fn has_moments(graph: &Graph, params: &NetworkParams) -> bool {
    let longest_m = graph.edges().iter().map(|edge| edge.length_m).fold(0.0, f64::max);
    params.kernel == NetworkKernel::Quartic && longest_m <= MOMENTS_LONGEST_EDGE * params.bandwidth_m
}

/// Follows walks by the rules of `params`.
pub(super) fn walker<'g>(graph: &'g Graph, params: &NetworkParams) -> Walker<'g> {
    Walker::new(graph, params.rule, params.dead_end)
}

/// Spreads any source over the targets by the rules of `params`.
pub(super) fn spread_over<S: EdgeSource>(
    graph: &Graph,
    targets: &Targets,
    params: &NetworkParams,
    source: impl Fn() -> S + Sync,
) -> Vec<f64> {
    spread(graph, || walker(graph, params), targets, params.bandwidth_m, source)
}

fn integrals(
    graph: &Graph,
    events: &[Event],
    bounds: &Targets,
    params: &NetworkParams,
) -> Result<Vec<f64>, InvalidDensity> {
    params.check()?;
    let grouped = group(graph, events)?;
    let source = || PointSum::<true>::new(params.kernel, params.bandwidth_m, &grouped);
    Ok(spread_over(graph, bounds, params, source))
}

fn differences(integrals: &[f64]) -> impl Iterator<Item = f64> {
    integrals.windows(2).map(|ends| ends[1] - ends[0])
}

/// The ends of `n_pieces(edge)` equal pieces of every edge, one more than there are pieces.
fn boundaries(graph: &Graph, n_pieces: impl Fn(EdgeIdx) -> usize) -> Targets {
    let mut targets = Targets { starts: vec![0], offsets_m: Vec::new() };
    for (idx, edge) in graph.edges().iter().enumerate() {
        let n_pieces = n_pieces(idx);
        let bounds = (0..=n_pieces).map(|k| edge.length_m * k as f64 / n_pieces as f64);
        targets.offsets_m.extend(bounds);
        targets.starts.push(targets.offsets_m.len());
    }
    targets
}

/// The centres of lixels as targets, in lixel order.
pub(super) fn centres(lixels: &Lixels) -> Targets {
    centres_where(lixels, |_| true)
}

/// The same on some edges alone.
pub(super) fn centres_where(lixels: &Lixels, is_wanted: impl Fn(EdgeIdx) -> bool) -> Targets {
    let mut targets = Targets { starts: vec![0], offsets_m: Vec::with_capacity(lixels.len()) };
    for edge in 0..lixels.n_edges() {
        let length_m = lixels.length_m(edge);
        let n_lixels = if is_wanted(edge) { lixels.of_edge(edge).len() } else { 0 };
        targets.offsets_m.extend((0..n_lixels).map(|k| (k as f64 + 0.5) * length_m));
        targets.starts.push(targets.offsets_m.len());
    }
    targets
}

/// Sorts events into their edges, keeping their order within an edge.
pub(super) fn group(graph: &Graph, events: &[Event]) -> Result<Grouped, InvalidDensity> {
    let mut starts = vec![0; graph.n_edges() + 1];
    for (index, event) in events.iter().enumerate() {
        check_position(graph, index, &event.position)?;
        if !(event.weight.is_finite() && event.weight >= 0.0) {
            return Err(InvalidDensity::Weight { index, weight: event.weight });
        }
        starts[event.position.edge + 1] += 1;
    }
    accumulate(&mut starts);
    let mut next = starts.clone();
    let mut points = vec![(0.0, 0.0); events.len()];
    for event in events {
        let slot = &mut next[event.position.edge];
        points[*slot] = (event.position.offset_m, event.weight);
        *slot += 1;
    }
    Ok(Grouped { starts, points })
}

/// Turns counts, shifted by one, into the starts of rows.
pub(super) fn accumulate(counts: &mut [usize]) {
    let mut total = 0;
    for count in counts {
        total += *count;
        *count = total;
    }
}

fn check_position(graph: &Graph, index: usize, position: &Position) -> Result<(), InvalidDensity> {
    let Position { edge, offset_m } = *position;
    let Some(ends) = graph.edges().get(edge) else {
        return Err(InvalidDensity::NoSuchEdge { index, edge, n_edges: graph.n_edges() });
    };
    if (0.0..=ends.length_m).contains(&offset_m) {
        Ok(())
    } else {
        Err(InvalidDensity::Offset { index, offset_m, length_m: ends.length_m })
    }
}

pub(super) fn check_lixels(graph: &Graph, lixels: &Lixels) -> Result<(), InvalidDensity> {
    if lixels.n_edges() == graph.n_edges() {
        Ok(())
    } else {
        Err(InvalidDensity::Lengths {
            what: "edges in the lixels",
            got: lixels.n_edges(),
            expected: graph.n_edges(),
        })
    }
}

#[cfg(test)]
mod tests;
