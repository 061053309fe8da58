//! Watched behaviour at signs: the share of parties that did as asked, with signs against without, before and after.

use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Role;
use crate::analysis::before_after::Unit;
use crate::analysis::before_after::WhyNot;
use crate::analysis::before_after::control::Cells;
use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::shares::watched_change;
use crate::analysis::before_after::totals;
use crate::analysis::before_after::watched::PlacesAnswer;
use crate::analysis::before_after::watched::Watched;
use crate::analysis::before_after::watched::places_compared;
use crate::derived::DeriveError;
use crate::derived::effect::Campaign;
use crate::derived::effect::LEVEL;
use crate::derived::effect::Times;
use crate::derived::effect::campaign::Side;
use crate::derived::effect::heeding::Heeding;
use crate::derived::effect::heeding::heeding;
use crate::derived::effect::watch_places::PlaceStanding;
use crate::derived::effect::watch_places::WatchPlace;
use crate::derived::effect::watch_places::asked_and_watcher;
use crate::derived::effect::watch_places::stands_during;
use crate::derived::effect::watch_places::without_overlaps;
use crate::derived::facts::Facts;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::sign_watch::Watcher;

/// What watching found.
#[derive(Debug, Default)]
pub struct Watching {
    /// Watches held.
    pub n_watches: usize,
    /// At standing signs: parties that read, and that did as asked.
    pub heeding: Vec<Heeding>,
    /// Signs that went up together, for each thing asked and way of watching; empty where no campaign is compared.
    pub compared: Vec<WatchComparison>,
    /// Watches at places that are neither with nor without signs: name of the place, watches, and why.
    pub left_out: Vec<(String, usize, String)>,
}

/// Watches of one campaign, one thing asked, one way of watching.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchComparison {
    /// The campaign, as an index.
    pub campaign: usize,
    /// What was asked, in lower case.
    pub asked: String,
    /// How walkers were watched.
    pub watcher: Watcher,
    /// The places, those with signs first.
    pub places: Vec<PlaceCounts>,
    /// Parties that did as asked, and in place of kilometres all that passed.
    pub cells: Cells,
    /// The change of the share, each place as one, with all watches before the signs as before.
    pub change: Effectiveness,
    /// The same with watches since the plan alone as before; none where no plan says when it chose.
    pub since_plan: Option<Effectiveness>,
    /// Places with signs against places without, while signs stood: no effect of signs, since places differ.
    pub after: PlacesAnswer,
}

/// What was counted at a place.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceCounts {
    /// Its name; of places that a sign warns the name of the sign.
    pub name: String,
    /// With a sign, or without.
    pub role: Role,
    /// Watches before, and after.
    pub n_watches: (usize, usize),
    /// Before.
    pub before: Watched,
    /// After.
    pub after: Watched,
}

/// Why a share of parties has no comparison, in words.
pub fn watch_why_words(why: WhyNot) -> &'static str {
    match why {
        WhyNot::NoSigns => "no place with a sign was watched",
        WhyNot::SignsNotWalked => "no place was watched both before its sign stood and while it did",
        WhyNot::NoControls => {
            "no place whose walkers passed no sign was watched in both periods, so nothing tells the signs from the years"
        }
        WhyNot::NoControlEncounters | WhyNot::NothingExpected => {
            "at places without signs nobody did as asked in one of the periods"
        }
    }
}

/// Watches, which come in order of their start, at signs and at places without; `campaigns` where walking is known.
pub(super) fn compute(
    facts: &Facts,
    watches: &[SignWatchDraft],
    places: &[WatchPlace],
    campaigns: &[Campaign],
) -> Result<Watching, DeriveError> {
    let signs = &facts.signs_in_place;
    let mut kinds: Vec<(String, Watcher)> = watches.iter().map(asked_and_watcher).collect();
    kinds.sort();
    kinds.dedup();
    let mut compared = Vec::new();
    for (idx, campaign) in campaigns.iter().enumerate() {
        for kind in &kinds {
            let ground = Ground { facts, watches, places, campaign };
            compared.extend(ground.compare(idx, kind)?);
        }
    }
    let left_out = |place: &WatchPlace| {
        let why = place.standing.as_ref().err()?;
        Some((place.name.clone(), place.watches.len(), why.clone()))
    };
    Ok(Watching {
        n_watches: watches.len(),
        heeding: heeding(watches, signs)?,
        compared,
        left_out: places.iter().filter_map(left_out).collect(),
    })
}

/// What one campaign is compared from.
struct Ground<'a> {
    facts: &'a Facts,
    watches: &'a [SignWatchDraft],
    places: &'a [WatchPlace],
    campaign: &'a Campaign,
}

/// A watch that counts: where, on which side.
struct Counted {
    unit: usize,
    side: Side,
    watch: usize,
}

