//! The choice of a season model, its tests and its estimate.

use crate::analysis::season::Candidate;
use crate::analysis::season::Cells;
use crate::analysis::season::HOURS;
use crate::analysis::season::ImputationSummary;
use crate::analysis::season::Interaction;
use crate::analysis::season::LikelihoodRatio;
use crate::analysis::season::NotEstimable;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::PoissonFit;
use crate::analysis::season::SeasonError;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonOutcome;
use crate::analysis::season::SeasonParams;
use crate::analysis::season::Table;
use crate::analysis::season::Term;
use crate::analysis::season::TermUse;
use crate::analysis::season::TestOutcome;
use crate::analysis::season::Tests;
use crate::analysis::season::YearEffect;
use crate::analysis::season::averaging;
use crate::analysis::season::averaging::Average;
use crate::analysis::season::averaging::Member;
use crate::analysis::season::curve;
use crate::analysis::season::frame::Frame;
use crate::analysis::season::frame::Records;
use crate::analysis::season::frame::Units;
use crate::analysis::season::imputation;
use crate::analysis::season::imputation::Imputer;
use crate::analysis::season::likelihood_ratio;
use crate::analysis::season::model::Model;
use rayon::prelude::*;

/// Fits season and hour to counts with exposure.
///
/// Numbers of harmonics are weighed by the quasi-likelihood information criterion, -2 log L / c + 2 (k + 1), with the
/// dispersion c of the richest model (Burnham, K. P. & Anderson, D. R. (2002). *Model Selection and Multimodel Inference*,
/// 2nd ed., section 2.5), and the curve is averaged over them. Levels and years without any record, and cells without exposure, carry no information on the curve and
/// are left out; so is, with free rates, a group without records. `partial` holds the records of partly known time; empty is usual.
///
/// # Errors
/// [`SeasonError`] when lengths or indices do not agree, a number is out of range, or a temperature is missing.
pub fn fit(
    cells: &Cells,
    partial: &[PartialRecord],
    params: &SeasonParams,
) -> Result<SeasonOutcome, SeasonError> {
    fit_with_exposure_draws(cells, &[], partial, params)
}

/// The same with an exposure that is known as draws: `exposure_draws` hold one exposure each, by cell as that of `cells`,
/// which is their mean. Imputations take one draw each, so that Rubin's rules carry what is not known of the exposure into
/// tests, limits and draws.
///
/// # Errors
/// As [`fit`]; draws must have a value for every cell.
pub fn fit_with_exposure_draws(
    cells: &Cells,
    exposure_draws: &[Vec<f64>],
    partial: &[PartialRecord],
    params: &SeasonParams,
) -> Result<SeasonOutcome, SeasonError> {
    cells.check()?;
    imputation::check(cells, partial)?;
    let units = Units::new(cells, params.groups);
    let known = cells.by_unit(&units.of_group, units.levels.len());
    let unit_draws = exposures_by_unit(cells, exposure_draws, &units, params.n_imputations.max(2))?;
    if !known.exposure.iter().any(|&exposure| exposure > 0.0) {
        return Ok(SeasonOutcome::NotEstimable(NotEstimable::NoExposure));
    }
    let (placed, _) = imputation::place(cells, partial, |_| true);
    let records = Records::new(cells, &units, &known.counts, &placed);
    let (placed, unplaced) = imputation::place(cells, partial, |year| records.has_year(year));
    if records.total == 0 {
        return Ok(SeasonOutcome::NotEstimable(NotEstimable::NoRecords));
    }
    let frame = Frame::new(cells, &units, &known.exposure, &records, params)?;
    let sets = completed(&frame, &records, &known.counts, &placed, params)?;
    let sets = if placed.is_empty() { vec![known.counts; unit_draws.len().max(1)] } else { sets };
    let n_records = sets[0].iter().map(|&count| u64::from(count)).sum();
    let row_draws: Vec<Vec<f64>> =
        unit_draws.iter().map(|exposure| frame.row_exposure(exposure, &records)).collect();
    let tables = DataSets::new(&frame, &sets, &row_draws)?;
    let separated = SeasonOutcome::NotEstimable(NotEstimable::Separated);
    let Some(chosen) = choose(&tables)? else { return Ok(separated) };
    let ground = curve::Ground {
        frame: &frame,
        unit_exposure: &known.exposure,
        sets: &sets,
        dispersion: chosen.dispersion,
        seed: params.seed,
    };
    let Some(mut fit) = estimate(&tables, &chosen, &ground, params)? else { return Ok(separated) };
    fit.n_records = n_records;
    fit.reference_year = frame.reference_year;
    fit.contradictions = known.contradictions;
    fit.unplaced = unplaced;
    if let Some(summary) = &mut fit.imputation {
        summary.n_allocated = placed.len();
    }
    Ok(SeasonOutcome::Estimated(Box::new(fit)))
}

