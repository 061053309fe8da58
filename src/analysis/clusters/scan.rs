//! The Poisson scan over windows of the network.

use rayon::prelude::*;

use crate::analysis::clusters::ClusterError;
use crate::analysis::clusters::Side;
use crate::analysis::clusters::null::Null;
use crate::analysis::clusters::replicates;
use crate::analysis::clusters::windows::Windows;
use crate::analysis::permutation::monte_carlo_p;
use crate::analysis::random::{seed_of, stream};

/// Replicates that walk the windows side by side.
const LANES: usize = 256;
/// Lanes looked at together before anything is computed for one of them.
const GROUP: usize = 16;
/// Centres that one piece of parallel work takes.
const CENTRES: usize = 32;
/// Slack for ratios that are equal but for rounding.
const TIE_SLACK: f64 = 1e-9;
/// Keeps rounding in single precision from passing over a window.
const ROUNDING: f64 = 1e-5;

/// How to scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanParams {
    /// Replicates of the null, at least 1; 999 as a rule.
    pub n_replicates: usize,
    /// Windows reported at most, the likeliest first; none overlaps another.
    pub most_windows: usize,
    /// Further windows are looked for as long as the last one's p-value is at most this.
    pub p_level: f64,
    /// Seed: replicate `r` takes stream `r`.
    pub seed: u64,
}

impl Default for ScanParams {
    fn default() -> Self {
        Self { n_replicates: 999, most_windows: 10, p_level: 0.05, seed: 0 }
    }
}

/// What a scan found.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanResult {
    /// Windows that do not overlap, the likeliest first. The last one may be above the level: it says how far from
    /// standing out the next one is. Empty when no window fits under the largest share.
    pub windows: Vec<ScanWindow>,
    /// How many windows were compared.
    pub n_windows: usize,
    /// The largest log likelihood ratio of each replicate, ascending.
    pub null_maxima: Vec<f64>,
}

/// A window that stands out most among those that do not overlap earlier ones.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanWindow {
    /// Its segments, ascending.
    pub segments: Vec<usize>,
    /// Whether it holds more or fewer encounters than expected.
    pub side: Side,
    /// Mean count over the draws.
    pub count: f64,
    /// Mean expected count under the null.
    pub expected: f64,
    /// Log likelihood ratio of the mean count.
    pub log_likelihood_ratio: f64,
    /// Monte Carlo p-value, mean over the draws: the chance that the most striking window anywhere would be at least as
    /// striking, on either side.
    pub p_value: f64,
}

/// Scans windows for more or fewer encounters than their exposure lets expect.
///
/// The statistic of a window with count c of N and expectation μ is c ln(c/μ) + (N - c) ln((N - c)/(N - μ)), on either
/// side. Windows are found on the counts' means over the draws, with mean shares of exposure. Each replicate takes one
/// exposure draw as the truth, deals the encounters by it (in clumps where the null has a dispersion), and is scanned with
/// mean shares as the data are: the error of exposure is therefore part of what chance alone can do. The p-value of a
/// window is the mean over the allocations of (1 + replicates whose largest ratio reaches the window's) / (1 + replicates),
/// ties counted as reaching; secondary windows are compared with the same largest ratios, which is conservative.
///
/// `windows` must have been grown from the null's mean shares ([`Null::windows`]). The result depends on the seed, not on
/// the number of threads.
///
/// # Errors
/// [`ClusterError::Parameter`] without replicates, or for a level outside [0, 1].
///
/// # References
/// Kulldorff, M. (1997). A spatial scan statistic. *Communications in Statistics: Theory and Methods* 26, 1481-1496.
pub fn scan(null: &Null<'_>, windows: &Windows, params: &ScanParams) -> Result<ScanResult, ClusterError> {
    if params.n_replicates == 0 {
        return Err(ClusterError::Parameter { what: "the number of replicates", value: 0.0 });
    }
    if !(0.0..=1.0).contains(&params.p_level) {
        return Err(ClusterError::Parameter { what: "the level", value: params.p_level });
    }
    let null_maxima = null_maxima(null, windows, params);
    let mut is_taken = vec![false; null.mean_counts.len()];
    let mut found: Vec<ScanWindow> = Vec::new();
    while found.len() < params.most_windows && found.last().is_none_or(|it| it.p_value <= params.p_level) {
        let Some(segments) = likeliest(null, windows, &is_taken) else { break };
        segments.iter().for_each(|segment| is_taken[*segment] = true);
        found.push(describe(null, segments, &null_maxima));
    }
    Ok(ScanResult { windows: found, n_windows: windows.n_windows(), null_maxima })
}

