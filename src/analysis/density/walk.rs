//! Walks out of an edge end, as the equal-split rules send them.

use crate::analysis::graph::EdgeIdx;
use crate::analysis::graph::Graph;

/// Walks lighter than this are dropped: far below any tolerance that is asked of a density.
const NEGLIGIBLE_WEIGHT: f64 = 1e-13;

/// Walks followed one by one from an edge end; a tangle of short edges that needs more goes to the lattice.
const WALK_LIMIT: usize = 4096;

/// Steps of the lattice of distances within one reach.
const LATTICE_STEPS: usize = 8192;

/// How a walk that meets a junction goes on.
///
/// # References
/// Okabe, A., Satoh, T. & Sugihara, K. (2009). A kernel density estimation method for networks, its computational
/// method and a GIS-based tool. *International Journal of Geographical Information Science* 23, 7-32.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum SplitRule {
    /// At a vertex of degree d, 2/d goes into each other edge end and 2/d - 1 back: the density is continuous.
    #[default]
    Continuous,
    /// At a vertex of degree d, 1/(d - 1) goes into each other edge end and nothing back: the density jumps at
    /// junctions.
    Discontinuous,
}

/// What happens to a walk at a vertex of degree one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum DeadEnd {
    /// It turns back with its whole weight: mass is kept.
    #[default]
    Reflect,
    /// It stops: the mass beyond the end is lost.
    Absorb,
}

/// A walk entering an edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Arrival {
    /// The edge entered.
    pub(super) edge: EdgeIdx,
    /// Whether it is entered at its `from` end.
    pub(super) at_start: bool,
    /// Distance walked since the edge end that the walk set out from, metres.
    pub(super) distance_m: f64,
    /// The signed share of the kernel that it carries.
    pub(super) weight: f64,
}

/// Tells where walks lead.
pub(super) trait Walks {
    /// Every entry into an edge, nearer than `reach_m`, of what leaves `edge` through one of its ends with weight one; farther ones
    /// may come along.
    fn arrivals(&mut self, edge: EdgeIdx, leaves_at_start: bool, reach_m: f64) -> &[Arrival];
}

/// All walks of one reach out of some edges, kept for sources that change while the network does not.
#[derive(Debug)]
pub(super) struct KeptWalks {
    /// By edge end, the start of an edge before its end: where its arrivals begin.
    starts: Vec<usize>,
    arrivals: Vec<Arrival>,
}

impl KeptWalks {
    /// Follows the walks of the edges that are wanted; none where there are more than `at_most`.
    pub(super) fn of(
        mut walker: Walker<'_>,
        reach_m: f64,
        at_most: usize,
        is_wanted: impl Fn(EdgeIdx) -> bool,
    ) -> Option<Self> {
        let mut kept = Self { starts: vec![0], arrivals: Vec::new() };
        for edge in 0..walker.graph.n_edges() {
            for leaves_at_start in [true, false] {
                if is_wanted(edge) {
                    kept.arrivals.extend_from_slice(walker.arrivals(edge, leaves_at_start, reach_m));
                }
                kept.starts.push(kept.arrivals.len());
            }
            if kept.arrivals.len() > at_most {
                return None;
            }
        }
        Some(kept)
    }
}

impl Walks for &KeptWalks {
    fn arrivals(&mut self, edge: EdgeIdx, leaves_at_start: bool, _reach_m: f64) -> &[Arrival] {
        let end = 2 * edge + usize::from(!leaves_at_start);
        &self.arrivals[self.starts[end]..self.starts[end + 1]]
    }
}

/// The shares sent on by a vertex: into each other edge end, and back into the one it came from.
#[derive(Debug, Clone, Copy)]
struct Shares {
    onward: f64,
    back: f64,
}

/// Follows walks on one graph, reusing its buffers.
#[derive(Debug)]
pub(super) struct Walker<'g> {
    graph: &'g Graph,
    rule: SplitRule,
    dead_end: DeadEnd,
    stack: Vec<Arrival>,
    arrivals: Vec<Arrival>,
}

impl<'g> Walker<'g> {
    pub(super) fn new(graph: &'g Graph, rule: SplitRule, dead_end: DeadEnd) -> Self {
        Self { graph, rule, dead_end, stack: Vec::new(), arrivals: Vec::new() }
    }

