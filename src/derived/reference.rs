//! The rate of all trails together, beside that of the trails whose walking is known, which rates are set against.

use crate::analysis::clusters::limits_over_draws;
use crate::analysis::rates::ExposureDraws;
use crate::derived::exposure::ExposureLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::RateLayer;
use crate::derived::rates::limits_of;
use crate::derived::rates::per_1000_km;

/// Reports and walking of some trails together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Together {
    /// Reports, mean over allocations of the records that may lie on several segments.
    pub count: f64,
    /// Party-kilometres over the study period.
    pub walked_km: Limits,
    /// Reports per 1,000 km walked.
    pub per_1000_km: Limits,
}

/// All reports on trails over all walking on them, assumed walking and too vague reports included; none where nobody walks. `weighed`
/// is the walking as it counts in rates.
///
/// Limits are exact ones of the count, with the mean tail over the draws of walking.
pub(super) fn all_trails(
    n_reports: u64,
    exposure: &ExposureLayer,
    weighed: &ExposureDraws,
) -> Option<Together> {
    let n_segments = exposure.field.n_segments.max(1);
    let totals = |party_km: &[f64]| {
        party_km.chunks_exact(n_segments).map(|row| row.iter().sum()).collect::<Vec<f64>>()
    };
    let together = together(n_reports, totals(&weighed.party_km))?;
    Some(Together { walked_km: limits_of(&mut totals(&exposure.field.party_km)), ..together })
}

fn together(count: u64, walked_km: Vec<f64>) -> Option<Together> {
    if walked_km.iter().sum::<f64>() <= 0.0 {
        return None;
    }
    let (walked_km, per_1000_km) = per_thousand(count, walked_km);
    Some(Together { count: count as f64, walked_km, per_1000_km })
}

/// What was walked, or visited, with limits, and a count per 1,000 of it: exact limits of the count, with the mean tail over the
/// draws of the exposure. Some draw must be more than zero.
pub(super) fn per_thousand(count: u64, mut exposure: Vec<f64>) -> (Limits, Limits) {
    let drawn: Vec<(u64, f64)> = exposure.iter().map(|it| (count, it / 1000.0)).collect();
    let (lower, upper) = limits_over_draws(&drawn, 1.0, 0.95);
    let exposure = limits_of(&mut exposure);
    (exposure, Limits { value: count as f64 / exposure.value * 1000.0, lower, upper })
}

/// The reports and walking that the reference rate rests on, with that rate: of stretches, which pages and decisions compare; of segments
/// where every stretch holds some whose walking is assumed.
pub fn known_trails(rates: &RateLayer, exposure: &ExposureLayer) -> Together {
    let is_any_known = rates.stretches.provenance.iter().any(|known| known.is_measured());
    let set = if is_any_known { &rates.stretches } else { &rates.segments };
    let known = || (0..set.members.len()).filter(|unit| set.provenance[*unit].is_measured());
    let segments: Vec<usize> = known().flat_map(|unit| set.members[unit].iter().copied()).collect();
    Together {
        count: known().map(|unit| set.fit.units[unit].count).sum(),
        walked_km: exposure.walked_on(&segments),
        per_1000_km: per_1000_km(&set.fit.reference_per_km),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::poisson_limits;

    #[test]
    fn the_limits_hold_what_is_not_known_of_the_walking() {
        let (lower, upper) = poisson_limits(20, 0.95).unwrap();
        let sure = together(20, vec![4_000.0; 3]).unwrap();
        assert!((sure.per_1000_km.lower - lower / 4.0).abs() < 1e-9, "{sure:?}");
        assert!((sure.per_1000_km.upper - upper / 4.0).abs() < 1e-9, "{sure:?}");
        let unsure = together(20, vec![2_000.0, 4_000.0, 6_000.0]).unwrap();
        assert_eq!((unsure.per_1000_km.value, unsure.walked_km.value), (5.0, 4_000.0));
        assert!(unsure.per_1000_km.lower < sure.per_1000_km.lower);
        assert!(unsure.per_1000_km.upper > sure.per_1000_km.upper);
        assert_eq!(together(20, vec![0.0; 3]), None);
    }
}
