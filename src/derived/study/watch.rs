//! Tables of this season against expectation.

use crate::analysis::season_watch::Alarm;
use crate::analysis::season_watch::Watched;
use crate::analysis::season_watch::WeekState;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::derived::watch::WatchLayer;

/// One week of one unit, or of all together.
struct Week<'a> {
    name: &'a str,
    week: usize,
    state: WeekState,
}

pub(super) fn weeks(layers: &Layers) -> Result<Table, String> {
    let all = ("all trails", "name of the trail, or all trails");
    Ok(weeks_of(need(&layers.watch)?, "trail", all, layers.most_rows, |_| false))
}

pub(super) fn stretch_weeks(layers: &Layers) -> Result<Table, String> {
    let all = ("all stretches", "trail, and which part of it, or all stretches");
    let watch = need(&layers.watch_stretches)?;
    Ok(weeks_of(watch, "stretch", all, layers.most_rows, |name| is_withheld(layers, name)))
}

/// Whether a stretch of this name lies near a sensitive place at least in part.
fn is_withheld(layers: &Layers, name: &str) -> bool {
    let Ok(rates) = &layers.rates else { return false };
    let of_name = rates.stretches.names.iter().position(|it| it == name);
    of_name.is_some_and(|unit| layers.withheld.touches(&rates.stretches.members[unit]))
}

