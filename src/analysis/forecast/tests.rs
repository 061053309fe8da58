//! Hand-worked routes, planted truth, and the plug-in that goes wrong.

use rand_distr::{Distribution, Gamma, Poisson};

use super::*;
use crate::analysis::graph::{Edge, Graph, shortest_paths};
use crate::analysis::random::stream;
use crate::analysis::rates::{
    CountDraws, Effort, ExposureDraws, Provenance, RateParams, UnitRate, Units, estimate,
};

const ALONE: ForecastParams = ForecastParams { n_parties: 1, dispersion: 1.0, confidence_level: 0.95 };

fn draws(per_km: Vec<f64>, n_units: usize) -> RateDraws {
    RateDraws { n_draws: per_km.len() / n_units, n_units, per_km }
}

fn of(visits: &[Visit], draws: &RateDraws, known: &[UnitKnown]) -> Forecast {
    forecast(visits, &ForecastRates { draws, factors: &UnitFactors::common(vec![1.0]), known }, &ALONE)
        .unwrap()
}

fn bounds(forecast: Forecast) -> (Bound, Bound, RouteKm) {
    match forecast {
        Forecast::Estimated { lower, upper, km } => (*lower, *upper, km),
        other => panic!("not estimable: {other:?}"),
    }
}

const ON_ONE_EACH: Ground<'_> = Ground { unit_of: &[0, 1], outside: &[1.0, 1.0] };

/// What is met inside a place is counted by its visits: it is in no figure of the way, and the way is as long as it is.
#[test]
fn metres_inside_places_are_in_no_figure() {
    let draws = draws(vec![0.02], 1);
    let figures = |visit| bounds(of(&[visit], &draws, &[UnitKnown::Identified]));
    let (inside, _, km) = figures(Visit { unit: 0, km: 3.0, inside_km: 1.0, n_passes: 2 });
    let (shorter, _, _) = figures(Visit { unit: 0, km: 2.0, inside_km: 0.0, n_passes: 2 });
    assert_eq!(inside, shorter);
    assert_eq!((km.identified, km.at_places, km.left_out()), (4.0, 2.0, 0.0));
}

#[test]
fn a_route_of_two_units_by_hand() {
    // 2 km at 0.01 and 1 km at 0.03 per km: 0.05 encounters, P = 1 - e^-0.05 = 0.048771.
    let draws = draws(vec![0.01, 0.03], 2);
    let visits = [
        Visit { unit: 0, km: 2.0, inside_km: 0.0, n_passes: 1 },
        Visit { unit: 1, km: 1.0, inside_km: 0.0, n_passes: 1 },
    ];
    let (lower, upper, km) = bounds(of(&visits, &draws, &[UnitKnown::Identified; 2]));
    assert!((upper.expected.mean - 0.05).abs() < 1e-15);
    assert!((upper.at_least_one.mean - 0.048_770_575_5).abs() < 1e-9);
    assert_eq!(lower, upper);
    assert_eq!((km.identified, km.left_out()), (3.0, 0.0));
}

#[test]
fn out_and_back_lies_between_once_and_twice() {
    let draws = draws(vec![0.02], 1);
    let visits = [Visit { unit: 0, km: 3.0, inside_km: 0.0, n_passes: 2 }];
    let (lower, upper, km) = bounds(of(&visits, &draws, &[UnitKnown::Identified]));
    assert!((lower.expected.mean - 0.06).abs() < 1e-15 && (upper.expected.mean - 0.12).abs() < 1e-15);
    assert_eq!(km.identified, 6.0);
}

#[test]
fn the_plug_in_at_the_mean_is_too_high_where_the_posterior_is_wide() {
    // Exponential posterior with mean 1 per km over 1 km: E[exp(-x)] = 1/2, so that P = 0.5; at the mean it is 0.632.
    let n = 4000;
    let wide: Vec<f64> = (0..n).map(|i| -((f64::from(i) + 0.5) / f64::from(n)).ln()).collect();
    let visits = [Visit { unit: 0, km: 1.0, inside_km: 0.0, n_passes: 1 }];
    let (_, upper, _) = bounds(of(&visits, &draws(wide, 1), &[UnitKnown::Identified]));
    assert!((upper.at_least_one.mean - 0.5).abs() < 1e-3, "{upper:?}");
    let plug_in = 1.0 - (-upper.expected.mean).exp();
    assert!(plug_in > 0.62, "{plug_in}");
    // Where the posterior is narrow the two agree.
    let (_, narrow, _) = bounds(of(&visits, &draws(vec![1.0; 50], 1), &[UnitKnown::Identified]));
    assert!((narrow.at_least_one.mean - (1.0 - (-1f64).exp())).abs() < 1e-12);
}

