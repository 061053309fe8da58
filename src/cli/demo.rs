//! The demo: the invented park's files, carried inside the program, brought in and served.

use std::path::PathBuf;

use anyhow::Context;

use crate::app::App;
use crate::app::Clock;
use crate::cli::Listen;
use crate::cli::data;
use crate::cli::serve;
use crate::domain::batch::Content;

/// What a file holds, its name, and its bytes.
type DemoFile = (Content, &'static str, &'static [u8]);

macro_rules! demo_file {
    ($content:ident, $name:literal) => {
        (Content::$content, $name, include_bytes!(concat!("../../demo-data/", $name)))
    };
}

/// In the order in which they build on each other.
const FILES: [DemoFile; 21] = [
    demo_file!(Species, "species.csv"),
    demo_file!(Trails, "trails.geojson"),
    demo_file!(Trailheads, "trailheads.csv"),
    demo_file!(Places, "places.csv"),
    demo_file!(SensitivePlaces, "sensitive-places.csv"),
    demo_file!(Counters, "counters.csv"),
    demo_file!(Readings, "readings.csv"),
    demo_file!(Calibrations, "calibrations.csv"),
    demo_file!(PartySizes, "party-sizes.csv"),
    demo_file!(Walks, "walks.csv"),
    demo_file!(Signs, "signs.csv"),
    demo_file!(Encounters, "reports.csv"),
    demo_file!(Encounters, "surveys.csv"),
    demo_file!(Encounters, "chance.csv"),
    demo_file!(Encounters, "trials.csv"),
    demo_file!(Encounters, "old-notes.csv"),
    demo_file!(DoubleObserver, "double-observer.csv"),
    demo_file!(DailyWeather, "weather.csv"),
    demo_file!(SignsInPlace, "signs-in-place.csv"),
    demo_file!(SignInspections, "sign-inspections.csv"),
    demo_file!(SignWatches, "sign-watches.csv"),
];
/// Rows as they really arrive, most of them wrong.
const MISTAKES: DemoFile = demo_file!(Encounters, "visitor-book.csv");
const AREA: &str = include_str!("../../demo-data/area.toml");

/// Fills a database with the demo park; files that are there already change nothing. Then serves it.
pub(super) async fn run(database: PathBuf, listen: &Listen, no_serve: bool) -> anyhow::Result<()> {
    let config = listen.config(database);
    let path = config.database.clone();
    let app =
        App::open(config, Clock::System).await.with_context(|| format!("cannot open {}", path.display()))?;
    println!("Filling {} with the invented park", path.display());
    let area = data::put_area(&app, &data::read_area(AREA)?, "demo").await?;
    for (content, name, bytes) in FILES.into_iter().chain([MISTAKES]) {
        let brought_in = data::bring_in_bytes(&app, area, (content, name), bytes, "demo").await?;
        println!("  {name}: {brought_in}");
    }
    if no_serve {
        app.store().close().await;
        return Ok(());
    }
    serve::serve(app).await
}
