//! Nominal under nothing new, power against a doubling, and the weekly p-value that cries wolf.

use rand_distr::{Distribution, Gamma, Poisson};

use super::*;
use crate::analysis::random::Stream;

const N_UNITS: usize = 24;
const N_WEEKS: usize = 26;
const N_DRAWS: usize = 100;

fn n_repeats() -> usize {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { 400 } else { 60 }
}

/// A park: former years give each unit a count and so a gamma posterior; this season repeats its truth.
struct Planted {
    truth: Vec<f64>,
    draws: Vec<f64>,
}

fn shape_of_season(week: usize) -> f64 {
    let x = (week as f64 + 0.5) / N_WEEKS as f64;
    6.0 * x * (1.0 - x)
}

fn poisson(mean: f64, rng: &mut Stream) -> u64 {
    Poisson::new(mean).map_or(0, |it| it.sample(rng) as u64)
}

fn plant(rng: &mut Stream) -> Planted {
    // True rates from a gamma of shape 2; former years hold twice the exposure of this season.
    let rates: Vec<f64> = (0..N_UNITS).map(|_| Gamma::new(2.0, 1.5).unwrap().sample(rng)).collect();
    let per_week = |rate: f64, week: usize| rate * shape_of_season(week) / N_WEEKS as f64;
    let posterior: Vec<Gamma<f64>> = rates
        .iter()
        .map(|rate| {
            let former = poisson(2.0 * rate, rng) as f64;
            Gamma::new(2.0 + former, 1.0 / (1.0 / 1.5 + 2.0)).unwrap()
        })
        .collect();
    let mut draws = Vec::with_capacity(N_DRAWS * N_UNITS * N_WEEKS);
    for _ in 0..N_DRAWS {
        for gamma in &posterior {
            let rate = gamma.sample(rng);
            draws.extend((0..N_WEEKS).map(|week| per_week(rate, week)));
        }
    }
    let truth = rates.iter().flat_map(|rate| (0..N_WEEKS).map(move |week| per_week(*rate, week))).collect();
    Planted { truth, draws }
}

/// Expectations of each unit and week, draw-major: every unit follows a course of its own.
fn each(n_units: usize, n_weeks: usize, expected: &[f64]) -> Expectation {
    let n_draws = expected.len() / n_units / n_weeks;
    Expectation {
        level: vec![1.0; n_draws * n_units],
        n_curves: n_units,
        curves: expected.to_vec(),
        shares: (0..n_units).map(|unit| vec![(unit, 1.0)]).collect(),
    }
}

fn seen(truth: &[f64], rng: &mut Stream) -> Vec<u64> {
    truth.iter().map(|mean| poisson(*mean, rng)).collect()
}

fn watched(planted: &Planted, observed: &[u64], seed: u64) -> Watch {
    let input = WatchInput {
        n_units: N_UNITS,
        n_weeks: N_WEEKS,
        n_seen: N_WEEKS,
        observed,
        expected: &each(N_UNITS, N_WEEKS, &planted.draws),
    };
    watch(&input, &WatchParams { seed, n_simulations: 300, ..WatchParams::default() }).unwrap()
}

#[test]
fn false_alarms_are_as_many_as_stated() {
    let (mut alarms, mut stated, mut naive) = (0.0, 0.0, 0.0);
    for repeat in 0..n_repeats() {
        let mut rng = stream(71, repeat as u64);
        let planted = plant(&mut rng);
        let observed = seen(&planted.truth, &mut rng);
        let found = watched(&planted, &observed, repeat as u64);
        assert!(found.false_alarms <= 1.0);
        alarms += found.alarms.len() as f64;
        stated += found.false_alarms;
        let is_low = |state: &&WeekState| matches!(state, WeekState::Expected { observed, tail, .. } if *tail < 0.05 && *observed > 0);
        naive += found.weeks.iter().filter(is_low).count() as f64;
    }
    let n = n_repeats() as f64;
    // About one a season: the mean over 60 seasons has a standard error of some 0.15.
    assert!((alarms / n - stated / n).abs() < 0.5, "{} stated {}", alarms / n, stated / n);
    assert!(stated / n > 0.7, "{}", stated / n);
    // Every unit every week at p < 0.05 cries wolf a dozen times in the same seasons.
    assert!(naive / n > 8.0 * stated / n, "{}", naive / n);
}

