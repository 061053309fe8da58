//! The network of an area with what hangs on it: trailheads, places, counters.

use crate::analysis::network;
use crate::analysis::network::Network;
use crate::analysis::network::NetworkParams;
use crate::analysis::network::SegmentId;
use crate::analysis::network::TrailLine;
use crate::analysis::snap::PlaceArea;
use crate::analysis::snap::PlaceGround;
use crate::analysis::snap::SnapIndex;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::domain::geography::LonLat;
use crate::domain::place::Place;
use crate::domain::place::PlaceDraft;

use std::collections::HashMap;

/// A trailhead farther than this from every trail hangs on nothing.
const FARTHEST_TRAILHEAD_M: f64 = 250.0;
/// A sign farther than this from every vertex of the trails warns nobody.
pub(super) const FARTHEST_SIGN_M: f64 = 150.0;

/// The network and its index.
#[derive(Debug)]
pub struct NetworkLayer {
    /// The network.
    pub network: Network,
    /// The index that ties positions to it.
    pub index: SnapIndex,
    /// For each trailhead of the facts its vertex, none where no trail is near.
    pub trailhead_vertices: Vec<Option<usize>>,
    /// Segments by their lasting identifier.
    pub by_id: HashMap<SegmentId, usize>,
    /// For each segment its trail run.
    pub run_of: Vec<usize>,
    /// For each trail run its trail.
    pub trail_of_run: Vec<usize>,
    /// Where each segment begins and ends along the segments of its trail, metres from where the trail's line begins.
    pub along_m: Vec<(f64, f64)>,
    /// For each segment the share of its length outside all places with visits: encounters and walking inside are theirs.
    pub outside_places: Vec<f64>,
}

/// Builds the network of the facts' trails.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when there are no trails, or they do not make a network.
pub fn build(facts: &Facts) -> Result<NetworkLayer, DeriveError> {
    if facts.trails.is_empty() {
        return Err(DeriveError::missing("There are no trails yet. Bring in a trail file first."));
    }
    let lines: Vec<TrailLine> = facts
        .trails
        .iter()
        .map(|trail| TrailLine { name: trail.name.clone(), parts: trail.parts.clone() })
        .collect();
    let params = NetworkParams { target_segment_m: facts.settings.segment_m, ..NetworkParams::default() };
    let network = network::build(&lines, &params).map_err(|error| DeriveError::missing(error.to_string()))?;
    let index = SnapIndex::new(&network);
    let trailhead_vertices: Vec<Option<usize>> =
        facts.trailheads.iter().map(|head| nearest_vertex(&network, &index, head.position)).collect();
    let places: Vec<PlaceGround> = facts
        .places
        .iter()
        .map(|place| PlaceGround {
            area: place_area(&place.given),
            has_visits: has_visits(facts, &trailhead_vertices, place),
        })
        .collect();
    let index = index.with_places(&places);
    let outside_places = index.outside_places();
    let by_id = network.segments.iter().enumerate().map(|(idx, segment)| (segment.id, idx)).collect();
    let mut run_of = vec![0; network.segments.len()];
    let mut trail_of_run = Vec::new();
    for (run, segments) in network.trail_runs().iter().enumerate() {
        for segment in segments {
            run_of[*segment] = run;
        }
        trail_of_run.push(segments.first().map_or(0, |segment| network.segments[*segment].trail_idx));
    }
    let along_m = along(&network);
    Ok(NetworkLayer {
        network,
        index,
        trailhead_vertices,
        by_id,
        run_of,
        trail_of_run,
        along_m,
        outside_places,
    })
}

/// Whether anything says how many visit a place: a trailhead on the network, or a figure of its own.
fn has_visits(facts: &Facts, trailhead_vertices: &[Option<usize>], place: &Place) -> bool {
    let mut heads = facts.trailheads.iter().zip(trailhead_vertices);
    heads.any(|(head, vertex)| vertex.is_some() && Some(head.id) == place.trailhead_id)
        || place.given.visits_per_day.is_some_and(|per_day| per_day > 0.0)
}