#[test]
fn what_is_not_walked_is_said_and_never_zero() {
    let draws = draws(vec![0.01, 5.0, 0.02, 7.0], 4);
    let known =
        [UnitKnown::Identified, UnitKnown::Unexposed, UnitKnown::Assumed, UnitKnown::ContradictsRecords];
    let visit = |unit, km| Visit { unit, km, inside_km: 0.0, n_passes: 1 };
    let all = [visit(0, 1.0), visit(1, 2.0), visit(2, 4.0), visit(3, 8.0)];
    let (_, upper, km) = bounds(of(&all, &draws, &known));
    assert!((upper.expected.mean - 0.09).abs() < 1e-15);
    assert_eq!(
        km,
        RouteKm { identified: 1.0, assumed: 4.0, unexposed: 2.0, contradicting: 8.0, at_places: 0.0 }
    );
    let nothing = of(&all[1..2], &draws, &known);
    assert!(matches!(nothing, Forecast::NotEstimable { km } if km.unexposed == 2.0));
}

#[test]
fn wrong_input_is_named() {
    let draws = draws(vec![0.01], 1);
    let known = [UnitKnown::Identified];
    let visit = |unit, km| [Visit { unit, km, inside_km: 0.0, n_passes: 1 }];
    let known_factors = |factor: &[f64]| UnitFactors::common(factor.to_vec());
    let asked = |visits: &[Visit], factor: &[f64], params| {
        let factors = known_factors(factor);
        let rates = ForecastRates { draws: &draws, factors: &factors, known: &known };
        forecast(visits, &rates, &params).unwrap_err()
    };
    assert_eq!(asked(&[], &[1.0], ALONE), ForecastError::EmptyRoute);
    assert_eq!(asked(&visit(3, 1.0), &[1.0], ALONE), ForecastError::NoSuchUnit { unit: 3, n_units: 1 });
    assert!(matches!(asked(&visit(0, f64::NAN), &[1.0], ALONE), ForecastError::Value { .. }));
    assert!(matches!(asked(&visit(0, 1.0), &[], ALONE), ForecastError::Shape(_)));
    let nobody = ForecastParams { n_parties: 0, ..ALONE };
    assert!(matches!(asked(&visit(0, 1.0), &[1.0], nobody), ForecastError::Value { .. }));
    let tight = ForecastParams { dispersion: 0.5, ..ALONE };
    assert!(matches!(asked(&visit(0, 1.0), &[1.0], tight), ForecastError::Value { .. }));
}

#[test]
fn the_period_multiplies_draw_by_draw() {
    // Rates and factors that move against each other: 1 * 3 and 3 * 1 are both 3, and the interval has no width.
    let draws = draws(vec![1.0, 3.0], 1);
    let factors = UnitFactors::common(vec![3.0, 1.0]);
    let rates = ForecastRates { draws: &draws, factors: &factors, known: &[UnitKnown::Identified] };
    let visits = [Visit { unit: 0, km: 1.0, inside_km: 0.0, n_passes: 1 }];
    let (_, upper, _) = bounds(forecast(&visits, &rates, &ALONE).unwrap());
    assert_eq!((upper.expected.lower, upper.expected.mean, upper.expected.upper), (3.0, 3.0, 3.0));
}