impl Null<'_> {
    /// The windows of a scan with this null, up to a share of all exposure in (0, 1).
    ///
    /// # Errors
    /// [`ClusterError::Parameter`] for another share, [`ClusterError::Lengths`] for a graph of other segments.
    pub fn windows(
        &self,
        graph: &crate::analysis::graph::Graph,
        largest_share: f64,
    ) -> Result<Windows, ClusterError> {
        if !(largest_share > 0.0 && largest_share < 1.0) {
            return Err(ClusterError::Parameter {
                what: "the largest share of a window",
                value: largest_share,
            });
        }
        let (got, expected) = (graph.n_edges(), self.mean_shares.len());
        if got != expected {
            return Err(ClusterError::Lengths { what: "segments of the graph", got, expected });
        }
        Ok(Windows::grow(graph, &self.mean_shares, largest_share))
    }
}

/// The log likelihood ratio of a window, and its side; zero where the count is as expected.
fn log_ratio(count: f64, total: f64, expected: f64) -> f64 {
    let term = |seen: f64, expected: f64| if seen > 0.0 { seen * (seen / expected).ln() } else { 0.0 };
    (term(count, expected) + term(total - count, total - expected)).max(0.0)
}

/// Among windows that touch nothing taken, the one with the largest ratio; the smaller one of equals.
fn likeliest(null: &Null<'_>, windows: &Windows, is_taken: &[bool]) -> Option<Vec<usize>> {
    let total = null.mean_total();
    let best_around = |centre: usize| {
        let (mut count, mut share, mut best) = (0.0, 0.0, None);
        for (size, (segment, ends)) in windows.around(centre).enumerate() {
            if is_taken[segment] {
                break;
            }
            count += null.mean_counts[segment];
            share += null.mean_shares[segment];
            if ends {
                let found = Best { ratio: log_ratio(count, total, total * share), size: size + 1, centre };
                best = Some(found.over(best));
            }
        }
        best
    };
    let best = (0..windows.n_centres()).into_par_iter().filter_map(best_around);
    let best = best.reduce_with(|one, other| one.over(Some(other)))?;
    let mut segments: Vec<usize> =
        windows.around(best.centre).take(best.size).map(|(segment, _)| segment).collect();
    segments.sort_unstable();
    (best.ratio > 0.0).then_some(segments)
}

#[derive(Debug, Clone, Copy)]
struct Best {
    ratio: f64,
    size: usize,
    centre: usize,
}

impl Best {
    /// The better one, in an order that does not depend on which was seen first.
    fn over(self, other: Option<Self>) -> Self {
        let Some(other) = other else { return self };
        let order = self.ratio.total_cmp(&other.ratio);
        let order = order.then(other.size.cmp(&self.size)).then(other.centre.cmp(&self.centre));
        if order.is_ge() { self } else { other }
    }
}

fn describe(null: &Null<'_>, segments: Vec<usize>, null_maxima: &[f64]) -> ScanWindow {
    let (count, expected, total) = (null.count(&segments), null.expected(&segments), null.mean_total());
    let side = if count >= expected { Side::More } else { Side::Fewer };
    let share = expected / total;
    let n_allocations = null.totals.len();
    let p_sum: f64 = (0..n_allocations)
        .map(|draw| {
            let count = null.in_draw(draw, segments.iter().copied()).0 as f64;
            let total = null.total(draw) as f64;
            let is_same_side = (count >= total * share) == (side == Side::More);
            let ratio = if is_same_side { log_ratio(count, total, total * share) } else { 0.0 };
            let below = null_maxima.partition_point(|largest| *largest < ratio * (1.0 - TIE_SLACK));
            monte_carlo_p(null_maxima.len() - below, null_maxima.len())
        })
        .sum();
    ScanWindow {
        side,
        count,
        expected,
        log_likelihood_ratio: log_ratio(count, total, expected),
        p_value: p_sum / n_allocations as f64,
        segments,
    }
}

/// The largest ratio of each replicate, ascending.
fn null_maxima(null: &Null<'_>, windows: &Windows, params: &ScanParams) -> Vec<f64> {
    let total = null.mean_total().round() as u64;
    let mut maxima = Vec::with_capacity(params.n_replicates);
    for first in (0..params.n_replicates).step_by(LANES) {
        let n_lanes = LANES.min(params.n_replicates - first);
        let counts = lanes(null, (first, n_lanes), total, params.seed);
        let of_lanes = lane_maxima(null, windows, &counts, total as f64);
        maxima.extend_from_slice(&of_lanes[..n_lanes]);
    }
    maxima.sort_by(f64::total_cmp);
    maxima
}

