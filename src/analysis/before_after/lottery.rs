//! Signs by lot: of each pair of like places one got a sign, the other none yet.

use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::flips::{FlipTest, flip_test};
use crate::analysis::before_after::{
    Change, Effectiveness, Index, InvalidComparison, LimitsBasis, Period, WhyNot, check_period, verdict,
};
use crate::analysis::counts::roots::bisect;
use crate::analysis::counts::tails::{binomial_at_least, binomial_at_most};
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
/// The estimate weights pairs as Mantel and Haenszel do for rates. Two tests are made, and limits are the ratios that
/// either does not reject. One exchanges the places of each pair, as the draw might have: exact below twenty pairs, it
/// holds however unlike the places of a pair are. Below six pairs it can reject nothing, so that limits are open. The
/// other is binomial, given all encounters of the pairs: the first takes small counts times a ratio for what would have
/// been counted, and where no encounter was counted at any sign every ratio leaves it the same differences. The p-value
/// is the larger one. No period before is needed. Pairs of which a place was not walked say nothing.
///
/// # Errors
/// As [`super::empirical_bayes::empirical_bayes`], the unit being the pair.
///
/// # References
/// Fisher, R. A. (1935). *The Design of Experiments*; Hoeffding, W. (1956). *Annals of Mathematical Statistics* 27,
/// 713-721, for pairs walked unlike: the binomial of their mean share has the wider tails; Rothman, K. J., Greenland, S. & Lash, T. L. (2008). *Modern
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
    let given_total = GivenTotal::of(&walked);
    let limits = wider(exchange_limits(&walked, params.seed, 2.0 * beyond), given_total.limits(beyond));
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
        basis: LimitsBasis::Lots,
        p_value: p_value(flips).max(given_total.p_value()),
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

/// Ratios that the exchange of places does not reject, around that which balances the pairs; `None` where it rejects every
/// ratio, which it does of six pairs or more without any encounter on one of the sides.
fn exchange_limits(pairs: &[PairCounts], seed: u64, alpha: f64) -> Option<RatioLimits> {
    let rates = |pick: fn(&PairCounts) -> Period| -> f64 {
        pairs.iter().map(pick).map(|period| period.count as f64 / period.km).sum()
    };
    let (signed, unsigned) = (rates(|pair| pair.signed), rates(|pair| pair.unsigned));
    let accepts = |ln: f64| p_value(test_at(pairs, ln.exp(), seed)) > alpha;
    if signed == 0.0 || unsigned == 0.0 {
        return accepts(0.0).then_some(RatioLimits::ANY);
    }
    let balance = (signed / unsigned).ln();
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
    Some(RatioLimits { lower: edge(-FAR).unwrap_or(0.0), upper: edge(FAR) })
}

/// What both limits leave open; the second alone where the first has none.
fn wider(one: Option<RatioLimits>, other: RatioLimits) -> RatioLimits {
    let Some(one) = one else { return other };
    RatioLimits {
        lower: one.lower.min(other.lower),
        upper: one.upper.zip(other.upper).map(|(one, other)| one.max(other)),
    }
}

/// Encounters at signs, given the encounters of each pair: binomial where places of a pair are alike.
struct GivenTotal<'a> {
    pairs: &'a [PairCounts],
    signed: u64,
    total: u64,
}

impl<'a> GivenTotal<'a> {
    /// The pairs must hold an encounter.
    fn of(pairs: &'a [PairCounts]) -> Self {
        let signed = pairs.iter().map(|pair| pair.signed.count).sum();
        let unsigned: u64 = pairs.iter().map(|pair| pair.unsigned.count).sum();
        Self { pairs, signed, total: signed + unsigned }
    }

    /// Log odds that an encounter lies at a sign, at the mean over encounters of their pairs' shares.
    fn logit(&self, ln_ratio: f64) -> f64 {
        let (mut at_signs, mut elsewhere) = (0.0, 0.0);
        for pair in self.pairs {
            let n = (pair.signed.count + pair.unsigned.count) as f64;
            let odds = ln_ratio.exp() * pair.signed.km / pair.unsigned.km;
            at_signs += n * odds / (1.0 + odds);
            elsewhere += n / (1.0 + odds);
        }
        f64::ln(at_signs / elsewhere)
    }

    fn at_most(&self, ln_ratio: f64) -> f64 {
        binomial_at_most(self.signed, self.total, self.logit(ln_ratio))
    }

    fn at_least(&self, ln_ratio: f64) -> f64 {
        binomial_at_least(self.signed, self.total, self.logit(ln_ratio))
    }

    fn p_value(&self) -> f64 {
        (2.0 * self.at_most(0.0).min(self.at_least(0.0))).min(1.0)
    }

    fn limits(&self, beyond: f64) -> RatioLimits {
        const LN_RATIOS: (f64, f64) = (-30.0, 30.0);
        let lower = match self.signed {
            0 => 0.0,
            _ => bisect(LN_RATIOS, |ln| self.at_least(ln) - beyond).exp(),
        };
        let upper =
            (self.signed < self.total).then(|| bisect(LN_RATIOS, |ln| beyond - self.at_most(ln)).exp());
        RatioLimits { lower, upper }
    }
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
    #[test]
    fn no_encounter_at_any_sign_is_fewer() {
        // (1 + r)^-72 = 0.025; of 256 exchanges 2 are as far. The exchange alone rejects every ratio, one included.
        let index = estimated(&[pair(0, 9); 8]);
        assert_eq!(
            (index.change, index.limits.lower, index.verdict),
            (Change::ZeroCell, 0.0, Verdict::Fewer)
        );
        let none = index.limits.upper.unwrap();
        close(none, 0.025f64.powf(-1.0 / 72.0) - 1.0, 1e-9);
        close(index.p_value, 2.0 / 256.0, 1e-12);
        // One encounter more says less of a reduction, never more.
        let mut pairs = [pair(0, 9); 8];
        pairs[0].signed.count = 1;
        let one = estimated(&pairs);
        assert_eq!(one.verdict, Verdict::Fewer);
        assert!(one.limits.upper.unwrap() > none, "{:?} and {none}", one.limits);
        // All of them at signs.
        let index = estimated(&[pair(9, 0); 8]);
        assert_eq!(
            (index.change, index.limits.upper, index.verdict),
            (Change::ZeroCell, None, Verdict::More)
        );
        close(index.limits.lower, 1.0 / none, 1e-9);
        // Nearly all on one pair: that is one place, not many encounters.
        let mut pairs = [pair(0, 0); 8];
        pairs[3].unsigned.count = 72;
        let index = estimated(&pairs);
        assert_eq!((index.limits, index.verdict), (RatioLimits::ANY, Verdict::NotToldApart));
    }

    #[test]
    fn none_in_few_kilometres_says_little() {
        // A tenth as far at signs: all six differ one way, yet one encounter would have been a lot.
        let short =
            PairCounts { signed: Period { count: 0, km: 10.0 }, unsigned: Period { count: 4, km: 100.0 } };
        let index = estimated(&[short; 6]);
        close(index.limits.upper.unwrap(), 10.0 * (0.025f64.powf(-1.0 / 24.0) - 1.0), 1e-9);
        assert_eq!(index.verdict, Verdict::NotToldApart);
        assert!(index.p_value > 0.05);
    }
}
