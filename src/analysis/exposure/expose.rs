//! From counters and priors to the exposure field.

use nalgebra::DVector;
use rayon::prelude::*;

use crate::analysis::exposure::calibration::{Calibration, CalibrationSource, Session, calibrate};
use crate::analysis::exposure::closures::{ClosedTrailhead, passed_share};
use crate::analysis::exposure::diagnostic::{self, Drawn, PeriodShares};
use crate::analysis::exposure::draws::{Normal, draw_party_sizes, expose_once};
use crate::analysis::exposure::error::InvalidExposure;
use crate::analysis::exposure::field::{CounterFit, ExposureField, Parameter, ParameterStatus};
use crate::analysis::exposure::fit::{Posterior, fit};
use crate::analysis::exposure::model::{Model, Observation, ParameterKind, WalkNetwork, check_network};
use crate::analysis::exposure::model_error::ModelErrors;
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::places::{DrawnWalkers, Place, check_places, draw_visits};
use crate::analysis::exposure::prior::Prior;
use crate::analysis::exposure::profile::{TimeProfile, draw_profile, fit_profile};
use crate::analysis::exposure::provenance::provenance;
use crate::analysis::exposure::readings::{Counter, CounterSite, ReadingReport, SiteSeries, clean};
use crate::analysis::exposure::summary::DrawSummary;
use crate::analysis::exposure::tables::Tables;
use crate::analysis::exposure::time::{StudyPeriod, TimeCells, TimeShares};
use crate::analysis::exposure::walkers::Flow;
use crate::analysis::random::{seed_of, stream};

/// What is known about people out walking.
#[derive(Debug, Clone, Copy)]
pub struct Evidence<'a> {
    /// Counters with readings and calibration sessions; may be empty, and then everything rests on priors.
    pub counters: &'a [Counter],
    /// Places whose visits are wanted.
    pub places: &'a [Place],
    /// The local days that the exposure is for.
    pub period: StudyPeriod,
    /// Trailheads from which nobody was to start for some of the time, each at most once.
    pub closed: &'a [ClosedTrailhead],
}

/// The exposure field of a network over the study period.
///
/// Levels and courses are those of the open time. Closures of trailheads are taken off; those of trails and of the whole area are
/// left to [`ExposureField::keep_open`] and [`ExposureField::keep_area_open`].
///
/// The same input and seed give the same bytes on any number of threads. The order of bins and sessions does not matter.
///
/// # Errors
/// [`InvalidExposure`] when parts of the input do not fit together, a number is out of range, or the priors are improper.
pub fn expose(
    network: &WalkNetwork<'_>,
    evidence: &Evidence<'_>,
    params: &ExposureParams,
) -> Result<ExposureField, InvalidExposure> {
    params.check()?;
    check_network(network)?;
    check_places(evidence.places, network.trailheads.len())?;
    check_sites(network, evidence)?;
    let (series, readings) = clean_all(evidence.counters, params)?;
    let sessions: Vec<&[Session]> = evidence.counters.iter().map(|c| c.sessions.as_slice()).collect();
    let calibrations = calibrate(&sessions, params)?;
    let cells = TimeCells::of(&evidence.period);
    let tables = Tables::of(&series, &evidence.period, &cells);
    let profile = fit_profile(&cells, &tables, params);
    check_closed(evidence.closed, network.trailheads.len(), cells.n_cells())?;
    let observations = observe(&series, &tables, &profile, &cells);
    let model = Model::new(network, &observations, evidence.counters.len(), params);
    let n_days = evidence.period.days().count() as f64;
    let prior = Prior::of(&model, network, &calibrations, n_days, params)?;
    let posterior = fit(&model, &prior, &observations, params)?;
    let closed_shares = profile.closed_shares(&cells, &tables);
    let closed_counts = expected_closed(&model, &posterior, &observations, &closed_shares);
    let counters = counter_fits(&observations, &posterior, &tables, &closed_counts);
    let errors = ModelErrors::new(network, &observations, &posterior.is_used, params);
    let times = TimeDraws::of(&profile, &tables, cells, params);
    let scene = Scene {
        network,
        places: evidence.places,
        model: &model,
        observations: &observations,
        errors: &errors,
        closed: with_passed(network, evidence.closed, &counters),
        params,
    };
    let draws = draw_all(&scene, &posterior, &times)?;
    let drawn = Drawn { whole: &draws.counts, shares: &times.by_period };
    let shifts: Vec<_> = times.observed.iter().map(|shares| shift(&scene, &posterior, shares)).collect();
    let checks = diagnostic::check_sites(
        &observations,
        &posterior.left_out(&shifts, &errors.left_alone()),
        (&tables, &times.shares.cells),
        &drawn,
        params,
    );
    let evidence_of_fit = (&posterior, errors.counted_segments());
    let provenance = provenance(&model, network, evidence_of_fit, &draws.party_km, params)?;
    Ok(ExposureField {
        n_draws: params.n_draws,
        n_segments: network.graph.n_edges(),
        n_trailheads: network.trailheads.len(),
        party_km: draws.party_km,
        provenance,
        walkers: draws.walkers,
        parties: draws.parties,
        trail_sizes: draws.trail_sizes,
        head_open: draws.head_open,
        time: times.shares,
        place_visits: draws.place_visits,
        parameters: describe(&scene, (&prior, &posterior), &calibrations, evidence.counters, &draws.thetas),
        counters,
        checks,
        identifiability: posterior.identifiability,
        readings,
        calibrations,
        habits: model.habits(posterior.mode.as_slice()),
    })
}

