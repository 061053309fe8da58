//! Rates in a part of the year or the day.

use rayon::prelude::*;

use crate::analysis::rates::input::{RateError, check_level, check_shape};
use crate::analysis::rates::interval::Interval;
use crate::analysis::rates::result::{Exceedance, RateFit, UnitRate};

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

/// Rates of all units in one period, per km: each unit's rate from all periods times the factor of the period on the curve that it
/// follows.
///
/// The records of a unit in a period never estimate that cell by themselves: at the size of one trail system such raw
/// cells say next to nothing. Draws of rates and of the curve are paired, the curve's counted round again where it has
/// fewer. Nothing for units without an estimate.
///
/// Where units differ in when they are walked, `fit` must rest on exposure in which each period is weighted by its factor, or a trail
/// walked only in the busy season passes for a busy trail.
///
/// # Errors
/// [`RateError`] when the factors' shape or a factor is invalid, or the level is out of range.
pub fn unit_period_rates(
    fit: &RateFit,
    factors: &UnitFactors,
    confidence_level: f64,
) -> Result<Vec<Option<Interval>>, RateError> {
    check_level("the confidence level", confidence_level)?;
    factors.check(fit.rates.n_units)?;
    let one = |unit: usize| {
        fit.units[unit].estimate()?;
        let rates = fit.rates.of_unit(unit).enumerate();
        let mut draws: Vec<f64> = rates.map(|(draw, rate)| rate * factors.of(draw, unit)).collect();
        Some(Interval::from_draws(&mut draws, confidence_level))
    };
    Ok((0..fit.rates.n_units).into_par_iter().map(one).collect())
}

/// The reference rate in a period by draw, per km: that of all periods times the mean of the units' factors, each
/// weighted by the encounters expected on its unit.
///
/// Units whose exposure is assumed stay out, as they do of the reference itself.
///
/// # Errors
/// [`RateError`] when the factors' shape or a factor is invalid.
pub fn reference_in_period(fit: &RateFit, factors: &UnitFactors) -> Result<Vec<f64>, RateError> {
    factors.check(fit.rates.n_units)?;
    let is_in = |unit: &usize| match &fit.units[*unit].rate {
        UnitRate::Estimated(estimate) => matches!(estimate.exceedance, Exceedance::Probability(_)),
        UnitRate::Unexposed | UnitRate::ContradictsRecords => false,
    };
    let units: Vec<usize> = (0..fit.rates.n_units).filter(is_in).collect();
    let of_draw = |(draw, reference): (usize, &f64)| {
        let rates = fit.rates.row(draw % fit.rates.n_draws.max(1));
        let (mut sum, mut total) = (0.0, 0.0);
        for &unit in &units {
            let expected = rates[unit] * fit.units[unit].exposure_km;
            sum += expected * factors.of(draw, unit);
            total += expected;
        }
        // Without a unit that can be weighted the first one's curve is the only one there is.
        reference * if total > 0.0 { sum / total } else { factors.of(draw, 0) }
    };
    Ok(fit.reference_draws_per_km.iter().enumerate().map(of_draw).collect())
}

/// The factor of one period on the rate of each unit: draws of one or several season-hour curves, and which of them each
/// unit follows.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitFactors {
    /// The factors; what is a period to [`PeriodCurve`] is a curve here.
    curves: PeriodCurve,
    /// The curves that each unit follows with the share of each; empty where all units follow the first.
    shares: Vec<Vec<(usize, f64)>>,
}

impl UnitFactors {
    /// One curve for all units: its factor by draw, at least one.
    pub fn common(factor: Vec<f64>) -> Self {
        Self { curves: PeriodCurve { n_draws: factor.len(), n_periods: 1, factor }, shares: Vec::new() }
    }

    /// Several curves: `curves` holds the factor of each in the period, draw-major, with a curve in the place of a
    /// period; `shares` lists for each unit the curves it follows with the share of each, which sum to 1.
    ///
    /// # Errors
    /// [`RateError`] when a shape or a factor is invalid, a curve does not exist, or shares do not sum to 1.
    pub fn by_unit(curves: PeriodCurve, shares: Vec<Vec<(usize, f64)>>) -> Result<Self, RateError> {
        let factors = Self { curves, shares };
        factors.check(factors.shares.len())?;
        Ok(factors)
    }

    /// The factor of a unit in a draw, counted round again where there are fewer draws.
    pub fn of(&self, draw: usize, unit: usize) -> f64 {
        match self.shares.get(unit) {
            None => self.curves.factor(draw, 0),
            Some(shares) => {
                shares.iter().map(|(curve, share)| share * self.curves.factor(draw, *curve)).sum()
            }
        }
    }

