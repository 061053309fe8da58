//! Planted rates are found again, and what must not matter does not.

use proptest::prelude::*;
use rand::RngExt;
use rand_distr::{Distribution, Gamma, LogNormal, Poisson, StandardNormal};

use super::*;
use crate::analysis::random::{Stream, stream};

/// Owned input of an estimate.
pub(super) struct World {
    pub(super) counts: CountDraws,
    pub(super) exposure: ExposureDraws,
    pub(super) stratum: Vec<usize>,
    pub(super) provenance: Vec<Provenance>,
}

impl World {
    pub(super) fn counted(counts: Vec<u32>, party_km: Vec<f64>, stratum: Vec<usize>) -> Self {
        let provenance = vec![Provenance::Counted; stratum.len()];
        let exposure = ExposureDraws::certain(party_km);
        Self { counts: CountDraws::certain(counts), exposure, stratum, provenance }
    }

    pub(super) fn effort(&self) -> Effort<'_> {
        Effort { counts: &self.counts, exposure: &self.exposure }
    }

    pub(super) fn units(&self) -> Units<'_> {
        Units { stratum: &self.stratum, provenance: &self.provenance }
    }

    pub(super) fn fit(&self, seed: u64) -> RateFit {
        estimate(&self.effort(), &self.units(), &RateParams { seed, ..RateParams::default() }).unwrap()
    }
}

pub(super) fn poisson(mean: f64, rng: &mut Stream) -> u32 {
    if mean > 0.0 { Poisson::new(mean).unwrap().sample(rng) as u32 } else { 0 }
}

/// Times a test may be enlarged by.
pub(super) fn long_factor() -> u64 {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { 10 } else { 1 }
}

/// Rates drawn from the prior itself, with the counts they give.
fn world_from_prior(rng: &mut Stream) -> (World, Vec<f64>) {
    let normal = |rng: &mut Stream| -> f64 { StandardNormal.sample(rng) };
    let shared_cv: f64 = normal(rng).abs().max(0.02);
    let (mut rates, mut counts, mut party_km, mut stratum) = (vec![], vec![], vec![], vec![]);
    for trail in 0..6 {
        let mean = 0.01 * normal(rng).exp();
        let cv = shared_cv * (0.5 * normal(rng)).exp();
        let gamma = Gamma::new(1.0 / (cv * cv), mean * cv * cv).unwrap();
        for _ in 0..[25, 15, 10, 6, 3, 1][trail] {
            let km: f64 = LogNormal::new(5.0, 1.0).unwrap().sample(rng);
            rates.push(gamma.sample(rng));
            counts.push(poisson(rates[rates.len() - 1] * km, rng));
            party_km.push(km);
            stratum.push(trail);
        }
    }
    (World::counted(counts, party_km, stratum), rates)
}

#[test]
fn intervals_cover_as_often_as_they_say_over_the_prior() {
    let (mut covered, mut total) = (0, 0);
    for run in 0..60 * long_factor() {
        let (world, rates) = world_from_prior(&mut stream(21, run));
        let fit = world.fit(run);
        for (unit, rate) in fit.units.iter().zip(rates) {
            let interval = unit.estimate().unwrap().per_km;
            covered += u32::from((interval.lower..=interval.upper).contains(&rate));
            total += 1;
        }
    }
    let share = f64::from(covered) / f64::from(total);
    assert!((0.92..0.975).contains(&share), "{share}");
}

