//! Signs by lot: of each pair of like places one got a sign, the other none yet.

use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::flips::{FlipTest, flip_test};
use crate::analysis::before_after::{
    Change, Effectiveness, Index, InvalidComparison, Period, WhyNot, check_period, verdict,
};
use crate::analysis::counts::{RatioLimits, half_alpha};

/// What was counted on both places of a pair while one had a sign.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairCounts {
    /// Where the sign stands.
    pub signed: Period,
    /// Where none stands yet.
    pub unsigned: Period,
}

/// Halvings when limits are sought: more than a page shows.
const N_HALVINGS: usize = 24;

/// The rate at signs over the rate at places that lost the draw.
///
/// The estimate weights pairs as Mantel and Haenszel do for rates. The test exchanges the places of each pair, as the
/// draw might have: exact below twenty pairs. Limits are the ratios that it does not reject; below six pairs it can reject
/// none, so that they are open. No period before and no model is needed. Pairs of which a place was not walked say
/// nothing.
///
/// # Errors
/// As [`super::empirical_bayes::empirical_bayes`], the unit being the pair.
///
/// # References
/// Fisher, R. A. (1935). *The Design of Experiments*; Rothman, K. J., Greenland, S. & Lash, T. L. (2008). *Modern
/// Epidemiology*, 3rd ed., chapter 15 (Mantel-Haenszel rate ratio).
pub fn lottery(pairs: &[PairCounts], params: &CompareParams) -> Result<Effectiveness, InvalidComparison> {
    let beyond = half_alpha(params.level)?;
    for (unit, pair) in pairs.iter().enumerate() {
        check_period(unit, pair.signed)?;
        check_period(unit, pair.unsigned)?;
    }
    if pairs.is_empty() {
        return Ok(Effectiveness::NotEstimable(WhyNot::NoSigns));
    }
    let walked: Vec<PairCounts> =
        pairs.iter().filter(|pair| pair.signed.km > 0.0 && pair.unsigned.km > 0.0).copied().collect();
    if walked.is_empty() {
        return Ok(Effectiveness::NotEstimable(WhyNot::SignsNotWalked));
    }
    let sum = |part: fn(&PairCounts) -> f64| walked.iter().map(part).sum::<f64>();
    let above = sum(|pair| pair.signed.count as f64 * pair.unsigned.km / (pair.signed.km + pair.unsigned.km));
    let below = sum(|pair| pair.unsigned.count as f64 * pair.signed.km / (pair.signed.km + pair.unsigned.km));
    if above + below == 0.0 {
        return Ok(Effectiveness::NotEstimable(WhyNot::NothingExpected));
    }
    let flips = test_at(&walked, 1.0, params.seed);
    let limits = limits(&walked, params.seed, 2.0 * beyond);
    let change = match above > 0.0 && below > 0.0 {
        true => Change::Estimate(above / below),
        false => Change::ZeroCell,
    };
    Ok(Effectiveness::Estimated(Index {
        n_signs: walked.len(),
        n_controls: walked.len(),
        observed: walked.iter().map(|pair| pair.signed.count).sum(),
        expected: sum(|pair| pair.unsigned.count as f64 * pair.signed.km / pair.unsigned.km),
        change,
        std_error: None,
        limits,
        p_value: p_value(flips),
        flips,
        verdict: verdict(walked.len(), limits, flips, 2.0 * beyond),
    }))
}

/// The test of a ratio: what the signed place would have counted without a sign, against the other.
fn test_at(pairs: &[PairCounts], ratio: f64, seed: u64) -> FlipTest {
    let rate = |period: Period| period.count as f64 / period.km;
    let differences: Vec<f64> =
        pairs.iter().map(|pair| rate(pair.signed) / ratio - rate(pair.unsigned)).collect();
    flip_test(&differences, seed)
}

fn p_value(test: FlipTest) -> f64 {
    match test {
        FlipTest::Tested { p_value, .. } => p_value,
        FlipTest::NothingToFlip => 1.0,
    }
}

