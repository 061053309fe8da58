//! Counts and hours observed, tabled by time cell for the profile and the fit.

use std::collections::BTreeMap;

use jiff::civil::Date;

use crate::analysis::exposure::kept_out::SiteState;
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
    /// What was closed then, an index into the states of the series.
    pub state: usize,
    /// Hours observed.
    pub hours: f64,
    /// Passages counted.
    pub count: f64,
}

/// One series within the study period.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesTable {
    /// Its cells, each once for the counts split by profile and once for the others, by what was closed.
    pub cells: Vec<Cell>,
    /// What was closed for those it counts, the open time first.
    pub states: Vec<SiteState>,
    /// Passages counted, by state.
    pub counts: Vec<f64>,
    /// Whether what was counted in a state is in the level.
    pub is_used: Vec<bool>,
    /// Whether it tells when people walk.
    tells: Vec<bool>,
    /// The same by week: week, cell, hours, count.
    by_week: Vec<WeekPart>,
    /// By state, then day.
    days: Vec<DayPart>,
}

/// What was counted on one day in one state.
#[derive(Debug, Clone, PartialEq)]
struct DayPart {
    state: usize,
    count: f64,
    /// The pieces as (cell index, hours).
    parts: Vec<(usize, f64)>,
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
        let mut tables = Self { series, n_weeks };
        let open = tables.known_months(cells.year_months.len());
        tables.series.iter_mut().for_each(|one| one.tell(&open));
        tables
    }

    /// Which months are observed for two days or more by at least one counter that counted somebody in the period.
    pub(crate) fn known_months(&self, n_months: usize) -> Vec<bool> {
        let mut hours = vec![0.0; n_months];
        for cell in self.series.iter().flat_map(SeriesTable::telling_cells) {
            hours[cell.month] += cell.hours;
        }
        hours.iter().map(|hours| *hours >= LEAST_HOURS).collect()
    }

    /// Whether any counter reads by the hour or finer.
    pub(crate) fn by_the_hour(&self) -> bool {
        self.series.iter().flat_map(SeriesTable::telling_cells).any(|cell| !cell.split)
    }

    /// Settles which states of each series are in its level, by the share of the study period's walkers that it was there to count
    /// in each.
    pub(crate) fn settle(&mut self, shares: &[Vec<f64>]) {
        self.series.iter_mut().zip(shares).for_each(|(one, shares)| one.settle(shares));
    }
}

/// Where the open time is less than this share of what tells of a level, the level is that of all of it together.
const LEAST_OPEN: f64 = 0.2;

impl SeriesTable {
    fn of(series: &SiteSeries, period: &StudyPeriod, cells: &TimeCells) -> Self {
        let mut by_cell: BTreeMap<(usize, usize, usize, bool, usize), usize> = BTreeMap::new();
        let mut by_week: BTreeMap<(usize, usize), (f64, f64)> = BTreeMap::new();
        let mut by_day: BTreeMap<(usize, Date), (f64, BTreeMap<usize, f64>)> = BTreeMap::new();
        let mut table = Self {
            cells: Vec::new(),
            states: series.states.clone(),
            counts: vec![0.0; series.states.len()],
            is_used: (0..series.states.len()).map(|state| state == 0).collect(),
            tells: (0..series.states.len()).map(|state| state == 0).collect(),
            by_week: Vec::new(),
            days: Vec::new(),
        };
        for piece in &series.pieces {
            let month = cells.month_idx(YearMonth::of(piece.day));
            let (Some(month), true) = (month, period.contains(piece.day)) else { continue };
            let state = piece.state as usize;
            let key = (month, weekday_idx(piece.day), piece.hour, piece.split, state);
            let cell = *by_cell.entry(key).or_insert_with(|| {
                let (month, weekday, hour, split, state) = key;
                table.cells.push(Cell { month, weekday, hour, split, state, hours: 0.0, count: 0.0 });
                table.cells.len() - 1
            });
            table.cells[cell].hours += piece.hours;
            table.cells[cell].count += piece.count;
            let part = by_week.entry((week_of(period, piece.day), cell)).or_default();
            part.0 += piece.hours;
            part.1 += piece.count;
            table.counts[state] += piece.count;
            let day = by_day.entry((state, piece.day)).or_default();
            day.0 += piece.count;
            *day.1.entry(cell).or_default() += piece.hours;
        }
        table.by_week = by_week
            .into_iter()
            .map(|((week, cell), (hours, count))| WeekPart { week, cell, hours, count })
            .collect();
        table.days = by_day
            .into_iter()
            .map(|((state, _), (count, parts))| DayPart { state, count, parts: parts.into_iter().collect() })
            .collect();
        table
    }

