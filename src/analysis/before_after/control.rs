//! Four totals: before and after, with signs and without.

use crate::analysis::before_after::{Change, InvalidComparison, Period, check_period};
use crate::analysis::counts::fisher::fisher_exact;
use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::counts::trend::chi_squared_tail;
use crate::analysis::counts::{Ratio, RatioLimits, half_alpha};

/// The four totals of a comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cells {
    /// Where signs stand afterwards, before.
    pub signed_before: Period,
    /// The same, after.
    pub signed_after: Period,
    /// Where none stands, before.
    pub control_before: Period,
    /// The same, after.
    pub control_after: Period,
}

/// The ratio of two changes.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// The change where signs stand, after over before; raw, and biased where counts of `before` chose the signs.
    pub signed_ratio: Ratio,
    /// The change where none stands.
    pub control_ratio: Ratio,
    /// The first over the second: below one where signs go with fewer encounters.
    pub change: Change,
    /// Its limits: Wald's on the log scale; exact given the margins where a cell is empty.
    pub limits: RatioLimits,
    /// Tests of no change; `None` where a cell is empty.
    pub tests: Option<ChangeTests>,
}

/// Tests of a ratio of ratios against one, as in a log-linear Poisson model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChangeTests {
    /// Logarithm of the ratio.
    pub log_effect: f64,
    /// Its standard error if encounters are independent.
    pub std_error: f64,
    /// Their quotient.
    pub z_score: f64,
    /// Two-sided p-value of the quotient.
    pub p_wald: f64,
    /// Likelihood ratio of the interaction.
    pub chi_squared: f64,
    /// Its p-value, one degree of freedom.
    pub p_likelihood_ratio: f64,
}

/// Compares the change where signs stand with the change where none stands.
///
/// Kilometres may be any exposure, the same kind in all cells; each must be above zero. Where a cell holds no encounter
/// there is no estimate: the limits are then exact given the margins and open on the side that the data leave open.
///
/// # Errors
/// [`InvalidComparison`] when a cell was not walked or the level is out of range.
pub fn before_after_control(cells: &Cells, level: f64) -> Result<Compared, InvalidComparison> {
    let beyond = half_alpha(level)?;
    let all = [cells.signed_before, cells.signed_after, cells.control_before, cells.control_after];
    for (unit, cell) in all.into_iter().enumerate() {
        check_period(unit, cell)?;
        if cell.km == 0.0 {
            return Err(InvalidComparison::Walked { unit, km: 0.0 });
        }
    }
    let change = |before: Period, after: Period| {
        Ratio::of(after.count as f64 * before.km, before.count as f64 * after.km)
    };
    let signed_ratio = change(cells.signed_before, cells.signed_after);
    let control_ratio = change(cells.control_before, cells.control_after);
    let Some(tests) = tests(cells, signed_ratio, control_ratio) else {
        let limits = exact_limits(cells, level);
        return Ok(Compared { signed_ratio, control_ratio, change: Change::ZeroCell, limits, tests: None });
    };
    let reach = upper_deviate(beyond) * tests.std_error;
    Ok(Compared {
        signed_ratio,
        control_ratio,
        change: Change::Estimate(tests.log_effect.exp()),
        limits: RatioLimits {
            lower: (tests.log_effect - reach).exp(),
            upper: Some((tests.log_effect + reach).exp()),
        },
        tests: Some(tests),
    })
}

fn tests(cells: &Cells, signed: Ratio, control: Ratio) -> Option<ChangeTests> {
    let all = [cells.signed_before, cells.signed_after, cells.control_before, cells.control_after];
    if all.iter().any(|cell| cell.count == 0) {
        return None;
    }
    let log_effect = (signed.finite()? / control.finite()?).ln();
    let std_error = all.iter().map(|cell| 1.0 / cell.count as f64).sum::<f64>().sqrt();
    let z_score = log_effect / std_error;
    let chi_squared = interaction(cells);
    Some(ChangeTests {
        log_effect,
        std_error,
        z_score,
        p_wald: chi_squared_tail(z_score * z_score),
        chi_squared,
        p_likelihood_ratio: chi_squared_tail(chi_squared),
    })
}

