//! Densities by whole segment, as a study tells of them.
//!
//! The kernel around one encounter is highest where it was. Where encounters are few, a line drawn lixel by lixel would lead
//! there; by segment it says no more than the segments' counts do.

use crate::analysis::density::Lixels;
use crate::analysis::density::relative::RelativeDensity;
use crate::analysis::density::relative::RelativeLixel;
use crate::analysis::density::relative::Tolerance;
use crate::derived::density::DensityLayer;
use crate::derived::density::relative::OUTSIDE;
use crate::derived::density::relative::RelativeLayer;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;

/// Mean encounters per km of trail along each segment.
pub fn mean_per_km(density: &DensityLayer) -> Vec<f64> {
    let n_segments = density.on_segment.len();
    // The lixels of a segment are equally long.
    let mean = |segment: usize| {
        mean(density.lixels.of_edge(segment).map(|lixel| density.per_km[lixel])).unwrap_or(0.0)
    };
    (0..n_segments).map(mean).collect()
}

/// Reports over walking along one segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SegmentRelative {
    /// The side of the tolerance contours on which more than half of it lies.
    pub side: Tolerance,
    /// Mean ratio to the rate of all trails together; none where it is not judged.
    pub ratio: Option<f64>,
    /// The least pointwise two-sided p along it; none where it is not judged.
    pub p_value: Option<f64>,
}

/// Relative density of each segment. One whose walking is assumed is not judged.
pub fn relative(layer: &RelativeLayer) -> Vec<SegmentRelative> {
    of_segments(&layer.relative, &layer.lixels, &layer.is_assumed)
}

/// The same before there is a layer.
pub(super) fn of_segments(
    relative: &RelativeDensity,
    lixels: &Lixels,
    is_assumed: &[bool],
) -> Vec<SegmentRelative> {
    (0..is_assumed.len()).map(|segment| of_segment(relative, lixels, is_assumed[segment], segment)).collect()
}

fn of_segment(
    relative: &RelativeDensity,
    lixels: &Lixels,
    is_assumed: bool,
    segment: usize,
) -> SegmentRelative {
    let reference = relative.reference_rate_per_km;
    let not_judged = SegmentRelative { side: Tolerance::Unexposed, ratio: None, p_value: None };
    if is_assumed || reference <= 0.0 {
        return not_judged;
    }
    let lixels = &relative.lixels[lixels.of_edge(segment)];
    let ratios = lixels.iter().filter_map(|lixel| match lixel {
        RelativeLixel::Exposed { rate_per_km, .. } => Some(rate_per_km / reference),
        RelativeLixel::Unexposed => None,
    });
    let Some(ratio) = mean(ratios) else { return not_judged };
    let p_values = lixels.iter().filter_map(|lixel| match lixel {
        RelativeLixel::Exposed { p_high, p_low, .. } => Some((2.0 * p_high.min(*p_low)).min(1.0)),
        RelativeLixel::Unexposed => None,
    });
    let most_lie =
        |side: Tolerance| 2 * lixels.iter().filter(|it| it.tolerance(OUTSIDE) == side).count() > lixels.len();
    let outside = [Tolerance::High, Tolerance::Low].into_iter().find(|side| most_lie(*side));
    SegmentRelative {
        side: outside.unwrap_or(Tolerance::Within),
        ratio: Some(ratio),
        p_value: p_values.min_by(f64::total_cmp),
    }
}

/// Neighbouring segments of one trail that lie on the same side outside the tolerance contours.
#[derive(Debug, Clone, PartialEq)]
pub struct OutsideRun {
    /// The trail.
    pub trail: usize,
    /// Its segments, in walking order.
    pub segments: Vec<usize>,
    /// Where it begins and ends, kilometres along the segments of the trail.
    pub between_km: (f64, f64),
    /// More than even risk gives, or fewer.
    pub side: Tolerance,
    /// Weight of the reports on it in the study period.
    pub n_reports: f64,
    /// Party-kilometres walked on it.
    pub walked_km: f64,
    /// Reports that the rate of all trails together gives for that walking.
    pub expected: f64,
    /// Mean ratio to the rate of all trails together, by length.
    pub mean_ratio: f64,
    /// The segment's ratio that is farthest from one.
    pub farthest_ratio: f64,
    /// The least pointwise two-sided p.
    pub p_value: f64,
    /// The walking and, nothing smoothed, the reports over what the rate of all trails together gives, both with limits; none
    /// where the layer counted no such part.
    pub counted: Option<(Limits, Limits)>,
}

/// The runs outside the tolerance contours, in the order of trails and along each.
pub fn outside(network: &NetworkLayer, layer: &RelativeLayer) -> Vec<OutsideRun> {
    let found = relative(layer);
    let mut runs = Vec::new();
    for (run, segments) in network.network.trail_runs().iter().enumerate() {
        for alike in segments.chunk_by(|a, b| found[*a].side == found[*b].side) {
            let side = found[alike[0]].side;
            if matches!(side, Tolerance::High | Tolerance::Low) {
                runs.push(outside_run(network, layer, &found, network.trail_of_run[run], alike));
            }
        }
    }
    runs.sort_by(|a, b| a.trail.cmp(&b.trail).then(a.between_km.0.total_cmp(&b.between_km.0)));
    runs
}

fn outside_run(
    network: &NetworkLayer,
    layer: &RelativeLayer,
    found: &[SegmentRelative],
    trail: usize,
    segments: &[usize],
) -> OutsideRun {
    let side = found[segments[0]].side;
    let sum = |value: &dyn Fn(usize) -> f64| segments.iter().map(|segment| value(*segment)).sum::<f64>();
    let length_m = |segment: usize| network.network.segments[segment].length_m;
    let ratio = |segment: usize| found[segment].ratio.unwrap_or(0.0);
    let ratios = segments.iter().map(|segment| ratio(*segment));
    let farthest_ratio = match side {
        Tolerance::Low => ratios.fold(f64::INFINITY, f64::min),
        _ => ratios.fold(0.0, f64::max),
    };
    let starts = segments.iter().map(|segment| network.along_m[*segment].0);
    let ends = segments.iter().map(|segment| network.along_m[*segment].1);
    let walked_km = sum(&|segment| layer.walked_on_km[segment]);
    let p_values = segments.iter().filter_map(|segment| found[*segment].p_value);
    let is_of_run = |lixel: &usize| segments.contains(&layer.lixels.edge_of(*lixel));
    let part = layer.outside.iter().find(|part| part.lixels.first().is_some_and(is_of_run));
    OutsideRun {
        trail,
        segments: segments.to_vec(),
        between_km: (starts.fold(f64::INFINITY, f64::min) / 1000.0, ends.fold(0.0, f64::max) / 1000.0),
        side,
        n_reports: sum(&|segment| layer.reports_on[segment]),
        walked_km,
        expected: walked_km * layer.relative.reference_rate_per_km,
        mean_ratio: sum(&|segment| ratio(segment) * length_m(segment)) / sum(&length_m),
        farthest_ratio,
        p_value: p_values.fold(1.0, f64::min),
        counted: part.map(|part| (part.walked_km, part.ratio)),
    }
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, n) = values.fold((0.0, 0), |(sum, n), value| (sum + value, n + 1));
    (n > 0).then(|| sum / f64::from(n))
}
