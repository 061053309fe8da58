//! Counts to come: Poisson or negative binomial, mixed over posterior draws of the mean.

use statrs::function::beta::beta_reg;
use statrs::function::gamma::gamma_ur;

/// Above this many encounters no count is looked for.
const MOST: u64 = 1 << 40;

/// Probability of a count of at most `count` when its mean is `mean` and its variance `dispersion * mean`.
///
/// A dispersion of one (or below) is Poisson, above it the negative binomial of shape `mean / (dispersion - 1)`, whose
/// sums over weeks and stretches are of the same kind. `mean` is finite and at least zero; a mean of zero gives one.
pub fn at_most(count: u64, mean: f64, dispersion: f64) -> f64 {
    if mean <= 0.0 {
        return 1.0;
    }
    if dispersion <= 1.0 + 1e-9 {
        return gamma_ur(count as f64 + 1.0, mean);
    }
    beta_reg(mean / (dispersion - 1.0), count as f64 + 1.0, 1.0 / dispersion)
}

/// Probability of a count of at least `count`; see [`at_most`].
///
/// Accurate in the far tail, where one minus the other tail is not.
pub fn at_least(count: u64, mean: f64, dispersion: f64) -> f64 {
    if count == 0 {
        return 1.0;
    }
    if mean <= 0.0 {
        return 0.0;
    }
    if dispersion <= 1.0 + 1e-9 {
        return statrs::function::gamma::gamma_lr(count as f64, mean);
    }
    beta_reg(count as f64, mean / (dispersion - 1.0), 1.0 - 1.0 / dispersion)
}

/// Probability of no encounter at all; see [`at_most`].
pub fn none(mean: f64, dispersion: f64) -> f64 {
    if dispersion <= 1.0 + 1e-9 {
        return (-mean).exp();
    }
    (-mean * dispersion.ln() / (dispersion - 1.0)).exp()
}

/// Probability of at least `count`, averaged over draws of the mean; one without draws.
pub fn mixed_at_least(count: u64, means: &[f64], dispersion: f64) -> f64 {
    average(means, |mean| at_least(count, mean, dispersion))
}

/// Central limits of a count at a level, averaged over draws of the mean.
///
/// The lower limit is the largest count with at most half of the rest below it, the upper the smallest with at most half
/// of the rest above it: the limits hold at least the level. Zeros without draws.
pub fn limits(means: &[f64], dispersion: f64, level: f64) -> (u64, u64) {
    let tail = (1.0 - level) / 2.0;
    let below = |count: u64| average(means, |mean| at_most(count, mean, dispersion));
    (smallest(|count| below(count) > tail), smallest(|count| below(count) >= 1.0 - tail))
}

fn average(means: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    if means.is_empty() {
        return 1.0;
    }
    means.iter().map(|mean| of(*mean)).sum::<f64>() / means.len() as f64
}

/// The smallest count for which a rising condition holds.
fn smallest(holds: impl Fn(u64) -> bool) -> u64 {
    let mut high = 1;
    if holds(0) {
        return 0;
    }
    while high < MOST && !holds(high) {
        high *= 2;
    }
    let mut low = high / 2;
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if holds(middle) { high = middle } else { low = middle }
    }
    high
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_are_those_of_the_tables() {
        // Poisson with mean 2: P(X <= 3) = e^-2 (1 + 2 + 2 + 4/3) = 0.857123 by hand.
        assert!((at_most(3, 2.0, 1.0) - 0.857_123_460).abs() < 1e-8);
        // Negative binomial of shape 1 (geometric) with mean 1 and variance 2: P(X <= k) = 1 - 2^-(k + 1).
        for count in 0..12 {
            let expected = 1.0 - 0.5f64.powi(count as i32 + 1);
            assert!((at_most(count, 1.0, 2.0) - expected).abs() < 1e-12, "{count}");
            assert!((at_least(count, 1.0, 2.0) - 0.5f64.powi(count as i32)).abs() < 1e-12, "{count}");
        }
        assert!((none(1.0, 2.0) - 0.5).abs() < 1e-12 && (none(1.0, 1.0) - (-1f64).exp()).abs() < 1e-12);
        assert_eq!((at_most(0, 0.0, 2.0), at_least(1, 0.0, 1.0), at_least(0, 0.0, 1.0)), (1.0, 0.0, 1.0));
    }

    #[test]
    fn a_gamma_mixture_of_poissons_is_negative_binomial() {
        // Means spread as the quantiles of an exponential distribution with mean 3: geometric with success chance 1/4.
        let n = 4000;
        let means: Vec<f64> =
            (0..n).map(|i| -3.0 * (1.0 - (f64::from(i) + 0.5) / f64::from(n)).ln()).collect();
        for count in [1, 4, 12] {
            let expected = 0.75f64.powi(count as i32);
            assert!((mixed_at_least(count, &means, 1.0) - expected).abs() < 2e-4, "{count}");
        }
        // P(X <= 0) = 0.25 > 0.025; P(X <= 12) = 0.9762 >= 0.975 and P(X <= 11) = 0.968.
        assert_eq!(limits(&means, 1.0, 0.95), (0, 12));
    }

    #[test]
    fn limits_hold_at_least_their_level() {
        for mean in [0.01, 0.4, 3.0, 40.0, 900.0] {
            for dispersion in [1.0, 1.5, 4.0] {
                let (lower, upper) = limits(&[mean], dispersion, 0.9);
                let below = if lower == 0 { 0.0 } else { at_most(lower - 1, mean, dispersion) };
                assert!(at_most(upper, mean, dispersion) - below >= 0.9, "{mean} {dispersion}");
                assert!(upper == 0 || at_most(upper - 1, mean, dispersion) < 0.95);
            }
        }
    }
}
