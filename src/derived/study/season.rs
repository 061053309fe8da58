//! Tables of season and hours.

use crate::analysis::season::CurvePoint;
use crate::analysis::season::HOURS;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonWindow;
use crate::analysis::season::Term;
use crate::analysis::season::TestOutcome;
use crate::analysis::season::Wave;
use crate::derived::hour_curves::HourCurve;
use crate::derived::hour_curves::N_POINTS;
use crate::derived::rates::Limits;
use crate::derived::season::SeasonLayer;
use crate::derived::season_details::Weeks;
use crate::derived::season_levels::LevelSeasons;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::derived::study::table::Value;

fn fit(layers: &Layers) -> Result<(&SeasonLayer, &SeasonFit), String> {
    let layer = need(&layers.season)?;
    match &layer.fit {
        Ok(fit) => Ok((layer, fit)),
        Err(reason) => Err(reason.clone()),
    }
}

/// A part in which nobody walked has no estimate.
fn limits(point: &CurvePoint) -> Option<Limits> {
    point.exposed.then_some(Limits { value: point.relative, lower: point.lower, upper: point.upper })
}

fn exposed(point: &CurvePoint) -> &'static str {
    if point.exposed { "estimated" } else { "no walking recorded" }
}

const RELATIVE: &str = "times the mean rate";

pub(super) fn months(layers: &Layers) -> Result<Table, String> {
    let (layer, fit) = fit(layers)?;
    let inclusion = |month: usize| layer.window.as_ref().and_then(|it| it.inclusion.get(month).copied());
    let is_in = |window: &SeasonWindow, month| window.window.contains(month);
    let words = |inside: bool| if inside { "yes" } else { "no" };
    Ok(Table::of(fit.curve(0).by_part().into_iter().enumerate().collect())
        .column("month", "", "month, 1 January", |(month, _)| month + 1)
        .column("reports", "", "reports of the study period whose month is known", |(month, _)| {
            layer.by_month.get(*month).copied()
        })
        .column("walking_share", "share", "share of all walking", |(month, _)| {
            layer.walking_by_month.get(*month).copied()
        })
        .column("rate_is", "", "whether there is a rate, or why not", |(_, point)| exposed(point))
        .limits("relative_rate", RELATIVE, "encounters for each km walked", |(_, point)| limits(point))
        .column("is_in_season", "", "whether the season's window holds it", |(month, _)| {
            layer.window.as_ref().map(|window| words(is_in(window, *month)))
        })
        .column("in_season_share", "share", "share of draws whose window holds it", |(month, _)| {
            inclusion(*month)
        })
        .done())
}

fn weeks_of(layers: &Layers) -> Result<&Weeks, String> {
    let weeks = need(&layers.season_details)?.weeks.as_ref();
    weeks.ok_or_else(|| "No season by weeks can be estimated.".to_owned())
}

pub(super) fn weeks(layers: &Layers) -> Result<Table, String> {
    let weeks = weeks_of(layers)?;
    let inclusion = |week: usize| weeks.window.as_ref().and_then(|it| it.inclusion.get(week).copied());
    Ok(Table::of(weeks.curve.iter().enumerate().collect())
        .column("week", "", "week of seven days from 1 January, which is in week 1", |(week, _)| week + 1)
        .column("rate_is", "", "whether there is a rate, or why not", |(_, point)| exposed(point))
        .limits("relative_rate", RELATIVE, "encounters for each km walked", |(_, point)| limits(point))
        .column("is_in_season", "", "whether the season's window holds it", |(week, _)| {
            weeks.window.as_ref().map(|it| if it.window.contains(*week) { "yes" } else { "no" })
        })
        .column("in_season_share", "share", "share of draws whose window holds it", |(week, _)| {
            inclusion(*week)
        })
        .done())
}

/// A run of a window, by months or weeks.
struct WindowRun<'a> {
    by: &'static str,
    number: usize,
    window: &'a SeasonWindow,
}

impl WindowRun<'_> {
    /// The first part counted from one, with its limits.
    fn first(&self) -> [usize; 3] {
        let (lower, upper) = self.window.first_limits[self.number];
        [self.window.window.runs[self.number].start, lower, upper].map(|part| part + 1)
    }

    /// The last part counted from one, with its limits.
    fn last(&self) -> [usize; 3] {
        let (lower, upper) = self.window.last_limits[self.number];
        let last = self.window.window.runs[self.number].last(self.window.window.n_parts);
        [last, lower, upper].map(|part| part + 1)
    }
}

