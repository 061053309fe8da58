//! Moran's I, global and local.
//!
//! # References
//! Cliff, A. D. & Ord, J. K. (1981). *Spatial Processes: Models and Applications*. Pion, chapters 1 and 2.
//! Anselin, L. (1995). Local indicators of spatial association. *Geographical Analysis* 27, 93-115.

use rand::seq::SliceRandom;
use rayon::prelude::*;
use statrs::distribution::ContinuousCDF;
use statrs::distribution::Normal;

use crate::analysis::permutation::Sampling;
use crate::analysis::permutation::Tails;
use crate::analysis::permutation::tails_among;
use crate::analysis::random::{seed_of, stream};
use crate::analysis::weights::InvalidWeights;
use crate::analysis::weights::Weights;

mod residual;

pub use residual::{InvalidResiduals, ResidualMoran, residual_moran};

/// Relative slack below which a sum of squares is rounding.
const ROUNDING: f64 = 1e-12;

/// Global Moran's I, if it can be estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Moran {
    /// The statistic with its null moments.
    Estimated(GlobalMoran),
    /// Fewer than four sites, no neighbours at all, or equal values.
    NotEstimable,
}

impl Moran {
    /// The estimate, if there is one.
    pub fn estimate(self) -> Option<GlobalMoran> {
        match self {
            Self::Estimated(moran) => Some(moran),
            Self::NotEstimable => None,
        }
    }
}

/// Global Moran's I and its moments under the two usual nulls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalMoran {
    /// I = (n / S0) Σ w_ij z_i z_j / Σ z².
    pub statistic: f64,
    /// Its expectation, -1 / (n - 1).
    pub expected: f64,
    /// Its variance when the values are randomly arranged.
    pub variance_randomisation: f64,
    /// Its variance when the values are normal.
    pub variance_normality: f64,
}

impl GlobalMoran {
    /// The z score under random arrangement.
    pub fn z_randomisation(&self) -> f64 {
        (self.statistic - self.expected) / self.variance_randomisation.sqrt()
    }

    /// The z score under normality.
    pub fn z_normality(&self) -> f64 {
        (self.statistic - self.expected) / self.variance_normality.sqrt()
    }

    /// Two-sided normal p value of [`GlobalMoran::z_randomisation`].
    pub fn p_randomisation(&self) -> f64 {
        two_sided_normal(self.z_randomisation())
    }

    /// Two-sided normal p value of [`GlobalMoran::z_normality`].
    pub fn p_normality(&self) -> f64 {
        two_sided_normal(self.z_normality())
    }
}

fn two_sided_normal(z: f64) -> f64 {
    2.0 * Normal::standard().sf(z.abs())
}

/// Global Moran's I of `values`, one a site, under weights as they are: standardise rows first if that is wanted.
///
/// # Errors
/// [`InvalidWeights::Lengths`] when values and weights differ in length.
pub fn global_moran(values: &[f64], weights: &Weights) -> Result<Moran, InvalidWeights> {
    weights.check_length(values.len())?;
    let sums = WeightSums::of(weights);
    let Some(deviations) = Deviations::of(values) else {
        return Ok(Moran::NotEstimable);
    };
    if values.len() < 4 || sums.s0 == 0.0 {
        return Ok(Moran::NotEstimable);
    }
    let n = values.len() as f64;
    let expected = -1.0 / (n - 1.0);
    let s0_squared = sums.s0 * sums.s0;
    let normality = (n * n * sums.s1 - n * sums.s2 + 3.0 * s0_squared) / ((n * n - 1.0) * s0_squared)
        - expected * expected;
    let kurtosis = n * deviations.fourth / (deviations.squares * deviations.squares);
    let even = n * ((n * n - 3.0 * n + 3.0) * sums.s1 - n * sums.s2 + 3.0 * s0_squared);
    let odd = kurtosis * ((n * n - n) * sums.s1 - 2.0 * n * sums.s2 + 6.0 * s0_squared);
    let randomisation = (even - odd) / ((n - 1.0) * (n - 2.0) * (n - 3.0) * s0_squared) - expected * expected;
    Ok(Moran::Estimated(GlobalMoran {
        statistic: n / sums.s0 * cross_product(&deviations.z, weights) / deviations.squares,
        expected,
        variance_randomisation: randomisation,
        variance_normality: normality,
    }))
}

