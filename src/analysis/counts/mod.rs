//! Exact and other intervals and tests for counts and shares.
//!
//! Limits are pairs `(lower, upper)`. Confidence levels are fractions in (0, 1) and two-sided unless a function says
//! otherwise. Central limits belong with the central p-value, twice the smaller tail; the `minlike` p-value sums what is
//! not more likely than what was seen and can disagree with them.
//!
//! - [`poisson`] and [`poisson_table`]: limits and tests for a count and a rate.
//! - [`binomial`]: limits and tests for a share.
//! - [`rate_ratio`]: two rates compared, given their total.
//! - [`fisher`]: two shares compared, given the margins.
//! - [`trend`]: shares over ordered groups.
//! - [`stratified`]: two-by-two tables, and trends, over strata.
//! - [`tails`] and [`quantiles`]: the tails and quantiles behind them.

pub mod binomial;
pub mod fisher;
pub mod poisson;
pub mod poisson_table;
pub mod quantiles;
pub mod rate_ratio;
pub(crate) mod roots;
pub mod stratified;
pub mod tails;
pub mod trend;

pub use binomial::{clopper_pearson_limits, wilson_limits};
pub use poisson::{RawRate, poisson_limits, raw_rate};
pub use poisson_table::PoissonLimitsTable;
pub use tails::ExactTails;

/// A confidence level is not strictly between 0 and 1.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("the confidence level is {0}, but must lie strictly between 0 and 1")]
pub struct InvalidLevel(pub f64);

/// Why counts, exposures or scores cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidCounts {
    /// The confidence level is out of range.
    #[error(transparent)]
    Level(#[from] InvalidLevel),
    /// There are more events than trials.
    #[error("{events} events in {trials} trials")]
    MoreEventsThanTrials {
        /// Events counted.
        events: u64,
        /// Trials they were counted in.
        trials: u64,
    },
    /// There are no trials, so that no share exists.
    #[error("there are no trials")]
    NoTrials,
    /// An exposure is not positive, or negative where zero is allowed, or not finite.
    #[error("the exposure is {0}")]
    Exposure(f64),
    /// The value under test is out of range: a share outside [0, 1], a rate or ratio below zero, or not finite.
    #[error("the value under test is {0}")]
    Null(f64),
    /// The lists of groups differ in length.
    #[error("{events} groups of events, {trials} of trials, {scores} scores")]
    GroupsDiffer {
        /// Groups with events.
        events: usize,
        /// Groups with trials.
        trials: usize,
        /// Scores.
        scores: usize,
    },
    /// A score is not finite.
    #[error("a score is {0}")]
    Score(f64),
    /// A shape or a probability of a distribution is out of range.
    #[error("a distribution cannot have the parameter {0}")]
    Parameter(f64),
}

/// A ratio that may have no finite value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ratio {
    /// A finite ratio, at least zero.
    Finite(f64),
    /// The denominator is zero and the numerator is not.
    Infinite,
    /// Nothing was counted on which a ratio could rest.
    Undefined,
}

impl Ratio {
    pub(crate) fn of(numerator: f64, denominator: f64) -> Self {
        if denominator > 0.0 {
            Self::Finite(numerator / denominator)
        } else if numerator > 0.0 {
            Self::Infinite
        } else {
            Self::Undefined
        }
    }

    /// The ratio where it is finite.
    pub fn finite(self) -> Option<f64> {
        match self {
            Self::Finite(value) => Some(value),
            Self::Infinite | Self::Undefined => None,
        }
    }
}

/// Confidence limits for a ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatioLimits {
    /// Lower limit, at least zero.
    pub lower: f64,
    /// Upper limit; `None` where the data set none, as when the denominator counted nothing.
    pub upper: Option<f64>,
}

impl RatioLimits {
    /// The limits when nothing was counted.
    pub const ANY: Self = Self { lower: 0.0, upper: None };
}

/// Half of one minus the confidence level: the probability beyond each limit.
pub(crate) fn half_alpha(level: f64) -> Result<f64, InvalidLevel> {
    if level > 0.0 && level < 1.0 { Ok((1.0 - level) / 2.0) } else { Err(InvalidLevel(level)) }
}

pub(crate) fn checked_trials(events: u64, trials: u64) -> Result<(), InvalidCounts> {
    if trials == 0 {
        Err(InvalidCounts::NoTrials)
    } else if events > trials {
        Err(InvalidCounts::MoreEventsThanTrials { events, trials })
    } else {
        Ok(())
    }
}

pub(crate) fn checked_exposure(exposure: f64) -> Result<(), InvalidCounts> {
    if exposure.is_finite() && exposure > 0.0 { Ok(()) } else { Err(InvalidCounts::Exposure(exposure)) }
}

#[cfg(test)]
pub(crate) mod testing {
    /// Fails unless `got` is within `relative` of `expected`.
    pub(crate) fn close(got: f64, expected: f64, relative: f64) {
        let error = (got - expected).abs();
        assert!(error <= relative * expected.abs(), "got {got}, expected {expected}");
    }

    /// Both of a pair.
    pub(crate) fn close_pair(got: (f64, f64), expected: (f64, f64), relative: f64) {
        close(got.0, expected.0, relative);
        close(got.1, expected.1, relative);
    }
}
