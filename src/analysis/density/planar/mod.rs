//! Density in the plane, on a grid, and its contours.
//!
//! Points lie in a local plane, in metres. On a grid each value is that at a cell's centre; near the edge of the study
//! area it is divided by the share of the kernel that lies inside, since what happens outside was not looked at.

mod contours;
mod grid;
mod stencil;

pub use contours::{Contour, contours};
pub use grid::{CellDensity, DensityGrid, Grid, Placement, PlanarParams, StudyArea, grid_density};

use std::f64::consts::PI;

use rayon::prelude::*;

use crate::analysis::density::InvalidDensity;

/// Standard deviations at which the Gaussian ends on a grid: it leaves out 4e-6 of the mass.
const GAUSSIAN_REACH: f64 = 5.0;

/// The shape in which one encounter is spread over the plane. Both integrate to one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum PlanarKernel {
    /// 3 / (πh²) (1 - (d/h)²)², zero from one bandwidth on. The default.
    #[default]
    Quartic,
    /// exp(-d²/2h²) / (2πh²): the bandwidth is the standard deviation, and there is no end. On a grid it is cut at five
    /// bandwidths.
    Gaussian,
}

impl PlanarKernel {
    /// The kernel's value at a distance, per square metre. `bandwidth_m` must be positive.
    pub fn density_per_m2(self, distance_m: f64, bandwidth_m: f64) -> f64 {
        self.at_squared(distance_m * distance_m / (bandwidth_m * bandwidth_m), bandwidth_m)
    }

    /// The value at the squared distance in bandwidths.
    fn at_squared(self, squared: f64, bandwidth_m: f64) -> f64 {
        let area_m2 = PI * bandwidth_m * bandwidth_m;
        match self {
            Self::Quartic if squared >= 1.0 => 0.0,
            Self::Quartic => 3.0 / area_m2 * (1.0 - squared) * (1.0 - squared),
            Self::Gaussian => (-0.5 * squared).exp() / (2.0 * area_m2),
        }
    }

    /// How far the kernel reaches on a grid, metres.
    fn reach_m(self, bandwidth_m: f64) -> f64 {
        match self {
            Self::Quartic => bandwidth_m,
            Self::Gaussian => GAUSSIAN_REACH * bandwidth_m,
        }
    }
}

/// From so many bandwidths on the Gaussian is zero as a number.
const GAUSSIAN_END: f64 = 39.0;

/// A weighted point in the local plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanarPoint {
    /// East and north, metres.
    pub position_m: [f64; 2],
    /// How much of an encounter, at least zero.
    pub weight: f64,
}

/// Density at given places, per square metre, in their order; no edge correction.
///
/// Sums over all points in reach of every place, on all threads; the Gaussian reaches to where it is zero as a number. No
/// points give zeros.
///
/// # Errors
/// [`InvalidDensity`] for a bandwidth, coordinate or weight that is not usable.
pub fn pairwise_density(
    points: &[PlanarPoint],
    at_m: &[[f64; 2]],
    kernel: PlanarKernel,
    bandwidth_m: f64,
) -> Result<Vec<f64>, InvalidDensity> {
    check_points(points, bandwidth_m)?;
    if let Some(index) = at_m.iter().position(|at| !at.iter().all(|c| c.is_finite())) {
        return Err(InvalidDensity::Coordinate { index });
    }
    let scale = 1.0 / (bandwidth_m * bandwidth_m);
    let value = |at: &[f64; 2], point: &PlanarPoint| {
        let [dx, dy] = [point.position_m[0] - at[0], point.position_m[1] - at[1]];
        point.weight * kernel.at_squared((dx * dx + dy * dy) * scale, bandwidth_m)
    };
    let reach_m = match kernel {
        PlanarKernel::Quartic => bandwidth_m,
        PlanarKernel::Gaussian => GAUSSIAN_END * bandwidth_m,
    };
    let mut by_x = points.to_vec();
    by_x.sort_by(|a, b| a.position_m[0].total_cmp(&b.position_m[0]));
    let sum = |at: &[f64; 2]| {
        let first = by_x.partition_point(|point| point.position_m[0] < at[0] - reach_m);
        let end = by_x.partition_point(|point| point.position_m[0] <= at[0] + reach_m);
        by_x[first..end].iter().map(|point| value(at, point)).sum()
    };
    Ok(at_m.par_iter().map(sum).collect())
}

fn check_points(points: &[PlanarPoint], bandwidth_m: f64) -> Result<(), InvalidDensity> {
    if !(bandwidth_m.is_finite() && bandwidth_m > 0.0) {
        return Err(InvalidDensity::Bandwidth(bandwidth_m));
    }
    let is_placed = |point: &PlanarPoint| point.position_m[0].is_finite() & point.position_m[1].is_finite();
    let is_weighed = |point: &PlanarPoint| point.weight.is_finite() & (point.weight >= 0.0);
    // One pass without branches: nearly always nothing is wrong.
    if points.iter().fold(true, |good, point| good & is_placed(point) & is_weighed(point)) {
        return Ok(());
    }
    for (index, point) in points.iter().enumerate() {
        if !is_placed(point) {
            return Err(InvalidDensity::Coordinate { index });
        }
        if !is_weighed(point) {
            return Err(InvalidDensity::Weight { index, weight: point.weight });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed forms evaluated independently.
    #[test]
    fn weighted_points_add_up() {
        let point = |x, y, weight| PlanarPoint { position_m: [x, y], weight };
        let points =
            [point(0.0, 0.0, 1.0), point(100.0, 0.0, 1.0), point(40.0, 70.0, 2.0), point(300.0, 300.0, 1.0)];
        let at = [[0.0, 0.0], [50.0, 20.0], [100.0, 100.0], [250.0, 10.0], [299.0, 299.0]];
        let quartic = [9.84638581262e-05, 0.000130810639752, 6.79480264038e-05, 0.0, 4.24337733699e-05];
        let gaussian =
            [2.51115308019e-05, 2.69259393222e-05, 2.41958375187e-05, 1.19744745708e-05, 8.60216173146e-06];
        for (kernel, expected) in [(PlanarKernel::Quartic, quartic), (PlanarKernel::Gaussian, gaussian)] {
            let got = pairwise_density(&points, &at, kernel, 150.0).unwrap();
            for (got, expected) in got.iter().zip(expected) {
                assert!((got - expected).abs() <= 1e-9 * expected, "{kernel:?} {got} {expected}");
            }
        }
    }

    #[test]
    fn bad_points_are_named() {
        let point = |x, weight| PlanarPoint { position_m: [x, 0.0], weight };
        let refused =
            |points: &[PlanarPoint]| pairwise_density(points, &[], PlanarKernel::Quartic, 10.0).unwrap_err();
        assert!(matches!(refused(&[point(f64::NAN, 1.0)]), InvalidDensity::Coordinate { index: 0 }));
        assert!(matches!(refused(&[point(0.0, -1.0)]), InvalidDensity::Weight { .. }));
    }
}
