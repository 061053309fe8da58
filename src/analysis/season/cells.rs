//! What goes in: counts and exposure by segment group, period and local hour.

use crate::analysis::season::SeasonError;
use jiff::civil::Date;

/// Local hours of a day; a cell's hour is the wall clock's, in 0..24.
pub const HOURS: usize = 24;

/// Days in the year of the season's circle.
pub(super) const YEAR_DAYS: f64 = 365.0;

/// First day of each month in a year of 365 days, and the end of the year.
const MONTH_STARTS: [f64; 13] =
    [0.0, 31.0, 59.0, 90.0, 120.0, 151.0, 181.0, 212.0, 243.0, 273.0, 304.0, 334.0, 365.0];

/// Into what parts the year is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Parts {
    /// Twelve calendar months.
    Months,
    /// Fifty-two weeks of seven days from 1 January; the last has eight days, nine in a leap year.
    Weeks,
}

impl Parts {
    /// How many parts a year has: 12 or 52.
    pub fn count(self) -> usize {
        match self {
            Self::Months => 12,
            Self::Weeks => 52,
        }
    }

    /// The part that holds a date, from 0.
    pub fn of_date(self, date: Date) -> usize {
        match self {
            Self::Months => usize::from(date.month().unsigned_abs()) - 1,
            Self::Weeks => (usize::from(date.day_of_year().unsigned_abs() - 1) / 7).min(51),
        }
    }

    /// The middle of a part in days since the start of a year of 365 days.
    pub fn middle(self, part: usize) -> f64 {
        (self.start(part) + self.start(part + 1)) / 2.0
    }

    /// The start of a part in days since the start of a year of 365 days; part [`Parts::count`] starts at 365.
    pub fn start(self, part: usize) -> f64 {
        match self {
            Self::Months => MONTH_STARTS[part.min(12)],
            Self::Weeks if part >= 52 => YEAR_DAYS,
            Self::Weeks => 7.0 * part as f64,
        }
    }
}

/// A month or week of one year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Period {
    /// The calendar year.
    pub year: i32,
    /// The part of the year, in 0..[`Parts::count`].
    pub part: usize,
    /// Mean daily maximum temperature in degrees Celsius, where it is known.
    pub max_temperature_c: Option<f64>,
}

/// Counts and exposure in cells of group, period and hour.
#[derive(Debug, Clone)]
pub struct Cells {
    /// How the year is cut.
    pub parts: Parts,
    /// The periods, in any order; a part of a year should appear once.
    pub periods: Vec<Period>,
    /// For each segment group its level: the habitat or elevation band by which curves may differ, from 0.
    pub group_levels: Vec<usize>,
    /// Encounters by cell: `(group * n_periods + period) * 24 + hour`.
    pub counts: Vec<u32>,
    /// Exposure by cell, in party-kilometres, in the same order; multiply by a group's relative rate to allow for it.
    pub exposure: Vec<f64>,
}

impl Cells {
    /// The index of a cell.
    pub fn index(&self, group: usize, period: usize, hour: usize) -> usize {
        (group * self.periods.len() + period) * HOURS + hour
    }

    /// Number of levels: one more than the highest in `group_levels`.
    pub fn n_levels(&self) -> usize {
        self.group_levels.iter().map(|level| level + 1).max().unwrap_or(0)
    }

    pub(super) fn check(&self) -> Result<(), SeasonError> {
        let expected = self.group_levels.len() * self.periods.len() * HOURS;
        for (what, got) in [("counts", self.counts.len()), ("exposure", self.exposure.len())] {
            if got != expected {
                return Err(SeasonError::Length { what, got, expected });
            }
        }
        let bad_part = self.periods.iter().position(|period| period.part >= self.parts.count());
        if let Some(index) = bad_part {
            return Err(SeasonError::Index {
                what: "part of period",
                index,
                value: self.periods[index].part,
            });
        }
        let bad = self.exposure.iter().position(|exposure| !(exposure.is_finite() && *exposure >= 0.0));
        if let Some(index) = bad {
            return Err(SeasonError::Value { what: "exposure of cell", index, value: self.exposure[index] });
        }
        for (index, period) in self.periods.iter().enumerate() {
            if let Some(value) = period.max_temperature_c.filter(|temperature| !temperature.is_finite()) {
                return Err(SeasonError::Value { what: "temperature of period", index, value });
            }
        }
        Ok(())
    }

    /// Sums over the groups of each unit; groups that share a rate say as much in their sums as apart.
    pub(super) fn by_unit(&self, unit_of_group: &[usize], n_units: usize) -> UnitCells {
        let block = self.periods.len() * HOURS;
        let mut sums = UnitCells {
            counts: vec![0; n_units * block],
            exposure: vec![0.0; n_units * block],
            contradictions: Vec::new(),
        };
        for (group, &unit) in unit_of_group.iter().enumerate() {
            let here = group * block..(group + 1) * block;
            let there = unit * block..(unit + 1) * block;
            for (sum, exposure) in sums.exposure[there.clone()].iter_mut().zip(&self.exposure[here.clone()]) {
                *sum += exposure;
            }
            for (offset, (sum, &count)) in sums.counts[there].iter_mut().zip(&self.counts[here]).enumerate() {
                if count == 0 {
                    continue;
                }
                if self.exposure[group * block + offset] > 0.0 {
                    *sum += count;
                } else {
                    let (period, hour) = (offset / HOURS, offset % HOURS);
                    sums.contradictions.push(Contradiction { group, period, hour, count });
                }
            }
        }
        sums
    }
}

/// Encounters in a cell where nobody is said to have walked; left out of the fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Contradiction {
    /// The segment group.
    pub group: usize,
    /// Index of the period.
    pub period: usize,
    /// Local hour.
    pub hour: usize,
    /// Encounters recorded.
    pub count: u32,
}

/// Cells summed over groups: `(unit * n_periods + period) * 24 + hour`.
#[derive(Debug, Clone)]
pub(super) struct UnitCells {
    pub(super) counts: Vec<u32>,
    pub(super) exposure: Vec<f64>,
    pub(super) contradictions: Vec<Contradiction>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_fall_into_their_parts() {
        let date = |text: &str| text.parse::<Date>().unwrap();
        assert_eq!(Parts::Months.of_date(date("2024-02-29")), 1);
        assert_eq!(Parts::Weeks.of_date(date("2024-01-07")), 0);
        assert_eq!(Parts::Weeks.of_date(date("2024-01-08")), 1);
        assert_eq!(Parts::Weeks.of_date(date("2024-12-31")), 51);
        assert_eq!(Parts::Months.middle(1), 45.0);
        assert_eq!(Parts::Weeks.middle(51), 361.0);
    }

    #[test]
    fn sums_over_groups_set_contradictions_aside() {
        let mut cells = Cells {
            parts: Parts::Months,
            periods: vec![Period { year: 2024, part: 0, max_temperature_c: None }],
            group_levels: vec![1, 0, 1],
            counts: vec![0; 72],
            exposure: vec![1.0; 72],
        };
        cells.counts[3] = 2;
        cells.counts[2 * 24 + 3] = 1;
        cells.counts[24 + 5] = 7;
        cells.exposure[24 + 5] = 0.0;
        let sums = cells.by_unit(&cells.group_levels, 2);
        assert_eq!(sums.counts[24 + 3], 3);
        assert_eq!(sums.exposure[24 + 3], 2.0);
        assert_eq!(sums.counts[5], 0);
        assert_eq!(sums.contradictions, [Contradiction { group: 1, period: 0, hour: 5, count: 7 }]);
        cells.exposure.pop();
        assert!(cells.check().is_err());
    }
}
