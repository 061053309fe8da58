//! What the methods do on maps whose truth is known, beside what raw rates do.

use rand::RngExt;
use rand_distr::{Distribution, LogNormal, Poisson};

use crate::analysis::clusters::*;
use crate::analysis::false_discovery::benjamini_hochberg;
use crate::analysis::getis_ord;
use crate::analysis::graph::{Edge, Graph};
use crate::analysis::random::stream;
use crate::analysis::rates::{CountDraws, ExposureDraws};
use crate::analysis::weights::Weights;

const LEVEL: f64 = 0.05;

fn n_maps() -> u64 {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { 2000 } else { 400 }
}

/// Whether so many maps with a false find may come of the level: more would about once in two hundred times.
fn is_nominal(n_found: usize) -> bool {
    let (n, level) = (n_maps() as f64, LEVEL);
    n_found as f64 <= n * level + 2.6 * (n * level * (1.0 - level)).sqrt()
}

/// A park of `n_arms` trails of 25 segments that meet in a middle.
fn star(n_arms: usize) -> Graph {
    let mut edges = Vec::new();
    let mut next = 1;
    for _ in 0..n_arms {
        let mut from = 0;
        for _ in 0..25 {
            edges.push(Edge { from, to: next, length_m: 100.0 });
            from = next;
            next += 1;
        }
    }
    Graph::new(next, edges).unwrap()
}

/// Walking that falls off along each arm and differs between arms, as it does: a hundredfold in all.
fn uneven_km(n_arms: usize, map: u64) -> Vec<f64> {
    let mut rng = stream(11, map);
    (0..n_arms)
        .flat_map(|_| {
            let start = 20.0 * LogNormal::new(0.0, 1.0).unwrap().sample(&mut rng);
            (0..25).map(move |at| start * (-f64::from(at) / 7.0).exp())
        })
        .collect()
}

/// Poisson counts, each meeting in a clump of `clump` reports.
fn counts(means: &[f64], clump: u32, (seed, map): (u64, u64)) -> Vec<u32> {
    let mut rng = stream(seed, map);
    let draw = |mean: &f64| Poisson::new(mean / f64::from(clump)).map_or(0.0, |law| law.sample(&mut rng));
    means.iter().map(draw).map(|count| count as u32 * clump).collect()
}

fn n_found(found: &[SegmentFinding]) -> usize {
    let stands_out = |it: &&SegmentFinding| matches!(it, SegmentFinding::Tested(it) if it.q_value <= LEVEL);
    found.iter().filter(stands_out).count()
}

fn normal_two_sided(z: f64) -> f64 {
    statrs::function::erf::erfc(z.abs() / std::f64::consts::SQRT_2)
}

/// Maps with any find: raw-rate Gi*, Gi* under the null, scan.
fn false_finds(clump: u32) -> (usize, usize, usize) {
    let graph = star(8);
    let weights = Weights::sharing_a_vertex(&graph);
    let (mut raw, mut ours, mut scanned) = (0, 0, 0);
    for map in 0..n_maps() {
        let km = uneven_km(8, map);
        let total_km: f64 = km.iter().sum();
        let means: Vec<f64> = km.iter().map(|km| km / total_km * 600.0).collect();
        let counts = CountDraws::certain(counts(&means, clump, (21, map)));
        let rates: Vec<f64> = counts.counts.iter().zip(&km).map(|(n, km)| f64::from(*n) / km).collect();
        let scores = getis_ord::gi_star(&rates, &weights, 1.0).unwrap();
        let p: Vec<f64> =
            scores.iter().map(|it| it.score().map_or(1.0, normal_two_sided).clamp(0.0, 1.0)).collect();
        raw += usize::from(benjamini_hochberg(&p).unwrap().iter().any(|q| *q <= LEVEL));
        let exposure = ExposureDraws::certain(km);
        let looked = vec![true; graph.n_edges()];
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &looked };
        let spread = dispersion(&evidence, &weights).unwrap();
        let null = Null::new(evidence, spread.factor()).unwrap();
        ours += usize::from(n_found(&gi_star(&null, &weights).unwrap()) > 0);
        let windows = null.windows(&graph, 0.1).unwrap();
        let params = ScanParams { n_replicates: 199, most_windows: 1, seed: map, ..ScanParams::default() };
        let found = scan(&null, &windows, &params).unwrap();
        scanned += usize::from(found.windows.first().is_some_and(|it| it.p_value <= LEVEL));
    }
    (raw, ours, scanned)
}

