//! The route question: what to expect on a walk, beside the same question for the area's trails and for all of it.

pub mod area;

use std::collections::BTreeMap;

use geo_types::Coord;
use rayon::prelude::*;

use crate::analysis::forecast;
use crate::analysis::forecast::Forecast;
use crate::analysis::forecast::ForecastParams;
use crate::analysis::forecast::ForecastRates;
use crate::analysis::forecast::UnitKnown;
use crate::analysis::forecast::Visit;
use crate::analysis::forecast::contacts;
use crate::analysis::forecast::contacts::ContactInput;
use crate::analysis::forecast::contacts::Contacts;
use crate::analysis::forecast::contacts::ShareData;
use crate::analysis::graph::ShortestPaths;
use crate::analysis::graph::Step;
use crate::analysis::graph::shortest_paths;
use crate::analysis::network::VertexKind;
use crate::analysis::rates;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::RateDraws;
use crate::analysis::rates::UnitFactors;
use crate::analysis::rates::UnitRate;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::forecast::area::AreaPeriod;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::RateLayer;
use crate::derived::reactions::ReactionLayer;
use crate::derived::reactions::ReportedMeetings;
use crate::derived::season::PeriodChoice;
use crate::derived::season::SeasonLayer;
use crate::domain::time::PartOfDay;

/// A place farther than this from every trail is no start and no end of a route.
const FARTHEST_PLACE_M: f64 = 250.0;

/// A named start or end of a route.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// Its vertex.
    pub vertex: usize,
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: StopKind,
    /// Where a trailhead or place itself lies, metres in the plane: its vertex may be some way off.
    pub mark: Option<Coord<f64>>,
}

/// What a stop is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopKind {
    /// A trailhead.
    Trailhead,
    /// A place beside the trail.
    Place,
    /// Trails meet.
    Junction,
    /// A trail ends.
    End,
}

/// The way that is asked about.
#[derive(Debug, Clone, PartialEq)]
pub enum Way {
    /// The shortest way from one vertex over others to the last; at least two.
    Through {
        /// The vertices in walking order.
        stops: Vec<usize>,
        /// Whether it is walked back the same way.
        trip: TripKind,
    },
    /// Out so far and back the same way.
    OutAndBack {
        /// The vertex to start from.
        start: usize,
        /// How far out, metres.
        out_m: f64,
        /// Trails to stay on, by number; any when empty.
        trails: Vec<usize>,
    },
}

/// Whether a way is walked back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TripKind {
    /// To the end only.
    OneWay,
    /// To the end and back the same way.
    Return,
}

/// What is asked about a way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    /// Month and part of the day.
    pub period: PeriodChoice,
    /// Parties that walk it.
    pub n_parties: u32,
}

/// The layers that a forecast is made from.
#[derive(Clone, Copy)]
pub struct Ground<'a> {
    /// The facts.
    pub facts: &'a Facts,
    /// The network.
    pub network: &'a NetworkLayer,
    /// The rates.
    pub rates: &'a RateLayer,
    /// Walking.
    pub exposure: &'a ExposureLayer,
    /// Season and hours.
    pub season: &'a SeasonLayer,
}

/// A route with its forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct RouteAnswer {
    /// The way out in walking order.
    pub steps: Vec<Step>,
    /// Kilometres walked, there and back where it is walked back.
    pub walked_km: f64,
    /// Whether anything is walked twice.
    pub is_doubled: bool,
    /// Kilometres walked by trail, in the order in which they are first walked.
    pub by_trail: Vec<(String, f64)>,
    /// The stretches that the figures rest on, by number: those walked that have a rate.
    pub stretches: Vec<usize>,
    /// The forecast.
    pub forecast: Forecast,
}

/// A trail's own out-and-back, beside a route.
#[derive(Debug, Clone, PartialEq)]
pub struct TrailBeside {
    /// The trail's name.
    pub trail: String,
    /// The trailhead it starts from.
    pub trailhead: String,
    /// The answer.
    pub answer: RouteAnswer,
}

