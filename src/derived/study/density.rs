//! Density of encounters, summed up by trail, and the stretches that stand out against even risk.
//!
//! Where along a trail is told of reports alone and by whole segments, as the tables of rates tell it: the highest point of
//! a kernel would be the position of an encounter, and what searches and tracking found would lead to dens.

use geo::Area;

use crate::analysis::density::relative::RelativeLixel;
use crate::analysis::density::relative::Tolerance;
use crate::derived::density::DensityLayer;
use crate::derived::density::LEVELS;
use crate::derived::density::by_segment;
use crate::derived::density::by_segment::OutsideRun;
use crate::derived::density::relative::N_MAPS;
use crate::derived::density::relative::OUTSIDE;
use crate::derived::density::relative::RelativeLayer;
use crate::derived::network::NetworkLayer;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::domain::encounter::EffortKind;

/// One trail and effort kind.
struct Row {
    trail: usize,
    effort: EffortKind,
    length_km: f64,
    mean_per_km: f64,
    highest_per_km: f64,
    n_records: usize,
    bandwidth_m: f64,
}

pub(super) fn by_trail(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.network)?;
    let mut rows = Vec::new();
    for (effort, density) in &layers.density {
        rows.extend(of_effort(layer, need(density)?, *effort));
    }
    Ok(Table::of(rows)
        .column("trail", "", "name of the trail", |row| layer.network.trails[row.trail].name.clone())
        .column("effort_kind", "", "kind of effort; densities are not divided by it", |row| row.effort.term())
        .column("length_km", "km", "length of the trail's segments", |row| row.length_km)
        .column("mean_per_km", "encounters per km of trail", "mean of the network kernel along it", |row| {
            row.mean_per_km
        })
        .column("highest_per_km", "encounters per km of trail", "highest of the network kernel", |row| {
            row.highest_per_km
        })
        .column("records", "", "encounters of this kind with a position, whole area", |row| row.n_records)
        .column("bandwidth_m", "m", "bandwidth of the kernel", |row| row.bandwidth_m)
        .done())
}

fn of_effort(layer: &NetworkLayer, density: &DensityLayer, effort: EffortKind) -> Vec<Row> {
    let n_trails = layer.network.trails.len();
    let (mut metres, mut sums, mut highest) =
        (vec![0.0; n_trails], vec![0.0; n_trails], vec![0.0f64; n_trails]);
    for lixel in 0..density.lixels.len() {
        let edge = density.lixels.edge_of(lixel);
        let trail = layer.network.segments[edge].trail_idx;
        let length_m = density.lixels.length_m(edge);
        metres[trail] += length_m;
        sums[trail] += density.per_km[lixel] * length_m;
        highest[trail] = highest[trail].max(density.per_km[lixel]);
    }
    let walked = (0..n_trails).filter(|trail| metres[*trail] > 0.0);
    walked
        .map(|trail| Row {
            trail,
            effort,
            length_km: metres[trail] / 1000.0,
            mean_per_km: sums[trail] / metres[trail],
            highest_per_km: highest[trail],
            n_records: density.n_records,
            bandwidth_m: density.width.metres,
        })
        .collect()
}

/// One level of the density in the plane of one effort kind.
struct Level<'a> {
    effort: EffortKind,
    density: &'a DensityLayer,
    level: usize,
}

/// The density in the plane, summed up by level: how dense, and over how large an area. Where is not told: the contours of a
/// kernel lead to the encounters that they are made of.
pub(super) fn in_plane(layers: &Layers) -> Result<Table, String> {
    let mut rows = Vec::new();
    for (effort, density) in &layers.density {
        let density = need(density)?;
        rows.extend((0..density.contours.len()).map(|level| Level { effort: *effort, density, level }));
    }
    Ok(Table::of(rows)
        .column("effort_kind", "", "kind of effort; densities are not divided by it", |row: &Level<'_>| {
            row.effort.term()
        })
        .column("records", "", "encounters of this kind with a position, whole area", |row| {
            row.density.n_records
        })
        .column("outside", "", "of these outside the area that was looked at, left out", |row| {
            row.density.n_outside
        })
        .column("bandwidth_m", "m", "bandwidth of the planar kernel", |row| row.density.plane_width.metres)
        .column("drawn_bandwidth_m", "m", "bandwidth that the grid could hold", |row| {
            row.density.plane_drawn_m
        })
        .column("level", "", "number of the level, the lowest first", |row| row.level + 1)
        .column("share_of_highest", "share", "the level over the highest density", |row| {
            LEVELS.get(row.level).copied()
        })
        .column("level_per_km2", "encounters per square km", "density at the edge of the level", |row| {
            row.density.contours[row.level].level_per_m2 * 1e6
        })
        .column("area_km2", "square km", "area at least as dense", |row| {
            row.density.contours[row.level].polygons.unsigned_area() / 1e6
        })
        .done())
}

/// Reports over walking along one trail.
struct Relative {
    trail: usize,
    judged_km: f64,
    mean_ratio: Option<f64>,
    highest_ratio: Option<f64>,
    more_km: f64,
    fewer_km: f64,
}

