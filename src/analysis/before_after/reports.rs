//! Reports before and after: a sign changes what people report, not only what they meet.

use crate::analysis::before_after::control::{Cells, before_after_control};
use crate::analysis::before_after::{Change, InvalidComparison};
use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::counts::{RatioLimits, half_alpha};
use crate::analysis::rates::ReportingRatio;

/// Reporting ratios of the four cells, each estimated apart: draw i of each rests on draw i of the walking, and is otherwise
/// drawn independently (with a seed of its own).
#[derive(Debug, Clone)]
pub struct ReportingCells<'a> {
    /// Where signs stand afterwards, before.
    pub signed_before: &'a ReportingRatio,
    /// The same, after.
    pub signed_after: &'a ReportingRatio,
    /// Where none stands, before.
    pub control_before: &'a ReportingRatio,
    /// The same, after.
    pub control_after: &'a ReportingRatio,
}

/// What reports say.
#[derive(Debug, Clone, PartialEq)]
pub enum ReportedChange {
    /// The ratio of ratios with what people report taken out.
    Estimated {
        /// The ratio.
        change: Change,
        /// Its limits.
        limits: RatioLimits,
    },
    /// Refused: a reporting ratio is not known.
    Refused {
        /// The cells without one, in the order of [`ReportingCells`]: true where it is missing.
        missing: [bool; 4],
    },
}

/// The change of encounters that reports tell of, each cell divided by its own reporting ratio.
///
/// A sign that makes people look, or report, raises reports while encounters fall. So nothing is said unless the ratio of
/// reports to encounters is known before and after, with signs and without. Its uncertainty widens the limits.
///
/// # Errors
/// As [`before_after_control`].
pub fn reported_change(
    cells: &Cells,
    ratios: &ReportingCells<'_>,
    level: f64,
) -> Result<ReportedChange, InvalidComparison> {
    let beyond = half_alpha(level)?;
    let all = [ratios.signed_before, ratios.signed_after, ratios.control_before, ratios.control_after];
    let known = all.map(draws);
    let [Some(sb), Some(sa), Some(cb), Some(ca)] = known else {
        return Ok(ReportedChange::Refused { missing: known.map(|draws| draws.is_none()) });
    };
    let compared = before_after_control(cells, level)?;
    let (shift, variance) = shift([sb, sa, cb, ca]);
    let Some(tests) = compared.tests else {
        // The exact limits, shifted and widened by the error of the ratios.
        let reach = upper_deviate(beyond) * variance.sqrt();
        let limits = RatioLimits {
            lower: compared.limits.lower * (-shift - reach).exp(),
            upper: compared.limits.upper.map(|upper| upper * (-shift + reach).exp()),
        };
        return Ok(ReportedChange::Estimated { change: Change::ZeroCell, limits });
    };
    let ln_effect = tests.log_effect - shift;
    let reach = upper_deviate(beyond) * (tests.std_error * tests.std_error + variance).sqrt();
    Ok(ReportedChange::Estimated {
        change: Change::Estimate(ln_effect.exp()),
        limits: RatioLimits { lower: (ln_effect - reach).exp(), upper: Some((ln_effect + reach).exp()) },
    })
}

/// The draws of a ratio, at least two and all above zero; none where it is not estimated.
fn draws(ratio: &ReportingRatio) -> Option<&[f64]> {
    let ReportingRatio::Estimated(estimate) = ratio else { return None };
    let is_good = estimate.draws.len() > 1 && estimate.draws.iter().all(|draw| *draw > 0.0);
    is_good.then_some(&estimate.draws)
}

/// Mean and variance of the logarithm of the ratio of ratios over the draws, draw by draw: what is not known of the walking
/// is the same before and after, and cancels.
fn shift([sb, sa, cb, ca]: [&[f64]; 4]) -> (f64, f64) {
    let n_draws = [sb, sa, cb, ca].map(<[f64]>::len).into_iter().max().unwrap_or(1);
    let log = |draws: &[f64], draw: usize| draws[draw % draws.len()].ln();
    let shifts: Vec<f64> =
        (0..n_draws).map(|draw| (log(sa, draw) - log(sb, draw)) - (log(ca, draw) - log(cb, draw))).collect();
    let n = n_draws as f64;
    let mean = shifts.iter().sum::<f64>() / n;
    let variance = shifts.iter().map(|shift| (shift - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, variance)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::before_after::Period;
    use crate::analysis::counts::testing::close;
    use crate::analysis::rates::{Interval, RatioEstimate};

    fn known(ratio: f64) -> ReportingRatio {
        drawn(ratio, [0.9, 1.0, 1.0 / 0.9])
    }

    fn drawn(ratio: f64, draws: [f64; 3]) -> ReportingRatio {
        ReportingRatio::Estimated(RatioEstimate {
            ratio: Interval { mean: ratio, lower: ratio, upper: ratio },
            draws: draws.map(|draw| draw * ratio).to_vec(),
            survey_encounters: 40.0,
            reports: 40.0,
        })
    }

    fn cells() -> Cells {
        let cell = |count| Period { count, km: 1000.0 };
        Cells {
            signed_before: cell(40),
            signed_after: cell(40),
            control_before: cell(40),
            control_after: cell(40),
        }
    }

    #[test]
    fn people_who_report_twice_as_much_hide_a_halving() {
        let (once, twice) = (known(0.5), drawn(1.0, [1.0, 1.0 / 0.9, 0.9]));
        let ratios = ReportingCells {
            signed_before: &once,
            signed_after: &twice,
            control_before: &once,
            control_after: &once,
        };
        let found = reported_change(&cells(), &ratios, 0.95).unwrap();
        let ReportedChange::Estimated { change, limits } = found else { panic!("{found:?}") };
        close(change.estimate().unwrap(), 0.5, 1e-9);
        let plain = before_after_control(&cells(), 0.95).unwrap().limits;
        let width = |limits: RatioLimits| (limits.upper.unwrap() / limits.lower).ln();
        assert!(width(limits) > width(plain));
    }

    #[test]
    fn what_is_not_known_of_the_walking_cancels() {
        // Walking that is unknown by a factor of ten, the same before and after.
        let (before, after) = (drawn(0.5, [0.1, 1.0, 10.0]), drawn(1.0, [0.1, 1.0, 10.0]));
        let control = drawn(0.5, [3.0, 1.0, 1.0 / 3.0]);
        let ratios = ReportingCells {
            signed_before: &before,
            signed_after: &after,
            control_before: &control,
            control_after: &control,
        };
        let found = reported_change(&cells(), &ratios, 0.95).unwrap();
        let ReportedChange::Estimated { change, limits } = found else { panic!("{found:?}") };
        close(change.estimate().unwrap(), 0.5, 1e-9);
        let plain = before_after_control(&cells(), 0.95).unwrap().limits;
        close(limits.upper.unwrap(), plain.upper.unwrap() / 2.0, 1e-9);
    }

    #[test]
    fn an_unknown_ratio_is_a_refusal() {
        let (once, missing) = (known(0.5), ReportingRatio::NotEstimable { survey_encounters: 3.0 });
        let ratios = ReportingCells {
            signed_before: &once,
            signed_after: &missing,
            control_before: &once,
            control_after: &once,
        };
        let found = reported_change(&cells(), &ratios, 0.95).unwrap();
        assert_eq!(found, ReportedChange::Refused { missing: [false, true, false, false] });
    }
}
