//! Survey walks matched to the trails, with the encounters tied to them: survey-km and survey counts by segment.

use std::collections::BTreeMap;
use std::collections::HashMap;

use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::analysis::exposure::SurveyExposure;
use crate::analysis::exposure::SurveyLeg;
use crate::analysis::exposure::SurveyPurpose;
use crate::analysis::exposure::YearMonth;
use crate::analysis::exposure::survey_exposure;
use crate::analysis::snap;
use crate::analysis::snap::Allocation;
use crate::analysis::snap::PriorUse;
use crate::analysis::snap::Snap;
use crate::analysis::track_match::MatchParams;
use crate::analysis::track_match::TrackMatch;
use crate::analysis::track_match::TrackPoint;
use crate::analysis::track_match::match_tracks;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::season_levels::likeliest;
use crate::derived::snaps;
use crate::domain::encounter::EffortKind;
use crate::domain::walk::Purpose;
use crate::domain::walk::Walk;

/// All survey walks of the facts, matched.
#[derive(Debug)]
pub struct WalkLayer {
    /// The walks, in the facts' order.
    pub walks: Vec<MatchedWalk>,
    /// The passages of all walks over segments.
    pub legs: Vec<SurveyLeg>,
    /// Survey-km by segment and purpose.
    pub exposure: SurveyExposure,
    /// The survey encounters that may go into figures.
    pub records: Vec<SurveyRecord>,
    /// Where each of them lies in each draw, among the segments that its walk went over.
    pub allocation: Allocation,
    /// Encounters on planned walks by segment, mean over draws.
    pub planned_counts: Vec<f64>,
}

/// One walk.
#[derive(Debug)]
pub struct MatchedWalk {
    /// When it began, local time.
    pub start: DateTime,
    /// The local hours in which it was walked, each with its share of the time: of the track's times, else from start to
    /// end, else the hour in which it began.
    pub hours: Vec<(usize, f64)>,
    /// The track on the network; without legs where no track was recorded or none of it lies on the trails.
    pub matched: TrackMatch,
    /// Metres walked by segment.
    pub metres: BTreeMap<usize, f64>,
    /// Its encounters that may go into figures, as indices into the facts' encounters. Empty on a walk without any, which
    /// counts as much as the others.
    pub encounters: Vec<usize>,
}

/// A survey encounter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SurveyRecord {
    /// The encounter, an index into the facts' encounters.
    pub encounter: usize,
    /// What it may be divided by.
    pub fate: Fate,
    /// The segment that weighs most for it among those of its walk; none where it is in no rate.
    pub likeliest: Option<usize>,
}

/// Whether a survey encounter is in a survey rate, and if not, why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fate {
    /// It lies on what this walk, an index into the walks, went over.
    OnWalk(usize),
    /// Nothing says on which walk it was met.
    NoWalk,
    /// Its walk has no track on the trails.
    NoTrack,
    /// Its position is missing, at a place, too vague, or away from what its walk went over.
    Elsewhere,
}

impl WalkLayer {
    /// Whole-number counts by draw and segment of the encounters met on walks of a purpose for which `is_counted` holds
    /// (asked with the index of the encounter and of its walk).
    pub fn counts(
        &self,
        facts: &Facts,
        purpose: Purpose,
        is_counted: impl Fn(usize, usize) -> bool,
    ) -> Vec<u32> {
        let n_segments = self.exposure.planned_km.len();
        self.allocation.counts_by_draw_where(n_segments, |record| match self.records[record].fate {
            Fate::OnWalk(walk) => {
                facts.walks[walk].given.purpose == purpose && is_counted(self.records[record].encounter, walk)
            }
            Fate::NoWalk | Fate::NoTrack | Fate::Elsewhere => false,
        })
    }

    /// How many survey encounters came to what a predicate asks for.
    pub fn n_with(&self, is_asked: impl Fn(Fate) -> bool) -> usize {
        self.records.iter().filter(|record| is_asked(record.fate)).count()
    }
}

/// Survey-km by segment on walks of a purpose.
pub fn km_of(exposure: &SurveyExposure, purpose: Purpose) -> &[f64] {
    match purpose {
        Purpose::Planned => &exposure.planned_km,
        Purpose::Targeted => &exposure.targeted_km,
        Purpose::Opportunistic => &exposure.opportunistic_km,
    }
}

