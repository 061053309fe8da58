//! Maps of density along the trails and relative to walking, of reports and by whole segments: a line drawn finer would lead
//! to the positions of encounters, and what searches and tracking found would lead to dens.

use crate::analysis::density::relative::Tolerance;
use crate::derived::density::DensityLayer;
use crate::derived::density::DensityParams;
use crate::derived::density::by_segment;
use crate::derived::density::relative;
use crate::derived::study::Answer;
use crate::derived::study::Layers;
use crate::domain::encounter::EffortKind;
use crate::web::pages::density::Map;
use crate::web::study::figures::Drawn;
use crate::web::study::figures::LAND;
use crate::web::study::figures::Part;
use crate::web::study::more_figures::need;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::thousands;
use crate::web::views::svg_map;

/// A map for each effort kind that has encounters; of other kinds than reports it is said why there is none.
pub(super) fn along_trails(layers: &Layers) -> Result<Vec<Part>, String> {
    need(&layers.network)?;
    let part = |(effort, density): &(EffortKind, Answer<DensityLayer>)| {
        let drawn = match density {
            Err(reason) => Err(reason.clone()),
            Ok(density) if density.n_on_trail == 0 => return None,
            Ok(_) if *effort != EffortKind::Report => Err(
                "Reports alone are mapped: others were found where somebody searched or tracked, and a map of them would lead \
                 to dens. The table has them by trail."
                    .to_owned(),
            ),
            Ok(density) => along_trails_of(layers, density, *effort),
        };
        Some(Part { term: effort.term().to_owned(), words: format!("{effort} encounters"), drawn })
    };
    let parts: Vec<Part> = layers.density.iter().filter_map(part).collect();
    if parts.is_empty() { Err("No encounters lie on the trails.".to_owned()) } else { Ok(parts) }
}

fn along_trails_of(layers: &Layers, density: &DensityLayer, effort: EffortKind) -> Result<Drawn, String> {
    let (network, params) = (need(&layers.network)?, DensityParams::set(&layers.facts.settings, effort));
    let map = Map { facts: &layers.facts, network, density, params: &params };
    let of_segment = by_segment::mean_per_km(density);
    let per_km: Vec<f64> =
        (0..density.lixels.len()).map(|lixel| of_segment[density.lixels.edge_of(lixel)]).collect();
    let is_withheld = |lixel: usize| layers.withheld.holds(density.lixels.edge_of(lixel));
    let (drawing, classes) = map.trails_drawing(&per_km, is_withheld);
    let mut notes = vec![
        format!(
            "Encounters recorded a km of trail, mean of each segment: {}, from lightest to darkest.",
            classes.join(", ")
        ),
        format!(
            "{effort} encounters only, {} of them on the trails; {}, bandwidth {:.0} m. Without regard to how many people \
             walk: where many walk, many meet.",
            thousands(density.n_on_trail as i64),
            params.words(),
            density.width.metres
        ),
    ];
    notes.extend(layers.withheld.note());
    Ok(Drawn { drawing: svg_map::draw(&drawing), ground: LAND, notes })
}

/// The map in the plane is on its page and not in the study.
pub(super) fn in_plane(_: &Layers) -> Result<Drawn, String> {
    Err("Left out: the contours of a kernel close around the encounters that they are made of, so that a map of them would lead to \
         positions and to dens. The table has how dense it is and over how large an area."
        .to_owned())
}

/// Reports over walking against even risk, with the statement of the tolerance contours.
pub(super) fn relative(layers: &Layers) -> Result<Drawn, String> {
    let (network, layer) = (need(&layers.network)?, need(&layers.relative_density)?);
    let reports = layers.density.iter().find(|(effort, _)| *effort == EffortKind::Report);
    let (effort, density) = reports.ok_or("No reports lie on the trails.")?;
    let (density, params) = (need(density)?, DensityParams::set(&layers.facts.settings, *effort));
    let map = Map { facts: &layers.facts, network, density, params: &params };
    let found = by_segment::relative(layer);
    let of_lixel = |lixel: usize| found[layer.lixels.edge_of(lixel)];
    let (drawing, classes) = map.relative_drawing(
        layer,
        |lixel| of_lixel(lixel).side,
        |lixel| of_lixel(lixel).ratio,
        |lixel| layers.withheld.holds(layer.lixels.edge_of(lixel)),
    );
    let km_on = |side: Tolerance| {
        let runs = by_segment::outside(network, layer).into_iter().filter(|run| run.side == side);
        let segments = runs.flat_map(|run| run.segments);
        segments.map(|segment| network.network.segments[segment].length_m).sum::<f64>() / 1000.0
    };
    let judged = found.iter().zip(&network.network.segments).filter(|(it, _)| it.ratio.is_some());
    let judged_km = judged.map(|(_, segment)| segment.length_m).sum::<f64>() / 1000.0;
    let mut notes = vec![
        format!(
            "Times the rate of all segments whose walking is known, {} per 1,000 km walked, mean of each segment: {}, from lightest to darkest.",
            format_rate(layer.relative.reference_rate_per_km * 1000.0),
            classes.join(", ")
        ),
        format!(
            "Solid: more than half of the segment lies outside the 95 % tolerance contours, on {:.1} km with more reports than \
             even risk gives, on {:.1} km with fewer, of {judged_km:.1} km judged. Hollow grey: within them, and no statement. \
             Dotted: no walking recorded, or walking assumed and not judged.",
            km_on(Tolerance::High),
            km_on(Tolerance::Low)
        ),
        format!(
            "Pointwise, from {} maps of even risk: one twentieth of such a map, here {:.1} km, lies outside as well.",
            relative::N_MAPS,
            judged_km * relative::OUTSIDE
        ),
        format!(
            "{} reports over {} km walked by parties, both smoothed alike; {}, bandwidth {:.0} m.",
            thousands(layer.n_reports.round() as i64),
            thousands(layer.walked_km.round() as i64),
            params.words(),
            density.width.metres
        ),
    ];
    notes.extend(layers.withheld.note());
    Ok(Drawn { drawing: svg_map::draw(&drawing), ground: LAND, notes })
}
