//! How much weeks and years differ beyond chance, from former years.

use rand_distr::{Distribution, Gamma};

use crate::analysis::random::Stream;

/// Years that the prior on the variation between years is worth.
const PRIOR_YEARS: f64 = 2.0;

/// One week of a former year, all units together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FormerWeek {
    /// Number of the year, from 0.
    pub year: usize,
    /// Encounters.
    pub observed: u64,
    /// Encounters expected of exposure and season curve, all years alike.
    pub expected: f64,
}

/// How much weeks and years differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Variation {
    /// Variance of weekly counts over their mean within years, at least one.
    pub dispersion: f64,
    /// Coefficient of variation between years, at least zero: drawn towards the prior, since there are few years.
    pub year_variation: f64,
    /// Years with an expectation.
    pub n_years: usize,
    /// Weeks with an expectation.
    pub n_weeks: usize,
}

/// Dispersion within years and variation between them.
///
/// The dispersion is Pearson's, each year having its own level. The variance between years is that of observed over
/// expected less what chance gives, averaged with the square of `prior_variation`, which counts as much as two years.
/// Weeks without expectation are left out. Without any the dispersion is one and the variation the prior.
pub fn former_variation(weeks: &[FormerWeek], prior_variation: f64) -> Variation {
    let n_years = weeks.iter().map(|week| week.year + 1).max().unwrap_or(0);
    let mut totals = vec![(0.0, 0.0); n_years];
    let used = || weeks.iter().filter(|week| week.expected > 0.0);
    for week in used() {
        totals[week.year].0 += week.observed as f64;
        totals[week.year].1 += week.expected;
    }
    let level = |year: usize| totals[year].0 / totals[year].1;
    let pearson: f64 = used()
        .filter(|week| totals[week.year].0 > 0.0)
        .map(|week| {
            let mean = level(week.year) * week.expected;
            (week.observed as f64 - mean).powi(2) / mean
        })
        .sum();
    let years: Vec<usize> = (0..n_years).filter(|year| totals[*year].1 > 0.0).collect();
    let freedom = used().count().saturating_sub(years.len());
    let dispersion = if freedom == 0 { 1.0 } else { (pearson / freedom as f64).max(1.0) };
    let n = years.len() as f64;
    let mean = years.iter().map(|year| level(*year)).sum::<f64>() / n;
    let mut sum = PRIOR_YEARS * prior_variation.powi(2);
    if years.len() > 1 && mean > 0.0 {
        let spread: f64 = years.iter().map(|year| (level(*year) / mean - 1.0).powi(2)).sum();
        let chance: f64 = years.iter().map(|year| dispersion / (mean * totals[*year].1)).sum::<f64>() / n;
        sum += (spread - (n - 1.0) * chance).max(0.0);
    }
    let year_variation = (sum / (PRIOR_YEARS + (n - 1.0).max(0.0))).sqrt();
    Variation { dispersion, year_variation, n_years: years.len(), n_weeks: used().count() }
}

/// A factor of the year: gamma with mean one.
pub(super) fn year_factor(variation: f64, rng: &mut Stream) -> f64 {
    let shape = variation.powi(-2);
    match Gamma::new(shape, 1.0 / shape) {
        Ok(gamma) if shape.is_finite() => gamma.sample(rng),
        // No variation.
        _ => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;
    use rand_distr::Poisson;

    #[test]
    fn two_years_by_hand() {
        // Year 0: 2 and 6 of 4 and 4: level 1, Pearson 1 + 1. Year 1: 4 and 4 of 4 and 4: level 1, Pearson 0.
        let week = |year, observed| FormerWeek { year, observed, expected: 4.0 };
        let found = former_variation(&[week(0, 2), week(0, 6), week(1, 4), week(1, 4)], 0.2);
        assert_eq!((found.dispersion, found.n_years, found.n_weeks), (1.0, 2, 4));
        // No spread between the years: 2 * 0.04 / 3.
        assert!((found.year_variation - (0.08f64 / 3.0).sqrt()).abs() < 1e-12);
        // Year 0: 0 and 8: Pearson 4 + 4 over two degrees of freedom.
        let bunched = former_variation(&[week(0, 0), week(0, 8), week(1, 4), week(1, 4)], 0.2);
        assert!((bunched.dispersion - 4.0).abs() < 1e-12);
        let nothing = former_variation(&[], 0.2);
        assert_eq!((nothing.dispersion, nothing.n_years), (1.0, 0));
        assert!((nothing.year_variation - 0.2).abs() < 1e-12);
    }

    #[test]
    fn planted_variation_is_found() {
        let mut weeks = Vec::new();
        let mut rng = stream(3, 0);
        for year in 0..40 {
            let factor = year_factor(0.3, &mut rng);
            for _ in 0..30 {
                let mean: f64 = 12.0 * factor;
                let bunched = Gamma::new(mean, 1.0).unwrap().sample(&mut rng);
                let observed = Poisson::new(bunched).unwrap().sample(&mut rng) as u64;
                weeks.push(FormerWeek { year, observed, expected: 12.0 });
            }
        }
        let found = former_variation(&weeks, 0.2);
        assert!((1.8..2.2).contains(&found.dispersion), "{found:?}");
        assert!((0.22..0.38).contains(&found.year_variation), "{found:?}");
    }
}
