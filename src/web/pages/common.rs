//! What several pages build alike: frames, figures, map drawings.

use jiff::civil::Date;

use crate::analysis::rates::Certainty;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::Spread;
use crate::analysis::rates::UnitRate;
use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::density::course;
use crate::derived::exposure::ExposureLayer;
use crate::derived::exposure::closures::Closed;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::plan::PlanLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::PeriodRates;
use crate::derived::rates::RateLayer;
use crate::derived::rates::RateSet;
use crate::domain::account::Right;
use crate::domain::approach::CoreReaction;
use crate::domain::area::Area;
use crate::domain::batch::Content;
use crate::domain::revision::Revision;
use crate::ingest::is_about_health;
use crate::store::Origin;
use crate::store::Snapshot;
use crate::web::auth::Who;
use crate::web::error::Error;
use crate::web::pages::watch::day_words;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::thousands;
use crate::web::views::figure::Behind;
use crate::web::views::figure::Figure;
use crate::web::views::figure::NoRate;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLabel;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::MapPlace;
use crate::web::views::svg_map::MapSign;
use crate::web::views::svg_map::Stroke;

/// The settings that figures rest on, in words: "default settings, 200 draws, seed 1".
pub(in crate::web) fn settings_words(facts: &Derived<Facts>) -> String {
    let settings = &facts.settings;
    format!("{}, {} draws, seed {}", facts.parameters, settings.n_draws, settings.seed)
}

/// The one area.
pub(in crate::web) fn first_area(areas: Vec<Area>) -> Result<Area, Error> {
    let none = || {
        Error::Unanswerable("There is no area yet. Make it on the command line: coilway area --name \"Our Reserve\" --zone Europe/Vienna --emergency-number 112.".to_owned())
    };
    areas.into_iter().next().ok_or_else(none)
}

/// The frame of a page about the facts.
pub(in crate::web) fn frame(facts: &Derived<Facts>, section: Section, title: &str, records: String) -> Frame {
    Frame {
        title: title.to_owned(),
        section,
        area_name: facts.area.name.clone(),
        basis: Basis {
            revision: Some(facts.revision.0),
            written_on: written_on(facts),
            records,
            parameters: settings_words(facts),
        },
        width: Width::Column,
        reader: Reader::Staff,
    }
}

/// The day on which the revision was written, in words.
pub(in crate::web) fn written_on(facts: &Facts) -> String {
    facts.written_on.map(day_words).unwrap_or_default()
}

/// A revision with its day where that is known: "24 of 29 November 2026".
pub(in crate::web) fn revision_words(revision: Revision, written_on: Option<Date>) -> String {
    match written_on {
        Some(day) => format!("{revision} of {}", day_words(day)),
        None => revision.to_string(),
    }
}

/// Trails named in a notice; of further ones there is a number.
const MOST_CLOSED: usize = 6;

/// What closures mean for answers about time: empty where nothing was closed on the days looked at, or nothing says who walks.
pub(in crate::web) async fn closed_words(app: &App, facts: &Derived<Facts>) -> Result<String, Error> {
    if facts.closures.is_empty() {
        return Ok(String::new());
    }
    let exposure = match app.deriver().exposure(facts).await {
        Ok(exposure) => exposure,
        Err(DeriveError::Unanswerable(_)) => return Ok(String::new()),
        Err(error) => return Err(error.into()),
    };
    let mut names: Vec<&str> = Vec::new();
    for (closure, effect) in facts.closures.iter().zip(&exposure.closures.effects) {
        let name = match effect.closed {
            _ if !effect.is_in_period => continue,
            Closed::Nowhere => continue,
            Closed::Area => "the whole area",
            Closed::Trail(_) | Closed::Trailhead(_) => closure.name.as_str(),
        };
        if !names.contains(&name) {
            names.push(name);
        }
    }
    if names.is_empty() {
        return Ok(String::new());
    }
    let more = match names.len().saturating_sub(MOST_CLOSED) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    names.truncate(MOST_CLOSED);
    Ok(format!(
        "Closed for a time: {}{more}. What would have been walked there then is in no month, week or hour, but for those who were \
         counted while it was closed.",
        names.join(", ")
    ))
}

/// What the rates rest on, in words.
pub(in crate::web) fn rate_records(rates: &RateLayer) -> String {
    let n = |count: usize| thousands(count as i64);
    format!(
        "rates rest on {} reports on trails; {} too vague for a segment count for their trail only, {} at places or off \
         trail and {} outside the days counted are in no rate",
        n(rates.n_reports),
        n(rates.n_vague),
        n(rates.n_elsewhere),
        n(rates.n_outside)
    )
}

