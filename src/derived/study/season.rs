//! Tables of season and hours.

use crate::analysis::season::CurvePoint;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonWindow;
use crate::analysis::season::TestOutcome;
use crate::derived::rates::Limits;
use crate::derived::season::SeasonLayer;
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
        Line::value("harmonics of the year chosen", fit.season_harmonics),
        Line::value("harmonics of the day chosen", fit.hour_harmonics),
        Line::value("dispersion by which variances are multiplied", fit.dispersion),
        Line::value("Pearson dispersion of the chosen model", fit.pearson_dispersion),
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

pub(super) fn years(layers: &Layers) -> Result<Table, String> {
    let (_, fit) = fit(layers)?;
    if fit.years.is_empty() {
        return Err("There is one year only, so years cannot be compared.".to_owned());
    }
    Ok(Table::of(fit.years.clone())
        .column("year", "", "year", |year| year.year.to_string())
        .limits(
            "ratio",
            "times the reference year",
            "rate against that of the year with most records",
            |year| Some(Limits { value: year.ratio, lower: year.lower, upper: year.upper }),
        )
        .done())
}
