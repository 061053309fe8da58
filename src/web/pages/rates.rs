//! Ranks, calls, strata, and what the fit leaves over.

use axum::response::IntoResponse;

use crate::analysis::rates::FalseShare;
use crate::analysis::rates::Interval;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::Rank;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::rate_pattern::Pattern;
use crate::derived::rate_pattern::RatePattern;
use crate::derived::rates;
use crate::derived::rates::PeriodRates;
use crate::derived::rates::RateLayer;
use crate::derived::rates::RateSet;
use crate::derived::reference::Together;
use crate::derived::reference::known_trails;
use crate::derived::season::PeriodChoice;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::common::ToldApart;
use crate::web::pages::season::p_words;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::figure;
use crate::web::views::figure::Behind;
use crate::web::views::figure::class_of;
use crate::web::views::layout::Section;
use crate::web::views::paging::Pages;
use crate::web::views::paging::rows_of;
use crate::web::views::rates::Call;
use crate::web::views::rates::RankRow;
use crate::web::views::rates::RatesPage;
use crate::web::views::rates::StratumRow;
use crate::web::views::rates::TogetherRow;
use crate::web::views::scatter::Scatter;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["page"])?;
    let number: usize = query.parse("page", "the number of a page")?.unwrap_or(1);
    if number == 0 {
        return Err(Error::bad_request("page", "Pages are counted from 1."));
    }
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let (rates, season) = (deriver.rates(&facts).await?, deriver.season(&facts).await?);
    let (pattern, exposure) = (deriver.rate_pattern(&facts).await?, deriver.exposure(&facts).await?);
    let period = rates::in_period(&rates.stretches, &rates.bounds, &season, PeriodChoice::default())?;
    let ground = Ground { facts: &facts, rates: &rates, set: &rates.stretches, exposure: &exposure };
    let page = page(&ground, &period, &pattern, number);
    let frame =
        common::frame(&facts, Section::Analysis, "Which stretches stand out", common::rate_records(&rates));
    let markup = views::layout::page(&frame, views::rates::body(&page));
    Ok(Cached(CachePolicy::of_revision(facts.revision, format!("rates {}", query.words())), markup))
}

/// What the page is made from.
struct Ground<'a> {
    facts: &'a Facts,
    rates: &'a RateLayer,
    set: &'a RateSet,
    exposure: &'a ExposureLayer,
}

fn page(ground: &Ground<'_>, period: &PeriodRates, pattern: &RatePattern, number: usize) -> RatesPage {
    let Ground { facts, set, .. } = *ground;
    let settings = &facts.settings;
    let rows: Vec<RankRow> = set.ranking.order.iter().filter_map(|unit| row(set, period, *unit)).collect();
    let n_not_ranked = set.names.len() - rows.len();
    RatesPage {
        sentence: sentence(set, rows.len(), settings.multiple) + closed_words(ground.rates),
        rule: format!(
            "A stretch is called when the probability that its rate lies above {} times that of all trails whose walking is known is over \
             {}. What is not known of the walking is in that probability, draw by draw.",
            settings.multiple, settings.call_level
        ),
        together: together(ground),
        not_ranked: match n_not_ranked {
            0 => String::new(),
            n => format!(
                "{n} stretches are not ranked and not called: nobody is said to walk there, or their walking is assumed from \
                 priors."
            ),
        },
        pages: Pages::of(rows.len(), number),
        rows: rows_of(rows, number),
        strata_are: match settings.habitat_strata < 0.5 {
            true => "each trail by itself",
            false => "all trails of a habitat",
        },
        strata: (0..set.fit.strata.len()).filter_map(|number| stratum(ground, number)).collect(),
        pattern: vec![
            ("Counts against one rate for all", pattern_words(pattern.against_even)),
            ("Counts against the fitted rates", pattern_words(pattern.against_fit)),
        ],
        scatter: scatter(set, pattern),
    }
}

/// What kilometres count for where something was closed.
fn closed_words(rates: &RateLayer) -> &'static str {
    match rates.timing {
        None => "",
        Some(_) => {
            " Where something was closed for a time, kilometres count in rates by how frequent encounters are at the times at which \
             they were walked."
        }
    }
}