/// Findings that somebody sees who looks after so many weeks, by unit and week in which each was first called.
fn seen_at(planted: &Planted, observed: &[u64], n_seen: usize, is_whole: bool) -> Vec<(Watched, usize)> {
    let n_weeks = if is_whole { N_WEEKS } else { n_seen };
    let so_far: Vec<u64> =
        observed.chunks_exact(N_WEEKS).flat_map(|weeks| weeks[..n_seen].iter().copied()).collect();
    let expected: Vec<f64> =
        planted.draws.chunks_exact(N_WEEKS).flat_map(|weeks| weeks[..n_weeks].iter().copied()).collect();
    let input = WatchInput {
        n_units: N_UNITS,
        n_weeks,
        n_seen,
        observed: &so_far,
        expected: &each(N_UNITS, n_weeks, &expected),
    };
    let found = watch(&input, &WatchParams { n_simulations: 100, ..WatchParams::default() }).unwrap();
    found.alarms.iter().map(|alarm| (alarm.watched, alarm.called_week)).collect()
}

/// A threshold for the weeks so far spends the whole number of false alarms at every look; one for the whole season
/// spends it once, and what was called stays called.
#[test]
fn looking_every_other_week_gives_no_more_false_alarms() {
    let n = n_repeats() / 4;
    let (mut whole, mut at_the_end, mut naive) = (0, 0, 0);
    for repeat in 0..n {
        let mut rng = stream(75, repeat as u64);
        let planted = plant(&mut rng);
        let observed = seen(&planted.truth, &mut rng);
        let looks = |is_whole: bool| {
            let mut all: Vec<(Watched, usize)> = Vec::new();
            for n_seen in (2..=N_WEEKS).step_by(2) {
                let new = seen_at(&planted, &observed, n_seen, is_whole);
                all.extend(new.into_iter().filter(|it| !all.contains(it)).collect::<Vec<_>>());
            }
            all.len()
        };
        whole += looks(true);
        at_the_end += seen_at(&planted, &observed, N_WEEKS, true).len();
        naive += looks(false);
    }
    assert_eq!(whole, at_the_end);
    assert!(naive as f64 > 2.0 * whole as f64 && naive > 2 * n, "{naive} against {whole} in {n} seasons");
}

#[test]
fn a_doubling_of_a_busy_unit_is_found_more_often_than_nothing() {
    let (mut found_doubled, mut found_plain) = (0, 0);
    for repeat in 0..n_repeats() {
        let mut rng = stream(72, repeat as u64);
        let mut planted = plant(&mut rng);
        // A unit with four encounters a week or so.
        let busy = |value: &mut f64, week: usize| *value = 100.0 * shape_of_season(week) / N_WEEKS as f64;
        for week in 0..N_WEEKS {
            busy(&mut planted.truth[week], week);
            for draw in 0..N_DRAWS {
                busy(&mut planted.draws[draw * N_UNITS * N_WEEKS + week], week);
            }
        }
        let is_about = |watch: &Watch| {
            watch.alarms.iter().any(|alarm| alarm.watched == Watched::Unit(0) && alarm.until_week >= 13)
        };
        let plain = seen(&planted.truth, &mut rng);
        found_plain += usize::from(is_about(&watched(&planted, &plain, repeat as u64)));
        for week in 13..N_WEEKS {
            planted.truth[week] *= 2.0;
        }
        let doubled = seen(&planted.truth, &mut rng);
        found_doubled += usize::from(is_about(&watched(&planted, &doubled, repeat as u64)));
    }
    let share = |found: usize| found as f64 / n_repeats() as f64;
    assert!(share(found_doubled) > 0.9, "{}", share(found_doubled));
    assert!(share(found_plain) < 0.2, "{}", share(found_plain));
}

#[test]
fn a_week_nobody_walks_expects_nothing() {
    let expected = each(1, 3, &[1.0, 0.0, 1.0]);
    let input = WatchInput { n_units: 1, n_weeks: 3, n_seen: 3, observed: &[0, 2, 1], expected: &expected };
    let found = watch(&input, &WatchParams::default()).unwrap();
    assert_eq!(found.weeks[1], WeekState::NoExposure { observed: 2 });
    assert!(matches!(found.weeks[0], WeekState::Expected { observed: 0, tail: 1.0, limits: (0, 3), .. }));
}

