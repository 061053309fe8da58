//! Timing the main work: one JSON line a task, with CPU and wall time, throughput and peak memory.

mod load;
mod pages;

use std::future::Future;
use std::io::Read;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use anyhow::Context;
use rand_distr::Distribution;
use rand_distr::Normal;

use crate::analysis::random::Stream;
use crate::analysis::random::stream;
use crate::analysis::track_match::MatchParams;
use crate::analysis::track_match::TrackPoint;
use crate::analysis::track_match::match_tracks;
use crate::app::App;
use crate::app::BringIn;
use crate::app::Clock;
use crate::app::Trust;
use crate::cli::data;
use crate::cli::generate;
use crate::cli::generate::Size;
use crate::config::Config;
use crate::derived::density::DensityParams;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::plan::PlanParams;
use crate::derived::walks as derived_walks;
use crate::domain::batch::Content;
use crate::domain::encounter::EffortKind;
use crate::domain::ids::AreaId;

/// What to time.
#[derive(Debug, clap::Args)]
pub(super) struct BenchArguments {
    /// At which size.
    #[arg(long, value_enum, default_value = "small")]
    size: Size,
    /// Seed of the generated park.
    #[arg(long, default_value_t = 7)]
    seed: u64,
    /// Folder for the generated files and the database; made, and left as it is for a look afterwards.
    #[arg(long)]
    folder: PathBuf,
    /// Then so many readers go from page to page while a million rows come in; none unless set.
    #[arg(long)]
    readers: Option<usize>,
}

/// The files of a generated park, in the order in which they build on each other.
const FILES: [(Content, &str); 14] = [
    (Content::Species, "species.csv"),
    (Content::Trails, "trails.geojson"),
    (Content::Trailheads, "trailheads.csv"),
    (Content::Places, "places.csv"),
    (Content::SensitivePlaces, "sensitive-places.csv"),
    (Content::Counters, "counters.csv"),
    (Content::Readings, "readings.csv"),
    (Content::Calibrations, "calibrations.csv"),
    (Content::PartySizes, "party-sizes.csv"),
    (Content::Walks, "walks.csv"),
    (Content::Encounters, "reports.csv"),
    (Content::Encounters, "surveys.csv"),
    (Content::Encounters, "chance.csv"),
    (Content::Encounters, "trials.csv"),
];

/// One line of the output.
#[derive(serde::Serialize)]
struct Line<'a> {
    size: String,
    task: &'a str,
    items: u64,
    unit: &'a str,
    wall_s: f64,
    cpu_s: f64,
    items_per_cpu_s: f64,
    peak_memory_mib: f64,
}

/// The clock of one run.
struct Bench {
    size: Size,
}

impl Bench {
    fn size_words(&self) -> String {
        format!("{:?}", self.size).to_lowercase()
    }

    /// Runs a task and prints its line; `items` counts what it worked through.
    async fn time<T, F>(&self, task: &str, unit: &str, run: F) -> anyhow::Result<T>
    where
        F: Future<Output = anyhow::Result<(T, u64)>>,
    {
        // Lets the peak start afresh; where the system does not allow it the peak is that of the process so far.
        let _ = std::fs::write("/proc/self/clear_refs", "5");
        let (wall, cpu) = (Instant::now(), cpu_s());
        let (value, items) = run.await?;
        let (wall_s, cpu_s) = (wall.elapsed().as_secs_f64(), cpu_s() - cpu);
        let line = Line {
            size: self.size_words(),
            task,
            items,
            unit,
            wall_s: round(wall_s),
            cpu_s: round(cpu_s),
            items_per_cpu_s: (items as f64 / cpu_s.max(1e-6)).round(),
            peak_memory_mib: peak_memory_mib(),
        };
        println!("{}", serde_json::to_string(&line)?);
        Ok(value)
    }
}

/// Generates a park, brings it in, derives every layer, one after the other, and asks for every page.
pub(super) async fn run(arguments: BenchArguments) -> anyhow::Result<()> {
    let bench = Bench { size: arguments.size };
    let files = arguments.folder.join("files");
    std::fs::create_dir_all(&files).with_context(|| format!("cannot make {}", files.display()))?;
    let database = arguments.folder.join("bench.db");
    for suffix in ["", "-wal", "-shm"] {
        let old = PathBuf::from(format!("{}{suffix}", database.display()));
        if old.exists() {
            std::fs::remove_file(&old).with_context(|| format!("cannot remove {}", old.display()))?;
        }
    }
    generate::generate(arguments.size, arguments.seed, &files)?;
    let app = App::open(Config::new(database, None, 0), Clock::System).await?;
    let area =
        data::put_area(&app, &data::read_area(&std::fs::read_to_string(files.join("area.toml"))?)?, "bench")
            .await?;
    for (content, name) in FILES {
        let task = format!("import {name}");
        bench.time(&task, "rows", import(&app, area, content, &files.join(name))).await?;
    }
    layers(&bench, &app).await?;
    pages::run(&bench, &app).await?;
    if let Some(n_readers) = arguments.readers {
        load::run(&bench, &app, area, &files, n_readers).await?;
    }
    app.store().close().await;
    Ok(())
}

async fn import(app: &App, area: AreaId, content: Content, path: &Path) -> anyhow::Result<((), u64)> {
    let opened = path.to_owned();
    let request = BringIn {
        trust: Trust::FULL,
        content,
        file_name: path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
        actor: "bench".to_owned(),
        open: Arc::new(move || Ok(Box::new(std::fs::File::open(&opened)?) as Box<dyn Read + Send>)),
    };
    let brought_in = app.bring_in(area, request, |_| {}).await?;
    Ok(((), brought_in.n_accepted + brought_in.n_refused))
}

