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
    /// Of these, passages on the way out.
    out: Vec<f64>,
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
        for values in
            [&mut self.forward, &mut self.backward, &mut self.out, &mut self.per_weight, &mut self.round]
        {
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

    /// Passages in both directions by local edge.
    pub(crate) fn passages(&self, edge: usize) -> f64 {
        self.forward[edge] + self.backward[edge]
    }
}

/// Expected passages of every edge within reach for one walker; `flow` is overwritten.
pub(crate) fn propagate(reach: &Reach, habits: &Habits, flow: &mut Flow) {
    flow.clear(reach);
    for vertex in 0..reach.n_vertices() {
        send_out(reach, habits, vertex, flow);
    }
    for vertex in (1..reach.n_vertices()).rev() {
        bring_home(reach, habits, vertex, flow);
    }
}

fn send_out(reach: &Reach, habits: &Habits, vertex: usize, flow: &mut Flow) {
    let spokes = reach.at(vertex);
    let total: f64 = spokes.iter().map(|spoke| habits.option(spoke)).sum();
    let mut pool = if vertex == 0 && total > 0.0 { 1.0 / total } else { 0.0 };
    for spoke in spokes.iter().filter(|spoke| spoke.way == Way::In) {
        let going_on = flow.out[spoke.edge] * (-habits.decay * reach.edges[spoke.edge].hardness).exp();
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
            flow.out[spoke.edge] = leaving;
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
                arrived += flow.out[spoke.edge];
            }
        }
    }
    for spoke in spokes.iter().filter(|spoke| spoke.way == Way::In) {
        let out = flow.out[spoke.edge];
        if out <= 0.0 {
            continue;
        }
        let round = flow.per_weight[spoke.edge] * (closing - habits.option(spoke) + later).max(0.0);
        flow.round[spoke.edge] = (round / out).min(1.0);
        let homeward = flow.home[vertex] * out / arrived;
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
        let going_on = (-habits.decay * reach.edges[edge].hardness).exp();
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
