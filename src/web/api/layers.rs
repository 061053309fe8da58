//! The layers.

mod density;
mod walks;

use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;
use serde_json::Map;
use serde_json::Value;
use serde_json::json;

use crate::analysis::clusters::Side;
use crate::analysis::rates::Exceedance;
use crate::app::App;
use crate::derived::Derived;
use crate::derived::clusters::Cluster;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::rates::PeriodRates;
use crate::derived::rates::RateSet;
use crate::domain::encounter::EffortKind;
use crate::domain::geography::LonLat;
use crate::domain::ids::EncounterId;
use crate::domain::revision::Revision;
use crate::store::EncounterFilter;
use crate::store::EncounterSummary;
use crate::store::Paging;
use crate::store::filter::Order;
use crate::web::api::parameters;
use crate::web::auth::Exact;
use crate::web::auth::Sight;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::geojson;
use crate::web::geojson::Collection;
use crate::web::geojson::Feature;
use crate::web::geojson::Geometry;
use crate::web::geojson::Link;
use crate::web::geojson::number;
use crate::web::geojson::position;
use crate::web::origin::Origin;
use crate::web::pages::clusters as cluster_pages;
use crate::web::pages::common;
use crate::web::pages::notices as notice_pages;
use crate::web::pages::public;
use crate::web::pages::signs as sign_pages;
use crate::web::pages::unit::segment_href;
use crate::web::query::Query;
use crate::web::views::figure::class_of;
use crate::web::views::figure::width_words;
use crate::web::views::svg_map::Stroke;

pub use density::density;
pub use walks::walks;

/// Which layer was asked for, how, and under which address.
struct Asked<'a> {
    name: &'static str,
    query: &'a Query,
    origin: &'a Origin,
}

impl Asked<'_> {
    /// The link to the page after this one.
    fn next(&self, after: impl std::fmt::Display) -> Link {
        let query = self.query.with("after", Some(&after.to_string()));
        let href = format!("{}/layers/{}.geojson?{query}", self.origin.0, self.name);
        Link { rel: "next", r#type: geojson::MEDIA_TYPE, href }
    }
}

/// An answer kept for the next question: the bytes, once made.
async fn answer<F>(app: &App, asked: &Asked<'_>, revision: Revision, make: F) -> Result<Response, Error>
where
    F: AsyncFnOnce() -> Result<Collection, Error>,
{
    let key = format!("{}{}?{}", asked.origin.0, asked.name, asked.query.words());
    let bytes = app
        .answers()
        .get(revision, key.clone(), async || {
            let collection = make().await?;
            serde_json::to_vec(&collection).map_err(|error| Error::Internal(error.to_string()))
        })
        .await?;
    let body = axum::body::Bytes::from_owner(BytesOwner(bytes));
    let policy = CachePolicy::of_revision(revision, key);
    Ok(Cached(policy, ([(header::CONTENT_TYPE, geojson::MEDIA_TYPE)], body)).into_response())
}

/// Shares the remembered bytes with the response without copying them.
struct BytesOwner(std::sync::Arc<Vec<u8>>);

impl AsRef<[u8]> for BytesOwner {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

/// Takes the features that meet the box, from where the last page ended, up to the limit.
fn cut(asked: &Asked<'_>, features: Vec<Feature>, facts: &Derived<Facts>) -> Result<Collection, Error> {
    let (bbox, limit) = (parameters::bbox(asked.query)?, parameters::limit(asked.query, parameters::MOST)?);
    let after = asked.query.parse::<usize>("after", "the number of features before")?.unwrap_or(0);
    let meets = |feature: &Feature| match (&bbox, &feature.geometry) {
        (Some(bbox), Some(geometry)) => geometry.meets(bbox),
        // What has no geometry meets every box (OGC 17-069, requirement on bbox).
        _ => true,
    };
    let features: Vec<Feature> = features.into_iter().filter(meets).collect();
    let n_matched = features.len();
    let page: Vec<Feature> = features.into_iter().skip(after).take(limit as usize).collect();
    let end = after.saturating_add(page.len());
    let mut collection = Collection::new(facts.revision.0, facts.parameters.clone(), n_matched as u64, page);
    if end < n_matched {
        collection.links.push(asked.next(end));
    }
    Ok(collection)
}

/// Stretches with their rates.
pub async fn stretches(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["month", "part", "bbox", "limit", "after"])?;
    units(&app, Asked { name: "stretches", query: &query, origin: &origin }).await
}

/// Segments with their rates.
pub async fn segments(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["month", "part", "bbox", "limit", "after"])?;
    units(&app, Asked { name: "segments", query: &query, origin: &origin }).await
}

