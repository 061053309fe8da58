//! The choice of a season model, its tests and its estimate.

use crate::analysis::random::stream;
use crate::analysis::season::Cells;
use crate::analysis::season::Contradiction;
use crate::analysis::season::Curve;
use crate::analysis::season::Design;
use crate::analysis::season::HOURS;
use crate::analysis::season::ImputationSummary;
use crate::analysis::season::LikelihoodRatio;
use crate::analysis::season::NotEstimable;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::PoissonFit;
use crate::analysis::season::SeasonError;
use crate::analysis::season::Table;
use crate::analysis::season::Term;
use crate::analysis::season::UnplacedRecord;
use crate::analysis::season::curve;
use crate::analysis::season::fit_table;
use crate::analysis::season::imputation;
use crate::analysis::season::imputation::Imputer;
use crate::analysis::season::imputation::Pooled;
use crate::analysis::season::imputation::Sampler;
use crate::analysis::season::likelihood_ratio;
use crate::analysis::season::model::Model;
use crate::analysis::season::model::hour_value;
use crate::analysis::season::model::moment_of;
use std::collections::BTreeMap;

/// Records below which a level keeps the common season.
const LEAST_LEVEL_RECORDS: u64 = 20;

/// Whether a term takes part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TermUse {
    /// It is left out.
    Omitted,
    /// It is in the model.
    Included,
}

/// Whether levels (habitats, elevation bands) have seasons of their own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Interaction {
    /// All levels share one curve.
    Never,
    /// They differ when the likelihood-ratio test has a p-value below this.
    WhenBelow(f64),
    /// They differ.
    Always,
}

/// How a season is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeasonParams {
    /// Most harmonics of the day of the year; 3 unless set.
    pub max_season_harmonics: usize,
    /// Most harmonics of the hour; 3 unless set.
    pub max_hour_harmonics: usize,
    /// Harmonics with which season and hour are tested, at least 1. Fixed beforehand, because testing the number that
    /// fits best rejects too often; 2 unless set.
    pub test_harmonics: usize,
    /// A level for each year.
    pub year: TermUse,
    /// A log-linear effect of the daily maximum temperature.
    pub temperature: TermUse,
    /// Seasons by level.
    pub interaction: Interaction,
    /// Imputations where times are partly known; at least 2, 10 unless set.
    pub n_imputations: usize,
    /// Draws of the curve; 200 unless set.
    pub n_draws: usize,
    /// Seed of draws and imputations.
    pub seed: u64,
}

impl Default for SeasonParams {
    fn default() -> Self {
        Self {
            max_season_harmonics: 3,
            max_hour_harmonics: 3,
            test_harmonics: 2,
            year: TermUse::Included,
            temperature: TermUse::Omitted,
            interaction: Interaction::WhenBelow(0.01),
            n_imputations: 10,
            n_draws: 200,
            seed: 0,
        }
    }
}

/// A number of harmonics that was tried.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Harmonics of the day of the year.
    pub season_harmonics: usize,
    /// Harmonics of the hour.
    pub hour_harmonics: usize,
    /// Coefficients, intercept included.
    pub n_coefficients: usize,
    /// Quasi-likelihood information criterion; smaller is better. The mean over imputations.
    pub qaic: f64,
}

/// A test, or why it was not made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TestOutcome {
    /// The test, scaled by the dispersion.
    Tested(LikelihoodRatio),
    /// The records or the exposure do not carry the terms to test.
    NotTested,
}

impl TestOutcome {
    /// The p-value, if the test was made.
    pub fn p_value(&self) -> Option<f64> {
        match self {
            Self::Tested(test) => Some(test.p_value),
            Self::NotTested => None,
        }
    }
}

/// Likelihood-ratio tests with the exposure as offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tests {
    /// Null: the rate does not depend on the hour.
    pub hour: TestOutcome,
    /// Null: the rate does not depend on the day of the year.
    pub season: TestOutcome,
    /// Null: the levels share their season.
    pub interaction: TestOutcome,
}

