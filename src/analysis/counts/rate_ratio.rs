//! Two rates compared, given their total count.
//!
//! Given the total, the first count is binomial with log odds `ln(ratio * exposure_1 / exposure_2)`: limits and tests of
//! the ratio are those of a share (Przyborowski & Wilenski 1940, *Biometrika* 31, 313-323).

use crate::analysis::counts::binomial::{LogitLimits, exact_logits, mid_p_logits, minlike_logits, test_at};
use crate::analysis::counts::tails::ExactTails;
use crate::analysis::counts::{InvalidCounts, Ratio, RatioLimits, checked_exposure, half_alpha};

/// A count and the exposure it was made over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// Events.
    pub count: u64,
    /// Exposure in any unit, the same for both sides of a comparison; more than zero.
    pub exposure: f64,
}

/// The ratio of two rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateRatio {
    /// The first rate over the second; undefined when neither counted anything.
    pub ratio: Ratio,
    /// Exact central limits.
    pub limits: RatioLimits,
    /// Mid-p limits.
    pub mid_p_limits: RatioLimits,
    /// Tails of the first count under the null ratio: `less` is against a lower ratio, `greater` a higher one.
    pub tails: ExactTails,
}

/// Compares two rates by the exact conditional test, against the ratio `null_ratio`.
///
/// When nothing was counted on either side the ratio is undefined, its limits are [`RatioLimits::ANY`] and every
/// p-value is one.
///
/// # Errors
/// [`InvalidCounts`] when an exposure or the null ratio is not positive and finite, or the level is out of range.
pub fn rate_ratio(
    first: Counted,
    second: Counted,
    level: f64,
    null_ratio: f64,
) -> Result<RateRatio, InvalidCounts> {
    let beyond = half_alpha(level)?;
    checked_exposure(first.exposure)?;
    checked_exposure(second.exposure)?;
    if !(null_ratio.is_finite() && null_ratio > 0.0) {
        return Err(InvalidCounts::Null(null_ratio));
    }
    let total = first.count + second.count;
    let ln_exposures = (first.exposure / second.exposure).ln();
    let tails = if total == 0 {
        ExactTails::CERTAIN
    } else {
        test_at(first.count, total, null_ratio.ln() + ln_exposures)
    };
    Ok(RateRatio {
        ratio: Ratio::of(first.count as f64 * second.exposure, second.count as f64 * first.exposure),
        limits: ratio_limits(exact_logits(first.count as f64, total as f64, beyond), ln_exposures),
        mid_p_limits: ratio_limits(mid_p_logits(first.count, total, beyond), ln_exposures),
        tails,
    })
}

/// Limits of the ratios that the two-sided test by likelihood (`minlike`) does not reject.
///
/// They belong with [`ExactTails::minlike`]; the work grows with the counts.
///
/// # Errors
/// As [`rate_ratio`].
pub fn rate_ratio_minlike_limits(
    first: Counted,
    second: Counted,
    level: f64,
) -> Result<RatioLimits, InvalidCounts> {
    let alpha = 2.0 * half_alpha(level)?;
    checked_exposure(first.exposure)?;
    checked_exposure(second.exposure)?;
    let logits = minlike_logits(first.count, first.count + second.count, alpha);
    Ok(ratio_limits(logits, (first.exposure / second.exposure).ln()))
}

fn ratio_limits((lower, upper): LogitLimits, ln_exposures: f64) -> RatioLimits {
    let ratio = |logit: f64| (logit - ln_exposures).exp();
    RatioLimits { lower: lower.map_or(0.0, ratio), upper: upper.map(ratio) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;

    fn compared(x1: u64, t1: f64, x2: u64, t2: f64, null_ratio: f64) -> RateRatio {
        let first = Counted { count: x1, exposure: t1 };
        rate_ratio(first, Counted { count: x2, exposure: t2 }, 0.95, null_ratio).unwrap()
    }

    #[test]
    fn gu_and_others_first_example() {
        // Gu et al. (2008) data; scipy 1.17.1, R 4.2.2 poisson.test, R exactci by way of statsmodels 0.15.0.
        let result = compared(60, 51477.5, 30, 54308.7, 1.0);
        close(result.ratio.finite().unwrap(), 2.10999757175465, 1e-12);
        close(result.limits.lower, 1.33973572177, 1e-10);
        close(result.limits.upper.unwrap(), 3.38836557362, 1e-10);
        close(result.mid_p_limits.lower, 1.36810365519, 1e-10);
        close(result.mid_p_limits.upper.unwrap(), 3.30729672201, 1e-10);
        close(result.tails.two_sided_central(), 0.0008561053881, 1e-9);
        close(result.tails.minlike, 0.000675182658686321, 1e-10);
        close(result.tails.minlike_mid_p(), 0.000557262406619052, 1e-9);
        let other = compared(60, 51477.5, 30, 54308.7, 1.2);
        close(other.tails.greater, 0.006651774552714537, 1e-10);
        close(other.tails.less, 0.9964625674930079, 1e-10);
        close(other.tails.greater_mid_p(), 0.005094603529853279, 1e-10);
    }

    #[test]
    fn minlike_limits_match_a_published_pair() {
        // R exactci poisson.exact(c(60, 30), c(51477.5, 54308.7), tsmethod = "minlike") prints the ratios of shares rounded
        // outwards to four places: 0.5613 and 0.7565.
        let first = Counted { count: 60, exposure: 51477.5 };
        let second = Counted { count: 30, exposure: 54308.7 };
        let limits = rate_ratio_minlike_limits(first, second, 0.95).unwrap();
        let per_second = first.exposure / second.exposure;
        let share = |ratio: f64| ratio * per_second / (1.0 + ratio * per_second);
        let ratio = |share: f64| share / (1.0 - share) / per_second;
        let lower = (share(limits.lower) * 1e4).floor() / 1e4;
        let upper = (share(limits.upper.unwrap()) * 1e4).ceil() / 1e4;
        close(ratio(lower), 1.34983090611567, 1e-12);
        close(ratio(upper), 3.27764509862914, 1e-12);
    }

    #[test]
    fn zero_counts_leave_a_side_open() {
        let none = compared(0, 120.0, 0, 80.0, 1.0);
        assert_eq!((none.ratio, none.limits), (Ratio::Undefined, RatioLimits::ANY));
        assert_eq!(none.tails.two_sided_central(), 1.0);
        let lower = compared(0, 400.0, 5, 410.0, 1.0);
        assert_eq!((lower.ratio, lower.limits.lower), (Ratio::Finite(0.0), 0.0));
        close(lower.limits.upper.unwrap(), 1.11856108281, 1e-10);
        let upper = compared(5, 400.0, 0, 410.0, 1.0);
        assert_eq!((upper.ratio, upper.limits.upper), (Ratio::Infinite, None));
        close(upper.limits.lower, 0.939264753748, 1e-10);
    }

    #[test]
    fn a_rate_without_exposure_cannot_be_compared() {
        let counted = |exposure| Counted { count: 1, exposure };
        assert!(rate_ratio(counted(0.0), counted(1.0), 0.95, 1.0).is_err());
        assert!(rate_ratio(counted(1.0), counted(1.0), 0.95, 0.0).is_err());
    }
}
