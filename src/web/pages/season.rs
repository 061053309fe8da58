//! Season and hours.

use axum::response::IntoResponse;

use crate::analysis::season::Curve;
use crate::analysis::season::CurvePoint;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonWindow;
use crate::analysis::season::TestOutcome;
use crate::derived::hour_curves::HourCurve;
use crate::derived::hour_curves::HourCurves;
use crate::derived::season::SeasonLayer;
use crate::derived::season_details::Direction;
use crate::derived::season_details::HourDirections;
use crate::derived::season_details::SeasonDetails;
use crate::derived::season_levels::Grouping;
use crate::derived::season_levels::LevelSeasons;
use crate::derived::season_levels::Levels;
use crate::derived::temperature::Temperature;
use crate::domain::time::MONTHS;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::layout::Section;
use crate::web::views::season::LevelsShown;
use crate::web::views::season::MonthRow;
use crate::web::views::season::Season;
use crate::web::views::season::SeasonPage;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&[])?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().season(&facts).await?;
    let records = records_words(&layer);
    let answer = match &layer.fit {
        Ok(fit) => {
            let details = app.deriver().season_details(&facts).await?;
            Ok(season(&layer, fit, &details, facts.settings.season_share))
        }
        Err(reason) => Err(reason.clone()),
    };
    let closed = common::closed_words(&app, &facts).await?;
    let frame = common::frame(&facts, Section::Analysis, "Season and hours", records);
    let markup = views::layout::page(&frame, views::season::body(&SeasonPage { closed, answer }));
    Ok(Cached(CachePolicy::of_revision(facts.revision, "season"), markup))
}

fn records_words(layer: &SeasonLayer) -> String {
    format!(
        "{} reports with month and hour, {} whose time is partly known and shared out by the fitted curve",
        layer.n_timed, layer.n_partial
    )
}

fn season(layer: &SeasonLayer, fit: &SeasonFit, details: &SeasonDetails, share: f64) -> Season {
    let curve: &Curve = fit.curve(0);
    let months: Vec<Option<Estimate>> = curve.by_part().iter().map(estimate).collect();
    let month_rows = (0..12)
        .map(|idx| MonthRow {
            count: layer.by_month[idx],
            walking: layer.walking_by_month[idx],
            rate: months.get(idx).copied().flatten(),
        })
        .collect();
    let mut fit_lines = vec![
        format!(
            "{} numbers of harmonics of the year and of the day averaged by the quasi-likelihood information criterion; most \
             weight ({}) has {} of the year and {} of the day",
            fit.candidates.iter().filter(|it| it.weight > 0.0).count(),
            percent(fit.candidates.iter().map(|it| it.weight).fold(0.0, f64::max)),
            fit.season_harmonics,
            fit.hour_harmonics
        ),
        steady_words(curve),
        "What counters leave open of when people walk is in all tests and intervals".to_owned(),
        format!("Dispersion {:.2}: all intervals are widened by its root", fit.dispersion),
        format!("{} records in the fit", fit.n_records),
    ];
    let reference = fit.reference_year.map_or_else(
        || "the year with most reports".to_owned(),
        |year| format!("{year}, the year with most reports"),
    );
    for year in &fit.years {
        fit_lines.push(format!(
            "{}: {:.2} times the rate of {reference} (95 % interval {:.2} to {:.2})",
            year.year, year.ratio, year.lower, year.upper
        ));
    }
    Season {
        hours: curve.by_hour().iter().map(estimate).collect(),
        months,
        month_rows,
        windows: layer.window.as_ref().map(window_words).unwrap_or_default(),
        window_share: share,
        weeks: details.weeks.as_ref().map(|weeks| {
            let windows = weeks.window.as_ref().map(week_words).unwrap_or_default();
            (weeks.curve.iter().map(estimate).collect(), windows)
        }),
        levels: levels(&layer.levels),
        temperature: temperature_words(&details.temperature),
        directions: details.hours.as_ref().map(direction_words).unwrap_or_default(),
        hour_curves: details.hours.as_ref().map(|hours| {
            let HourCurves { weighted, unweighted } = &hours.curves;
            [weighted, unweighted].map(|curve| (curve.n_reports, smooth_points(curve)))
        }),
        sun: details.sun.iter().map(|times| times.map(|(rise, set)| (clock(rise), clock(set)))).collect(),
        heaping: heaping_words(layer),
        tests: vec![
            test("Does the hour matter, given when people walk?", &fit.tests.hour),
            test("Does the time of year matter?", &fit.tests.season),
        ],
        fit_lines,
        records_words: records_words(layer),
    }
}

