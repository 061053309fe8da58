//! Rules that follow from distances along the network: least spacing, most signs per km, sensitive places.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap, HashMap};

use crate::analysis::graph::{EdgeIdx, Graph, VertexIdx};
use crate::signage::placement::rules::AtMost;
use crate::signage::placement::walk::{Site, Spot};

/// Walking distances from a spot to the vertices within a limit.
fn distances_m(graph: &Graph, from: &[(VertexIdx, f64)], limit_m: f64) -> Vec<(VertexIdx, f64)> {
    let mut reached: HashMap<VertexIdx, f64> = HashMap::new();
    let mut heap: BinaryHeap<Reverse<(Metres, VertexIdx)>> = BinaryHeap::new();
    heap.extend(from.iter().map(|&(vertex, start_m)| Reverse((Metres(start_m), vertex))));
    while let Some(Reverse((Metres(distance_m), vertex))) = heap.pop() {
        if distance_m > limit_m || reached.contains_key(&vertex) {
            continue;
        }
        reached.insert(vertex, distance_m);
        for end in graph.at(vertex) {
            let next_m = distance_m + graph.edges()[end.edge].length_m;
            heap.push(Reverse((Metres(next_m), end.other)));
        }
    }
    let mut reached: Vec<_> = reached.into_iter().collect();
    reached.sort_unstable_by_key(|&(vertex, _)| vertex);
    reached
}

/// A distance that can be ordered; never NaN, since lengths are finite.
#[derive(Clone, Copy, PartialEq)]
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

/// The vertices next to a spot with their distance from it.
fn next_to(graph: &Graph, spot: Spot) -> Vec<(VertexIdx, f64)> {
    match spot {
        Spot::Vertex(vertex) => vec![(vertex, 0.0)],
        Spot::MidSegment(segment) => {
            let edge = graph.edges()[segment];
            vec![(edge.from, edge.length_m / 2.0), (edge.to, edge.length_m / 2.0)]
        }
    }
}

/// For each site, the sites within a walking distance of it (itself included) and how far they are, by index.
pub fn neighbours(graph: &Graph, sites: &[Site], within_m: f64) -> Vec<Vec<(usize, f64)>> {
    let mut at_vertex = vec![Vec::new(); graph.n_vertices()];
    // Two signs half-way along one segment are together, though both are away from any vertex.
    let mut same_spot: HashMap<Spot, Vec<usize>> = HashMap::new();
    for (idx, site) in sites.iter().enumerate() {
        same_spot.entry(site.spot).or_default().push(idx);
        for (vertex, offset_m) in next_to(graph, site.spot) {
            at_vertex[vertex].push((idx, offset_m));
        }
    }
    let around = |site: &Site| {
        let together = same_spot.get(&site.spot).into_iter().flatten();
        let mut nearest: BTreeMap<usize, f64> = together.map(|&other| (other, 0.0)).collect();
        for (vertex, distance_m) in distances_m(graph, &next_to(graph, site.spot), within_m) {
            for &(other, offset_m) in &at_vertex[vertex] {
                let kept_m = nearest.entry(other).or_insert(f64::INFINITY);
                *kept_m = kept_m.min(distance_m + offset_m);
            }
        }
        nearest.into_iter().filter(|&(_, total_m)| total_m <= within_m).collect()
    };
    sites.iter().map(around).collect()
}

/// No two signs nearer than `least_m` of walking: groups of sites of which one may be chosen.
///
/// Sites that are all near each other make one group, which bounds the choice better than pairs would. A spacing of
/// zero gives no groups.
pub fn least_spacing(graph: &Graph, sites: &[Site], least_m: f64) -> Vec<AtMost> {
    let near: Vec<BTreeSet<usize>> = neighbours(graph, sites, least_m)
        .into_iter()
        .enumerate()
        .map(|(site, others)| {
            let close =
                others.into_iter().filter(|&(other, distance_m)| other != site && distance_m < least_m);
            close.map(|(other, _)| other).collect()
        })
        .collect();
    let mut grouped: BTreeSet<(usize, usize)> = BTreeSet::new();
    let mut groups = Vec::new();
    for site in 0..sites.len() {
        for &other in near[site].range(site + 1..) {
            if grouped.contains(&(site, other)) {
                continue;
            }
            let mut members = vec![site, other];
            for &third in near[site].range(site + 1..) {
                if third != other && members.iter().all(|member| near[*member].contains(&third)) {
                    members.push(third);
                }
            }
            members.sort_unstable();
            for (idx, &a) in members.iter().enumerate() {
                grouped.extend(members[idx + 1..].iter().map(|&b| (a, b)));
            }
            groups.push(AtMost { sites: members, most: 1 });
        }
    }
    groups
}

