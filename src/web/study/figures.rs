//! The figures of a study, drawn as pictures of their own. A figure, or several of one sort, is one function and one line in
//! [`ENTRIES`].

use maud::Markup;
use rayon::prelude::*;

use crate::analysis::rates::Provenance;
use crate::analysis::season::CurvePoint;
use crate::derived::DeriveError;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::rates::RateSet;
use crate::derived::season::PeriodChoice;
use crate::derived::study::Layers;
use crate::domain::time::MONTHS;
use crate::signage::export;
use crate::signage::export::ExportError;
use crate::web::pages::common;
use crate::web::study::density_figures;
use crate::web::study::more_figures;
use crate::web::study::reaction_figures;
use crate::web::views::charts;
use crate::web::views::charts::Curve;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::figure::class_of;
use crate::web::views::figure::format_count;
use crate::web::views::forest;
use crate::web::views::forest::Axis;
use crate::web::views::forest::Forest;
use crate::web::views::forest::ForestRow;
use crate::web::views::standalone;
use crate::web::views::standalone::Picture;
use crate::web::views::standalone::Surround;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::Stroke;

/// A figure, or several of one sort: name in addresses and files, title, and how it is drawn.
pub struct Entry {
    /// Its name, or what the names of its parts begin with: lower case, hyphens.
    pub name: &'static str,
    /// Its title, or what the titles of its parts begin with.
    pub title: &'static str,
    draw: Draw,
}

/// How an entry is drawn, or says what the facts lack.
enum Draw {
    /// One figure.
    One(fn(&Layers) -> Result<Drawn, String>),
    /// A figure for each part: effort kinds are never pooled, and long lists go over pages.
    Parts(fn(&Layers) -> Result<Vec<Part>, String>),
}

/// One figure of several.
pub(super) struct Part {
    /// What its name has after that of the entry; empty for the same name.
    pub(super) term: String,
    /// What its title has after that of the entry.
    pub(super) words: String,
    /// The drawing, or what the facts lack for it.
    pub(super) drawn: Result<Drawn, String>,
}

/// One figure.
pub struct Figure {
    /// Its name in addresses and files.
    pub name: String,
    /// Its title.
    pub title: String,
    /// The drawing, or what the facts lack for it.
    pub drawn: Result<Drawn, String>,
}

/// A drawing with what must stand below it.
pub struct Drawn {
    pub(super) drawing: Markup,
    pub(super) ground: &'static str,
    pub(super) notes: Vec<String>,
}

const fn entry(name: &'static str, title: &'static str, draw: fn(&Layers) -> Result<Drawn, String>) -> Entry {
    Entry { name, title, draw: Draw::One(draw) }
}

const fn parts(
    name: &'static str,
    title: &'static str,
    draw: fn(&Layers) -> Result<Vec<Part>, String>,
) -> Entry {
    Entry { name, title, draw: Draw::Parts(draw) }
}

/// All entries, in reading order.
pub const ENTRIES: &[Entry] = &[
    entry("risk-map", "Encounter rate of stretches", risk_map),
    parts("rates", "Stretches by encounter rate", caterpillars),
    entry("rate-pattern", "What the rates leave over on neighbouring stretches", more_figures::rate_pattern),
    parts("density", "Density of encounters along the trails", density_figures::along_trails),
    entry("density-plane", "Density of encounters in the plane", density_figures::in_plane),
    entry("relative-density", "Density of reports relative to walking", density_figures::relative),
    entry("clusters", "Clusters of reports", more_figures::cluster_map),
    entry("season", "Encounter rate by month", season),
    entry("season-weeks", "Encounter rate by week", more_figures::season_weeks),
    entry("hours", "Encounter rate by hour of the day", hours),
    entry(
        "hours-of-the-rate",
        "Hours as a smooth curve, reports over walking",
        more_figures::hours_of_the_rate,
    ),
    entry("hours-of-reports", "Hours as a smooth curve, reports alone", more_figures::hours_of_reports),
    entry("watch", "The season against expectation", more_figures::season_watched),
    parts("reactions", "Reactions by kind of contact", reaction_figures::any),
    parts("first-reactions", "First reaction by kind of contact", reaction_figures::first),
    parts("latency", "Time until snakes react", reaction_figures::latency),
    entry("walking", "Where walking is known from", more_figures::walking_map),
    entry("counts", "Counts observed and expected", more_figures::counted_and_expected),
    parts("counts-months", "Counts observed and expected by month", more_figures::site_months),
    parts("counts-hours", "Counts observed and expected by part of the day", more_figures::site_hours),
    entry("sign-map", "Planned signs", more_figures::sign_map),
    entry("warned-share", "Warned share by number of signs", more_figures::warned),
];

