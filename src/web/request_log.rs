//! One line a request, and a count: what was asked, what became of it, and how long it took.
//!
//! The route is logged as the route table has it, never the address: addresses hold keys of records, search words and the
//! secrets of one-time links. Nor is there any name, client address or header.

use std::time::Duration;

use axum::extract::MatchedPath;
use axum::extract::Request;
use axum::extract::State;
use axum::http::Method;
use axum::middleware::Next;
use axum::response::Response;

use crate::app::App;

/// An answer that took longer is worth a warning.
const SLOW: Duration = Duration::from_secs(10);
/// What stands for an address that is none of the routes.
const NO_ROUTE: &str = "none";

/// Logs and counts every answer once, when its head is ready.
pub(super) async fn log(State(app): State<App>, request: Request, next: Next) -> Response {
    let method = method(request.method());
    let route = request.extensions().get::<MatchedPath>().cloned();
    let watch = app.clock().stopwatch();
    let response = next.run(request).await;
    let route = route.as_ref().map_or(NO_ROUTE, MatchedPath::as_str);
    let status = response.status().as_u16();
    let took = watch.elapsed();
    let duration_ms = took.as_millis() as u64;
    app.metrics().answered(route, status, took);
    if status >= 500 || took > SLOW {
        tracing::warn!(method, route, status, duration_ms, "request answered");
    } else {
        tracing::info!(method, route, status, duration_ms, "request answered");
    }
    response
}

/// The methods of the table; clients may make up any other word.
fn method(method: &Method) -> &'static str {
    match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::OPTIONS => "OPTIONS",
        _ => "other",
    }
}
