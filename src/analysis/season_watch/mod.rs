//! This season against what former years lead to expect, with a stated number of false alarms.
//!
//! For every unit and week the posterior predictive of former years says how many encounters to expect: Poisson or
//! negative binomial counts, mixed over draws of rate, walking, season and a factor of the year. Each week a scan looks
//! back over the last one to k weeks of every unit, and of all together. Its threshold is set by whole seasons simulated
//! from the same predictive, weeks to come included, so that the expected number of false alarms in a season, over all
//! units and all weeks in which somebody looks, is the one asked for. Looking at every unit every week at a p-value of
//! 0.05 gives dozens; a threshold for the weeks so far, set anew at every look, gives several.
//!
//! # References
//! Kulldorff, M. (2001). Prospective time periodic geographical disease surveillance using a scan statistic. *Journal of
//! the Royal Statistical Society A* 164, 61-72: the scan, and a threshold that allows for every look. Farrington, C. P. and
//! others (1996). A statistical algorithm for the early detection of outbreaks of infectious disease. *Journal of the Royal
//! Statistical Society A* 159, 547-563: expectation from the same weeks of former years, overdispersed.

mod scan;
mod variation;

pub use variation::{FormerWeek, Variation, former_variation};

use rayon::prelude::*;

use crate::analysis::forecast::predictive;
use crate::analysis::random::{seed_of, stream};
use crate::analysis::season_watch::scan::Bounds;
use crate::analysis::season_watch::scan::CountLaw;
use crate::analysis::season_watch::scan::Scan;
use crate::analysis::season_watch::scan::Threshold;

/// Weeks of units that are simulated at most, over all simulated seasons.
const MOST_CELLS: usize = 40_000_000;
/// Seasons that are simulated however many units there are.
const FEWEST_SIMULATIONS: usize = 100;

/// What a season is watched against.
#[derive(Debug, Clone, Copy)]
pub struct WatchInput<'a> {
    /// Number of units.
    pub n_units: usize,
    /// Number of weeks of the whole season, oldest first, those to come included.
    pub n_weeks: usize,
    /// The weeks so far, at least one: the first of the season.
    pub n_seen: usize,
    /// Encounters of the weeks so far, index `unit * n_seen + week`.
    pub observed: &'a [u64],
    /// What is expected of the whole season.
    pub expected: &'a Expectation,
}

/// Draws of expected encounters: the level of each unit times the course of the season that it follows. Written out they would
/// take as many numbers as there are draws, units and weeks together.
#[derive(Debug, Clone, PartialEq)]
pub struct Expectation {
    /// Level of a unit in a draw, `draw * n_units + unit`; zero in every draw where nobody walks.
    pub level: Vec<f64>,
    /// How many courses of the season there are.
    pub n_curves: usize,
    /// By week, `(draw * n_curves + curve) * n_weeks + week`.
    pub curves: Vec<f64>,
    /// The courses that each unit follows, with the share of each; empty where all follow the first.
    pub shares: Vec<Vec<(usize, f64)>>,
}

impl Expectation {
    fn shares_of(&self, unit: usize) -> &[(usize, f64)] {
        self.shares.get(unit).map_or(&[(0, 1.0)], Vec::as_slice)
    }

    /// Tells what is expected of a unit in a draw, times a factor, week by week.
    fn each_week(
        &self,
        (draw, n_units, n_weeks): (usize, usize, usize),
        (unit, factor): (usize, f64),
        mut tell: impl FnMut(usize, f64),
    ) {
        let level = self.level[draw * n_units + unit] * factor;
        let of_draw = &self.curves[draw * self.n_curves * n_weeks..][..self.n_curves * n_weeks];
        let of_curve = |curve: usize| &of_draw[curve * n_weeks..][..n_weeks];
        match self.shares_of(unit) {
            [(curve, share)] => {
                let all = of_curve(*curve).iter().enumerate();
                all.for_each(|(week, mean)| tell(week, level * share * mean));
            }
            shares => (0..n_weeks).for_each(|week| {
                let mean: f64 = shares.iter().map(|(curve, share)| share * of_curve(*curve)[week]).sum();
                tell(week, level * mean);
            }),
        }
    }
}