/// Only the first unit of each trail is measured; looked at are those with at least three times its raw rate. The naive way draws the others by the distribution of their stratum as the measured
/// units leave it: what their own records say against it is not heard.
#[test]
fn units_that_inform_nobody_hear_their_own_records() {
    let prior = HyperPrior::default();
    let grid = hyper::Grid::new(&prior);
    let (mut covered, mut naive, mut total) = (0, 0, 0);
    for run in 0..150 * long_factor() {
        let (mut world, rates) = world_from_prior(&mut stream(25, run));
        for unit in 1..rates.len() {
            if world.stratum[unit] == world.stratum[unit - 1] {
                world.provenance[unit] = Provenance::Assumed;
            }
        }
        let fit = world.fit(run);
        let known = |stratum: usize| -> Vec<(u32, f64)> {
            let first = world.stratum.iter().position(|it| *it == stratum).unwrap();
            vec![(world.counts.row(0)[first], world.exposure.party_km[first])]
        };
        let strata: Vec<likelihood::Stratum> =
            (0..6).map(|stratum| likelihood::Stratum::new(&known(stratum))).collect();
        let asked = [None; 6];
        let drawn: Vec<Vec<hyper::Hyper>> = (0..200)
            .map(|draw| {
                let rngs = (&mut stream(run, draw), &mut stream(run, 1_000));
                grid.draw(&strata, &prior, &asked, rngs).strata
            })
            .collect();
        let mut rng = stream(26, run);
        for (unit, rate) in rates.iter().enumerate() {
            let (count, km) = (world.counts.row(0)[unit], world.exposure.party_km[unit]);
            let (known_count, known_km) = known(world.stratum[unit])[0];
            let times = f64::from(count) / km / ((f64::from(known_count) + 0.5) / known_km);
            if world.provenance[unit].is_measured() || count < 6 || times < 3.0 {
                continue;
            }
            total += 1;
            let interval = fit.units[unit].estimate().unwrap().per_km;
            covered += u32::from((interval.lower..=interval.upper).contains(rate));
            let mut values: Vec<f64> = drawn
                .iter()
                .flat_map(|strata| {
                    let it = strata[world.stratum[unit]];
                    let mut within = [0.0; 8];
                    gamma::fill(it.shape() + f64::from(count), it.rate_km() + km, &mut rng, &mut within);
                    within
                })
                .collect();
            let (lower, upper) = interval::central_limits(&mut values, 0.95);
            naive += u32::from((lower..=upper).contains(rate));
        }
    }
    let (share, naive) = (f64::from(covered) / f64::from(total), f64::from(naive) / f64::from(total));
    assert!((0.92..0.98).contains(&share), "{share}, the naive way {naive}");
    assert!(naive < share - 0.03, "{naive}");
}

/// A trail of which one quiet unit is measured; on the others, whose walking is assumed, reports lie where they lie.
#[test]
fn a_quiet_unit_does_not_hush_its_whole_trail() {
    let mut counts = vec![2, 53, 0, 4];
    let mut party_km = vec![1_000.0, 2_034.0, 1_554.0, 900.0];
    let mut stratum = vec![0; 4];
    for unit in 0..12 {
        counts.push(3 + unit % 3);
        party_km.push(2_000.0);
        stratum.push(1);
    }
    let mut world = World::counted(counts, party_km, stratum);
    world.provenance[1..4].fill(Provenance::Assumed);
    let fit = world.fit(3);
    let per_1000 = |unit: usize| {
        let interval = fit.units[unit].estimate().unwrap().per_km;
        [interval.lower * 1e3, interval.mean * 1e3, interval.upper * 1e3]
    };
    // 53 in 2,034 km is 26 (exact limits 20 to 34).
    let [lower, mean, upper] = per_1000(1);
    assert!(lower > 16.0 && (20.0..27.0).contains(&mean) && upper < 36.0, "{:?}", per_1000(1));
    assert!(per_1000(2)[2] < 4.0 && per_1000(0)[1] < 5.0, "{:?} {:?}", per_1000(2), per_1000(0));
}

#[test]
fn planted_rates_are_found_better_than_by_dividing() {
    let (mut error, mut raw_error) = (0.0, 0.0);
    for run in 0..20 {
        let (world, rates) = world_from_prior(&mut stream(22, run));
        let fit = world.fit(run);
        let truth: f64 = rates.iter().zip(&world.exposure.party_km).map(|(rate, km)| rate * km).sum();
        let reference = fit.reference_per_km;
        let planted = truth / world.exposure.party_km.iter().sum::<f64>();
        assert!(
            (reference.lower * 0.75..reference.upper * 1.25).contains(&planted),
            "{planted} {reference:?}"
        );
        for (unit, rate) in fit.units.iter().zip(rates) {
            let raw = unit.count / unit.exposure_km;
            error += (unit.estimate().unwrap().per_km.mean - rate).powi(2) / planted.powi(2);
            raw_error += (raw - rate).powi(2) / planted.powi(2);
        }
    }
    assert!(error < 0.7 * raw_error, "{error} against {raw_error}");
}

