//! Reports over walking along the trails, with tolerance contours.

use rayon::prelude::*;

use crate::analysis::clusters::limits_over_draws;
use crate::analysis::density::Event;
use crate::analysis::density::lixel;
use crate::analysis::density::relative::EdgeExposure;
use crate::analysis::density::relative::RelativeDensity;
use crate::analysis::density::relative::TOLERANCE_LEVEL;
use crate::analysis::density::relative::Tolerance;
use crate::analysis::density::relative::relative_density;
use crate::analysis::exposure::Provenance;
use crate::analysis::permutation::Sampling;
use crate::derived::DeriveError;
use crate::derived::density::DensityLayer;
use crate::derived::density::DensityParams;
use crate::derived::density::by_segment;
use crate::derived::density::course;
use crate::derived::density::encounters;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::limits_of;
use crate::derived::season;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps::SnapLayer;
use crate::derived::timing;
use crate::derived::timing::Timing;
use crate::domain::encounter::EffortKind;

use crate::analysis::density::Lixels;

/// Maps of even risk that the tolerance contours rest on.
pub const N_MAPS: usize = 199;
/// Share of an even map that lies outside the tolerance contours.
pub const OUTSIDE: f64 = TOLERANCE_LEVEL;

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
    /// The parts of trails outside the contours: whole segments, more than half of each.
    pub outside: Vec<OutsidePart>,
    /// What was counted on the judged part of each trail; none where nothing of it is judged.
    pub by_trail: Vec<Option<Counted>>,
    /// Weight of the reports that went in, by segment.
    pub reports_on: Vec<f64>,
    /// Party-kilometres that went in, by segment.
    pub walked_on_km: Vec<f64>,
}

/// What was counted on some lixels, nothing smoothed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// Weight of the reports.
    pub count: f64,
    /// Party-kilometres.
    pub walked_km: Limits,
    /// Reports over what even risk would give there. Exact limits of the rounded count, with the mean tail over the draws of
    /// walking.
    pub ratio: Limits,
}

/// A part of a trail outside the contours, with what was counted there.
#[derive(Debug)]
pub struct OutsidePart {
    /// The lixels, in the order of their trail run.
    pub lixels: Vec<usize>,
    /// The trail run they lie on.
    pub trail_run: usize,
    /// Metres along the run to the first lixel and to the end of the last.
    pub between_m: (f64, f64),
    /// Above or below.
    pub side: Tolerance,
    /// Weight of the reports on it.
    pub count: f64,
    /// Party-kilometres on it.
    pub walked_km: Limits,
    /// Reports on it over what even risk would give there: nothing is smoothed. Exact limits of the rounded count, with the mean
    /// tail over the draws of walking.
    pub ratio: Limits,
}

impl RelativeLayer {
    /// The side of the contours on which a lixel lies; one whose walking is assumed is not judged.
    pub fn side(&self, lixel: usize) -> Tolerance {
        side(&self.relative, &self.lixels, &self.is_assumed, lixel)
    }
}

fn side(relative: &RelativeDensity, lixels: &Lixels, is_assumed: &[bool], lixel: usize) -> Tolerance {
    match is_assumed[lixels.edge_of(lixel)] {
        true => Tolerance::Unexposed,
        false => relative.lixels[lixel].tolerance(OUTSIDE),
    }
}

/// What was walked in all draws, party-kilometres.
struct Walked<'a> {
    lixels: &'a Lixels,
    /// By draw and segment.
    draws_km: &'a [f64],
    n_segments: usize,
    /// By draw, on all segments.
    totals_km: Vec<f64>,
}

impl Walked<'_> {
    /// Party-kilometres on some lixels, by draw.
    fn on(&self, lixels: &[usize]) -> Vec<f64> {
        let parts: Vec<(usize, f64)> = lixels
            .chunk_by(|a, b| self.lixels.edge_of(*a) == self.lixels.edge_of(*b))
            .map(|part| {
                let segment = self.lixels.edge_of(part[0]);
                (segment, part.len() as f64 / self.lixels.of_edge(segment).len() as f64)
            })
            .collect();
        let rows = self.draws_km.chunks_exact(self.n_segments.max(1));
        rows.map(|row| parts.iter().map(|(segment, share)| row[*segment] * share).sum()).collect()
    }
}

