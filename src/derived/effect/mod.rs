//! Did signs help: campaigns of signs in place, their controls, and what may be said of them.

mod before;
mod campaign;
mod cells;
mod draw;
mod heeding;
mod passed;
mod planning;
mod reports;
mod signed;
mod walked;
mod watch_places;
mod watch_power;
mod watching;
mod windows;

use crate::analysis::before_after::WhyNot;
use crate::analysis::network::Network;
use crate::analysis::plane::distance_m;
use crate::derived::DeriveError;
use crate::derived::effect::passed::Passed;
use crate::derived::effect::passed::RoleParams;
use crate::derived::effect::passed::speakers;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::plan::ring_m;
use crate::derived::plan::walked_trips;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps::SnapLayer;
use crate::derived::walks::WalkLayer;
use crate::domain::place::SensitivePlace;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::units::Length;
use crate::store::ApproachRecord;
use crate::store::SignInPlace;
use crate::store::SignInspection;
use crate::store::SignPlan;

pub(in crate::derived) use crate::derived::effect::cells::ratio_params;
pub(in crate::derived) use crate::derived::effect::cells::usual_factor;

pub use crate::derived::effect::campaign::Campaign;
pub use crate::derived::effect::campaign::ControlRow;
pub use crate::derived::effect::campaign::ShareCompared;
pub use crate::derived::effect::campaign::ShareOutcome;
pub use crate::derived::effect::campaign::SignCounts;
pub use crate::derived::effect::campaign::Times;
pub use crate::derived::effect::heeding::Deed;
pub use crate::derived::effect::heeding::Heeding;
pub use crate::derived::effect::heeding::heeding;
pub use crate::derived::effect::passed::SegmentRole;
pub use crate::derived::effect::planning::PlanningBasis;
pub use crate::derived::effect::planning::PowerRow;
pub use crate::derived::effect::planning::Wait;
pub use crate::derived::effect::planning::power_rows;
pub use crate::derived::effect::reports::ReportsAnswer;
pub use crate::derived::effect::signed::ReportingByState;
pub use crate::derived::effect::signed::SignState;
pub use crate::derived::effect::signed::SignedRatio;
pub use crate::derived::effect::signed::SignedReporting;
pub use crate::derived::effect::signed::SpeciesGroups;
pub use crate::derived::effect::watch_power::WatchPower;
pub use crate::derived::effect::watch_power::WithoutSign;
pub use crate::derived::effect::watching::PlaceCounts;
pub use crate::derived::effect::watching::WatchComparison;
pub use crate::derived::effect::watching::Watching;
pub use crate::derived::effect::watching::watch_why_words;

/// Level of every interval.
const LEVEL: f64 = 0.95;

/// Everything that can be said about signs and what they did.
#[derive(Debug)]
pub struct EffectLayer {
    /// The signs ever put up, in the facts' order.
    pub signs: Vec<SignStanding>,
    /// Signs that went up together for one plan, or why there are none to compare.
    pub campaigns: Result<Vec<Campaign>, String>,
    /// How much people report with and without signs; none before the first sign, or without walking.
    pub reporting: Option<SignedReporting>,
    /// What a comparison could be planned with.
    pub planning: PlanningBasis,
    /// What watching at signs and elsewhere found.
    pub watching: Watching,
    /// What watching could find out.
    pub watch_power: WatchPower,
}

/// A sign, where it stands, and how it was found last.
#[derive(Debug, Clone, PartialEq)]
pub struct SignStanding {
    /// The sign.
    pub sign: SignInPlace,
    /// The name of its plan, or empty.
    pub plan: String,
    /// Whether it stands by a trail; one away from all trails warns nobody.
    pub is_by_trail: bool,
    /// The trails on which most walkers are in its reach.
    pub warns_on: Vec<String>,
    /// Length of them, km.
    pub warns_km: f64,
    /// The last inspection.
    pub inspected: Option<SignInspection>,
    /// How many inspections there were.
    pub n_inspections: usize,
}

/// Whether a standing sign gives a sensitive place away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ShowsPlace {
    /// It does not, or it is down.
    No,
    /// It stands within the buffer of one.
    WithinBuffer,
    /// It is not the only one near one: whoever knows several can guess what lies between.
    OneOfTwo,
}