/// At most `most` signs in any kilometre: within 500 m of walking of any site, that site included.
pub fn most_per_km(graph: &Graph, sites: &[Site], most: usize) -> Vec<AtMost> {
    let around = neighbours(graph, sites, 500.0).into_iter();
    let groups: BTreeSet<Vec<usize>> =
        around.map(|near| near.into_iter().map(|(site, _)| site).collect::<Vec<_>>()).collect();
    let tight = groups.into_iter().filter(|sites| sites.len() > most);
    tight.map(|sites| AtMost { sites, most }).collect()
}

/// What a sensitive place asks of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SensitivePlace {
    /// Sites within the buffer: forbidden.
    pub inside: Vec<usize>,
    /// Sites in the ring round the buffer: at most one may be chosen, since two would stand on either side of the
    /// place and point at what lies between them. Signs already standing count.
    pub ring: AtMost,
}

/// Keeps signs out of the buffer round a sensitive place, and from standing on both sides of it.
///
/// The place is given by the segments it touches; both distances are walked from their ends.
pub fn around_sensitive_place(
    graph: &Graph,
    sites: &[Site],
    segments: &[EdgeIdx],
    buffer_m: f64,
    ring_m: f64,
) -> SensitivePlace {
    let ends: Vec<(VertexIdx, f64)> = segments
        .iter()
        .filter_map(|&segment| graph.edges().get(segment))
        .flat_map(|edge| [(edge.from, 0.0), (edge.to, 0.0)])
        .collect();
    let limit_m = buffer_m + ring_m;
    let mut near_m = vec![f64::INFINITY; graph.n_vertices()];
    for (vertex, distance_m) in distances_m(graph, &ends, limit_m) {
        near_m[vertex] = distance_m;
    }
    let distance_m = |site: &Site| match site.spot {
        Spot::MidSegment(segment) if segments.contains(&segment) => 0.0,
        spot => next_to(graph, spot)
            .iter()
            .map(|&(v, offset_m)| near_m[v] + offset_m)
            .fold(f64::INFINITY, f64::min),
    };
    let (mut inside, mut ring) = (Vec::new(), Vec::new());
    for (idx, site) in sites.iter().enumerate() {
        match distance_m(site) {
            distance_m if distance_m <= buffer_m => inside.push(idx),
            distance_m if distance_m <= limit_m => ring.push(idx),
            _ => {}
        }
    }
    SensitivePlace { inside, ring: AtMost { sites: ring, most: 1 } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;
    use crate::signage::placement::walk::sites_at_vertices;

    fn line(n_segments: usize, length_m: f64) -> Graph {
        let edges = (0..n_segments).map(|idx| Edge { from: idx, to: idx + 1, length_m }).collect();
        Graph::new(n_segments + 1, edges).unwrap()
    }

    #[test]
    fn spacing_groups_are_the_runs_nearer_than_it() {
        let graph = line(4, 100.0);
        let groups = least_spacing(&graph, &sites_at_vertices(&graph), 250.0);
        let sites: Vec<&[usize]> = groups.iter().map(|group| group.sites.as_slice()).collect();
        assert_eq!(sites, [&[0, 1, 2][..], &[1, 2, 3], &[2, 3, 4]]);
        assert!(least_spacing(&graph, &sites_at_vertices(&graph), 0.0).is_empty());
        assert!(least_spacing(&graph, &sites_at_vertices(&graph), 100.0).is_empty());
    }

    #[test]
    fn distances_run_along_the_network_and_to_the_middle_of_segments() {
        let graph = line(2, 100.0);
        let middle = Site { spot: Spot::MidSegment(1), faces: None };
        let sites = [sites_at_vertices(&graph)[0], middle, middle];
        assert_eq!(neighbours(&graph, &sites, 200.0)[0], vec![(0, 0.0), (1, 150.0), (2, 150.0)]);
        assert_eq!(neighbours(&graph, &sites, 10.0)[1], vec![(1, 0.0), (2, 0.0)]);
    }

    #[test]
    fn a_kilometre_is_half_a_kilometre_each_way() {
        let graph = line(20, 100.0);
        let groups = most_per_km(&graph, &sites_at_vertices(&graph), 2);
        assert!(groups.iter().any(|group| group.sites == (5..=15).collect::<Vec<_>>()));
        assert!(groups.iter().all(|group| group.most == 2 && group.sites.len() > 2));
    }

    #[test]
    fn a_sensitive_place_is_kept_clear_and_not_bracketed() {
        let graph = line(10, 100.0);
        let place = around_sensitive_place(&graph, &sites_at_vertices(&graph), &[5], 100.0, 200.0);
        assert_eq!(place.inside, vec![4, 5, 6, 7]);
        assert_eq!(place.ring, AtMost { sites: vec![2, 3, 8, 9], most: 1 });
    }
}
