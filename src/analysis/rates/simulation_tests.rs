//! The naive ways, and how they fail where the estimates here hold.

use rand::RngExt;
use rand_distr::{Distribution, Gamma, StandardNormal};

use super::gamma::upper_tail;
use super::planted_tests::{World, long_factor, poisson};
use super::*;
use crate::analysis::random::{Stream, stream};

fn normal(rng: &mut Stream) -> f64 {
    StandardNormal.sample(rng)
}

/// Quantile of a gamma distribution by bisection on its tail.
fn gamma_quantile(shape: f64, rate: f64, p: f64) -> f64 {
    let (mut low, mut high) = (0.0, (shape + 20.0 * shape.sqrt() + 50.0) / rate);
    for _ in 0..100 {
        let middle = (low + high) / 2.0;
        if upper_tail(shape, rate, middle) > 1.0 - p { low = middle } else { high = middle }
    }
    low
}

/// Calls made, calls that were wrong, and how many the estimate expected to be wrong.
#[derive(Default)]
struct Tally {
    called: f64,
    wrong: f64,
    expected_wrong: f64,
}

impl Tally {
    fn add(&mut self, fit: &RateFit, rates: &[f64], reference: f64) {
        let called = fit.calls.units.len() as f64;
        self.called += called;
        self.wrong += fit.calls.units.iter().filter(|&&unit| rates[unit] <= 1.5 * reference).count() as f64;
        if let FalseShare::Expected(share) = fit.calls.false_share {
            self.expected_wrong += share * called;
        }
    }
}

/// Twelve trailheads with eight segments each; exposure is known up to an error shared by the segments of a trailhead.
struct Trailheads {
    /// Standard deviation of log exposure by trailhead.
    error_sd: [f64; 12],
    /// Standard deviation of log mean rates between trailheads.
    between_sd: f64,
}

/// Truth of one area, with what is known of its exposure.
struct Area {
    rates: Vec<f64>,
    reference: f64,
    true_km: Vec<f64>,
    stated: World,
    /// As stated, with draws of the exposure field.
    drawn: World,
}

impl Trailheads {
    fn area(&self, rng: &mut Stream) -> Area {
        const N_DRAWS: usize = 200;
        let trailhead: Vec<usize> = (0..96).map(|i| i / 8).collect();
        let stated_km: Vec<f64> = (0..96).map(|_| (6.0 + 0.6 * normal(rng)).exp()).collect();
        let field = |rng: &mut Stream| -> Vec<f64> {
            let shared = self.error_sd.map(|sd| sd * normal(rng));
            let errors = trailhead.iter().map(|&t| (shared[t] + 0.1 * normal(rng)).exp());
            errors.zip(&stated_km).map(|(error, km)| error * km).collect()
        };
        let true_km = field(rng);
        let gamma = Gamma::new(3.0, 0.02 / 3.0).unwrap();
        let level: [f64; 12] = std::array::from_fn(|_| (self.between_sd * normal(rng)).exp());
        let rates: Vec<f64> = trailhead.iter().map(|&t| level[t] * gamma.sample(rng)).collect();
        let expected: Vec<f64> = rates.iter().zip(&true_km).map(|(rate, km)| rate * km).collect();
        let counts: Vec<u32> = expected.iter().map(|&mean| poisson(mean, rng)).collect();
        let reference = expected.iter().sum::<f64>() / true_km.iter().sum::<f64>();
        let mut drawn = World::counted(counts.clone(), stated_km.clone(), trailhead.clone());
        let party_km = (0..N_DRAWS).flat_map(|_| field(rng)).collect();
        drawn.exposure = ExposureDraws { n_draws: N_DRAWS, n_units: 96, party_km };
        Area { rates, reference, true_km, stated: World::counted(counts, stated_km, trailhead), drawn }
    }
}

impl Tally {
    fn share(&self) -> f64 {
        self.wrong / self.called
    }

    fn expected_share(&self) -> f64 {
        self.expected_wrong / self.called
    }
}

