//! Tables of this season against expectation.

use crate::analysis::season_watch::Watched;
use crate::analysis::season_watch::WeekState;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

/// One week of one trail, or of all together.
struct Week {
    name: String,
    week: usize,
    state: WeekState,
}

pub(super) fn weeks(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.watch)?;
    let n_weeks = layer.weeks.len();
    let all = layer.watch.all.iter().enumerate();
    let mut rows: Vec<Week> =
        all.map(|(week, state)| Week { name: "all trails".to_owned(), week, state: *state }).collect();
    for (unit, name) in layer.names.iter().enumerate() {
        let states = layer.watch.weeks.iter().skip(unit * n_weeks).take(n_weeks).enumerate();
        rows.extend(states.map(|(week, state)| Week { name: name.clone(), week, state: *state }));
    }
    let day = |row: &Week, last: bool| {
        layer.weeks.get(row.week).map(|(from, to)| if last { to } else { from }.to_string())
    };
    Ok(Table::of(rows)
        .column("trail", "", "name of the trail, or all trails", |row| row.name.clone())
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
        .done())
}

fn expected(state: WeekState) -> Option<(f64, u64, u64, f64)> {
    match state {
        WeekState::Expected { expected, limits: (lower, upper), tail, .. } => {
            Some((expected, lower, upper, tail))
        }
        WeekState::NoExposure { .. } => None,
    }
}

pub(super) fn alarms(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.watch)?;
    let day = |week: usize, last: bool| {
        layer.weeks.get(week).map(|(from, to)| if last { to } else { from }.to_string())
    };
    Ok(Table::of(layer.watch.alarms.clone())
        .column("trail", "", "name of the trail, or all trails", |alarm| match alarm.watched {
            Watched::Unit(unit) => layer.names.get(unit).cloned(),
            Watched::All => Some("all trails".to_owned()),
        })
        .column("walking_is", "", "assumed where only the change against former years is judged", |alarm| {
            match alarm.watched {
                Watched::Unit(unit) if layer.is_assumed.get(unit) == Some(&true) => "assumed",
                Watched::Unit(_) | Watched::All => "from counters",
            }
        })
        .column("first_day", "date", "first day of the window", |alarm| day(alarm.first_week, false))
        .column("last_day", "date", "last day of the window", |alarm| day(alarm.last_week, true))
        .column("called_on", "date", "the day on which the scan would have called it first", |alarm| {
            day(alarm.called_week, true)
        })
        .column("reports", "", "reports in the window", |alarm| alarm.observed)
        .column("expected", "reports", "mean of the predictive of former years", |alarm| alarm.expected)
        .column("expected_lower", "reports", "lower limit that holds 95 in 100 such windows", |alarm| {
            alarm.limits.0
        })
        .column("expected_upper", "reports", "upper limit that holds 95 in 100 such windows", |alarm| {
            alarm.limits.1
        })
        .column("tail", "probability", "of as many or more in the window", |alarm| alarm.tail)
        .column("false_alarms", "a season", "false alarms expected over all trails together", |_| {
            layer.watch.false_alarms
        })
        .done())
}