/// Counts by unit with records of partly known time allotted, once for each imputation; the counts alone without any.
fn completed(
    frame: &Frame<'_>,
    records: &Records,
    known: &[u32],
    partial: &[PartialRecord],
    params: &SeasonParams,
) -> Result<Vec<Vec<u32>>, SeasonError> {
    if partial.is_empty() {
        return Ok(vec![known.to_vec()]);
    }
    let imputer = Imputer { frame, records, known, partial, seed: params.seed };
    let n = params.n_imputations.max(2);
    (0..n).into_par_iter().map(|index| imputer.impute(index)).collect()
}

/// As many draws of the exposure as there are imputations, spread over those given and by unit; none where none are given.
fn exposures_by_unit(
    cells: &Cells,
    draws: &[Vec<f64>],
    units: &Units,
    n: usize,
) -> Result<Vec<Vec<f64>>, SeasonError> {
    if draws.is_empty() {
        return Ok(Vec::new());
    }
    let by_unit = |index: usize| {
        let exposure = &draws[index * draws.len() / n];
        let own = Cells { exposure: exposure.clone(), ..cells.clone() };
        own.check()?;
        Ok(own.by_unit(&units.of_group, units.levels.len()).exposure)
    };
    (0..n).map(by_unit).collect()
}

/// What the daily maximum temperature adds to season and hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TemperatureEffect {
    /// Periods with walking that took part.
    pub n_periods: usize,
    /// Records that took part.
    pub n_records: u64,
    /// Null: with season and hour at their richest, the temperature adds nothing.
    pub test: TestOutcome,
    /// Quasi-likelihood information criterion of the best model without the temperature; smaller is better.
    pub qaic_without: f64,
    /// That of the best model with it.
    pub qaic_with: f64,
    /// Rate ratio for ten degrees more, in the best model with the temperature.
    pub ratio_per_10_c: f64,
    /// Its lower 95 % limit.
    pub lower: f64,
    /// Its upper 95 % limit.
    pub upper: f64,
}

impl TemperatureEffect {
    /// Whether the criterion takes the temperature in.
    pub fn is_chosen(&self) -> bool {
        self.qaic_with < self.qaic_without
    }
}

