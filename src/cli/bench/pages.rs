//! Timing pages and layers once the draws of a revision are there.

use std::net::SocketAddr;

use anyhow::Context;
use axum::Router;
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::Request;
use axum::http::header;
use tower::ServiceExt;

use crate::app::App;
use crate::cli::bench::Bench;
use crate::web;

/// What staff open, with one of every kind.
const ADDRESSES: [&str; 35] = [
    "/",
    "/?month=6&part=early",
    "/?stretch=0",
    "/trails",
    "/trails?trail=0",
    "/stretch/0",
    "/encounters",
    "/encounters/1",
    "/analysis",
    "/rates",
    "/exposure",
    "/survey",
    "/walks",
    "/season",
    "/density",
    "/clusters",
    "/reactions",
    "/reactions/latency",
    "/reactions/parts",
    "/observers",
    "/effect",
    "/route",
    "/route?from=0&km=4&parties=50",
    "/watch",
    "/signs",
    "/decisions",
    "/data",
    "/data/ambiguous",
    "/data/settings",
    "/study",
    "/layers/stretches.geojson",
    "/layers/segments.geojson",
    "/layers/clusters.geojson",
    "/layers/signs.geojson",
    "/layers/trails.geojson",
];

/// Asks for every page twice: first with what it alone needs still to be derived, then with everything there.
pub(super) async fn run(bench: &Bench, app: &App) -> anyhow::Result<()> {
    let router = web::router(app.clone());
    let facts = app.deriver().facts().await?;
    let network = app.deriver().network(&facts).await?;
    let segment = format!("/segment/{:016x}", network.network.segments[0].id.number());
    for address in ADDRESSES.into_iter().chain([segment.as_str()]) {
        for turn in ["first", "again"] {
            bench.time(&format!("{turn} {address}"), "bytes", ask(&router, address)).await?;
        }
    }
    Ok(())
}

async fn ask(router: &Router, address: &str) -> anyhow::Result<((), u64)> {
    let mut request =
        Request::get(address).header(header::HOST, "localhost").body(Body::empty()).context("an address")?;
    // Without accounts the server answers this machine alone.
    request.extensions_mut().insert(ConnectInfo(SocketAddr::from(([127, 0, 0, 1], 9))));
    let response = router.clone().oneshot(request).await?;
    let status = response.status();
    let body = axum::body::to_bytes(response.into_body(), usize::MAX).await?;
    anyhow::ensure!(status.is_success(), "{address} was answered with {status}");
    Ok(((), body.len() as u64))
}
