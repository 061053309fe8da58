//! Survey walks on segments, with what was met on them.

use std::collections::BTreeMap;

use crate::derived::facts::Facts;
use crate::derived::walks::Fate;
use crate::derived::walks::WalkLayer;

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

/// All survey walks, as they were matched to the trails.
///
/// An encounter lies on the segment that weighs most for it among those of its walk: what signs warn of is much longer than a
/// position is uncertain.
pub(super) fn walks(facts: &Facts, layer: &WalkLayer) -> Vec<SurveyWalk> {
    let of_walk =
        |(walk, matched): (&crate::domain::walk::Walk, &crate::derived::walks::MatchedWalk)| SurveyWalk {
            start_s: walk.given.start_s,
            km: matched.metres.iter().map(|(segment, metres)| (*segment, metres / 1000.0)).collect(),
            met: Vec::new(),
        };
    let mut walks: Vec<SurveyWalk> = facts.walks.iter().zip(&layer.walks).map(of_walk).collect();
    for record in &layer.records {
        if let (Fate::OnWalk(walk), Some(segment)) = (record.fate, record.likeliest) {
            walks[walk].met.push((segment, record.encounter));
        }
    }
    walks
}