/// What makes up most of the reference cannot exceed a multiple of it: a trail alone would always pass for an ordinary one.
#[test]
fn a_unit_that_is_most_of_the_reference_is_not_judged() {
    let alone = World::counted(vec![40], vec![1000.0], vec![0]);
    assert_eq!(alone.fit(1).units[0].estimate().unwrap().exceedance, Exceedance::NotJudged);
    let beside = World::counted(vec![40, 2], vec![1000.0, 250.0], vec![0; 2]);
    let fit = beside.fit(1);
    assert_eq!(fit.units[0].estimate().unwrap().exceedance, Exceedance::NotJudged);
    assert!(fit.units[1].judged().is_some());
}

#[test]
fn every_kind_of_unit_gets_its_answer() {
    let mut world = World::counted(
        vec![4, 2, 0, 3, 6, 0, 5],
        vec![300.0, 250.0, 0.0, 0.0, 300.0, 280.0, 310.0],
        vec![0; 7],
    );
    world.provenance[2] = Provenance::NotWalked;
    world.provenance[3] = Provenance::NotWalked;
    world.provenance[4] = Provenance::Assumed;
    let fit = world.fit(1);
    assert_eq!(fit.units[2].rate, UnitRate::Unexposed);
    assert_eq!(fit.units[3].rate, UnitRate::ContradictsRecords);
    assert_eq!(fit.units[4].estimate().unwrap().exceedance, Exceedance::NotJudged);
    assert!(fit.units[0].judged().is_some());
    assert!(fit.rates.per_km.iter().all(|rate| rate.is_finite() && *rate >= 0.0));
    assert_eq!(fit.strata[0].n_units, 4);
    // An assumed unit informs nobody: other counts there leave the rest as it was.
    let before = fit.units[0];
    world.counts.counts[4] = 600;
    assert_eq!(world.fit(1).units[0].estimate().unwrap().per_km.mean, before.estimate().unwrap().per_km.mean);
}

#[test]
fn nothing_walked_is_said_so() {
    let world = World::counted(vec![0, 1], vec![0.0, 0.0], vec![0, 0]);
    assert_eq!(estimate(&world.effort(), &world.units(), &RateParams::default()), Err(RateError::NoExposure));
    let empty = World::counted(vec![], vec![], vec![]);
    assert_eq!(estimate(&empty.effort(), &empty.units(), &RateParams::default()), Err(RateError::NoExposure));
}

#[test]
fn no_records_at_all_still_leave_room_for_some() {
    let fit = World::counted(vec![0; 20], vec![100.0; 20], vec![0; 20]).fit(1);
    let interval = fit.units[0].estimate().unwrap().per_km;
    // Nothing met in 2,000 km: the rate is below 3/2,000 per km or so (rule of three), yet not zero.
    assert!(interval.upper > 0.0003 && interval.upper < 0.005, "{interval:?}");
    assert!(matches!(fit.strata[0].spread, Spread::CannotTellApart { .. }));
    assert_eq!(fit.calls.false_share, FalseShare::NoCalls);
}

#[test]
fn equal_rates_cannot_be_told_apart_and_unequal_ones_can() {
    let mut rng = stream(23, 0);
    let equal: Vec<u32> = (0..40).map(|_| poisson(4.0, &mut rng)).collect();
    let uneven: Vec<u32> = (0..40).map(|i| poisson(if i % 4 == 0 { 12.0 } else { 1.3 }, &mut rng)).collect();
    let fit = World::counted(equal, vec![400.0; 40], vec![0; 40]).fit(1);
    assert!(matches!(fit.strata[0].spread, Spread::CannotTellApart { .. }), "{:?}", fit.strata[0]);
    let first = fit.units[0].estimate().unwrap();
    assert!(first.shrinkage > 0.6 && first.per_km.upper > 1.1 * first.per_km.mean, "{first:?}");
    let fit = World::counted(uneven, vec![400.0; 40], vec![0; 40]).fit(1);
    assert!(matches!(fit.strata[0].spread, Spread::ToldApart { .. }), "{:?}", fit.strata[0]);
    assert!(fit.calls.units.iter().filter(|&unit| unit % 4 == 0).count() >= 6, "{:?}", fit.calls);
    assert!(fit.calls.units.iter().all(|unit| unit % 4 == 0), "{:?}", fit.calls);
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let (world, _) = world_from_prior(&mut stream(24, 0));
    let on = |n_threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(n_threads).build().unwrap();
        pool.install(|| world.fit(9))
    };
    assert_eq!(on(1), on(2));
    assert_ne!(on(1), world.fit(10));
}

