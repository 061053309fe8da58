//! The route question.

use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Response;

use crate::analysis::forecast::Bound;
use crate::analysis::forecast::Forecast;
use crate::analysis::forecast::PeriodKnown;
use crate::analysis::forecast::RouteKm;
use crate::analysis::forecast::contacts::Contacts;
use crate::analysis::forecast::contacts::ShareData;
use crate::analysis::rates::Interval;
use crate::derived::DeriveError;
use crate::derived::forecast;
use crate::derived::forecast::Asked;
use crate::derived::forecast::ContactAnswer;
use crate::derived::forecast::Ground;
use crate::derived::forecast::RouteAnswer;
use crate::derived::forecast::Stop;
use crate::derived::forecast::StopKind;
use crate::derived::forecast::TripKind;
use crate::derived::forecast::Way;
use crate::derived::forecast::area;
use crate::derived::forecast::area::AreaAnswer;
use crate::derived::forecast::area::AreaFigures;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::season::PeriodChoice;
use crate::derived::season::too_little_words;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::map::period_words;
use crate::web::pages::notices;
use crate::web::pages::survey;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::figure::Behind;
use crate::web::views::layout::Section;
use crate::web::views::route::AreaNumbers;
use crate::web::views::route::AreaShown;
use crate::web::views::route::BesideRow;
use crate::web::views::route::BoundShown;
use crate::web::views::route::ContactsShown;
use crate::web::views::route::FiguresShown;
use crate::web::views::route::KmShown;
use crate::web::views::route::Picking;
use crate::web::views::route::RouteForm;
use crate::web::views::route::RoutePage;
use crate::web::views::route::RouteShown;
use crate::web::views::route::ShareShown;
use crate::web::views::route::StopField;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::PlaceLink;
use crate::web::views::svg_map::Stroke;

/// How far out the trails beside are walked where nothing was asked, metres.
const USUAL_OUT_M: f64 = 3000.0;
/// Kilometres out that may be asked for.
const KM_OUT: std::ops::RangeInclusive<f64> = 0.1..=100.0;
/// Most parties that may be asked for.
const MOST_PARTIES: u32 = 1_000_000;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<Response, Error> {
    query.allow(&["from", "via", "to", "back", "km", "trail", "month", "part", "parties"])?;
    let period = query.period()?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let network = deriver.network(&facts).await?;
    let rates = deriver.rates(&facts).await?;
    let exposure = deriver.exposure(&facts).await?;
    let (season, reactions) = (deriver.season(&facts).await?, deriver.reactions(&facts).await?);
    let ground =
        Ground { facts: &facts, network: &network, rates: &rates, exposure: &exposure, season: &season };
    let stops = forecast::stops(&facts, &network);
    let n_vertices = network.network.vertices.len();
    let mut reading = Reading { query: &query, stops: &stops, n_vertices, errors: Vec::new() };
    let n_parties = reading.parties();
    let way = reading.way(&network);
    let errors = reading.errors;
    let asked = Asked { period, n_parties };
    let answer = match (&way, errors.is_empty()) {
        (_, false) => Some(Err("Mend what is marked above.".to_owned())),
        (None, true) => None,
        (Some(way), true) => Some(unanswerable(forecast::ask(&ground, way, &asked))?),
    };
    let out_m = out_m(way.as_ref(), answer.as_ref().and_then(|answer| answer.as_ref().ok()));
    let beside = unanswerable(forecast::trails_beside(&ground, out_m, &asked))?.unwrap_or_default();
    // One party stands there anyway, and the form says one where nobody changed it.
    let of_area = (n_parties > 1).then_some(n_parties);
    let area = unanswerable(area::area(&ground, period, of_area))?;
    let contacts = unanswerable(forecast::area_contacts(&ground, &reactions, period))?.ok();
    let status = if errors.is_empty() { StatusCode::OK } else { StatusCode::BAD_REQUEST };
    let route = answer.as_ref().and_then(|answer| answer.as_ref().ok());
    let drawing = drawing(&ground, &query, &stops, route)?;
    let dispersion = forecast::dispersion(&season);
    let behind =
        |answer: &RouteAnswer| common::behind(&rates.stretches, &exposure, answer.stretches.iter().copied());
    let standing = notices::standing(&app, &facts).await?;
    let of_all = common::behind(&rates.stretches, &exposure, 0..rates.stretches.names.len());
    let shown = |answer: Result<RouteAnswer, String>| {
        answer.map(|answer| RouteShown {
            title: way.as_ref().map(|way| title(way, &stops, &network)).unwrap_or_default(),
            period_words: period_words(period),
            too_little: season.caution(period),
            alone_per_km: season
                .known_in(period)
                .filter(PeriodKnown::is_thin)
                .and_then(|known| known.at_most_per_km()),
            n_parties,
            is_doubled: answer.is_doubled,
            figures: figures(&answer.forecast),
            km: km(&answer),
            behind: behind(&answer),
            notices: {
                let trails: Vec<&str> = answer.by_trail.iter().map(|(trail, _)| trail.as_str()).collect();
                standing.about(&trails)
            },
            by_trail: answer.by_trail,
            dispersion,
        })
    };
    let page = RoutePage {
        drawing,
        picking: picking(&query),
        form: form(&query, &stops, &network),
        stops: stops.iter().map(listed).collect(),
        trails: network.network.trails.iter().map(|trail| trail.name.clone()).collect(),
        errors,
        answer: answer.map(shown),
        beside: beside
            .into_iter()
            .map(|row| BesideRow {
                figures: figures(&row.answer.forecast),
                km: km(&row.answer),
                behind: behind(&row.answer),
                trail: row.trail,
                trailhead: row.trailhead,
            })
            .collect(),
        beside_out_km: out_m / 1000.0,
        area: area.map(|answer| area_shown(&answer, period, of_all)),
        contacts: contacts.map(|answer| contacts_shown(&answer)),
        reporting: survey::reporting_words(&app, &facts).await?,
        emergency_number: facts.area.emergency_number.clone(),
        cautions: app.texts().cautions.clone(),
        keep_distance: facts
            .area
            .keep_distance
            .map_or_else(String::new, |length| format!("{:.0} m", length.in_metres())),
    };
    let frame = common::frame(&facts, Section::Analysis, "What to expect on a walk", records(&rates));
    let policy = standing
        .policy(|day| CachePolicy::of_revision(facts.revision, format!("route {}{day}", query.words())));
    let markup = views::layout::page(&frame, views::route::body(&page));
    Ok((status, Cached(policy, markup)).into_response())
}

