//! Spatial weights: which segments are neighbours, and how much each counts.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::analysis::graph::EdgeIdx;
use crate::analysis::graph::Graph;
use crate::analysis::graph::VertexIdx;

/// A sparse matrix of weights, one row a site, without a diagonal unless it was asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Weights {
    starts: Vec<usize>,
    neighbours: Vec<usize>,
    values: Vec<f64>,
}

/// Why lists are not weights.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidWeights {
    /// A list names a site that does not exist.
    #[error("site {site} has the neighbour {neighbour}, but there are {n_sites} sites")]
    NoSuchSite {
        /// Whose list it is.
        site: usize,
        /// The neighbour named.
        neighbour: usize,
        /// How many sites there are.
        n_sites: usize,
    },
    /// A site is named twice in one list, or names itself.
    #[error("site {site} names {neighbour} twice or is its own neighbour")]
    Repeated {
        /// Whose list it is.
        site: usize,
        /// The neighbour named.
        neighbour: usize,
    },
    /// A weight that is negative or not finite.
    #[error("the weight of site {neighbour} for site {site} is {weight}")]
    Weight {
        /// Whose list it is.
        site: usize,
        /// The neighbour.
        neighbour: usize,
        /// The weight.
        weight: f64,
    },
    /// Values were given for another number of sites.
    #[error("{got} values for {expected} sites")]
    Lengths {
        /// How many values.
        got: usize,
        /// How many sites the weights have.
        expected: usize,
    },
}

impl Weights {
    /// Weights from one list of (neighbour, weight) a site; zero weights are left out.
    ///
    /// # Errors
    /// [`InvalidWeights`] when a neighbour does not exist, is repeated or is the site itself, or a weight is negative
    /// or not finite.
    pub fn from_lists(lists: &[Vec<(usize, f64)>]) -> Result<Self, InvalidWeights> {
        let mut weights = Self { starts: vec![0], neighbours: Vec::new(), values: Vec::new() };
        let mut last_seen_by = vec![usize::MAX; lists.len()];
        for (site, list) in lists.iter().enumerate() {
            for &(neighbour, weight) in list {
                let seen = last_seen_by.get_mut(neighbour).ok_or(InvalidWeights::NoSuchSite {
                    site,
                    neighbour,
                    n_sites: lists.len(),
                })?;
                if *seen == site || neighbour == site {
                    return Err(InvalidWeights::Repeated { site, neighbour });
                }
                *seen = site;
                if !(weight.is_finite() && weight >= 0.0) {
                    return Err(InvalidWeights::Weight { site, neighbour, weight });
                }
                if weight > 0.0 {
                    weights.neighbours.push(neighbour);
                    weights.values.push(weight);
                }
            }
            weights.starts.push(weights.neighbours.len());
        }
        Ok(weights)
    }

    /// Weights of one for every neighbour in the lists.
    ///
    /// # Errors
    /// As [`Weights::from_lists`].
    pub fn binary(lists: &[Vec<usize>]) -> Result<Self, InvalidWeights> {
        let with_ones: Vec<Vec<(usize, f64)>> =
            lists.iter().map(|list| list.iter().map(|&neighbour| (neighbour, 1.0)).collect()).collect();
        Self::from_lists(&with_ones)
    }

    /// Weights of one between segments that share a vertex.
    ///
    /// Parallel segments and loops count once; a segment is not its own neighbour.
    pub fn sharing_a_vertex(graph: &Graph) -> Self {
        Self::from_sorted_sets(graph.n_edges(), |segment| {
            let edge = graph.edges()[segment];
            [edge.from, edge.to].iter().flat_map(|&vertex| graph.at(vertex)).map(|end| end.edge).collect()
        })
    }

    /// Weights of one between segments whose midpoints are at most `band_m` metres apart along the network.
    pub fn within_network_distance(graph: &Graph, band_m: f64) -> Self {
        let mut search = MidpointSearch::new(graph);
        Self::from_sorted_sets(graph.n_edges(), |segment| search.within(segment, band_m))
    }

    fn from_sorted_sets(n_sites: usize, mut neighbours_of: impl FnMut(usize) -> Vec<usize>) -> Self {
        let mut weights = Self { starts: vec![0], neighbours: Vec::new(), values: Vec::new() };
        for site in 0..n_sites {
            let mut neighbours = neighbours_of(site);
            neighbours.sort_unstable();
            neighbours.dedup();
            weights.neighbours.extend(neighbours.into_iter().filter(|&neighbour| neighbour != site));
            weights.starts.push(weights.neighbours.len());
        }
        weights.values = vec![1.0; weights.neighbours.len()];
        weights
    }

    /// The same neighbours with each row divided by its sum; a row without neighbours stays empty.
    pub fn row_standardised(&self) -> Self {
        let mut standardised = self.clone();
        for site in 0..self.n_sites() {
            let total = self.row_sum(site);
            for value in &mut standardised.values[self.starts[site]..self.starts[site + 1]] {
                *value /= total;
            }
        }
        standardised
    }

    /// How many sites.
    pub fn n_sites(&self) -> usize {
        self.starts.len() - 1
    }

    /// How many neighbours a site has.
    pub fn n_neighbours(&self, site: usize) -> usize {
        self.starts[site + 1] - self.starts[site]
    }

    /// The neighbours of a site, without weights.
    pub fn neighbours(&self, site: usize) -> &[usize] {
        &self.neighbours[self.starts[site]..self.starts[site + 1]]
    }

