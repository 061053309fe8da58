//! Planar density on a grid of square cells.

use rayon::prelude::*;

use crate::analysis::density::InvalidDensity;
use crate::analysis::density::planar::PlanarKernel;
use crate::analysis::density::planar::PlanarPoint;
use crate::analysis::density::planar::check_points;
use crate::analysis::density::planar::stencil::Stencil;
use crate::analysis::density::planar::stencil::correct_edges;

/// A grid of square cells in the local plane, rows from south to north, each from west to east.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// East and north of the south-western corner, metres.
    pub origin_m: [f64; 2],
    /// Side of a cell, metres.
    pub cell_m: f64,
    /// Cells in a row.
    pub nx: usize,
    /// Rows.
    pub ny: usize,
}

impl Grid {
    /// The number of cells.
    pub fn n_cells(&self) -> usize {
        self.nx * self.ny
    }

    /// The centre of a cell, metres.
    pub fn centre_m(&self, ix: usize, iy: usize) -> [f64; 2] {
        [
            self.origin_m[0] + (ix as f64 + 0.5) * self.cell_m,
            self.origin_m[1] + (iy as f64 + 0.5) * self.cell_m,
        ]
    }

    /// The cell that holds a place, if one does.
    pub fn cell_of(&self, position_m: [f64; 2]) -> Option<(usize, usize)> {
        let [x, y] = self.in_cells(position_m);
        let is_inside = x >= 0.0 && y >= 0.0 && x < self.nx as f64 && y < self.ny as f64;
        // By way of 32 bits, which is the quicker conversion; a grid of more cells across has no room in memory.
        is_inside.then_some((x as u32 as usize, y as u32 as usize))
    }

    /// Cells east and north of the origin.
    fn in_cells(&self, position_m: [f64; 2]) -> [f64; 2] {
        let per_m = 1.0 / self.cell_m;
        [(position_m[0] - self.origin_m[0]) * per_m, (position_m[1] - self.origin_m[1]) * per_m]
    }

    fn check(&self) -> Result<(), InvalidDensity> {
        if !(self.cell_m.is_finite() && self.cell_m > 0.0) {
            return Err(InvalidDensity::Resolution { what: "cell size in metres", size: self.cell_m });
        }
        if self.n_cells() == 0 {
            return Err(InvalidDensity::Resolution { what: "number of cells", size: 0.0 });
        }
        match self.origin_m.iter().find(|c| !c.is_finite()) {
            Some(&size) => Err(InvalidDensity::Resolution { what: "grid origin", size }),
            None => Ok(()),
        }
    }
}

/// Where points are taken to lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Placement {
    /// Where they are.
    #[default]
    Exact,
    /// At the centre of their cell, up to 0.71 cells away: for many points, since equal cells are then added up first.
    CellCentre,
}

/// How a planar density is computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanarParams {
    /// The kernel's shape.
    pub kernel: PlanarKernel,
    /// Its bandwidth, metres; at least a cell.
    pub bandwidth_m: f64,
    /// Where points are taken to lie.
    pub placement: Placement,
}

/// The area that was looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StudyArea<'a> {
    /// No edge: values are not corrected.
    Unbounded,
    /// Cells inside, one entry a cell in the grid's order. What lies beyond the grid is outside.
    Cells(&'a [bool]),
}

/// The density in one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CellDensity {
    /// Encounters per square metre at the cell's centre.
    PerSquareMetre(f64),
    /// The cell's centre is outside the study area.
    Outside,
}

/// A density on a grid.
#[derive(Debug, Clone, PartialEq)]
pub struct DensityGrid {
    grid: Grid,
    /// Per square metre; zero outside.
    values: Vec<f64>,
    inside: Option<Vec<bool>>,
}