impl Ground<'_> {
    /// None where no place with a sign of the campaign, or none at all, was watched for it.
    fn compare(
        &self,
        campaign: usize,
        kind: &(String, Watcher),
    ) -> Result<Option<WatchComparison>, DeriveError> {
        let (mut units, counted) = self.units(kind);
        for counted in &counted {
            let counts = self.watches[counted.watch].counts;
            let watched = Watched { passed: counts.passed().into(), did: counts.did().into() };
            let place = &mut units[counted.unit];
            let (sum, n) = match counted.side {
                Side::Before => (&mut place.before, &mut place.n_watches.0),
                Side::After => (&mut place.after, &mut place.n_watches.1),
            };
            *sum = sum.and(watched);
            *n += 1;
        }
        units.retain(|place| place.n_watches != (0, 0));
        if !units.iter().any(|place| place.role == Role::Signed) {
            return Ok(None);
        }
        units.sort_by_key(|place| place.role != Role::Signed);
        let params = CompareParams { level: LEVEL, seed: self.facts.settings.seed() };
        let times = &self.campaign.times;
        let all: Vec<Unit> = units.iter().map(unit).collect();
        let since_plan = times.chosen_s.map(|chosen_s| self.since(chosen_s, kind));
        let since_plan = since_plan.map(|units| watched_change(&units, &params)).transpose();
        let after = |role: Role| -> Vec<Watched> {
            units.iter().filter(|place| place.role == role).map(|place| place.after).collect()
        };
        let (signed, control) = (totals(&all, Role::Signed), totals(&all, Role::Control));
        Ok(Some(WatchComparison {
            campaign,
            asked: kind.0.clone(),
            watcher: kind.1,
            cells: Cells {
                signed_before: signed.0,
                signed_after: signed.1,
                control_before: control.0,
                control_after: control.1,
            },
            change: watched_change(&all, &params).map_err(DeriveError::internal)?,
            since_plan: since_plan.map_err(DeriveError::internal)?,
            after: places_compared(&after(Role::Signed), &after(Role::Control), &params)
                .map_err(DeriveError::internal)?,
            places: units,
        }))
    }

    /// The same units with what was watched since the places were chosen as before.
    fn since(&self, chosen_s: i64, kind: &(String, Watcher)) -> Vec<Unit> {
        let (places, counted) = self.units(kind);
        let mut units: Vec<Unit> = places.iter().map(unit).collect();
        for counted in counted.iter().filter(|counted| self.watches[counted.watch].start_s >= chosen_s) {
            let counts = self.watches[counted.watch].counts;
            let period = Period { count: counts.did().into(), km: counts.passed().into() };
            let sum = match counted.side {
                Side::Before => &mut units[counted.unit].before,
                Side::After => &mut units[counted.unit].after,
            };
            *sum = sum.and(period);
        }
        units
    }

    /// Empty units, one for the place of each sign and one for each place without, and the watches of a kind that fall to
    /// them.
    fn units(&self, kind: &(String, Watcher)) -> (Vec<PlaceCounts>, Vec<Counted>) {
        let mut units: Vec<(Vec<usize>, PlaceCounts)> = Vec::new();
        let mut counted = Vec::new();
        for place in self.places {
            let Some((signs, role)) = self.role(place) else { continue };
            let of_kind: Vec<usize> = place
                .watches
                .iter()
                .copied()
                .filter(|idx| asked_and_watcher(&self.watches[*idx]) == *kind)
                .collect();
            let known = units.iter().position(|(of, _)| !signs.is_empty() && *of == signs);
            let unit = known.unwrap_or_else(|| {
                let name = match signs.first() {
                    Some(sign) => self.facts.signs_in_place[*sign].given.name.clone(),
                    None => place.name.clone(),
                };
                let (n_watches, none) = ((0, 0), Watched::default());
                units.push((signs, PlaceCounts { name, role, n_watches, before: none, after: none }));
                units.len() - 1
            });
            for watch in without_overlaps(self.watches, &of_kind, asked_and_watcher) {
                if let Some(side) = self.side(place, &self.watches[watch]) {
                    counted.push(Counted { unit, side, watch });
                }
            }
        }
        (units.into_iter().map(|(_, place)| place).collect(), counted)
    }

    /// The campaign's signs that a place belongs to and its role; none where it belongs to other signs, or to nothing.
    fn role(&self, place: &WatchPlace) -> Option<(Vec<usize>, Role)> {
        let ours = |sign: &usize| self.campaign.signs.contains(sign);
        match place.standing.as_ref().ok()? {
            PlaceStanding::AtSigns(signs) => {
                let signs: Vec<usize> = signs.iter().copied().filter(ours).collect();
                (!signs.is_empty()).then_some((signs, Role::Signed))
            }
            // What is in reach of a sign is a part of what it does, as the place of the sign itself.
            PlaceStanding::WarnedBy { signs, .. } => {
                let sign = signs.iter().find(|sign| ours(sign))?;
                Some((self.with_neighbours(*sign), Role::Signed))
            }
            PlaceStanding::Control => Some((Vec::new(), Role::Control)),
        }
    }

    /// The campaign's signs at the place of this one, itself among them.
    fn with_neighbours(&self, sign: usize) -> Vec<usize> {
        let here = self.places.iter().map(WatchPlace::signs).find(|signs| signs.contains(&sign));
        let ours = |sign: &usize| self.campaign.signs.contains(sign);
        here.map_or_else(|| vec![sign], |signs| signs.iter().copied().filter(ours).collect())
    }

    /// The side that a watch lies on as a whole; none while a sign of another campaign stands or warns there, before or after.
    fn side(&self, place: &WatchPlace, watch: &SignWatchDraft) -> Option<Side> {
        let times: &Times = &self.campaign.times;
        let side = times.side(watch.start_s, i64::MIN)?;
        if times.side(watch.end_s() - 1, i64::MIN) != Some(side) {
            return None;
        }
        let other_stands = place.warning().iter().any(|sign| {
            !self.campaign.signs.contains(sign) && stands_during(&self.facts.signs_in_place[*sign], watch)
        });
        (!other_stands).then_some(side)
    }
}

fn unit(place: &PlaceCounts) -> Unit {
    let period = |watched: Watched| Period { count: watched.did, km: watched.passed as f64 };
    Unit { before: period(place.before), after: period(place.after), role: place.role }
}
