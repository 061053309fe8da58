//! Exposure: counters, calibration, and the walker model between counters.
//!
//! Counter readings are cleaned ([`readings`]), calibrated against paired sessions ([`calibration`]) and give the time
//! profile ([`profile`]). Between the counters a model of walkers ([`model`], `walkers`) sends people out from trailheads,
//! splits them at junctions and brings them home. The fit moves the parameters that the counts identify; the others keep
//! their stated priors ([`params`]), and what rests on them is `assumed`. The result is an [`ExposureField`]: whole draws
//! of party-kilometres by segment over the study period. Survey walks are summed apart ([`survey`]).

mod draws;
mod fit;
mod outage;
mod prior;
mod provenance;
mod reach;
mod model_error;
mod skeleton;
mod walk_pieces;
mod walkers;

pub mod calibration;
pub mod closures;
pub mod courses;
pub mod diagnostic;
pub mod error;
pub mod field;
pub mod kept_out;
pub mod model;
pub mod params;
pub mod party_size;
pub mod pieces;
pub mod places;
pub mod profile;
pub mod readings;
pub mod summary;
pub mod survey;
pub mod tables;
pub mod time;
pub mod trips;

mod expose;
#[cfg(test)]
mod planted;

pub use calibration::{Calibration, CalibrationSource, Session};
pub use closures::{Closings, Passed, Span};
pub use courses::Courses;
pub use diagnostic::{CellCheck, LevelCheck, PeriodTest, SiteCheck};
pub use error::InvalidExposure;
pub use expose::{Evidence, expose};
pub use field::{
    Contradiction, CounterFit, ExposureField, Identifiability, Parameter, ParameterStatus, Provenance,
    contradictions,
};
pub use kept_out::{KeptOut, Shut};
pub use model::{ParameterKind, TrailPrior, Trailhead, WalkNetwork};
pub use params::{Assumption, ExposureParams, SetBy};
pub use party_size::PartySize;
pub use places::{Place, VisitSource};
pub use readings::{
    Bin, ClockCorrection, CountedTime, Counter, CounterSite, Placement, ReadingReport, TimeRange,
    counted_days, counted_within,
};
pub use summary::DrawSummary;
pub use survey::{SurveyExposure, SurveyLeg, SurveyPurpose, survey_exposure};
pub use time::{StudyPeriod, TimeCells, TimeShares, YearMonth};
pub use trips::{Direction, Leg, Trip, TripParams, representative_trips};
