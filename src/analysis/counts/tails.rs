//! Tails of the Poisson, binomial and beta distributions, and p-values made of them.

use statrs::function::gamma::{gamma_lr, gamma_ur, ln_gamma};

use crate::analysis::counts::quantiles::{ln_logistic, logistic};

/// Relative slack within which two probabilities count as a tie, so that rounding does not break ties.
const TIE_SLACK: f64 = 1e-7;

/// The tails of what was counted under the null, and the p-values they give.
///
/// Every value is a probability in [0, 1].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExactTails {
    /// Probability of the count or fewer: the p-value against "lower than the null".
    pub less: f64,
    /// Probability of the count or more: the p-value against "higher than the null".
    pub greater: f64,
    /// Probability of exactly the count.
    pub point: f64,
    /// Probability of all counts not more likely than the one seen, ties within a relative 1e-7 included.
    pub minlike: f64,
}

impl ExactTails {
    /// The tails when nothing could have been counted: every p-value is one.
    pub const CERTAIN: Self = Self { less: 1.0, greater: 1.0, point: 1.0, minlike: 1.0 };

    /// Twice the smaller tail, at most one: the p-value that agrees with central limits.
    pub fn two_sided_central(&self) -> f64 {
        (2.0 * self.less.min(self.greater)).min(1.0)
    }

    /// The lower tail with half of the point's probability.
    pub fn less_mid_p(&self) -> f64 {
        (self.less - 0.5 * self.point).max(0.0)
    }

    /// The upper tail with half of the point's probability.
    pub fn greater_mid_p(&self) -> f64 {
        (self.greater - 0.5 * self.point).max(0.0)
    }

    /// Twice the smaller mid-p tail, at most one.
    pub fn two_sided_mid_p(&self) -> f64 {
        (2.0 * self.less_mid_p().min(self.greater_mid_p())).min(1.0)
    }

    /// [`ExactTails::minlike`] with half of the point's probability.
    pub fn minlike_mid_p(&self) -> f64 {
        (self.minlike - 0.5 * self.point).max(0.0)
    }
}

/// Tails of a Poisson count with this mean, which must be finite and at least zero.
pub fn poisson_tails(count: u64, mean: f64) -> ExactTails {
    let shape = Unimodal {
        mode: mean as u64,
        largest: None,
        ln_point: &|x| ln_poisson_point(x, mean),
        at_most: &|x| poisson_at_most(x, mean),
        at_least: &|x| poisson_at_least(x, mean),
    };
    shape.tails(count)
}

/// Tails of a binomial count of `trials` with this success probability, which must lie in [0, 1].
pub fn binomial_tails(count: u64, trials: u64, share: f64) -> ExactTails {
    let logit = share.ln() - (-share).ln_1p();
    binomial_tails_at(count, trials, logit)
}

/// [`binomial_tails`] at the logarithm of the odds, which may be infinite.
pub(crate) fn binomial_tails_at(count: u64, trials: u64, logit: f64) -> ExactTails {
    let shape = Unimodal {
        mode: (((trials + 1) as f64 * logistic(logit)) as u64).min(trials),
        largest: Some(trials),
        ln_point: &|x| ln_binomial_point(x, trials, logit),
        at_most: &|x| binomial_at_most(x, trials, logit),
        at_least: &|x| binomial_at_least(x, trials, logit),
    };
    shape.tails(count)
}

/// Probability of at most `count` events of a Poisson variable.
pub fn poisson_at_most(count: u64, mean: f64) -> f64 {
    if mean <= 0.0 { 1.0 } else { gamma_ur(count as f64 + 1.0, mean) }
}

/// Probability of at least `count` events of a Poisson variable.
pub fn poisson_at_least(count: u64, mean: f64) -> f64 {
    if count == 0 {
        1.0
    } else if mean <= 0.0 {
        0.0
    } else {
        gamma_lr(count as f64, mean)
    }
}