/// Matches all walks and ties survey encounters to them.
///
/// # Errors
/// [`DeriveError::Internal`] when a setting is refused or inputs do not fit together.
pub fn compute(facts: &Facts, layer: &NetworkLayer) -> Result<WalkLayer, DeriveError> {
    let zone = TimeZone::get(&facts.area.time_zone).map_err(DeriveError::internal)?;
    let tracks: Vec<Vec<TrackPoint>> = facts.walks.iter().map(|walk| track(layer, walk)).collect();
    let network = &layer.network;
    let matches = match_tracks(&layer.index, network.graph(), &tracks, &match_params(facts))
        .map_err(DeriveError::internal)?;
    let mut walks: Vec<MatchedWalk> = facts
        .walks
        .iter()
        .zip(matches)
        .map(|(walk, matched)| MatchedWalk {
            start: local_start(walk, &zone),
            hours: hours_of(walk, &zone),
            metres: outside_places(matched.metres_by_segment(), layer),
            matched,
            encounters: Vec::new(),
        })
        .collect();
    let legs: Vec<SurveyLeg> =
        facts.walks.iter().zip(&walks).flat_map(|(walk, matched)| survey_legs(walk, matched)).collect();
    let exposure = survey_exposure(network.segments.len(), &legs).map_err(DeriveError::internal)?;
    let (records, snaps) = tie(facts, layer, &mut walks)?;
    let allocation = snap::allocate(&snaps, facts.settings.draws(), facts.settings.seed());
    let planned_counts = vec![0.0; network.segments.len()];
    let mut layer = WalkLayer { walks, legs, exposure, records, allocation, planned_counts };
    let counts = layer.counts(facts, Purpose::Planned, |_, _| true);
    let n_draws = layer.allocation.n_draws() as f64;
    for row in counts.chunks(layer.planned_counts.len().max(1)) {
        row.iter().zip(&mut layer.planned_counts).for_each(|(n, mean)| *mean += f64::from(*n) / n_draws);
    }
    Ok(layer)
}

impl MatchedWalk {
    /// Of what was walked on the trails, metres inside places with visits: they are in no survey rate.
    pub fn inside_places_m(&self) -> f64 {
        (self.matched.walked_m() - self.metres.values().sum::<f64>()).max(0.0)
    }
}

/// Metres by segment without those inside places with visits, whose encounters are in no rate of a segment.
fn outside_places(mut metres: BTreeMap<usize, f64>, layer: &NetworkLayer) -> BTreeMap<usize, f64> {
    metres.iter_mut().for_each(|(segment, walked_m)| *walked_m *= layer.outside_places[*segment]);
    metres.retain(|_, walked_m| *walked_m > 0.0);
    metres
}

/// The parameters of matching.
pub fn match_params(facts: &Facts) -> MatchParams {
    MatchParams {
        sigma_m: facts.settings.track_error_m,
        vehicle_m_per_s: facts.settings.vehicle_km_per_h / 3.6,
        ..MatchParams::default()
    }
}

/// A walk's track in the network's plane.
pub fn track(layer: &NetworkLayer, walk: &Walk) -> Vec<TrackPoint> {
    let times = walk.given.track_times_s.iter().map(|time_s| Some(*time_s));
    let times = times.chain(std::iter::repeat(None));
    let plane = &layer.network.plane;
    let point = |(position, time_s)| TrackPoint { at: plane.to_plane(position), time_s };
    walk.given.track.iter().copied().zip(times).map(point).collect()
}

fn local_start(walk: &Walk, zone: &TimeZone) -> DateTime {
    let instant = jiff::Timestamp::from_second(walk.given.start_s).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    zone.to_datetime(instant)
}

/// A walk that lasts longer than this has a wrong end.
const LONGEST_WALK_S: i64 = 86_400;

fn hours_of(walk: &Walk, zone: &TimeZone) -> Vec<(usize, f64)> {
    let given = &walk.given;
    let timed = given.track_times_s.iter().copied();
    let (from_s, until_s) = match (timed.clone().min(), timed.max()) {
        (Some(first), Some(last)) if last > first => (first, last),
        _ => (given.start_s, given.end_s.unwrap_or(given.start_s)),
    };
    let until_s = if (0..=LONGEST_WALK_S).contains(&(until_s - from_s)) { until_s } else { from_s };
    let hour_at = |instant_s: i64| {
        let instant = jiff::Timestamp::from_second(instant_s).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        let local = zone.to_datetime(instant);
        let past_s = i64::from(local.minute()) * 60 + i64::from(local.second());
        (usize::from(local.hour().unsigned_abs()), 3600 - past_s)
    };
    let mut hours: Vec<(usize, f64)> = Vec::new();
    let mut at_s = from_s;
    loop {
        let (hour, left_s) = hour_at(at_s);
        let next_s = (at_s + left_s).min(until_s);
        let share = if until_s > from_s { (next_s - at_s) as f64 / (until_s - from_s) as f64 } else { 1.0 };
        match hours.iter_mut().find(|(known, _)| *known == hour) {
            Some((_, sum)) => *sum += share,
            None => hours.push((hour, share)),
        }
        at_s = next_s;
        if at_s >= until_s {
            return hours;
        }
    }
}

impl MatchedWalk {
    /// The mean of something by local hour over the time in which it was walked.
    pub fn mean_over_hours(&self, of_hour: impl Fn(usize) -> f64) -> f64 {
        self.hours.iter().map(|(hour, share)| share * of_hour(*hour)).sum()
    }
}

