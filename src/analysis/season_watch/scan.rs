//! The scan back from each week, its tails from tables, and the threshold that keeps false alarms at a number.

use rand_distr::{Distribution, Gamma, Poisson};

use crate::analysis::random::Stream;
use crate::analysis::season_watch::{WatchParams, WeekState};

/// Tails below this are all the same to the scan.
const SMALLEST_TAIL: f64 = 1e-10;
/// Counts that a table holds at most.
const MOST_COUNTS: usize = 4000;

/// Tails of every window: the gamma–Poisson with the mean and variance that the draws give.
pub(super) struct Scan {
    n_watched: usize,
    n_weeks: usize,
    longest: usize,
    /// `(watched * n_weeks + last week) * longest + length - 1`; empty where nobody walks in the window.
    tails: Vec<Vec<f64>>,
    means: Vec<f64>,
}

/// Consecutive weeks in which one unit stands out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    pub(super) watched: usize,
    pub(super) first_week: usize,
    pub(super) last_week: usize,
}

impl Scan {
    pub(super) fn new(
        expected: &[f64],
        n_draws: usize,
        n_watched: usize,
        n_weeks: usize,
        params: &WatchParams,
    ) -> Self {
        let longest = params.longest_window.min(n_weeks);
        let mut tails = Vec::with_capacity(n_watched * n_weeks * longest);
        let mut means = Vec::with_capacity(tails.capacity());
        for row in 0..n_watched * n_weeks {
            let week = row % n_weeks;
            let mut sums = vec![0.0; n_draws];
            for length in 1..=longest {
                if length <= week + 1 {
                    for (draw, sum) in sums.iter_mut().enumerate() {
                        *sum += expected[draw * n_watched * n_weeks + row + 1 - length];
                    }
                }
                let mean = sums.iter().sum::<f64>() / n_draws as f64;
                let spread = sums.iter().map(|sum| (sum - mean).powi(2)).sum::<f64>() / n_draws as f64;
                tails.push(tail_table(mean, params.dispersion * mean + spread));
                means.push(mean);
            }
        }
        Self { n_watched, n_weeks, longest, tails, means }
    }

    /// A season with nothing out of the way, from one draw; the last row is the sum of the others.
    pub(super) fn simulate(
        &self,
        expected: &[f64],
        draw: usize,
        dispersion: f64,
        rng: &mut Stream,
    ) -> Vec<u64> {
        let n_cells = self.n_watched * self.n_weeks;
        let of_units = n_cells - self.n_weeks;
        let means = &expected[draw * n_cells..draw * n_cells + of_units];
        let mut counts: Vec<u64> = means.iter().map(|mean| count(*mean, dispersion, rng)).collect();
        for week in 0..self.n_weeks {
            let all = counts[..of_units].iter().skip(week).step_by(self.n_weeks).sum();
            counts.push(all);
        }
        counts
    }

    /// The smallest tail over the windows that end in each week, index `watched * n_weeks + week`; one where nobody
    /// walks.
    pub(super) fn smallest_tails(&self, counts: &[u64]) -> Vec<f64> {
        (0..self.n_watched * self.n_weeks)
            .map(|row| self.windows(counts, row).map(|(_, tail)| tail).fold(1.0, f64::min))
            .collect()
    }

    /// Length and tail of each window that ends in a week.
    fn windows<'a>(&'a self, counts: &'a [u64], row: usize) -> impl Iterator<Item = (usize, f64)> + 'a {
        let week = row % self.n_weeks;
        let mut sum = 0;
        (1..=self.longest.min(week + 1)).map(move |length| {
            sum += counts[row + 1 - length];
            (length, self.tail(row, length, sum))
        })
    }

    fn tail(&self, row: usize, length: usize, count: u64) -> f64 {
        let table = &self.tails[row * self.longest + length - 1];
        table.get(count as usize).or(table.last()).copied().unwrap_or(1.0)
    }

    /// What a week says of itself alone.
    pub(super) fn state(&self, counts: &[u64], watched: usize, week: usize) -> WeekState {
        let row = watched * self.n_weeks + week;
        let observed = counts[row];
        let table = &self.tails[row * self.longest];
        if table.is_empty() {
            return WeekState::NoExposure { observed };
        }
        // P(X >= c + 1) is one minus the distribution function at c.
        let least = |level: f64| (1..table.len()).find(|count| table[*count] < level).unwrap_or(table.len());
        let lower = least(0.975) as u64 - 1;
        let upper = (1..table.len()).find(|count| table[*count] <= 0.025).unwrap_or(table.len()) as u64 - 1;
        WeekState::Expected {
            observed,
            expected: self.means[row * self.longest],
            limits: (lower, upper),
            tail: self.tail(row, 1, observed),
        }
    }

