//! What a comparison could find out, told before anyone waits for it.

use crate::analysis::before_after::power::Detectable;
use crate::analysis::before_after::power::PowerInputs;
use crate::analysis::before_after::power::smallest_reduction;
use crate::derived::DeriveError;
use crate::derived::effect::length_km;
use crate::derived::effect::walked::SurveyWalk;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;

/// Seconds of a year.
const YEAR_S: f64 = 365.25 * 86_400.0;

/// What surveys count in a year as they are done now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanningBasis {
    /// Planned survey walks with a track on the trails.
    pub n_walks: usize,
    /// Years that they cover, at least one.
    pub years: f64,
    /// Kilometres surveyed, as walked.
    pub survey_km: f64,
    /// Encounters on them.
    pub encounters: u64,
    /// Encounters a year where one sign of average place would warn.
    pub per_sign_year: f64,
    /// Encounters a year on all trails together.
    pub all_per_year: f64,
    /// Trails walked by surveys, km.
    pub trails_km: f64,
}

/// How long is waited, and for how many signs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wait {
    /// Years counted before the signs.
    pub years_before: f64,
    /// Encounters a year where one sign warns.
    pub per_sign_year: f64,
    /// Encounters a year on all trails, if no sign stood.
    pub all_per_year: f64,
    /// Coefficient of variation of how rates change on their own from place to place.
    pub variation: f64,
}

impl Wait {
    /// What the table starts from: two years before, and places of average rate.
    pub fn usual(basis: &PlanningBasis, variation: f64) -> Self {
        Self {
            years_before: 2.0,
            per_sign_year: basis.per_sign_year,
            all_per_year: basis.all_per_year,
            variation,
        }
    }

    /// Encounters a year left to compare with: every sign takes its own from them.
    pub fn control_per_year(&self, n_signs: usize) -> f64 {
        (self.all_per_year - n_signs as f64 * self.per_sign_year).max(0.0)
    }
}

/// A row of the table: so many signs, and the smallest reduction that shows after each number of years.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerRow {
    /// Signs.
    pub n_signs: usize,
    /// For each number of years after, what would show.
    pub after: Vec<(f64, Detectable)>,
}

/// Numbers of signs of the table.
const N_SIGNS: [usize; 5] = [3, 6, 10, 16, 24];
/// Years after of the table.
const YEARS: [f64; 4] = [1.0, 2.0, 3.0, 5.0];

pub(super) fn basis(facts: &Facts, layer: &NetworkLayer, walks: &[SurveyWalk]) -> PlanningBasis {
    let tracked: Vec<&SurveyWalk> = walks.iter().filter(|walk| !walk.km.is_empty()).collect();
    let starts = || tracked.iter().map(|walk| walk.start_s);
    let span_s = starts().max().zip(starts().min()).map_or(0, |(last, first)| last - first);
    // Walks of one season are a year's.
    let years = (span_s as f64 / YEAR_S).ceil().max(1.0);
    let survey_km: f64 = tracked.iter().flat_map(|walk| walk.km.values()).sum();
    let encounters = tracked.iter().map(|walk| walk.met.len() as u64).sum();
    let mut segments: Vec<usize> = tracked.iter().flat_map(|walk| walk.km.keys().copied()).collect();
    segments.sort_unstable();
    segments.dedup();
    let trails_km = length_km(&layer.network, &segments);
    let all_per_year = encounters as f64 / years;
    let reach_km = facts.settings.reach_m / 1000.0;
    let share = if trails_km > 0.0 { (reach_km / trails_km).min(1.0) } else { 0.0 };
    PlanningBasis {
        n_walks: tracked.len(),
        years,
        survey_km,
        encounters,
        per_sign_year: all_per_year * share,
        all_per_year,
        trails_km,
    }
}

/// The smallest reduction that shows with 80 % probability, by signs and years.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when a number is out of range.
pub fn power_rows(wait: &Wait) -> Result<Vec<PowerRow>, DeriveError> {
    let unanswerable =
        |error: crate::analysis::before_after::InvalidComparison| DeriveError::missing(format!("{error}."));
    let cell = |n_signs: usize, years_after: f64| -> Result<(f64, Detectable), DeriveError> {
        let inputs = PowerInputs {
            n_signs,
            years_before: wait.years_before,
            years_after,
            per_sign_year: wait.per_sign_year,
            control_per_year: wait.control_per_year(n_signs),
            variation: wait.variation,
            ..PowerInputs::default()
        };
        Ok((years_after, smallest_reduction(&inputs).map_err(unanswerable)?))
    };
    let row = |n_signs: usize| -> Result<PowerRow, DeriveError> {
        let after: Result<Vec<_>, _> = YEARS.iter().map(|years| cell(n_signs, *years)).collect();
        Ok(PowerRow { n_signs, after: after? })
    };
    N_SIGNS.iter().map(|n_signs| row(*n_signs)).collect()
}
