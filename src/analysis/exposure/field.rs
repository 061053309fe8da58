//! The exposure field: whole draws of party-kilometres by segment, and where they come from.

use std::borrow::Cow;

use crate::analysis::exposure::calibration::Calibration;
use crate::analysis::exposure::closures::Passed;
use crate::analysis::exposure::courses::Courses;
use crate::analysis::exposure::diagnostic::SiteCheck;
use crate::analysis::exposure::kept_out::KeptOut;
use crate::analysis::exposure::model::ParameterKind;
use crate::analysis::exposure::readings::{CounterSite, ReadingReport};
use crate::analysis::exposure::summary::DrawSummary;
use crate::analysis::exposure::time::{HOURS, TimeShares, YearMonth};
use crate::analysis::exposure::walkers::Habits;
use std::cmp::Ordering;

/// Where the exposure of a segment comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Provenance {
    /// A counter stands on it, or on its piece with no junction or trailhead between.
    Counted,
    /// From the walker model, and what the counts do not identify leaves its log exposure a standard deviation of at most
    /// `fitted_log_sd`.
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
    /// Passages the device counted in the study period in the times of its level: while all was open for those whom it counts, or
    /// where that is little, while most of them were let through.
    pub observed: f64,
    /// What the fitted model expects the device to count in the same hours.
    pub expected: f64,
    /// Pearson dispersion of its daily counts.
    pub dispersion: f64,
    /// Share of the study period's walkers that it was there to count in these times, in [0, 1].
    pub share_observed: f64,
    /// Passages the device counted while something was closed for some of those whom it counts.
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

/// What closures left of the walking, draw by draw; none where nothing was taken off.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Open {
    /// The share of all who come that closures of the whole area leave.
    pub area: Option<Vec<f64>>,
    /// By trailhead the share of its starts that its own closures leave.
    pub heads: Vec<Option<Vec<f64>>>,
    /// By trail the share of its walking that its own closures and those of the area leave, whoever walks there.
    pub trails: Vec<Option<Vec<f64>>>,
    /// By trail what counters counted of its walkers while it was closed.
    pub passed: Vec<Passed>,
    /// By trailhead what counters counted of those who start there while it was closed.
    pub passed_heads: Vec<Passed>,
    /// By trailhead the share of starts that closures without an end go on leaving; empty where nothing was closed.
    pub heads_for_good: Vec<f64>,
    /// By trailhead, then trail, the mean share of the walking that is left; empty where nothing was closed.
    pub ways: Vec<f64>,
}

impl Open {
    /// Of those who start at a trailhead, the share that is left of their walking on a trail; 1 where nothing is taken off but by
    /// what keeps them from starting.
    pub fn on_way(&self, head: usize, trail: usize) -> f64 {
        let n_trails = self.trails.len();
        let Some(left) = self.ways.get(head * n_trails + trail) else { return 1.0 };
        let mean = |draws: &Option<Vec<f64>>, draw: usize| draws.as_ref().map_or(1.0, |it| it[draw]);
        let n_draws = self.area.iter().chain(&self.heads[head]).map(Vec::len).next();
        let started = n_draws.map_or(1.0, |n_draws| {
            let each = (0..n_draws).map(|draw| mean(&self.area, draw) * mean(&self.heads[head], draw));
            each.sum::<f64>() / n_draws.max(1) as f64
        });
        if started > 0.0 { left / started } else { 1.0 }
    }
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
    /// The same by trail, of the walking on all of its segments together.
    pub trail_provenance: Vec<Provenance>,
    /// Walkers who started, index `draw * n_trailheads + trailhead`.
    pub walkers: Vec<f64>,
    /// Parties who started, by the size of their trailhead, index `draw * n_trailheads + trailhead`.
    pub parties: Vec<f64>,
    /// By trail, the mean size of parties on it in each draw; none where the trail has none of its own.
    pub trail_sizes: Vec<Option<Vec<f64>>>,
    /// What closures left.
    pub open: Open,
    /// Shares by (year-month, hour) of the walking of what is always open, draw by draw.
    pub time: TimeShares,
    /// The courses that segments follow where something was closed.
    pub courses: Courses,
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
    /// By counter and placement the closings that keep some of those whom it counts, as the stated priors have it.
    pub kept_out: Vec<Vec<Vec<KeptOut>>>,
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