/// A year's rate against the year with the most records.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearEffect {
    /// The year.
    pub year: i32,
    /// Rate ratio.
    pub ratio: f64,
    /// Lower 95 % limit.
    pub lower: f64,
    /// Upper 95 % limit.
    pub upper: f64,
}

/// A fitted season, or why there is none.
#[derive(Debug, Clone)]
pub enum SeasonOutcome {
    /// The season was estimated.
    Estimated(Box<SeasonFit>),
    /// There is nothing to estimate it from.
    NotEstimable(NotEstimable),
}

/// A fitted season.
#[derive(Debug, Clone)]
pub struct SeasonFit {
    /// Harmonics of the day of the year chosen.
    pub season_harmonics: usize,
    /// Harmonics of the hour chosen.
    pub hour_harmonics: usize,
    /// What was tried, those that could be estimated, simplest first.
    pub candidates: Vec<Candidate>,
    /// The terms beside the intercept.
    pub terms: Vec<Term>,
    /// Log-rate coefficients: the intercept (log encounters per party-kilometre), then one a term.
    pub coefficients: Vec<f64>,
    /// Their standard errors, scaled by the root of the dispersion and including what imputation adds.
    pub standard_errors: Vec<f64>,
    /// Fletcher's dispersion of the richest model, at least 1: it multiplies all variances.
    pub dispersion: f64,
    /// Pearson's chi-squared over its degrees of freedom in the chosen model; `None` without degrees left.
    pub pearson_dispersion: Option<f64>,
    /// The tests.
    pub tests: Tests,
    /// Rates of years against each other; empty with one year or no year term.
    pub years: Vec<YearEffect>,
    /// One curve for all levels, or one a level.
    curves: Vec<Curve>,
    /// Records used, those of partly known time included.
    pub n_records: u64,
    /// Records in cells without exposure, which were left out.
    pub contradictions: Vec<Contradiction>,
    /// Records of partly known time, none of whose cells has exposure.
    pub unplaced: Vec<UnplacedRecord>,
    /// What allocating records of partly known time added; `None` when all times were known.
    pub imputation: Option<ImputationSummary>,
}

impl SeasonFit {
    /// The curve of a level: the common one unless seasons differ by level.
    ///
    /// A level that does not exist has the curve of level 0.
    pub fn curve(&self, level: usize) -> &Curve {
        self.curves.get(level).unwrap_or(&self.curves[0])
    }

    /// The curves: a single one that all levels share, or one for each level.
    pub fn curves(&self) -> &[Curve] {
        &self.curves
    }
}

/// Fits season and hour to counts with exposure.
///
/// Harmonics are chosen by the quasi-likelihood information criterion, -2 log L / c + 2 (k + 1), with the dispersion c
/// of the richest model (Burnham, K. P. & Anderson, D. R. (2002). *Model Selection and Multimodel Inference*, 2nd ed.,
/// section 2.5). Levels and years without any record, and cells without exposure, carry no information on the curve and
/// are left out. `partial` holds the records of partly known time; empty is usual.
///
/// # Errors
/// [`SeasonError`] when lengths or indices do not agree, a number is out of range, or a temperature is missing.
pub fn fit(
    cells: &Cells,
    partial: &[PartialRecord],
    params: &SeasonParams,
) -> Result<SeasonOutcome, SeasonError> {
    cells.check()?;
    imputation::check(cells, partial)?;
    let by_level = cells.by_level();
    let (placed, unplaced) = imputation::place(cells, partial);
    if !by_level.exposure.iter().any(|&exposure| exposure > 0.0) {
        return Ok(SeasonOutcome::NotEstimable(NotEstimable::NoExposure));
    }
    let records = Records::new(cells, &by_level.counts, &placed);
    if records.total == 0 {
        return Ok(SeasonOutcome::NotEstimable(NotEstimable::NoRecords));
    }
    let frame = Frame::new(cells, &by_level.exposure, &records, params)?;
    let sets = if placed.is_empty() {
        vec![by_level.counts]
    } else {
        let imputer =
            Imputer { cells, frame: &frame, known: &by_level.counts, partial: &placed, seed: params.seed };
        (0..params.n_imputations.max(2)).map(|index| imputer.impute(index)).collect::<Result<_, _>>()?
    };
    let sets = DataSets::new(&frame, &sets)?;
    let Some(chosen) = choose(&sets)? else {
        return Ok(SeasonOutcome::NotEstimable(NotEstimable::Separated));
    };
    let mut fit = estimate(&sets, &chosen, &by_level.exposure, params)?;
    fit.n_records = records.total;
    fit.contradictions = by_level.contradictions;
    fit.unplaced = unplaced;
    if let Some(summary) = &mut fit.imputation {
        summary.n_allocated = placed.len();
    }
    Ok(SeasonOutcome::Estimated(Box::new(fit)))
}

