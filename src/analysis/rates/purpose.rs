//! Planned and targeted survey walks side by side.

use crate::analysis::rates::estimate::estimate_with;
use crate::analysis::rates::input::{Effort, RateError, RateParams, Units, same_units};
use crate::analysis::rates::result::RateFit;

/// Two answers to the same question.
#[derive(Debug, Clone, PartialEq)]
pub struct SideBySide {
    /// From planned walks alone.
    pub planned_only: RateFit,
    /// Planned walks give the prior and the reference rate; targeted walks inform the units they went to.
    pub with_targeted: RateFit,
}

/// Rates from planned walks, without and with targeted ones.
///
/// Targeted walks go where snakes are expected. Pooled with planned ones they would raise the rate of every unit
/// nobody aimed at, through the prior; kept to their own units they cannot. Both answers share their draws of the
/// hyperparameters, so they differ only where targeted walks went (and, through those units, in the reference rate).
///
/// A unit that only targeted walks reached is `Unexposed` in the first answer; its provenance is that of its tracks.
///
/// # Errors
/// As [`crate::analysis::rates::estimate()`]; also when the two efforts are for different numbers of units.
pub fn side_by_side(
    planned: &Effort<'_>,
    targeted: &Effort<'_>,
    units: &Units<'_>,
    params: &RateParams,
) -> Result<SideBySide, RateError> {
    same_units("the targeted effort", targeted.counts.n_units, planned.counts.n_units)?;
    Ok(SideBySide {
        planned_only: estimate_with(planned, None, units, params)?,
        with_targeted: estimate_with(planned, Some(targeted), units, params)?,
    })
}
