//! Limits and tests for a share: events among trials.

use crate::analysis::counts::quantiles::{Tail, beta_logit_quantile, logistic, upper_deviate};
use crate::analysis::counts::roots::bisect;
use crate::analysis::counts::tails::{
    ExactTails, binomial_at_least, binomial_at_most, binomial_tails, binomial_tails_at, ln_binomial_point,
    ln_choose,
};
use crate::analysis::counts::{InvalidCounts, checked_trials, half_alpha};

/// Limits on the scale of the logarithm of the odds; `None` at a share of 0 or 1.
pub(crate) type LogitLimits = (Option<f64>, Option<f64>);

/// Clopper and Pearson's exact limits for a share.
///
/// `(lower, upper)` in [0, 1]. Without events the lower limit is exactly 0; with nothing but events the upper is
/// exactly 1.
///
/// # Errors
/// [`InvalidCounts`] when there are no trials, more events than trials, or the level is out of range.
///
/// # References
/// Clopper, C. J. & Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the case of the
/// binomial. *Biometrika* 26, 404-413.
pub fn clopper_pearson_limits(events: u64, trials: u64, level: f64) -> Result<(f64, f64), InvalidCounts> {
    checked_trials(events, trials)?;
    Ok(shares(exact_logits(events as f64, trials as f64, half_alpha(level)?)))
}

/// Wilson's score limits for a share, without continuity correction.
///
/// # Errors
/// As [`clopper_pearson_limits`].
///
/// # References
/// Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. *Journal of the
/// American Statistical Association* 22, 209-212.
pub fn wilson_limits(events: u64, trials: u64, level: f64) -> Result<(f64, f64), InvalidCounts> {
    checked_trials(events, trials)?;
    let deviate = upper_deviate(half_alpha(level)?);
    let (events, trials) = (events as f64, trials as f64);
    let z2 = deviate * deviate;
    let centre = events + 0.5 * z2;
    let reach = deviate * (events * (trials - events) / trials + 0.25 * z2).sqrt();
    Ok((((centre - reach) / (trials + z2)).max(0.0), ((centre + reach) / (trials + z2)).min(1.0)))
}

/// Wilson's score limits with continuity correction, longer than [`wilson_limits`].
///
/// # Errors
/// As [`clopper_pearson_limits`].
///
/// # References
/// Newcombe, R. G. (1998). Two-sided confidence intervals for the single proportion: comparison of seven methods.
/// *Statistics in Medicine* 17, 857-872, method 4.
pub fn wilson_corrected_limits(events: u64, trials: u64, level: f64) -> Result<(f64, f64), InvalidCounts> {
    checked_trials(events, trials)?;
    let deviate = upper_deviate(half_alpha(level)?);
    // The lower limit of the failures mirrors the upper limit of the events.
    let lower = |events: u64| {
        if events == 0 {
            return 0.0;
        }
        let (k, n) = (events as f64, trials as f64);
        let z2 = deviate * deviate;
        let reach = deviate * (z2 - 2.0 - 1.0 / n + 4.0 * (k / n) * (n - k + 1.0)).max(0.0).sqrt();
        ((2.0 * k + z2 - 1.0 - reach) / (2.0 * (n + z2))).max(0.0)
    };
    Ok((lower(events), 1.0 - lower(trials - events)))
}

/// Equal-tailed limits of the posterior under Jeffreys' prior, Beta(1/2, 1/2).
///
/// Without events the lower limit is 0, and with nothing but events the upper is 1.
///
/// # Errors
/// As [`clopper_pearson_limits`].
///
/// # References
/// Brown, L. D., Cai, T. T. & DasGupta, A. (2001). Interval estimation for a binomial proportion. *Statistical Science*
/// 16, 101-133, section 3.1.
pub fn jeffreys_limits(events: u64, trials: u64, level: f64) -> Result<(f64, f64), InvalidCounts> {
    checked_trials(events, trials)?;
    let beyond = half_alpha(level)?;
    let (a, b) = (events as f64 + 0.5, (trials - events) as f64 + 0.5);
    let limit = |tail| logistic(beta_logit_quantile(a, b, tail, beyond));
    let lower = if events == 0 { 0.0 } else { limit(Tail::Lower) };
    let upper = if events == trials { 1.0 } else { limit(Tail::Upper) };
    Ok((lower, upper))
}

/// Mid-p limits for a share: half of the point's probability is counted in each tail.
///
/// # Errors
/// As [`clopper_pearson_limits`].
pub fn binomial_mid_p_limits(events: u64, trials: u64, level: f64) -> Result<(f64, f64), InvalidCounts> {
    checked_trials(events, trials)?;
    Ok(shares(mid_p_logits(events, trials, half_alpha(level)?)))
}

