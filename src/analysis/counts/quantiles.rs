//! Quantiles of the normal, Student, gamma and beta distributions, good in both tails.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::gamma::{gamma_lr, gamma_ur, ln_gamma};

use crate::analysis::counts::InvalidCounts;
use crate::analysis::counts::roots::{bisect, newton};
use crate::analysis::counts::tails::{beta_tails, ln_beta};

/// The side of a quantile on which the stated probability lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tail {
    /// The probability of a value at most the quantile.
    Lower,
    /// The probability of a value above the quantile.
    Upper,
}

/// Outside of this the logarithm of a positive float runs into zero or infinity.
const LN_RANGE: (f64, f64) = (-744.0, 709.0);

/// The standard normal deviate with `probability` above it.
///
/// `probability` lies strictly between 0 and 1.
///
/// # Errors
/// [`InvalidCounts::Parameter`] otherwise.
pub fn normal_deviate(probability: f64) -> Result<f64, InvalidCounts> {
    check_probability(probability)?;
    Ok(upper_deviate(probability))
}

/// Student's deviate with `probability` above it, for any positive degrees of freedom.
///
/// # Errors
/// [`InvalidCounts::Parameter`] when the degrees of freedom are not positive and finite, or the probability is not
/// strictly between 0 and 1.
pub fn student_deviate(degrees_of_freedom: f64, probability: f64) -> Result<f64, InvalidCounts> {
    check_probability(probability)?;
    check_shape(degrees_of_freedom)?;
    let student = StudentsT::new(0.0, 1.0, degrees_of_freedom)
        .map_err(|_| InvalidCounts::Parameter(degrees_of_freedom))?;
    if probability > 0.5 {
        return Ok(-student_deviate(degrees_of_freedom, 1.0 - probability)?);
    }
    Ok(bisect(LN_RANGE, |ln_t| probability - student.sf(ln_t.exp())).exp())
}

/// Quantile of the gamma distribution with this shape and rate 1; divide by a rate for any other.
///
/// `probability` is what lies on the named side, strictly between 0 and 1. Relative accuracy is about 1e-13 up to
/// shapes of 1e4 and 1e-10 at 1e6; a quantile below 1e-323 is zero.
///
/// # Errors
/// [`InvalidCounts::Parameter`] when the shape is not positive and finite or the probability is out of range.
pub fn gamma_quantile(shape: f64, tail: Tail, probability: f64) -> Result<f64, InvalidCounts> {
    check_shape(shape)?;
    check_probability(probability)?;
    Ok(gamma_quantile_of(shape, tail, probability))
}

/// Quantile of the beta distribution with shapes `a` and `b`.
///
/// `probability` is what lies on the named side, strictly between 0 and 1.
///
/// # Errors
/// [`InvalidCounts::Parameter`] when a shape is not positive and finite or the probability is out of range.
pub fn beta_quantile(a: f64, b: f64, tail: Tail, probability: f64) -> Result<f64, InvalidCounts> {
    check_shape(a)?;
    check_shape(b)?;
    check_probability(probability)?;
    Ok(logistic(beta_logit_quantile(a, b, tail, probability)))
}

/// [`normal_deviate`] for a probability already checked.
pub(crate) fn upper_deviate(probability: f64) -> f64 {
    -Normal::standard().inverse_cdf(probability)
}

/// [`gamma_quantile`] for parameters already checked.
pub(crate) fn gamma_quantile_of(shape: f64, tail: Tail, probability: f64) -> f64 {
    let (tail, probability) = smaller_tail(tail, probability);
    let ln_scale = ln_gamma(shape);
    let target = probability.ln();
    let bracket = (LN_RANGE.0, (shape + 50.0 * shape.sqrt() + 1500.0).ln());
    let start = gamma_start(shape, tail, probability);
    // On the logarithmic scale both tails are close to straight where the quantile can be.
    newton(bracket, start, |ln_x| {
        let x = ln_x.exp();
        let density = (shape * ln_x - x - ln_scale).exp();
        match tail {
            Tail::Lower => {
                let below = gamma_lr(shape, x);
                (below.ln() - target, density / below)
            }
            Tail::Upper => {
                let above = gamma_ur(shape, x);
                (target - above.ln(), density / above)
            }
        }
    })
    .exp()
}

