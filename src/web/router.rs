//! The one route table, and what every request goes through.

use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::extract::Request;
use axum::http::HeaderName;
use axum::http::HeaderValue;
use axum::http::StatusCode;
use axum::http::header;
use axum::middleware;
use axum::middleware::Next;
use axum::response::Response;
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
use crate::web::error::Error;
use crate::web::pages;
use crate::web::report;

/// How long an answer may take.
const LONGEST: Duration = Duration::from_secs(60);
/// How long an upload may take.
const LONGEST_UPLOAD: Duration = Duration::from_secs(3600);
/// The largest form that is no upload.
const LARGEST_FORM: usize = 1024 * 1024;
/// Nothing is loaded from outside the server, and nothing runs that stands in a page itself.
const CONTENT_POLICY: &str =
    "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'";

/// Carries on when the reader has gone or the time is up: what was computed by then is there for the next question,
/// instead of being begun again by it.
async fn carry_on(request: Request, next: Next) -> Result<Response, Error> {
    let answer = tokio::spawn(next.run(request));
    answer.await.map_err(|error| Error::Internal(error.to_string()))
}

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
        .route("/encounters/{id}/tie", post(pages::ties::place))
        .route("/encounters/{id}/tie/clear", post(pages::ties::clear))
        .route("/data/ambiguous", get(pages::ties::list))
        .route("/decisions", get(pages::decisions::show).post(pages::decisions::decide))
        .route("/decisions.csv", get(pages::decisions::csv))
        .route("/decisions.json", get(pages::decisions::json))
        .route("/analysis", get(pages::analysis::show))
        .route("/season", get(pages::season::show))
        .route("/reactions", get(pages::reactions::show))
        .route("/signs", get(pages::signs::show))
        .route("/about", get(pages::about::show))
        .route("/data", get(pages::data::overview))
        .route("/data/batches/{id}", get(pages::data::batch))
        .route("/data/batches/{id}/undo", post(pages::import::undo))
        .route("/data/settings", get(pages::settings::show).post(pages::settings::change))
        .route("/data/settings/area", post(pages::settings::change_area))
        .route("/data/rows", get(pages::data::rows))
        .route("/data/rows/{id}", get(pages::import::mend_form).post(pages::import::mend))
        .route("/layers/stretches.geojson", get(api::stretches))
        .route("/layers/segments.geojson", get(api::segments))
        .route("/layers/trails.geojson", get(api::trails))
        .route("/layers/encounters.geojson", get(api::encounters))
        .route("/layers/density.geojson", get(api::density))
        .route("/layers/signs.geojson", get(api::signs))
        .route("/assets/{name}", get(assets::serve))
        .layer(middleware::from_fn(carry_on))
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