/// What the store knows about signs beyond the facts.
#[derive(Debug, Default)]
pub struct SignRecords {
    /// Kept plans.
    pub plans: Vec<SignPlan>,
    /// Inspections, newest first.
    pub inspections: Vec<SignInspection>,
    /// Approaches of all encounters.
    pub approaches: Vec<ApproachRecord>,
    /// Watches at signs and elsewhere, in order of their start.
    pub watches: Vec<SignWatchDraft>,
}

/// What is known of walking, reports and surveys.
#[derive(Clone, Copy)]
pub struct Known<'a> {
    /// How far people walk; none where nothing says so.
    pub exposure: Option<&'a ExposureLayer>,
    /// Where reports lie.
    pub snaps: &'a SnapLayer,
    /// Survey walks on the trails.
    pub walks: &'a WalkLayer,
    /// When encounters are frequent; none without walking.
    pub season: Option<&'a SeasonLayer>,
}

/// Compares.
///
/// # Errors
/// [`DeriveError::Internal`] when inputs do not fit together.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    known: Known<'_>,
    records: &SignRecords,
) -> Result<EffectLayer, DeriveError> {
    let Known { exposure, snaps, walks: matched, season } = known;
    let signs = &facts.signs_in_place;
    let vertices: Vec<Option<usize>> =
        signs.iter().map(|sign| layer.sign_vertex(sign.given.position)).collect();
    let passed = exposure.map(|exposure| {
        let trips = walked_trips(layer, exposure);
        Passed::new(layer.network.graph(), &trips, &vertices, &RoleParams::of(facts))
    });
    let (speakers, roles) = (speakers(&vertices), passed.as_ref().map(Passed::roles));
    let walks = walked::walks(facts, matched, season);
    let campaigns = match passed.as_ref().zip(roles.as_ref()) {
        _ if signs.is_empty() => Err("No sign has been put up yet.".to_owned()),
        None => {
            Err("Nothing says how many people walk, so it is not known who passed a sign and who did not."
                .to_owned())
        }
        Some((passed, roles)) => {
            let comparison = campaign::Comparison {
                facts,
                layer,
                exposure,
                snaps,
                records,
                speakers: &speakers,
                passed,
                roles,
                walks: &walks,
                matched,
                season,
            };
            Ok(comparison.campaigns()?)
        }
    };
    let reporting = match (&roles, exposure) {
        (Some(roles), Some(exposure)) if !signs.is_empty() => {
            let ground = cells::Ground { facts, exposure, snaps, walks: matched, season };
            Some(ground.signed_reporting(roles, &vertices)?)
        }
        _ => None,
    };
    let standing = signs.iter().enumerate().map(|(idx, sign)| {
        let inspections = || records.inspections.iter().filter(|inspection| inspection.sign_id == sign.id);
        let (warns_on, warns_km) = warns(layer, passed.as_ref().zip(speakers[idx]));
        SignStanding {
            sign: sign.clone(),
            plan: plan_of(records, sign).map(|plan| plan.given.name.clone()).unwrap_or_default(),
            is_by_trail: vertices[idx].is_some(),
            warns_on,
            warns_km,
            inspected: inspections().next().cloned(),
            n_inspections: inspections().count(),
        }
    });
    let walked = passed.as_ref().zip(roles.as_deref());
    let walked =
        walked.map(|(passed, roles)| watch_places::Walked { layer, passed, roles, speakers: &speakers });
    let compared = campaigns.as_deref().unwrap_or_default();
    let places = watch_places::places(&records.watches, signs, walked);
    let watching = watching::compute(facts, &records.watches, &places, compared)?;
    let watch_power = watch_power::compute(facts, &records.watches, &places)?;
    Ok(EffectLayer {
        signs: standing.collect(),
        campaigns,
        reporting,
        planning: planning::basis(facts, layer, &walks)?,
        watching,
        watch_power,
    })
}

