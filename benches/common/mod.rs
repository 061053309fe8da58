//! What the benches share: an invented trail network and a clock of CPU time.

use coilway::analysis::graph::Edge;
use coilway::analysis::graph::Graph;

/// Segments between two junctions.
const SEGMENTS: usize = 8;
/// Length of every segment, metres.
pub(crate) const SEGMENT_M: f64 = 100.0;

/// A square lattice of trails, eight segments from junction to junction, with a spur of four at every fourth junction.
pub(crate) fn lattice(n_segments: usize) -> Graph {
    let side = ((n_segments as f64 / (2.0 * SEGMENTS as f64 + 1.0)).sqrt()).round() as usize;
    let mut n_vertices = side * side;
    let mut edges = Vec::new();
    let mut chain = |from: usize, to: Option<usize>, n: usize| {
        let mut at = from;
        for k in 0..n {
            let next = match to {
                Some(to) if k + 1 == n => to,
                _ => {
                    n_vertices += 1;
                    n_vertices - 1
                }
            };
            edges.push(Edge { from: at, to: next, length_m: SEGMENT_M });
            at = next;
        }
    };
    for row in 0..side {
        for column in 0..side {
            let junction = row * side + column;
            if column + 1 < side {
                chain(junction, Some(junction + 1), SEGMENTS);
            }
            if row + 1 < side {
                chain(junction, Some(junction + side), SEGMENTS);
            }
            if junction.is_multiple_of(4) {
                chain(junction, None, SEGMENTS / 2);
            }
        }
    }
    Graph::new(n_vertices, edges).expect("a lattice is a graph")
}

/// CPU seconds that some work takes, over all threads of the process.
pub(crate) fn cpu_s(work: impl FnOnce()) -> f64 {
    let now = || {
        let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
        time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
    };
    let start = now();
    work();
    now() - start
}
