//! Figures of walking, signs, clusters and the season watched: the drawings of their pages.

use crate::analysis::exposure::SiteCheck;
use crate::derived::clusters::Cluster;
use crate::derived::hour_curves::HourCurve;
use crate::derived::hour_curves::HourCurves;
use crate::derived::rate_pattern::Pattern;
use crate::derived::study::Layers;
use crate::web::pages;
use crate::web::pages::common;
use crate::web::study::figures::Drawn;
use crate::web::study::figures::LAND;
use crate::web::study::figures::PAPER;
use crate::web::study::figures::Part;
use crate::web::study::figures::all_periods;
use crate::web::study::figures::told_map;
use crate::web::views::charts;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::thousands;
use crate::web::views::exposure::PeriodRow;
use crate::web::views::exposure::SiteRow;
use crate::web::views::scatter;
use crate::web::views::season::smooth_hours;
use crate::web::views::season::week_curve;
use crate::web::views::svg_map;
use crate::web::views::watch;

pub(super) fn need<T>(answer: &crate::derived::study::Answer<T>) -> Result<&T, String> {
    answer.as_deref().map_err(Clone::clone)
}

pub(super) fn walking_map(layers: &Layers) -> Result<Drawn, String> {
    let (network, exposure) = (need(&layers.network)?, need(&layers.exposure)?);
    let drawing = pages::exposure::drawing(&layers.facts, network, exposure, |_| String::new());
    let notes = vec![
        "Where walking is known from: darkest counted, lighter fitted between counters, dashed assumed from stated priors, \
         dotted not walked."
            .to_owned(),
        format!("Study period {} to {}.", exposure.period.first(), exposure.period.last()),
    ];
    Ok(Drawn { drawing: svg_map::draw(&drawing), ground: LAND, notes })
}

pub(super) fn counted_and_expected(layers: &Layers) -> Result<Drawn, String> {
    let (network, exposure) = (need(&layers.network)?, need(&layers.exposure)?);
    let rows = pages::exposure::site_rows(&layers.facts, network, exposure);
    // Sites differ by orders of magnitude: each is drawn as a share of what was counted there.
    let share = |value: f64, counted: f64| value / counted;
    let sites: Vec<(String, f64, Estimate)> = rows
        .iter()
        .filter(|row| row.whole.counted > 0.0)
        .map(|row| {
            let counted = row.whole.counted;
            let expected = row.whole.expected;
            let estimate = Estimate {
                value: share(expected.value, counted),
                lower: share(expected.lower, counted),
                upper: share(expected.upper, counted),
            };
            let name = row.name.split(',').next().unwrap_or_default();
            (name.to_owned(), 1.0, estimate)
        })
        .collect();
    if sites.is_empty() {
        return Err("No counter that walkers pass has readings in the study period.".to_owned());
    }
    let notes = vec![
        "By counter site: squares are what the device counted (one), bars the 95 % predictive interval of what the walker \
         model expects it to count in the same hours, over what was counted."
            .to_owned(),
    ];
    let drawing = charts::counted_and_expected("Counts observed and expected by counter site", &sites);
    Ok(Drawn { drawing, ground: PAPER, notes })
}

pub(super) fn site_months(layers: &Layers) -> Result<Vec<Part>, String> {
    by_site(layers, |site| match site.months.as_slice() {
        [] => Err("It has no readings in the study period.".to_owned()),
        months => Ok((months.to_vec(), "by month")),
    })
}

pub(super) fn site_hours(layers: &Layers) -> Result<Vec<Part>, String> {
    by_site(layers, |site| match site.hours.as_slice() {
        [] => Err("It counts in times that are longer than an hour.".to_owned()),
        hours => Ok((hours.to_vec(), "by part of the day")),
    })
}

