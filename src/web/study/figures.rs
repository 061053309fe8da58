//! The figures of a study, drawn as pictures of their own. A figure is one function and one line in [`FIGURES`].

use maud::Markup;

use crate::analysis::response::Occasion;
use crate::analysis::response::table::CellEstimate;
use crate::analysis::response::table::ReactionTable;
use crate::analysis::season::CurvePoint;
use crate::derived::DeriveError;
use crate::derived::rates;
use crate::derived::reactions::ANY_STRIKE;
use crate::derived::reactions::ReactionLayer;
use crate::derived::reactions::effort_kind;
use crate::derived::season::PeriodChoice;
use crate::derived::study::Layers;
use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::signage::export;
use crate::signage::export::ExportError;
use crate::web::pages::common;
use crate::web::study::more_figures;
use crate::web::views::charts;
use crate::web::views::charts::Curve;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::figure::class_of;
use crate::web::views::forest;
use crate::web::views::forest::Axis;
use crate::web::views::forest::Forest;
use crate::web::views::forest::ForestRow;
use crate::web::views::map::MONTHS;
use crate::web::views::standalone;
use crate::web::views::standalone::Picture;
use crate::web::views::standalone::Surround;
use crate::web::views::svg_map;

/// A figure: its name in addresses and files, its title, and how it is drawn.
pub struct Entry {
    /// Its name: lower case, hyphens.
    pub name: &'static str,
    /// Its title.
    pub title: &'static str,
    /// Draws it, or says what the facts lack.
    pub draw: fn(&Layers) -> Result<Drawn, String>,
}

/// A drawing with what must stand below it.
pub struct Drawn {
    pub(super) drawing: Markup,
    pub(super) ground: &'static str,
    pub(super) notes: Vec<String>,
}

const fn entry(name: &'static str, title: &'static str, draw: fn(&Layers) -> Result<Drawn, String>) -> Entry {
    Entry { name, title, draw }
}

/// All figures, in reading order.
pub const FIGURES: &[Entry] = &[
    entry("risk-map", "Encounter rate of stretches", risk_map),
    entry("rates", "Stretches by encounter rate", caterpillar),
    entry("rate-pattern", "What the rates leave over on neighbouring stretches", more_figures::rate_pattern),
    entry("clusters", "Clusters of reports", more_figures::cluster_map),
    entry("season", "Encounter rate by month", season),
    entry("season-weeks", "Encounter rate by week", more_figures::season_weeks),
    entry("hours", "Encounter rate by hour of the day", hours),
    entry("watch", "The season against expectation", more_figures::season_watched),
    entry("reactions", "Reactions by kind of contact", reactions),
    entry("first-reactions", "First reaction by kind of contact", more_figures::first_reactions),
    entry("latency", "Time until snakes react", more_figures::latency),
    entry("walking", "Where walking is known from", more_figures::walking_map),
    entry("counts", "Counts observed and expected", more_figures::counted_and_expected),
    entry("sign-map", "Planned signs", more_figures::sign_map),
    entry("warned-share", "Warned share by number of signs", more_figures::warned),
];

/// White, and the ground of maps.
pub(super) const PAPER: &str = "#ffffff";
pub(super) const LAND: &str = "#f3f0e6";

/// A figure as a picture of its own.
///
/// # Errors
/// What the facts lack, in words.
pub fn picture(layers: &Layers, figure: &Entry) -> Result<Picture, String> {
    let mut drawn = (figure.draw)(layers)?;
    let facts = &layers.facts;
    drawn.notes.push(format!("{}, data revision {}, {}", facts.area.name, facts.revision, facts.parameters));
    let surround = Surround { title: figure.title.to_owned(), notes: drawn.notes };
    standalone::picture(&drawn.drawing, drawn.ground, &surround)
        .ok_or_else(|| "The figure is no drawing.".to_owned())
}

/// A picture as PDF.
///
/// # Errors
/// [`ExportError`] when printing is not built in.
pub fn pdf(picture: &Picture, title: &str) -> Result<Vec<u8>, ExportError> {
    export::figure_pdf(&picture.svg, title, title, picture.width)
}

fn words(error: DeriveError) -> String {
    error.to_string()
}

pub(super) fn all_periods(layers: &Layers) -> Result<(&rates::RateLayer, rates::PeriodRates), String> {
    let rates = layers.rates.as_deref().map_err(Clone::clone)?;
    let season = layers.season.as_deref().map_err(Clone::clone)?;
    let set = &rates.stretches;
    let period = rates::in_period(set, &rates.bounds, season, PeriodChoice::default()).map_err(words)?;
    Ok((rates, period))
}

fn risk_map(layers: &Layers) -> Result<Drawn, String> {
    let network = layers.network.as_deref().map_err(Clone::clone)?;
    let (rates, period) = all_periods(layers)?;
    let drawing = common::stretch_map(&layers.facts, network, rates, &period, |_| String::new());
    let [a, b, c, d] = rates.bounds.per_1000_km();
    let notes = vec![
        format!(
            "Reported encounters per 1,000 km walked: below {a}, {a} to {b}, {b} to {c}, {c} to {d}, above {d}, from lightest to darkest."
        ),
        "Solid: narrow 95 % interval. Dashed: wide. Hollow grey: too wide to say. Dotted: no walking recorded.".to_owned(),
        common::rate_records(rates),
    ];
    Ok(Drawn { drawing: svg_map::draw(&drawing), ground: LAND, notes })
}

/// Most stretches in the figure: more could not be read on a page.
const MOST_STRETCHES: usize = 60;