fn records(rates: &RateLayer) -> String {
    common::rate_records(rates)
}

/// What cannot be answered is words for the page; anything else is an error.
fn unanswerable<T>(answer: Result<T, DeriveError>) -> Result<Result<T, String>, Error> {
    match answer {
        Ok(value) => Ok(Ok(value)),
        Err(DeriveError::Unanswerable(reason)) => Ok(Err(reason)),
        Err(error) => Err(error.into()),
    }
}

/// Reads the question; what is wrong with it is kept by field.
struct Reading<'a> {
    query: &'a Query,
    stops: &'a [Stop],
    n_vertices: usize,
    errors: Vec<(String, String)>,
}

impl Reading<'_> {
    fn refuse(&mut self, field: &str, words: impl Into<String>) {
        self.errors.push((field.to_owned(), words.into()));
    }

    fn parties(&mut self) -> u32 {
        match self.query.get("parties").map(str::parse::<u32>) {
            None => 1,
            Some(Ok(n)) if (1..=MOST_PARTIES).contains(&n) => n,
            Some(_) => {
                self.refuse("parties", "give a whole number of parties, 1 or more");
                1
            }
        }
    }

    /// A point of the trails by its number, as the map's links have it, or by its name in the list.
    fn stop(&mut self, field: &str) -> Option<usize> {
        let text = self.query.get(field)?;
        let vertex = stop_of(text, self.stops).filter(|vertex| *vertex < self.n_vertices);
        if vertex.is_none() {
            self.refuse(field, "there is no such point on the trails: choose one of the list");
        }
        vertex
    }

    /// The way asked about; none before there is a whole question.
    fn way(&mut self, network: &NetworkLayer) -> Option<Way> {
        let (from, via, to) = (self.stop("from"), self.stop("via"), self.stop("to"));
        if self.query.get("km").is_none() {
            if from.is_none() && (to.is_some() || via.is_some()) && self.errors.is_empty() {
                self.refuse("from", "choose where the walk begins");
            }
            let trip = if self.query.get("back").is_some() { TripKind::Return } else { TripKind::OneWay };
            let stops: Vec<usize> = [Some(from?), via, Some(to?)].into_iter().flatten().collect();
            return Some(Way::Through { stops, trip });
        }
        let km: Option<f64> = self.query.get("km").and_then(|text| text.replace(',', ".").parse().ok());
        let km = km.filter(|km| KM_OUT.contains(km));
        if km.is_none() {
            self.refuse("km", format!("give kilometres from {} to {}", KM_OUT.start(), KM_OUT.end()));
        }
        let trail = self.query.get("trail").map(|text| text.parse::<usize>().ok());
        let n_trails = network.network.trails.len();
        if trail.is_some_and(|trail| trail.is_none_or(|trail| trail >= n_trails)) {
            self.refuse("trail", "there is no such trail");
        }
        if from.is_none() && self.query.get("from").is_none() {
            self.refuse("from", "choose where the walk begins");
        }
        let trails = trail.flatten().into_iter().collect();
        Some(Way::OutAndBack { start: from?, out_m: km? * 1000.0, trails })
    }
}