pub(super) fn relative_by_trail(layers: &Layers) -> Result<Table, String> {
    let (layer, relative) = (need(&layers.network)?, need(&layers.relative_density)?);
    let rows = (0..layer.network.trails.len()).map(|trail| of_trail(layer, relative, trail)).collect();
    let ratio = "times the rate of all segments whose walking is known";
    let counted = |row: &Relative| relative.by_trail.get(row.trail).copied().flatten();
    Ok(Table::of(rows)
        .column("trail", "", "name of the trail", |row: &Relative| {
            layer.network.trails[row.trail].name.clone()
        })
        .column("judged_km", "km", "of the trail, where walking is known from counters", |row| row.judged_km)
        .column("reports_on_it", "", "reports on the judged part in the study period", |row| {
            counted(row).map(|it| it.count)
        })
        .limits("walked_on_it_km", "km", "walked by parties on the judged part", |row| {
            counted(row).map(|it| it.walked_km)
        })
        .limits(
            "counted_ratio",
            ratio,
            "reports over what the rate of all trails together gives there, nothing smoothed; exact limits that allow for the walking",
            |row| counted(row).map(|it| it.ratio),
        )
        .column("mean_ratio", ratio, "smoothed reports over smoothed walking, mean along it", |row| {
            row.mean_ratio
        })
        .column("highest_ratio", ratio, "the same, highest along it", |row| row.highest_ratio)
        .column("more_km", "km", "above the tolerance contour: more than even risk gives", |row| row.more_km)
        .column("fewer_km", "km", "below the tolerance contour: fewer than even risk gives", |row| {
            row.fewer_km
        })
        .column("outside_by_chance", "share", "of an even map that lies outside the contours", |_| OUTSIDE)
        .column("reports", "", "reports on judged trails, whole area", |_| relative.n_reports)
        .column("walked_km", "km", "walked by parties there, whole area", |_| relative.walked_km)
        .done())
}

fn of_trail(layer: &NetworkLayer, relative: &RelativeLayer, trail: usize) -> Relative {
    let reference = relative.relative.reference_rate_per_km;
    let mut row = Relative {
        trail,
        judged_km: 0.0,
        mean_ratio: None,
        highest_ratio: None,
        more_km: 0.0,
        fewer_km: 0.0,
    };
    let mut sum = 0.0;
    for (lixel, found) in relative.relative.lixels.iter().enumerate() {
        let edge = relative.lixels.edge_of(lixel);
        let RelativeLixel::Exposed { rate_per_km, .. } = *found else { continue };
        if layer.network.segments[edge].trail_idx != trail || relative.is_assumed[edge] || reference <= 0.0 {
            continue;
        }
        let (km, ratio) = (relative.lixels.length_m(edge) / 1000.0, rate_per_km / reference);
        row.judged_km += km;
        sum += ratio * km;
        row.highest_ratio = Some(row.highest_ratio.map_or(ratio, |highest| highest.max(ratio)));
        match found.tolerance(OUTSIDE) {
            Tolerance::High => row.more_km += km,
            Tolerance::Low => row.fewer_km += km,
            Tolerance::Within | Tolerance::Unexposed => {}
        }
    }
    row.mean_ratio = (row.judged_km > 0.0).then(|| sum / row.judged_km);
    row
}

/// The stretches outside the tolerance contours.
pub(super) fn outside(layers: &Layers) -> Result<Table, String> {
    let (layer, relative) = (need(&layers.network)?, need(&layers.relative_density)?);
    let ratio = "times the rate of all segments whose walking is known";
    let per_1000_km = relative.relative.reference_rate_per_km * 1000.0;
    let mut runs = by_segment::outside(layer, relative);
    let n_all = runs.len();
    runs.retain(|run| !layers.withheld.touches(&run.segments));
    let n_withheld = n_all - runs.len();
    let table = Table::of(runs)
        .withholding(n_withheld)
        .column("trail", "", "name of the trail", |run: &OutsideRun| {
            layer.network.trails[run.trail].name.clone()
        })
        .column("from_km", "km", "where it begins, along the trail's segments; whole segments only", |run| {
            run.between_km.0
        })
        .column("to_km", "km", "where it ends", |run| run.between_km.1)
        .column("segments", "", "segments of it, more than half of each outside the contours", |run| {
            run.segments.len()
        })
        .column("side", "", "more or fewer reports than even risk gives", |run| match run.side {
            Tolerance::High => "more",
            Tolerance::Low => "fewer",
            Tolerance::Within | Tolerance::Unexposed => "",
        });
    let table = table
        .column("reports", "", "reports on it in the study period, shared out where uncertain", |run| {
            run.n_reports
        })
        .column("walked_km", "km", "walked by parties on it, mean over draws", |run| run.walked_km)
        .column("walked_km_lower", "km", "lower 95 % limit of walked_km", |run| {
            run.counted.map(|(walked_km, _)| walked_km.lower)
        })
        .column("walked_km_upper", "km", "upper 95 % limit of walked_km", |run| {
            run.counted.map(|(walked_km, _)| walked_km.upper)
        })
        .limits(
            "counted_ratio",
            ratio,
            "reports over expected, nothing smoothed; exact limits that allow for the walking; picked because it stands out",
            |run| run.counted.map(|(_, ratio)| ratio),
        )
        .column(
            "expected",
            "reports",
            "that the rate of all segments whose walking is known gives there",
            |run| run.expected,
        )
        .column("mean_ratio", ratio, "smoothed reports over smoothed walking, mean along it", |run| {
            run.mean_ratio
        })
        .column("farthest_ratio", ratio, "the same of the segment that is farthest from one", |run| {
            run.farthest_ratio
        })
        .column(
            "least_p",
            "probability",
            "least pointwise two-sided p along it, not adjusted for looking everywhere",
            |run| run.p_value,
        );
    Ok(table
        .column("reference_per_1000_km", "per 1,000 km walked", "rate of all judged trails together", |_| {
            per_1000_km
        })
        .column("outside_by_chance", "share", "of an even map that lies outside the contours", |_| OUTSIDE)
        .column("even_maps", "", "maps of even risk behind the contours", |_| N_MAPS)
        .done())
}
