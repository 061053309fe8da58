//! How the server is: a page for administrators, a probe, and metrics.

use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;

use crate::app::App;
use crate::app::Health;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::views;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;
use crate::web::views::server::ServerPage;

/// Whether the server answers and can read its database; nothing else.
pub async fn healthz(State(app): State<App>) -> Result<Response, Error> {
    app.store().revision().await?;
    Ok(Cached(CachePolicy::Never, "ok\n").into_response())
}

/// The page.
pub async fn show(State(app): State<App>) -> Result<Response, Error> {
    let health = app.health().await?;
    let now_s = app.clock().now_s();
    let mib = |bytes: u64| format!("{:.1} MiB", bytes as f64 / (1024.0 * 1024.0));
    let page = ServerPage {
        rows: vec![
            ("Data revision", health.revision.to_string()),
            (
                "Database",
                format!("{}, of which {} are unused", mib(health.database_bytes), mib(health.unused_bytes)),
            ),
            ("Room left on its disk", health.free_bytes.map_or("the system does not say".to_owned(), mib)),
            ("Connections", health.n_connections.to_string()),
            ("Running for", hours(health.up_s as i64)),
            ("Answers since the start", answers(&health)),
            ("Failed sign-ins in the last day", health.n_failed_sign_ins.to_string()),
            (
                "Last backup",
                health
                    .last_backup_s
                    .map_or("none is known".to_owned(), |at_s| format!("{} ago", hours(now_s - at_s))),
            ),
        ],
    };
    let frame = Frame {
        title: "Server".to_owned(),
        section: Section::Account,
        area_name: String::new(),
        basis: Basis::default(),
        width: Width::Column,
        reader: Reader::Staff,
    };
    Ok(Cached(CachePolicy::Never, views::layout::page(&frame, views::server::body(&page))).into_response())
}

fn hours(seconds: i64) -> String {
    format!("{} h {} min", seconds / 3600, seconds % 3600 / 60)
}

fn answers(health: &Health) -> String {
    let [_, good, elsewhere, refused, failed] = health.answers;
    format!("{good} good, {elsewhere} led elsewhere, {refused} refused, {failed} failed")
}

/// Metrics in the Prometheus text format, version 0.0.4. No label names a place or a person.
pub async fn metrics(State(app): State<App>) -> Result<Response, Error> {
    let text = app.metrics().text(&app.health().await?)?;
    let kind = [(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")];
    Ok(Cached(CachePolicy::Never, (kind, text)).into_response())
}
