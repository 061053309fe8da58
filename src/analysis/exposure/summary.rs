//! Means and intervals of draws.

/// Mean and central 95 % interval of a set of draws.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawSummary {
    /// Arithmetic mean.
    pub mean: f64,
    /// 2.5 % quantile.
    pub lower: f64,
    /// Median.
    pub median: f64,
    /// 97.5 % quantile.
    pub upper: f64,
}

impl DrawSummary {
    /// The summary of some draws; all zero when there are none.
    ///
    /// Quantiles interpolate between order statistics (Hyndman & Fan 1996, *The American Statistician* 50, 361, type 7).
    pub fn of(draws: impl IntoIterator<Item = f64>) -> Self {
        let mut sorted: Vec<f64> = draws.into_iter().collect();
        sorted.sort_by(f64::total_cmp);
        let mean = sorted.iter().sum::<f64>() / sorted.len().max(1) as f64;
        Self {
            mean,
            lower: quantile(&sorted, 0.025),
            median: quantile(&sorted, 0.5),
            upper: quantile(&sorted, 0.975),
        }
    }
}

fn quantile(sorted: &[f64], level: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return 0.0 };
    let position = level * last as f64;
    let below = position.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (position - below as f64) * (sorted[above] - sorted[below])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_interpolate() {
        // Type 7 of 1..=5: 2.5 % at position 0.1, 97.5 % at 3.9.
        let summary = DrawSummary::of([3.0, 1.0, 5.0, 2.0, 4.0]);
        assert_eq!((summary.mean, summary.median), (3.0, 3.0));
        assert!((summary.lower - 1.1).abs() < 1e-12 && (summary.upper - 4.9).abs() < 1e-12);
    }
}
