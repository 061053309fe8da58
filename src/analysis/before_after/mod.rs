//! Did signs help: counts before and after against what was to be expected without signs.
//!
//! The period that chose the signs is never a "before" by itself: places chosen for high counts have lower counts
//! afterwards whatever is done there. What was to be expected comes from one of
//!
//! - [`empirical_bayes`]: the posterior of every unit's rate given the period that chose (Hauer 1997);
//! - [`baseline`]: a later period before the signs went up, which chose nothing;
//! - [`lottery`]: units that lost the draw for a sign.
//!
//! [`control`] compares four totals; [`reports`] does so for what visitors report; [`shares`] compares shares of a kind of
//! contact, and of parties that did what a sign asks; [`watched`] takes these by place; [`power`] and [`watched_power`] say beforehand what
//! could be found out; [`spread`] holds the distribution of a count whose expectation is itself uncertain.

pub mod baseline;
pub mod control;
pub mod empirical_bayes;
pub mod flips;
pub mod lottery;
pub mod power;
pub mod reports;
pub mod shares;
#[cfg(test)]
mod simulation_tests;
pub mod spread;
pub mod watched;
pub mod watched_power;
#[cfg(test)]
mod watched_tests;

use crate::analysis::before_after::flips::FlipTest;
use crate::analysis::counts::{InvalidLevel, RatioLimits};

/// Fewer signs than this can never stand out in a test that flips their signs at the 5 % level.
pub const FEWEST_SIGNS: usize = 6;

/// What was counted on a unit in a period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Period {
    /// Encounters.
    pub count: u64,
    /// Kilometres walked, finite and at least zero.
    pub km: f64,
}

impl Period {
    /// Nothing walked, nothing met.
    pub const NONE: Self = Self { count: 0, km: 0.0 };

    /// Both together.
    pub fn and(self, other: Self) -> Self {
        Self { count: self.count + other.count, km: self.km + other.km }
    }
}

/// A unit: what one sign warns of, or a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// Before the signs.
    pub before: Period,
    /// After the signs.
    pub after: Period,
    /// What it is in the comparison.
    pub role: Role,
}

/// What a unit is in a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// A sign warns its walkers afterwards.
    Signed,
    /// Its walkers passed no sign, before or after.
    Control,
    /// Neither: it only tells how rates vary between units.
    Other,
}

/// Why a comparison cannot be made from what was handed in.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidComparison {
    /// The confidence level is out of range.
    #[error(transparent)]
    Level(#[from] InvalidLevel),
    /// Kilometres are negative or not finite.
    #[error("unit {unit} was walked for {km} km")]
    Walked {
        /// The unit.
        unit: usize,
        /// The value refused.
        km: f64,
    },
    /// Encounters where nobody walked.
    #[error("unit {unit} has {count} encounters in a period in which nobody walked there")]
    Contradiction {
        /// The unit.
        unit: usize,
        /// Its encounters.
        count: u64,
    },
    /// More than all did something.
    #[error("unit {unit} has {count} of {all}")]
    MoreThanAll {
        /// The unit.
        unit: usize,
        /// What was counted.
        count: u64,
        /// Of how many.
        all: f64,
    },
    /// A number to plan with is out of range.
    #[error("{name} is {value}: it must be {allowed}")]
    Parameter {
        /// The parameter.
        name: &'static str,
        /// The value refused.
        value: f64,
        /// What is allowed, in words.
        allowed: &'static str,
    },
}

/// Why there is no estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyNot {
    /// No unit has a sign.
    NoSigns,
    /// Units with signs were not walked before, or not after.
    SignsNotWalked,
    /// No unit is free of signs, or none was walked in both periods.
    NoControls,
    /// No encounter was counted on controls in one of the periods: nothing tells the signs from the years.
    NoControlEncounters,
    /// Nothing was counted at all where nobody had been warned yet, so that nothing is expected.
    NothingExpected,
}

/// The change of a rate, one being no change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// Encounters were counted in every cell that the estimate rests on.
    Estimate(f64),
    /// A cell is empty: there is no estimate, only limits.
    ZeroCell,
}

