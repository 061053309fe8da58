//! Moran's I of count residuals, with a parametric null.

use rand::RngExt;
use rayon::prelude::*;

use crate::analysis::permutation::InvalidPermutation;
use crate::analysis::permutation::Sampling;
use crate::analysis::permutation::Tails;
use crate::analysis::permutation::tails_among;
use crate::analysis::random::Stream;
use crate::analysis::random::{seed_of, stream};
use crate::analysis::weights::InvalidWeights;
use crate::analysis::weights::Weights;

/// Moran's I of residuals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ResidualMoran {
    /// The statistic with its Monte Carlo tails.
    Estimated {
        /// I = (m / S0) Σ w_ij r_i r_j / Σ r², over the m sites with an expectation.
        statistic: f64,
        /// Tails under the null; `p_greater` is for residuals that resemble their neighbours'.
        tails: Tails,
        /// How many sites had an expectation.
        n_sites: usize,
    },
    /// No encounters, no residuals, or no neighbours among sites with an expectation.
    NotEstimable,
}

/// Why residuals cannot be tested.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidResiduals {
    /// Counts, expectations and weights differ in length.
    #[error(transparent)]
    Weights(#[from] InvalidWeights),
    /// An expectation is negative or not finite.
    #[error("the expected count of site {site} is {expected}")]
    Expected {
        /// The site.
        site: usize,
        /// Its expectation.
        expected: f64,
    },
    /// No draws were asked for.
    #[error(transparent)]
    Draws(#[from] InvalidPermutation),
}

/// Moran's I of (n - e) / √e, with tails under a multinomial null that hands out the counted total by expectation.
///
/// `counts` and `expected` have one entry a site; expectations (under a flat rate, exposure times the mean rate) count
/// by their proportions and are scaled to the total count. Sites whose expectation is zero have no residual and are left
/// out with their links, counts on them included. Draw i uses stream i of the seed.
///
/// # Errors
/// [`InvalidResiduals`] when lengths differ, an expectation is negative or not finite, or no draws are asked for.
pub fn residual_moran(
    counts: &[u32],
    expected: &[f64],
    weights: &Weights,
    sampling: Sampling,
) -> Result<ResidualMoran, InvalidResiduals> {
    weights.check_length(counts.len())?;
    weights.check_length(expected.len())?;
    if let Some(site) = expected.iter().position(|e| !(e.is_finite() && *e >= 0.0)) {
        return Err(InvalidResiduals::Expected { site, expected: expected[site] });
    }
    if sampling.n_draws == 0 {
        return Err(InvalidPermutation::NoDraws.into());
    }
    let Some(null) = Null::new(counts, expected, weights) else {
        return Ok(ResidualMoran::NotEstimable);
    };
    let Some(statistic) = null.statistic(counts) else {
        return Ok(ResidualMoran::NotEstimable);
    };
    let draws: Vec<f64> = (0..sampling.n_draws)
        .into_par_iter()
        .filter_map(|draw| {
            null.statistic(&null.draw(&mut stream(seed_of(sampling.seed, "residual moran"), draw as u64)))
        })
        .collect();
    let n_sites = null.expected.iter().filter(|e| **e > 0.0).count();
    Ok(ResidualMoran::Estimated { statistic, tails: tails_among(statistic, &draws)?, n_sites })
}

/// The multinomial null, and the statistic under it.
struct Null<'w> {
    /// Scaled to the total count.
    expected: Vec<f64>,
    /// Running sums of the expectations.
    running: Vec<f64>,
    n_encounters: u32,
    weights: &'w Weights,
    s0: f64,
}

impl<'w> Null<'w> {
    /// `None` when there is nothing to count or nothing to link.
    fn new(counts: &[u32], expected: &[f64], weights: &'w Weights) -> Option<Self> {
        let n_encounters = counts.iter().zip(expected).filter(|(_, e)| **e > 0.0).map(|(n, _)| *n).sum();
        let total: f64 = expected.iter().sum();
        let linked = |site: usize| weights.row(site).filter(|(neighbour, _)| expected[*neighbour] > 0.0);
        let with_expectation = (0..expected.len()).filter(|site| expected[*site] > 0.0);
        let s0: f64 = with_expectation.flat_map(linked).map(|(_, weight)| weight).sum();
        if n_encounters == 0 || total == 0.0 || s0 == 0.0 {
            return None;
        }
        let scale = f64::from(n_encounters) / total;
        let expected: Vec<f64> = expected.iter().map(|e| e * scale).collect();
        let mut sum = 0.0;
        let running = expected
            .iter()
            .map(|e| {
                sum += e;
                sum
            })
            .collect();
        Some(Self { expected, running, n_encounters, weights, s0 })
    }

