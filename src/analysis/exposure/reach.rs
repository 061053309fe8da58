//! The network as seen from one trailhead: distances, and which way leads out.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::analysis::graph::{Graph, VertexIdx};

/// What an edge is to somebody at one of its ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Way {
    /// Leads farther out by its whole length.
    Out,
    /// Leads back towards the trailhead by its whole length.
    In,
    /// Closes a loop: beyond it the way home is as short on the other side.
    Across,
}

/// One end of an edge at a vertex.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spoke {
    /// Local edge.
    pub(crate) edge: usize,
    /// Local vertex at the other end.
    pub(crate) other: usize,
    /// The trail whose attractiveness counts.
    pub(crate) trail: usize,
    pub(crate) way: Way,
    /// Whether leaving by it walks the edge from its start to its end.
    pub(crate) forward: bool,
}

/// An edge within reach.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ReachEdge {
    /// Its index in the graph.
    pub(crate) segment: usize,
    /// D(far)^k − D(near)^k for an edge that leads out, m^k: minus the log share that goes on at its far end, times the
    /// scale^k. Unused in edges that close a loop.
    pub(crate) hardness: f64,
    /// The same up to the near end of the last segment, where several are joined in one edge; 0 for a lone segment.
    pub(crate) hardness_to_last: f64,
}

/// What lies within reach of one trailhead, vertices in order of distance.
#[derive(Debug, Clone)]
pub(crate) struct Reach {
    pub(crate) edges: Vec<ReachEdge>,
    pub(crate) spokes: Vec<Spoke>,
    pub(crate) starts: Vec<usize>,
    /// D^k of each local vertex, m^k: rising.
    pub(crate) depth: Vec<f64>,
    /// Local edge by segment; `usize::MAX` out of reach.
    pub(crate) local_edge: Vec<usize>,
}

/// How the reach of a trailhead is bounded and what a distance is worth.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ReachRule {
    pub(crate) reach_m: f64,
    pub(crate) distance_shape: f64,
}

/// Two ways of the same length to within this many metres are equally short.
const TIE_M: f64 = 1e-6;

impl Reach {
    /// The part of the graph within reach of `root`.
    pub(crate) fn of(graph: &Graph, trail_of: &[usize], root: VertexIdx, rule: &ReachRule) -> Self {
        let (order, distance_m) = nearest_first(graph, root, rule.reach_m);
        let mut local_vertex = vec![usize::MAX; graph.n_vertices()];
        for (local, vertex) in order.iter().enumerate() {
            local_vertex[*vertex] = local;
        }
        let mut reach = Self {
            edges: Vec::new(),
            spokes: Vec::new(),
            starts: vec![0],
            depth: order.iter().map(|vertex| distance_m[*vertex].powf(rule.distance_shape)).collect(),
            local_edge: vec![usize::MAX; graph.n_edges()],
        };
        for (here, vertex) in order.iter().enumerate() {
            for end in graph.at(*vertex) {
                let other = local_vertex[end.other];
                if other == usize::MAX {
                    continue;
                }
                let (near, far) = (here.min(other), here.max(other));
                let (near_m, far_m) = (distance_m[order[near]], distance_m[order[far]]);
                let leads_out = near < far && near_m + graph.edges()[end.edge].length_m <= far_m + TIE_M;
                let way = match (leads_out, here == near) {
                    (false, _) => Way::Across,
                    (true, true) => Way::Out,
                    (true, false) => Way::In,
                };
                if reach.local_edge[end.edge] == usize::MAX {
                    reach.local_edge[end.edge] = reach.edges.len();
                    let hardness = reach.depth[far] - reach.depth[near];
                    reach.edges.push(ReachEdge { segment: end.edge, hardness, hardness_to_last: 0.0 });
                }
                let edge = reach.local_edge[end.edge];
                let trail = trail_of[end.edge];
                reach.spokes.push(Spoke { edge, other, trail, way, forward: end.at_start });
            }
            reach.starts.push(reach.spokes.len());
        }
        reach
    }

    /// Number of vertices within reach; the trailhead is vertex 0.
    pub(crate) fn n_vertices(&self) -> usize {
        self.starts.len() - 1
    }

    /// The edge ends at a local vertex.
    pub(crate) fn at(&self, vertex: usize) -> &[Spoke] {
        &self.spokes[self.starts[vertex]..self.starts[vertex + 1]]
    }
}

#[derive(PartialEq)]
struct Metres(f64);

impl Eq for Metres {}

impl PartialOrd for Metres {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Metres {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.total_cmp(&other.0)
    }
}

/// Vertices within reach in order of distance, and the distance of every vertex (Dijkstra 1959).
fn nearest_first(graph: &Graph, root: VertexIdx, reach_m: f64) -> (Vec<VertexIdx>, Vec<f64>) {
    let mut distance_m = vec![f64::INFINITY; graph.n_vertices()];
    let mut done = vec![false; graph.n_vertices()];
    let mut order = Vec::new();
    let mut queue = BinaryHeap::from([(Reverse(Metres(0.0)), root)]);
    distance_m[root] = 0.0;
    while let Some((Reverse(Metres(here_m)), vertex)) = queue.pop() {
        if std::mem::replace(&mut done[vertex], true) {
            continue;
        }
        order.push(vertex);
        for end in graph.at(vertex) {
            let there_m = here_m + graph.edges()[end.edge].length_m;
            if there_m <= reach_m && there_m < distance_m[end.other] {
                distance_m[end.other] = there_m;
                queue.push((Reverse(Metres(there_m)), end.other));
            }
        }
    }
    (order, distance_m)
}
