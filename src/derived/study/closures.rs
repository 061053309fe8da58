//! The table of closures. Without their reasons: these are words of staff, and may tell what lies there.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::derived::exposure::closures::Closed;
use crate::derived::exposure::closures::ClosureEffect;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::domain::closure::Closure;
use crate::domain::closure::WHOLE_AREA;

/// A closure, and one of the trails whose walking is less for it.
struct Row<'a> {
    closure: &'a Closure,
    effect: &'a ClosureEffect,
    less_on: Option<usize>,
}

pub(super) fn closures(layers: &Layers) -> Result<Table, String> {
    let (exposure, facts) = (need(&layers.exposure)?, &layers.facts);
    let network = need(&layers.network).map(|layer| &layer.network)?;
    if facts.closures.is_empty() {
        return Err("No closures were brought in: trails are taken to be open all the time.".to_owned());
    }
    let zone = TimeZone::get(&facts.area.time_zone).unwrap_or(TimeZone::UTC);
    let local = |instant_s: i64| {
        let instant = Timestamp::from_second(instant_s).ok()?;
        Some(zone.to_datetime(instant).strftime("%Y-%m-%dT%H:%M").to_string())
    };
    let mut rows = Vec::new();
    for (closure, effect) in facts.closures.iter().zip(&exposure.closures.effects) {
        let each = effect.less_on.iter().map(|trail| Row { closure, effect, less_on: Some(*trail) });
        rows.extend(each);
        if effect.less_on.is_empty() {
            rows.push(Row { closure, effect, less_on: None });
        }
    }
    let sum = |of: fn(&crate::derived::exposure::closures::ClosedCounter) -> usize| {
        move |row: &Row<'_>| row.effect.counters.iter().map(of).sum::<usize>()
    };
    let (readings, zeros) = (sum(|it| it.n_readings), sum(|it| it.n_zero));
    Ok(Table::of(rows)
        .column("name", "", "trail or trailhead that was closed, or whole area", |row| {
            match row.closure.name.as_str() {
                "" => WHOLE_AREA.to_owned(),
                name => name.to_owned(),
            }
        })
        .column("closed", "", "what is there of that name now: area, trail, trailhead, or nowhere", |row| {
            match row.effect.closed {
                Closed::Area => "area",
                Closed::Trail(_) => "trail",
                Closed::Trailhead(_) => "trailhead",
                Closed::Nowhere => "nowhere",
            }
        })
        .column("from", "local time", "when it began", |row| local(row.closure.from_s))
        .column("until", "local time", "from when on it was open again; empty while it is closed", |row| {
            row.closure.until_s.and_then(local)
        })
        .column("counters", "", "counters that counted in that time", |row| {
            let names = row.effect.counters.iter().map(|it| facts.counters[it.counter].name.as_str());
            names.collect::<Vec<_>>().join("; ")
        })
        .column("readings", "", "their readings in the closed time, within the study period", readings)
        .column("zeros", "", "of these, readings of nobody, which pass for no outage", zeros)
        .column(
            "less_on",
            "",
            "trail whose walking is less, or trailhead at which fewer start",
            |row| match (row.less_on, row.effect.closed) {
                (Some(trail), _) => Some(network.trails[trail].name.clone()),
                (None, Closed::Trailhead(head)) if row.effect.is_in_period => {
                    Some(facts.trailheads[head].name.clone())
                }
                _ => None,
            },
        )
        .limits(
            "less_by",
            "share",
            "share that would fall into that time, less those who were counted all the same, for all its closures together",
            |row| match (row.less_on, row.effect.closed) {
                (Some(trail), _) => Some(exposure.closures.less_on(trail)),
                (None, Closed::Trailhead(head)) if row.effect.is_in_period => {
                    Some(exposure.closures.less_at(head))
                }
                _ => None,
            },
        )
        .done())
}
