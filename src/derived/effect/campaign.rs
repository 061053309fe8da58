//! Signs that went up together, and the comparison of before and after.

use std::collections::BTreeMap;
use std::collections::HashMap;

use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Role;
use crate::analysis::before_after::Unit;
use crate::analysis::before_after::WhyNot;
use crate::analysis::before_after::baseline::later_baseline;
use crate::analysis::before_after::control::Cells;
use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::empirical_bayes::empirical_bayes;
use crate::analysis::before_after::shares::share_change;
use crate::analysis::before_after::totals;
use crate::analysis::counts::Ratio;
use crate::derived::DeriveError;
use crate::derived::effect::LEVEL;
use crate::derived::effect::SegmentRole;
use crate::derived::effect::SignRecords;
use crate::derived::effect::before::before;
use crate::derived::effect::draw;
use crate::derived::effect::length_km;
use crate::derived::effect::passed::Passed;
use crate::derived::effect::plan_of;
use crate::derived::effect::reports;
use crate::derived::effect::reports::ReportsAnswer;
use crate::derived::effect::walked::SurveyWalk;
use crate::derived::effect::windows::Windows;
use crate::derived::effect::windows::common;
use crate::derived::effect::windows::is_in;
use crate::derived::effect::windows::joined;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps::SnapLayer;
use crate::derived::walks::WalkLayer;
use crate::domain::approach::Contact;
use crate::domain::ids::EncounterId;
use crate::domain::ids::SignPlanId;
use crate::store::SignInPlace;
use crate::store::SignPlan;

/// Segments in a row that make one unit of comparison.
const UNIT_SEGMENTS: usize = 5;
/// Signs of one plan that go up farther apart than this are campaigns of their own.
const TOGETHER_S: i64 = 120 * 86_400;
/// A sign where one came down less than this before is that sign, come back in the next season or replaced.
const COMES_BACK_S: i64 = 400 * 86_400;

/// The times at which one sign was put up, as indices into the facts' signs in place, the first one first: it may have come
/// back in the next season, or been replaced.
pub(super) type OneSign = Vec<usize>;

/// Signs that went up together, and what may be said of them.
#[derive(Debug)]
pub struct Campaign {
    /// The name of the plan, or words for signs without one.
    pub name: String,
    /// The signs, as indices into the facts' signs in place; one that came back, or was replaced, has several.
    pub signs: Vec<usize>,
    /// The times that separate the periods.
    pub times: Times,
    /// Every sign's own counts, one that came back only once.
    pub by_sign: Vec<SignCounts>,
    /// Totals where signs warn, before and after, here as below of planned walks with kilometres weighted by season and hour.
    pub signed: (Period, Period),
    /// Totals on controls, before and after.
    pub control: (Period, Period),
    /// The controls by trail.
    pub controls: Vec<ControlRow>,
    /// After over before where signs warn: biased, shown struck.
    pub raw_ratio: Ratio,
    /// With what the posterior expected.
    pub bayes: Effectiveness,
    /// With a later period as baseline; none where no plan says which period chose.
    pub later: Option<Effectiveness>,
    /// With the places that lost the draw; none where the plan drew no lots.
    pub lottery: Option<Effectiveness>,
    /// Kinds of contact among survey encounters.
    pub shares: Vec<ShareOutcome>,
    /// What reports say.
    pub reports: ReportsAnswer,
}

/// Seconds since 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Times {
    /// The records before it chose the places; none where no kept plan says so.
    pub chosen_s: Option<i64>,
    /// The first sign went up.
    pub first_up_s: i64,
    /// From when until before when counts are `before`, in order, the first from [`i64::MIN`] on: until the first sign went up, but
    /// for when signs of other campaigns warned where these do. Controls have the same times, since years differ.
    pub before: Vec<(i64, i64)>,
    /// From when until before when all stand: `after`, in order. The last ends at [`i64::MAX`] while they do; none where they
    /// never stood all at once.
    pub after: Vec<(i64, i64)>,
}

/// One sign's counts on what it warns of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignCounts {
    /// The sign as it went up first, as an index into the facts' signs in place.
    pub sign: usize,
    /// Before.
    pub before: Period,
    /// After.
    pub after: Period,
}

/// Controls on one trail.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlRow {
    /// The trail.
    pub trail: String,
    /// Length whose walkers passed no sign, km.
    pub length_km: f64,
    /// Before.
    pub before: Period,
    /// After.
    pub after: Period,
}

