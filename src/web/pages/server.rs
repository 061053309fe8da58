//! How the server is: a page for administrators, a probe, and metrics.

use axum::extract::Request;
use axum::extract::State;
use axum::http::header;
use axum::middleware::Next;
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
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;
use crate::web::views::server::ServerPage;

/// Counts every answer.
pub async fn count(State(app): State<App>, request: Request, next: Next) -> Response {
    let response = next.run(request).await;
    app.answered().count(response.status().as_u16());
    response
}

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
            ("Running for", hours(health.up_s)),
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
    let text = text(&app.health().await?);
    let kind = [(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")];
    Ok(Cached(CachePolicy::Never, (kind, text)).into_response())
}

fn text(health: &Health) -> String {
    let mut text = String::new();
    let mut gauge = |name: &str, words: &str, value: i64| {
        text.push_str(&format!(
            "# HELP coilway_{name} {words}\n# TYPE coilway_{name} gauge\ncoilway_{name} {value}\n"
        ));
    };
    gauge("data_revision", "Revision of the data.", health.revision as i64);
    gauge("database_bytes", "Size of the database in bytes.", health.database_bytes as i64);
    gauge("database_unused_bytes", "Unused part of the database in bytes.", health.unused_bytes as i64);
    gauge("uptime_seconds", "Seconds since the start.", health.up_s);
    gauge(
        "failed_sign_ins_last_day",
        "Sign-ins that failed in the last day.",
        health.n_failed_sign_ins as i64,
    );
    if let Some(at_s) = health.last_backup_s {
        gauge("last_backup_timestamp_seconds", "When the last backup was written.", at_s);
    }
    text.push_str(
        "# HELP coilway_answers_total Answers since the start.\n# TYPE coilway_answers_total counter\n",
    );
    for (class, count) in ["1xx", "2xx", "3xx", "4xx", "5xx"].iter().zip(health.answers) {
        text.push_str(&format!("coilway_answers_total{{status=\"{class}\"}} {count}\n"));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn metrics_are_in_the_text_format() {
        let health = Health {
            revision: 7,
            database_bytes: 4096,
            unused_bytes: 0,
            last_backup_s: None,
            n_failed_sign_ins: 2,
            answers: [0, 10, 1, 2, 0],
            up_s: 60,
        };
        let text = text(&health);
        assert!(
            text.contains("\ncoilway_data_revision 7\n")
                && text.ends_with("coilway_answers_total{status=\"5xx\"} 0\n")
        );
        assert!(!text.contains("last_backup"));
        for line in text.lines().filter(|line| !line.starts_with('#')) {
            let (name, value) = line.rsplit_once(' ').unwrap();
            assert!(name.starts_with("coilway_") && value.parse::<i64>().is_ok(), "{line}");
        }
    }
}
