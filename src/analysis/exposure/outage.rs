//! Zero-filled outages: runs of zeros that the counter's own profile makes incredible.

use std::collections::BTreeMap;

use crate::analysis::exposure::pieces::HourPiece;
use crate::analysis::exposure::readings::CountedBin;
use crate::analysis::exposure::time::{HOURS, weekday_idx};

/// When a run of zeros is an outage.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OutageRule<'a> {
    /// Runs less probable than this are outages.
    pub(crate) probability: f64,
    /// Hours of the day where the bins are too coarse to tell.
    pub(crate) hour_profile: &'a [f64; HOURS],
}

/// A zero run this long is left out when the profile is first estimated, seconds.
const SUSPECT_S: i64 = 86_400;
/// Rounds of profile and test; the set settles in two or three.
const MAX_ROUNDS: usize = 6;

/// Which bins of one placement, in order of time, belong to a zero-filled outage.
///
/// A run is a maximal sequence of zero bins (missing bins between them do not end it). With μ the run's expected count
/// under the counter's own hour × weekday × calendar-month profile and φ the Pearson dispersion of its daily counts, a
/// run of zeros has the probability exp(−μ) when φ = 1 and exp(−μ ln φ / (φ − 1)) under the negative binomial with that
/// dispersion: the test statistic. The profile comes from the bins outside runs of a day or more, then from those
/// outside the outages found, until nothing changes. `closed` marks bins whose zeros are known to be true. A placement
/// that counted nobody at all is one outage when it lasts a day or more.
pub(crate) fn find(bins: &[CountedBin], closed: &[bool], rule: &OutageRule) -> Vec<bool> {
    let runs = zero_runs(bins, closed);
    let mut lost: Vec<bool> = runs.iter().map(|run| span_s(bins, run) >= SUSPECT_S).collect();
    for _ in 0..MAX_ROUNDS {
        let out = marked(bins.len(), &runs, &lost);
        let Some(profile) = OwnProfile::of(bins, |idx| !out[idx] && !closed[idx], rule) else {
            return out;
        };
        let tested: Vec<bool> = runs
            .iter()
            .map(|run| {
                let expected: f64 = run.iter().map(|idx| profile.expected(&bins[*idx])).sum();
                profile.log_probability_of_none(expected) < rule.probability.ln()
            })
            .collect();
        if tested == lost {
            break;
        }
        lost = tested;
    }
    marked(bins.len(), &runs, &lost)
}

fn zero_runs(bins: &[CountedBin], closed: &[bool]) -> Vec<Vec<usize>> {
    let mut runs = Vec::new();
    let mut run = Vec::new();
    for (idx, bin) in bins.iter().enumerate() {
        if bin.count == 0.0 && !closed[idx] {
            run.push(idx);
        } else if !run.is_empty() {
            runs.push(std::mem::take(&mut run));
        }
    }
    if !run.is_empty() {
        runs.push(run);
    }
    runs
}

fn span_s(bins: &[CountedBin], run: &[usize]) -> i64 {
    run.iter().map(|idx| bins[*idx].end_s - bins[*idx].start_s).sum()
}

fn marked(n_bins: usize, runs: &[Vec<usize>], lost: &[bool]) -> Vec<bool> {
    let mut out = vec![false; n_bins];
    for (run, _) in runs.iter().zip(lost).filter(|(_, lost)| **lost) {
        for idx in run {
            out[*idx] = true;
        }
    }
    out
}

/// A counter's expected passages an hour: overall rate × relative hour × relative weekday × relative month.
struct OwnProfile {
    rate_per_h: f64,
    hour: [f64; HOURS],
    weekday: [f64; 7],
    month: [f64; 12],
    dispersion: f64,
}

impl OwnProfile {
    /// `None` when the chosen bins counted nobody.
    fn of(bins: &[CountedBin], keep: impl Fn(usize) -> bool, rule: &OutageRule) -> Option<Self> {
        let pieces: Vec<&HourPiece> =
            bins.iter().enumerate().filter(|(idx, _)| keep(*idx)).flat_map(|(_, bin)| &bin.pieces).collect();
        let count: f64 = pieces.iter().map(|piece| piece.count).sum();
        let hours: f64 = pieces.iter().map(|piece| piece.hours).sum();
        if count <= 0.0 {
            return None;
        }
        let mut profile = Self {
            rate_per_h: count / hours,
            hour: *rule.hour_profile,
            weekday: [1.0; 7],
            month: [1.0; 12],
            dispersion: 1.0,
        };
        let mean = profile.hour.iter().sum::<f64>() / HOURS as f64;
        profile.hour.iter_mut().for_each(|value| *value /= mean);
        // Each margin is adjusted given the others; two rounds are plenty for a test of incredible zeros.
        for _ in 0..2 {
            let fine = pieces.iter().copied().filter(|piece| !piece.split);
            let ratio = profile.ratios::<HOURS>(fine, |piece| piece.hour);
            profile.hour.iter_mut().zip(ratio).for_each(|(value, ratio)| *value *= ratio);
            let ratio = profile.ratios::<7>(pieces.iter().copied(), |piece| weekday_idx(piece.day));
            profile.weekday.iter_mut().zip(ratio).for_each(|(value, ratio)| *value *= ratio);
            let ratio = profile.ratios::<12>(pieces.iter().copied(), month_idx);
            profile.month.iter_mut().zip(ratio).for_each(|(value, ratio)| *value *= ratio);
        }
        profile.dispersion = profile.daily_dispersion(&pieces);
        Some(profile)
    }

    fn rate_at(&self, piece: &HourPiece) -> f64 {
        self.rate_per_h
            * self.hour[piece.hour]
            * self.weekday[weekday_idx(piece.day)]
            * self.month[month_idx(piece)]
    }

    fn expected(&self, bin: &CountedBin) -> f64 {
        bin.pieces.iter().map(|piece| piece.hours * self.rate_at(piece)).sum()
    }

    /// Observed over expected by level, drawn towards 1 with the weight of five passages; 1 where nothing is known.
    fn ratios<'p, const N: usize>(
        &self,
        pieces: impl Iterator<Item = &'p HourPiece>,
        level: impl Fn(&HourPiece) -> usize,
    ) -> [f64; N] {
        let mut observed = [5.0; N];
        let mut expected = [5.0; N];
        for piece in pieces {
            observed[level(piece)] += piece.count;
            expected[level(piece)] += piece.hours * self.rate_at(piece);
        }
        std::array::from_fn(|idx| observed[idx] / expected[idx])
    }

    fn daily_dispersion(&self, pieces: &[&HourPiece]) -> f64 {
        let mut days = BTreeMap::new();
        for piece in pieces {
            let (count, expected) = days.entry(piece.day).or_insert((0.0, 0.0));
            *count += piece.count;
            *expected += piece.hours * self.rate_at(piece);
        }
        let terms: Vec<f64> = days
            .values()
            .filter(|(_, expected)| *expected > 0.0)
            .map(|(count, expected): &(f64, f64)| (count - expected).powi(2) / expected)
            .collect();
        (terms.iter().sum::<f64>() / terms.len().max(1) as f64).max(1.0)
    }

    fn log_probability_of_none(&self, expected: f64) -> f64 {
        let over = self.dispersion - 1.0;
        // ln φ / (φ − 1) tends to 1 at φ = 1.
        let factor = if over < 1e-6 { 1.0 } else { self.dispersion.ln() / over };
        -expected * factor
    }
}

fn month_idx(piece: &HourPiece) -> usize {
    usize::from(piece.day.month().unsigned_abs()) - 1
}
