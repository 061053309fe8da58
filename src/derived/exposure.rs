//! How far parties walked on each segment, from counters, calibrations and the walker model.

pub mod closures;
pub mod party_size;

use jiff::tz::TimeZone;

use crate::analysis::exposure;
use crate::analysis::exposure::Bin;
use crate::analysis::exposure::ClockCorrection;
use crate::analysis::exposure::Counter;
use crate::analysis::exposure::CounterSite;
use crate::analysis::exposure::Evidence;
use crate::analysis::exposure::ExposureField;
use crate::analysis::exposure::ExposureParams;
use crate::analysis::exposure::PartySize;
use crate::analysis::exposure::Place;
use crate::analysis::exposure::Placement;
use crate::analysis::exposure::Session;
use crate::analysis::exposure::StudyPeriod;
use crate::analysis::exposure::TimeRange;
use crate::analysis::exposure::TrailPrior;
use crate::analysis::exposure::Trailhead;
use crate::analysis::exposure::Trip;
use crate::analysis::exposure::TripParams;
use crate::analysis::exposure::VisitSource;
use crate::analysis::exposure::WalkNetwork;
use crate::analysis::exposure::representative_trips;
use crate::derived::DeriveError;
use crate::derived::exposure::closures::Closed;
use crate::derived::exposure::closures::Closures;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::limits_of;
use crate::domain::encounter::EffortKind;
use crate::domain::exposure::PartiesOf;
use crate::domain::time::EventDate;

/// A counter this near to a trailhead counts at it.
const AT_TRAILHEAD_M: f64 = 60.0;
/// A counter farther than this from every trail counts nobody who walks one.
const FARTHEST_COUNTER_M: f64 = 60.0;

/// The exposure field with what it rests on.
#[derive(Debug)]
pub struct ExposureLayer {
    /// The field; its party-kilometres are those outside places with visits.
    pub field: ExposureField,
    /// The days it is for.
    pub period: StudyPeriod,
    /// Days with readings that lie so far from all others that a clock must have been lost: in nothing.
    pub n_days_apart: usize,
    /// The parameters and priors.
    pub params: ExposureParams,
    /// The trailheads that hang on the network, as indices into the facts' trailheads.
    pub trailheads: Vec<usize>,
    /// Mean party-kilometres by segment.
    pub mean_km: Vec<f64>,
    /// Party-kilometres inside places with visits, with 95 % limits; in no segment's, since what is met there belongs to the places.
    pub inside_places_km: Limits,
    /// Representative trips.
    pub trips: Vec<Trip>,
    /// What closures did.
    pub closures: Closures,
    /// For each place of the facts its index among the field's visits, where its visits follow from walkers.
    pub visits_of: Vec<Option<usize>>,
}

impl ExposureLayer {
    /// Party-kilometres on some segments together over the study period, with 95 % limits.
    pub fn walked_on(&self, segments: &[usize]) -> Limits {
        let rows = self.field.party_km.chunks_exact(self.field.n_segments.max(1));
        let mut draws: Vec<f64> =
            rows.map(|row| segments.iter().map(|segment| row[*segment]).sum()).collect();
        limits_of(&mut draws)
    }

    /// Mean parties on each leg of a trip, so that trips have the mean party-kilometres of the field on every trail; empty where they
    /// are the trip's own on all legs. On a trail that was closed for a time there are fewer.
    pub fn parties_on_legs(&self, trip: &Trip, layer: &NetworkLayer) -> Vec<f64> {
        let is_plain = |of: &[Option<Vec<f64>>]| of.iter().all(Option::is_none);
        if is_plain(&self.field.trail_sizes) && self.field.courses.is_plain() {
            return Vec::new();
        }
        let on_trail: Vec<f64> = (0..self.field.trail_sizes.len())
            .map(|trail| {
                let open = self.field.open.on_way(trip.trailhead, trail);
                trip.parties * self.field.parties_on(trail, trip.trailhead) * open
            })
            .collect();
        trip.legs.iter().map(|leg| on_trail[layer.network.segments[leg.segment].trail_idx]).collect()
    }
}

