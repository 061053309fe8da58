//! Poisson regression on a table whose expected counts factorise into rows and columns.

use crate::analysis::season::SeasonError;
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
    exposure: &'a [f64],
    n_rows: usize,
    n_columns: usize,
    row_counts: Vec<f64>,
    column_counts: Vec<f64>,
    /// Row, column, count and exposure of the cells that hold records.
    occupied: Vec<(usize, usize, f64, f64)>,
    total_count: f64,
    total_exposure: f64,
    n_cells: usize,
    /// Sum over cells of n ln E - ln n!.
    log_likelihood_constant: f64,
    /// Sum over cells of n ln(n / E).
    saturated: f64,
}

impl<'a> Table<'a> {
    /// A table of `counts` and `exposure`, both row by row with `n_columns` columns.
    ///
    /// Cells without exposure take no part; the caller sets records in them aside beforehand.
    ///
    /// # Errors
    /// [`SeasonError`] when the lengths do not agree, an exposure is negative or not finite, or a cell has records and
    /// no exposure.
    pub fn new(counts: &[u32], exposure: &'a [f64], n_columns: usize) -> Result<Self, SeasonError> {
        if counts.len() != exposure.len() {
            return Err(SeasonError::Length { what: "counts", got: counts.len(), expected: exposure.len() });
        }
        if n_columns == 0 || !counts.len().is_multiple_of(n_columns) {
            return Err(SeasonError::Length { what: "columns", got: n_columns, expected: 1 });
        }
        let n_rows = counts.len() / n_columns;
        let mut table = Self {
            exposure,
            n_rows,
            n_columns,
            row_counts: vec![0.0; n_rows],
            column_counts: vec![0.0; n_columns],
            occupied: Vec::new(),
            total_count: 0.0,
            total_exposure: 0.0,
            n_cells: 0,
            log_likelihood_constant: 0.0,
            saturated: 0.0,
        };
        for (index, (&count, &exposure)) in counts.iter().zip(exposure).enumerate() {
            if !(exposure.is_finite() && exposure >= 0.0) || (count > 0 && exposure == 0.0) {
                return Err(SeasonError::Value { what: "exposure of cell", index, value: exposure });
            }
            table.n_cells += usize::from(exposure > 0.0);
            table.total_exposure += exposure;
            if count > 0 {
                table.add(index / n_columns, index % n_columns, f64::from(count), exposure);
            }
        }
        Ok(table)
    }

    fn add(&mut self, row: usize, column: usize, count: f64, exposure: f64) {
        self.row_counts[row] += count;
        self.column_counts[column] += count;
        self.total_count += count;
        self.log_likelihood_constant += count * exposure.ln() - ln_gamma(count + 1.0);
        self.saturated += count * (count / exposure).ln();
        self.occupied.push((row, column, count, exposure));
    }
}

/// The covariates of a table: the log rate of a cell is intercept + row terms + column terms.
///
/// The intercept is added by the fit and must not be among the terms.
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
    /// Log-rate coefficients: the intercept, the row terms, the column terms.
    pub coefficients: Vec<f64>,
    /// Inverse of the Fisher information, not scaled by dispersion.
    pub covariance: DMatrix<f64>,
    /// Log-likelihood with all constants.
    pub log_likelihood: f64,
    /// Residual deviance.
    pub deviance: f64,
    /// Deviance of the intercept alone.
    pub null_deviance: f64,
    /// Pearson's chi-squared.
    pub pearson: f64,
    /// Mean over cells of observed over expected.
    pub mean_ratio: f64,
    /// Cells with exposure.
    pub n_cells: usize,
}

impl PoissonFit {
    /// Standard errors under the Poisson law; multiply by the root of a dispersion to scale them.
    pub fn standard_errors(&self) -> Vec<f64> {
        self.covariance.diagonal().iter().map(|variance| variance.sqrt()).collect()
    }

