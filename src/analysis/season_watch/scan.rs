//! The scan back from each week, its tails from tables, and the threshold that keeps false alarms at a number.

use rand::RngExt;
use rand_distr::{Distribution, Gamma, Poisson};
use rayon::prelude::*;

use crate::analysis::random::Stream;
use crate::analysis::season_watch::{Expected, WatchParams, WeekState};

/// Tails below this are all the same to the scan.
const SMALLEST_TAIL: f64 = 1e-10;
/// No threshold lies above this.
const GREATEST_THRESHOLD: f64 = 0.5;
/// Counts that a table holds at most.
const MOST_COUNTS: usize = 4000;
/// Expectations up to which counts are drawn by going up from none, which few calls of a logarithm do.
const SMALL_MEAN: f64 = 12.0;
/// Seasons that say roughly where the threshold lies.
const PILOT: usize = 20;

/// Every window with its tails: the gamma–Poisson with the mean and variance that the draws give.
pub(super) struct Scan {
    n_weeks: usize,
    longest: usize,
    /// `(watched * n_weeks + last week) * longest + length - 1`.
    windows: Vec<Window>,
}

/// What is expected in one window.
#[derive(Debug, Clone)]
struct Window {
    /// Zero where nobody walks.
    mean: f64,
    /// Variance over mean, at least one.
    dispersion: f64,
    /// Upper tails up to [`GREATEST_THRESHOLD`] by count, from `first` on: larger ones are the same to the scan, and half of the
    /// memory. Empty where the mean is small and counting up from none takes few steps.
    table: Box<[f64]>,
    first: u32,
}

impl Window {
    fn new(mean: f64, variance: f64) -> Self {
        let dispersion = if mean > 0.0 { (variance / mean).max(1.0) } else { 1.0 };
        let law = Self { mean, dispersion, table: Box::default(), first: 0 };
        if mean <= SMALL_MEAN {
            return law;
        }
        let first = law.tails().take_while(|tail| *tail > GREATEST_THRESHOLD).count();
        Self { table: law.tails().skip(first).collect(), first: first as u32, ..law }
    }

    /// The law of the window's count where it is small.
    fn law(&self) -> SmallCount {
        SmallCount::new(self.mean, self.dispersion)
    }

    /// Probabilities of as many or more, from none on, until they no longer matter.
    fn tails(&self) -> impl Iterator<Item = f64> + use<> {
        let law = self.law();
        let (mut point_ln, mut below, mut ended) = (law.none_ln, 0.0, false);
        let counted = (0..MOST_COUNTS).map_while(move |count| {
            if ended {
                return None;
            }
            let tail = f64::max(1.0 - below, SMALLEST_TAIL);
            ended = tail <= SMALLEST_TAIL;
            below += f64::exp(point_ln);
            point_ln += law.step(count as f64 + 1.0).ln();
            Some(tail)
        });
        counted.take(if self.mean > 0.0 { MOST_COUNTS } else { 0 })
    }

    /// Probability of as many or more; one where nobody walks.
    fn tail(&self, count: u64) -> f64 {
        match self.is_tabled() && count < u64::from(self.first) {
            true => self.tails().nth(count as usize).unwrap_or(1.0),
            false => self.small_tail(count),
        }
    }

    fn is_tabled(&self) -> bool {
        !self.table.is_empty()
    }

    /// The same where it is at most [`GREATEST_THRESHOLD`]; else it may be one.
    fn small_tail(&self, count: u64) -> f64 {
        // As many as none or more is certain, whatever is expected.
        if count == 0 || self.mean <= 0.0 {
            return 1.0;
        }
        if let Some(last) = self.table.last() {
            return match count.checked_sub(u64::from(self.first)) {
                Some(beyond) => *self.table.get(beyond as usize).unwrap_or(last),
                None => 1.0,
            };
        }
        let law = self.law();
        let mut point = law.none_ln.exp();
        let mut below = point;
        for reached in 1..count.min(MOST_COUNTS as u64) {
            point *= law.step(reached as f64);
            below += point;
        }
        f64::max(1.0 - below, SMALLEST_TAIL)
    }

