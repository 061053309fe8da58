//! The distribution of a count whose expectation is uncertain, and limits of the ratio of the two.

use crate::analysis::counts::RatioLimits;
use crate::analysis::counts::roots::bisect;
use crate::analysis::counts::tails::{beta_tails, poisson_at_least, poisson_at_most};

/// What was to be expected, as a gamma distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Mean, above zero.
    pub mean: f64,
    /// Variance over squared mean, at least zero; zero is certainty.
    pub relative_variance: f64,
}

/// Below this relative variance the expectation counts as certain: tails of larger shapes lose their digits.
const CERTAIN: f64 = 1e-7;

impl Expected {
    /// The same, `ratio` times as much.
    pub fn times(self, ratio: f64) -> Self {
        Self { mean: self.mean * ratio, ..self }
    }

    /// The probability of at most so many, a negative binomial tail.
    pub fn at_most(self, count: u64) -> f64 {
        if self.relative_variance < CERTAIN {
            return poisson_at_most(count, self.mean);
        }
        self.beta_tails(count as f64 + 1.0).0
    }

    /// The probability of at least so many.
    pub fn at_least(self, count: u64) -> f64 {
        match count {
            0 => 1.0,
            _ if self.relative_variance < CERTAIN => poisson_at_least(count, self.mean),
            _ => self.beta_tails(count as f64).1,
        }
    }

    /// Given a gamma expectation of shape a and mean m, P(count <= k) is the regularised beta function of shapes a and
    /// k + 1 at a / (a + m).
    fn beta_tails(self, second_shape: f64) -> (f64, f64) {
        let shape = 1.0 / self.relative_variance;
        beta_tails(shape, second_shape, (shape / self.mean).ln())
    }

    /// Limits of the ratio of a count to this expectation, with probability `beyond` outside of each.
    ///
    /// A count of zero has the lower limit zero. The upper limit is open where no ratio up to `e^30` is excluded.
    pub fn ratio_limits(self, count: u64, beyond: f64) -> RatioLimits {
        const LN_RATIOS: (f64, f64) = (-30.0, 30.0);
        let lower = match count {
            0 => 0.0,
            _ => bisect(LN_RATIOS, |ln| self.times(ln.exp()).at_least(count) - beyond).exp(),
        };
        let upper = bisect(LN_RATIOS, |ln| beyond - self.times(ln.exp()).at_most(count));
        RatioLimits { lower, upper: (upper < LN_RATIOS.1 - 1.0).then(|| upper.exp()) }
    }

    /// Two-sided p-value of a count against a ratio of one: twice the smaller tail.
    pub fn p_value(self, count: u64) -> f64 {
        (2.0 * self.at_most(count).min(self.at_least(count))).min(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;

    #[test]
    fn tails_by_hand() {
        // Shape 1 is geometric: with mean 4, P(count <= k) = 1 - 0.8^(k + 1).
        let expected = Expected { mean: 4.0, relative_variance: 1.0 };
        close(expected.at_most(2), 1.0 - 0.8f64.powi(3), 1e-12);
        close(expected.at_least(3), 0.8f64.powi(3), 1e-12);
        assert_eq!(expected.at_least(0), 1.0);
        let certain = Expected { mean: 4.0, relative_variance: 0.0 };
        let nearly = Expected { mean: 4.0, relative_variance: 2e-7 };
        close(nearly.at_most(3), certain.at_most(3), 1e-5);
    }

    #[test]
    fn a_certain_expectation_has_the_limits_of_garwood() {
        // Garwood (1936): 10 events, 4.795389 and 18.390356.
        let limits = Expected { mean: 2.0, relative_variance: 0.0 }.ratio_limits(10, 0.025);
        close(limits.lower, 4.795389 / 2.0, 1e-6);
        close(limits.upper.unwrap(), 18.390356 / 2.0, 1e-6);
    }

    #[test]
    fn no_event_has_an_upper_limit_only() {
        let expected = Expected { mean: 5.0, relative_variance: 0.1 };
        let limits = expected.ratio_limits(0, 0.025);
        assert_eq!(limits.lower, 0.0);
        // (10 / (10 + 5 r))^10 = 0.025.
        close(limits.upper.unwrap(), 2.0 * (0.025f64.powf(-0.1) - 1.0), 1e-9);
        assert!(expected.p_value(0) < 0.1 && expected.p_value(5) > 0.5);
    }
}
