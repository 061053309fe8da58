//! Records whose time is only partly known, allocated several times over by the fitted curve.
//!
//! Each of m imputations draws the curve's coefficients, allots every partly known record to one of the cells it may
//! belong to, with chances in proportion to the cell's exposure times the drawn rate, and fits again, a few times over
//! (data augmentation: Tanner, M. A. & Wong, W. H. (1987). *Journal of the American Statistical Association* 82,
//! 528-540). The m fits are combined by Rubin, D. B. (1987). *Multiple Imputation for Nonresponse in Surveys*, section
//! 3.1.

use crate::analysis::random::Stream;
use crate::analysis::random::stream;
use crate::analysis::season::Cells;
use crate::analysis::season::HOURS;
use crate::analysis::season::LikelihoodRatio;
use crate::analysis::season::PoissonFit;
use crate::analysis::season::SeasonError;
use crate::analysis::season::frame::Frame;
use crate::analysis::season::frame::Records;
use crate::analysis::season::model::Model;
use nalgebra::Cholesky;
use nalgebra::DMatrix;
use nalgebra::DVector;
use rand::RngExt;
use rand_distr::Distribution;
use rand_distr::StandardNormal;
use statrs::distribution::ContinuousCDF;
use statrs::distribution::FisherSnedecor;
use std::ops::Range;

/// Times that curve and records are drawn in turn before an imputation is kept.
const CYCLES: usize = 5;
/// Keeps the streams of imputations apart from those of the curve's draws.
const IMPUTATION_SALT: u64 = 0x5ea5_0000_1387_0001;

/// A set of local hours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct HourSet(u32);

impl HourSet {
    /// All 24 hours: the time of day is unknown.
    pub const ALL: Self = Self((1 << HOURS) - 1);

    /// The hours from `first` to `last`, both included and taken modulo 24; wraps past midnight when `last < first`.
    pub fn between(first: usize, last: usize) -> Self {
        let (first, last) = (first % HOURS, last % HOURS);
        let length = (last + HOURS - first) % HOURS;
        Self((0..=length).fold(0, |set, step| set | 1 << ((first + step) % HOURS)))
    }

    /// Whether the set holds an hour.
    pub fn contains(self, hour: usize) -> bool {
        hour < HOURS && self.0 & (1 << hour) != 0
    }
}

/// An encounter whose period or hour is only partly known: a date without a time, a month without a day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartialRecord {
    /// The segment group.
    pub group: usize,
    /// Positions of the periods it may belong to.
    pub periods: Range<usize>,
    /// The hours it may belong to.
    pub hours: HourSet,
}

/// A partly known record none of whose cells has exposure; left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UnplacedRecord {
    /// Its position in the input.
    pub record: usize,
}

/// What allocating records did to the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct ImputationSummary {
    /// Number of imputations combined.
    pub n_imputations: usize,
    /// Partly known records allocated.
    pub n_allocated: usize,
    /// For each coefficient the share of its variance that comes from not knowing times and exposure, in [0, 1].
    pub missing_shares: Vec<f64>,
}

pub(super) fn check(cells: &Cells, partial: &[PartialRecord]) -> Result<(), SeasonError> {
    for (index, record) in partial.iter().enumerate() {
        if record.group >= cells.group_levels.len() {
            return Err(SeasonError::Index { what: "group of record", index, value: record.group });
        }
        if record.periods.end > cells.periods.len() {
            return Err(SeasonError::Index {
                what: "period of record",
                index,
                value: record.periods.end - 1,
            });
        }
    }
    Ok(())
}

/// Splits records into those that have a cell with exposure, in a year that takes part, and those that have none.
pub(super) fn place(
    cells: &Cells,
    partial: &[PartialRecord],
    takes_part: impl Fn(i32) -> bool,
) -> (Vec<PartialRecord>, Vec<UnplacedRecord>) {
    let (mut placed, mut unplaced) = (Vec::new(), Vec::new());
    for (index, record) in partial.iter().enumerate() {
        let possible = cells_of(record).any(|(period, hour)| {
            takes_part(cells.periods[period].year)
                && cells.exposure[cells.index(record.group, period, hour)] > 0.0
        });
        if possible {
            placed.push(record.clone());
        } else {
            unplaced.push(UnplacedRecord { record: index });
        }
    }
    (placed, unplaced)
}

pub(super) fn cells_of(record: &PartialRecord) -> impl Iterator<Item = (usize, usize)> {
    let hours = record.hours;
    record
        .periods
        .clone()
        .flat_map(|period| (0..HOURS).map(move |hour| (period, hour)))
        .filter(move |&(_, hour)| hours.contains(hour))
}