fn along(network: &Network) -> Vec<(f64, f64)> {
    let mut in_order: Vec<usize> = (0..network.segments.len()).collect();
    in_order.sort_by_key(|idx| (network.segments[*idx].trail_idx, network.segments[*idx].order));
    let mut along = vec![(0.0, 0.0); in_order.len()];
    let mut reached = (usize::MAX, 0.0);
    for idx in in_order {
        let segment = &network.segments[idx];
        let start = if segment.trail_idx == reached.0 { reached.1 } else { 0.0 };
        along[idx] = (start, start + segment.length_m);
        reached = (segment.trail_idx, start + segment.length_m);
    }
    along
}

fn place_area(place: &PlaceDraft) -> PlaceArea {
    match &place.ring {
        Some(ring) => PlaceArea::Polygon { exterior: ring.clone(), holes: Vec::new(), tolerance_m: 0.0 },
        None => PlaceArea::Circle { centre: place.position, radius_m: place.radius.in_metres() },
    }
}

/// The vertex nearest to a position by way of the nearest segment.
fn nearest_vertex(network: &Network, index: &SnapIndex, position: LonLat) -> Option<usize> {
    let point = network.plane.to_plane(position);
    let nearest = index.nearest(point, FARTHEST_TRAILHEAD_M)?;
    let segment = &network.segments[nearest.segment_idx];
    let is_first_half = nearest.along_m * 2.0 <= segment.length_m;
    Some(if is_first_half { segment.from } else { segment.to })
}

impl NetworkLayer {
    /// The vertex at which a sign stands, for all that is computed of signs; none where it stands away from the trails.
    pub fn sign_vertex(&self, position: LonLat) -> Option<usize> {
        self.vertices_within(position, FARTHEST_SIGN_M).first().copied()
    }

    /// The vertices within so many metres of a position, as the crow flies, nearest first.
    pub fn vertices_within(&self, position: LonLat, within_m: f64) -> Vec<usize> {
        let at = self.network.plane.to_plane(position);
        let distance_m = |vertex: &network::Vertex| (vertex.planar.x - at.x).hypot(vertex.planar.y - at.y);
        let all = self.network.vertices.iter().map(distance_m).enumerate();
        let mut near: Vec<(usize, f64)> = all.filter(|(_, distance_m)| *distance_m <= within_m).collect();
        near.sort_by(|a, b| a.1.total_cmp(&b.1));
        near.into_iter().map(|(vertex, _)| vertex).collect()
    }

    /// The name of a segment's trail.
    pub fn trail_name(&self, segment: usize) -> &str {
        &self.network.trails[self.network.segments[segment].trail_idx].name
    }

    /// "km 0.40 to 0.73": where neighbouring segments of one trail lie along it. A place keeps these words however the trail
    /// is cut into stretches, which a count of stretches would not.
    pub fn span_words(&self, segments: &[usize]) -> String {
        let spans = || segments.iter().filter_map(|segment| self.along_m.get(*segment));
        let from = spans().map(|span| span.0).fold(f64::INFINITY, f64::min);
        let to = spans().map(|span| span.1).fold(0.0, f64::max);
        format!("km {:.2} to {:.2}", from.min(to) / 1000.0, to / 1000.0)
    }

    /// How far along the first of its trails a vertex lies, with that trail's name: "Ledge Walk, km 3.20". Empty for a vertex
    /// on no trail.
    pub fn vertex_words(&self, vertex: usize) -> String {
        let incident = self.network.graph().at(vertex);
        let first =
            incident.iter().map(|it| it.edge).min_by_key(|edge| self.network.segments[*edge].trail_idx);
        let Some(segment) = first else { return String::new() };
        let (start_m, end_m) = self.along_m[segment];
        let at_m = if self.network.segments[segment].from == vertex { start_m } else { end_m };
        format!("{}, km {:.2}", self.trail_name(segment), at_m / 1000.0)
    }

    /// "Ledge Walk, km 0.40 to 0.50".
    pub fn segment_words(&self, segment: usize) -> String {
        format!("{}, {}", self.trail_name(segment), self.span_words(&[segment]))
    }
}