    /// Whether the factors fit a number of units and are usable.
    ///
    /// # Errors
    /// [`RateError`] when a shape or a factor is invalid, a curve does not exist, or shares do not sum to 1.
    pub fn check(&self, n_units: usize) -> Result<(), RateError> {
        self.curves.check()?;
        if self.curves.factor.is_empty() {
            return Err(RateError::Parameter {
                name: "draws of the factors",
                value: 0.0,
                allowed: "at least 1",
            });
        }
        if self.shares.is_empty() {
            return Ok(());
        }
        check_shape("the curves by unit", self.shares.len(), 1, n_units)?;
        for shares in &self.shares {
            if let Some((curve, _)) = shares.iter().find(|(curve, _)| *curve >= self.curves.n_periods) {
                let allowed = "below the number of curves";
                return Err(RateError::Parameter { name: "a unit's curve", value: *curve as f64, allowed });
            }
            let sum: f64 = shares.iter().map(|(_, share)| share).sum();
            let is_share = shares.iter().all(|(_, share)| *share >= 0.0);
            if !is_share || (sum - 1.0).abs() > 1e-6 {
                let allowed = "shares of at least 0 that sum to 1";
                return Err(RateError::Parameter {
                    name: "the shares of a unit's curves",
                    value: sum,
                    allowed,
                });
            }
        }
        Ok(())
    }
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
        let usual = unit_period_rates(&fit, &UnitFactors::common(vec![1.0]), 0.95).unwrap();
        let busy = unit_period_rates(&fit, &UnitFactors::common(vec![3.0]), 0.95).unwrap();
        for (a, b) in usual.iter().zip(&busy).take(2) {
            let (a, b) = (a.unwrap(), b.unwrap());
            assert!((b.mean - 3.0 * a.mean).abs() < 1e-12 && (b.upper - 3.0 * a.upper).abs() < 1e-12);
        }
        assert_eq!(usual[2], None);
    }

    #[test]
    fn refuses_what_is_not_a_curve() {
        let fit = fit();
        let rates = |factor, level| unit_period_rates(&fit, &UnitFactors::common(factor), level);
        assert!(rates(Vec::new(), 0.95).is_err());
        assert!(rates(vec![1.0, f64::NAN], 0.95).is_err());
        assert!(rates(vec![1.0, -1.0], 0.95).is_err());
        assert!(rates(vec![1.0], 1.0).is_err());
        let curve = PeriodCurve { n_draws: 1, n_periods: 2, factor: vec![1.0] };
        assert!(UnitFactors::by_unit(curve, vec![vec![(0, 1.0)]; 3]).is_err());
    }

    #[test]
    fn each_unit_follows_its_own_curve() {
        let fit = fit();
        let curves = PeriodCurve { n_draws: 1, n_periods: 2, factor: vec![0.5, 4.0] };
        let shares = vec![vec![(0, 1.0)], vec![(1, 1.0)], vec![(0, 0.5), (1, 0.5)]];
        let factors = UnitFactors::by_unit(curves.clone(), shares).unwrap();
        assert_eq!((factors.of(7, 0), factors.of(0, 1), factors.of(0, 2)), (0.5, 4.0, 2.25));
        let usual = unit_period_rates(&fit, &UnitFactors::common(vec![1.0]), 0.95).unwrap();
        let own = unit_period_rates(&fit, &factors, 0.95).unwrap();
        for (unit, factor) in [(0, 0.5), (1, 4.0)] {
            let (usual, own) = (usual[unit].unwrap(), own[unit].unwrap());
            assert!((own.mean - factor * usual.mean).abs() < 1e-12, "unit {unit}");
        }
        // Both units walked 300 km, so the reference is their mean rate, before and after.
        let reference = reference_in_period(&fit, &factors).unwrap();
        for (draw, value) in reference.iter().enumerate() {
            let rates = fit.rates.row(draw);
            let expected =
                fit.reference_draws_per_km[draw] * (0.5 * rates[0] + 4.0 * rates[1]) / (rates[0] + rates[1]);
            assert!((value - expected).abs() < 1e-12);
        }
        assert!(UnitFactors::by_unit(curves.clone(), vec![vec![(2, 1.0)]]).is_err());
        assert!(UnitFactors::by_unit(curves, vec![vec![(0, 0.7)]]).is_err());
        assert!(unit_period_rates(&fit, &UnitFactors::common(Vec::new()), 0.95).is_err());
    }
}