/// A number with its limits.
pub(in crate::web) fn estimate(limits: Limits) -> Estimate {
    Estimate { value: limits.value, lower: limits.lower, upper: limits.upper }
}

/// How a unit is drawn.
pub(in crate::web) fn stroke((class, certainty): (usize, Certainty)) -> Stroke {
    let class = class as u8;
    match certainty {
        Certainty::Narrow => Stroke::Narrow(class),
        // A wide interval only takes the three middle colours.
        Certainty::Wide => Stroke::Wide(class.clamp(1, 3)),
        Certainty::TooWide => Stroke::TooWide,
        Certainty::None => Stroke::NoWalking,
    }
}

/// Where exposure comes from, in words.
pub(in crate::web) fn provenance_words(provenance: Provenance) -> &'static str {
    match provenance {
        Provenance::Counted => "counted",
        Provenance::Fitted => "fitted from counters",
        Provenance::Assumed => "assumed from priors",
        Provenance::NotWalked => "no walking recorded",
    }
}

/// The figure of a unit in a period.
pub(in crate::web) fn figure(set: &RateSet, period: &PeriodRates, unit: usize) -> Figure {
    let fit = &set.fit.units[unit];
    let rate = match (&fit.rate, period.per_1000_km[unit]) {
        (UnitRate::Unexposed, _) => Err(NoRate::NoExposure),
        (UnitRate::ContradictsRecords, _) => Err(NoRate::Contradiction),
        (UnitRate::Estimated(_), Some(limits)) => Ok(estimate(limits)),
        (UnitRate::Estimated(_), None) if period.is_too_little => Err(NoRate::TooLittle),
        (UnitRate::Estimated(_), None) => Err(NoRate::NotEstimable),
    };
    Figure {
        rate,
        stroke: stroke(period.drawn[unit]),
        is_of_all: false,
        count: fit.count,
        walked_km: fit.exposure_km,
        walked_limits_km: set.exposure_limits_km[unit],
        provenance: provenance_words(set.provenance[unit]),
    }
}

/// What stands behind a figure of several units together.
pub(in crate::web) fn behind(
    set: &RateSet,
    exposure: &ExposureLayer,
    units: impl Iterator<Item = usize>,
) -> Behind {
    let units: Vec<usize> = units.collect();
    let segments: Vec<usize> = units.iter().flat_map(|unit| &set.members[*unit]).copied().collect();
    Behind {
        count: units.iter().map(|unit| set.fit.units[*unit].count).sum(),
        walked_km: estimate(exposure.walked_on(&segments)),
    }
}

/// The map of all stretches in a period.
pub(in crate::web) fn stretch_map(
    facts: &Facts,
    layer: &NetworkLayer,
    rates: &RateLayer,
    period: &PeriodRates,
    href: impl Fn(usize) -> String,
) -> MapDrawing {
    let set = &rates.stretches;
    let line = |(unit, segments): (usize, &Vec<usize>)| MapLine {
        points: course(layer, segments),
        stroke: stroke(period.drawn[unit]),
        href: href(unit),
        title: set.names[unit].clone(),
        picked: false,
    };
    MapDrawing {
        description: "The trails, drawn by encounter rate; the table beside the map has the numbers"
            .to_owned(),
        lines: set.members.iter().enumerate().map(line).collect(),
        ..base_map(facts, layer)
    }
}

/// A map without lines: names of trails, places and trailheads.
pub(in crate::web) fn base_map(facts: &Facts, layer: &NetworkLayer) -> MapDrawing {
    MapDrawing { labels: labels(layer), places: places(facts, layer), ..MapDrawing::default() }
}

/// The course of contiguous segments, each turned so that it goes on where the last one ended.
pub(in crate::web) fn course(layer: &NetworkLayer, segments: &[usize]) -> Vec<[f64; 2]> {
    let mut points: Vec<[f64; 2]> = Vec::new();
    let mut at = course::first_vertex(layer, segments);
    for segment in segments {
        let segment = &layer.network.segments[*segment];
        let planar = segment.planar.iter().map(|point| [point.x, point.y]);
        let forward = Some(segment.from) == at || at.is_none();
        if forward {
            points.extend(planar);
            at = Some(segment.to);
        } else {
            points.extend(planar.rev());
            at = Some(segment.from);
        }
    }
    points.dedup();
    points
}