/// Logarithm of the probability of exactly `count` events of a Poisson variable.
pub(crate) fn ln_poisson_point(count: u64, mean: f64) -> f64 {
    if count == 0 {
        return -mean;
    }
    count as f64 * mean.ln() - mean - ln_gamma(count as f64 + 1.0)
}

pub(crate) fn binomial_at_most(count: u64, trials: u64, logit: f64) -> f64 {
    if count >= trials { 1.0 } else { beta_tails(count as f64 + 1.0, (trials - count) as f64, logit).1 }
}

pub(crate) fn binomial_at_least(count: u64, trials: u64, logit: f64) -> f64 {
    if count == 0 {
        1.0
    } else if count > trials {
        0.0
    } else {
        beta_tails(count as f64, (trials - count) as f64 + 1.0, logit).0
    }
}

pub(crate) fn ln_binomial_point(count: u64, trials: u64, logit: f64) -> f64 {
    // A count of zero must not meet an infinite logarithm.
    let successes = if count == 0 { 0.0 } else { count as f64 * ln_logistic(logit) };
    let failures = if count == trials { 0.0 } else { (trials - count) as f64 * ln_logistic(-logit) };
    ln_choose(trials, count) + successes + failures
}

/// Logarithm of the number of ways to choose `count` of `total`.
pub(crate) fn ln_choose(total: u64, count: u64) -> f64 {
    if count == 0 || count == total {
        return 0.0;
    }
    ln_gamma(total as f64 + 1.0) - ln_gamma(count as f64 + 1.0) - ln_gamma((total - count) as f64 + 1.0)
}

pub(crate) fn ln_beta(a: f64, b: f64) -> f64 {
    ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b)
}

/// Probabilities below and above a point of the beta distribution, given by the logarithm of its odds.
///
/// The smaller of the two is computed and the other is its complement. Continued fraction 8.17.22 of the NIST Digital
/// Library of Mathematical Functions by Lentz's method; `statrs` stops it after 140 terms, too few beyond shapes of
/// about 10,000.
pub(crate) fn beta_tails(a: f64, b: f64, logit: f64) -> (f64, f64) {
    let (x, y) = (logistic(logit), logistic(-logit));
    if x <= 0.0 || y <= 0.0 {
        return if x <= 0.0 { (0.0, 1.0) } else { (1.0, 0.0) };
    }
    let front = (a * ln_logistic(logit) + b * ln_logistic(-logit) - ln_beta(a, b)).exp();
    if x < (a + 1.0) / (a + b + 2.0) {
        let below = (front * beta_fraction(a, b, x) / a).min(1.0);
        (below, 1.0 - below)
    } else {
        let above = (front * beta_fraction(b, a, y) / b).min(1.0);
        (1.0 - above, above)
    }
}

fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let guarded = |value: f64| if value.abs() < TINY { TINY } else { value };
    let mut c = 1.0;
    let mut d = 1.0 / guarded(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    // The number of terms grows with the root of the larger shape: about 3,000 at one million.
    for m in 1..100_000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / guarded(1.0 + even * d);
        c = guarded(1.0 + even / c);
        fraction *= c * d;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / guarded(1.0 + odd * d);
        c = guarded(1.0 + odd / c);
        fraction *= c * d;
        if (c * d - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    fraction
}

/// A count whose probabilities rise to a mode and fall beyond it.
struct Unimodal<'a> {
    mode: u64,
    largest: Option<u64>,
    ln_point: &'a dyn Fn(u64) -> f64,
    at_most: &'a dyn Fn(u64) -> f64,
    at_least: &'a dyn Fn(u64) -> f64,
}

