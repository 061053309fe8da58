//! Survey walks as they were matched to the trails.

use axum::response::Response;
use serde_json::json;

use crate::derived::network::NetworkLayer;
use crate::derived::walks::MatchedWalk;
use crate::domain::geography::LonLat;
use crate::domain::walk::Walk;
use crate::web::api::layers::Asked;
use crate::web::api::layers::answer;
use crate::web::api::layers::cut;
use crate::web::api::layers::properties;
use crate::web::auth::Exact;
use crate::web::error::Error;
use crate::web::geojson::Feature;
use crate::web::geojson::Geometry;
use crate::web::geojson::number;
use crate::web::origin::Origin;
use crate::web::pages::walks as walk_pages;
use crate::web::query::Query;

/// Survey walks as lines along the trails, oldest record first; a walk of which nothing lies on the trails has no geometry.
pub async fn walks(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["purpose", "bbox", "limit", "after"])?;
    let purpose = walk_pages::purpose(&query)?;
    let asked = Asked { name: "walks", query: &query, origin: &origin };
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    answer(&app, &asked, facts.revision, async || {
        let (network, layer) = (deriver.network(&facts).await?, deriver.walks(&facts).await?);
        let walks = facts.walks.iter().zip(&layer.walks);
        let shown = walks.filter(|(walk, _)| purpose.is_none_or(|asked| walk.given.purpose == asked));
        cut(&asked, shown.map(|(walk, matched)| feature(&network, walk, matched)).collect(), &facts)
    })
    .await
}

fn feature(network: &NetworkLayer, walk: &Walk, matched: &MatchedWalk) -> Feature {
    let (walked_m, left_out_m) = (matched.matched.walked_m(), matched.matched.left_out_m());
    let of_track_m = walked_m + left_out_m;
    let properties = properties(json!({
        "eventID": walk.given.event_id,
        "purpose": walk.given.purpose.term(),
        "date": matched.start.date().to_string(),
        "start": matched.start.strftime("%H:%M").to_string(),
        "minutes": number(minutes(walk), 0),
        "encounters": matched.encounters.len(),
        "walked_km": number(Some(walked_m / 1000.0), 3),
        "left_out_km": number(Some(left_out_m / 1000.0), 3),
        "matched_share": number((of_track_m > 0.0).then(|| walked_m / of_track_m), 3),
        "href": format!("/walks/{}", walk.id),
    }));
    Feature::new(walk.id.0, geometry(network, matched), properties)
}

/// From its start to its end, or to the last position with a time; none where neither is recorded.
fn minutes(walk: &Walk) -> Option<f64> {
    let last_s = walk.given.end_s.or_else(|| walk.given.track_times_s.last().copied())?;
    (last_s >= walk.given.start_s).then(|| (last_s - walk.given.start_s) as f64 / 60.0)
}

/// One line for each unbroken piece of the track.
fn geometry(network: &NetworkLayer, matched: &MatchedWalk) -> Option<Geometry> {
    let plane = &network.network.plane;
    let pieces = matched.matched.legs.chunk_by(|a, b| a.piece_idx == b.piece_idx);
    let courses: Vec<Vec<LonLat>> = pieces
        .map(|legs| {
            let mut points: Vec<[f64; 2]> =
                legs.iter().flat_map(|leg| walk_pages::leg_points(network, leg)).collect();
            points.dedup_by(|a, b| (a[0] - b[0]).hypot(a[1] - b[1]) < SAME_M);
            points.into_iter().map(|[x, y]| plane.to_lonlat(geo_types::Coord { x, y })).collect()
        })
        .filter(|course: &Vec<LonLat>| course.len() > 1)
        .collect();
    let courses: Vec<&[LonLat]> = courses.iter().map(Vec::as_slice).collect();
    (!courses.is_empty()).then(|| Geometry::lines(&courses))
}

/// Points of a course closer than this are one, metres.
const SAME_M: f64 = 0.005;
