//! All trails with their stretches, and places.

use axum::response::IntoResponse;

use crate::analysis::rates::Rank;
use crate::derived::DeriveError;
use crate::derived::network::NetworkLayer;
use crate::derived::places::PlaceSummary;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::season::PeriodChoice;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::notices;
use crate::web::pages::survey;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::layout::Section;
use crate::web::views::trails::PlaceRow;
use crate::web::views::trails::StretchRow;
use crate::web::views::trails::TrailRow;
use crate::web::views::trails::Trails;
use crate::web::views::trails::TrailsPage;

/// Most stretches that are listed under all trails at once; beyond that a trail's are shown when it is picked.
const MOST_AT_ONCE: usize = 150;

/// The list, with the stretches of all trails, or of the one picked by its number.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["trail"])?;
    let picked = query.parse::<usize>("trail", "the number of a trail")?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let network = deriver.network(&facts).await?;
    let (rates, season) = (deriver.rates(&facts).await?, deriver.season(&facts).await?);
    let n_trails = rates.trails.names.len();
    if let Some(trail) = picked.filter(|trail| *trail >= n_trails) {
        return Err(Error::NotFound(format!("There is no trail {trail}.")));
    }
    let all = PeriodChoice::default();
    let by_trail = rates::in_period(&rates.trails, &rates.bounds, &season, all)?;
    let by_stretch = rates::in_period(&rates.stretches, &rates.bounds, &season, all)?;
    let all_at_once = rates.stretches.names.len() <= MOST_AT_ONCE;
    let standing = notices::standing(&app, &facts).await?;
    let row = |unit: usize| {
        let name = &rates.trails.names[unit];
        let habitat = facts.trails.iter().find(|trail| trail.name == *name);
        let shows_stretches = picked.map_or(all_at_once, |picked| picked == unit);
        TrailRow {
            name: name.clone(),
            href: format!("/trails?trail={unit}"),
            habitat: habitat.map(|trail| trail.habitat.clone()).unwrap_or_default(),
            length_km: length_km(&rates, &network, unit),
            figure: common::figure(&rates.trails, &by_trail, unit),
            notices: standing.about(&[name.as_str()]),
            stretches: if shows_stretches { stretches(&rates, unit, &by_stretch) } else { Vec::new() },
        }
    };
    let trails = match picked {
        Some(trail) => Trails::One(row(trail)),
        None if all_at_once => Trails::WithStretches((0..n_trails).map(row).collect()),
        None => Trails::Overview((0..n_trails).map(row).collect()),
    };
    let places = match deriver.places(&facts).await {
        Ok(_) if picked.is_some() => Vec::new(),
        Ok(places) => places.iter().map(place_row).collect(),
        Err(DeriveError::Unanswerable(_)) => Vec::new(),
        Err(error) => return Err(error.into()),
    };
    let reporting = survey::reporting_words(&app, &facts).await?;
    let page = TrailsPage { trails, places, reporting };
    let frame = common::frame(&facts, Section::Trails, "Trails", common::rate_records(&rates));
    let markup = views::layout::page(&frame, views::trails::body(&page));
    let policy =
        standing.policy(|day| CachePolicy::of_revision(facts.revision, format!("trails {picked:?}{day}")));
    Ok(Cached(policy, markup))
}

fn length_km(rates: &RateLayer, network: &NetworkLayer, trail: usize) -> f64 {
    let segments = rates.trails.members[trail].iter();
    segments.map(|segment| network.network.segments[*segment].length_m).sum::<f64>() / 1000.0
}

fn stretches(rates: &RateLayer, unit: usize, period: &rates::PeriodRates) -> Vec<StretchRow> {
    let (set, trail) = (&rates.stretches, rates.trails.strata[unit]);
    let of_trail = (0..set.names.len()).filter(|unit| set.strata[*unit] == trail);
    of_trail
        .map(|unit| StretchRow {
            name: set.names[unit].clone(),
            href: format!("/stretch/{unit}"),
            figure: common::figure(set, period, unit),
            top_share: match set.ranking.units[unit] {
                Rank::Ranked { top_share, .. } => Some(top_share),
                Rank::NotRanked => None,
            },
        })
        .collect()
}

fn place_row(place: &PlaceSummary) -> PlaceRow {
    PlaceRow {
        name: place.name.clone(),
        kind: place.kind.term().to_owned(),
        counts: place.counts,
        visits: place.visits.map(|(visits, rate)| (common::estimate(visits), common::estimate(rate))),
    }
}
