//! Readers at the pages while a million rows come in.

use std::fmt::Write;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;
use std::time::Duration;
use std::time::Instant;

use anyhow::Context;
use rand::RngExt;
use tokio::io::AsyncReadExt;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpListener;
use tokio::net::TcpStream;
use tokio::sync::oneshot;

use crate::analysis::random::stream;
use crate::app::App;
use crate::app::Progress;
use crate::app::keep_warm;
use crate::cli::bench::Bench;
use crate::cli::bench::import;
use crate::derived::readers_first;
use crate::domain::batch::Content;
use crate::domain::ids::AreaId;
use crate::web;

/// Rows that come in meanwhile.
const ROWS: usize = 1_000_000;
/// Seconds that a reader looks at a page before asking for the next.
const LOOKS_S: std::ops::Range<f64> = 2.0..8.0;
/// How long after the rows are in the layers may take.
const PATIENCE: Duration = Duration::from_secs(900);
/// What many readers look at.
const ADDRESSES: [&str; 6] =
    ["/", "/?month=6&part=early", "/trails", "/stretch/0", "/encounters", "/layers/trails.geojson"];

/// The share of questions that are for one of those; the others are each reader's own.
const SHARE_OF_COMMON: f64 = 0.7;

/// What a reader asks for next: what everybody looks at, or a map of some period, some stretch, record or walk.
fn wanted(rng: &mut impl rand::Rng) -> String {
    if rng.random_bool(SHARE_OF_COMMON) {
        return ADDRESSES[rng.random_range(0..ADDRESSES.len())].to_owned();
    }
    let part = ["early", "middle", "evening", "night"][rng.random_range(0..4)];
    match rng.random_range(0..4) {
        0 => format!("/?month={}&part={part}", rng.random_range(1..=12)),
        1 => format!("/stretch/{}", rng.random_range(0..300)),
        2 => format!("/encounters/{}", rng.random_range(1..=15_000)),
        _ => format!(
            "/route?from={}&km={}&month={}",
            rng.random_range(0..10),
            rng.random_range(2..12),
            rng.random_range(4..=9)
        ),
    }
}

/// What one answer was.
#[derive(Debug, Clone, Copy)]
struct Answer {
    status: u16,
    took: Duration,
    /// Whether the rows were still coming in when it was asked for.
    during: bool,
}

/// Answers of one stage.
#[derive(serde::Serialize)]
struct Line {
    size: String,
    task: String,
    readers: usize,
    answers: usize,
    /// Answers that say that the figures are being derived.
    waiting_pages: usize,
    /// Answers that refuse what was asked, as for a record that was taken out.
    refused: usize,
    server_errors: usize,
    /// Connections that broke off or were refused.
    unanswered: usize,
    median_s: f64,
    p99_s: f64,
    longest_s: f64,
}

