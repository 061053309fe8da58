//! The walker model: from a trailhead out along the network, round a loop or back again.
//!
//! A walker at a vertex, having come by one edge, turns back there with a probability that grows with the distance, and
//! returns by the path they came. Who goes on takes any other edge, with a probability in proportion to the trail's
//! attractiveness. An edge that leads farther from the trailhead by its whole length continues the way out. Any other
//! edge leads round a loop: beyond it walkers go home, and at each vertex home the way back is one of the ways out, in
//! proportion to how many came out by it. So nobody walks in circles, every walker comes home, a vertex between two edges
//! changes nothing but where turning is possible, and the expected passages come from one pass out and one pass home.
//!
//! Turning distance is Weibull (shape 1: a constant hazard): S(d) = exp(−(d / scale)^shape), so that the mean would be
//! `mean_distance_m` on an endless trail; at the end of an edge from distance d to d' the share S(d') / S(d) goes on.

use rand::RngExt;
use statrs::function::gamma::gamma;

use crate::analysis::exposure::reach::{Reach, Spoke, Way};
use crate::analysis::random::Stream;

/// How walkers choose and how far they go: one state of the model's parameters.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Habits {
    /// Attractiveness by trail, more than zero.
    pub(crate) attractiveness: Vec<f64>,
    /// 1 / scale^shape, per m^shape.
    decay: f64,
    /// Attractiveness of ways that lead round and home, relative.
    loop_weight: f64,
}

impl Habits {
    /// Habits from a mean turning distance.
    pub(crate) fn new(attractiveness: Vec<f64>, mean_distance_m: f64, shape: f64, loop_weight: f64) -> Self {
        let scale_m = mean_distance_m / gamma(1.0 + 1.0 / shape);
        Self { attractiveness, decay: scale_m.powf(-shape), loop_weight }
    }

    /// Share of walkers who go on over a stretch of that hardness.
    pub(crate) fn going_on(&self, hardness: f64) -> f64 {
        (-self.decay * hardness).exp()
    }

    /// D^k beyond which less than a share of all walkers ever comes, m^k.
    fn depth_of_share(&self, share: f64) -> f64 {
        -share.ln() / self.decay
    }

    fn option(&self, spoke: &Spoke) -> f64 {
        let weight = self.attractiveness[spoke.trail];
        if spoke.way == Way::Out { weight } else { weight * self.loop_weight }
    }
}

/// Expected passages by local edge, for one walker who starts at the trailhead.
#[derive(Debug, Clone, Default)]
pub(crate) struct Flow {
    /// Passages from the edge's start to its end.
    pub(crate) forward: Vec<f64>,
    /// Passages from its end to its start.
    pub(crate) backward: Vec<f64>,
    /// Of these, passages on the way out, at the edge's near end.
    pub(crate) out: Vec<f64>,
    /// The same at the near end of the last segment joined in the edge.
    came: Vec<f64>,
    /// Walkers who go on at the far end, over the weight of what they choose from.
    per_weight: Vec<f64>,
    /// Share of those on the way out by the edge who come home another way.
    round: Vec<f64>,
    /// Walkers at a local vertex on their way home after closing a loop.
    home: Vec<f64>,
}

impl Flow {
    fn clear(&mut self, reach: &Reach) {
        let n_edges = reach.edges.len();
        for values in [
            &mut self.forward,
            &mut self.backward,
            &mut self.out,
            &mut self.came,
            &mut self.per_weight,
            &mut self.round,
        ] {
            values.clear();
            values.resize(n_edges, 0.0);
        }
        self.home.clear();
        self.home.resize(reach.n_vertices(), 0.0);
    }

    fn walk(&mut self, spoke: &Spoke, passages: f64) {
        let direction = if spoke.forward { &mut self.forward } else { &mut self.backward };
        direction[spoke.edge] += passages;
    }

    /// Passages in both directions by local edge, at its near end.
    pub(crate) fn passages(&self, edge: usize) -> f64 {
        self.forward[edge] + self.backward[edge]
    }

    /// What all segments joined in an edge have beyond twice those on the way out: more come home by it after a loop, or
    /// fewer because they come home another way.
    pub(crate) fn fixed(&self, edge: usize) -> f64 {
        self.passages(edge) - 2.0 * self.out[edge]
    }
}