/// The stops there are: trailheads and places by name, junctions, then ends of trails.
pub fn stops(facts: &Facts, layer: &NetworkLayer) -> Vec<Stop> {
    let mut found: Vec<Stop> = Vec::new();
    for (head, vertex) in facts.trailheads.iter().zip(&layer.trailhead_vertices) {
        if let Some(vertex) = *vertex {
            let mark = Some(layer.network.plane.to_plane(head.position));
            found.push(Stop { vertex, name: head.name.clone(), kind: StopKind::Trailhead, mark });
        }
    }
    for place in &facts.places {
        let point = layer.network.plane.to_plane(place.given.position);
        if let Some(nearest) = layer.index.nearest(point, FARTHEST_PLACE_M) {
            let segment = &layer.network.segments[nearest.segment_idx];
            let vertex = if nearest.along_m * 2.0 <= segment.length_m { segment.from } else { segment.to };
            found.push(Stop {
                vertex,
                name: place.given.name.clone(),
                kind: StopKind::Place,
                mark: Some(point),
            });
        }
    }
    let kinds = [(VertexKind::Junction, StopKind::Junction), (VertexKind::End, StopKind::End)];
    for (kind, stop) in kinds {
        let of_kind = layer.network.vertices.iter().enumerate().filter(|(_, vertex)| vertex.kind == kind);
        for (vertex, _) in of_kind {
            if found.iter().all(|stop| stop.vertex != vertex) {
                found.push(Stop { vertex, name: vertex_name(layer, vertex), kind: stop, mark: None });
            }
        }
    }
    number_twins(&mut found);
    found
}

/// "Ledge Walk × Swale Path", "end of Ledge Walk".
fn vertex_name(layer: &NetworkLayer, vertex: usize) -> String {
    let mut trails: Vec<usize> = layer
        .network
        .graph()
        .at(vertex)
        .iter()
        .flat_map(|incidence| layer.network.trails_of(incidence.edge))
        .copied()
        .collect();
    trails.sort_unstable();
    trails.dedup();
    let names: Vec<&str> = trails.iter().map(|trail| layer.network.trails[*trail].name.as_str()).collect();
    match (layer.network.vertices[vertex].kind, names.len()) {
        (VertexKind::End, _) => format!("end of {}", names.join(" and ")),
        (VertexKind::Junction, 1) => format!("junction on {}", names[0]),
        (VertexKind::Junction, _) => format!("junction of {}", names.join(" and ")),
        (VertexKind::Cut, _) => layer.vertex_words(vertex),
    }
}

fn number_twins(stops: &mut [Stop]) {
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    for stop in stops.iter() {
        *seen.entry(stop.name.clone()).or_insert(0) += 1;
    }
    let mut numbers: BTreeMap<String, usize> = BTreeMap::new();
    for stop in stops.iter_mut().filter(|stop| seen.get(&stop.name).is_some_and(|n| *n > 1)) {
        let number = numbers.entry(stop.name.clone()).or_insert(0);
        *number += 1;
        stop.name = format!("{} ({number})", stop.name);
    }
}

/// The name of a vertex: that of its stop, else of the trails it lies on.
pub fn stop_name(stops: &[Stop], layer: &NetworkLayer, vertex: usize) -> String {
    let named = stops.iter().find(|stop| stop.vertex == vertex);
    named.map_or_else(|| vertex_name(layer, vertex), |stop| stop.name.clone())
}

/// Answers the question for one way.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when the way does not hang together, has no length, or nobody walks in the period.
pub fn ask(ground: &Ground<'_>, way: &Way, asked: &Asked) -> Result<RouteAnswer, DeriveError> {
    let graph = ground.network.network.graph();
    let under = under(ground);
    let (steps, visits) = match way {
        Way::Through { stops, trip } => {
            let steps = through(ground.network, stops)?;
            let visits = match trip {
                TripKind::OneWay => forecast::visits(graph, &steps, &under),
                TripKind::Return => forecast::round_trip(graph, &steps, &under),
            };
            (steps, visits)
        }
        Way::OutAndBack { start, out_m, trails } => {
            let on = |edge: usize| {
                trails.is_empty()
                    || ground.network.network.trails_of(edge).iter().any(|trail| trails.contains(trail))
            };
            let paths = shortest_paths(graph, *start, |_| true);
            let none = || DeriveError::missing("The trails chosen are farther from the start than that.");
            let reach = paths.farthest(graph, *out_m, on).ok_or_else(none)?;
            forecast::out_and_back(graph, &paths, &reach, &under)
        }
    };
    answer(ground, steps, visits, asked)
}