/// The point that a text names: its number, or its name whatever the case.
fn stop_of(text: &str, stops: &[Stop]) -> Option<usize> {
    let named = || stops.iter().find(|stop| stop.name.to_lowercase() == text.trim().to_lowercase());
    text.parse().ok().or_else(|| named().map(|stop| stop.vertex))
}

/// The text that names a stop: its name, unless that would be read as a number.
fn stop_text(stop: &Stop) -> String {
    if stop.name.trim().parse::<usize>().is_ok() { stop.vertex.to_string() } else { stop.name.clone() }
}

/// A stop as typed: by its name where it has one, with what is known of a point picked on the map.
fn field(text: &str, stops: &[Stop], network: &NetworkLayer) -> StopField {
    let typed = StopField { text: text.to_owned(), picked: String::new() };
    let Some(vertex) = text.parse().ok().filter(|vertex| *vertex < network.network.vertices.len()) else {
        return typed;
    };
    match stops.iter().find(|stop| stop.vertex == vertex) {
        Some(stop) => StopField { text: stop.name.clone(), ..typed },
        None => StopField { picked: forecast::stop_name(stops, network, vertex), ..typed },
    }
}

fn form(query: &Query, stops: &[Stop], network: &NetworkLayer) -> RouteForm {
    let text = |name: &str| query.get(name).unwrap_or_default().to_owned();
    let stop = |name: &str| field(query.get(name).unwrap_or_default(), stops, network);
    let period = query.period().unwrap_or_default();
    RouteForm {
        from: stop("from"),
        via: stop("via"),
        to: stop("to"),
        is_return: query.get("back").is_some(),
        km: text("km"),
        trail: text("trail"),
        month: period.month,
        part: period.part,
        parties: query.get("parties").unwrap_or("1").to_owned(),
    }
}

fn listed(stop: &Stop) -> (String, &'static str) {
    let kind = match stop.kind {
        StopKind::Trailhead => "trailhead",
        StopKind::Place => "place",
        StopKind::Junction => "junction",
        StopKind::End => "end of a trail",
    };
    (stop.name.clone(), kind)
}

/// How far out the trails beside are walked: as far as what was asked.
fn out_m(way: Option<&Way>, answer: Option<&RouteAnswer>) -> f64 {
    match (way, answer) {
        (Some(Way::OutAndBack { out_m, .. }), _) => *out_m,
        (_, Some(answer)) => answer.walked_km * 500.0,
        (_, None) => USUAL_OUT_M,
    }
}

fn title(way: &Way, stops: &[Stop], network: &NetworkLayer) -> String {
    let name = |vertex: usize| forecast::stop_name(stops, network, vertex);
    match way {
        Way::Through { stops: through, trip } => {
            let names: Vec<String> = through.iter().map(|vertex| name(*vertex)).collect();
            let back = if *trip == TripKind::Return { " and back" } else { "" };
            match &names[..] {
                [from, via, to] => format!("{from} to {to} over {via}{back}"),
                _ => names.join(" to ") + back,
            }
        }
        Way::OutAndBack { start, out_m, trails } => {
            let along = trails.first().map(|trail| format!(" along {}", network.network.trails[*trail].name));
            format!(
                "Up to {:.1} km out from {}{} and back",
                out_m / 1000.0,
                name(*start),
                along.unwrap_or_default()
            )
        }
    }
}

/// What a click on the map chooses, by what is asked.
fn picking(query: &Query) -> Picking {
    match (query.get("km"), query.get("from")) {
        (Some(_), _) => Picking::Along,
        (None, None) => Picking::Start,
        (None, Some(_)) => Picking::End,
    }
}

/// The question with one answer changed; fields of the other question are left out.
fn asked_with(query: &Query, name: &str, value: &str) -> String {
    let of_other: &[&str] = match picking(query) {
        Picking::Along => &["via", "to", "back"],
        Picking::Start | Picking::End => &["km", "trail"],
    };
    let kept = of_other.iter().fold(query.clone(), |kept, name| kept.without(name));
    // Back to the map, where the next point is picked.
    format!("/route?{}#map", kept.with(name, Some(value)))
}