    /// The neighbours of a site with their weights.
    pub fn row(&self, site: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let values = &self.values[self.starts[site]..self.starts[site + 1]];
        self.neighbours(site).iter().copied().zip(values.iter().copied())
    }

    /// The sum of a site's weights.
    pub fn row_sum(&self, site: usize) -> f64 {
        self.row(site).map(|(_, weight)| weight).sum()
    }

    /// The weighted sum of a site's neighbours' values.
    pub fn lag(&self, site: usize, values: &[f64]) -> f64 {
        self.row(site).map(|(neighbour, weight)| weight * values[neighbour]).sum()
    }

    /// Refuses a list of values of another length than the number of sites.
    ///
    /// # Errors
    /// [`InvalidWeights::Lengths`].
    pub fn check_length(&self, n_values: usize) -> Result<(), InvalidWeights> {
        if n_values == self.n_sites() {
            Ok(())
        } else {
            Err(InvalidWeights::Lengths { got: n_values, expected: self.n_sites() })
        }
    }
}

/// Shortest paths from the midpoint of a segment, with buffers that outlive one search.
struct MidpointSearch<'g> {
    graph: &'g Graph,
    distance_m: Vec<f64>,
    touched: Vec<VertexIdx>,
}

impl<'g> MidpointSearch<'g> {
    fn new(graph: &'g Graph) -> Self {
        Self { graph, distance_m: vec![f64::INFINITY; graph.n_vertices()], touched: Vec::new() }
    }

    /// Segments whose midpoints are at most `band_m` from that of `segment`, in any order, with repetitions.
    fn within(&mut self, segment: EdgeIdx, band_m: f64) -> Vec<EdgeIdx> {
        for vertex in self.touched.drain(..) {
            self.distance_m[vertex] = f64::INFINITY;
        }
        let edge = self.graph.edges()[segment];
        let mut queue = BinaryHeap::new();
        let mut found = Vec::new();
        self.reach(edge.from, 0.5 * edge.length_m, &mut queue);
        self.reach(edge.to, 0.5 * edge.length_m, &mut queue);
        while let Some(Reverse((Ordered(distance_m), vertex))) = queue.pop() {
            if distance_m > self.distance_m[vertex] || distance_m > band_m {
                continue;
            }
            for end in self.graph.at(vertex) {
                let length_m = self.graph.edges()[end.edge].length_m;
                if distance_m + 0.5 * length_m <= band_m {
                    found.push(end.edge);
                }
                self.reach(end.other, distance_m + length_m, &mut queue);
            }
        }
        found
    }

    fn reach(
        &mut self,
        vertex: VertexIdx,
        distance_m: f64,
        queue: &mut BinaryHeap<Reverse<(Ordered, VertexIdx)>>,
    ) {
        if distance_m < self.distance_m[vertex] {
            self.distance_m[vertex] = distance_m;
            self.touched.push(vertex);
            queue.push(Reverse((Ordered(distance_m), vertex)));
        }
    }
}

/// A distance in the queue's order.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Ordered(f64);

impl Eq for Ordered {}

impl PartialOrd for Ordered {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Ordered {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.total_cmp(&other.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;

    /// A line of three segments with a parallel second one in the middle, and a loop at its end.
    fn trails() -> Graph {
        let edge = |from, to, length_m| Edge { from, to, length_m };
        let edges =
            vec![edge(0, 1, 100.0), edge(1, 2, 80.0), edge(2, 3, 100.0), edge(1, 2, 120.0), edge(3, 3, 60.0)];
        Graph::new(4, edges).unwrap()
    }

    #[test]
    fn segments_at_one_vertex_are_neighbours() {
        let weights = Weights::sharing_a_vertex(&trails());
        assert_eq!(weights.neighbours(0), [1, 3]);
        assert_eq!(weights.neighbours(1), [0, 2, 3]);
        assert_eq!(weights.neighbours(4), [2]);
        assert_eq!(weights.row_standardised().lag(1, &[3.0, 0.0, 6.0, 0.0, 0.0]), 3.0);
    }

    #[test]
    fn a_band_follows_the_shorter_way() {
        // From the middle of segment 0: 50 + 40 to 1, 50 + 60 to 3, 50 + 80 + 50 to 2.
        let weights = Weights::within_network_distance(&trails(), 110.0);
        assert_eq!(weights.neighbours(0), [1, 3]);
        assert_eq!(Weights::within_network_distance(&trails(), 109.0).neighbours(0), [1]);
        assert_eq!(Weights::within_network_distance(&trails(), 180.0).neighbours(0), [1, 2, 3]);
        assert_eq!(Weights::within_network_distance(&trails(), 1e9).n_neighbours(4), 4);
    }

    #[test]
    fn impossible_lists_are_refused() {
        assert!(matches!(Weights::binary(&[vec![1]]), Err(InvalidWeights::NoSuchSite { neighbour: 1, .. })));
        assert!(matches!(Weights::binary(&[vec![0]]), Err(InvalidWeights::Repeated { .. })));
        assert!(matches!(Weights::binary(&[vec![1, 1], vec![]]), Err(InvalidWeights::Repeated { .. })));
        let heavy = Weights::from_lists(&[vec![(1, f64::NAN)], vec![]]);
        assert!(matches!(heavy, Err(InvalidWeights::Weight { .. })));
    }
}
