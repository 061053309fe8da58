//! Planned survey walks on segments, with what was met on them.

use std::collections::BTreeMap;

use crate::analysis::season::Curve;
use crate::derived::effect::cells::factor_of;
use crate::derived::facts::Facts;
use crate::derived::season::SeasonLayer;
use crate::derived::walks::Fate;
use crate::derived::walks::MatchedWalk;
use crate::derived::walks::WalkLayer;
use crate::domain::walk::Purpose;
use crate::domain::walk::Walk;

/// The least weight of a kilometre, so that an encounter never stands on none.
const LEAST_WEIGHT: f64 = 1e-6;

/// A planned survey walk on the network.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SurveyWalk {
    /// When it began, seconds since 1970-01-01T00:00:00Z.
    pub start_s: i64,
    /// Kilometres walked by segment.
    pub km: BTreeMap<usize, f64>,
    /// The same weighted by how frequent encounters are at its month and hour; as walked where no season is known.
    pub weighted_km: BTreeMap<usize, f64>,
    /// Encounters on segments that it went over: the segment, and an index into the facts' encounters.
    pub met: Vec<(usize, usize)>,
}

/// All planned survey walks, as they were matched to the trails.
///
/// Targeted and opportunistic walks were made where or when snakes were expected: their rates are others, and who walked so
/// before the signs and not after would see an effect of that. What is compared are seasons and hours as well as years, so
/// kilometres are weighted by them.
///
/// An encounter lies on the segment that weighs most for it among those of its walk: what signs warn of is much longer than a
/// position is uncertain.
pub(super) fn walks(facts: &Facts, layer: &WalkLayer, season: Option<&SeasonLayer>) -> Vec<SurveyWalk> {
    let curves = season.map(SeasonLayer::curves).unwrap_or_default();
    let of_walk = |(walk, matched): (&Walk, &MatchedWalk)| {
        let km: BTreeMap<usize, f64> =
            matched.metres.iter().map(|(segment, metres)| (*segment, metres / 1000.0)).collect();
        let weighted = |(segment, km): (&usize, &f64)| {
            let curve: Option<&Curve> =
                curves.get(season.map_or(0, |season| season.curve_of(*segment))).copied();
            (*segment, km * factor_of(curve, matched).max(LEAST_WEIGHT))
        };
        let weighted_km = km.iter().map(weighted).collect();
        SurveyWalk { start_s: walk.given.start_s, km, weighted_km, met: Vec::new() }
    };
    let mut walks: Vec<SurveyWalk> = facts.walks.iter().zip(&layer.walks).map(of_walk).collect();
    for record in &layer.records {
        if let (Fate::OnWalk(walk), Some(segment)) = (record.fate, record.likeliest) {
            walks[walk].met.push((segment, record.encounter));
        }
    }
    let is_planned = |walk: &Walk| walk.given.purpose == Purpose::Planned;
    walks.into_iter().zip(&facts.walks).filter(|(_, walk)| is_planned(walk)).map(|(walk, _)| walk).collect()
}
