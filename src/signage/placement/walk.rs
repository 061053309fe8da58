//! Walkers, where they pass a sign, and which stretch they walk warned.

use std::collections::VecDeque;

use crate::analysis::graph::{EdgeIdx, Graph, VertexIdx};
use crate::signage::placement::coverage::Rows;

/// Which way a segment is walked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Heading {
    /// From the segment's `from` vertex to its `to` vertex.
    Forward,
    /// From `to` to `from`.
    Backward,
}

/// One segment walked one way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct WalkedLeg {
    /// The segment.
    pub segment: EdgeIdx,
    /// The way it is walked.
    pub heading: Heading,
}

/// A way of walking the network, by so many parties: start, path out and back.
#[derive(Debug, Clone, PartialEq)]
pub struct WalkedTrip {
    /// Vertex at which it starts.
    pub trailhead: VertexIdx,
    /// Parties that walk it in the period, zero or more.
    pub parties: f64,
    /// The legs in walking order; each starts where the one before ended.
    pub legs: Vec<WalkedLeg>,
    /// Parties on each leg, zero or more, where they are known by leg: the same walkers are more parties on a trail that they
    /// are told to walk in smaller ones. Empty where they are [`WalkedTrip::parties`] on all.
    pub leg_parties: Vec<f64>,
}

impl WalkedTrip {
    /// Parties on a leg.
    fn parties_on(&self, leg: usize) -> f64 {
        self.leg_parties.get(leg).copied().unwrap_or(self.parties)
    }
}

/// Where a sign can stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Spot {
    /// At a vertex of the segment graph.
    Vertex(VertexIdx),
    /// Half-way along a segment.
    MidSegment(EdgeIdx),
}

/// A candidate for a sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Site {
    /// Where it stands.
    pub spot: Spot,
    /// Whom it warns: everybody who passes, or only those who walk on along this leg.
    pub faces: Option<WalkedLeg>,
}

/// Why walkers and sites do not fit the network.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidWalk {
    /// A trip names a segment or starts at a vertex that does not exist.
    #[error("trip {trip} names a segment or vertex that does not exist")]
    NoSuchPlace {
        /// The trip.
        trip: usize,
    },
    /// A leg does not start where the one before ended.
    #[error("leg {leg} of trip {trip} does not start where the walker is")]
    Broken {
        /// The trip.
        trip: usize,
        /// The leg.
        leg: usize,
    },
    /// The number of parties is negative or not finite.
    #[error("trip {trip} is walked by {parties} parties")]
    Parties {
        /// The trip.
        trip: usize,
        /// The number given.
        parties: f64,
    },
    /// Parties are given by leg, but not for each.
    #[error("trip {trip} has {legs} legs and parties on {given} of them")]
    LegParties {
        /// The trip.
        trip: usize,
        /// Its legs.
        legs: usize,
        /// Legs that parties are given for.
        given: usize,
    },
    /// A site stands at a vertex or segment that does not exist, or faces a leg that does not start there.
    #[error("site {site} does not lie on the network, or faces a leg that does not start there")]
    Site {
        /// The site.
        site: usize,
    },
    /// The reach of a sign is negative or not finite.
    #[error("a reach of {reach_m} m is not a distance")]
    Reach {
        /// The reach.
        reach_m: f64,
    },
}

/// The vertex at which a leg starts.
pub fn start_of(graph: &Graph, leg: WalkedLeg) -> VertexIdx {
    let edge = graph.edges()[leg.segment];
    match leg.heading {
        Heading::Forward => edge.from,
        Heading::Backward => edge.to,
    }
}

/// The vertex at which a leg ends.
pub fn end_of(graph: &Graph, leg: WalkedLeg) -> VertexIdx {
    let edge = graph.edges()[leg.segment];
    match leg.heading {
        Heading::Forward => edge.to,
        Heading::Backward => edge.from,
    }
}

/// A sign at every vertex that warns everybody who passes; site `i` stands at vertex `i`.
pub fn sites_at_vertices(graph: &Graph) -> Vec<Site> {
    (0..graph.n_vertices()).map(|vertex| Site { spot: Spot::Vertex(vertex), faces: None }).collect()
}

/// Checks walkers and sites against the network.
///
/// # Errors
/// [`InvalidWalk`] naming the first trip, leg or site that does not fit.
pub fn check(graph: &Graph, trips: &[WalkedTrip], sites: &[Site], reach_m: f64) -> Result<(), InvalidWalk> {
    if !(reach_m.is_finite() && reach_m >= 0.0) {
        return Err(InvalidWalk::Reach { reach_m });
    }
    for (idx, trip) in trips.iter().enumerate() {
        check_trip(graph, idx, trip)?;
    }
    match sites.iter().position(|site| !is_on_network(graph, site)) {
        Some(site) => Err(InvalidWalk::Site { site }),
        None => Ok(()),
    }
}