    /// Counts that 95 in 100 such windows lie between.
    fn limits(&self) -> (u64, u64) {
        let (mut lower, mut upper) = (0, 0);
        for (count, tail) in self.tails().enumerate() {
            if tail >= 0.975 {
                lower = count as u64;
            }
            if tail > 0.025 {
                upper = count as u64;
            }
        }
        (lower, upper)
    }
}

/// A Poisson or negative binomial count by how its probabilities follow each other: each is the one before times
/// a + b / count (Panjer's class).
#[derive(Debug, Clone, Copy)]
struct SmallCount {
    /// Log probability of none.
    none_ln: f64,
    a: f64,
    b: f64,
}

impl SmallCount {
    /// Of a mean above zero and a variance that is at least as large, as a multiple of it.
    fn new(mean: f64, dispersion: f64) -> Self {
        let spread = dispersion - 1.0;
        if spread <= 1e-9 {
            return Self { none_ln: -mean, a: 0.0, b: mean };
        }
        let (shape, success) = (mean / spread, spread / dispersion);
        Self { none_ln: -shape * dispersion.ln(), a: success, b: (shape - 1.0) * success }
    }

    fn step(&self, count: f64) -> f64 {
        self.a + self.b / count
    }

    /// The smallest count whose distribution function reaches a height.
    fn reaching(&self, height: f64) -> u64 {
        let mut point = self.none_ln.exp();
        let (mut reached, mut count) = (point, 0);
        while reached < height && count < MOST_COUNTS as u64 {
            count += 1;
            point *= self.step(count as f64);
            reached += point;
            // Beyond rounding nothing is added any more.
            if point < f64::EPSILON * reached && count as f64 > SMALL_MEAN {
                break;
            }
        }
        count
    }
}

/// The windows of one unit, by last week, then length.
fn windows_of(expected: &Expected<'_>, watched: usize, longest: usize, dispersion: f64) -> Vec<Window> {
    let (n_draws, n_weeks) = (expected.n_draws(), expected.input.n_weeks);
    // Week-major, so that the draws of a week lie side by side.
    let mut by_week = vec![0.0; n_weeks * n_draws];
    for draw in 0..n_draws {
        for (week, mean) in expected.weeks(draw, watched).enumerate() {
            by_week[week * n_draws + draw] = mean;
        }
    }
    let mut windows = Vec::with_capacity(n_weeks * longest);
    let mut sums = vec![0.0; n_draws];
    for week in 0..n_weeks {
        sums.fill(0.0);
        for length in 1..=longest {
            if length <= week + 1 {
                let added = &by_week[(week + 1 - length) * n_draws..][..n_draws];
                sums.iter_mut().zip(added).for_each(|(sum, mean)| *sum += mean);
            }
            let mean = sums.iter().sum::<f64>() / n_draws as f64;
            let spread = sums.iter().map(|sum| (sum - mean).powi(2)).sum::<f64>() / n_draws as f64;
            windows.push(Window::new(mean, dispersion * mean + spread));
        }
    }
    windows
}

/// Consecutive weeks in which one unit stands out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    pub(super) watched: usize,
    pub(super) first_week: usize,
    pub(super) last_week: usize,
}

impl Scan {
    pub(super) fn new(expected: &Expected<'_>, params: &WatchParams) -> Self {
        let n_weeks = expected.input.n_weeks;
        let longest = params.longest_window.min(n_weeks);
        let windows = |watched| windows_of(expected, watched, longest, params.dispersion);
        let windows = (0..expected.n_watched()).into_par_iter().flat_map_iter(windows).collect();
        Self { n_weeks, longest, windows }
    }

    /// A season with nothing out of the way, from one draw; the last row is the sum of the others.
    pub(super) fn simulate(
        &self,
        expected: &Expected<'_>,
        draw: usize,
        dispersion: f64,
        rng: &mut Stream,
    ) -> Vec<u64> {
        let n_units = expected.input.n_units;
        let mut counts = Vec::with_capacity(expected.n_watched() * self.n_weeks);
        let mut all = vec![0; self.n_weeks];
        for unit in 0..n_units {
            for (mean, all) in expected.weeks(draw, unit).zip(&mut all) {
                let drawn = count(mean, dispersion, rng);
                counts.push(drawn);
                *all += drawn;
            }
        }
        counts.extend(all);
        counts
    }

