//! In which period each report lies, draw by draw: where its time does not tell, by the fitted curve of season and hours.
//!
//! Leaving such reports out would be right only if they lay where the others lie. A report is given a period anew in every
//! draw, with chances in proportion to when people walk there on the mean, on the course that most walking on the segment it lies
//! on in that draw follows, times a draw of the segment's curve: the curve's own draws hold what is not known of the walking. What is known of its time (its year, month or
//! hour) is kept. Each report draws from a stream of its own, so that neither the order of reports nor what else was
//! reported changes its periods.
//!
//! The curve knows nothing of places: where a place stands out in one period alone, those of its reports whose time is not
//! known are shared over all periods, which makes it stand out less in that one and a little more in the others.

use std::collections::HashMap;
use std::ops::Range;

use rand::RngExt;

use crate::analysis::exposure::Courses;
use crate::analysis::exposure::TimeShares;
use crate::analysis::random::seed_of;
use crate::analysis::random::stream;
use crate::analysis::rates::CountDraws;
use crate::analysis::season::ClassChances;
use crate::analysis::season::Curve;
use crate::analysis::season::HOURS;
use crate::analysis::season::HourSet;
use crate::analysis::season::PartialRecord;
use crate::analysis::snap::Allocation;
use crate::derived::cluster_periods::PeriodCut;

/// A report that is counted, with what is known of its time.
#[derive(Debug, Clone)]
pub(super) struct Report {
    /// What stays the same whatever else is reported: its stream of numbers.
    pub(super) key: u64,
    /// Its period, where its time tells.
    pub(super) period: Option<usize>,
    /// The months of the study period and the hours that it may be of.
    pub(super) known: PartialRecord,
}

/// When people walk, and how frequent encounters are by month and hour where they do.
pub(super) struct Curves<'a> {
    pub(super) shares: &'a TimeShares,
    /// Which of the courses of the walking each segment follows.
    pub(super) courses: &'a Courses,
    /// None where no season can be fitted.
    pub(super) curves: Vec<&'a Curve>,
    /// The curve of a segment.
    pub(super) curve_of: &'a dyn Fn(usize) -> usize,
}

/// The periods of all reports.
pub(super) struct Times {
    n_draws: usize,
    n_periods: usize,
    of: Vec<Time>,
    /// By report that is allotted, then draw.
    drawn: Vec<u8>,
    keys: Vec<u64>,
}

/// When a record is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Time {
    /// It is not counted.
    NotCounted,
    /// Its time tells.
    Told(usize),
    /// Its periods are drawn: its number among those.
    Allotted(usize),
    /// Its time does not tell, and no curve does.
    Unknown,
}

/// Counts of every period in one way of counting.
pub(super) struct PeriodCounts {
    pub(super) counts: Vec<CountDraws>,
    /// By period the counts that the curve allotted, mean over draws.
    pub(super) allotted: Vec<f64>,
}

impl Times {
    /// Gives every report its periods. `reports` are those of the allocation's records, none where one is not counted.
    pub(super) fn new(
        reports: &[Option<Report>],
        allocation: &Allocation,
        curves: &Curves<'_>,
        cut: PeriodCut,
        seed: u64,
    ) -> Self {
        let n_draws = allocation.n_draws();
        let seed = seed_of(seed, "periods of reports without a time");
        let courses = 0..curves.courses.n_courses();
        let walked = courses.map(|course| curves.courses.mean_shares(curves.shares, course)).collect();
        let mut chances = Chances { curves, walked, cut, n_draws, by_known: HashMap::new() };
        let mut times = Self {
            n_draws,
            n_periods: cut.names().len(),
            of: Vec::with_capacity(reports.len()),
            drawn: Vec::new(),
            keys: reports.iter().map(|report| report.as_ref().map_or(0, |report| report.key)).collect(),
        };
        for (record, report) in reports.iter().enumerate() {
            let time = match report {
                None => Time::NotCounted,
                Some(Report { period: Some(period), .. }) => Time::Told(*period),
                Some(Report { key, known, .. }) => {
                    let places = allocation.places(record);
                    let mut rng = stream(seed, *key);
                    let pick = |draw: usize| {
                        let uniform: f64 = rng.random();
                        let at = places.at(draw);
                        let curve = at.map_or(0, curves.curve_of);
                        // Who reports from where it was closed all the time that is possible went there all the same.
                        let own = at.map_or(0, |segment| curves.courses.main_of(segment));
                        let course = if chances.of(known, curve, own).is_some() { own } else { 0 };
                        chances.of(known, curve, course).map(|chances| chances.pick(draw, uniform) as u8)
                    };
                    match (0..n_draws).map(pick).collect::<Option<Vec<u8>>>() {
                        Some(periods) => {
                            let number = times.drawn.len() / n_draws.max(1);
                            times.drawn.extend(periods);
                            Time::Allotted(number)
                        }
                        None => Time::Unknown,
                    }
                }
            };
            times.of.push(time);
        }
        times
    }

    /// Reports that the curve gives their periods.
    pub(super) fn n_allotted(&self) -> usize {
        self.of.iter().filter(|time| matches!(time, Time::Allotted(_))).count()
    }

    /// Reports that are in no period.
    pub(super) fn n_left_out(&self) -> usize {
        self.of.iter().filter(|time| **time == Time::Unknown).count()
    }