impl DensityGrid {
    /// The grid it lies on.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// The density of a cell.
    pub fn cell(&self, ix: usize, iy: usize) -> CellDensity {
        let idx = iy * self.grid.nx + ix;
        match &self.inside {
            Some(inside) if !inside[idx] => CellDensity::Outside,
            _ => CellDensity::PerSquareMetre(self.values[idx]),
        }
    }

    /// All values per square metre, row by row; zero outside the study area, as contours need them.
    pub fn values_per_m2(&self) -> &[f64] {
        &self.values
    }

    /// The largest value, per square metre.
    pub fn peak_per_m2(&self) -> f64 {
        self.values.iter().copied().fold(0.0, f64::max)
    }
}

/// Density at the centre of every cell.
///
/// Points outside the grid count as far as they reach into it. Inside a study area each value is divided by the share of
/// the kernel around the cell's centre that lies inside, taken over whole cells, so that an even density stays even up to
/// the edge; points outside it should have been left out.
///
/// # Errors
/// [`InvalidDensity`] for input that is not usable, a bandwidth below the cell size, or a study area of another size.
///
/// # References
/// Diggle, P. J. (1985). A kernel method for smoothing point process data. *Applied Statistics* 34, 138-147.
pub fn grid_density(
    points: &[PlanarPoint],
    grid: &Grid,
    area: StudyArea<'_>,
    params: &PlanarParams,
) -> Result<DensityGrid, InvalidDensity> {
    check_points(&[], params.bandwidth_m)?;
    grid.check()?;
    if grid.cell_m > params.bandwidth_m {
        return Err(InvalidDensity::Resolution { what: "cell size for this bandwidth", size: grid.cell_m });
    }
    let stencil = Stencil::new(grid, params);
    let mut values = match params.placement {
        Placement::Exact => {
            check_points(points, params.bandwidth_m)?;
            all_exact(points, grid, params)
        }
        Placement::CellCentre => add_binned(points, grid, &stencil, params)?,
    };
    let inside = match area {
        StudyArea::Unbounded => None,
        StudyArea::Cells(inside) => {
            if inside.len() != grid.n_cells() {
                let (got, expected) = (inside.len(), grid.n_cells());
                return Err(InvalidDensity::Lengths { what: "cells of the study area", got, expected });
            }
            correct_edges(&mut values, grid, inside, &stencil);
            Some(inside.to_vec())
        }
    };
    Ok(DensityGrid { grid: *grid, values, inside })
}

/// Points that one task adds, at least; each has a grid of its own, which are added up at the end.
const POINTS_A_TASK: usize = 50_000;
/// Tasks at most. How many there are does not depend on the threads, so that rounding does not either.
const MOST_TASKS: usize = 4;

/// Adds all points where they lie.
fn all_exact(points: &[PlanarPoint], grid: &Grid, params: &PlanarParams) -> Vec<f64> {
    let of_task = |points: &[PlanarPoint]| {
        let mut values = vec![0.0; grid.n_cells()];
        points.iter().for_each(|point| add_exact(&mut values, grid, point, params));
        values
    };
    let a_task = POINTS_A_TASK.max(points.len().div_ceil(MOST_TASKS));
    let parts: Vec<Vec<f64>> = points.par_chunks(a_task).map(of_task).collect();
    let sum = |mut sums: Vec<f64>, part: Vec<f64>| {
        sums.iter_mut().zip(part).for_each(|(sum, value)| *sum += value);
        sums
    };
    parts.into_iter().reduce(sum).unwrap_or_else(|| vec![0.0; grid.n_cells()])
}

/// Adds one point where it lies.
fn add_exact(values: &mut [f64], grid: &Grid, point: &PlanarPoint, params: &PlanarParams) {
    let reach = params.kernel.reach_m(params.bandwidth_m) / grid.cell_m;
    let [x, y] = grid.in_cells(point.position_m).map(|c| c - 0.5);
    let scale = (grid.cell_m / params.bandwidth_m).powi(2);
    for iy in span(y, reach, grid.ny) {
        let dy = iy as f64 - y;
        let half_width = (reach * reach - dy * dy).max(0.0).sqrt();
        for ix in span(x, half_width, grid.nx) {
            let dx = ix as f64 - x;
            let squared = (dx * dx + dy * dy) * scale;
            values[iy * grid.nx + ix] += point.weight * params.kernel.at_squared(squared, params.bandwidth_m);
        }
    }
}

