//! Whole-number allocations of uncertain records to segments.

use rand::RngExt;
use rayon::prelude::*;

use crate::analysis::random::{seed_of, stream};
use crate::analysis::snap::Candidate;
use crate::analysis::snap::Snap;

/// Candidates of a record that are drawn from; there are a handful as a rule.
const MAX_CANDIDATES: usize = 256;

/// The segment of each record in each draw.
///
/// Records that can lie on one segment only are kept once; of the others each draw keeps the number of the candidate, one
/// byte.
#[derive(Debug, Clone, PartialEq)]
pub struct Allocation {
    n_draws: usize,
    /// Segment of each record that needs no draw; `None` for those that do, and for those on no segment.
    fixed: Vec<Option<u32>>,
    /// The records that are drawn, ascending.
    drawn_records: Vec<u32>,
    /// First candidate of each of them.
    candidate_starts: Vec<u32>,
    candidate_segments: Vec<u32>,
    /// The candidate of each of them in each draw, draw-major.
    drawn: Vec<u8>,
}

/// Draws the segments of records from their weights.
///
/// Draw `d` uses stream `d` of the seed, so that the result depends on the records and the seed alone. Records at places,
/// off trail or too vague are on no segment; those set by hand are on theirs in every draw.
pub fn allocate(snaps: &[Snap], n_draws: usize, seed: u64) -> Allocation {
    let fixed: Vec<Option<u32>> = snaps.iter().map(fixed_segment).collect();
    let (mut drawn_records, mut candidate_starts) = (Vec::new(), Vec::new());
    let (mut candidate_segments, mut cumulative) = (Vec::new(), Vec::new());
    for (record, snap) in snaps.iter().enumerate() {
        let Some(candidates) = uncertain_candidates(snap) else { continue };
        drawn_records.push(record as u32);
        candidate_starts.push(candidate_segments.len() as u32);
        let mut sum = 0.0;
        for candidate in candidates.iter().take(MAX_CANDIDATES) {
            sum += candidate.weight;
            candidate_segments.push(candidate.nearest.segment_idx as u32);
            cumulative.push(sum);
        }
        // What rounding or the limit leaves to one falls to the last.
        if let Some(last) = cumulative.last_mut() {
            *last = f64::INFINITY;
        }
    }
    let mut drawn = vec![0u8; n_draws * drawn_records.len()];
    if !drawn_records.is_empty() {
        drawn.par_chunks_mut(drawn_records.len()).enumerate().for_each(|(draw, chosen)| {
            let mut rng = stream(seed_of(seed, "allocation"), draw as u64);
            for (choice, &start) in chosen.iter_mut().zip(&candidate_starts) {
                *choice = pick(&cumulative[start as usize..], rng.random::<f64>());
            }
        });
    }
    Allocation { n_draws, fixed, drawn_records, candidate_starts, candidate_segments, drawn }
}

fn fixed_segment(snap: &Snap) -> Option<u32> {
    match snap {
        Snap::ByHand { segment_idx } => Some(*segment_idx as u32),
        Snap::OnTrail(on_trail) => match on_trail.candidates[..] {
            [only] => Some(only.nearest.segment_idx as u32),
            _ => None,
        },
        _ => None,
    }
}

fn uncertain_candidates(snap: &Snap) -> Option<&[Candidate]> {
    match snap {
        Snap::OnTrail(on_trail) if on_trail.candidates.len() > 1 => Some(&on_trail.candidates),
        _ => None,
    }
}

/// The first candidate whose cumulative weight exceeds the draw. They come heaviest first, so the walk is short.
fn pick(cumulative: &[f64], uniform: f64) -> u8 {
    let mut choice = 0;
    while uniform >= cumulative[choice] {
        choice += 1;
    }
    choice as u8
}

impl Allocation {
    /// How many draws.
    pub fn n_draws(&self) -> usize {
        self.n_draws
    }

    /// How many records, on a segment or not.
    pub fn n_records(&self) -> usize {
        self.fixed.len()
    }