fn survey_legs(walk: &Walk, matched: &MatchedWalk) -> Vec<SurveyLeg> {
    let purpose = match walk.given.purpose {
        Purpose::Planned => SurveyPurpose::Planned,
        Purpose::Targeted => SurveyPurpose::Targeted,
        Purpose::Opportunistic => SurveyPurpose::Opportunistic,
    };
    let legs = matched.metres.iter().flat_map(|(segment, metres)| {
        matched.hours.iter().map(move |(hour, share)| SurveyLeg {
            segment: *segment,
            km: metres / 1000.0 * share,
            purpose,
            year_month: YearMonth::of(matched.start.date()),
            hour: *hour,
        })
    });
    legs.collect()
}

/// Ties survey encounters to their walks, and to the segments that those went over.
fn tie(
    facts: &Facts,
    layer: &NetworkLayer,
    walks: &mut [MatchedWalk],
) -> Result<(Vec<SurveyRecord>, Vec<Snap>), DeriveError> {
    let walk_of: HashMap<_, _> = facts.walks.iter().enumerate().map(|(idx, walk)| (walk.id, idx)).collect();
    let rows = &facts.encounters.rows;
    let surveyed = (0..rows.len())
        .filter(|idx| rows[*idx].effort_kind == EffortKind::Survey && facts.counts(&rows[*idx]));
    let mut prior = vec![0.0; layer.network.segments.len()];
    let (mut records, mut ties) = (Vec::new(), Vec::new());
    for encounter in surveyed {
        let walk = rows[encounter].walk_id.and_then(|id| walk_of.get(&id).copied());
        let (fate, tied) = match walk {
            None => (Fate::NoWalk, nowhere()),
            Some(idx) => {
                walks[idx].encounters.push(encounter);
                tie_one(facts, layer, (encounter, idx), &walks[idx].metres, &mut prior)?
            }
        };
        records.push(SurveyRecord { encounter, fate, likeliest: likeliest(&tied) });
        ties.push(tied);
    }
    Ok((records, ties))
}

fn nowhere() -> Snap {
    Snap::OffTrail { nearest_m: None }
}

/// Where an encounter of a walk lies among the segments that the walk went over; `prior` is all zero before and after.
fn tie_one(
    facts: &Facts,
    layer: &NetworkLayer,
    (encounter, walk): (usize, usize),
    metres: &BTreeMap<usize, f64>,
    prior: &mut [f64],
) -> Result<(Fate, Snap), DeriveError> {
    if metres.is_empty() {
        return Ok((Fate::NoTrack, nowhere()));
    }
    let Some(position) = &facts.encounters.rows[encounter].position else {
        return Ok((Fate::Elsewhere, nowhere()));
    };
    // A metre walked twice had twice the chance to meet the snake.
    for (segment, walked_m) in metres {
        let outside_m = layer.network.segments[*segment].length_m * layer.outside_places[*segment];
        prior[*segment] = walked_m / outside_m;
    }
    let position = snaps::record_position(position);
    let tied = layer.index.snap(&position, Some(prior), &snaps::params(facts));
    metres.keys().for_each(|segment| prior[*segment] = 0.0);
    let mut tied = [tied.map_err(DeriveError::internal)?];
    snaps::set_by_hand(facts, layer, &[encounter], &mut tied);
    let [tied] = tied;
    let is_on_walk = match &tied {
        Snap::OnTrail(on_trail) => on_trail.prior == PriorUse::Given,
        Snap::ByHand { segment_idx } => metres.contains_key(segment_idx),
        Snap::AtPlace { .. } | Snap::TooVague { .. } | Snap::OffTrail { .. } => false,
    };
    Ok(if is_on_walk { (Fate::OnWalk(walk), tied) } else { (Fate::Elsewhere, nowhere()) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ids::WalkId;
    use crate::domain::walk::WalkDraft;

    /// The naive way gave a whole walk to the hour in which it began.
    #[test]
    fn a_walk_lies_in_the_hours_in_which_it_was_walked() {
        // 2024-05-01T06:30:00Z.
        let start_s = 1_714_545_000;
        let hours = |end_s: Option<i64>, track_times_s: Vec<i64>| {
            let given = WalkDraft {
                event_id: "W1".to_owned(),
                parent_event_id: String::new(),
                purpose: Purpose::Planned,
                observers: String::new(),
                start_s,
                end_s,
                sampling_protocol: String::new(),
                track: Vec::new(),
                track_times_s,
            };
            hours_of(&Walk { id: WalkId(1), given }, &TimeZone::UTC)
        };
        assert_eq!(hours(Some(start_s + 7_200), Vec::new()), [(6, 0.25), (7, 0.5), (8, 0.25)]);
        // The track's own times come first; without an end, or with a wrong one, the hour of the start stands.
        let timed = hours(Some(start_s + 7_200), vec![start_s + 1_800, start_s + 3_600]);
        assert_eq!(timed, [(7, 1.0)]);
        for end_s in [None, Some(start_s), Some(start_s - 60), Some(start_s + 10 * 86_400)] {
            assert_eq!(hours(end_s, Vec::new()), [(6, 1.0)], "{end_s:?}");
        }
        // Over midnight.
        let late = hours(Some(start_s + 18 * 3_600), Vec::new());
        assert_eq!(late.len(), 19);
        assert!((late.iter().map(|(_, share)| share).sum::<f64>() - 1.0).abs() < 1e-12);
    }
}
