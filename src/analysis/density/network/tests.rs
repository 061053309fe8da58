//! Hand-worked values, mass, and agreement of the fast with the plain way.

use proptest::prelude::*;

use super::*;
use crate::analysis::density::walk::KeptWalks;
use crate::analysis::graph::Edge;

fn graph(n_vertices: usize, edges: &[(usize, usize, f64)]) -> Graph {
    Graph::new(n_vertices, edges.iter().map(|&(from, to, length_m)| Edge { from, to, length_m }).collect())
        .unwrap()
}

fn event(edge: EdgeIdx, offset_m: f64) -> Event {
    Event { position: Position { edge, offset_m }, weight: 1.0 }
}

fn epanechnikov(rule: SplitRule, dead_end: DeadEnd) -> NetworkParams {
    NetworkParams { kernel: NetworkKernel::Epanechnikov, bandwidth_m: 5.0, rule, dead_end }
}

fn check(graph: &Graph, event: Event, params: &NetworkParams, cases: &[(EdgeIdx, f64, f64)], mass: f64) {
    let at: Vec<_> = cases.iter().map(|&(edge, offset_m, _)| Position { edge, offset_m }).collect();
    let got = density_at(graph, &[event], &at, params).unwrap();
    for (got, expected) in got.iter().zip(cases) {
        assert!((got - expected.2).abs() < 1e-10, "{params:?} {expected:?}: {got}");
    }
    let total: f64 = edge_masses(graph, &[event], params).unwrap().iter().sum();
    assert!((total - mass).abs() < 1e-10, "{params:?}: {total}");
}

/// A star of degree 4: on the own arm K(|x - a|) - (2/4) K(a + x), on the others (2/4) K(a + x), a = 2; under the
/// discontinuous rule K(a + x) / 3.
#[test]
fn a_star_of_four_arms() {
    let star = graph(5, &[(0, 1, 15.0), (0, 2, 15.0), (0, 3, 15.0), (0, 4, 15.0)]);
    let continuous = [(0, 2.0, 0.123), (0, 1.0, 0.096), (0, 0.0, 0.063), (1, 0.0, 0.063), (2, 1.0, 0.048)];
    let discontinuous = [(0, 2.0, 0.15), (0, 0.0, 0.126), (1, 0.0, 0.042), (2, 1.0, 0.032), (1, 5.0, 0.0)];
    for dead_end in [DeadEnd::Reflect, DeadEnd::Absorb] {
        check(&star, event(0, 2.0), &epanechnikov(SplitRule::Continuous, dead_end), &continuous, 1.0);
        check(&star, event(0, 2.0), &epanechnikov(SplitRule::Discontinuous, dead_end), &discontinuous, 1.0);
    }
}

/// Two junctions 1.6 apart with bandwidth 5: every junction passes 2/3 on and sends -1/3 back.
#[test]
fn two_junctions_within_the_bandwidth_bounce() {
    let h = graph(6, &[(0, 2, 15.0), (0, 3, 15.0), (0, 1, 1.6), (1, 4, 15.0), (1, 5, 15.0)]);
    let cases =
        [(0, 2.0, 0.132), (2, 0.0, 0.084), (2, 0.8, 0.06112), (2, 1.6, 0.032106666667), (4, 1.0, 0.01024)];
    check(&h, event(0, 2.0), &epanechnikov(SplitRule::Continuous, DeadEnd::Reflect), &cases, 1.0);
}

/// Arms of 4 and 1.5 end within the bandwidth of 5. Values by summing the walks by hand.
#[test]
fn dead_ends_reflect_or_absorb() {
    let star = graph(4, &[(0, 1, 4.0), (0, 2, 1.5), (0, 3, 15.0)]);
    let reflect = [(0, 2.0, 0.186), (0, 4.0, 0.252), (0, 0.0, 0.084), (1, 1.5, 0.102), (2, 0.5, 0.075)];
    check(&star, event(0, 2.0), &epanechnikov(SplitRule::Continuous, DeadEnd::Reflect), &reflect, 1.0);
    let absorb = [(0, 2.0, 0.15), (0, 4.0, 0.126), (0, 0.0, 0.126), (1, 1.5, 0.03825), (2, 0.5, 0.05625)];
    check(&star, event(0, 2.0), &epanechnikov(SplitRule::Discontinuous, DeadEnd::Absorb), &absorb, 0.753625);
}