async fn units(app: &App, asked: Asked<'_>) -> Result<Response, Error> {
    let choice = asked.query.period()?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    answer(app, &asked, facts.revision, async || {
        let (network, rates) = (deriver.network(&facts).await?, deriver.rates(&facts).await?);
        let season = deriver.season(&facts).await?;
        let is_stretch = asked.name == "stretches";
        let set = if is_stretch { &rates.stretches } else { &rates.segments };
        let period = rates::in_period(set, &rates.bounds, &season, choice)?;
        let notice = season.caution(choice);
        let features = (0..set.names.len()).map(|unit| {
            let href = match is_stretch {
                true => format!("/?{}", stretch_query(asked.query, unit)),
                false => segment_href(&network, unit),
            };
            let id = match is_stretch {
                true => Value::from(unit),
                false => Value::from(href.trim_start_matches("/segment/")),
            };
            let mut feature = unit_feature(&network, set, &period, unit, (id, href));
            feature.properties.insert("notice".to_owned(), Value::from(notice.clone()));
            feature
        });
        cut(&asked, features.collect(), &facts)
    })
    .await
}

/// The query of the map with a stretch picked: month and part go on, what cut this layer does not.
fn stretch_query(query: &Query, unit: usize) -> String {
    let kept = ["month", "part"].into_iter().filter_map(|name| Some(format!("{name}={}", query.get(name)?)));
    kept.chain([format!("stretch={unit}")]).collect::<Vec<_>>().join("&")
}

fn unit_feature(
    network: &NetworkLayer,
    set: &RateSet,
    period: &PeriodRates,
    unit: usize,
    (id, href): (Value, String),
) -> Feature {
    let members = &set.members[unit];
    let course: Vec<LonLat> = common::course(network, members)
        .into_iter()
        .map(|[x, y]| network.network.plane.to_lonlat(geo_types::Coord { x, y }))
        .collect();
    let fit = &set.fit.units[unit];
    let rate = period.per_1000_km[unit];
    // It is of all months and hours; in a period of which too little is known it would be taken for one.
    let judged = fit.estimate().filter(|_| period.is_all);
    let exceedance = judged.and_then(|estimate| match estimate.exceedance {
        Exceedance::Probability(probability) => Some(probability),
        Exceedance::NotJudged => None,
    });
    let length_m: f64 = members.iter().map(|segment| network.network.segments[*segment].length_m).sum();
    let stroke = common::stroke(period.drawn[unit]);
    let is_label = members.iter().any(|segment| is_middle(network, *segment));
    let trail = network.trail_name(members[0]);
    let (lower_km, upper_km) = set.exposure_limits_km[unit];
    let properties = properties(json!({
        "name": set.names[unit],
        "trail": trail,
        "label": is_label.then_some(trail),
        "length_m": number(Some(length_m), 1),
        "encounters": number(Some(fit.count), 2),
        "walked_km": number(Some(fit.exposure_km), 1),
        "walked_km_lower": number(Some(lower_km), 1),
        "walked_km_upper": number(Some(upper_km), 1),
        "walking_is": common::provenance_words(set.provenance[unit]),
        "rate_per_1000_km": number(rate.map(|it| it.value), 4),
        "rate_lower": number(rate.map(|it| it.lower), 4),
        "rate_upper": number(rate.map(|it| it.upper), 4),
        "rate_class": class_of(stroke),
        "interval_width": match stroke {
            Stroke::NoWalking | Stroke::Matched | Stroke::Track | Stroke::Withheld => "none",
            stroke => width_words(stroke),
        },
        "exceedance": number(exceedance, 4),
        "href": href,
    }));
    Feature::new(id, Some(Geometry::line(&course)), properties)
}

/// Whether a segment is the middle one of its trail's longest run: there the label stands.
fn is_middle(network: &NetworkLayer, segment: usize) -> bool {
    let trail = network.network.segments[segment].trail_idx;
    let runs = network.network.trail_runs().iter().enumerate();
    let of_trail = runs.filter(|(run, _)| network.trail_of_run[*run] == trail);
    let longest = of_trail.max_by_key(|(_, segments)| segments.len());
    longest.is_some_and(|(_, segments)| segments[segments.len() / 2] == segment)
}