impl Change {
    /// The estimate, where there is one.
    pub fn estimate(self) -> Option<f64> {
        match self {
            Self::Estimate(value) => Some(value),
            Self::ZeroCell => None,
        }
    }
}

pub(crate) fn check_units(units: &[Unit]) -> Result<(), InvalidComparison> {
    for (unit, given) in units.iter().enumerate() {
        for period in [given.before, given.after] {
            check_period(unit, period)?;
        }
    }
    Ok(())
}

pub(crate) fn check_period(unit: usize, period: Period) -> Result<(), InvalidComparison> {
    if !(period.km.is_finite() && period.km >= 0.0) {
        return Err(InvalidComparison::Walked { unit, km: period.km });
    }
    if period.km == 0.0 && period.count > 0 {
        return Err(InvalidComparison::Contradiction { unit, count: period.count });
    }
    Ok(())
}

/// The units of a role.
pub(crate) fn of_role(units: &[Unit], role: Role) -> impl Iterator<Item = &Unit> {
    units.iter().filter(move |unit| unit.role == role)
}

/// Totals before and after of the units of a role.
pub fn totals(units: &[Unit], role: Role) -> (Period, Period) {
    let empty = (Period::NONE, Period::NONE);
    of_role(units, role).fold(empty, |(before, after), unit| (before.and(unit.before), after.and(unit.after)))
}

/// What was found, or why nothing could be.
#[derive(Debug, Clone, PartialEq)]
pub enum Effectiveness {
    /// There are limits, and an estimate unless a cell is empty.
    Estimated(Index),
    /// There are not even limits.
    NotEstimable(WhyNot),
}

/// The index of effectiveness: encounters counted with signs over those expected without, one being no change.
#[derive(Debug, Clone, PartialEq)]
pub struct Index {
    /// Signs whose units were walked.
    pub n_signs: usize,
    /// Units without signs that they are compared with.
    pub n_controls: usize,
    /// Encounters counted with signs.
    pub observed: u64,
    /// Encounters expected there without.
    pub expected: f64,
    /// The index.
    pub change: Change,
    /// Its standard error; `None` where there is no estimate.
    pub std_error: Option<f64>,
    /// Its limits; the lower one is zero where no encounter was counted.
    pub limits: RatioLimits,
    /// What the limits rest on.
    pub basis: LimitsBasis,
    /// Two-sided p-value of no change that belongs with the limits.
    pub p_value: f64,
    /// Randomisation test that takes each sign as one.
    pub flips: FlipTest,
    /// Whether the limits exclude one and the randomisation test agrees.
    pub verdict: Verdict,
}

/// What limits rest on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitsBasis {
    /// Variance that takes each sign, and each unit without one, as one.
    BySign,
    /// Four totals given their margins, since a cell is empty, widened by what units without signs differ among each other.
    Totals,
    /// The exchange of the places of each pair, and the binomial of all encounters.
    Lots,
}

/// What may be said of an index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Fewer encounters than expected, by limits and by randomisation.
    Fewer,
    /// More encounters than expected, by both.
    More,
    /// Neither more nor fewer than chance may give.
    NotToldApart,
    /// Fewer than [`FEWEST_SIGNS`]: what one or two signs do cannot be told from what their places do.
    TooFewSigns,
}

/// Agreement of limits and randomisation.
pub(crate) fn verdict(n_signs: usize, limits: RatioLimits, flips: FlipTest, alpha: f64) -> Verdict {
    let agrees = matches!(flips, FlipTest::Tested { p_value, .. } if p_value <= alpha);
    let is_fewer = limits.upper.is_some_and(|upper| upper < 1.0);
    match () {
        () if n_signs < FEWEST_SIGNS => Verdict::TooFewSigns,
        () if agrees && is_fewer => Verdict::Fewer,
        () if agrees && limits.lower > 1.0 => Verdict::More,
        () => Verdict::NotToldApart,
    }
}