/// Replicates side by side: the count of `segment` in lane `l` stands at `segment * LANES + l`.
fn lanes(null: &Null<'_>, (first, n_lanes): (usize, usize), total: u64, seed: u64) -> Vec<f32> {
    let n_segments = null.mean_shares.len();
    let dealt: Vec<Vec<f32>> = (0..n_lanes)
        .into_par_iter()
        .map(|lane| {
            let replicate = first + lane;
            let shares: Vec<f64> = (0..n_segments).map(|segment| null.share(replicate, segment)).collect();
            let mut counts = vec![0.0; n_segments];
            let mut rng = stream(seed_of(seed, "scan"), replicate as u64);
            replicates::deal(total, &shares, null.factor, &mut rng, &mut counts);
            counts
        })
        .collect();
    let mut counts = vec![0.0; n_segments * LANES];
    counts.par_chunks_mut(LANES).enumerate().for_each(|(segment, row)| {
        row.iter_mut().zip(&dealt).for_each(|(count, lane)| *count = lane[segment]);
    });
    counts
}

/// The largest ratio in each lane.
///
/// Logarithms are computed only for windows that can beat the lane's best so far. With s² = μ (1 - μ/N) the ratio is at
/// most (c - μ)² / 2s² for μ <= c <= N - μ, since its second derivative N / (c (N - c)) is at most 1 / s² there; and at
/// most (c - μ)² / s² anywhere, since relative entropy is at most the χ² divergence. So a lane is left alone while c lies
/// within √(2 best) s above μ and √best s below it; c above N - μ is always looked at.
fn lane_maxima(null: &Null<'_>, windows: &Windows, counts: &[f32], total: f64) -> Vec<f64> {
    let pieces = windows.n_centres().div_ceil(CENTRES);
    let largest = |one: Vec<f64>, other: Vec<f64>| one.iter().zip(&other).map(|(a, b)| a.max(*b)).collect();
    (0..pieces)
        .into_par_iter()
        .fold(
            || Lanes::new(total),
            |mut lanes, piece| {
                for centre in piece * CENTRES..((piece + 1) * CENTRES).min(windows.n_centres()) {
                    lanes.walk(windows, centre, counts, &null.mean_shares);
                }
                lanes
            },
        )
        .map(|lanes| lanes.best)
        .reduce(|| vec![0.0; LANES], largest)
}

/// Running counts of all lanes, and their best ratios so far.
struct Lanes {
    total: f64,
    running: Vec<f32>,
    best: Vec<f64>,
    /// √(2 best) and √best, a little less.
    above: Vec<f32>,
    below: Vec<f32>,
}

impl Lanes {
    fn new(total: f64) -> Self {
        let zeros = || vec![0.0; LANES];
        Self { total, running: zeros(), best: vec![0.0; LANES], above: zeros(), below: zeros() }
    }

    /// Walks the windows around a centre.
    fn walk(&mut self, windows: &Windows, centre: usize, counts: &[f32], shares: &[f64]) {
        self.running.fill(0.0);
        let mut share = 0.0;
        for (segment, ends) in windows.around(centre) {
            let row = &counts[segment * LANES..(segment + 1) * LANES];
            share += shares[segment];
            if ends {
                self.end_window(row, share);
            } else {
                self.running.iter_mut().zip(row).for_each(|(sum, count)| *sum += count);
            }
        }
    }

    fn end_window(&mut self, row: &[f32], share: f64) {
        let expected = self.total * share;
        let spread = (expected * (1.0 - share)).max(0.0).sqrt() as f32;
        let (from_above, from_below) =
            ((expected * (1.0 - ROUNDING)) as f32, (expected * (1.0 + ROUNDING)) as f32);
        let always = ((self.total - expected) * (1.0 - ROUNDING)) as f32;
        for group in (0..LANES).step_by(GROUP) {
            let lanes = group..group + GROUP;
            let sums = &mut self.running[lanes.clone()];
            let bounds = self.above[lanes.clone()].iter().zip(&self.below[lanes.clone()]);
            let mut is_near = false;
            for ((sum, count), (above, below)) in sums.iter_mut().zip(&row[lanes]).zip(bounds) {
                *sum += count;
                let high = *sum > (from_above + above * spread).min(always);
                let low = *sum < from_below - below * spread;
                is_near |= high | low;
            }
            if is_near {
                self.improve(group, expected);
            }
        }
    }