    /// Follows each walk by itself. Returns whether the walks stayed within the limit.
    fn follow(&mut self, leaving: Arrival, reach_m: f64) -> bool {
        push_onward(self.graph, self.shares(leaving), leaving, 0.0, &mut self.stack);
        while let Some(walk) = self.stack.pop() {
            self.arrivals.push(walk);
            if self.arrivals.len() > WALK_LIMIT {
                return false;
            }
            let end_m = walk.distance_m + self.graph.edges()[walk.edge].length_m;
            if end_m < reach_m {
                push_onward(self.graph, self.shares(walk), walk, end_m, &mut self.stack);
            }
        }
        true
    }

    /// Follows walks whose distances are spread over a lattice, so that those that meet can be added up.
    ///
    /// In a tangle of short edges the number of walks grows without bound while their weights alternate. Each distance
    /// is divided between its two neighbours on a lattice of `reach_m / LATTICE_STEPS` so that weight and mean distance
    /// are kept; what this adds to the variance changes a density by some 1e-7 of its peak. Edges shorter than a step
    /// count as one step.
    fn follow_on_lattice(&mut self, leaving: Arrival, reach_m: f64) {
        self.stack.clear();
        self.arrivals.clear();
        let step_m = reach_m / LATTICE_STEPS as f64;
        let mut pending: Vec<Vec<Arrival>> = vec![Vec::new(); LATTICE_STEPS];
        push_onward(self.graph, self.shares(leaving), leaving, 0.0, &mut self.stack);
        pending[0].append(&mut self.stack);
        for step in 0..LATTICE_STEPS {
            let walks = merged(std::mem::take(&mut pending[step]));
            for walk in walks {
                self.arrivals.push(walk);
                let length_m = self.graph.edges()[walk.edge].length_m.max(step_m);
                push_onward(self.graph, self.shares(walk), walk, 0.0, &mut self.stack);
                let exact = step as f64 + length_m / step_m;
                let lower = exact.floor();
                for (at, share) in [(lower, 1.0 - (exact - lower)), (lower + 1.0, exact - lower)] {
                    if let Some(slot) = pending.get_mut(at as usize)
                        && share > 0.0
                    {
                        slot.extend(self.stack.iter().map(|next| Arrival {
                            distance_m: at * step_m,
                            weight: next.weight * share,
                            ..*next
                        }));
                    }
                }
                self.stack.clear();
            }
        }
    }

    /// What the vertex at the far end of the walk's edge does with it.
    fn shares(&self, walk: Arrival) -> Shares {
        let edge = self.graph.edges()[walk.edge];
        let degree = self.graph.degree(if walk.at_start { edge.to } else { edge.from });
        if degree == 1 {
            let back = if self.dead_end == DeadEnd::Reflect { 1.0 } else { 0.0 };
            return Shares { onward: 0.0, back };
        }
        let degree = degree as f64;
        match self.rule {
            SplitRule::Continuous => Shares { onward: 2.0 / degree, back: 2.0 / degree - 1.0 },
            SplitRule::Discontinuous => Shares { onward: 1.0 / (degree - 1.0), back: 0.0 },
        }
    }
}

impl Walks for Walker<'_> {
    /// Exact while at most a few thousand walks carry weight; beyond that distances are spread over a lattice, see
    /// [`Walker::follow_on_lattice`].
    fn arrivals(&mut self, edge: EdgeIdx, leaves_at_start: bool, reach_m: f64) -> &[Arrival] {
        self.stack.clear();
        self.arrivals.clear();
        let leaving = Arrival { edge, at_start: !leaves_at_start, distance_m: 0.0, weight: 1.0 };
        if reach_m > 0.0 && !self.follow(leaving, reach_m) {
            self.follow_on_lattice(leaving, reach_m);
        }
        &self.arrivals
    }
}

/// Pushes what goes on from the far end of the walk's edge, `distance_m` from where the walk set out.
fn push_onward(graph: &Graph, shares: Shares, walk: Arrival, distance_m: f64, stack: &mut Vec<Arrival>) {
    let edge = graph.edges()[walk.edge];
    let vertex = if walk.at_start { edge.to } else { edge.from };
    for end in graph.at(vertex) {
        // The walk came out of the end opposite to the one it went in by; a self-loop has both at this vertex.
        let is_back = end.edge == walk.edge && end.at_start != walk.at_start;
        let weight = walk.weight * if is_back { shares.back } else { shares.onward };
        if weight.abs() > NEGLIGIBLE_WEIGHT {
            stack.push(Arrival { edge: end.edge, at_start: end.at_start, distance_m, weight });
        }
    }
}

