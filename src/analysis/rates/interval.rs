//! Intervals from draws.

/// A posterior mean with its central interval, all in the same unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Posterior mean.
    pub mean: f64,
    /// Lower limit at the confidence level asked for.
    pub lower: f64,
    /// Upper limit at the confidence level asked for.
    pub upper: f64,
}

impl Interval {
    /// Summarises draws, which are reordered; at least one draw.
    pub(in crate::analysis) fn from_draws(draws: &mut [f64], confidence_level: f64) -> Self {
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        let (lower, upper) = central_limits(draws, confidence_level);
        Self { mean, lower, upper }
    }
}

/// Central limits of draws, which are reordered.
///
/// The quantile at p interpolates at position p (n + 1), so that two hundred draws do not understate a 95 % interval
/// (type 6 of Hyndman and Fan 1996, *American Statistician* 50, 361-365).
pub(super) fn central_limits(draws: &mut [f64], confidence_level: f64) -> (f64, f64) {
    let tail = (1.0 - confidence_level) / 2.0;
    (quantile(draws, tail), quantile(draws, 1.0 - tail))
}

fn quantile(draws: &mut [f64], p: f64) -> f64 {
    let position = (p * (draws.len() + 1) as f64 - 1.0).clamp(0.0, (draws.len() - 1) as f64);
    let below = position as usize;
    let (_, &mut at, above) = draws.select_nth_unstable_by(below, f64::total_cmp);
    let next = above.iter().copied().fold(f64::INFINITY, f64::min);
    if next.is_finite() { at + (position - below as f64) * (next - at) } else { at }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interpolates_between_draws() {
        // 1 to 39 in another order: p (n + 1) is 1 and 39 at the 2.5 and 97.5 % points.
        let mut draws: Vec<f64> = (0..39).map(|i| f64::from(i * 16 % 39 + 1)).collect();
        let interval = Interval::from_draws(&mut draws, 0.95);
        for (got, expected) in [(interval.mean, 20.0), (interval.lower, 1.0), (interval.upper, 39.0)] {
            assert!((got - expected).abs() < 1e-9, "{got} instead of {expected}");
        }
        assert_eq!(central_limits(&mut draws, 0.5), (10.0, 30.0));
        assert_eq!(central_limits(&mut [4.0], 0.95), (4.0, 4.0));
    }
}
