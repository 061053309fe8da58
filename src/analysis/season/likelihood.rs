//! The likelihood of a factorised Poisson table and its derivatives.
//!
//! An expected count is exposure times a row factor times a column factor, so one pass needs one exponential per row and
//! per column, and only multiplications per cell. With strata, each has a free level, which is replaced by its best value
//! given the rest: what remains is the multinomial likelihood of when, given how many.

use crate::analysis::season::Design;
use crate::analysis::season::Table;
use nalgebra::DMatrix;
use nalgebra::DVector;

/// Width of the blocks in which column terms are summed, so that the compiler can use vector instructions.
const BLOCK: usize = 8;

/// A table, its design, and what of the likelihood does not depend on the coefficients.
pub(super) struct Problem<'a> {
    pub(super) table: &'a Table<'a>,
    pub(super) design: &'a Design<'a>,
    /// Observed counts times the covariates: the sufficient statistics.
    observed: DVector<f64>,
}

impl<'a> Problem<'a> {
    pub(super) fn new(table: &'a Table<'a>, design: &'a Design<'a>) -> Self {
        let p = usize::from(!table.is_stratified()) + design.n_row_terms;
        let mut problem = Self { table, design, observed: DVector::zeros(0) };
        let mut observed = DVector::zeros(p + design.n_column_terms);
        let mut x = vec![0.0; p];
        for (row, &count) in table.row_counts.iter().enumerate().filter(|(_, count)| **count > 0.0) {
            problem.fill_row(row, &mut x);
            for (sum, x) in observed.iter_mut().zip(&x) {
                *sum += count * x;
            }
        }
        for (column, &count) in table.column_counts.iter().enumerate() {
            for (sum, z) in observed.iter_mut().skip(p).zip(problem.column(column)) {
                *sum += count * z;
            }
        }
        problem.observed = observed;
        problem
    }

    /// Number of coefficients: the intercept (without strata), the row terms, the column terms.
    pub(super) fn n_coefficients(&self) -> usize {
        self.observed.len()
    }

    /// Number of coefficients that belong to rows, the intercept included.
    fn n_row_coefficients(&self) -> usize {
        self.n_coefficients() - self.design.n_column_terms
    }

    /// Writes the covariates of a row, after a one for the intercept if there is one.
    fn fill_row(&self, row: usize, x: &mut [f64]) {
        let n = self.design.n_row_terms;
        let start = x.len() - n;
        x[..start].fill(1.0);
        x[start..].copy_from_slice(&self.design.rows[row * n..(row + 1) * n]);
    }

    fn column(&self, column: usize) -> &[f64] {
        let n = self.design.n_column_terms;
        &self.design.columns[column * n..(column + 1) * n]
    }

    /// The log factor of a row, without its stratum's level.
    pub(super) fn row_log_factor(&self, coefficients: &[f64], row: usize) -> f64 {
        let mut x = vec![0.0; self.n_row_coefficients()];
        self.fill_row(row, &mut x);
        dot(&x, coefficients)
    }

    /// The log factors of the columns.
    pub(super) fn column_log_factors(&self, coefficients: &[f64]) -> Vec<f64> {
        let own = &coefficients[self.n_row_coefficients()..];
        (0..self.table.n_columns).map(|column| dot(self.column(column), own)).collect()
    }

    /// Each column's factor, then its factor times each of its terms, in blocks padded with zeros: block by block,
    /// column by column.
    fn weighted_blocks(&self, factors: &[f64]) -> Vec<Vec<[f64; BLOCK]>> {
        let n_blocks = (self.design.n_column_terms + 1).div_ceil(BLOCK);
        let mut blocks = vec![vec![[0.0; BLOCK]; factors.len()]; n_blocks];
        for (column, &factor) in factors.iter().enumerate() {
            blocks[0][column][0] = factor;
            for (term, value) in self.column(column).iter().enumerate() {
                let place = term + 1;
                blocks[place / BLOCK][column][place % BLOCK] = factor * value;
            }
        }
        blocks
    }
}

fn dot(left: &[f64], right: &[f64]) -> f64 {
    left.iter().zip(right).map(|(left, right)| left * right).sum()
}

/// The log-likelihood without constants, its gradient and its negative second derivatives at some coefficients.
pub(super) struct Evaluation {
    pub(super) log_likelihood: f64,
    pub(super) score: DVector<f64>,
    pub(super) information: DMatrix<f64>,
    /// The best log level of each stratum; one zero without strata.
    pub(super) log_levels: Vec<f64>,
}