/// Whether the temperature of a day says more than season and hour do.
///
/// The number of harmonics is chosen anew with and without the temperature, both judged with the dispersion of the
/// richest model that has it. `cells` hold one period a day; every one that was walked needs its temperature, so leave out
/// days without. `partial` holds the records of those days whose hour is not known. None where there are no records or no finite estimate, as when the temperature never changes.
///
/// # Errors
/// [`SeasonError`] when lengths or indices do not agree, a number is out of range, or a temperature is missing.
pub fn temperature_effect(
    cells: &Cells,
    partial: &[PartialRecord],
    params: &SeasonParams,
) -> Result<Option<TemperatureEffect>, SeasonError> {
    cells.check()?;
    imputation::check(cells, partial)?;
    let params = SeasonParams { temperature: TermUse::Included, ..*params };
    let units = Units::new(cells, params.groups);
    let known = cells.by_unit(&units.of_group, units.levels.len());
    let (placed, _) = imputation::place(cells, partial, |_| true);
    let records = Records::new(cells, &units, &known.counts, &placed);
    if records.total == 0 {
        return Ok(None);
    }
    let frame = Frame::new(cells, &units, &known.exposure, &records, &params)?;
    let counts = completed(&frame, &records, &known.counts, &placed, &params)?;
    let sets = DataSets::new(&frame, &counts, &[])?;
    let without = |model: Model| Model { mean_temperature_c: None, ..model };
    let Some(chosen) = choose(&sets)? else { return Ok(None) };
    let Some(plain) = choose_among(&sets, without, Some(chosen.dispersion))? else { return Ok(None) };
    let richest = frame.model(frame.max_season_harmonics, frame.max_hour_harmonics);
    let test = sets.test(&without(richest.clone()), &richest, chosen.dispersion)?;
    let Some(fits) = sets.fit(&chosen.model)? else { return Ok(None) };
    let place = chosen.model.terms().iter().position(|term| *term == Term::Temperature);
    let pooled = imputation::pool(&fits, chosen.dispersion);
    let Some(place) = place.filter(|place| *place < pooled.coefficients.len()) else { return Ok(None) };
    let slope = pooled.coefficients[place];
    let half_width = 1.959_963_985 * pooled.covariance[(place, place)].sqrt();
    let best = |chosen: &Chosen| chosen.candidates.iter().map(|it| it.qaic).fold(f64::INFINITY, f64::min);
    let walked = |period: usize| {
        let block = cells.periods.len() * HOURS;
        known
            .exposure
            .chunks_exact(block)
            .any(|unit| unit[period * HOURS..][..HOURS].iter().any(|km| *km > 0.0))
    };
    Ok(Some(TemperatureEffect {
        n_periods: (0..cells.periods.len()).filter(|period| walked(*period)).count(),
        n_records: records.total,
        test,
        qaic_without: best(&plain),
        qaic_with: best(&chosen),
        ratio_per_10_c: slope.exp(),
        lower: (slope - half_width).exp(),
        upper: (slope + half_width).exp(),
    }))
}

/// The completed data sets (one when all times are known) as tables.
struct DataSets<'a> {
    frame: &'a Frame<'a>,
    tables: Vec<Table<'a>>,
}

impl<'a> DataSets<'a> {
    /// Each set with its own exposure of the rows; all with the mean where no draws are given.
    fn new(frame: &'a Frame<'a>, sets: &[Vec<u32>], draws: &'a [Vec<f64>]) -> Result<Self, SeasonError> {
        let table = |(index, set): (usize, &Vec<u32>)| match draws {
            [] => frame.table(set),
            draws => frame.table_with(set, &draws[index % draws.len()]),
        };
        let tables = sets.iter().enumerate().map(table).collect::<Result<_, _>>()?;
        Ok(Self { frame, tables })
    }

    /// The fit to each data set, or `None` when one of them has no finite estimate.
    fn fit(&self, model: &Model) -> Result<Option<Vec<PoissonFit>>, SeasonError> {
        self.tables.par_iter().map(|table| self.frame.fit(table, model)).collect()
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

/// The models that take part, before seasons by level.
struct Chosen {
    /// The one with the most weight.
    model: Model,
    /// All that have a weight, with it.
    weighted: Vec<(Model, f64)>,
    candidates: Vec<Candidate>,
    dispersion: f64,
}

fn choose(sets: &DataSets<'_>) -> Result<Option<Chosen>, SeasonError> {
    choose_among(sets, |model| model, None)
}

/// Chooses the number of harmonics among models that `adapt` may change, with a dispersion given or that of the richest.
fn choose_among(
    sets: &DataSets<'_>,
    adapt: impl Fn(Model) -> Model,
    dispersion: Option<f64>,
) -> Result<Option<Chosen>, SeasonError> {
    let frame = sets.frame;
    let mut fitted = Vec::new();
    for season in 0..=frame.max_season_harmonics {
        for hour in 0..=frame.max_hour_harmonics {
            if let Some(fits) = sets.fit(&adapt(frame.model(season, hour)))? {
                fitted.push((season, hour, fits));
            }
        }
    }
    fitted.sort_by_key(|(season, hour, _)| season + hour);
    let Some((_, _, richest)) = fitted.last() else { return Ok(None) };
    let own = || mean(richest.iter().map(|fit| fit.dispersion().unwrap_or(1.0))).max(1.0);
    let dispersion = dispersion.unwrap_or_else(own);
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
                weight: 0.0,
            }
        })
        .collect();
    let weights = averaging::weights(&candidates);
    let candidates: Vec<Candidate> = candidates
        .into_iter()
        .zip(weights)
        .map(|(candidate, weight)| Candidate { weight, ..candidate })
        .collect();
    let model = |it: &Candidate| adapt(frame.model(it.season_harmonics, it.hour_harmonics));
    let weighted = candidates.iter().filter(|it| it.weight > 0.0).map(|it| (model(it), it.weight)).collect();
    let best = candidates.iter().min_by(|left, right| left.qaic.total_cmp(&right.qaic)).map(model);
    Ok(best.map(|model| Chosen { model, weighted, candidates, dispersion }))
}