/// Permutation tails of global Moran's I: the values are dealt out anew over all sites, draw i by stream i of the seed.
///
/// `None` where [`global_moran`] is not estimable, or no draws are asked for.
///
/// # Errors
/// [`InvalidWeights::Lengths`] when values and weights differ in length.
pub fn global_moran_tails(
    values: &[f64],
    weights: &Weights,
    sampling: Sampling,
) -> Result<Option<Tails>, InvalidWeights> {
    if global_moran(values, weights)? == Moran::NotEstimable {
        return Ok(None);
    }
    let Some(deviations) = Deviations::of(values) else {
        return Ok(None);
    };
    // Everything but the cross product stays the same when values change places.
    let observed = cross_product(&deviations.z, weights);
    let draws: Vec<f64> = (0..sampling.n_draws)
        .into_par_iter()
        .map(|draw| {
            let mut dealt = deviations.z.clone();
            dealt.shuffle(&mut stream(seed_of(sampling.seed, "moran"), draw as u64));
            cross_product(&dealt, weights)
        })
        .collect();
    Ok(tails_among(observed, &draws).ok())
}

/// Where a site and the weighted mean of its neighbours lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quadrant {
    /// Both above the mean.
    HighHigh,
    /// A low site among high neighbours.
    LowHigh,
    /// Both at most the mean.
    LowLow,
    /// A high site among low neighbours.
    HighLow,
}

impl Quadrant {
    /// Its number: 1 high-high, 2 low-high, 3 low-low, 4 high-low.
    pub fn number(self) -> u8 {
        match self {
            Self::HighHigh => 1,
            Self::LowHigh => 2,
            Self::LowLow => 3,
            Self::HighLow => 4,
        }
    }

    fn of(deviation: f64, lag: f64) -> Self {
        match (deviation > 0.0, lag > 0.0) {
            (true, true) => Self::HighHigh,
            (false, true) => Self::LowHigh,
            (false, false) => Self::LowLow,
            (true, false) => Self::HighLow,
        }
    }
}

/// Local Moran's I at one site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LocalMoran {
    /// The statistic and its quadrant.
    Estimated {
        /// I_i = (n - 1) z_i lag_i / Σ z²; positive among its like.
        statistic: f64,
        /// Where the site and its neighbours lie.
        quadrant: Quadrant,
    },
    /// The site has no neighbours.
    NoNeighbours,
    /// All values are equal.
    NoSpread,
}

/// Local Moran's I of every site, with n - 1 over the sum of squares, under weights as they are.
///
/// For its permutation p value with equal weights in a row, see [`crate::analysis::permutation::exact_tails`]: the
/// two-sided p value of the neighbour sum is that of the statistic.
///
/// # Errors
/// [`InvalidWeights::Lengths`] when values and weights differ in length.
pub fn local_moran(values: &[f64], weights: &Weights) -> Result<Vec<LocalMoran>, InvalidWeights> {
    weights.check_length(values.len())?;
    let Some(deviations) = Deviations::of(values) else {
        return Ok(vec![LocalMoran::NoSpread; values.len()]);
    };
    let factor = (values.len() as f64 - 1.0) / deviations.squares;
    let sites = 0..values.len();
    Ok(sites
        .map(|site| {
            if weights.n_neighbours(site) == 0 {
                return LocalMoran::NoNeighbours;
            }
            let (z, lag) = (deviations.z[site], weights.lag(site, &deviations.z));
            LocalMoran::Estimated { statistic: factor * z * lag, quadrant: Quadrant::of(z, lag) }
        })
        .collect())
}

/// Deviations from the mean with their second and fourth powers summed.
struct Deviations {
    z: Vec<f64>,
    squares: f64,
    fourth: f64,
}

impl Deviations {
    /// `None` when there are no values or all are equal.
    fn of(values: &[f64]) -> Option<Self> {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let z: Vec<f64> = values.iter().map(|value| value - mean).collect();
        let squares: f64 = z.iter().map(|z| z * z).sum();
        let size: f64 = values.iter().map(|value| value * value).sum();
        let fourth = z.iter().map(|z| z.powi(4)).sum();
        (squares > ROUNDING * size).then_some(Self { z, squares, fourth })
    }
}

/// Σ_ij w_ij z_i z_j.
fn cross_product(z: &[f64], weights: &Weights) -> f64 {
    z.iter().enumerate().map(|(site, z_here)| z_here * weights.lag(site, z)).sum()
}

/// S0 = Σ w_ij, S1 = ½ Σ (w_ij + w_ji)², S2 = Σ_i (w_i. + w_.i)².
struct WeightSums {
    s0: f64,
    s1: f64,
    s2: f64,
}

