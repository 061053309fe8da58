//! Printing what to expect: walks and the present season, as CSV.

use std::io::Write;

use jiff::civil::Date;

use crate::analysis::forecast::Bound;
use crate::analysis::forecast::Forecast;
use crate::analysis::season_watch::Alarm;
use crate::analysis::season_watch::Watched;
use crate::analysis::season_watch::WeekState;
use crate::cli::DatabaseFile;
use crate::cli::open;
use crate::cli::table::Table;
use crate::derived::forecast;
use crate::derived::forecast::Asked;
use crate::derived::forecast::Ground;
use crate::derived::forecast::RouteAnswer;
use crate::derived::forecast::Stop;
use crate::derived::forecast::TripKind;
use crate::derived::forecast::Way;
use crate::derived::forecast::area;
use crate::derived::forecast::area::AreaAnswer;
use crate::derived::forecast::area::AreaFigures;
use crate::derived::rates::UnitKind;
use crate::derived::season::PeriodChoice;
use crate::derived::season::too_little_words;
use crate::derived::watch::WatchChoice;
use crate::derived::watch::WatchLayer;
use crate::domain::time::PartOfDay;

/// What walk to forecast.
#[derive(Debug, clap::Args)]
pub(super) struct ForecastArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// Where the walk begins: a trailhead, place, junction or end of a trail by name. Without it every trail is walked
    /// out from its nearest trailhead and back, and the whole area stands beside them: the average of all walking there,
    /// and all walking of the period in a mean year.
    #[arg(long, requires = "to")]
    from: Option<String>,
    /// Where it ends.
    #[arg(long, requires = "from")]
    to: Option<String>,
    /// Walk back the same way.
    #[arg(long)]
    back: bool,
    /// How far out each trail is walked, km.
    #[arg(long, default_value_t = 3.0)]
    km: f64,
    /// In which month, 1 to 12; all when left out.
    #[arg(long, value_parser = clap::value_parser!(i8).range(1..=12))]
    month: Option<i8>,
    /// In which part of the day: early, middle, evening, night; all when left out.
    #[arg(long)]
    part: Option<String>,
    /// How many parties walk it; one when left out, over the whole area as many as on an average day.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..))]
    parties: Option<u32>,
}

const FORECAST_HEAD: [&str; 20] = [
    "walk",
    "walked_km",
    "assumed_km",
    "left_out_km",
    "parties",
    "expected_once",
    "expected_once_lower",
    "expected_once_upper",
    "expected_each_pass",
    "expected_each_pass_lower",
    "expected_each_pass_upper",
    "at_least_one_once",
    "at_least_one_once_lower",
    "at_least_one_once_upper",
    "at_least_one_each_pass",
    "at_least_one_each_pass_lower",
    "at_least_one_each_pass_upper",
    "predicted_of_all_lower",
    "predicted_of_all_upper",
    "state",
];

/// Prints what to expect on a walk, or on every trail and over the whole area.
pub(super) async fn forecast(arguments: ForecastArguments) -> anyhow::Result<()> {
    let part = match arguments.part.as_deref() {
        None => None,
        Some(word) => Some(PartOfDay::from_term(word).ok_or_else(|| {
            anyhow::anyhow!("\"{word}\" is not a part of the day: early, middle, evening, night")
        })?),
    };
    anyhow::ensure!(arguments.km > 0.0 && arguments.km <= 1000.0, "--km must be above 0 and at most 1000");
    let app = open(arguments.database.database).await?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let (network, rates) = (deriver.network(&facts).await?, deriver.rates(&facts).await?);
    let (exposure, season) = (deriver.exposure(&facts).await?, deriver.season(&facts).await?);
    let ground =
        Ground { facts: &facts, network: &network, rates: &rates, exposure: &exposure, season: &season };
    let period = PeriodChoice { month: arguments.month, part };
    let asked = Asked { period, n_parties: arguments.parties.unwrap_or(1) };
    let walks = match (&arguments.from, &arguments.to) {
        (Some(from), Some(to)) => {
            let stops = forecast::stops(&facts, &network);
            let trip = if arguments.back { TripKind::Return } else { TripKind::OneWay };
            let way = Way::Through { stops: vec![named(&stops, from)?, named(&stops, to)?], trip };
            vec![(format!("{from} to {to}"), forecast::ask(&ground, &way, &asked)?)]
        }
        _ => forecast::trails_beside(&ground, arguments.km * 1000.0, &asked)?
            .into_iter()
            .map(|row| (format!("{} from {} and back", row.trail, row.trailhead), row.answer))
            .collect(),
    };
    let mut out = Table::new(std::io::stdout().lock(), FORECAST_HEAD, rates.revision, &facts.settings)?;
    for (walk, answer) in walks {
        out.row(forecast_row(&walk, &answer, asked.n_parties))?;
    }
    if arguments.from.is_none() {
        for row in area_rows(&area::area(&ground, period, arguments.parties)?) {
            out.row(row)?;
        }
    }
    out.flush()?;
    Ok(())
}