/// Half the trailheads have counters, the exposure of the others rests on a wide prior.
#[test]
fn ignoring_exposure_error_makes_false_calls() {
    let error_sd = std::array::from_fn(|t| if t < 6 { 0.15 } else { 1.5 });
    let trailheads = Trailheads { error_sd, between_sd: 0.6 };
    let (mut naive, mut honest) = (Tally::default(), Tally::default());
    for run in 0..30 * long_factor() {
        let mut area = trailheads.area(&mut stream(31, run));
        naive.add(&area.stated.fit(run), &area.rates, area.reference);
        area.drawn.provenance[48..].fill(Provenance::Assumed);
        honest.add(&area.drawn.fit(run), &area.rates, area.reference);
    }
    assert!(naive.share() > 0.4, "ignored: {} of {}", naive.share(), naive.called);
    assert!(naive.expected_share() < 0.05, "ignored, said {}", naive.expected_share());
    assert!(honest.share() < 0.18, "heeded: {} of {}", honest.share(), honest.called);
}

/// All exposures are fitted with the same error; trails differ as much as their prior says.
#[test]
fn the_expected_share_of_false_calls_is_right_where_trails_differ_more_than_exposure_errs() {
    let trailheads = Trailheads { error_sd: [0.4; 12], between_sd: 1.2 };
    let (mut known, mut naive, mut honest) = (Tally::default(), Tally::default(), Tally::default());
    for run in 0..30 * long_factor() {
        let area = trailheads.area(&mut stream(34, run));
        naive.add(&area.stated.fit(run), &area.rates, area.reference);
        honest.add(&area.drawn.fit(run), &area.rates, area.reference);
        let exactly = World { exposure: ExposureDraws::certain(area.true_km), ..area.stated };
        known.add(&exactly.fit(run), &area.rates, area.reference);
    }
    for (tally, slack) in [(&known, 0.02), (&honest, 0.03)] {
        let (said, found) = (tally.expected_share(), tally.share());
        assert!((said - found).abs() < slack, "said {said}, found {found} of {}", tally.called);
    }
    assert!(naive.share() > 2.0 * naive.expected_share(), "{} {}", naive.share(), naive.expected_share());
    assert!(naive.share() > honest.share(), "{} {}", naive.share(), honest.share());
}

/// One area at demo size: encounters by segment and period, with the truth behind them.
struct Season {
    rate: Vec<f64>,
    factor: Vec<f64>,
    /// By segment, then by period.
    km: Vec<[f64; N_PERIODS]>,
    counts: Vec<[u32; N_PERIODS]>,
}

const N_PERIODS: usize = 12;
const N_SEGMENTS: usize = 60;

fn season(rng: &mut Stream) -> Season {
    let gamma = Gamma::new(3.0, 0.004 / 3.0).unwrap();
    let rate: Vec<f64> = (0..N_SEGMENTS).map(|_| gamma.sample(rng)).collect();
    let factor: Vec<f64> = (0..N_PERIODS)
        .map(|t| (1.2 * (t as f64 / N_PERIODS as f64 * std::f64::consts::TAU).sin()).exp())
        .collect();
    let km: Vec<[f64; N_PERIODS]> = (0..N_SEGMENTS)
        .map(|_| {
            let level = (4.3 + 0.6 * normal(rng)).exp();
            std::array::from_fn(|_| level * (0.4 + rng.random::<f64>()))
        })
        .collect();
    let counts = (0..N_SEGMENTS)
        .map(|i| std::array::from_fn(|t| poisson(rate[i] * factor[t] * km[i][t], rng)))
        .collect();
    Season { rate, factor, km, counts }
}

/// Limits of each segment in a period from that period alone, gamma parameters fixed at Marshall's moments.
fn plug_in_limits(season: &Season, period: usize) -> Vec<(f64, f64)> {
    let cells: Vec<(f64, f64)> =
        (0..N_SEGMENTS).map(|i| (f64::from(season.counts[i][period]), season.km[i][period])).collect();
    let total_km: f64 = cells.iter().map(|cell| cell.1).sum();
    let mean = cells.iter().map(|cell| cell.0).sum::<f64>() / total_km;
    let scatter: f64 = cells.iter().map(|(n, km)| km * (n / km - mean).powi(2)).sum();
    let variance = scatter / total_km - mean / (total_km / N_SEGMENTS as f64);
    if variance <= 0.0 {
        return vec![(mean, mean); N_SEGMENTS];
    }
    let (shape, rate) = (mean * mean / variance, mean / variance);
    cells
        .iter()
        .map(|(n, km)| {
            let limit = |p| gamma_quantile(shape + n, rate + km, p);
            (limit(0.025), limit(0.975))
        })
        .collect()
}

