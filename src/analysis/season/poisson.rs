//! Poisson regression on a table whose expected counts factorise into rows and columns.

use crate::analysis::season::SeasonError;
use crate::analysis::season::likelihood::Evaluation;
use crate::analysis::season::likelihood::Problem;
use nalgebra::Cholesky;
use nalgebra::DMatrix;
use nalgebra::DVector;
use statrs::distribution::ChiSquared;
use statrs::distribution::ContinuousCDF;
use statrs::function::gamma::ln_gamma;

const MAX_ITERATIONS: usize = 60;
/// Newton's decrement, in units of log-likelihood, at which the fit has converged.
const CONVERGED: f64 = 1e-11;
/// A standard error of a log rate that only a coefficient on its way to infinity has.
const SEPARATED_STANDARD_ERROR: f64 = 50.0;
/// Least share of a term's information that the other terms may leave.
const LEAST_PIVOT: f64 = 1e-9;

/// Counts and exposures in rows and columns, with the sums that every fit needs.
#[derive(Debug, Clone)]
pub struct Table<'a> {
    pub(super) exposure: &'a [f64],
    pub(super) n_columns: usize,
    pub(super) row_counts: Vec<f64>,
    pub(super) column_counts: Vec<f64>,
    pub(super) rows_per_stratum: usize,
    /// Records by stratum; all of them, without strata.
    pub(super) stratum_counts: Vec<f64>,
    stratum_exposure: Vec<f64>,
    strata: Strata,
    /// Row, column, count and exposure of the cells that hold records.
    occupied: Vec<(usize, usize, f64, f64)>,
    total_count: f64,
    total_exposure: f64,
    /// Cells with exposure, in strata with records.
    n_cells: usize,
    /// Sum over cells of n ln E - ln n!.
    log_likelihood_constant: f64,
    /// Sum over cells of n ln(n / E).
    saturated: f64,
}

/// Which rows share a level that is not among the terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Strata {
    /// All of them: the fit adds an intercept.
    None,
    /// Each this many consecutive rows have a level of their own, whatever it takes. The fit then rests on when the
    /// records of each stratum were made and not on how many there are, so that differences between strata cannot pass
    /// for differences between times.
    Rows(usize),
}

impl<'a> Table<'a> {
    /// A table of `counts` and `exposure`, both row by row with `n_columns` columns.
    ///
    /// Cells without exposure take no part; the caller sets records in them aside beforehand.
    ///
    /// # Errors
    /// [`SeasonError`] when the lengths do not agree, an exposure is negative or not finite, or a cell has records and
    /// no exposure.
    pub fn new(
        counts: &[u32],
        exposure: &'a [f64],
        n_columns: usize,
        strata: Strata,
    ) -> Result<Self, SeasonError> {
        if counts.len() != exposure.len() {
            return Err(SeasonError::Length { what: "counts", got: counts.len(), expected: exposure.len() });
        }
        if n_columns == 0 || !counts.len().is_multiple_of(n_columns) {
            return Err(SeasonError::Length { what: "columns", got: n_columns, expected: 1 });
        }
        let n_rows = counts.len() / n_columns;
        let rows_per_stratum = match strata {
            Strata::None => n_rows,
            Strata::Rows(rows) => rows,
        };
        if n_rows > 0 && (rows_per_stratum == 0 || !n_rows.is_multiple_of(rows_per_stratum)) {
            return Err(SeasonError::Length {
                what: "rows of a stratum",
                got: rows_per_stratum,
                expected: n_rows,
            });
        }
        let n_strata = n_rows.checked_div(rows_per_stratum).unwrap_or(0);
        let mut table = Self {
            exposure,
            n_columns,
            row_counts: vec![0.0; n_rows],
            column_counts: vec![0.0; n_columns],
            rows_per_stratum,
            stratum_counts: vec![0.0; n_strata],
            stratum_exposure: vec![0.0; n_strata],
            strata,
            occupied: Vec::new(),
            total_count: 0.0,
            total_exposure: exposure.iter().sum(),
            n_cells: 0,
            log_likelihood_constant: 0.0,
            saturated: 0.0,
        };
        table.sum(counts)?;
        Ok(table)
    }