/// The rows of the whole area: so many parties that walk the average of all walking, and all walking of the period.
fn area_rows(answer: &AreaAnswer) -> Vec<Vec<String>> {
    let n_parties = f64::from(answer.n_parties);
    let names = ["the whole area, the average of all walking", "the whole area, all walking of a mean year"];
    let left_out = format!("{:.3}", answer.trail_km.left_out());
    let row = |name: &str, km: [String; 2], parties: String, numbers: Vec<String>, state: &str| {
        let [walked, assumed] = km;
        let mut row = vec![name.to_owned(), walked, assumed, left_out.clone(), parties];
        row.extend(numbers);
        row.push(state.to_owned());
        row
    };
    let nothing = |state: &str| -> Vec<Vec<String>> {
        let blank = || [String::new(), String::new()];
        let parties = [format!("{n_parties:.0}"), String::new()];
        let rows = names.iter().zip(parties);
        rows.map(|(name, parties)| row(name, blank(), parties, vec![String::new(); 14], state)).collect()
    };
    match &answer.figures {
        AreaFigures::NotEstimable => nothing("no exposure"),
        AreaFigures::TooLittleKnown(known) => nothing(&too_little_words(known)),
        AreaFigures::Estimated(forecast) => {
            let is_partial = answer.trail_km.left_out() > 0.0 || answer.n_months_unknown > 0;
            let state = if is_partial { "estimated in part" } else { "estimated" };
            let km = |scale: f64| {
                [forecast.km.estimated(), forecast.km.assumed].map(|km| format!("{:.3}", km * scale))
            };
            let of_parties = numbers(&forecast.of_parties.0, &forecast.of_parties.1);
            let of_all = numbers(&forecast.of_all.0, &forecast.of_all.1);
            let of_one = km(forecast.party_km.mean / forecast.km.estimated());
            let all = format!("{:.0}", forecast.parties.mean);
            vec![
                row(names[0], of_one, format!("{n_parties:.0}"), of_parties, state),
                row(names[1], km(1.0), all, of_all, state),
            ]
        }
    }
}

fn named(stops: &[Stop], name: &str) -> anyhow::Result<usize> {
    let found = stops.iter().find(|stop| stop.name == name).map(|stop| stop.vertex);
    found.ok_or_else(|| {
        let names: Vec<&str> = stops.iter().map(|stop| stop.name.as_str()).collect();
        anyhow::anyhow!("there is no \"{name}\" on the trails; known are: {}", names.join("; "))
    })
}

fn forecast_row(walk: &str, answer: &RouteAnswer, n_parties: u32) -> Vec<String> {
    let too_little;
    let (bounds, km, state) = match &answer.forecast {
        Forecast::Estimated { lower, upper, km } if km.left_out() > 0.0 => {
            (Some((lower, upper)), km, "estimated in part")
        }
        Forecast::Estimated { lower, upper, km } => (Some((lower, upper)), km, "estimated"),
        Forecast::NotEstimable { km } => (None, km, "no exposure"),
        Forecast::TooLittleKnown { km, known } => {
            too_little = too_little_words(known);
            (None, km, too_little.as_str())
        }
    };
    let mut row = vec![
        walk.to_owned(),
        format!("{:.3}", answer.walked_km),
        format!("{:.3}", km.assumed),
        format!("{:.3}", km.left_out()),
        n_parties.to_string(),
    ];
    match bounds {
        Some((lower, upper)) => row.extend(numbers(lower, upper)),
        None => row.extend(vec![String::new(); 14]),
    }
    row.push(state.to_owned());
    row
}

