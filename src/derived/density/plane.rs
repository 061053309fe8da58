//! Density in the plane, contoured.

use crate::analysis::density::planar::Contour;
use crate::analysis::density::planar::Grid;
use crate::analysis::density::planar::Placement;
use crate::analysis::density::planar::PlanarKernel;
use crate::analysis::density::planar::PlanarParams;
use crate::analysis::density::planar::PlanarPoint;
use crate::analysis::density::planar::StudyArea;
use crate::analysis::density::planar::contours;
use crate::analysis::density::planar::grid_density;
use crate::derived::DeriveError;
use crate::derived::density::params::Kernel;
use crate::derived::network::NetworkLayer;

/// Side of the cells that planar density is computed on, as a share of the bandwidth.
const CELL_SHARE: f64 = 0.2;
/// Most cells of a planar grid on one side.
const MOST_CELLS: f64 = 1024.0;
/// The levels of the contours, as shares of the highest density.
pub const LEVELS: [f64; 5] = [0.1, 0.2, 0.4, 0.6, 0.8];

/// Contours of the density in the plane, lowest level first; none where there is no density.
///
/// The grid reaches one bandwidth beyond the trails on all sides. There is no boundary of what was looked at, so that
/// nothing is corrected at an edge; pages say so.
pub(super) fn planar(
    layer: &NetworkLayer,
    points: &[PlanarPoint],
    kernel: Kernel,
    bandwidth_m: f64,
) -> Result<Vec<Contour>, DeriveError> {
    let vertices = layer.network.segments.iter().flat_map(|segment| &segment.planar);
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for vertex in vertices {
        for (axis, value) in [vertex.x, vertex.y].into_iter().enumerate() {
            low[axis] = low[axis].min(value - bandwidth_m);
            high[axis] = high[axis].max(value + bandwidth_m);
        }
    }
    let size_m = (high[0] - low[0]).max(high[1] - low[1]);
    let cell_m = (bandwidth_m * CELL_SHARE).max(size_m / MOST_CELLS);
    let n_cells = |axis: usize| ((high[axis] - low[axis]) / cell_m).ceil().max(1.0) as usize;
    let grid = Grid { origin_m: low, cell_m, nx: n_cells(0), ny: n_cells(1) };
    // A Gaussian that is as wide as the one along the trails.
    let (kernel, bandwidth_m) = match kernel {
        Kernel::Quartic => (PlanarKernel::Quartic, bandwidth_m),
        Kernel::Gaussian => (PlanarKernel::Gaussian, (bandwidth_m / 3.0).max(cell_m)),
    };
    let params = PlanarParams { kernel, bandwidth_m, placement: Placement::Exact };
    let density =
        grid_density(points, &grid, StudyArea::Unbounded, &params).map_err(DeriveError::internal)?;
    let peak = density.peak_per_m2();
    if peak <= 0.0 {
        return Ok(Vec::new());
    }
    contours(&density, &LEVELS.map(|share| share * peak)).map_err(DeriveError::internal)
}
