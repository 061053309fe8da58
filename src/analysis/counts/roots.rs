//! Roots of increasing functions inside a bracket.

/// The root of an increasing function in a bracket, to the last bit the function can resolve.
///
/// Where the function has one sign throughout, the nearer end is returned.
pub(crate) fn bisect(bracket: (f64, f64), f: impl Fn(f64) -> f64) -> f64 {
    let (mut lower, mut upper) = bracket;
    // 200 halvings are more than any bracket of floats here can take.
    for _ in 0..200 {
        let middle = 0.5 * (lower + upper);
        if middle <= lower || middle >= upper {
            break;
        }
        if f(middle) < 0.0 { lower = middle } else { upper = middle }
    }
    0.5 * (lower + upper)
}

/// The root of an increasing function that also gives its slope: Newton's step while it stays in the bracket and
/// gains, else a halving.
pub(crate) fn newton(bracket: (f64, f64), start: f64, f: impl Fn(f64) -> (f64, f64)) -> f64 {
    let (mut lower, mut upper) = bracket;
    let mut at = if start > lower && start < upper { start } else { 0.5 * (lower + upper) };
    let mut last_step = f64::INFINITY;
    for _ in 0..200 {
        let (value, slope) = f(at);
        if value < 0.0 {
            lower = at
        } else {
            upper = at
        }
        let mut next = at - value / slope;
        // A step that is not finite fails both comparisons.
        if !(next > lower && next < upper) {
            next = 0.5 * (lower + upper);
        }
        let step = (next - at).abs();
        at = next;
        let resolution = 2.0 * f64::EPSILON * at.abs().max(1.0);
        // Rounding in the function makes steps near the root stop shrinking before they reach the resolution.
        if step <= resolution || (step < 1e-9 && step >= last_step) {
            break;
        }
        last_step = step;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_find_a_cube_root() {
        assert!((bisect((0.0, 10.0), |x| x.powi(3) - 2.0) - 2f64.cbrt()).abs() < 1e-15);
        assert!((newton((0.0, 10.0), 9.0, |x| (x.powi(3) - 2.0, 3.0 * x * x)) - 2f64.cbrt()).abs() < 1e-15);
    }

    #[test]
    fn a_flat_slope_falls_back_to_halving() {
        // The slope at the start is zero, so that Newton's step is not finite.
        assert!((newton((-1.0, 3.0), 0.0, |x| (x.powi(3) - 1.0, 3.0 * x * x)) - 1.0).abs() < 1e-14);
    }
}