/// The whole numbers within `reach` of `at`, in 0..n.
fn span(at: f64, reach: f64, n: usize) -> std::ops::Range<usize> {
    let from = (at - reach).ceil().max(0.0) as usize;
    // A cast of a negative number saturates at zero, so what lies wholly below the grid is empty.
    let to = ((at + reach).floor() + 1.0) as usize;
    from..to.min(n).max(from)
}

/// Adds points up by cell, then spreads every occupied cell.
///
/// Points are checked as they are added up, since a pass of its own over millions of them costs as much again: a position in
/// a cell is finite, and the others are looked at one by one. Which of them is wrong is said in the end.
fn add_binned(
    points: &[PlanarPoint],
    grid: &Grid,
    stencil: &Stencil,
    params: &PlanarParams,
) -> Result<Vec<f64>, InvalidDensity> {
    let mut values = vec![0.0; grid.n_cells()];
    let mut binned = vec![0.0; grid.n_cells()];
    let mut is_good = true;
    for point in points {
        is_good &= point.weight >= 0.0 && point.weight < f64::INFINITY;
        match grid.cell_of(point.position_m) {
            Some((ix, iy)) => binned[iy * grid.nx + ix] += point.weight,
            // Beyond the grid there are no cells to add up in.
            None => {
                is_good &= point.position_m.iter().all(|c| c.is_finite());
                add_exact(&mut values, grid, point, params);
            }
        }
    }
    if !is_good {
        check_points(points, params.bandwidth_m)?;
    }
    for (iy, row) in binned.chunks_exact(grid.nx).enumerate() {
        for (ix, &weight) in row.iter().enumerate() {
            if weight > 0.0 {
                stencil.add(&mut values, grid, [ix, iy], weight);
            }
        }
    }
    Ok(values)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::density::planar::pairwise_density;
    use crate::analysis::random::stream;
    use rand::RngExt;

    const GRID: Grid = Grid { origin_m: [-50.0, 20.0], cell_m: 10.0, nx: 40, ny: 30 };

    fn params(kernel: PlanarKernel, placement: Placement) -> PlanarParams {
        PlanarParams { kernel, bandwidth_m: 60.0, placement }
    }

    fn points(n: usize) -> Vec<PlanarPoint> {
        let mut rng = stream(9, 0);
        (0..n)
            .map(|_| PlanarPoint {
                position_m: [rng.random_range(-110.0..410.0), rng.random_range(-40.0..380.0)],
                weight: rng.random_range(0.0..2.0),
            })
            .collect()
    }

    fn centres() -> Vec<[f64; 2]> {
        (0..GRID.ny).flat_map(|iy| (0..GRID.nx).map(move |ix| GRID.centre_m(ix, iy))).collect()
    }

    #[test]
    fn exact_cells_equal_the_sum_over_points() {
        let points = points(200);
        for (kernel, slack) in [(PlanarKernel::Quartic, 1e-15), (PlanarKernel::Gaussian, 1e-8)] {
            let got = grid_density(&points, &GRID, StudyArea::Unbounded, &params(kernel, Placement::Exact))
                .unwrap();
            let expected = pairwise_density(&points, &centres(), kernel, 60.0).unwrap();
            for (got, expected) in got.values_per_m2().iter().zip(expected) {
                assert!((got - expected).abs() <= slack, "{kernel:?} {got} {expected}");
            }
        }
    }

    #[test]
    fn binned_points_at_cell_centres_are_exact() {
        let mut points = points(300);
        for point in &mut points {
            if let Some((ix, iy)) = GRID.cell_of(point.position_m) {
                point.position_m = GRID.centre_m(ix, iy);
            }
        }
        for kernel in [PlanarKernel::Quartic, PlanarKernel::Gaussian] {
            let by = |placement| {
                grid_density(&points, &GRID, StudyArea::Unbounded, &params(kernel, placement)).unwrap()
            };
            let (exact, binned) = (by(Placement::Exact), by(Placement::CellCentre));
            for (a, b) in exact.values_per_m2().iter().zip(binned.values_per_m2()) {
                assert!((a - b).abs() < 1e-9, "{kernel:?} {a} {b}");
            }
        }
    }

    #[test]
    fn a_bad_point_is_named_however_points_are_placed() {
        for placement in [Placement::Exact, Placement::CellCentre] {
            let refused = |nth: usize, position_m: [f64; 2], weight: f64| {
                let mut points = points(50);
                points[nth] = PlanarPoint { position_m, weight };
                let params = params(PlanarKernel::Quartic, placement);
                grid_density(&points, &GRID, StudyArea::Unbounded, &params).unwrap_err()
            };
            let inside = GRID.centre_m(3, 3);
            assert_eq!(refused(7, inside, -1.0), InvalidDensity::Weight { index: 7, weight: -1.0 });
            assert!(matches!(refused(8, inside, f64::NAN), InvalidDensity::Weight { index: 8, .. }));
            for wrong in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                assert_eq!(refused(9, [inside[0], wrong], 1.0), InvalidDensity::Coordinate { index: 9 });
            }
        }
    }

    /// One point in every cell of an odd-shaped area is an even density: corrected, it is even up to the edge; left as
    /// it is, half is lost there.
    #[test]
    fn an_even_density_stays_even_up_to_the_edge() {
        let inside: Vec<bool> = (0..GRID.n_cells())
            .map(|idx| {
                let (ix, iy) = (idx % GRID.nx, idx / GRID.nx);
                iy >= 3 && (ix + iy / 2 < 34) && !((12..17).contains(&ix) && (10..14).contains(&iy))
            })
            .collect();
        let even: Vec<PlanarPoint> = (0..GRID.n_cells())
            .filter(|idx| inside[*idx])
            .map(|idx| PlanarPoint { position_m: GRID.centre_m(idx % GRID.nx, idx / GRID.nx), weight: 1.0 })
            .collect();
        let params = params(PlanarKernel::Quartic, Placement::CellCentre);
        let corrected = grid_density(&even, &GRID, StudyArea::Cells(&inside), &params).unwrap();
        let plain = grid_density(&even, &GRID, StudyArea::Unbounded, &params).unwrap();
        for iy in 0..GRID.ny {
            for ix in 0..GRID.nx {
                match corrected.cell(ix, iy) {
                    CellDensity::PerSquareMetre(value) => {
                        assert!((value - 0.01).abs() < 1e-4, "{ix} {iy} {value}")
                    }
                    CellDensity::Outside => assert!(!inside[iy * GRID.nx + ix]),
                }
            }
        }
        assert!(plain.values_per_m2()[3 * GRID.nx + 10] < 0.0065);
    }

    #[test]
    fn unusable_grids_are_refused() {
        let refused = |grid: Grid| {
            let params = params(PlanarKernel::Quartic, Placement::Exact);
            grid_density(&[], &grid, StudyArea::Unbounded, &params).unwrap_err()
        };
        for grid in [Grid { nx: 0, ..GRID }, Grid { cell_m: 0.0, ..GRID }, Grid { cell_m: 61.0, ..GRID }] {
            assert!(matches!(refused(grid), InvalidDensity::Resolution { .. }), "{grid:?}");
        }
        let short = grid_density(
            &[],
            &GRID,
            StudyArea::Cells(&[true]),
            &params(PlanarKernel::Quartic, Placement::Exact),
        );
        assert!(matches!(short, Err(InvalidDensity::Lengths { got: 1, .. })));
    }
}