/// A part in which nobody walked has no estimate.
pub(in crate::web) fn estimate(point: &CurvePoint) -> Option<Estimate> {
    point.exposed.then_some(Estimate { value: point.relative, lower: point.lower, upper: point.upper })
}

/// "April to October (first month March to May, last month October)".
pub(super) fn window_words(window: &SeasonWindow) -> Vec<String> {
    let month = |idx: usize| MONTHS[idx % 12];
    let limits = |(first, last): (usize, usize)| match first == last {
        true => month(first).to_owned(),
        false => format!("{} to {}", month(first), month(last)),
    };
    let n_parts = window.window.n_parts;
    let runs = window.window.runs.iter().zip(window.first_limits.iter().zip(&window.last_limits));
    runs.map(|(run, (first, last))| {
        format!(
            "{} to {} (95 % limits: first month {}, last month {})",
            month(run.start),
            month(run.last(n_parts)),
            limits(*first),
            limits(*last)
        )
    })
    .collect()
}

fn test(question: &str, outcome: &TestOutcome) -> (String, String, String) {
    match outcome {
        TestOutcome::Tested(test) => (
            question.to_owned(),
            format!("{:.1} on {:.0} degrees of freedom", test.statistic, test.degrees_of_freedom),
            p_words(test.p_value),
        ),
        TestOutcome::NotTested => (question.to_owned(), "not tested".to_owned(), "none".to_owned()),
    }
}

/// A p-value as papers print it.
pub(super) fn p_words(p_value: f64) -> String {
    if p_value < 0.001 { "< 0.001".to_owned() } else { format!("{p_value:.3}") }
}

/// "week 15 to week 39 (95 % limits: first week 13 to 16, last week 38 to 41)".
fn week_words(window: &SeasonWindow) -> Vec<String> {
    let limits = |(first, last): (usize, usize)| match first == last {
        true => format!("{}", first + 1),
        false => format!("{} to {}", first + 1, last + 1),
    };
    let n_parts = window.window.n_parts;
    let runs = window.window.runs.iter().zip(window.first_limits.iter().zip(&window.last_limits));
    runs.map(|(run, (first, last))| {
        format!(
            "week {} to week {} (95 % limits: first week {}, last week {})",
            run.start + 1,
            run.last(n_parts) + 1,
            limits(*first),
            limits(*last)
        )
    })
    .collect()
}

fn levels(levels: &Levels) -> Vec<LevelsShown> {
    let own = levels.own().map(|own| own.grouping);
    let both = [(Grouping::Habitat, &levels.habitats), (Grouping::ElevationBand, &levels.bands)];
    let shown = |(grouping, seasons): (Grouping, &Result<LevelSeasons, String>)| match seasons {
        Ok(seasons) => level_words(seasons, own),
        Err(reason) => LevelsShown { heading: heading(grouping), answer: reason.clone(), curves: Vec::new() },
    };
    both.into_iter().map(shown).collect()
}

/// The answer first, then what it rests on.
fn steady_words(curve: &Curve) -> String {
    let (share, upper) = curve.steady_season();
    format!(
        "About {} of encounters (at most {}, 95 % limit) may come at one rate all the year round, whatever the harmonics say: \
         months without reports are not taken to be without snakes",
        percent(share),
        percent(upper)
    )
}

fn temperature_words(temperature: &Result<Temperature, String>) -> Vec<String> {
    let found = match temperature {
        Err(reason) => return vec![reason.clone()],
        Ok(found) => found,
    };
    let effect = &found.effect;
    let verdict = match effect.is_chosen() {
        true => format!(
            "On a day 10 °C warmer at its highest, {:.2} times as many encounters are to be expected for each kilometre \
             walked at the same time of year and day (95 % interval {:.2} to {:.2}).",
            effect.ratio_per_10_c, effect.lower, effect.upper
        ),
        false => format!(
            "What the day's highest temperature adds to season and hour is not told apart from nothing: the rate ratio for \
             10 °C is {:.2} (95 % interval {:.2} to {:.2}), and an effect of that size may still be there.",
            effect.ratio_per_10_c, effect.lower, effect.upper
        ),
    };
    let test = match effect.test {
        TestOutcome::Tested(test) => {
            format!("likelihood ratio {:.1}, p {}", test.statistic, p_words(test.p_value))
        }
        TestOutcome::NotTested => "not tested".to_owned(),
    };
    vec![
        verdict,
        format!(
            "Criterion (QAIC, smaller is better) {:.1} with the temperature and {:.1} without; {test}.",
            effect.qaic_with, effect.qaic_without
        ),
        format!(
            "{} days with a temperature and {} reports on them; {} days without one and the {} reports on them are left out \
             of this comparison. The walking of a month is shared over its days as counters counted them; {} days had no \
             whole day of any counter and take the month's mean.",
            effect.n_periods,
            effect.n_records,
            found.n_days_without,
            found.n_reports_without,
            found.n_days_uncounted
        ),
        "Maps and forecasts are made for months, not for a day's weather: they keep season and hour."
            .to_owned(),
    ]
}