fn check_sites(network: &WalkNetwork<'_>, evidence: &Evidence<'_>) -> Result<(), InvalidExposure> {
    for counter in evidence.counters {
        for placement in &counter.placements {
            let (what, index, n) = match placement.site {
                CounterSite::Vertex(vertex) => ("vertex", vertex, network.graph.n_vertices()),
                CounterSite::Segment(segment) => ("segment", segment, network.graph.n_edges()),
                CounterSite::Place(place) => ("place", place, evidence.places.len()),
            };
            if index >= n {
                let who = format!("counter {}", counter.name);
                return Err(InvalidExposure::NoSuchThing { who, what, index });
            }
        }
    }
    Ok(())
}

fn check_closed(
    closed: &[ClosedTrailhead],
    n_trailheads: usize,
    n_cells: usize,
) -> Result<(), InvalidExposure> {
    for it in closed {
        if it.trailhead >= n_trailheads {
            let who = "a closure".to_owned();
            return Err(InvalidExposure::NoSuchThing { who, what: "trailhead", index: it.trailhead });
        }
        for cells in [&it.open, &it.area_open] {
            if cells.len() != n_cells {
                let what = "the open time of a trailhead by cell";
                return Err(InvalidExposure::Shape { what, got: cells.len(), expected: n_cells });
            }
        }
    }
    Ok(())
}

/// What the fit expects each series to count in its closed time if it were open: `shares` of the period's walkers.
fn expected_closed(
    model: &Model,
    posterior: &Posterior,
    observations: &[Observation],
    shares: &[f64],
) -> Vec<f64> {
    if shares.iter().all(|share| *share <= 0.0) {
        return vec![0.0; shares.len()];
    }
    let mode = posterior.mode.as_slice();
    let closed: Vec<Observation> = observations
        .iter()
        .zip(shares)
        .map(|(seen, share)| Observation { share: *share, ..seen.clone() })
        .collect();
    model.expected(mode, &closed, &model.all_passages(&model.habits(mode)))
}

