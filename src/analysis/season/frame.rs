//! The rows that take part in a season fit, and their design.

use crate::analysis::season::Cells;
use crate::analysis::season::Design;
use crate::analysis::season::GroupRates;
use crate::analysis::season::HOURS;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::PoissonFit;
use crate::analysis::season::SeasonError;
use crate::analysis::season::SeasonParams;
use crate::analysis::season::Strata;
use crate::analysis::season::Table;
use crate::analysis::season::TermUse;
use crate::analysis::season::fit_table;
use crate::analysis::season::model::Model;
use crate::analysis::season::model::Moment;
use crate::analysis::season::model::hour_value;
use std::collections::BTreeMap;

/// Records below which a level keeps the common season.
const LEAST_LEVEL_RECORDS: u64 = 20;

/// The units that have one rate: groups, or levels where groups of a level share theirs.
#[derive(Debug, Clone)]
pub(super) struct Units {
    /// The unit of each group.
    pub(super) of_group: Vec<usize>,
    /// The level of each unit.
    pub(super) levels: Vec<usize>,
}

impl Units {
    pub(super) fn new(cells: &Cells, groups: GroupRates) -> Self {
        match groups {
            GroupRates::Free => {
                Self { of_group: (0..cells.group_levels.len()).collect(), levels: cells.group_levels.clone() }
            }
            GroupRates::ByLevel => {
                Self { of_group: cells.group_levels.clone(), levels: (0..cells.n_levels()).collect() }
            }
        }
    }
}

/// How many records each unit and year has, at least.
pub(super) struct Records {
    units: Vec<u64>,
    years: BTreeMap<i32, u64>,
    pub(super) total: u64,
}

impl Records {
    /// Counts records of known time (`counts`, by unit) and of partly known time.
    pub(super) fn new(cells: &Cells, units: &Units, counts: &[u32], partial: &[PartialRecord]) -> Self {
        let mut records = Self { units: vec![0; units.levels.len()], years: BTreeMap::new(), total: 0 };
        for (row, counts) in counts.chunks_exact(HOURS).enumerate() {
            let count: u64 = counts.iter().map(|&count| u64::from(count)).sum();
            let (unit, period) = (row / cells.periods.len(), row % cells.periods.len());
            records.add(unit, Some(cells.periods[period].year), count);
        }
        for record in partial {
            let years = || cells.periods[record.periods.clone()].iter().map(|period| period.year);
            let only = years().next().filter(|&first| years().all(|year| year == first));
            records.add(units.of_group[record.group], only, 1);
        }
        records
    }

    fn add(&mut self, unit: usize, year: Option<i32>, count: u64) {
        if count > 0 {
            self.total += count;
            self.units[unit] += count;
            if let Some(year) = year {
                *self.years.entry(year).or_default() += count;
            }
        }
    }

    /// Whether a year is known to have a record: a year without any says nothing on the curve.
    pub(super) fn has_year(&self, year: i32) -> bool {
        self.years.contains_key(&year)
    }

    fn by_level(&self, units: &Units, n_levels: usize) -> Vec<u64> {
        let mut levels = vec![0; n_levels];
        for (&level, count) in units.levels.iter().zip(&self.units) {
            levels[level] += count;
        }
        levels
    }
}

/// The units with records in all periods, and the terms that do not depend on the number of harmonics.
pub(super) struct Frame<'a> {
    pub(super) cells: &'a Cells,
    pub(super) units: &'a Units,
    groups: GroupRates,
    /// Units with records; each has one row a period.
    active: Vec<usize>,
    /// Exposure of the rows by hour; zero in years without records.
    pub(super) exposure: Vec<f64>,
    levels: Vec<usize>,
    years: Vec<i32>,
    /// The year with the most records, which the others are set against; none where years are not told apart.
    pub(super) reference_year: Option<i32>,
    mean_temperature_c: Option<f64>,
    /// Levels that can have a season of their own.
    pub(super) season_levels: Vec<usize>,
    pub(super) max_season_harmonics: usize,
    pub(super) max_hour_harmonics: usize,
}

