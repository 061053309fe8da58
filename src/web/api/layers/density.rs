//! Density of encounters: in the plane, along the trails, and relative to walking.

use axum::response::Response;
use serde_json::Value;
use serde_json::json;

use crate::analysis::density::planar::Contour;
use crate::analysis::density::relative::RelativeLixel;
use crate::analysis::density::relative::Tolerance;
use crate::derived::density::DensityLayer;
use crate::derived::density::DensityParams;
use crate::derived::density::RelativeLayer;
use crate::derived::density::course;
use crate::derived::density::relative;
use crate::derived::network::NetworkLayer;
use crate::domain::geography::LonLat;
use crate::web::api::layers::Asked;
use crate::web::api::layers::answer;
use crate::web::api::layers::cut;
use crate::web::api::layers::properties;
use crate::web::auth::Exact;
use crate::web::error::Error;
use crate::web::geojson::Feature;
use crate::web::geojson::Geometry;
use crate::web::geojson::number;
use crate::web::geojson::position;
use crate::web::origin::Origin;
use crate::web::pages::density as density_pages;
use crate::web::query::Query;
use crate::web::views::density::Shown;

/// Areas above each level of the density in the plane, lixels with their density, or lixels relative to walking.
pub async fn density(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["show", "effort", "kernel", "rule", "bandwidth", "bbox", "limit", "after"])?;
    let asked = Asked { name: "density", query: &query, origin: &origin };
    let shown = density_pages::shown(&query, Shown::Plane)?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let params = density_pages::params(&query, &facts.settings)?;
    answer(&app, &asked, facts.revision, async || {
        let (network, density) = (deriver.network(&facts).await?, deriver.density(&facts, params).await?);
        let rules = Rules { params, bandwidth_m: density.width.metres };
        let features = match shown {
            Shown::Plane => planes(&network, &density, &rules),
            Shown::Trails => lixels(&network, &density, &rules),
            Shown::Relative => {
                let relative = deriver.relative_density(&facts, params).await?;
                relative_lixels(&network, &relative, &rules)
            }
        };
        cut(&asked, features, &facts)
    })
    .await
}

/// The parameters that every feature says.
struct Rules {
    params: DensityParams,
    bandwidth_m: f64,
}

impl Rules {
    fn add(&self, mut value: Value) -> serde_json::Map<String, Value> {
        value["effortKind"] = json!(self.params.effort.term());
        value["kernel"] = json!(self.params.kernel.term());
        value["bandwidth_m"] = json!(number(Some(self.bandwidth_m), 1));
        properties(value)
    }

    fn add_with_rule(&self, mut value: Value) -> serde_json::Map<String, Value> {
        value["junction_rule"] = json!(self.params.rule.words());
        self.add(value)
    }
}

fn planes(network: &NetworkLayer, density: &DensityLayer, rules: &Rules) -> Vec<Feature> {
    let plane = &network.network.plane;
    let ring = |line: &geo_types::LineString<f64>| -> Vec<[f64; 2]> {
        line.coords().map(|at| position(plane.to_lonlat(*at))).collect()
    };
    let feature = |(level, contour): (usize, &Contour)| {
        let polygons = contour.polygons.iter().map(|polygon| {
            let holes = polygon.interiors().iter().map(ring);
            std::iter::once(ring(polygon.exterior())).chain(holes).collect()
        });
        let properties = rules.add(json!({
            "level": level,
            "encounters_per_km2_from": number(Some(contour.level_per_m2 * 1e6), 3),
            "encounters": density.n_records,
        }));
        Feature::new(level, Some(Geometry::MultiPolygon(polygons.collect())), properties)
    };
    density.contours.iter().enumerate().map(feature).collect()
}