impl WeightSums {
    fn of(weights: &Weights) -> Self {
        let n_sites = weights.n_sites();
        let mut column_sums = vec![0.0; n_sites];
        let (mut s0, mut s1) = (0.0, 0.0);
        for site in 0..n_sites {
            for (neighbour, weight) in weights.row(site) {
                let back: f64 = weights
                    .row(neighbour)
                    .filter(|(back_to, _)| *back_to == site)
                    .map(|(_, back)| back)
                    .sum();
                s0 += weight;
                // A pair with both weights is met twice, one with a single weight once.
                s1 += if back > 0.0 { 0.5 * (weight + back) * (weight + back) } else { weight * weight };
                column_sums[neighbour] += weight;
            }
        }
        let s2 = (0..n_sites).map(|site| (weights.row_sum(site) + column_sums[site]).powi(2)).sum();
        Self { s0, s1, s2 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A 3 × 3 lattice of rook neighbours, values 1 to 9.
    fn lattice() -> (Vec<f64>, Weights) {
        let lists = [
            vec![1, 3],
            vec![0, 2, 4],
            vec![1, 5],
            vec![0, 4, 6],
            vec![1, 3, 5, 7],
            vec![2, 4, 8],
            vec![3, 7],
            vec![4, 6, 8],
            vec![5, 7],
        ];
        ((1..=9).map(f64::from).collect(), Weights::binary(&lists).unwrap())
    }

    fn twelve() -> (Vec<f64>, Weights) {
        let lists = [
            vec![1, 2],
            vec![0, 2, 3],
            vec![0, 1, 3],
            vec![1, 2, 4],
            vec![3, 5, 11],
            vec![4, 6, 11],
            vec![5, 7],
            vec![6, 8],
            vec![7, 9],
            vec![8, 10],
            vec![9, 11],
            vec![4, 5, 10],
        ];
        let values = [0, 1, 0, 3, 7, 6, 2, 0, 0, 1, 4, 5].map(f64::from).to_vec();
        (values, Weights::binary(&lists).unwrap().row_standardised())
    }

    /// Variances published in the tests of a spatial statistics library.
    #[test]
    fn variances_on_a_lattice() {
        let (values, weights) = lattice();
        let moran = global_moran(&values, &weights).unwrap().estimate().unwrap();
        assert!((moran.variance_randomisation - 0.0596875).abs() < 1e-9);
        assert!((moran.variance_normality - 0.053125).abs() < 1e-9);
        assert_eq!(moran.expected, -0.125);
    }

    /// Counts on twelve segments, row-standardised: two independent codings agree.
    #[test]
    fn twelve_segments() {
        let (values, weights) = twelve();
        let moran = global_moran(&values, &weights).unwrap().estimate().unwrap();
        let close =
            |got: f64, expected: f64| assert!((got - expected).abs() < 1e-9 * expected, "{got} {expected}");
        close(moran.statistic, 0.641598119859);
        close(moran.variance_randomisation, 0.058169753904);
        close(moran.z_randomisation(), 3.0371293659);
        close(moran.z_normality(), 3.16000982802);
        close(moran.p_randomisation(), 0.00238842927075);
        let local = local_moran(&values, &weights).unwrap();
        let LocalMoran::Estimated { statistic, quadrant } = local[6] else { panic!("{:?}", local[6]) };
        assert!((statistic + 0.037700744).abs() < 1e-9);
        assert_eq!(quadrant, Quadrant::LowHigh);
    }

    #[test]
    fn local_statistics_add_up_to_the_global_one() {
        let (values, weights) = twelve();
        let n = values.len() as f64;
        let total: f64 = local_moran(&values, &weights)
            .unwrap()
            .iter()
            .map(|local| match local {
                LocalMoran::Estimated { statistic, .. } => *statistic,
                _ => 0.0,
            })
            .sum();
        let moran = global_moran(&values, &weights).unwrap().estimate().unwrap();
        assert!((total / (n - 1.0) - moran.statistic).abs() < 1e-12);
    }

    #[test]
    fn permutation_tail_agrees_with_the_normal_one() {
        let (values, weights) = twelve();
        let sampling = Sampling { n_draws: 1999, seed: 3 };
        let tails = global_moran_tails(&values, &weights, sampling).unwrap().unwrap();
        assert!(tails.p_greater < 0.01 && tails.p_less > 0.99, "{tails:?}");
        assert_eq!(Some(tails), global_moran_tails(&values, &weights, sampling).unwrap());
    }

    #[test]
    fn nothing_to_estimate() {
        let (_, weights) = lattice();
        assert_eq!(global_moran(&[0.1; 9], &weights).unwrap(), Moran::NotEstimable);
        assert!(local_moran(&[0.1; 9], &weights).unwrap().iter().all(|local| *local == LocalMoran::NoSpread));
        let islands = Weights::binary(&vec![vec![]; 5]).unwrap();
        let values = [1.0, 2.0, 3.0, 4.0, 5.0];
        assert_eq!(global_moran(&values, &islands).unwrap(), Moran::NotEstimable);
        assert_eq!(local_moran(&values, &islands).unwrap()[0], LocalMoran::NoNeighbours);
        assert!(global_moran(&values, &weights).is_err());
    }
}
