//! Rates in a part of the year or the day.

use rayon::prelude::*;

use crate::analysis::rates::input::{ExposureDraws, RateError, check_level, check_shape, same_units};
use crate::analysis::rates::interval::Interval;
use crate::analysis::rates::result::RateFit;

/// How the rate changes over periods: draws of the season-hour curve, as a factor on the rate of all periods.
///
/// Draw-major: the factor of `period` in `draw` is `factor[draw * n_periods + period]`, finite and at least zero. A
/// factor of 1 means a period like the average one, weighted by exposure.
#[derive(Debug, Clone, PartialEq)]
pub struct PeriodCurve {
    /// Number of draws, at least one.
    pub n_draws: usize,
    /// Number of periods.
    pub n_periods: usize,
    /// The factors, `n_draws * n_periods` of them.
    pub factor: Vec<f64>,
}

/// Rates of all units in one period, per km: each unit's rate from all periods times the curve from all units.
///
/// The records of a unit in a period never estimate that cell by themselves: at the size of one trail system such raw
/// cells say next to nothing. Draws of rates and of the curve are paired, the curve's counted round again where it has
/// fewer. Nothing for units without an estimate.
///
/// Where units differ in when they are walked, estimate `fit` from [`season_adjusted_exposure`], or a trail walked only
/// in the busy season passes for a busy trail.
///
/// # Errors
/// [`RateError`] when the curve's shape or a factor is invalid, the period is not one of the curve's, or the level is
/// out of range.
pub fn period_rates(
    fit: &RateFit,
    curve: &PeriodCurve,
    period: usize,
    confidence_level: f64,
) -> Result<Vec<Option<Interval>>, RateError> {
    check_level("the confidence level", confidence_level)?;
    curve.check()?;
    if period >= curve.n_periods {
        let allowed = "below the number of periods";
        return Err(RateError::Parameter { name: "the period", value: period as f64, allowed });
    }
    let factors: Vec<f64> = (0..fit.rates.n_draws).map(|draw| curve.factor(draw, period)).collect();
    let one = |unit: usize| {
        fit.units[unit].estimate()?;
        let mut draws: Vec<f64> =
            fit.rates.of_unit(unit).zip(&factors).map(|(rate, factor)| rate * factor).collect();
        Some(Interval::from_draws(&mut draws, confidence_level))
    };
    Ok((0..fit.rates.n_units).into_par_iter().map(one).collect())
}

/// Exposure of all periods together, each period weighted by the curve: km walked at the rate of the average period.
///
/// `by_period` holds the exposure of each period, in the curve's order. Draws are paired, counted round again where
/// there are fewer; the result has as many as the most of its inputs.
///
/// # Errors
/// [`RateError`] when a shape or a value is invalid, or there are not as many exposures as periods.
pub fn season_adjusted_exposure(
    by_period: &[ExposureDraws],
    curve: &PeriodCurve,
) -> Result<ExposureDraws, RateError> {
    curve.check()?;
    let n_periods = by_period.len();
    check_shape("the list of exposures by period", n_periods, 1, curve.n_periods)?;
    let n_units = by_period.first().map_or(0, |exposure| exposure.n_units);
    for exposure in by_period {
        exposure.check()?;
        same_units("the exposure of a period", exposure.n_units, n_units)?;
    }
    let n_draws = by_period.iter().map(|exposure| exposure.n_draws).fold(curve.n_draws, usize::max);
    let mut party_km = vec![0.0; n_draws * n_units];
    for (draw, target) in party_km.chunks_exact_mut(n_units.max(1)).enumerate() {
        for (period, exposure) in by_period.iter().enumerate() {
            let factor = curve.factor(draw, period);
            target.iter_mut().zip(exposure.row(draw)).for_each(|(sum, km)| *sum += factor * km);
        }
    }
    Ok(ExposureDraws { n_draws, n_units, party_km })
}

impl PeriodCurve {
    fn factor(&self, draw: usize, period: usize) -> f64 {
        self.factor[(draw % self.n_draws) * self.n_periods + period]
    }

    fn check(&self) -> Result<(), RateError> {
        check_shape("the period curve", self.factor.len(), self.n_draws, self.n_periods)?;
        match self.factor.iter().find(|factor| !factor.is_finite() || **factor < 0.0) {
            Some(&value) => {
                let allowed = "finite and at least 0";
                Err(RateError::Parameter { name: "a period factor", value, allowed })
            }
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rates::estimate::estimate;
    use crate::analysis::rates::input::{CountDraws, Effort, ExposureDraws, Provenance, RateParams, Units};

    fn fit() -> RateFit {
        let counts = CountDraws::certain(vec![3, 9, 0]);
        let exposure = ExposureDraws::certain(vec![300.0, 300.0, 0.0]);
        let units = Units { stratum: &[0; 3], provenance: &[Provenance::Counted; 3] };
        let effort = Effort { counts: &counts, exposure: &exposure };
        estimate(&effort, &units, &RateParams::default()).unwrap()
    }

    #[test]
    fn a_known_curve_scales_rates_draw_by_draw() {
        let fit = fit();
        let curve = PeriodCurve { n_draws: 1, n_periods: 2, factor: vec![1.0, 3.0] };
        let usual = period_rates(&fit, &curve, 0, 0.95).unwrap();
        let busy = period_rates(&fit, &curve, 1, 0.95).unwrap();
        for (a, b) in usual.iter().zip(&busy).take(2) {
            let (a, b) = (a.unwrap(), b.unwrap());
            assert!((b.mean - 3.0 * a.mean).abs() < 1e-12 && (b.upper - 3.0 * a.upper).abs() < 1e-12);
        }
        assert_eq!(usual[2], None);
    }

    #[test]
    fn refuses_what_is_not_a_curve() {
        let fit = fit();
        let curve = |factor| PeriodCurve { n_draws: 1, n_periods: 2, factor };
        assert!(period_rates(&fit, &curve(vec![1.0]), 0, 0.95).is_err());
        assert!(period_rates(&fit, &curve(vec![1.0, f64::NAN]), 0, 0.95).is_err());
        assert!(period_rates(&fit, &curve(vec![1.0, 1.0]), 2, 0.95).is_err());
        assert!(period_rates(&fit, &curve(vec![1.0, 1.0]), 0, 1.0).is_err());
    }

    #[test]
    fn exposure_in_the_busy_season_counts_for_more() {
        let by_period = [ExposureDraws::certain(vec![10.0, 0.0]), ExposureDraws::certain(vec![0.0, 10.0])];
        let curve = PeriodCurve { n_draws: 2, n_periods: 2, factor: vec![0.5, 1.5, 1.0, 1.0] };
        let adjusted = season_adjusted_exposure(&by_period, &curve).unwrap();
        assert_eq!(adjusted.party_km, [5.0, 15.0, 10.0, 10.0]);
        assert!(season_adjusted_exposure(&by_period[..1], &curve).is_err());
    }
}