impl<'a> Frame<'a> {
    pub(super) fn new(
        cells: &'a Cells,
        units: &'a Units,
        unit_exposure: &[f64],
        records: &Records,
        params: &SeasonParams,
    ) -> Result<Self, SeasonError> {
        let by_level = records.by_level(units, cells.n_levels());
        let other_levels = others(by_level.iter().copied().enumerate());
        let years = match params.year {
            TermUse::Included => others(records.years.iter().map(|(&year, &count)| (year, count))),
            TermUse::Omitted => Vec::new(),
        };
        let mut with_records = records.years.iter().filter(|(_, count)| **count > 0).map(|(year, _)| *year);
        let reference_year = with_records.find(|year| !years.is_empty() && !years.contains(year));
        let mut frame = Self {
            cells,
            units,
            groups: params.groups,
            active: (0..units.levels.len()).filter(|&unit| records.units[unit] > 0).collect(),
            exposure: Vec::new(),
            season_levels: other_levels.clone(),
            levels: other_levels,
            years,
            reference_year,
            mean_temperature_c: None,
            max_season_harmonics: params.max_season_harmonics,
            max_hour_harmonics: params.max_hour_harmonics,
        };
        if params.groups == GroupRates::Free {
            frame.levels.clear();
        }
        frame.season_levels.retain(|&level| by_level[level] >= LEAST_LEVEL_RECORDS);
        frame.exposure = frame.row_exposure(unit_exposure, records);
        if params.temperature == TermUse::Included {
            frame.mean_temperature_c = frame.mean_temperature()?;
        }
        frame.limit_harmonics();
        Ok(frame)
    }

    /// The exposure of the rows that take part, from that by unit.
    pub(super) fn row_exposure(&self, unit_exposure: &[f64], records: &Records) -> Vec<f64> {
        let block = self.cells.periods.len() * HOURS;
        let mut exposure = Vec::with_capacity(self.active.len() * block);
        for &unit in &self.active {
            let rows = unit_exposure[unit * block..(unit + 1) * block].chunks_exact(HOURS);
            for (row, own) in rows.zip(&self.cells.periods) {
                let used = records.has_year(own.year);
                exposure.extend(row.iter().map(|&e| if used { e } else { 0.0 }));
            }
        }
        exposure
    }

    /// Unit and period of each row.
    fn rows(&self) -> impl Iterator<Item = (usize, usize)> {
        let n_periods = self.cells.periods.len();
        self.active.iter().flat_map(move |&unit| (0..n_periods).map(move |period| (unit, period)))
    }

    /// The mean over rows weighted by exposure, or the first period walked that has none.
    fn mean_temperature(&self) -> Result<Option<f64>, SeasonError> {
        let (mut sum, mut total) = (0.0, 0.0);
        for ((_, period), exposure) in self.rows().zip(self.exposure.chunks_exact(HOURS)) {
            let exposure: f64 = exposure.iter().sum();
            if exposure > 0.0 {
                let temperature_c = self.cells.periods[period]
                    .max_temperature_c
                    .ok_or(SeasonError::MissingTemperature { period })?;
                sum += exposure * temperature_c;
                total += exposure;
            }
        }
        Ok((total > 0.0).then(|| sum / total))
    }

    /// k harmonics need 2k + 1 distinct times that were walked.
    fn limit_harmonics(&mut self) {
        let mut parts = vec![false; self.cells.parts.count()];
        let mut hours = [false; HOURS];
        for ((_, period), exposure) in self.rows().zip(self.exposure.chunks_exact(HOURS)) {
            for (hour, _) in exposure.iter().enumerate().filter(|(_, exposure)| **exposure > 0.0) {
                parts[self.cells.periods[period].part] = true;
                hours[hour] = true;
            }
        }
        let most = |walked: &[bool]| walked.iter().filter(|&&walked| walked).count().saturating_sub(1) / 2;
        self.max_season_harmonics = self.max_season_harmonics.min(most(&parts));
        self.max_hour_harmonics = self.max_hour_harmonics.min(most(&hours));
    }

    pub(super) fn model(&self, season_harmonics: usize, hour_harmonics: usize) -> Model {
        Model {
            has_intercept: self.groups == GroupRates::ByLevel,
            levels: self.levels.clone(),
            years: self.years.clone(),
            mean_temperature_c: self.mean_temperature_c,
            season_harmonics,
            hour_harmonics,
            season_levels: Vec::new(),
        }
    }