pub(super) fn windows(layers: &Layers) -> Result<Table, String> {
    let by_month = need(&layers.season)?.window.as_ref();
    let by_week = weeks_of(layers).ok().and_then(|weeks| weeks.window.as_ref());
    let rows: Vec<WindowRun<'_>> = [("months", by_month), ("weeks", by_week)]
        .into_iter()
        .filter_map(|(by, window)| Some((by, window?)))
        .flat_map(|(by, window)| {
            (0..window.window.runs.len()).map(move |number| WindowRun { by, number, window })
        })
        .collect();
    if rows.is_empty() {
        return Err("No window of the season was found.".to_owned());
    }
    let unit = "month, or week of seven days, from 1";
    Ok(Table::of(rows)
        .column("by", "", "months, or weeks of seven days from 1 January", |row| row.by)
        .column("run", "", "number of the run: a season may have two", |row| row.number + 1)
        .column("first", unit, "where the run begins; it may pass the end of the year", |row| row.first()[0])
        .column("first_earliest", unit, "earliest beginning, bootstrap 95 % limit", |row| row.first()[1])
        .column("first_latest", unit, "latest beginning, bootstrap 95 % limit", |row| row.first()[2])
        .column("last", unit, "where the run ends, itself included", |row| row.last()[0])
        .column("last_earliest", unit, "earliest end, bootstrap 95 % limit", |row| row.last()[1])
        .column("last_latest", unit, "latest end, bootstrap 95 % limit", |row| row.last()[2])
        .column("share", "share", "of the encounters expected in a year that all runs hold", |row| {
            row.window.window.share
        })
        .column("length", "months or weeks", "of all runs together", |row| row.window.window.length())
        .column("length_shortest", "months or weeks", "bootstrap 95 % limit", |row| {
            row.window.length_limits.0
        })
        .column("length_longest", "months or weeks", "bootstrap 95 % limit", |row| row.window.length_limits.1)
        .done())
}

pub(super) fn hours(layers: &Layers) -> Result<Table, String> {
    let (_, fit) = fit(layers)?;
    Ok(Table::of(fit.curve(0).by_hour().into_iter().enumerate().collect())
        .column("hour", "local hour", "from this full hour to the next", |(hour, _)| *hour)
        .column("rate_is", "", "whether there is a rate, or why not", |(_, point)| exposed(point))
        .limits("relative_rate", RELATIVE, "encounters for each km walked", |(_, point)| limits(point))
        .done())
}

/// One line of the tests: question, statistic, degrees of freedom, p, and a value where it is no test.
struct Line {
    what: &'static str,
    statistic: Value,
    degrees: Value,
    p_value: Value,
    value: Value,
}

impl Line {
    fn test(what: &'static str, outcome: &TestOutcome) -> Self {
        match outcome {
            TestOutcome::Tested(test) => Self {
                what,
                statistic: test.statistic.into(),
                degrees: test.degrees_of_freedom.into(),
                p_value: test.p_value.into(),
                value: Value::Missing,
            },
            TestOutcome::NotTested => {
                Self { value: "not tested".into(), ..Self::value(what, Value::Missing) }
            }
        }
    }

    fn value(what: &'static str, value: impl Into<Value>) -> Self {
        let (statistic, degrees, p_value) = (Value::Missing, Value::Missing, Value::Missing);
        Self { what, statistic, degrees, p_value, value: value.into() }
    }
}

/// The test of a grouping, or why it was not made.
fn levels(what: &'static str, seasons: &Result<LevelSeasons, String>) -> Line {
    match seasons {
        Ok(seasons) => Line::test(what, &seasons.test),
        Err(reason) => Line::value(what, reason.as_str()),
    }
}