fn together(ground: &Ground<'_>) -> Vec<TogetherRow> {
    let known = ("whose walking is known", known_trails(ground.rates, ground.exposure));
    let all = ground.rates.all_trails.map(|all| ("all", all));
    let row = |(name, it): (&'static str, Together)| TogetherRow {
        name,
        behind: Behind { count: it.count, walked_km: common::estimate(it.walked_km) },
        rate: common::estimate(it.per_1000_km),
    };
    [known].into_iter().chain(all).map(row).collect()
}

fn sentence(set: &RateSet, n_ranked: usize, multiple: f64) -> String {
    let n_called = set.fit.calls.units.len();
    match set.fit.calls.false_share {
        FalseShare::NoCalls => format!(
            "None of {n_ranked} stretches is called above {multiple} times the rate of all trails whose walking is known. That is no \
             statement that they are alike, or that any is safe."
        ),
        FalseShare::Expected(share) => format!(
            "{n_called} of {n_ranked} stretches {} called above {multiple} times the rate of all trails whose walking is known; about {:.1} of \
             these calls ({}) {} expected to be wrong.",
            if n_called == 1 { "is" } else { "are" },
            share * n_called as f64,
            percent(share),
            if n_called == 1 { "is" } else { "are" },
        ),
    }
}

fn row(set: &RateSet, period: &PeriodRates, unit: usize) -> Option<RankRow> {
    let Rank::Ranked { top_share, lower, upper } = set.ranking.units[unit] else { return None };
    let (_, exceedance) = set.fit.units[unit].judged()?;
    Some(RankRow {
        name: set.names[unit].clone(),
        href: format!("/stretch/{unit}"),
        rate: common::estimate(period.per_1000_km[unit]?),
        class: class_of(common::stroke(period.drawn[unit])),
        behind: figure::behind(&common::figure(set, period, unit)),
        rank: (lower, upper),
        top_share,
        exceedance,
        call: if set.fit.calls.units.contains(&unit) { Call::Called } else { Call::NotCalled },
    })
}

/// None for a stratum without stretches that were walked.
fn stratum(ground: &Ground<'_>, number: usize) -> Option<StratumRow> {
    let set = ground.set;
    let fit = &set.fit.strata[number];
    // Assumed walking informs no stratum.
    let informs = |unit: &usize| {
        set.stratum[*unit] == number
            && matches!(set.provenance[*unit], Provenance::Counted | Provenance::Fitted)
    };
    let scaled = |interval: &Interval, by: f64| Estimate {
        value: interval.mean * by,
        lower: interval.lower * by,
        upper: interval.upper * by,
    };
    let (told_apart, same) = common::told_apart(fit.spread);
    let told_apart = match told_apart {
        ToldApart::Yes => "yes",
        ToldApart::NotSurely => "not surely",
        ToldApart::CannotTell => "cannot tell stretches apart",
    };
    let same = if same < 0.005 { "under 0.01".to_owned() } else { format!("{same:.2}") };
    let spread = format!("{told_apart}; probability that all rates are the same {same}");
    (fit.n_units > 0).then(|| StratumRow {
        name: set.stratum_names[number].clone(),
        n_units: fit.n_units,
        behind: common::behind(set, ground.exposure, (0..set.members.len()).filter(informs)),
        mean: scaled(&fit.mean_per_km, 1000.0),
        variation: scaled(&fit.variation, 1.0),
        spread,
    })
}

/// What the fitted rates leave over on each stretch beside what they leave over on its neighbours (Anselin 1996); none where
/// nothing is expected.
pub(in crate::web) fn scatter(set: &RateSet, pattern: &RatePattern) -> Option<Scatter> {
    let points: Vec<(f64, f64, String)> = pattern
        .sites
        .iter()
        .filter_map(|site| {
            let near = site.neighbours?.against_fit;
            Some((site.residual.against_fit, near, set.names[site.stretch].clone()))
        })
        .collect();
    (!points.is_empty()).then(|| Scatter {
        description: "What counts leave over on stretches and on their neighbours; the study has the numbers"
            .to_owned(),
        points,
        across: "left over on a stretch, standard deviations".to_owned(),
        up: "mean of the stretches that touch it".to_owned(),
    })
}

fn pattern_words(pattern: Pattern) -> String {
    match pattern {
        Pattern::NotEstimable => "not estimable: no reports, or no stretches that touch".to_owned(),
        Pattern::Estimated { statistic, p_value, n_sites, n_allocations } => format!(
            "I = {statistic:.2}, two-sided p {} ({n_sites} stretches, {n_allocations} allocations)",
            p_words(p_value)
        ),
    }
}