    /// The table of the rows that take part, from counts by unit.
    pub(super) fn table(&self, unit_counts: &[u32]) -> Result<Table<'_>, SeasonError> {
        self.table_with(unit_counts, &self.exposure)
    }

    /// The same, with an exposure of the rows of its own.
    pub(super) fn table_with<'b>(
        &self,
        unit_counts: &[u32],
        exposure: &'b [f64],
    ) -> Result<Table<'b>, SeasonError> {
        let block = self.cells.periods.len() * HOURS;
        let counts: Vec<u32> = self
            .active
            .iter()
            .flat_map(|unit| &unit_counts[unit * block..(unit + 1) * block])
            .copied()
            .collect();
        let strata = match self.groups {
            GroupRates::Free => Strata::Rows(self.cells.periods.len()),
            GroupRates::ByLevel => Strata::None,
        };
        Table::new(&counts, exposure, HOURS, strata)
    }

    pub(super) fn fit(&self, table: &Table<'_>, model: &Model) -> Result<Option<PoissonFit>, SeasonError> {
        let row_terms = model.row_terms();
        let hour_terms = model.hour_terms();
        let mut rows = Vec::with_capacity(self.active.len() * self.cells.periods.len() * row_terms.len());
        // Rows of a level differ by period alone, so that their values are worked out once.
        let mut of_level = BTreeMap::new();
        for &unit in &self.active {
            let level = self.units.levels[unit];
            let values: &Vec<f64> = of_level.entry(level).or_insert_with(|| {
                let periods = 0..self.cells.periods.len();
                let value =
                    |period, term| model.row_value(term, level, self.year(period), self.moment(period));
                periods.flat_map(|period| row_terms.iter().map(move |&term| value(period, term))).collect()
            });
            rows.extend_from_slice(values);
        }
        let columns: Vec<f64> = (0..HOURS)
            .flat_map(|hour| hour_terms.iter().map(move |&term| hour_value(term, hour as f64 + 0.5)))
            .collect();
        let design = Design {
            rows: &rows,
            n_row_terms: row_terms.len(),
            columns: &columns,
            n_column_terms: hour_terms.len(),
        };
        Ok(fit_table(table, &design)?.fitted())
    }

    fn year(&self, period: usize) -> i32 {
        self.cells.periods[period].year
    }

    /// The moment that stands for a period: the middle of its part of the year.
    fn moment(&self, period: usize) -> Moment {
        let period = &self.cells.periods[period];
        Moment { day: self.cells.parts.middle(period.part), max_temperature_c: period.max_temperature_c }
    }

    /// The richest model that can be estimated from counts by unit, with its fit.
    ///
    /// Where some years or levels hold no records of known time their terms are dropped.
    pub(super) fn richest(&self, unit_counts: &[u32]) -> Result<Option<(Model, PoissonFit)>, SeasonError> {
        let table = self.table(unit_counts)?;
        let most = self.max_season_harmonics.max(self.max_hour_harmonics);
        for fewer in 0..=most {
            let mut model = self.model(
                self.max_season_harmonics.saturating_sub(fewer),
                self.max_hour_harmonics.saturating_sub(fewer),
            );
            // Seasons by level too: records shared out as if levels had one season would hide that they have not.
            model.season_levels.clone_from(&self.season_levels);
            for _ in 0..2 {
                if let Some(fit) = self.fit(&table, &model)? {
                    return Ok(Some((model, fit)));
                }
                model.season_levels.clear();
                if let Some(fit) = self.fit(&table, &model)? {
                    return Ok(Some((model, fit)));
                }
                model.levels.clear();
                model.years.clear();
            }
        }
        Ok(None)
    }

    /// The log rate of a level in a period, without the hour, up to a constant.
    pub(super) fn row_log(&self, model: &Model, coefficients: &[f64], level: usize, period: usize) -> f64 {
        let terms = model.row_terms();
        let values =
            terms.iter().map(|&term| model.row_value(term, level, self.year(period), self.moment(period)));
        values.zip(model.row_coefficients(coefficients)).map(|(value, slope)| value * slope).sum()
    }
}

/// The keys with records but for the one with the most, which is the reference.
fn others<K: Copy + PartialEq>(counted: impl Iterator<Item = (K, u64)>) -> Vec<K> {
    let counted: Vec<(K, u64)> = counted.filter(|&(_, count)| count > 0).collect();
    // Reversed, so that the first of several with the same count is the reference.
    let reference = counted.iter().rev().max_by_key(|&&(_, count)| count).map(|&(key, _)| key);
    counted.into_iter().map(|(key, _)| key).filter(|&key| Some(key) != reference).collect()
}
