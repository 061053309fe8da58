//! The reach of a trailhead with what lies between junctions joined.
//!
//! Between two junctions nobody has a choice: those on the way out thin out by the law of turning distance alone, and
//! those who come home after a loop, or do not come home this way, are the same all along. So the walker model is solved
//! on the junctions, and the passages of each segment follow from its distance. The result is that of the whole reach up
//! to rounding; on trails cut every 100 m it takes a tenth of the work.

use crate::analysis::exposure::reach::{Reach, ReachEdge, Spoke, Way};
use crate::analysis::exposure::walkers::{Flow, Habits};

/// The reach of a trailhead with segments joined into edges between junctions.
#[derive(Debug, Clone)]
pub(crate) struct Skeleton {
    /// The joined network: its edges are runs of segments, and `local_edge` is empty.
    pub(crate) reach: Reach,
    links: Vec<Link>,
    /// The links of edge `e` are `links[starts[e]..starts[e + 1]]`, nearest first.
    starts: Vec<usize>,
}

/// One segment of a joined edge.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Link {
    pub(crate) segment: usize,
    /// D^k at its near end less D^k at the near end of the edge, m^k.
    pub(crate) offset: f64,
}

/// A segment as part of a joined edge.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    edge: usize,
    offset: f64,
}

impl Skeleton {
    /// Joins the segments of a reach.
    pub(crate) fn of(reach: &Reach) -> Self {
        let is_passed = |vertex: usize| onward(reach, vertex).is_some();
        let kept: Vec<usize> = (0..reach.n_vertices()).filter(|vertex| !is_passed(*vertex)).collect();
        let mut joined = vec![usize::MAX; reach.n_vertices()];
        kept.iter().enumerate().for_each(|(idx, vertex)| joined[*vertex] = idx);
        let mut skeleton = Self { reach: empty(reach, &kept), links: Vec::new(), starts: vec![0] };
        let mut edge_of = vec![usize::MAX; reach.edges.len()];
        let mut ends = Vec::new();
        for vertex in &kept {
            for spoke in reach.at(*vertex).iter().filter(|spoke| spoke.way != Way::In) {
                if edge_of[spoke.edge] == usize::MAX {
                    let far = skeleton.join(reach, *vertex, spoke, &mut edge_of);
                    ends.push((joined[*vertex], joined[far]));
                }
            }
        }
        for vertex in &kept {
            for spoke in reach.at(*vertex) {
                let edge = edge_of[spoke.edge];
                let other = match spoke.way {
                    Way::Out => ends[edge].1,
                    Way::In => ends[edge].0,
                    Way::Across => joined[spoke.other],
                };
                skeleton.reach.spokes.push(Spoke { edge, other, ..*spoke });
            }
            skeleton.reach.starts.push(skeleton.reach.spokes.len());
        }
        skeleton
    }

    /// Adds the edge that leaves a vertex by a spoke; returns the vertex at its far end.
    fn join(&mut self, reach: &Reach, near: usize, first: &Spoke, edge_of: &mut [usize]) -> usize {
        let edge = self.reach.edges.len();
        let mut spoke = *first;
        let mut offset = 0.0;
        loop {
            edge_of[spoke.edge] = edge;
            self.links.push(Link { segment: reach.edges[spoke.edge].segment, offset });
            // An edge across is never joined with others: its ends have no single way out.
            let next = if spoke.way == Way::Out { onward(reach, spoke.other) } else { None };
            let Some(next) = next else { break };
            offset = reach.depth[spoke.other] - reach.depth[near];
            spoke = *next;
        }
        let hardness = if first.way == Way::Out { reach.depth[spoke.other] - reach.depth[near] } else { 0.0 };
        let segment = reach.edges[first.edge].segment;
        self.reach.edges.push(ReachEdge { segment, hardness, hardness_to_last: offset });
        self.starts.push(self.links.len());
        spoke.other
    }

    /// Where a segment lies; none out of reach. Slow: looks through all.
    pub(crate) fn place_of(&self, segment: usize) -> Option<Place> {
        let link = self.links.iter().position(|link| link.segment == segment)?;
        let edge = self.starts.partition_point(|start| *start <= link) - 1;
        Some(Place { edge, offset: self.links[link].offset })
    }

    /// The segments of a joined edge, nearest first.
    pub(crate) fn links(&self, edge: usize) -> &[Link] {
        &self.links[self.starts[edge]..self.starts[edge + 1]]
    }
}

impl Place {
    /// Expected passages of the segment in both directions for one walker.
    pub(crate) fn passages(&self, habits: &Habits, flow: &Flow) -> f64 {
        2.0 * flow.out[self.edge] * habits.going_on(self.offset) + flow.fixed(self.edge)
    }
}

/// The one way on from a vertex that nobody can leave but by going on or turning back.
fn onward(reach: &Reach, vertex: usize) -> Option<&Spoke> {
    match reach.at(vertex) {
        _ if vertex == 0 => None,
        [back, on] if back.way == Way::In && on.way == Way::Out => Some(on),
        [on, back] if back.way == Way::In && on.way == Way::Out => Some(on),
        _ => None,
    }
}