/// Every week of every unit that is not withheld, those of all together first; `all` names them and says what the column of names holds.
fn weeks_of(
    layer: &WatchLayer,
    unit: &str,
    all: (&'static str, &str),
    most_rows: usize,
    is_withheld: impl Fn(&str) -> bool,
) -> Table {
    let (all_words, meaning) = all;
    let n_weeks = layer.weeks.len();
    let all = layer.watch.all.iter().enumerate();
    let all = all.map(|(week, state)| Week { name: all_words, week, state: *state });
    let states = layer.watch.weeks.chunks(n_weeks.max(1));
    let n_withheld = n_weeks * layer.names.iter().filter(|name| is_withheld(name)).count();
    let told = layer.names.iter().zip(states).filter(|(name, _)| !is_withheld(name));
    let of_units = told.flat_map(|(name, states)| {
        states.iter().enumerate().map(|(week, state)| Week { name, week, state: *state })
    });
    let n_rows = n_weeks + layer.watch.weeks.len() - n_withheld;
    let day = |row: &Week<'_>, last: bool| {
        layer.weeks.get(row.week).map(|(from, to)| if last { to } else { from }.to_string())
    };
    Table::first_of(n_rows, all.chain(of_units), most_rows)
        .withholding(n_withheld)
        .column(unit, "", meaning, |row: &Week<'_>| row.name)
        .column("first_day", "date", "first day of the week", |row| day(row, false))
        .column("last_day", "date", "last day of the week that was looked at", |row| day(row, true))
        .column("reports", "", "dated reports of the week", |row| match row.state {
            WeekState::NoExposure { observed } | WeekState::Expected { observed, .. } => observed,
        })
        .column("expected_is", "", "whether anything can be expected", |row| match row.state {
            WeekState::NoExposure { .. } => "no walking recorded",
            WeekState::Expected { .. } => "estimated",
        })
        .column("expected", "reports", "mean of the predictive of former years", |row| {
            expected(row.state).map(|it| it.0)
        })
        .column("expected_lower", "reports", "lower limit that holds 95 in 100 such weeks", |row| {
            expected(row.state).map(|it| it.1)
        })
        .column("expected_upper", "reports", "upper limit that holds 95 in 100 such weeks", |row| {
            expected(row.state).map(|it| it.2)
        })
        .column("tail", "probability", "of as many or more in that week", |row| {
            expected(row.state).map(|it| it.3)
        })
        .done()
}

fn expected(state: WeekState) -> Option<(f64, u64, u64, f64)> {
    match state {
        WeekState::Expected { expected, limits: (lower, upper), tail, .. } => {
            Some((expected, lower, upper, tail))
        }
        WeekState::NoExposure { .. } => None,
    }
}

/// Both ways of cutting the network into units.
fn layers_of(layers: &Layers) -> Result<[(&'static str, &WatchLayer); 2], String> {
    Ok([("trail", need(&layers.watch)?), ("stretch", need(&layers.watch_stretches)?)])
}

pub(super) fn rule(layers: &Layers) -> Result<Table, String> {
    let settings = &layers.facts.settings;
    let rows: Vec<(&'static str, &WatchLayer)> = layers_of(layers)?.into();
    Ok(Table::of(rows)
        .column("unit", "", "what is watched, beside the whole area", |(unit, _)| *unit)
        .column("units", "", "how many of them", |(_, layer)| layer.names.len())
        .column("until", "date", "last day that was looked at", |(_, layer)| layer.until.to_string())
        .column("weeks_seen", "", "weeks of the season so far", |(_, layer)| layer.weeks.len())
        .column("former_seasons", "", "seasons that the expectation rests on", |(_, layer)| {
            layer.former_years.len()
        })
        .column("former_reports", "", "dated reports of those seasons", |(_, layer)| layer.n_former)
        .column("longest_window", "weeks", "how far the scan looks back", |_| settings.watch_weeks)
        .column("dispersion", "", "variance of weekly counts over their mean", |(_, layer)| {
            layer.variation.dispersion
        })
        .column("year_variation", "", "coefficient of variation of whole years", |(_, layer)| {
            layer.variation.year_variation
        })
        .column("false_alarms_asked", "a season", "most that may be expected", |_| {
            settings.watch_false_alarms
        })
        .column("false_alarms", "a season", "expected over all units together, simulated", |(_, layer)| {
            layer.watch.false_alarms
        })
        .column("false_alarms_error", "a season", "standard error of the simulation", |(_, layer)| {
            layer.watch.false_alarms_error
        })
        .column("threshold", "probability", "a window is called at this or less", |(_, layer)| {
            layer.watch.threshold
        })
        .column("stand_out", "", "findings", |(_, layer)| layer.watch.alarms.len())
        .done())
}

/// A finding with the layer that it is from.
struct Found<'a> {
    unit: &'static str,
    layer: &'a WatchLayer,
    alarm: Alarm,
}

impl Found<'_> {
    fn day(&self, week: usize, last: bool) -> Option<String> {
        self.layer.weeks.get(week).map(|(from, to)| if last { to } else { from }.to_string())
    }
}

pub(super) fn alarms(layers: &Layers) -> Result<Table, String> {
    let mut rows = Vec::new();
    for (unit, layer) in layers_of(layers)? {
        rows.extend(layer.watch.alarms.iter().map(|alarm| Found { unit, layer, alarm: *alarm }));
    }
    let n_all = rows.len();
    rows.retain(|row| match row.alarm.watched {
        Watched::Unit(unit) if row.unit == "stretch" => {
            row.layer.names.get(unit).is_none_or(|name| !is_withheld(layers, name))
        }
        Watched::Unit(_) | Watched::All => true,
    });
    let n_withheld = n_all - rows.len();
    Ok(Table::of(rows)
        .withholding(n_withheld)
        .column("unit", "", "what was watched: trails or stretches", |row| row.unit)
        .column("name", "", "of the trail or stretch, or the whole area", |row| match row.alarm.watched {
            Watched::Unit(unit) => row.layer.names.get(unit).cloned(),
            Watched::All => Some("the whole area".to_owned()),
        })
        .column("walking_is", "", "assumed where only the change against former years is judged", |row| {
            match row.alarm.watched {
                Watched::Unit(unit) if row.layer.is_assumed.get(unit) == Some(&true) => "assumed",
                Watched::Unit(_) | Watched::All => "from counters",
            }
        })
        .column("first_day", "date", "first day of the window", |row| row.day(row.alarm.first_week, false))
        .column("last_day", "date", "last day of the window", |row| row.day(row.alarm.last_week, true))
        .column("called_on", "date", "the day on which the scan would have called it first", |row| {
            row.day(row.alarm.called_week, true)
        })
        .column("reports", "", "reports in the window", |row| row.alarm.observed)
        .column("expected", "reports", "mean of the predictive of former years", |row| row.alarm.expected)
        .column("expected_lower", "reports", "lower limit that holds 95 in 100 such windows", |row| {
            row.alarm.limits.0
        })
        .column("expected_upper", "reports", "upper limit that holds 95 in 100 such windows", |row| {
            row.alarm.limits.1
        })
        .column("tail", "probability", "of as many or more in the window", |row| row.alarm.tail)
        .done())
}
