//! Reports over walking along the trails, with tolerance contours.

use crate::analysis::density::lixel;
use crate::analysis::density::relative::EdgeExposure;
use crate::analysis::density::relative::RelativeDensity;
use crate::analysis::density::relative::relative_density;
use crate::analysis::exposure::Provenance;
use crate::analysis::permutation::Sampling;
use crate::derived::DeriveError;
use crate::derived::density::DensityLayer;
use crate::derived::density::DensityParams;
use crate::derived::density::encounters;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::season;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;

use crate::analysis::density::Lixels;

/// Maps of even risk that the tolerance contours rest on.
pub const N_MAPS: usize = 199;
/// Share of an even map that lies outside the tolerance contours.
pub const OUTSIDE: f64 = 0.05;

/// Relative density with what it rests on.
#[derive(Debug)]
pub struct RelativeLayer {
    /// The lixels.
    pub lixels: Lixels,
    /// Encounters per party-kilometre by lixel, with the tails of the tolerance contours.
    pub relative: RelativeDensity,
    /// For each segment whether its walking is assumed: it takes no part, above and below alike.
    pub is_assumed: Vec<bool>,
    /// Weight of the reports on the trails in the study period that went in.
    pub n_reports: f64,
    /// Weight of those on segments whose walking is assumed, left out.
    pub n_on_assumed: f64,
    /// Party-kilometres that went in.
    pub walked_km: f64,
    /// Weight of the reports that went in, by segment.
    pub reports_on: Vec<f64>,
    /// Party-kilometres that went in, by segment.
    pub walked_on_km: Vec<f64>,
}

/// Computes the relative density of reports in the study period with the bandwidth of `density`.
///
/// # Errors
/// [`DeriveError::Unanswerable`] for encounters that are not divided by walking.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    snaps: &SnapLayer,
    exposure: &ExposureLayer,
    density: &DensityLayer,
    params: &DensityParams,
) -> Result<RelativeLayer, DeriveError> {
    if params.effort != EffortKind::Report {
        let words = format!(
            "Only reports are divided by walking: {} encounters have a density, but no relative one.",
            params.effort
        );
        return Err(DeriveError::missing(words));
    }
    let graph = layer.network.graph();
    let is_assumed: Vec<bool> =
        exposure.field.provenance.iter().map(|known| *known == Provenance::Assumed).collect();
    let kept = |segment: usize, km: f64| if is_assumed[segment] { 0.0 } else { km };
    let mean_km: Vec<f64> =
        exposure.mean_km.iter().enumerate().map(|(segment, km)| kept(segment, *km)).collect();
    let n_segments = mean_km.len();
    let draws_km: Vec<f64> =
        exposure.field.party_km.iter().enumerate().map(|(idx, km)| kept(idx % n_segments, *km)).collect();
    let timely = encounters(facts, layer, snaps, params.effort)
        .into_iter()
        .filter(|encounter| season::in_period(exposure, &encounter.row.time));
    let (assumed, events): (Vec<_>, Vec<_>) =
        timely.flat_map(|encounter| encounter.events).partition(|event| is_assumed[event.position.edge]);
    let lixels = Lixels::new(graph, lixel::DEFAULT_LIXEL_M).map_err(DeriveError::internal)?;
    let relative = relative_density(
        graph,
        &events,
        EdgeExposure { mean_km: &mean_km, draws_km: &draws_km },
        &lixels,
        &params.network(density.width.metres),
        Sampling { n_draws: N_MAPS, seed: facts.settings.seed() },
    )
    .map_err(DeriveError::internal)?;
    let mut reports_on = vec![0.0; n_segments];
    for event in &events {
        reports_on[event.position.edge] += event.weight;
    }
    let weight = |events: &[crate::analysis::density::Event]| events.iter().map(|event| event.weight).sum();
    Ok(RelativeLayer {
        lixels,
        relative,
        is_assumed,
        n_reports: weight(&events),
        n_on_assumed: weight(&assumed),
        walked_km: mean_km.iter().sum(),
        reports_on,
        walked_on_km: mean_km,
    })
}
