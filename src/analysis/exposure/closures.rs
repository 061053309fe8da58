//! Closures: when nobody was to walk, and how much of the walking goes on all the same.

use std::collections::BTreeMap;

use jiff::civil::{Date, DateTime};

use crate::analysis::exposure::readings::CounterSite;
use crate::analysis::exposure::time::{HOURS, StudyPeriod, TimeCells, YearMonth};
use crate::analysis::graph::Graph;

/// A span of local time, its end excluded.
pub type Span = (DateTime, DateTime);

/// Times in which people were not to walk. What lies after the study period is of a time to come.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Closings {
    /// Of the whole area.
    pub area: Vec<Span>,
    /// Of those who start at a trailhead, by its index.
    pub trailheads: BTreeMap<usize, Vec<Span>>,
    /// Of trails, by their index.
    pub trails: BTreeMap<usize, Vec<Span>>,
}

impl Closings {
    /// Whether nothing was ever closed.
    pub fn is_empty(&self) -> bool {
        self.area.is_empty() && self.trailheads.is_empty() && self.trails.is_empty()
    }
}

/// Passages on a trail or at a trailhead while it was closed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Passed {
    /// Passages that the devices counted.
    pub counted: f64,
    /// Of these, passages that the fit expects of others, whom nothing kept out.
    pub others: f64,
    /// Passages that the fit expects of those who were kept out if it were open.
    pub expected: f64,
}

impl Passed {
    /// Passages of those who walked all the same.
    pub fn own(self) -> f64 {
        (self.counted - self.others).max(0.0)
    }

    /// The share of those who walk all the same, at most 1; 0 where no counter stood there.
    pub fn share(self) -> f64 {
        if self.expected > 0.0 { (self.own() / self.expected).min(1.0) } else { 0.0 }
    }

    /// Adds what another counter, or the same at another time, says.
    pub(crate) fn add(&mut self, other: Self) {
        self.counted += other.counted;
        self.others += other.others;
        self.expected += other.expected;
    }
}

/// The trail whose walkers a counter counts and nobody else: on one of its segments, or at an end from which only it leads on.
pub fn only_trail(graph: &Graph, trail_of: impl Fn(usize) -> usize, site: CounterSite) -> Option<usize> {
    match site {
        CounterSite::Segment(segment) => Some(trail_of(segment)),
        CounterSite::Vertex(vertex) => {
            let at = graph.at(vertex);
            let trail = trail_of(at.first()?.edge);
            at.iter().all(|incident| trail_of(incident.edge) == trail).then_some(trail)
        }
        CounterSite::Place(_) => None,
    }
}

/// How much of the walking there would be goes on, over all time: 1 but for some spans of local time.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Openness {
    /// In order; none overlaps another.
    pieces: Vec<Piece>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    from: DateTime,
    to: DateTime,
    /// The share that goes on, below 1.
    left: f64,
}

impl Openness {
    /// Closed in the spans, however many of them hold at a time, but for those who walk all the same.
    pub fn closed(spans: &[Span], passed: f64) -> Self {
        let mut spans: Vec<Span> = spans.iter().copied().filter(|(from, to)| from < to).collect();
        spans.sort_unstable();
        let mut pieces: Vec<Piece> = Vec::new();
        for (from, to) in spans {
            match pieces.last_mut() {
                Some(last) if from <= last.to => last.to = last.to.max(to),
                _ => pieces.push(Piece { from, to, left: passed }),
            }
        }
        pieces.retain(|piece| piece.left < 1.0);
        Self { pieces }
    }

    /// Whether it is open all the time.
    pub fn is_whole(&self) -> bool {
        self.pieces.is_empty()
    }

