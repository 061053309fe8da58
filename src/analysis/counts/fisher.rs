//! Two shares compared, given the margins of their table.

use crate::analysis::counts::roots::bisect;
use crate::analysis::counts::tails::{ExactTails, ln_choose};
use crate::analysis::counts::{InvalidCounts, Ratio, RatioLimits, half_alpha};

/// A table of two rows and two columns of counts.
pub type TwoByTwo = [[u64; 2]; 2];

/// Fisher's exact test of a two-by-two table, and its odds ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FisherExact {
    /// Tails of the first cell under an odds ratio of one; `minlike` is the usual two-sided p-value.
    pub tails: ExactTails,
    /// Cross product ratio of the counts.
    pub sample_odds_ratio: Ratio,
    /// The odds ratio most likely given the margins: nearer to one than the sample odds ratio.
    pub conditional_odds_ratio: Ratio,
    /// Exact central limits of the odds ratio, given the margins.
    pub limits: RatioLimits,
}

/// Fisher's exact test, and the odds ratio with its exact limits, given the margins.
///
/// Tables whose probability is within a relative 1e-7 of the observed one count as tied. A table with an empty row or
/// column says nothing: its odds ratios are undefined, its limits [`RatioLimits::ANY`], its p-values one.
///
/// # Errors
/// [`InvalidCounts`] when the table is empty or the level is out of range.
///
/// # References
/// Fisher, R. A. (1935). The logic of inductive inference. *Journal of the Royal Statistical Society* 98, 39-82.
pub fn fisher_exact(table: TwoByTwo, level: f64) -> Result<FisherExact, InvalidCounts> {
    let beyond = half_alpha(level)?;
    let [[a, b], [c, d]] = table;
    if a + b + c + d == 0 {
        return Err(InvalidCounts::NoTrials);
    }
    let given = GivenMargins::new(table);
    Ok(FisherExact {
        tails: given.tails(),
        sample_odds_ratio: Ratio::of(a as f64 * d as f64, b as f64 * c as f64),
        conditional_odds_ratio: given.most_likely_ratio(),
        limits: given.limits(beyond),
    })
}

/// The first cell's distribution given the margins: Fisher's noncentral hypergeometric.
struct GivenMargins {
    /// Position of the observed table among the possible ones.
    observed: usize,
    /// Logarithm of the number of ways to make each possible table, by rising first cell.
    ln_ways: Vec<f64>,
}

/// Bounds of the log odds ratio in searches.
const LN_RATIOS: (f64, f64) = (-700.0, 700.0);

impl GivenMargins {
    fn new([[a, b], [c, d]]: TwoByTwo) -> Self {
        let (first_row, second_row, first_column) = (a + b, c + d, a + c);
        let least = first_column.saturating_sub(second_row);
        let most = first_row.min(first_column);
        let ln_ways = (least..=most)
            .map(|cell| ln_choose(first_row, cell) + ln_choose(second_row, first_column - cell))
            .collect();
        Self { observed: (a - least) as usize, ln_ways }
    }

    /// Probabilities of the possible tables under a log odds ratio.
    fn probabilities(&self, ln_ratio: f64) -> Vec<f64> {
        let weight = |(idx, ln_ways): (usize, &f64)| ln_ways + idx as f64 * ln_ratio;
        let most = self.ln_ways.iter().enumerate().map(weight).fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> =
            self.ln_ways.iter().enumerate().map(|item| (weight(item) - most).exp()).collect();
        let total: f64 = weights.iter().sum();
        weights.into_iter().map(|weight| weight / total).collect()
    }

    fn tails(&self) -> ExactTails {
        let probabilities = self.probabilities(0.0);
        let point = probabilities[self.observed];
        ExactTails {
            less: probabilities[..=self.observed].iter().sum::<f64>().min(1.0),
            greater: probabilities[self.observed..].iter().sum::<f64>().min(1.0),
            point,
            minlike: probabilities.iter().filter(|p| **p <= point * (1.0 + 1e-7)).sum::<f64>().min(1.0),
        }
    }

    fn most_likely_ratio(&self) -> Ratio {
        let last = self.ln_ways.len() - 1;
        match self.observed {
            0 if last == 0 => Ratio::Undefined,
            0 => Ratio::Finite(0.0),
            observed if observed == last => Ratio::Infinite,
            observed => {
                let excess = |ln_ratio| {
                    let mean: f64 =
                        self.probabilities(ln_ratio).iter().enumerate().map(|(idx, p)| idx as f64 * p).sum();
                    mean - observed as f64
                };
                Ratio::Finite(bisect(LN_RATIOS, excess).exp())
            }
        }
    }

    fn limits(&self, beyond: f64) -> RatioLimits {
        let at_least = |ln_ratio| self.probabilities(ln_ratio)[self.observed..].iter().sum::<f64>();
        let at_most = |ln_ratio| self.probabilities(ln_ratio)[..=self.observed].iter().sum::<f64>();
        let lower = if self.observed == 0 {
            0.0
        } else {
            bisect(LN_RATIOS, |ln_ratio| at_least(ln_ratio) - beyond).exp()
        };
        let upper = (self.observed + 1 < self.ln_ways.len())
            .then(|| bisect(LN_RATIOS, |ln_ratio| beyond - at_most(ln_ratio)).exp());
        RatioLimits { lower, upper }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;
    use proptest::prelude::*;

    #[test]
    fn matches_other_libraries() {
        // scipy 1.17.1 fisher_exact and contingency.odds_ratio; p also R 4.2.2 fisher.test.
        let result = fisher_exact([[8, 2], [1, 5]], 0.95).unwrap();
        close(result.tails.minlike, 0.034965034965, 1e-11);
        close(result.tails.less, 0.999125874126, 1e-11);
        close(result.tails.greater, 0.0244755244755, 1e-11);
        assert_eq!(result.sample_odds_ratio, Ratio::Finite(20.0));
        close(result.conditional_odds_ratio.finite().unwrap(), 15.4658197169, 1e-10);
        close(result.limits.lower, 1.00884920795, 1e-10);
        close(result.limits.upper.unwrap(), 1059.63949509, 1e-10);
    }

    #[test]
    fn a_zero_cell_leaves_a_side_open() {
        let result = fisher_exact([[6, 169], [0, 120]], 0.95).unwrap();
        close(result.tails.minlike, 0.0846096198692, 1e-10);
        assert_eq!(result.sample_odds_ratio, Ratio::Infinite);
        assert_eq!(result.conditional_odds_ratio, Ratio::Infinite);
        close(result.limits.lower, 0.817717110186, 1e-9);
        assert_eq!(result.limits.upper, None);
    }

    #[test]
    fn an_empty_column_says_nothing() {
        let result = fisher_exact([[0, 10], [0, 12]], 0.95).unwrap();
        assert_eq!((result.sample_odds_ratio, result.limits), (Ratio::Undefined, RatioLimits::ANY));
        assert_eq!(result.tails.minlike, 1.0);
        assert_eq!(fisher_exact([[0, 0], [0, 0]], 0.95), Err(InvalidCounts::NoTrials));
    }

    proptest! {
        #[test]
        fn swapping_rows_inverts_the_ratio(a in 1u64..20, b in 1u64..20, c in 1u64..20, d in 1u64..20) {
            let one = fisher_exact([[a, b], [c, d]], 0.9).unwrap();
            let other = fisher_exact([[c, d], [a, b]], 0.9).unwrap();
            prop_assert!((one.tails.minlike - other.tails.minlike).abs() < 1e-10);
            prop_assert!((one.limits.lower * other.limits.upper.unwrap() - 1.0).abs() < 1e-9);
        }
    }
}
