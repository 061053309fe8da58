//! What a fit expects on each unit.

use crate::analysis::rates::input::{ExposureDraws, RateError, same_units};
use crate::analysis::rates::result::RateFit;

/// Encounters that the fit expects on each unit: the mean over draws of a draw's exposure times its rate.
///
/// Never mean exposure times mean rate: the rate of a draw is high where its exposure is low, so that the product of the
/// means exceeds the records by a factor that grows with the error of exposure, exp(σ²) for a log-normal one. That error is
/// shared by neighbours, and what was left over would look like a pattern of the records. `exposure` is what the fit was
/// made from; draws are paired as there, counted round again where there are fewer.
///
/// # Errors
/// [`RateError`] when the exposure's shape or a value is invalid, or it is of other units.
pub fn expected_counts(fit: &RateFit, exposure: &ExposureDraws) -> Result<Vec<f64>, RateError> {
    exposure.check()?;
    same_units("the exposure of the fit", exposure.n_units, fit.rates.n_units)?;
    let n_draws = fit.rates.n_draws;
    let mut expected = vec![0.0; fit.rates.n_units];
    for draw in 0..n_draws {
        let both = exposure.row(draw).iter().zip(fit.rates.row(draw));
        expected.iter_mut().zip(both).for_each(|(sum, (km, rate))| *sum += km * rate / n_draws as f64);
    }
    Ok(expected)
}

#[cfg(test)]
mod tests {
    use rand_distr::{Distribution, Gamma, Poisson, StandardNormal};

    use super::*;
    use crate::analysis::moran::{ResidualMoran, residual_moran};
    use crate::analysis::permutation::Sampling;
    use crate::analysis::random::{Stream, stream};
    use crate::analysis::rates::{CountDraws, Effort, Provenance, RateParams, UnitFit, Units, estimate};
    use crate::analysis::weights::Weights;

    const N_TRAILS: usize = 12;
    const PER_TRAIL: usize = 15;
    const N: usize = N_TRAILS * PER_TRAIL;

    /// Rates of stretches, each for itself, on trails whose walking is known well on one half and badly on the other;
    /// the error is shared by the stretches of a trail.
    fn independent_rates(seed: u64) -> (Vec<u32>, ExposureDraws) {
        let mut rng = stream(seed, 0);
        let normal = |rng: &mut Stream| -> f64 { StandardNormal.sample(rng) };
        let rate = Gamma::new(2.0, 0.02).unwrap();
        let true_km: Vec<f64> = (0..N).map(|_| 150.0 * (0.6 * normal(&mut rng)).exp()).collect();
        let counts = true_km
            .iter()
            .map(|km| Poisson::new(km * rate.sample(&mut rng)).map_or(0, |law| law.sample(&mut rng) as u32))
            .collect();
        let spread = |trail: usize| if trail < N_TRAILS / 2 { 0.1 } else { 0.7 };
        let party_km = (0..200)
            .flat_map(|_| {
                let shifts: Vec<f64> = (0..N_TRAILS).map(|trail| spread(trail) * normal(&mut rng)).collect();
                (0..N).map(|unit| true_km[unit] * shifts[unit / PER_TRAIL].exp()).collect::<Vec<_>>()
            })
            .collect();
        (counts, ExposureDraws { n_draws: 200, n_units: N, party_km })
    }

    fn along_trails() -> Weights {
        let neighbours = |unit: usize| {
            let on_trail = move |other: &usize| other / PER_TRAIL == unit / PER_TRAIL;
            [unit.checked_sub(1), (unit + 1 < N).then_some(unit + 1)]
                .into_iter()
                .flatten()
                .filter(on_trail)
                .collect()
        };
        Weights::binary(&(0..N).map(neighbours).collect::<Vec<Vec<usize>>>()).unwrap()
    }

    fn statistic(counts: &[u32], expected: &[f64]) -> f64 {
        let sampling = Sampling { n_draws: 19, seed: 0 };
        match residual_moran(counts, expected, &along_trails(), sampling).unwrap() {
            ResidualMoran::Estimated { statistic, .. } => statistic,
            ResidualMoran::NotEstimable => panic!("not estimable"),
        }
    }

    /// What is left over of independent rates has no pattern, with each trail a stratum and with one for all; the
    /// product of the means makes one.
    #[test]
    fn independent_rates_leave_no_pattern() {
        let n_worlds = 8;
        let strata: [Vec<usize>; 2] = [(0..N).map(|unit| unit / PER_TRAIL).collect(), vec![0; N]];
        for stratum in &strata {
            let (mut ours, mut naive) = (0.0, 0.0);
            for world in 0..n_worlds {
                let (counts, exposure) = independent_rates(world);
                let certain = CountDraws::certain(counts.clone());
                let effort = Effort { counts: &certain, exposure: &exposure };
                let units = Units { stratum, provenance: &[Provenance::Fitted; N] };
                let fit =
                    estimate(&effort, &units, &RateParams { seed: world, ..RateParams::default() }).unwrap();
                ours += statistic(&counts, &expected_counts(&fit, &exposure).unwrap()) / n_worlds as f64;
                let of_means =
                    |unit: &UnitFit| unit.exposure_km * unit.estimate().map_or(0.0, |it| it.per_km.mean);
                let of_means: Vec<f64> = fit.units.iter().map(of_means).collect();
                naive += statistic(&counts, &of_means) / n_worlds as f64;
            }
            // I of N sites without a pattern is -1/(N - 1), here -0.006, with a standard deviation of some 0.075 a world
            // and 0.027 over eight.
            assert!(ours.abs() < 0.1, "{ours}");
            assert!(naive > 0.25, "{naive}");
        }
    }

    #[test]
    fn exposure_of_other_units_is_refused() {
        let (counts, exposure) = independent_rates(0);
        let certain = CountDraws::certain(counts);
        let units = Units { stratum: &[0; N], provenance: &[Provenance::Fitted; N] };
        let effort = Effort { counts: &certain, exposure: &exposure };
        let fit = estimate(&effort, &units, &RateParams::default()).unwrap();
        assert!(expected_counts(&fit, &ExposureDraws::certain(vec![1.0])).is_err());
    }
}
