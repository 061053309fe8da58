//! Planted numbers of snakes are recovered, and ignoring what makes them easy to see is not.

use rand::RngExt;

use crate::analysis::counts::quantiles::logistic;
use crate::analysis::double_observer::huggins::{Observers, best};
use crate::analysis::double_observer::{
    Covariates, HugginsResult, LeadFollow, Sighting, huggins, independent, lead_follow,
};
use crate::analysis::random::stream;

const N_SNAKES: usize = 150;

/// What two observers see of snakes at 0 to 8 m, noticed less the farther they are.
fn near_and_far(seed: u64) -> Vec<Sighting> {
    let mut rng = stream(seed, 0);
    let mut seen = Vec::new();
    for _ in 0..N_SNAKES {
        let distance_m = 8.0 * rng.random::<f64>();
        let share = logistic(2.5 - 0.7 * distance_m);
        let (by_first, by_second) = (rng.random::<f64>() < share, rng.random::<f64>() < share);
        if by_first || by_second {
            seen.push(Sighting { by_first, by_second, covariates: vec![distance_m] });
        }
    }
    seen
}

fn with_distance() -> Covariates {
    Covariates {
        names: vec!["distance".to_owned()],
        models: vec![Vec::new(), vec![0]],
        observers: Observers::Alike,
    }
}

#[test]
fn ignoring_distance_counts_too_few_and_the_model_of_distance_does_not() {
    let (mut plain, mut modelled, mut covered, mut chosen) = (0.0, 0.0, 0, 0);
    const N_RUNS: u64 = 60;
    for seed in 0..N_RUNS {
        let seen = near_and_far(seed);
        let by = |pick: fn(&Sighting) -> bool| seen.iter().filter(|sighting| pick(sighting)).count() as u64;
        let counted = independent(
            by(|sighting| sighting.by_first),
            by(|sighting| sighting.by_second),
            by(|sighting| sighting.by_first && sighting.by_second),
            0.95,
        );
        plain += counted.unwrap().chapman;
        let results = huggins(&seen, &with_distance(), 0.95).unwrap();
        let HugginsResult::Fitted(fit) = &results[1] else { panic!("{results:?}") };
        modelled += fit.abundance;
        let (lower, upper) = fit.limits.unwrap();
        covered += u32::from(lower <= N_SNAKES as f64 && N_SNAKES as f64 <= upper);
        chosen += u32::from(best(&results) == Some(1));
    }
    let mean = |total: f64| total / N_RUNS as f64 / N_SNAKES as f64;
    assert!(mean(plain) < 0.8, "ignored: {:.2} of the snakes", mean(plain));
    assert!((0.9..1.15).contains(&mean(modelled)), "modelled: {:.2} of the snakes", mean(modelled));
    assert!(covered >= 52, "{covered} of 60 intervals hold the number planted");
    assert!(chosen >= 58, "the criterion chooses distance in {chosen} of 60 runs");
}

#[test]
fn alike_snakes_are_counted_right_by_both_protocols() {
    let (mut by_chapman, mut by_removal, mut covered) = (0.0, 0.0, 0);
    const N_RUNS: u64 = 400;
    let share = 0.65;
    for seed in 0..N_RUNS {
        let mut rng = stream(seed, 1);
        let (mut only_first, mut only_second, mut both) = (0, 0, 0);
        for _ in 0..N_SNAKES {
            match (rng.random::<f64>() < share, rng.random::<f64>() < share) {
                (true, true) => both += 1,
                (true, false) => only_first += 1,
                (false, true) => only_second += 1,
                (false, false) => {}
            }
        }
        let counted = independent(only_first + both, only_second + both, both, 0.95).unwrap();
        by_chapman += counted.chapman;
        let (lower, upper) = counted.limits.unwrap();
        covered += u32::from(lower <= N_SNAKES as f64 && N_SNAKES as f64 <= upper);
        let LeadFollow::Estimated(fit) = lead_follow(only_first + both, only_second, 0.95).unwrap() else {
            panic!("the leader finds more at this share");
        };
        by_removal += fit.abundance;
        assert!(fit.each.lower < share && share < fit.each.upper || (fit.each.share - share).abs() > 0.1);
    }
    let mean = |total: f64| total / N_RUNS as f64 / N_SNAKES as f64;
    assert!((mean(by_chapman) - 1.0).abs() < 0.01, "{}", mean(by_chapman));
    assert!((mean(by_removal) - 1.0).abs() < 0.03, "{}", mean(by_removal));
    assert!((370..=396).contains(&covered), "{covered} of 400");
}