    fn sum(&mut self, counts: &[u32]) -> Result<(), SeasonError> {
        let block = (self.rows_per_stratum * self.n_columns).max(1);
        let exposure = self.exposure;
        for (stratum, (counts, exposure)) in counts.chunks(block).zip(exposure.chunks(block)).enumerate() {
            let mut n_cells = 0;
            for (offset, (&count, &exposure)) in counts.iter().zip(exposure).enumerate() {
                let index = stratum * block + offset;
                if !(exposure.is_finite() && exposure >= 0.0) || (count > 0 && exposure == 0.0) {
                    return Err(SeasonError::Value { what: "exposure of cell", index, value: exposure });
                }
                n_cells += usize::from(exposure > 0.0);
                self.stratum_exposure[stratum] += exposure;
                if count > 0 {
                    self.add(index, f64::from(count), exposure);
                }
            }
            if self.stratum_counts[stratum] > 0.0 {
                self.n_cells += n_cells;
            }
        }
        Ok(())
    }

    fn add(&mut self, index: usize, count: f64, exposure: f64) {
        let (row, column) = (index / self.n_columns, index % self.n_columns);
        self.row_counts[row] += count;
        self.column_counts[column] += count;
        self.stratum_counts[row / self.rows_per_stratum] += count;
        self.total_count += count;
        self.log_likelihood_constant += count * exposure.ln() - ln_gamma(count + 1.0);
        self.saturated += count * (count / exposure).ln();
        self.occupied.push((row, column, count, exposure));
    }

    pub(super) fn is_stratified(&self) -> bool {
        self.strata != Strata::None
    }

    /// Free levels: one a stratum with records, none without strata.
    fn n_free_levels(&self) -> usize {
        if self.is_stratified() {
            self.stratum_counts.iter().filter(|&&count| count > 0.0).count()
        } else {
            0
        }
    }
}

/// The covariates of a table: the log rate of a cell is intercept or stratum's level + row terms + column terms.
///
/// Intercept and levels are added by the fit and must not be among the terms.
#[derive(Debug, Clone, Copy)]
pub struct Design<'a> {
    /// Row by row, `n_row_terms` values each.
    pub rows: &'a [f64],
    /// Number of row terms.
    pub n_row_terms: usize,
    /// Column by column, `n_column_terms` values each.
    pub columns: &'a [f64],
    /// Number of column terms.
    pub n_column_terms: usize,
}

/// Why a regression has no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotEstimable {
    /// There are no records with exposure.
    NoRecords,
    /// There is no exposure.
    NoExposure,
    /// A term repeats what others say.
    Collinear,
    /// The rate of some level is driven to zero or infinity: it holds all or none of the records.
    Separated,
}

/// A regression, or why there is none.
#[derive(Debug, Clone)]
pub enum PoissonOutcome {
    /// The fit converged.
    Fitted(PoissonFit),
    /// There is no finite estimate.
    NotEstimable(NotEstimable),
}

impl PoissonOutcome {
    /// The fit, if there is one.
    pub fn fitted(self) -> Option<PoissonFit> {
        match self {
            Self::Fitted(fit) => Some(fit),
            Self::NotEstimable(_) => None,
        }
    }
}

/// A fitted Poisson regression.
#[derive(Debug, Clone)]
pub struct PoissonFit {
    /// Log-rate coefficients: the intercept (none with strata), the row terms, the column terms.
    pub coefficients: Vec<f64>,
    /// Inverse of the Fisher information, not scaled by dispersion.
    pub covariance: DMatrix<f64>,
    /// Log-likelihood with all constants.
    pub log_likelihood: f64,
    /// Residual deviance.
    pub deviance: f64,
    /// Deviance of the intercept, or of the strata's levels, alone.
    pub null_deviance: f64,
    /// Pearson's chi-squared.
    pub pearson: f64,
    /// Mean over cells of observed over expected.
    pub mean_ratio: f64,
    /// Cells with exposure, in strata with records.
    pub n_cells: usize,
    /// Levels of strata that were fitted beside the coefficients; zero without strata.
    pub n_free_levels: usize,
}

impl PoissonFit {
    /// Standard errors under the Poisson law; multiply by the root of a dispersion to scale them.
    pub fn standard_errors(&self) -> Vec<f64> {
        self.covariance.diagonal().iter().map(|variance| variance.sqrt()).collect()
    }

    /// Cells with exposure minus coefficients and free levels.
    pub fn residual_degrees_of_freedom(&self) -> usize {
        self.n_cells.saturating_sub(self.coefficients.len() + self.n_free_levels)
    }

    /// Pearson's chi-squared over its degrees of freedom; `None` when no degrees are left.
    pub fn pearson_dispersion(&self) -> Option<f64> {
        let degrees = self.residual_degrees_of_freedom();
        (degrees > 0).then(|| self.pearson / degrees as f64)
    }

    /// Fletcher's dispersion, which a lone record in a cell of tiny expectation does not inflate.
    ///
    /// `None` when no degrees of freedom are left. Fletcher, D. J. (2012). Estimating overdispersion when fitting a
    /// generalized linear model to sparse data. *Biometrika* 99, 230-237.
    pub fn dispersion(&self) -> Option<f64> {
        self.pearson_dispersion().map(|pearson| pearson / self.mean_ratio)
    }
}

