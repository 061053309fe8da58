//! The one route table, and what every request goes through.

use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::HeaderName;
use axum::http::HeaderValue;
use axum::http::StatusCode;
use axum::http::header;
use axum::middleware;
use axum::routing::get;
use axum::routing::post;
use tower_http::compression::CompressionLayer;
use tower_http::limit::RequestBodyLimitLayer;
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::TimeoutLayer;

use crate::app::App;
use crate::web::api;
use crate::web::assets;
use crate::web::cache;
use crate::web::pages;
use crate::web::report;
use crate::web::waiting;

/// How long an answer may take.
const LONGEST: Duration = Duration::from_secs(60);
/// How long an upload may take.
const LONGEST_UPLOAD: Duration = Duration::from_secs(3600);
/// The largest form that is no upload.
const LARGEST_FORM: usize = 1024 * 1024;
/// Nothing is loaded from outside the server, and nothing runs that stands in a page itself.
const CONTENT_POLICY: &str =
    "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'";

/// All addresses.
pub fn router(app: App) -> Router {
    let largest_upload = app.config().largest_upload_bytes;
    let uploads = Router::new()
        .route("/data/import", get(pages::import::form).post(pages::import::upload))
        .layer(DefaultBodyLimit::disable())
        .layer(RequestBodyLimitLayer::new(largest_upload))
        .layer(TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, LONGEST_UPLOAD));
    let rest = Router::new()
        .route("/", get(pages::map::show))
        .route("/trails", get(pages::trails::show))
        .route("/stretch/{unit}", get(pages::unit::stretch))
        .route("/segment/{id}", get(pages::unit::segment))
        .route("/encounters", get(pages::encounters::list))
        .route("/encounters/{id}", get(pages::encounters::one))
        .route("/analysis", get(pages::analysis::show))
        .route("/rates", get(pages::rates::show))
        .route("/exposure", get(pages::exposure::show))
        .route("/season", get(pages::season::show))
        .route("/clusters", get(pages::clusters::show))
        .route("/density", get(pages::density::show))
        .route("/reactions", get(pages::reactions::show))
        .route("/reactions/latency", get(pages::latency::show))
        .route("/reactions/parts", get(pages::sub_tables::show))
        .route("/observers", get(pages::observers::show))
        .route("/effect", get(pages::effect::show))
        .route("/effect/signs", post(pages::effect::put_up))
        .route("/effect/signs/{id}/down", post(pages::effect::take_down))
        .route("/effect/signs/{id}/inspection", post(pages::effect::inspect))
        .route("/route", get(pages::route::show))
        .route("/watch", get(pages::watch::show))
        .route("/notices", post(pages::watch::make))
        .route("/notices/{id}", get(pages::watch::notice))
        .route("/notices/{id}/withdraw", post(pages::watch::withdraw))
        .route("/reactions/fact-sheet.pdf", get(pages::fact_sheet::show))
        .route("/study", get(pages::study::show))
        .route("/study.zip", get(pages::study::archive))
        .route("/study/{name}", get(pages::study::file))
        .route("/signs", get(pages::signs::show))
        .route("/walks", get(pages::walks::list))
        .route("/walks/{id}", get(pages::walks::one))
        .route("/survey", get(pages::survey::show))
        .route("/about", get(pages::about::show))
        .route("/data", get(pages::data::overview))
        .route("/data/batches/{id}", get(pages::data::batch))
        .route("/data/batches/{id}/undo", post(pages::import::undo))
        .route("/data/rows", get(pages::data::rows))
        .route("/data/rows/{id}", get(pages::import::mend_form).post(pages::import::mend))
        .route("/layers/stretches.geojson", get(api::stretches))
        .route("/layers/segments.geojson", get(api::segments))
        .route("/layers/trails.geojson", get(api::trails))
        .route("/layers/encounters.geojson", get(api::encounters))
        .route("/layers/density.geojson", get(api::density))
        .route("/layers/clusters.geojson", get(api::clusters))
        .route("/layers/signs.geojson", get(api::signs))
        .route("/assets/{name}", get(assets::serve))
        .layer(middleware::from_fn_with_state(app.clone(), waiting::carry_on))
        .layer(RequestBodyLimitLayer::new(LARGEST_FORM))
        .layer(TimeoutLayer::with_status_code(StatusCode::GATEWAY_TIMEOUT, LONGEST));
    let fixed = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
    };
    uploads
        .merge(rest)
        .layer(middleware::from_fn(report::render_errors))
        .layer(middleware::from_fn(cache::write_headers))
        .layer(fixed(header::CONTENT_SECURITY_POLICY, CONTENT_POLICY))
        .layer(fixed(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .layer(fixed(header::REFERRER_POLICY, "no-referrer"))
        .layer(CompressionLayer::new())
        .with_state(app)
}
