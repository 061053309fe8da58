//! The one route table, and what every request goes through.

use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::HeaderName;
use axum::http::HeaderValue;
use axum::http::StatusCode;
use axum::http::header;
use axum::middleware;
use tower::util::option_layer;
use tower_http::compression::CompressionLayer;
use tower_http::csrf::CsrfLayer;
use tower_http::limit::RequestBodyLimitLayer;
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::TimeoutLayer;

use crate::app::App;
use crate::app::Front;
use crate::domain::account::Right;
use crate::web::api;
use crate::web::assets;
use crate::web::auth::Route;
use crate::web::auth::Routes;
use crate::web::auth::identify;
use crate::web::cache;
use crate::web::kept;
use crate::web::kept::Kept;
use crate::web::pages;
use crate::web::report;
use crate::web::request_log;
use crate::web::waiting;
use crate::web::waiting::Waits;

/// How long an answer may take.
const LONGEST: Duration = Duration::from_secs(60);
/// How long an upload may take.
const LONGEST_UPLOAD: Duration = Duration::from_secs(3600);
/// The largest form that is no upload.
const LARGEST_FORM: usize = 1024 * 1024;
/// Nothing is loaded from outside the server, and nothing runs that stands in a page itself.
const CONTENT_POLICY: &str =
    "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'";

/// Every route with the right it needs.
pub fn routes() -> Vec<Route> {
    [uploads(), rest()].into_iter().flat_map(|routes| routes.finish().1).collect()
}

/// What takes files.
fn uploads() -> Routes {
    Routes::default().post("/data/import", Right::BringIn, pages::import::upload).post(
        "/encounters/{id}/photos",
        Right::BringIn,
        pages::photos::upload,
    )
}

fn rest() -> Routes {
    Routes::default()
        .get("/data/import", Right::BringIn, pages::import::form)
        .get("/", Right::SeePublic, pages::public::front)
        .get("/trails", Right::SeeExact, pages::trails::show)
        .get("/stretch/{unit}", Right::SeeExact, pages::unit::stretch)
        .get("/segment/{id}", Right::SeeExact, pages::unit::segment)
        .get("/encounters", Right::SeeExact, pages::encounters::list)
        .get("/encounters/{id}", Right::SeeExact, pages::encounters::one)
        .get("/photos/{id}", Right::SeeExact, pages::photos::whole)
        .get("/photos/{id}/thumbnail", Right::SeeExact, pages::photos::thumbnail)
        .get("/analysis", Right::SeeExact, pages::analysis::show)
        .get("/season", Right::SeeExact, pages::season::show)
        .get("/reactions", Right::SeeExact, pages::reactions::show)
        .get("/rates", Right::SeeExact, pages::rates::show)
        .get("/exposure", Right::SeeExact, pages::exposure::show)
        .get("/clusters", Right::SeeExact, pages::clusters::show)
        .get("/density", Right::SeeExact, pages::density::show)
        .get("/reactions/latency", Right::SeeExact, pages::latency::show)
        .get("/reactions/parts", Right::SeeExact, pages::sub_tables::show)
        .get("/observers", Right::SeeExact, pages::observers::show)
        .get("/effect", Right::SeeExact, pages::effect::show)
        .post("/effect/signs", Right::Manage, pages::effect::put_up)
        .post("/effect/signs/{id}/down", Right::Manage, pages::effect::take_down)
        .post("/effect/signs/{id}/inspection", Right::Manage, pages::effect::inspect)
        .post("/effect/watches", Right::Manage, pages::effect_watch::record)
        .get("/route", Right::SeeExact, pages::route::show)
        .get("/watch", Right::SeeExact, pages::watch::show)
        .post("/notices", Right::Manage, pages::watch::make)
        .get("/notices/{id}", Right::SeeExact, pages::watch::notice)
        .post("/notices/{id}/withdraw", Right::Manage, pages::watch::withdraw)
        .get("/reactions/fact-sheet.pdf", Right::SeeExact, pages::fact_sheet::show)
        .get("/study", Right::SeeExact, pages::study::show)
        .get("/study.zip", Right::SeeExact, pages::study::archive)
        .get("/study/{name}", Right::SeeExact, pages::study::file)
        .get("/walks", Right::SeeExact, pages::walks::list)
        .get("/walks/{id}", Right::SeeExact, pages::walks::one)
        .get("/survey", Right::SeeExact, pages::survey::show)
        .post("/encounters/review", Right::Manage, pages::review::review)
        .post("/encounters/{id}/tie", Right::BringIn, pages::ties::place)
        .post("/encounters/{id}/tie/clear", Right::BringIn, pages::ties::clear)
        .get("/data/ambiguous", Right::SeeExact, pages::ties::list)
        .get("/decisions", Right::SeeExact, pages::decisions::show)
        .post("/decisions", Right::Manage, pages::decisions::decide)
        .post("/decisions/several", Right::Manage, pages::decisions::decide_several)
        .get("/decisions.csv", Right::SeeExact, pages::decisions::csv)
        .get("/decisions.json", Right::SeeExact, pages::decisions::json)
        .get("/data/settings", Right::SeeExact, pages::settings::show)
        .post("/data/settings", Right::Manage, pages::settings::change)
        .post("/data/settings/area", Right::Manage, pages::settings::change_area)
        .post("/data/settings/reactions", Right::Manage, pages::settings::add_reaction)
        .get("/signs", Right::SeeExact, pages::signs::show)
        .get("/signs/sheets", Right::SeeExact, pages::sign_sheets::show)
        .get("/signs/draw", Right::Manage, pages::sign_plans::form)
        .post("/signs/draw", Right::Manage, pages::sign_plans::draw)
        .get("/signs/keep", Right::Manage, pages::sign_plans::keep_form)
        .post("/signs/keep", Right::Manage, pages::sign_plans::keep)
        .post("/signs/plans/{id}/up", Right::Manage, pages::sign_plans::put_up)
        .get("/signs/plans/{id}", Right::SeeExact, pages::sign_plans::one)
        .get("/about", Right::SeePublic, pages::about::show)
        .get("/data", Right::SeeExact, pages::data::overview)
        .get("/data/own", Right::BringIn, pages::data::own)
        .get("/data/batches/{id}", Right::BringIn, pages::data::batch)
        .post("/data/batches/{id}/undo", Right::Manage, pages::import::undo)
        .get("/data/rows", Right::SeeExact, pages::data::rows)
        .get("/data/rows/{id}", Right::BringIn, pages::import::mend_form)
        .post("/data/rows/{id}", Right::BringIn, pages::import::mend)
        .get("/history", Right::Manage, pages::history::list)
        .get("/history/{kind}/{id}", Right::SeeExact, pages::history::one)
        .post("/history/{kind}/{id}/put-back", Right::Manage, pages::history::put_back)
        .post("/history/{kind}/{id}/withdraw", Right::Manage, pages::history::withdraw)
        .get("/layers/stretches.geojson", Right::SeeExact, api::stretches)
        .get("/layers/segments.geojson", Right::SeeExact, api::segments)
        .get("/layers/trails.geojson", Right::SeePublic, api::trails)
        .get("/layers/encounters.geojson", Right::SeeExact, api::encounters)
        .get("/layers/density.geojson", Right::SeeExact, api::density)
        .get("/layers/clusters.geojson", Right::SeeExact, api::clusters)
        .get("/layers/signs.geojson", Right::SeeExact, api::signs)
        .get("/layers/notices.geojson", Right::SeeExact, api::notices)
        .get("/layers/walks.geojson", Right::SeeExact, api::walks)
        .get("/assets/{name}", Right::SeePublic, assets::serve)
        .get("/healthz", Right::SeePublic, pages::server::healthz)
        .get("/server", Right::SeeServer, pages::server::show)
        .get("/metrics", Right::SeeServer, pages::server::metrics)
        .get("/sign-in", Right::SeePublic, pages::accounts::sign_in_form)
        .post("/sign-in", Right::SeePublic, pages::accounts::sign_in)
        .post("/sign-out", Right::SeePublic, pages::accounts::sign_out)
        .get("/invitation/{token}", Right::SeePublic, pages::accounts::invitation_form)
        .post("/invitation/{token}", Right::SeePublic, pages::accounts::take_invitation)
        .get("/account", Right::HaveAccount, pages::accounts::own)
        .post("/account/password", Right::HaveAccount, pages::accounts::change_password)
        .post("/account/sign-out-everywhere", Right::HaveAccount, pages::accounts::sign_out_everywhere)
        .post("/account/tokens", Right::HaveAccount, pages::accounts::make_token)
        .post("/account/tokens/{id}/revoke", Right::HaveAccount, pages::accounts::revoke_token)
        .get("/accounts", Right::Administer, pages::accounts::all)
        .post("/accounts/invite", Right::Administer, pages::accounts::invite)
        .post("/accounts/{id}", Right::Administer, pages::accounts::change)
        .post("/accounts/{id}/password-link", Right::Administer, pages::accounts::password_link)
}

