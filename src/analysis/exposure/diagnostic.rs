//! Counted against expected at every counter site, month by month and by the hours of the day.
//!
//! A posterior predictive check (Gelman, Meng & Stern 1996, *Statistica Sinica* 6, 733): every draw of the field says what
//! each device should have counted in the hours it was there. Around that a replicated count varies with the dispersion
//! of the site's daily counts and with what the model is said to get wrong at a counter (`model_log_sd`), in each cell
//! anew. One time profile holds for all trailheads, so a site whose months or hours differ from the pooled ones stands
//! out here although its total may fit. The counts have served the fit already: the check is conservative, p-values
//! of a model that is right are nearer to a half than uniform ones (Bayarri & Berger 2000, *JASA* 95, 1127).
//!
//! For that reason no such check sees a level that is off: volumes and habits bend until a count that is too high
//! throughout fits as well as the rest. Levels are checked by leaving a site out: its whole count against what the prior and
//! all other sites expect there ([`LevelCheck`]).

use rand_distr::{Distribution, Gamma, Poisson, StandardNormal};
use rayon::prelude::*;

use crate::analysis::counts::trend::chi_squared_tail;
use crate::analysis::exposure::fit::LeftOut;
use crate::analysis::exposure::model::Observation;
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::profile::TimeProfile;
use crate::analysis::exposure::readings::CounterSite;
use crate::analysis::exposure::summary::DrawSummary;
use crate::analysis::exposure::tables::Tables;
use crate::analysis::exposure::time::{HOURS, TimeCells, YearMonth};
use crate::analysis::random::{Stream, stream};

/// Hours in one part of the day.
pub const PART_HOURS: usize = 4;
const N_PARTS: usize = HOURS / PART_HOURS;
/// Replicated counts for each draw of the field.
const N_REPLICATES: usize = 10;
/// Keeps these draws apart from those of the field.
const CHECK_SEED: u64 = 0x6368_6563;
/// Sites are flagged at this level, over all sites and both kinds of period together.
pub const FLAG_LEVEL: f64 = 0.05;

/// How the model meets the counts of one site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteCheck {
    /// The series, an index into [`crate::analysis::exposure::ExposureField::counters`].
    pub series: usize,
    /// The counter.
    pub counter: usize,
    /// Where it stood.
    pub site: CounterSite,
    /// Pearson dispersion of its daily counts.
    pub dispersion: f64,
    /// All of its counts.
    pub whole: CellCheck,
    /// By month of the study period, months with readings only.
    pub months: Vec<(YearMonth, CellCheck)>,
    /// By part of the day of [`PART_HOURS`] hours: first hour and counts; empty where bins are longer than an hour.
    pub hours: Vec<(usize, CellCheck)>,
    /// Whether the months differ from what the model expects; one month says nothing.
    pub months_test: PeriodTest,
    /// Whether the hours do.
    pub hours_test: PeriodTest,
    /// Its whole count against what all other sites expect.
    pub level: LevelCheck,
}

/// The whole count of a site against what the prior and all other sites expect there: the site itself is left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelCheck {
    /// Median of what the device should have counted.
    pub expected: f64,
    /// Lower limit of the 95 % predictive interval: as wide as the others leave it.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Log of counted over expected, over its standard deviation.
    pub residual: f64,
    /// The two-sided test of the residual.
    pub test: PeriodTest,
}

/// What was counted in one period against what the model expects.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellCheck {
    /// Passages the device counted.
    pub observed: f64,
    /// Mean of what it should have counted.
    pub expected: f64,
    /// Lower limit of the 95 % predictive interval.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Observed less expected over the standard deviation of replicated counts; positive where more were counted.
    pub residual: f64,
}

impl CellCheck {
    /// Whether the count lies outside its predictive interval.
    pub fn is_outside(&self) -> bool {
        self.observed < self.lower || self.observed > self.upper
    }
}

/// The test of all periods of a site together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PeriodTest {
    /// Fewer than two periods with readings.
    NotTested,
    /// The test.
    Tested {
        /// `(1 + extreme) / (1 + replicates)` of the summed squared departures; of a level, from the normal distribution.
        p_value: f64,
        /// The same after Holm over all sites, kinds of period and levels.
        adjusted: f64,
    },
}

impl PeriodTest {
    /// Whether it is below [`FLAG_LEVEL`] after correction for the number of tests.
    pub fn is_flagged(&self) -> bool {
        matches!(self, Self::Tested { adjusted, .. } if *adjusted <= FLAG_LEVEL)
    }
}

