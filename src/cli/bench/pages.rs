//! Timing pages and layers once the draws of a revision are there.

use std::net::SocketAddr;

use anyhow::Context;
use tokio::net::TcpListener;
use tokio::sync::oneshot;

use crate::app::App;
use crate::app::SinglePage;
use crate::cli::bench::Bench;
use crate::cli::bench::load::ask;
use crate::web;

/// What staff open, with one of every kind.
const ADDRESSES: [&str; 36] = [
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
    "/layers/walks.geojson",
    "/layers/trails.geojson",
];

/// Choices that nobody has made yet, each worked out when it is asked for. Browsers are told so after a second; here each is
/// waited for.
const CHOICES: [&str; 5] = [
    "/density?bandwidth=400",
    "/density?kernel=gaussian&bandwidth=400",
    "/density?kernel=gaussian&bandwidth=likelihood",
    "/signs?signs=8",
    "/clusters?periods=quarters",
];

/// Asks for every page twice, once the layers are there that the server makes by itself: first as its first reader does, then
/// with the answer kept.
pub(super) async fn run(bench: &Bench, app: &App) -> anyhow::Result<()> {
    let listener = TcpListener::bind(("127.0.0.1", 0)).await?;
    let server = listener.local_addr()?;
    let (stop, stopped) = oneshot::channel::<()>();
    let serving = tokio::spawn(web::serve(listener, app.clone(), web::Limits::default(), async {
        // Dropped or sent: either way it is time.
        let _ = stopped.await;
    }));
    let facts = app.deriver().facts().await?;
    let network = app.deriver().network(&facts).await?;
    for page in SinglePage::all() {
        let derived = async || anyhow::Ok((page.derive(app.deriver(), &facts).await?, 1));
        bench.time(&format!("what a page shows: {page:?}"), "layer", derived()).await?;
    }
    let segment = format!("/segment/{:016x}", network.network.segments[0].id.number());
    for address in ADDRESSES.into_iter().chain([segment.as_str()]) {
        for turn in ["first", "again"] {
            bench.time(&format!("{turn} {address}"), "bytes", page(server, address)).await?;
        }
    }
    let last = app.deriver().exposure(&facts).await?.period.last();
    let until = format!("/watch?until={}", last.saturating_sub(jiff::Span::new().days(30)));
    for address in CHOICES.into_iter().chain([until.as_str()]) {
        bench.time(&format!("choice {address}"), "bytes", page(server, address)).await?;
    }
    drop(stop);
    serving.await?.context("the server ended")
}

async fn page(server: SocketAddr, address: &str) -> anyhow::Result<((), u64)> {
    let (status, n_bytes) = ask(server, address, "identity").await?;
    anyhow::ensure!(status == 200, "{address} was answered with {status}");
    Ok(((), n_bytes))
}
