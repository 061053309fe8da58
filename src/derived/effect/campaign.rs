//! Signs that went up together, and the comparison of before and after.

use std::collections::BTreeMap;
use std::collections::HashMap;

use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Role;
use crate::analysis::before_after::Unit;
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
use crate::derived::effect::cells::Window;
use crate::derived::effect::draw;
use crate::derived::effect::length_km;
use crate::derived::effect::plan_of;
use crate::derived::effect::reports;
use crate::derived::effect::reports::ReportsAnswer;
use crate::derived::effect::walked::SurveyWalk;
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

/// Segments in a row that make one unit of comparison.
const UNIT_SEGMENTS: usize = 5;
/// Signs of one plan that go up farther apart than this are campaigns of their own.
const TOGETHER_S: i64 = 120 * 86_400;

/// Signs that went up together, and what may be said of them.
#[derive(Debug)]
pub struct Campaign {
    /// The name of the plan, or words for signs without one.
    pub name: String,
    /// The signs, as indices into the facts' signs in place.
    pub signs: Vec<usize>,
    /// The times that separate the periods.
    pub times: Times,
    /// Every sign's own counts.
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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// The records before it chose the places; none where no kept plan says so.
    pub chosen_s: Option<i64>,
    /// The first sign went up.
    pub first_up_s: i64,
    /// The last one went up: `after` begins.
    pub last_up_s: i64,
    /// The first one came down: `after` ends; none while all stand.
    pub first_down_s: Option<i64>,
}

/// One sign's counts on what it warns of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignCounts {
    /// The sign, as an index into the facts' signs in place.
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

/// What campaigns are compared from.
pub(super) struct Comparison<'a> {
    pub(super) facts: &'a Facts,
    pub(super) layer: &'a NetworkLayer,
    pub(super) exposure: Option<&'a ExposureLayer>,
    pub(super) snaps: &'a SnapLayer,
    pub(super) records: &'a SignRecords,
    pub(super) roles: &'a [SegmentRole],
    pub(super) walks: &'a [SurveyWalk],
    pub(super) matched: &'a WalkLayer,
    pub(super) season: Option<&'a SeasonLayer>,
}

/// The unit of every segment, and what each unit is.
struct UnitsOf {
    of_segment: Vec<Option<usize>>,
    roles: Vec<Role>,
}