impl SiteCheck {
    /// Whether this site's months, hours or level are not those of the model.
    pub fn is_flagged(&self) -> bool {
        self.months_test.is_flagged() || self.hours_test.is_flagged() || self.level.test.is_flagged()
    }
}

impl LevelCheck {
    /// From a count and what all others say of it.
    fn of(count: f64, others: &LeftOut) -> Self {
        // Counts and expectations have half a passage added, as in the fit.
        let at = |sds: f64| ((count + 0.5) * (sds * others.log_sd - others.log_ratio).exp() - 0.5).max(0.0);
        let residual = others.log_ratio / others.log_sd;
        let p_value = chi_squared_tail(residual * residual);
        Self {
            expected: at(0.0),
            lower: at(-NORMAL_95),
            upper: at(NORMAL_95),
            residual,
            test: PeriodTest::Tested { p_value, adjusted: p_value },
        }
    }
}

/// Standard deviations on either side that hold 95 % of a normal distribution.
const NORMAL_95: f64 = 1.959_964;

/// Shares of the study period's walkers that each series was there to count, by period: `[series][period]`, the months
/// of the study period first, then the parts of the day.
pub(crate) type PeriodShares = Vec<Vec<f64>>;

/// Shares by period under one profile.
pub(crate) fn period_shares(profile: &TimeProfile, cells: &TimeCells, tables: &Tables) -> PeriodShares {
    let n_months = cells.year_months.len();
    let mut total = 0.0;
    for (month, days) in cells.days.iter().enumerate() {
        for (weekday, n_days) in days.iter().enumerate() {
            total += n_days * (0..HOURS).map(|hour| profile.rate(month, weekday, hour)).sum::<f64>();
        }
    }
    let of = |series: &crate::analysis::exposure::tables::SeriesTable| {
        let mut shares = vec![0.0; n_months + N_PARTS];
        for cell in series.used_cells() {
            let share = cell.hours * profile.rate(cell.month, cell.weekday, cell.hour) / total;
            shares[cell.month] += share;
            // A count split over hours by the profile cannot speak about hours.
            if !cell.split {
                shares[n_months + cell.hour / PART_HOURS] += share;
            }
        }
        shares
    };
    tables.series.iter().map(of).collect()
}

/// Passages counted by period, in the same order.
fn period_counts(n_months: usize, tables: &Tables) -> Vec<Vec<f64>> {
    let of = |series: &crate::analysis::exposure::tables::SeriesTable| {
        let mut counts = vec![0.0; n_months + N_PARTS];
        for cell in series.used_cells() {
            counts[cell.month] += cell.count;
            if !cell.split {
                counts[n_months + cell.hour / PART_HOURS] += cell.count;
            }
        }
        counts
    };
    tables.series.iter().map(of).collect()
}

/// What the draws of a field say of the sites.
pub(crate) struct Drawn<'a> {
    /// Device counts that each series would have over the whole study period: `[draw][series]`.
    pub(crate) whole: &'a [Vec<f64>],
    /// Shares by draw.
    pub(crate) shares: &'a [PeriodShares],
}

/// Checks every site that took part in the fit.
pub(crate) fn check_sites(
    observations: &[Observation],
    left_out: &[Option<LeftOut>],
    (tables, cells): (&Tables, &TimeCells),
    drawn: &Drawn<'_>,
    params: &ExposureParams,
) -> Vec<SiteCheck> {
    let n_months = cells.year_months.len();
    let counts = period_counts(n_months, tables);
    let used: Vec<(usize, LeftOut)> =
        left_out.iter().enumerate().filter_map(|(series, others)| Some((series, (*others)?))).collect();
    let mut checks: Vec<SiteCheck> = used
        .into_par_iter()
        .map(|(series, others)| {
            let seen = &observations[series];
            let site = Site { series, seen, counts: &counts[series], drawn, params };
            let months: Vec<usize> = (0..n_months).filter(|period| site.is_covered(*period)).collect();
            let parts = n_months..n_months + N_PARTS;
            let hours: Vec<usize> = parts.filter(|period| site.is_covered(*period)).collect();
            let (whole, _) = site.check(&[(0..n_months).collect()]);
            let each = |periods: &[usize]| -> Vec<Vec<usize>> { periods.iter().map(|p| vec![*p]).collect() };
            let (month_cells, months_test) = site.check(&each(&months));
            let (hour_cells, hours_test) = site.check(&each(&hours));
            SiteCheck {
                series,
                counter: seen.counter,
                site: seen.site,
                dispersion: seen.dispersion,
                whole: whole[0],
                months: months.iter().map(|month| cells.year_months[*month]).zip(month_cells).collect(),
                hours: hours.iter().map(|part| (part - n_months) * PART_HOURS).zip(hour_cells).collect(),
                months_test,
                hours_test,
                level: LevelCheck::of(seen.count, &others),
            }
        })
        .collect();
    adjust(&mut checks);
    checks
}