    /// Party-kilometres in chosen (year-month, local hour) cells, shaped like `party_km`.
    pub fn km_where(&self, keep: impl Fn(YearMonth, usize) -> bool) -> Vec<f64> {
        let (months, n_courses) = (&self.time.cells.year_months, self.courses.n_courses());
        let is_kept: Vec<bool> =
            (0..self.time.cells.n_cells()).map(|cell| keep(months[cell / HOURS], cell % HOURS)).collect();
        let chosen = |shares: &[f64]| -> f64 {
            shares.iter().zip(&is_kept).filter(|(_, kept)| **kept).map(|(share, _)| share).sum()
        };
        let of_draw = |(draw, row): (usize, &[f64])| {
            let share: Vec<f64> =
                (0..n_courses).map(|course| chosen(&self.courses.shares(&self.time, course, draw))).collect();
            let of = |(segment, km): (usize, &f64)| {
                km * self.courses.of(segment).iter().map(|(course, part)| part * share[*course]).sum::<f64>()
            };
            row.iter().enumerate().map(of).collect::<Vec<f64>>()
        };
        self.party_km.chunks(self.n_segments.max(1)).enumerate().flat_map(of_draw).collect()
    }

    /// By cell (index `month_idx * 24 + hour`) the share of a course's walking in one draw.
    pub fn course(&self, course: usize, draw: usize) -> Cow<'_, [f64]> {
        self.courses.shares(&self.time, course, draw)
    }

    /// Shares of the walking of the whole area by cell: those of the common course where nothing was closed.
    pub fn area_time(&self) -> Cow<'_, TimeShares> {
        if self.courses.is_plain() {
            return Cow::Borrowed(&self.time);
        }
        let mut area = TimeShares { shares: Vec::with_capacity(self.time.shares.len()), ..self.time.clone() };
        area.shares.clear();
        for draw in 0..self.n_draws {
            let km = self.courses.split(self.draw(draw), 1, |_| Some(0)).swap_remove(0);
            let total: f64 = km.iter().sum();
            let cells = self.cells(&km, draw);
            area.shares.extend(cells.iter().map(|km| if total > 0.0 { km / total } else { 0.0 }));
        }
        Cow::Owned(area)
    }

    /// Kilometres by cell, from those by course, in one draw.
    pub fn cells(&self, km: &[f64], draw: usize) -> Vec<f64> {
        sum_of_courses(km, |course| self.course(course, draw))
    }

    /// Kilometres by cell, from those by course, at the mean of the courses over the draws.
    pub fn mean_cells(&self, km: &[f64]) -> Vec<f64> {
        sum_of_courses(km, |course| Cow::Owned(self.courses.mean_shares(&self.time, course)))
    }

    /// What each kilometre walked on a segment in the study period would be from now on in one draw: over what closures left of it,
    /// and of that what those without an end go on leaving.
    pub fn from_now_on(&self, segment: usize, draw: usize) -> f64 {
        let of = |(course, share): &(usize, f64)| match self.courses.kept(*course, draw) {
            kept if kept > 0.0 => share * self.courses.for_good(*course) / kept,
            _ => 0.0,
        };
        self.courses.of(segment).iter().map(of).sum()
    }

    /// Parties who would have started in the study period in one draw if what is closed were so without a known end only.
    pub fn parties_from_now_on(&self, draw: usize) -> f64 {
        let row = &self.parties[draw * self.n_trailheads..][..self.n_trailheads];
        if self.open.heads_for_good.is_empty() {
            return row.iter().sum();
        }
        let kept = |of: &Option<Vec<f64>>| of.as_ref().map_or(1.0, |kept| kept[draw]);
        let heads = row.iter().zip(&self.open.heads).zip(&self.open.heads_for_good);
        let each = heads.map(|((parties, head), for_good)| match kept(&self.open.area) * kept(head) {
            left if left > 0.0 => parties * for_good / left,
            _ => 0.0,
        });
        each.sum()
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

fn sum_of_courses<'a>(km: &[f64], shares: impl Fn(usize) -> Cow<'a, [f64]>) -> Vec<f64> {
    let mut cells: Vec<f64> = shares(0).iter().map(|share| share * km[0]).collect();
    for (course, km) in km.iter().enumerate().skip(1).filter(|(_, km)| **km > 0.0) {
        cells.iter_mut().zip(shares(course).iter()).for_each(|(sum, share)| *sum += share * km);
    }
    cells
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