    /// How many records change their segment from draw to draw.
    pub fn n_uncertain(&self) -> usize {
        self.drawn_records.len()
    }

    /// The segment of a record in a draw; `None` when it is on no segment.
    pub fn segment(&self, draw: usize, record: usize) -> Option<usize> {
        let drawn = self.drawn_records.binary_search(&(record as u32)).ok();
        let segment = drawn.map(|k| self.drawn_segment(draw, k)).or(self.fixed[record]);
        segment.map(|segment| segment as usize)
    }

    /// The segment of the `k`th uncertain record in a draw.
    fn drawn_segment(&self, draw: usize, k: usize) -> u32 {
        let choice = self.drawn[draw * self.drawn_records.len() + k];
        self.candidate_segments[self.candidate_starts[k] as usize + usize::from(choice)]
    }

    /// Where a record lies in all draws.
    pub fn places(&self, record: usize) -> Places<'_> {
        let drawn = self.drawn_records.binary_search(&(record as u32)).ok();
        Places { allocation: self, drawn, fixed: self.fixed[record].map(|segment| segment as usize) }
    }

    /// Records on each segment in each draw: draw-major, `n_draws * n_segments` values.
    ///
    /// `n_segments` is that of the network; records on segments beyond it are left out.
    pub fn counts_by_draw(&self, n_segments: usize) -> Vec<u32> {
        self.counts_by_draw_where(n_segments, |_| true)
    }

    /// As [`Allocation::counts_by_draw`], of those records alone for whose index `is_counted` holds.
    pub fn counts_by_draw_where(&self, n_segments: usize, is_counted: impl Fn(usize) -> bool) -> Vec<u32> {
        let mut base = vec![0u32; n_segments];
        for (record, segment) in self.fixed.iter().enumerate() {
            if let Some(count) = segment.and_then(|s| base.get_mut(s as usize))
                && is_counted(record)
            {
                *count += 1;
            }
        }
        let counted: Vec<usize> =
            (0..self.drawn_records.len()).filter(|&k| is_counted(self.drawn_records[k] as usize)).collect();
        let mut counts = Vec::with_capacity(self.n_draws * n_segments);
        for draw in 0..self.n_draws {
            let start = counts.len();
            counts.extend_from_slice(&base);
            for &k in &counted {
                if let Some(count) = counts.get_mut(start + self.drawn_segment(draw, k) as usize) {
                    *count += 1;
                }
            }
        }
        counts
    }
}

/// Where one record lies, draw by draw.
#[derive(Debug, Clone, Copy)]
pub struct Places<'a> {
    allocation: &'a Allocation,
    /// Its number among the records that change their segment.
    drawn: Option<usize>,
    fixed: Option<usize>,
}

impl Places<'_> {
    /// Whether it lies on no segment in any draw.
    pub fn is_nowhere(&self) -> bool {
        self.drawn.is_none() && self.fixed.is_none()
    }

    /// The one segment on which it lies in every draw, where there is one.
    pub fn everywhere(&self) -> Option<usize> {
        if self.drawn.is_some() { None } else { self.fixed }
    }

    /// The segment in a draw, counted round again past the last.
    pub fn at(&self, draw: usize) -> Option<usize> {
        let draw = draw % self.allocation.n_draws.max(1);
        let drawn = self.drawn.map(|k| self.allocation.drawn_segment(draw, k) as usize);
        drawn.or(self.fixed)
    }
}