/// How much people report with and without signs, of all species and of groups, and how much they walk of either; none before
/// the first sign.
///
/// # Errors
/// [`DeriveError::Internal`] when inputs do not fit together.
pub fn reporting_by_state(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    known: Known<'_>,
    groups: &SpeciesGroups<'_>,
) -> Result<Option<ReportingByState>, DeriveError> {
    let signs = &facts.signs_in_place;
    if signs.is_empty() {
        return Ok(None);
    }
    let vertices: Vec<Option<usize>> =
        signs.iter().map(|sign| layer.sign_vertex(sign.given.position)).collect();
    let trips = walked_trips(layer, exposure);
    let roles = Passed::new(layer.network.graph(), &trips, &vertices, &RoleParams::of(facts)).roles();
    let ground =
        cells::Ground { facts, exposure, snaps: known.snaps, walks: known.walks, season: known.season };
    Ok(Some(ground.reporting_by_state(&roles, &vertices, groups)?))
}

/// Why there is no estimate, in words.
pub fn why_words(why: WhyNot) -> &'static str {
    match why {
        WhyNot::NoSigns => "no sign warns of any stretch",
        WhyNot::SignsNotWalked => "surveys have not walked where the signs warn in both periods",
        WhyNot::NoControls => {
            "every stretch that was walked has walkers who passed a sign, so nothing is left to compare with"
        }
        WhyNot::NoControlEncounters => {
            "surveys met no snake on stretches without signs in one of the periods"
        }
        WhyNot::NothingExpected => "surveys met no snake before, so nothing is expected",
    }
}

/// Why a share of encounters has no estimate, in words.
pub fn share_why_words(why: WhyNot) -> &'static str {
    match why {
        WhyNot::NoSigns => "no sign warns of any stretch",
        WhyNot::SignsNotWalked => "no sign has survey encounters with a known contact in both periods",
        WhyNot::NoControls => {
            "no stretch without signs has survey encounters with a known contact in both periods"
        }
        WhyNot::NoControlEncounters | WhyNot::NothingExpected => {
            "no such contact on stretches without signs in one of the periods"
        }
    }
}

/// Why shares are not compared without a kept plan, in words.
pub const SHARES_NEED_A_PLAN: &str = "no kept plan says which records chose the places; those may have done so by close contacts, and are never before";

fn plan_of<'a>(records: &'a SignRecords, sign: &SignInPlace) -> Option<&'a SignPlan> {
    records.plans.iter().find(|plan| Some(plan.id) == sign.given.plan)
}

/// Whether a sign that stands now (seconds since 1970-01-01T00:00:00Z) gives a sensitive place away. Distances are as the crow
/// flies: they leave out no sign that is near on the ground.
pub fn shows_place(facts: &Facts, sign: &SignInPlace, now_s: i64) -> ShowsPlace {
    let stands = |sign: &SignInPlace| sign.given.down_s.is_none_or(|down_s| down_s > now_s);
    let is_within = |sign: &SignInPlace, place: &SensitivePlace, beyond_m: f64| {
        stands(sign) && distance_m(sign.given.position, place.position) <= place.buffer.in_metres() + beyond_m
    };
    let ring_m = Length::metres(facts.settings.reach_m).map_or(0.0, ring_m);
    let has_two = |place: &SensitivePlace| {
        let near = facts.signs_in_place.iter().filter(|other| is_within(other, place, ring_m));
        is_within(sign, place, ring_m) && near.count() > 1
    };
    match () {
        () if facts.sensitive_places.iter().any(|place| is_within(sign, place, 0.0)) => {
            ShowsPlace::WithinBuffer
        }
        () if facts.sensitive_places.iter().any(has_two) => ShowsPlace::OneOfTwo,
        () => ShowsPlace::No,
    }
}

/// Trails and kilometres on which most walkers are in reach of a sign, whatever other signs stand.
fn warns(layer: &NetworkLayer, sign: Option<(&Passed, usize)>) -> (Vec<String>, f64) {
    let Some((passed, sign)) = sign else { return (Vec::new(), 0.0) };
    let is_warned = |segment: &usize| passed.signed_by(*segment, |other| other == sign).is_some();
    let segments: Vec<usize> = (0..layer.network.segments.len()).filter(is_warned).collect();
    let mut trails: Vec<String> =
        segments.iter().map(|segment| layer.trail_name(*segment).to_owned()).collect();
    trails.sort();
    trails.dedup();
    (trails, length_km(&layer.network, &segments))
}

fn length_km(network: &Network, segments: &[usize]) -> f64 {
    segments.iter().map(|segment| network.segments[*segment].length_m).sum::<f64>() / 1000.0
}