struct Site<'a> {
    series: usize,
    seen: &'a Observation,
    counts: &'a [f64],
    drawn: &'a Drawn<'a>,
    params: &'a ExposureParams,
}

impl Site<'_> {
    fn is_covered(&self, period: usize) -> bool {
        self.drawn.shares.first().is_some_and(|shares| shares[self.series][period] > 0.0)
    }

    /// What the device should have counted in some periods together, in one draw.
    fn expected(&self, draw: usize, periods: &[usize]) -> f64 {
        let shares = &self.drawn.shares[draw][self.series];
        self.drawn.whole[draw][self.series] * periods.iter().map(|period| shares[*period]).sum::<f64>()
    }

    /// Checks some cells, each of one or several periods, and all of them together.
    fn check(&self, cells: &[Vec<usize>]) -> (Vec<CellCheck>, PeriodTest) {
        let observed: Vec<f64> =
            cells.iter().map(|periods| periods.iter().map(|period| self.counts[*period]).sum()).collect();
        let n_draws = self.drawn.whole.len();
        let mut replicates = vec![Vec::with_capacity(n_draws * N_REPLICATES); cells.len()];
        let mut extreme = 0;
        for draw in 0..n_draws {
            let rng = &mut stream(self.params.seed ^ CHECK_SEED ^ ((self.series as u64) << 32), draw as u64);
            let expected: Vec<f64> = cells.iter().map(|periods| self.expected(draw, periods)).collect();
            let real = self.departure(&observed, &expected);
            for _ in 0..N_REPLICATES {
                let counts: Vec<f64> = expected.iter().map(|mean| self.replicate(*mean, rng)).collect();
                extreme += usize::from(self.departure(&counts, &expected) >= real);
                replicates.iter_mut().zip(counts).for_each(|(kept, count)| kept.push(count));
            }
        }
        let checks = observed.iter().zip(replicates).map(|(observed, kept)| cell(*observed, kept));
        let test = match cells.len() {
            0 | 1 => PeriodTest::NotTested,
            _ => {
                let p_value = (1 + extreme) as f64 / (1 + n_draws * N_REPLICATES) as f64;
                PeriodTest::Tested { p_value, adjusted: p_value }
            }
        };
        (checks.collect(), test)
    }

    /// Variance of a count about its expectation.
    fn variance(&self, mean: f64) -> f64 {
        self.seen.dispersion * mean + (self.params.model_log_sd * mean).powi(2)
    }

    /// Summed squared departures in standard deviations, the common level of the site taken out: a level that is off
    /// shows in the whole count, and need not make every month stand out.
    fn departure(&self, counts: &[f64], expected: &[f64]) -> f64 {
        let level = counts.iter().sum::<f64>() / expected.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        let pairs = counts.iter().zip(expected).filter(|(_, mean)| **mean > 0.0);
        pairs
            .map(|(count, mean)| (count - level * mean).powi(2) / self.variance((level * mean).max(0.5)))
            .sum()
    }

    /// A count that the device could have made: log-normal error of the model, then a dispersed Poisson count.
    fn replicate(&self, mean: f64, rng: &mut Stream) -> f64 {
        let sd = self.params.model_log_sd;
        let z: f64 = StandardNormal.sample(rng);
        let mean = mean * (sd * z - sd * sd / 2.0).exp();
        let beyond = self.seen.dispersion - 1.0;
        let rate = match Gamma::new(mean / beyond.max(1e-9), beyond) {
            // Gamma-mixed Poisson with variance dispersion × mean.
            Ok(gamma) if beyond > 1e-9 => gamma.sample(rng),
            _ => mean,
        };
        Poisson::new(rate).map_or(0.0, |poisson| poisson.sample(rng))
    }
}

