//! Nothing may depend on the order of records, on how segments and snakes are numbered, or on the number of threads.

use rand::seq::SliceRandom;

use coilway::analysis::density::Event;
use coilway::analysis::density::Lixels;
use coilway::analysis::density::NetworkKernel;
use coilway::analysis::density::NetworkParams;
use coilway::analysis::density::Position;
use coilway::analysis::density::density_at;
use coilway::analysis::density::relative::EdgeExposure;
use coilway::analysis::density::relative::relative_density;
use coilway::analysis::graph::Edge;
use coilway::analysis::graph::Graph;
use coilway::analysis::permutation::Sampling;
use coilway::analysis::random::stream;
use coilway::analysis::rates::CountDraws;
use coilway::analysis::rates::Effort;
use coilway::analysis::rates::ExposureDraws;
use coilway::analysis::rates::Provenance;
use coilway::analysis::rates::RateFit;
use coilway::analysis::rates::RateParams;
use coilway::analysis::rates::Units;
use coilway::analysis::rates::estimate;
use coilway::analysis::response::Occasion;
use coilway::analysis::response::bootstrap::BootstrapParams;
use coilway::analysis::response::contact_test::Alternative;
use coilway::analysis::response::contact_test::ContactTestParams;
use coilway::analysis::response::contact_test::contact_test;
use coilway::analysis::response::table::CellEstimate;
use coilway::analysis::response::table::ReactionTable;
use coilway::analysis::response::table::reaction_tables;

use crate::density::encounters;
use crate::density::star;
use crate::measured::measured;
use crate::reactions::STRIKE;
use crate::reactions::approaches;

fn shuffled(n: usize, seed: u64) -> Vec<usize> {
    let mut order: Vec<usize> = (0..n).collect();
    order.shuffle(&mut stream(seed, 0));
    order
}

const N_UNITS: usize = 24;

/// The rates of units put in an order; the answer is by position in that order.
fn rates_in(order: &[usize]) -> RateFit {
    let count = |unit: usize| [0, 3, 7, 1, 12, 2][unit % 6];
    let km = |unit: usize| 300.0 + 100.0 * (unit % 7) as f64;
    let counts = CountDraws::certain(order.iter().map(|unit| count(*unit)).collect());
    let party_km = order.iter().map(|unit| km(*unit)).collect();
    let stratum: Vec<usize> = order.iter().map(|unit| unit / 8).collect();
    let exposure = ExposureDraws::certain(party_km);
    let effort = Effort { counts: &counts, exposure: &exposure };
    let units = Units { stratum: &stratum, provenance: &[Provenance::Counted; N_UNITS] };
    let params = RateParams { n_draws: 1000, ..RateParams::default() };
    estimate(&effort, &units, &params).unwrap()
}

#[test]
fn rates_do_not_depend_on_how_segments_are_numbered() {
    let plain = rates_in(&(0..N_UNITS).collect::<Vec<_>>());
    let order = shuffled(N_UNITS, 3);
    let relabelled = rates_in(&order);
    // Draws go unit by unit, so a renumbering draws other numbers from the same distributions.
    let gaps = order.iter().enumerate().map(|(position, unit)| {
        let (a, b) = (plain.units[*unit].estimate().unwrap(), relabelled.units[position].estimate().unwrap());
        (a.per_km.mean - b.per_km.mean).abs() / (a.per_km.upper - a.per_km.lower)
    });
    measured(
        "rates after renumbering segments, largest gap in widths of the interval",
        gaps.fold(0.0, f64::max),
        0.0..=0.05,
    );
    for (position, unit) in order.iter().enumerate() {
        assert_eq!(plain.units[*unit].count, relabelled.units[position].count);
        assert_eq!(plain.units[*unit].exposure_km, relabelled.units[position].exposure_km);
    }
}

/// The star with its edges in another order, every second one turned round.
fn turned(graph: &Graph, order: &[usize]) -> Graph {
    let edges = order.iter().map(|old| {
        let edge = graph.edges()[*old];
        if old.is_multiple_of(2) { edge } else { Edge { from: edge.to, to: edge.from, ..edge } }
    });
    Graph::new(36, edges.collect()).unwrap()
}

