//! Party size: turns walkers into parties.

use rand_distr::{Distribution, StandardNormal};

use crate::analysis::exposure::error::{InvalidExposure, at_least};
use crate::analysis::random::Stream;

/// Mean number of people in a party, with the standard error of that mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartySize {
    /// Mean, people; at least 1.
    pub mean: f64,
    /// Standard error of the mean, people; 0 means known exactly.
    pub standard_error: f64,
}

impl PartySize {
    /// Refuses a mean below one person or a negative error.
    pub(crate) fn check(&self, who: &str) -> Result<(), InvalidExposure> {
        at_least(who, "mean party size, at least 1", self.mean, 1.0)?;
        at_least(who, "standard error of party size, at least 0", self.standard_error, 0.0)
    }

    /// One draw of the mean.
    ///
    /// The people beyond the first are log-normal with the stated mean and standard error, so no draw falls below one.
    pub(crate) fn draw(&self, rng: &mut Stream) -> f64 {
        // The number is taken from the stream even where it is not needed, so that draws of other parameters do not shift.
        let z: f64 = StandardNormal.sample(rng);
        let beyond_first = self.mean - 1.0;
        if beyond_first <= 0.0 || self.standard_error <= 0.0 {
            return self.mean;
        }
        let log_variance = (self.standard_error / beyond_first).powi(2).ln_1p();
        1.0 + beyond_first * (log_variance.sqrt() * z - log_variance / 2.0).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;

    #[test]
    fn draws_keep_mean_and_error_and_never_fall_below_one() {
        let size = PartySize { mean: 2.5, standard_error: 0.3 };
        let draws: Vec<f64> = (0..4000).map(|i| size.draw(&mut stream(5, i))).collect();
        let mean = draws.iter().sum::<f64>() / 4000.0;
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 3999.0;
        // Four standard errors of 4,000 draws.
        assert!((mean - 2.5).abs() < 0.02, "{mean}");
        assert!((variance.sqrt() - 0.3).abs() < 0.02, "{variance}");
        assert!(draws.iter().all(|d| *d >= 1.0));
    }

    #[test]
    fn a_known_size_is_returned_as_it_is() {
        let size = PartySize { mean: 3.0, standard_error: 0.0 };
        assert_eq!(size.draw(&mut stream(1, 0)), 3.0);
        assert!(PartySize { mean: 0.5, standard_error: 0.0 }.check("x").is_err());
    }
}
