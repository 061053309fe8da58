//! Season and hours.

use axum::response::IntoResponse;

use crate::analysis::season::Curve;
use crate::analysis::season::CurvePoint;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonWindow;
use crate::analysis::season::TestOutcome;
use crate::derived::season::SeasonLayer;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::layout::Section;
use crate::web::views::map::MONTHS;
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
        Ok(fit) => Ok(season(&layer, fit, facts.settings.season_share)),
        Err(reason) => Err(reason.clone()),
    };
    let frame = common::frame(&facts, Section::Analysis, "Season and hours", records);
    let markup = views::layout::page(&frame, views::season::body(&SeasonPage { answer }));
    Ok(Cached(CachePolicy::of_revision(facts.revision, "season"), markup))
}

fn records_words(layer: &SeasonLayer) -> String {
    format!(
        "{} reports with month and hour, {} whose time is partly known and shared out by the fitted curve",
        layer.n_timed, layer.n_partial
    )
}

fn season(layer: &SeasonLayer, fit: &SeasonFit, share: f64) -> Season {
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
            "{} harmonics of the year and {} of the day, chosen by the quasi-likelihood information criterion",
            fit.season_harmonics, fit.hour_harmonics
        ),
        format!("Dispersion {:.2}: all intervals are widened by its root", fit.dispersion),
        format!("{} records in the fit", fit.n_records),
    ];
    for year in &fit.years {
        fit_lines.push(format!(
            "{}: {:.2} times the mean of the years (95 % interval {:.2} to {:.2})",
            year.year, year.ratio, year.lower, year.upper
        ));
    }
    Season {
        hours: curve.by_hour().iter().map(estimate).collect(),
        months,
        month_rows,
        windows: layer.window.as_ref().map(window_words).unwrap_or_default(),
        window_share: share,
        tests: vec![
            test("Does the hour matter, given when people walk?", &fit.tests.hour),
            test("Does the time of year matter?", &fit.tests.season),
        ],
        fit_lines,
        records_words: records_words(layer),
    }
}

/// A part in which nobody walked has no estimate.
fn estimate(point: &CurvePoint) -> Option<Estimate> {
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