/// Limits of the shares that the two-sided test by likelihood (`minlike`) does not reject.
///
/// The shares not rejected may have gaps; the limits are those of the whole set. The work grows with the number of
/// trials.
///
/// # Errors
/// As [`clopper_pearson_limits`].
///
/// # References
/// Sterne, T. E. (1954). Some remarks on confidence or fiducial limits. *Biometrika* 41, 275-278.
pub fn minlike_limits(events: u64, trials: u64, level: f64) -> Result<(f64, f64), InvalidCounts> {
    checked_trials(events, trials)?;
    Ok(shares(minlike_logits(events, trials, 2.0 * half_alpha(level)?)))
}

/// Exact test of a share against `null_share`.
///
/// # Errors
/// [`InvalidCounts`] when there are no trials, more events than trials, or the share is outside [0, 1].
pub fn binomial_test(events: u64, trials: u64, null_share: f64) -> Result<ExactTails, InvalidCounts> {
    checked_trials(events, trials)?;
    if !(0.0..=1.0).contains(&null_share) {
        return Err(InvalidCounts::Null(null_share));
    }
    Ok(binomial_tails(events, trials, null_share))
}

/// Clopper and Pearson's limits for what may be fractions of events, on the scale of the log odds.
pub(crate) fn exact_logits(events: f64, trials: f64, beyond: f64) -> LogitLimits {
    let failures = trials - events;
    (
        (events > 0.0).then(|| beta_logit_quantile(events, failures + 1.0, Tail::Lower, beyond)),
        (failures > 0.0).then(|| beta_logit_quantile(events + 1.0, failures, Tail::Upper, beyond)),
    )
}

pub(crate) fn mid_p_logits(events: u64, trials: u64, beyond: f64) -> LogitLimits {
    // The exact limits enclose the mid-p ones.
    let (lower, upper) = exact_logits(events as f64, trials as f64, beyond);
    let bracket = (lower.unwrap_or(-700.0), upper.unwrap_or(700.0));
    let half_point = |logit| 0.5 * ln_binomial_point(events, trials, logit).exp();
    let above = |logit| binomial_at_least(events, trials, logit) - half_point(logit) - beyond;
    let below = |logit| beyond - binomial_at_most(events, trials, logit) + half_point(logit);
    (lower.map(|_| bisect(bracket, above)), upper.map(|_| bisect(bracket, below)))
}

pub(crate) fn minlike_logits(events: u64, trials: u64, alpha: f64) -> LogitLimits {
    let lower = lower_minlike_logit(events, trials, alpha);
    // Failures among trials mirror the events.
    let upper = lower_minlike_logit(trials - events, trials, alpha).map(|logit| -logit);
    (lower, upper)
}

/// The least log odds whose minlike p-value exceeds `alpha`; `None` without events.
///
/// Below the estimate the p-value is the upper tail plus the tail up to the last count `c` that is not more likely than
/// the one seen. It jumps up where the next count joins that tail. Between two jumps it is one minus a sum of
/// probabilities of neighbouring counts, which has a single peak, so that its greatest values are at the ends.
fn lower_minlike_logit(events: u64, trials: u64, alpha: f64) -> Option<f64> {
    if events == 0 {
        return None;
    }
    let joins = |c: u64| (ln_choose(trials, c) - ln_choose(trials, events)) / (events - c) as f64;
    let p_value = |joined: u64, logit: f64| {
        let below = if joined == 0 { 0.0 } else { binomial_at_most(joined - 1, trials, logit) };
        binomial_at_least(events, trials, logit) + below
    };
    let mut left = -700.0;
    for joined in 0..=events {
        if p_value(joined, left) > alpha {
            return Some(left);
        }
        let right = if joined < events { joins(joined) } else { 700.0 };
        if p_value(joined, right) > alpha {
            return Some(bisect((left, right), |logit| p_value(joined, logit) - alpha));
        }
        left = right;
    }
    Some(left)
}

fn shares((lower, upper): LogitLimits) -> (f64, f64) {
    (lower.map_or(0.0, logistic), upper.map_or(1.0, logistic))
}