/// Expected passages of every edge within reach for one walker; `flow` is overwritten.
pub(crate) fn propagate(reach: &Reach, habits: &Habits, flow: &mut Flow) {
    propagate_above(reach, habits, 0.0, flow);
}

/// The same, followed only as far as a share of at least `least` of all walkers comes.
///
/// Turning distance is the same whichever way walkers take, so a share below `least` ever gets farther: no edge, near or
/// far, has lost more than twice that share (out and home), but for the one edge across which a loop is closed beyond.
pub(crate) fn propagate_above(reach: &Reach, habits: &Habits, least: f64, flow: &mut Flow) {
    flow.clear(reach);
    let deepest = habits.depth_of_share(least);
    let n_reached = reach.depth.partition_point(|depth| *depth <= deepest);
    for vertex in 0..n_reached {
        send_out(reach, habits, vertex, flow);
    }
    for vertex in (1..n_reached).rev() {
        bring_home(reach, habits, vertex, flow);
    }
}

fn send_out(reach: &Reach, habits: &Habits, vertex: usize, flow: &mut Flow) {
    let spokes = reach.at(vertex);
    let total: f64 = spokes.iter().map(|spoke| habits.option(spoke)).sum();
    let mut pool = if vertex == 0 && total > 0.0 { 1.0 / total } else { 0.0 };
    for spoke in spokes.iter().filter(|spoke| spoke.way == Way::In) {
        let going_on = flow.out[spoke.edge] * habits.going_on(reach.edges[spoke.edge].hardness);
        let choices = total - habits.option(spoke);
        // At a dead end the edge they came by is the whole total, and everybody turns.
        let per_weight = if choices > 1e-12 * total { going_on / choices } else { 0.0 };
        flow.per_weight[spoke.edge] = per_weight;
        pool += per_weight;
    }
    for spoke in spokes {
        let own = if spoke.way == Way::In { flow.per_weight[spoke.edge] } else { 0.0 };
        let leaving = habits.option(spoke) * (pool - own).max(0.0);
        flow.walk(spoke, leaving);
        if spoke.way == Way::Out {
            let to_last = reach.edges[spoke.edge].hardness_to_last;
            flow.out[spoke.edge] = leaving;
            flow.came[spoke.edge] = if to_last > 0.0 { leaving * habits.going_on(to_last) } else { leaving };
        } else {
            flow.home[spoke.other] += leaving;
        }
    }
}

fn bring_home(reach: &Reach, habits: &Habits, vertex: usize, flow: &mut Flow) {
    let spokes = reach.at(vertex);
    let (mut closing, mut later, mut arrived) = (0.0, 0.0, 0.0);
    for spoke in spokes {
        match spoke.way {
            Way::Out => later += habits.option(spoke) * flow.round[spoke.edge],
            Way::Across => closing += habits.option(spoke),
            Way::In => {
                closing += habits.option(spoke);
                arrived += flow.came[spoke.edge];
            }
        }
    }
    for spoke in spokes.iter().filter(|spoke| spoke.way == Way::In) {
        let (out, came) = (flow.out[spoke.edge], flow.came[spoke.edge]);
        if came <= 0.0 {
            continue;
        }
        let round = flow.per_weight[spoke.edge] * (closing - habits.option(spoke) + later).max(0.0);
        flow.round[spoke.edge] = (round / out).min(1.0);
        let homeward = flow.home[vertex] * came / arrived;
        flow.walk(spoke, (out - round).max(0.0) + homeward);
        flow.home[spoke.other] += homeward;
    }
}

/// One way of walking: local edges with their direction, and how many of them lead out.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(crate) struct Path {
    /// Local edge, and whether it is walked from start to end.
    pub(crate) legs: Vec<(usize, bool)>,
    /// Number of legs before the walker turns towards home.
    pub(crate) n_out: usize,
}

