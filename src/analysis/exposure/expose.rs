//! From counters and priors to the exposure field.

use nalgebra::DVector;
use rayon::prelude::*;

use crate::analysis::exposure::calibration::{Calibration, CalibrationSource, Session, calibrate};
use crate::analysis::exposure::closures::Closings;
use crate::analysis::exposure::courses::{Courses, Ways};
use crate::analysis::exposure::diagnostic::{self, Drawn, PeriodShares};
use crate::analysis::exposure::draws::{DrawnSizes, Normal, draw_party_sizes, expose_by, expose_once};
use crate::analysis::exposure::error::InvalidExposure;
use crate::analysis::exposure::field::{CounterFit, ExposureField, Open, Parameter, ParameterStatus};
use crate::analysis::exposure::fit::{Posterior, fit};
use crate::analysis::exposure::kept_out::{
    AllTheSame, ClosedCount, KeptOut, State, all_the_same, asks_again, kept_out, left_of,
};
use crate::analysis::exposure::model::{Model, Observation, ParameterKind, WalkNetwork, Whom, check_network};
use crate::analysis::exposure::model_error::ModelErrors;
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::places::{DrawnWalkers, Place, check_places, draw_visits};
use crate::analysis::exposure::prior::Prior;
use crate::analysis::exposure::profile::{TimeProfile, draw_profile, fit_profile};
use crate::analysis::exposure::provenance::provenance;
use crate::analysis::exposure::readings::{Counter, CounterSite, ReadingReport, SiteSeries, clean_under};
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
    /// When people were not to walk.
    pub closed: &'a Closings,
}

/// Draws from which it is taken where the walkers of closed trailheads walk.
const COURSE_DRAWS: usize = 20;

