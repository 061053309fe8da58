//! Density of encounters, summed up by trail: no curve that would show where along a trail.

use crate::derived::density::DensityLayer;
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