fn under<'a>(ground: &'a Ground<'_>) -> forecast::Ground<'a> {
    forecast::Ground { unit_of: &ground.rates.stretch_of, outside: &ground.network.outside_places }
}

fn through(layer: &NetworkLayer, stops: &[usize]) -> Result<Vec<Step>, DeriveError> {
    let mut steps = Vec::new();
    for pair in stops.windows(2) {
        let paths: ShortestPaths = shortest_paths(layer.network.graph(), pair[0], |_| true);
        let none = || DeriveError::missing("No trail leads from one of these points to the other.");
        steps.extend(paths.path_to(pair[1]).ok_or_else(none)?);
    }
    Ok(steps)
}

fn answer(
    ground: &Ground<'_>,
    steps: Vec<Step>,
    visits: Vec<Visit>,
    asked: &Asked,
) -> Result<RouteAnswer, DeriveError> {
    let known = known(ground.rates);
    let factors = ground.season.unit_factors(&ground.rates.stretches.members, asked.period)?;
    let given = ForecastRates { draws: draws(ground.rates), factors: &factors, known: &known };
    let params = ForecastParams {
        n_parties: asked.n_parties,
        dispersion: dispersion(ground.season),
        confidence_level: 0.95,
    };
    let forecast = match forecast::forecast(&visits, &given, &params) {
        Err(forecast::ForecastError::EmptyRoute) => {
            return Err(DeriveError::missing("Start and end are the same point: there is nothing to walk."));
        }
        forecast => forecast.map_err(DeriveError::internal)?.of_period(ground.season.known_in(asked.period)),
    };
    let walked = |visit: &Visit| visit.km * f64::from(visit.n_passes);
    let has_rate = |unit: &usize| matches!(known[*unit], UnitKnown::Identified | UnitKnown::Assumed);
    let mut stretches: Vec<usize> = visits.iter().map(|visit| visit.unit).filter(has_rate).collect();
    stretches.sort_unstable();
    stretches.dedup();
    Ok(RouteAnswer {
        stretches,
        walked_km: visits.iter().map(walked).sum(),
        is_doubled: visits.iter().any(|visit| visit.n_passes > 1),
        by_trail: by_trail(ground, &steps, &visits),
        steps,
        forecast,
    })
}

/// Kilometres by trail, from the visits: their units are stretches of one trail each.
fn by_trail(ground: &Ground<'_>, steps: &[Step], visits: &[Visit]) -> Vec<(String, f64)> {
    let trail_of = |unit: usize| ground.rates.stretches.strata[unit];
    let mut order: Vec<usize> = Vec::new();
    for step in steps {
        let trail = trail_of(ground.rates.stretch_of[step.edge]);
        if !order.contains(&trail) {
            order.push(trail);
        }
    }
    let km = |trail: usize| {
        let of_trail = visits.iter().filter(|visit| trail_of(visit.unit) == trail);
        of_trail.map(|visit| visit.km * f64::from(visit.n_passes)).sum::<f64>()
    };
    order.into_iter().map(|trail| (ground.network.network.trails[trail].name.clone(), km(trail))).collect()
}

fn draws(rates: &RateLayer) -> &RateDraws {
    &rates.stretches.fit.rates
}

fn known(rates: &RateLayer) -> Vec<UnitKnown> {
    let set = &rates.stretches;
    let of_unit = |(unit, provenance): (&crate::analysis::rates::UnitFit, &Provenance)| match unit.rate {
        UnitRate::Unexposed => UnitKnown::Unexposed,
        UnitRate::ContradictsRecords => UnitKnown::ContradictsRecords,
        UnitRate::Estimated(_) => match provenance {
            Provenance::Counted | Provenance::Fitted => UnitKnown::Identified,
            Provenance::Assumed => UnitKnown::Assumed,
            Provenance::NotWalked => UnitKnown::Unexposed,
        },
    };
    set.fit.units.iter().zip(&set.provenance).map(of_unit).collect()
}

