//! Places with their encounters, and visits as their exposure.

use crate::analysis::snap::Snap;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::rates::Limits;
use crate::derived::reference::per_thousand;
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
            // A stated figure has one draw: its limits are itself.
            let draws = match exposure.visits_of[idx] {
                Some(at) => visits(exposure, at),
                None => place.given.visits_per_day.map(|per_day| per_day * n_days).into_iter().collect(),
            };
            let visits = (draws.iter().sum::<f64>() > 0.0).then(|| per_thousand(timely[idx], draws));
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

/// Visits of a place in every draw.
fn visits(exposure: &ExposureLayer, place: usize) -> Vec<f64> {
    let n_places = exposure.visits_of.iter().flatten().count();
    exposure.field.place_visits.iter().skip(place).step_by(n_places).copied().collect()
}