/// A method with twice the level would pass once in ten times.
#[test]
fn flat_risk_with_uneven_exposure_gives_no_clusters_but_on_raw_rates() {
    let (raw, ours, scanned) = false_finds(1);
    assert!(raw as f64 >= 0.75 * n_maps() as f64, "raw rates: {raw} of {}", n_maps());
    assert!(is_nominal(ours) && is_nominal(scanned), "Gi*: {ours} of {}, scan: {scanned}", n_maps());
}

/// Every snake is met by four parties: without the dispersion, nearly every map would have a false find.
#[test]
fn snakes_met_again_and_again_are_no_clusters() {
    let (_, ours, scanned) = false_finds(4);
    assert!(is_nominal(ours) && is_nominal(scanned), "Gi*: {ours} of {}, scan: {scanned}", n_maps());
    let graph = star(8);
    let weights = Weights::sharing_a_vertex(&graph);
    let naive = (0..n_maps()).filter(|map| {
        let km = uneven_km(8, *map);
        let total_km: f64 = km.iter().sum();
        let means: Vec<f64> = km.iter().map(|km| km / total_km * 600.0).collect();
        let counts = CountDraws::certain(counts(&means, 4, (21, *map)));
        let exposure = ExposureDraws::certain(km);
        let looked = vec![true; graph.n_edges()];
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &looked };
        n_found(&gi_star(&Null::new(evidence, 1.0).unwrap(), &weights).unwrap()) > 0
    });
    assert!(naive.count() as f64 >= 0.75 * n_maps() as f64);
}

/// Exposure is known up to an error that each arm shares. Taking its mean as the truth finds clusters that are none.
#[test]
fn clusters_do_not_stand_on_the_error_of_exposure() {
    let graph = star(8);
    let weights = Weights::sharing_a_vertex(&graph);
    let looked = vec![true; graph.n_edges()];
    let error = LogNormal::new(0.0, 0.35).unwrap();
    let (mut plugged_in, mut ours, mut scanned) = (0, 0, 0);
    for map in 0..n_maps() {
        let believed = uneven_km(8, map);
        let mut rng = stream(31, map);
        let mut drawn = |believed: &[f64]| -> Vec<f64> {
            let factors: Vec<f64> = (0..8).map(|_| error.sample(&mut rng)).collect();
            believed.iter().enumerate().map(|(at, km)| km * factors[at / 25]).collect()
        };
        let truth = drawn(&believed);
        let party_km: Vec<f64> = (0..60).flat_map(|_| drawn(&believed)).collect();
        let total_km: f64 = truth.iter().sum();
        let means: Vec<f64> = truth.iter().map(|km| km / total_km * 1500.0).collect();
        let counts = CountDraws::certain(counts(&means, 1, (41, map)));
        let mean_km = ExposureDraws::certain(believed);
        let naive = Evidence { counts: &counts, exposure: &mean_km, is_looked_at: &looked };
        let null = Null::new(naive, dispersion(&naive, &weights).unwrap().factor()).unwrap();
        plugged_in += usize::from(n_found(&gi_star(&null, &weights).unwrap()) > 0);
        let exposure = ExposureDraws { n_draws: 60, n_units: graph.n_edges(), party_km };
        let evidence = Evidence { exposure: &exposure, ..naive };
        let null = Null::new(evidence, dispersion(&evidence, &weights).unwrap().factor()).unwrap();
        ours += usize::from(n_found(&gi_star(&null, &weights).unwrap()) > 0);
        let windows = null.windows(&graph, 0.1).unwrap();
        let params = ScanParams { n_replicates: 199, most_windows: 1, seed: map, ..ScanParams::default() };
        let found = scan(&null, &windows, &params).unwrap();
        scanned += usize::from(found.windows.first().is_some_and(|it| it.p_value <= LEVEL));
    }
    assert!(plugged_in as f64 >= 0.4 * n_maps() as f64, "mean exposure taken as the truth: {plugged_in}");
    assert!(is_nominal(ours) && is_nominal(scanned), "Gi*: {ours} of {}, scan: {scanned}", n_maps());
}