/// The point at a share of the way along a line, 0 at its start; the origin for a line without points.
pub(in crate::web) fn along(points: &[[f64; 2]], share: f64) -> [f64; 2] {
    let length = |pair: &[[f64; 2]]| (pair[1][0] - pair[0][0]).hypot(pair[1][1] - pair[0][1]);
    let mut left = points.windows(2).map(length).sum::<f64>() * share;
    for pair in points.windows(2) {
        let step = length(pair);
        if step > 0.0 && left <= step {
            let share = left / step;
            return [0, 1].map(|axis| pair[0][axis] + share * (pair[1][axis] - pair[0][axis]));
        }
        left -= step;
    }
    points.first().copied().unwrap_or_default()
}

/// The longest run of each trail with its length in metres; none for a trail without segments.
fn longest_runs(layer: &NetworkLayer) -> Vec<Option<(f64, usize)>> {
    let mut longest: Vec<Option<(f64, usize)>> = vec![None; layer.network.trails.len()];
    for (run, segments) in layer.network.trail_runs().iter().enumerate() {
        let length_m: f64 = segments.iter().map(|segment| layer.network.segments[*segment].length_m).sum();
        let kept = &mut longest[layer.trail_of_run[run]];
        if kept.is_none_or(|(known_m, _)| length_m > known_m) {
            *kept = Some((length_m, run));
        }
    }
    longest
}

/// Where the mark of a notice about a trail stands: a third along the longest run, away from the trail's name. It says
/// nothing of where on the trail anything was.
pub(in crate::web) fn notice_at(layer: &NetworkLayer, trail: &str) -> Option<[f64; 2]> {
    let trail = layer.network.trails.iter().position(|known| known.name == trail)?;
    let (_, run) = longest_runs(layer)[trail]?;
    Some(along(&course(layer, &layer.network.trail_runs()[run]), 1.0 / 3.0))
}

/// One label a trail, at the middle of its longest run.
pub(in crate::web) fn labels(layer: &NetworkLayer) -> Vec<MapLabel> {
    let label = |(trail, best): (usize, Option<(f64, usize)>)| {
        let (_, run) = best?;
        let segments = &layer.network.trail_runs()[run];
        let middle = &layer.network.segments[segments[segments.len() / 2]].planar;
        let at = middle.get(middle.len() / 2)?;
        Some(MapLabel { at: [at.x, at.y], words: layer.network.trails[trail].name.clone() })
    };
    longest_runs(layer).into_iter().enumerate().filter_map(label).collect()
}

/// Trailheads, and places that are none.
pub(in crate::web) fn places(facts: &Facts, layer: &NetworkLayer) -> Vec<MapPlace> {
    let plane = &layer.network.plane;
    let mark = |position, words: &str| {
        let at = plane.to_plane(position);
        MapPlace { at: [at.x, at.y], words: words.to_owned(), link: None }
    };
    let heads = facts.trailheads.iter().map(|head| mark(head.position, &head.name));
    let others = facts.places.iter().filter(|place| place.trailhead_id.is_none());
    heads.chain(others.map(|place| mark(place.given.position, &place.given.name))).collect()
}

/// The signs of a plan on the map.
pub(in crate::web) fn signs(layer: &NetworkLayer, plan: &PlanLayer) -> Vec<MapSign> {
    let sign = |(idx, site): (usize, &crate::derived::plan::PlannedSite)| {
        let at = layer.network.plane.to_plane(site.position);
        MapSign { at: [at.x, at.y], number: idx + 1, standing: site.standing, title: site.trails.join(", ") }
    };
    plan.sites.iter().enumerate().map(sign).collect()
}

/// Below this probability that all rates of a stratum are the same, its stretches are said to be told apart.
const SURELY_APART_BELOW: f64 = 0.05;
/// Above this probability they are said not to be told apart at all.
const CANNOT_TELL_ABOVE: f64 = 0.5;

/// How far the records tell the stretches of a stratum apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum ToldApart {
    /// Surely.
    Yes,
    /// They may differ.
    NotSurely,
    /// Not at all.
    CannotTell,
}

/// How far the records tell them apart, and the probability that all rates are the same.
pub(in crate::web) fn told_apart(spread: Spread) -> (ToldApart, f64) {
    match spread {
        Spread::CannotTellApart { no_spread_probability } => (ToldApart::CannotTell, no_spread_probability),
        Spread::ToldApart { no_spread_probability: same } if same > CANNOT_TELL_ABOVE => {
            (ToldApart::CannotTell, same)
        }
        Spread::ToldApart { no_spread_probability: same } if same >= SURELY_APART_BELOW => {
            (ToldApart::NotSurely, same)
        }
        Spread::ToldApart { no_spread_probability } => (ToldApart::Yes, no_spread_probability),
    }
}

