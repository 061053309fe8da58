//! Global empirical Bayes rates (Marshall 1991).
//!
//! Plug-in: the prior's parameters are taken as known, so that limits cover less than their level with few areas. The
//! rates on maps integrate over them; this is where they start, and a check.

use crate::analysis::counts::quantiles::{Tail, gamma_quantile_of};
use crate::analysis::counts::{InvalidLevel, half_alpha};

/// Rates of all areas shrunk towards their overall rate.
#[derive(Debug, Clone, PartialEq)]
pub struct EmpiricalBayes {
    /// All events over all exposure, per unit of exposure.
    pub overall_rate: f64,
    /// Variance between the areas' rates beyond Poisson noise, as the moments give it; can be negative.
    pub between_variance_raw: f64,
    /// The same, not below zero.
    pub between_variance: f64,
    /// The gamma distribution that the moments imply for the areas' rates.
    pub prior: GammaPrior,
    /// One entry for each area, in the order of the input.
    pub areas: Vec<AreaRate>,
}

/// A gamma distribution of rates by moments.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GammaPrior {
    /// The areas vary no more than Poisson counts of one rate would: the data cannot tell them apart, which is not to say
    /// that they are equal.
    CannotTellApart,
    /// Mean `shape / rate`, variance `shape / rate^2`.
    Gamma {
        /// Shape.
        shape: f64,
        /// Rate, in units of exposure.
        rate: f64,
    },
}

/// The rate of one area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AreaRate {
    /// The area's raw rate and the overall rate, weighted.
    Shrunk {
        /// Events per unit of exposure.
        rate: f64,
        /// Weight of the raw rate, in [0, 1).
        weight: f64,
    },
    /// No exposure and no events: the overall rate, which the area tells nothing about.
    Unexposed {
        /// The overall rate.
        rate: f64,
    },
    /// Events where there is no exposure: the exposure must be wrong.
    ExposureContradictsRecords,
}

impl AreaRate {
    /// The rate where there is one.
    pub fn rate(self) -> Option<f64> {
        match self {
            Self::Shrunk { rate, .. } | Self::Unexposed { rate } => Some(rate),
            Self::ExposureContradictsRecords => None,
        }
    }
}

/// Why areas have no empirical Bayes rates.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidAreas {
    /// The lists differ in length.
    #[error("{events} areas of events, {exposures} of exposure")]
    LengthsDiffer {
        /// Entries of events.
        events: usize,
        /// Entries of exposure.
        exposures: usize,
    },
    /// An exposure is negative or not finite.
    #[error("the exposure of area {idx} is {exposure}")]
    Exposure {
        /// The area.
        idx: usize,
        /// Its exposure.
        exposure: f64,
    },
    /// No area has exposure.
    #[error("no area has any exposure")]
    NoExposure,
}

/// Marshall's global empirical Bayes rates.
///
/// `events` and `exposures` have an entry for each area. Areas without exposure stay out of the moments. Without events
/// anywhere every rate is zero and the areas cannot be told apart.
///
/// # Errors
/// [`InvalidAreas`] when the lists differ in length, an exposure is negative or not finite, or all are zero.
///
/// # References
/// Marshall, R. J. (1991). Mapping disease and mortality rates using empirical Bayes estimators. *Journal of the Royal
/// Statistical Society C* 40, 283-294.
pub fn marshall(events: &[u64], exposures: &[f64]) -> Result<EmpiricalBayes, InvalidAreas> {
    check(events, exposures)?;
    let exposed = || events.iter().zip(exposures).filter(|(_, exposure)| **exposure > 0.0);
    let n_exposed = exposed().count() as f64;
    let total: f64 = exposures.iter().sum();
    let overall_rate = exposed().map(|(&events, _)| events as f64).sum::<f64>() / total;
    let weighted_squares: f64 = exposed()
        .map(|(&events, &exposure)| exposure * (events as f64 / exposure - overall_rate).powi(2))
        .sum();
    let between_variance_raw = weighted_squares / total - overall_rate * n_exposed / total;
    let between_variance = between_variance_raw.max(0.0);
    let prior = if between_variance > 0.0 {
        let rate = overall_rate / between_variance;
        GammaPrior::Gamma { shape: overall_rate * rate, rate }
    } else {
        GammaPrior::CannotTellApart
    };
    let areas =
        events.iter().zip(exposures).map(|(&k, &exposure)| area_rate(k, exposure, overall_rate, prior));
    Ok(EmpiricalBayes { overall_rate, between_variance_raw, between_variance, prior, areas: areas.collect() })
}

fn area_rate(events: u64, exposure: f64, overall_rate: f64, prior: GammaPrior) -> AreaRate {
    match prior {
        _ if exposure == 0.0 && events > 0 => AreaRate::ExposureContradictsRecords,
        _ if exposure == 0.0 => AreaRate::Unexposed { rate: overall_rate },
        GammaPrior::CannotTellApart => AreaRate::Shrunk { rate: overall_rate, weight: 0.0 },
        GammaPrior::Gamma { shape, rate } => AreaRate::Shrunk {
            rate: (shape + events as f64) / (rate + exposure),
            weight: exposure / (exposure + rate),
        },
    }
}

/// What the gamma prior and one area's data say of its rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PlugInPosterior {
    /// The prior has no width; limits of no width would claim a certainty that the data do not give.
    CannotTellApart,
    /// Mean and equal-tailed limits of the posterior.
    Estimate {
        /// Mean, equal to the shrunk rate.
        mean: f64,
        /// Lower limit.
        lower: f64,
        /// Upper limit.
        upper: f64,
    },
}