/// Two units at other levels of one course, and a third that follows it by half: as if everything were written out.
#[test]
fn levels_times_courses_are_what_is_written_out() {
    let courses = [[1.0, 4.0, 2.0], [3.0, 0.5, 0.0]];
    let shares = vec![vec![(0, 1.0)], vec![(0, 1.0)], vec![(0, 0.5), (1, 0.5)]];
    let level = vec![1.0, 2.5, 4.0];
    let written: Vec<f64> = shares
        .iter()
        .zip(&level)
        .flat_map(|(of, level)| {
            let week = move |week: usize| {
                of.iter().map(|(curve, share)| level * share * courses[*curve][week]).sum()
            };
            (0..3).map(week)
        })
        .collect();
    let expected = Expectation { level, n_curves: 2, curves: courses.concat(), shares };
    let observed = [0, 3, 9, 2, 7, 30, 5, 4, 1];
    let found = |expected: &Expectation| {
        let input = WatchInput { n_units: 3, n_weeks: 3, n_seen: 3, observed: &observed, expected };
        watch(&input, &WatchParams::default()).unwrap()
    };
    let whole = found(&expected);
    assert!(!whole.alarms.is_empty());
    assert_eq!(whole, found(&each(3, 3, &written)));
}

#[test]
fn the_strongest_weeks_are_named_with_their_exact_tail() {
    // One unit, one expected a week; weeks 4 and 5 have six each.
    let observed = [1, 0, 1, 1, 6, 6, 1, 0];
    let expected = each(1, 8, &[1.0; 8]);
    let input = WatchInput { n_units: 1, n_weeks: 8, n_seen: 8, observed: &observed, expected: &expected };
    let found = watch(&input, &WatchParams { false_alarms: 0.1, ..WatchParams::default() }).unwrap();
    let alarm = found.alarms.iter().find(|alarm| alarm.watched == Watched::Unit(0)).unwrap();
    assert_eq!((alarm.first_week, alarm.last_week, alarm.observed, alarm.called_week), (4, 5, 12, 4));
    // P(Poisson(2) >= 12) = 1.36e-6.
    assert!((alarm.tail - 1.36e-6).abs() < 0.02e-6, "{}", alarm.tail);
    assert_eq!(alarm.expected, 2.0);
}

#[test]
fn the_same_seed_gives_the_same_answer_on_any_number_of_threads() {
    let mut rng = stream(73, 0);
    let planted = plant(&mut rng);
    let observed = seen(&planted.truth, &mut rng);
    let on = |n: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap();
        pool.install(|| watched(&planted, &observed, 5))
    };
    assert_eq!(on(1), on(2));
}

#[test]
fn a_factor_of_the_year_keeps_a_busy_year_from_crying_wolf() {
    let mut rng = stream(74, 0);
    let mut planted = plant(&mut rng);
    planted.truth.iter_mut().for_each(|mean| *mean *= 2.2);
    let observed = seen(&planted.truth, &mut rng);
    let expected = each(N_UNITS, N_WEEKS, &planted.draws);
    let input = WatchInput {
        n_units: N_UNITS,
        n_weeks: N_WEEKS,
        n_seen: N_WEEKS,
        observed: &observed,
        expected: &expected,
    };
    let about_all = |year_variation: f64| {
        let params = WatchParams { year_variation, n_simulations: 300, ..WatchParams::default() };
        let found = watch(&input, &params).unwrap();
        found.alarms.iter().any(|alarm| alarm.watched == Watched::All)
    };
    assert!(about_all(0.0));
    assert!(!about_all(1.0));
}

#[test]
fn wrong_input_is_named() {
    let expected = each(1, 2, &[1.0, 1.0]);
    let input = WatchInput { n_units: 1, n_weeks: 2, n_seen: 2, observed: &[0, 1], expected: &expected };
    let params = WatchParams::default();
    let short = WatchInput { observed: &[0], ..input };
    assert!(matches!(watch(&short, &params), Err(WatchError::Shape(_))));
    for n_seen in [0, 3] {
        let outside = WatchInput { n_seen, ..input };
        assert!(matches!(watch(&outside, &params), Err(WatchError::Shape(_))));
    }
    let wrong = WatchInput { expected: &each(1, 2, &[1.0, f64::NAN]), ..input };
    assert!(matches!(watch(&wrong, &params), Err(WatchError::Value { .. })));
    let of_no_course = Expectation { shares: vec![vec![(1, 1.0)]], ..expected.clone() };
    for expected in [of_no_course, Expectation { curves: vec![1.0; 3], ..expected.clone() }] {
        let wrong = WatchInput { expected: &expected, ..input };
        assert!(matches!(watch(&wrong, &params), Err(WatchError::Shape(_))), "{expected:?}");
    }
    for params in [
        WatchParams { dispersion: 0.5, ..params },
        WatchParams { year_variation: -1.0, ..params },
        WatchParams { longest_window: 0, ..params },
        WatchParams { false_alarms: 0.0, ..params },
        WatchParams { n_simulations: 0, ..params },
    ] {
        assert!(matches!(watch(&input, &params), Err(WatchError::Value { .. })), "{params:?}");
    }
}