fn caterpillar(layers: &Layers) -> Result<Drawn, String> {
    let (rates, period) = all_periods(layers)?;
    let set = &rates.stretches;
    let row = |unit: &usize| {
        let limits = period.per_1000_km[*unit]?;
        let fit = &set.fit.units[*unit];
        Some(ForestRow {
            label: set.names[*unit].clone(),
            counts: format!("{:.1} in {:.0} km", fit.count, fit.exposure_km),
            estimate: common::estimate(limits),
            class: class_of(common::stroke(period.drawn[*unit])),
        })
    };
    let rows: Vec<ForestRow> = period.order.iter().filter_map(row).take(MOST_STRETCHES).collect();
    if rows.is_empty() {
        return Err("No stretch has walking that counters identify.".to_owned());
    }
    let reference = period.reference;
    let notes = vec![
        format!(
            "Posterior means with 95 % intervals, in order of the lower limit; the {} stretches that lead, of {} ranked.",
            rows.len(),
            period.order.len()
        ),
        format!(
            "All trails together: {} ({} to {}). Beside each: reported encounters and distance walked by parties.",
            format_rate(reference.value),
            format_rate(reference.lower),
            format_rate(reference.upper)
        ),
    ];
    let forest = Forest {
        description: "Stretches with encounter rate and 95 % interval".to_owned(),
        unit: "reports per 1,000 km walked".to_owned(),
        axis: Axis::Log,
        rows,
    };
    Ok(Drawn { drawing: forest::draw(&forest), ground: PAPER, notes })
}

fn curve(layers: &Layers, hours: bool) -> Result<(Vec<CurvePoint>, Vec<String>), String> {
    let layer = layers.season.as_deref().map_err(Clone::clone)?;
    let fit = layer.fit.as_ref().map_err(Clone::clone)?;
    let points = if hours { fit.curve(0).by_hour() } else { fit.curve(0).by_part() };
    let notes = vec![
        "Encounters for each km walked, relative to the mean over all walking; the band is the 95 % interval.".to_owned(),
        format!(
            "{} reports with month and hour, {} whose time is partly known; when people walk is divided out.",
            layer.n_timed, layer.n_partial
        ),
    ];
    Ok((points, notes))
}

fn estimates(points: &[CurvePoint]) -> Vec<Option<Estimate>> {
    let known =
        |point: &CurvePoint| Estimate { value: point.relative, lower: point.lower, upper: point.upper };
    points.iter().map(|point| point.exposed.then(|| known(point))).collect()
}

fn season(layers: &Layers) -> Result<Drawn, String> {
    let (points, notes) = curve(layers, false)?;
    let chart = Curve {
        description: "Relative encounter rate by month with 95 % interval",
        labels: MONTHS.iter().map(|name| name[..3].to_owned()).collect(),
        values: estimates(&points),
        unit: "times the mean rate",
        across: "month",
    };
    Ok(Drawn { drawing: charts::curve(&chart), ground: PAPER, notes })
}

fn hours(layers: &Layers) -> Result<Drawn, String> {
    let (points, notes) = curve(layers, true)?;
    let chart = Curve {
        description: "Relative encounter rate by hour of the day with 95 % interval",
        labels: (0..24).map(|hour| if hour % 3 == 0 { hour.to_string() } else { String::new() }).collect(),
        values: estimates(&points),
        unit: "times the mean rate",
        across: "hour of the day",
    };
    Ok(Drawn { drawing: charts::curve(&chart), ground: PAPER, notes })
}

/// Any reaction, of the effort kind with most approaches: kinds are never pooled.
fn reactions(layers: &Layers) -> Result<Drawn, String> {
    let layer = layers.reactions.as_deref().map_err(Clone::clone)?;
    let sizes = EffortKind::ALL.iter().zip(&layer.sizes);
    let (effort, (n_approaches, n_snakes)) = sizes
        .max_by_key(|(_, (n, _))| *n)
        .filter(|(_, (n, _))| *n > 0)
        .ok_or("No approaches are recorded.")?;
    let of_kind =
        |table: &&ReactionTable| table.effort_kind == effort_kind(*effort) && table.occasion == Occasion::Any;
    let table = layer.tables.iter().find(of_kind).ok_or("No approaches are recorded.")?;
    let notes = vec![
        format!("Any reaction shown, {effort} encounters only: {n_approaches} approaches, recognised snakes among them: {n_snakes}."),
        "Bars: 95 % limits that hold when snakes differ. Beside each: approaches that showed it, of all. Do not test this."
            .to_owned(),
    ];
    let forest = Forest {
        description: "Share of approaches that showed each reaction, by kind of contact, with 95 % limits"
            .to_owned(),
        unit: "share of approaches".to_owned(),
        axis: Axis::Share,
        rows: share_rows(layer, table),
    };
    Ok(Drawn { drawing: forest::draw(&forest), ground: PAPER, notes })
}

fn share_rows(layer: &ReactionLayer, table: &ReactionTable) -> Vec<ForestRow> {
    let shown = table.cells.iter().filter(|cell| cell.n_approaches > 0);
    let row = |cell: &crate::analysis::response::table::ReactionCell| {
        let term = layer.terms.get(cell.term)?;
        let CellEstimate::Share { share, clustered, .. } = &cell.estimate else { return None };
        let contact = Contact::ALL.get(cell.contact.index())?;
        (cell.n_shown > 0 || term == ANY_STRIKE).then(|| ForestRow {
            label: format!("{}: {term}", contact.term()),
            counts: format!("{} of {}", cell.n_shown, cell.n_approaches),
            estimate: Estimate { value: *share, lower: clustered.lower, upper: clustered.upper },
            class: None,
        })
    };
    shown.filter_map(row).collect()
}
