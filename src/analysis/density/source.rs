//! What one edge sends out: its encounters, or its evenly spread exposure.

use crate::analysis::density::kernel::NetworkKernel;
use crate::analysis::graph::EdgeIdx;

/// Longest edge, in bandwidths, whose powers of offsets still cancel to far below any tolerance.
pub(super) const MOMENTS_LONGEST_EDGE: f64 = 4.0;

/// Below this share of the weight summed, what is left of a sum of powers is rounding.
const ROUNDING: f64 = 1e-12;

/// Offsets and weights grouped by edge.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Grouped {
    pub(super) starts: Vec<usize>,
    /// (metres from the edge's start, weight).
    pub(super) points: Vec<(f64, f64)>,
}

impl Grouped {
    pub(super) fn of_edge(&self, edge: EdgeIdx) -> &[(f64, f64)] {
        &self.points[self.starts[edge]..self.starts[edge + 1]]
    }
}

/// What is spread from one edge at a time.
pub(super) trait EdgeSource {
    /// Whether the values are integrals from far away up to the place asked for, and so never fall back to zero.
    const CUMULATIVE: bool;

    /// Turns to an edge. Returns whether there is anything on it.
    fn load(&mut self, edge: EdgeIdx, length_m: f64) -> bool;

    /// Distance from the edge's start (or end) to the nearest thing on it, metres.
    fn gap_m(&self, at_start: bool) -> f64;

    /// The value on the edge itself, `offset_m` from its start, before anything comes back from its ends.
    fn on_edge(&self, offset_m: f64) -> f64;

    /// The value `distance_m` beyond the edge's start (or end), as if a single line went on from there.
    fn past_end(&self, at_start: bool, distance_m: f64) -> f64;
}

/// Encounters summed one by one. With `CUMULATIVE` the integral of the density, without it the density.
#[derive(Debug)]
pub(super) struct PointSum<'e, const CUMULATIVE: bool> {
    kernel: NetworkKernel,
    bandwidth_m: f64,
    grouped: &'e Grouped,
    points: &'e [(f64, f64)],
    length_m: f64,
}

impl<'e, const CUMULATIVE: bool> PointSum<'e, CUMULATIVE> {
    pub(super) fn new(kernel: NetworkKernel, bandwidth_m: f64, grouped: &'e Grouped) -> Self {
        Self { kernel, bandwidth_m, grouped, points: &[], length_m: 0.0 }
    }

    fn sum(&self, distance_m: impl Fn(f64) -> f64) -> f64 {
        let value = |u_m| {
            if CUMULATIVE {
                self.kernel.mass_to(u_m, self.bandwidth_m)
            } else {
                self.kernel.density_per_m(u_m, self.bandwidth_m)
            }
        };
        self.points.iter().map(|&(offset_m, weight)| weight * value(distance_m(offset_m))).sum()
    }
}

impl<const C: bool> EdgeSource for PointSum<'_, C> {
    const CUMULATIVE: bool = C;

    fn load(&mut self, edge: EdgeIdx, length_m: f64) -> bool {
        self.points = self.grouped.of_edge(edge);
        self.length_m = length_m;
        !self.points.is_empty()
    }

    fn gap_m(&self, at_start: bool) -> f64 {
        let gaps = self.points.iter().map(|point| if at_start { point.0 } else { self.length_m - point.0 });
        gaps.fold(f64::INFINITY, f64::min)
    }

    fn on_edge(&self, offset_m: f64) -> f64 {
        self.sum(|from_m| offset_m - from_m)
    }

    fn past_end(&self, at_start: bool, distance_m: f64) -> f64 {
        if at_start {
            self.sum(|from_m| distance_m + from_m)
        } else {
            self.sum(|from_m| distance_m + (self.length_m - from_m))
        }
    }
}

/// Sums of w, ws, ws², ws³ and ws⁴ over encounters.
type Moments = [f64; 5];

/// Encounters under the quartic kernel, by sums of powers of their offsets.
///
/// The kernel is a polynomial of degree four in the offset, so what all encounters of an edge send to a place needs
/// their sums of powers only; running sums over the sorted offsets tell those within the bandwidth from the others.
#[derive(Debug)]
pub(super) struct QuarticMoments<'e> {
    bandwidth_m: f64,
    grouped: &'e Grouped,
    /// Offsets (in bandwidths) and weights of the edge, ascending.
    sorted: Vec<(f64, f64)>,
    /// `running[k]` sums the first k.
    running: Vec<Moments>,
    /// Length of the edge, in bandwidths.
    length: f64,
    first: f64,
    last: f64,
}

