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

/// Which sites lie at and beside each vertex.
struct Around<'a> {
    graph: &'a Graph,
    sites: &'a [Site],
    /// By vertex the sites beside it with their distance from it.
    at_vertex: Vec<Vec<(usize, f64)>>,
    /// Two signs half-way along one segment are together, though both are away from any vertex.
    same_spot: HashMap<Spot, Vec<usize>>,
}

impl<'a> Around<'a> {
    fn new(graph: &'a Graph, sites: &'a [Site]) -> Self {
        let mut around =
            Self { graph, sites, at_vertex: vec![Vec::new(); graph.n_vertices()], same_spot: HashMap::new() };
        for (idx, site) in sites.iter().enumerate() {
            around.same_spot.entry(site.spot).or_default().push(idx);
            for (vertex, offset_m) in next_to(graph, site.spot) {
                around.at_vertex[vertex].push((idx, offset_m));
            }
        }
        around
    }

    /// The sites within a walking distance of one, itself included, and how far they are, by index.
    fn of(&self, site: usize, within_m: f64) -> Vec<(usize, f64)> {
        let spot = self.sites[site].spot;
        let together = self.same_spot.get(&spot).into_iter().flatten();
        let mut nearest: BTreeMap<usize, f64> = together.map(|&other| (other, 0.0)).collect();
        for (vertex, distance_m) in distances_m(self.graph, &next_to(self.graph, spot), within_m) {
            for &(other, offset_m) in &self.at_vertex[vertex] {
                let kept_m = nearest.entry(other).or_insert(f64::INFINITY);
                *kept_m = kept_m.min(distance_m + offset_m);
            }
        }
        nearest.into_iter().filter(|&(_, total_m)| total_m <= within_m).collect()
    }
}

/// For each site, the sites within a walking distance of it (itself included) and how far they are, by index.
pub fn neighbours(graph: &Graph, sites: &[Site], within_m: f64) -> Vec<Vec<(usize, f64)>> {
    let around = Around::new(graph, sites);
    (0..sites.len()).map(|site| around.of(site, within_m)).collect()
}

/// Most pairs of sites nearer to each other than the least spacing: their list takes 8 bytes each.
pub const MOST_PAIRS: usize = 10_000_000;

/// Too many sites lie nearer to each other than the least spacing for the rule to be worked out.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error(
    "spacing: {least_m:.0} m is too much for {n_sites} places along these trails, since more than {most} pairs of them lie nearer to each other; choose a smaller spacing"
)]
pub struct TooWideSpacing {
    /// The spacing asked for, metres.
    pub least_m: f64,
    /// How many sites there are.
    pub n_sites: usize,
    /// The most pairs that are taken.
    pub most: usize,
}

/// No two signs nearer than `least_m` of walking: groups of sites of which one may be chosen.
///
/// Sites that are all near each other make one group, which bounds the choice better than pairs would. A spacing of
/// zero gives no groups.
///
/// # Errors
/// [`TooWideSpacing`] when more than [`MOST_PAIRS`] pairs are nearer: memory and time grow with them.
pub fn least_spacing(graph: &Graph, sites: &[Site], least_m: f64) -> Result<Vec<AtMost>, TooWideSpacing> {
    spacing_within(graph, sites, least_m, MOST_PAIRS)
}

