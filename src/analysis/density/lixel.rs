//! Lixels: the short pieces of edges on which a network density is evaluated.

use crate::analysis::density::InvalidDensity;
use crate::analysis::graph::EdgeIdx;
use crate::analysis::graph::Graph;

/// The lixel length used unless another is asked for, metres.
pub const DEFAULT_LIXEL_M: f64 = 25.0;

/// Every edge cut into equal lixels, numbered edge by edge from the edge's start.
#[derive(Debug, Clone, PartialEq)]
pub struct Lixels {
    starts: Vec<usize>,
    lengths_m: Vec<f64>,
}

impl Lixels {
    /// Cuts each edge in max(1, round(length / `target_m`)) equal lixels.
    ///
    /// # Errors
    /// [`InvalidDensity::Resolution`] when `target_m` is not positive and finite.
    pub fn new(graph: &Graph, target_m: f64) -> Result<Self, InvalidDensity> {
        if !(target_m.is_finite() && target_m > 0.0) {
            return Err(InvalidDensity::Resolution { what: "lixel length in metres", size: target_m });
        }
        let mut starts = Vec::with_capacity(graph.n_edges() + 1);
        let mut lengths_m = Vec::with_capacity(graph.n_edges());
        starts.push(0);
        let mut total = 0;
        for edge in graph.edges() {
            let n_lixels = (edge.length_m / target_m).round().max(1.0);
            total += n_lixels as usize;
            starts.push(total);
            lengths_m.push(edge.length_m / n_lixels);
        }
        Ok(Self { starts, lengths_m })
    }

    /// How many lixels in all.
    pub fn len(&self) -> usize {
        self.starts.last().copied().unwrap_or(0)
    }

    /// Whether there are none, as on a graph without edges.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// How many edges the layout was made for.
    pub fn n_edges(&self) -> usize {
        self.lengths_m.len()
    }

    /// The lixels of an edge, in order from its start.
    pub fn of_edge(&self, edge: EdgeIdx) -> std::ops::Range<usize> {
        self.starts[edge]..self.starts[edge + 1]
    }

    /// The length of each lixel of an edge, metres.
    pub fn length_m(&self, edge: EdgeIdx) -> f64 {
        self.lengths_m[edge]
    }

    /// The edge that a lixel is part of.
    pub fn edge_of(&self, lixel: usize) -> EdgeIdx {
        self.starts.partition_point(|&start| start <= lixel) - 1
    }

    /// Where the centre of a lixel lies: its edge, and metres from the edge's start.
    pub fn centre(&self, lixel: usize) -> (EdgeIdx, f64) {
        let edge = self.edge_of(lixel);
        (edge, (lixel - self.starts[edge]) as f64 * self.lengths_m[edge] + 0.5 * self.lengths_m[edge])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;

    #[test]
    fn edges_are_cut_into_near_equal_lixels() {
        let edge = |length_m| Edge { from: 0, to: 1, length_m };
        let graph = Graph::new(2, vec![edge(100.0), edge(6.0), edge(60.0)]).unwrap();
        let lixels = Lixels::new(&graph, 25.0).unwrap();
        assert_eq!(lixels.len(), 4 + 1 + 2);
        assert_eq!(lixels.of_edge(2), 5..7);
        assert_eq!(lixels.centre(3), (0, 87.5));
        assert_eq!(lixels.centre(6), (2, 45.0));
        assert_eq!(lixels.edge_of(4), 1);
        assert!(Lixels::new(&graph, 0.0).is_err());
    }
}