    /// `None` when every residual is zero.
    fn statistic(&self, counts: &[u32]) -> Option<f64> {
        let residual = |(n, e): (&u32, &f64)| if *e > 0.0 { (f64::from(*n) - e) / e.sqrt() } else { 0.0 };
        let residuals: Vec<f64> = counts.iter().zip(&self.expected).map(residual).collect();
        let squares: f64 = residuals.iter().map(|r| r * r).sum();
        let n_sites = self.expected.iter().filter(|e| **e > 0.0).count() as f64;
        let product = super::cross_product(&residuals, self.weights);
        (squares > 0.0).then(|| n_sites / self.s0 * product / squares)
    }

    fn draw(&self, rng: &mut Stream) -> Vec<u32> {
        let mut counts = vec![0; self.expected.len()];
        let total = self.running.last().copied().unwrap_or(0.0);
        for _ in 0..self.n_encounters {
            let at = rng.random::<f64>() * total;
            let site = self.running.partition_point(|running| *running <= at);
            counts[site.min(self.expected.len() - 1)] += 1;
        }
        counts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(n: usize) -> Weights {
        let lists: Vec<Vec<usize>> = (0..n).map(|site| vec![(site + n - 1) % n, (site + 1) % n]).collect();
        Weights::binary(&lists).unwrap()
    }

    const SAMPLING: Sampling = Sampling { n_draws: 199, seed: 11 };

    fn uneven_exposure() -> Vec<f64> {
        (0..60).map(|site| 1.0 + 30.0 * (1.0 + (site as f64 / 6.0).sin())).collect()
    }

    fn p_of(counts: &[u32], expected: &[f64]) -> f64 {
        match residual_moran(counts, expected, &ring(counts.len()), SAMPLING).unwrap() {
            ResidualMoran::Estimated { tails, .. } => tails.p_greater,
            ResidualMoran::NotEstimable => panic!("not estimable"),
        }
    }

    /// Flat risk under uneven, smooth exposure: the residual test keeps its level, I of the raw counts does not.
    #[test]
    fn flat_risk_with_uneven_exposure_is_no_cluster() {
        let expected = uneven_exposure();
        let weights = ring(60);
        let seeded: Vec<u32> = vec![20; 60];
        let null = Null::new(&seeded, &expected, &weights).unwrap();
        let (mut n_residual, mut n_raw) = (0, 0);
        for map in 0..40 {
            let counts = null.draw(&mut stream(1_000, map));
            n_residual += usize::from(p_of(&counts, &expected) <= 0.05);
            let raw: Vec<f64> = counts.iter().map(|&n| f64::from(n)).collect();
            let moran = super::super::global_moran(&raw, &weights).unwrap().estimate().unwrap();
            n_raw += usize::from(moran.p_randomisation() <= 0.05);
        }
        assert!(n_residual <= 6, "{n_residual} of 40");
        assert!(n_raw >= 38, "{n_raw} of 40");
    }

    #[test]
    fn a_planted_stretch_is_found() {
        let expected = uneven_exposure();
        let counts: Vec<u32> = expected
            .iter()
            .enumerate()
            .map(|(site, e)| if (20..26).contains(&site) { (3.0 * e) as u32 + 4 } else { (0.8 * e) as u32 })
            .collect();
        assert_eq!(p_of(&counts, &expected), 1.0 / 200.0);
    }

    #[test]
    fn sites_without_expectation_are_left_out() {
        let mut expected = uneven_exposure();
        expected[10] = 0.0;
        let mut counts: Vec<u32> = expected.iter().map(|e| *e as u32).collect();
        let without = residual_moran(&counts, &expected, &ring(60), SAMPLING).unwrap();
        counts[10] = 500;
        assert_eq!(residual_moran(&counts, &expected, &ring(60), SAMPLING).unwrap(), without);
        assert!(matches!(without, ResidualMoran::Estimated { n_sites: 59, .. }));
        let none = residual_moran(&[0; 60], &expected, &ring(60), SAMPLING).unwrap();
        assert_eq!(none, ResidualMoran::NotEstimable);
        let bad = residual_moran(&[0; 60], &[-1.0; 60], &ring(60), SAMPLING);
        assert!(matches!(bad, Err(InvalidResiduals::Expected { site: 0, .. })));
    }
}
