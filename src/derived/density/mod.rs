//! Density of encounters along the trails and in the plane, and relative to walking.

pub mod by_segment;
pub mod course;
pub mod params;
mod plane;
pub mod relative;
mod width;

use crate::analysis::density;
use crate::analysis::density::Event;
use crate::analysis::density::Lixels;
use crate::analysis::density::Position;
use crate::analysis::density::planar::Contour;
use crate::analysis::density::planar::PlanarPoint;
use crate::analysis::snap::Snap;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;

use plane::Widths;
use width::OnTrail;

pub use params::BandwidthChoice;
pub use params::DensityParams;
pub use params::JunctionRule;
pub use params::Kernel;
pub use plane::LEVELS;
pub use relative::RelativeLayer;
pub use width::Origin;
pub use width::Width;

/// Densities of one effort kind.
#[derive(Debug)]
pub struct DensityLayer {
    /// The lixels.
    pub lixels: Lixels,
    /// Encounters per km of trail at the centre of each lixel.
    pub per_km: Vec<f64>,
    /// Planar contours, lowest level first; coordinates in the network's plane.
    pub contours: Vec<Contour>,
    /// Encounters with a position that is good to a segment: what the planar density rests on.
    pub n_records: usize,
    /// Encounters that were generalised on purpose, or whose position is too uncertain for a segment: in neither density, since they
    /// would gather where their positions were rounded to.
    pub n_vague: usize,
    /// Encounters with a position outside the area that was looked at: in no contour.
    pub n_outside: usize,
    /// How far around the convex hull of the trails is taken for looked at, metres.
    pub margin_m: f64,
    /// Encounters tied to the trails: what the density along the trails rests on.
    pub n_on_trail: usize,
    /// Encounters by segment, each shared out by the weights of the segments it may lie on.
    pub on_segment: Vec<f64>,
    /// The bandwidth along the trails.
    pub width: Width,
    /// That in the plane: the same, but where each is chosen by its own likelihood.
    pub plane_width: Width,
    /// The bandwidth that the plane is drawn with, metres: wider where the grid of a large park is no finer.
    pub plane_drawn_m: f64,
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
    params: &DensityParams,
) -> Result<DensityLayer, DeriveError> {
    let encounters = encounters(facts, layer, snaps, params.effort);
    let (width, plane_width) = width::widths(facts, layer, &encounters, params)?;
    let n_on_trail = encounters.iter().filter(|encounter| !encounter.events.is_empty()).count();
    let points: Vec<PlanarPoint> = encounters
        .iter()
        .filter_map(|encounter| encounter.in_plane(facts, layer))
        .map(|position_m| PlanarPoint { position_m, weight: 1.0 })
        .collect();
    let n_vague = encounters.iter().filter(|encounter| encounter.is_vague).count();
    let events: Vec<Event> = encounters.into_iter().flat_map(|encounter| encounter.events).collect();
    let mut on_segment = vec![0.0; layer.network.segments.len()];
    for event in &events {
        on_segment[event.position.edge] += event.weight;
    }
    let graph = layer.network.graph();
    let lixels = Lixels::new(graph, density::lixel::DEFAULT_LIXEL_M).map_err(DeriveError::internal)?;
    let margin_m = width::margin_m(facts);
    let widths = Widths { bandwidth_m: plane_width.metres, margin_m };
    let (per_m, plane) = rayon::join(
        || density::lixel_density(graph, &events, &lixels, &params.network(width.metres)),
        || plane::planar(layer, &points, params.kernel, widths),
    );
    let (per_m, plane) = (per_m.map_err(DeriveError::internal)?, plane?);
    // Where the continuous rule meets many junctions, rounding may leave a hair less than nothing.
    let per_km = per_m.into_iter().map(|density| density.max(0.0) * 1000.0).collect();
    Ok(DensityLayer {
        lixels,
        per_km,
        contours: plane.contours,
        n_records: points.len(),
        n_outside: plane.n_outside,
        n_vague,
        margin_m,
        n_on_trail,
        on_segment,
        width,
        plane_width,
        plane_drawn_m: plane.drawn_m,
    })
}

/// The encounters of an effort kind that go into figures and have a position, with what is spread of each on the trails.
fn encounters<'a>(
    facts: &'a Facts,
    layer: &NetworkLayer,
    snaps: &SnapLayer,
    effort: EffortKind,
) -> Vec<OnTrail<'a>> {
    let rows = snaps.records.iter().map(|record| (*record, &facts.encounters.rows[*record]));
    rows.filter(|(_, row)| row.effort_kind == effort && facts.counts(row))
        .map(|(record, row)| {
            let snap = snaps.snaps[record].as_ref();
            OnTrail {
                row,
                is_vague: matches!(snap, Some(Snap::TooVague { .. })),
                events: events_of(layer, snap),
            }
        })
        .collect()
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
