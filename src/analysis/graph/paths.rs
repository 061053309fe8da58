//! Shortest paths from one vertex.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::analysis::graph::{EdgeIdx, Graph, Incidence, VertexIdx};

/// One edge walked from end to end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// The edge.
    pub edge: EdgeIdx,
    /// Whether it is walked from its `from` to its `to`.
    pub is_forward: bool,
}

/// The shortest paths from one vertex to all others.
#[derive(Debug, Clone, PartialEq)]
pub struct ShortestPaths {
    /// Distance of each vertex, metres; `None` where it cannot be reached.
    pub distance_m: Vec<Option<f64>>,
    /// The last edge of the path to each vertex, as seen from the vertex before.
    arrived_by: Vec<Option<(VertexIdx, Incidence)>>,
}

/// How far one gets along an edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// The edge with its direction away from the start.
    pub step: Step,
    /// The vertex at its near end.
    pub near: VertexIdx,
    /// Metres walked on the edge, more than zero and at most its length.
    pub on_edge_m: f64,
    /// Metres from the start to the turning point.
    pub distance_m: f64,
}

/// Shortest paths from a vertex over the edges that `is_allowed` lets through.
///
/// Among paths of equal length the one found over lower vertex numbers is kept, so that the answer does not depend on
/// anything but the graph. A start outside the graph reaches nothing.
///
/// # References
/// Dijkstra, E. W. (1959). A note on two problems in connexion with graphs. *Numerische Mathematik* 1, 269-271.
pub fn shortest_paths(
    graph: &Graph,
    start: VertexIdx,
    is_allowed: impl Fn(EdgeIdx) -> bool,
) -> ShortestPaths {
    let n = graph.n_vertices();
    let mut paths = ShortestPaths { distance_m: vec![None; n], arrived_by: vec![None; n] };
    if start >= n {
        return paths;
    }
    paths.distance_m[start] = Some(0.0);
    // Lengths are positive and finite, so their bits sort as they do.
    let mut queue = BinaryHeap::from([Reverse((0f64.to_bits(), start))]);
    let mut is_done = vec![false; n];
    while let Some(Reverse((bits, vertex))) = queue.pop() {
        if std::mem::replace(&mut is_done[vertex], true) {
            continue;
        }
        let at_m = f64::from_bits(bits);
        for incidence in graph.at(vertex).iter().filter(|incidence| is_allowed(incidence.edge)) {
            let distance_m = at_m + graph.edges()[incidence.edge].length_m;
            if paths.distance_m[incidence.other].is_none_or(|known_m| distance_m < known_m) {
                paths.distance_m[incidence.other] = Some(distance_m);
                paths.arrived_by[incidence.other] = Some((vertex, *incidence));
                queue.push(Reverse((distance_m.to_bits(), incidence.other)));
            }
        }
    }
    paths
}

impl ShortestPaths {
    /// The path to a vertex in walking order; empty for the start itself, `None` where it cannot be reached.
    pub fn path_to(&self, vertex: VertexIdx) -> Option<Vec<Step>> {
        self.distance_m.get(vertex).copied().flatten()?;
        let mut steps = Vec::new();
        let mut at = vertex;
        while let Some((before, incidence)) = self.arrived_by[at] {
            steps.push(Step { edge: incidence.edge, is_forward: incidence.at_start });
            at = before;
        }
        steps.reverse();
        Some(steps)
    }