/// Posterior of the rate of an area with these events and this exposure (at least zero), the prior taken as known.
///
/// # Errors
/// [`InvalidLevel`] when `level` is not strictly between 0 and 1.
pub fn plug_in_posterior(
    prior: GammaPrior,
    events: u64,
    exposure: f64,
    level: f64,
) -> Result<PlugInPosterior, InvalidLevel> {
    let beyond = half_alpha(level)?;
    let GammaPrior::Gamma { shape, rate } = prior else { return Ok(PlugInPosterior::CannotTellApart) };
    let (shape, rate) = (shape + events as f64, rate + exposure);
    Ok(PlugInPosterior::Estimate {
        mean: shape / rate,
        lower: gamma_quantile_of(shape, Tail::Lower, beyond) / rate,
        upper: gamma_quantile_of(shape, Tail::Upper, beyond) / rate,
    })
}

fn check(events: &[u64], exposures: &[f64]) -> Result<(), InvalidAreas> {
    if events.len() != exposures.len() {
        return Err(InvalidAreas::LengthsDiffer { events: events.len(), exposures: exposures.len() });
    }
    for (idx, &exposure) in exposures.iter().enumerate() {
        if !(exposure.is_finite() && exposure >= 0.0) {
            return Err(InvalidAreas::Exposure { idx, exposure });
        }
    }
    if exposures.iter().all(|exposure| *exposure == 0.0) { Err(InvalidAreas::NoExposure) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;
    use proptest::prelude::*;

    const EVENTS: [u64; 7] = [0, 2, 9, 1, 0, 4, 0];
    const EXPOSURES: [f64; 7] = [40.0, 55.0, 61.0, 12.0, 3.0, 70.0, 0.0];

    #[test]
    fn six_segments_and_one_unexposed() {
        // esda 2.9.0 Empirical_Bayes and R spdep 1.2-7 EBest, the six exposed ones.
        let result = marshall(&EVENTS, &EXPOSURES).unwrap();
        close(result.overall_rate, 0.0663900414938, 1e-11);
        close(result.between_variance, 0.00104531109638, 1e-10);
        let expected =
            [0.0407350866, 0.0524551738, 0.106146838, 0.0690825788, 0.0633955529, 0.0615417748, 0.0663900415];
        for (area, expected) in result.areas.iter().zip(expected) {
            close(area.rate().unwrap(), expected, 1e-8);
        }
        assert!(matches!(result.areas[6], AreaRate::Unexposed { .. }));
    }

    #[test]
    fn the_plug_in_posterior_of_a_segment() {
        // scipy 1.17.1 gamma quantiles of Gamma(alpha + y, beta + n).
        let prior = marshall(&EVENTS, &EXPOSURES).unwrap().prior;
        let GammaPrior::Gamma { shape, rate } = prior else { panic!("no prior") };
        close(shape, 4.216579758, 1e-9);
        close(rate, 63.5122326, 1e-8);
        let PlugInPosterior::Estimate { mean, lower, upper } =
            plug_in_posterior(prior, 9, 61.0, 0.95).unwrap()
        else {
            panic!("no posterior")
        };
        close(mean, 0.1061468378, 1e-9);
        close(lower, 0.05685888424, 1e-9);
        close(upper, 0.1705635759, 1e-9);
    }

    #[test]
    fn too_little_variation_is_not_certainty() {
        // The raw variance is -0.000265166118634 (formula; R spdep EBest clamps it too).
        let result = marshall(&[3, 4, 3, 4, 3, 4], &[100.0, 130.0, 101.0, 128.0, 99.0, 131.0]).unwrap();
        close(result.between_variance_raw, -0.000265166118634, 1e-11);
        assert_eq!((result.between_variance, result.prior), (0.0, GammaPrior::CannotTellApart));
        assert!(result.areas.iter().all(|area| area.rate() == Some(result.overall_rate)));
        assert_eq!(plug_in_posterior(result.prior, 3, 100.0, 0.95), Ok(PlugInPosterior::CannotTellApart));
    }

    #[test]
    fn no_events_anywhere() {
        let result = marshall(&[0, 0, 0], &[10.0, 20.0, 30.0]).unwrap();
        assert_eq!((result.overall_rate, result.between_variance), (0.0, 0.0));
        assert!(result.areas.iter().all(|area| area.rate() == Some(0.0)));
    }

    #[test]
    fn events_without_exposure_are_told() {
        let result = marshall(&[3, 1], &[10.0, 0.0]).unwrap();
        assert_eq!(result.areas[1], AreaRate::ExposureContradictsRecords);
        close(result.overall_rate, 0.3, 1e-15);
        assert_eq!(marshall(&[0, 1], &[0.0, 0.0]), Err(InvalidAreas::NoExposure));
        assert!(marshall(&[0], &[f64::NAN]).is_err());
        assert!(marshall(&[0], &[1.0, 2.0]).is_err());
    }

    proptest! {
        #[test]
        fn shrunk_rates_lie_between_raw_and_overall(
            areas in prop::collection::vec((0u64..30, 0.1..50.0f64), 2..20)
        ) {
            let (events, exposures): (Vec<u64>, Vec<f64>) = areas.into_iter().unzip();
            let result = marshall(&events, &exposures).unwrap();
            for ((&k, &exposure), area) in events.iter().zip(&exposures).zip(&result.areas) {
                let (raw, rate) = (k as f64 / exposure, area.rate().unwrap());
                let (low, high) = (raw.min(result.overall_rate), raw.max(result.overall_rate));
                prop_assert!(rate >= low * (1.0 - 1e-12) - 1e-15 && rate <= high * (1.0 + 1e-12) + 1e-15);
            }
        }
    }
}