    /// The period of a record in a draw; none where it is in no period.
    fn at(&self, record: usize, draw: usize) -> Option<usize> {
        match self.of[record] {
            Time::Told(period) => Some(period),
            Time::Allotted(number) => Some(usize::from(self.drawn[number * self.n_draws + draw])),
            Time::NotCounted | Time::Unknown => None,
        }
    }

    /// Every report counted.
    pub(super) fn counts(&self, allocation: &Allocation, n_segments: usize) -> PeriodCounts {
        self.counts_where(allocation, n_segments, |_| true)
    }

    fn counts_where(
        &self,
        allocation: &Allocation,
        n_segments: usize,
        is_counted: impl Fn(usize) -> bool,
    ) -> PeriodCounts {
        let told = |period: usize| CountDraws {
            n_draws: self.n_draws,
            n_units: n_segments,
            counts: allocation.counts_by_draw_where(n_segments, |record| {
                self.of[record] == Time::Told(period) && is_counted(record)
            }),
        };
        let mut found = PeriodCounts {
            counts: (0..self.n_periods).map(told).collect(),
            allotted: vec![0.0; self.n_periods],
        };
        let is_allotted = |record: &usize| matches!(self.of[*record], Time::Allotted(_));
        for record in (0..self.of.len()).filter(is_allotted).filter(|record| is_counted(*record)) {
            for draw in 0..self.n_draws {
                self.add(&mut found, allocation, record, draw);
            }
        }
        found
    }

    /// Counts a record in its period of a draw.
    fn add(&self, found: &mut PeriodCounts, allocation: &Allocation, record: usize, draw: usize) {
        let (Some(period), Some(segment)) = (self.at(record, draw), allocation.segment(draw, record)) else {
            return;
        };
        let counts = &mut found.counts[period];
        if segment >= counts.n_units {
            return;
        }
        counts.counts[draw * counts.n_units + segment] += 1;
        if matches!(self.of[record], Time::Allotted(_)) {
            found.allotted[period] += 1.0 / self.n_draws as f64;
        }
    }

    /// How many snakes have more than one report in some period of some draw. `snakes` are the records of each.
    pub(super) fn n_repeated(&self, snakes: &[Vec<usize>]) -> usize {
        let is_repeated = |records: &&Vec<usize>| {
            (0..self.n_draws).any(|draw| {
                let mut seen = vec![false; self.n_periods];
                let mut periods = records.iter().filter_map(|record| self.at(*record, draw));
                periods.any(|period| std::mem::replace(&mut seen[period], true))
            })
        };
        snakes.iter().filter(is_repeated).count()
    }

    /// Every report counted but of each snake one in each period, picked anew in every draw.
    pub(super) fn counts_once(
        &self,
        allocation: &Allocation,
        n_segments: usize,
        snakes: &[Vec<usize>],
        seed: u64,
    ) -> PeriodCounts {
        let seed = seed_of(seed, "one report of each snake in a period");
        let mut is_of_snake = vec![false; self.of.len()];
        snakes.iter().flatten().for_each(|record| is_of_snake[*record] = true);
        let mut found = self.counts_where(allocation, n_segments, |record| !is_of_snake[record]);
        for records in snakes {
            // Lots of each report, so that it does not matter in which order they come.
            let lots: Vec<Vec<u64>> = records
                .iter()
                .map(|record| {
                    let mut rng = stream(seed, self.keys[*record]);
                    (0..self.n_draws).map(|_| rng.random()).collect()
                })
                .collect();
            let lot = |at: usize, draw: usize| lots[at][draw];
            for draw in 0..self.n_draws {
                for period in 0..self.n_periods {
                    let of_period =
                        (0..records.len()).filter(|at| self.at(records[*at], draw) == Some(period));
                    if let Some(at) = of_period.max_by_key(|at| lot(*at, draw)) {
                        self.add(&mut found, allocation, records[at], draw);
                    }
                }
            }
        }
        found
    }
}

/// The chances of all that is known of times, each worked out once.
struct Chances<'a> {
    curves: &'a Curves<'a>,
    /// By course the mean share of walking in each cell.
    walked: Vec<Vec<f64>>,
    cut: PeriodCut,
    n_draws: usize,
    by_known: HashMap<(usize, usize, Range<usize>, HourSet), Option<ClassChances>>,
}

impl Chances<'_> {
    /// None where no season is fitted, or nobody walks at the times that are possible.
    fn of(&mut self, known: &PartialRecord, curve: usize, course: usize) -> Option<&ClassChances> {
        let Self { curves, walked, cut, n_draws, by_known } = self;
        let key = (curve, course, known.periods.clone(), known.hours);
        let chances = by_known.entry(key).or_insert_with(|| {
            let curve = curves.curves.get(curve)?;
            let months = &curves.shares.cells.year_months;
            let calendar = |month: usize| usize::from(months[month].month.unsigned_abs()).saturating_sub(1);
            let weight = |draw: usize, month: usize, hour: usize| {
                walked[course][month * HOURS + hour]
                    * curve.draw(draw % curve.n_draws)[calendar(month) * HOURS + hour]
            };
            let class = |month: usize, hour: usize| cut.class(calendar(month), hour);
            ClassChances::new(known, (*n_draws, cut.names().len()), class, weight)
        });
        chances.as_ref()
    }
}

#[cfg(test)]
mod tests;