/// How a season is watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WatchParams {
    /// Variance of weekly counts over their mean beyond the factor of the year, at least one.
    pub dispersion: f64,
    /// Coefficient of variation of the factor that a whole year differs by, at least zero.
    pub year_variation: f64,
    /// Longest window looked back on, weeks; at least one.
    pub longest_window: usize,
    /// False alarms to be expected in the whole season, over all units together; more than zero.
    pub false_alarms: f64,
    /// Simulated seasons that set the threshold: fewer, down to a hundred, where there are over 40,000 weeks of units to
    /// simulate in each.
    pub n_simulations: usize,
    /// Seed of year factors and simulated seasons.
    pub seed: u64,
}

impl Default for WatchParams {
    fn default() -> Self {
        Self {
            dispersion: 1.0,
            year_variation: 0.0,
            longest_window: 4,
            false_alarms: 1.0,
            n_simulations: 1000,
            seed: 1,
        }
    }
}

/// Whom an alarm or a week is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Watched {
    /// One unit.
    Unit(usize),
    /// All units together.
    All,
}

/// One week of one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WeekState {
    /// Nobody walks: nothing can be expected, whatever was observed.
    NoExposure {
        /// Encounters.
        observed: u64,
    },
    /// Something can be expected.
    Expected {
        /// Encounters.
        observed: u64,
        /// Mean of the predictive.
        expected: f64,
        /// Limits that hold the count of 95 in 100 such weeks.
        limits: (u64, u64),
        /// Probability of as many or more.
        tail: f64,
    },
}

/// Weeks that stand out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alarm {
    /// Whom it is about.
    pub watched: Watched,
    /// First week of the window that stands out most.
    pub first_week: usize,
    /// Its last week.
    pub last_week: usize,
    /// Encounters in the window.
    pub observed: u64,
    /// Mean of the predictive for the window.
    pub expected: f64,
    /// Limits that hold the count of 95 in 100 such windows.
    pub limits: (u64, u64),
    /// Probability of as many or more in this window, exact over the draws.
    pub tail: f64,
    /// The first week in which the scan called it: what a reader would have known then, but for what has since become
    /// known of that week and of the walking in it.
    pub called_week: usize,
    /// The last week in which it still stood out.
    pub until_week: usize,
}

/// What the watch says.
#[derive(Debug, Clone, PartialEq)]
pub struct Watch {
    /// Weeks so far of each unit, index `unit * n_seen + week`.
    pub weeks: Vec<WeekState>,
    /// Weeks so far of all units together.
    pub all: Vec<WeekState>,
    /// What stands out, smallest tail first.
    pub alarms: Vec<Alarm>,
    /// A window is called when its tail is at most this.
    pub threshold: f64,
    /// False alarms to be expected in the whole season at that threshold, as simulated: at most what was asked for.
    pub false_alarms: f64,
    /// Standard error of the simulation.
    pub false_alarms_error: f64,
}

/// What was wrong with the input.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum WatchError {
    /// Counts or expectations do not match units and weeks, or there are none.
    #[error("{0} do not match units and weeks")]
    Shape(&'static str),
    /// A number is out of range.
    #[error("{name} is {value}, which is out of range")]
    Value {
        /// Which number.
        name: &'static str,
        /// Its value.
        value: f64,
    },
}

