//! The textbook harmonic regression of counts on one cycle.

use crate::analysis::season::Design;
use crate::analysis::season::LikelihoodRatio;
use crate::analysis::season::NotEstimable;
use crate::analysis::season::PoissonFit;
use crate::analysis::season::PoissonOutcome;
use crate::analysis::season::SeasonError;
use crate::analysis::season::Strata;
use crate::analysis::season::Table;
use crate::analysis::season::fit_table;
use crate::analysis::season::likelihood_ratio;
use std::f64::consts::TAU;

/// A harmonic regression, or why there is none.
#[derive(Debug, Clone)]
pub enum HarmonicOutcome {
    /// The fit converged.
    Fitted(HarmonicFit),
    /// There is no finite estimate.
    NotEstimable(NotEstimable),
}

/// log rate = b0 + sum over k of b(2k-1) cos(2 pi k t / T) + b(2k) sin(2 pi k t / T).
#[derive(Debug, Clone)]
pub struct HarmonicFit {
    /// The regression; coefficients in the order of the formula.
    pub fit: PoissonFit,
    /// The length T of the cycle, in the unit of the times.
    pub period: f64,
    /// The test of all harmonics together, not scaled by dispersion; `None` without harmonics.
    pub test: Option<LikelihoodRatio>,
}

impl HarmonicFit {
    /// Half the range of the first harmonic on the log scale; `None` without harmonics.
    pub fn first_amplitude(&self) -> Option<f64> {
        let [cosine, sine] = self.first()?;
        Some(cosine.hypot(sine))
    }

    /// When the first harmonic peaks, in [0, T); `None` without harmonics.
    pub fn first_peak(&self) -> Option<f64> {
        let [cosine, sine] = self.first()?;
        Some((sine.atan2(cosine) / TAU).rem_euclid(1.0) * self.period)
    }

    /// Rate at the peak over rate at the trough of the first harmonic alone; `None` without harmonics.
    pub fn first_peak_trough_ratio(&self) -> Option<f64> {
        Some((2.0 * self.first_amplitude()?).exp())
    }

    fn first(&self) -> Option<[f64; 2]> {
        self.fit.coefficients.get(1..3)?.try_into().ok()
    }
}

/// Fits `n_harmonics` harmonics of a cycle of length `period` to counts with exposures, by Poisson regression.
///
/// `times`, `events` and `exposure` have one value a cell; cells without exposure are left out, and their events must
/// be zero. Zero harmonics give the common rate.
///
/// # Errors
/// [`SeasonError`] when lengths differ, a number is not finite, the period is not positive, or a cell has events but no
/// exposure.
///
/// # References
/// Stolwijk, A. M., Straatman, H. & Zielhuis, G. A. (1999). Studying seasonality by using sine and cosine functions in
/// regression analysis. *Journal of Epidemiology and Community Health* 53, 235-238.
pub fn harmonic_poisson(
    times: &[f64],
    events: &[u32],
    exposure: &[f64],
    period: f64,
    n_harmonics: usize,
) -> Result<HarmonicOutcome, SeasonError> {
    if times.len() != events.len() {
        return Err(SeasonError::Length { what: "times", got: times.len(), expected: events.len() });
    }
    if !(period.is_finite() && period > 0.0) {
        return Err(SeasonError::Value { what: "period", index: 0, value: period });
    }
    let rows: Vec<f64> = times.iter().flat_map(|time| harmonics(TAU * time / period, n_harmonics)).collect();
    let table = Table::new(events, exposure, 1, Strata::None)?;
    let fit_with = |rows: &[f64], n_row_terms: usize| {
        fit_table(&table, &Design { rows, n_row_terms, columns: &[], n_column_terms: 0 })
    };
    let (fit, null) = match (fit_with(&rows, 2 * n_harmonics)?, fit_with(&[], 0)?) {
        (PoissonOutcome::Fitted(fit), PoissonOutcome::Fitted(null)) => (fit, null),
        (PoissonOutcome::NotEstimable(why), _) | (_, PoissonOutcome::NotEstimable(why)) => {
            return Ok(HarmonicOutcome::NotEstimable(why));
        }
    };
    let test = likelihood_ratio(&null, &fit, 1.0);
    Ok(HarmonicOutcome::Fitted(HarmonicFit { fit, period, test }))
}