#[test]
fn a_walk_out_and_back_turns_part_way_along_a_segment() {
    let edge = |from, to, length_m| Edge { from, to, length_m };
    let graph = Graph::new(3, vec![edge(0, 1, 1000.0), edge(1, 2, 1000.0)]).unwrap();
    let paths = shortest_paths(&graph, 0, |_| true);
    let reach = paths.farthest(&graph, 1500.0, |_| true).unwrap();
    let (steps, visits) = out_and_back(&graph, &paths, &reach, &ON_ONE_EACH);
    assert_eq!(steps.len(), 2);
    assert_eq!(visits[0], Visit { unit: 0, km: 1.0, inside_km: 0.0, n_passes: 2 });
    assert_eq!(visits[1], Visit { unit: 1, km: 0.5, inside_km: 0.0, n_passes: 2 });
    // A place over a tenth of the first segment.
    let (_, visits) = out_and_back(&graph, &paths, &reach, &Ground { outside: &[0.9, 1.0], ..ON_ONE_EACH });
    assert_eq!((visits[0].km, visits[1].inside_km), (1.0, 0.0));
    assert!((visits[0].inside_km - 0.1).abs() < 1e-12);
}

/// A park of twelve units with rates from a gamma, counted over known walking; then a season of parties walks a route.
/// `dispersion` is that of the season's counts.
fn coverage(dispersion: f64, told: f64) -> f64 {
    let n_repeats = if std::env::var_os("COILWAY_LONG_TESTS").is_some() { 2000 } else { 300 };
    let n_units = 12;
    let n_parties = 400;
    let mut n_held = 0;
    for repeat in 0..n_repeats {
        let mut rng = stream(505, repeat);
        let rates: Vec<f64> =
            (0..n_units).map(|_| Gamma::new(2.0, 0.002).unwrap().sample(&mut rng)).collect();
        let walked: Vec<f64> = (0..n_units).map(|unit| 300.0 * (1 + unit % 4) as f64).collect();
        let counted: Vec<u32> = rates
            .iter()
            .zip(&walked)
            .map(|(rate, km)| Poisson::new(rate * km).unwrap().sample(&mut rng) as u32)
            .collect();
        let (counts, exposure) = (CountDraws::certain(counted), ExposureDraws::certain(walked));
        let units = Units { stratum: &vec![0; n_units], provenance: &vec![Provenance::Counted; n_units] };
        let effort = Effort { counts: &counts, exposure: &exposure };
        let params = RateParams { n_draws: 200, seed: repeat, ..RateParams::default() };
        let fit = estimate(&effort, &units, &params).unwrap();
        assert!(fit.units.iter().all(|unit| matches!(unit.rate, UnitRate::Estimated(_))));
        let visits: Vec<Visit> =
            [1, 4, 7].map(|unit| Visit { unit, km: 1.5, inside_km: 0.0, n_passes: 1 }).into_iter().collect();
        let known = vec![UnitKnown::Identified; n_units];
        let factors = UnitFactors::common(vec![1.0]);
        let given = ForecastRates { draws: &fit.rates, factors: &factors, known: &known };
        let asked = ForecastParams { n_parties, dispersion: told, confidence_level: 0.9 };
        let (_, upper, _) = bounds(forecast(&visits, &given, &asked).unwrap());
        let truth =
            f64::from(n_parties) * visits.iter().map(|visit| rates[visit.unit] * visit.km).sum::<f64>();
        let mean = match dispersion > 1.0 {
            true => Gamma::new(truth / (dispersion - 1.0), dispersion - 1.0).unwrap().sample(&mut rng),
            false => truth,
        };
        let met = Poisson::new(mean.max(1e-12)).unwrap().sample(&mut rng) as u64;
        let (low, high) = upper.predicted_of_all;
        n_held += usize::from(low <= met && met <= high);
    }
    n_held as f64 / n_repeats as f64
}

#[test]
fn predictive_limits_hold_their_level_for_planted_truth() {
    // 90 % limits of whole counts hold a little more than 90 %; three standard errors of 300 repeats are 5 %.
    let held = coverage(1.0, 1.0);
    assert!((0.85..=0.97).contains(&held), "{held}");
    let bunched = coverage(3.0, 3.0);
    assert!((0.85..=0.97).contains(&bunched), "{bunched}");
}

#[test]
fn poisson_limits_fail_where_encounters_bunch() {
    let held = coverage(6.0, 1.0);
    assert!(held < 0.85, "{held}");
}
