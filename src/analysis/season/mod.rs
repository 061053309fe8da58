//! Season and hour curves: Poisson regression with harmonics, its tests, and the season's window.
//!
//! Encounters are counted in cells of segment group, period (a month or week of one year) and local hour, with the
//! exposure of each cell as offset. [`fit`] chooses how many harmonics of the day of the year and of the hour the
//! records support, tests hour and season by likelihood ratio, and answers with a [`SeasonFit`]: the relative rate s(t)
//! by part of the year and hour, with draws. Records whose time is only partly known are allocated by the fitted curve,
//! several times over, instead of being dropped. [`season_window`] reads off when most encounters are to be expected.
//!
//! Read in this order: `cells` (what goes in), `poisson` and `likelihood` (the regression), `model` and `frame` (its
//! terms and rows), `fitting` and `outcome` (choice and tests), `averaging`, `imputation`, `steady` and `curve` (what comes
//! out), `allotment` (partly known records given times by a curve that is there), `window`, `heaping`. `harmonics` is the textbook regression on one cycle.

mod allotment;
mod averaging;
mod cells;
mod curve;
mod fitting;
mod frame;
mod harmonics;
mod heaping;
mod imputation;
mod likelihood;
mod model;
mod outcome;
mod poisson;
mod steady;
mod window;

#[cfg(test)]
mod simulations;

pub use allotment::ClassChances;
pub use cells::Cells;
pub use cells::Contradiction;
pub use cells::HOURS;
pub use cells::Parts;
pub use cells::Period;
pub use curve::Curve;
pub use curve::CurvePoint;
pub use fitting::TemperatureEffect;
pub use fitting::fit;
pub use fitting::fit_with_exposure_draws;
pub use fitting::temperature_effect;
pub use harmonics::HarmonicFit;
pub use harmonics::HarmonicOutcome;
pub use harmonics::harmonic_poisson;
pub use heaping::HeapedReading;
pub use heaping::heaped_readings;
pub use imputation::HourSet;
pub use imputation::ImputationSummary;
pub use imputation::PartialRecord;
pub use imputation::UnplacedRecord;
pub use model::Term;
pub use model::Wave;
pub use outcome::Candidate;
pub use outcome::GroupRates;
pub use outcome::Interaction;
pub use outcome::SeasonFit;
pub use outcome::SeasonOutcome;
pub use outcome::SeasonParams;
pub use outcome::TermUse;
pub use outcome::TestOutcome;
pub use outcome::Tests;
pub use outcome::YearEffect;
pub use poisson::Design;
pub use poisson::LikelihoodRatio;
pub use poisson::NotEstimable;
pub use poisson::PoissonFit;
pub use poisson::PoissonOutcome;
pub use poisson::Strata;
pub use poisson::Table;
pub use poisson::fit_table;
pub use poisson::likelihood_ratio;
pub use window::Run;
pub use window::Runs;
pub use window::SeasonWindow;
pub use window::Window;
pub use window::WindowOutcome;
pub use window::WindowParams;
pub use window::season_window;
pub use window::shortest_window;

/// What was wrong with the input of a season computation.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SeasonError {
    /// Two inputs that belong together differ in length.
    #[error("{what}: {got} values where {expected} are needed")]
    Length {
        /// Which input.
        what: &'static str,
        /// Values given.
        got: usize,
        /// Values needed.
        expected: usize,
    },
    /// A number is not finite, or outside what it can be.
    #[error("{what} {index} is {value}, which is out of range")]
    Value {
        /// Which input.
        what: &'static str,
        /// Its position.
        index: usize,
        /// The value refused.
        value: f64,
    },
    /// An index points beyond what it indexes.
    #[error("{what} {index} is {value}, which does not exist")]
    Index {
        /// Which input.
        what: &'static str,
        /// Its position.
        index: usize,
        /// The index refused.
        value: usize,
    },
    /// The temperature term was asked for, but a period has no temperature.
    #[error("period {period} has no maximum temperature")]
    MissingTemperature {
        /// Position of the period.
        period: usize,
    },
}