fn spacing_within(
    graph: &Graph,
    sites: &[Site],
    least_m: f64,
    most_pairs: usize,
) -> Result<Vec<AtMost>, TooWideSpacing> {
    let around = Around::new(graph, sites);
    // Those near a site lie from its place on to the next one's, by index.
    let (mut near, mut starts): (Vec<u32>, Vec<usize>) = (Vec::new(), vec![0]);
    for site in 0..sites.len() {
        let close = around.of(site, least_m).into_iter();
        let close = close.filter(|&(other, distance_m)| other != site && distance_m < least_m);
        // More sites than that would need more memory than there is.
        near.extend(close.filter_map(|(other, _)| u32::try_from(other).ok()));
        starts.push(near.len());
        // Each pair is found from both ends.
        if near.len() > 2 * most_pairs {
            return Err(TooWideSpacing { least_m, n_sites: sites.len(), most: most_pairs });
        }
    }
    let near = |site: usize| &near[starts[site]..starts[site + 1]];
    let after = |site: usize| {
        let near = near(site);
        near[near.partition_point(|other| *other as usize <= site)..].iter().map(|other| *other as usize)
    };
    let is_near = |site: usize, other: usize| near(site).binary_search(&(other as u32)).is_ok();
    let mut groups: Vec<AtMost> = Vec::new();
    // By site the groups that it is in.
    let mut groups_of: Vec<Vec<u32>> = vec![Vec::new(); sites.len()];
    let mut grouped: BTreeSet<usize> = BTreeSet::new();
    for site in 0..sites.len() {
        grouped.clear();
        for group in &groups_of[site] {
            grouped.extend(&groups[*group as usize].sites);
        }
        for other in after(site) {
            if grouped.contains(&other) {
                continue;
            }
            let mut members = vec![site, other];
            for third in after(site) {
                if third != other && members.iter().all(|member| is_near(*member, third)) {
                    members.push(third);
                }
            }
            members.sort_unstable();
            grouped.extend(&members);
            members.iter().for_each(|member| groups_of[*member].push(groups.len() as u32));
            groups.push(AtMost { sites: members, most: 1 });
        }
    }
    Ok(groups)
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
        let groups = least_spacing(&graph, &sites_at_vertices(&graph), 250.0).unwrap();
        let sites: Vec<&[usize]> = groups.iter().map(|group| group.sites.as_slice()).collect();
        assert_eq!(sites, [&[0, 1, 2][..], &[1, 2, 3], &[2, 3, 4]]);
        assert!(least_spacing(&graph, &sites_at_vertices(&graph), 0.0).unwrap().is_empty());
        assert!(least_spacing(&graph, &sites_at_vertices(&graph), 100.0).unwrap().is_empty());
    }

    /// Every pair that is too near is in a group, and no group holds a pair that is not.
    #[test]
    fn groups_hold_every_pair_that_is_too_near_and_no_other() {
        // A ladder: two lines with rungs.
        let rail = |side: usize| (0..7).map(move |at| (side + 2 * at, side + 2 * at + 2));
        let ends = rail(0).chain(rail(1)).chain((0..8).map(|at| (2 * at, 2 * at + 1)));
        let edges = ends.map(|(from, to)| Edge { from, to, length_m: 100.0 }).collect();
        let graph = Graph::new(16, edges).unwrap();
        let sites = sites_at_vertices(&graph);
        for least_m in [150.0, 250.0, 350.0] {
            let mut grouped = BTreeSet::new();
            for group in least_spacing(&graph, &sites, least_m).unwrap() {
                for (idx, &one) in group.sites.iter().enumerate() {
                    grouped.extend(group.sites[idx + 1..].iter().map(|&other| (one, other)));
                }
            }
            let near = neighbours(&graph, &sites, least_m);
            let pairs = |one: usize| near[one].iter().map(move |&(other, m)| (one, other, m));
            let expected = (0..16).flat_map(pairs).filter(|&(one, other, m)| one < other && m < least_m);
            assert_eq!(grouped, expected.map(|(one, other, _)| (one, other)).collect(), "{least_m}");
        }
    }

    #[test]
    fn a_spacing_that_takes_too_many_pairs_is_refused() {
        let graph = line(20, 100.0);
        let sites = sites_at_vertices(&graph);
        // Of 21 places in a row 20 pairs are 100 m apart.
        assert!(spacing_within(&graph, &sites, 150.0, 20).is_ok());
        let refused = spacing_within(&graph, &sites, 150.0, 19).unwrap_err();
        assert_eq!(refused, TooWideSpacing { least_m: 150.0, n_sites: 21, most: 19 });
        assert!(refused.to_string().starts_with("spacing: 150 m is too much for 21 places"), "{refused}");
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
