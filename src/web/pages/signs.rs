//! The sign plan.

use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Response;

use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::plan::PlanLayer;
use crate::derived::plan::PlanParams;
use crate::derived::plan::PlannedSite;
use crate::derived::plan::STANDARD_SIGNS;
use crate::derived::rates;
use crate::derived::season::PeriodChoice;
use crate::derived::season::SeasonLayer;
use crate::domain::account::Right;
use crate::domain::time::MONTHS;
use crate::domain::units::Length;
use crate::signage::wording;
use crate::signage::wording::Fields;
use crate::signage::wording::Months;
use crate::signage::wording::SignKind;
use crate::signage::wording::SignText;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::effect_watch;
use crate::web::pages::season::window_words;
use crate::web::pages::sign_plans;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::layout::Section;
use crate::web::views::signs::PlanShown;
use crate::web::views::signs::SignsPage;
use crate::web::views::signs::SiteRow;

/// Most signs a plan may have.
const MOST_SIGNS: usize = 100;

/// Reads the parameters of a plan.
///
/// # Errors
/// The field and what is wrong with it, for every wrong one.
pub(crate) fn params(query: &Query, facts: &Facts) -> Result<PlanParams, Vec<(String, String)>> {
    let mut errors = Vec::new();
    let n_signs = match query.get("signs").map(str::parse::<usize>) {
        None => STANDARD_SIGNS,
        Some(Ok(n_signs)) if (1..=MOST_SIGNS).contains(&n_signs) => n_signs,
        Some(_) => {
            errors.push(("signs".to_owned(), format!("give a whole number from 1 to {MOST_SIGNS}")));
            STANDARD_SIGNS
        }
    };
    let mut metres = |name: &str, otherwise: f64, range: std::ops::RangeInclusive<f64>| {
        let given =
            query.get(name).map(|text| text.parse::<f64>().ok().filter(|value| range.contains(value)));
        let value = given.unwrap_or(Some(otherwise));
        if value.is_none() {
            errors.push((name.to_owned(), format!("give metres from {} to {}", range.start(), range.end())));
        }
        Length::metres(value.unwrap_or(otherwise)).unwrap_or(Length::ZERO)
    };
    let reach = metres("reach", facts.settings.reach_m, 100.0..=5000.0);
    let spacing = metres("spacing", facts.settings.spacing_m, 0.0..=5000.0);
    if errors.is_empty() { Ok(PlanParams { n_signs, reach, spacing }) } else { Err(errors) }
}

/// The page.
pub async fn show(app: Exact, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&["signs", "reach", "spacing"])?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let (status, plan, errors) = match params(&query, &facts) {
        Ok(params) => (StatusCode::OK, plan(&app, &facts, params).await?, Vec::new()),
        Err(errors) => (StatusCode::BAD_REQUEST, Err("Mend what is marked above.".to_owned()), errors),
    };
    let given = |name: &str, otherwise: f64| query.get(name).map_or(format!("{otherwise:.0}"), str::to_owned);
    let page = SignsPage {
        n_signs: given("signs", STANDARD_SIGNS as f64),
        reach_m: given("reach", facts.settings.reach_m),
        spacing_m: given("spacing", facts.settings.spacing_m),
        errors,
        plan,
        keep_href: who.may(Right::Manage).then(|| with_words("/signs/keep", &query)),
        draw_href: who.may(Right::Manage).then(|| with_words("/signs/draw", &query)),
        sheets_href: with_words("/signs/sheets", &query),
        kept: sign_plans::links(&deriver.sign_plans(&facts).await?),
    };
    let records = match deriver.rates(&facts).await {
        Ok(rates) => common::rate_records(&rates),
        Err(_) => String::new(),
    };
    let frame = common::frame(&facts, Section::Signs, "Sign plan", records);
    let policy = CachePolicy::of_revision(facts.revision, format!("signs {}", query.words()));
    let markup = views::layout::page(&frame, views::signs::body(&page));
    Ok((status, Cached(policy, markup)).into_response())
}