/// How many records each level and year has, at least.
struct Records {
    levels: Vec<u64>,
    years: BTreeMap<i32, u64>,
    total: u64,
}

impl Records {
    fn new(cells: &Cells, level_counts: &[u32], partial: &[PartialRecord]) -> Self {
        let mut records = Self { levels: vec![0; cells.n_levels()], years: BTreeMap::new(), total: 0 };
        for (row, counts) in level_counts.chunks_exact(HOURS).enumerate() {
            let count: u64 = counts.iter().map(|&count| u64::from(count)).sum();
            let (level, period) = (row / cells.periods.len(), row % cells.periods.len());
            records.add(level, Some(cells.periods[period].year), count);
        }
        for record in partial {
            let years = || cells.periods[record.periods.clone()].iter().map(|period| period.year);
            let only = years().next().filter(|&first| years().all(|year| year == first));
            records.add(cells.group_levels[record.group], only, 1);
        }
        records
    }

    fn add(&mut self, level: usize, year: Option<i32>, count: u64) {
        if count > 0 {
            self.total += count;
            self.levels[level] += count;
            if let Some(year) = year {
                *self.years.entry(year).or_default() += count;
            }
        }
    }
}

/// The rows (level and period) that take part, and the terms that do not depend on the number of harmonics.
pub(super) struct Frame<'a> {
    cells: &'a Cells,
    rows: Vec<(usize, usize)>,
    /// Exposure of the rows by hour.
    exposure: Vec<f64>,
    levels: Vec<usize>,
    years: Vec<i32>,
    mean_temperature_c: Option<f64>,
    /// Levels that can have a season of their own.
    season_levels: Vec<usize>,
    max_season_harmonics: usize,
    max_hour_harmonics: usize,
}

impl<'a> Frame<'a> {
    fn new(
        cells: &'a Cells,
        level_exposure: &[f64],
        records: &Records,
        params: &SeasonParams,
    ) -> Result<Self, SeasonError> {
        let mut frame = Self {
            cells,
            rows: Vec::new(),
            exposure: Vec::new(),
            levels: others(records.levels.iter().copied().enumerate()),
            years: match params.year {
                TermUse::Included => others(records.years.iter().map(|(&year, &count)| (year, count))),
                TermUse::Omitted => Vec::new(),
            },
            mean_temperature_c: None,
            season_levels: Vec::new(),
            max_season_harmonics: params.max_season_harmonics,
            max_hour_harmonics: params.max_hour_harmonics,
        };
        frame.season_levels = frame.levels.clone();
        frame.season_levels.retain(|&level| records.levels[level] >= LEAST_LEVEL_RECORDS);
        for (row, exposure) in level_exposure.chunks_exact(HOURS).enumerate() {
            let (level, period) = (row / cells.periods.len(), row % cells.periods.len());
            let active = records.levels[level] > 0
                && (params.year == TermUse::Omitted
                    || records.years.contains_key(&cells.periods[period].year))
                && exposure.iter().any(|&exposure| exposure > 0.0);
            if active {
                frame.rows.push((level, period));
                frame.exposure.extend_from_slice(exposure);
            }
        }
        if params.temperature == TermUse::Included {
            frame.mean_temperature_c = frame.mean_temperature()?;
        }
        frame.limit_harmonics();
        Ok(frame)
    }