fn numbers(lower: &Bound, upper: &Bound) -> Vec<String> {
    let intervals = [lower.expected, upper.expected, lower.at_least_one, upper.at_least_one];
    let mut numbers: Vec<String> =
        intervals.iter().flat_map(|it| [it.mean, it.lower, it.upper]).map(|it| format!("{it:.6}")).collect();
    // The widest limits: those of counting once below, of counting each pass above.
    numbers.extend([lower.predicted_of_all.0.to_string(), upper.predicted_of_all.1.to_string()]);
    numbers
}

/// What season to watch.
#[derive(Debug, clap::Args)]
pub(super) struct WatchArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// By stretches or whole trails.
    #[arg(long, value_enum, default_value = "stretch")]
    unit: WatchUnit,
    /// The last day looked at, like 2026-05-31; the last day of the data when left out.
    #[arg(long)]
    until: Option<Date>,
}

/// The units of a watch.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum WatchUnit {
    /// Neighbouring segments joined.
    Stretch,
    /// Whole trails.
    Trail,
}

const WATCH_HEAD: [&str; 9] =
    ["name", "from", "until", "observed", "expected", "lower", "upper", "tail", "stands_out"];

/// Prints each week of each unit and of the whole area against expectation.
pub(super) async fn watch(arguments: WatchArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    let facts = app.deriver().facts().await?;
    let unit = match arguments.unit {
        WatchUnit::Stretch => UnitKind::Stretch,
        WatchUnit::Trail => UnitKind::Trail,
    };
    let layer = app.deriver().watch(&facts, WatchChoice { unit, until: arguments.until }).await?;
    let mut out = Table::new(std::io::stdout().lock(), WATCH_HEAD, layer.revision, &facts.settings)?;
    let n_weeks = layer.weeks.len();
    for (unit, weeks) in layer.watch.weeks.chunks(n_weeks).enumerate() {
        write_weeks(&mut out, &layer, Watched::Unit(unit), weeks)?;
    }
    write_weeks(&mut out, &layer, Watched::All, &layer.watch.all)?;
    out.flush()?;
    eprintln!(
        "{} stand out; if nothing has changed {:.2} false alarms are expected in the whole season over all units, however often somebody looks.",
        layer.watch.alarms.len(),
        layer.watch.false_alarms
    );
    Ok(())
}

fn write_weeks(
    out: &mut Table<impl Write>,
    layer: &WatchLayer,
    watched: Watched,
    weeks: &[WeekState],
) -> anyhow::Result<()> {
    let name = match watched {
        Watched::Unit(unit) => layer.names[unit].as_str(),
        Watched::All => "the whole area",
    };
    for (week, (state, (from, until))) in weeks.iter().zip(&layer.weeks).enumerate() {
        let is_in = |alarm: &&Alarm| {
            alarm.watched == watched && (alarm.first_week..=alarm.until_week).contains(&week)
        };
        let stands_out = if layer.watch.alarms.iter().any(|alarm| is_in(&alarm)) { "yes" } else { "no" };
        let (observed, known) = match *state {
            WeekState::NoExposure { observed } => (observed, vec!["no exposure".to_owned(); 4]),
            WeekState::Expected { observed, expected, limits, tail } => (
                observed,
                vec![
                    format!("{expected:.4}"),
                    limits.0.to_string(),
                    limits.1.to_string(),
                    format!("{tail:.3e}"),
                ],
            ),
        };
        let mut row = vec![name.to_owned(), from.to_string(), until.to_string(), observed.to_string()];
        row.extend(known);
        row.push(stands_out.to_owned());
        out.row(row)?;
    }
    Ok(())
}
