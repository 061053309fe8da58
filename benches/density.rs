//! CPU time of the network density by both junction rules, on lattices of trails with spurs.
//!
//! `cargo bench --bench density` prints one line a size and rule; the continuous rule is meant to stay within twice the
//! time of the discontinuous one.

#![allow(clippy::expect_used)]

mod common;

use rand::RngExt;

use coilway::analysis::density::Event;
use coilway::analysis::density::Lixels;
use coilway::analysis::density::NetworkKernel;
use coilway::analysis::density::NetworkParams;
use coilway::analysis::density::Position;
use coilway::analysis::density::lixel_density;
use coilway::analysis::graph::Graph;
use coilway::analysis::random::stream;

use common::SEGMENT_M;
use common::cpu_s;
use common::lattice;

const BANDWIDTH_M: f64 = 250.0;
const ENCOUNTERS_A_SEGMENT: usize = 20;
const REPEATS: usize = 5;

fn main() {
    for n_segments in [10_000, 50_000] {
        let graph = lattice(n_segments);
        let events = events(&graph);
        let lixels = Lixels::new(&graph, 25.0).expect("a lixel length above zero");
        println!("{} segments, {} encounters, {} lixels", graph.n_edges(), events.len(), lixels.len());
        let quartic = [
            ("discontinuous", NetworkParams::discontinuous(BANDWIDTH_M)),
            ("continuous", NetworkParams::continuous(BANDWIDTH_M)),
        ];
        let gaussian =
            quartic.map(|(rule, params)| (rule, NetworkParams { kernel: NetworkKernel::Gaussian, ..params }));
        for (kernel, rules) in [("quartic", quartic), ("Gaussian", gaussian)] {
            let times = rules.map(|(rule, params)| {
                let least_s =
                    (0..REPEATS).map(|_| cpu_s(|| drop(lixel_density(&graph, &events, &lixels, &params))));
                let least_s = least_s.fold(f64::INFINITY, f64::min);
                println!("  {kernel}, {rule}: {least_s:.4} CPU s");
                least_s
            });
            println!("  {kernel}: continuous takes {:.2} times as long", times[1] / times[0]);
        }
    }
}

fn events(graph: &Graph) -> Vec<Event> {
    let mut rng = stream(1, 0);
    let n = graph.n_edges() * ENCOUNTERS_A_SEGMENT;
    let mut event = |_| Event {
        position: Position {
            edge: rng.random_range(0..graph.n_edges()),
            offset_m: rng.random_range(0.0..SEGMENT_M),
        },
        weight: 1.0,
    };
    (0..n).map(&mut event).collect()
}