    /// The mean over rows weighted by exposure, or the first period that has none.
    fn mean_temperature(&self) -> Result<Option<f64>, SeasonError> {
        let (mut sum, mut total) = (0.0, 0.0);
        for (&(_, period), exposure) in self.rows.iter().zip(self.exposure.chunks_exact(HOURS)) {
            let temperature_c = self.cells.periods[period]
                .max_temperature_c
                .ok_or(SeasonError::MissingTemperature { period })?;
            let exposure: f64 = exposure.iter().sum();
            sum += exposure * temperature_c;
            total += exposure;
        }
        Ok((total > 0.0).then(|| sum / total))
    }

    /// k harmonics need 2k + 1 distinct times that were walked.
    fn limit_harmonics(&mut self) {
        let mut parts: Vec<usize> =
            self.rows.iter().map(|&(_, period)| self.cells.periods[period].part).collect();
        parts.sort_unstable();
        parts.dedup();
        let hours =
            (0..HOURS).filter(|&hour| self.exposure.chunks_exact(HOURS).any(|exposure| exposure[hour] > 0.0));
        self.max_season_harmonics = self.max_season_harmonics.min(parts.len().saturating_sub(1) / 2);
        self.max_hour_harmonics = self.max_hour_harmonics.min(hours.count().saturating_sub(1) / 2);
    }

    fn model(&self, season_harmonics: usize, hour_harmonics: usize) -> Model {
        Model {
            levels: self.levels.clone(),
            years: self.years.clone(),
            mean_temperature_c: self.mean_temperature_c,
            season_harmonics,
            hour_harmonics,
            season_levels: Vec::new(),
        }
    }

    /// The counts of the rows that take part, from counts by level.
    fn counts(&self, level_counts: &[u32]) -> Vec<u32> {
        let n_periods = self.cells.periods.len();
        let row_counts = |&(level, period): &(usize, usize)| {
            let start = (level * n_periods + period) * HOURS;
            &level_counts[start..start + HOURS]
        };
        self.rows.iter().flat_map(row_counts).copied().collect()
    }

    fn fit(&self, table: &Table<'_>, model: &Model) -> Result<Option<PoissonFit>, SeasonError> {
        let row_terms = model.row_terms();
        let hour_terms = model.hour_terms();
        let mut rows = Vec::with_capacity(self.rows.len() * row_terms.len());
        for &(level, period) in &self.rows {
            let year = self.cells.periods[period].year;
            let moment = self.moment(period);
            rows.extend(row_terms.iter().map(|&term| model.row_value(term, level, year, moment)));
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

    fn moment(&self, period: usize) -> crate::analysis::season::model::Moment {
        let period = &self.cells.periods[period];
        moment_of(period, self.cells.parts.middle(period.part))
    }

    /// The richest model that can be estimated from counts by level, with its fit.
    ///
    /// Where some years or levels hold no records of known time their terms are dropped.
    pub(super) fn richest(&self, level_counts: &[u32]) -> Result<Option<(Model, PoissonFit)>, SeasonError> {
        let counts = self.counts(level_counts);
        let table = Table::new(&counts, &self.exposure, HOURS)?;
        let most = self.max_season_harmonics.max(self.max_hour_harmonics);
        for fewer in 0..=most {
            let mut model = self.model(
                self.max_season_harmonics.saturating_sub(fewer),
                self.max_hour_harmonics.saturating_sub(fewer),
            );
            for _ in 0..2 {
                if let Some(fit) = self.fit(&table, &model)? {
                    return Ok(Some((model, fit)));
                }
                model.levels.clear();
                model.years.clear();
            }
        }
        Ok(None)
    }

    /// The log rate of a row, without the hour.
    pub(super) fn row_log(&self, model: &Model, coefficients: &[f64], level: usize, period: usize) -> f64 {
        let year = self.cells.periods[period].year;
        let moment = self.moment(period);
        let terms = model.row_terms();
        let values = terms.iter().map(|&term| model.row_value(term, level, year, moment));
        coefficients[0] + values.zip(&coefficients[1..]).map(|(value, slope)| value * slope).sum::<f64>()
    }
}

/// The keys with records but for the one with the most, which is the reference.
fn others<K: Copy + PartialEq>(counted: impl Iterator<Item = (K, u64)>) -> Vec<K> {
    let counted: Vec<(K, u64)> = counted.filter(|&(_, count)| count > 0).collect();
    // Reversed, so that the first of several with the same count is the reference.
    let reference = counted.iter().rev().max_by_key(|&&(_, count)| count).map(|&(key, _)| key);
    counted.into_iter().map(|(key, _)| key).filter(|&key| Some(key) != reference).collect()
}

/// The completed data sets (one when all times are known) as tables.
struct DataSets<'a> {
    frame: &'a Frame<'a>,
    tables: Vec<Table<'a>>,
}

impl<'a> DataSets<'a> {
    fn new(frame: &'a Frame<'a>, sets: &[Vec<u32>]) -> Result<Self, SeasonError> {
        let tables = sets
            .iter()
            .map(|set| Table::new(&frame.counts(set), &frame.exposure, HOURS))
            .collect::<Result<_, _>>()?;
        Ok(Self { frame, tables })
    }