fn drawing(
    ground: &Ground<'_>,
    query: &Query,
    stops: &[Stop],
    route: Option<&RouteAnswer>,
) -> Result<views::svg_map::MapDrawing, Error> {
    let Ground { facts, network, .. } = *ground;
    let set = &ground.rates.stretches;
    let period = rates::in_period(set, &ground.rates.bounds, ground.season, query.period()?)?;
    let middle = |unit: usize| {
        let segments = &set.members[unit];
        network.network.segments[segments[segments.len() / 2]].from.to_string()
    };
    let href = |unit: usize| match picking(query) {
        Picking::Start => asked_with(query, "from", &middle(unit)),
        Picking::End => asked_with(query, "to", &middle(unit)),
        Picking::Along => asked_with(query, "trail", &set.strata[unit].to_string()),
    };
    let mut drawing = common::stretch_map(facts, network, ground.rates, &period, href);
    for place in &mut drawing.places {
        let stop = stops.iter().find(|stop| stop.mark.is_some_and(|mark| [mark.x, mark.y] == place.at));
        if let Some(stop) = stop {
            place.link = Some(PlaceLink {
                href: asked_with(query, "from", &stop_text(stop)),
                title: format!("Start from {}", stop.name),
            });
        }
    }
    if let Some(route) = route {
        let segments: Vec<usize> = route.steps.iter().map(|step| step.edge).collect();
        let line = MapLine {
            points: common::course(network, &segments),
            stroke: Stroke::NoWalking,
            href: String::new(),
            title: "The route".to_owned(),
            picked: true,
        };
        drawing.lines.insert(0, line);
    }
    Ok(drawing)
}

fn km(answer: &RouteAnswer) -> KmShown {
    let km: &RouteKm = answer.forecast.km();
    KmShown {
        walked: answer.walked_km,
        assumed: km.assumed,
        unexposed: km.unexposed,
        contradicting: km.contradicting,
        at_places: km.at_places,
    }
}

fn figures(forecast: &Forecast) -> FiguresShown {
    match forecast {
        Forecast::Estimated { lower, upper, .. } => {
            FiguresShown::Estimated { lower: bound(lower), upper: bound(upper) }
        }
        Forecast::TooLittleKnown { known, .. } => FiguresShown::TooLittleKnown(*known),
        Forecast::NotEstimable { .. } => FiguresShown::NotEstimable,
    }
}

fn bound(bound: &Bound) -> BoundShown {
    BoundShown {
        expected: estimate(bound.expected),
        at_least_one: estimate(bound.at_least_one),
        expected_of_all: estimate(bound.expected_of_all),
        at_least_one_of_all: bound.at_least_one_of_all,
        predicted_of_all: bound.predicted_of_all,
    }
}

fn estimate(interval: Interval) -> Estimate {
    Estimate { value: interval.mean, lower: interval.lower, upper: interval.upper }
}

fn area_shown(answer: &AreaAnswer, period: PeriodChoice, behind: Behind) -> AreaShown {
    let of = |bounds: &(Bound, Bound)| (bound(&bounds.0), bound(&bounds.1));
    AreaShown {
        period_words: period_words(period),
        is_year: period.month.is_none(),
        n_parties: answer.n_parties,
        is_usual: answer.is_usual,
        trail_km: KmShown {
            walked: answer.trail_km.estimated() + answer.trail_km.left_out() + answer.trail_km.at_places,
            assumed: answer.trail_km.assumed,
            unexposed: answer.trail_km.unexposed,
            contradicting: answer.trail_km.contradicting,
            at_places: answer.trail_km.at_places,
        },
        n_months_unknown: answer.n_months_unknown,
        is_reopened: answer.is_reopened,
        behind,
        numbers: match &answer.figures {
            AreaFigures::NotEstimable => Err("Nobody is known to walk there.".to_owned()),
            AreaFigures::TooLittleKnown(known) => Err(too_little_words(known)),
            AreaFigures::Estimated(forecast) => Ok(Box::new(AreaNumbers {
                party_km: estimate(forecast.party_km),
                parties: estimate(forecast.parties),
                of_parties: of(&forecast.of_parties),
                of_all: of(&forecast.of_all),
                walked_km: forecast.km.estimated(),
                assumed_km: forecast.km.assumed,
            })),
        },
    }
}

fn contacts_shown(answer: &ContactAnswer) -> ContactsShown {
    let share = |data: &ShareData| ShareShown {
        shown: data.shown,
        watched: data.watched,
        prior: (data.prior_a, data.prior_b),
        prior_part: data.prior_part(),
    };
    let per_100_000_km = match answer.contacts {
        Contacts::Estimated {
            underfoot_per_100_000_km, bites_per_100_000_km, bites_of_prior_alone, ..
        } => Some((estimate(underfoot_per_100_000_km), estimate(bites_per_100_000_km), bites_of_prior_alone)),
        Contacts::NotEstimable => None,
    };
    ContactsShown { per_100_000_km, underfoot: share(&answer.underfoot), bite: share(&answer.bite) }
}