fn cell(observed: f64, replicates: Vec<f64>) -> CellCheck {
    let n = replicates.len().max(1) as f64;
    let mean = replicates.iter().sum::<f64>() / n;
    let variance = replicates.iter().map(|count| (count - mean).powi(2)).sum::<f64>() / n;
    let summary = DrawSummary::of(replicates);
    // Where hardly anybody is expected, replicates may all be zero: half a passage keeps the residual finite.
    let residual = (observed - mean) / variance.sqrt().max(0.5);
    CellCheck { observed, expected: mean, lower: summary.lower, upper: summary.upper, residual }
}

/// Holm (1979, *Scandinavian Journal of Statistics* 6, 65) over all tests.
fn adjust(checks: &mut [SiteCheck]) {
    let tests = checks
        .iter_mut()
        .flat_map(|check| [&mut check.months_test, &mut check.hours_test, &mut check.level.test]);
    let mut tests: Vec<(f64, &mut f64)> = tests
        .filter_map(|test| match test {
            PeriodTest::NotTested => None,
            PeriodTest::Tested { p_value, adjusted } => Some((*p_value, adjusted)),
        })
        .collect();
    tests.sort_by(|a, b| a.0.total_cmp(&b.0));
    let n = tests.len();
    let mut highest: f64 = 0.0;
    for (rank, (p_value, adjusted)) in tests.into_iter().enumerate() {
        highest = highest.max(p_value * (n - rank) as f64).min(1.0);
        *adjusted = highest;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holm_over_all_sites() {
        let cell = CellCheck { observed: 1.0, expected: 1.0, lower: 0.0, upper: 3.0, residual: 0.0 };
        let test = |p_value| PeriodTest::Tested { p_value, adjusted: p_value };
        let site = |months, hours| SiteCheck {
            series: 0,
            counter: 0,
            site: CounterSite::Segment(0),
            dispersion: 1.0,
            whole: cell,
            months: Vec::new(),
            hours: Vec::new(),
            months_test: months,
            hours_test: hours,
            level: LevelCheck {
                expected: 1.0,
                lower: 0.0,
                upper: 3.0,
                residual: 0.0,
                test: PeriodTest::NotTested,
            },
        };
        let mut checks = [site(test(0.01), test(0.03)), site(test(0.02), PeriodTest::NotTested)];
        adjust(&mut checks);
        let adjusted = |test: PeriodTest| match test {
            PeriodTest::Tested { adjusted, .. } => adjusted,
            PeriodTest::NotTested => f64::MAX,
        };
        // 3 × 0.01, then 2 × 0.02, then the larger of 0.04 and 0.03.
        assert!((adjusted(checks[0].months_test) - 0.03).abs() < 1e-12);
        assert!((adjusted(checks[1].months_test) - 0.04).abs() < 1e-12);
        assert!((adjusted(checks[0].hours_test) - 0.04).abs() < 1e-12);
        assert!(checks[0].is_flagged() && !site(PeriodTest::NotTested, test(0.2)).is_flagged());
    }

    #[test]
    fn a_level_is_judged_by_how_much_the_others_know() {
        let level = |log_ratio: f64, log_sd: f64| LevelCheck::of(999.5, &LeftOut { log_ratio, log_sd });
        // Twice what the others expect, give or take a tenth; and give or take a factor of seven.
        let known = level(2f64.ln(), 0.1);
        assert!((known.expected - 499.5).abs() < 1e-9 && known.test.is_flagged());
        assert!((known.lower - (500.0 * (-0.195_996_4f64).exp() - 0.5)).abs() < 1e-6);
        assert!((known.upper - (500.0 * 0.195_996_4f64.exp() - 0.5)).abs() < 1e-6);
        let unknown = level(2f64.ln(), 1.0);
        assert!((unknown.residual - 2f64.ln()).abs() < 1e-12 && !unknown.test.is_flagged());
        // 1.96 standard deviations are the five in a hundred of the normal distribution.
        let PeriodTest::Tested { p_value, .. } = level(-0.195_996_4, 0.1).test else { panic!("not tested") };
        assert!((p_value - 0.05).abs() < 1e-6, "{p_value}");
        assert_eq!(level(20.0, 1.0).lower, 0.0, "no count is negative");
    }

    #[test]
    fn a_cell_says_where_the_count_lies() {
        let replicates: Vec<f64> = (0..1001).map(|idx| f64::from(idx % 101)).collect();
        let check = cell(150.0, replicates.clone());
        assert!(check.is_outside() && check.residual > 3.0);
        assert!(!cell(50.0, replicates).is_outside());
        assert!(cell(0.0, vec![0.0; 10]).residual.abs() < 1e-12);
    }
}