impl Unimodal<'_> {
    fn tails(&self, count: u64) -> ExactTails {
        let ln_point = (self.ln_point)(count);
        let (less, greater) = ((self.at_most)(count), (self.at_least)(count));
        let threshold = ln_point + TIE_SLACK;
        let minlike = if count <= self.mode {
            less + self.first_above(count, threshold).map_or(0.0, self.at_least)
        } else {
            greater + self.last_below(threshold).map_or(0.0, self.at_most)
        };
        ExactTails { less, greater, point: ln_point.exp().min(1.0), minlike: minlike.min(1.0) }
    }

    /// The first count beyond the mode (and beyond `count`) that is not more likely than the threshold.
    fn first_above(&self, count: u64, threshold: f64) -> Option<u64> {
        let largest = self.largest.unwrap_or(u64::MAX);
        let unlikely = |x: u64| (self.ln_point)(x) <= threshold;
        let start = self.mode.max(count.saturating_add(1));
        if start > largest || unlikely(start) {
            return (start <= largest).then_some(start);
        }
        // Doubling steps first, since the largest count may be unbounded.
        let (mut likely, mut step) = (start, 1);
        while !unlikely(likely.saturating_add(step).min(largest)) {
            likely = likely.saturating_add(step).min(largest);
            if likely == largest {
                return None;
            }
            step *= 2;
        }
        let mut beyond = likely.saturating_add(step).min(largest);
        while beyond - likely > 1 {
            let middle = likely + (beyond - likely) / 2;
            if unlikely(middle) { beyond = middle } else { likely = middle }
        }
        Some(beyond)
    }

    /// The last count up to the mode that is not more likely than the threshold.
    fn last_below(&self, threshold: f64) -> Option<u64> {
        let unlikely = |x: u64| (self.ln_point)(x) <= threshold;
        if !unlikely(0) {
            return None;
        }
        let (mut below, mut likely) = (0, self.mode + 1);
        while likely - below > 1 {
            let middle = below + (likely - below) / 2;
            if unlikely(middle) { below = middle } else { likely = middle }
        }
        Some(below)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;
    use proptest::prelude::*;

    #[test]
    fn tails_at_the_ends_are_certain() {
        assert_eq!(poisson_tails(0, 0.0), ExactTails::CERTAIN);
        assert_eq!(poisson_tails(3, 0.0).greater, 0.0);
        assert_eq!(binomial_tails(0, 5, 0.0), ExactTails::CERTAIN);
        assert_eq!(binomial_tails(5, 5, 1.0), ExactTails::CERTAIN);
        assert_eq!(binomial_tails(4, 5, 1.0).less, 0.0);
    }

    #[test]
    fn a_million_trials_keep_their_middle() {
        // By symmetry P(X <= n/2) = (1 + P(X = n/2)) / 2, and the point is sqrt(2 / (pi n)) (1 - 1/(4n)) to first order.
        let n = 1_000_000u64;
        let tails = binomial_tails(n / 2, n, 0.5);
        let point = (2.0 / (std::f64::consts::PI * n as f64)).sqrt() * (1.0 - 0.25 / n as f64);
        close(tails.point, point, 1e-7);
        close(tails.less, 0.5 * (1.0 + point), 1e-8);
    }

    proptest! {
        #[test]
        fn minlike_is_the_sum_of_what_is_not_more_likely(count in 0u64..=25, share in 0.01..0.99f64) {
            let logit = (share / (1.0 - share)).ln();
            let point = |x| ln_binomial_point(x, 25, logit).exp();
            let direct: f64 = (0..=25).map(point).filter(|p| *p <= point(count) * (1.0 + 1e-7)).sum();
            let tails = binomial_tails(count, 25, share);
            prop_assert!((tails.minlike - direct).abs() < 1e-11);
            prop_assert!((tails.less + tails.greater - tails.point - 1.0).abs() < 1e-11);
        }

        #[test]
        fn a_poisson_count_too(count in 0u64..60, mean in 0.01..40.0f64) {
            let point = |x| ln_poisson_point(x, mean).exp();
            let direct: f64 = (0..200).map(point).filter(|p| *p <= point(count) * (1.0 + 1e-7)).sum();
            prop_assert!((poisson_tails(count, mean).minlike - direct).abs() < 1e-11);
        }
    }
}