/// How much encounters bunch, from the fit of season and hours; one where there is none.
pub fn dispersion(season: &SeasonLayer) -> f64 {
    season.fit.as_ref().map_or(1.0, |fit| fit.dispersion.max(1.0))
}

/// The same question for each trail: from the nearest trailhead along the trail and back, so far out.
///
/// In the order of the trails' names. Trails that no trailhead leads to within the distance are left out.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when nobody walks in the period.
pub fn trails_beside(
    ground: &Ground<'_>,
    out_m: f64,
    asked: &Asked,
) -> Result<Vec<TrailBeside>, DeriveError> {
    let beside = |way: TrailWay| {
        let answer = answer(ground, way.steps, way.visits, asked)?;
        Ok(TrailBeside { trail: way.trail, trailhead: way.trailhead, answer })
    };
    trail_ways(ground, out_m).into_iter().map(beside).collect()
}

/// The way out along a trail and back.
struct TrailWay {
    trail: String,
    trailhead: String,
    steps: Vec<Step>,
    visits: Vec<Visit>,
}

/// Each trail's way, in the order of their names.
fn trail_ways(ground: &Ground<'_>, out_m: f64) -> Vec<TrailWay> {
    let (network, graph) = (&ground.network.network, ground.network.network.graph());
    let heads = ground.facts.trailheads.iter().zip(&ground.network.trailhead_vertices);
    let starts: Vec<(&str, ShortestPaths)> = heads
        .filter_map(|(head, vertex)| Some((head.name.as_str(), shortest_paths(graph, (*vertex)?, |_| true))))
        .collect();
    let mut ways = Vec::new();
    for (trail_idx, trail) in network.trails.iter().enumerate() {
        let is_on = |edge: usize| network.trails_of(edge).contains(&trail_idx);
        let on_trail: Vec<usize> = (0..graph.n_edges()).filter(|edge| is_on(*edge)).collect();
        let approach_m = |paths: &ShortestPaths| {
            let ends = on_trail.iter().flat_map(|edge| [graph.edges()[*edge].from, graph.edges()[*edge].to]);
            ends.filter_map(|vertex| paths.distance_m[vertex]).fold(f64::INFINITY, f64::min)
        };
        let nearest = starts.iter().min_by(|a, b| approach_m(&a.1).total_cmp(&approach_m(&b.1)));
        let Some((name, paths)) = nearest else { continue };
        let Some(reach) = paths.farthest(graph, out_m, is_on) else { continue };
        let (steps, visits) = forecast::out_and_back(graph, paths, &reach, &under(ground));
        ways.push(TrailWay { trail: trail.name.clone(), trailhead: (*name).to_owned(), steps, visits });
    }
    ways.sort_by(|a, b| a.trail.cmp(&b.trail));
    ways
}

/// How far out each trail is walked in [`trail_periods`], metres.
pub const OUT_M: f64 = 3000.0;

/// Forecasts of one party for every trail, and of the whole area, in every month and part of the day.
#[derive(Debug)]
pub struct TrailPeriods {
    /// By trail, then by period: the whole year first, then its months, each as a whole and by part of the day.
    pub rows: Vec<TrailPeriod>,
    /// The whole area, by period in the same order.
    pub area: Vec<AreaPeriod>,
}

/// One trail in one period.
#[derive(Debug, Clone, PartialEq)]
pub struct TrailPeriod {
    /// The trail's name.
    pub trail: String,
    /// The trailhead it starts from.
    pub trailhead: String,
    /// The period.
    pub period: PeriodChoice,
    /// Kilometres walked, there and back.
    pub walked_km: f64,
    /// The forecast; or why there is none in this period, in words.
    pub forecast: Result<Forecast, String>,
}