fn check_trip(graph: &Graph, idx: usize, trip: &WalkedTrip) -> Result<(), InvalidWalk> {
    for parties in std::iter::once(trip.parties).chain(trip.leg_parties.iter().copied()) {
        if !(parties.is_finite() && parties >= 0.0) {
            return Err(InvalidWalk::Parties { trip: idx, parties });
        }
    }
    let (legs, given) = (trip.legs.len(), trip.leg_parties.len());
    if given != 0 && given != legs {
        return Err(InvalidWalk::LegParties { trip: idx, legs, given });
    }
    let known = trip.legs.iter().all(|leg| leg.segment < graph.n_edges());
    if trip.trailhead >= graph.n_vertices() || !known {
        return Err(InvalidWalk::NoSuchPlace { trip: idx });
    }
    let mut at = trip.trailhead;
    for (leg_idx, &leg) in trip.legs.iter().enumerate() {
        if start_of(graph, leg) != at {
            return Err(InvalidWalk::Broken { trip: idx, leg: leg_idx });
        }
        at = end_of(graph, leg);
    }
    Ok(())
}

fn is_on_network(graph: &Graph, site: &Site) -> bool {
    let faces_known = site.faces.is_none_or(|leg| leg.segment < graph.n_edges());
    faces_known
        && match site.spot {
            Spot::Vertex(vertex) => {
                vertex < graph.n_vertices() && site.faces.is_none_or(|leg| start_of(graph, leg) == vertex)
            }
            Spot::MidSegment(segment) => {
                segment < graph.n_edges() && site.faces.is_none_or(|leg| leg.segment == segment)
            }
        }
}

/// What happens to a walker, in order.
pub(crate) enum Event<'a> {
    /// A sign is passed and read by so many parties, on the way into (or half-way along) a leg.
    Passed { site: usize, leg: WalkedLeg, parties: f64 },
    /// Part of a leg is walked by so many parties within reach of the signs passed before, the earliest first; none: unwarned.
    Walked { leg: WalkedLeg, parties: f64, length_m: f64, warned_by: &'a [u32] },
}

/// The sites by where they stand.
pub(crate) struct SiteIndex<'a> {
    sites: &'a [Site],
    at_vertex: Rows,
    mid_segment: Rows,
}

impl<'a> SiteIndex<'a> {
    pub(crate) fn new(graph: &Graph, sites: &'a [Site]) -> Self {
        let (mut vertices, mut segments) = (Rows::new(), Rows::new());
        for site in sites {
            match site.spot {
                Spot::Vertex(vertex) => (vertices.push([vertex as u32]), segments.push([])),
                Spot::MidSegment(segment) => (vertices.push([]), segments.push([segment as u32])),
            };
        }
        let at_vertex = vertices.transposed(graph.n_vertices());
        Self { sites, at_vertex, mid_segment: segments.transposed(graph.n_edges()) }
    }

    fn read_along<'b>(&'b self, row: &'b [u32], leg: WalkedLeg) -> impl Iterator<Item = u32> + 'b {
        row.iter()
            .copied()
            .filter(move |&site| self.sites[site as usize].faces.is_none_or(|faced| faced == leg))
    }
}