/// Segments 30 to 35 have four times the rate of the others; records lie up to a segment from where they were taken.
fn planted() -> (Graph, Vec<f64>, Vec<u32>) {
    let graph = star(8);
    let km = uneven_km(8, 3);
    let total_km: f64 = km.iter().sum();
    let mean =
        |(at, km): (usize, &f64)| km / total_km * 800.0 * if (30..36).contains(&at) { 4.0 } else { 1.0 };
    let means: Vec<f64> = km.iter().enumerate().map(mean).collect();
    let counts = counts(&means, 1, (51, 0));
    (graph, km, counts)
}

/// Allocations: three records in ten lie on the next segment instead.
fn allocated(counts: &[u32], n_draws: u64) -> CountDraws {
    let mut all = Vec::new();
    for draw in 0..n_draws {
        let mut rng = stream(61, draw);
        let mut row = vec![0; counts.len()];
        for (segment, count) in counts.iter().enumerate() {
            for _ in 0..*count {
                let moved = segment % 25 < 24 && rng.random::<f64>() < 0.3;
                row[segment + usize::from(moved)] += 1;
            }
        }
        all.extend(row);
    }
    CountDraws { n_draws: n_draws as usize, n_units: counts.len(), counts: all }
}

#[test]
fn a_planted_cluster_is_found() {
    let (graph, km, counts) = planted();
    let counts = allocated(&counts, 40);
    let exposure = ExposureDraws::certain(km);
    let looked = vec![true; graph.n_edges()];
    let weights = Weights::sharing_a_vertex(&graph);
    let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &looked };
    let null = Null::new(evidence, dispersion(&evidence, &weights).unwrap().factor()).unwrap();
    let found = gi_star(&null, &weights).unwrap();
    let hot = |at: usize| matches!(found[at], SegmentFinding::Tested(it) if it.q_value <= LEVEL && it.side == Side::More);
    assert!((31..35).all(hot), "the middle of the planted cluster");
    let around = groups(&graph, hot);
    assert!(around.iter().flatten().all(|at| (29..38).contains(at)), "{around:?}");
    let windows = null.windows(&graph, 0.1).unwrap();
    let first =
        scan(&null, &windows, &ScanParams { seed: 1, ..ScanParams::default() }).unwrap().windows[0].clone();
    assert!(first.side == Side::More && (first.p_value - 0.001).abs() < 1e-12, "{}", first.p_value);
    let inside = first.segments.iter().filter(|at| (30..36).contains(*at)).count();
    assert!(inside >= 4 && first.segments.len() <= inside + 3, "{:?}", first.segments);
    let ratio = ratio(&null, &first.segments, 0.95).unwrap();
    assert!(ratio.lower > 1.5 && ratio.lower < ratio.value && ratio.value < ratio.upper, "{ratio:?}");
    let SegmentMoran::Tested(middle) = local_moran(&null, &weights).unwrap()[32] else { panic!("left out") };
    assert!(middle.quadrant.number() == 1 && middle.q_value <= LEVEL, "{middle:?}");
}

