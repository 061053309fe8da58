//! Windows of the scan: around every segment, grown by distance along the network.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use crate::analysis::graph::Graph;

/// Distances closer than this are equal: their segments enter a window together, in whatever order they are numbered.
const SAME_M: f64 = 1e-6;
/// All windows together hold at most about so many entries, four bytes each.
const MOST_ENTRIES: usize = 50_000_000;
/// No window is cut below this many segments.
const FEWEST: usize = 500;
/// Marks the last entry of a group of equal distance: there a window ends.
const END: u32 = 1 << 31;

/// All windows as flat lists: one list of segments a centre, nearest first; every prefix that ends a group of equally
/// distant segments is a window.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Windows {
    starts: Vec<usize>,
    entries: Vec<u32>,
}

impl Windows {
    /// Grows windows around every segment with a share of the exposure, up to `largest_share` of all exposure.
    ///
    /// `shares` has the share of each segment, zero for those that are not looked at: they are walked through, but belong
    /// to no window. The distance is that between midpoints along the network, passing every trail there is. A network so
    /// large that its windows would hold over 50 million entries has them cut at 500 segments or more.
    pub fn grow(graph: &Graph, shares: &[f64], largest_share: f64) -> Self {
        let centres: Vec<usize> = (0..graph.n_edges()).filter(|centre| shares[*centre] > 0.0).collect();
        let most = (MOST_ENTRIES / centres.len().max(1)).max(FEWEST);
        let lists: Vec<Vec<u32>> = centres
            .par_iter()
            .map_init(
                || Search::new(graph),
                |search, centre| search.grow(*centre, shares, (largest_share, most)),
            )
            .collect();
        let mut windows =
            Self { starts: vec![0], entries: Vec::with_capacity(lists.iter().map(Vec::len).sum()) };
        for list in lists {
            windows.entries.extend(list);
            windows.starts.push(windows.entries.len());
        }
        windows
    }

    /// How many centres.
    pub fn n_centres(&self) -> usize {
        self.starts.len() - 1
    }

    /// How many windows.
    pub fn n_windows(&self) -> usize {
        self.entries.iter().filter(|entry| **entry & END != 0).count()
    }

    /// The segments around a centre, nearest first, each with whether a window ends there.
    pub(super) fn around(&self, centre: usize) -> impl Iterator<Item = (usize, bool)> + '_ {
        let entries = &self.entries[self.starts[centre]..self.starts[centre + 1]];
        entries.iter().map(|entry| ((entry & !END) as usize, entry & END != 0))
    }
}

/// What the search comes to next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Next {
    Vertex(u32),
    Midpoint(u32),
}

/// Shortest paths from a midpoint, with buffers that outlive one search.
struct Search<'g> {
    graph: &'g Graph,
    vertex_m: Vec<f64>,
    is_in: Vec<bool>,
    touched: Vec<u32>,
    queue: BinaryHeap<Reverse<(Ordered, Next)>>,
}

impl<'g> Search<'g> {
    fn new(graph: &'g Graph) -> Self {
        Self {
            graph,
            vertex_m: vec![f64::INFINITY; graph.n_vertices()],
            is_in: vec![false; graph.n_edges()],
            touched: Vec::new(),
            queue: BinaryHeap::new(),
        }
    }

    /// The entries around a centre.
    fn grow(&mut self, centre: usize, shares: &[f64], (largest_share, most): (f64, usize)) -> Vec<u32> {
        let edge = self.graph.edges()[centre];
        let half_m = 0.5 * edge.length_m;
        self.queue.push(Reverse((Ordered(0.0), Next::Midpoint(centre as u32))));
        self.reach(edge.from, half_m);
        self.reach(edge.to, half_m);
        let mut found = Found { entries: Vec::new(), n_whole: 0, share: 0.0, group_m: 0.0 };
        let mut passed = Vec::new();
        while let Some(Reverse((Ordered(distance_m), next))) = self.queue.pop() {
            match next {
                Next::Midpoint(segment) => {
                    if std::mem::replace(&mut self.is_in[segment as usize], true) {
                        continue;
                    }
                    passed.push(segment);
                    let share = shares[segment as usize];
                    if share > 0.0 {
                        found.add(segment, distance_m, share);
                        if found.share > largest_share || found.entries.len() > most {
                            break;
                        }
                    }
                }
                Next::Vertex(vertex) if distance_m <= self.vertex_m[vertex as usize] => {
                    self.go_on(vertex as usize, distance_m);
                }
                Next::Vertex(_) => {}
            }
        }
        let is_complete =
            self.queue.is_empty() && found.share <= largest_share && found.entries.len() <= most;
        self.queue.clear();
        passed.into_iter().for_each(|segment| self.is_in[segment as usize] = false);
        for vertex in self.touched.drain(..) {
            self.vertex_m[vertex as usize] = f64::INFINITY;
        }
        found.finish(is_complete)
    }

