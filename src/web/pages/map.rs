//! The trail risk map.

use axum::response::IntoResponse;

use crate::analysis::rates::Provenance;
use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::network::NetworkLayer;
use crate::derived::plan::PlanParams;
use crate::derived::rates;
use crate::derived::rates::RateSet;
use crate::derived::season::PeriodChoice;
use crate::domain::time::MONTHS;
use crate::web::assets;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::notices;
use crate::web::pages::survey;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::figure::Figure;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;
use crate::web::views::map::Interactive;
use crate::web::views::map::MapPage;
use crate::web::views::svg_map::MapDrawing;

/// How many stretches the list beside the map shows.
const N_RANKED: usize = 8;

/// The map, or what to do first when there is nothing to show.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["month", "part", "stretch"])?;
    let choice = query.period()?;
    let picked: Option<usize> = query.parse("stretch", "the number of a stretch")?;
    let deriver = app.deriver();
    let facts = match deriver.facts().await {
        Err(DeriveError::Unanswerable(reason)) => return Ok(empty(&app, "", reason)),
        facts => facts?,
    };
    if facts.trails.is_empty() {
        return Ok(empty(&app, &facts.area.name, "There are no trails yet.".to_owned()));
    }
    let network = deriver.network(&facts).await?;
    let rates = match deriver.rates(&facts).await {
        Err(DeriveError::Unanswerable(reason)) => return Ok(empty(&app, &facts.area.name, reason)),
        rates => rates?,
    };
    let season = deriver.season(&facts).await?;
    let set = &rates.stretches;
    let period = rates::in_period(set, &rates.bounds, &season, choice)?;
    if let Some(unit) = picked.filter(|unit| *unit >= set.names.len()) {
        return Err(Error::bad_request("stretch", format!("There is no stretch {unit}.")));
    }
    let href = |unit: usize| format!("/?{}", query.with("stretch", Some(&unit.to_string())));
    let mut drawing = common::stretch_map(&facts, &network, &rates, &period, href);
    if let Some(unit) = picked {
        drawing.lines[unit].picked = true;
    }
    let standing = notices::standing(&app, &facts).await?;
    drawing.notices = standing.marks(&network);
    let params = PlanParams::standard(&facts)?;
    if let Ok(plan) = deriver.plan(&facts, params).await {
        drawing.signs = common::signs(&network, &plan);
    }
    let row = |unit: usize| {
        let link = format!("/stretch/{unit}");
        let is_of_all = choice != PeriodChoice::default();
        (set.names[unit].clone(), link, Figure { is_of_all, ..common::figure(set, &period, unit) })
    };
    let page = MapPage {
        cautions: app.texts().cautions.clone(),
        drawing,
        bounds: rates.bounds.per_1000_km(),
        month: choice.month,
        part: choice.part,
        period_words: period_words(choice),
        too_little: season.caution(choice),
        picked: picked.map(row),
        ranked: period.order.iter().take(N_RANKED).map(|unit| row(*unit)).collect(),
        interactive: interactive(&query),
        empty: None,
        reference: (!period.is_too_little).then(|| common::estimate(period.reference)),
        assumed: assumed_words(&rates.stretches, &network),
        reporting: survey::reporting_words(&app, &facts).await?,
        notices: standing.listed(),
    };
    let frame = Frame {
        width: Width::Window,
        ..common::frame(&facts, Section::Map, "Trail risk map", common::rate_records(&rates))
    };
    let policy = standing
        .policy(|day| CachePolicy::of_revision(facts.revision, format!("map {}{day}", query.words())));
    Ok(Cached(policy, views::layout::page(&frame, views::map::body(&page))))
}

/// On how many stretches walking is assumed, and what that means for the map.
fn assumed_words(stretches: &RateSet, network: &NetworkLayer) -> String {
    let km = |unit: usize| {
        stretches.members[unit].iter().map(|segment| network.network.segments[*segment].length_m).sum::<f64>()
            / 1000.0
    };
    let assumed: Vec<usize> = (0..stretches.members.len())
        .filter(|unit| stretches.provenance[*unit] == Provenance::Assumed)
        .collect();
    match assumed.len() {
        0 => String::new(),
        n => format!(
            "On {n} of {} stretches ({:.1} km) how many people walk is assumed: their lines are never solid, and they have no rank and no place in the list.",
            stretches.members.len(),
            assumed.iter().map(|unit| km(*unit)).sum::<f64>()
        ),
    }
}

/// "May, early" or "all year, all day".
pub(super) fn period_words(choice: PeriodChoice) -> String {
    let month = choice.month.and_then(|month| MONTHS.get(usize::from(month.unsigned_abs()) - 1));
    let part = choice.part.map_or("all day", |part| part.words());
    format!("{}, {part}", month.unwrap_or(&"all year"))
}

fn interactive(query: &Query) -> Option<Interactive> {
    let (script, style) = assets::map_paths()?;
    let period = query.with("stretch", None);
    let stretches = match period.is_empty() {
        true => "/layers/stretches.geojson".to_owned(),
        false => format!("/layers/stretches.geojson?{period}"),
    };
    Some(Interactive {
        script: script.to_owned(),
        style: style.to_owned(),
        stretches,
        signs: "/layers/signs.geojson".to_owned(),
        notices: "/layers/notices.geojson".to_owned(),
    })
}

fn empty(app: &App, area_name: &str, reason: String) -> Cached<maud::Markup> {
    let page = MapPage {
        cautions: app.texts().cautions.clone(),
        drawing: MapDrawing::default(),
        bounds: [0.5, 1.0, 2.0, 4.0],
        month: None,
        part: None,
        period_words: String::new(),
        too_little: None,
        picked: None,
        ranked: Vec::new(),
        interactive: None,
        empty: Some(reason),
        reference: None,
        assumed: String::new(),
        reporting: String::new(),
        notices: Vec::new(),
    };
    let frame = Frame {
        title: "Trail risk map".to_owned(),
        section: Section::Map,
        area_name: area_name.to_owned(),
        basis: Basis::default(),
        width: Width::Column,
        reader: Reader::Staff,
    };
    Cached(CachePolicy::Never, views::layout::page(&frame, views::map::body(&page)))
}