/// Logarithm of a first guess: Wilson and Hilferty (1931), or the first term of the series for small shapes.
fn gamma_start(shape: f64, tail: Tail, probability: f64) -> f64 {
    let deviate = match tail {
        Tail::Lower => -upper_deviate(probability),
        Tail::Upper => upper_deviate(probability),
    };
    let cube_root = 1.0 - 1.0 / (9.0 * shape) + deviate / (3.0 * shape.sqrt());
    if cube_root > 0.2 || tail == Tail::Upper {
        shape.ln() + 3.0 * cube_root.max(0.2).ln()
    } else {
        (probability.ln() + ln_gamma(shape + 1.0)) / shape
    }
}

/// Logarithm of the odds of [`beta_quantile`], exact near both 0 and 1, for parameters already checked.
pub(crate) fn beta_logit_quantile(a: f64, b: f64, tail: Tail, probability: f64) -> f64 {
    let (tail, probability) = smaller_tail(tail, probability);
    let target = probability.ln();
    let ln_scale = ln_beta(a, b);
    let deviate = match tail {
        Tail::Lower => -upper_deviate(probability),
        Tail::Upper => upper_deviate(probability),
    };
    let start = (a / b).ln() + deviate * (1.0 / a + 1.0 / b).sqrt();
    newton((LN_RANGE.0, -LN_RANGE.0), start, |logit| {
        let (below, above) = beta_tails(a, b, logit);
        let density = (a * ln_logistic(logit) + b * ln_logistic(-logit) - ln_scale).exp();
        match tail {
            Tail::Lower => (below.ln() - target, density / below),
            Tail::Upper => (target - above.ln(), density / above),
        }
    })
}

/// A share from the logarithm of its odds.
pub(crate) fn logistic(logit: f64) -> f64 {
    1.0 / (1.0 + (-logit).exp())
}

/// Logarithm of [`logistic`], without cancellation.
pub(crate) fn ln_logistic(logit: f64) -> f64 {
    if logit < 0.0 { logit - logit.exp().ln_1p() } else { -(-logit).exp().ln_1p() }
}

fn smaller_tail(tail: Tail, probability: f64) -> (Tail, f64) {
    match (tail, probability > 0.5) {
        (tail, false) => (tail, probability),
        (Tail::Lower, true) => (Tail::Upper, 1.0 - probability),
        (Tail::Upper, true) => (Tail::Lower, 1.0 - probability),
    }
}

fn check_probability(probability: f64) -> Result<(), InvalidCounts> {
    if probability > 0.0 && probability < 1.0 { Ok(()) } else { Err(InvalidCounts::Parameter(probability)) }
}

fn check_shape(shape: f64) -> Result<(), InvalidCounts> {
    if shape.is_finite() && shape > 0.0 { Ok(()) } else { Err(InvalidCounts::Parameter(shape)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;
    use proptest::prelude::*;

    #[test]
    fn student_deviates_match_printed_tables() {
        // Two-sided 5 % points, Fisher & Yates, Statistical Tables, table III.
        for (df, expected) in [(1.0, 12.706), (4.0, 2.776), (9.0, 2.262), (30.0, 2.042)] {
            assert!((student_deviate(df, 0.025).unwrap() - expected).abs() < 6e-4, "{df}");
        }
        close(student_deviate(4.0, 0.975).unwrap(), -student_deviate(4.0, 0.025).unwrap(), 1e-12);
    }

    #[test]
    fn an_exponential_quantile_is_a_logarithm() {
        for p in [1e-12, 0.025, 0.5, 0.975] {
            close(gamma_quantile(1.0, Tail::Upper, p).unwrap(), -f64::ln(p), 1e-13);
            close(gamma_quantile(1.0, Tail::Lower, p).unwrap(), -f64::ln_1p(-p), 1e-13);
        }
    }

    #[test]
    fn a_power_quantile_is_a_root() {
        // Beta(a, 1) has the distribution function x^a.
        for (a, p) in [(0.01, 0.025), (3.0, 1e-9), (1e6, 0.025)] {
            close(beta_quantile(a, 1.0, Tail::Lower, p).unwrap(), p.powf(1.0 / a), 1e-12);
        }
    }

    proptest! {
        #[test]
        fn a_gamma_quantile_has_its_tail(ln_shape in -3.0..12.0f64, p in 1e-10..0.999f64) {
            let shape = ln_shape.exp();
            let lower = gamma_quantile(shape, Tail::Lower, p).unwrap();
            if lower > 1e-300 {
                prop_assert!((gamma_lr(shape, lower) / p - 1.0).abs() < 1e-7);
            }
            let upper = gamma_quantile(shape, Tail::Upper, p).unwrap();
            prop_assert!((gamma_ur(shape, upper) / p - 1.0).abs() < 1e-7);
        }
    }
}
