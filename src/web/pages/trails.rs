//! All trails with their stretches, and places.

use axum::response::IntoResponse;

use crate::analysis::rates::Rank;
use crate::derived::DeriveError;
use crate::derived::places::PlaceSummary;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::season::PeriodChoice;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::layout::Section;
use crate::web::views::trails::PlaceRow;
use crate::web::views::trails::StretchRow;
use crate::web::views::trails::TrailRow;
use crate::web::views::trails::TrailsPage;

/// The list.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&[])?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let network = deriver.network(&facts).await?;
    let (rates, season) = (deriver.rates(&facts).await?, deriver.season(&facts).await?);
    let all = PeriodChoice::default();
    let by_trail = rates::in_period(&rates.trails, &rates.bounds, &season, all)?;
    let by_stretch = rates::in_period(&rates.stretches, &rates.bounds, &season, all)?;
    let trails = (0..rates.trails.names.len())
        .map(|unit| {
            let length_m: f64 = rates.trails.members[unit]
                .iter()
                .map(|segment| network.network.segments[*segment].length_m)
                .sum();
            let name = rates.trails.names[unit].clone();
            let habitat =
                facts.trails.iter().find(|trail| trail.name == name).map(|trail| trail.habitat.clone());
            TrailRow {
                habitat: habitat.unwrap_or_default(),
                length_km: length_m / 1000.0,
                figure: common::figure(&rates.trails, &by_trail, unit),
                stretches: stretches(&rates, rates.trails.strata[unit], &by_stretch),
                name,
            }
        })
        .collect();
    let places = match deriver.places(&facts).await {
        Ok(places) => places.iter().map(place_row).collect(),
        Err(DeriveError::Unanswerable(_)) => Vec::new(),
        Err(error) => return Err(error.into()),
    };
    let page = TrailsPage { trails, places };
    let frame = common::frame(&facts, Section::Trails, "Trails", common::rate_records(&rates));
    let markup = views::layout::page(&frame, views::trails::body(&page));
    Ok(Cached(CachePolicy::of_revision(facts.revision, "trails"), markup))
}

fn stretches(rates: &RateLayer, trail: usize, period: &rates::PeriodRates) -> Vec<StretchRow> {
    let set = &rates.stretches;
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