/// One walker drawn from the model; `flow` must hold the result of [`propagate`] for the same habits.
///
/// Nobody goes anywhere from a trailhead without a way out: the path is then empty.
pub(crate) fn draw_path(reach: &Reach, habits: &Habits, flow: &Flow, rng: &mut Stream) -> Path {
    let mut path = Path::default();
    let (mut vertex, mut came_by) = (0, None);
    while let Some(spoke) = next_way(reach, habits, (vertex, came_by), rng) {
        path.legs.push((spoke.edge, spoke.forward));
        path.n_out = path.legs.len();
        if spoke.way != Way::Out {
            walk_home(reach, flow, spoke.other, &mut path, rng);
            return path;
        }
        vertex = spoke.other;
        came_by = Some(spoke.edge);
    }
    for leg in (0..path.n_out).rev() {
        let (edge, forward) = path.legs[leg];
        path.legs.push((edge, !forward));
    }
    path
}

/// Where a walker at a vertex goes next; `None` when they turn back.
fn next_way(
    reach: &Reach,
    habits: &Habits,
    (vertex, came_by): (usize, Option<usize>),
    rng: &mut Stream,
) -> Option<Spoke> {
    if let Some(edge) = came_by {
        let going_on = habits.going_on(reach.edges[edge].hardness);
        if rng.random::<f64>() >= going_on {
            return None;
        }
    }
    let choices = || reach.at(vertex).iter().filter(|spoke| Some(spoke.edge) != came_by);
    pick(choices(), |spoke| habits.option(spoke), rng)
}

fn walk_home(reach: &Reach, flow: &Flow, from: usize, path: &mut Path, rng: &mut Stream) {
    let mut vertex = from;
    while vertex != 0 {
        let ways_out = reach.at(vertex).iter().filter(|spoke| spoke.way == Way::In);
        let Some(spoke) = pick(ways_out, |spoke| flow.out[spoke.edge], rng) else { return };
        path.legs.push((spoke.edge, spoke.forward));
        vertex = spoke.other;
    }
}

