//! The exposure field: whole draws of party-kilometres by segment, and where they come from.

use crate::analysis::exposure::calibration::Calibration;
use crate::analysis::exposure::diagnostic::SiteCheck;
use crate::analysis::exposure::model::ParameterKind;
use crate::analysis::exposure::readings::{CounterSite, ReadingReport};
use crate::analysis::exposure::summary::DrawSummary;
use crate::analysis::exposure::time::{TimeShares, YearMonth};
use crate::analysis::exposure::walkers::Habits;
use std::cmp::Ordering;

/// Where the exposure of a segment comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Provenance {
    /// A counter stands on it, or on its piece with no junction or trailhead between.
    Counted,
    /// From the walker model, and what the counts do not identify makes at most the stated share of the variance of its
    /// log exposure.
    Fitted,
    /// From the walker model on stated priors: no rank, no exceedance and no cluster here.
    Assumed,
    /// The model sends nobody here; its exposure is zero in every draw.
    NotWalked,
}

/// How a parameter was had.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ParameterStatus {
    /// The expected counts identify it.
    Fitted,
    /// Measured apart from the fit: a calibration from sessions.
    Measured,
    /// Drawn from its stated prior, moved only as far as it goes along with fitted ones.
    Prior,
}

/// One parameter of the walker model, on its own scale (walkers, ratio, metres).
#[derive(Debug, Clone, PartialEq)]
pub struct Parameter {
    /// What it is about, in words.
    pub name: String,
    /// What it is about.
    pub kind: ParameterKind,
    /// How it was had.
    pub status: ParameterStatus,
    /// Its kept draws.
    pub summary: DrawSummary,
    /// Lower, median and upper value of its 95 % prior interval.
    pub prior: (f64, f64, f64),
}

impl ParameterStatus {
    /// The words of pages and tables.
    pub fn words(self) -> &'static str {
        match self {
            Self::Fitted => "fitted",
            Self::Measured => "measured apart",
            Self::Prior => "not identified alone: the stated prior, updated by the counts",
        }
    }
}

impl Parameter {
    /// Where the median of the draws lies against the central 90 % of the prior: below it, within it (`Equal`), above it.
    ///
    /// Priors are log-normal: in logarithms their 90 % limits lie 1.645/1.960 of the way from the median to the 95 % limits.
    pub fn against_prior(&self) -> Ordering {
        let (lower, median, upper) = self.prior;
        let limit = |outer: f64| median * (outer / median).powf(1.644_854 / 1.959_964);
        match self.summary.median {
            value if value < limit(lower) => Ordering::Less,
            value if value > limit(upper) => Ordering::Greater,
            _ => Ordering::Equal,
        }
    }
}

/// How the fit meets one series of counts.
#[derive(Debug, Clone, PartialEq)]
pub struct CounterFit {
    /// The counter.
    pub counter: usize,
    /// Where it stood.
    pub site: CounterSite,
    /// Bins of readings that count there.
    pub n_bins: usize,
    /// Passages the device counted in the study period while it was open.
    pub observed: f64,
    /// What the fitted model expects the device to count in the same hours.
    pub expected: f64,
    /// Pearson dispersion of its daily counts.
    pub dispersion: f64,
    /// Share of the study period's walkers that it was there to count while it was open, in [0, 1].
    pub share_observed: f64,
    /// Passages the device counted while it was closed.
    pub observed_closed: f64,
    /// What the fitted model expects the device to count in the same hours if it were open.
    pub expected_closed: f64,
    /// Whether it took part in the fit: not when no walker can reach it, or when it stands at a place.
    pub is_used: bool,
}

/// What the counts can tell about the parameters of the walker model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Identifiability {
    /// Series of counts that took part in the fit.
    pub n_counts: usize,
    /// Parameters that the fit could move: volumes, attractiveness, mean distance.
    pub n_parameters: usize,
    /// Rank of the Jacobian of the log expected counts over all of them: so many directions the counts speak of.
    pub rank: usize,
    /// Parameters fitted.
    pub n_fitted: usize,
    /// Largest over least singular value of the Jacobian over the fitted ones; none where nothing is fitted.
    pub condition: Option<f64>,
}