/// The curve of all segments: what a Poisson fit with segment and period effects would say, with its error.
fn curve(season: &Season, rng: &mut Stream) -> PeriodCurve {
    let mut segment = vec![1.0; N_SEGMENTS];
    let mut factor = [1.0; N_PERIODS];
    let total = |t: usize| season.counts.iter().map(|row| f64::from(row[t])).sum::<f64>();
    let expected = |t: usize, segment: &[f64]| -> f64 {
        segment.iter().zip(&season.km).map(|(level, km)| level * km[t]).sum()
    };
    for _ in 0..20 {
        for (i, level) in segment.iter_mut().enumerate() {
            let n: f64 = season.counts[i].iter().map(|&n| f64::from(n)).sum();
            *level = (n + 0.5) / (0..N_PERIODS).map(|t| factor[t] * season.km[i][t]).sum::<f64>();
        }
        factor = std::array::from_fn(|t| total(t) / expected(t, &segment));
    }
    let draws = (0..200).flat_map(|_| {
        let drawn: Vec<f64> = (0..N_PERIODS)
            .map(|t| {
                let gamma = Gamma::new(total(t) + 0.5, 1.0 / expected(t, &segment)).unwrap();
                gamma.sample(rng)
            })
            .collect();
        let mean = drawn.iter().sum::<f64>() / N_PERIODS as f64;
        drawn.into_iter().map(move |factor| factor / mean).collect::<Vec<_>>()
    });
    PeriodCurve { n_draws: 200, n_periods: N_PERIODS, factor: draws.collect() }
}

fn word(lower: f64, upper: f64) -> Certainty {
    let per_km = Interval { mean: (lower + upper) / 2.0, lower, upper };
    let estimate = RateEstimate { per_km, shrinkage: 0.0, exceedance: Exceedance::NotJudged };
    // The expected count is set high, so that the word speaks of the interval alone.
    let unit =
        UnitFit { count: 0.0, exposure_km: 1.0, expected_count: 99.0, rate: UnitRate::Estimated(estimate) };
    certainty(&unit, &ClassBounds::doubling_from(1.0).unwrap())
}

#[test]
fn a_period_is_not_estimated_from_its_own_cells() {
    let (mut cells, mut raw_too_wide, mut too_wide, mut plug_in_covers, mut covers) = (0, 0, 0, 0, 0);
    for run in 0..10 * long_factor() {
        let mut rng = stream(32, run);
        let season = season(&mut rng);
        let curve = curve(&season, &mut rng);
        let totals = season.counts.iter().map(|row| row.iter().sum()).collect();
        let mut world = World::counted(totals, vec![0.0; N_SEGMENTS], vec![0; N_SEGMENTS]);
        // Each period weighted by its factor: kilometres at the rate of the average period.
        let factors = |draw: usize| &curve.factor[draw * N_PERIODS..][..N_PERIODS];
        let weighed = |draw: usize| {
            let km = |km: &[f64; N_PERIODS]| km.iter().zip(factors(draw)).map(|(km, f)| km * f).sum::<f64>();
            season.km.iter().map(km).collect::<Vec<f64>>()
        };
        world.exposure = ExposureDraws {
            n_draws: curve.n_draws,
            n_units: N_SEGMENTS,
            party_km: (0..curve.n_draws).flat_map(weighed).collect(),
        };
        let fit = world.fit(run);
        for period in 0..N_PERIODS {
            let of_period = (0..curve.n_draws).map(|draw| factors(draw)[period]).collect();
            let ours = unit_period_rates(&fit, &UnitFactors::common(of_period), 0.95).unwrap();
            for (i, plug_in) in plug_in_limits(&season, period).into_iter().enumerate() {
                let truth = season.rate[i] * season.factor[period];
                let ours = ours[i].unwrap();
                let (n, km) = (f64::from(season.counts[i][period]), season.km[i][period]);
                let raw_lower = if n > 0.0 { gamma_quantile(n, km, 0.025) } else { 0.0 };
                cells += 1;
                raw_too_wide +=
                    u32::from(word(raw_lower, gamma_quantile(n + 1.0, km, 0.975)) == Certainty::TooWide);
                too_wide += u32::from(word(ours.lower, ours.upper) == Certainty::TooWide);
                plug_in_covers += u32::from((plug_in.0..=plug_in.1).contains(&truth));
                covers += u32::from((ours.lower..=ours.upper).contains(&truth));
            }
        }
    }
    let share = |n: u32| f64::from(n) / f64::from(cells);
    assert!(share(raw_too_wide) > 0.9, "raw too wide {}", share(raw_too_wide));
    assert!(share(too_wide) < 0.5, "too wide {}", share(too_wide));
    assert!(share(plug_in_covers) < 0.8, "plug-in covers {}", share(plug_in_covers));
    assert!((0.90..0.985).contains(&share(covers)), "covers {}", share(covers));
}