/// Cosine and sine of the multiples of an angle.
pub(super) fn harmonics(angle: f64, n_harmonics: usize) -> impl Iterator<Item = f64> {
    (1..=n_harmonics).flat_map(move |order| {
        let (sine, cosine) = (order as f64 * angle).sin_cos();
        [cosine, sine]
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, expected: f64) {
        let tolerance = 1e-8 + 2e-6 * expected.abs();
        assert!((got - expected).abs() <= tolerance, "{got} instead of {expected}");
    }

    fn fit(times: &[f64], events: &[u32], exposure: &[f64], period: f64, harmonics: usize) -> HarmonicFit {
        match harmonic_poisson(times, events, exposure, period, harmonics).unwrap() {
            HarmonicOutcome::Fitted(fit) => fit,
            HarmonicOutcome::NotEstimable(why) => panic!("{why:?}"),
        }
    }

    /// Invented data; expected values from two statistics packages, which agree to 1e-6.
    #[test]
    fn months_of_a_year() {
        let times: Vec<f64> = (0..12).map(|month| f64::from(month) + 0.5).collect();
        let events = [1, 2, 6, 14, 21, 18, 11, 12, 15, 9, 3, 0];
        let exposure = [410.0, 395.5, 520.0, 700.25, 880.0, 910.0, 1020.0, 990.0, 760.0, 640.0, 450.0, 380.0];
        let result = fit(&times, &events, &exposure, 12.0, 1);
        for (got, expected) in
            result.fit.coefficients.iter().zip([-4.46303624307, -0.538221609415, 0.155554750217])
        {
            close(*got, expected);
        }
        for (got, expected) in
            result.fit.standard_errors().iter().zip([0.1194339527, 0.161518221831, 0.140370026462])
        {
            close(*got, expected);
        }
        close(result.fit.deviance, 19.6645548752);
        close(result.fit.log_likelihood, -31.1212062919);
        close(result.fit.null_deviance, 33.2167429493);
        close(result.fit.pearson_dispersion().unwrap(), 1.92562176396);
        let test = result.test.unwrap();
        close(test.statistic, 13.552188074);
        close(test.p_value, 0.00114072182512);
        close(result.first_peak().unwrap(), 5.4626616955);
        close(result.first_amplitude().unwrap(), 0.560249748912);
        close(result.first_peak_trough_ratio().unwrap(), 3.0663854737);
    }

    #[test]
    fn two_harmonics_of_the_day() {
        let times: Vec<f64> = (0..8).map(|bin| 3.0 * f64::from(bin) + 1.5).collect();
        let exposure = [12.0, 20.5, 240.0, 610.0, 580.0, 430.0, 160.0, 30.0];
        let result = fit(&times, &[0, 1, 14, 9, 3, 11, 17, 2], &exposure, 24.0, 2);
        close(result.fit.coefficients[3], -0.7408917963);
        close(result.fit.standard_errors()[4], 0.281446500898);
        close(result.fit.pearson_dispersion().unwrap(), 0.144911942803);
        close(result.test.unwrap().p_value, 6.64488493367e-10);
        close(result.first_peak().unwrap(), 23.8132269428);
    }

    #[test]
    fn more_harmonics_than_cells_carry_are_not_estimable() {
        let outcome = harmonic_poisson(&[0.5, 1.5, 2.5], &[1, 2, 3], &[1.0; 3], 3.0, 2).unwrap();
        assert!(matches!(outcome, HarmonicOutcome::NotEstimable(NotEstimable::Collinear)));
    }
}
