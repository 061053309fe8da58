//! Tables and trends over strata.

use crate::analysis::counts::fisher::TwoByTwo;
use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::counts::trend::{ScoredGroups, chi_squared_tail, trend_moments};
use crate::analysis::counts::{InvalidCounts, Ratio, RatioLimits, half_alpha};

/// Cochran, Mantel and Haenszel's comparison over strata.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MantelHaenszel {
    /// Mantel and Haenszel's common odds ratio.
    pub odds_ratio: Ratio,
    /// Limits by Robins, Breslow and Greenland's variance; [`RatioLimits::ANY`] unless the ratio is finite and positive.
    pub limits: RatioLimits,
    /// The test of no association in any stratum.
    pub test: StratifiedTest,
}

/// A chi-squared test with one degree of freedom, summed over strata.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StratifiedTest {
    /// No stratum can vary.
    NotEstimable,
    /// The test.
    Tested {
        /// Without continuity correction.
        chi_squared: f64,
        /// Its p-value.
        p_value: f64,
        /// With the distance from the mean lessened by one half (not below zero).
        chi_squared_corrected: f64,
        /// Its p-value.
        p_value_corrected: f64,
    },
}

/// Common odds ratio and test over strata of two-by-two tables.
///
/// Each table is `[[a, b], [c, d]]`; a ratio above one says that the first row has more of the first column. Strata with
/// fewer than two trials add nothing.
///
/// # Errors
/// [`InvalidCounts`] when there are no trials at all or the level is out of range.
///
/// # References
/// Mantel, N. & Haenszel, W. (1959). Statistical aspects of the analysis of data from retrospective studies of disease.
/// *Journal of the National Cancer Institute* 22, 719-748. Robins, J., Breslow, N. & Greenland, S. (1986). Estimators of
/// the Mantel-Haenszel variance consistent in both sparse data and large-strata limiting models. *Biometrics* 42,
/// 311-323.
pub fn mantel_haenszel(tables: &[TwoByTwo], level: f64) -> Result<MantelHaenszel, InvalidCounts> {
    let beyond = half_alpha(level)?;
    if tables.iter().flatten().flatten().sum::<u64>() == 0 {
        return Err(InvalidCounts::NoTrials);
    }
    let sums = tables.iter().map(ratio_terms).fold(RatioTerms::default(), RatioTerms::plus);
    let (excess, variance) = tables.iter().map(cell_moments).fold((0.0, 0.0), pair_sum);
    let limits = if sums.r > 0.0 && sums.s > 0.0 {
        let reach = upper_deviate(beyond) * sums.ln_variance().sqrt();
        let ratio = sums.r / sums.s;
        RatioLimits { lower: ratio * (-reach).exp(), upper: Some(ratio * reach.exp()) }
    } else {
        RatioLimits::ANY
    };
    Ok(MantelHaenszel { odds_ratio: Ratio::of(sums.r, sums.s), limits, test: tested(excess, variance) })
}

/// Mantel's extension: a trend over ordered groups, summed over strata.
///
/// With one stratum the uncorrected value is the N - 1 form of
/// [`cochran_armitage`](crate::analysis::counts::trend::cochran_armitage).
///
/// # Errors
/// As [`cochran_armitage`](crate::analysis::counts::trend::cochran_armitage), for any stratum.
///
/// # References
/// Mantel, N. (1963). Chi-square tests with one degree of freedom. *Journal of the American Statistical Association* 58,
/// 690-700.
pub fn mantel_extension(strata: &[ScoredGroups]) -> Result<StratifiedTest, InvalidCounts> {
    let mut sums = (0.0, 0.0);
    for stratum in strata {
        let moments = trend_moments(*stratum)?;
        sums = pair_sum(sums, (moments.excess, moments.variance));
    }
    Ok(tested(sums.0, sums.1))
}

fn tested(excess: f64, variance: f64) -> StratifiedTest {
    if variance <= 0.0 {
        return StratifiedTest::NotEstimable;
    }
    let chi_squared = excess * excess / variance;
    let chi_squared_corrected = (excess.abs() - 0.5).max(0.0).powi(2) / variance;
    StratifiedTest::Tested {
        chi_squared,
        p_value: chi_squared_tail(chi_squared),
        chi_squared_corrected,
        p_value_corrected: chi_squared_tail(chi_squared_corrected),
    }
}