/// Each closed trailhead with the share of those who start there all the same, as counters at it say.
fn with_passed<'a>(
    network: &WalkNetwork<'_>,
    closed: &'a [ClosedTrailhead],
    counters: &[CounterFit],
) -> Vec<(&'a ClosedTrailhead, f64)> {
    let each = closed.iter().map(|it| {
        let vertex = network.trailheads[it.trailhead].vertex;
        let there = || counters.iter().filter(|fit| fit.site == CounterSite::Vertex(vertex));
        let counted = there().map(|fit| fit.observed_closed).sum();
        (it, passed_share(counted, there().map(|fit| fit.expected_closed).sum()))
    });
    each.collect()
}

fn clean_all(
    counters: &[Counter],
    params: &ExposureParams,
) -> Result<(Vec<SiteSeries>, Vec<ReadingReport>), InvalidExposure> {
    let mut series = Vec::new();
    let mut reports = Vec::new();
    for (idx, counter) in counters.iter().enumerate() {
        let (its_series, report) = clean(idx, counter, params)?;
        series.extend(its_series);
        reports.push(report);
    }
    Ok((series, reports))
}

fn observe(
    series: &[SiteSeries],
    tables: &Tables,
    profile: &TimeProfile,
    cells: &TimeCells,
) -> Vec<Observation> {
    let shares = profile.observed_shares(cells, tables);
    series
        .iter()
        .zip(&tables.series)
        .zip(shares)
        .map(|((one, table), share)| Observation {
            counter: one.counter,
            site: one.site,
            n_bins: one.n_bins,
            count: table.count,
            share,
            dispersion: table.dispersion(profile),
        })
        .collect()
}

/// Draws of the time profile.
struct TimeDraws {
    shares: TimeShares,
    /// Share of the period that each observation saw, by draw.
    observed: Vec<Vec<f64>>,
    /// The same by month and part of the day.
    by_period: Vec<PeriodShares>,
}

impl TimeDraws {
    fn of(profile: &TimeProfile, tables: &Tables, cells: TimeCells, params: &ExposureParams) -> Self {
        let drawn: Vec<(Vec<f64>, Vec<f64>, PeriodShares)> = (0..params.n_draws)
            .into_par_iter()
            .map(|draw| {
                let rng = &mut stream(seed_of(params.seed, "time profile"), draw as u64);
                let profile = draw_profile(profile, tables, params, rng);
                let by_period = diagnostic::period_shares(&profile, &cells, tables);
                (profile.shares(&cells), profile.observed_shares(&cells, tables), by_period)
            })
            .collect();
        let mut times = Self {
            shares: TimeShares { cells, n_draws: params.n_draws, shares: Vec::new() },
            observed: Vec::new(),
            by_period: Vec::new(),
        };
        for (shares, observed, by_period) in drawn {
            times.shares.shares.extend(shares);
            times.observed.push(observed);
            times.by_period.push(by_period);
        }
        times
    }
}

struct Scene<'a> {
    network: &'a WalkNetwork<'a>,
    places: &'a [Place],
    model: &'a Model,
    observations: &'a [Observation],
    errors: &'a ModelErrors,
    /// Trailheads that were closed, with the share of those who start all the same.
    closed: Vec<(&'a ClosedTrailhead, f64)>,
    params: &'a ExposureParams,
}

impl Scene<'_> {
    /// By trailhead the share of its starts that its closures leave, where walking spreads over cells by these shares.
    fn open_heads(&self, shares: &[f64]) -> Vec<f64> {
        let mut open = vec![1.0; self.network.trailheads.len()];
        self.closed.iter().for_each(|(it, passed)| open[it.trailhead] = it.open_share(shares, *passed));
        open
    }
}

struct Draws {
    party_km: Vec<f64>,
    walkers: Vec<f64>,
    parties: Vec<f64>,
    trail_sizes: Vec<Option<Vec<f64>>>,
    head_open: Vec<Option<Vec<f64>>>,
    place_visits: Vec<f64>,
    thetas: Vec<Vec<f64>>,
    /// Device counts that each series would have over the whole study period: `[draw][series]`.
    counts: Vec<Vec<f64>>,
}