/// The share of a kind of contact among survey encounters.
#[derive(Debug, Clone, PartialEq)]
pub struct ShareOutcome {
    /// The kind of contact.
    pub contact: Contact,
    /// What was counted since a kept plan chose the places; none where no plan says which records did, since close contacts
    /// may have.
    pub since_plan: Option<ShareCompared>,
}

/// Shares before and after that chose nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct ShareCompared {
    /// Encounters of the kind, and in place of kilometres those of any known kind.
    pub cells: Cells,
    /// The change of the share, each sign as one.
    pub found: Effectiveness,
}

/// Whether a sign is one of these.
pub(super) fn is_of(signs: &[OneSign], sign: usize) -> bool {
    signs.iter().any(|one| one.contains(&sign))
}

/// What campaigns are compared from.
pub(super) struct Comparison<'a> {
    pub(super) facts: &'a Facts,
    pub(super) layer: &'a NetworkLayer,
    pub(super) exposure: Option<&'a ExposureLayer>,
    pub(super) snaps: &'a SnapLayer,
    pub(super) records: &'a SignRecords,
    /// For every sign of the facts the first one at its vertex; none where it stands away from the trails.
    pub(super) speakers: &'a [Option<usize>],
    pub(super) passed: &'a Passed,
    pub(super) roles: &'a [SegmentRole],
    pub(super) walks: &'a [SurveyWalk],
    pub(super) matched: &'a WalkLayer,
    pub(super) season: Option<&'a SeasonLayer>,
}

/// The unit of every segment, and what each unit is.
pub(super) struct UnitsOf {
    of_segment: Vec<Option<usize>>,
    roles: Vec<Role>,
    /// When counts are before.
    before: Windows,
}