    /// The weeks, by `watched * n_weeks + week` in ascending order, whose smallest tail over the windows that end in them
    /// is at most so large, with that tail.
    pub(super) fn small_tails(&self, counts: &[u64], at_most: f64) -> Vec<(usize, f64)> {
        self.small_tails_until(counts, at_most, self.n_weeks)
    }

    /// The same, of the first so many weeks of the season.
    pub(super) fn small_tails_until(&self, counts: &[u64], at_most: f64, n_seen: usize) -> Vec<(usize, f64)> {
        (0..counts.len())
            .filter(|row| row % self.n_weeks < n_seen)
            .filter_map(|row| {
                let smallest = self.windows(counts, row).map(|(_, tail)| tail).fold(1.0, f64::min);
                (smallest <= at_most).then_some((row, smallest))
            })
            .collect()
    }

    /// Length and tail of each window that ends in a week; a tail above [`GREATEST_THRESHOLD`] may be given as one.
    fn windows<'a>(&'a self, counts: &'a [u64], row: usize) -> impl Iterator<Item = (usize, f64)> + 'a {
        let week = row % self.n_weeks;
        let mut sum = 0;
        (1..=self.longest.min(week + 1)).map(move |length| {
            sum += counts[row + 1 - length];
            (length, self.window(row, length).small_tail(sum))
        })
    }

    fn window(&self, row: usize, length: usize) -> &Window {
        &self.windows[row * self.longest + length - 1]
    }

    /// What a week says of itself alone.
    pub(super) fn state(&self, counts: &[u64], watched: usize, week: usize) -> WeekState {
        let row = watched * self.n_weeks + week;
        let observed = counts[row];
        let window = self.window(row, 1);
        if window.mean <= 0.0 {
            return WeekState::NoExposure { observed };
        }
        WeekState::Expected {
            observed,
            expected: window.mean,
            limits: window.limits(),
            tail: window.tail(observed),
        }
    }

