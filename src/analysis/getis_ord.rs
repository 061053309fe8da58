//! Getis and Ord's local statistics.
//!
//! They compare the weighted sum of values around a site with what it would be if the values lay anywhere. On raw
//! rates they mistake uneven exposure for clusters, so they are shown only on statistics whose null allows for it.
//!
//! # References
//! Ord, J. K. & Getis, A. (1995). Local spatial autocorrelation statistics: distributional issues and an application.
//! *Geographical Analysis* 27, 286-306.

use crate::analysis::weights::InvalidWeights;
use crate::analysis::weights::Weights;

/// Relative slack below which a variance is rounding.
const ROUNDING: f64 = 1e-12;

/// A standardised statistic at one site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ZScore {
    /// The z score; positive where high values gather.
    Score(f64),
    /// All values are equal, the site has no neighbours, or its neighbourhood is everything.
    Undefined,
}

impl ZScore {
    /// The z score, if there is one.
    pub fn score(self) -> Option<f64> {
        match self {
            Self::Score(z) => Some(z),
            Self::Undefined => None,
        }
    }
}

/// Gi* of every site: the neighbourhood includes the site itself, with weight `self_weight`.
///
/// `values` has one value a site; `weights` excludes the diagonal. Multiplying a row, its self weight included, by a
/// constant changes nothing. With `self_weight` 1 and binary weights this is the usual form; a site without neighbours
/// stands alone.
///
/// # Errors
/// [`InvalidWeights::Lengths`] when values and weights differ in length.
pub fn gi_star(values: &[f64], weights: &Weights, self_weight: f64) -> Result<Vec<ZScore>, InvalidWeights> {
    weights.check_length(values.len())?;
    let sample = Sample::of(values.iter().copied());
    let sites = 0..values.len();
    Ok(sites
        .map(|site| {
            let mut sums = Sums::of(weights, site, values);
            sums.add(self_weight, values[site]);
            sample.z_score(&sums)
        })
        .collect())
}

/// Gi of every site: the site itself is left out of its neighbourhood, of the mean and of the variance.
///
/// # Errors
/// [`InvalidWeights::Lengths`] when values and weights differ in length.
pub fn gi(values: &[f64], weights: &Weights) -> Result<Vec<ZScore>, InvalidWeights> {
    weights.check_length(values.len())?;
    let all = Sample::of(values.iter().copied());
    let sites = 0..values.len();
    Ok(sites.map(|site| all.without(values[site]).z_score(&Sums::of(weights, site, values))).collect())
}

/// Size, mean and sum of squares about the mean.
#[derive(Debug, Clone, Copy)]
struct Sample {
    n: f64,
    mean: f64,
    squares: f64,
    /// The largest squared deviation that rounding could leave of equal values.
    slack: f64,
}

impl Sample {
    fn of(values: impl Iterator<Item = f64> + Clone) -> Self {
        let n = values.clone().count() as f64;
        let mean = values.clone().sum::<f64>() / n;
        let squares = values.clone().map(|value| (value - mean) * (value - mean)).sum();
        let slack = ROUNDING * values.map(|value| value * value).sum::<f64>();
        Self { n, mean, squares, slack }
    }

    fn without(self, value: f64) -> Self {
        let n = self.n - 1.0;
        let deviation = value - self.mean;
        let squares = self.squares - deviation * deviation * self.n / n;
        Self { n, mean: self.mean - deviation / n, squares, slack: self.slack }
    }

    /// (Σ wx - W x̄) / (s √((n Σw² - W²) / (n - 1))), s² dividing by n: equation 14.
    fn z_score(&self, sums: &Sums) -> ZScore {
        let spread = self.n * sums.squared_weights - sums.weights * sums.weights;
        let no_weight_spread = spread <= ROUNDING * self.n * sums.squared_weights;
        if self.n < 2.0 || self.squares <= self.slack || no_weight_spread {
            return ZScore::Undefined;
        }
        let standard_error = (self.squares / self.n * spread / (self.n - 1.0)).sqrt();
        ZScore::Score((sums.weighted_values - sums.weights * self.mean) / standard_error)
    }
}