/// Whole draws of exposure over the study period, with everything needed to say where they come from.
///
/// Errors that segments share (a trailhead's volume, a calibration, the party size) are shared within each draw, so work
/// with whole draws and never with one standard error for each segment.
#[derive(Debug, Clone, PartialEq)]
pub struct ExposureField {
    /// Number of draws.
    pub n_draws: usize,
    /// Number of segments.
    pub n_segments: usize,
    /// Number of trailheads.
    pub n_trailheads: usize,
    /// Party-kilometres over the study period, index `draw * n_segments + segment`.
    pub party_km: Vec<f64>,
    /// Where each segment's exposure comes from.
    pub provenance: Vec<Provenance>,
    /// Walkers who started, index `draw * n_trailheads + trailhead`.
    pub walkers: Vec<f64>,
    /// Parties who started, by the size of their trailhead, index `draw * n_trailheads + trailhead`.
    pub parties: Vec<f64>,
    /// By trail, the mean size of parties on it in each draw; none where the trail has none of its own.
    pub trail_sizes: Vec<Option<Vec<f64>>>,
    /// By trailhead the share of its starts that its own closures leave, draw by draw; none where it was never closed.
    pub head_open: Vec<Option<Vec<f64>>>,
    /// Shares of all exposure by (year-month, hour), draw by draw.
    pub time: TimeShares,
    /// Visits of places in parties, index `draw * n_places + place`.
    pub place_visits: Vec<f64>,
    /// The parameters: fitted, measured or prior.
    pub parameters: Vec<Parameter>,
    /// Observed against expected for each series of counts.
    pub counters: Vec<CounterFit>,
    /// Counted against expected at each site that took part in the fit, by month and hours.
    pub checks: Vec<SiteCheck>,
    /// What the counts can tell about the parameters.
    pub identifiability: Identifiability,
    /// How the bins of each counter were used.
    pub readings: Vec<ReadingReport>,
    /// Calibration of each counter.
    pub calibrations: Vec<Calibration>,
    /// Habits at the mode, for representative trips.
    pub(crate) habits: Habits,
}

impl ExposureField {
    /// Party-kilometres by segment in one draw.
    pub fn draw(&self, draw: usize) -> &[f64] {
        &self.party_km[draw * self.n_segments..(draw + 1) * self.n_segments]
    }

    /// Mean party-kilometres by segment over the draws.
    pub fn mean_km(&self) -> Vec<f64> {
        let mut mean = vec![0.0; self.n_segments];
        for draw in 0..self.n_draws {
            for (total, km) in mean.iter_mut().zip(self.draw(draw)) {
                *total += km / self.n_draws as f64;
            }
        }
        mean
    }

    /// Mean and 95 % interval of one segment's party-kilometres.
    pub fn summary(&self, segment: usize) -> DrawSummary {
        DrawSummary::of((0..self.n_draws).map(|draw| self.party_km[draw * self.n_segments + segment]))
    }

    /// Takes off what could not be walked: of the party-kilometres on the segments of a trail the open share is left, draw by draw.
    ///
    /// `trail_of` names each segment's trail, `open` has one share for each draw by trail, none where nothing is taken off. A trail
    /// that was open in no draw is not walked.
    pub fn keep_open(&mut self, trail_of: &[usize], open: &[Option<Vec<f64>>]) {
        for (segment, trail) in trail_of.iter().enumerate() {
            let Some(open) = &open[*trail] else { continue };
            for (draw, share) in open.iter().enumerate().take(self.n_draws) {
                self.party_km[draw * self.n_segments + segment] *= share;
            }
            if open.iter().all(|share| *share <= 0.0) {
                self.provenance[segment] = Provenance::NotWalked;
            }
        }
    }

