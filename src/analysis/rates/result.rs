//! What a rate estimate says: by unit, by stratum, and of the set.

use crate::analysis::rates::interval::Interval;

/// Rates of a set of units with everything the pages and later steps need of them.
#[derive(Debug, Clone, PartialEq)]
pub struct RateFit {
    /// By unit, in input order.
    pub units: Vec<UnitFit>,
    /// By stratum number.
    pub strata: Vec<StratumFit>,
    /// The exposure-weighted mean rate of all units with counted or fitted exposure, per km.
    pub reference_per_km: Interval,
    /// The reference rate by draw, per km.
    pub reference_draws_per_km: Vec<f64>,
    /// Rates by draw and unit. A unit without exposure holds draws from its stratum's distribution.
    pub rates: RateDraws,
    /// The units called, and how many of the calls are expected to be wrong.
    pub calls: Calls,
}

/// A field of rates over draws and units.
///
/// Draw-major: the rate of `unit` in `draw` is `per_km[draw * n_units + unit]`, in encounters per km walked, at least
/// zero.
#[derive(Debug, Clone, PartialEq)]
pub struct RateDraws {
    /// Number of draws.
    pub n_draws: usize,
    /// Number of units.
    pub n_units: usize,
    /// The rates, `n_draws * n_units` of them.
    pub per_km: Vec<f64>,
}

/// What is known of one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnitFit {
    /// Encounters, mean over draws: a whole number where no record was ambiguous.
    pub count: f64,
    /// Exposure in km walked, mean over draws.
    pub exposure_km: f64,
    /// Encounters expected at the reference rate.
    pub expected_count: f64,
    /// The rate, or why there is none.
    pub rate: UnitRate,
}

/// The rate of a unit, or why there is none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum UnitRate {
    /// The unit was walked.
    Estimated(RateEstimate),
    /// Nobody walked there, and no record belongs there.
    Unexposed,
    /// Encounters were recorded (in at least half the draws) where nobody is said to have walked: the exposure is wrong.
    ContradictsRecords,
}

/// Estimate of a unit's rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateEstimate {
    /// Posterior mean and limits, per km.
    pub per_km: Interval,
    /// Weight of the stratum's mean in the estimate, in [0, 1]: 1 where the unit's own records say nothing.
    pub shrinkage: f64,
    /// Whether the rate stands above the reference.
    pub exceedance: Exceedance,
}

/// Whether a rate is above the chosen multiple of the reference rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Exceedance {
    /// Posterior probability of it.
    Probability(f64),
    /// Not judged, since the exposure of the unit is assumed.
    NotJudged,
}

/// The distribution of rates within a stratum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StratumFit {
    /// Units with counted or fitted exposure above zero in some draw.
    pub n_units: usize,
    /// Mean rate of the distribution, per km.
    pub mean_per_km: Interval,
    /// Coefficient of variation of rates between units.
    pub variation: Interval,
    /// Whether the units can be told apart.
    pub spread: Spread,
}

/// Whether the units of a stratum can be told apart by their records.
///
/// The probability of no spread is the posterior probability, at even prior odds, that all rates of the stratum are
/// the same. It never removes the spread from the estimates: intervals stay as wide as the prior on the spread says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spread {
    /// Differences between units are more probable than none.
    ToldApart {
        /// Probability that there is no spread, below a half.
        no_spread_probability: f64,
    },
    /// The records are as well explained by one rate for all, or there are fewer than two records or walked units.
    CannotTellApart {
        /// Probability that there is no spread.
        no_spread_probability: f64,
    },
}

/// Units whose exceedance is above the call level.
#[derive(Debug, Clone, PartialEq)]
pub struct Calls {
    /// The units called, ascending.
    pub units: Vec<usize>,
    /// Expected share of false calls among them.
    pub false_share: FalseShare,
}

/// Expected share of false calls: the mean of 1 minus the exceedance over the units called.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FalseShare {
    /// No unit is called.
    NoCalls,
    /// In [0, 1].
    Expected(f64),
}

impl RateDraws {
    /// Rates by unit of one draw, per km; empty past the last draw.
    pub fn row(&self, draw: usize) -> &[f64] {
        self.per_km.get(draw * self.n_units..(draw + 1) * self.n_units).unwrap_or(&[])
    }

    /// Rates of one unit by draw, per km.
    pub fn of_unit(&self, unit: usize) -> impl Iterator<Item = f64> + '_ {
        self.per_km.iter().skip(unit).step_by(self.n_units.max(1)).copied()
    }
}

impl UnitFit {
    /// The estimate, where there is one.
    pub fn estimate(&self) -> Option<&RateEstimate> {
        match &self.rate {
            UnitRate::Estimated(estimate) => Some(estimate),
            UnitRate::Unexposed | UnitRate::ContradictsRecords => None,
        }
    }

    /// The estimate, where the unit may be ranked and called.
    pub fn judged(&self) -> Option<(&RateEstimate, f64)> {
        let estimate = self.estimate()?;
        match estimate.exceedance {
            Exceedance::Probability(probability) => Some((estimate, probability)),
            Exceedance::NotJudged => None,
        }
    }
}