/// The likelihood-ratio test of nested fits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LikelihoodRatio {
    /// Twice the gain in log-likelihood, divided by the dispersion.
    pub statistic: f64,
    /// Number of coefficients tested; at least one.
    pub degrees_of_freedom: f64,
    /// Upper tail: of chi-squared, or of F where several imputations were pooled.
    pub p_value: f64,
}

/// Tests what `full` has beyond `reduced`, with the statistic divided by `dispersion` (1 for plain Poisson).
///
/// Returns `None` when `full` has no more coefficients than `reduced`.
pub fn likelihood_ratio(reduced: &PoissonFit, full: &PoissonFit, dispersion: f64) -> Option<LikelihoodRatio> {
    let degrees = full.coefficients.len().checked_sub(reduced.coefficients.len()).filter(|&more| more > 0)?;
    let statistic = (2.0 * (full.log_likelihood - reduced.log_likelihood) / dispersion).max(0.0);
    let p_value = ChiSquared::new(degrees as f64).ok()?.sf(statistic);
    Some(LikelihoodRatio { statistic, degrees_of_freedom: degrees as f64, p_value })
}

/// Fits a Poisson regression with log link and log exposure as offset, by Newton's method with halved steps.
///
/// With canonical link Newton's method is iteratively
/// reweighted least squares (McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd ed., section 2.5).
///
/// # Errors
/// [`SeasonError`] when the design does not match the table or holds values that are not finite.
pub fn fit_table(table: &Table<'_>, design: &Design<'_>) -> Result<PoissonOutcome, SeasonError> {
    check(table, design)?;
    if table.total_exposure == 0.0 {
        return Ok(PoissonOutcome::NotEstimable(NotEstimable::NoExposure));
    }
    if table.total_count == 0.0 {
        return Ok(PoissonOutcome::NotEstimable(NotEstimable::NoRecords));
    }
    let problem = Problem::new(table, design);
    let mut coefficients = vec![0.0; problem.n_coefficients()];
    if !table.is_stratified() {
        coefficients[0] = (table.total_count / table.total_exposure).ln();
    }
    let mut at = Evaluation::new(&problem, &coefficients);
    for _ in 0..MAX_ITERATIONS {
        let Some(step) = newton_step(&at) else {
            return Ok(PoissonOutcome::NotEstimable(NotEstimable::Collinear));
        };
        let decrement = step.dot(&at.score);
        at = halve_until_better(&problem, &mut coefficients, &step, &at);
        if decrement < CONVERGED {
            return Ok(finish(&problem, coefficients, &at));
        }
    }
    Ok(PoissonOutcome::NotEstimable(NotEstimable::Separated))
}

fn check(table: &Table<'_>, design: &Design<'_>) -> Result<(), SeasonError> {
    let checks = [
        ("row terms", design.rows, table.row_counts.len() * design.n_row_terms),
        ("column terms", design.columns, table.n_columns * design.n_column_terms),
    ];
    for (what, values, expected) in checks {
        if values.len() != expected {
            return Err(SeasonError::Length { what, got: values.len(), expected });
        }
        if let Some(index) = values.iter().position(|value| !value.is_finite()) {
            return Err(SeasonError::Value { what, index, value: values[index] });
        }
    }
    Ok(())
}

/// The information scaled to a unit diagonal and decomposed, with the scale; `None` where a term says nothing of its own.
fn decompose(information: &DMatrix<f64>) -> Option<(Cholesky<f64, nalgebra::Dyn>, DVector<f64>)> {
    let scale = information.diagonal().map(|value| 1.0 / value.sqrt());
    if scale.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let scaled = DMatrix::from_fn(scale.len(), scale.len(), |i, j| information[(i, j)] * scale[i] * scale[j]);
    let cholesky = Cholesky::new(scaled)?;
    let least = cholesky.l_dirty().diagonal().iter().map(|pivot| pivot * pivot).fold(f64::INFINITY, f64::min);
    (least > LEAST_PIVOT).then_some((cholesky, scale))
}

fn newton_step(at: &Evaluation) -> Option<DVector<f64>> {
    let (cholesky, scale) = decompose(&at.information)?;
    Some(cholesky.solve(&at.score.component_mul(&scale)).component_mul(&scale))
}

