//! What a comparison could find out, told before anyone waits for it.

use std::collections::BTreeMap;
use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::analysis::before_after::power::Detectable;
use crate::analysis::before_after::power::PowerInputs;
use crate::analysis::before_after::power::smallest_reduction;
use crate::derived::DeriveError;
use crate::derived::effect::length_km;
use crate::derived::effect::walked::SurveyWalk;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;

/// What surveys count in a year as they are done now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanningBasis {
    /// Planned survey walks with a track on the trails.
    pub n_walks: usize,
    /// Years of surveys, at least one: what was walked over what is walked in a year, each month as in the mean of the years in
    /// which it was walked. Two summers are two years whenever they were, thirteen months hardly more than one.
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

/// # Errors
/// [`DeriveError::Internal`] when the area's time zone is not known, or a walk lies outside what times can be.
pub(super) fn basis(
    facts: &Facts,
    layer: &NetworkLayer,
    walks: &[SurveyWalk],
) -> Result<PlanningBasis, DeriveError> {
    let tracked: Vec<&SurveyWalk> = walks.iter().filter(|walk| !walk.km.is_empty()).collect();
    let zone = TimeZone::get(&facts.area.time_zone).map_err(DeriveError::internal)?;
    let year_and_month = |walk: &SurveyWalk| -> Result<(i16, i8), DeriveError> {
        let start = Timestamp::from_second(walk.start_s).map_err(DeriveError::internal)?;
        let date = zone.to_datetime(start).date();
        Ok((date.year(), date.month()))
    };
    let months: Vec<((i16, i8), f64)> = tracked
        .iter()
        .map(|walk| Ok((year_and_month(walk)?, walk.km.values().sum())))
        .collect::<Result<_, DeriveError>>()?;
    let years = years_of(&months);
    let survey_km: f64 = tracked.iter().flat_map(|walk| walk.km.values()).sum();
    let encounters = tracked.iter().map(|walk| walk.met.len() as u64).sum();
    let mut segments: Vec<usize> = tracked.iter().flat_map(|walk| walk.km.keys().copied()).collect();
    segments.sort_unstable();
    segments.dedup();
    let trails_km = length_km(&layer.network, &segments);
    let all_per_year = encounters as f64 / years;
    let reach_km = facts.settings.reach_m / 1000.0;
    let share = if trails_km > 0.0 { (reach_km / trails_km).min(1.0) } else { 0.0 };
    Ok(PlanningBasis {
        n_walks: tracked.len(),
        years,
        survey_km,
        encounters,
        per_sign_year: all_per_year * share,
        all_per_year,
        trails_km,
    })
}

/// Years of kilometres walked in months of years.
fn years_of(walked: &[((i16, i8), f64)]) -> f64 {
    let mut by_month: BTreeMap<i8, (BTreeSet<i16>, f64)> = BTreeMap::new();
    for ((year, month), km) in walked {
        let (years, sum) = by_month.entry(*month).or_default();
        years.insert(*year);
        *sum += km;
    }
    let all_km: f64 = by_month.values().map(|(_, km)| km).sum();
    let km_a_year: f64 = by_month.values().map(|(years, km)| km / years.len() as f64).sum();
    if km_a_year > 0.0 { all_km / km_a_year } else { 1.0 }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Kilometres of so many months from one on, ten in each.
    fn months(first_year: i16, first_month: i8, n: i8) -> Vec<((i16, i8), f64)> {
        let month = |idx: i8| {
            let since = first_month - 1 + idx;
            ((first_year + i16::from(since / 12), since % 12 + 1), 10.0)
        };
        (0..n).map(month).collect()
    }

    #[test]
    fn years_are_those_that_were_walked() {
        let close = |walked: &[((i16, i8), f64)], years: f64| {
            let found = years_of(walked);
            assert!((found - years).abs() < 1e-12, "{found} and {years}");
        };
        close(&[], 1.0);
        close(&months(2024, 4, 3), 1.0);
        close(&months(2023, 1, 12), 1.0);
        // Rounded up, these were two years, and a year's encounters half of what they are.
        close(&months(2023, 1, 13), 13.0 / 12.0);
        // From the first walk to the last it is a year and a half.
        close(&[months(2023, 4, 7), months(2024, 4, 7)].concat(), 2.0);
        close(&[months(2020, 4, 7), months(2024, 4, 7)].concat(), 2.0);
    }
}