    /// What goes on of those whom both may keep out: at any time no more than the stricter lets through, so that a time in which
    /// both are closed is taken off once.
    pub fn and(&self, other: &Self) -> Self {
        let both = || self.pieces.iter().chain(&other.pieces);
        let mut edges: Vec<DateTime> = both().flat_map(|piece| [piece.from, piece.to]).collect();
        edges.sort_unstable();
        edges.dedup();
        let mut pieces: Vec<Piece> = Vec::new();
        for pair in edges.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let left = both().filter(|piece| piece.from <= from && to <= piece.to).map(|piece| piece.left);
            let Some(left) = left.reduce(f64::min) else { continue };
            match pieces.last_mut() {
                Some(last) if last.to == from && last.left == left => last.to = to,
                _ => pieces.push(Piece { from, to, left }),
            }
        }
        Self { pieces }
    }

    /// By local hour of a day the share that goes on.
    pub fn on_day(&self, day: Date) -> [f64; HOURS] {
        let mut open = [1.0; HOURS];
        let first = self.pieces.partition_point(|piece| piece.to.date() < day);
        for piece in self.pieces[first..].iter().take_while(|piece| piece.from.date() <= day) {
            let from_h = if day == piece.from.date() { hour_of(piece.from) } else { 0.0 };
            let to_h = if day == piece.to.date() { hour_of(piece.to) } else { HOURS as f64 };
            for (hour, open) in open.iter_mut().enumerate() {
                let begin = hour as f64;
                let closed = (to_h.min(begin + 1.0) - from_h.max(begin)).max(0.0);
                *open -= closed * (1.0 - piece.left);
            }
        }
        open.map(|open| open.max(0.0))
    }

    /// By cell of a study period (index `month_idx * 24 + hour`) the share that goes on, all days of a month alike.
    pub fn by_cell(&self, period: &StudyPeriod, cells: &TimeCells) -> Vec<f64> {
        let mut open = vec![0.0; cells.n_cells()];
        for day in period.days() {
            let Some(month) = cells.month_idx(YearMonth::of(day)) else { continue };
            let hours = open[month * HOURS..][..HOURS].iter_mut();
            hours.zip(self.on_day(day)).for_each(|(sum, open)| *sum += open);
        }
        for (month, days) in cells.days.iter().enumerate() {
            let n_days: f64 = days.iter().sum();
            open[month * HOURS..][..HOURS].iter_mut().for_each(|it| *it /= n_days);
        }
        open
    }

    /// The share that goes on for good: less than 1 where something is closed and no end is known.
    pub fn for_good(&self) -> f64 {
        self.pieces.last().filter(|piece| piece.to == DateTime::MAX).map_or(1.0, |piece| piece.left)
    }
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
        time.share_kept(&Openness::closed(closed, 0.0).by_cell(&period, &time.cells))[0]
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
        let share = |counted, expected| Passed { counted, others: 0.0, expected }.share();
        near(share(3.0, 60.0), 0.05);
        assert_eq!((share(3.0, 2.0), share(3.0, 0.0), share(0.0, 9.0)), (1.0, 0.0, 0.0));
        let (period, time) = profile();
        let may = [(date(2024, 5, 1).at(0, 0, 0, 0), date(2024, 6, 1).at(0, 0, 0, 0))];
        let some = Openness::closed(&may, 0.25).by_cell(&period, &time.cells);
        near(time.share_kept(&some)[0], 1.0 / 3.0 + 2.0 / 3.0 * 0.25);
        assert!(Openness::closed(&may, 1.0).is_whole());
    }

    /// A trail of April and the first half of May, of which a quarter walks all the same; a trailhead of May, of which a half does.
    #[test]
    fn where_both_are_closed_it_is_taken_off_once() {
        let midnight = |month, day| date(2024, month, day).at(0, 0, 0, 0);
        let trail = Openness::closed(&[(midnight(4, 1), midnight(5, 16))], 0.25);
        let head = Openness::closed(&[(midnight(5, 1), DateTime::MAX)], 0.5);
        let both = trail.and(&head);
        assert_eq!(both, head.and(&trail));
        let noon = |day: Date| both.on_day(day)[12];
        let days =
            [date(2024, 3, 31), date(2024, 4, 30), date(2024, 5, 15), date(2024, 5, 16), date(2030, 1, 1)];
        assert_eq!(days.map(noon), [1.0, 0.25, 0.25, 0.5, 0.5]);
        assert_eq!((trail.for_good(), both.for_good()), (1.0, 0.5));
        let (period, time) = profile();
        let kept = |it: &Openness| time.share_kept(&it.by_cell(&period, &time.cells))[0];
        near(kept(&both), (0.25 + 2.0 * (15.0 * 0.25 + 16.0 * 0.5) / 31.0) / 3.0);
        assert_eq!((trail.and(&Openness::default()), trail.and(&trail)), (trail.clone(), trail.clone()));
        // One after the other, the same time is taken off twice.
        assert!(kept(&trail) * kept(&trail) < kept(&trail) - 0.2);
    }

    #[test]
    fn an_hour_that_comes_twice_is_closed_once() {
        let at = |hour, minute| date(2024, 4, 10).at(hour, minute, 0, 0);
        let once = open(&[(at(8, 0), at(9, 0))]);
        near(open(&[(at(8, 0), at(9, 0)), (at(8, 0), at(9, 0))]), once);
        near(open(&[(at(8, 0), at(8, 40)), (at(8, 20), at(9, 0))]), once);
    }
}