/// What one draw yields beside its exposure.
struct DrawRow {
    theta: Vec<f64>,
    walkers: Vec<f64>,
    parties: Vec<f64>,
    on_trail: Vec<Option<f64>>,
    open: Vec<f64>,
    visits: Vec<f64>,
    counts: Vec<f64>,
}

fn draw_all(scene: &Scene<'_>, posterior: &Posterior, times: &TimeDraws) -> Result<Draws, InvalidExposure> {
    let normal = Normal::new(posterior.mode.clone(), posterior.covariance.clone())?;
    let n_segments = scene.network.graph.n_edges();
    let mut party_km = vec![0.0; scene.params.n_draws * n_segments];
    let mut rows: Vec<&mut [f64]> = party_km.chunks_mut(n_segments.max(1)).collect();
    // A network without segments still has its draws of volumes and visits.
    rows.resize_with(scene.params.n_draws, Default::default);
    let drawn: Vec<DrawRow> = rows
        .into_par_iter()
        .enumerate()
        .map_init(Flow::default, |flow, (draw, row)| {
            draw_one(scene, (posterior, &normal), times, draw, (row, flow))
        })
        .collect();
    clear_unwalked(&mut party_km, scene);
    let collect = |of: fn(&DrawRow) -> &Vec<f64>| drawn.iter().flat_map(|row| of(row).clone()).collect();
    Ok(Draws {
        party_km,
        walkers: collect(|row| &row.walkers),
        parties: collect(|row| &row.parties),
        trail_sizes: (0..scene.network.trails.len())
            .map(|trail| drawn.iter().map(|row| row.on_trail[trail]).collect())
            .collect(),
        head_open: (0..scene.network.trailheads.len())
            .map(|head| {
                let is_closed = scene.closed.iter().any(|(it, _)| it.trailhead == head);
                is_closed.then(|| drawn.iter().map(|row| row.open[head]).collect())
            })
            .collect(),
        place_visits: collect(|row| &row.visits),
        thetas: drawn.iter().map(|row| row.theta.clone()).collect(),
        counts: drawn.iter().map(|row| row.counts.clone()).collect(),
    })
}

fn draw_one(
    scene: &Scene<'_>,
    (posterior, normal): (&Posterior, &Normal),
    times: &TimeDraws,
    draw: usize,
    (row, flow): (&mut [f64], &mut Flow),
) -> DrawRow {
    let (observed, open) = (&times.observed[draw], scene.open_heads(times.shares.draw(draw)));
    let draw = draw as u64;
    let rng = &mut stream(seed_of(scene.params.seed, "exposure"), draw);
    // The fit holds for the shares of the point profile; another profile moves the mode by the gain, to first order.
    let theta = normal.draw(rng) - &posterior.gain * shift(scene, posterior, observed);
    let theta: Vec<f64> = theta.iter().copied().collect();
    let sizes = draw_party_sizes(scene.network, scene.params, draw, rng);
    let passing = expose_once(scene.model, scene.network, &theta, &sizes, &open, (row, flow));
    scene.errors.apply(draw, row);
    let device = |seen: &Observation| (-theta[scene.model.calibration_idx(seen.counter)]).exp();
    let counts =
        scene.observations.iter().zip(passing).map(|(seen, walkers)| walkers * device(seen)).collect();
    let walkers: Vec<f64> =
        theta[..scene.model.n_trailheads].iter().zip(&open).map(|(log, open)| log.exp() * open).collect();
    let parties: Vec<f64> =
        walkers.iter().zip(&sizes.of_head).map(|(walkers, size)| walkers / size).collect();
    let party_size = scene.params.party_size.draw(rng);
    let drawn = DrawnWalkers { theta: &theta, parties: &parties, party_size, shares: observed };
    let visits = draw_visits(scene.places, scene.model, scene.observations, &drawn, rng);
    DrawRow { theta, walkers, parties, on_trail: sizes.on_trail, open, visits, counts }
}

