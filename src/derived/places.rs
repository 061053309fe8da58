//! Places with their encounters, and visits as their exposure.

use crate::analysis::counts;
use crate::analysis::snap::Snap;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::rates::Limits;
use crate::derived::rates::limits_of;
use crate::derived::season;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::place::PlaceKind;

/// What is known of one place.
#[derive(Debug, Clone)]
pub struct PlaceSummary {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: PlaceKind,
    /// Encounters tied to it by effort kind, in the order report, survey, located, chance.
    pub counts: [u64; 4],
    /// Parties that visited in the study period, and reports per 1,000 of them with exact limits.
    pub visits: Option<(Limits, Limits)>,
}

/// Sums up the places.
///
/// # Errors
/// [`DeriveError::Internal`] when a limit cannot be computed.
pub fn compute(
    facts: &Facts,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
) -> Result<Vec<PlaceSummary>, DeriveError> {
    let mut counts = vec![[0; 4]; facts.places.len()];
    let mut timely = vec![0; facts.places.len()];
    for (row, snap) in facts.encounters.rows.iter().zip(&snaps.snaps) {
        let Some(Snap::AtPlace { place_idx }) = snap else { continue };
        if !facts.counts(row) {
            continue;
        }
        counts[*place_idx][column(row.effort_kind)] += 1;
        if row.effort_kind == EffortKind::Report && season::in_period(exposure, &row.time) {
            timely[*place_idx] += 1;
        }
    }
    let n_days = exposure.period.days().count() as f64;
    facts
        .places
        .iter()
        .enumerate()
        .map(|(idx, place)| {
            let visits = match exposure.visits_of[idx] {
                Some(at) => Some(visits(exposure, at)),
                // A stated figure has no draws: its limits are itself.
                None => place.given.visits_per_day.map(|per_day| {
                    let visits = per_day * n_days;
                    Limits { value: visits, lower: visits, upper: visits }
                }),
            };
            let visits = match visits.filter(|visits| visits.value > 0.0) {
                Some(visits) => Some((visits, per_thousand(timely[idx], visits)?)),
                None => None,
            };
            Ok(PlaceSummary {
                name: place.given.name.clone(),
                kind: place.given.kind,
                counts: counts[idx],
                visits,
            })
        })
        .collect()
}

fn column(effort: EffortKind) -> usize {
    match effort {
        EffortKind::Report => 0,
        EffortKind::Survey => 1,
        EffortKind::Located => 2,
        EffortKind::Chance => 3,
    }
}

fn visits(exposure: &ExposureLayer, place: usize) -> Limits {
    let n_places = exposure.visits_of.iter().flatten().count();
    let mut draws: Vec<f64> =
        exposure.field.place_visits.iter().skip(place).step_by(n_places).copied().collect();
    limits_of(&mut draws)
}

/// Exact limits of the count, the mean visits taken as known.
fn per_thousand(count: u64, visits: Limits) -> Result<Limits, DeriveError> {
    let (lower, upper) = counts::poisson_limits(count, 0.95).map_err(DeriveError::internal)?;
    let per = |events: f64| events / visits.value * 1000.0;
    Ok(Limits { value: per(count as f64), lower: per(lower), upper: per(upper) })
}