    /// A state in which some were kept out tells of its months where most of it lies in months that open counters know: nothing else
    /// says how its level stands to that of the open time.
    fn tell(&mut self, open: &[bool]) {
        for state in (1..self.states.len()).filter(|state| self.states[*state].speaks()) {
            let of_state = || self.cells.iter().filter(|cell| cell.state == state);
            let known: f64 = of_state().filter(|cell| open[cell.month]).map(|cell| cell.hours).sum();
            self.tells[state] = 2.0 * known >= of_state().map(|cell| cell.hours).sum::<f64>();
        }
    }

    /// The open time is the level where there is enough of it; else all in which most were let through.
    fn settle(&mut self, shares: &[f64]) {
        let speaks = |state: usize| self.states[state].speaks();
        let telling: f64 = (0..shares.len()).filter(|state| speaks(*state)).map(|state| shares[state]).sum();
        let is_enough = telling <= 0.0 || shares[0] >= LEAST_OPEN * telling;
        self.is_used = (0..shares.len()).map(|state| state == 0 || (!is_enough && speaks(state))).collect();
    }

    /// Passages of the states in the level.
    pub fn count(&self) -> f64 {
        self.counts.iter().zip(&self.is_used).filter(|(_, used)| **used).map(|(count, _)| count).sum()
    }

    /// Passages counted while something was closed.
    pub fn count_closed(&self) -> f64 {
        self.counts[1..].iter().sum()
    }

    /// The cells of the states that are in the level.
    pub(crate) fn used_cells(&self) -> impl Iterator<Item = &Cell> {
        self.cells.iter().filter(|cell| self.is_used[cell.state])
    }

    /// The cells that tell when people walk, of states in which somebody was counted.
    fn telling_cells(&self) -> impl Iterator<Item = &Cell> {
        self.cells.iter().filter(|cell| self.tells[cell.state] && self.counts[cell.state] > 0.0)
    }

    /// The same cells, or others of this series in their order, by state: each has a level of its own.
    pub(crate) fn told(&self, cells: Vec<Cell>) -> Vec<Vec<Cell>> {
        let mut by_state = vec![Vec::new(); self.states.len()];
        cells.into_iter().for_each(|cell| by_state[cell.state].push(cell));
        let tells = |(state, _): &(usize, Vec<Cell>)| self.tells[*state];
        by_state.into_iter().enumerate().filter(tells).map(|(_, cells)| cells).collect()
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

    /// Pearson dispersion of the daily counts about the profile, over the days of the states in the level, each state at its own;
    /// at least 1.
    pub(crate) fn dispersion(&self, profile: &TimeProfile) -> f64 {
        let expected = |parts: &[(usize, f64)]| -> f64 {
            let rate = |cell: &Cell| profile.rate(cell.month, cell.weekday, cell.hour);
            parts.iter().map(|(cell, hours)| hours * rate(&self.cells[*cell])).sum()
        };
        let (mut pearson, mut n_terms) = (0.0, 0);
        for state in (0..self.states.len()).filter(|state| self.is_used[*state]) {
            let days = self.days.iter().filter(|day| day.state == state);
            let days: Vec<(f64, f64)> = days.map(|day| (day.count, expected(&day.parts))).collect();
            let level = self.counts[state] / days.iter().map(|day| day.1).sum::<f64>().max(f64::MIN_POSITIVE);
            let terms = days.iter().filter(|(_, expected)| expected * level > 0.0);
            pearson += terms.clone().map(|(count, e)| (count - e * level).powi(2) / (e * level)).sum::<f64>();
            n_terms += terms.count();
        }
        let df = (n_terms as f64 - 1.0).max(1.0);
        (pearson / df).max(1.0)
    }
}

fn week_of(period: &StudyPeriod, day: Date) -> usize {
    let since = day.since(period.first()).map_or(0, |span| span.get_days());
    usize::try_from(since / 7).unwrap_or(0)
}