    /// Cells with exposure minus coefficients.
    pub fn residual_degrees_of_freedom(&self) -> usize {
        self.n_cells.saturating_sub(self.coefficients.len())
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
/// Because the expected count of a cell is its exposure times a row factor times a column factor, one pass needs one
/// exponential per row and per column, and multiplications per cell. With canonical link Newton's method is iteratively
/// reweighted least squares (McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd ed., section 2.5).
///
/// # Errors
/// [`SeasonError`] when the design does not match the table or holds values that are not finite.
pub fn fit_table(table: &Table<'_>, design: &Design<'_>) -> Result<PoissonOutcome, SeasonError> {
    check(table, design)?;
    if table.n_cells == 0 {
        return Ok(PoissonOutcome::NotEstimable(NotEstimable::NoExposure));
    }
    if table.total_count == 0.0 {
        return Ok(PoissonOutcome::NotEstimable(NotEstimable::NoRecords));
    }
    let mut coefficients = vec![0.0; 1 + design.n_row_terms + design.n_column_terms];
    coefficients[0] = (table.total_count / table.total_exposure).ln();
    let mut at = Evaluation::new(table, design, &coefficients);
    for _ in 0..MAX_ITERATIONS {
        let Some(step) = newton_step(&at) else {
            return Ok(PoissonOutcome::NotEstimable(NotEstimable::Collinear));
        };
        let decrement = step.dot(&at.score);
        at = halve_until_better(table, design, &mut coefficients, &step, &at);
        if decrement < CONVERGED {
            return Ok(finish(table, design, coefficients, &at));
        }
    }
    Ok(PoissonOutcome::NotEstimable(NotEstimable::Separated))
}

fn check(table: &Table<'_>, design: &Design<'_>) -> Result<(), SeasonError> {
    let checks = [
        ("row terms", design.rows, table.n_rows * design.n_row_terms),
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

/// Width of the blocks in which column terms are summed, so that the compiler can use vector instructions.
const BLOCK: usize = 8;

/// The log-likelihood without constants, its gradient and its negative second derivatives at some coefficients.
struct Evaluation {
    log_likelihood: f64,
    score: DVector<f64>,
    information: DMatrix<f64>,
}

impl Evaluation {
    fn new(table: &Table<'_>, design: &Design<'_>, coefficients: &[f64]) -> Self {
        let p = 1 + design.n_row_terms;
        let k = p + design.n_column_terms;
        let (row_part, column_part) = coefficients.split_at(p);
        let mut at =
            Self { log_likelihood: 0.0, score: DVector::zeros(k), information: DMatrix::zeros(k, k) };
        let log_factors = log_factors(design.columns, column_part, table.n_columns);
        let blocks = weighted_blocks(design, &log_factors);

        // Exposure times row factor, summed over rows: the column factor is still to come.
        let mut in_column = vec![0.0; table.n_columns];
        let mut in_row = vec![[0.0; BLOCK]; blocks.len()];
        let mut x = vec![1.0; p];
        for (row, exposure) in table.exposure.chunks_exact(table.n_columns).enumerate() {
            x[1..].copy_from_slice(terms_of(design.rows, design.n_row_terms, row));
            let log_factor = dot(&x, row_part);
            let factor = log_factor.exp();
            for (sum, exposure) in in_column.iter_mut().zip(exposure) {
                *sum += factor * exposure;
            }
            for (sums, block) in in_row.iter_mut().zip(&blocks) {
                *sums = block_sums(exposure, block);
            }
            at.add_row(&x, factor, in_row.as_flattened());
            at.gain(&x, 0, table.row_counts[row], log_factor);
        }
        for column in 0..table.n_columns {
            let z = terms_of(design.columns, design.n_column_terms, column);
            let expected = in_column[column] * log_factors[column].exp();
            at.add_outer(z, p, expected);
            at.gain(z, p, table.column_counts[column], log_factors[column]);
        }
        at.information.fill_lower_triangle_with_upper_triangle();
        at
    }

    /// Takes in a row's expected counts: `sums` holds, per unit of its factor, their sum and then their sums times each
    /// column term.
    fn add_row(&mut self, x: &[f64], factor: f64, sums: &[f64]) {
        let expected = factor * sums[0];
        if expected == 0.0 {
            return;
        }
        self.log_likelihood -= expected;
        self.add_outer(x, 0, expected);
        for j in x.len()..self.score.len() {
            let crossed = factor * sums[1 + j - x.len()];
            for (i, x) in x.iter().enumerate() {
                self.information[(i, j)] += x * crossed;
            }
        }
    }

    /// Takes in an expected count whose covariates, from coefficient `first` on, are `x`.
    fn add_outer(&mut self, x: &[f64], first: usize, expected: f64) {
        for (j, right) in x.iter().enumerate() {
            let weighted = expected * right;
            self.score[first + j] -= weighted;
            for (i, left) in x[..=j].iter().enumerate() {
                self.information[(first + i, first + j)] += left * weighted;
            }
        }
    }

    /// Takes in an observed count.
    fn gain(&mut self, x: &[f64], first: usize, count: f64, log_factor: f64) {
        if count == 0.0 {
            return;
        }
        self.log_likelihood += count * log_factor;
        for (i, x) in x.iter().enumerate() {
            self.score[first + i] += count * x;
        }
    }
}

fn terms_of(values: &[f64], n_terms: usize, index: usize) -> &[f64] {
    &values[index * n_terms..(index + 1) * n_terms]
}

fn dot(left: &[f64], right: &[f64]) -> f64 {
    left.iter().zip(right).map(|(left, right)| left * right).sum()
}

fn log_factors(terms: &[f64], coefficients: &[f64], n: usize) -> Vec<f64> {
    (0..n).map(|index| dot(terms_of(terms, coefficients.len(), index), coefficients)).collect()
}

/// Each column's factor, then its factor times each of its terms, in blocks padded with zeros: block by block, column
/// by column.
fn weighted_blocks(design: &Design<'_>, log_factors: &[f64]) -> Vec<Vec<[f64; BLOCK]>> {
    let n_blocks = (design.n_column_terms + 1).div_ceil(BLOCK);
    let mut blocks = vec![vec![[0.0; BLOCK]; log_factors.len()]; n_blocks];
    for (column, log_factor) in log_factors.iter().enumerate() {
        let factor = log_factor.exp();
        blocks[0][column][0] = factor;
        for (term, value) in terms_of(design.columns, design.n_column_terms, column).iter().enumerate() {
            let place = term + 1;
            blocks[place / BLOCK][column][place % BLOCK] = factor * value;
        }
    }
    blocks
}

fn block_sums(exposure: &[f64], block: &[[f64; BLOCK]]) -> [f64; BLOCK] {
    let mut sums = [0.0; BLOCK];
    for (exposure, weighted) in exposure.iter().zip(block) {
        for (sum, weighted) in sums.iter_mut().zip(weighted) {
            *sum += exposure * weighted;
        }
    }
    sums
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
    table: &Table<'_>,
    design: &Design<'_>,
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
        let after = Evaluation::new(table, design, &moved);
        if after.log_likelihood >= before.log_likelihood - slack || share < 1e-6 {
            coefficients.copy_from_slice(&moved);
            return after;
        }
        share *= 0.5;
    }
}

fn finish(table: &Table<'_>, design: &Design<'_>, coefficients: Vec<f64>, at: &Evaluation) -> PoissonOutcome {
    let Some((cholesky, scale)) = decompose(&at.information) else {
        return PoissonOutcome::NotEstimable(NotEstimable::Separated);
    };
    let inverse = cholesky.inverse();
    let covariance = DMatrix::from_fn(scale.len(), scale.len(), |i, j| inverse[(i, j)] * scale[i] * scale[j]);
    if covariance.diagonal().iter().any(|variance| variance.sqrt() > SEPARATED_STANDARD_ERROR) {
        return PoissonOutcome::NotEstimable(NotEstimable::Separated);
    }
    let (row_part, column_part) = coefficients.split_at(1 + design.n_row_terms);
    let columns = log_factors(design.columns, column_part, table.n_columns);
    let (mut pearson, mut ratios, mut deviance) = (-table.total_count, 0.0, 0.0);
    for &(row, column, count, exposure) in &table.occupied {
        let log_factor = row_part[0]
            + dot(terms_of(design.rows, design.n_row_terms, row), &row_part[1..])
            + columns[column];
        let ratio = count / (exposure * log_factor.exp());
        // Over all cells (n - m)^2 / m sums to n^2 / m - 2 n + m, and with an intercept the m sum to the n.
        pearson += count * ratio;
        ratios += ratio;
        deviance += 2.0 * count * ratio.ln();
    }
    let mean_rate = table.total_count / table.total_exposure;
    PoissonOutcome::Fitted(PoissonFit {
        log_likelihood: at.log_likelihood + table.log_likelihood_constant,
        deviance,
        null_deviance: 2.0 * (table.saturated - table.total_count * mean_rate.ln()),
        pearson,
        mean_ratio: ratios / table.n_cells as f64,
        n_cells: table.n_cells,
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
        let table = Table::new(&[10, 30], &[100.0, 150.0], 1).unwrap();
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
            let table = Table::new(counts, &exposure, 1).unwrap();
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
        assert!(Table::new(&[1, 0], &[0.0, 1.0], 1).is_err());
        assert!(Table::new(&[0, 0], &[0.0, f64::NAN], 1).is_err());
        assert!(Table::new(&[0, 0, 1], &[1.0, 1.0, 1.0], 2).is_err());
    }

    proptest! {
        /// The factorised table and the same cells laid out one a row must give the same fit.
        #[test]
        fn factorising_changes_nothing(
            counts in prop::collection::vec(0u32..9, 12),
            exposure in prop::collection::vec(0.5..20.0f64, 12),
            slopes in prop::collection::vec(-1.0..1.0f64, 7),
        ) {
            let (rows, columns) = slopes.split_at(3);
            let table = Table::new(&counts, &exposure, 4).unwrap();
            let factorised = Design { rows, n_row_terms: 1, columns, n_column_terms: 1 };
            let long_table = Table::new(&counts, &exposure, 1).unwrap();
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