    /// Runs of weeks that stand out.
    pub(super) fn runs(&self, tails: &[(usize, f64)]) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        for (row, _) in tails {
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

/// A threshold of the scan and how often it calls a season with nothing out of the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Threshold {
    pub(super) threshold: f64,
    /// Alarms a season.
    pub(super) false_alarms: f64,
    pub(super) standard_error: f64,
}

/// The largest threshold with at most so many alarms a season, over `n` seasons that `simulate` gives by number, as the
/// tails up to a bound.
///
/// Only tails up to the threshold matter, so the first few seasons say up to where the others are kept.
pub(super) fn threshold(
    n: usize,
    simulate: impl Fn(usize, f64) -> Vec<(usize, f64)> + Sync,
    n_weeks: usize,
    false_alarms: f64,
) -> Threshold {
    let seasons = |n: usize, bound: f64| -> Vec<Vec<(usize, f64)>> {
        (0..n).into_par_iter().map(|season| simulate(season, bound)).collect()
    };
    let pilot = seasons(n.min(PILOT), GREATEST_THRESHOLD);
    let bound = largest(&pilot, n_weeks, 3.0 * false_alarms + 1.0, GREATEST_THRESHOLD).threshold;
    let found = largest(&seasons(n, bound), n_weeks, false_alarms, bound);
    if found.threshold < bound || bound >= GREATEST_THRESHOLD {
        return found;
    }
    largest(&seasons(n, GREATEST_THRESHOLD), n_weeks, false_alarms, GREATEST_THRESHOLD)
}

/// The largest threshold up to a bound with at most so many alarms a season; all tails up to the bound are given.
///
/// An alarm begins in a week that stands out after one that does not.
fn largest(seasons: &[Vec<(usize, f64)>], n_weeks: usize, false_alarms: f64, bound: f64) -> Threshold {
    let begun = |tails: &Vec<(usize, f64)>, threshold: f64| {
        let mut last = None;
        let mut n = 0;
        for (row, _) in tails.iter().filter(|(_, tail)| *tail <= threshold) {
            let goes_on = row % n_weeks != 0 && last == Some(row - 1);
            n += usize::from(!goes_on);
            last = Some(*row);
        }
        n as f64
    };
    let mean = |threshold: f64| {
        seasons.iter().map(|tails| begun(tails, threshold)).sum::<f64>() / seasons.len() as f64
    };
    let (mut low, mut high) = (SMALLEST_TAIL.ln(), bound.ln());
    if mean(bound) <= false_alarms {
        low = high;
    }
    while high - low > 1e-9 {
        let middle = (low + high) / 2.0;
        if mean(middle.exp()) <= false_alarms { low = middle } else { high = middle }
    }
    let chosen = low.exp();
    let rate = mean(chosen);
    let spread = seasons.iter().map(|tails| (begun(tails, chosen) - rate).powi(2)).sum::<f64>();
    Threshold { threshold: chosen, false_alarms: rate, standard_error: spread.sqrt() / seasons.len() as f64 }
}

/// A Poisson count, or a negative binomial one whose variance is so many times the mean.
fn count(mean: f64, dispersion: f64, rng: &mut Stream) -> u64 {
    if mean <= 0.0 {
        return 0;
    }
    if mean <= SMALL_MEAN {
        return SmallCount::new(mean, dispersion).reaching(rng.random());
    }
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
    use crate::analysis::random::stream;

    #[test]
    fn tables_agree_with_the_tails_in_closed_form() {
        for (mean, variance) in [(0.3, 0.3), (4.0, 4.0), (4.0, 9.0), (60.0, 200.0)] {
            let window = Window::new(mean, variance);
            for (count, tail) in window.tails().enumerate().take(400) {
                let exact = predictive::at_least(count as u64, mean, variance / mean).max(SMALLEST_TAIL);
                assert!((tail - exact).abs() < 1e-9, "{mean} {variance} {count}: {tail} {exact}");
                assert!((window.tail(count as u64) - exact).abs() < 1e-9, "{mean} {variance} {count}");
                let small = window.small_tail(count as u64);
                assert!(
                    small == window.tail(count as u64) || (small == 1.0 && exact > GREATEST_THRESHOLD - 1e-9)
                );
            }
            assert_eq!(window.tail(100_000), SMALLEST_TAIL);
        }
        assert_eq!(Window::new(0.0, 0.0).tail(3), 1.0);
    }

    #[test]
    fn limits_leave_a_fortieth_on_either_side() {
        // Poisson with mean 4: P(X <= 0) = 0.0183, P(X <= 1) = 0.0916; P(X >= 9) = 0.0214, P(X >= 8) = 0.0511.
        assert_eq!(Window::new(4.0, 4.0).limits(), (1, 8));
        assert_eq!(Window::new(0.01, 0.01).limits(), (0, 0));
    }

    #[test]
    fn the_threshold_keeps_the_number_of_runs() {
        // Two seasons of two units and three weeks. At 0.01 two runs begin in all, at 0.02 three.
        let seasons = [vec![0.01, 0.01, 0.5, 0.9, 0.9, 0.9], vec![0.9, 0.9, 0.01, 0.02, 0.9, 0.9]];
        let simulate = |season: usize, bound: f64| -> Vec<(usize, f64)> {
            let tails = seasons[season].iter().copied().enumerate();
            tails.filter(|(_, tail)| *tail <= bound).collect()
        };
        let found = threshold(2, simulate, 3, 1.2);
        assert!((0.01..0.02).contains(&found.threshold), "{found:?}");
        assert_eq!(found.false_alarms, 1.0);
        // Alarms without end: no threshold is above one half.
        assert_eq!(threshold(2, simulate, 3, 100.0).threshold, GREATEST_THRESHOLD);
    }

    #[test]
    fn drawn_counts_have_their_mean_and_variance() {
        for (mean, dispersion) in [(0.02, 1.0), (0.4, 1.8), (6.0, 1.0), (9.0, 3.0), (40.0, 2.0)] {
            let mut rng = stream(5, 0);
            let n = 100_000;
            let drawn: Vec<f64> = (0..n).map(|_| count(mean, dispersion, &mut rng) as f64).collect();
            let found = drawn.iter().sum::<f64>() / n as f64;
            let variance = drawn.iter().map(|drawn| (drawn - found).powi(2)).sum::<f64>() / n as f64;
            // Five standard errors of the mean; the variance of a heavy tail settles more slowly.
            let error = (mean * dispersion / n as f64).sqrt();
            assert!((found - mean).abs() < 5.0 * error, "{mean} {dispersion}: {found}");
            assert!((variance / (mean * dispersion) - 1.0).abs() < 0.15, "{mean} {dispersion}: {variance}");
        }
    }
}