fn empty(reach: &Reach, kept: &[usize]) -> Reach {
    Reach {
        edges: Vec::new(),
        spokes: Vec::new(),
        starts: vec![0],
        depth: kept.iter().map(|vertex| reach.depth[*vertex]).collect(),
        local_edge: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::analysis::exposure::reach::ReachRule;
    use crate::analysis::exposure::walkers::{propagate, propagate_above};
    use crate::analysis::graph::{Edge, Graph};

    const SHAPE: f64 = 1.5;

    /// A connected network of long runs with loops, every run cut in several segments.
    fn park() -> impl Strategy<Value = Graph> {
        (2usize..8).prop_flat_map(|n| {
            let run = || (20.0..300.0f64, 1usize..6);
            let tree = (1..n).map(|v| (0..v, run()).prop_map(move |(u, r)| (u, v, r))).collect::<Vec<_>>();
            let extra = prop::collection::vec((0..n, 0..n, run()), 0..5);
            (tree, extra).prop_map(move |(tree, extra)| cut(n, &[tree, extra].concat()))
        })
    }

    fn cut(n: usize, runs: &[(usize, usize, (f64, usize))]) -> Graph {
        let mut n_vertices = n;
        let mut edges = Vec::new();
        for &(from, to, (length_m, n_parts)) in runs {
            let mut at = from;
            for part in 1..=n_parts {
                let next = if part == n_parts { to } else { n_vertices };
                n_vertices += usize::from(part < n_parts);
                edges.push(Edge { from: at, to: next, length_m });
                at = next;
            }
        }
        Graph::new(n_vertices, edges).unwrap()
    }

    fn reach(graph: &Graph, trail_of: &[usize]) -> Reach {
        Reach::of(graph, trail_of, 0, &ReachRule { reach_m: 1e6, distance_shape: SHAPE })
    }

    proptest! {
        #[test]
        fn joining_changes_no_passages(graph in park(), distance_m in 100.0..3000.0f64) {
            let trail_of: Vec<usize> = (0..graph.n_edges()).map(|edge| edge % 3).collect();
            let whole = reach(&graph, &trail_of);
            let habits = Habits::new(vec![1.0, 0.4, 2.5], distance_m, SHAPE, 0.5);
            let (mut flow, mut joined_flow) = (Flow::default(), Flow::default());
            propagate(&whole, &habits, &mut flow);
            let skeleton = Skeleton::of(&whole);
            propagate(&skeleton.reach, &habits, &mut joined_flow);
            for (local, edge) in whole.edges.iter().enumerate() {
                let got = skeleton.place_of(edge.segment).unwrap().passages(&habits, &joined_flow);
                prop_assert!((got - flow.passages(local)).abs() < 1e-10, "{} {}", got, flow.passages(local));
            }
        }

        #[test]
        fn stopping_where_few_come_loses_no_more_than_it_says(graph in park(), least in 1e-6..0.2f64) {
            let trail_of: Vec<usize> = (0..graph.n_edges()).map(|edge| edge % 3).collect();
            let whole = reach(&graph, &trail_of);
            let habits = Habits::new(vec![1.0, 0.4, 2.5], 300.0, SHAPE, 0.5);
            let (mut flow, mut stopped) = (Flow::default(), Flow::default());
            propagate(&whole, &habits, &mut flow);
            propagate_above(&whole, &habits, least, &mut stopped);
            // Those within one segment of the border still close loops across it.
            let longest_m = graph.edges().iter().map(|edge| edge.length_m).fold(0.0, f64::max);
            let border_m = depth_m(&habits, least);
            let share_m = (border_m - longest_m).max(0.0);
            let allowed = 2.0 * habits.going_on(share_m.powf(SHAPE)) + 1e-9;
            for edge in 0..whole.edges.len() {
                let lost = (flow.passages(edge) - stopped.passages(edge)).abs();
                prop_assert!(lost <= allowed, "{} of {}", lost, allowed);
            }
        }
    }

    /// The distance at which a share of walkers is left.
    fn depth_m(habits: &Habits, share: f64) -> f64 {
        let per_unit = -habits.going_on(1.0).ln();
        (-share.ln() / per_unit).powf(1.0 / SHAPE)
    }

    #[test]
    fn a_line_is_one_edge() {
        let graph = cut(2, &[(0, 1, (100.0, 5))]);
        let skeleton = Skeleton::of(&reach(&graph, &[0; 5]));
        assert_eq!((skeleton.reach.edges.len(), skeleton.reach.n_vertices()), (1, 2));
        let segments: Vec<usize> = skeleton.links(0).iter().map(|link| link.segment).collect();
        assert_eq!(segments, [0, 1, 2, 3, 4]);
        assert!(skeleton.place_of(7).is_none());
    }
}