#[test]
fn relabelling_units_changes_no_estimate() {
    let (world, _) = world_from_prior(&mut stream(25, 0));
    let n_units = world.stratum.len();
    let order: Vec<usize> = (0..n_units).map(|i| i * 7 % n_units).collect();
    let pick = |values: &[f64]| order.iter().map(|&i| values[i]).collect::<Vec<f64>>();
    let moved = World::counted(
        order.iter().map(|&i| world.counts.counts[i]).collect(),
        pick(&world.exposure.party_km),
        order.iter().map(|&i| world.stratum[i]).collect(),
    );
    let (fit, moved) = (world.fit(1), moved.fit(1));
    for (place, &unit) in order.iter().enumerate() {
        let (was, is) = (fit.units[unit].estimate().unwrap(), moved.units[place].estimate().unwrap());
        assert!((is.per_km.mean / was.per_km.mean - 1.0).abs() < 1e-6);
        assert!((is.shrinkage - was.shrinkage).abs() < 1e-6);
        // Limits and the reference come from draws, whose order follows the units.
        assert!((is.per_km.upper / was.per_km.upper - 1.0).abs() < 0.2);
        let (Exceedance::Probability(is), Exceedance::Probability(was)) = (is.exceedance, was.exceedance)
        else {
            panic!("not judged");
        };
        assert!((is - was).abs() < 0.06, "{is} {was}");
    }
}

#[test]
fn ambiguous_records_widen_the_interval() {
    let sure = World::counted(vec![9, 9, 9, 9], vec![300.0; 4], vec![0; 4]);
    let mut unsure = World::counted(vec![9, 9, 9, 9], vec![300.0; 4], vec![0; 4]);
    let mut rng = stream(26, 0);
    let dealt = (0..200).flat_map(|_| {
        let first = (0..18).filter(|_| rng.random::<bool>()).count() as u32;
        [first, 18 - first, 9, 9]
    });
    unsure.counts = CountDraws { n_draws: 200, n_units: 4, counts: dealt.collect() };
    let width = |world: &World| {
        let interval = world.fit(1).units[0].estimate().unwrap().per_km;
        interval.upper - interval.lower
    };
    assert!(width(&unsure) > width(&sure));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn shrunk_rates_lie_between_raw_rate_and_mean(
        units in prop::collection::vec((0_u32..30, 1_u32..2000, 0_usize..3), 1..30), seed in 0_u64..1000
    ) {
        let world = World::counted(
            units.iter().map(|u| u.0).collect(),
            units.iter().map(|u| f64::from(u.1)).collect(),
            units.iter().map(|u| u.2).collect(),
        );
        // With one draw the mean and spread are one pair of values, so the statement is exact.
        let params = RateParams { seed, n_draws: 1, ..RateParams::default() };
        let fit = estimate(&world.effort(), &world.units(), &params).unwrap();
        for (unit, &stratum) in fit.units.iter().zip(&world.stratum) {
            let (raw, mean) = (unit.count / unit.exposure_km, fit.strata[stratum].mean_per_km.mean);
            let estimate = unit.estimate().unwrap();
            let slack = 1e-9 * raw.max(mean);
            prop_assert!(estimate.per_km.mean >= raw.min(mean) - slack);
            prop_assert!(estimate.per_km.mean <= raw.max(mean) + slack);
            prop_assert!((0.0..=1.0).contains(&estimate.shrinkage));
        }
    }
}