/// Brings in a million rows while so many readers go from page to page, over the loopback.
pub(super) async fn run(
    bench: &Bench,
    app: &App,
    area: AreaId,
    folder: &Path,
    n_readers: usize,
) -> anyhow::Result<()> {
    let file = folder.join("load.csv");
    write_rows(app, &file).await?;
    let listener = TcpListener::bind(("127.0.0.1", 0)).await?;
    let address = listener.local_addr()?;
    let (stop, stopped) = oneshot::channel::<()>();
    let serving = tokio::spawn(web::serve(listener, app.clone(), web::Limits::default(), async {
        // Dropped or sent: either way it is time.
        let _ = stopped.await;
    }));
    readers_first();
    let warming = tokio::spawn(keep_warm(app.clone()));
    ready(app).await?;
    let (during, done) = (Arc::new(AtomicBool::new(true)), Arc::new(AtomicBool::new(false)));
    let readers: Vec<_> = (0..n_readers)
        .map(|number| tokio::spawn(reader(number, address, Arc::clone(&during), Arc::clone(&done))))
        .collect();
    bench
        .time("import a million rows under load", "rows", import(app, area, Content::Encounters, &file))
        .await?;
    during.store(false, Ordering::Relaxed);
    let revision = app.store().revision().await?;
    while app.progress() != Progress::Ready(revision) {
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    done.store(true, Ordering::Relaxed);
    let mut answers = Vec::new();
    for reader in readers {
        answers.extend(reader.await?);
    }
    for (stage, is_during) in [("while rows come in", true), ("while layers are derived", false)] {
        let of_stage: Vec<Answer> = answers.iter().copied().filter(|it| it.during == is_during).collect();
        println!("{}", serde_json::to_string(&line(bench, stage, n_readers, &of_stage))?);
    }
    drop(stop);
    warming.abort();
    serving.await?.context("the server ended")
}

async fn ready(app: &App) -> anyhow::Result<()> {
    let start = Instant::now();
    while !matches!(app.progress(), Progress::Ready(_)) {
        anyhow::ensure!(start.elapsed() < PATIENCE, "the layers were not ready in time");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    Ok(())
}

/// Reports at the middle of trails, so that they do not wait as mistakes.
async fn write_rows(app: &App, file: &Path) -> anyhow::Result<()> {
    let facts = app.deriver().facts().await?;
    let network = app.deriver().network(&facts).await?;
    let mut text = String::from(
        "occurrenceID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,coordinateUncertaintyInMeters\n",
    );
    let mut rng = stream(1, 0);
    for number in 0..ROWS {
        let segment = &network.network.segments[rng.random_range(0..network.network.segments.len())];
        let at = segment.geometry[segment.geometry.len() / 2];
        let (month, day, hour) =
            (rng.random_range(3..=10), rng.random_range(1..=28), rng.random_range(7..=19));
        writeln!(
            text,
            "L-{number},chance,2025-{month:02}-{day:02},{hour:02}:10,{:.6},{:.6},20",
            at.lat(),
            at.lon()
        )?;
    }
    std::fs::write(file, text).with_context(|| format!("cannot write {}", file.display()))
}

async fn reader(
    number: usize,
    address: SocketAddr,
    during: Arc<AtomicBool>,
    done: Arc<AtomicBool>,
) -> Vec<Answer> {
    let mut rng = stream(2, number as u64);
    let mut answers = Vec::new();
    while !done.load(Ordering::Relaxed) {
        tokio::time::sleep(Duration::from_secs_f64(rng.random_range(LOOKS_S))).await;
        let path = wanted(&mut rng);
        let (start, during) = (Instant::now(), during.load(Ordering::Relaxed));
        // No answer at all counts as status 0.
        let status = ask(address, &path, "gzip").await.map_or(0, |(status, _)| status);
        answers.push(Answer { status, took: start.elapsed(), during });
    }
    answers
}

/// The status and length of an answer that was read to its end.
pub(super) async fn ask(server: SocketAddr, path: &str, encoding: &str) -> anyhow::Result<(u16, u64)> {
    let mut connection = TcpStream::connect(server).await?;
    let request = format!(
        "GET {path} HTTP/1.1\r\nHost: {server}\r\nAccept-Encoding: {encoding}\r\nConnection: close\r\n\r\n"
    );
    connection.write_all(request.as_bytes()).await?;
    let mut answer = Vec::new();
    connection.read_to_end(&mut answer).await?;
    let head = std::str::from_utf8(answer.get(..15).context("an answer that broke off")?)?;
    let status = head.split_whitespace().nth(1).and_then(|status| status.parse().ok());
    Ok((status.context("no status")?, answer.len() as u64))
}

fn line(bench: &Bench, stage: &str, readers: usize, answers: &[Answer]) -> Line {
    let mut took: Vec<f64> = answers.iter().map(|answer| answer.took.as_secs_f64()).collect();
    took.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let last = took.len().saturating_sub(1) as f64;
        took.get((share * last).round() as usize).map_or(0.0, |seconds| (seconds * 1000.0).round() / 1000.0)
    };
    let n = |of: &dyn Fn(u16) -> bool| answers.iter().filter(|answer| of(answer.status)).count();
    Line {
        size: bench.size_words(),
        task: format!("pages {stage}"),
        readers,
        answers: answers.len(),
        waiting_pages: n(&|status| status == 202),
        refused: n(&|status| (400..500).contains(&status)),
        server_errors: n(&|status| status >= 500),
        unanswered: n(&|status| status == 0),
        median_s: at(0.5),
        p99_s: at(0.99),
        longest_s: at(1.0),
    }
}