async fn layers(bench: &Bench, app: &App) -> anyhow::Result<()> {
    let deriver = app.deriver();
    let facts = bench
        .time("read facts", "encounters", async {
            let facts = deriver.facts().await?;
            let n = facts.encounters.rows.len() as u64;
            Ok((facts, n))
        })
        .await?;
    let network = bench
        .time("network", "segments", async {
            let network = deriver.network(&facts).await?;
            let n = network.network.segments.len() as u64;
            Ok((network, n))
        })
        .await?;
    let n_segments = network.network.segments.len() as u64;
    let n_draws = facts.settings.draws() as u64;
    bench
        .time("exposure draws", "segment-draws", async {
            Ok((deriver.exposure(&facts).await?, n_segments * n_draws))
        })
        .await?;
    let n_encounters = facts.encounters.rows.len() as u64;
    bench
        .time("snap and allocate", "encounters", async { Ok((deriver.snaps(&facts).await?, n_encounters)) })
        .await?;
    bench.time("nearest within 50 m", "positions", nearest(&facts, &network)).await?;
    let n_positions = facts.walks.iter().map(|walk| walk.given.track.len() as u64).sum();
    bench
        .time("match survey walks", "positions", async { Ok((deriver.walks(&facts).await?, n_positions)) })
        .await?;
    let tracks = long_tracks(&facts, &network)?;
    let params = derived_walks::match_params(&facts);
    bench.time("match 1,000 long tracks", "positions", matching(&network, &tracks, &params)).await?;
    bench.time("season", "encounters", async { Ok((deriver.season(&facts).await?, n_encounters)) }).await?;
    bench
        .time("rates", "segment-draws", async { Ok((deriver.rates(&facts).await?, n_segments * n_draws)) })
        .await?;
    bench
        .time("survey rates", "segment-draws", async {
            Ok((deriver.survey(&facts).await?, n_segments * n_draws))
        })
        .await?;
    bench
        .time("density", "encounters", async {
            let params = DensityParams::set(&facts.settings, EffortKind::Report);
            Ok((deriver.density(&facts, params).await?, n_encounters))
        })
        .await?;
    bench.time("clusters", "segments", async { Ok((deriver.clusters(&facts).await?, n_segments)) }).await?;
    bench
        .time("reactions", "encounters", async { Ok((deriver.reactions(&facts).await?, n_encounters)) })
        .await?;
    let params = PlanParams::standard(&facts)?;
    bench
        .time("sign plan, as the pages ask for it", "locations", async {
            Ok((deriver.plan(&facts, params).await?, n_segments))
        })
        .await?;
    Ok(())
}

/// A thousand tracks of up to three thousand positions: the survey walks at a position a second, with errors of 8 m.
fn long_tracks(facts: &Facts, network: &NetworkLayer) -> anyhow::Result<Vec<Vec<TrackPoint>>> {
    let walks: Vec<_> = facts.walks.iter().filter(|walk| walk.given.track.len() > 1).collect();
    anyhow::ensure!(!walks.is_empty(), "no survey walk has a track");
    let error = Normal::new(0.0, 8.0)?;
    let track = |nth: usize| {
        let coarse = derived_walks::track(network, walks[nth % walks.len()]);
        noisy_seconds(&coarse, error, &mut stream(1, nth as u64))
    };
    Ok((0..1000).map(track).collect())
}

/// A walk along the positions at 1.2 m/s, a position a second.
fn noisy_seconds(coarse: &[TrackPoint], error: Normal<f64>, rng: &mut Stream) -> Vec<TrackPoint> {
    let mut track = Vec::new();
    for pair in coarse.windows(2) {
        let (dx, dy) = (pair[1].at.x - pair[0].at.x, pair[1].at.y - pair[0].at.y);
        let n = (dx.hypot(dy) / 1.2).ceil().max(1.0);
        for step in 0..n as usize {
            let share = step as f64 / n;
            let x = pair[0].at.x + share * dx + error.sample(rng);
            let y = pair[0].at.y + share * dy + error.sample(rng);
            track.push(TrackPoint { at: geo::Coord { x, y }, time_s: Some(track.len() as i64) });
        }
    }
    track.truncate(3000);
    track
}

async fn matching(
    network: &NetworkLayer,
    tracks: &[Vec<TrackPoint>],
    params: &MatchParams,
) -> anyhow::Result<((), u64)> {
    let matched = match_tracks(&network.index, network.network.graph(), tracks, params)?;
    anyhow::ensure!(matched.iter().any(|track| track.walked_m() > 0.0), "no track was matched");
    Ok(((), tracks.iter().map(|track| track.len() as u64).sum()))
}

async fn nearest(facts: &Facts, network: &NetworkLayer) -> anyhow::Result<((), u64)> {
    let positions = facts.encounters.rows.iter().filter_map(|row| row.position);
    let points: Vec<_> = positions.map(|at| network.network.plane.to_plane(at.position)).collect();
    let found = network.index.nearest_within(&points, 50.0);
    anyhow::ensure!(found.len() == points.len(), "the search lost positions");
    Ok(((), points.len() as u64))
}

fn cpu_s() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
}

/// The largest memory that the process held since the last reset, MiB; zero where the system does not say.
fn peak_memory_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = peak.and_then(|words| words.trim().trim_end_matches(" kB").parse::<f64>().ok());
    kib.map_or(0.0, |kib| (kib / 1024.0).round())
}

fn round(seconds: f64) -> f64 {
    (seconds * 10_000.0).round() / 10_000.0
}