#[test]
fn targeted_walks_stay_out_of_the_prior() {
    let (mut pooled_ratio, mut kept_ratio, mut n_runs) = (0.0, 0.0, 0.0);
    for run in 0..10 * long_factor() {
        let mut rng = stream(33, run);
        let gamma = Gamma::new(1.5, 0.02 / 1.5).unwrap();
        let rates: Vec<f64> = (0..60).map(|_| gamma.sample(&mut rng)).collect();
        let planned_km = vec![40.0; 60];
        // Snake hunters go to the best fifth.
        let mut order: Vec<usize> = (0..60).collect();
        order.sort_by(|&a, &b| rates[b].total_cmp(&rates[a]));
        let mut targeted_km = vec![0.0; 60];
        order[..12].iter().for_each(|&unit| targeted_km[unit] = 200.0);
        let planned: Vec<u32> = rates.iter().map(|rate| poisson(rate * 40.0, &mut rng)).collect();
        let targeted: Vec<u32> =
            rates.iter().zip(&targeted_km).map(|(rate, km)| poisson(rate * km, &mut rng)).collect();
        let sum_counts = planned.iter().zip(&targeted).map(|(a, b)| a + b).collect();
        let sum_km = planned_km.iter().zip(&targeted_km).map(|(a, b)| a + b).collect();
        let pooled = World::counted(sum_counts, sum_km, vec![0; 60]).fit(run);
        let planned = World::counted(planned, planned_km, vec![0; 60]);
        let targeted = World::counted(targeted, targeted_km, vec![0; 60]);
        let params = RateParams { seed: run, ..RateParams::default() };
        let both = side_by_side(&planned.effort(), &targeted.effort(), &planned.units(), &params).unwrap();
        let truth = rates.iter().sum::<f64>() / 60.0;
        pooled_ratio += pooled.reference_per_km.mean / truth;
        kept_ratio += both.with_targeted.reference_per_km.mean / truth;
        n_runs += 1.0;
        // Where targeted walks went the second answer is sharper, elsewhere it is the first.
        let width = |fit: &RateFit, unit: usize| {
            let interval = fit.units[unit].estimate().unwrap().per_km;
            interval.upper - interval.lower
        };
        let mean = |fit: &RateFit, unit: usize| fit.units[unit].estimate().unwrap().per_km.mean;
        let elsewhere = order[40];
        assert!(mean(&both.planned_only, elsewhere) == mean(&both.with_targeted, elsewhere));
        let narrower = order[..12]
            .iter()
            .filter(|&&unit| width(&both.with_targeted, unit) < width(&both.planned_only, unit));
        assert!(narrower.count() >= 7);
    }
    assert!(pooled_ratio / n_runs > 1.4, "pooled {}", pooled_ratio / n_runs);
    assert!((0.9..1.15).contains(&(kept_ratio / n_runs)), "kept apart {}", kept_ratio / n_runs);
}