/// Computes the exposure field.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when no trailhead hangs on the network or nothing says when people walked.
pub fn compute(facts: &Facts, layer: &NetworkLayer) -> Result<ExposureLayer, DeriveError> {
    let network = &layer.network;
    let kept: Vec<usize> =
        (0..facts.trailheads.len()).filter(|idx| layer.trailhead_vertices[*idx].is_some()).collect();
    if kept.is_empty() {
        let words = "Nothing says how many people walk: bring in trailheads that lie on the trails.";
        return Err(DeriveError::missing(words));
    }
    let zone = TimeZone::get(&facts.area.time_zone).map_err(DeriveError::internal)?;
    let mut params = params(facts);
    let targets = closures::targets(facts, layer);
    let counters = counters(facts, layer, &zone, &targets);
    let (period, n_days_apart) = study_period(facts, &counters, &params)?;
    if let Some(size) = party_size::over(&facts.party_sizes, PartiesOf::Area, &period) {
        params.party_size = size;
    }
    let trailheads: Vec<Trailhead> = kept
        .iter()
        .filter_map(|idx| {
            let head = &facts.trailheads[*idx];
            Some(Trailhead {
                name: head.name.clone(),
                vertex: layer.trailhead_vertices[*idx]?,
                relative_volume: head.relative_volume,
                party_size: party_size::over(&facts.party_sizes, PartiesOf::Trailhead(head.id), &period),
            })
        })
        .collect();
    let trail_of: Vec<usize> = network.segments.iter().map(|segment| segment.trail_idx).collect();
    let trails: Vec<TrailPrior> = network
        .trails
        .iter()
        .zip(&facts.trails)
        .map(|(trail, stored)| TrailPrior {
            name: trail.name.clone(),
            attractiveness: 1.0,
            party_size: party_size::over(&facts.party_sizes, PartiesOf::Trail(stored.id), &period),
        })
        .collect();
    let keys: Vec<u64> = network.segments.iter().map(|segment| segment.id.number()).collect();
    let walk = WalkNetwork {
        graph: network.graph(),
        trail_of: &trail_of,
        trails: &trails,
        trailheads: &trailheads,
        keys: &keys,
    };
    let (places, visits_of) = places(facts, &kept);
    let ground = closures::Ground::new((facts, layer), targets, (&period, &zone))?;
    let closed = ground.closings(&kept);
    let evidence = Evidence { counters: &counters, places: &places, period, closed: &closed };
    let mut field = exposure::expose(&walk, &evidence, &params).map_err(DeriveError::internal)?;
    let closures = ground.effects((&counters, &params), &kept, &field);
    let trips = representative_trips(
        &walk,
        &field,
        &params,
        &TripParams { seed: params.seed, ..TripParams::default() },
    );
    let rows = field.party_km.chunks_exact_mut(layer.outside_places.len().max(1));
    let mut inside_km: Vec<f64> = rows.map(|row| take_inside(row, &layer.outside_places)).collect();
    let inside_places_km = limits_of(&mut inside_km);
    let mean_km = field.mean_km();
    Ok(ExposureLayer {
        field,
        period,
        n_days_apart,
        params,
        trailheads: kept,
        mean_km,
        inside_places_km,
        trips,
        closures,
        visits_of,
    })
}

/// Takes what lies inside places with visits off the kilometres of one draw; how many that were.
fn take_inside(party_km: &mut [f64], outside_places: &[f64]) -> f64 {
    let mut inside_km = 0.0;
    for (km, outside) in party_km.iter_mut().zip(outside_places) {
        inside_km += *km * (1.0 - outside);
        *km *= outside;
    }
    inside_km
}

fn params(facts: &Facts) -> ExposureParams {
    let settings = &facts.settings;
    ExposureParams {
        seed: settings.seed(),
        n_draws: settings.draws(),
        walkers_per_unit_day: settings.walkers_per_unit_day,
        volume_scale_log_sd: settings.volume_scale_log_sd,
        volume_log_sd: settings.volume_log_sd,
        attractiveness_log_sd: settings.attractiveness_log_sd,
        mean_distance_m: settings.mean_distance_m,
        mean_distance_log_sd: settings.mean_distance_log_sd,
        distance_shape: settings.distance_shape,
        loop_weight: settings.loop_weight,
        party_size: PartySize {
            mean: settings.party_size_mean,
            standard_error: settings.party_size_standard_error,
        },
        calibration_ratio: settings.calibration_ratio,
        calibration_log_sd: settings.calibration_log_sd,
        calibration_between_log_sd: settings.calibration_between_log_sd,
        reach_m: settings.walk_reach_m,
        model_log_sd: settings.model_log_sd,
        place_log_sd: settings.place_log_sd,
        month_between_years_log_sd: settings.month_between_years_log_sd,
        profile_log_sd: settings.profile_log_sd,
        interaction_prior_count: settings.interaction_prior_count,
        fitted_sd_share: settings.fitted_sd_share,
        fitted_log_sd: settings.fitted_log_sd,
        ..ExposureParams::default()
    }
}