/// All addresses.
pub fn router(app: App) -> Router {
    let largest_upload = app.config().largest_upload_bytes;
    let (uploads, _) = uploads().finish();
    let uploads = uploads
        .layer(DefaultBodyLimit::disable())
        .layer(RequestBodyLimitLayer::new(largest_upload))
        .layer(TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, LONGEST_UPLOAD));
    let (rest, _) = rest().finish();
    let rest = rest
        .layer(middleware::from_fn_with_state(Kept::new(app.clone()), kept::give))
        .layer(middleware::from_fn_with_state(Waits::new(app.clone()), waiting::carry_on))
        .layer(RequestBodyLimitLayer::new(LARGEST_FORM))
        .layer(TimeoutLayer::with_status_code(StatusCode::GATEWAY_TIMEOUT, LONGEST));
    let fixed = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
    };
    // Without TLS in front browsers ignore it, and nobody could keep to it.
    let strict = match app.config().front {
        Front::Tls => Some(fixed(header::STRICT_TRANSPORT_SECURITY, "max-age=31536000")),
        Front::None => None,
    };
    uploads
        .merge(rest)
        .layer(middleware::from_fn_with_state(app.clone(), identify))
        .layer(CsrfLayer::new())
        .layer(middleware::from_fn(report::render_errors))
        .layer(middleware::from_fn(cache::write_headers))
        .layer(fixed(header::CONTENT_SECURITY_POLICY, CONTENT_POLICY))
        .layer(fixed(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .layer(fixed(header::REFERRER_POLICY, "same-origin"))
        // For browsers that do not know the policy's frame-ancestors.
        .layer(fixed(header::X_FRAME_OPTIONS, "DENY"))
        // Pages of other sites can neither load an answer as a picture or script nor hold on to a window: while there are no
        // accounts, any page that a browser at this machine opens could ask for exact places otherwise.
        .layer(fixed(HeaderName::from_static("cross-origin-resource-policy"), "same-origin"))
        .layer(fixed(HeaderName::from_static("cross-origin-opener-policy"), "same-origin"))
        .layer(option_layer(strict))
        .layer(CompressionLayer::new())
        .layer(middleware::from_fn_with_state(app.clone(), request_log::log))
        .with_state(app)
}
