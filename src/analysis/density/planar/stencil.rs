//! The planar kernel between cells, and the share of it that lies inside a study area.

use crate::analysis::density::planar::grid::Grid;
use crate::analysis::density::planar::grid::PlanarParams;

/// The kernel at the offsets between cell centres.
pub(super) struct Stencil {
    /// Cells that it reaches in each direction.
    radius: usize,
    /// For each row from -radius to radius, the values from -half-width to half-width.
    rows: Vec<Vec<f64>>,
}

impl Stencil {
    pub(super) fn new(grid: &Grid, params: &PlanarParams) -> Self {
        let reach = params.kernel.reach_m(params.bandwidth_m) / grid.cell_m;
        // Beyond the far side of the grid there is nothing to reach.
        let radius = (reach.floor() as usize).min(grid.nx.max(grid.ny));
        let scale = (grid.cell_m / params.bandwidth_m).powi(2);
        let signed_radius = radius as i64;
        let rows = (-signed_radius..=signed_radius)
            .map(|dy| {
                let half_width =
                    ((reach * reach - (dy * dy) as f64).max(0.0).sqrt() as i64).min(signed_radius);
                let value = |dx: i64| {
                    params.kernel.at_squared((dx * dx + dy * dy) as f64 * scale, params.bandwidth_m)
                };
                (-half_width..=half_width).map(value).collect()
            })
            .collect();
        Self { radius, rows }
    }

    /// Calls `visit` with the range of cells in the grid and the range in the stencil's row, for every row in the grid.
    fn for_rows(
        &self,
        grid: &Grid,
        [ix, iy]: [usize; 2],
        mut visit: impl FnMut(std::ops::Range<usize>, &[f64]),
    ) {
        let first_row = iy.saturating_sub(self.radius);
        let last_row = (iy + self.radius).min(grid.ny - 1);
        for row in first_row..=last_row {
            let kernel_row = &self.rows[row + self.radius - iy];
            let half_width = kernel_row.len() / 2;
            let from = ix.saturating_sub(half_width);
            let to = (ix + half_width + 1).min(grid.nx);
            let skipped = half_width - (ix - from);
            visit(row * grid.nx + from..row * grid.nx + to, &kernel_row[skipped..skipped + to - from]);
        }
    }

    /// Adds `weight` kernels around a cell.
    pub(super) fn add(&self, values: &mut [f64], grid: &Grid, cell: [usize; 2], weight: f64) {
        let [ix, iy] = cell;
        let reaches_past = |at: usize, n: usize| at < self.radius || at + self.radius >= n;
        if !reaches_past(ix, grid.nx) && !reaches_past(iy, grid.ny) {
            // Nearly all cells: nothing has to be cut off.
            let rows = values[(iy - self.radius) * grid.nx..].chunks_mut(grid.nx);
            for (row, kernel_row) in rows.zip(&self.rows) {
                let from = ix - kernel_row.len() / 2;
                for (value, kernel) in row[from..from + kernel_row.len()].iter_mut().zip(kernel_row) {
                    *value += weight * kernel;
                }
            }
            return;
        }
        self.for_rows(grid, cell, |cells, kernel| {
            for (value, kernel) in values[cells].iter_mut().zip(kernel) {
                *value += weight * kernel;
            }
        });
    }

    fn sum(&self) -> f64 {
        self.rows.iter().flatten().sum()
    }
}

/// Divides by the share of the kernel inside, and clears what is outside.
pub(super) fn correct_edges(values: &mut [f64], grid: &Grid, inside: &[bool], stencil: &Stencil) {
    let whole = stencil.sum();
    let counts = SummedCounts::new(grid, inside);
    for iy in 0..grid.ny {
        for ix in 0..grid.nx {
            let idx = iy * grid.nx + ix;
            if !inside[idx] {
                values[idx] = 0.0;
            } else if values[idx] > 0.0 && !counts.all_inside(grid, [ix, iy], stencil.radius) {
                let mut share = 0.0;
                stencil.for_rows(grid, [ix, iy], |cells, kernel| {
                    share += inside[cells]
                        .iter()
                        .zip(kernel)
                        .filter(|(inside, _)| **inside)
                        .map(|(_, k)| k)
                        .sum::<f64>();
                });
                values[idx] *= whole / share;
            }
        }
    }
}

/// How many cells south-west of each grid corner are inside.
struct SummedCounts {
    width: usize,
    counts: Vec<u32>,
}

impl SummedCounts {
    fn new(grid: &Grid, inside: &[bool]) -> Self {
        let width = grid.nx + 1;
        let mut counts = vec![0; width * (grid.ny + 1)];
        for iy in 0..grid.ny {
            let mut in_row = 0;
            for ix in 0..grid.nx {
                in_row += u32::from(inside[iy * grid.nx + ix]);
                counts[(iy + 1) * width + ix + 1] = counts[iy * width + ix + 1] + in_row;
            }
        }
        Self { width, counts }
    }

    /// Whether the whole square of cells within `radius` lies in the grid and inside.
    fn all_inside(&self, grid: &Grid, [ix, iy]: [usize; 2], radius: usize) -> bool {
        if ix < radius || iy < radius || ix + radius >= grid.nx || iy + radius >= grid.ny {
            return false;
        }
        let (west, east, south, north) = (ix - radius, ix + radius + 1, iy - radius, iy + radius + 1);
        let at = |x: usize, y: usize| i64::from(self.counts[y * self.width + x]);
        let side = (2 * radius + 1) as i64;
        at(east, north) + at(west, south) - at(west, north) - at(east, south) == side * side
    }
}
