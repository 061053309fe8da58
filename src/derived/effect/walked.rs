//! Survey walks on segments, with what was met on them.

use std::collections::BTreeMap;

use crate::analysis::snap::Snap;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;

/// A piece of a track farther than this from every trail is off the trails.
const OFF_TRAIL_M: f64 = 40.0;
/// Tracks are looked at in pieces of at most this length.
const PIECE_M: f64 = 25.0;
/// A longer gap between two positions was not walked, or nobody knows where.
const LONGEST_GAP_M: f64 = 500.0;

/// A survey walk on the network.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SurveyWalk {
    /// When it began, seconds since 1970-01-01T00:00:00Z.
    pub start_s: i64,
    /// Kilometres walked by segment.
    pub km: BTreeMap<usize, f64>,
    /// Encounters on segments that it went over: the segment, and an index into the facts' encounters.
    pub met: Vec<(usize, usize)>,
}

/// All survey walks with a track.
///
/// An encounter lies on the segment that weighs most for it: what signs warn of is much longer than a position is uncertain.
pub(super) fn walks(facts: &Facts, layer: &NetworkLayer, snaps: &SnapLayer) -> Vec<SurveyWalk> {
    let mut walks: Vec<SurveyWalk> = facts
        .walks
        .iter()
        .map(|walk| SurveyWalk {
            start_s: walk.given.start_s,
            km: kilometres(layer, &walk.given.track),
            met: Vec::new(),
        })
        .collect();
    let position: BTreeMap<_, _> = facts.walks.iter().enumerate().map(|(idx, walk)| (walk.id, idx)).collect();
    for (encounter, row) in facts.encounters.rows.iter().enumerate() {
        let is_counted = row.effort_kind == EffortKind::Survey && facts.counts(row);
        let walk = row.walk_id.filter(|_| is_counted).and_then(|id| position.get(&id));
        let (Some(walk), Some(snap)) = (walk, &snaps.snaps[encounter]) else { continue };
        if let Some(segment) = likeliest(snap).filter(|segment| walks[*walk].km.contains_key(segment)) {
            walks[*walk].met.push((segment, encounter));
        }
    }
    walks
}

fn likeliest(snap: &Snap) -> Option<usize> {
    match snap {
        Snap::OnTrail(on_trail) => {
            let best = on_trail.candidates.iter().max_by(|a, b| a.weight.total_cmp(&b.weight));
            best.map(|candidate| candidate.nearest.segment_idx)
        }
        Snap::ByHand { segment_idx } => Some(*segment_idx),
        _ => None,
    }
}

fn kilometres(layer: &NetworkLayer, track: &[crate::domain::geography::LonLat]) -> BTreeMap<usize, f64> {
    let mut km = BTreeMap::new();
    let points: Vec<_> = track.iter().map(|position| layer.network.plane.to_plane(*position)).collect();
    for pair in points.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let length_m = (to.x - from.x).hypot(to.y - from.y);
        if length_m > LONGEST_GAP_M || length_m == 0.0 {
            continue;
        }
        let n_pieces = (length_m / PIECE_M).ceil().max(1.0);
        for piece in 0..n_pieces as usize {
            let at = (piece as f64 + 0.5) / n_pieces;
            let middle =
                geo_types::Coord { x: from.x + at * (to.x - from.x), y: from.y + at * (to.y - from.y) };
            if let Some(nearest) = layer.index.nearest(middle, OFF_TRAIL_M) {
                *km.entry(nearest.segment_idx).or_insert(0.0) += length_m / n_pieces / 1000.0;
            }
        }
    }
    km
}