/// The rule that puts K(distance) on every arm has the mass 1 + (n - 2) T, here 1.216: both rules keep to 1.
#[test]
fn junctions_make_no_mass() {
    let y = graph(4, &[(0, 1, 15.0), (0, 2, 15.0), (0, 3, 15.0)]);
    for rule in [SplitRule::Continuous, SplitRule::Discontinuous] {
        check(&y, event(0, 2.0), &epanechnikov(rule, DeadEnd::Absorb), &[], 1.0);
    }
}

#[test]
fn cutting_an_edge_changes_nothing() {
    let whole = graph(4, &[(0, 1, 120.0), (1, 2, 80.0), (1, 3, 200.0), (3, 2, 50.0)]);
    let cut = graph(5, &[(0, 4, 50.0), (1, 2, 80.0), (1, 3, 200.0), (3, 2, 50.0), (4, 1, 70.0)]);
    let events = [event(0, 110.0), event(2, 30.0)];
    let cut_events = [event(4, 60.0), event(2, 30.0)];
    for params in [NetworkParams::continuous(150.0), NetworkParams::discontinuous(150.0)] {
        let place = |edge, offset_m| Position { edge, offset_m };
        let a =
            density_at(&whole, &events, &[place(0, 20.0), place(0, 90.0), place(3, 25.0)], &params).unwrap();
        let b = density_at(&cut, &cut_events, &[place(0, 20.0), place(4, 40.0), place(3, 25.0)], &params)
            .unwrap();
        for (a, b) in a.iter().zip(&b) {
            assert!((a - b).abs() < 1e-13, "{a} {b}");
        }
    }
}

#[test]
fn a_long_edge_takes_the_plain_way() {
    let line = graph(2, &[(0, 1, 90_000.0)]);
    let params = NetworkParams::continuous(100.0);
    let at = [Position { edge: 0, offset_m: 70_050.0 }];
    let got = density_at(&line, &[event(0, 70_000.0)], &at, &params).unwrap();
    assert!((got[0] - NetworkKernel::Quartic.density_per_m(50.0, 100.0)).abs() < 1e-15);
}

#[test]
fn bad_input_is_named() {
    let line = graph(2, &[(0, 1, 10.0)]);
    let params = NetworkParams::continuous(5.0);
    let place = |edge, offset_m| Position { edge, offset_m };
    let refused =
        |events: &[Event], at: &[Position], params| density_at(&line, events, at, &params).unwrap_err();
    assert!(matches!(refused(&[event(1, 0.0)], &[], params), InvalidDensity::NoSuchEdge { edge: 1, .. }));
    assert!(matches!(refused(&[], &[place(0, 10.1)], params), InvalidDensity::Offset { .. }));
    assert!(matches!(refused(&[], &[place(0, f64::NAN)], params), InvalidDensity::Offset { .. }));
    let heavy = Event { weight: f64::INFINITY, ..event(0, 1.0) };
    assert!(matches!(refused(&[heavy], &[], params), InvalidDensity::Weight { index: 0, .. }));
    assert!(matches!(refused(&[], &[], NetworkParams::continuous(0.0)), InvalidDensity::Bandwidth(_)));
    let lixels = Lixels::new(&graph(1, &[]), 25.0).unwrap();
    assert!(matches!(lixel_density(&line, &[], &lixels, &params), Err(InvalidDensity::Lengths { .. })));
}

/// A random graph, and events on it as (edge, share of the length, weight).
fn networks() -> impl Strategy<Value = (Graph, Vec<Event>)> {
    let edges = prop::collection::vec((0usize..8, 0usize..8, 20.0..300.0f64), 1..14);
    let events = prop::collection::vec((any::<prop::sample::Index>(), 0.0..=1.0f64, 0.0..3.0f64), 0..40);
    (edges, events).prop_map(|(edges, events)| {
        let graph = graph(8, &edges);
        let place = |(edge, share, weight): (prop::sample::Index, f64, f64)| {
            let edge = edge.index(graph.n_edges());
            let offset_m = share * graph.edges()[edge].length_m;
            Event { position: Position { edge, offset_m }, weight }
        };
        let events = events.into_iter().map(place).collect();
        (graph, events)
    })
}

