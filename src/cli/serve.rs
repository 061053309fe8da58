//! Serving until a signal.

use std::future::Future;
use std::path::PathBuf;

use anyhow::Context;

use crate::app::App;
use crate::app::Clock;
use crate::app::keep_personal_data_rule;
use crate::app::keep_warm;
use crate::cli::Listen;
use crate::config::Front;
use crate::derived::readers_first;
use crate::web;

/// Opens a database and serves it until the program is asked to stop.
pub(super) async fn run(database: PathBuf, listen: &Listen) -> anyhow::Result<()> {
    let config = listen.config(database);
    let app = App::open(config, Clock::System).await?;
    serve(app).await
}

/// Serves an app until the program is asked to stop.
pub(super) async fn serve(app: App) -> anyhow::Result<()> {
    let wanted = app.config().listen;
    app.config().check_exposure(app.has_accounts().await?)?;
    if !wanted.ip().is_loopback() && app.config().front == Front::None {
        tracing::warn!(
            "passwords cross the network in the clear: put a proxy with TLS in front (--behind-tls)"
        );
    }
    let listener =
        tokio::net::TcpListener::bind(wanted).await.with_context(|| format!("cannot listen on {wanted}"))?;
    let address = listener.local_addr().context("the address is not known")?;
    println!("Serving on http://{address}  (stop with Ctrl-C)");
    let store = app.store().clone();
    readers_first();
    let warming = tokio::spawn(keep_warm(app.clone()));
    let keeping = tokio::spawn(keep_personal_data_rule(app.clone()));
    web::serve(listener, app, web::Limits::default(), stop_signal()?).await.context("the server ended")?;
    warming.abort();
    keeping.abort();
    store.close().await;
    println!("Stopped.");
    Ok(())
}

/// Resolves at an interrupt or a request to terminate.
fn stop_signal() -> anyhow::Result<impl Future<Output = ()> + Send + 'static> {
    #[cfg(unix)]
    {
        use tokio::signal::unix::SignalKind;
        use tokio::signal::unix::signal;
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        Ok(async move {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
        })
    }
    #[cfg(not(unix))]
    Ok(async {
        let _ = tokio::signal::ctrl_c().await;
    })
}