/// White, and the ground of maps.
pub(super) const PAPER: &str = "#ffffff";
pub(super) const LAND: &str = "#f3f0e6";

/// The figures of an entry: one that says what the facts lack where they allow none.
fn of_entry(layers: &Layers, entry: &Entry) -> Vec<Figure> {
    let named = |drawn| vec![Figure { name: entry.name.to_owned(), title: entry.title.to_owned(), drawn }];
    let parts = match entry.draw {
        Draw::One(draw) => return named(draw(layers)),
        Draw::Parts(draw) => match draw(layers) {
            Err(reason) => return named(Err(reason)),
            Ok(parts) => parts,
        },
    };
    let joined = |begin: &str, between: &str, end: &str| match end.is_empty() {
        true => begin.to_owned(),
        false => format!("{begin}{between}{end}"),
    };
    let figure = |part: Part| Figure {
        name: joined(entry.name, "-", &part.term),
        title: joined(entry.title, ": ", &part.words),
        drawn: part.drawn,
    };
    parts.into_iter().map(figure).collect()
}

/// All figures of some layers, in reading order.
pub fn all(layers: &Layers) -> Vec<Figure> {
    ENTRIES.par_iter().flat_map_iter(|entry| of_entry(layers, entry)).collect()
}

/// Whether some layers may have a figure of this name.
pub fn may_be(name: &str) -> bool {
    ENTRIES.iter().any(|entry| entry.may_have(name))
}

/// The figure of a name.
pub fn named(layers: &Layers, name: &str) -> Option<Figure> {
    let entries = ENTRIES.iter().filter(|entry| entry.may_have(name));
    entries.flat_map(|entry| of_entry(layers, entry)).find(|figure| figure.name == name)
}

impl Entry {
    fn may_have(&self, name: &str) -> bool {
        let is_part = |rest: &str| matches!(self.draw, Draw::Parts(_)) && rest.starts_with('-');
        name.strip_prefix(self.name).is_some_and(|rest| rest.is_empty() || is_part(rest))
    }
}

