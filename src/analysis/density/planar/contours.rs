//! Contours of a gridded density as polygons.

use contour::ContourBuilder;
use geo::Area;
use geo::Contains;
use geo::orient::Direction;
use geo::orient::Orient;
use geo_types::Coord;
use geo_types::LineString;
use geo_types::MultiPolygon;
use geo_types::Point;
use geo_types::Polygon;

use crate::analysis::density::InvalidDensity;
use crate::analysis::density::planar::grid::DensityGrid;
use crate::analysis::density::planar::grid::Grid;

/// The ground on which a density is at least a level.
#[derive(Debug, Clone, PartialEq)]
pub struct Contour {
    /// The level, encounters per square metre.
    pub level_per_m2: f64,
    /// Its polygons in the local plane, metres: exteriors counter-clockwise, holes clockwise, as RFC 7946 wants them.
    pub polygons: MultiPolygon<f64>,
}

/// One contour a level, in the order of the levels; a level above the peak has no polygons.
///
/// Lines run between cell centres by linear interpolation. Beyond the grid, and outside the study area, the density
/// counts as zero, so every ring is closed; at the grid's edge it runs along the edge.
///
/// # Errors
/// [`InvalidDensity::Resolution`] when a level is not positive and finite.
pub fn contours(density: &DensityGrid, levels_per_m2: &[f64]) -> Result<Vec<Contour>, InvalidDensity> {
    if let Some(&size) = levels_per_m2.iter().find(|level| !(level.is_finite() && **level > 0.0)) {
        return Err(InvalidDensity::Resolution { what: "contour level per square metre", size });
    }
    let grid = density.grid();
    let padded = padded(density);
    // One row of zeros all round closes the rings; it moves the origin by a cell.
    let builder = ContourBuilder::new(grid.nx + 2, grid.ny + 2, true)
        .x_origin(grid.origin_m[0] - grid.cell_m)
        .y_origin(grid.origin_m[1] - grid.cell_m)
        .x_step(grid.cell_m)
        .y_step(grid.cell_m);
    let lines = builder.lines(&padded, levels_per_m2).map_err(|_| InvalidDensity::Lengths {
        what: "values of the grid",
        got: density.values_per_m2().len(),
        expected: grid.n_cells(),
    })?;
    let contour = |line: contour::Line| {
        let (rings, level_per_m2) = line.into_inner();
        let rings = rings.0.into_iter().map(|ring| within_grid(ring, grid));
        Contour { level_per_m2, polygons: assemble(rings) }
    };
    Ok(lines.into_iter().map(contour).collect())
}

fn padded(density: &DensityGrid) -> Vec<f64> {
    let grid = density.grid();
    let width = grid.nx + 2;
    let mut values = vec![0.0; width * (grid.ny + 2)];
    for (iy, row) in density.values_per_m2().chunks_exact(grid.nx).enumerate() {
        let start = (iy + 1) * width + 1;
        values[start..start + grid.nx].copy_from_slice(row);
    }
    values
}

/// Moves what runs between the outermost cells and the zeros around them onto the grid's edge, and drops repeats.
fn within_grid(mut ring: LineString<f64>, grid: &Grid) -> LineString<f64> {
    let [west, south] = grid.origin_m;
    let (east, north) = (west + grid.nx as f64 * grid.cell_m, south + grid.ny as f64 * grid.cell_m);
    for corner in &mut ring.0 {
        *corner = Coord { x: corner.x.clamp(west, east), y: corner.y.clamp(south, north) };
    }
    ring.0.dedup();
    ring.close();
    ring
}

/// Polygons from rings whose exteriors run one way and holes the other.
///
/// The rings come with the higher ground on one side, so that exteriors are clockwise before they are turned round. A
/// hole belongs to the smallest exterior around it: an island may lie in a hole of another polygon.
fn assemble(rings: impl Iterator<Item = LineString<f64>>) -> MultiPolygon<f64> {
    let (mut shells, mut holes) = (Vec::new(), Vec::new());
    for ring in rings {
        let polygon = Polygon::new(ring, Vec::new());
        let signed_area = polygon.signed_area();
        if signed_area < 0.0 {
            shells.push(polygon);
        } else if signed_area > 0.0 {
            holes.push(polygon.into_inner().0);
        }
    }
    shells.sort_by(|a, b| a.unsigned_area().total_cmp(&b.unsigned_area()));
    let boundaries: Vec<Polygon<f64>> = shells.clone();
    for hole in holes {
        let around = middle_of_first_side(&hole)
            .and_then(|inside| boundaries.iter().position(|shell| shell.contains(&inside)));
        if let Some(around) = around {
            shells[around].interiors_push(hole);
        }
    }
    MultiPolygon::new(shells).orient(Direction::Default)
}