fn rules() -> impl Strategy<Value = NetworkParams> {
    (any::<bool>(), any::<bool>(), 80.0..220.0f64).prop_map(|(continuous, reflect, bandwidth_m)| {
        NetworkParams {
            kernel: NetworkKernel::Quartic,
            bandwidth_m,
            rule: if continuous { SplitRule::Continuous } else { SplitRule::Discontinuous },
            dead_end: if reflect { DeadEnd::Reflect } else { DeadEnd::Absorb },
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn sums_of_powers_equal_single_encounters((graph, events) in networks(), params in rules()) {
        let lixels = Lixels::new(&graph, 25.0).unwrap();
        let grouped = group(&graph, &events).unwrap();
        let targets = centres(&lixels);
        let moments = || QuarticMoments::new(params.bandwidth_m, &grouped);
        let fast = spread_over(&graph, &targets, &params, moments);
        let one_by_one = || PointSum::<false>::new(params.kernel, params.bandwidth_m, &grouped);
        let plain = spread_over(&graph, &targets, &params, one_by_one);
        let scale = events.iter().map(|event| event.weight).sum::<f64>() / params.bandwidth_m;
        for (fast, plain) in fast.iter().zip(&plain) {
            prop_assert!((fast - plain).abs() <= 1e-11 * scale, "{fast} {plain}");
        }
    }

    #[test]
    fn kept_walks_lead_where_walks_followed_anew_lead((graph, events) in networks(), params in rules()) {
        let lixels = Lixels::new(&graph, 25.0).unwrap();
        let grouped = group(&graph, &events).unwrap();
        let targets = centres(&lixels);
        let anew = densities(&graph, &grouped, &targets, &params);
        let is_wanted = |edge: EdgeIdx| !grouped.of_edge(edge).is_empty();
        let kept = KeptWalks::of(walker(&graph, &params), params.bandwidth_m, usize::MAX, is_wanted).unwrap();
        let one_by_one = || PointSum::<false>::new(params.kernel, params.bandwidth_m, &grouped);
        let along = spread(&graph, || &kept, &targets, params.bandwidth_m, one_by_one);
        let scale = events.iter().map(|event| event.weight).sum::<f64>() / params.bandwidth_m;
        for (anew, along) in anew.iter().zip(&along) {
            prop_assert!((anew - along).abs() <= 1e-6 * scale, "{anew} {along}");
        }
    }

    #[test]
    fn reflecting_ends_keep_all_mass((graph, events) in networks(), params in rules()) {
        let params = NetworkParams { dead_end: DeadEnd::Reflect, ..params };
        let weight: f64 = events.iter().map(|event| event.weight).sum();
        let lixels = Lixels::new(&graph, 25.0).unwrap();
        let by_lixel: f64 = lixel_masses(&graph, &events, &lixels, &params).unwrap().iter().sum();
        let by_edge: f64 = edge_masses(&graph, &events, &params).unwrap().iter().sum();
        prop_assert!((by_lixel - weight).abs() < 1e-6 * (1.0 + weight), "{by_lixel} {weight}");
        prop_assert!((by_edge - by_lixel).abs() < 1e-9 * (1.0 + weight));
    }

    #[test]
    fn the_continuous_rule_is_continuous_at_vertices((graph, events) in networks(), params in rules()) {
        let params = NetworkParams { rule: SplitRule::Continuous, ..params };
        for vertex in 0..graph.n_vertices() {
            let ends: Vec<_> = graph
                .at(vertex)
                .iter()
                .map(|end| Position {
                    edge: end.edge,
                    offset_m: if end.at_start { 0.0 } else { graph.edges()[end.edge].length_m },
                })
                .collect();
            let values = density_at(&graph, &events, &ends, &params).unwrap();
            for value in &values {
                prop_assert!((value - values[0]).abs() < 1e-8, "{values:?}");
            }
        }
    }
}