/// Records on each segment by their weights: for kernels, never for counting, since fractions shrink the variance.
///
/// `n_segments` is that of the network; weights on segments beyond it are left out.
pub fn fractional_counts(snaps: &[Snap], n_segments: usize) -> Vec<f64> {
    let mut counts = vec![0.0; n_segments];
    let mut add = |segment_idx: usize, weight: f64| {
        if let Some(count) = counts.get_mut(segment_idx) {
            *count += weight;
        }
    };
    for snap in snaps {
        match snap {
            Snap::ByHand { segment_idx } => add(*segment_idx, 1.0),
            Snap::OnTrail(on_trail) => {
                on_trail.candidates.iter().for_each(|c| add(c.nearest.segment_idx, c.weight));
            }
            Snap::AtPlace { .. } | Snap::TooVague { .. } | Snap::OffTrail { .. } => {}
        }
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::snap::{Nearest, OnTrail, PriorUse};
    use geo::Coord;
    use rand_distr::{Distribution, Poisson};

    fn on_trail(weights: &[(usize, f64)]) -> Snap {
        let nearest =
            |segment_idx| Nearest { segment_idx, distance_m: 0.0, along_m: 0.0, foot: Coord::zero() };
        let candidates: Vec<Candidate> =
            weights.iter().map(|&(s, weight)| Candidate { weight, nearest: nearest(s) }).collect();
        Snap::OnTrail(OnTrail { candidates, is_ambiguous: weights.len() > 1, prior: PriorUse::Flat })
    }

    #[test]
    fn every_record_on_a_trail_counts_once_in_every_draw() {
        let snaps = [
            on_trail(&[(0, 1.0)]),
            on_trail(&[(1, 0.7), (2, 0.3)]),
            Snap::ByHand { segment_idx: 2 },
            Snap::OffTrail { nearest_m: None },
            Snap::TooVague { trails: Vec::new() },
            Snap::AtPlace { place_idx: 0 },
        ];
        let allocation = allocate(&snaps, 200, 7);
        assert_eq!((allocation.n_records(), allocation.n_uncertain()), (6, 1));
        let counts = allocation.counts_by_draw(3);
        assert_eq!(counts.len(), 600);
        for (draw, counts) in counts.chunks(3).enumerate() {
            assert_eq!(counts.iter().sum::<u32>(), 3);
            assert!(counts[0] == 1 && counts[2] >= 1);
            assert_eq!(allocation.segment(draw, 2), Some(2));
            assert_eq!(allocation.segment(draw, 1) == Some(2), counts[2] == 2);
            assert_eq!(allocation.segment(draw, 3), None);
        }
        let on_second: u32 = counts.chunks(3).map(|c| c[1]).sum();
        assert!((120..160).contains(&on_second), "{on_second}");
        assert_eq!(allocation, allocate(&snaps, 200, 7));
        assert_ne!(allocation, allocate(&snaps, 200, 8));
        let without_first = allocation.counts_by_draw_where(3, |record| record != 0);
        assert!(without_first.chunks(3).all(|c| c[0] == 0 && c[1] + c[2] == 2));
    }

    #[test]
    fn fractions_sum_to_the_records() {
        let snaps = [on_trail(&[(1, 0.7), (0, 0.3)]), Snap::ByHand { segment_idx: 0 }];
        let counts = fractional_counts(&snaps, 2);
        assert!((counts[0] - 1.3).abs() < 1e-12 && (counts[1] - 0.7).abs() < 1e-12);
    }

    /// Two parallel segments that the error cannot tell apart, each with a Poisson count of mean 20: shares of one half
    /// have half the variance of a count, whole-number allocations the whole.
    #[test]
    fn fractional_weights_halve_the_variance_of_a_count_and_allocations_do_not() {
        let poisson = Poisson::new(20.0).unwrap();
        let half = on_trail(&[(0, 0.5), (1, 0.5)]);
        let (mut fractional, mut whole) = (Vec::new(), Vec::new());
        for run in 0..3000u64 {
            let mut rng = stream(11, run);
            let n: f64 = poisson.sample(&mut rng) + poisson.sample(&mut rng);
            let snaps = vec![half.clone(); n as usize];
            fractional.push(fractional_counts(&snaps, 2)[0]);
            whole.push(f64::from(allocate(&snaps, 1, run).counts_by_draw(2)[0]));
        }
        let variance = |values: &[f64]| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() - 1) as f64
        };
        // The standard error of a variance over 3,000 runs is about 2.7 %.
        assert!((variance(&fractional) / 10.0 - 1.0).abs() < 0.12, "{}", variance(&fractional));
        assert!((variance(&whole) / 20.0 - 1.0).abs() < 0.12, "{}", variance(&whole));
    }
}