/// Tails of the events under the log odds `logit`.
pub(crate) fn test_at(events: u64, trials: u64, logit: f64) -> ExactTails {
    binomial_tails_at(events, trials, logit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::{close, close_pair};
    use proptest::prelude::*;

    #[test]
    fn six_of_175_contacts() {
        // scipy 1.17.1; Clopper-Pearson also R 4.2.2 binom.test, the corrected score R prop.test.
        close_pair(clopper_pearson_limits(6, 175, 0.95).unwrap(), (0.0126842943743, 0.0731288228672), 1e-11);
        close_pair(wilson_limits(6, 175, 0.95).unwrap(), (0.0158064008847, 0.0727718232316), 1e-11);
        close_pair(wilson_corrected_limits(6, 175, 0.95).unwrap(), (0.0140131866728, 0.0765302185217), 1e-11);
        close_pair(binomial_mid_p_limits(6, 175, 0.95).unwrap(), (0.0140112157538, 0.0699319734131), 1e-11);
    }

    #[test]
    fn exact_limits_hold_at_the_ends() {
        // scipy 1.17.1 beta.ppf; R 4.2.2 qbeta.
        let check = |k, n, expected| close_pair(clopper_pearson_limits(k, n, 0.95).unwrap(), expected, 1e-10);
        check(0, 1, (0.0, 0.975));
        check(1, 1, (0.025, 1.0));
        check(0, 12, (0.0, 0.264648469397));
        check(12, 12, (0.735351530603, 1.0));
        check(0, 1_000_000, (0.0, 3.68887265021e-06));
        check(1, 1_000_000, (2.53178076638e-08, 5.57163065517e-06));
        check(500_000, 1_000_000, (0.499019519195, 0.500980480805));
        check(1_000_000, 1_000_000, (0.999996311127, 1.0));
    }

    #[test]
    fn other_methods_match_other_libraries() {
        // statsmodels 0.15.0 test_proportion.py, from R DescTools BinomCI.
        let jeffreys = jeffreys_limits(100, 200, 0.95).unwrap();
        assert!((jeffreys.0 - 0.4311217).abs() < 6e-8 && (jeffreys.1 - 0.5688783).abs() < 6e-8);
        // scipy 1.17.1, roots of a tail plus half of the point.
        let mid_p = binomial_mid_p_limits(1, 1_000_000, 0.95).unwrap();
        close_pair(mid_p, (5.00203447594e-08, 4.93185041332e-06), 1e-9);
        close_pair(binomial_mid_p_limits(12, 12, 0.95).unwrap(), (0.779077808054, 1.0), 1e-11);
    }

    #[test]
    fn the_exact_test_matches_a_published_one() {
        // statsmodels 0.15.0 test_binom_test, from R binom.test(51, 235, 1/6).
        let tails = binomial_test(51, 235, 1.0 / 6.0).unwrap();
        close(tails.minlike, 0.0437479701823997, 1e-11);
        close(tails.less, 0.982022657605858, 1e-11);
        close(tails.greater, 0.02654424571169085, 1e-11);
    }

    #[test]
    fn impossible_counts_are_refused() {
        assert_eq!(clopper_pearson_limits(0, 0, 0.95), Err(InvalidCounts::NoTrials));
        assert!(wilson_limits(3, 2, 0.95).is_err());
        assert!(binomial_test(1, 2, 1.5).is_err());
        assert!(jeffreys_limits(1, 2, 1.0).is_err());
    }

    proptest! {
        #[test]
        fn limits_enclose_the_share_and_mirror(trials in 1u64..400, part in 0.0..=1.0f64) {
            let events = (part * trials as f64) as u64;
            let share = events as f64 / trials as f64;
            let methods = [clopper_pearson_limits, wilson_limits, wilson_corrected_limits, binomial_mid_p_limits];
            for method in methods {
                let (lower, upper) = method(events, trials, 0.9).unwrap();
                prop_assert!(lower <= share + 1e-12 && share <= upper + 1e-12);
                let mirrored = method(trials - events, trials, 0.9).unwrap();
                prop_assert!((mirrored.0 - (1.0 - upper)).abs() < 1e-9);
            }
        }

        #[test]
        fn minlike_limits_are_where_the_test_turns(events in 1u64..12) {
            let (lower, upper) = minlike_limits(events, 12, 0.95).unwrap();
            prop_assert!(binomial_tails(events, 12, lower - 1e-6).minlike <= 0.05);
            prop_assert!(binomial_tails(events, 12, lower + 1e-6).minlike > 0.05);
            if upper < 1.0 {
                prop_assert!(binomial_tails(events, 12, upper + 1e-6).minlike <= 0.05);
                prop_assert!(binomial_tails(events, 12, upper - 1e-6).minlike > 0.05);
            }
        }
    }
}
