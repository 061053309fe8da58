//! Encounter rates: gamma-Poisson with exposure draws, stretches, exceedance.
//!
//! [`estimate()`] turns counts and exposure into rates with intervals, exceedance and draws; [`unit_period_rates`] moves
//! them to a part of the year; [`merge_stretches`] joins segments until they can say something; [`certainty`] and
//! [`ranks`] say how to show them; [`reporting_ratio`] and [`join_reports`] bring
//! surveys and reports together; [`side_by_side`] keeps targeted walks
//! out of the prior.

mod class;
mod estimate;
mod expected;
mod gamma;
mod hyper;
pub mod input;
mod interval;
mod joining;
mod likelihood;
mod period;
mod purpose;
mod rank;
mod reporting;
mod result;
mod stretch;
mod summary;

pub use class::{Certainty, ClassBounds, certainty};
pub use estimate::estimate;
pub use expected::expected_counts;
pub use input::{CountDraws, Effort, ExposureDraws, HyperPrior, Provenance, RateError, RateParams, Units};
pub use interval::Interval;
pub use joining::{Joint, join_reports};
pub use period::{PeriodCurve, UnitFactors, reference_in_period, unit_period_rates};
pub use purpose::{SideBySide, side_by_side};
pub use rank::{Rank, RankParams, Ranking, ranks};
pub use reporting::{
    KnownGroup, RatioEstimate, RatioParams, ReportingRatio, quotient, reporting_factor, reporting_ratio,
};
pub use result::{
    Calls, Exceedance, FalseShare, RateDraws, RateEstimate, RateFit, Spread, StratumFit, UnitFit, UnitRate,
};
pub use stretch::{Stretch, merge_stretches, stretch_counts, stretch_exposure, stretch_provenance};

#[cfg(test)]
mod planted_tests;
#[cfg(test)]
mod simulation_tests;
