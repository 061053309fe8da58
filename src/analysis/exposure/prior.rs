//! The joint prior of the walker model's parameters.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::analysis::exposure::calibration::{Calibration, CalibrationSource};
use crate::analysis::exposure::error::InvalidExposure;
use crate::analysis::exposure::model::{Model, WalkNetwork};
use crate::analysis::exposure::params::ExposureParams;

/// A multivariate normal prior of the log parameters.
pub(crate) struct Prior {
    pub(crate) mean: DVector<f64>,
    pub(crate) covariance: DMatrix<f64>,
    pub(crate) precision: DMatrix<f64>,
    /// Log standard deviation against which a fit is judged: for a volume, what is left when the common scale is known.
    pub(crate) own_sd: Vec<f64>,
}

impl Prior {
    /// The prior of a model.
    ///
    /// Volumes share the uncertain walkers a day for each unit of relative volume; calibrations without own sessions
    /// share the error of the pooled ratio. Everything else is independent.
    ///
    /// # Errors
    /// [`InvalidExposure::Improper`] when the covariance is not positive definite.
    pub(crate) fn of(
        model: &Model,
        network: &WalkNetwork<'_>,
        calibrations: &[Calibration],
        n_days: f64,
        params: &ExposureParams,
    ) -> Result<Self, InvalidExposure> {
        let n = model.n_parameters();
        let mut mean = DVector::zeros(n);
        let mut covariance = DMatrix::zeros(n, n);
        for (idx, head) in network.trailheads.iter().enumerate() {
            mean[idx] = (head.relative_volume * params.walkers_per_unit_day * n_days).ln();
            for other in 0..model.n_trailheads {
                covariance[(idx, other)] = params.volume_scale_log_sd.powi(2);
            }
            covariance[(idx, idx)] += params.volume_log_sd.powi(2);
        }
        for (trail, prior) in network.trails.iter().enumerate() {
            let idx = model.n_trailheads + trail;
            mean[idx] = prior.attractiveness.ln();
            covariance[(idx, idx)] = params.attractiveness_log_sd.powi(2);
        }
        let idx = model.distance_idx();
        mean[idx] = params.mean_distance_m.ln();
        covariance[(idx, idx)] = params.mean_distance_log_sd.powi(2);
        for (counter, calibration) in calibrations.iter().enumerate() {
            let idx = model.calibration_idx(counter);
            mean[idx] = calibration.log_ratio;
            for (other, its) in calibrations.iter().enumerate() {
                let both_borrow =
                    [calibration, its].iter().all(|one| !matches!(one.source, CalibrationSource::Own { .. }));
                if both_borrow {
                    let shared = calibration.shared_log_sd * its.shared_log_sd;
                    covariance[(idx, model.calibration_idx(other))] = shared;
                }
            }
            // A floor keeps the matrix proper where a ratio is known beyond doubt.
            covariance[(idx, idx)] = calibration.log_sd.powi(2) + 1e-8;
        }
        let precision = Cholesky::new(covariance.clone())
            .ok_or(InvalidExposure::Improper("the prior covariance is not positive definite"))?
            .inverse();
        let mut own_sd: Vec<f64> = covariance.diagonal().iter().map(|v| v.sqrt()).collect();
        own_sd[..model.n_trailheads].fill(params.volume_log_sd);
        Ok(Self { mean, covariance, precision, own_sd })
    }
}
