//! Seen or missed: what two observers on one stretch say about the snakes that neither saw.
//!
//! - [`independent()`]: each looks without knowing what the other saw (Chapman 1951; Seber 1982).
//! - [`huggins()`]: the same, where detection depends on the meeting (Huggins 1989).
//! - [`lead_follow()`]: the second notes only what the first missed (removal; Seber 1982).
//!
//! Every number of snakes is a lower bound: it speaks of snakes that could be seen at all, and of these observers only.
//! Detection is never carried from surveyors to visitors.

pub mod huggins;
pub mod independent;
pub mod lead_follow;
#[cfg(test)]
mod planted_tests;

pub use huggins::{Covariates, HugginsFit, HugginsResult, Sighting, huggins};
pub use independent::{Independent, Overlap, independent};
pub use lead_follow::{LeadFollow, RemovalFit, lead_follow};

use crate::analysis::counts::InvalidLevel;

/// Why sightings cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidSightings {
    /// The confidence level is out of range.
    #[error(transparent)]
    Level(#[from] InvalidLevel),
    /// More were seen by both than by one of them.
    #[error("{both} were seen by both observers, but only {fewer} by one of them")]
    MoreByBoth {
        /// Seen by both.
        both: u64,
        /// The smaller number seen by one.
        fewer: u64,
    },
    /// A sighting was made by nobody.
    #[error("sighting {0} was made by neither observer")]
    ByNobody(usize),
    /// A sighting has another number of covariates than there are names, or one that is not finite.
    #[error("the covariates of sighting {0} are not one finite number for each name")]
    Covariate(usize),
    /// A model names a covariate that does not exist.
    #[error("there is no covariate {0}")]
    NoSuchCovariate(usize),
}

/// A share with its limits, all in [0, 1].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detection {
    /// The estimate.
    pub share: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Log-normal limits of a number of which `seen` are certain: `seen + missed / C` to `seen + missed * C`.
///
/// The lower limit never falls below the number seen (Burnham and others 1987, *Wildlife Monographs* 112; Rexstad & Burnham
/// 1991). `None` where nothing is thought to be missed, since then no spread is known either.
pub(crate) fn lognormal_limits(seen: f64, estimate: f64, variance: f64, deviate: f64) -> Option<(f64, f64)> {
    let missed = estimate - seen;
    if missed <= 0.0 || variance <= 0.0 {
        return None;
    }
    let factor = (deviate * (variance / (missed * missed)).ln_1p().sqrt()).exp();
    Some((seen + missed / factor, seen + missed * factor))
}