/// Ratios that the test does not reject, between that which balances the pairs and one at which all differ one way.
fn limits(pairs: &[PairCounts], seed: u64, alpha: f64) -> RatioLimits {
    let rates = |pick: fn(&PairCounts) -> Period| -> f64 {
        pairs.iter().map(pick).map(|period| period.count as f64 / period.km).sum()
    };
    let (signed, unsigned) = (rates(|pair| pair.signed), rates(|pair| pair.unsigned));
    let balance = if signed > 0.0 && unsigned > 0.0 { (signed / unsigned).ln() } else { 0.0 };
    let accepts = |ln: f64| p_value(test_at(pairs, ln.exp(), seed)) > alpha;
    let edge = |far: f64| {
        if accepts(balance + far) {
            return None;
        }
        let (mut inside, mut outside) = (balance, balance + far);
        for _ in 0..N_HALVINGS {
            let middle = 0.5 * (inside + outside);
            if accepts(middle) { inside = middle } else { outside = middle }
        }
        Some(inside.exp())
    };
    const FAR: f64 = 12.0;
    let lower = if signed > 0.0 { edge(-FAR).unwrap_or(0.0) } else { 0.0 };
    // Without any encounter at signs every ratio leaves the same differences, and the test cannot bound it from above
    // unless the others counted some: then the least ratio rejected is none, and the limit stays open.
    let upper = if unsigned > 0.0 { edge(FAR) } else { None };
    RatioLimits { lower, upper }
}

/// The ratio at which signed and unsigned places balance, for tests.
#[cfg(test)]
fn balanced(pairs: &[PairCounts]) -> f64 {
    let difference = |ln: f64| -> f64 {
        let rate = |period: Period| period.count as f64 / period.km;
        pairs.iter().map(|pair| rate(pair.unsigned) - rate(pair.signed) / ln.exp()).sum()
    };
    crate::analysis::counts::roots::bisect((-10.0, 10.0), difference).exp()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::before_after::Verdict;
    use crate::analysis::counts::testing::close;

    fn pair(signed: u64, unsigned: u64) -> PairCounts {
        let period = |count| Period { count, km: 100.0 };
        PairCounts { signed: period(signed), unsigned: period(unsigned) }
    }

    fn estimated(pairs: &[PairCounts]) -> Index {
        match lottery(pairs, &CompareParams::default()).unwrap() {
            Effectiveness::Estimated(index) => index,
            Effectiveness::NotEstimable(why) => panic!("{why:?}"),
        }
    }

    #[test]
    fn pairs_walked_alike_give_the_plain_ratio() {
        let pairs: Vec<PairCounts> = [(3, 7), (4, 9), (2, 6), (5, 8), (1, 7), (6, 10), (3, 9), (2, 5)]
            .map(|(signed, unsigned)| pair(signed, unsigned))
            .to_vec();
        let index = estimated(&pairs);
        close(index.change.estimate().unwrap(), 26.0 / 61.0, 1e-12);
        close(balanced(&pairs), 26.0 / 61.0, 1e-9);
        assert!(index.limits.lower < 26.0 / 61.0 && index.limits.upper.unwrap() > 26.0 / 61.0);
        // All eight differ the same way: 2 of 256 flips.
        close(index.p_value, 2.0 / 256.0, 1e-12);
        assert_eq!(index.verdict, Verdict::Fewer);
    }

    #[test]
    fn five_pairs_leave_the_limits_open() {
        let index = estimated(&[pair(0, 9); 5]);
        assert_eq!((index.change, index.limits), (Change::ZeroCell, RatioLimits { lower: 0.0, upper: None }));
        assert_eq!(index.verdict, Verdict::TooFewSigns);
        let few = estimated(&[pair(3, 9); 5]);
        assert_eq!(few.limits, RatioLimits { lower: 0.0, upper: None });
        assert_eq!(lottery(&[], &CompareParams::default()), Ok(Effectiveness::NotEstimable(WhyNot::NoSigns)));
        let unseen = lottery(&[pair(0, 0)], &CompareParams::default());
        assert_eq!(unseen, Ok(Effectiveness::NotEstimable(WhyNot::NothingExpected)));
    }
}