/// What an imputation needs.
pub(super) struct Imputer<'a> {
    pub(super) frame: &'a Frame<'a>,
    pub(super) records: &'a Records,
    /// Counts by unit of the records whose time is known.
    pub(super) known: &'a [u32],
    pub(super) partial: &'a [PartialRecord],
    pub(super) seed: u64,
}

impl Imputer<'_> {
    /// Counts by unit with every partly known record allotted: imputation number `index`.
    pub(super) fn impute(&self, index: usize) -> Result<Vec<u32>, SeasonError> {
        let mut rng = stream(self.seed ^ IMPUTATION_SALT, index as u64);
        // The records of known time give the first curve; without any the exposure alone does.
        let mut counts = self.allot(&self.draw_rates(self.known, &mut rng)?, &mut rng);
        for _ in 1..CYCLES {
            counts = self.allot(&self.draw_rates(&counts, &mut rng)?, &mut rng);
        }
        Ok(counts)
    }

    /// Rates by level, period and hour, up to a constant, drawn from the richest model that the counts support.
    fn draw_rates(&self, counts: &[u32], rng: &mut Stream) -> Result<Vec<f64>, SeasonError> {
        let Some((model, fit)) = self.frame.richest(counts)? else {
            let cells = self.frame.cells;
            return Ok(vec![1.0; cells.n_levels() * cells.periods.len() * HOURS]);
        };
        let scale = fit.dispersion().unwrap_or(1.0).max(1.0);
        let coefficients = match Sampler::new(&fit.coefficients, &fit.covariance * scale) {
            Some(sampler) => sampler.draw(rng),
            None => fit.coefficients,
        };
        Ok(self.rates(&model, &coefficients))
    }

    fn rates(&self, model: &Model, coefficients: &[f64]) -> Vec<f64> {
        let hours: Vec<f64> =
            (0..HOURS).map(|hour| model.hour_log(coefficients, hour as f64 + 0.5).exp()).collect();
        let mut rates = Vec::new();
        for level in 0..self.frame.cells.n_levels() {
            for period in 0..self.frame.cells.periods.len() {
                let row = self.frame.row_log(model, coefficients, level, period).exp();
                rates.extend(hours.iter().map(|hour| row * hour));
            }
        }
        rates
    }

    fn allot(&self, rates: &[f64], rng: &mut Stream) -> Vec<u32> {
        let cells = self.frame.cells;
        let n_periods = cells.periods.len();
        let mut counts = self.known.to_vec();
        let mut cumulative = Vec::new();
        for record in self.partial {
            let level = cells.group_levels[record.group];
            let unit = self.frame.units.of_group[record.group];
            cumulative.clear();
            let mut total = 0.0;
            for (period, hour) in cells_of(record).filter(|&(period, _)| self.takes_part(period)) {
                let exposure = cells.exposure[cells.index(record.group, period, hour)];
                total += exposure * rates[(level * n_periods + period) * HOURS + hour];
                cumulative.push((total, (unit * n_periods + period) * HOURS + hour));
            }
            let target = rng.random::<f64>() * total;
            // The first sum above the target belongs to a cell with exposure, as the sum grew there.
            let chosen = cumulative.partition_point(|&(sum, _)| sum <= target);
            if let Some(&(_, cell)) = cumulative.get(chosen) {
                counts[cell] += 1;
            }
        }
        counts
    }

    fn takes_part(&self, period: usize) -> bool {
        self.records.has_year(self.frame.cells.periods[period].year)
    }
}

/// A multivariate normal from which coefficients are drawn.
pub(super) struct Sampler {
    mean: DVector<f64>,
    factor: DMatrix<f64>,
}

impl Sampler {
    /// `None` when the covariance is not positive definite.
    pub(super) fn new(mean: &[f64], covariance: DMatrix<f64>) -> Option<Self> {
        Some(Self { mean: DVector::from_row_slice(mean), factor: Cholesky::new(covariance)?.l() })
    }

    pub(super) fn draw(&self, rng: &mut Stream) -> Vec<f64> {
        let normal = DVector::from_fn(self.mean.len(), |_, _| StandardNormal.sample(rng));
        (&self.mean + &self.factor * normal).as_slice().to_vec()
    }
}

/// Several fits of one model combined.
pub(super) struct Pooled {
    pub(super) coefficients: Vec<f64>,
    /// Scaled by the dispersion; within plus between imputations.
    pub(super) covariance: DMatrix<f64>,
    pub(super) missing_shares: Vec<f64>,
}