    fn improve(&mut self, group: usize, expected: f64) {
        for lane in group..group + GROUP {
            let ratio = log_ratio(f64::from(self.running[lane]), self.total, expected);
            if ratio > self.best[lane] {
                self.best[lane] = ratio;
                self.above[lane] = ((2.0 * ratio).sqrt() * (1.0 - ROUNDING)) as f32;
                self.below[lane] = (ratio.sqrt() * (1.0 - ROUNDING)) as f32;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::clusters::Evidence;
    use crate::analysis::graph::{Edge, Graph};
    use crate::analysis::rates::CountDraws;
    use crate::analysis::rates::ExposureDraws;

    fn line(n: usize) -> Graph {
        let edge = |from| Edge { from, to: from + 1, length_m: 100.0 };
        Graph::new(n + 1, (0..n).map(edge).collect()).unwrap()
    }

    /// Ten encounters on five segments of equal exposure, six on the first: 6 ln(6/2) + 4 ln(4/8) = 3.819085. Single
    /// segments are the only windows of up to 30 % of exposure.
    #[test]
    fn the_ratio_by_hand() {
        let counts = CountDraws::certain(vec![6, 1, 1, 1, 1]);
        let exposure = ExposureDraws::certain(vec![2.0; 5]);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 5] };
        let null = Null::new(evidence, 1.0).unwrap();
        let windows = null.windows(&line(5), 0.3).unwrap();
        let found = scan(&null, &windows, &ScanParams { n_replicates: 99, seed: 4, ..ScanParams::default() });
        let found = found.unwrap();
        assert_eq!(found.n_windows, 5);
        let first = &found.windows[0];
        assert_eq!(
            (first.segments.as_slice(), first.side, first.count, first.expected),
            (&[0][..], Side::More, 6.0, 2.0)
        );
        assert!((first.log_likelihood_ratio - 3.819_085_009_768_877).abs() < 1e-12);
        // P(some of five segments has at least six of ten) is 5 × P(X >= 6) less overlaps, about 0.032.
        assert!((0.01..0.09).contains(&first.p_value), "{}", first.p_value);
    }

    /// The largest ratios, by computing every window of every replicate.
    #[test]
    fn leaving_lanes_alone_misses_nothing() {
        let n = 24;
        let counts = CountDraws::certain((0..n).map(|at| (at % 5) as u32).collect());
        let exposure = ExposureDraws::certain((0..n).map(|at| 0.2 + (at % 7) as f64).collect());
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 24] };
        for factor in [1.0, 2.5] {
            let null = Null::new(evidence, factor).unwrap();
            let windows = null.windows(&line(n), 0.6).unwrap();
            let total = null.mean_total().round() as u64;
            let lanes = lanes(&null, (0, LANES), total, 8);
            let got = lane_maxima(&null, &windows, &lanes, total as f64);
            for (lane, got) in got.iter().enumerate() {
                let mut largest = 0.0f64;
                for centre in 0..windows.n_centres() {
                    let (mut count, mut share) = (0.0, 0.0);
                    for (segment, ends) in windows.around(centre) {
                        count += f64::from(lanes[segment * LANES + lane]);
                        share += null.mean_shares[segment];
                        if ends {
                            largest = largest.max(log_ratio(count, total as f64, total as f64 * share));
                        }
                    }
                }
                assert!((got - largest).abs() < 1e-9, "{factor} {lane}: {got} {largest}");
            }
        }
    }

    #[test]
    fn secondary_windows_do_not_overlap_and_ties_are_extreme() {
        let mut planted = vec![2u32; 40];
        planted[4..7].fill(30);
        planted[30..32].fill(25);
        let counts = CountDraws::certain(planted);
        let exposure = ExposureDraws::certain(vec![1.0; 40]);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 40] };
        let null = Null::new(evidence, 1.0).unwrap();
        let windows = null.windows(&line(40), 0.1).unwrap();
        let params = ScanParams { n_replicates: 199, seed: 1, ..ScanParams::default() };
        let found = scan(&null, &windows, &params).unwrap();
        assert_eq!(found.windows[0].segments, [4, 5, 6]);
        assert_eq!(found.windows[0].p_value, 1.0 / 200.0);
        // The second is held by windows around 30 or 31, which also take a neighbour.
        assert!(found.windows[1].segments.contains(&30) && found.windows[1].segments.contains(&31));
        let mut all: Vec<usize> = found.windows.iter().flat_map(|it| it.segments.clone()).collect();
        let n = all.len();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), n);
        let reached = describe(&null, vec![0], &[0.0, found.windows[0].log_likelihood_ratio]);
        assert!(reached.p_value > 0.3);
        let tied = describe(&null, vec![4, 5, 6], &[found.windows[0].log_likelihood_ratio]);
        assert_eq!(tied.p_value, 1.0);
    }

    #[test]
    fn a_scan_without_replicates_is_refused() {
        let counts = CountDraws::certain(vec![1, 1]);
        let exposure = ExposureDraws::certain(vec![1.0, 1.0]);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 2] };
        let null = Null::new(evidence, 1.0).unwrap();
        let windows = null.windows(&line(2), 0.4).unwrap();
        // No window fits under the share: nothing is found, and nothing is claimed.
        let empty = scan(&null, &windows, &ScanParams::default()).unwrap();
        assert!(empty.windows.is_empty() && empty.n_windows == 0);
        let none = ScanParams { n_replicates: 0, ..ScanParams::default() };
        assert!(matches!(scan(&null, &windows, &none), Err(ClusterError::Parameter { .. })));
        assert!(null.windows(&line(2), 1.0).is_err() && null.windows(&line(3), 0.5).is_err());
    }
}