fn properties(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

/// Trails as they were drawn; for those who may see no more, with their public figures.
pub async fn trails(sight: Sight, origin: Origin, query: Query) -> Result<Response, Error> {
    let app = match sight {
        Sight::Exact(app) => app,
        Sight::Public(app) => return public::layer(&app, &query).await,
    };
    query.allow(&["bbox", "limit", "after"])?;
    let asked = Asked { name: "trails", query: &query, origin: &origin };
    let facts = app.deriver().facts().await?;
    answer(&app, &asked, facts.revision, async || {
        let features = facts.trails.iter().map(|trail| {
            let lines: Vec<&[LonLat]> = trail.parts.iter().map(Vec::as_slice).collect();
            let properties = properties(json!({ "name": trail.name, "habitat": trail.habitat }));
            Feature::new(trail.id.0, Some(Geometry::lines(&lines)), properties)
        });
        cut(&asked, features.collect(), &facts)
    })
    .await
}

/// Encounters, page by page.
pub async fn encounters(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["bbox", "from", "until", "effort", "limit", "after"])?;
    let (from, until) = (parameters::date(&query, "from")?, parameters::date(&query, "until")?);
    if from.zip(until).is_some_and(|(from, until)| from > until) {
        return Err(Error::bad_request("until", "The last date is before the first."));
    }
    let effort: Option<EffortKind> = match query.get("effort") {
        None => None,
        Some(word) => Some(word.parse().map_err(|error| Error::bad_request("effort", format!("{error}.")))?),
    };
    let filter = EncounterFilter {
        effort_kinds: effort.into_iter().collect(),
        dates: (from.is_some() || until.is_some())
            .then(|| from.unwrap_or(jiff::civil::Date::MIN)..=until.unwrap_or(jiff::civil::Date::MAX)),
        bounding_box: parameters::bbox(&query)?,
        ..EncounterFilter::default()
    };
    let paging = Paging {
        after: query.parse::<i64>("after", "the number of an encounter")?.map(EncounterId),
        limit: parameters::limit(&query, parameters::LIMIT)?,
        order: Order::OldestFirst,
    };
    let asked = Asked { name: "encounters", query: &query, origin: &origin };
    let facts = app.deriver().facts().await?;
    answer(&app, &asked, facts.revision, async || {
        let mut snapshot = app.store().snapshot().await?;
        let listed = snapshot.list_encounters(facts.area.id, &filter, &paging).await?;
        let features = listed.encounters.iter().map(encounter_feature).collect();
        let mut collection =
            Collection::new(facts.revision.0, facts.parameters.clone(), listed.n_matched, features);
        if let Some(next) = listed.next_after {
            collection.links.push(asked.next(next));
        }
        Ok(collection)
    })
    .await
}

fn encounter_feature(row: &EncounterSummary) -> Feature {
    let uncertainty = row.position.and_then(|at| at.coordinate_uncertainty).map(|length| length.in_metres());
    let properties = properties(json!({
        "occurrenceID": row.occurrence_id,
        "effortKind": row.effort_kind.term(),
        "eventDate": event_date(&row.time),
        "minuteOfDay": row.time.minute_of_day,
        "scientificName": row.scientific_name,
        "coordinateUncertaintyInMeters": number(uncertainty, 1),
        "identificationVerificationStatus": row.verification_status.term(),
        "organismID": row.organism_id,
        "individualCount": row.individual_count,
        "approaches": row.n_approaches,
        "href": format!("/encounters/{}", row.id),
    }));
    Feature::new(row.id.0, row.position.map(|at| Geometry::Point(position(at.position))), properties)
}

/// ISO 8601 as far as it is known.
fn event_date(time: &crate::domain::time::EventTime) -> Option<String> {
    match (time.year(), time.month(), time.day()) {
        (Some(year), Some(month), Some(day)) => Some(format!("{year:04}-{month:02}-{day:02}")),
        (Some(year), Some(month), None) => Some(format!("{year:04}-{month:02}")),
        (Some(year), ..) => Some(format!("{year:04}")),
        _ => None,
    }
}

/// Clusters of reports given the walking: both methods and both ways of counting; with `periods` those of each month,
/// quarter of the year or part of the day.
pub async fn clusters(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["bbox", "limit", "after", "periods"])?;
    let asked = Asked { name: "clusters", query: &query, origin: &origin };
    let by_period = query.get("periods").is_some();
    let periods = cluster_pages::period_cut(&query)?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    answer(&app, &asked, facts.revision, async || {
        let (network, layer) = (deriver.network(&facts).await?, deriver.clusters(&facts).await?);
        let mut features = Vec::new();
        if by_period {
            let found = deriver.cluster_periods(&facts, periods).await?;
            let all = found.periods.iter().map(|period| ("every report", period));
            let once = found.once.iter().flatten().map(|period| ("every known snake once", period));
            for (counting, period) in all.chain(once) {
                for cluster in period.groups.iter().flatten() {
                    let seen = Seen { counting, period: Some(&period.name) };
                    features.push(cluster_feature(&network, cluster, features.len(), seen));
                }
            }
        } else if let Ok(found) = &layer.answer {
            let ways = [("every report", Some(&found.all)), ("every known snake once", found.once.as_ref())];
            for (counting, variant) in ways.into_iter().filter_map(|(words, way)| Some((words, way?))) {
                for cluster in variant.standing_out() {
                    let seen = Seen { counting, period: None };
                    features.push(cluster_feature(&network, cluster, features.len(), seen));
                }
            }
        }
        cut(&asked, features, &facts)
    })
    .await
}

