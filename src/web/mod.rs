//! Pages, layers and the routes to them.

pub mod api;
pub mod assets;
pub mod auth;
pub mod cache;
pub mod error;
pub mod form;
pub mod geojson;
mod kept;
pub mod origin;
pub mod pages;
pub mod query;
pub mod report;
mod router;
pub mod study;
pub mod views;
mod waiting;

use std::future::Future;
use std::net::SocketAddr;

use tokio::net::TcpListener;

use crate::app::App;

pub use crate::web::router::router;
pub use crate::web::router::routes;

/// Serves an app until `stop` resolves; requests under way are finished.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    listener: TcpListener,
    app: App,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let service = router(app).into_make_service_with_connect_info::<SocketAddr>();
    axum::serve(listener, service).with_graceful_shutdown(stop).await
}
