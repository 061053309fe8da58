//! Ranks of rates, with how sure they are.

use crate::analysis::rates::input::{RateError, check_level};
use crate::analysis::rates::interval::central_limits;
use crate::analysis::rates::result::RateFit;

/// Parameters of ranks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RankParams {
    /// Length of the top list that units are counted into.
    pub top: usize,
    /// Level of the interval of a rank, in (0, 1).
    pub confidence_level: f64,
}

impl Default for RankParams {
    fn default() -> Self {
        Self { top: 10, confidence_level: 0.95 }
    }
}

/// Ranks of a set of units.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranking {
    /// By unit, in input order.
    pub units: Vec<Rank>,
    /// The units that are ranked, by falling lower limit of their rate, so that luck on a quiet trail does not lead.
    pub order: Vec<usize>,
}

/// Where a unit stands among those ranked; 1 is the highest rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rank {
    /// The unit is ranked.
    Ranked {
        /// Share of draws in which the unit is among the top ones, in [0, 1].
        top_share: f64,
        /// Lower limit of its rank.
        lower: f64,
        /// Upper limit of its rank.
        upper: f64,
    },
    /// The unit has no estimate, or its exposure is assumed.
    NotRanked,
}

/// Ranks units within each draw and sums up over draws.
///
/// # Errors
/// [`RateError::Parameter`] when the level is out of range.
///
/// # References
/// Goldstein, H. and Spiegelhalter, D. J. (1996). League tables and their limitations. *Journal of the Royal
/// Statistical Society A* 159, 385-443.
pub fn ranks(fit: &RateFit, params: &RankParams) -> Result<Ranking, RateError> {
    check_level("the confidence level", params.confidence_level)?;
    let ranked: Vec<usize> =
        (0..fit.units.len()).filter(|&unit| fit.units[unit].judged().is_some()).collect();
    let n_draws = fit.rates.n_draws;
    let mut by_unit = vec![0.0; ranked.len() * n_draws];
    for draw in 0..n_draws {
        let rates = fit.rates.row(draw);
        let mut places: Vec<usize> = (0..ranked.len()).collect();
        places.sort_by(|&a, &b| rates[ranked[b]].total_cmp(&rates[ranked[a]]));
        for (rank, place) in places.into_iter().enumerate() {
            by_unit[place * n_draws + draw] = (rank + 1) as f64;
        }
    }
    let mut units = vec![Rank::NotRanked; fit.units.len()];
    for (&unit, draws) in ranked.iter().zip(by_unit.chunks_exact_mut(n_draws)) {
        units[unit] = summarise(draws, params);
    }
    Ok(Ranking { units, order: by_lower_limit(fit, ranked) })
}

fn summarise(draws: &mut [f64], params: &RankParams) -> Rank {
    let in_top = draws.iter().filter(|&&rank| rank <= params.top as f64).count();
    let (lower, upper) = central_limits(draws, params.confidence_level);
    Rank::Ranked { top_share: in_top as f64 / draws.len() as f64, lower, upper }
}

fn by_lower_limit(fit: &RateFit, mut units: Vec<usize>) -> Vec<usize> {
    let limit = |unit: usize| fit.units[unit].estimate().map_or(0.0, |estimate| estimate.per_km.lower);
    units.sort_by(|&a, &b| limit(b).total_cmp(&limit(a)));
    units
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rates::estimate::estimate;
    use crate::analysis::rates::input::{CountDraws, Effort, ExposureDraws, Provenance, RateParams, Units};

    #[test]
    fn luck_on_a_quiet_trail_does_not_lead() {
        // Unit 0: 1 in 1 km. Unit 1: 60 in 200 km. The rest: 8 in 200 km. Unit 12 is assumed, 13 not walked.
        let mut counts = vec![8; 14];
        let mut km = vec![200.0; 14];
        (counts[0], km[0], counts[1], counts[13], km[13]) = (1, 1.0, 60, 0, 0.0);
        let mut provenance = [Provenance::Counted; 14];
        (provenance[12], provenance[13]) = (Provenance::Assumed, Provenance::NotWalked);
        let (counts, exposure) = (CountDraws::certain(counts), ExposureDraws::certain(km));
        let effort = Effort { counts: &counts, exposure: &exposure };
        let units = Units { stratum: &[0; 14], provenance: &provenance };
        let fit = estimate(&effort, &units, &RateParams::default()).unwrap();
        let ranking = ranks(&fit, &RankParams { top: 1, ..RankParams::default() }).unwrap();
        assert_eq!(ranking.order[0], 1);
        assert_eq!(ranking.order.len(), 12);
        assert_eq!([ranking.units[12], ranking.units[13]], [Rank::NotRanked; 2]);
        let shares = ranking.units.iter().map(|rank| match rank {
            Rank::Ranked { top_share, .. } => *top_share,
            Rank::NotRanked => 0.0,
        });
        assert!((shares.sum::<f64>() - 1.0).abs() < 1e-9);
        assert!(
            matches!(ranking.units[1], Rank::Ranked { top_share, upper, .. } if top_share > 0.7 && upper < 3.0)
        );
        assert!(matches!(ranking.units[0], Rank::Ranked { lower, upper, .. } if upper - lower > 8.0));
    }
}
