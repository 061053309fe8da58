//! Density of encounters along the trails and in the plane.

use crate::analysis::density;
use crate::analysis::density::Event;
use crate::analysis::density::Lixels;
use crate::analysis::density::NetworkParams;
use crate::analysis::density::Position;
use crate::analysis::density::planar::Contour;
use crate::analysis::density::planar::Grid;
use crate::analysis::density::planar::Placement;
use crate::analysis::density::planar::PlanarKernel;
use crate::analysis::density::planar::PlanarParams;
use crate::analysis::density::planar::PlanarPoint;
use crate::analysis::density::planar::StudyArea;
use crate::analysis::density::planar::contours;
use crate::analysis::density::planar::grid_density;
use crate::analysis::snap::Snap;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;

/// Side of the cells that planar density is computed on, as a share of the bandwidth.
const CELL_SHARE: f64 = 0.2;
/// Most cells of a planar grid on one side.
const MOST_CELLS: f64 = 1024.0;

/// Densities of one effort kind.
#[derive(Debug)]
pub struct DensityLayer {
    /// The lixels.
    pub lixels: Lixels,
    /// Encounters per km of trail at the centre of each lixel.
    pub per_km: Vec<f64>,
    /// Planar contours, lowest level first; coordinates in the network's plane.
    pub contours: Vec<Contour>,
    /// Encounters behind it.
    pub n_records: usize,
    /// The bandwidth, metres.
    pub bandwidth_m: f64,
}

/// Computes the density of the encounters of one effort kind.
///
/// Fractional weights go into kernels (never into counts), so an encounter that may lie on either of two segments is
/// spread over both.
///
/// # Errors
/// [`DeriveError::Internal`] when parameters and network do not fit together.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    snaps: &SnapLayer,
    effort: EffortKind,
) -> Result<DensityLayer, DeriveError> {
    let bandwidth_m = facts.settings.bandwidth_m;
    let mut events = Vec::new();
    let mut points = Vec::new();
    for record in &snaps.records {
        let row = &facts.encounters.rows[*record];
        if row.effort_kind != effort || !facts.counts(row) {
            continue;
        }
        if let Some(position) = &row.position {
            let at = layer.network.plane.to_plane(position.position);
            points.push(PlanarPoint { position_m: [at.x, at.y], weight: 1.0 });
        }
        events.extend(events_of(layer, snaps.snaps[*record].as_ref()));
    }
    let graph = layer.network.graph();
    let lixels = Lixels::new(graph, density::lixel::DEFAULT_LIXEL_M).map_err(DeriveError::internal)?;
    let params = NetworkParams::continuous(bandwidth_m);
    let per_m = density::lixel_density(graph, &events, &lixels, &params).map_err(DeriveError::internal)?;
    let contours = planar(layer, &points, bandwidth_m)?;
    let per_km = per_m.into_iter().map(|density| density * 1000.0).collect();
    Ok(DensityLayer { lixels, per_km, contours, n_records: points.len(), bandwidth_m })
}

fn events_of(layer: &NetworkLayer, snap: Option<&Snap>) -> Vec<Event> {
    match snap {
        Some(Snap::OnTrail(tied)) => tied
            .candidates
            .iter()
            .map(|candidate| Event {
                position: Position {
                    edge: candidate.nearest.segment_idx,
                    // Rounding may put the foot a hair past the segment's end.
                    offset_m: candidate
                        .nearest
                        .along_m
                        .clamp(0.0, layer.network.segments[candidate.nearest.segment_idx].length_m),
                },
                weight: candidate.weight,
            })
            .collect(),
        Some(Snap::ByHand { segment_idx }) => {
            let offset_m = layer.network.segments[*segment_idx].length_m / 2.0;
            vec![Event { position: Position { edge: *segment_idx, offset_m }, weight: 1.0 }]
        }
        _ => Vec::new(),
    }
}

fn planar(
    layer: &NetworkLayer,
    points: &[PlanarPoint],
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
    let params = PlanarParams { kernel: PlanarKernel::Quartic, bandwidth_m, placement: Placement::Exact };
    let density =
        grid_density(points, &grid, StudyArea::Unbounded, &params).map_err(DeriveError::internal)?;
    let peak = density.peak_per_m2();
    if peak <= 0.0 {
        return Ok(Vec::new());
    }
    let levels: Vec<f64> = [0.1, 0.2, 0.4, 0.6, 0.8].iter().map(|share| share * peak).collect();
    contours(&density, &levels).map_err(DeriveError::internal)
}
