//! The share of encounters that does not follow the harmonics.
//!
//! The exponential of a few harmonics must go very low in winter when it goes high in summer, and is then sure of a month
//! in which there is nearly nothing to be sure of. So a share w of the encounters may come at one steady rate: a month's
//! factor is (1 - w) f + w, f its harmonics with mean 1. Half of the prior says that there is no such share, the other
//! half is w ~ Beta(1/2, 1), whose weight lies near zero as Jeffreys' does for a count of none. The records of quiet months
//! decide, and where there are none the limits say how many would not have been noticed.

use crate::analysis::random::Stream;
use rand::RngExt;

/// Steps of the share's root, which is even under the prior.
const STEPS: usize = 160;

/// What the records say of the steady share, given the harmonics.
#[derive(Debug, Clone)]
pub(super) struct SteadyShare {
    /// Probability of none.
    none: f64,
    /// The other shares with their probabilities, which sum to 1 - `none`.
    others: Vec<(f64, f64)>,
}

impl SteadyShare {
    /// From factors of harmonics, exposures and records by part of the cycle, and the dispersion that divides what
    /// the records say.
    pub(super) fn of(factors: &[f64], exposure: &[f64], counts: &[f64], dispersion: f64) -> Self {
        let total: f64 = counts.iter().sum();
        let log_likelihood = |share: f64| {
            let rate = |factor: f64| (1.0 - share) * factor + share;
            let each = factors.iter().zip(counts).filter(|(_, count)| **count > 0.0);
            let mean: f64 = factors.iter().zip(exposure).map(|(factor, km)| rate(*factor) * km).sum();
            (each.map(|(factor, count)| count * rate(*factor).ln()).sum::<f64>() - total * mean.ln())
                / dispersion
        };
        let share = |step: usize| ((step as f64 + 0.5) / STEPS as f64).powi(2);
        let logs: Vec<f64> = (0..STEPS).map(|step| log_likelihood(share(step))).collect();
        let at_none = log_likelihood(0.0);
        let largest = logs.iter().copied().fold(at_none, f64::max);
        let none = (at_none - largest).exp();
        let others: Vec<f64> = logs.iter().map(|log| (log - largest).exp() / STEPS as f64).collect();
        let sum = none + others.iter().sum::<f64>();
        // Without exposure nothing is known; the harmonics stand.
        if !(sum.is_finite() && sum > 0.0) {
            return Self { none: 1.0, others: Vec::new() };
        }
        let others = others.iter().enumerate().map(|(step, weight)| (share(step), weight / sum));
        Self { none: none / sum, others: others.collect() }
    }

    /// Its mean.
    pub(super) fn mean(&self) -> f64 {
        self.others.iter().map(|(share, probability)| share * probability).sum()
    }

    /// One draw of it.
    pub(super) fn draw(&self, rng: &mut Stream) -> f64 {
        let mut left = rng.random::<f64>() - self.none;
        if left < 0.0 {
            return 0.0;
        }
        let reaches = |(_, probability): &&(f64, f64)| {
            left -= probability;
            left < 0.0
        };
        let found = self.others.iter().find(reaches).or(self.others.last());
        found.map_or(0.0, |(share, _)| *share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;

    /// One quiet part in which the harmonics expect nothing: with no record there the likelihood is (1 - 0.2 w)^80, about
    /// exp(-16 w). So under the half of the prior that has a share w ~ Gamma(1/2, 16), with mean 1/32, and that half keeps
    /// the probability E[exp(-16 w)] = sqrt(π / 16) / 2 = 0.222 against 1.
    #[test]
    fn no_record_in_a_quiet_part_leaves_a_small_share_open() {
        let found = SteadyShare::of(&[0.0, 1.25], &[0.2, 0.8], &[0.0, 80.0], 1.0);
        let slab = 0.5 * (std::f64::consts::PI / 16.0).sqrt();
        assert!((found.none - 1.0 / (1.0 + slab)).abs() < 0.01, "{}", found.none);
        assert!((found.mean() - (1.0 - found.none) / 32.0).abs() < 0.002, "{}", found.mean());
        let mut rng = stream(1, 0);
        let draws: Vec<f64> = (0..20_000).map(|_| found.draw(&mut rng)).collect();
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        assert!((mean - found.mean()).abs() < 0.0008, "{mean}");
        let none = draws.iter().filter(|draw| **draw == 0.0).count() as f64 / draws.len() as f64;
        assert!((none - found.none).abs() < 0.02, "{none}");
    }

    /// Ten records where the harmonics expect none at all: none is no share.
    #[test]
    fn records_in_a_quiet_part_are_a_share() {
        let found = SteadyShare::of(&[0.0, 1.25], &[0.2, 0.8], &[10.0, 490.0], 1.0);
        assert_eq!(found.none, 0.0);
        // A tenth of the mean rate there: ten of a hundred.
        assert!((found.mean() - 0.1).abs() < 0.03, "{}", found.mean());
    }

    #[test]
    fn nothing_known_leaves_the_harmonics() {
        assert_eq!(SteadyShare::of(&[], &[], &[], 1.0).mean(), 0.0);
        assert_eq!(SteadyShare::of(&[1.0], &[0.0], &[0.0], 1.0).draw(&mut stream(1, 0)), 0.0);
    }
}
