//! Pages, layers and the routes to them.

pub mod assets;
pub mod cache;
pub mod error;
pub mod report;
pub mod views;

/// Serves an app until `stop` resolves; requests under way are finished.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    listener: tokio::net::TcpListener,
    app: crate::app::App,
    stop: impl std::future::Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    axum::serve(listener, axum::Router::new().with_state(app)).with_graceful_shutdown(stop).await
}
