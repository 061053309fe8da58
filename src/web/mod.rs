//! Pages, layers and the routes to them.

pub mod api;
pub mod assets;
pub mod cache;
pub mod error;
pub mod form;
pub mod geojson;
pub mod origin;
pub mod pages;
pub mod query;
pub mod report;
mod router;
pub mod views;

use std::future::Future;

use tokio::net::TcpListener;

use crate::app::App;

pub use crate::web::router::router;

/// Serves an app until `stop` resolves; requests under way are finished.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    listener: TcpListener,
    app: App,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    axum::serve(listener, router(app)).with_graceful_shutdown(stop).await
}
