//! The fit of the walker model to the counts, and which parameters it identifies.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::analysis::exposure::error::InvalidExposure;
use crate::analysis::exposure::field::Identifiability;
use crate::analysis::exposure::model::{Model, Observation};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::prior::Prior;

/// The posterior of the log parameters, normal about its mode (Laplace).
pub(crate) struct Posterior {
    pub(crate) mode: DVector<f64>,
    pub(crate) covariance: DMatrix<f64>,
    /// How the mode moves with the log of an observation's share: parameters × observations.
    pub(crate) gain: DMatrix<f64>,
    /// Whether the counts identify a parameter.
    pub(crate) is_fitted: Vec<bool>,
    /// What the counts can tell.
    pub(crate) identifiability: Identifiability,
    /// Expected device counts at the mode.
    pub(crate) expected: Vec<f64>,
    /// Whether an observation took part: one that no walker can reach says nothing about parameters.
    pub(crate) is_used: Vec<bool>,
    /// ln(y + ½) − ln(μ + ½) at the mode, and the inverse of its variance.
    residual: DVector<f64>,
    weight: DVector<f64>,
    /// How what is expected of one observation moves with the log of another: observations × observations.
    influence: DMatrix<f64>,
}

/// An observation against the fit of the prior and all other observations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LeftOut {
    /// Log of the count, with half a passage added, over what the others expect.
    pub(crate) log_ratio: f64,
    /// Standard deviation of that log, if the model is right: that of the expectation and of the count about it.
    pub(crate) log_sd: f64,
}

const MAX_STEPS: usize = 60;
/// Longest step of one parameter, in logs: the model is far from linear beyond.
const MAX_STEP: f64 = 2.0;
/// A step this short, in logs, is the last: far below every posterior's spread, and Gauss-Newton ends better still.
const CONVERGED: f64 = 1e-4;
/// Steps are halved down to this share; if none helps, the mode is found to rounding.
const LEAST_SCALE: f64 = 1e-4;

/// Fits the parameters to the counts under the prior.
///
/// A count y with expectation μ is compared on the log scale, ln(y + ½) − ln(μ + ½), with the variance
/// φ / (y + ½) + s²: φ the dispersion of the daily counts, s what the walker model gets wrong. The penalised sum of squares
/// is minimised by Gauss-Newton with halved steps; the posterior is the normal with the Gauss-Newton curvature at the
/// mode. Directions that the counts say nothing about keep their prior.
///
/// # Errors
/// [`InvalidExposure::Improper`] when the curvature is not positive definite.
pub(crate) fn fit(
    model: &Model,
    prior: &Prior,
    observations: &[Observation],
    params: &ExposureParams,
) -> Result<Posterior, InvalidExposure> {
    let mut mode = prior.mean.clone();
    let passages = model.all_passages(&model.habits(mode.as_slice()));
    let expected = model.expected(mode.as_slice(), observations, &passages);
    let is_used: Vec<bool> = expected.iter().map(|expected| *expected > 0.0).collect();
    let problem = Problem { model, prior, observations, is_used: &is_used, model_sd: params.model_log_sd };
    let mut state = problem.at(&mode);
    for _ in 0..MAX_STEPS {
        let gradient =
            state.slopes.tr_mul(&state.weighted(&state.residual)) - &prior.precision * (&mode - &prior.mean);
        let step = problem.curvature(&state)?.solve(&gradient);
        let longest = step.amax();
        let mut scale = (MAX_STEP / longest.max(MAX_STEP)).min(1.0);
        while scale > LEAST_SCALE && problem.objective(&(&mode + &step * scale)) > state.objective {
            scale /= 2.0;
        }
        if scale <= LEAST_SCALE {
            break;
        }
        mode += step * scale;
        state = problem.at(&mode);
        if longest < CONVERGED {
            break;
        }
    }
    let cholesky = problem.curvature(&state)?;
    let covariance = cholesky.inverse();
    let weights = DMatrix::from_diagonal(&state.weight);
    let gain = &covariance * state.slopes.transpose() * weights;
    let is_fitted = identified(model, prior, &covariance, &state.elasticity, params);
    let identifiability = identifiability(model, &state.elasticity, &is_used, &is_fitted);
    let influence = &state.slopes * &gain;
    Ok(Posterior {
        mode,
        covariance,
        gain,
        is_fitted,
        identifiability,
        expected: state.expected,
        is_used,
        residual: state.residual,
        weight: state.weight,
        influence,
    })
}