/// Walks one trip past the signs; a sign warns for `reach_m` of walking after it. The trip must have been checked.
pub(crate) fn walk(
    graph: &Graph,
    trip: &WalkedTrip,
    index: &SiteIndex,
    reach_m: f64,
    mut on_event: impl FnMut(Event),
) {
    // Signs still in reach: site and walked distance at which its reach ends, earliest first.
    let mut active: VecDeque<(u32, f64)> = VecDeque::new();
    let mut warned_by: Vec<u32> = Vec::new();
    let mut walked_m = 0.0;
    for (leg_idx, &leg) in trip.legs.iter().enumerate() {
        let parties = trip.parties_on(leg_idx);
        let length_m = graph.edges()[leg.segment].length_m;
        let at_mid = index.mid_segment.row(leg.segment);
        for (row, from_m, to_m) in [
            (
                index.at_vertex.row(start_of(graph, leg)),
                0.0,
                if at_mid.is_empty() { length_m } else { length_m / 2.0 },
            ),
            (at_mid, length_m / 2.0, length_m),
        ] {
            if from_m > 0.0 && at_mid.is_empty() {
                continue;
            }
            for site in index.read_along(row, leg) {
                active.push_back((site, walked_m + from_m + reach_m));
                on_event(Event::Passed { site: site as usize, leg, parties });
            }
            let (mut at_m, end_m) = (walked_m + from_m, walked_m + to_m);
            while at_m < end_m {
                while active.front().is_some_and(|&(_, until_m)| until_m <= at_m) {
                    active.pop_front();
                }
                let next_m = active.front().map_or(end_m, |&(_, until_m)| until_m.min(end_m));
                warned_by.clear();
                warned_by.extend(active.iter().map(|&(site, _)| site));
                on_event(Event::Walked { leg, parties, length_m: next_m - at_m, warned_by: &warned_by });
                at_m = next_m;
            }
        }
        walked_m += length_m;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;

    fn line(lengths_m: &[f64]) -> Graph {
        let edges = lengths_m.iter().enumerate();
        let edges = edges.map(|(idx, &length_m)| Edge { from: idx, to: idx + 1, length_m }).collect();
        Graph::new(lengths_m.len() + 1, edges).unwrap()
    }

    fn out_and_back(n_segments: usize) -> WalkedTrip {
        let out = (0..n_segments).map(|segment| WalkedLeg { segment, heading: Heading::Forward });
        let back = (0..n_segments).rev().map(|segment| WalkedLeg { segment, heading: Heading::Backward });
        WalkedTrip { trailhead: 0, parties: 1.0, legs: out.chain(back).collect(), leg_parties: Vec::new() }
    }

    fn warned(graph: &Graph, sites: &[Site], reach_m: f64) -> Vec<(usize, f64, Vec<u32>)> {
        let trip = out_and_back(graph.n_edges());
        check(graph, std::slice::from_ref(&trip), sites, reach_m).unwrap();
        let mut pieces = Vec::new();
        walk(graph, &trip, &SiteIndex::new(graph, sites), reach_m, |event| {
            if let Event::Walked { leg, length_m, warned_by, .. } = event {
                pieces.push((leg.segment, length_m, warned_by.to_vec()));
            }
        });
        pieces
    }

    #[test]
    fn a_sign_warns_for_its_reach_and_again_on_the_way_back() {
        let graph = line(&[100.0, 100.0, 100.0]);
        let everybody = [Site { spot: Spot::Vertex(1), faces: None }];
        let pieces = warned(&graph, &everybody, 150.0);
        let expected = vec![
            (0, 100.0, vec![]),
            (1, 100.0, vec![0]),
            (2, 50.0, vec![0]),
            (2, 50.0, vec![]),
            (2, 100.0, vec![]),
            (1, 100.0, vec![]),
            (0, 100.0, vec![0]),
        ];
        assert_eq!(pieces, expected);
    }

    #[test]
    fn a_faced_sign_warns_only_those_who_go_that_way() {
        let graph = line(&[100.0, 100.0]);
        let outward = WalkedLeg { segment: 1, heading: Heading::Forward };
        let pieces = warned(&graph, &[Site { spot: Spot::Vertex(1), faces: Some(outward) }], 50.0);
        let total: f64 = pieces.iter().filter(|piece| !piece.2.is_empty()).map(|piece| piece.1).sum();
        assert_eq!(total, 50.0);
    }

    #[test]
    fn a_sign_half_way_warns_from_there() {
        let graph = line(&[100.0]);
        let pieces = warned(&graph, &[Site { spot: Spot::MidSegment(0), faces: None }], 800.0);
        assert_eq!(pieces[0], (0, 50.0, vec![]));
        assert_eq!(pieces[1], (0, 50.0, vec![0]));
        // The same sign is passed twice; it is still one site.
        assert_eq!(pieces[3], (0, 50.0, vec![0, 0]));
    }

    #[test]
    fn broken_walks_are_refused() {
        let graph = line(&[100.0, 100.0]);
        let leg = WalkedLeg { segment: 1, heading: Heading::Forward };
        let mut trip = WalkedTrip { trailhead: 0, parties: 1.0, legs: vec![leg], leg_parties: Vec::new() };
        let refused = |trip: &WalkedTrip| check(&graph, std::slice::from_ref(trip), &[], 800.0).unwrap_err();
        assert_eq!(refused(&trip), InvalidWalk::Broken { trip: 0, leg: 0 });
        trip.legs[0].segment = 7;
        assert_eq!(refused(&trip), InvalidWalk::NoSuchPlace { trip: 0 });
        trip.parties = f64::NAN;
        assert!(matches!(refused(&trip), InvalidWalk::Parties { trip: 0, .. }));
        trip.parties = 1.0;
        trip.leg_parties = vec![-1.0];
        assert_eq!(refused(&trip), InvalidWalk::Parties { trip: 0, parties: -1.0 });
        trip.leg_parties = vec![2.0, 2.0];
        assert_eq!(refused(&trip), InvalidWalk::LegParties { trip: 0, legs: 1, given: 2 });
        let astray = Site { spot: Spot::Vertex(0), faces: Some(leg) };
        assert_eq!(check(&graph, &[], &[astray], 800.0), Err(InvalidWalk::Site { site: 0 }));
        assert!(check(&graph, &[], &[], f64::INFINITY).is_err());
    }
}