/// From the first to the last day that counters, or else reports, speak of, and how many days with readings lie apart.
fn study_period(
    facts: &Facts,
    counters: &[Counter],
    params: &ExposureParams,
) -> Result<(StudyPeriod, usize), DeriveError> {
    let counted = exposure::counted_days(counters, params).map_err(DeriveError::internal)?;
    let (first, last, n_apart) = match counted {
        Some(counted) => counted,
        None => {
            let reports = facts.encounters.rows.iter().filter(|row| row.effort_kind == EffortKind::Report);
            let days = reports.filter_map(|row| match row.time.date {
                EventDate::Day(date) => Some(date),
                _ => None,
            });
            let words = "Nothing says when people walked: bring in counter readings, or reports with dates.";
            let missing = || DeriveError::missing(words);
            (days.clone().min().ok_or_else(missing)?, days.max().ok_or_else(missing)?, 0)
        }
    };
    Ok((StudyPeriod::new(first, last).map_err(DeriveError::internal)?, n_apart))
}

fn places(facts: &Facts, kept: &[usize]) -> (Vec<Place>, Vec<Option<usize>>) {
    let mut places = Vec::new();
    let mut visits_of = Vec::new();
    for place in &facts.places {
        let trailhead = kept.iter().position(|idx| Some(facts.trailheads[*idx].id) == place.trailhead_id);
        visits_of.push(trailhead.map(|trailhead| {
            // Everybody who starts at a trailhead passes its car park; not everybody stops there.
            let visits = VisitSource::ShareOfTrailhead { trailhead, share: 1.0, log_sd: 0.2 };
            places.push(Place { name: place.given.name.clone(), visits });
            places.len() - 1
        }));
    }
    (places, visits_of)
}

fn counters(facts: &Facts, layer: &NetworkLayer, zone: &TimeZone, closed: &[Closed]) -> Vec<Counter> {
    facts
        .counters
        .iter()
        .map(|counter| {
            let placements = counter.locations.iter().filter_map(|location| {
                Some(Placement {
                    from_s: location.from_s.unwrap_or(i64::MIN),
                    to_s: location.until_s,
                    site: site(facts, layer, location.position)?,
                })
            });
            let placements: Vec<Placement> = placements.collect();
            let readings = facts.readings.rows.iter().filter(|reading| reading.counter_id == counter.id);
            let bins = readings.filter_map(|reading| {
                let instant = jiff::Timestamp::from_second(reading.start_s).ok()?;
                Some(Bin {
                    start_s: reading.start_s,
                    length_s: u32::try_from(reading.length_s).ok()?,
                    local: zone.to_datetime(instant),
                    count_in: Some(reading.count_in),
                    count_out: reading.count_out,
                })
            });
            let clock = counter.clock_corrections.iter().map(|correction| ClockCorrection {
                range: TimeRange { from_s: correction.from_s, to_s: correction.until_s },
                add_s: correction.offset_s,
            });
            let sessions = facts.calibrations.iter().filter(|session| session.counter_id == counter.id);
            Counter {
                name: counter.name.clone(),
                closures: closures::at_counter(facts, layer, closed, &placements),
                placements,
                bins: bins.collect(),
                clock: clock.collect(),
                sessions: sessions
                    .map(|session| Session {
                        manual: f64::from(session.manual_count),
                        device: f64::from(session.device_count),
                    })
                    .collect(),
            }
        })
        .collect()
}

/// Where a counter counts: at a trailhead beside it, else on the nearest segment; nowhere far from every trail.
pub fn site(
    facts: &Facts,
    layer: &NetworkLayer,
    position: crate::domain::geography::LonLat,
) -> Option<CounterSite> {
    let at = layer.network.plane.to_plane(position);
    let near = facts.trailheads.iter().zip(&layer.trailhead_vertices).filter_map(|(head, vertex)| {
        let head_at = layer.network.plane.to_plane(head.position);
        let distance_m = (head_at.x - at.x).hypot(head_at.y - at.y);
        Some((distance_m, (*vertex)?))
    });
    let nearest = near.min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((_, vertex)) = nearest.filter(|(distance_m, _)| *distance_m <= AT_TRAILHEAD_M) {
        return Some(CounterSite::Vertex(vertex));
    }
    layer.index.nearest(at, FARTHEST_COUNTER_M).map(|nearest| CounterSite::Segment(nearest.segment_idx))
}