pub(super) fn tests(layers: &Layers) -> Result<Table, String> {
    let (layer, fit) = fit(layers)?;
    let lines = vec![
        Line::test("the rate depends on the hour, given when people walk", &fit.tests.hour),
        Line::test("the rate depends on the time of year", &fit.tests.season),
        levels("seasons differ between habitats", &layer.levels.habitats),
        levels("seasons differ between elevation bands", &layer.levels.bands),
        Line::value("harmonics of the year with most weight", fit.season_harmonics),
        Line::value("harmonics of the day with most weight", fit.hour_harmonics),
        Line::value(
            "share of encounters that may come at one rate all the year",
            fit.curve(0).steady_season().0,
        ),
        Line::value("upper 95 % limit of that share", fit.curve(0).steady_season().1),
        Line::value("dispersion by which variances are multiplied", fit.dispersion),
        Line::value("Pearson dispersion of the model with most weight", fit.pearson_dispersion),
        Line::value("reports with month and hour", layer.n_timed),
        Line::value("reports whose time is partly known", layer.n_partial),
        Line::value("reports in the fit", fit.n_records),
        Line::value(
            "share of expected encounters that the window holds",
            layer.window.as_ref().map(|it| it.window.share),
        ),
    ];
    Ok(Table::of(lines)
        .column("what", "", "the alternative tested, or the figure", |line| line.what)
        .column("statistic", "", "likelihood ratio divided by the dispersion", |line| line.statistic.clone())
        .column("degrees_of_freedom", "", "degrees of freedom of the test", |line| line.degrees.clone())
        .column("p_value", "probability", "p-value of the test", |line| line.p_value.clone())
        .column("value", "", "the figure, where it is no test", |line| line.value.clone())
        .done())
}

/// What the season is fitted to, so that it can be fitted again elsewhere.
pub(super) fn cells(layers: &Layers) -> Result<Table, String> {
    let (layer, _) = fit(layers)?;
    let cells = &layer.cells;
    let groups = || 0..cells.group_levels.len();
    let rows = (0..cells.periods.len()).flat_map(|period| (0..HOURS).map(move |hour| (period, hour)));
    Ok(Table::of(rows.collect())
        .column("year", "", "year", |(period, _)| cells.periods[*period].year.to_string())
        .column("month", "", "month, 1 January", |(period, _)| cells.periods[*period].part + 1)
        .column("hour", "local hour", "from this full hour to the next", |(_, hour)| *hour)
        .column("walked", "km", "walked by parties over the whole area, mean over draws", |(period, hour)| {
            groups().map(|group| cells.exposure[cells.index(group, *period, *hour)]).sum::<f64>()
        })
        .column("reports", "", "reports whose month and hour are known", |(period, hour)| {
            groups().map(|group| u64::from(cells.counts[cells.index(group, *period, *hour)])).sum::<u64>()
        })
        .done())
}

fn term_words(term: &Term) -> String {
    let wave = |what: &str, order: usize, wave: Wave| {
        let form = match wave {
            Wave::Cosine => "cosine",
            Wave::Sine => "sine",
        };
        format!("{form} of {order} {what}")
    };
    match *term {
        Term::Intercept => "intercept".to_owned(),
        Term::Level(level) => format!("level {level}"),
        Term::Year(year) => format!("year {year}"),
        Term::Temperature => "ten degrees of the day's highest temperature".to_owned(),
        Term::Season { order, wave: form } => wave("cycles a year", order, form),
        Term::LevelSeason { level, order, wave: form } => {
            format!("level {level}: {}", wave("cycles a year", order, form))
        }
        Term::Hour { order, wave: form } => wave("cycles a day", order, form),
    }
}

pub(super) fn terms(layers: &Layers) -> Result<Table, String> {
    let (_, fit) = fit(layers)?;
    let missing = |idx: usize| fit.imputation.as_ref().and_then(|it| it.missing_shares.get(idx).copied());
    Ok(Table::of(fit.terms.iter().enumerate().collect())
        .column(
            "term",
            "",
            "of the log rate; a year of 365 days from 1 January, hours from midnight",
            |(_, term)| term_words(term),
        )
        .column(
            "coefficient",
            "log rate",
            "averaged over numbers of harmonics by their weights",
            |(idx, _)| fit.coefficients[*idx],
        )
        .column(
            "standard_error",
            "log rate",
            "with dispersion, imputation and choice of the model",
            |(idx, _)| fit.standard_errors[*idx],
        )
        .column(
            "missing_share",
            "share",
            "of the variance that not knowing times and walking makes",
            |(idx, _)| missing(*idx),
        )
        .done())
}

pub(super) fn candidates(layers: &Layers) -> Result<Table, String> {
    let (_, fit) = fit(layers)?;
    Ok(Table::of(fit.candidates.clone())
        .column("harmonics_of_year", "", "harmonics of the day of the year", |it| it.season_harmonics)
        .column("harmonics_of_day", "", "harmonics of the hour", |it| it.hour_harmonics)
        .column("coefficients", "", "coefficients estimated", |it| it.n_coefficients)
        .column("qaic", "", "quasi-likelihood information criterion, smaller is better", |it| it.qaic)
        .column("weight", "share", "in the curve; none under one in a hundred", |it| it.weight)
        .done())
}

