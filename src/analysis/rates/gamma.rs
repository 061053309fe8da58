//! Gamma distributions by shape and inverse scale: draws and upper tails.

use rand_distr::{Distribution, Gamma};
use statrs::function::gamma::checked_gamma_ur;

use crate::analysis::random::Stream;

/// Draws values from a gamma distribution.
///
/// `shape` and `rate` are positive and finite by construction of their callers; were they not, the draws would be the
/// mean, since there is no distribution to draw from.
pub(super) fn fill(shape: f64, rate: f64, rng: &mut Stream, target: &mut [f64]) {
    match Gamma::new(shape, 1.0 / rate) {
        Ok(gamma) => target.iter_mut().for_each(|value| *value = gamma.sample(rng)),
        Err(_) => target.fill(shape / rate),
    }
}

/// Draws one value from a gamma distribution; see [`fill`].
pub(super) fn draw(shape: f64, rate: f64, rng: &mut Stream) -> f64 {
    let mut value = [0.0];
    fill(shape, rate, rng, &mut value);
    value[0]
}

/// Probability that a gamma variable is above a threshold.
///
/// Exact to library precision up to a shape of 200, by the cube-root normal approximation (Wilson and Hilferty 1931,
/// *PNAS* 17, 684-688; error below 1e-4) above it, where the library needs long series.
pub(super) fn upper_tail(shape: f64, rate: f64, threshold: f64) -> f64 {
    let x = rate * threshold;
    if x <= 0.0 {
        return 1.0;
    }
    let spread = 1.0 / (9.0 * shape);
    let z = ((x / shape).cbrt() - 1.0 + spread) / spread.sqrt();
    if shape >= 1.0 && z.abs() > 6.5 {
        return if z > 0.0 { 0.0 } else { 1.0 };
    }
    if shape > 200.0 {
        return 0.5 * statrs::function::erf::erfc(z / std::f64::consts::SQRT_2);
    }
    checked_gamma_ur(shape, x).unwrap_or(if z > 0.0 { 0.0 } else { 1.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;

    #[test]
    fn tails_match_closed_forms() {
        // Shape 1: exp(-x). Shape 3: exp(-x)(1 + x + x²/2). Chi-squared with 1 df above 3.841459: 0.05.
        assert!((upper_tail(1.0, 2.0, 1.5) - (-3.0_f64).exp()).abs() < 1e-12);
        assert!((upper_tail(3.0, 1.0, 2.0) - (-2.0_f64).exp() * 5.0).abs() < 1e-12);
        assert!((upper_tail(0.5, 0.5, 3.841_459) - 0.05).abs() < 1e-7);
        assert_eq!(upper_tail(2.0, 1.0, 0.0), 1.0);
        assert_eq!(upper_tail(50.0, 1.0, 1e4), 0.0);
    }

    #[test]
    fn the_approximation_joins_the_exact_tail() {
        for x in [170.0, 199.0, 201.0, 230.0] {
            let (exact, approximate) = (checked_gamma_ur(201.0, x).unwrap(), upper_tail(201.0, 1.0, x));
            assert!((exact - approximate).abs() < 1e-4, "{x}: {exact} {approximate}");
        }
    }

    #[test]
    fn draws_have_the_mean_of_the_distribution() {
        let mut values = vec![0.0; 20_000];
        fill(0.3, 10.0, &mut stream(3, 0), &mut values);
        let mean = values.iter().sum::<f64>() / 20_000.0;
        assert!((mean - 0.03).abs() < 0.0015, "{mean}");
    }
}