/// Rubin's rules: the total covariance is the mean within plus (1 + 1/m) times that between imputations.
pub(super) fn pool(fits: &[PoissonFit], dispersion: f64) -> Pooled {
    let m = fits.len() as f64;
    let k = fits.first().map_or(0, |fit| fit.coefficients.len());
    let mut mean = DVector::zeros(k);
    let mut within = DMatrix::zeros(k, k);
    for fit in fits {
        mean += DVector::from_row_slice(&fit.coefficients) / m;
        within += &fit.covariance * (dispersion / m);
    }
    let mut between = DMatrix::zeros(k, k);
    for fit in fits {
        let gap = DVector::from_row_slice(&fit.coefficients) - &mean;
        between += &gap * gap.transpose() / (m - 1.0).max(1.0);
    }
    between *= 1.0 + 1.0 / m;
    let covariance = &within + &between;
    let missing_shares = (0..k).map(|i| between[(i, i)] / covariance[(i, i)]).collect();
    Pooled { coefficients: mean.as_slice().to_vec(), covariance, missing_shares }
}

/// Combines the same likelihood-ratio test over imputations.
///
/// The statistic D2 of Li, K. H., Meng, X. L., Raghunathan, T. E. & Rubin, D. B. (1991). Significance levels from
/// repeated p-values with multiply-imputed data. *Statistica Sinica* 1, 65-92. One test is returned as it is; none give
/// `None`.
pub(super) fn pool_tests(tests: &[LikelihoodRatio]) -> Option<LikelihoodRatio> {
    let [first, rest @ ..] = tests else { return None };
    if rest.is_empty() {
        return Some(*first);
    }
    let (m, k) = (tests.len() as f64, first.degrees_of_freedom);
    let mean = tests.iter().map(|test| test.statistic).sum::<f64>() / m;
    let mean_root = tests.iter().map(|test| test.statistic.sqrt()).sum::<f64>() / m;
    let spread =
        tests.iter().map(|test| (test.statistic.sqrt() - mean_root).powi(2)).sum::<f64>() / (m - 1.0);
    let r = (1.0 + 1.0 / m) * spread;
    let d2 = ((mean / k - (m + 1.0) / (m - 1.0) * r) / (1.0 + r)).max(0.0);
    // Without spread the imputations agree and the law is chi-squared over k: F with a large denominator.
    let denominator = (k.powf(-3.0 / m) * (m - 1.0) * (1.0 + 1.0 / r.max(1e-9)).powi(2)).min(1e7);
    let p_value = FisherSnedecor::new(k, denominator).ok()?.sf(d2);
    Some(LikelihoodRatio { statistic: d2 * k, degrees_of_freedom: k, p_value })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hour_sets_wrap_past_midnight() {
        let night = HourSet::between(20, 5);
        assert!(night.contains(23) && night.contains(0) && night.contains(20) && night.contains(5));
        assert!(!night.contains(6) && !night.contains(19) && !night.contains(24));
        assert!((0..24).all(|hour| HourSet::ALL.contains(hour)));
        assert!((0..24).all(|hour| HourSet::between(7, 7).contains(hour) == (hour == 7)));
    }

    /// Two fits of one coefficient: means 1 and 2, variances 0.1 and 0.3. Within 0.2, between 0.5, total 0.2 + 1.5 * 0.5.
    #[test]
    fn rubins_rules_by_hand() {
        let fit = |coefficient: f64, variance: f64| PoissonFit {
            coefficients: vec![coefficient],
            covariance: DMatrix::from_element(1, 1, variance),
            log_likelihood: 0.0,
            deviance: 0.0,
            null_deviance: 0.0,
            pearson: 0.0,
            mean_ratio: 1.0,
            n_cells: 3,
            n_free_levels: 0,
        };
        let pooled = pool(&[fit(1.0, 0.1), fit(2.0, 0.3)], 1.0);
        assert!((pooled.coefficients[0] - 1.5).abs() < 1e-12);
        assert!((pooled.covariance[(0, 0)] - 0.95).abs() < 1e-12);
        assert!((pooled.missing_shares[0] - 0.75 / 0.95).abs() < 1e-12);
    }

    #[test]
    fn agreeing_tests_pool_to_themselves() {
        let test = LikelihoodRatio { statistic: 9.0, degrees_of_freedom: 4.0, p_value: 0.061_099 };
        let pooled = pool_tests(&[test; 5]).unwrap();
        assert!((pooled.statistic - 9.0).abs() < 1e-6);
        assert!((pooled.p_value - test.p_value).abs() < 1e-4, "{}", pooled.p_value);
        assert_eq!(pool_tests(&[]), None);
        assert_eq!(pool_tests(&[test]), Some(test));
    }
}