/// What the row of one site adds up to.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    weights: f64,
    squared_weights: f64,
    weighted_values: f64,
}

impl Sums {
    fn of(weights: &Weights, site: usize, values: &[f64]) -> Self {
        let mut sums = Self::default();
        for (neighbour, weight) in weights.row(site) {
            sums.add(weight, values[neighbour]);
        }
        sums
    }

    fn add(&mut self, weight: f64, value: f64) {
        self.weights += weight;
        self.squared_weights += weight * weight;
        self.weighted_values += weight * value;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn six() -> (Vec<f64>, Weights) {
        let lists = [vec![1, 3], vec![0, 3, 4], vec![4], vec![0, 1, 4], vec![1, 2, 3, 5], vec![4]];
        (vec![2.0, 3.0, 3.2, 5.0, 8.0, 7.0], Weights::binary(&lists).unwrap())
    }

    fn check(got: &[ZScore], expected: &[f64]) {
        assert_eq!(got.len(), expected.len());
        for (got, expected) in got.iter().zip(expected) {
            assert!((got.score().unwrap() - expected).abs() < 6e-9, "{got:?} {expected}");
        }
    }

    /// Six points at (10, 10), (20, 10), (40, 10), (15, 20), (30, 20), (30, 30) with a band of 15: a worked example
    /// published with a spatial statistics library, to eight places.
    #[test]
    fn published_six_points() {
        let (values, weights) = six();
        let star = [-1.39727626, -0.28917762, 0.65064964, -0.28917762, 1.23452088, 2.02424331];
        check(&gi_star(&values, &weights, 1.0).unwrap(), &star);
        let plain = [-1.0136729, -0.04361589, 1.31558703, -0.31412676, 1.15373986, 1.77833941];
        check(&gi(&values, &weights).unwrap(), &plain);
    }

    #[test]
    fn rescaling_a_row_changes_nothing() {
        let (values, weights) = six();
        let lists: Vec<Vec<(usize, f64)>> =
            (0..6).map(|site| weights.row(site).map(|(j, w)| (j, w * 0.2)).collect()).collect();
        let scaled = gi_star(&values, &Weights::from_lists(&lists).unwrap(), 0.2).unwrap();
        for (a, b) in scaled.iter().zip(gi_star(&values, &weights, 1.0).unwrap()) {
            assert!((a.score().unwrap() - b.score().unwrap()).abs() < 1e-12);
        }
    }

    #[test]
    fn no_spread_means_no_score() {
        let path = Weights::binary(&[vec![1], vec![0, 2], vec![1, 3], vec![2]]).unwrap();
        for constant in [2.0, 0.1, 1e9 + 0.1] {
            assert!(gi_star(&[constant; 4], &path, 1.0).unwrap().iter().all(|z| *z == ZScore::Undefined));
            assert!(gi(&[constant; 4], &path).unwrap().iter().all(|z| *z == ZScore::Undefined));
        }
        let star = Weights::binary(&[vec![1, 2], vec![0], vec![0]]).unwrap();
        let scores = gi_star(&[1.0, 2.0, 4.0], &star, 1.0).unwrap();
        assert_eq!(scores[0], ZScore::Undefined);
        assert!(scores[1].score().is_some());
        assert_eq!(gi_star(&[], &Weights::binary(&[]).unwrap(), 1.0).unwrap(), []);
    }

    /// An island: Gi is undefined, Gi* is the site's own value, standardised: (8 - 4.25) / s, worked by hand.
    #[test]
    fn an_island_stands_alone() {
        let weights = Weights::binary(&[vec![1], vec![0, 2], vec![1], vec![]]).unwrap();
        let values = [3.0, 1.0, 5.0, 8.0];
        assert_eq!(gi(&values, &weights).unwrap()[3], ZScore::Undefined);
        check(&gi_star(&values, &weights, 1.0).unwrap()[3..], &[1.45010473357]);
    }

    #[test]
    fn lengths_must_agree() {
        assert!(matches!(gi(&[1.0], &six().1), Err(InvalidWeights::Lengths { got: 1, expected: 6 })));
    }
}
