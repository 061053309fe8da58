//! The network of an area with what hangs on it: trailheads, places, counters.

use crate::analysis::network;
use crate::analysis::network::Network;
use crate::analysis::network::NetworkParams;
use crate::analysis::network::SegmentId;
use crate::analysis::network::TrailLine;
use crate::analysis::snap::PlaceArea;
use crate::analysis::snap::SnapIndex;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::domain::geography::LonLat;
use crate::domain::place::PlaceDraft;

use std::collections::HashMap;

/// A trailhead farther than this from every trail hangs on nothing.
const FARTHEST_TRAILHEAD_M: f64 = 250.0;

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
    let places: Vec<PlaceArea> = facts.places.iter().map(|place| place_area(&place.given)).collect();
    let index = SnapIndex::new(&network).with_places(&places);
    let trailhead_vertices =
        facts.trailheads.iter().map(|head| nearest_vertex(&network, &index, head.position)).collect();
    let by_id = network.segments.iter().enumerate().map(|(idx, segment)| (segment.id, idx)).collect();
    let mut run_of = vec![0; network.segments.len()];
    let mut trail_of_run = Vec::new();
    for (run, segments) in network.trail_runs().iter().enumerate() {
        for segment in segments {
            run_of[*segment] = run;
        }
        trail_of_run.push(segments.first().map_or(0, |segment| network.segments[*segment].trail_idx));
    }
    Ok(NetworkLayer { network, index, trailhead_vertices, by_id, run_of, trail_of_run })
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
    /// The name of a segment's trail.
    pub fn trail_name(&self, segment: usize) -> &str {
        &self.network.trails[self.network.segments[segment].trail_idx].name
    }
}