    /// The fit to each data set, or `None` when one of them has no finite estimate.
    fn fit(&self, model: &Model) -> Result<Option<Vec<PoissonFit>>, SeasonError> {
        self.tables.iter().map(|table| self.frame.fit(table, model)).collect()
    }

    /// Tests `full` against `reduced`, pooled over the data sets.
    fn test(&self, reduced: &Model, full: &Model, dispersion: f64) -> Result<TestOutcome, SeasonError> {
        let (Some(reduced), Some(full)) = (self.fit(reduced)?, self.fit(full)?) else {
            return Ok(TestOutcome::NotTested);
        };
        let tests: Option<Vec<LikelihoodRatio>> = reduced
            .iter()
            .zip(&full)
            .map(|(reduced, full)| likelihood_ratio(reduced, full, dispersion))
            .collect();
        let pooled = tests.and_then(|tests| imputation::pool_tests(&tests));
        Ok(pooled.map_or(TestOutcome::NotTested, TestOutcome::Tested))
    }
}

/// The model chosen, before seasons by level.
struct Chosen {
    model: Model,
    candidates: Vec<Candidate>,
    dispersion: f64,
}

fn choose(sets: &DataSets<'_>) -> Result<Option<Chosen>, SeasonError> {
    let frame = sets.frame;
    let mut fitted = Vec::new();
    for season in 0..=frame.max_season_harmonics {
        for hour in 0..=frame.max_hour_harmonics {
            if let Some(fits) = sets.fit(&frame.model(season, hour))? {
                fitted.push((season, hour, fits));
            }
        }
    }
    fitted.sort_by_key(|(season, hour, _)| season + hour);
    let Some((_, _, richest)) = fitted.last() else { return Ok(None) };
    let dispersion = mean(richest.iter().map(|fit| fit.dispersion().unwrap_or(1.0))).max(1.0);
    let candidates: Vec<Candidate> = fitted
        .iter()
        .map(|(season_harmonics, hour_harmonics, fits)| {
            let n_coefficients = fits[0].coefficients.len();
            let fit_part = mean(fits.iter().map(|fit| -2.0 * fit.log_likelihood / dispersion));
            Candidate {
                season_harmonics: *season_harmonics,
                hour_harmonics: *hour_harmonics,
                n_coefficients,
                qaic: fit_part + 2.0 * (n_coefficients + 1) as f64,
            }
        })
        .collect();
    let best = candidates.iter().min_by(|left, right| left.qaic.total_cmp(&right.qaic));
    Ok(best.map(|best| Chosen {
        model: frame.model(best.season_harmonics, best.hour_harmonics),
        candidates: candidates.clone(),
        dispersion,
    }))
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len() as f64;
    values.sum::<f64>() / n
}

/// Tests with a number of harmonics set beforehand, the other factor at its richest.
fn test_all(sets: &DataSets<'_>, params: &SeasonParams, dispersion: f64) -> Result<Tests, SeasonError> {
    let frame = sets.frame;
    let season = params.test_harmonics.max(1).min(frame.max_season_harmonics);
    let hour = params.test_harmonics.max(1).min(frame.max_hour_harmonics);
    let (most_season, most_hour) = (frame.max_season_harmonics, frame.max_hour_harmonics);
    let mut by_level = frame.model(season, most_hour);
    by_level.season_levels.clone_from(&frame.season_levels);
    Ok(Tests {
        hour: sets.test(&frame.model(most_season, 0), &frame.model(most_season, hour), dispersion)?,
        season: sets.test(&frame.model(0, most_hour), &frame.model(season, most_hour), dispersion)?,
        interaction: sets.test(&frame.model(season, most_hour), &by_level, dispersion)?,
    })
}

fn estimate(
    sets: &DataSets<'_>,
    chosen: &Chosen,
    level_exposure: &[f64],
    params: &SeasonParams,
) -> Result<SeasonFit, SeasonError> {
    let tests = test_all(sets, params, chosen.dispersion)?;
    let mut model = chosen.model.clone();
    let differ = match params.interaction {
        Interaction::Never => false,
        Interaction::WhenBelow(level) => tests.interaction.p_value().is_some_and(|p| p < level),
        Interaction::Always => true,
    };
    if differ {
        model.season_harmonics = model.season_harmonics.max(1).min(sets.frame.max_season_harmonics);
        model.season_levels.clone_from(&sets.frame.season_levels);
    }
    // Where seasons by level have no finite estimate the common curve stands.
    let fits = match sets.fit(&model)? {
        Some(fits) => fits,
        None => {
            model = chosen.model.clone();
            sets.fit(&model)?.unwrap_or_default()
        }
    };
    let pooled = imputation::pool(&fits, chosen.dispersion);
    let draws = draw_coefficients(&pooled, params);
    let terms = model.terms();
    let years = year_effects(&terms, &pooled);
    let curves = curve::curves(sets.frame.cells, level_exposure, &model, &pooled.coefficients, &draws);
    Ok(SeasonFit {
        season_harmonics: model.season_harmonics,
        hour_harmonics: model.hour_harmonics,
        candidates: chosen.candidates.clone(),
        terms,
        standard_errors: pooled.covariance.diagonal().iter().map(|variance| variance.sqrt()).collect(),
        dispersion: chosen.dispersion,
        pearson_dispersion: fits
            .iter()
            .map(PoissonFit::pearson_dispersion)
            .sum::<Option<f64>>()
            .map(|sum| sum / fits.len() as f64),
        tests,
        years,
        curves,
        n_records: 0,
        contradictions: Vec::new(),
        unplaced: Vec::new(),
        imputation: (fits.len() > 1).then(|| ImputationSummary {
            n_imputations: fits.len(),
            n_allocated: 0,
            missing_shares: pooled.missing_shares.clone(),
        }),
        coefficients: pooled.coefficients,
    })
}

/// Draws of the coefficients, one stream a draw.
fn draw_coefficients(pooled: &Pooled, params: &SeasonParams) -> Vec<Vec<f64>> {
    let sampler = Sampler::new(&pooled.coefficients, pooled.covariance.clone());
    let draw = |index: usize| match &sampler {
        Some(sampler) => sampler.draw(&mut stream(params.seed, index as u64)),
        None => pooled.coefficients.clone(),
    };
    (0..params.n_draws).map(draw).collect()
}

fn year_effects(terms: &[Term], pooled: &Pooled) -> Vec<YearEffect> {
    let effect = |(index, term): (usize, &Term)| {
        let Term::Year(year) = *term else { return None };
        let log_ratio = pooled.coefficients[index + 1];
        let half_width = 1.959_963_985 * pooled.covariance[(index + 1, index + 1)].sqrt();
        Some(YearEffect {
            year,
            ratio: log_ratio.exp(),
            lower: (log_ratio - half_width).exp(),
            upper: (log_ratio + half_width).exp(),
        })
    };
    terms.iter().enumerate().filter_map(effect).collect()
}