/// An address about the same plan.
pub(super) fn with_words(address: &str, query: &Query) -> String {
    match query.with("", None) {
        words if words.is_empty() => address.to_owned(),
        words => format!("{address}?{words}"),
    }
}

/// The plan as the page shows it, or why there is none.
async fn plan(
    app: &App,
    facts: &Derived<Facts>,
    params: PlanParams,
) -> Result<Result<PlanShown, String>, Error> {
    match app.deriver().plan(facts, params).await {
        Ok(plan) => shown(app, facts, &plan).await.map(Ok),
        Err(DeriveError::Unanswerable(reason)) => Ok(Err(reason)),
        Err(error) => Err(error.into()),
    }
}

async fn shown(app: &App, facts: &Derived<Facts>, plan: &PlanLayer) -> Result<PlanShown, Error> {
    let deriver = app.deriver();
    let network = deriver.network(facts).await?;
    let (rates, season) = (deriver.rates(facts).await?, deriver.season(facts).await?);
    let all = PeriodChoice::default();
    let period = rates::in_period(&rates.stretches, &rates.bounds, &season, all)?;
    let mut drawing =
        common::stretch_map(facts, &network, &rates, &period, |unit| format!("/stretch/{unit}"));
    drawing.signs = common::signs(&network, plan);
    let texts = Texts::new(app, facts, &season);
    let sites = plan.sites.iter().enumerate().map(|(idx, site)| site_row(idx, site, &network, facts, &texts));
    let in_place = plan.sites.iter().filter(|site| site.standing).count();
    Ok(PlanShown {
        drawing,
        curve: plan.sites.iter().map(|site| common::estimate(site.together)).collect(),
        sites: sites.collect(),
        warned: common::estimate(plan.warned),
        heeded: plan.heeded,
        heed_range: plan.heed_range,
        watched: effect_watch::heeding_lines(&deriver.heeding(facts).await?),
        reachable: plan.reachable,
        proof_words: match plan.proven {
            true => format!(
                "No other choice of as many signs among the {} possible locations warns more walkers: proven, for the half of the \
                 draws that the choice is made with.",
                plan.n_candidates
            ),
            false => format!(
                "Best found among {} locations: it warns {:.1} % on the draws that choose, and no choice can exceed {:.1} %.",
                plan.n_candidates,
                plan.chosen_value * 100.0,
                plan.bound * 100.0
            ),
        },
        season_words: match season.window.as_ref().map(window_words) {
            Some(words) => format!("Season: {}. Signs in place already: {in_place}.", words.join("; ")),
            None => "No season could be told: signs stand all year.".to_owned(),
        },
        left_out: plan.left_out.clone(),
    })
}

/// What every sign's text needs.
pub(super) struct Texts {
    /// One a language, the area's first.
    catalogues: Vec<wording::Catalogue>,
    months: Months,
    emergency_number: String,
    keep_distance: Option<Length>,
    dates: String,
}

impl Texts {
    pub(super) fn new(app: &App, facts: &Facts, season: &SeasonLayer) -> Self {
        let run = season.window.as_ref().and_then(|window| {
            window.window.runs.first().map(|run| (run.start, run.last(window.window.n_parts)))
        });
        let (months, dates) = match run {
            Some((first, last)) => (
                Months::Span { from: first as u8 + 1, to: last as u8 + 1 },
                format!("up by 1 {}, down after {}", MONTHS[first % 12], MONTHS[last % 12]),
            ),
            None => (Months::All, "all year".to_owned()),
        };
        Self {
            catalogues: app.texts().wording.clone(),
            months,
            emergency_number: facts.area.emergency_number.clone(),
            keep_distance: facts.area.keep_distance,
            dates,
        }
    }

    /// The text of a sign in every language: language tag and text.
    pub(super) fn of(&self, site: &PlannedSite, network: &NetworkLayer) -> Vec<(String, SignText)> {
        let fields = Fields {
            distance: site.distance,
            months: self.months,
            emergency_number: self.emergency_number.clone(),
            keep_distance: self.keep_distance,
        };
        let kind = kind(site, network);
        self.catalogues
            .iter()
            .map(|catalogue| (catalogue.language.clone(), wording::fill(catalogue, kind, &fields)))
            .collect()
    }
}