/// Watches a season.
///
/// Draw `i` of the year factor uses stream `i` of the seed, simulated season `j` stream `n_draws + j`.
///
/// # Errors
/// [`WatchError`] when shapes differ or a number is out of range.
pub fn watch(input: &WatchInput<'_>, params: &WatchParams) -> Result<Watch, WatchError> {
    let n_draws = check(input, params)?;
    let expected = Expected::new(input, n_draws, params);
    let observed = observed_with_all(input);
    let scan = Scan::new(&expected, params);
    let (seed, law) = (seed_of(params.seed, "season watch"), CountLaw::new(params.dispersion));
    let simulate = |season: usize, bounds: &Bounds| {
        let mut rng = stream(seed, (n_draws + season) as u64);
        scan.small_tails(&scan.simulate(&expected, season % n_draws, &law, &mut rng), bounds)
    };
    let n_cells = expected.n_watched() * input.n_weeks;
    let n_simulations = n_simulations(params.n_simulations, n_cells);
    let bounds = |at_most: f64| scan.bounds(at_most);
    let (found, bounds) =
        scan::threshold(n_simulations, bounds, simulate, (n_cells, input.n_weeks), params.false_alarms);
    let Threshold { threshold, false_alarms, standard_error } = found;
    let predictive = Predictive { expected: &expected, params };
    let states = |watched: usize| -> Vec<WeekState> {
        (0..input.n_seen).map(|week| scan.state(&observed, watched, week)).collect()
    };
    let weeks = (0..input.n_units).into_par_iter().flat_map_iter(states).collect();
    let mut standing_out = scan.small_tails(&observed, &bounds);
    standing_out.retain(|(row, tail)| row % input.n_weeks < input.n_seen && *tail <= threshold);
    let mut alarms: Vec<Alarm> =
        scan.runs(&standing_out).into_iter().map(|run| predictive.alarm(&scan, &observed, run)).collect();
    alarms.sort_by(|a, b| a.tail.total_cmp(&b.tail));
    Ok(Watch {
        weeks,
        all: states(input.n_units),
        alarms,
        threshold,
        false_alarms,
        false_alarms_error: standard_error,
    })
}

/// As many as asked for, or fewer where a season has many weeks of many units: one season of them says much already.
fn n_simulations(asked: usize, n_cells: usize) -> usize {
    asked.min((MOST_CELLS / n_cells.max(1)).max(FEWEST_SIMULATIONS))
}

/// Expectations times the factor of the year of their draw, with all units together as one more.
struct Expected<'a> {
    input: &'a WatchInput<'a>,
    /// One a draw.
    factors: Vec<f64>,
    /// Draw by draw, a week each.
    all: Vec<f64>,
}

impl<'a> Expected<'a> {
    fn new(input: &'a WatchInput<'a>, n_draws: usize, params: &WatchParams) -> Self {
        let seed = seed_of(params.seed, "season watch");
        let factor =
            |draw: usize| variation::year_factor(params.year_variation, &mut stream(seed, draw as u64));
        let factors: Vec<f64> = (0..n_draws).map(factor).collect();
        let mut all = vec![0.0; n_draws * input.n_weeks];
        let shape = |draw: usize| (draw, input.n_units, input.n_weeks);
        all.par_chunks_exact_mut(input.n_weeks).zip(&factors).enumerate().for_each(
            |(draw, (all, factor))| {
                for unit in 0..input.n_units {
                    input.expected.each_week(shape(draw), (unit, *factor), |week, mean| all[week] += mean);
                }
            },
        );
        Self { input, factors, all }
    }

    fn n_watched(&self) -> usize {
        self.input.n_units + 1
    }

    fn n_draws(&self) -> usize {
        self.factors.len()
    }

    /// Tells the weeks of one draw of a unit, or of all units for the unit after the last.
    fn each_week(&self, draw: usize, watched: usize, mut tell: impl FnMut(usize, f64)) {
        let WatchInput { n_units, n_weeks, expected, .. } = *self.input;
        if watched < n_units {
            expected.each_week((draw, n_units, n_weeks), (watched, self.factors[draw]), tell);
        } else {
            let all = self.all[draw * n_weeks..][..n_weeks].iter().enumerate();
            all.for_each(|(week, mean)| tell(week, *mean));
        }
    }
}

