//! Survey rates beside and together with report rates.

use axum::response::IntoResponse;

use crate::analysis::rates::Interval;
use crate::analysis::rates::RateFit;
use crate::analysis::rates::ReportingRatio;
use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::effect::SignedRatio;
use crate::derived::effect::SignedReporting;
use crate::derived::facts::Facts;
use crate::derived::rates;
use crate::derived::rates::RateSet;
use crate::derived::survey::GroupRatio;
use crate::derived::survey::JoinRatio;
use crate::derived::survey::Met;
use crate::derived::survey::SurveyLayer;
use crate::derived::survey::SurveySet;
use crate::derived::walks::Fate;
use crate::derived::walks::WalkLayer;
use crate::domain::walk::Purpose;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::thousands;
use crate::web::views::layout::Section;
use crate::web::views::paging::N_ROWS;
use crate::web::views::paging::Pages;
use crate::web::views::paging::rows_of;
use crate::web::views::survey::JoinedRow;
use crate::web::views::survey::RatioRow;
use crate::web::views::survey::SignedReportingShown;
use crate::web::views::survey::SurveyPage;
use crate::web::views::survey::SurveyRow;
use crate::web::views::survey::SurveyTable;

/// Metres inside places that are worth a word.
const SHOWN_INSIDE_M: f64 = 50.0;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["page"])?;
    let number: usize = query.parse("page", "the number of a page")?.unwrap_or(1);
    if number == 0 {
        return Err(Error::bad_request("page", "Pages are counted from 1."));
    }
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let (walks, layer) = (deriver.walks(&facts).await?, deriver.survey(&facts).await?);
    let reports = match deriver.rates(&facts).await {
        Ok(rates) => Some(rates),
        Err(DeriveError::Unanswerable(_)) => None,
        Err(error) => return Err(error.into()),
    };
    let least = facts.settings.ratio_least;
    let effect = match facts.signs_in_place.is_empty() {
        true => None,
        false => Some(deriver.effect(&facts).await?),
    };
    let stretches = table(&layer.stretches, reports.as_ref().map(|rates| &rates.stretches), |unit| {
        // Stretches of their own have no page.
        if reports.is_some() { format!("/stretch/{unit}") } else { String::new() }
    });
    let n_stretches = stretches.rows.len();
    let page = SurveyPage {
        summary: summary(&layer),
        inside_places: inside_places(&facts, &walks),
        reporting: reporting(layer.ratios.first()),
        ratios: layer.ratios.iter().map(|group| ratio_row(group, least)).collect(),
        ratio_basis: ratio_basis(&layer),
        joined_by: joined_by(&layer),
        by_sign: effect.as_ref().map(|effect| signed_reporting(effect.reporting.as_ref(), least)),
        trails: table(&layer.trails, reports.as_ref().map(|rates| &rates.trails), |_| String::new()),
        stretches: paged(stretches, number),
        pages: Pages::of(n_stretches, number),
        left_out: SurveyLayer::left_out_words(&walks),
    };
    let frame = common::frame(&facts, Section::Analysis, "Surveys beside reports", records(&walks));
    let markup = views::layout::page(&frame, views::survey::body(&page));
    Ok(Cached(CachePolicy::of_revision(facts.revision, format!("survey {}", query.words())), markup))
}

/// One page of stretches. Where there are more than fit on one, those that tell most come first: with the highest lower limit
/// of the rate from planned walks, then those walked most.
fn paged(mut table: SurveyTable, number: usize) -> SurveyTable {
    if table.rows.len() <= N_ROWS {
        return table;
    }
    let lower = |row: &SurveyRow| row.planned_only.map_or(-1.0, |rate| rate.lower);
    let is_walked = |row: &SurveyRow| row.planned.1 + row.targeted.1 + row.opportunistic.1 > 0.0;
    table.rows.sort_by(|a, b| {
        let walked = is_walked(b).cmp(&is_walked(a));
        walked.then(lower(b).total_cmp(&lower(a))).then(b.planned.1.total_cmp(&a.planned.1))
    });
    table.rows = rows_of(table.rows, number);
    table
}

fn records(walks: &WalkLayer) -> String {
    let n_counted = walks.n_with(|fate| matches!(fate, Fate::OnWalk(_)));
    format!(
        "{} survey walks, {n_counted} of {} survey encounters on what they went over",
        walks.walks.len(),
        walks.records.len()
    )
}

/// What planned walks met over the whole network.
fn summary(layer: &SurveyLayer) -> String {
    let total = layer
        .trails
        .effort
        .iter()
        .fold(Met::default(), |sum, met| Met { count: sum.count + met[0].count, km: sum.km + met[0].km });
    let Some(rate) = rates::raw_per_1000_km(total.count, total.km) else {
        return "No planned survey walk lies on the trails yet.".to_owned();
    };
    let km = thousands(total.km.round() as i64);
    let n = total.count.round();
    if n < 1.0 {
        return format!(
            "On planned walks survey teams went {km} km and met no snake: at most {:.0} every 1,000 km (95 % limit).",
            rate.upper
        );
    }
    format!(
        "On planned walks survey teams went {km} km and met {n:.0} snakes: about one every {} km (95 % limits {} to {}).",
        short_km(1000.0 / rate.value),
        short_km(1000.0 / rate.upper),
        short_km(1000.0 / rate.lower)
    )
}

