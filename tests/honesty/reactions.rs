//! Tests and limits of reactions when snakes are approached again and again.

use rand::RngExt;

use coilway::analysis::random::stream;
use coilway::analysis::response::Approach;
use coilway::analysis::response::Contact;
use coilway::analysis::response::EffortKind;
use coilway::analysis::response::Occasion;
use coilway::analysis::response::Question;
use coilway::analysis::response::Reaction;
use coilway::analysis::response::bootstrap::BootstrapParams;
use coilway::analysis::response::contact_test::Alternative;
use coilway::analysis::response::contact_test::ContactTestParams;
use coilway::analysis::response::contact_test::contact_test;
use coilway::analysis::response::escalation::EscalationTrend;
use coilway::analysis::response::escalation::escalation_trend;
use coilway::analysis::response::table::CellEstimate;
use coilway::analysis::response::table::reaction_tables;

use crate::measured::measured;
use crate::measured::n_simulations;

pub(crate) const STRIKE: Question =
    Question { effort_kind: EffortKind::Located, term: 0, occasion: Occasion::Any };

/// Snakes that strike readily or hardly ever, whatever the contact; each approached a few times, mostly in one way.
pub(crate) fn approaches(index: u64, n_snakes: usize) -> Vec<Approach> {
    let mut rng = stream(41, index);
    let mut all = Vec::new();
    for snake in 0..n_snakes {
        let readiness = if rng.random::<bool>() { 0.05 } else { 0.6 };
        let usual = [Contact::Passed, Contact::Over, Contact::Underfoot][rng.random_range(0..3)];
        for trial in 0..rng.random_range(1..9) {
            let is_usual = rng.random::<f64>() < 0.8;
            let other = [Contact::Passed, Contact::Over, Contact::Underfoot][rng.random_range(0..3)];
            let struck = rng.random::<f64>() < readiness;
            all.push(Approach {
                contact: if is_usual { usual } else { other },
                effort_kind: EffortKind::Located,
                organism: Some(snake),
                trial_order: trial,
                reactions: Some(if struck {
                    vec![Reaction { term: 0, latency_s: None }]
                } else {
                    Vec::new()
                }),
                watch_end_s: None,
            });
        }
    }
    all
}

fn params(alternative: Alternative, seed: u64) -> ContactTestParams {
    ContactTestParams { question: STRIKE, alternative, n_permutations: 199, seed }
}

#[test]
fn the_test_of_contact_keeps_its_level_when_snakes_repeat() {
    let n = n_simulations(300);
    for (name, alternative) in
        [("any difference", Alternative::AnyDifference), ("escalation", Alternative::Escalation)]
    {
        let rejected = (0..n)
            .filter(|index| {
                let test = contact_test(&approaches(*index, 20), params(alternative, *index)).unwrap();
                test.p_value().is_some_and(|p_value| p_value <= 0.05)
            })
            .count();
        let share = rejected as f64 / n as f64;
        measured(&format!("rejections of no effect at 5 %, contacts permuted, {name}"), share, 0.0..=0.085);
    }
}

/// The naive way: each approach taken as a snake of its own. Kept to be seen failing.
#[test]
fn the_trend_for_independent_data_does_not_when_repeats_are_hidden() {
    let n = n_simulations(200);
    let rejected = (0..n)
        .filter(|index| {
            let mut hidden = approaches(*index, 20);
            hidden.iter_mut().for_each(|approach| approach.organism = None);
            let EscalationTrend::Independent { exact, .. } = escalation_trend(&hidden, STRIKE).unwrap() else {
                panic!("no snake is recognised, so none repeats")
            };
            matches!(exact, coilway::analysis::counts::trend::ExactTrendTest::Tested(tails) if tails.two_sided <= 0.05)
        })
        .count();
    measured(
        "naive: rejections at 5 % with repeats taken as independent",
        rejected as f64 / n as f64,
        0.12..=1.0,
    );
    let repeated = escalation_trend(&approaches(0, 20), STRIKE).unwrap();
    assert!(matches!(repeated, EscalationTrend::RepeatedOrganisms { .. }));
}

/// Limits by snake hold the population's share; limits by approach are too narrow.
#[test]
fn limits_by_snake_cover_where_limits_by_approach_do_not() {
    let n = n_simulations(150);
    let (mut by_snake, mut by_approach, mut n_cells) = (0, 0, 0);
    for index in 0..n {
        // Every snake approached by stepping over it, four times, and all or nothing: repeats say nothing new.
        let mut rng = stream(42, index);
        let repeats = (0..30).flat_map(|snake| {
            let strikes = rng.random::<f64>() < 0.3;
            (0..4).map(move |trial| Approach {
                contact: Contact::Over,
                effort_kind: EffortKind::Located,
                organism: Some(snake),
                trial_order: trial,
                reactions: Some(if strikes {
                    vec![Reaction { term: 0, latency_s: None }]
                } else {
                    Vec::new()
                }),
                watch_end_s: None,
            })
        });
        let repeats: Vec<Approach> = repeats.collect();
        let resampling = BootstrapParams { level: 0.95, n_draws: 400, seed: index };
        let tables = reaction_tables(&repeats, 1, resampling).unwrap();
        let any = tables.iter().find(|table| table.occasion == Occasion::Any).unwrap();
        let CellEstimate::Share { clopper_pearson, clustered, .. } =
            any.cells[Contact::Over.index()].estimate
        else {
            panic!("stepped over 120 times")
        };
        by_snake += usize::from((clustered.lower..=clustered.upper).contains(&0.3));
        by_approach += usize::from((clopper_pearson.0..=clopper_pearson.1).contains(&0.3));
        n_cells += 1;
    }
    let share = |n: usize| n as f64 / f64::from(n_cells);
    measured("95 % limits by snake hold the share", share(by_snake), 0.89..=1.0);
    measured("naive: limits by approach hold the share", share(by_approach), 0.0..=0.8);
}