impl Evaluation {
    pub(super) fn new(problem: &Problem<'_>, coefficients: &[f64]) -> Self {
        let table = problem.table;
        let k = problem.n_coefficients();
        let factors: Vec<f64> = problem.column_log_factors(coefficients).into_iter().map(f64::exp).collect();
        let blocks = problem.weighted_blocks(&factors);
        let mut at = Self {
            log_likelihood: dot(problem.observed.as_slice(), coefficients),
            score: problem.observed.clone(),
            information: DMatrix::zeros(k, k),
            log_levels: Vec::with_capacity(table.stratum_counts.len()),
        };
        let mut moments = Moments::new(problem);
        for (stratum, &count) in table.stratum_counts.iter().enumerate() {
            if count == 0.0 {
                // A stratum without records says nothing on when: its best level is zero.
                at.log_levels.push(f64::NEG_INFINITY);
                continue;
            }
            moments.clear();
            let first = stratum * table.rows_per_stratum;
            for row in first..first + table.rows_per_stratum {
                moments.add_row(problem, coefficients, row, &blocks);
            }
            moments.add_columns(problem, &factors);
            at.take(&moments, table.is_stratified().then_some(count));
        }
        at.information.fill_lower_triangle_with_upper_triangle();
        at
    }

    /// Takes in a stratum's expected counts, scaled to its observed `count` if its level is free.
    fn take(&mut self, moments: &Moments, count: Option<f64>) {
        let k = self.score.len();
        let total = moments.expected;
        let level = count.map_or(1.0, |count| count / total);
        self.log_levels.push(level.ln());
        self.log_likelihood += count.map_or(-total, |count| count * level.ln() - count);
        for j in 0..k {
            self.score[j] -= level * moments.first[j];
            let shared = if count.is_some() { moments.first[j] / total } else { 0.0 };
            for i in 0..=j {
                self.information[(i, j)] += level * (moments.second[j * k + i] - moments.first[i] * shared);
            }
        }
    }
}

/// Sums of expected counts, and of these times covariates and their products, over the cells of a stratum.
struct Moments {
    expected: f64,
    first: Vec<f64>,
    /// Upper triangle, column by column.
    second: Vec<f64>,
    /// Exposure times row factor by column: the column factor is still to come.
    in_column: Vec<f64>,
    /// Covariates of the row at hand.
    x: Vec<f64>,
    /// For the row at hand, per unit of its factor: expected count, and expected count times each column term.
    in_row: Vec<[f64; BLOCK]>,
}

impl Moments {
    fn new(problem: &Problem<'_>) -> Self {
        let k = problem.n_coefficients();
        Self {
            expected: 0.0,
            first: vec![0.0; k],
            second: vec![0.0; k * k],
            in_column: vec![0.0; problem.table.n_columns],
            x: vec![0.0; problem.n_row_coefficients()],
            in_row: vec![[0.0; BLOCK]; (problem.design.n_column_terms + 1).div_ceil(BLOCK)],
        }
    }

    fn clear(&mut self) {
        self.expected = 0.0;
        self.first.fill(0.0);
        self.second.fill(0.0);
        self.in_column.fill(0.0);
    }

    fn add_row(
        &mut self,
        problem: &Problem<'_>,
        coefficients: &[f64],
        row: usize,
        blocks: &[Vec<[f64; BLOCK]>],
    ) {
        problem.fill_row(row, &mut self.x);
        let factor = dot(&self.x, coefficients).exp();
        let n_columns = problem.table.n_columns;
        let exposure = &problem.table.exposure[row * n_columns..(row + 1) * n_columns];
        for (sum, exposure) in self.in_column.iter_mut().zip(exposure) {
            *sum += factor * exposure;
        }
        for (sums, block) in self.in_row.iter_mut().zip(blocks) {
            *sums = block_sums(exposure, block);
        }
        let sums = self.in_row.as_flattened();
        let expected = factor * sums[0];
        if expected == 0.0 {
            return;
        }
        self.expected += expected;
        let (p, k) = (self.x.len(), self.first.len());
        add_outer(&mut self.first, &mut self.second, &self.x, 0, expected);
        for j in p..k {
            let crossed = factor * sums[1 + j - p];
            for (sum, x) in self.second[j * k..].iter_mut().zip(&self.x) {
                *sum += x * crossed;
            }
        }
    }

    /// Adds what the columns have among themselves, once all rows are in.
    fn add_columns(&mut self, problem: &Problem<'_>, factors: &[f64]) {
        let p = self.x.len();
        for (column, (in_column, factor)) in self.in_column.iter().zip(factors).enumerate() {
            let z = problem.column(column);
            add_outer(&mut self.first, &mut self.second, z, p, in_column * factor);
        }
    }
}

/// Adds an expected count whose covariates, from coefficient `start` on, are `x`.
fn add_outer(first: &mut [f64], second: &mut [f64], x: &[f64], start: usize, expected: f64) {
    let k = first.len();
    for (j, right) in x.iter().enumerate() {
        let weighted = expected * right;
        first[start + j] += weighted;
        let column = &mut second[(start + j) * k + start..];
        for (sum, left) in column.iter_mut().zip(&x[..=j]) {
            *sum += left * weighted;
        }
    }
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