/// A figure for each counter site, numbered as in the table of counter sites, of the periods chosen.
fn by_site(
    layers: &Layers,
    periods: impl Fn(&SiteRow) -> Result<(Vec<PeriodRow>, &'static str), String>,
) -> Result<Vec<Part>, String> {
    let (network, exposure) = (need(&layers.network)?, need(&layers.exposure)?);
    if exposure.field.checks.is_empty() {
        return Err("No counter that walkers pass has readings in the study period.".to_owned());
    }
    let part = |check: &SiteCheck| {
        let site = pages::exposure::site_row(&layers.facts, network, check);
        let counter = layers.facts.counters.get(check.counter).map_or("", |counter| counter.name.as_str());
        let number = check.series + 1;
        let drawn = periods(&site).map(|(rows, words)| {
            let periods: Vec<(String, f64, Estimate)> =
                rows.into_iter().map(|row| (row.name, row.counted, row.expected)).collect();
            let notes = vec![
                format!(
                    "Passages at counter {counter} (site {number}) {words}: squares are what the device counted, bars the 95 % \
                     predictive interval of what the walker model expects it to count in the hours it was there, with the \
                     mean as a line."
                ),
                "The counts have served the fit. One time profile holds for all trailheads.".to_owned(),
            ];
            let description = format!("Passages counted and expected {words}");
            Drawn { drawing: charts::counted_and_expected(&description, &periods), ground: PAPER, notes }
        });
        Part { term: number.to_string(), words: format!("{counter}, site {number}"), drawn }
    };
    Ok(exposure.field.checks.iter().map(part).collect())
}

pub(super) fn rate_pattern(layers: &Layers) -> Result<Drawn, String> {
    let (rates, pattern) = (need(&layers.rates)?, need(&layers.rate_pattern)?);
    let nothing = || "No stretches with an expectation touch each other.".to_owned();
    let mut points = pages::rates::scatter(&rates.stretches, pattern).ok_or_else(nothing)?;
    let set = &rates.stretches;
    let units = set.names.iter().zip(&set.members);
    let withheld = units.filter(|(_, members)| layers.withheld.touches(members)).map(|(name, _)| name);
    let withheld: std::collections::HashSet<&String> = withheld.collect();
    points.points.retain(|(_, _, name)| !withheld.contains(name));
    let mut notes = vec![
        "Reports less what the fitted rates expect, over the root of it: each stretch beside the mean of the stretches that \
         touch it. A rising cloud would mean that neighbours resemble each other beyond the fit."
            .to_owned(),
    ];
    if let Pattern::Estimated { statistic, p_value, n_sites, .. } = pattern.against_fit {
        notes.push(format!("Moran's I {statistic:.2}, two-sided p {p_value:.3}, {n_sites} stretches."));
    }
    Ok(Drawn { drawing: scatter::draw(&points), ground: PAPER, notes })
}

pub(super) fn season_weeks(layers: &Layers) -> Result<Drawn, String> {
    let details = need(&layers.season_details)?;
    let nothing = || "Nothing can be estimated by week.".to_owned();
    let weeks = details.weeks.as_ref().ok_or_else(nothing)?;
    let points: Vec<Option<Estimate>> = weeks.curve.iter().map(pages::season::estimate).collect();
    let notes = vec![
        "Encounters for each km walked by week of the year, relative to the mean over all walking; the band is the 95 % \
         interval."
            .to_owned(),
        format!(
            "{} reports with week and hour known, {} of which that is not so shared out by the fitted curve.",
            weeks.n_timed, weeks.n_shared
        ),
    ];
    Ok(Drawn { drawing: week_curve(&points), ground: PAPER, notes })
}

pub(super) fn hours_of_the_rate(layers: &Layers) -> Result<Drawn, String> {
    let words = "Each report weighted by one over the walking at its hour: how the rate runs over the day.";
    hours_smoothed(layers, words, |curves| &curves.weighted)
}

pub(super) fn hours_of_reports(layers: &Layers) -> Result<Drawn, String> {
    let words = "All reports alike: when people walk and report, and no statement about snakes.";
    hours_smoothed(layers, words, |curves| &curves.unweighted)
}

fn hours_smoothed(
    layers: &Layers,
    words: &str,
    of: impl Fn(&HourCurves) -> &HourCurve,
) -> Result<Drawn, String> {
    let hours = need(&layers.season_details)?.hours.as_ref();
    let hours = hours.ok_or_else(|| "No report has an hour that is taken at its word.".to_owned())?;
    let curve = of(&hours.curves);
    let notes = vec![
        words.to_owned(),
        format!(
            "{} reports. Descriptive: von Mises kernel of concentration {:.1}, from the plug-in rule of Taylor (2008); the band holds each \
             point in 95 of 100 samples like this one.",
            thousands(curve.n_reports as i64),
            curve.concentration
        ),
    ];
    Ok(Drawn { drawing: smooth_hours(&pages::season::smooth_points(curve)), ground: PAPER, notes })
}

pub(super) fn cluster_map(layers: &Layers) -> Result<Drawn, String> {
    let (network, clusters) = (need(&layers.network)?, need(&layers.clusters)?);
    let answer = clusters.answer.as_ref().map_err(Clone::clone)?;
    let (rates, period) = all_periods(layers)?;
    let mut drawing = told_map(layers, network, rates, &period);
    let is_told = |cluster: &Cluster| !layers.withheld.touches(&cluster.segments);
    pages::clusters::outline(&mut drawing, network, clusters, is_told);
    let n_found = drawing.outlines.len();
    let mut notes = vec![
        format!(
            "Trails by encounter rate, with outlines around the {n_found} windows and groups of segments that have more \
             reports than their walking lets expect."
        ),
        format!("{} reports; every report counted.", answer.all.n_reports),
    ];
    notes.extend(layers.withheld.note());
    Ok(Drawn { drawing: svg_map::draw(&drawing), ground: LAND, notes })
}

pub(super) fn sign_map(layers: &Layers) -> Result<Drawn, String> {
    let (network, plan) = (need(&layers.network)?, need(&layers.plan)?);
    let (rates, period) = all_periods(layers)?;
    let mut drawing = told_map(layers, network, rates, &period);
    let signs = common::signs(network, plan).into_iter().zip(&plan.sites);
    let told = signs.filter(|(_, site)| !layers.withheld.holds_position(network, site.position));
    drawing.signs = told.map(|(sign, _)| sign).collect();
    let mut notes = vec![
        "Planned signs by number, over trails by encounter rate; framed ones stand already. Warned is not prevented."
            .to_owned(),
    ];
    notes.extend(layers.withheld.note());
    Ok(Drawn { drawing: svg_map::draw(&drawing), ground: LAND, notes })
}

pub(super) fn warned(layers: &Layers) -> Result<Drawn, String> {
    let plan = need(&layers.plan)?;
    if plan.sites.is_empty() {
        return Err("The plan has no sign.".to_owned());
    }
    let values: Vec<Estimate> = plan.sites.iter().map(|site| common::estimate(site.together)).collect();
    let notes = vec![
        "Share of expected encounters whose walkers passed a sign within its reach before, by number of signs, with 95 % \
         intervals; measured on draws that did not choose the signs."
            .to_owned(),
    ];
    let drawing = charts::steps_with_whiskers("Warned share by number of signs", &values);
    Ok(Drawn { drawing, ground: PAPER, notes })
}

pub(super) fn season_watched(layers: &Layers) -> Result<Drawn, String> {
    let layer = need(&layers.watch)?;
    let states = layer.watch.all.iter().zip(&layer.weeks);
    let weeks: Vec<_> = states.map(|(state, days)| pages::watch::week(state, days.0)).collect();
    let years: Vec<String> = layer.former_years.iter().map(|year| layer.season_year.words(*year)).collect();
    let notes = vec![
        "Squares: reports of each week. Line: what former seasons lead to expect from this season's walking; the band holds 95 \
         of 100 such weeks."
            .to_owned(),
        format!(
            "Until {}; {} reports, expectation from {} reports of {}.",
            layer.until,
            layer.n_observed,
            layer.n_former,
            years.join(", ")
        ),
    ];
    Ok(Drawn { drawing: watch::chart(&weeks), ground: PAPER, notes })
}