impl Comparison<'_> {
    pub(super) fn campaigns(&self) -> Result<Vec<Campaign>, DeriveError> {
        self.together().into_iter().map(|signs| self.campaign(signs)).collect()
    }

    /// Signs of one plan that went up within four months, by when each went up first.
    fn together(&self) -> Vec<Vec<OneSign>> {
        let signs = &self.facts.signs_in_place;
        let plan_and_up = |one: &OneSign| {
            let first: Option<&SignInPlace> = one.first().map(|idx| &signs[*idx]);
            first.map(|first| (first.given.plan.map(|plan: SignPlanId| plan.0), first.given.up_s))
        };
        let mut order = self.each_once();
        order.sort_by_key(plan_and_up);
        let mut groups: Vec<Vec<OneSign>> = Vec::new();
        for one in order {
            let first = groups.last().and_then(|group| group.first()).and_then(plan_and_up);
            let goes_on = first
                .zip(plan_and_up(&one))
                .is_some_and(|(first, this)| first.0 == this.0 && this.1 - first.1 <= TOGETHER_S);
            match groups.last_mut() {
                Some(group) if goes_on => group.push(one),
                _ => groups.push(vec![one]),
            }
        }
        groups
    }

    /// Every sign once: what went up where another one stood, or had come down not long before, is the same sign.
    fn each_once(&self) -> Vec<OneSign> {
        let signs = &self.facts.signs_in_place;
        let mut order: Vec<usize> = (0..signs.len()).collect();
        order.sort_by_key(|idx| signs[*idx].given.up_s);
        let mut known: Vec<(OneSign, i64)> = Vec::new();
        for idx in order {
            let given = &signs[idx].given;
            let down_s = given.down_s.unwrap_or(i64::MAX);
            let here = self.speakers[idx];
            let is_same = |(one, until_s): &&mut (OneSign, i64)| {
                here.is_some()
                    && here == self.speaker(one)
                    && given.up_s.saturating_sub(*until_s) < COMES_BACK_S
            };
            match known.iter_mut().rev().find(is_same) {
                Some((one, until_s)) => {
                    one.push(idx);
                    *until_s = down_s.max(*until_s);
                }
                None => known.push((vec![idx], down_s)),
            }
        }
        known.into_iter().map(|(one, _)| one).collect()
    }

    fn campaign(&self, signs: Vec<OneSign>) -> Result<Campaign, DeriveError> {
        let units_of = self.units(&signs);
        let times = self.times(&signs, &units_of);
        let units = self.counted(&units_of, &times, i64::MIN);
        let params = CompareParams { level: LEVEL, seed: self.facts.settings.seed() };
        // The period that chose is known where a plan was kept; what lies between it and the signs chose nothing.
        let later = times
            .chosen_s
            .map(|chosen_s| later_baseline(&self.counted(&units_of, &times, chosen_s), &params));
        let bayes = expected_of_walked(&units, &params)?;
        let later = later.transpose().map_err(DeriveError::internal)?;
        let signed = totals(&units, Role::Signed);
        let plan = self.plan_of(&signs);
        Ok(Campaign {
            name: plan.map_or_else(|| "Signs without a kept plan".to_owned(), |plan| plan.given.name.clone()),
            by_sign: signs
                .iter()
                .zip(&units)
                .filter_map(|(one, unit)| {
                    Some(SignCounts { sign: *one.first()?, before: unit.before, after: unit.after })
                })
                .collect(),
            signed,
            control: totals(&units, Role::Control),
            controls: self.controls(&units_of, &units),
            raw_ratio: raw_ratio(signed),
            bayes,
            later,
            lottery: draw::lottery(self, plan, &signs, &params)?,
            shares: self.shares(&units_of, &times, &params)?,
            reports: reports::answer(self, &units_of, &times)?,
            signs: signs.into_iter().flatten().collect(),
            times,
        })
    }

    fn speaker(&self, one: &OneSign) -> Option<usize> {
        one.first().and_then(|first| self.speakers[*first])
    }

    fn plan_of(&self, signs: &[OneSign]) -> Option<&SignPlan> {
        let first = signs.first().and_then(|one| one.first())?;
        plan_of(self.records, &self.facts.signs_in_place[*first])
    }

    fn times(&self, signs: &[OneSign], units_of: &UnitsOf) -> Times {
        let first_up_s = self.first_up_s(signs);
        Times {
            chosen_s: self.plan_of(signs).map(|plan| plan.created_at_s).filter(|it| *it <= first_up_s),
            first_up_s,
            before: units_of.before.clone(),
            after: self.all_stand(signs),
        }
    }

    fn first_up_s(&self, signs: &[OneSign]) -> i64 {
        let up_s = signs.iter().flatten().map(|sign| self.facts.signs_in_place[*sign].given.up_s);
        up_s.min().unwrap_or(i64::MAX)
    }

    /// When all of some signs stand; none without any.
    pub(super) fn all_stand(&self, signs: &[OneSign]) -> Windows {
        let stands = signs.iter().map(|one| self.stand(one.iter().copied()));
        stands.reduce(|all, one| common(&all, &one)).unwrap_or_default()
    }

    /// When any of these, indices into the facts' signs, stands.
    fn stand(&self, signs: impl Iterator<Item = usize>) -> Windows {
        let given = signs.map(|sign| &self.facts.signs_in_place[sign].given);
        joined(given.map(|sign| (sign.up_s, sign.down_s.unwrap_or(i64::MAX))))
    }

    /// When signs of a kind, indices into the facts' signs, warn on a segment.
    pub(super) fn warn(&self, segment: usize, is_meant: impl Fn(usize) -> bool) -> Windows {
        let warning = self.passed.warning(segment);
        let here = |sign: &usize| self.speakers[*sign].is_some_and(|speaker| warning.contains(&speaker));
        match warning.is_empty() {
            true => Windows::new(),
            false => self.stand((0..self.speakers.len()).filter(|sign| here(sign) && is_meant(*sign))),
        }
    }

    /// One unit a sign, in their order, then rows of segments of one run; those where others alone warn belong to none. Controls
    /// lose nothing to others, since hardly any of their walkers has passed a sign ever.
    fn units(&self, signs: &[OneSign]) -> UnitsOf {
        let mut roles = vec![Role::Signed; signs.len()];
        let mut of_segment = vec![None; self.roles.len()];
        let mut taken: BTreeMap<usize, Windows> = BTreeMap::new();
        let spots: Vec<Option<usize>> = signs.iter().map(|one| self.speaker(one)).collect();
        let unit_at = |spot: usize| spots.iter().position(|known| *known == Some(spot));
        for segments in self.layer.network.trail_runs() {
            let mut row: Option<(SegmentRole, usize, usize)> = None;
            for segment in segments {
                let role = self.roles[*segment];
                let ours = self.passed.signed_by(*segment, |spot| unit_at(spot).is_some()).and_then(unit_at);
                of_segment[*segment] = match role {
                    _ if ours.is_some() => {
                        taken.insert(*segment, self.warn(*segment, |sign| !is_of(signs, sign)));
                        ours
                    }
                    SegmentRole::Signed(_) | SegmentRole::NotWalked => None,
                    SegmentRole::Control | SegmentRole::Mixed => {
                        let goes_on = row.filter(|(known, _, n)| *known == role && *n < UNIT_SEGMENTS);
                        let (_, unit, n) = goes_on.unwrap_or_else(|| {
                            let is_control = role == SegmentRole::Control;
                            roles.push(if is_control { Role::Control } else { Role::Other });
                            (role, roles.len() - 1, 0)
                        });
                        row = Some((role, unit, n + 1));
                        Some(unit)
                    }
                };
                if of_segment[*segment].is_none_or(|unit| unit < signs.len()) {
                    row = None;
                }
            }
        }
        let is_ours = |segment: usize| taken.contains_key(&segment);
        let before = before(self.walks, self.first_up_s(signs), is_ours, &taken);
        before.left_out.iter().for_each(|segment| of_segment[*segment] = None);
        UnitsOf { of_segment, roles, before: before.times }
    }

    /// Kilometres, weighted by season and hour, and encounters of every unit; what lies before `from_s` counts nowhere.
    fn counted(&self, units_of: &UnitsOf, times: &Times, from_s: i64) -> Vec<Unit> {
        let empty = |role: &Role| Unit { before: Period::NONE, after: Period::NONE, role: *role };
        let mut units: Vec<Unit> = units_of.roles.iter().map(empty).collect();
        for walk in self.walks {
            let Some(side) = times.side(walk.start_s, from_s) else { continue };
            for (segment, km) in &walk.weighted_km {
                if let Some(unit) = units_of.of_segment[*segment] {
                    side.of(&mut units[unit]).km += km;
                }
            }
            for (segment, _) in &walk.met {
                if let Some(unit) = units_of.of_segment[*segment] {
                    side.of(&mut units[unit]).count += 1;
                }
            }
        }
        units
    }

    fn controls(&self, units_of: &UnitsOf, units: &[Unit]) -> Vec<ControlRow> {
        let mut rows: BTreeMap<&str, ControlRow> = BTreeMap::new();
        let mut seen = vec![false; units.len()];
        for (segment, unit) in units_of.of_segment.iter().enumerate() {
            let Some(unit) = unit.filter(|unit| units[*unit].role == Role::Control) else { continue };
            let trail = self.layer.trail_name(segment);
            let row = rows.entry(trail).or_insert_with(|| ControlRow {
                trail: trail.to_owned(),
                length_km: 0.0,
                before: Period::NONE,
                after: Period::NONE,
            });
            row.length_km += length_km(&self.layer.network, &[segment]);
            if !std::mem::replace(&mut seen[unit], true) {
                row.before = row.before.and(units[unit].before);
                row.after = row.after.and(units[unit].after);
            }
        }
        rows.into_values().collect()
    }

    /// How often survey encounters were of each kind of contact: of an encounter's approaches the closest counts.
    fn shares(
        &self,
        units_of: &UnitsOf,
        times: &Times,
        params: &CompareParams,
    ) -> Result<Vec<ShareOutcome>, DeriveError> {
        let mut closest: HashMap<EncounterId, Contact> = HashMap::new();
        for approach in self.records.approaches.iter().filter(|approach| !approach.is_trial) {
            let known = closest.entry(approach.encounter_id).or_insert(approach.contact);
            *known = (*known).max(approach.contact);
        }
        let compared = |wanted: Contact, chosen_s: i64| -> Result<ShareCompared, DeriveError> {
            let empty = |role: &Role| Unit { before: Period::NONE, after: Period::NONE, role: *role };
            let mut units: Vec<Unit> = units_of.roles.iter().map(empty).collect();
            for walk in self.walks {
                let Some(side) = times.side(walk.start_s, chosen_s) else { continue };
                for (segment, encounter) in &walk.met {
                    let contact = closest.get(&self.facts.encounters.rows[*encounter].id);
                    if let (Some(unit), Some(contact)) = (units_of.of_segment[*segment], contact) {
                        let cell = side.of(&mut units[unit]);
                        cell.km += 1.0;
                        cell.count += u64::from(*contact == wanted);
                    }
                }
            }
            let (signed_before, signed_after) = totals(&units, Role::Signed);
            let (control_before, control_after) = totals(&units, Role::Control);
            let found = share_change(&units, params).map_err(DeriveError::internal)?;
            let cells = Cells { signed_before, signed_after, control_before, control_after };
            Ok(ShareCompared { cells, found })
        };
        [Contact::Over, Contact::Underfoot, Contact::Handled]
            .into_iter()
            .map(|contact| {
                let since_plan = times.chosen_s.map(|chosen_s| compared(contact, chosen_s)).transpose()?;
                Ok(ShareOutcome { contact, since_plan })
            })
            .collect()
    }
}