/// Twice the log likelihood that the interaction adds: the fit without it has one change for both, found where the
/// expected counts of `after` add up.
fn interaction(cells: &Cells) -> f64 {
    let rows = [(cells.signed_before, cells.signed_after), (cells.control_before, cells.control_after)];
    let total = |(before, after): (Period, Period)| (before.count + after.count) as f64;
    let share = |(before, after): (Period, Period), ln_change: f64| {
        let odds = ln_change.exp() * after.km / before.km;
        odds / (1.0 + odds)
    };
    let n_after: f64 = rows.iter().map(|row| row.1.count as f64).sum();
    let excess = |ln_change: f64| -> f64 {
        rows.iter().map(|row| total(*row) * share(*row, ln_change)).sum::<f64>() - n_after
    };
    let common = crate::analysis::counts::roots::bisect((-60.0, 60.0), excess);
    let part = |count: f64, expected: f64| if count > 0.0 { count * (count / expected).ln() } else { 0.0 };
    let deviance: f64 = rows
        .iter()
        .map(|row| {
            let after = total(*row) * share(*row, common);
            part(row.1.count as f64, after) + part(row.0.count as f64, total(*row) - after)
        })
        .sum();
    (2.0 * deviance).max(0.0)
}

/// Given all margins the table is noncentral hypergeometric with odds `change * km ratio`.
fn exact_limits(cells: &Cells, level: f64) -> RatioLimits {
    let table = [
        [cells.signed_after.count, cells.signed_before.count],
        [cells.control_after.count, cells.control_before.count],
    ];
    let walked =
        cells.signed_after.km * cells.control_before.km / (cells.signed_before.km * cells.control_after.km);
    match fisher_exact(table, level) {
        Ok(exact) => RatioLimits {
            lower: exact.limits.lower / walked,
            upper: exact.limits.upper.map(|upper| upper / walked),
        },
        Err(_) => RatioLimits::ANY,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;

    fn cells(counts: [u64; 4], km: [f64; 4]) -> Cells {
        let cell = |idx: usize| Period { count: counts[idx], km: km[idx] };
        Cells {
            signed_before: cell(0),
            signed_after: cell(1),
            control_before: cell(2),
            control_after: cell(3),
        }
    }

    #[test]
    fn a_ratio_of_ratios_as_two_other_programs_find_it() {
        // Log-linear Poisson; statsmodels 0.15.0 GLM and R 4.2.2 glm.
        let given = cells([120, 60, 80, 95], [900.0, 950.0, 700.0, 720.0]);
        let result = before_after_control(&given, 0.95).unwrap();
        close(result.change.estimate().unwrap(), 0.410288880095, 1e-10);
        close(result.limits.lower, 0.267023643974, 2e-6);
        close(result.limits.upper.unwrap(), 0.630419698513, 2e-6);
        let tests = result.tests.unwrap();
        close(tests.chi_squared, 16.9331205522, 1e-9);
        close(tests.p_wald, 4.79828640901e-05, 1e-9);
    }

    #[test]
    fn an_empty_cell_has_limits_and_no_estimate() {
        let none_after =
            before_after_control(&cells([6, 0, 5, 6], [500.0, 520.0, 400.0, 410.0]), 0.95).unwrap();
        assert_eq!((none_after.change, none_after.limits.lower), (Change::ZeroCell, 0.0));
        assert!(none_after.limits.upper.is_some_and(|upper| upper > 0.5 && upper < 2.0), "{none_after:?}");
        let none_before =
            before_after_control(&cells([0, 6, 5, 6], [500.0, 520.0, 400.0, 410.0]), 0.95).unwrap();
        assert_eq!(none_before.limits.upper, None);
        assert!(none_before.tests.is_none() && none_before.limits.lower > 0.0);
        let nothing = before_after_control(&cells([0; 4], [1.0; 4]), 0.95).unwrap();
        assert_eq!(nothing.limits, RatioLimits::ANY);
    }

    #[test]
    fn a_cell_that_nobody_walked_is_refused() {
        assert!(before_after_control(&cells([1; 4], [1.0, 0.0, 1.0, 1.0]), 0.95).is_err());
        assert!(before_after_control(&cells([1; 4], [1.0, f64::NAN, 1.0, 1.0]), 0.95).is_err());
    }
}
