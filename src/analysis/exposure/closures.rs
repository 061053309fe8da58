//! Closures: when nobody was to walk, and the share of walking that fell into the time that was open.

use jiff::civil::DateTime;

use crate::analysis::exposure::readings::TimeRange;
use crate::analysis::exposure::time::{HOURS, StudyPeriod, TimeCells, YearMonth};

/// Ranges in order, those that overlap or meet as one; empty ones are left out.
pub fn united(mut ranges: Vec<TimeRange>) -> Vec<TimeRange> {
    ranges.retain(|range| range.from_s < range.to_s);
    ranges.sort_by_key(|range| (range.from_s, range.to_s));
    let mut all: Vec<TimeRange> = Vec::new();
    for range in ranges {
        match all.last_mut() {
            Some(last) if range.from_s <= last.to_s => last.to_s = last.to_s.max(range.to_s),
            _ => all.push(range),
        }
    }
    all
}

/// A trailhead from which nobody was to start for some of the time.
#[derive(Debug, Clone, PartialEq)]
pub struct ClosedTrailhead {
    /// The trailhead.
    pub trailhead: usize,
    /// By cell (index `month_idx * 24 + hour`) the share of its time in which neither the trailhead nor the whole area was closed.
    pub open: Vec<f64>,
    /// The same for the whole area alone, which is taken off by itself.
    pub area_open: Vec<f64>,
}

impl ClosedTrailhead {
    /// Of those who would start while the area is open, the share that does; `shares` are those of the walking by cell, `passed` is the
    /// share of those who start all the same ([`passed_share`]).
    pub(crate) fn open_share(&self, shares: &[f64], passed: f64) -> f64 {
        let kept = |kept: &[f64]| -> f64 { shares.iter().zip(kept).map(|(share, kept)| share * kept).sum() };
        let (open, area_open) = (kept(&self.open), kept(&self.area_open));
        if area_open > 0.0 { (left(open, area_open, passed) / area_open).min(1.0) } else { 1.0 }
    }
}

/// What is left of the walking: all of the open share, and of what is closed the share of those who walk all the same.
pub fn left(open: f64, all: f64, passed: f64) -> f64 {
    open + (all - open).max(0.0) * passed
}

/// The share of those who walk all the same while it is closed: passages counted then over those that would be counted if it were
/// open, at most 1; 0 where no counter stood there.
pub fn passed_share(counted: f64, expected: f64) -> f64 {
    if expected > 0.0 { (counted / expected).min(1.0) } else { 0.0 }
}

/// By cell of a study period (index `month_idx * 24 + hour`) the share of its time that was closed, in [0, 1].
///
/// `closed` are spans of local time in order that do not overlap; what lies outside the period counts nowhere. All days of a month
/// count the same.
pub fn closed_shares(period: &StudyPeriod, cells: &TimeCells, closed: &[(DateTime, DateTime)]) -> Vec<f64> {
    let mut hours = vec![0.0; cells.n_cells()];
    let mut reached = DateTime::MIN;
    for (from, to) in closed {
        // In autumn an hour of local time comes twice: it is counted once.
        let from = (*from).max(reached);
        reached = reached.max(*to);
        if from >= *to || from.date() > period.last() {
            continue;
        }
        let first = from.date().max(period.first());
        let days = std::iter::successors(Some(first), |day| day.tomorrow().ok());
        for day in days.take_while(|day| *day <= to.date().min(period.last())) {
            let from_h = if day == from.date() { hour_of(from) } else { 0.0 };
            let to_h = if day == to.date() { hour_of(*to) } else { HOURS as f64 };
            let Some(month) = cells.month_idx(YearMonth::of(day)) else { continue };
            for hour in 0..HOURS {
                let begin = hour as f64;
                hours[month * HOURS + hour] += (to_h.min(begin + 1.0) - from_h.max(begin)).max(0.0);
            }
        }
    }
    for (month, days) in cells.days.iter().enumerate() {
        let n_days: f64 = days.iter().sum();
        hours[month * HOURS..][..HOURS].iter_mut().for_each(|it| *it = (*it / n_days).min(1.0));
    }
    hours
}