impl Posterior {
    /// What all but each observation say of it; none for one that took no part.
    ///
    /// `beyond` is what an observation's own log variance lacks once it is left out, and nobody counts at its place.
    ///
    /// Deletion residuals about the mode, without fitting again: leaving an observation of leverage h out makes its
    /// residual r into r / (1 - h), with the variance v / (1 - h) (Cook & Weisberg 1982, *Residuals and Influence in
    /// Regression*, section 2.2). The prior keeps h below 1. `shifts` are draws of the errors of all log shares: they
    /// move the residual and the mode, and widen what is expected.
    pub(crate) fn left_out(&self, shifts: &[DVector<f64>], beyond: &[f64]) -> Vec<Option<LeftOut>> {
        let of = |idx: usize| {
            let rest = (1.0 - self.influence[(idx, idx)]).max(f64::EPSILON);
            let moved =
                |shift: &DVector<f64>| ((self.influence.row(idx) * shift)[(0, 0)] - shift[idx]) / rest;
            let of_shares = shifts.iter().map(|shift| moved(shift).powi(2)).sum::<f64>();
            let of_shares = of_shares / shifts.len().max(1) as f64;
            self.is_used[idx].then(|| LeftOut {
                log_ratio: self.residual[idx] / rest,
                log_sd: (1.0 / (self.weight[idx] * rest) + of_shares + beyond[idx]).sqrt(),
            })
        };
        (0..self.is_used.len()).map(of).collect()
    }
}

struct Problem<'a> {
    model: &'a Model,
    prior: &'a Prior,
    observations: &'a [Observation],
    is_used: &'a [bool],
    model_sd: f64,
}

struct State {
    expected: Vec<f64>,
    residual: DVector<f64>,
    weight: DVector<f64>,
    /// Slopes of ln(μ + ½).
    slopes: DMatrix<f64>,
    /// Slopes of ln μ.
    elasticity: DMatrix<f64>,
    objective: f64,
}

impl State {
    fn weighted(&self, values: &DVector<f64>) -> DVector<f64> {
        values.component_mul(&self.weight)
    }
}

impl Problem<'_> {
    fn at(&self, theta: &DVector<f64>) -> State {
        let (expected, raw) = self.model.expected_with_slopes(theta.as_slice(), self.observations);
        let n = self.observations.len();
        let p = self.model.n_parameters();
        let mut residual = DVector::zeros(n);
        let mut weight = DVector::zeros(n);
        let mut slopes = DMatrix::zeros(n, p);
        let mut elasticity = DMatrix::zeros(n, p);
        for idx in (0..n).filter(|idx| self.is_used[*idx]) {
            (residual[idx], weight[idx]) = self.residual(idx, expected[idx]);
            for parameter in 0..p {
                slopes[(idx, parameter)] = raw[idx][parameter] / (expected[idx] + 0.5);
                elasticity[(idx, parameter)] = raw[idx][parameter] / expected[idx].max(f64::MIN_POSITIVE);
            }
        }
        let misfit: f64 = residual.iter().zip(weight.iter()).map(|(r, w)| r * r * w).sum();
        State { expected, residual, weight, slopes, elasticity, objective: misfit + self.penalty(theta) }
    }

    /// Twice the negative log posterior, up to a constant.
    fn objective(&self, theta: &DVector<f64>) -> f64 {
        let passages = self.model.all_passages(&self.model.habits(theta.as_slice()));
        let expected = self.model.expected(theta.as_slice(), self.observations, &passages);
        let misfit: f64 = (0..self.observations.len())
            .map(|idx| {
                let (residual, weight) = self.residual(idx, expected[idx]);
                weight * residual * residual
            })
            .sum();
        misfit + self.penalty(theta)
    }

    /// Residual of one observation on the log scale, and its weight; both zero when it takes no part.
    fn residual(&self, idx: usize, expected: f64) -> (f64, f64) {
        if !self.is_used[idx] {
            return (0.0, 0.0);
        }
        let seen = &self.observations[idx];
        let variance = seen.dispersion / (seen.count + 0.5) + self.model_sd.powi(2);
        ((seen.count + 0.5).ln() - (expected + 0.5).ln(), 1.0 / variance)
    }

    fn penalty(&self, theta: &DVector<f64>) -> f64 {
        let off = theta - &self.prior.mean;
        off.dot(&(&self.prior.precision * &off))
    }

    fn curvature(&self, state: &State) -> Result<Cholesky<f64, nalgebra::Dyn>, InvalidExposure> {
        let mut weighted = state.slopes.clone();
        for (mut row, weight) in weighted.row_iter_mut().zip(state.weight.iter()) {
            row *= *weight;
        }
        let curvature = state.slopes.tr_mul(&weighted) + &self.prior.precision;
        Cholesky::new(curvature).ok_or(InvalidExposure::Improper("the curvature is not positive definite"))
    }
}