/// A point of a ring that is not one of its corners, where rings of one level may touch.
fn middle_of_first_side(ring: &LineString<f64>) -> Option<Point<f64>> {
    ring.lines().next().map(|side| Point::from((side.start + side.end) / 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::density::planar::PlanarKernel;
    use crate::analysis::density::planar::PlanarPoint;
    use crate::analysis::density::planar::grid::Placement;
    use crate::analysis::density::planar::grid::PlanarParams;
    use crate::analysis::density::planar::grid::StudyArea;
    use crate::analysis::density::planar::grid::grid_density;
    use geo::Validation;
    use geo::Winding;

    const GRID: Grid = Grid { origin_m: [1000.0, -500.0], cell_m: 10.0, nx: 60, ny: 60 };

    fn density(points: &[PlanarPoint], bandwidth_m: f64) -> DensityGrid {
        let params = PlanarParams { kernel: PlanarKernel::Quartic, bandwidth_m, placement: Placement::Exact };
        grid_density(points, &GRID, StudyArea::Unbounded, &params).unwrap()
    }

    fn point(x: f64, y: f64) -> PlanarPoint {
        PlanarPoint { position_m: [1000.0 + x, -500.0 + y], weight: 1.0 }
    }

    /// Points on a circle.
    fn circle(radius_m: f64) -> impl Iterator<Item = PlanarPoint> {
        (0..72).map(move |k| {
            let (sin, cos) = (f64::from(k) * std::f64::consts::TAU / 72.0).sin_cos();
            point(300.0 + radius_m * cos, 300.0 + radius_m * sin)
        })
    }

    fn check_winding(polygons: &MultiPolygon<f64>) {
        assert!(polygons.is_valid(), "{polygons:?}");
        for polygon in polygons {
            assert!(polygon.exterior().is_ccw());
            assert!(polygon.interiors().iter().all(|hole| hole.is_cw()));
        }
    }

    /// One point: the density is a quarter of its peak at d = h √(1/2), so the contour holds half the circle's area.
    #[test]
    fn one_point_gives_one_disc() {
        let density = density(&[point(305.0, 305.0)], 200.0);
        let level = density.peak_per_m2() / 4.0;
        let contours = contours(&density, &[level, 2.0 * density.peak_per_m2()]).unwrap();
        let disc = &contours[0].polygons;
        check_winding(disc);
        assert_eq!(disc.0.len(), 1);
        let expected = std::f64::consts::PI * 200.0 * 200.0 / 2.0;
        assert!((disc.unsigned_area() / expected - 1.0).abs() < 0.01, "{}", disc.unsigned_area());
        assert!(disc.contains(&Point::new(1305.0, -195.0)));
        assert!(contours[1].polygons.0.is_empty());
    }

    /// A ring around an island with a hole: the inner hole is the island's, not the ring's.
    #[test]
    fn holes_belong_to_the_polygon_around_them() {
        let points: Vec<_> = circle(240.0).chain(circle(90.0)).collect();
        let density = density(&points, 50.0);
        let contours = contours(&density, &[density.peak_per_m2() / 4.0]).unwrap();
        let polygons = &contours[0].polygons;
        check_winding(polygons);
        assert_eq!(polygons.0.len(), 2);
        assert!(polygons.iter().all(|polygon| polygon.interiors().len() == 1));
        assert!(polygons.contains(&Point::new(1390.0, -200.0)));
        assert!(!polygons.contains(&Point::new(1300.0, -200.0)));
        assert!(!polygons.contains(&Point::new(1465.0, -200.0)));
    }

    #[test]
    fn rings_close_along_the_edge_of_the_grid() {
        let density = density(&[point(0.0, 300.0), point(600.0, 600.0)], 100.0);
        let contours = contours(&density, &[density.peak_per_m2() / 10.0]).unwrap();
        let polygons = &contours[0].polygons;
        check_winding(polygons);
        assert_eq!(polygons.0.len(), 2);
        let on_edge = |c: &Coord<f64>| c.x == 1000.0 || c.y == 100.0 || c.x == 1600.0;
        assert!(polygons.iter().all(|polygon| polygon.exterior().0.iter().any(on_edge)));
        let inside = |c: &Coord<f64>| (1000.0..=1600.0).contains(&c.x) && (-500.0..=100.0).contains(&c.y);
        assert!(polygons.iter().all(|polygon| polygon.exterior().0.iter().all(inside)));
        assert!(super::contours(&density, &[0.0]).is_err());
    }
}
