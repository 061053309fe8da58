//! Limits and tests for a Poisson count and its rate.

use crate::analysis::counts::quantiles::{Tail, gamma_quantile_of, upper_deviate};
use crate::analysis::counts::roots::bisect;
use crate::analysis::counts::tails::{
    ExactTails, ln_poisson_point, poisson_at_least, poisson_at_most, poisson_tails,
};
use crate::analysis::counts::{InvalidCounts, InvalidLevel, checked_exposure, half_alpha};

/// Exact two-sided confidence limits for the mean of a Poisson count.
///
/// `count` is a number of events; `level` is the confidence level, a fraction in (0, 1). Returns `(lower, upper)` in
/// events: divide both by the exposure for limits on a rate. A count of zero has the lower limit zero.
///
/// # Errors
/// [`InvalidLevel`] when `level` is not strictly between 0 and 1, NaN included.
///
/// # References
/// Garwood, F. (1936). Fiducial limits for the Poisson distribution. *Biometrika* 28, 437-442.
///
/// # Examples
/// ```
/// let (lower, upper) = coilway::analysis::counts::poisson_limits(10, 0.95).unwrap();
/// assert!((lower - 4.795389).abs() < 1e-6 && (upper - 18.390356).abs() < 1e-6);
/// ```
pub fn poisson_limits(count: u64, level: f64) -> Result<(f64, f64), InvalidLevel> {
    Ok(limits_beyond(count, half_alpha(level)?))
}

/// Exact one-sided upper confidence limit for the mean of a Poisson count.
///
/// At zero events this is `-ln(1 - level)`, the "rule of three" at 95 %.
///
/// # Errors
/// [`InvalidLevel`] when `level` is not strictly between 0 and 1.
pub fn poisson_upper_limit(count: u64, level: f64) -> Result<f64, InvalidLevel> {
    half_alpha(level)?;
    Ok(gamma_quantile_of(count as f64 + 1.0, Tail::Upper, 1.0 - level))
}

/// Mid-p two-sided confidence limits for the mean of a Poisson count.
///
/// Shorter than [`poisson_limits`] and covering at the level on average rather than at least. Half of the point's
/// probability is counted in each tail.
///
/// # Errors
/// [`InvalidLevel`] when `level` is not strictly between 0 and 1.
pub fn poisson_mid_p_limits(count: u64, level: f64) -> Result<(f64, f64), InvalidLevel> {
    let beyond = half_alpha(level)?;
    // The exact limits enclose the mid-p ones.
    let exact = limits_beyond(count, beyond);
    let half_point = |mean| 0.5 * ln_poisson_point(count, mean).exp();
    let lower = if count == 0 {
        0.0
    } else {
        bisect(exact, |mean| poisson_at_least(count, mean) - half_point(mean) - beyond)
    };
    let upper = bisect(exact, |mean| beyond - poisson_at_most(count, mean) + half_point(mean));
    Ok((lower, upper))
}

/// Score confidence limits for the mean of a Poisson count, a large-sample method.
///
/// # Errors
/// [`InvalidLevel`] when `level` is not strictly between 0 and 1.
pub fn poisson_score_limits(count: u64, level: f64) -> Result<(f64, f64), InvalidLevel> {
    let deviate = upper_deviate(half_alpha(level)?);
    let centre = count as f64 + 0.5 * deviate * deviate;
    let reach = deviate * (count as f64 + 0.25 * deviate * deviate).sqrt();
    // At zero events the two terms are equal but for rounding.
    Ok(((centre - reach).max(0.0), centre + reach))
}

/// A count divided by its exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RawRate {
    /// No exposure and no events: there is no rate.
    Unexposed,
    /// Events where there is no exposure: the exposure must be wrong.
    ExposureContradictsRecords,
    /// Events per unit of exposure, with the exact limits of [`poisson_limits`].
    Estimate {
        /// Events over exposure.
        rate: f64,
        /// Lower limit.
        lower: f64,
        /// Upper limit.
        upper: f64,
    },
}

