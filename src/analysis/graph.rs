//! The network as a graph: vertices, and edges with lengths.
//!
//! In the segment graph every edge is one segment, numbered as in the network, and a vertex is a junction, an end, or a
//! cut between two segments. Parallel edges, self-loops and disconnected parts are legal.

mod paths;

pub use paths::{Reach, ShortestPaths, Step, shortest_paths};

/// A place where edges meet or end; an index into the graph's vertices.
pub type VertexIdx = usize;

/// An index into the graph's edges; in the segment graph, the segment's index.
pub type EdgeIdx = usize;

/// One edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// Vertex at the start of the edge's geometry.
    pub from: VertexIdx,
    /// Vertex at its end; equal to `from` in a self-loop.
    pub to: VertexIdx,
    /// Length, metres, more than zero.
    pub length_m: f64,
}

/// One end of an edge at a vertex.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Incidence {
    /// The edge.
    pub edge: EdgeIdx,
    /// The vertex at the edge's other end.
    pub other: VertexIdx,
    /// Whether this is the `from` end. A self-loop appears twice at its vertex, once with each value.
    pub at_start: bool,
}

/// A graph with its adjacency in compressed rows.
#[derive(Debug, Clone, PartialEq)]
pub struct Graph {
    edges: Vec<Edge>,
    row_starts: Vec<usize>,
    incidences: Vec<Incidence>,
}

/// Why edges do not make a graph.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidGraph {
    /// An edge names a vertex that does not exist.
    #[error("edge {edge} names vertex {vertex}, but there are {n_vertices}")]
    NoSuchVertex {
        /// The edge.
        edge: EdgeIdx,
        /// The vertex it names.
        vertex: VertexIdx,
        /// How many there are.
        n_vertices: usize,
    },
    /// A length is not positive and finite.
    #[error("edge {edge} has the length {length_m} m")]
    Length {
        /// The edge.
        edge: EdgeIdx,
        /// Its length.
        length_m: f64,
    },
}

impl Graph {
    /// A graph of `n_vertices` vertices and the edges in their order.
    ///
    /// # Errors
    /// [`InvalidGraph`] when an edge names a missing vertex or its length is not positive and finite.
    pub fn new(n_vertices: usize, edges: Vec<Edge>) -> Result<Self, InvalidGraph> {
        let mut degrees = vec![0usize; n_vertices];
        for (idx, edge) in edges.iter().enumerate() {
            if !(edge.length_m.is_finite() && edge.length_m > 0.0) {
                return Err(InvalidGraph::Length { edge: idx, length_m: edge.length_m });
            }
            for vertex in [edge.from, edge.to] {
                let degree = degrees.get_mut(vertex).ok_or(InvalidGraph::NoSuchVertex {
                    edge: idx,
                    vertex,
                    n_vertices,
                })?;
                *degree += 1;
            }
        }
        let mut row_starts = Vec::with_capacity(n_vertices + 1);
        let mut total = 0;
        row_starts.push(0);
        for degree in degrees {
            total += degree;
            row_starts.push(total);
        }
        let mut next = row_starts.clone();
        let mut incidences = vec![Incidence { edge: 0, other: 0, at_start: true }; total];
        for (idx, edge) in edges.iter().enumerate() {
            for (vertex, other, at_start) in [(edge.from, edge.to, true), (edge.to, edge.from, false)] {
                incidences[next[vertex]] = Incidence { edge: idx, other, at_start };
                next[vertex] += 1;
            }
        }
        Ok(Self { edges, row_starts, incidences })
    }

    /// How many vertices.
    pub fn n_vertices(&self) -> usize {
        self.row_starts.len() - 1
    }

    /// How many edges.
    pub fn n_edges(&self) -> usize {
        self.edges.len()
    }

    /// The edges in their order.
    pub fn edges(&self) -> &[Edge] {
        &self.edges
    }

    /// The edge ends at a vertex; a self-loop counts twice.
    pub fn at(&self, vertex: VertexIdx) -> &[Incidence] {
        &self.incidences[self.row_starts[vertex]..self.row_starts[vertex + 1]]
    }

    /// The number of edge ends at a vertex.
    pub fn degree(&self, vertex: VertexIdx) -> usize {
        self.at(vertex).len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loop_has_two_ends_at_its_vertex() {
        let edge = |from, to| Edge { from, to, length_m: 10.0 };
        let graph = Graph::new(2, vec![edge(0, 0), edge(0, 1), edge(0, 1)]).unwrap();
        assert_eq!(graph.degree(0), 4);
        assert_eq!(graph.degree(1), 2);
    }

    #[test]
    fn impossible_edges_are_refused() {
        let bad = Edge { from: 0, to: 3, length_m: 1.0 };
        assert!(matches!(Graph::new(2, vec![bad]), Err(InvalidGraph::NoSuchVertex { vertex: 3, .. })));
        let flat = Edge { from: 0, to: 1, length_m: 0.0 };
        assert!(matches!(Graph::new(2, vec![flat]), Err(InvalidGraph::Length { .. })));
    }
}
