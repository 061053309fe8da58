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
/// Farther than so many bandwidths the Gaussian is less than 1e-13 of what it is at its centre.
const GAUSSIAN_TOLD: f64 = 8.0;

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
    sums_within(points, at_m, (kernel, bandwidth_m), GAUSSIAN_END)
}

/// The same, but that of a Gaussian what lies beyond eight bandwidths is left out.
pub(in crate::analysis::density) fn nearby_density(
    points: &[PlanarPoint],
    at_m: &[[f64; 2]],
    kernel: PlanarKernel,
    bandwidth_m: f64,
) -> Result<Vec<f64>, InvalidDensity> {
    sums_within(points, at_m, (kernel, bandwidth_m), GAUSSIAN_TOLD)
}

fn sums_within(
    points: &[PlanarPoint],
    at_m: &[[f64; 2]],
    (kernel, bandwidth_m): (PlanarKernel, f64),
    gaussian_end: f64,
) -> Result<Vec<f64>, InvalidDensity> {
    check_points(points, bandwidth_m)?;
    if let Some(index) = at_m.iter().position(|at| !at.iter().all(|c| c.is_finite())) {
        return Err(InvalidDensity::Coordinate { index });
    }
    let scale = 1.0 / (bandwidth_m * bandwidth_m);
    let end = match kernel {
        PlanarKernel::Quartic => 1.0,
        PlanarKernel::Gaussian => gaussian_end,
    };
    let value = |at: &[f64; 2], point: &PlanarPoint| {
        let [dx, dy] = [point.position_m[0] - at[0], point.position_m[1] - at[1]];
        let squared = (dx * dx + dy * dy) * scale;
        if squared > end * end { 0.0 } else { point.weight * kernel.at_squared(squared, bandwidth_m) }
    };
    let near = Near::new(points, end * bandwidth_m);
    let sum = |at: &[f64; 2]| near.around(*at).flatten().map(|point| value(at, point)).sum();
    Ok(at_m.par_iter().map(sum).collect())
}

/// Points sorted into the cells of a grid, row by row.
struct Near {
    /// The corner of the first cell.
    least_m: [f64; 2],
    cell_m: f64,
    n_columns: usize,
    n_rows: usize,
    /// Where each cell begins in `points`, and the end of the last.
    starts: Vec<usize>,
    points: Vec<PlanarPoint>,
}

impl Near {
    /// Cells as wide as the reach, or wider where there would be more than a thousand in a row.
    fn new(points: &[PlanarPoint], reach_m: f64) -> Self {
        let bound = |axis: usize, start: f64, further: fn(f64, f64) -> f64| {
            points.iter().map(|point| point.position_m[axis]).fold(start, further)
        };
        let least_m = [0, 1].map(|axis| bound(axis, f64::INFINITY, f64::min));
        let greatest_m = [0, 1].map(|axis| bound(axis, f64::NEG_INFINITY, f64::max));
        let extent_m = f64::max(greatest_m[0] - least_m[0], greatest_m[1] - least_m[1]).max(0.0);
        let cell_m = reach_m.max(extent_m / 1000.0);
        let n_cells = |axis: usize| ((greatest_m[axis] - least_m[axis]).max(0.0) / cell_m) as usize + 1;
        let (n_columns, n_rows) = (n_cells(0), n_cells(1));
        let mut near = Self { least_m, cell_m, n_columns, n_rows, starts: Vec::new(), points: Vec::new() };
        let cells: Vec<usize> = points.iter().map(|point| near.cell_of(point.position_m)).collect();
        near.starts = vec![0; n_columns * n_rows + 1];
        cells.iter().for_each(|cell| near.starts[cell + 1] += 1);
        super::network::accumulate(&mut near.starts);
        let mut next = near.starts.clone();
        near.points = points.to_vec();
        for (point, cell) in points.iter().zip(cells) {
            near.points[next[cell]] = *point;
            next[cell] += 1;
        }
        near
    }

    fn cell_of(&self, at_m: [f64; 2]) -> usize {
        let [column, row] = [0, 1].map(|axis| ((at_m[axis] - self.least_m[axis]) / self.cell_m) as usize);
        row.min(self.n_rows - 1) * self.n_columns + column.min(self.n_columns - 1)
    }

    /// The points of the cells within one cell of a place: all in reach, and some beyond.
    fn around(&self, at_m: [f64; 2]) -> impl Iterator<Item = &[PlanarPoint]> {
        let between = |axis: usize, n_cells: usize| {
            let cell = ((at_m[axis] - self.least_m[axis]) / self.cell_m).floor();
            let within = |cell: f64| cell.clamp(0.0, n_cells as f64) as usize;
            within(cell - 1.0)..within(cell + 2.0)
        };
        let columns = between(0, self.n_columns);
        between(1, self.n_rows).map(move |row| {
            let of_row = &self.starts[row * self.n_columns..=(row + 1) * self.n_columns];
            &self.points[of_row[columns.start]..of_row[columns.end]]
        })
    }
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
    fn cells_leave_out_nothing_in_reach() {
        let mut state = 7u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(1u32 << 31)
        };
        let points: Vec<PlanarPoint> = (0..400)
            .map(|_| PlanarPoint { position_m: [900.0 * random() - 500.0, 300.0 * random()], weight: 1.0 })
            .collect();
        let at: Vec<[f64; 2]> =
            (0..200).map(|_| [1400.0 * random() - 700.0, 700.0 * random() - 200.0]).collect();
        for bandwidth_m in [0.2, 15.0, 130.0, 4000.0] {
            for kernel in [PlanarKernel::Quartic, PlanarKernel::Gaussian] {
                let got = pairwise_density(&points, &at, kernel, bandwidth_m).unwrap();
                for (got, at) in got.iter().zip(&at) {
                    let value = |point: &PlanarPoint| {
                        let [dx, dy] = [point.position_m[0] - at[0], point.position_m[1] - at[1]];
                        kernel.at_squared((dx * dx + dy * dy) / (bandwidth_m * bandwidth_m), bandwidth_m)
                    };
                    let all: f64 = points.iter().map(value).sum();
                    assert!((got - all).abs() <= 1e-12 * all.abs(), "{bandwidth_m} {kernel:?}: {got} {all}");
                }
            }
        }
        let own: Vec<[f64; 2]> = points.iter().map(|point| point.position_m).collect();
        for bandwidth_m in [15.0, 130.0] {
            let all = pairwise_density(&points, &own, PlanarKernel::Gaussian, bandwidth_m).unwrap();
            let near = nearby_density(&points, &own, PlanarKernel::Gaussian, bandwidth_m).unwrap();
            for (all, near) in all.iter().zip(near) {
                assert!((all - near).abs() < 1e-11 * all, "{bandwidth_m}: {all} {near}");
            }
        }
        assert_eq!(pairwise_density(&[], &at, PlanarKernel::Quartic, 10.0).unwrap(), vec![0.0; at.len()]);
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