/// How a cluster was come by.
#[derive(Clone, Copy)]
struct Seen<'a> {
    counting: &'a str,
    /// The period it was looked for in; all together when none.
    period: Option<&'a str>,
}

fn cluster_feature(network: &NetworkLayer, cluster: &Cluster, id: usize, seen: Seen<'_>) -> Feature {
    let segments = cluster.segments.iter().map(|segment| &network.network.segments[*segment]);
    let courses: Vec<Vec<LonLat>> = segments
        .map(|segment| segment.planar.iter().map(|at| network.network.plane.to_lonlat(*at)).collect())
        .collect();
    let courses: Vec<&[LonLat]> = courses.iter().map(Vec::as_slice).collect();
    let properties = properties(json!({
        "name": cluster.name,
        "counting": seen.counting,
        "period": seen.period.unwrap_or("all"),
        "method": if cluster.q_value.is_some() { "segments with neighbours" } else { "scan" },
        "side": match cluster.side {
            Side::More => "more",
            Side::Fewer => "fewer",
        },
        "segments": cluster.segments.len(),
        "encounters": number(Some(cluster.count), 2),
        "expected": number(Some(cluster.expected), 3),
        "ratio": number(Some(cluster.ratio.value), 4),
        "ratio_lower": number(Some(cluster.ratio.lower), 4),
        "ratio_upper": number(Some(cluster.ratio.upper), 4),
        "p": number(Some(cluster.p_value), 6),
        "q": number(cluster.q_value, 6),
    }));
    Feature::new(id, Some(Geometry::lines(&courses)), properties)
}

/// The temporary notices that stand today, each about the whole of its trail.
pub async fn notices(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["bbox", "limit", "after"])?;
    let asked = Asked { name: "notices", query: &query, origin: &origin };
    let facts = app.deriver().facts().await?;
    let standing = notice_pages::standing(&app, &facts).await?;
    let features = standing.notices.iter().map(|found| {
        let of_trail = facts.trails.iter().filter(|trail| trail.name == found.trail);
        let lines: Vec<&[LonLat]> = of_trail.flat_map(|trail| &trail.parts).map(Vec::as_slice).collect();
        let properties = properties(json!({
            "trail": found.trail,
            "title": found.title,
            "from": found.days.0.to_string(),
            "until": found.days.1.to_string(),
            "href": found.href(),
        }));
        Feature::new(found.id.0, (!lines.is_empty()).then(|| Geometry::lines(&lines)), properties)
    });
    let collection = cut(&asked, features.collect(), &facts)?;
    let bytes = serde_json::to_vec(&collection).map_err(|error| Error::Internal(error.to_string()))?;
    let policy = standing.policy(|day| {
        CachePolicy::of_revision(facts.revision, format!("{}notices?{}{day}", origin.0, query.words()))
    });
    Ok(Cached(policy, ([(header::CONTENT_TYPE, geojson::MEDIA_TYPE)], bytes)).into_response())
}

/// The sign locations of a plan.
pub async fn signs(app: Exact, origin: Origin, query: Query) -> Result<Response, Error> {
    query.allow(&["signs", "reach", "spacing", "bbox", "limit", "after"])?;
    let asked = Asked { name: "signs", query: &query, origin: &origin };
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let params = sign_pages::params(&query, &facts).map_err(|errors| match errors.into_iter().next() {
        Some((field, words)) => Error::bad_request(field.clone(), format!("{field}: {words}.")),
        None => Error::Internal("a plan was refused without a reason".to_owned()),
    })?;
    answer(&app, &asked, facts.revision, async || {
        let plan = deriver.plan(&facts, params).await?;
        let features = plan.sites.iter().enumerate().map(|(idx, site)| {
            let properties = properties(json!({
                "number": idx + 1,
                "standing": site.standing,
                "trails": site.trails.join("; "),
                "towards_deg": number(site.towards_deg, 0),
                "parties_per_day": number(Some(site.parties_per_day), 1),
                "adds": number(Some(site.adds), 4),
                "warned_together": number(Some(site.together.value), 4),
                "warned_lower": number(Some(site.together.lower), 4),
                "warned_upper": number(Some(site.together.upper), 4),
                "chosen_share": number(Some(site.chosen_share), 4),
            }));
            Feature::new(idx + 1, Some(Geometry::Point(position(site.position))), properties)
        });
        cut(&asked, features.collect(), &facts)
    })
    .await
}