/// A figure as a picture of its own. It names the revision that the layers rest on: decisions and notices written since
/// change no figure.
///
/// # Errors
/// What the facts lack, in words.
pub fn picture(layers: &Layers, figure: Figure) -> Result<Picture, String> {
    let mut drawn = figure.drawn?;
    let facts = &layers.facts;
    let basis = common::revision_words(facts.basis, facts.basis_written_on);
    let (n_draws, seed) = (facts.settings.draws(), facts.settings.seed());
    drawn.notes.push(format!(
        "{}, data revision {basis}, {}, {n_draws} draws, seed {seed}",
        facts.area.name, facts.parameters
    ));
    let surround = Surround { title: figure.title, notes: drawn.notes };
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

/// On how many stretches walking is assumed.
fn assumed_words(set: &RateSet) -> String {
    let n = set.provenance.iter().filter(|known| **known == Provenance::Assumed).count();
    format!(
        "On {n} of {} stretches how many people walk is assumed, not counted nor fitted from counters.",
        set.provenance.len()
    )
}

/// The map of stretches without those near sensitive places.
pub(super) fn told_map(
    layers: &Layers,
    network: &NetworkLayer,
    rates: &rates::RateLayer,
    period: &rates::PeriodRates,
) -> MapDrawing {
    let mut drawing = common::stretch_map(&layers.facts, network, rates, period, |_| String::new());
    for (line, segments) in drawing.lines.iter_mut().zip(&rates.stretches.members) {
        if layers.withheld.touches(segments) {
            line.stroke = Stroke::Withheld;
        }
    }
    drawing
}

fn risk_map(layers: &Layers) -> Result<Drawn, String> {
    let network = layers.network.as_deref().map_err(Clone::clone)?;
    let (rates, period) = all_periods(layers)?;
    let drawing = told_map(layers, network, rates, &period);
    let [a, b, c, d] = rates.bounds.per_1000_km();
    let mut notes = vec![
        format!(
            "Reported encounters per 1,000 km walked: below {a}, {a} to {b}, {b} to {c}, {c} to {d}, above {d}, from lightest to darkest."
        ),
        "Solid: narrow 95 % interval. Dashed: wide, or walking is assumed. Hollow grey: too wide to say. Dotted: no walking recorded."
            .to_owned(),
        assumed_words(&rates.stretches),
        common::rate_records(rates),
    ];
    notes.extend(layers.withheld.note());
    Ok(Drawn { drawing: svg_map::draw(&drawing), ground: LAND, notes })
}

/// Most stretches in one figure: more could not be read on a page.
const MOST_STRETCHES: usize = 60;

fn caterpillars(layers: &Layers) -> Result<Vec<Part>, String> {
    let (rates, period) = all_periods(layers)?;
    let set = &rates.stretches;
    let row = |unit: &usize| {
        let limits = period.per_1000_km[*unit]?;
        let fit = &set.fit.units[*unit];
        Some(ForestRow {
            label: set.names[*unit].clone(),
            counts: format!("{} in {:.0} km", format_count(fit.count), fit.exposure_km),
            estimate: common::estimate(limits),
            class: class_of(common::stroke(period.drawn[*unit])),
        })
    };
    let is_told = |unit: &&usize| !layers.withheld.touches(&set.members[**unit]);
    let n_withheld = period.order.iter().filter(|unit| !is_told(unit)).count();
    let rows: Vec<ForestRow> = period.order.iter().filter(is_told).filter_map(row).collect();
    match (rows.is_empty(), n_withheld) {
        (false, _) => {}
        (true, 0) => return Err("No stretch has walking that counters identify.".to_owned()),
        (true, _) => return Err("All stretches lie near a sensitive place.".to_owned()),
    }
    let reference = period.reference;
    let withheld = match n_withheld {
        0 => String::new(),
        n => format!(" {n} of all ranked stretches are withheld near a sensitive place."),
    };
    let all_trails = format!(
        "All trails whose walking is known: {} ({} to {}). Beside each: reported encounters and distance walked by parties.{withheld}",
        format_rate(reference.value),
        format_rate(reference.lower),
        format_rate(reference.upper)
    );
    Ok(pages_of(&rows, &all_trails))
}

/// A figure for each page of ranked stretches.
fn pages_of(rows: &[ForestRow], all_trails: &str) -> Vec<Part> {
    let n_ranked = rows.len();
    // One axis for all pages.
    let all: Vec<Estimate> = rows.iter().map(|row| row.estimate).collect();
    let page = |(page, rows): (usize, &[ForestRow])| {
        let (first, last) = (page * MOST_STRETCHES + 1, page * MOST_STRETCHES + rows.len());
        let notes = vec![
            format!(
                "Posterior means with 95 % intervals, in order of the lower limit; stretches {first} to {last} of {n_ranked} \
                 ranked."
            ),
            all_trails.to_owned(),
        ];
        let forest = Forest {
            description: "Stretches with encounter rate and 95 % interval".to_owned(),
            unit: "reports per 1,000 km walked".to_owned(),
            axis: Axis::Log,
            also: all.clone(),
            rows: rows.to_vec(),
        };
        let is_alone = n_ranked <= MOST_STRETCHES;
        Part {
            term: if page == 0 { String::new() } else { (page + 1).to_string() },
            words: if is_alone { String::new() } else { format!("{first} to {last} of {n_ranked}") },
            drawn: Ok(Drawn { drawing: forest::draw(&forest), ground: PAPER, notes }),
        }
    };
    rows.chunks(MOST_STRETCHES).enumerate().map(page).collect()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_ranked_stretch_is_left_out() {
        let row = |idx: usize| ForestRow {
            label: format!("Stretch {idx}."),
            counts: "1 in 2 km".to_owned(),
            estimate: Estimate { value: 2.0, lower: 1.0, upper: 3.0 },
            class: None,
        };
        let rows: Vec<ForestRow> = (1..=2 * MOST_STRETCHES + 10).map(row).collect();
        let pages = pages_of(&rows, "All trails.");
        let named = |page: &Part| (page.term.clone(), page.words.clone());
        let expected = [("", "1 to 60 of 130"), ("2", "61 to 120 of 130"), ("3", "121 to 130 of 130")];
        assert_eq!(
            pages.iter().map(named).collect::<Vec<_>>(),
            expected.map(|(term, words)| (term.to_owned(), words.to_owned()))
        );
        let drawn: String = pages.into_iter().map(|page| page.drawn.unwrap().drawing.0).collect();
        assert!((1..=rows.len()).all(|idx| drawn.contains(&format!("Stretch {idx}."))));
        let alone = pages_of(&rows[..MOST_STRETCHES], "All trails.");
        assert_eq!(alone.iter().map(named).collect::<Vec<_>>(), [(String::new(), String::new())]);
    }

    #[test]
    fn a_name_belongs_to_an_entry_or_its_parts() {
        for name in [
            "risk-map",
            "rates",
            "rates-2",
            "latency-located-over",
            "first-reactions-report",
            "counts-months-2",
        ] {
            assert!(may_be(name), "{name}");
        }
        for name in ["risk-map-2", "ratesx", "trails", "reaction", "counts-2", ""] {
            assert!(!may_be(name), "{name}");
        }
    }
}