impl Comparison<'_> {
    pub(super) fn campaigns(&self) -> Result<Vec<Campaign>, DeriveError> {
        self.together().into_iter().map(|signs| self.campaign(signs)).collect()
    }

    /// Signs of one plan that went up within four months.
    fn together(&self) -> Vec<Vec<usize>> {
        let signs = &self.facts.signs_in_place;
        let mut order: Vec<usize> = (0..signs.len()).collect();
        order.sort_by_key(|idx| {
            (signs[*idx].given.plan.map(|plan: SignPlanId| plan.0), signs[*idx].given.up_s)
        });
        let mut groups: Vec<Vec<usize>> = Vec::new();
        for idx in order {
            let sign: &SignInPlace = &signs[idx];
            let goes_on = groups.last().and_then(|group| group.first()).is_some_and(|first| {
                let first = &signs[*first];
                first.given.plan == sign.given.plan && sign.given.up_s - first.given.up_s <= TOGETHER_S
            });
            match groups.last_mut() {
                Some(group) if goes_on => group.push(idx),
                _ => groups.push(vec![idx]),
            }
        }
        groups
    }

    fn campaign(&self, signs: Vec<usize>) -> Result<Campaign, DeriveError> {
        let times = self.times(&signs);
        let units_of = self.units(&signs);
        let units = self.counted(&units_of, |start_s| times.side(start_s, i64::MIN));
        let params = CompareParams { level: LEVEL, seed: self.facts.settings.seed() };
        // The period that chose is known where a plan was kept; what lies between it and the signs chose nothing.
        let later = times.chosen_s.map(|chosen_s| {
            let units = self.counted(&units_of, |start_s| times.side(start_s, chosen_s));
            later_baseline(&units, &params)
        });
        let bayes = empirical_bayes(&units, &params).map_err(DeriveError::internal)?;
        let later = later.transpose().map_err(DeriveError::internal)?;
        let signed = totals(&units, Role::Signed);
        let plan = signs.first().and_then(|sign| plan_of(self.records, &self.facts.signs_in_place[*sign]));
        Ok(Campaign {
            name: plan.map_or_else(|| "Signs without a kept plan".to_owned(), |plan| plan.given.name.clone()),
            by_sign: signs
                .iter()
                .zip(&units)
                .map(|(sign, unit)| SignCounts { sign: *sign, before: unit.before, after: unit.after })
                .collect(),
            signed,
            control: totals(&units, Role::Control),
            controls: self.controls(&units_of, &units),
            raw_ratio: raw_ratio(signed),
            bayes,
            later,
            lottery: draw::lottery(self, plan, &times, &params)?,
            shares: self.shares(&units_of, &times, &params)?,
            reports: reports::answer(self, &units_of.segment_roles(), &times)?,
            signs,
            times,
        })
    }

    fn times(&self, signs: &[usize]) -> Times {
        let given = || signs.iter().map(|sign| &self.facts.signs_in_place[*sign].given);
        let first_up_s = given().map(|sign| sign.up_s).min().unwrap_or(i64::MAX);
        let plan = signs.first().and_then(|sign| plan_of(self.records, &self.facts.signs_in_place[*sign]));
        Times {
            chosen_s: plan.map(|plan| plan.created_at_s).filter(|chosen_s| *chosen_s <= first_up_s),
            first_up_s,
            last_up_s: given().map(|sign| sign.up_s).max().unwrap_or(i64::MAX),
            first_down_s: given().filter_map(|sign| sign.down_s).min(),
        }
    }

    /// One unit a sign, in their order, then rows of segments of one run; those of other campaigns belong to none.
    fn units(&self, signs: &[usize]) -> UnitsOf {
        let mut roles = vec![Role::Signed; signs.len()];
        let mut of_segment = vec![None; self.roles.len()];
        for segments in self.layer.network.trail_runs() {
            let mut row: Option<(SegmentRole, usize, usize)> = None;
            for segment in segments {
                let role = self.roles[*segment];
                of_segment[*segment] = match role {
                    SegmentRole::Signed(sign) => signs.iter().position(|known| *known == sign),
                    SegmentRole::NotWalked => None,
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
        UnitsOf { of_segment, roles }
    }

    /// Kilometres, weighted by season and hour, and encounters of every unit.
    fn counted(&self, units_of: &UnitsOf, side: impl Fn(i64) -> Option<Side>) -> Vec<Unit> {
        let empty = |role: &Role| Unit { before: Period::NONE, after: Period::NONE, role: *role };
        let mut units: Vec<Unit> = units_of.roles.iter().map(empty).collect();
        for walk in self.walks {
            let Some(side) = side(walk.start_s) else { continue };
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
    /// The role of every segment's unit.
    fn segment_roles(&self) -> Vec<Option<Role>> {
        self.of_segment.iter().map(|unit| unit.map(|unit| self.roles[unit])).collect()
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
    /// The time of a side.
    pub(super) fn window(&self, side: Side) -> Window {
        match side {
            Side::Before => (i64::MIN, self.first_up_s),
            Side::After => (self.last_up_s, self.first_down_s.unwrap_or(i64::MAX)),
        }
    }

    /// The side of an instant, none between the first and the last sign going up and once one came down; what lies before
    /// `from_s` is on no side.
    pub(super) fn side(&self, at_s: i64, from_s: i64) -> Option<Side> {
        if (from_s..self.first_up_s).contains(&at_s) {
            return Some(Side::Before);
        }
        let is_after = at_s >= self.last_up_s && self.first_down_s.is_none_or(|down_s| at_s < down_s);
        is_after.then_some(Side::After)
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
        let times = Times { chosen_s: Some(50), first_up_s: 100, last_up_s: 120, first_down_s: Some(200) };
        let check = |at_s, from_s, side| assert_eq!(times.side(at_s, from_s), side, "{at_s} from {from_s}");
        check(99, i64::MIN, Some(Side::Before));
        check(49, 50, None);
        check(50, 50, Some(Side::Before));
        check(100, i64::MIN, None);
        check(120, i64::MIN, Some(Side::After));
        check(200, i64::MIN, None);
    }
}
