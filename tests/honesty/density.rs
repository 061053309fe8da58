//! Tolerance contours under even risk, and mass of the network density.

use rand::RngExt;

use coilway::analysis::density::Event;
use coilway::analysis::density::Lixels;
use coilway::analysis::density::NetworkParams;
use coilway::analysis::density::Position;
use coilway::analysis::density::edge_masses;
use coilway::analysis::density::relative::EdgeExposure;
use coilway::analysis::density::relative::Tolerance;
use coilway::analysis::density::relative::relative_density;
use coilway::analysis::graph::Edge;
use coilway::analysis::graph::Graph;
use coilway::analysis::permutation::Sampling;
use coilway::analysis::random::stream;

use crate::measured::measured;
use crate::measured::n_simulations;

/// Three trails that meet, one with a loop at its end, 36 segments.
pub(crate) fn star() -> Graph {
    let mut edges = Vec::new();
    let mut n_vertices = 1;
    for trail in 0..3 {
        let mut at = 0;
        for k in 0..12 {
            let next = if trail == 2 && k == 11 { n_vertices - 3 } else { n_vertices };
            n_vertices += usize::from(next == n_vertices);
            edges.push(Edge { from: at, to: next, length_m: 90.0 + 3.0 * k as f64 });
            at = next;
        }
    }
    Graph::new(n_vertices, edges).unwrap()
}

/// Encounters by weights of edges.
pub(crate) fn encounters(graph: &Graph, weights: &[f64], n: usize, index: u64) -> Vec<Event> {
    let mut rng = stream(31, index);
    let total: f64 = weights.iter().sum();
    let mut encounter = |_| {
        let at = rng.random::<f64>() * total;
        let mut sum = 0.0;
        let edge = weights.iter().position(|weight| {
            sum += weight;
            at < sum
        });
        let edge = edge.unwrap_or(weights.len() - 1);
        let offset_m = rng.random::<f64>() * graph.edges()[edge].length_m;
        Event { position: Position { edge, offset_m }, weight: 1.0 }
    };
    (0..n).map(&mut encounter).collect()
}

#[test]
fn a_twentieth_of_an_even_map_lies_outside_the_contours() {
    let graph = star();
    let walked_km: Vec<f64> = (0..36).map(|edge| 40.0 + 30.0 * f64::from(edge % 5)).collect();
    let lixels = Lixels::new(&graph, 25.0).unwrap();
    for (rule, params) in [
        ("continuous", NetworkParams::continuous(200.0)),
        ("discontinuous", NetworkParams::discontinuous(200.0)),
    ] {
        let n_maps = n_simulations(60);
        let (mut n_outside, mut n_lixels) = (0, 0);
        for map in 0..n_maps {
            let events = encounters(&graph, &walked_km, 240, map);
            let walked = EdgeExposure { mean_km: &walked_km, draws_km: &[] };
            let sampling = Sampling { n_draws: 199, seed: map };
            let found = relative_density(&graph, &events, walked, &lixels, &params, sampling).unwrap();
            n_lixels += found.lixels.len();
            n_outside +=
                found.lixels.iter().filter(|lixel| lixel.tolerance(0.05) != Tolerance::Within).count();
        }
        let share = n_outside as f64 / n_lixels as f64;
        measured(
            &format!("share of an even map outside 95 % tolerance contours, {rule}"),
            share,
            0.025..=0.075,
        );
    }
}

#[test]
fn the_continuous_rule_loses_no_encounter() {
    let graph = star();
    let events = encounters(&graph, &[1.0; 36], 500, 9);
    let total: f64 = edge_masses(&graph, &events, &NetworkParams::continuous(250.0)).unwrap().iter().sum();
    measured("encounters kept by the continuous rule, share", total / 500.0, 1.0 - 1e-6..=1.0 + 1e-6);
}