/// Adds up the walks that enter the same edge at the same end; all have the same distance.
fn merged(mut walks: Vec<Arrival>) -> Vec<Arrival> {
    walks.sort_unstable_by_key(|walk| (walk.edge, walk.at_start));
    walks.dedup_by(|next, kept| {
        let same = (next.edge, next.at_start) == (kept.edge, kept.at_start);
        if same {
            kept.weight += next.weight;
        }
        same
    });
    walks.retain(|walk| walk.weight.abs() > NEGLIGIBLE_WEIGHT);
    walks
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;

    fn graph(n_vertices: usize, edges: &[(usize, usize, f64)]) -> Graph {
        Graph::new(
            n_vertices,
            edges.iter().map(|&(from, to, length_m)| Edge { from, to, length_m }).collect(),
        )
        .unwrap()
    }

    #[test]
    fn a_walk_round_a_self_loop_comes_out_at_its_other_end() {
        let lollipop = graph(2, &[(0, 1, 10.0), (1, 1, 4.0)]);
        let mut walker = Walker::new(&lollipop, SplitRule::Discontinuous, DeadEnd::Absorb);
        let arrivals = walker.arrivals(0, false, 5.0).to_vec();
        // Half each way round, then half of each back into the stem and half round again.
        let first: Vec<_> = arrivals.iter().filter(|walk| walk.distance_m == 0.0).collect();
        assert_eq!(first.len(), 2);
        assert!(first.iter().all(|walk| walk.edge == 1 && walk.weight == 0.5));
        let back: f64 = arrivals.iter().filter(|walk| walk.edge == 0).map(|walk| walk.weight).sum();
        assert_eq!(back, 0.5);
    }

    #[test]
    fn the_lattice_agrees_with_single_walks() {
        let ladder =
            graph(4, &[(0, 1, 70.0), (1, 2, 23.0), (2, 3, 31.7), (3, 1, 44.1), (2, 2, 60.3), (0, 3, 55.0)]);
        let reach_m = 250.0;
        for rule in [SplitRule::Continuous, SplitRule::Discontinuous] {
            let mut walker = Walker::new(&ladder, rule, DeadEnd::Reflect);
            let smooth = |walks: &[Arrival], edge| -> f64 {
                walks
                    .iter()
                    .filter(|walk| walk.edge == edge)
                    .map(|walk| {
                        walk.weight * (1.0 - ((walk.distance_m + 10.0) / reach_m).powi(2)).max(0.0).powi(2)
                    })
                    .sum()
            };
            let exact = walker.arrivals(0, false, reach_m).to_vec();
            let leaving = Arrival { edge: 0, at_start: true, distance_m: 0.0, weight: 1.0 };
            walker.follow_on_lattice(leaving, reach_m);
            for edge in 0..6 {
                let (a, b) = (smooth(&exact, edge), smooth(&walker.arrivals, edge));
                assert!((a - b).abs() < 1e-6, "edge {edge}: {a} {b}");
            }
        }
    }

    #[test]
    fn a_tangle_of_short_edges_comes_to_an_end() {
        // Ten edges of two to five metres between four vertices: the walks within 250 m cannot be counted.
        let edges: Vec<_> = (0..10).map(|k| (k % 4, (k + 1 + k / 4) % 4, 2.0 + 0.31 * k as f64)).collect();
        let tangle = graph(4, &edges);
        let mut walker = Walker::new(&tangle, SplitRule::Continuous, DeadEnd::Reflect);
        let total: f64 = walker
            .arrivals(0, false, 250.0)
            .iter()
            .map(|walk| {
                let length_m = tangle.edges()[walk.edge].length_m;
                walk.weight * ((250.0 - walk.distance_m).min(length_m))
            })
            .sum();
        // A kernel that is flat up to the reach loses nothing at any vertex: 250 m of walk is 250 m of weight.
        assert!((total - 250.0).abs() < 0.1, "{total}");
    }
}