/// The predictive of every window, exact over the draws.
struct Predictive<'a> {
    expected: &'a Expected<'a>,
    params: &'a WatchParams,
}

impl Predictive<'_> {
    fn alarm(&self, scan: &Scan, observed: &[u64], run: scan::Run) -> Alarm {
        let (first_week, last_week) = scan.strongest(observed, &run);
        let of_window = |draw: usize| {
            let mut sum = 0.0;
            self.expected.each_week(draw, run.watched, |week, mean| {
                sum += if (first_week..=last_week).contains(&week) { mean } else { 0.0 };
            });
            sum
        };
        let means: Vec<f64> = (0..self.expected.n_draws()).map(of_window).collect();
        let row = run.watched * self.expected.input.n_weeks;
        let observed: u64 = observed[row + first_week..=row + last_week].iter().sum();
        let (dispersion, n_units) = (self.params.dispersion, self.expected.input.n_units);
        Alarm {
            watched: if run.watched == n_units { Watched::All } else { Watched::Unit(run.watched) },
            first_week,
            last_week,
            observed,
            expected: means.iter().sum::<f64>() / means.len() as f64,
            limits: predictive::limits(&means, dispersion, 0.95),
            tail: predictive::mixed_at_least(observed, &means, dispersion),
            called_week: run.first_week,
            until_week: run.last_week,
        }
    }
}

/// Encounters by unit and week of the whole season, none in the weeks to come, and last all units together.
fn observed_with_all(input: &WatchInput<'_>) -> Vec<u64> {
    let mut observed = vec![0; (input.n_units + 1) * input.n_weeks];
    let (units, all) = observed.split_at_mut(input.n_units * input.n_weeks);
    for (whole, seen) in units.chunks_exact_mut(input.n_weeks).zip(input.observed.chunks_exact(input.n_seen))
    {
        whole[..input.n_seen].copy_from_slice(seen);
        all.iter_mut().zip(seen).for_each(|(sum, count)| *sum += count);
    }
    observed
}

fn check(input: &WatchInput<'_>, params: &WatchParams) -> Result<usize, WatchError> {
    let is_seen = (1..=input.n_weeks).contains(&input.n_seen);
    if input.n_units == 0 || !is_seen || input.observed.len() != input.n_units * input.n_seen {
        return Err(WatchError::Shape("the counts"));
    }
    let Expectation { level, n_curves, curves, shares } = input.expected;
    let n_draws = level.len() / input.n_units;
    let is_whole = n_draws > 0
        && level.len() == n_draws * input.n_units
        && curves.len() == n_draws * n_curves * input.n_weeks
        && (shares.is_empty() && *n_curves > 0 || shares.len() == input.n_units)
        && shares.iter().flatten().all(|(curve, _)| curve < n_curves);
    if !is_whole {
        return Err(WatchError::Shape("the expectations"));
    }
    let bad = |name, value| Err(WatchError::Value { name, value });
    let of_shares = shares.iter().flatten().map(|(_, share)| share);
    if let Some(value) =
        level.iter().chain(curves).chain(of_shares).find(|value| !(value.is_finite() && **value >= 0.0))
    {
        return bad("an expectation", *value);
    }
    if !(params.dispersion.is_finite() && params.dispersion >= 1.0) {
        return bad("the dispersion", params.dispersion);
    }
    if !(params.year_variation.is_finite() && params.year_variation >= 0.0) {
        return bad("the variation between years", params.year_variation);
    }
    if params.longest_window == 0 {
        return bad("the longest window", 0.0);
    }
    if !(params.false_alarms.is_finite() && params.false_alarms > 0.0) {
        return bad("the number of false alarms", params.false_alarms);
    }
    if params.n_simulations == 0 {
        return bad("the number of simulated seasons", 0.0);
    }
    Ok(n_draws)
}

#[cfg(test)]
mod tests;
