//! The scan back from each week, its tails from tables, and the threshold that keeps false alarms at a number.

use rand::RngExt;
use rand_distr::{Distribution, Exp1, Gamma, Poisson};
use rayon::prelude::*;

use crate::analysis::random::Stream;
use crate::analysis::season_watch::{Expectation, Expected, WatchInput, WatchParams, WeekState};

/// Tails below this are all the same to the scan.
const SMALLEST_TAIL: f64 = 1e-10;
/// No threshold lies above this.
const GREATEST_THRESHOLD: f64 = 0.5;
/// Counts that a table holds at most.
const MOST_COUNTS: usize = 4000;
/// Expectations up to which counts are drawn by the bunches that make them up, and tails are added up from none.
const SMALL_MEAN: f64 = 12.0;
/// Above this logarithm of the probability of none, probabilities follow each other as they are.
const PLAIN_NONE_LN: f64 = -500.0;
/// How much higher a bound is than what is known to be too low a threshold.
const RAISED: f64 = 20.0;

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
        let is_plain = law.none_ln > PLAIN_NONE_LN;
        let (mut point, mut below, mut ended) =
            (if is_plain { law.none_ln.exp() } else { law.none_ln }, 0.0, false);
        let counted = (0..MOST_COUNTS).map_while(move |count| {
            if ended {
                return None;
            }
            let tail = f64::max(1.0 - below, SMALLEST_TAIL);
            ended = tail <= SMALLEST_TAIL;
            let step = law.step(count as f64 + 1.0);
            if is_plain {
                below += point;
                point *= step;
            } else {
                below += f64::exp(point);
                point += step.ln();
            }
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

    /// The smallest count whose tail is at most so large, up to [`GREATEST_THRESHOLD`]; none where no count has one.
    fn smallest_count(&self, at_most: f64) -> Option<u32> {
        if self.mean <= 0.0 {
            return None;
        }
        if self.is_tabled() {
            let beyond = self.table.partition_point(|tail| *tail > at_most);
            return (beyond < self.table.len()).then_some(self.first + beyond as u32);
        }
        let law = self.law();
        let mut point = law.none_ln.exp();
        let mut below = point;
        for count in 1..MOST_COUNTS as u32 {
            if f64::max(1.0 - below, SMALLEST_TAIL) <= at_most {
                return Some(count);
            }
            point *= law.step(f64::from(count));
            below += point;
        }
        (1.0 - below <= at_most).then_some(MOST_COUNTS as u32)
    }

    /// Counts that 95 in 100 such windows lie between.
    fn limits(&self) -> (u64, u64) {
        let (mut lower, mut upper) = (0, 0);
        for (count, tail) in self.tails().take_while(|tail| *tail > 0.025).enumerate() {
            if tail >= 0.975 {
                lower = count as u64;
            }
            upper = count as u64;
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
}

/// What is expected in every window, by `((week * longest + length - 1) * n_draws + draw)`, of a mean by draw and week.
fn window_sums(
    (n_draws, n_weeks, longest): (usize, usize, usize),
    mean: impl Fn(usize, usize) -> f64,
) -> Vec<f64> {
    let mut sums = vec![0.0; n_weeks * longest * n_draws];
    let mut of_window = vec![0.0; n_draws];
    for (row, kept) in sums.chunks_exact_mut(n_draws).enumerate() {
        let (week, length) = (row / longest, row % longest + 1);
        if length == 1 {
            of_window.fill(0.0);
        }
        // There is no week before the first: the window is as long as it can be.
        if length <= week + 1 {
            let added = of_window.iter_mut().enumerate();
            added.for_each(|(draw, sum)| *sum += mean(draw, week + 1 - length));
        }
        kept.copy_from_slice(&of_window);
    }
    sums
}

/// Sums over the draws of a scale times a mean, and of their squares. Four at a time, so that they are added side by side.
fn moments(scale: &[f64], means: &[f64]) -> (f64, f64) {
    let (scales, last_scales) = scale.as_chunks::<4>();
    let (means, last_means) = means.as_chunks::<4>();
    let (mut sums, mut squares) = ([0.0; 4], [0.0; 4]);
    for (scale, means) in scales.iter().zip(means) {
        for lane in 0..4 {
            let value = scale[lane] * means[lane];
            sums[lane] += value;
            squares[lane] += value * value;
        }
    }
    for (scale, mean) in last_scales.iter().zip(last_means) {
        sums[0] += scale * mean;
        squares[0] += (scale * mean).powi(2);
    }
    (sums.iter().sum(), squares.iter().sum())
}

/// What is expected in every window on each course of the season.
struct Windows<'a> {
    expected: &'a Expected<'a>,
    dispersion: f64,
    longest: usize,
    /// By curve.
    of_curve: Vec<Vec<f64>>,
}

impl<'a> Windows<'a> {
    fn new(expected: &'a Expected<'a>, longest: usize, dispersion: f64) -> Self {
        let Expectation { n_curves, curves, .. } = expected.input.expected;
        let shape = (expected.n_draws(), expected.input.n_weeks, longest);
        let (_, n_weeks, _) = shape;
        let of_curve = |curve: usize| {
            window_sums(shape, |draw, week| curves[(draw * n_curves + curve) * n_weeks + week])
        };
        let of_curve = (0..*n_curves).into_par_iter().map(of_curve).collect();
        Self { expected, dispersion, longest, of_curve }
    }

    /// Those of one unit, or of all together for the unit after the last, by last week, then length.
    fn of(&self, watched: usize) -> Vec<Window> {
        let WatchInput { n_units, n_weeks, expected, .. } = *self.expected.input;
        let n_draws = self.expected.n_draws();
        if watched == n_units {
            let all = &self.expected.all;
            let sums = window_sums((n_draws, n_weeks, self.longest), |draw, week| all[draw * n_weeks + week]);
            return self.windows(&vec![1.0; n_draws], &sums);
        }
        let levels = expected.level.iter().skip(watched).step_by(n_units);
        let scaled = |share: f64| -> Vec<f64> {
            levels.clone().zip(&self.expected.factors).map(|(level, factor)| level * factor * share).collect()
        };
        match expected.shares_of(watched) {
            [(curve, share)] => self.windows(&scaled(*share), &self.of_curve[*curve]),
            shares => {
                let mut sums = vec![0.0; n_weeks * self.longest * n_draws];
                for (curve, share) in shares {
                    let of_curve = self.of_curve[*curve].iter();
                    sums.iter_mut().zip(of_curve).for_each(|(sum, mean)| *sum += share * mean);
                }
                self.windows(&scaled(1.0), &sums)
            }
        }
    }

    fn windows(&self, scale: &[f64], sums: &[f64]) -> Vec<Window> {
        let n_draws = scale.len() as f64;
        let window = |sums: &[f64]| {
            let (sum, squares) = moments(scale, sums);
            let mean = sum / n_draws;
            let spread = (squares / n_draws - mean * mean).max(0.0);
            Window::new(mean, self.dispersion * mean + spread)
        };
        sums.chunks_exact(scale.len()).map(window).collect()
    }
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
        let windows = Windows::new(expected, longest, params.dispersion);
        let of_unit = |watched| windows.of(watched);
        let windows = (0..expected.n_watched()).into_par_iter().flat_map_iter(of_unit).collect();
        Self { n_weeks, longest, windows }
    }

    /// A season with nothing out of the way, from one draw; the last row is the sum of the others.
    pub(super) fn simulate(
        &self,
        expected: &Expected<'_>,
        draw: usize,
        law: &CountLaw,
        rng: &mut Stream,
    ) -> Vec<u64> {
        let n_units = expected.input.n_units;
        let mut counts = vec![0; expected.n_watched() * self.n_weeks];
        let (units, all) = counts.split_at_mut(n_units * self.n_weeks);
        let mut counting = law.counting(rng);
        for (unit, row) in units.chunks_exact_mut(self.n_weeks).enumerate() {
            expected.each_week(draw, unit, |week, mean| row[week] = counting.next(mean));
            all.iter_mut().zip(row).for_each(|(all, drawn)| *all += *drawn);
        }
        counts
    }

    /// The smallest counts of windows whose tails are at most so large.
    pub(super) fn bounds(&self, at_most: f64) -> Bounds {
        let of_window = |window: &Window| window.smallest_count(at_most).unwrap_or(u32::MAX);
        let smallest: Vec<u32> = self.windows.par_iter().map(of_window).collect();
        let of_week = |smallest: &[u32]| smallest.iter().copied().min().unwrap_or(u32::MAX);
        Bounds { least: smallest.chunks_exact(self.longest).map(of_week).collect(), smallest }
    }

    /// The weeks, by `watched * n_weeks + week` in ascending order, whose smallest tail over the windows that end in them
    /// is within the bounds, with that tail.
    pub(super) fn small_tails(&self, counts: &[u64], bounds: &Bounds) -> Vec<(usize, f64)> {
        let mut found = Vec::new();
        for (watched, of_unit) in counts.chunks_exact(self.n_weeks).enumerate() {
            let first = watched * self.n_weeks;
            // All that the longest window holds: where that is less than any of them needs, none is looked at.
            let mut held = 0;
            for (week, (count, least)) in of_unit.iter().zip(&bounds.least[first..]).enumerate() {
                held += count;
                if week >= self.longest {
                    held -= of_unit[week - self.longest];
                }
                if held >= u64::from(*least) {
                    let tail = self.smallest_tail(&of_unit[..=week], first + week, bounds);
                    found.extend(tail.map(|tail| (first + week, tail)));
                }
            }
        }
        found
    }

    /// The smallest tail within the bounds over the windows that end in a week, the last of the counts.
    fn smallest_tail(&self, counts: &[u64], row: usize, bounds: &Bounds) -> Option<f64> {
        let mut sum = 0;
        let smallest = bounds.smallest[row * self.longest..].iter();
        let windows = counts.iter().rev().zip(smallest).take(self.longest).enumerate();
        let tails = windows.filter_map(|(back, (count, smallest))| {
            sum += count;
            (sum >= u64::from(*smallest)).then(|| self.window(row, back + 1).small_tail(sum))
        });
        tails.reduce(f64::min)
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

/// The smallest count of each window that is at most so likely as a bound; beyond all counts where there is none.
#[derive(Debug, Clone)]
pub(super) struct Bounds {
    /// As [`Scan::windows`].
    smallest: Vec<u32>,
    /// The least of them over the windows that end in a week.
    least: Vec<u32>,
}

/// The largest threshold with at most so many alarms a season, over `n` seasons of `n_cells` weeks of units that `simulate` gives by
/// number, as the tails within the bounds that `bounds` makes of the largest tail; and these bounds.
///
/// Only tails up to the threshold matter. Were every week of every unit looked at by itself, a threshold of alarms over weeks would
/// give so many; windows overlap and counts are whole, so it lies higher, and is looked for up to ever higher bounds.
pub(super) fn threshold<B: Sync>(
    n: usize,
    bounds: impl Fn(f64) -> B,
    simulate: impl Fn(usize, &B) -> Vec<(usize, f64)> + Sync,
    (n_cells, n_weeks): (usize, usize),
    false_alarms: f64,
) -> (Threshold, B) {
    let mut bound = (RAISED * false_alarms / n_cells as f64).clamp(SMALLEST_TAIL, GREATEST_THRESHOLD);
    loop {
        let bounds = bounds(bound);
        let seasons: Vec<Vec<(usize, f64)>> =
            (0..n).into_par_iter().map(|season| simulate(season, &bounds)).collect();
        let found = largest(&seasons, n_weeks, false_alarms, bound);
        // But for rounding, as far as it was looked for.
        if found.threshold < bound * (1.0 - 1e-9) || bound >= GREATEST_THRESHOLD {
            return (found, bounds);
        }
        bound = (RAISED * bound).min(GREATEST_THRESHOLD);
    }
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

/// Poisson counts, or negative binomial ones whose variance is so many times the mean.
///
/// A negative binomial count is a Poisson number of bunches with logarithmic sizes (Quenouille, M. H. (1949). A relation between the
/// logarithmic, Poisson, and negative binomial series. *Biometrics* 5, 162-164). With one ratio of variance to mean the sizes have one
/// law whatever the mean, so bunches come along the weeks as a Poisson process and only they have to be drawn.
#[derive(Debug, Clone, Copy)]
pub(super) struct CountLaw {
    /// Variance over mean, less one.
    spread: f64,
    /// Bunches over mean.
    bunches: f64,
    /// Parameter of the logarithmic sizes; zero where all are one.
    theta: f64,
    /// Probability that a bunch is of one.
    single: f64,
}

impl CountLaw {
    /// Of a variance over mean of at least one.
    pub(super) fn new(dispersion: f64) -> Self {
        let spread = dispersion - 1.0;
        if spread <= 1e-9 {
            return Self { spread: 0.0, bunches: 1.0, theta: 0.0, single: 1.0 };
        }
        let (theta, ln) = (spread / dispersion, dispersion.ln());
        Self { spread, bunches: ln / spread, theta, single: theta / ln }
    }

    /// Counts one after the other.
    fn counting<'r>(&self, rng: &'r mut Stream) -> Counting<'r> {
        Counting { law: *self, gap: Exp1.sample(rng), rng }
    }

    /// The size of a bunch.
    fn size(&self, rng: &mut Stream) -> u64 {
        if self.theta <= 0.0 {
            return 1;
        }
        let height: f64 = rng.random();
        let (mut point, mut reached, mut size) = (self.single, self.single, 1);
        // Beyond rounding nothing is added any more.
        while reached < height && point > f64::EPSILON {
            point *= self.theta * size as f64 / (size + 1) as f64;
            reached += point;
            size += 1;
        }
        size
    }

    /// A count by its gamma mean, for means with many bunches.
    fn large(&self, mean: f64, rng: &mut Stream) -> u64 {
        let bunched = match Gamma::new(mean / self.spread, self.spread) {
            Ok(gamma) if self.spread > 0.0 => gamma.sample(rng),
            _ => mean,
        };
        // No Poisson has a mean of zero; its count is none.
        Poisson::new(bunched).map_or(0, |poisson| poisson.sample(rng) as u64)
    }
}

/// Draws counts one after the other.
struct Counting<'r> {
    law: CountLaw,
    /// Bunches to be expected until the next one.
    gap: f64,
    rng: &'r mut Stream,
}

impl Counting<'_> {
    fn next(&mut self, mean: f64) -> u64 {
        if mean > SMALL_MEAN {
            return self.law.large(mean, self.rng);
        }
        let mut count = 0;
        self.gap -= mean * self.law.bunches;
        while self.gap < 0.0 {
            count += self.law.size(self.rng);
            let gap: f64 = Exp1.sample(self.rng);
            self.gap += gap;
        }
        count
    }
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
            for at_most in [0.5, 0.1, 1e-3, 1e-7] {
                let smallest = u64::from(window.smallest_count(at_most).unwrap());
                assert!(window.small_tail(smallest) <= at_most, "{mean} {variance} {at_most}");
                assert!(window.small_tail(smallest - 1) > at_most, "{mean} {variance} {at_most}");
            }
            assert_eq!(window.tail(100_000), SMALLEST_TAIL);
        }
        assert_eq!(Window::new(0.0, 0.0).tail(3), 1.0);
        assert_eq!(Window::new(0.0, 0.0).smallest_count(0.5), None);
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
        let simulate = |season: usize, bound: &f64| -> Vec<(usize, f64)> {
            let tails = seasons[season].iter().copied().enumerate();
            tails.filter(|(_, tail)| tail <= bound).collect()
        };
        let (found, _) = threshold(2, |bound| bound, simulate, (6, 3), 1.2);
        assert!((0.01..0.02).contains(&found.threshold), "{found:?}");
        assert_eq!(found.false_alarms, 1.0);
        // Alarms without end: no threshold is above one half.
        assert_eq!(threshold(2, |bound| bound, simulate, (6, 3), 100.0).0.threshold, GREATEST_THRESHOLD);
        // A bound that is too low at first is raised.
        let (low, bound) = threshold(2, |bound| bound, simulate, (6_000_000, 3), 1.2);
        assert!(low.threshold > 0.01 && low.false_alarms == 1.0 && bound > low.threshold, "{low:?} {bound}");
    }

    #[test]
    fn drawn_counts_have_their_mean_variance_and_none() {
        for (mean, dispersion) in [(0.02, 1.0), (0.4, 1.8), (6.0, 1.0), (9.0, 3.0), (3.0, 40.0), (40.0, 2.0)]
        {
            let mut rng = stream(5, 0);
            let n = 100_000;
            let mut counting = CountLaw::new(dispersion).counting(&mut rng);
            let drawn: Vec<f64> = (0..n).map(|_| counting.next(mean) as f64).collect();
            let found = drawn.iter().sum::<f64>() / n as f64;
            let variance = drawn.iter().map(|drawn| (drawn - found).powi(2)).sum::<f64>() / n as f64;
            // Five standard errors of the mean; the variance of a heavy tail settles more slowly.
            let error = (mean * dispersion / n as f64).sqrt();
            assert!((found - mean).abs() < 5.0 * error, "{mean} {dispersion}: {found}");
            assert!((variance / (mean * dispersion) - 1.0).abs() < 0.15, "{mean} {dispersion}: {variance}");
            for count in [0u32, 1, 4] {
                let more =
                    drawn.iter().filter(|drawn| **drawn >= f64::from(count) + 1.0).count() as f64 / n as f64;
                let exact = predictive::at_least(u64::from(count) + 1, mean, dispersion);
                let error = (exact * (1.0 - exact) / n as f64).sqrt();
                assert!(
                    (more - exact).abs() < 5.0 * error + 1e-4,
                    "{mean} {dispersion} {count}: {more} {exact}"
                );
            }
            // Neighbouring counts have nothing to do with each other.
            let pairs = drawn.windows(2).map(|pair| (pair[0] - found) * (pair[1] - found)).sum::<f64>();
            assert!((pairs / n as f64 / variance).abs() < 5.0 / f64::from(n).sqrt(), "{mean} {dispersion}");
        }
    }
}
