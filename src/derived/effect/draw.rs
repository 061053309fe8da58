//! Signs by lot: places that won the draw against places of like worth that lost it.

use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::lottery::PairCounts;
use crate::analysis::before_after::lottery::lottery as compare;
use crate::derived::DeriveError;
use crate::derived::effect::campaign::Comparison;
use crate::derived::effect::campaign::OneSign;
use crate::derived::effect::campaign::is_of;
use crate::derived::effect::passed::Passed;
use crate::derived::effect::passed::RoleParams;
use crate::derived::effect::passed::SegmentRole;
use crate::derived::effect::windows::Windows;
use crate::derived::effect::windows::common;
use crate::derived::effect::windows::is_in;
use crate::derived::lottery::is_same_place;
use crate::derived::plan::walked_trips;
use crate::store::SignPlan;

/// The comparison of the pairs of a plan that drew lots whose first sign is one of these; none where there is no such pair.
/// Signs that lost and went up later are no campaign that lots speak of: signed places would be held against signed places.
///
/// What a place would warn of is worked out as if signs stood at all places of the draw. Walks count while all that won and
/// went up stand, until the first of their pairs' other signs does, and but for segments where signs warn that others put up
/// meanwhile. Signs that stood when lots were drawn were there for either place of a pair alike.
pub(super) fn lottery(
    comparison: &Comparison<'_>,
    plan: Option<&SignPlan>,
    signs: &[OneSign],
    params: &CompareParams,
) -> Result<Option<Effectiveness>, DeriveError> {
    let (Some(plan), Some(exposure)) = (plan, comparison.exposure) else { return Ok(None) };
    let (drawn, layer) = (plan.lottery_pairs(), comparison.layer);
    let is_at = |site: usize, sign: usize| {
        let given = &comparison.facts.signs_in_place[sign].given;
        is_same_place(layer, plan.given.sites[site].position, given.position)
    };
    let sign_at = |site: usize| signs.iter().find(|one| one.iter().any(|sign| is_at(site, *sign)));
    let mut has_sign = vec![false; drawn.len()];
    let mut won: Vec<OneSign> = Vec::new();
    for (pair, one) in drawn.iter().enumerate().filter_map(|(pair, (won, _))| Some((pair, sign_at(*won)?))) {
        has_sign[pair] = true;
        won.push(one.clone());
    }
    if won.is_empty() {
        return Ok(None);
    }
    let stand = comparison.all_stand(&won);
    let start_s = stand.first().map_or(i64::MAX, |(from, _)| *from);
    let lost: Vec<usize> =
        drawn.iter().zip(&has_sign).filter(|(_, has_sign)| **has_sign).map(|((_, lost), _)| *lost).collect();
    let at_lost = comparison.facts.signs_in_place.iter().enumerate().filter(|(sign, known)| {
        let is_over = known.given.down_s.is_some_and(|down_s| down_s <= start_s);
        !is_over && lost.iter().any(|site| is_at(*site, *sign))
    });
    let until_s = at_lost.map(|(_, sign)| sign.given.up_s).min().unwrap_or(i64::MAX);
    let window = common(&stand, &[(i64::MIN, until_s)]);

    let sites = drawn.iter().flat_map(|(won, lost)| [*won, *lost]);
    let vertices: Vec<Option<usize>> =
        sites.map(|site| layer.sign_vertex(plan.given.sites[site].position)).collect();
    let trips = walked_trips(layer, exposure);
    let role_params = RoleParams::of(comparison.facts);
    let roles = Passed::new(layer.network.graph(), &trips, &vertices, &role_params).roles();
    let is_later = |sign: usize| comparison.facts.signs_in_place[sign].given.up_s > start_s;
    let place_of: Vec<Option<(usize, Windows)>> = roles
        .iter()
        .enumerate()
        .map(|(segment, role)| match role {
            SegmentRole::Signed(place) if has_sign[place / 2] => {
                Some((*place, comparison.warn(segment, |sign| !is_of(signs, sign) && is_later(sign))))
            }
            _ => None,
        })
        .collect();
    let place = |segment: usize, at_s: i64| {
        place_of[segment].as_ref().filter(|(_, others)| !is_in(others, at_s)).map(|(place, _)| *place)
    };
    let mut places = vec![Period::NONE; vertices.len()];
    for walk in comparison.walks.iter().filter(|walk| is_in(&window, walk.start_s)) {
        for (segment, km) in &walk.weighted_km {
            if let Some(place) = place(*segment, walk.start_s) {
                places[place].km += km;
            }
        }
        for (segment, _) in &walk.met {
            if let Some(place) = place(*segment, walk.start_s) {
                places[place].count += 1;
            }
        }
    }
    let pairs = places.chunks_exact(2).zip(&has_sign).filter(|(_, has_sign)| **has_sign);
    let pairs: Vec<PairCounts> =
        pairs.map(|(pair, _)| PairCounts { signed: pair[0], unsigned: pair[1] }).collect();
    compare(&pairs, params).map(Some).map_err(DeriveError::internal)
}