/// Hours as directions: with the weights of the walking, and as they are.
pub(super) fn directions(layers: &Layers) -> Result<Table, String> {
    let hours = need(&layers.season_details)?.hours.as_ref();
    let hours = hours.ok_or_else(|| "No report has an hour that is taken at its word.".to_owned())?;
    let rows = vec![("one over the walking at its hour", &hours.weighted), ("one", &hours.unweighted)];
    Ok(Table::of(rows)
        .column("weight", "", "of each report; with one it describes when people walk", |(weight, _)| *weight)
        .column("mean_hour", "local hour", "circular mean", |(_, it)| it.mean_hour)
        .column("length", "", "of the resultant: 0 even over the day, 1 all alike", |(_, it)| it.length)
        .column("concentration", "", "of the von Mises law with that length", |(_, it)| it.concentration)
        .column("rayleigh_p", "probability", "descriptive: Rayleigh's test after Zar", |(_, it)| it.p_value)
        .column("effective_n", "", "reports of one weight that it is worth", |(_, it)| it.effective_n)
        .done())
}

/// The hours as smooth curves, every half hour.
pub(super) fn hour_curves(layers: &Layers) -> Result<Table, String> {
    let hours = need(&layers.season_details)?.hours.as_ref();
    let curves = &hours.ok_or_else(|| "No report has an hour that is taken at its word.".to_owned())?.curves;
    let even = "times even over the hours shown";
    Ok(Table::of((0..N_POINTS).collect())
        .column("hour", "local hour", "of the point", |point| HourCurve::hour(*point))
        .limits("rate", even, "each report weighted by one over the walking at its hour, smoothed", |point| {
            curves.weighted.points.get(*point).copied().flatten()
        })
        .column("rate_reports", "", "reports that the curve of the rate rests on", |_| {
            curves.weighted.n_reports
        })
        .column("rate_kernel", "concentration", "of the von Mises kernel", |_| curves.weighted.concentration)
        .limits("reports", even, "all reports alike, smoothed: when people walk and report", |point| {
            curves.unweighted.points.get(*point).copied().flatten()
        })
        .column("reports_reports", "", "reports that the curve of reports rests on", |_| {
            curves.unweighted.n_reports
        })
        .column("reports_kernel", "concentration", "of the von Mises kernel", |_| {
            curves.unweighted.concentration
        })
        .done())
}

pub(super) fn temperature(layers: &Layers) -> Result<Table, String> {
    let found = need(&layers.season_details)?.temperature.as_ref().map_err(Clone::clone)?;
    Ok(Table::of(vec![found])
        .limits("ratio_per_10_c", "times", "rate on a day ten degrees warmer at its highest", |it| {
            let effect = &it.effect;
            Some(Limits { value: effect.ratio_per_10_c, lower: effect.lower, upper: effect.upper })
        })
        .column("p_value", "probability", "likelihood-ratio test against season and hour alone", |it| {
            it.effect.test.p_value()
        })
        .column("qaic_with", "", "criterion of the best model with the temperature", |it| it.effect.qaic_with)
        .column("qaic_without", "", "criterion of the best model without", |it| it.effect.qaic_without)
        .column("days", "", "days with a temperature", |it| it.effect.n_periods)
        .column("reports", "", "reports on them", |it| it.effect.n_records)
        .column("days_without", "", "days without a temperature, left out", |it| it.n_days_without)
        .column("reports_without", "", "reports on those", |it| it.n_reports_without)
        .done())
}

pub(super) fn years(layers: &Layers) -> Result<Table, String> {
    let (_, fit) = fit(layers)?;
    if fit.years.is_empty() {
        return Err("There is one year only, so years cannot be compared.".to_owned());
    }
    Ok(Table::of(fit.years.clone())
        .column("year", "", "year", |year| year.year.to_string())
        .column("reference_year", "", "the year with most records, which it is set against", |_| {
            fit.reference_year.map(|year| year.to_string())
        })
        .limits(
            "ratio",
            "times the reference year",
            "rate against that of the year with most records",
            |year| Some(Limits { value: year.ratio, lower: year.lower, upper: year.upper }),
        )
        .done())
}