/// The rate of a count over an exposure, with exact limits.
///
/// `exposure` is in any unit, at least zero; the rate is in events per that unit.
///
/// # Errors
/// [`InvalidCounts`] when the level is out of range or the exposure is negative or not finite.
pub fn raw_rate(count: u64, exposure: f64, level: f64) -> Result<RawRate, InvalidCounts> {
    let beyond = half_alpha(level)?;
    if exposure == 0.0 {
        return Ok(if count == 0 { RawRate::Unexposed } else { RawRate::ExposureContradictsRecords });
    }
    checked_exposure(exposure)?;
    let (lower, upper) = limits_beyond(count, beyond);
    Ok(RawRate::Estimate { rate: count as f64 / exposure, lower: lower / exposure, upper: upper / exposure })
}

/// Exact test of a count against the rate `null_rate` per unit of exposure.
///
/// # Errors
/// [`InvalidCounts`] when the exposure is not positive and finite or the rate is negative or not finite.
pub fn rate_test(count: u64, exposure: f64, null_rate: f64) -> Result<ExactTails, InvalidCounts> {
    checked_exposure(exposure)?;
    let mean = null_rate * exposure;
    if !(mean.is_finite() && mean >= 0.0) {
        return Err(InvalidCounts::Null(null_rate));
    }
    Ok(poisson_tails(count, mean))
}

/// Exact limits with the probability `beyond` outside each.
pub(crate) fn limits_beyond(count: u64, beyond: f64) -> (f64, f64) {
    let events = count as f64;
    let lower = if count == 0 { 0.0 } else { gamma_quantile_of(events, Tail::Lower, beyond) };
    (lower, gamma_quantile_of(events + 1.0, Tail::Upper, beyond))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::{close, close_pair};

    #[test]
    fn limits_match_other_libraries() {
        // scipy 1.17.1, chi2.ppf and chi2.isf; R 4.2.2 poisson.test up to 1,000 events.
        let check =
            |count, level, expected| close_pair(poisson_limits(count, level).unwrap(), expected, 1e-8);
        check(0, 0.95, (0.0, 3.68887945411));
        check(0, 0.99, (0.0, 5.29831736655));
        check(1, 0.95, (0.0253178079843, 5.57164339094));
        check(10, 0.95, (4.79538869613, 18.390356042));
        check(10, 0.9, (5.42540569709, 16.9622192357));
        check(100, 0.99, (76.1204958437, 128.76058012));
        check(1_000_000, 0.95, (998040.98334, 1001961.91195));
        check(1_000_000, 0.99, (997426.049021, 1002578.70886));
    }

    #[test]
    fn mid_p_limits_match_other_libraries() {
        // scipy 1.17.1; statsmodels 0.15.0 confint_poisson(method="midp-c").
        let check = |count, expected| close_pair(poisson_mid_p_limits(count, 0.95).unwrap(), expected, 1e-9);
        check(0, (0.0, 2.99573227355));
        check(1, (0.0500203448353, 4.93186052471));
        check(30, (20.6115221455, 42.2861388248));
    }

    #[test]
    fn a_rate_has_its_limits_and_p() {
        // statsmodels 0.15.0 test_rates_poisson.py, from R exactci poisson.exact(15, 400, r = 0.05).
        let RawRate::Estimate { rate, lower, upper } = raw_rate(15, 400.0, 0.95).unwrap() else { panic!() };
        assert_eq!(rate, 0.0375);
        close_pair((lower, upper), (0.0209884653319583, 0.0618505471787146), 1e-12);
        close(rate_test(15, 400.0, 0.05).unwrap().two_sided_central(), 0.313026269279486, 1e-10);
        let score = poisson_score_limits(15, 0.95).unwrap();
        close_pair((score.0 / 400.0, score.1 / 400.0), (0.0227264749053794, 0.0618771721463559), 1e-10);
    }

    #[test]
    fn one_sided_limits_follow_the_rule_of_three() {
        close(poisson_upper_limit(0, 0.95).unwrap(), -f64::ln(0.05), 1e-12);
    }

    #[test]
    fn a_rate_without_exposure_is_no_number() {
        assert_eq!(raw_rate(0, 0.0, 0.95), Ok(RawRate::Unexposed));
        assert_eq!(raw_rate(2, 0.0, 0.95), Ok(RawRate::ExposureContradictsRecords));
        assert_eq!(raw_rate(2, -1.0, 0.95), Err(InvalidCounts::Exposure(-1.0)));
        for level in [0.0, 1.0, f64::NAN] {
            assert!(poisson_limits(3, level).is_err());
        }
    }
}