/// The first cell less its mean given the margins, and its variance.
fn cell_moments(table: &TwoByTwo) -> (f64, f64) {
    let [[a, b], [c, d]] = table.map(|row| row.map(|cell| cell as f64));
    let n = a + b + c + d;
    if n < 2.0 {
        return (0.0, 0.0);
    }
    let variance = (a + b) * (c + d) * (a + c) * (b + d) / (n * n * (n - 1.0));
    (a - (a + b) * (a + c) / n, variance)
}

/// Robins, Breslow and Greenland's sums: R and S, and their products with P = (a + d) / n and Q = (b + c) / n.
#[derive(Default)]
struct RatioTerms {
    r: f64,
    s: f64,
    pr: f64,
    ps_qr: f64,
    qs: f64,
}

impl RatioTerms {
    fn plus(self, other: Self) -> Self {
        Self {
            r: self.r + other.r,
            s: self.s + other.s,
            pr: self.pr + other.pr,
            ps_qr: self.ps_qr + other.ps_qr,
            qs: self.qs + other.qs,
        }
    }

    fn ln_variance(&self) -> f64 {
        self.pr / (2.0 * self.r * self.r)
            + self.ps_qr / (2.0 * self.r * self.s)
            + self.qs / (2.0 * self.s * self.s)
    }
}

fn ratio_terms(table: &TwoByTwo) -> RatioTerms {
    let [[a, b], [c, d]] = table.map(|row| row.map(|cell| cell as f64));
    let n = a + b + c + d;
    if n == 0.0 {
        return RatioTerms::default();
    }
    let (p, q, r, s) = ((a + d) / n, (b + c) / n, a * d / n, b * c / n);
    RatioTerms { r, s, pr: p * r, ps_qr: p * s + q * r, qs: q * s }
}

fn pair_sum(left: (f64, f64), right: (f64, f64)) -> (f64, f64) {
    (left.0 + right.0, left.1 + right.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;

    #[test]
    fn berkeley_admissions_over_departments() {
        // UCBAdmissions of R; statsmodels 0.15.0 StratifiedTable and R 4.2.2 mantelhaen.test.
        let tables = [
            [[512, 89], [313, 19]],
            [[353, 17], [207, 8]],
            [[120, 202], [205, 391]],
            [[138, 131], [279, 244]],
            [[53, 94], [138, 299]],
            [[22, 24], [351, 317]],
        ];
        let result = mantel_haenszel(&tables, 0.95).unwrap();
        close(result.odds_ratio.finite().unwrap(), 0.904696828259, 1e-10);
        close(result.limits.lower, 0.771907361759, 1e-9);
        close(result.limits.upper.unwrap(), 1.06032976444, 1e-9);
        let StratifiedTest::Tested { chi_squared, p_value, chi_squared_corrected, p_value_corrected } =
            result.test
        else {
            panic!("not tested")
        };
        close(chi_squared, 1.52460666044, 1e-9);
        close(p_value, 0.216923697056, 1e-9);
        close(chi_squared_corrected, 1.42694622859, 1e-9);
        close(p_value_corrected, 0.232263462817, 1e-9);
    }

    #[test]
    fn one_stratum_is_mantels_trend() {
        // InfluentialPoints, chi-square test for trend: 11.51.
        let groups = ScoredGroups { events: &[5, 14, 18], trials: &[30, 30, 30], scores: &[1.0, 2.0, 3.0] };
        let StratifiedTest::Tested { chi_squared, .. } = mantel_extension(&[groups]).unwrap() else {
            panic!("not tested")
        };
        close(chi_squared, 11.5051, 1e-5);
        let StratifiedTest::Tested { chi_squared: doubled, .. } =
            mantel_extension(&[groups, groups]).unwrap()
        else {
            panic!("not tested")
        };
        close(doubled, 2.0 * chi_squared, 1e-12);
    }

    #[test]
    fn strata_that_cannot_vary_give_no_test() {
        let result = mantel_haenszel(&[[[0, 4], [0, 9]]], 0.95).unwrap();
        assert_eq!(result.test, StratifiedTest::NotEstimable);
        assert_eq!((result.odds_ratio, result.limits), (Ratio::Undefined, RatioLimits::ANY));
        assert!(mantel_haenszel(&[], 0.95).is_err());
    }
}