/// Hours since midnight.
fn hour_of(at: DateTime) -> f64 {
    f64::from(at.hour()) + f64::from(at.minute()) / 60.0 + f64::from(at.second()) / 3600.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::exposure::time::TimeShares;
    use jiff::civil::date;

    fn range(from_s: i64, to_s: i64) -> TimeRange {
        TimeRange { from_s, to_s }
    }

    #[test]
    fn ranges_that_overlap_or_meet_are_one() {
        let ranges =
            vec![range(50, 60), range(0, 10), range(5, 20), range(20, 30), range(7, 7), range(70, 65)];
        assert_eq!(united(ranges), [range(0, 30), range(50, 60)]);
        let open = united(vec![range(5, i64::MAX), range(90, 100)]);
        assert_eq!(open, [range(5, i64::MAX)], "one that still holds");
    }

    /// April and May 2024, all walking in May twice that of April, all of it from 8 to 10: two thirds in the first of the hours.
    fn profile() -> (StudyPeriod, TimeShares) {
        let period = StudyPeriod::new(date(2024, 4, 1), date(2024, 5, 31)).unwrap();
        let cells = TimeCells::of(&period);
        let mut shares = vec![0.0; cells.n_cells()];
        for (month, of_month) in [1.0 / 3.0, 2.0 / 3.0].into_iter().enumerate() {
            shares[month * HOURS + 8] = of_month * 2.0 / 3.0;
            shares[month * HOURS + 9] = of_month / 3.0;
        }
        (period, TimeShares { cells, n_draws: 1, shares })
    }

    fn open(closed: &[(DateTime, DateTime)]) -> f64 {
        let (period, time) = profile();
        let kept: Vec<f64> =
            closed_shares(&period, &time.cells, closed).iter().map(|closed| 1.0 - closed).collect();
        time.share_kept(&kept)[0]
    }

    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-12, "{found} {expected}");
    }

    #[test]
    fn the_share_that_was_open_is_that_of_the_walking_not_of_the_days() {
        let midnight = |month, day| date(2024, month, day).at(0, 0, 0, 0);
        near(open(&[]), 1.0);
        // All of May: half of the days, two thirds of the walking.
        near(open(&[(midnight(5, 1), midnight(6, 1))]), 1.0 / 3.0);
        // Ten days of April.
        near(open(&[(midnight(4, 11), midnight(4, 21))]), 1.0 - 10.0 / 30.0 / 3.0);
        // From noon on the tenth to half past eight on the eleventh: half of the first hour of one day.
        let (noon, half_past) = (date(2024, 4, 10).at(12, 0, 0, 0), date(2024, 4, 11).at(8, 30, 0, 0));
        near(open(&[(noon, half_past)]), 1.0 - 0.5 / 30.0 / 3.0 * 2.0 / 3.0);
        // Every night: nobody is missing.
        let night = |day| (date(2024, 5, day).at(18, 0, 0, 0), date(2024, 5, day + 1).at(6, 0, 0, 0));
        near(open(&(1..30).map(night).collect::<Vec<_>>()), 1.0);
        // What lies outside the period counts nowhere, and all of it closed leaves exactly nothing.
        near(open(&[(midnight(1, 1), midnight(4, 1)), (midnight(6, 1), midnight(7, 1))]), 1.0);
        let ever = (date(1990, 1, 1).at(0, 0, 0, 0), date(2090, 1, 1).at(0, 0, 0, 0));
        assert_eq!(open(&[ever]), 0.0);
    }

    #[test]
    fn what_was_counted_all_the_same_is_put_back() {
        near(passed_share(3.0, 60.0), 0.05);
        assert_eq!((passed_share(3.0, 2.0), passed_share(3.0, 0.0), passed_share(0.0, 9.0)), (1.0, 0.0, 0.0));
        near(left(0.4, 1.0, 0.05), 0.43);
        let head =
            ClosedTrailhead { trailhead: 0, open: vec![1.0, 0.0, 0.0], area_open: vec![1.0, 1.0, 0.0] };
        // A half starts in the first cell, three tenths in the second: of these eight tenths five are left.
        near(head.open_share(&[0.5, 0.3, 0.2], 0.0), 0.625);
        near(head.open_share(&[0.5, 0.3, 0.2], 0.5), 0.8125);
        near(head.open_share(&[0.0, 0.0, 1.0], 0.5), 1.0);
    }

    #[test]
    fn an_hour_that_comes_twice_is_closed_once() {
        let at = |hour, minute| date(2024, 4, 10).at(hour, minute, 0, 0);
        let once = open(&[(at(8, 0), at(9, 0))]);
        near(open(&[(at(8, 0), at(9, 0)), (at(8, 0), at(9, 0))]), once);
        near(open(&[(at(8, 0), at(8, 40)), (at(8, 20), at(9, 0))]), once);
    }
}
