//! Counts as they would be under the null.

use rand::Rng;
use rand_distr::Distribution;
use rand_distr::Gamma;

use crate::analysis::random::multinomial;

/// Deals `total` encounters to segments by their shares of the exposure; shares that do not add up to one are scaled.
///
/// `factor` above 1 deals clumps: a gamma weight for each segment first, so that counts are negative binomial given their
/// total. Nothing is dealt where all shares are zero.
pub(super) fn deal(total: u64, shares: &[f64], factor: f64, rng: &mut impl Rng, counts: &mut [f32]) {
    if factor > 1.0 {
        let size = total as f64 / (factor - 1.0) / shares.iter().sum::<f64>();
        let weights: Vec<f64> = shares.iter().map(|share| weight(size * share, rng)).collect();
        // Weights of very many clumps can all round to zero where encounters are few; they then fall one by one.
        let is_usable = weights.iter().sum::<f64>() > 0.0;
        deal_by(total, if is_usable { &weights } else { shares }, rng, counts);
    } else {
        deal_by(total, shares, rng, counts);
    }
}

fn weight(shape: f64, rng: &mut impl Rng) -> f64 {
    Gamma::new(shape, 1.0).map_or(0.0, |gamma| gamma.sample(rng))
}

fn deal_by(total: u64, weights: &[f64], rng: &mut impl Rng, counts: &mut [f32]) {
    multinomial(total, weights, rng, |segment, dealt| counts[segment] = dealt as f32);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;

    /// Means and variances of 4,000 deals: n p, and n p (1 - p) times about the factor.
    #[test]
    fn deals_have_the_moments_of_the_null() {
        let shares = [0.1, 0.0, 0.3, 0.6];
        for factor in [1.0, 3.0] {
            let (mut sum, mut squares) = ([0.0; 4], [0.0; 4]);
            for idx in 0..4000 {
                let mut counts = [0.0f32; 4];
                deal(200, &shares, factor, &mut stream(3, idx), &mut counts);
                assert_eq!(counts.iter().sum::<f32>(), 200.0);
                for segment in 0..4 {
                    sum[segment] += f64::from(counts[segment]) / 4000.0;
                    squares[segment] += f64::from(counts[segment]).powi(2) / 4000.0;
                }
            }
            // Beta-binomial: (size + n) / (size + 1), with the size 200 / (factor - 1).
            let widened = if factor > 1.0 { 300.0 / 101.0 } else { 1.0 };
            for (segment, share) in shares.iter().enumerate() {
                let variance = 200.0 * share * (1.0 - share) * widened;
                assert!((sum[segment] - 200.0 * share).abs() < 4.0 * (variance / 4000.0).sqrt() + 1e-9);
                let got = squares[segment] - sum[segment] * sum[segment];
                assert!((got - variance).abs() <= 0.12 * variance, "{factor} {segment}: {got} {variance}");
            }
        }
    }
}
