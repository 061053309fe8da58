//! What can be wrong with the input of an exposure.

/// Why no exposure can be computed from the input.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum InvalidExposure {
    /// One array per segment has another length than the graph has edges.
    #[error("{what} holds {got} values, but there are {expected}")]
    Shape {
        /// The array, in words.
        what: &'static str,
        /// Its length.
        got: usize,
        /// The length it must have.
        expected: usize,
    },
    /// Something names a vertex, segment, trailhead or place that does not exist.
    #[error("{who} names {what} {index}, which does not exist")]
    NoSuchThing {
        /// Who names it.
        who: String,
        /// What is named: a vertex, a segment, a trailhead, a place.
        what: &'static str,
        /// The index named.
        index: usize,
    },
    /// A number is outside what its quantity allows.
    #[error("{who}: {quantity} is {value}")]
    Value {
        /// Whose number it is.
        who: String,
        /// The quantity, in words, with its limits.
        quantity: &'static str,
        /// The value refused.
        value: f64,
    },
    /// The study period ends before it begins.
    #[error("the study period ends before it begins")]
    EmptyPeriod,
    /// The priors do not make a proper distribution, or the fit broke down numerically.
    #[error("the fit has no proper distribution: {0}")]
    Improper(&'static str),
}

/// Refuses a value that is not finite or below `minimum`.
pub(crate) fn at_least(
    who: &str,
    quantity: &'static str,
    value: f64,
    minimum: f64,
) -> Result<(), InvalidExposure> {
    if value.is_finite() && value >= minimum {
        Ok(())
    } else {
        Err(InvalidExposure::Value { who: who.to_owned(), quantity, value })
    }
}

/// Refuses a value that is not finite or not above zero.
pub(crate) fn positive(who: &str, quantity: &'static str, value: f64) -> Result<(), InvalidExposure> {
    at_least(who, quantity, value, f64::MIN_POSITIVE)
}