    fn go_on(&mut self, vertex: usize, distance_m: f64) {
        let graph = self.graph;
        for end in graph.at(vertex) {
            let length_m = graph.edges()[end.edge].length_m;
            if !self.is_in[end.edge] {
                let at = Ordered(distance_m + 0.5 * length_m);
                self.queue.push(Reverse((at, Next::Midpoint(end.edge as u32))));
            }
            self.reach(end.other, distance_m + length_m);
        }
    }

    fn reach(&mut self, vertex: usize, distance_m: f64) {
        if distance_m < self.vertex_m[vertex] {
            if self.vertex_m[vertex].is_infinite() {
                self.touched.push(vertex as u32);
            }
            self.vertex_m[vertex] = distance_m;
            self.queue.push(Reverse((Ordered(distance_m), Next::Vertex(vertex as u32))));
        }
    }
}

/// The entries so far; those from `n_whole` on belong to a group that may still grow.
struct Found {
    entries: Vec<u32>,
    n_whole: usize,
    share: f64,
    group_m: f64,
}

impl Found {
    fn add(&mut self, segment: u32, distance_m: f64, share: f64) {
        if distance_m > self.group_m + SAME_M {
            self.end_group();
            self.group_m = distance_m;
        }
        self.entries.push(segment);
        self.share += share;
    }

    fn end_group(&mut self) {
        if self.entries.len() > self.n_whole {
            let last = self.entries.len() - 1;
            // Within a group the order is that of the numbers, so that sums are the same on every run.
            self.entries[self.n_whole..].sort_unstable();
            self.entries[last] |= END;
            self.n_whole = self.entries.len();
        }
    }

    /// A group that broke the limit is left out whole.
    fn finish(mut self, is_complete: bool) -> Vec<u32> {
        if is_complete {
            self.end_group();
        }
        self.entries.truncate(self.n_whole);
        self.entries
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

    /// Windows around a centre as sorted lists of segments.
    fn windows(grown: &Windows, centre: usize) -> Vec<Vec<usize>> {
        let (mut so_far, mut found) = (Vec::new(), Vec::new());
        for (segment, ends) in grown.around(centre) {
            so_far.push(segment);
            if ends {
                let mut window = so_far.clone();
                window.sort_unstable();
                found.push(window);
            }
        }
        found
    }

    #[test]
    fn windows_grow_by_distance_and_ties_enter_together() {
        let edge = |from, to| Edge { from, to, length_m: 100.0 };
        let graph = Graph::new(6, vec![edge(0, 1), edge(1, 2), edge(2, 3), edge(3, 4), edge(2, 5)]).unwrap();
        let grown = Windows::grow(&graph, &[0.2; 5], 1.0);
        assert_eq!(windows(&grown, 0), [vec![0], vec![0, 1], vec![0, 1, 2, 4], vec![0, 1, 2, 3, 4]]);
        // Up to half of the exposure the tie of 0, 2 and 4 does not fit.
        assert_eq!(windows(&Windows::grow(&graph, &[0.2; 5], 0.5), 1), [vec![1]]);
        assert_eq!(windows(&Windows::grow(&graph, &[0.2; 5], 0.81), 1), [vec![1], vec![0, 1, 2, 4]]);
    }

    #[test]
    fn what_is_not_looked_at_is_walked_through() {
        let edge = |from, to, length_m| Edge { from, to, length_m };
        let graph = Graph::new(4, vec![edge(0, 1, 100.0), edge(1, 2, 50.0), edge(2, 3, 100.0)]).unwrap();
        let grown = Windows::grow(&graph, &[0.5, 0.0, 0.5], 1.0);
        assert_eq!(grown.n_centres(), 2);
        assert_eq!(windows(&grown, 0), [vec![0], vec![0, 2]]);
        assert_eq!(grown.n_windows(), 4);
        assert_eq!(Windows::grow(&graph, &[0.5, 0.0, 0.5], 0.4).n_windows(), 0);
    }
}
