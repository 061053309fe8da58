//! What anybody sees: a map and a table of whole trails, and the same as a layer.

use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;
use geo_types::Coord;
use serde_json::Map;
use serde_json::Value;
use serde_json::json;

use crate::analysis::plane::LocalPlane;
use crate::derived::public::LEAST_COUNT;
use crate::derived::public::PublicFigure;
use crate::derived::public::PublicGroup;
use crate::derived::public::PublicLayer;
use crate::domain::geography::LonLat;
use crate::web::auth::Public;
use crate::web::auth::PublicAnswer;
use crate::web::auth::Sight;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::geojson;
use crate::web::geojson::Feature;
use crate::web::geojson::Geometry;
use crate::web::geojson::number;
use crate::web::pages::common;
use crate::web::pages::map;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::public::PublicPage;
use crate::web::views::public::PublicRow;
use crate::web::views::public::PublicWords;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLabel;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::Stroke;

/// The first page: the trail risk map for those who may see exact places, whole trails for everybody else.
pub async fn front(sight: Sight, who: Who, query: Query) -> Result<Response, Error> {
    match sight {
        Sight::Exact(app) => map::show(app, query).await.map(IntoResponse::into_response),
        Sight::Public(app) => page(&app, &who, &query).await,
    }
}

/// What anybody sees. It takes no parameter, so that no two answers can be subtracted from each other.
async fn page(app: &Public, who: &Who, query: &Query) -> Result<Response, Error> {
    query.allow(&[])?;
    let answer = app.layer().await?;
    let (area, layer) = (&answer.area, &answer.layer);
    let page = PublicPage {
        area_name: area.name.clone(),
        emergency_number: area.emergency_number.clone(),
        cautions: app.cautions().clone(),
        keep_distance: area
            .keep_distance
            .map(|length| format!("{} m", length.in_metres()))
            .unwrap_or_default(),
        drawing: drawing(layer),
        bounds: layer.bounds.per_1000_km(),
        rows: layer.groups.iter().map(row).collect(),
        generalised: generalised(layer),
        withheld: WITHHELD.to_owned(),
    };
    let markup = views::layout::public_page(
        &area.name,
        (Reader::from(who), Section::Trails),
        views::public::body(&page),
    );
    Ok(Cached(CachePolicy::ServerOnly(answer.revision), markup).into_response())
}

/// Whole trails as GeoJSON, for those who may see no more.
pub async fn layer(app: &Public, query: &Query) -> Result<Response, Error> {
    query.allow(&[])?;
    let PublicAnswer { layer, revision, .. } = app.layer().await?;
    let features: Vec<Feature> =
        layer.groups.iter().enumerate().map(|(idx, group)| feature(&layer, idx, group)).collect();
    let collection = json!({ "type": "FeatureCollection", "features": features });
    let bytes = serde_json::to_vec(&collection).map_err(|error| Error::Internal(error.to_string()))?;
    let headers = [(header::CONTENT_TYPE, geojson::MEDIA_TYPE)];
    Ok(Cached(CachePolicy::ServerOnly(revision), (headers, bytes)).into_response())
}

const WITHHELD: &str = "Places, dates, times, species, words and names of single records are withheld, as are \
     records near sensitive places and of species whose places must not show, and counts below 5.";

fn generalised(layer: &PublicLayer) -> String {
    format!(
        "Encounters are pooled over whole trails, over all venomous species and over all months and years; trails \
         smaller than {} degree are pooled with their neighbours; counts are rounded to the nearest 5, distances \
         to two digits, and rates are made from the rounded numbers.",
        layer.cell_deg
    )
}

fn feature(layer: &PublicLayer, idx: usize, group: &PublicGroup) -> Feature {
    let lines: Vec<&[LonLat]> = group.lines.iter().map(|(_, line)| line.as_slice()).collect();
    let (rate, encounters, walked_km) = match group.figure {
        PublicFigure::NoWalking => (None, None, None),
        PublicFigure::TooFew { walked_km } => (None, None, Some(walked_km)),
        PublicFigure::Rate { per_1000_km, encounters, walked_km, .. } => {
            (Some(per_1000_km), Some(encounters), Some(walked_km))
        }
    };
    let properties = json!({
        "name": group.names.join(", "),
        "encounters_about": encounters,
        "walked_km_about": number(walked_km, 3),
        "rate_per_1000_km": number(rate.map(|it| it.value), 4),
        "rate_lower": number(rate.map(|it| it.lower), 4),
        "rate_upper": number(rate.map(|it| it.upper), 4),
        "coordinateUncertaintyInMeters": number(Some(group.coordinate_uncertainty.in_metres().ceil()), 0),
        "dataGeneralizations": generalised(layer),
        "informationWithheld": WITHHELD,
    });
    let properties: Map<String, Value> = properties.as_object().cloned().unwrap_or_default();
    Feature::new(idx, Some(Geometry::lines(&lines)), properties)
}

fn row(group: &PublicGroup) -> PublicRow {
    let figure = match group.figure {
        PublicFigure::NoWalking => PublicWords::NoWalking,
        PublicFigure::TooFew { walked_km } => PublicWords::TooFew { least: LEAST_COUNT, walked_km },
        PublicFigure::Rate { per_1000_km, encounters, walked_km, .. } => {
            PublicWords::Rate { rate: common::estimate(per_1000_km), encounters, walked_km }
        }
    };
    PublicRow { names: group.names.clone(), figure }
}

fn drawing(layer: &PublicLayer) -> MapDrawing {
    let positions: Vec<LonLat> = layer
        .groups
        .iter()
        .flat_map(|group| group.lines.iter().flat_map(|(_, line)| line))
        .copied()
        .collect();
    let Some(plane) = LocalPlane::covering(&positions) else { return MapDrawing::default() };
    let at = |position: &LonLat| {
        let Coord { x, y } = plane.to_plane(*position);
        [x, y]
    };
    let mut drawing = MapDrawing {
        description: "The trails, drawn by encounter rate; the table has the numbers".to_owned(),
        ..MapDrawing::default()
    };
    for group in &layer.groups {
        let stroke = match group.figure {
            PublicFigure::NoWalking => Stroke::NoWalking,
            PublicFigure::TooFew { .. } => Stroke::TooWide,
            PublicFigure::Rate { drawn, .. } => common::stroke(drawn),
        };
        let title = group.names.join(", ");
        drawing.lines.extend(group.lines.iter().map(|(_, line)| MapLine {
            points: line.iter().map(at).collect(),
            stroke,
            href: String::new(),
            title: title.clone(),
            picked: false,
        }));
        for (idx, name) in group.names.iter().enumerate() {
            let of_trail = group.lines.iter().filter(|(trail, _)| *trail == idx).map(|(_, line)| line);
            let longest = of_trail.max_by_key(|line| line.len());
            let middle = longest.and_then(|line| line.get(line.len() / 2));
            drawing.labels.extend(middle.map(|position| MapLabel { at: at(position), words: name.clone() }));
        }
    }
    drawing
}