fn lixels(network: &NetworkLayer, density: &DensityLayer, rules: &Rules) -> Vec<Feature> {
    let feature = |lixel: usize| {
        let properties = rules.add_with_rule(json!({
            "trail": network.trail_name(density.lixels.edge_of(lixel)),
            "encounters_per_km": number(Some(density.per_km[lixel]), 4),
            "encounters": density.n_on_trail,
        }));
        Feature::new(lixel, Some(line(network, &density.lixels, lixel)), properties)
    };
    (0..density.lixels.len()).map(feature).collect()
}

fn relative_lixels(network: &NetworkLayer, layer: &RelativeLayer, rules: &Rules) -> Vec<Feature> {
    let reference = layer.relative.reference_rate_per_km;
    let mut part_of: Vec<Option<usize>> = vec![None; layer.lixels.len()];
    for (part, outside) in layer.outside.iter().enumerate() {
        outside.lixels.iter().for_each(|lixel| part_of[*lixel] = Some(part));
    }
    let feature = |(lixel, value): (usize, &RelativeLixel)| {
        let segment = layer.lixels.edge_of(lixel);
        let (rate, p_high, p_low, even) = match *value {
            RelativeLixel::Exposed { rate_per_km, p_high, p_low, even_per_km } => {
                (Some(rate_per_km), Some(p_high), Some(p_low), even_per_km)
            }
            RelativeLixel::Unexposed => (None, None, None, None),
        };
        let per_1000_km = |rate: Option<f64>| number(rate.map(|rate| rate * 1000.0), 4);
        let to_even =
            |rate: Option<f64>| number(rate.filter(|_| reference > 0.0).map(|rate| rate / reference), 4);
        let part = part_of[lixel].map(|part| &layer.outside[part]);
        let tolerance = match value.tolerance(relative::OUTSIDE) {
            _ if layer.is_assumed[segment] => "not judged, walking is assumed",
            Tolerance::High => "above",
            Tolerance::Within => "within",
            Tolerance::Low => "below",
            Tolerance::Unexposed => "no exposure",
        };
        let properties = rules.add_with_rule(json!({
            "trail": network.trail_name(segment),
            "rate_per_1000_km": per_1000_km(rate),
            "rate_per_1000_km_tolerance_lower": per_1000_km(even.map(|limits| limits.0)),
            "rate_per_1000_km_tolerance_upper": per_1000_km(even.map(|limits| limits.1)),
            "ratio_to_even": to_even(rate),
            "ratio_to_even_tolerance_lower": to_even(even.map(|limits| limits.0)),
            "ratio_to_even_tolerance_upper": to_even(even.map(|limits| limits.1)),
            // Of the part of the trail outside the contours that the lixel belongs to, whole segments, as counted.
            "part_encounters": number(part.map(|part| part.count), 2),
            "part_walked_km": number(part.map(|part| part.walked_km.value), 2),
            "part_walked_km_lower": number(part.map(|part| part.walked_km.lower), 2),
            "part_walked_km_upper": number(part.map(|part| part.walked_km.upper), 2),
            "part_ratio_to_even": number(part.map(|part| part.ratio.value), 4),
            "part_ratio_to_even_lower": number(part.map(|part| part.ratio.lower), 4),
            "part_ratio_to_even_upper": number(part.map(|part| part.ratio.upper), 4),
            "p_high": number(p_high, 4),
            "p_low": number(p_low, 4),
            "tolerance": tolerance,
            "maps": relative::N_MAPS,
            "encounters": number(Some(layer.n_reports), 2),
            "walked_km": number(Some(layer.walked_km), 1),
        }));
        Feature::new(lixel, Some(line(network, &layer.lixels, lixel)), properties)
    };
    layer.relative.lixels.iter().enumerate().map(feature).collect()
}

fn line(network: &NetworkLayer, lixels: &crate::analysis::density::Lixels, lixel: usize) -> Geometry {
    let plane = &network.network.plane;
    let points: Vec<LonLat> = course::lixel_line(network, lixels, lixel)
        .into_iter()
        .map(|[x, y]| plane.to_lonlat(geo_types::Coord { x, y }))
        .collect();
    Geometry::line(&points)
}
