//! Counts and hours observed, tabled by time cell for the profile and the fit.

use std::collections::BTreeMap;

use jiff::civil::Date;

use crate::analysis::exposure::profile::TimeProfile;
use crate::analysis::exposure::readings::SiteSeries;
use crate::analysis::exposure::time::{StudyPeriod, TimeCells, YearMonth, weekday_idx};

/// What one series observed in one (year-month, weekday, hour) cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// Month of the study period.
    pub month: usize,
    /// Weekday, Monday 0.
    pub weekday: usize,
    /// Local hour.
    pub hour: usize,
    /// Whether an assumed profile split the count over hours.
    pub split: bool,
    /// Whether it was closed there: in no profile and no level.
    pub is_apart: bool,
    /// Hours observed.
    pub hours: f64,
    /// Passages counted.
    pub count: f64,
}

/// One series within the study period.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesTable {
    /// Its cells, each once for the counts split by profile and once for the others, and apart from these while closed.
    pub cells: Vec<Cell>,
    /// Passages counted while it was open.
    pub count: f64,
    /// Passages counted while it was closed.
    pub count_closed: f64,
    /// The same by week: week, cell, hours, count.
    by_week: Vec<WeekPart>,
    /// By day it was open: the pieces as (cell index, hours) and the count.
    days: Vec<(f64, Vec<(usize, f64)>)>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct WeekPart {
    week: usize,
    cell: usize,
    hours: f64,
    count: f64,
}

/// All series within the study period.
#[derive(Debug, Clone, PartialEq)]
pub struct Tables {
    /// In the order of the series.
    pub series: Vec<SeriesTable>,
    /// Weeks that the period touches.
    pub n_weeks: usize,
}

/// A month with fewer observed hours than this, over all counters, is filled like one without any.
const LEAST_HOURS: f64 = 48.0;

impl Tables {
    /// Tables of some series; what lies outside the study period is left out.
    pub fn of(series: &[SiteSeries], period: &StudyPeriod, cells: &TimeCells) -> Self {
        let n_weeks = week_of(period, period.last()) + 1;
        let series = series.iter().map(|one| SeriesTable::of(one, period, cells)).collect();
        Self { series, n_weeks }
    }

    /// Which months are observed for two days or more by at least one counter that counted somebody in the period.
    pub(crate) fn known_months(&self, n_months: usize) -> Vec<bool> {
        let mut hours = vec![0.0; n_months];
        for cell in self.series.iter().filter(|one| one.count > 0.0).flat_map(SeriesTable::open_cells) {
            hours[cell.month] += cell.hours;
        }
        hours.iter().map(|hours| *hours >= LEAST_HOURS).collect()
    }

    /// Whether any counter reads by the hour or finer.
    pub(crate) fn by_the_hour(&self) -> bool {
        self.series.iter().any(|one| one.count > 0.0 && one.open_cells().any(|cell| !cell.split))
    }
}

impl SeriesTable {
    fn of(series: &SiteSeries, period: &StudyPeriod, cells: &TimeCells) -> Self {
        let mut by_cell: BTreeMap<(usize, usize, usize, bool, bool), usize> = BTreeMap::new();
        let mut by_week: BTreeMap<(usize, usize), (f64, f64)> = BTreeMap::new();
        let mut by_day: BTreeMap<Date, (f64, BTreeMap<usize, f64>)> = BTreeMap::new();
        let mut table =
            Self { cells: Vec::new(), count: 0.0, count_closed: 0.0, by_week: Vec::new(), days: Vec::new() };
        for piece in &series.pieces {
            let month = cells.month_idx(YearMonth::of(piece.day));
            let (Some(month), true) = (month, period.contains(piece.day)) else { continue };
            let key = (month, weekday_idx(piece.day), piece.hour, piece.split, piece.is_apart);
            let cell = *by_cell.entry(key).or_insert_with(|| {
                let (month, weekday, hour, split, is_apart) = key;
                table.cells.push(Cell { month, weekday, hour, split, is_apart, hours: 0.0, count: 0.0 });
                table.cells.len() - 1
            });
            table.cells[cell].hours += piece.hours;
            table.cells[cell].count += piece.count;
            let part = by_week.entry((week_of(period, piece.day), cell)).or_default();
            part.0 += piece.hours;
            part.1 += piece.count;
            if piece.is_apart {
                table.count_closed += piece.count;
                continue;
            }
            table.count += piece.count;
            let day = by_day.entry(piece.day).or_default();
            day.0 += piece.count;
            *day.1.entry(cell).or_default() += piece.hours;
        }
        table.by_week = by_week
            .into_iter()
            .map(|((week, cell), (hours, count))| WeekPart { week, cell, hours, count })
            .collect();
        table.days =
            by_day.into_values().map(|(count, parts)| (count, parts.into_iter().collect())).collect();
        table
    }

    /// The cells of the time it was open, which tell when people walk and how many.
    pub(crate) fn open_cells(&self) -> impl Iterator<Item = &Cell> {
        self.cells.iter().filter(|cell| !cell.is_apart)
    }

    /// The cells with each week weighted.
    pub(crate) fn weighted_cells(&self, weights: &[f64]) -> Vec<Cell> {
        let mut cells: Vec<Cell> =
            self.cells.iter().map(|cell| Cell { hours: 0.0, count: 0.0, ..*cell }).collect();
        for part in &self.by_week {
            cells[part.cell].hours += weights[part.week] * part.hours;
            cells[part.cell].count += weights[part.week] * part.count;
        }
        cells
    }

    /// Pearson dispersion of the daily counts about the profile at this series' own level, over the days it was open; at least 1.
    pub(crate) fn dispersion(&self, profile: &TimeProfile) -> f64 {
        let expected = |parts: &[(usize, f64)]| -> f64 {
            let rate = |cell: &Cell| profile.rate(cell.month, cell.weekday, cell.hour);
            parts.iter().map(|(cell, hours)| hours * rate(&self.cells[*cell])).sum()
        };
        let days: Vec<(f64, f64)> =
            self.days.iter().map(|(count, parts)| (*count, expected(parts))).collect();
        let level = self.count / days.iter().map(|day| day.1).sum::<f64>().max(f64::MIN_POSITIVE);
        let terms = days.iter().filter(|(_, expected)| expected * level > 0.0);
        let pearson: f64 = terms.clone().map(|(count, e)| (count - e * level).powi(2) / (e * level)).sum();
        let df = (terms.count() as f64 - 1.0).max(1.0);
        (pearson / df).max(1.0)
    }
}

fn week_of(period: &StudyPeriod, day: Date) -> usize {
    let since = day.since(period.first()).map_or(0, |span| span.get_days());
    usize::try_from(since / 7).unwrap_or(0)
}
