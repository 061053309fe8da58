//! Segments that stand out, joined where they touch.

use crate::analysis::graph::Graph;

/// The connected groups of the segments for which `stands_out` holds, each ascending, in order of their first segment.
///
/// Two segments touch when they share a vertex.
pub fn groups(graph: &Graph, stands_out: impl Fn(usize) -> bool) -> Vec<Vec<usize>> {
    let mut is_taken = vec![false; graph.n_edges()];
    let mut found = Vec::new();
    for start in 0..graph.n_edges() {
        if is_taken[start] || !stands_out(start) {
            continue;
        }
        is_taken[start] = true;
        let (mut group, mut next) = (vec![start], 0);
        while let Some(&segment) = group.get(next) {
            next += 1;
            let edge = graph.edges()[segment];
            for end in [edge.from, edge.to].into_iter().flat_map(|vertex| graph.at(vertex)) {
                if !is_taken[end.edge] && stands_out(end.edge) {
                    is_taken[end.edge] = true;
                    group.push(end.edge);
                }
            }
        }
        group.sort_unstable();
        found.push(group);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;

    #[test]
    fn a_gap_parts_two_groups() {
        let edge = |from| Edge { from, to: from + 1, length_m: 100.0 };
        let graph = Graph::new(7, (0..6).map(edge).collect()).unwrap();
        assert_eq!(groups(&graph, |segment| segment != 2), [vec![0, 1], vec![3, 4, 5]]);
        assert!(groups(&graph, |_| false).is_empty());
    }
}