impl UnitsOf {
    /// By segment, the times of a side where its unit has a role; none where it has another one.
    pub(super) fn windows(&self, role: Role, side: Side, times: &Times) -> Vec<Windows> {
        let is_of_role = |unit: &Option<usize>| unit.is_some_and(|unit| self.roles[unit] == role);
        let times = |unit| if is_of_role(unit) { times.windows(side) } else { Windows::new() };
        self.of_segment.iter().map(times).collect()
    }
}

/// A side of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Before,
    After,
}

impl Side {
    fn of(self, unit: &mut Unit) -> &mut Period {
        match self {
            Self::Before => &mut unit.before,
            Self::After => &mut unit.after,
        }
    }
}

impl Times {
    /// The times of a side.
    fn windows(&self, side: Side) -> Windows {
        match side {
            Side::Before => self.before.clone(),
            Side::After => self.after.clone(),
        }
    }

    /// The side of an instant; none while other signs warned before, and once one of these has gone up while not all stand. What
    /// lies before `from_s` is on no side.
    pub(super) fn side(&self, at_s: i64, from_s: i64) -> Option<Side> {
        match () {
            () if at_s >= from_s && is_in(&self.before, at_s) => Some(Side::Before),
            () if is_in(&self.after, at_s) => Some(Side::After),
            () => None,
        }
    }
}