/// Where a record came from: "row 9 of visitor-book.csv, batch 3".
pub(in crate::web) async fn origin_words(snapshot: &mut Snapshot, origin: Origin) -> Result<String, Error> {
    let file = snapshot.file(origin.file_id).await?;
    let name = file.map_or_else(|| format!("file {}", origin.file_id), |file| file.given.name);
    Ok(format!("row {} of {name}, batch {}", origin.row_number, origin.batch_id))
}

/// When something was written down, to the minute, in UTC.
pub(in crate::web) fn when(instant_s: i64) -> String {
    let at = jiff::Timestamp::from_second(instant_s).map(|at| at.strftime("%Y-%m-%d %H:%M UTC").to_string());
    at.unwrap_or_default()
}

/// What stands for a bite of skin and for one of footwear or a device alike: words for the one alone would say which it was.
const BITE_WITHHELD: &str = "a bite, of what is withheld";
/// What stands for all free words, whatever they say: words for those that tell of a bite alone would tell of it.
const WORDS_WITHHELD: &str = "withheld: free words are for those who may see reported bites";

/// The term of a reaction, or of several in a text, as somebody may read it: that a snake bit somebody is health data.
pub(in crate::web) fn reaction_words(who: &Who, text: &str) -> String {
    if who.may(Right::SeeHealth) {
        return text.to_owned();
    }
    let bites = [CoreReaction::BitSkin, CoreReaction::BitFootwear];
    bites.iter().fold(text.to_owned(), |text, bite| text.replace(bite.term(), BITE_WITHHELD))
}

/// Words that somebody chose freely, as somebody may read them: they may tell of a bite whatever the other fields say.
pub(in crate::web) fn free_words(who: &Who, text: &str) -> String {
    match who.may(Right::SeeHealth) || text.is_empty() {
        true => text.to_owned(),
        false => WORDS_WITHHELD.to_owned(),
    }
}

/// What a field of a record says in its history, as somebody may read it. What it did to people is health data: that it
/// changed may be seen, not how.
pub(in crate::web) fn record_words(who: &Who, field: &str, text: &str) -> String {
    match field {
        "outcome" if !who.may(Right::SeeHealth) => "withheld".to_owned(),
        "details.occurrence_remarks" | "details.behavior" => free_words(who, text),
        "details.other" if text != "[]" => free_words(who, text),
        _ if field.split('.').next() == Some("approaches") => reaction_words(who, text),
        _ => text.to_owned(),
    }
}

/// The value of a row that did not go in, as somebody may read it.
pub(in crate::web) fn cell_words(who: &Who, content: Content, header: &str, value: &str) -> String {
    match is_withheld_cell(who, content, header, value) {
        true => "withheld".to_owned(),
        false => value.to_owned(),
    }
}

/// Whether somebody may not read the value of a row that did not go in.
pub(in crate::web) fn is_withheld_cell(who: &Who, content: Content, header: &str, value: &str) -> bool {
    !who.may(Right::SeeHealth) && is_about_health(content, header, value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_of_the_way_is_measured_along_the_line() {
        let corner = [[0.0, 0.0], [4.0, 0.0], [4.0, 4.0]];
        assert_eq!(along(&corner, 0.5), [4.0, 0.0]);
        assert_eq!(along(&corner, 0.25), [2.0, 0.0]);
        assert_eq!(along(&[[0.0, 0.0], [0.0, 0.0], [10.0, 0.0]], 0.5), [5.0, 0.0]);
        assert_eq!(along(&[], 0.5), [0.0, 0.0]);
    }

    #[test]
    fn a_probability_of_four_in_ten_that_all_are_alike_is_no_yes() {
        let words = |same: f64| told_apart(Spread::ToldApart { no_spread_probability: same }).0;
        assert_eq!([0.0, 0.049].map(words), [ToldApart::Yes; 2]);
        assert_eq!([0.05, 0.41, 0.5].map(words), [ToldApart::NotSurely; 3]);
        assert_eq!(words(0.51), ToldApart::CannotTell);
        let none = Spread::CannotTellApart { no_spread_probability: 0.3 };
        assert_eq!(told_apart(none), (ToldApart::CannotTell, 0.3));
    }
}