/// How much of planned walks lay inside places, in a sentence; empty where none did.
fn inside_places(facts: &Facts, walks: &WalkLayer) -> String {
    let planned =
        facts.walks.iter().zip(&walks.walks).filter(|(walk, _)| walk.given.purpose == Purpose::Planned);
    let (inside_m, walked_m) = planned.fold((0.0, 0.0), |(inside_m, walked_m), (_, walk)| {
        (inside_m + walk.inside_places_m(), walked_m + walk.matched.walked_m())
    });
    if inside_m < SHOWN_INSIDE_M {
        return String::new();
    }
    format!(
        "Planned walks went {:.1} km on the trails, {:.1} km of it inside places with visits: what is met there is divided by \
         visits, so that these kilometres are in no rate here.",
        walked_m / 1000.0,
        inside_m / 1000.0
    )
}

fn short_km(km: f64) -> String {
    if km < 10.0 { format!("{km:.1}") } else { thousands(km.round() as i64) }
}

/// What share of the snakes met is reported, in a sentence for pages whose figures count reports.
///
/// # Errors
/// [`Error`] when the survey layer cannot be derived.
pub(in crate::web) async fn reporting_words(app: &App, facts: &Derived<Facts>) -> Result<String, Error> {
    match app.deriver().survey(facts).await {
        Ok(layer) => Ok(reporting(layer.ratios.first())),
        Err(DeriveError::Unanswerable(_)) => {
            Ok("What share is reported is not known: no survey walk lies on the trails.".to_owned())
        }
        Err(error) => Err(error.into()),
    }
}

/// The reporting ratio as people say it.
fn reporting(all: Option<&GroupRatio>) -> String {
    match all.map(|group| &group.ratio) {
        None => "Nothing says how far visitors walk, so what they report cannot be set against surveys."
            .to_owned(),
        Some(ReportingRatio::NotEstimable { survey_encounters }) => format!(
            "What share visitors report cannot be told: survey teams met only {survey_encounters:.0} snakes where visitors walk \
             too. Rates from reports are relative only: they rank stretches, but do not say how many snakes are met."
        ),
        Some(ReportingRatio::Estimated(estimate)) => {
            let per_100 = |share: f64| match share * 100.0 {
                n if n < 10.0 => format!("{n:.1}"),
                n => format!("{n:.0}"),
            };
            let ratio = estimate.ratio;
            format!(
                "Where survey teams would meet 100 snakes, parties out walking the same kilometres report about {} \
                 (95 % interval {} to {}).",
                per_100(ratio.mean),
                per_100(ratio.lower),
                per_100(ratio.upper)
            )
        }
    }
}

fn ratio_row(group: &GroupRatio, least: f64) -> RatioRow {
    RatioRow { name: group.name.clone(), ratio: ratio_shown(&group.ratio, least) }
}

fn ratio_shown(ratio: &ReportingRatio, least: f64) -> Result<(Estimate, f64, f64), String> {
    match ratio {
        ReportingRatio::Estimated(estimate) => {
            let ratio = estimate.ratio;
            let shown = Estimate { value: ratio.mean, lower: ratio.lower, upper: ratio.upper };
            Ok((shown, estimate.reports, estimate.survey_encounters))
        }
        ReportingRatio::NotEstimable { survey_encounters } => {
            Err(format!("not estimable: {survey_encounters:.0} of at least {least:.0} survey encounters"))
        }
    }
}

/// The ratio with and without signs, and what a sign does to what people report.
fn signed_reporting(found: Option<&SignedReporting>, least: f64) -> SignedReportingShown {
    let Some(found) = found else {
        return SignedReportingShown {
            rows: Vec::new(),
            sentence: "Not estimable: nothing says how far visitors walk.".to_owned(),
        };
    };
    let row = |name: &str, signed: &SignedRatio| RatioRow {
        name: format!("{name} ({} segments)", signed.n_cells),
        ratio: ratio_shown(&signed.ratio, least),
    };
    let sentence = match found.factor {
        None => "Whether people report more where a sign stands cannot be told: too few survey encounters on one side or both. \
                 Reports are therefore no measure of what signs do."
            .to_owned(),
        Some(factor) => format!(
            "Where a sign has been passed, people report {:.2} times as much of what is met as elsewhere (95 % interval {:.2} to \
             {:.2}). Places differ too, so this is no effect of signs by itself; before and after are compared with each of the four \
             ratios taken out.",
            factor.mean, factor.lower, factor.upper
        ),
    };
    SignedReportingShown {
        rows: vec![
            row("Most walkers are in reach of a sign, while it stands", &found.signed),
            row("No sign passed, or none stood yet", &found.unsigned),
        ],
        sentence,
    }
}