#[test]
fn density_does_not_depend_on_order_numbering_or_direction() {
    let graph = star();
    let order = shuffled(36, 5);
    let other = turned(&graph, &order);
    let moved = |position: Position| {
        let edge = order.iter().position(|old| *old == position.edge).unwrap();
        let length_m = graph.edges()[position.edge].length_m;
        let offset_m =
            if position.edge.is_multiple_of(2) { position.offset_m } else { length_m - position.offset_m };
        Position { edge, offset_m }
    };
    let events = encounters(&graph, &[1.0; 36], 200, 2);
    let at: Vec<Position> =
        encounters(&graph, &[1.0; 36], 60, 4).iter().map(|event| event.position).collect();
    let mut mixed: Vec<Event> = events.clone();
    mixed.shuffle(&mut stream(6, 0));
    let mixed: Vec<Event> =
        mixed.iter().map(|event| Event { position: moved(event.position), ..*event }).collect();
    let at_moved: Vec<Position> = at.iter().map(|position| moved(*position)).collect();
    let mut largest = 0.0f64;
    for base in [NetworkParams::continuous(240.0), NetworkParams::discontinuous(240.0)] {
        for kernel in [NetworkKernel::Quartic, NetworkKernel::Gaussian] {
            let params = NetworkParams { kernel, ..base };
            let plain = density_at(&graph, &events, &at, &params).unwrap();
            let again = density_at(&other, &mixed, &at_moved, &params).unwrap();
            let peak = plain.iter().copied().fold(0.0, f64::max);
            let gaps = plain.iter().zip(&again).map(|(a, b)| (a - b).abs() / peak);
            largest = largest.max(gaps.fold(0.0, f64::max));
        }
    }
    measured(
        "density after renumbering and turning segments, largest gap over the peak",
        largest,
        0.0..=1e-9,
    );
}

fn tables(approaches: &[coilway::analysis::response::Approach]) -> Vec<ReactionTable> {
    reaction_tables(approaches, 1, BootstrapParams { level: 0.95, n_draws: 2000, seed: 4 }).unwrap()
}

#[test]
fn reactions_do_not_depend_on_how_snakes_are_numbered() {
    let plain = approaches(3, 25);
    let mut renamed = plain.clone();
    let names = shuffled(25, 8);
    renamed
        .iter_mut()
        .for_each(|approach| approach.organism = approach.organism.map(|snake| 700 + names[snake]));
    assert_eq!(tables(&plain), tables(&renamed));
    let test = |approaches: &[_]| {
        let alternative = Alternative::AnyDifference;
        contact_test(
            approaches,
            ContactTestParams { question: STRIKE, alternative, n_permutations: 999, seed: 2 },
        )
    };
    assert_eq!(test(&plain), test(&renamed));
}

#[test]
fn reactions_do_not_depend_on_the_order_of_approaches() {
    let plain = approaches(3, 25);
    let mut mixed = plain.clone();
    mixed.shuffle(&mut stream(9, 0));
    let mut largest = 0.0f64;
    for (one, other) in
        tables(&plain).iter().zip(&tables(&mixed)).filter(|(table, _)| table.occasion == Occasion::Any)
    {
        for (a, b) in one.cells.iter().zip(&other.cells) {
            assert_eq!(
                (a.n_shown, a.n_approaches, a.n_organisms),
                (b.n_shown, b.n_approaches, b.n_organisms)
            );
            if let (
                CellEstimate::Share { clopper_pearson: exact_a, clustered: by_a, .. },
                CellEstimate::Share { clopper_pearson: exact_b, clustered: by_b, .. },
            ) = (a.estimate, b.estimate)
            {
                assert_eq!(exact_a, exact_b);
                largest = largest.max((by_a.lower - by_b.lower).abs()).max((by_a.upper - by_b.upper).abs());
            }
        }
    }
    measured("limits by snake after mixing the approaches, largest gap", largest, 0.0..=0.04);
}

#[test]
fn one_thread_and_two_give_the_same_bytes() {
    let graph = star();
    let walked_km: Vec<f64> = (0..36).map(|edge| 20.0 + f64::from(edge)).collect();
    let events = encounters(&graph, &walked_km, 150, 1);
    let lixels = Lixels::new(&graph, 25.0).unwrap();
    let compute = || {
        let walked = EdgeExposure { mean_km: &walked_km, draws_km: &[] };
        let sampling = Sampling { n_draws: 99, seed: 5 };
        let params = NetworkParams::continuous(250.0);
        let relative = relative_density(&graph, &events, walked, &lixels, &params, sampling).unwrap();
        let alternative = Alternative::Escalation;
        let asked = ContactTestParams { question: STRIKE, alternative, n_permutations: 499, seed: 2 };
        let test = contact_test(&approaches(2, 20), asked).unwrap();
        let tables = tables(&approaches(2, 20));
        let rates = rates_in(&(0..N_UNITS).collect::<Vec<_>>());
        format!("{relative:?} {test:?} {tables:?} {rates:?}")
    };
    let on = |n_threads| {
        let threads = rayon::ThreadPoolBuilder::new().num_threads(n_threads).build().unwrap();
        threads.install(compute)
    };
    let (one, two) = (on(1), on(2));
    measured("characters that differ between one thread and two", difference(&one, &two), 0.0..=0.0);
}

fn difference(one: &str, two: &str) -> f64 {
    one.bytes().zip(two.bytes()).filter(|(a, b)| a != b).count() as f64 + one.len().abs_diff(two.len()) as f64
}