/// The parts outside the contours with their counts; `on_lixel` has the weight of the reports on each lixel.
fn outside_parts(
    layer: &NetworkLayer,
    walked: &Walked<'_>,
    on_lixel: &[f64],
    side: impl Fn(usize) -> Tolerance + Sync,
) -> Vec<OutsidePart> {
    let runs = course::runs_by(layer, walked.lixels, &side).into_par_iter();
    runs.filter_map(|run| {
        let side = side(run.lixels[0]);
        if !matches!(side, Tolerance::High | Tolerance::Low) {
            return None;
        }
        let Counted { count, walked_km, ratio } = counted(walked, on_lixel, &run.lixels)?;
        let between_m = (run.from_m, run.to_m);
        Some(OutsidePart {
            trail_run: run.trail_run,
            between_m,
            side,
            count,
            walked_km,
            ratio,
            lixels: run.lixels,
        })
    })
    .collect()
}

/// What was counted on some lixels, those of one segment one after the other; none where nobody walked there.
fn counted(walked: &Walked<'_>, on_lixel: &[f64], lixels: &[usize]) -> Option<Counted> {
    let n_reports: f64 = on_lixel.iter().sum();
    let count: f64 = lixels.iter().map(|lixel| on_lixel[*lixel]).sum();
    let mut km = walked.on(lixels);
    let expected = km.iter().zip(&walked.totals_km).map(|(km, total)| n_reports * km / total.max(1e-9));
    let drawn: Vec<(u64, f64)> = expected.map(|expected| (count.round() as u64, expected)).collect();
    let mean = drawn.iter().map(|(_, expected)| expected).sum::<f64>() / drawn.len().max(1) as f64;
    if mean <= 0.0 {
        return None;
    }
    let (lower, upper) = limits_over_draws(&drawn, 1.0, 1.0 - OUTSIDE);
    Some(Counted {
        count,
        walked_km: limits_of(&mut km),
        ratio: Limits { value: count / mean, lower, upper },
    })
}

/// Weight of the events on each lixel.
fn on_lixel(lixels: &Lixels, events: &[Event]) -> Vec<f64> {
    let mut weights = vec![0.0; lixels.len()];
    for event in events {
        let of_edge = lixels.of_edge(event.position.edge);
        let order = (event.position.offset_m / lixels.length_m(event.position.edge)) as usize;
        if let Some(lixel) = of_edge.clone().nth(order.min(of_edge.len().saturating_sub(1))) {
            weights[lixel] += event.weight;
        }
    }
    weights
}

/// Computes the relative density of reports in the study period with the bandwidth of `density`. Where something was closed, `season`
/// says what the walking of the times that were open is worth.
///
/// # Errors
/// [`DeriveError::Unanswerable`] for encounters that are not divided by walking.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    snaps: &SnapLayer,
    exposure: &ExposureLayer,
    (density, params): (&DensityLayer, &DensityParams),
    season: Option<&SeasonLayer>,
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
    let timing = Timing::of(exposure, season);
    let walked = timing::weighed(exposure, timing.as_ref());
    let all_km = if timing.is_some() { walked.means() } else { exposure.mean_km.clone() };
    let mean_km: Vec<f64> = all_km.iter().enumerate().map(|(segment, km)| kept(segment, *km)).collect();
    let n_segments = mean_km.len();
    let draws_km: Vec<f64> =
        walked.party_km.iter().enumerate().map(|(idx, km)| kept(idx % n_segments, *km)).collect();
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
    let weight = |events: &[Event]| events.iter().map(|event| event.weight).sum();
    // Where nobody is said to walk, reports say nothing of even risk.
    let walked_on: Vec<Event> =
        events.iter().filter(|event| mean_km[event.position.edge] > 0.0).copied().collect();
    let walked = Walked {
        lixels: &lixels,
        draws_km: &draws_km,
        n_segments,
        totals_km: draws_km.chunks_exact(n_segments.max(1)).map(|row| row.iter().sum()).collect(),
    };
    let on_lixel = on_lixel(&lixels, &walked_on);
    // By whole segments, as the study tells them: page, layer and tables then have the same parts and numbers.
    let of_segments = by_segment::of_segments(&relative, &lixels, &is_assumed);
    let outside = outside_parts(layer, &walked, &on_lixel, |lixel| of_segments[lixels.edge_of(lixel)].side);
    let mut judged: Vec<Vec<usize>> = vec![Vec::new(); layer.network.trails.len()];
    for (segment, given) in layer.network.segments.iter().enumerate() {
        let is_judged = |lixel: &usize| side(&relative, &lixels, &is_assumed, *lixel) != Tolerance::Unexposed;
        judged[given.trail_idx].extend(lixels.of_edge(segment).filter(is_judged));
    }
    let by_trail = judged.par_iter().map(|judged| counted(&walked, &on_lixel, judged)).collect();
    Ok(RelativeLayer {
        outside,
        by_trail,
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