/// One of the spokes with a probability in proportion to its weight; `None` without any.
fn pick<'s>(
    spokes: impl Iterator<Item = &'s Spoke> + Clone,
    weight: impl Fn(&Spoke) -> f64,
    rng: &mut Stream,
) -> Option<Spoke> {
    let total: f64 = spokes.clone().map(&weight).sum();
    let mut left = rng.random::<f64>() * total;
    let mut last = None;
    for spoke in spokes {
        left -= weight(spoke);
        last = Some(*spoke);
        if left < 0.0 {
            break;
        }
    }
    last
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::exposure::reach::ReachRule;
    use crate::analysis::graph::{Edge, Graph};
    use crate::analysis::random::stream;
    use proptest::prelude::*;

    fn graph(n_vertices: usize, edges: &[(usize, usize, f64)]) -> Graph {
        let edge = |&(from, to, length_m): &(usize, usize, f64)| Edge { from, to, length_m };
        Graph::new(n_vertices, edges.iter().map(edge).collect()).unwrap()
    }

    fn reach(graph: &Graph, trail_of: &[usize], shape: f64) -> Reach {
        Reach::of(graph, trail_of, 0, &ReachRule { reach_m: 1e6, distance_shape: shape })
    }

    /// Passages by segment: (from start to end, from end to start).
    fn passages(graph: &Graph, trail_of: &[usize], habits: &Habits, shape: f64) -> Vec<(f64, f64)> {
        let reach = reach(graph, trail_of, shape);
        let mut flow = Flow::default();
        propagate(&reach, habits, &mut flow);
        let mut by_segment = vec![(0.0, 0.0); graph.n_edges()];
        for (local, edge) in reach.edges.iter().enumerate() {
            by_segment[edge.segment] = (flow.forward[local], flow.backward[local]);
        }
        by_segment
    }

    fn close(got: (f64, f64), expected: (f64, f64)) {
        assert!(
            (got.0 - expected.0).abs() < 1e-12 && (got.1 - expected.1).abs() < 1e-12,
            "{got:?} {expected:?}"
        );
    }

    #[test]
    fn along_a_line_walkers_thin_out_and_all_come_back() {
        // Shape 1, mean 1 km: exp(-0.1) go on after 100 m and exp(-0.3) after 300 m; the last segment points home.
        let line = graph(4, &[(0, 1, 100.0), (1, 2, 200.0), (3, 2, 50.0)]);
        let got = passages(&line, &[0; 3], &Habits::new(vec![1.0], 1000.0, 1.0, 0.5), 1.0);
        close(got[0], (1.0, 1.0));
        close(got[1], ((-0.1f64).exp(), (-0.1f64).exp()));
        close(got[2], ((-0.3f64).exp(), (-0.3f64).exp()));
    }

    #[test]
    fn a_junction_splits_by_attractiveness() {
        let fork = graph(4, &[(0, 1, 100.0), (1, 2, 100.0), (1, 3, 100.0)]);
        let got = passages(&fork, &[0, 1, 2], &Habits::new(vec![9.0, 3.0, 1.0], 1000.0, 1.0, 0.5), 1.0);
        close(got[1], (0.75 * (-0.1f64).exp(), 0.75 * (-0.1f64).exp()));
        close(got[2], (0.25 * (-0.1f64).exp(), 0.25 * (-0.1f64).exp()));
    }

    #[test]
    fn a_loop_is_closed_by_those_who_pass_its_far_side() {
        // A stem of 100 m and a ring of three segments. Arms are 100 m, the far side (2, 3) joins their ends. Half take
        // each arm; exp(-0.2) of all do not turn at its end and go round.
        let ring = graph(4, &[(0, 1, 100.0), (1, 2, 100.0), (1, 3, 100.0), (2, 3, 100.0)]);
        let got = passages(&ring, &[0; 4], &Habits::new(vec![1.0], 1000.0, 1.0, 0.5), 1.0);
        let (arm, round) = (0.5 * (-0.1f64).exp(), 0.5 * (-0.2f64).exp());
        close(got[3], (round, round));
        // Down an arm come those who turned on it and those who went round by the other.
        close(got[1], (arm, arm));
        close(got[0], (1.0, 1.0));
    }

    #[test]
    fn a_loop_of_two_equal_arms_is_closed_too() {
        // Both arms reach vertex 2 after the same distance: no edge lies across, yet walkers go on by the other arm.
        let ring = graph(3, &[(0, 1, 100.0), (1, 2, 100.0), (1, 2, 100.0)]);
        let got = passages(&ring, &[0; 3], &Habits::new(vec![1.0], 1e15, 1.0, 0.5), 1.0);
        close(got[1], (0.5, 0.5));
        let lone_loop = graph(1, &[(0, 0, 100.0)]);
        close(passages(&lone_loop, &[0], &Habits::new(vec![1.0], 1e3, 1.0, 0.5), 1.0)[0], (0.5, 0.5));
    }

    #[test]
    fn nobody_walks_where_no_way_leads_and_nobody_leaves_a_lone_vertex() {
        let apart = graph(4, &[(0, 1, 100.0), (2, 3, 100.0)]);
        let habits = Habits::new(vec![1.0], 1000.0, 1.5, 0.5);
        close(passages(&apart, &[0; 2], &habits, 1.5)[1], (0.0, 0.0));
        let lone = graph(1, &[]);
        let reach = reach(&lone, &[], 1.5);
        let mut flow = Flow::default();
        propagate(&reach, &habits, &mut flow);
        assert_eq!(draw_path(&reach, &habits, &flow, &mut stream(1, 0)), Path::default());
    }

    /// Connected networks with loops, parallel edges, self-loops and equal distances.
    fn mesh() -> impl Strategy<Value = (usize, Vec<(usize, usize, f64)>)> {
        (2usize..14).prop_flat_map(|n| {
            let length = prop_oneof![Just(100.0), Just(50.0), 20.0..300.0f64];
            let tree =
                (1..n).map(|v| (0..v, length.clone()).prop_map(move |(u, l)| (u, v, l))).collect::<Vec<_>>();
            let extra = prop::collection::vec((0..n, 0..n, length), 0..8);
            (tree, extra).prop_map(move |(tree, extra)| (n, [tree, extra].concat()))
        })
    }

    fn trails(n_edges: usize) -> Vec<usize> {
        (0..n_edges).map(|edge| edge % 3).collect()
    }

    proptest! {
        #[test]
        fn whoever_comes_to_a_vertex_leaves_it((n, edges) in mesh(), shape in 0.7..2.5f64) {
            let graph = graph(n, &edges);
            let habits = Habits::new(vec![1.0, 0.4, 2.5], 400.0, shape, 0.5);
            let got = passages(&graph, &trails(edges.len()), &habits, shape);
            for vertex in 0..n {
                let (mut came, mut left) = (0.0, 0.0);
                for end in graph.at(vertex) {
                    let (forward, backward) = got[end.edge];
                    left += if end.at_start { forward } else { backward };
                    came += if end.at_start { backward } else { forward };
                }
                prop_assert!((came - left).abs() < 1e-9, "vertex {} came {} left {}", vertex, came, left);
                if vertex == 0 {
                    // Each walker starts once; passing the trailhead again on the way is no new start.
                    prop_assert!(left >= 1.0 - 1e-9);
                }
            }
        }

        #[test]
        fn on_the_way_out_a_vertex_loses_only_those_who_turn((n, edges) in mesh()) {
            let graph = graph(n, &edges);
            let reach = reach(&graph, &trails(edges.len()), 1.5);
            let habits = Habits::new(vec![1.0, 0.4, 2.5], 400.0, 1.5, 0.5);
            let mut flow = Flow::default();
            propagate(&reach, &habits, &mut flow);
            for vertex in 1..reach.n_vertices() {
                let spokes = reach.at(vertex);
                let mut gone_on = 0.0;
                for spoke in spokes.iter().filter(|spoke| spoke.way == Way::In && spokes.len() > 1) {
                    gone_on += flow.out[spoke.edge] * (-habits.decay * reach.edges[spoke.edge].hardness).exp();
                }
                let out: f64 =
                    spokes.iter().filter(|spoke| spoke.way == Way::Out).map(|spoke| flow.out[spoke.edge]).sum();
                // Those who go on and not out close a loop here.
                prop_assert!(out <= gone_on + 1e-9);
                if spokes.iter().filter(|spoke| spoke.way != Way::Out).count() == 1 && spokes.len() > 1 {
                    prop_assert!((out - gone_on).abs() < 1e-9);
                }
            }
        }

        #[test]
        fn numbering_changes_nothing((n, edges) in mesh()) {
            let habits = Habits::new(vec![1.0, 0.4, 2.5], 400.0, 1.5, 0.5);
            let trail_of = trails(edges.len());
            let got = passages(&graph(n, &edges), &trail_of, &habits, 1.5);
            // Vertices but the trailhead and edges in reverse order, every edge turned round.
            let vertex = |v: usize| if v == 0 { 0 } else { n - v };
            let turned: Vec<_> = edges.iter().rev().map(|&(u, v, l)| (vertex(v), vertex(u), l)).collect();
            let trail_of: Vec<usize> = trail_of.into_iter().rev().collect();
            let other = passages(&graph(n, &turned), &trail_of, &habits, 1.5);
            for (one, two) in got.iter().zip(other.iter().rev()) {
                prop_assert!((one.0 - two.1).abs() < 1e-9 && (one.1 - two.0).abs() < 1e-9);
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn drawn_walkers_agree_with_the_propagation((n, edges) in mesh(), seed in 0u64..1000) {
            let graph = graph(n, &edges);
            let reach = reach(&graph, &trails(edges.len()), 1.5);
            let habits = Habits::new(vec![1.0, 0.4, 2.5], 400.0, 1.5, 0.5);
            let mut flow = Flow::default();
            propagate(&reach, &habits, &mut flow);
            let n_walkers = 4000;
            let mut drawn = vec![(0.0, 0.0); reach.edges.len()];
            let mut rng = stream(seed, 0);
            for _ in 0..n_walkers {
                for (edge, forward) in draw_path(&reach, &habits, &flow, &mut rng).legs {
                    if forward { drawn[edge].0 += 1.0 } else { drawn[edge].1 += 1.0 }
                }
            }
            for (edge, (forward, backward)) in drawn.into_iter().enumerate() {
                for (got, expected) in [(forward, flow.forward[edge]), (backward, flow.backward[edge])] {
                    // A walker passes a way at most a few times, so five standard errors of a count with variance
                    // up to twice its mean, and a little for rare ways.
                    let got = got / f64::from(n_walkers);
                    let allowed = 5.0 * (2.0 * expected / f64::from(n_walkers)).sqrt() + 2e-3;
                    prop_assert!((got - expected).abs() < allowed, "edge {} {} {}", edge, got, expected);
                }
            }
        }
    }
}
