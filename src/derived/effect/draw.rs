//! Signs by lot: places that won the draw against places of like worth that lost it.

use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::lottery::PairCounts;
use crate::analysis::before_after::lottery::lottery as compare;
use crate::derived::DeriveError;
use crate::derived::effect::campaign::Comparison;
use crate::derived::effect::campaign::Side;
use crate::derived::effect::campaign::Times;
use crate::derived::effect::passed;
use crate::derived::effect::passed::RoleParams;
use crate::derived::effect::passed::SegmentRole;
use crate::derived::effect::passed::vertex_of;
use crate::derived::plan::walked_trips;
use crate::store::SignPlan;

/// The comparison of a plan that drew lots; none where it did not.
///
/// What a place would warn of is worked out as if signs stood at all places of the draw. Walks count while those that
/// won have their sign and those that lost have none.
pub(super) fn lottery(
    comparison: &Comparison<'_>,
    plan: Option<&SignPlan>,
    times: &Times,
    params: &CompareParams,
) -> Result<Option<Effectiveness>, DeriveError> {
    let (Some(plan), Some(exposure)) = (plan, comparison.exposure) else { return Ok(None) };
    let drawn = plan.lottery_pairs();
    if drawn.is_empty() {
        return Ok(None);
    }
    let layer = comparison.layer;
    let vertices: Vec<Option<usize>> = drawn
        .iter()
        .flat_map(|(won, lost)| [*won, *lost])
        .map(|site| vertex_of(layer, plan.given.sites[site].position))
        .collect();
    let trips = walked_trips(layer, exposure);
    let roles = passed::roles(layer.network.graph(), &trips, &vertices, &RoleParams::of(comparison.facts));
    let signs = comparison.facts.signs_in_place.iter().filter(|sign| sign.given.plan == Some(plan.id));
    let next_up_s = signs.map(|sign| sign.given.up_s).filter(|up_s| *up_s > times.last_up_s).min();
    let mut places = vec![Period::NONE; vertices.len()];
    let place_of = |segment: usize| match roles[segment] {
        SegmentRole::Signed(place) => Some(place),
        _ => None,
    };
    let is_timely = |at_s: i64| {
        times.side(at_s, i64::MIN) == Some(Side::After) && next_up_s.is_none_or(|next_s| at_s < next_s)
    };
    for walk in comparison.walks.iter().filter(|walk| is_timely(walk.start_s)) {
        for (segment, km) in &walk.weighted_km {
            if let Some(place) = place_of(*segment) {
                places[place].km += km;
            }
        }
        for (segment, _) in &walk.met {
            if let Some(place) = place_of(*segment) {
                places[place].count += 1;
            }
        }
    }
    let pairs: Vec<PairCounts> =
        places.chunks_exact(2).map(|pair| PairCounts { signed: pair[0], unsigned: pair[1] }).collect();
    compare(&pairs, params).map(Some).map_err(DeriveError::internal)
}
