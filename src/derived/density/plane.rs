//! Density in the plane, contoured.

use std::f64::consts::PI;

use geo::Area;
use geo::ConvexHull;
use geo::Coord;
use geo::Distance;
use geo::Euclidean;
use geo::Length;
use geo::MultiPoint;
use geo::Point;
use geo::Polygon;
use rayon::prelude::*;

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

/// Density in the plane.
pub(super) struct Plane {
    /// Lowest level first; none where there is no density.
    pub(super) contours: Vec<Contour>,
    /// Records outside the area that was looked at: they are in no contour.
    pub(super) n_outside: usize,
    /// The bandwidth that was used, metres: in a large park no finer than the grid is.
    pub(super) drawn_m: f64,
}

/// Contours of the density in the plane over the area that was looked at.
///
/// No boundary of the area is stored, so that is taken for looked at which lies in the convex hull of the trails or within a
/// margin of it. Trails often lie on the edge of their hull: a margin below the bandwidth then raises the densities there. Inside it values are divided by the share of the kernel inside
/// (Diggle 1985), so that an even density is even up to the edge; records outside it are left out and counted.
pub(super) fn planar(
    layer: &NetworkLayer,
    points: &[PlanarPoint],
    kernel: Kernel,
    widths: Widths,
) -> Result<Plane, DeriveError> {
    let Widths { bandwidth_m, margin_m } = widths;
    let vertices = layer.network.segments.iter().flat_map(|segment| &segment.planar);
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for vertex in vertices.clone() {
        for (axis, value) in [vertex.x, vertex.y].into_iter().enumerate() {
            low[axis] = low[axis].min(value - bandwidth_m.max(margin_m));
            high[axis] = high[axis].max(value + bandwidth_m.max(margin_m));
        }
    }
    let size_m = (high[0] - low[0]).max(high[1] - low[1]);
    let cell_m = (bandwidth_m * CELL_SHARE).max(size_m / MOST_CELLS);
    let n_cells = |axis: usize| ((high[axis] - low[axis]) / cell_m).ceil().max(1.0) as usize;
    let grid = Grid { origin_m: low, cell_m, nx: n_cells(0), ny: n_cells(1) };
    // A strip narrower than a cell would fall between the centres of cells.
    let area = LookedAt::new(vertices.copied(), margin_m.max(cell_m));
    let inside: Vec<bool> = (0..grid.n_cells())
        .into_par_iter()
        .map(|cell| area.contains(grid.centre_m(cell % grid.nx, cell / grid.nx)))
        .collect();
    let kept: Vec<PlanarPoint> =
        points.par_iter().filter(|point| area.contains(point.position_m)).copied().collect();
    let n_outside = points.len() - kept.len();
    let (kernel, reach) = self::kernel(kernel);
    let bandwidth_m = (bandwidth_m / reach).max(cell_m);
    let drawn_m = bandwidth_m * reach;
    let params = PlanarParams { kernel, bandwidth_m, placement: Placement::Exact };
    let density =
        grid_density(&kept, &grid, StudyArea::Cells(&inside), &params).map_err(DeriveError::internal)?;
    let peak = density.peak_per_m2();
    if peak <= 0.0 {
        return Ok(Plane { contours: Vec::new(), n_outside, drawn_m });
    }
    let contours = contours(&density, &LEVELS.map(|share| share * peak)).map_err(DeriveError::internal)?;
    Ok(Plane { contours, n_outside, drawn_m })
}

/// A kernel, and how many of its own bandwidths the bandwidth of pages is: a Gaussian as wide as the one along the trails is cut at
/// three standard deviations.
pub(super) fn kernel(kernel: Kernel) -> (PlanarKernel, f64) {
    match kernel {
        Kernel::Quartic => (PlanarKernel::Quartic, 1.0),
        Kernel::Gaussian => (PlanarKernel::Gaussian, 3.0),
    }
}

/// Distances that a planar density depends on, metres.
#[derive(Debug, Clone, Copy)]
pub(super) struct Widths {
    /// The bandwidth.
    pub(super) bandwidth_m: f64,
    /// How far around the hull of the trails is taken for looked at.
    pub(super) margin_m: f64,
}

/// The convex hull of some vertices with what lies within a distance of it.
pub(super) struct LookedAt {
    hull: Polygon<f64>,
    distance_m: f64,
}

impl LookedAt {
    fn new(vertices: impl Iterator<Item = Coord<f64>>, distance_m: f64) -> Self {
        let hull = MultiPoint(vertices.map(Point).collect()).convex_hull();
        Self { hull, distance_m }
    }

    /// That of a network's trails.
    pub(super) fn of(layer: &NetworkLayer, distance_m: f64) -> Self {
        let vertices = layer.network.segments.iter().flat_map(|segment| &segment.planar);
        Self::new(vertices.copied(), distance_m)
    }

    /// Its area, square metres (Steiner's formula: a hull of area A and perimeter L grown by d has A + L d + πd²).
    pub(super) fn area_m2(&self) -> f64 {
        let perimeter_m = Euclidean.length(self.hull.exterior());
        self.hull.unsigned_area() + perimeter_m * self.distance_m + PI * self.distance_m * self.distance_m
    }