    /// Takes off those who did not come while the whole area was closed: of walkers and parties who start and of visits of places the
    /// open share is left, draw by draw. The party-kilometres are left to [`Self::keep_open`].
    pub fn keep_area_open(&mut self, open: &[f64]) {
        let n_places = self.place_visits.len() / self.n_draws.max(1);
        let n_heads = self.n_trailheads;
        let all =
            [(&mut self.walkers, n_heads), (&mut self.parties, n_heads), (&mut self.place_visits, n_places)];
        for (values, n) in all {
            let rows = values.chunks_mut(n.max(1)).zip(open);
            rows.for_each(|(row, share)| row.iter_mut().for_each(|value| *value *= share));
        }
    }

    /// Party-kilometres in chosen (year-month, local hour) cells, shaped like `party_km`.
    pub fn km_where(&self, keep: impl Fn(YearMonth, usize) -> bool) -> Vec<f64> {
        let shares = self.time.share_where(keep);
        let by_draw = self.party_km.chunks(self.n_segments.max(1)).zip(shares);
        by_draw.flat_map(|(draw, share)| draw.iter().map(move |km| km * share)).collect()
    }

    /// Parties on the segments of a trail for each party that started at a trailhead and walks there, means over the draws: one
    /// where the trail has no party size of its own.
    pub fn parties_on(&self, trail: usize, trailhead: usize) -> f64 {
        let Some(sizes) = &self.trail_sizes[trail] else { return 1.0 };
        let of_head = |draws: &[f64]| -> Vec<f64> {
            draws.iter().skip(trailhead).step_by(self.n_trailheads.max(1)).copied().collect()
        };
        let there: f64 = of_head(&self.walkers).iter().zip(sizes).map(|(walkers, size)| walkers / size).sum();
        let parties = of_head(&self.parties).iter().sum::<f64>();
        if parties > 0.0 { there / parties } else { 1.0 }
    }

    /// Mean parties who started at each trailhead.
    pub fn mean_parties(&self) -> Vec<f64> {
        let at = |head: usize| (0..self.n_draws).map(move |draw| draw * self.n_trailheads + head);
        let mean = |head| at(head).map(|idx| self.parties[idx]).sum::<f64>() / self.n_draws as f64;
        (0..self.n_trailheads).map(mean).collect()
    }
}

/// Encounters on a segment where nobody is supposed to walk.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contradiction {
    /// The segment.
    pub segment: usize,
    /// Its encounters.
    pub count: f64,
}

/// Segments where exposure contradicts the records: encounters more than zero, exposure zero.
///
/// `counts` and `exposure_km` hold one number for each segment; the exposure may be a mean over draws or a survey's.
pub fn contradictions(counts: &[f64], exposure_km: &[f64]) -> Vec<Contradiction> {
    let pairs = counts.iter().zip(exposure_km).enumerate();
    pairs
        .filter(|(_, (count, km))| **count > 0.0 && **km <= 0.0)
        .map(|(segment, (count, _))| Contradiction { segment, count: *count })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_without_exposure_stand_out() {
        let found = contradictions(&[0.0, 2.0, 3.0], &[0.0, 0.0, 0.1]);
        assert_eq!(found, [Contradiction { segment: 1, count: 2.0 }]);
    }

    #[test]
    fn a_parameter_beyond_nine_tenths_of_its_prior_is_seen() {
        // Median 100 and log sd 0.5: 95 % limits 37.5 and 266.4, 90 % limits 43.9 and 227.6.
        let prior = (100.0 * (-0.979_982_f64).exp(), 100.0, 100.0 * 0.979_982_f64.exp());
        let of_median = |median: f64| Parameter {
            name: "walkers from Mill".to_owned(),
            kind: ParameterKind::Volume { trailhead: 0 },
            status: ParameterStatus::Fitted,
            summary: DrawSummary { mean: median, lower: median, median, upper: median },
            prior,
        };
        for (median, expected) in [
            (40.0, Ordering::Less),
            (45.0, Ordering::Equal),
            (100.0, Ordering::Equal),
            (225.0, Ordering::Equal),
            (240.0, Ordering::Greater),
        ] {
            assert_eq!(of_median(median).against_prior(), expected, "{median}");
        }
    }
}