impl<'e> QuarticMoments<'e> {
    pub(super) fn new(bandwidth_m: f64, grouped: &'e Grouped) -> Self {
        Self {
            bandwidth_m,
            grouped,
            sorted: Vec::new(),
            running: Vec::new(),
            length: 0.0,
            first: 0.0,
            last: 0.0,
        }
    }

    /// How many lie nearer to the edge's start than `offset`, in bandwidths.
    fn n_below(&self, offset: f64) -> usize {
        if offset <= self.first {
            0
        } else if offset > self.last {
            self.sorted.len()
        } else {
            self.sorted.partition_point(|point| point.0 < offset)
        }
    }

    /// The kernel summed over the encounters `from..to`, at a distance `x - s` (all in bandwidths), per metre.
    fn kernel_sum(&self, x: f64, from: usize, to: usize) -> f64 {
        if from >= to {
            return 0.0;
        }
        let (low, high) = (&self.running[from], &self.running[to]);
        let rest = 1.0 - x * x;
        // (1 - (x - s)²)² in powers of s.
        let coefficients = [rest * rest, 4.0 * x * rest, 6.0 * x * x - 2.0, -4.0 * x, 1.0];
        let mut sum = 0.0;
        for (power, coefficient) in coefficients.iter().enumerate() {
            sum += coefficient * (high[power] - low[power]);
        }
        if sum > ROUNDING * (high[0] - low[0]) { 0.9375 * sum / self.bandwidth_m } else { 0.0 }
    }
}

impl EdgeSource for QuarticMoments<'_> {
    const CUMULATIVE: bool = false;

    fn load(&mut self, edge: EdgeIdx, length_m: f64) -> bool {
        let points = self.grouped.of_edge(edge);
        if points.is_empty() {
            return false;
        }
        let scale = 1.0 / self.bandwidth_m;
        self.length = length_m * scale;
        self.sorted.clear();
        self.sorted.extend(points.iter().map(|&(offset_m, weight)| (offset_m * scale, weight)));
        self.sorted.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        self.first = self.sorted[0].0;
        self.last = self.sorted[self.sorted.len() - 1].0;
        self.running.clear();
        let mut sums: Moments = [0.0; 5];
        self.running.push(sums);
        for &(offset, weight) in &self.sorted {
            let mut term = weight;
            for sum in &mut sums {
                *sum += term;
                term *= offset;
            }
            self.running.push(sums);
        }
        true
    }

    fn gap_m(&self, at_start: bool) -> f64 {
        self.bandwidth_m * if at_start { self.first } else { self.length - self.last }
    }

    fn on_edge(&self, offset_m: f64) -> f64 {
        let x = offset_m / self.bandwidth_m;
        self.kernel_sum(x, self.n_below(x - 1.0), self.n_below(x + 1.0))
    }

    fn past_end(&self, at_start: bool, distance_m: f64) -> f64 {
        let distance = distance_m / self.bandwidth_m;
        if at_start {
            // Walking from s back over the start is walking from -distance: |x - s| = distance + s.
            self.kernel_sum(-distance, 0, self.n_below(1.0 - distance))
        } else {
            let x = distance + self.length;
            self.kernel_sum(x, self.n_below(x - 1.0), self.sorted.len())
        }
    }
}

/// Something spread evenly over each edge, `per_m[edge]` a metre.
#[derive(Debug)]
pub(super) struct Even<'e> {
    kernel: NetworkKernel,
    bandwidth_m: f64,
    per_m: &'e [f64],
    here_per_m: f64,
    length_m: f64,
}

impl<'e> Even<'e> {
    pub(super) fn new(kernel: NetworkKernel, bandwidth_m: f64, per_m: &'e [f64]) -> Self {
        Self { kernel, bandwidth_m, per_m, here_per_m: 0.0, length_m: 0.0 }
    }

    fn between(&self, from_m: f64, to_m: f64) -> f64 {
        let mass_to = |distance_m| self.kernel.mass_to(distance_m, self.bandwidth_m);
        self.here_per_m * (mass_to(to_m) - mass_to(from_m))
    }
}

impl EdgeSource for Even<'_> {
    const CUMULATIVE: bool = false;

    fn load(&mut self, edge: EdgeIdx, length_m: f64) -> bool {
        self.here_per_m = self.per_m[edge];
        self.length_m = length_m;
        self.here_per_m > 0.0
    }

    fn gap_m(&self, _at_start: bool) -> f64 {
        0.0
    }

    fn on_edge(&self, offset_m: f64) -> f64 {
        self.between(offset_m - self.length_m, offset_m)
    }

    fn past_end(&self, _at_start: bool, distance_m: f64) -> f64 {
        self.between(distance_m, distance_m + self.length_m)
    }
}
