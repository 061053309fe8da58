//! Pieces of the network between junctions and trailheads: on each, nobody has a choice but to turn back.

use crate::analysis::exposure::model::WalkNetwork;
use crate::analysis::exposure::readings::CounterSite;
use crate::analysis::graph::{EdgeIdx, VertexIdx};

/// The piece of every segment.
pub(crate) struct Pieces {
    /// For each segment, its piece; pieces are numbered in the order of their first segments.
    pub(crate) of: Vec<usize>,
    /// How many there are.
    pub(crate) n: usize,
    goes_through: Vec<bool>,
}

impl Pieces {
    /// The pieces of a network.
    pub(crate) fn new(network: &WalkNetwork<'_>) -> Self {
        let graph = network.graph;
        let mut goes_through: Vec<bool> =
            (0..graph.n_vertices()).map(|vertex: VertexIdx| graph.degree(vertex) == 2).collect();
        for head in network.trailheads {
            goes_through[head.vertex] = false;
        }
        let mut of: Vec<Option<usize>> = vec![None; graph.n_edges()];
        let mut n = 0;
        for first in 0..graph.n_edges() {
            if of[first].is_some() {
                continue;
            }
            let mut queue: Vec<EdgeIdx> = vec![first];
            while let Some(edge) = queue.pop() {
                if of[edge].replace(n).is_some() {
                    continue;
                }
                let ends = [graph.edges()[edge].from, graph.edges()[edge].to];
                for vertex in ends.into_iter().filter(|vertex| goes_through[*vertex]) {
                    let next = graph.at(vertex).iter().map(|end| end.edge);
                    queue.extend(next.filter(|next| of[*next].is_none()));
                }
            }
            n += 1;
        }
        Self { of: of.into_iter().flatten().collect(), n, goes_through }
    }

    /// The piece whose walkers a counter counts; none where several meet, which says how many pass but not which way they go.
    pub(crate) fn counted_by(&self, network: &WalkNetwork<'_>, site: CounterSite) -> Option<usize> {
        let segment = match site {
            CounterSite::Segment(segment) => segment,
            CounterSite::Vertex(vertex) if network.graph.degree(vertex) == 1 || self.goes_through[vertex] => {
                network.graph.at(vertex).first()?.edge
            }
            CounterSite::Vertex(_) | CounterSite::Place(_) => return None,
        };
        Some(self.of[segment])
    }
}
