//! The bandwidth of a density: set, given, or the most likely one.

use rayon::prelude::*;

use crate::analysis::density::Event;
use crate::analysis::density::Position;
use crate::analysis::density::bandwidth;
use crate::analysis::density::bandwidth::Bandwidth;
use crate::analysis::density::bandwidth::ChosenBandwidth;
use crate::analysis::density::bandwidth::Keyed;
use crate::analysis::snap;
use crate::derived::DeriveError;
use crate::derived::density::params::BandwidthChoice;
use crate::derived::density::params::DensityParams;
use crate::derived::density::plane;
use crate::derived::density::plane::LookedAt;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::snaps;
use crate::domain::time::EventDate;
use crate::store::EncounterRow;

/// Bandwidths tried, least and greatest, metres, and how many.
const TRIED_M: (f64, f64, usize) = (25.0, 3000.0, 17);

/// A bandwidth with where it comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct Width {
    /// The bandwidth, metres.
    pub metres: f64,
    /// Where it comes from.
    pub origin: Origin,
    /// Median standard error of the positions, metres, under which no bandwidth is chosen; none without positions.
    pub floor_m: Option<f64>,
}

/// Where a bandwidth comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Origin {
    /// The area's setting.
    Setting,
    /// The question.
    Given,
    /// The likelihood, with its curve.
    Likelihood(ChosenBandwidth),
    /// The likelihood was asked for, but fewer than two snake-days are left; the area's setting stands in.
    NotEstimable,
}

/// An encounter on the trails: the row, and what is spread of it.
pub(super) struct OnTrail<'a> {
    pub(super) row: &'a EncounterRow,
    /// Whether its position says no more than the trail or the area.
    pub(super) is_vague: bool,
    pub(super) events: Vec<Event>,
}

impl OnTrail<'_> {
    /// Where it lies in the plane, metres, freed of the area's bias; none where that says no more than the trail or the area.
    pub(super) fn in_plane(&self, facts: &Facts, layer: &NetworkLayer) -> Option<[f64; 2]> {
        let recorded = self.row.position.as_ref().filter(|_| !self.is_vague)?;
        let at = layer.network.plane.to_plane(recorded.position);
        Some([at.x - facts.settings.bias_east_m, at.y - facts.settings.bias_north_m])
    }
}

/// How far around the convex hull of the trails is taken for looked at, metres.
pub(super) fn margin_m(facts: &Facts) -> f64 {
    facts.settings.off_trail_m.max(facts.settings.density_margin_m)
}

/// The bandwidths along the trails and in the plane: the same, but where each is chosen by its own likelihood.
pub(super) fn widths(
    facts: &Facts,
    layer: &NetworkLayer,
    encounters: &[OnTrail<'_>],
    params: &DensityParams,
) -> Result<(Width, Width), DeriveError> {
    let floor_m = median_sigma_m(encounters);
    let set_m = facts.settings.bandwidth_m;
    let width = |metres, origin| Width { metres, origin, floor_m };
    let both = |metres, origin| {
        let width = width(metres, origin);
        Ok((width.clone(), width))
    };
    match params.bandwidth {
        BandwidthChoice::Setting => return both(set_m, Origin::Setting),
        BandwidthChoice::Metres(metres) => return both(f64::from(metres), Origin::Given),
        BandwidthChoice::Likelihood => {}
    }
    let places: Vec<Keyed<Position>> = encounters
        .iter()
        .enumerate()
        .filter_map(|(idx, encounter)| {
            let likeliest = encounter.events.iter().max_by(|a, b| a.weight.total_cmp(&b.weight))?;
            Some(Keyed { place: likeliest.position, snake_day: snake_day(encounter.row, idx) })
        })
        .collect();
    let candidates = bandwidth::geometric_candidates(TRIED_M.0, TRIED_M.1, TRIED_M.2);
    let along = bandwidth::network_bandwidth(
        layer.network.graph(),
        &places,
        &candidates,
        floor_m.unwrap_or(0.0),
        &params.network(set_m),
    );
    let chosen = |chosen| match chosen {
        Bandwidth::Chosen(chosen) => width(chosen.bandwidth_m, Origin::Likelihood(chosen)),
        Bandwidth::NotEstimable => width(set_m, Origin::NotEstimable),
    };
    let along = chosen(along.map_err(DeriveError::internal)?);
    let area = LookedAt::of(layer, margin_m(facts));
    let places: Vec<Keyed<[f64; 2]>> = encounters
        .par_iter()
        .enumerate()
        .filter_map(|(idx, encounter)| {
            let place = encounter.in_plane(facts, layer).filter(|at| area.contains(*at))?;
            Some(Keyed { place, snake_day: snake_day(encounter.row, idx) })
        })
        .collect();
    // Bandwidths of pages reach to where the kernel ends, or is cut.
    let (kernel, reach) = plane::kernel(params.kernel);
    let scaled: Vec<f64> = candidates.iter().map(|metres| metres / reach).collect();
    let floor = floor_m.unwrap_or(0.0) / reach;
    let in_plane = bandwidth::planar_bandwidth(&places, &scaled, floor, kernel, area.area_m2())
        .map_err(DeriveError::internal)?;
    Ok((along, chosen(in_plane.times(reach))))
}

/// The same for encounters with one recognised snake on one known day, its own for every other encounter.
fn snake_day(row: &EncounterRow, idx: usize) -> u64 {
    match (row.organism_id, row.time.date) {
        (Some(organism), EventDate::Day(date)) => {
            // The upper half belongs to recognised snakes: 2²⁰ days, and 2⁴³ snakes.
            let day = i64::from(date.year()) * 372 + i64::from(date.month()) * 31 + i64::from(date.day());
            (1 << 63) | (organism.0.cast_unsigned() << 20) | (day.cast_unsigned() & 0xF_FFFF)
        }
        _ => idx as u64,
    }
}

fn median_sigma_m(encounters: &[OnTrail<'_>]) -> Option<f64> {
    let position = |encounter: &OnTrail<'_>| encounter.row.position;
    let mut sigmas: Vec<f64> = encounters
        .iter()
        .filter(|encounter| !encounter.is_vague)
        .filter_map(position)
        .map(|recorded| {
            let accuracy_m = recorded.coordinate_uncertainty.map(|length| length.in_metres());
            snap::sigma_from_accuracy(accuracy_m, snaps::accuracy_meaning(recorded.meaning)).metres()
        })
        .collect();
    sigmas.sort_by(f64::total_cmp);
    sigmas.get(sigmas.len() / 2).copied()
}