    /// Runs of weeks whose tail is at most the threshold.
    pub(super) fn runs(&self, tails: &[f64], threshold: f64) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        for (row, _) in tails.iter().enumerate().filter(|(_, tail)| **tail <= threshold) {
            let (watched, week) = (row / self.n_weeks, row % self.n_weeks);
            match runs.last_mut() {
                Some(run) if run.watched == watched && run.last_week + 1 == week => run.last_week = week,
                _ => runs.push(Run { watched, first_week: week, last_week: week }),
            }
        }
        runs
    }

    /// First and last week of the window with the smallest tail among those that end in a run.
    pub(super) fn strongest(&self, counts: &[u64], run: &Run) -> (usize, usize) {
        let mut best = (f64::INFINITY, run.first_week, run.first_week);
        for week in run.first_week..=run.last_week {
            for (length, tail) in self.windows(counts, run.watched * self.n_weeks + week) {
                if tail < best.0 {
                    best = (tail, week + 1 - length, week);
                }
            }
        }
        (best.1, best.2)
    }
}

/// The largest threshold with at most so many alarms a season, the alarms it gives, and their standard error.
///
/// An alarm begins in a week that stands out after one that does not.
pub(super) fn threshold(simulated: &[Vec<f64>], n_weeks: usize, false_alarms: f64) -> (f64, f64, f64) {
    let begun = |tails: &Vec<f64>, threshold: f64| {
        let stands_out = |row: usize| tails[row] <= threshold;
        (0..tails.len())
            .filter(|row| stands_out(*row) && (row % n_weeks == 0 || !stands_out(row - 1)))
            .count() as f64
    };
    let mean = |threshold: f64| {
        simulated.iter().map(|tails| begun(tails, threshold)).sum::<f64>() / simulated.len() as f64
    };
    let (mut low, mut high) = (SMALLEST_TAIL.ln(), 0.5f64.ln());
    for _ in 0..40 {
        let middle = (low + high) / 2.0;
        if mean(middle.exp()) <= false_alarms { low = middle } else { high = middle }
    }
    let chosen = low.exp();
    let rate = mean(chosen);
    let spread = simulated.iter().map(|tails| (begun(tails, chosen) - rate).powi(2)).sum::<f64>();
    (chosen, rate, spread.sqrt() / simulated.len() as f64)
}

/// Upper tails by count, from a count of none on, until they no longer matter; empty where nothing is expected.
fn tail_table(mean: f64, variance: f64) -> Vec<f64> {
    if mean <= 0.0 {
        return Vec::new();
    }
    let dispersion = (variance / mean).max(1.0);
    let is_poisson = dispersion <= 1.0 + 1e-9;
    let shape = mean / (dispersion - 1.0);
    let success = 1.0 - 1.0 / dispersion;
    let mut point_ln = if is_poisson { -mean } else { -shape * dispersion.ln() };
    let mut tails = vec![1.0];
    let mut below = 0.0;
    for count in 0..MOST_COUNTS {
        below += f64::exp(point_ln);
        let tail: f64 = 1.0 - below;
        if tail < SMALLEST_TAIL {
            tails.push(SMALLEST_TAIL);
            break;
        }
        tails.push(tail);
        let next = count as f64 + 1.0;
        point_ln +=
            if is_poisson { (mean / next).ln() } else { ((shape + count as f64) / next * success).ln() };
    }
    tails
}

fn count(mean: f64, dispersion: f64, rng: &mut Stream) -> u64 {
    let spread = dispersion - 1.0;
    let bunched = match Gamma::new(mean / spread, spread) {
        Ok(gamma) if spread > 1e-9 => gamma.sample(rng),
        _ => mean,
    };
    // No Poisson has a mean of zero; its count is none.
    Poisson::new(bunched).map_or(0, |poisson| poisson.sample(rng) as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::forecast::predictive;

    #[test]
    fn tables_agree_with_the_tails_in_closed_form() {
        for (mean, variance) in [(0.3, 0.3), (4.0, 4.0), (4.0, 9.0), (60.0, 200.0)] {
            let table = tail_table(mean, variance);
            for (count, tail) in table.iter().enumerate().take(table.len() - 1) {
                let exact = predictive::at_least(count as u64, mean, variance / mean);
                assert!((tail - exact).abs() < 1e-9, "{mean} {variance} {count}: {tail} {exact}");
            }
        }
        assert!(tail_table(0.0, 0.0).is_empty());
    }

    #[test]
    fn the_threshold_keeps_the_number_of_runs() {
        // Two seasons of two units and three weeks. At 0.01 two runs begin in all, at 0.02 three.
        let a = vec![0.01, 0.01, 0.5, 0.9, 0.9, 0.9];
        let b = vec![0.9, 0.9, 0.01, 0.02, 0.9, 0.9];
        let (chosen, rate, _) = threshold(&[a, b], 3, 1.2);
        assert!((0.01..0.02).contains(&chosen), "{chosen}");
        assert_eq!(rate, 1.0);
    }
}
