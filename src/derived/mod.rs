//! Every layer derived from one data revision, computed once, remembered.
//!
//! [`Deriver`] asks the database for its revision at every question, so an import from another process is seen. Each
//! layer is remembered by revision and parameters; computations run off the async threads. Layers build on each other:
//! facts → network → exposure → snaps → season → rates → plan, each in its own file.
//!
//! Invariant: nothing here is stored, and nothing here reads the clock.

pub mod assumptions;
pub mod cluster_periods;
mod cluster_times;
pub mod clusters;
pub mod density;
pub mod deriver;
pub mod doubt;
pub mod effect;
pub mod elevation;
pub mod exposure;
pub mod fact_sheet;
pub mod facts;
pub mod forecast;
pub mod hour_curves;
pub mod lottery;
mod memo;
pub mod network;
pub mod observers;
pub mod places;
pub mod plan;
mod priority;
pub mod public;
pub mod rate_pattern;
pub mod rates;
pub mod reactions;
pub mod reference;
pub mod register;
pub mod season;
pub mod season_details;
pub mod season_levels;
pub mod season_year;
pub mod settings;
pub mod snaps;
pub mod study;
pub mod survey;
pub mod temperature;
pub mod timing;
pub mod walks;
pub mod watch;

pub use crate::derived::deriver::Derived;
pub use crate::derived::deriver::Deriver;
pub use crate::derived::memo::Memo;
pub use crate::derived::priority::readers_first;

/// Why a layer could not be derived.
#[derive(Debug, thiserror::Error)]
pub enum DeriveError {
    /// The facts could not be read.
    #[error(transparent)]
    Store(#[from] crate::store::Error),
    /// The facts do not allow an answer; the words say what is missing.
    #[error("{0}")]
    Unanswerable(String),
    /// A computation refused what another computation made, or ended early.
    #[error("{0}")]
    Internal(String),
}

impl DeriveError {
    /// Something the facts lack.
    pub fn missing(words: impl Into<String>) -> Self {
        Self::Unanswerable(words.into())
    }

    /// A refusal between computations.
    pub(crate) fn internal(error: impl std::fmt::Display) -> Self {
        Self::Internal(error.to_string())
    }
}
