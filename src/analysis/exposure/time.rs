//! The study period, its (year-month, hour) cells, and the shares of exposure that fall in them.

use jiff::civil::Date;

use crate::analysis::exposure::error::InvalidExposure;

/// Hours of a day.
pub const HOURS: usize = 24;

/// One month of one year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct YearMonth {
    /// Year.
    pub year: i16,
    /// Month, 1 to 12.
    pub month: i8,
}

impl YearMonth {
    /// The month in which a local date lies.
    pub fn of(date: Date) -> Self {
        Self { year: date.year(), month: date.month() }
    }
}

/// The local days to which an exposure refers, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StudyPeriod {
    first: Date,
    last: Date,
}

impl StudyPeriod {
    /// A period from its first to its last local day.
    ///
    /// # Errors
    /// [`InvalidExposure::EmptyPeriod`] when `last` is before `first`.
    pub fn new(first: Date, last: Date) -> Result<Self, InvalidExposure> {
        if last < first { Err(InvalidExposure::EmptyPeriod) } else { Ok(Self { first, last }) }
    }

    /// Its first day.
    pub fn first(&self) -> Date {
        self.first
    }

    /// Its last day.
    pub fn last(&self) -> Date {
        self.last
    }

    /// Whether a local day lies in it.
    pub fn contains(&self, day: Date) -> bool {
        self.first <= day && day <= self.last
    }

    /// Its days in order.
    pub fn days(&self) -> impl Iterator<Item = Date> + use<> {
        let last = self.last;
        std::iter::successors(Some(self.first), move |day| day.tomorrow().ok().filter(|next| *next <= last))
    }
}

/// The cells (year-month, local hour) of a study period, and how many days of each kind they hold.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeCells {
    /// Months of the period in order; the first and last may be incomplete.
    pub year_months: Vec<YearMonth>,
    /// Days of the period by month (as `year_months`) and weekday, Monday first.
    pub days: Vec<[f64; 7]>,
}

impl TimeCells {
    /// The cells of a period.
    pub fn of(period: &StudyPeriod) -> Self {
        let mut cells = Self { year_months: Vec::new(), days: Vec::new() };
        for day in period.days() {
            let month = YearMonth::of(day);
            if cells.year_months.last() != Some(&month) {
                cells.year_months.push(month);
                cells.days.push([0.0; 7]);
            }
            if let Some(counts) = cells.days.last_mut() {
                counts[weekday_idx(day)] += 1.0;
            }
        }
        cells
    }

    /// Number of cells: months × 24.
    pub fn n_cells(&self) -> usize {
        self.year_months.len() * HOURS
    }

    /// Index of a month, if the period has it.
    pub fn month_idx(&self, month: YearMonth) -> Option<usize> {
        self.year_months.binary_search(&month).ok()
    }
}

/// Weekday as an index, Monday 0 to Sunday 6.
pub(crate) fn weekday_idx(day: Date) -> usize {
    usize::from(day.weekday().to_monday_zero_offset().unsigned_abs())
}

/// Shares of the exposure of the study period by time cell, in every draw.
///
/// One profile holds for all segments while they are open, so the exposure of a segment that never was closed is in a cell its
/// exposure in the period times the share, draw by draw. What was closed has a course of its own
/// ([`Courses`](crate::analysis::exposure::Courses)).
#[derive(Debug, Clone, PartialEq)]
pub struct TimeShares {
    /// The cells.
    pub cells: TimeCells,
    /// Number of draws.
    pub n_draws: usize,
    /// Shares, index `draw * n_cells + month_idx * 24 + hour`; each draw sums to 1.
    pub shares: Vec<f64>,
}

impl TimeShares {
    /// Shares by cell (index `month_idx * 24 + hour`) in one draw.
    pub fn draw(&self, draw: usize) -> &[f64] {
        let n_cells = self.cells.n_cells();
        &self.shares[draw * n_cells..(draw + 1) * n_cells]
    }

    /// The numbers of so many of the draws, spread over all of them; all where there are fewer.
    pub fn some_draws(&self, n: usize) -> impl Iterator<Item = usize> + use<> {
        let (n, n_draws) = (n.min(self.n_draws), self.n_draws);
        (0..n).map(move |index| index * n_draws / n)
    }

    /// The share of exposure in the chosen cells, one number for each draw, in [0, 1].
    ///
    /// `keep` answers for a month and a local hour (0 to 23). Choosing nothing gives zeros.
    pub fn share_where(&self, keep: impl Fn(YearMonth, usize) -> bool) -> Vec<f64> {
        let chosen: Vec<usize> = (0..self.cells.n_cells())
            .filter(|cell| keep(self.cells.year_months[cell / HOURS], cell % HOURS))
            .collect();
        (0..self.n_draws)
            .map(|draw| {
                let shares = self.draw(draw);
                chosen.iter().map(|cell| shares[*cell]).sum()
            })
            .collect()
    }

    /// The share of exposure that is left where of each cell (index `month_idx * 24 + hour`) only a share is kept, one number for
    /// each draw, in [0, 1].
    pub fn share_kept(&self, kept: &[f64]) -> Vec<f64> {
        let left = |draw: usize| self.draw(draw).iter().zip(kept).map(|(share, kept)| share * kept).sum();
        (0..self.n_draws).map(left).collect()
    }

    /// Mean share by cell over the draws.
    pub fn mean(&self) -> Vec<f64> {
        let mut mean = vec![0.0; self.cells.n_cells()];
        for draw in 0..self.n_draws {
            for (total, share) in mean.iter_mut().zip(self.draw(draw)) {
                *total += share / self.n_draws as f64;
            }
        }
        mean
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn a_period_counts_its_days_by_month_and_weekday() {
        // 27 February 2024 was a Tuesday; 2024 is a leap year.
        let period = StudyPeriod::new(date(2024, 2, 27), date(2024, 3, 4)).unwrap();
        let cells = TimeCells::of(&period);
        assert_eq!(
            cells.year_months,
            [YearMonth { year: 2024, month: 2 }, YearMonth { year: 2024, month: 3 }]
        );
        assert_eq!(cells.days[0], [0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0]);
        assert_eq!(cells.days[1], [1.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0]);
        assert_eq!(StudyPeriod::new(date(2024, 2, 2), date(2024, 2, 1)), Err(InvalidExposure::EmptyPeriod));
    }

    #[test]
    fn chosen_shares_add_up() {
        let cells = TimeCells::of(&StudyPeriod::new(date(2024, 1, 1), date(2024, 1, 31)).unwrap());
        let shares = TimeShares { cells, n_draws: 2, shares: vec![1.0 / 24.0; 48] };
        assert!(shares.share_where(|_, hour| hour < 6).iter().all(|s| (s - 0.25).abs() < 1e-12));
        assert_eq!(shares.share_where(|_, _| false), [0.0, 0.0]);
    }
}