/// How far the log of each observation's share in one draw is from that of the point profile.
fn shift(scene: &Scene<'_>, posterior: &Posterior, observed: &[f64]) -> DVector<f64> {
    let shifts = scene
        .observations
        .iter()
        .zip(observed)
        .zip(&posterior.is_used)
        .map(|((seen, share), used)| if *used && *share > 0.0 { (share / seen.share).ln() } else { 0.0 });
    DVector::from_iterator(observed.len(), shifts)
}

/// Segments that next to nobody is expected on are not walked at all, in any draw.
fn clear_unwalked(party_km: &mut [f64], scene: &Scene<'_>) {
    let n_segments = scene.network.graph.n_edges();
    let n_draws = scene.params.n_draws as f64;
    let mut mean_km = vec![0.0; n_segments];
    for row in party_km.chunks(n_segments.max(1)) {
        mean_km.iter_mut().zip(row).for_each(|(mean, km)| *mean += km / n_draws);
    }
    let least = scene.params.not_walked_below / 1000.0;
    let edges = scene.network.graph.edges().iter().zip(&mean_km);
    let is_walked: Vec<bool> = edges.map(|(edge, mean_km)| *mean_km >= least * edge.length_m).collect();
    for row in party_km.chunks_mut(n_segments.max(1)) {
        row.iter_mut().zip(&is_walked).filter(|(_, walked)| !**walked).for_each(|(km, _)| *km = 0.0);
    }
}

fn describe(
    scene: &Scene<'_>,
    (prior, posterior): (&Prior, &Posterior),
    calibrations: &[Calibration],
    counters: &[Counter],
    thetas: &[Vec<f64>],
) -> Vec<Parameter> {
    (0..scene.model.n_parameters())
        .map(|idx| {
            let kind = scene.model.kind(idx);
            let (mean, reach) = (prior.mean[idx], 1.96 * prior.covariance[(idx, idx)].sqrt());
            Parameter {
                name: name_of(kind, scene.network, counters),
                kind,
                status: status_of(kind, posterior.is_fitted[idx], calibrations),
                summary: DrawSummary::of(thetas.iter().map(|theta| theta[idx].exp())),
                prior: ((mean - reach).exp(), mean.exp(), (mean + reach).exp()),
            }
        })
        .collect()
}

fn name_of(kind: ParameterKind, network: &WalkNetwork<'_>, counters: &[Counter]) -> String {
    match kind {
        ParameterKind::Volume { trailhead } => {
            format!("walkers from {}", network.trailheads[trailhead].name)
        }
        ParameterKind::Attractiveness { trail } => {
            format!("attractiveness of {}", network.trails[trail].name)
        }
        ParameterKind::MeanDistance => "mean turning distance, m".to_owned(),
        ParameterKind::Calibration { counter } => format!("calibration of {}", counters[counter].name),
    }
}

fn status_of(kind: ParameterKind, is_fitted: bool, calibrations: &[Calibration]) -> ParameterStatus {
    match kind {
        ParameterKind::Calibration { counter }
            if calibrations[counter].source != CalibrationSource::Prior =>
        {
            ParameterStatus::Measured
        }
        _ if is_fitted => ParameterStatus::Fitted,
        _ => ParameterStatus::Prior,
    }
}

fn counter_fits(
    observations: &[Observation],
    posterior: &Posterior,
    tables: &Tables,
    expected_closed: &[f64],
) -> Vec<CounterFit> {
    observations
        .iter()
        .enumerate()
        .map(|(idx, seen)| CounterFit {
            counter: seen.counter,
            site: seen.site,
            n_bins: seen.n_bins,
            observed: seen.count,
            expected: posterior.expected[idx],
            dispersion: seen.dispersion,
            share_observed: seen.share,
            observed_closed: tables.series[idx].count_closed,
            expected_closed: expected_closed[idx],
            is_used: posterior.is_used[idx],
        })
        .collect()
}
