//! How a season is fitted, and what comes of it.

use crate::analysis::season::Contradiction;
use crate::analysis::season::Curve;
use crate::analysis::season::ImputationSummary;
use crate::analysis::season::LikelihoodRatio;
use crate::analysis::season::NotEstimable;
use crate::analysis::season::Term;
use crate::analysis::season::UnplacedRecord;

/// Whether a term takes part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TermUse {
    /// It is left out.
    Omitted,
    /// It is in the model.
    Included,
}

/// What is taken for granted of the rates of segment groups.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum GroupRates {
    /// Nothing: each group has a rate of its own. The curve then rests on when each group's records were made, and a
    /// risky trail that people walk in the morning does not make the morning look risky.
    Free,
    /// Groups of a level share their rate.
    ByLevel,
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
    /// The rates of groups; free unless set.
    pub groups: GroupRates,
    /// A level for each year.
    pub year: TermUse,
    /// A log-linear effect of the daily maximum temperature.
    pub temperature: TermUse,
    /// Seasons by level.
    pub interaction: Interaction,
    /// Imputations where times are partly known or exposure is drawn; at least 2, 10 unless set.
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
            groups: GroupRates::Free,
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
    /// Coefficients; free rates of groups are not counted, being the same for all candidates.
    pub n_coefficients: usize,
    /// Quasi-likelihood information criterion; smaller is better. The mean over imputations.
    pub qaic: f64,
    /// Its weight in the curve, from the criterion; zero where it does not take part.
    pub weight: f64,
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
///
/// Estimates, limits and draws are averaged over numbers of harmonics by their weights, and allow for a share of encounters
/// that follows none of them.
#[derive(Debug, Clone)]
pub struct SeasonFit {
    /// Harmonics of the day of the year in the model with the most weight.
    pub season_harmonics: usize,
    /// Harmonics of the hour in the model with the most weight.
    pub hour_harmonics: usize,
    /// What was tried, those that could be estimated, simplest first.
    pub candidates: Vec<Candidate>,
    /// The terms of the fullest model that takes part, in the order of the coefficients.
    pub terms: Vec<Term>,
    /// Log-rate coefficients, one a term, averaged over models; those that a model lacks count as zero.
    pub coefficients: Vec<f64>,
    /// Their standard errors, scaled by the root of the dispersion, including what imputation and the choice of a model add.
    pub standard_errors: Vec<f64>,
    /// Fletcher's dispersion of the richest model, at least 1: it multiplies all variances.
    pub dispersion: f64,
    /// Pearson's chi-squared over its degrees of freedom in the chosen model; `None` without degrees left.
    pub pearson_dispersion: Option<f64>,
    /// The tests.
    pub tests: Tests,
    /// Rates of years against each other; empty with one year or no year term.
    pub years: Vec<YearEffect>,
    /// The year that they are set against: the one with the most records.
    pub reference_year: Option<i32>,
    /// One curve for all levels, or one a level.
    pub(super) curves: Vec<Curve>,
    /// Records used, those of partly known time included.
    pub n_records: u64,
    /// Records in cells without exposure, which were left out.
    pub contradictions: Vec<Contradiction>,
    /// Records of partly known time, none of whose cells has exposure.
    pub unplaced: Vec<UnplacedRecord>,
    /// What allocating records of partly known time and drawing the exposure added; `None` when all was known.
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

    /// The same fit with curves that have mean 1 over another exposure, given by part of the year and hour (`part * 24 + hour`),
    /// common to all of them: that of what is always open. Cells in which nobody walked stay without weight.
    pub fn over(self, exposure: &[f64]) -> Self {
        let curves = self.curves.iter().map(|curve| curve.over(exposure)).collect();
        Self { curves, ..self }
    }
}