fn heading(grouping: Grouping) -> &'static str {
    match grouping {
        Grouping::Habitat => "By habitat",
        Grouping::ElevationBand => "By elevation band",
    }
}

fn level_words(seasons: &LevelSeasons, own: Option<Grouping>) -> LevelsShown {
    let words = seasons.grouping.words();
    let counts: Vec<String> = seasons.counts.iter().map(|(name, n)| format!("{name} {n}")).collect();
    let counts = counts.join(", ");
    let answer = match seasons.test {
        TestOutcome::NotTested => {
            format!(
                "Whether {words} have seasons of their own cannot be tested with these reports ({counts})."
            )
        }
        TestOutcome::Tested(test) => {
            let verdict = match (&seasons.fit, own) {
                (None, _) => format!("one curve serves all {words}"),
                (Some(_), Some(own)) if own == seasons.grouping => format!(
                    "{words} have curves of their own, and maps, routes, forecasts and the watch follow them"
                ),
                (Some(_), _) => format!(
                    "{words} have curves of their own; maps follow those of the other division, which differ more clearly"
                ),
            };
            format!(
                "Do {words} have seasons of their own? Likelihood ratio {:.1} on {:.0} degrees of freedom, p {}: {verdict}. \
                 Reports on trails: {counts}.",
                test.statistic,
                test.degrees_of_freedom,
                p_words(test.p_value)
            )
        }
    };
    let curves = seasons.counts.iter().zip(seasons.curves());
    let curves =
        curves.map(|((name, _), curve)| (name.clone(), curve.by_part().iter().map(estimate).collect()));
    LevelsShown { heading: heading(seasons.grouping), answer, curves: curves.collect() }
}

/// The points of a smooth curve as they are drawn.
pub(in crate::web) fn smooth_points(curve: &HourCurve) -> Vec<Option<Estimate>> {
    curve.points.iter().map(|point| point.map(common::estimate)).collect()
}

fn direction_words(hours: &HourDirections) -> Vec<String> {
    let line = |what: &str, direction: &Direction| {
        let mean = direction.mean_hour.map_or_else(
            || "the hours cancel".to_owned(),
            |hour| format!("mean hour {}", clock((hour * 60.0).round() as u32 % 1440)),
        );
        let p_value = direction.p_value.map_or_else(|| "none".to_owned(), p_words);
        format!(
            "{what}: {mean}, length {:.2} (0 even, 1 all alike), Rayleigh p {p_value}, worth {:.0} reports",
            direction.length, direction.effective_n
        )
    };
    vec![
        line("each report weighted by one over the walking at its hour, so of the rate", &hours.weighted),
        line("all reports alike, so of when people walk: no test of the snakes", &hours.unweighted),
    ]
}

fn heaping_words(layer: &SeasonLayer) -> String {
    if layer.heaped.is_empty() {
        return "No time of day is noted far more often than those around it.".to_owned();
    }
    let readings: Vec<String> = layer
        .heaped
        .iter()
        .map(|reading| {
            format!(
                "{} ({} reports, {:.1} at the same minute of the hours around)",
                clock(reading.minute_of_day as u32),
                reading.count,
                reading.neighbour_mean
            )
        })
        .collect();
    let n_clock = layer.n_timed + layer.n_heaped;
    format!(
        "{} of {n_clock} reports with a time ({}) have one that is noted far more often than those around it: {}. Their hour \
         is taken as unknown and shared out by the fitted curve.",
        layer.n_heaped,
        percent(layer.n_heaped as f64 / n_clock.max(1) as f64),
        readings.join(", ")
    )
}

/// Minutes after midnight as a clock shows them.
fn clock(minutes: u32) -> String {
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}