/// With what the posterior expected of every sign whose stretches were walked before. Of others it knows no more than the mean
/// of all stretches, and places for signs are chosen for being unlike that.
fn expected_of_walked(units: &[Unit], params: &CompareParams) -> Result<Effectiveness, DeriveError> {
    let is_unknown = |unit: &Unit| unit.role == Role::Signed && unit.before.km <= 0.0;
    let as_other = |unit: &Unit| if is_unknown(unit) { Unit { role: Role::Other, ..*unit } } else { *unit };
    let known: Vec<Unit> = units.iter().map(as_other).collect();
    match empirical_bayes(&known, params).map_err(DeriveError::internal)? {
        Effectiveness::NotEstimable(WhyNot::NoSigns) if units.iter().any(is_unknown) => {
            Ok(Effectiveness::NotEstimable(WhyNot::SignsNotWalked))
        }
        found => Ok(found),
    }
}

fn raw_ratio((before, after): (Period, Period)) -> Ratio {
    let (up, down) = (after.count as f64 * before.km, before.count as f64 * after.km);
    match down > 0.0 {
        true => Ratio::Finite(up / down),
        false if up > 0.0 => Ratio::Infinite,
        false => Ratio::Undefined,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_fall_before_between_or_after() {
        let (before, after) = (vec![(i64::MIN, 30), (40, 100)], vec![(120, 200), (300, i64::MAX)]);
        let times = Times { chosen_s: Some(50), first_up_s: 100, before, after };
        let check = |at_s, from_s, side| assert_eq!(times.side(at_s, from_s), side, "{at_s} from {from_s}");
        check(99, i64::MIN, Some(Side::Before));
        check(49, 50, None);
        check(29, i64::MIN, Some(Side::Before));
        check(30, i64::MIN, None);
        check(50, 50, Some(Side::Before));
        check(100, i64::MIN, None);
        check(120, i64::MIN, Some(Side::After));
        check(200, i64::MIN, None);
        check(300, i64::MIN, Some(Side::After));
    }
    /// A stretch never walked before is expected to be like the mean of all; a place chosen for many snakes is not.
    #[test]
    fn a_place_of_which_nothing_is_known_is_expected_to_be_nothing() {
        let unit = |before: (u64, f64), after: (u64, f64), role| {
            let period = |(count, km)| Period { count, km };
            Unit { before: period(before), after: period(after), role }
        };
        let control = unit((20, 100.0), (20, 100.0), Role::Control);
        let unknown = unit((0, 0.0), (60, 100.0), Role::Signed);
        let units = [control, control, control, unknown];
        let params = CompareParams::default();
        let Ok(Effectiveness::Estimated(naive)) = empirical_bayes(&units, &params) else { panic!() };
        assert!(naive.change.estimate().unwrap() > 2.0, "taken for a harmful sign: {naive:?}");
        let found = expected_of_walked(&units, &params).unwrap();
        assert_eq!(found, Effectiveness::NotEstimable(WhyNot::SignsNotWalked));
        let known = unit((60, 100.0), (60, 100.0), Role::Signed);
        let found = expected_of_walked(&[control, control, control, unknown, known], &params).unwrap();
        let Effectiveness::Estimated(index) = found else { panic!("{found:?}") };
        assert_eq!((index.n_signs, index.observed), (1, 60));
    }
}