/// Which parameters the counts identify.
///
/// Candidates are parameters whose posterior log standard deviation, all others free, is below `fitted_sd_share` of the
/// prior's. In the order of that ratio they are taken in while the Jacobian of the log expected counts over those
/// taken keeps full column rank and a condition number below the limit. Calibrations are measured apart and never fitted.
fn identified(
    model: &Model,
    prior: &Prior,
    covariance: &DMatrix<f64>,
    elasticity: &DMatrix<f64>,
    params: &ExposureParams,
) -> Vec<bool> {
    let ratio = |parameter: usize| covariance[(parameter, parameter)].sqrt() / prior.own_sd[parameter];
    let mut candidates: Vec<usize> =
        (0..=model.distance_idx()).filter(|parameter| ratio(*parameter) < params.fitted_sd_share).collect();
    candidates.sort_by(|a, b| ratio(*a).total_cmp(&ratio(*b)).then(a.cmp(b)));
    let mut taken: Vec<usize> = Vec::new();
    for candidate in candidates {
        taken.push(candidate);
        if !is_well_posed(elasticity, &taken, params.condition_limit) {
            taken.pop();
        }
    }
    (0..model.n_parameters()).map(|parameter| taken.contains(&parameter)).collect()
}

/// The rank of the Jacobian over all parameters that the counts could identify, and how well those fitted are posed.
fn identifiability(
    model: &Model,
    elasticity: &DMatrix<f64>,
    is_used: &[bool],
    is_fitted: &[bool],
) -> Identifiability {
    let all: Vec<usize> = (0..=model.distance_idx()).collect();
    let taken: Vec<usize> = all.iter().copied().filter(|parameter| is_fitted[*parameter]).collect();
    let n_counts = is_used.iter().filter(|used| **used).count();
    let rank = match n_counts {
        0 => 0,
        _ => {
            let values = elasticity.select_columns(&all).singular_values();
            values.iter().filter(|value| **value > RANK_TOLERANCE * values.max()).count()
        }
    };
    let condition = (!taken.is_empty()).then(|| {
        let values = elasticity.select_columns(&taken).singular_values();
        values.max() / values.min()
    });
    Identifiability { n_counts, n_parameters: all.len(), rank, n_fitted: taken.len(), condition }
}

/// A singular value below this share of the largest is a difference quotient's rounding.
const RANK_TOLERANCE: f64 = 1e-6;

/// Full column rank and a condition number below the limit.
fn is_well_posed(jacobian: &DMatrix<f64>, columns: &[usize], condition_limit: f64) -> bool {
    if columns.len() > jacobian.nrows() {
        return false;
    }
    let values = jacobian.select_columns(columns).singular_values();
    let (largest, least) = (values.max(), values.min());
    least > 0.0 && largest / least < condition_limit
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rank_and_condition_decide() {
        let jacobian = DMatrix::from_row_slice(2, 3, &[1.0, 0.5, 0.0, 1.0, 0.5, 1e-4]);
        assert!(is_well_posed(&jacobian, &[0], 1000.0));
        assert!(!is_well_posed(&jacobian, &[0, 1], 1000.0), "proportional columns");
        assert!(!is_well_posed(&jacobian, &[0, 2], 1000.0), "a column that hardly acts");
        assert!(!is_well_posed(&jacobian, &[0, 1, 2], 1000.0), "more columns than counts");
    }
}