#[test]
fn numbering_and_order_change_nothing() {
    let (graph, km, counts) = planted();
    let n = graph.n_edges();
    // Numbered backwards, every edge turned round, vertices renumbered too.
    let turned = |edge: &Edge| Edge { from: n - edge.to, to: n - edge.from, length_m: edge.length_m };
    let other = Graph::new(graph.n_vertices(), graph.edges().iter().rev().map(turned).collect()).unwrap();
    let looked = vec![true; n];
    let run = |graph: &Graph, counts: Vec<u32>, km: Vec<f64>| {
        let (counts, exposure) = (CountDraws::certain(counts), ExposureDraws::certain(km));
        let weights = Weights::within_network_distance(graph, 250.0);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &looked };
        let null = Null::new(evidence, dispersion(&evidence, &weights).unwrap().factor()).unwrap();
        let windows = null.windows(graph, 0.1).unwrap();
        let params = ScanParams { n_replicates: 99, most_windows: 2, ..ScanParams::default() };
        (gi_star(&null, &weights).unwrap(), scan(&null, &windows, &params).unwrap())
    };
    let (local, found) = run(&graph, counts.clone(), km.clone());
    let reversed = |values: &[f64]| values.iter().rev().copied().collect::<Vec<f64>>();
    let (other_local, other_found) = run(&other, counts.iter().rev().copied().collect(), reversed(&km));
    for (at, finding) in local.iter().enumerate() {
        let (SegmentFinding::Tested(one), SegmentFinding::Tested(other)) = (finding, other_local[n - 1 - at])
        else {
            panic!("left out")
        };
        assert!(
            (one.p_value / other.p_value - 1.0).abs() < 1e-6 && one.count == other.count,
            "{one:?} {other:?}"
        );
        assert!((one.q_value / other.q_value - 1.0).abs() < 1e-6);
    }
    assert_eq!(found.n_windows, other_found.n_windows);
    let (one, other) = (&found.windows[0], &other_found.windows[0]);
    assert_eq!(one.segments, other.segments.iter().rev().map(|at| n - 1 - at).collect::<Vec<_>>());
    assert!((one.log_likelihood_ratio - other.log_likelihood_ratio).abs() < 1e-9);
}

#[test]
fn one_thread_and_two_give_the_same_bytes() {
    let (graph, km, counts) = planted();
    let counts = allocated(&counts, 8);
    let exposure = ExposureDraws::certain(km);
    let looked = vec![true; graph.n_edges()];
    let weights = Weights::sharing_a_vertex(&graph);
    let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &looked };
    let run = |n_threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(n_threads).build().unwrap();
        pool.install(|| {
            let null = Null::new(evidence, 1.7).unwrap();
            let windows = null.windows(&graph, 0.1).unwrap();
            let params = ScanParams { n_replicates: 300, seed: 5, ..ScanParams::default() };
            let found = scan(&null, &windows, &params).unwrap();
            let local = gi_star(&null, &weights).unwrap();
            let moran = local_moran(&null, &weights).unwrap();
            format!("{found:?} {local:?} {moran:?}")
        })
    };
    assert_eq!(run(1), run(2));
}

/// Flat risk in twelve periods, some 3,000 encounters in each so that the exact tails come near their level: maps with any find when q is taken over segments and periods,
/// and when it is taken over the segments of each period by itself.
fn false_finds_over_periods(n_maps: u64) -> (usize, usize) {
    let graph = star(8);
    let weights = Weights::sharing_a_vertex(&graph);
    let looked = vec![true; graph.n_edges()];
    let (mut together, mut apart) = (0, 0);
    for map in 0..n_maps {
        let km = uneven_km(8, map);
        let total_km: f64 = km.iter().sum();
        let means: Vec<f64> = km.iter().map(|km| km / total_km * 3000.0).collect();
        let exposure = ExposureDraws::certain(km);
        let mut found: Vec<Vec<SegmentFinding>> = (0..12)
            .map(|period| {
                let counts = CountDraws::certain(counts(&means, 1, (41 + period, map)));
                let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &looked };
                gi_star(&Null::new(evidence, 1.0).unwrap(), &weights).unwrap()
            })
            .collect();
        apart += usize::from(found.iter().any(|period| n_found(period) > 0));
        adjust(&mut found.iter_mut().collect::<Vec<_>>());
        together += usize::from(found.iter().any(|period| n_found(period) > 0));
    }
    (together, apart)
}

/// With a chance of at most 0.05 a map, more than ten of 100 would come about once in a hundred times.
#[test]
fn twelve_periods_of_flat_risk_stay_at_the_level() {
    let (together, apart) = false_finds_over_periods(100);
    assert!(together <= 10, "{together} of 100 with q over segments and periods");
    assert!(apart > 15, "{apart} of 100 with q by period alone");
}