/// The forecast of [`trails_beside`] for one party, [`OUT_M`] out, and of the whole area, in all periods.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when no trailhead leads to a trail.
pub fn trail_periods(ground: &Ground<'_>) -> Result<TrailPeriods, DeriveError> {
    let ways = trail_ways(ground, OUT_M);
    if ways.is_empty() {
        return Err(DeriveError::missing("No trailhead leads to a trail, so no walk can be forecast."));
    }
    let known = known(ground.rates);
    let params =
        ForecastParams { n_parties: 1, dispersion: dispersion(ground.season), confidence_level: 0.95 };
    let mut by_period = Vec::new();
    for period in all_periods() {
        let factors = match ground.season.unit_factors(&ground.rates.stretches.members, period) {
            Ok(factors) => Ok(factors),
            Err(DeriveError::Unanswerable(reason)) => Err(reason),
            Err(error) => return Err(error),
        };
        by_period.push((period, factors));
    }
    let of_way = |way: &TrailWay| -> Result<Vec<TrailPeriod>, DeriveError> {
        let of_period = |(period, factors): &(PeriodChoice, Result<UnitFactors, String>)| {
            let forecast = match factors {
                Ok(factors) => {
                    let given = ForecastRates { draws: draws(ground.rates), factors, known: &known };
                    let found = forecast::forecast(&way.visits, &given, &params);
                    Ok(found.map_err(DeriveError::internal)?.of_period(ground.season.known_in(*period)))
                }
                Err(reason) => Err(reason.clone()),
            };
            Ok(TrailPeriod {
                trail: way.trail.clone(),
                trailhead: way.trailhead.clone(),
                period: *period,
                walked_km: way.visits.iter().map(|visit| visit.km * f64::from(visit.n_passes)).sum(),
                forecast,
            })
        };
        by_period.iter().map(of_period).collect()
    };
    let rows: Result<Vec<Vec<TrailPeriod>>, DeriveError> = ways.par_iter().map(of_way).collect();
    Ok(TrailPeriods { rows: rows?.into_iter().flatten().collect(), area: area::area_periods(ground)? })
}

/// The year and its months, each as a whole and by part of the day.
pub(super) fn all_periods() -> Vec<PeriodChoice> {
    let months = std::iter::once(None).chain((1..=12).map(Some));
    let parts = || std::iter::once(None).chain(PartOfDay::ALL.into_iter().map(Some));
    months.flat_map(|month| parts().map(move |part| PeriodChoice { month, part })).collect()
}

/// Expected contacts and bites with what they rest on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ContactAnswer {
    /// The estimate, or that there is none.
    pub contacts: Contacts,
    /// Share of reported encounters with the snake underfoot.
    pub underfoot: ShareData,
    /// Share of reported encounters with a bite.
    pub bite: ShareData,
}

/// Contacts underfoot and bites per 100,000 km of the area, from the closest contact of each reported encounter.
///
/// Other effort kinds do not enter: located snakes and trials say nothing of what walkers report.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when too little is known of the period, [`DeriveError::Internal`] when the counts do not fit
/// together.
pub fn area_contacts(
    ground: &Ground<'_>,
    reactions: &ReactionLayer,
    period: PeriodChoice,
) -> Result<ContactAnswer, DeriveError> {
    if let Some(reason) = ground.season.too_little(period) {
        return Err(DeriveError::missing(reason));
    }
    let ReportedMeetings { n: watched, underfoot: stepped, bitten } = reactions.reported;
    let settings = &ground.facts.settings;
    // Half an encounter of so many shows it.
    let share = |shown, worth: f64| ShareData { shown, watched, prior_a: 0.5, prior_b: worth - 0.5 };
    let (underfoot, bite) = (share(stepped, settings.underfoot_prior), share(bitten, settings.bite_prior));
    let stretches = &ground.rates.stretches;
    let factors = ground.season.unit_factors(&stretches.members, period)?;
    let rate_per_km = rates::reference_in_period(&stretches.fit, &factors).map_err(DeriveError::internal)?;
    let seed = ground.facts.settings.seed();
    let input = ContactInput { rate_per_km: &rate_per_km, underfoot, bite, seed };
    let contacts = contacts::contacts(&input).map_err(DeriveError::internal)?;
    Ok(ContactAnswer { contacts, underfoot, bite })
}