    pub(super) fn contains(&self, [x, y]: [f64; 2]) -> bool {
        Euclidean.distance(&Point::new(x, y), &self.hull) <= self.distance_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::density::planar::CellDensity;

    fn square(side_m: f64) -> LookedAt {
        let corners = [(0.0, 0.0), (side_m, 0.0), (side_m, side_m), (0.0, side_m)];
        LookedAt::new(corners.into_iter().map(|(x, y)| Coord { x, y }), 50.0)
    }

    #[test]
    fn what_is_near_the_hull_was_looked_at() {
        let area = square(1000.0);
        for at in [[500.0, 500.0], [-49.0, 500.0], [1030.0, 1030.0]] {
            assert!(area.contains(at), "{at:?}");
        }
        for at in [[-51.0, 500.0], [1040.0, 1040.0]] {
            assert!(!area.contains(at), "{at:?}");
        }
        let grown = 1e6 + 4.0 * 1000.0 * 50.0 + PI * 2500.0;
        assert!((area.area_m2() / grown - 1.0).abs() < 1e-12, "{}", area.area_m2());
        // A single straight trail has a hull without area.
        let line = LookedAt::new([0.0, 400.0, 900.0].into_iter().map(|x| Coord { x, y: 0.0 }), 50.0);
        assert!(
            line.contains([450.0, 40.0]) && !line.contains([450.0, 60.0]) && !line.contains([960.0, 0.0])
        );
    }

    /// Records along the edge of the area: its peak is the higher the less was looked at beyond it, and with a bandwidth around it
    /// the same as without any correction.
    #[test]
    fn a_margin_of_a_bandwidth_leaves_the_edge_uncorrected() {
        let grid = Grid { origin_m: [-400.0, -400.0], cell_m: 20.0, nx: 90, ny: 90 };
        let edge: Vec<PlanarPoint> = (0..50)
            .map(|step| PlanarPoint { position_m: [f64::from(step) * 20.0, 0.0], weight: 1.0 })
            .collect();
        let params =
            PlanarParams { kernel: PlanarKernel::Quartic, bandwidth_m: 200.0, placement: Placement::Exact };
        let peak = |margin_m: f64| {
            let corners = [(0.0, 0.0), (1000.0, 0.0), (1000.0, 1000.0), (0.0, 1000.0)];
            let area = LookedAt::new(corners.into_iter().map(|(x, y)| Coord { x, y }), margin_m);
            let centre = |cell: usize| grid.centre_m(cell % grid.nx, cell / grid.nx);
            let inside: Vec<bool> = (0..grid.n_cells()).map(|cell| area.contains(centre(cell))).collect();
            grid_density(&edge, &grid, StudyArea::Cells(&inside), &params).unwrap().peak_per_m2()
        };
        let naive = grid_density(&edge, &grid, StudyArea::Unbounded, &params).unwrap().peak_per_m2();
        let (narrow, middle, wide) = (peak(20.0), peak(100.0), peak(400.0));
        assert!(narrow > 1.2 * middle && middle > wide, "{narrow} {middle} {wide}");
        assert!((wide / naive - 1.0).abs() < 1e-9, "{wide} {naive}");
    }

    /// One record in every cell: corrected, the density is even up to the edge and adds up to all records; without the
    /// correction half is missing at the edge, and what is missing lies outside.
    #[test]
    fn an_even_density_keeps_its_mass_and_is_flat_at_the_edge() {
        let area = square(1000.0);
        let grid = Grid { origin_m: [-250.0, -250.0], cell_m: 20.0, nx: 75, ny: 75 };
        let centre = |cell: usize| grid.centre_m(cell % grid.nx, cell / grid.nx);
        let inside: Vec<bool> = (0..grid.n_cells()).map(|cell| area.contains(centre(cell))).collect();
        let point = |cell: usize| PlanarPoint { position_m: centre(cell), weight: 1.0 };
        let even: Vec<PlanarPoint> = (0..grid.n_cells()).filter(|cell| inside[*cell]).map(point).collect();
        for kernel in [PlanarKernel::Quartic, PlanarKernel::Gaussian] {
            let params = PlanarParams { kernel, bandwidth_m: 60.0, placement: Placement::Exact };
            let by = |area| grid_density(&even, &grid, area, &params).unwrap();
            let (corrected, naive) = (by(StudyArea::Cells(&inside)), by(StudyArea::Unbounded));
            let per_cell = 1.0 / (20.0 * 20.0);
            for cell in (0..grid.n_cells()).filter(|cell| inside[*cell]) {
                let CellDensity::PerSquareMetre(got) = corrected.cell(cell % grid.nx, cell / grid.nx) else {
                    panic!("{cell} is outside")
                };
                assert!((got / per_cell - 1.0).abs() < 0.01, "{kernel:?} {got}");
            }
            let mass = |values: &[f64], is_in: bool| -> f64 {
                let cells = (0..grid.n_cells()).filter(|cell| inside[*cell] == is_in);
                cells.map(|cell| values[cell] * 400.0).sum::<f64>() / even.len() as f64
            };
            assert!((mass(corrected.values_per_m2(), true) - 1.0).abs() < 0.01);
            assert!(mass(naive.values_per_m2(), true) < 0.98 && mass(naive.values_per_m2(), false) > 0.02);
            let edge = grid.cell_of([-45.0, 500.0]).unwrap();
            let at_edge = naive.values_per_m2()[edge.1 * grid.nx + edge.0];
            assert!(at_edge / per_cell < 0.7, "{at_edge}");
        }
    }
}