/// Moves the coefficients along `step`, half as far each time the likelihood would fall.
fn halve_until_better(
    problem: &Problem<'_>,
    coefficients: &mut [f64],
    step: &DVector<f64>,
    before: &Evaluation,
) -> Evaluation {
    // Rounding alone may lower a sum of this size by this much.
    let slack = 1e-12 * (1.0 + before.log_likelihood.abs());
    let mut share = 1.0;
    loop {
        let moved: Vec<f64> =
            coefficients.iter().zip(step.iter()).map(|(value, step)| value + share * step).collect();
        let after = Evaluation::new(problem, &moved);
        if after.log_likelihood >= before.log_likelihood - slack || share < 1e-6 {
            coefficients.copy_from_slice(&moved);
            return after;
        }
        share *= 0.5;
    }
}

fn finish(problem: &Problem<'_>, coefficients: Vec<f64>, at: &Evaluation) -> PoissonOutcome {
    let Some((cholesky, scale)) = decompose(&at.information) else {
        return PoissonOutcome::NotEstimable(NotEstimable::Separated);
    };
    let inverse = cholesky.inverse();
    let covariance = DMatrix::from_fn(scale.len(), scale.len(), |i, j| inverse[(i, j)] * scale[i] * scale[j]);
    if covariance.diagonal().iter().any(|variance| variance.sqrt() > SEPARATED_STANDARD_ERROR) {
        return PoissonOutcome::NotEstimable(NotEstimable::Separated);
    }
    let table = problem.table;
    let columns = problem.column_log_factors(&coefficients);
    let (mut pearson, mut ratios, mut deviance) = (-table.total_count, 0.0, 0.0);
    for &(row, column, count, exposure) in &table.occupied {
        let log_factor = problem.row_log_factor(&coefficients, row)
            + columns[column]
            + at.log_levels[row / table.rows_per_stratum];
        let ratio = count / (exposure * log_factor.exp());
        // Over all cells (n - m)^2 / m sums to n^2 / m - 2 n + m, and with free levels the m sum to the n.
        pearson += count * ratio;
        ratios += ratio;
        deviance += 2.0 * count * ratio.ln();
    }
    let null: f64 = table
        .stratum_counts
        .iter()
        .zip(&table.stratum_exposure)
        .filter(|&(&count, _)| count > 0.0)
        .map(|(count, exposure)| count * (count / exposure).ln())
        .sum();
    PoissonOutcome::Fitted(PoissonFit {
        log_likelihood: at.log_likelihood + table.log_likelihood_constant,
        deviance,
        null_deviance: 2.0 * (table.saturated - null),
        pearson,
        mean_ratio: ratios / table.n_cells as f64,
        n_cells: table.n_cells,
        n_free_levels: table.n_free_levels(),
        coefficients,
        covariance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(got: f64, expected: f64, tolerance: f64) {
        assert!((got - expected).abs() <= tolerance, "{got} instead of {expected}");
    }

    /// Two groups with one dummy: rates are counts over exposures, so every figure can be worked by hand.
    #[test]
    fn two_groups_by_hand() {
        let table = Table::new(&[10, 30], &[100.0, 150.0], 1, Strata::None).unwrap();
        let design = Design { rows: &[0.0, 1.0], n_row_terms: 1, columns: &[], n_column_terms: 0 };
        let fit = fit_table(&table, &design).unwrap().fitted().unwrap();
        close(fit.coefficients[0], 0.1f64.ln(), 1e-9);
        close(fit.coefficients[1], 2f64.ln(), 1e-9);
        let errors = fit.standard_errors();
        close(errors[0], (1.0f64 / 10.0).sqrt(), 1e-9);
        close(errors[1], (1.0f64 / 10.0 + 1.0 / 30.0).sqrt(), 1e-9);
        close(fit.deviance, 0.0, 1e-9);
        // Expected under one rate of 0.16: 16 and 24.
        close(fit.null_deviance, 2.0 * (10.0 * (10f64 / 16.0).ln() + 30.0 * (30f64 / 24.0).ln()), 1e-9);
        assert_eq!(fit.dispersion(), None);
    }

    #[test]
    fn a_level_without_records_and_a_repeated_term_are_not_estimable() {
        let outcome = |counts: &[u32], rows: &[f64], n_row_terms| {
            let exposure = vec![5.0; counts.len()];
            let table = Table::new(counts, &exposure, 1, Strata::None).unwrap();
            let design = Design { rows, n_row_terms, columns: &[], n_column_terms: 0 };
            match fit_table(&table, &design).unwrap() {
                PoissonOutcome::Fitted(_) => None,
                PoissonOutcome::NotEstimable(why) => Some(why),
            }
        };
        assert_eq!(outcome(&[4, 0, 3, 0], &[0.0, 1.0, 0.0, 1.0], 1), Some(NotEstimable::Separated));
        assert_eq!(outcome(&[4, 2], &[0.0, 0.0, 1.0, 1.0], 2), Some(NotEstimable::Collinear));
        assert_eq!(outcome(&[0, 0], &[0.0, 1.0], 1), Some(NotEstimable::NoRecords));
        assert_eq!(outcome(&[4, 2], &[0.0, 1.0], 1), None);
    }

    #[test]
    fn records_without_exposure_are_refused() {
        assert!(Table::new(&[1, 0], &[0.0, 1.0], 1, Strata::None).is_err());
        assert!(Table::new(&[0, 0], &[0.0, f64::NAN], 1, Strata::None).is_err());
        assert!(Table::new(&[0, 0, 1], &[1.0, 1.0, 1.0], 2, Strata::None).is_err());
    }

    proptest! {
        /// Free levels of strata are the same as a dummy for each of them, in all but the coefficients of the dummies.
        #[test]
        fn strata_are_dummies(
            counts in prop::collection::vec(0u32..9, 12),
            exposure in prop::collection::vec(0.5..20.0f64, 12),
            slopes in prop::collection::vec(-1.0..1.0f64, 6),
        ) {
            prop_assume!(counts.chunks(4).all(|stratum| stratum.iter().sum::<u32>() > 0));
            let stratified = Table::new(&counts, &exposure, 2, Strata::Rows(2)).unwrap();
            let design = Design { rows: &slopes, n_row_terms: 1, columns: &[-1.0, 1.0], n_column_terms: 1 };
            let short = fit_table(&stratified, &design).unwrap().fitted();
            let plain = Table::new(&counts, &exposure, 2, Strata::None).unwrap();
            let rows: Vec<f64> = slopes
                .iter()
                .enumerate()
                .flat_map(|(row, slope)| [f64::from(row / 2 == 1), f64::from(row / 2 == 2), *slope])
                .collect();
            let dummies = Design { rows: &rows, n_row_terms: 3, columns: &[-1.0, 1.0], n_column_terms: 1 };
            let long = fit_table(&plain, &dummies).unwrap().fitted();
            prop_assert_eq!(short.is_some(), long.is_some());
            if let (Some(short), Some(long)) = (short, long) {
                for own in 0..2 {
                    let (left, right) = (short.coefficients[own], long.coefficients[own + 3]);
                    prop_assert!((left - right).abs() < 1e-5 * (1.0 + right.abs()));
                    let (left, right) = (short.covariance[(own, own)], long.covariance[(own + 3, own + 3)]);
                    prop_assert!((left - right).abs() < 1e-4 * right);
                }
                prop_assert!((short.log_likelihood - long.log_likelihood).abs() < 1e-7);
                prop_assert!((short.pearson - long.pearson).abs() < 1e-4 * (1.0 + long.pearson));
                prop_assert_eq!(short.residual_degrees_of_freedom(), long.residual_degrees_of_freedom());
            }
        }

        /// The factorised table and the same cells laid out one a row must give the same fit.
        #[test]
        fn factorising_changes_nothing(
            counts in prop::collection::vec(0u32..9, 12),
            exposure in prop::collection::vec(0.5..20.0f64, 12),
            slopes in prop::collection::vec(-1.0..1.0f64, 7),
        ) {
            let (rows, columns) = slopes.split_at(3);
            let table = Table::new(&counts, &exposure, 4, Strata::None).unwrap();
            let factorised = Design { rows, n_row_terms: 1, columns, n_column_terms: 1 };
            let long_table = Table::new(&counts, &exposure, 1, Strata::None).unwrap();
            let long_rows: Vec<f64> =
                rows.iter().flat_map(|row| columns.iter().flat_map(|column| [*row, *column])).collect();
            let long = Design { rows: &long_rows, n_row_terms: 2, columns: &[], n_column_terms: 0 };
            let short_fit = fit_table(&table, &factorised).unwrap().fitted();
            let long_fit = fit_table(&long_table, &long).unwrap().fitted();
            prop_assert_eq!(short_fit.is_some(), long_fit.is_some());
            if let (Some(short), Some(long)) = (short_fit, long_fit) {
                for (left, right) in short.coefficients.iter().zip(&long.coefficients) {
                    prop_assert!((left - right).abs() < 1e-5 * (1.0 + right.abs()));
                }
                prop_assert!((short.log_likelihood - long.log_likelihood).abs() < 1e-7);
                prop_assert!((short.deviance - long.deviance).abs() < 1e-7);
                prop_assert!((short.pearson - long.pearson).abs() < 1e-4 * (1.0 + long.pearson));
            }
        }
    }
}