fn ratio_basis(layer: &SurveyLayer) -> String {
    let n_cells = layer.ratios.first().map_or(0, |group| group.n_cells);
    let season = match layer.is_season_adjusted {
        true => "survey-km are weighted by how frequent encounters are at that season and hour",
        false => "no season could be estimated, so survey-km are taken as they are",
    };
    format!(
        "{n_cells} segments are covered by planned walks in the days counted and by walking that counters identify; {season}. \
         Targeted and opportunistic walks stay out, since they are made when and where snakes are expected."
    )
}

/// By which ratios surveys and reports are joined, where it is not one for all.
fn joined_by(layer: &SurveyLayer) -> Vec<JoinedRow> {
    if layer.joined_by.len() < 2 {
        return Vec::new();
    }
    let row = |joined: &JoinRatio| JoinedRow {
        name: match joined.state {
            Some(state) => format!("{}: {}", joined.group, state.words()),
            None => joined.group.clone(),
        },
        ratio: match &joined.ratio {
            ReportingRatio::Estimated(known) => {
                Some(Estimate { value: known.ratio.mean, lower: known.ratio.lower, upper: known.ratio.upper })
            }
            ReportingRatio::NotEstimable { .. } => None,
        },
        basis: joined.basis,
    };
    layer.joined_by.iter().map(row).collect()
}

fn table(set: &SurveySet, reports: Option<&RateSet>, href: impl Fn(usize) -> String) -> SurveyTable {
    let fits = set.fits.as_ref().ok();
    let row = |unit: usize| {
        let [planned, targeted, opportunistic] = set.effort[unit];
        SurveyRow {
            name: set.names[unit].clone(),
            href: href(unit),
            planned: (planned.count, planned.km),
            raw: rates::raw_per_1000_km(planned.count, planned.km).map(common::estimate),
            planned_only: fits.and_then(|fits| rate_of(&fits.planned_only, unit)),
            targeted: (targeted.count, targeted.km),
            with_targeted: fits.and_then(|fits| rate_of(&fits.with_targeted, unit)),
            opportunistic: (opportunistic.count, opportunistic.km),
            reports: reports.and_then(|set| rate_of(&set.fit, unit)),
            joint: set.joint.as_ref().ok().and_then(|fit| rate_of(fit, unit)),
            season_factor: set.season_factor.get(unit).copied().flatten().map(common::estimate),
        }
    };
    SurveyTable {
        rows: (0..set.names.len()).map(row).collect(),
        no_rates: set.fits.as_ref().err().cloned(),
        no_joint: set.joint.as_ref().err().cloned(),
    }
}

fn rate_of(fit: &RateFit, unit: usize) -> Option<Estimate> {
    let per_1000 = |it: Interval| Estimate {
        value: it.mean * 1000.0,
        lower: it.lower * 1000.0,
        upper: it.upper * 1000.0,
    };
    fit.units.get(unit)?.estimate().map(|estimate| per_1000(estimate.per_km))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_most_telling_stretches_come_first_and_none_is_lost() {
        let row = |idx: usize| SurveyRow {
            name: format!("part {idx}"),
            href: String::new(),
            planned: (1.0, if idx.is_multiple_of(4) { 0.0 } else { 2.0 }),
            raw: None,
            planned_only: Some(Estimate { value: idx as f64, lower: (idx * 7 % 250) as f64, upper: 900.0 }),
            targeted: (0.0, 0.0),
            with_targeted: None,
            opportunistic: (0.0, 0.0),
            reports: None,
            joint: None,
            season_factor: None,
        };
        let table = SurveyTable { rows: (0..250).map(row).collect(), no_rates: None, no_joint: None };
        let pages: Vec<SurveyTable> = (1..=8).map(|number| paged(table.clone(), number)).collect();
        assert_eq!(
            pages.iter().map(|page| page.rows.len()).collect::<Vec<_>>(),
            [40, 40, 40, 40, 40, 40, 10, 0]
        );
        let rows: Vec<&SurveyRow> = pages.iter().flat_map(|page| &page.rows).collect();
        let mut names: Vec<&str> = rows.iter().map(|row| row.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), 250);
        let walked: Vec<f64> = rows
            .iter()
            .filter(|row| row.planned.1 > 0.0)
            .map(|row| row.planned_only.unwrap().lower)
            .collect();
        assert!(walked.is_sorted_by(|a, b| a >= b));
        assert!(rows[187..].iter().all(|row| row.planned.1 == 0.0), "stretches that nobody walked come last");
        let few = SurveyTable { rows: table.rows[..9].to_vec(), ..table };
        assert_eq!(paged(few, 1).rows[0].name, "part 0");
        assert_eq!((Pages::of(9, 1), Pages::of(250, 2).map(|it| it.n_pages)), (None, Some(7)));
    }
}