/// The models with their fits, with a season of their own for levels where those differ; none where one has no finite
/// estimate.
fn members(sets: &DataSets<'_>, chosen: &Chosen, differ: bool) -> Result<Option<Vec<Member>>, SeasonError> {
    let frame = sets.frame;
    let mut members: Vec<Member> = Vec::new();
    for (model, weight) in &chosen.weighted {
        let mut model = model.clone();
        if differ {
            model.season_harmonics = model.season_harmonics.max(1).min(frame.max_season_harmonics);
            model.season_levels.clone_from(&frame.season_levels);
        }
        if let Some(known) = members.iter_mut().find(|member| member.model == model) {
            known.weight += weight;
            continue;
        }
        let Some(fits) = sets.fit(&model)? else { return Ok(None) };
        members.push(Member { model, weight: *weight, pooled: imputation::pool(&fits, chosen.dispersion) });
    }
    Ok(Some(members))
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
    ground: &curve::Ground<'_>,
    params: &SeasonParams,
) -> Result<Option<SeasonFit>, SeasonError> {
    let tests = test_all(sets, params, chosen.dispersion)?;
    let differ = match params.interaction {
        Interaction::Never => false,
        Interaction::WhenBelow(level) => tests.interaction.p_value().is_some_and(|p| p < level),
        Interaction::Always => true,
    };
    // Where seasons by level have no finite estimate the common curve stands.
    let own = if differ { members(sets, chosen, true)? } else { None };
    let members = match own {
        Some(own) => own,
        None => members(sets, chosen, false)?.unwrap_or_default(),
    };
    let heaviest = members.iter().max_by(|left, right| left.weight.total_cmp(&right.weight));
    let model = heaviest.map_or(&chosen.model, |member| &member.model).clone();
    let fits = sets.fit(&model)?.unwrap_or_default();
    let Some(average) = averaging::average(&members, params.n_draws, params.seed) else { return Ok(None) };
    let curves = curve::curves(ground, &average.model, &average.coefficients, &average.draws);
    Ok(Some(SeasonFit {
        season_harmonics: model.season_harmonics,
        hour_harmonics: model.hour_harmonics,
        candidates: chosen.candidates.clone(),
        standard_errors: average.variances.iter().map(|variance| variance.sqrt()).collect(),
        dispersion: chosen.dispersion,
        pearson_dispersion: fits
            .iter()
            .map(PoissonFit::pearson_dispersion)
            .sum::<Option<f64>>()
            .map(|sum| sum / fits.len() as f64),
        tests,
        years: year_effects(&average),
        reference_year: None,
        curves,
        n_records: 0,
        contradictions: Vec::new(),
        unplaced: Vec::new(),
        imputation: (fits.len() > 1).then(|| ImputationSummary {
            n_imputations: fits.len(),
            n_allocated: 0,
            missing_shares: average.missing_shares.clone(),
        }),
        terms: average.terms,
        coefficients: average.coefficients,
    }))
}

fn year_effects(average: &Average) -> Vec<YearEffect> {
    let effect = |(index, term): (usize, &Term)| {
        let Term::Year(year) = *term else { return None };
        let log_ratio = average.coefficients[index];
        let half_width = 1.959_963_985 * average.variances[index].sqrt();
        Some(YearEffect {
            year,
            ratio: log_ratio.exp(),
            lower: (log_ratio - half_width).exp(),
            upper: (log_ratio + half_width).exp(),
        })
    };
    average.terms.iter().enumerate().filter_map(effect).collect()
}
