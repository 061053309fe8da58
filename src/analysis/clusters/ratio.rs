//! How many times the expected count a cluster has.

use statrs::function::beta::beta_reg;

use crate::analysis::clusters::ClusterError;
use crate::analysis::clusters::null::Null;
use crate::analysis::counts::tails::{poisson_at_least, poisson_at_most};

/// Ratios are looked for up to this.
const LARGEST: f64 = 1e6;
/// Halvings of the logarithm of a limit: to twelve digits.
const HALVINGS: usize = 60;

/// Count over expectation, with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountRatio {
    /// Mean count over mean expectation.
    pub value: f64,
    /// Lower limit; zero where a count of zero is possible.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// The ratio of the count on some segments to its expectation, with limits at a confidence level.
///
/// The limits are those ratios at which the mean tail over the draws is half of 1 - `level`: Garwood's limits where there
/// is one draw and encounters fall one by one, wider where the expectation is uncertain or encounters come in clumps
/// (negative binomial with the null's dispersion). They speak of these segments as if they had been named beforehand; a
/// cluster was picked for being high, so its ratio is too high on average.
///
/// # Errors
/// [`ClusterError::Parameter`] when the level is not in (0, 1), [`ClusterError::NoExposure`] when nothing is expected.
///
/// # References
/// Garwood, F. (1936). Fiducial limits for the Poisson distribution. *Biometrika* 28, 437-442.
pub fn ratio(null: &Null<'_>, segments: &[usize], level: f64) -> Result<CountRatio, ClusterError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(ClusterError::Parameter { what: "the confidence level", value: level });
    }
    let draws: Vec<(u64, f64)> = (0..null.n_draws)
        .map(|draw| {
            let (count, share) = null.in_draw(draw, segments.iter().copied());
            (count, null.total(draw) as f64 * share)
        })
        .collect();
    let expected = null.expected(segments);
    if expected <= 0.0 {
        return Err(ClusterError::NoExposure);
    }
    let (lower, upper) = limits_over_draws(&draws, null.factor, level);
    Ok(CountRatio { value: null.count(segments) / expected, lower, upper })
}

/// Limits of a ratio from what was counted and expected in each draw: those at which the mean tail over the draws is half of
/// 1 - `level`. The variance of counts is `factor` times their mean. Something must be expected in some draw.
pub fn limits_over_draws(draws: &[(u64, f64)], factor: f64, level: f64) -> (f64, f64) {
    let tail = (1.0 - level) / 2.0;
    let mean = |of: &dyn Fn(u64, f64) -> f64| {
        draws.iter().map(|(count, expected)| of(*count, *expected)).sum::<f64>() / draws.len() as f64
    };
    let greater = |ratio: f64| mean(&|count, expected| at_least(count, ratio * expected, factor));
    let less = |ratio: f64| mean(&|count, expected| at_most(count, ratio * expected, factor));
    let lower = if greater(1.0 / LARGEST) >= tail { 0.0 } else { root(|ratio| greater(ratio) < tail) };
    (lower, root(|ratio| less(ratio) > tail))
}

/// The ratio up to which a condition holds.
fn root(holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (-LARGEST.ln(), LARGEST.ln());
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if holds(middle.exp()) {
            low = middle;
        } else {
            high = middle;
        }
    }
    (0.5 * (low + high)).exp()
}

/// P(X >= count) of a count with this mean and a variance of `factor` times it.
fn at_least(count: u64, mean: f64, factor: f64) -> f64 {
    match count {
        0 => 1.0,
        _ if mean <= 0.0 => 0.0,
        _ if factor <= 1.0 => poisson_at_least(count, mean),
        _ => beta_reg(count as f64, mean / (factor - 1.0), (factor - 1.0) / factor),
    }
}

fn at_most(count: u64, mean: f64, factor: f64) -> f64 {
    if mean <= 0.0 {
        1.0
    } else if factor <= 1.0 {
        poisson_at_most(count, mean)
    } else {
        beta_reg(mean / (factor - 1.0), count as f64 + 1.0, 1.0 / factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::clusters::Evidence;
    use crate::analysis::counts::poisson_limits;
    use crate::analysis::rates::CountDraws;
    use crate::analysis::rates::ExposureDraws;

    fn check(counts: &CountDraws, factor: f64) -> CountRatio {
        let exposure = ExposureDraws::certain(vec![1.0, 9.0]);
        let evidence = Evidence { counts, exposure: &exposure, is_looked_at: &[true; 2] };
        ratio(&Null::new(evidence, factor).unwrap(), &[0], 0.95).unwrap()
    }

    #[test]
    fn one_draw_has_garwoods_limits() {
        // 10 of 50, where 5 are expected.
        let got = check(&CountDraws::certain(vec![10, 40]), 1.0);
        let (lower, upper) = poisson_limits(10, 0.95).unwrap();
        assert!((got.value - 2.0).abs() < 1e-12);
        assert!((got.lower - lower / 5.0).abs() < 1e-9 && (got.upper - upper / 5.0).abs() < 1e-9, "{got:?}");
        let none = check(&CountDraws::certain(vec![0, 40]), 1.0);
        assert_eq!((none.value, none.lower), (0.0, 0.0));
        assert!((none.upper - poisson_limits(0, 0.95).unwrap().1 / 4.0).abs() < 1e-9);
    }

    #[test]
    fn clumps_and_doubt_widen() {
        let plain = check(&CountDraws::certain(vec![10, 40]), 1.0);
        let clumped = check(&CountDraws::certain(vec![10, 40]), 2.5);
        let doubtful = check(&CountDraws { n_draws: 2, n_units: 2, counts: vec![7, 43, 13, 37] }, 1.0);
        for wider in [clumped, doubtful] {
            assert!(wider.lower < plain.lower && wider.upper > plain.upper, "{wider:?} {plain:?}");
        }
    }

    /// With mean 2 and variance 4 the count is geometric with size 2: P(0) = 1/4, P(1) = 1/4.
    #[test]
    fn clumped_tails_by_hand() {
        assert!((at_most(0, 2.0, 2.0) - 0.25).abs() < 1e-12 && (at_most(1, 2.0, 2.0) - 0.5).abs() < 1e-12);
        assert!((at_least(2, 2.0, 2.0) - 0.5).abs() < 1e-12);
    }
}