/// The trailhead at which a sign stands.
fn trailhead(site: &PlannedSite, network: &NetworkLayer) -> Option<usize> {
    network.trailhead_vertices.iter().position(|vertex| *vertex == Some(site.vertex))
}

fn kind(site: &PlannedSite, network: &NetworkLayer) -> SignKind {
    if trailhead(site, network).is_some() { SignKind::TrailheadPanel } else { SignKind::TrailSign }
}

fn site_row(idx: usize, site: &PlannedSite, network: &NetworkLayer, facts: &Facts, texts: &Texts) -> SiteRow {
    let text = texts.of(site, network).into_iter().next().map(|(_, text)| text);
    SiteRow {
        number: idx + 1,
        place: place_words(site, network, facts),
        standing: site.standing,
        kind: match kind(site, network) {
            SignKind::TrailheadPanel => "new trailhead panel".to_owned(),
            SignKind::TrailSign => "new trail sign".to_owned(),
        },
        text: text
            .map(|text| format!("{}: {} {}", text.signal_word, text.title, text.lines.join(" ")))
            .unwrap_or_default(),
        position: (site.position.lat(), site.position.lon()),
        facing: site.towards_deg.map_or_else(
            || "faces both ways".to_owned(),
            |degrees| format!("read by walkers heading {}", compass(degrees)),
        ),
        dates: texts.dates.clone(),
        letters: letters_words(site, facts),
        parties_per_day: site.parties_per_day,
        adds: site.adds,
        together: Estimate { ..common::estimate(site.together) },
        chosen_share: site.chosen_share,
        reason: reason(site),
    }
}

/// How large the letters have to be, and from where they are then read.
pub(super) fn letters_words(site: &PlannedSite, facts: &Facts) -> String {
    format!(
        "letters at least {:.0} mm, read from {:.0} m",
        site.letter_height.in_millimetres().ceil(),
        facts.settings.reading_m
    )
}

/// Where a sign stands, in words.
pub(super) fn place_words(site: &PlannedSite, network: &NetworkLayer, facts: &Facts) -> String {
    let head = trailhead(site, network).and_then(|idx| facts.trailheads.get(idx));
    match (head, &site.trails[..]) {
        (Some(head), _) => format!("{}, trailhead", head.name),
        // Two signs of one trail are told apart by how far along it they stand.
        (None, [_]) => network.vertex_words(site.vertex),
        (None, [first, others @ ..]) => format!("{first}, junction with {}", others.join(" and ")),
        (None, []) => "on the trail".to_owned(),
    }
}

/// Shares below this are not named.
const NAMED_FROM: f64 = 0.0005;

fn reason(site: &PlannedSite) -> String {
    let warned: Vec<&(String, f64)> =
        site.warns_on.iter().filter(|(_, share)| *share >= NAMED_FROM).collect();
    let total: f64 = site.warns_on.iter().map(|(_, share)| share).sum();
    let named: Vec<String> =
        warned.iter().take(2).map(|(trail, share)| format!("{:.1} % on {trail}", share * 100.0)).collect();
    match &warned[..] {
        [] => "other signs warn of the same encounters before".to_owned(),
        [_] => format!(
            "with all signs up, the first to warn of {} of all expected encounters",
            named.join(" and ")
        ),
        _ => {
            let others = if warned.len() > 2 { ", the others on further trails" } else { "" };
            format!(
                "with all signs up, the first to warn of {:.1} % of all expected encounters: {}{others}",
                total * 100.0,
                named.join(" and ")
            )
        }
    }
}

/// The direction in words.
fn compass(degrees: f64) -> &'static str {
    const WORDS: [&str; 8] =
        ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
    WORDS[((degrees / 45.0).round() as usize) % 8]
}