/// The exposure field of a network over the study period.
///
/// Levels and the common course are those of the open time; a counter from which only some are kept tells of the months at another
/// level, and of the level itself where there is hardly an open time. Closures are taken off in every draw: of a segment's kilometres for each
/// trailhead by the union of what closes it, its trail and the area; of starts by those of trailhead and area, of visits of places by
/// those of the area. But for those who walk all the same, as counters tell that stood there.
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
    check_closed(network, evidence.closed)?;
    let sessions: Vec<&[Session]> = evidence.counters.iter().map(|c| c.sessions.as_slice()).collect();
    let calibrations = calibrate(&sessions, params)?;
    let model = Model::new(network, evidence.counters.len(), params);
    let n_days = evidence.period.days().count() as f64;
    let prior = Prior::of(&model, network, &calibrations, n_days, params)?;
    let (model, kept_out) = kept_out_at(network, evidence, (model, &prior));
    let (series, readings) = clean_all(evidence.counters, &kept_out, params)?;
    let cells = TimeCells::of(&evidence.period);
    let mut tables = Tables::of(&series, &evidence.period, &cells);
    let profile = fit_profile(&cells, &tables, params);
    let shares = profile.shares_by_state(&cells, &tables);
    tables.settle(&shares);
    let sites: Vec<CounterSite> = series.iter().map(|one| one.site).collect();
    let mut model = model.counted_at(network, &sites);
    let mut observations = observe(&series, &tables, (&profile, &cells));
    let fitted = fit_with_closures(&mut model, &prior, (&mut observations, &tables, &shares), params)?;
    let Fitted { posterior, passed, whom } = fitted;
    let counters = counter_fits(&observations, &posterior, &tables, (&shares, &whom));
    let errors = ModelErrors::new(network, &observations, &posterior.is_used, params);
    let times = TimeDraws::of(&profile, &tables, cells, params);
    let ways = (!evidence.closed.is_empty()).then(|| {
        let (at_head, on_trail) = passed.shares();
        Ways::new(evidence.closed, (&at_head, &on_trail), &evidence.period, &times.shares)
    });
    let scene = Scene {
        network,
        places: evidence.places,
        model: &model,
        observations: &observations,
        errors: &errors,
        ways: ways.as_ref(),
        params,
    };
    let draws = draw_all(&scene, &posterior, &times)?;
    let walked = walked_by_class(&scene, &draws);
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
    let known = provenance(&model, network, evidence_of_fit, &draws.party_km, params)?;
    let parameters = describe(&scene, (&prior, &posterior), &calibrations, evidence.counters, &draws.thetas);
    let open = left_open(ways.as_ref(), (network, params.n_draws), passed);
    let courses = ways.map_or_else(Courses::default, |ways| ways.courses(network.trail_of, &walked));
    Ok(ExposureField {
        n_draws: params.n_draws,
        n_segments: network.graph.n_edges(),
        n_trailheads: network.trailheads.len(),
        party_km: draws.party_km,
        provenance: known.of_segment,
        trail_provenance: known.of_trail,
        walkers: draws.walkers,
        parties: draws.parties,
        trail_sizes: draws.trail_sizes,
        open,
        time: times.shares,
        courses,
        place_visits: draws.place_visits,
        parameters,
        counters,
        checks,
        identifiability: posterior.identifiability,
        readings,
        kept_out,
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

fn check_closed(network: &WalkNetwork<'_>, closed: &Closings) -> Result<(), InvalidExposure> {
    let last = |of: &std::collections::BTreeMap<usize, _>| of.last_key_value().map(|(index, _)| *index);
    for (what, last, n) in [
        ("trailhead", last(&closed.trailheads), network.trailheads.len()),
        ("trail", last(&closed.trails), network.trails.len()),
    ] {
        if let Some(index) = last.filter(|index| *index >= n) {
            return Err(InvalidExposure::NoSuchThing { who: "a closure".to_owned(), what, index });
        }
    }
    Ok(())
}

/// What closings keep from every counter, by placement, as the stated priors have it; and the model again.
fn kept_out_at(
    network: &WalkNetwork<'_>,
    evidence: &Evidence<'_>,
    (model, prior): (Model, &Prior),
) -> (Model, Vec<Vec<Vec<KeptOut>>>) {
    if evidence.closed.is_empty() {
        return (model, vec![Vec::new(); evidence.counters.len()]);
    }
    let placements = || evidence.counters.iter().flat_map(|counter| &counter.placements);
    let sites: Vec<CounterSite> = placements().map(|placement| placement.site).collect();
    let model = model.counted_at(network, &sites);
    let mut whom = model.whom(prior.mean.as_slice()).into_iter();
    let at = |counter: &Counter| -> Vec<Vec<KeptOut>> {
        whom.by_ref().take(counter.placements.len()).map(|whom| kept_out(evidence.closed, &whom)).collect()
    };
    let kept_out = evidence.counters.iter().map(at).collect();
    (model, kept_out)
}

/// The fit, with those who walk all the same.
struct Fitted {
    posterior: Posterior,
    passed: AllTheSame,
    /// By series whom its device would count over the whole study period if all were open.
    whom: Vec<Whom>,
}

/// Fits the model to the levels of the observations, first as if nobody walked where it is closed, and where levels rest on such
/// times once more with those who do.
fn fit_with_closures(
    model: &mut Model,
    prior: &Prior,
    (observations, tables, shares): (&mut [Observation], &Tables, &[Vec<f64>]),
    params: &ExposureParams,
) -> Result<Fitted, InvalidExposure> {
    let size = (model.n_trailheads, model.n_trails);
    let nobody = AllTheSame::nobody(size.0, size.1);
    take_left(model, (observations, tables, shares), &nobody);
    let mut posterior = fit(model, prior, observations, params)?;
    let mut whom = counted_by_devices(model, &posterior, observations);
    let counts = closed_counts(tables, shares, &whom);
    let passed = all_the_same(size, &counts);
    if asks_again(&passed, observations.iter().any(|seen| seen.left.is_some())) {
        take_left(model, (observations, tables, shares), &passed);
        posterior = fit(model, prior, observations, params)?;
        whom = counted_by_devices(model, &posterior, observations);
    }
    Ok(Fitted { posterior, passed, whom })
}

fn take_left(
    model: &mut Model,
    (observations, tables, shares): (&mut [Observation], &Tables, &[Vec<f64>]),
    passed: &AllTheSame,
) {
    let size = (model.n_trailheads, model.n_trails);
    for ((seen, table), shares) in observations.iter_mut().zip(&tables.series).zip(shares) {
        let used = table.states.iter().zip(shares).zip(&table.is_used).filter(|(_, used)| **used);
        let parts: Vec<(&State, f64)> = used.map(|((site, share), _)| (&site.state, *share)).collect();
        seen.left = left_of(&parts, passed, size);
    }
    model.take_left(observations);
}

fn counted_by_devices(model: &Model, posterior: &Posterior, observations: &[Observation]) -> Vec<Whom> {
    let mode = posterior.mode.as_slice();
    let device = |seen: &Observation| (-mode[model.calibration_idx(seen.counter)]).exp();
    let pairs = model.whom(mode).into_iter().zip(observations);
    pairs.map(|(whom, seen)| whom.times(device(seen))).collect()
}

/// What was counted while something was closed.
fn closed_counts<'a>(tables: &'a Tables, shares: &[Vec<f64>], whom: &'a [Whom]) -> Vec<ClosedCount<'a>> {
    let mut counts = Vec::new();
    for ((table, shares), whom) in tables.series.iter().zip(shares).zip(whom) {
        let states = table.states.iter().zip(&table.counts).zip(shares).skip(1);
        counts.extend(states.map(|((site, counted), share)| ClosedCount {
            state: &site.state,
            counted: *counted,
            share: *share,
            whom,
        }));
    }
    counts
}

/// What closures left, by draw.
fn left_open(ways: Option<&Ways>, (network, n_draws): (&WalkNetwork<'_>, usize), passed: AllTheSame) -> Open {
    let (n_heads, n_trails) = (network.trailheads.len(), network.trails.len());
    let AllTheSame { at_head: passed_heads, on_trail: passed } = passed;
    let Some(ways) = ways else {
        let (heads, trails) = (vec![None; n_heads], vec![None; n_trails]);
        return Open { heads, trails, passed, passed_heads, ..Open::default() };
    };
    let draws = || 0..n_draws;
    // What was closed outside the study period alone takes nothing off.
    let some = |left: Vec<f64>| left.iter().any(|left| *left < 1.0).then_some(left);
    let mut mean = vec![0.0; n_heads * n_trails];
    for draw in draws() {
        mean.iter_mut().zip(ways.table(draw)).for_each(|(sum, left)| *sum += left / n_draws as f64);
    }
    Open {
        area: some(draws().map(|draw| ways.of_area(draw)).collect()),
        heads: (0..n_heads)
            .map(|head| some(draws().map(|draw| ways.of_head(head, draw)).collect()))
            .collect(),
        trails: (0..n_trails)
            .map(|trail| some(draws().map(|draw| ways.of_trail(trail, draw)).collect::<Option<Vec<f64>>>()?))
            .collect(),
        passed,
        passed_heads,
        heads_for_good: (0..n_heads).map(|head| ways.head_for_good(head)).collect(),
        ways: mean,
    }
}

/// Kilometres by class of closed trailheads, then segment, over some of the draws; empty where no trailhead was closed.
fn walked_by_class(scene: &Scene<'_>, draws: &Draws) -> Vec<f64> {
    let Some((class_of, n_classes)) = scene.ways.map(Ways::head_classes).filter(|(_, n)| *n > 1) else {
        return Vec::new();
    };
    let n_segments = scene.network.graph.n_edges();
    let mut sums = vec![0.0; n_classes * n_segments];
    let (mut row, mut flow) = (sums.clone(), Flow::default());
    let n = COURSE_DRAWS.min(draws.thetas.len());
    for draw in (0..n).map(|index| index * draws.thetas.len() / n) {
        let open = scene.open_ways(draw);
        let drawn = (draws.thetas[draw].as_slice(), &draws.sizes[draw]);
        let class = |head: usize| class_of[head];
        expose_by(scene.model, scene.network, drawn, &open, class, (&mut row, &mut flow));
        sums.iter_mut().zip(&row).for_each(|(sum, km)| *sum += km);
    }
    sums
}

fn clean_all(
    counters: &[Counter],
    kept_out: &[Vec<Vec<KeptOut>>],
    params: &ExposureParams,
) -> Result<(Vec<SiteSeries>, Vec<ReadingReport>), InvalidExposure> {
    let mut series = Vec::new();
    let mut reports = Vec::new();
    for (idx, (counter, kept_out)) in counters.iter().zip(kept_out).enumerate() {
        let (its_series, report) = clean_under(idx, counter, kept_out, params)?;
        series.extend(its_series);
        reports.push(report);
    }
    Ok((series, reports))
}

fn observe(
    series: &[SiteSeries],
    tables: &Tables,
    (profile, cells): (&TimeProfile, &TimeCells),
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
            count: table.count(),
            share,
            dispersion: table.dispersion(profile),
            left: None,
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
    /// What was closed, if anything was.
    ways: Option<&'a Ways>,
    params: &'a ExposureParams,
}

impl Scene<'_> {
    /// By trailhead, then trail, the share of the walking that closures leave in a draw; empty where nothing was closed.
    fn open_ways(&self, draw: usize) -> Vec<f64> {
        self.ways.map_or_else(Vec::new, |ways| ways.table(draw))
    }

    /// By trailhead the share of its starts that its closures leave in a draw.
    fn open_heads(&self, draw: usize) -> Vec<f64> {
        let heads = 0..self.network.trailheads.len();
        heads.map(|head| self.ways.map_or(1.0, |ways| ways.of_head(head, draw))).collect()
    }
}

struct Draws {
    party_km: Vec<f64>,
    walkers: Vec<f64>,
    parties: Vec<f64>,
    trail_sizes: Vec<Option<Vec<f64>>>,
    sizes: Vec<DrawnSizes>,
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
    sizes: DrawnSizes,
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
            .map(|trail| drawn.iter().map(|row| row.sizes.on_trail[trail]).collect())
            .collect(),
        sizes: drawn.iter().map(|row| row.sizes.clone()).collect(),
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
    let (observed, open, ways) = (&times.observed[draw], scene.open_heads(draw), scene.open_ways(draw));
    let area_open = scene.ways.map_or(1.0, |ways| ways.of_area(draw));
    let draw = draw as u64;
    let rng = &mut stream(seed_of(scene.params.seed, "exposure"), draw);
    // The fit holds for the shares of the point profile; another profile moves the mode by the gain, to first order.
    let theta = normal.draw(rng) - &posterior.gain * shift(scene, posterior, observed);
    let theta: Vec<f64> = theta.iter().copied().collect();
    let sizes = draw_party_sizes(scene.network, scene.params, draw, rng);
    let passing = expose_once(scene.model, scene.network, &theta, &sizes, &ways, (row, flow));
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
    // Nobody comes while the whole area is closed, neither to places.
    let came = |values: Vec<f64>| values.into_iter().map(|value| value * area_open).collect();
    let (walkers, parties, visits) = (came(walkers), came(parties), came(visits));
    DrawRow { theta, walkers, parties, sizes, visits, counts }
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
    (shares, whom): (&[Vec<f64>], &[Whom]),
) -> Vec<CounterFit> {
    let expected_closed = |idx: usize| whom[idx].sum(|_, _| true) * shares[idx][1..].iter().sum::<f64>();
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
            observed_closed: tables.series[idx].count_closed(),
            expected_closed: expected_closed(idx),
            is_used: posterior.is_used[idx],
        })
        .collect()
}