    /// The turning point farthest from the start, at most `most_m` away, on the edges that `is_goal` names.
    ///
    /// `None` where no such edge is entered within the distance. An edge whose two ends are both nearer than a way along
    /// it (a loop) is entered from its nearer end. The lowest edge number wins a tie.
    pub fn farthest(&self, graph: &Graph, most_m: f64, is_goal: impl Fn(EdgeIdx) -> bool) -> Option<Reach> {
        let mut best: Option<Reach> = None;
        for (edge, ends) in graph.edges().iter().enumerate().filter(|(edge, _)| is_goal(*edge)) {
            let from_m = self.distance_m[ends.from];
            let to_m = self.distance_m[ends.to];
            let is_forward = match (from_m, to_m) {
                (Some(from_m), Some(to_m)) => from_m <= to_m,
                (Some(_), None) => true,
                (None, Some(_)) => false,
                (None, None) => continue,
            };
            let (near, near_m) = if is_forward { (ends.from, from_m) } else { (ends.to, to_m) };
            let Some(near_m) = near_m.filter(|near_m| *near_m < most_m) else { continue };
            let on_edge_m = ends.length_m.min(most_m - near_m);
            let distance_m = near_m + on_edge_m;
            if best.is_none_or(|best| distance_m > best.distance_m) {
                best = Some(Reach { step: Step { edge, is_forward }, near, on_edge_m, distance_m });
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;
    use proptest::prelude::*;

    fn graph(n: usize, edges: &[(usize, usize, f64)]) -> Graph {
        let edges =
            edges.iter().map(|(from, to, length_m)| Edge { from: *from, to: *to, length_m: *length_m });
        Graph::new(n, edges.collect()).unwrap()
    }

    #[test]
    fn the_short_way_round_is_taken() {
        // A square with a long side: 0-1-2 is 20 m, 0-3-2 is 35 m, and 4 is cut off.
        let graph = graph(5, &[(0, 1, 10.0), (2, 1, 10.0), (0, 3, 5.0), (3, 2, 30.0)]);
        let paths = shortest_paths(&graph, 0, |_| true);
        assert_eq!(paths.distance_m, [Some(0.0), Some(10.0), Some(20.0), Some(5.0), None]);
        let steps = [Step { edge: 0, is_forward: true }, Step { edge: 1, is_forward: false }];
        assert_eq!(paths.path_to(2).unwrap(), steps);
        assert_eq!(paths.path_to(0).unwrap(), []);
        assert_eq!(paths.path_to(4), None);
        let closed = shortest_paths(&graph, 0, |edge| edge != 0);
        assert_eq!(closed.distance_m[2], Some(35.0));
        assert!(shortest_paths(&graph, 9, |_| true).distance_m.iter().all(Option::is_none));
    }

    #[test]
    fn the_turning_point_lies_at_the_distance_or_the_end() {
        let graph = graph(4, &[(0, 1, 100.0), (1, 2, 100.0), (3, 1, 60.0)]);
        let paths = shortest_paths(&graph, 0, |_| true);
        let far = paths.farthest(&graph, 150.0, |_| true).unwrap();
        assert_eq!((far.step.edge, far.on_edge_m, far.distance_m), (1, 50.0, 150.0));
        let end = paths.farthest(&graph, 1000.0, |edge| edge == 2).unwrap();
        assert_eq!((end.step, end.near, end.distance_m), (Step { edge: 2, is_forward: false }, 1, 160.0));
        assert_eq!(paths.farthest(&graph, 90.0, |edge| edge == 2), None);
    }

    proptest! {
        #[test]
        fn no_edge_offers_a_shorter_way(
            edges in prop::collection::vec((0usize..9, 0usize..9, 1.0f64..50.0), 1..30),
        ) {
            let graph = graph(9, &edges);
            let paths = shortest_paths(&graph, 0, |_| true);
            for edge in graph.edges() {
                if let Some(from_m) = paths.distance_m[edge.from] {
                    let to_m = paths.distance_m[edge.to].unwrap();
                    prop_assert!(to_m <= from_m + edge.length_m + 1e-9);
                }
            }
            for vertex in 0..9 {
                let Some(steps) = paths.path_to(vertex) else { continue };
                let mut at = 0;
                let mut total_m = 0.0;
                for step in steps {
                    let edge = graph.edges()[step.edge];
                    let (from, to) = if step.is_forward { (edge.from, edge.to) } else { (edge.to, edge.from) };
                    prop_assert_eq!(from, at);
                    at = to;
                    total_m += edge.length_m;
                }
                prop_assert_eq!(at, vertex);
                prop_assert!((total_m - paths.distance_m[vertex].unwrap()).abs() < 1e-9);
            }
        }
    }
}
