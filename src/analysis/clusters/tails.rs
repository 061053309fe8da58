//! Tails of a count of encounters dealt by exposure: binomial, or beta-binomial where they come in clumps.

use statrs::function::gamma::ln_gamma;

/// A sum is complete when its next term is below this share of it.
const COMPLETE: f64 = 1e-17;

/// The distribution of the count on a part of the network, given the total.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum CountLaw {
    /// Each of `total` encounters falls there with probability `share`.
    Binomial { total: u64, share: f64 },
    /// Encounters in clumps: beta-binomial with parameters `inside` and `outside`.
    BetaBinomial { total: u64, inside: f64, outside: f64 },
}

/// P(X <= x), P(X >= x) and P(X = x).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct CountTails {
    pub(super) less: f64,
    pub(super) greater: f64,
    pub(super) point: f64,
}

impl CountLaw {
    /// The law for a share of the exposure, where `factor` is the variance over that of a Poisson count (at least 1).
    ///
    /// Negative binomial counts with mean μ and variance `factor` μ have the size μ / (factor - 1); given their total they
    /// are Dirichlet-multinomial with those sizes, and any sum of them is beta-binomial (Johnson, Kotz & Balakrishnan 1997).
    pub(super) fn new(total: u64, share: f64, factor: f64) -> Self {
        let share = share.clamp(0.0, 1.0);
        if factor > 1.0 {
            let size = total as f64 / (factor - 1.0);
            Self::BetaBinomial { total, inside: size * share, outside: size * (1.0 - share) }
        } else {
            Self::Binomial { total, share }
        }
    }

    pub(super) fn total(&self) -> u64 {
        match *self {
            Self::Binomial { total, .. } | Self::BetaBinomial { total, .. } => total,
        }
    }

    pub(super) fn mean(&self) -> f64 {
        match *self {
            Self::Binomial { total, share } => total as f64 * share,
            Self::BetaBinomial { total, inside, outside } => total as f64 * inside / (inside + outside),
        }
    }

    pub(super) fn variance(&self) -> f64 {
        match *self {
            Self::Binomial { total, share } => total as f64 * share * (1.0 - share),
            Self::BetaBinomial { total, inside, outside } => {
                let (n, size) = (total as f64, inside + outside);
                n * inside * outside / (size * size) * (size + n) / (size + 1.0)
            }
        }
    }

    /// The only count possible, where there is only one.
    fn certain(&self) -> Option<u64> {
        let (total, none, all) = match *self {
            Self::Binomial { total, share } => (total, share <= 0.0, share >= 1.0),
            Self::BetaBinomial { total, inside, outside } => (total, inside <= 0.0, outside <= 0.0),
        };
        match (total, none, all) {
            (0, ..) | (_, true, _) => Some(0),
            (_, _, true) => Some(total),
            _ => None,
        }
    }

    pub(super) fn point(&self, count: u64) -> f64 {
        if let Some(only) = self.certain() {
            return f64::from(u8::from(count == only));
        }
        let total = self.total();
        if count > total {
            return 0.0;
        }
        let (n, x) = (total as f64, count as f64);
        let ways = ln_gamma(n + 1.0) - ln_gamma(x + 1.0) - ln_gamma(n - x + 1.0);
        match *self {
            Self::Binomial { share, .. } => (ways + x * share.ln() + (n - x) * (-share).ln_1p()).exp(),
            Self::BetaBinomial { inside, outside, .. } => {
                let ln_beta = |a: f64, b: f64| ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b);
                (ways + ln_beta(inside + x, outside + n - x) - ln_beta(inside, outside)).exp()
            }
        }
    }

    /// P(X = x + 1) / P(X = x), for x below the total.
    fn step(&self, x: u64) -> f64 {
        let (n, x) = (self.total() as f64, x as f64);
        let odds = match *self {
            Self::Binomial { share, .. } => share / (1.0 - share),
            Self::BetaBinomial { inside, outside, .. } => (inside + x) / (outside + n - x - 1.0),
        };
        (n - x) / (x + 1.0) * odds
    }

    /// Both tails at a count: the side away from the mean is summed outwards, the other is its complement.
    pub(super) fn tails(&self, count: u64) -> CountTails {
        if let Some(only) = self.certain() {
            let holds = |it: bool| f64::from(u8::from(it));
            return CountTails {
                less: holds(only <= count),
                greater: holds(only >= count),
                point: holds(only == count),
            };
        }
        if count > self.total() {
            return CountTails { less: 1.0, greater: 0.0, point: 0.0 };
        }
        let n = self.total() as f64;
        match *self {
            Self::Binomial { share, .. } => {
                let odds = share / (1.0 - share);
                self.summed(count, |x| (n - x) * odds / (x + 1.0))
            }
            Self::BetaBinomial { inside, outside, .. } => {
                // One division a term: tails of large counts are thousands of terms.
                let above = outside + n - 1.0;
                self.summed(count, |x| (n - x) * (inside + x) / ((x + 1.0) * (above - x)))
            }
        }
    }

    /// The tails at a possible count, given P(X = x + 1) / P(X = x).
    fn summed(&self, count: u64, step: impl Fn(f64) -> f64) -> CountTails {
        let (point, n) = (self.point(count), self.total() as f64);
        let (mut sum, mut term, mut x) = (point, point, count as f64);
        if x >= self.mean() {
            while x < n && term > COMPLETE * sum {
                term *= step(x);
                sum += term;
                x += 1.0;
            }
            let greater = sum.min(1.0);
            CountTails { less: (1.0 - greater + point).min(1.0), greater, point }
        } else {
            while x > 0.0 && term > COMPLETE * sum {
                x -= 1.0;
                term /= step(x);
                sum += term;
            }
            let less = sum.min(1.0);
            CountTails { less, greater: (1.0 - less + point).min(1.0), point }
        }
    }

    /// The counts that hold all but a negligible part of the probability, with their probabilities.
    pub(super) fn support(&self, negligible: f64) -> Vec<(u64, f64)> {
        if let Some(only) = self.certain() {
            return vec![(only, 1.0)];
        }
        let start = (self.mean() as u64).min(self.total());
        let mut below = Vec::new();
        let (mut x, mut term) = (start, self.point(start));
        let first = term;
        // A law can rise towards zero below its mean, so the way down goes on while terms grow.
        while x > 0 {
            x -= 1;
            let next = term / self.step(x);
            if next < negligible && next <= term {
                break;
            }
            term = next;
            below.push((x, term));
        }
        below.reverse();
        below.push((start, first));
        (x, term) = (start, first);
        while x < self.total() {
            let next = term * self.step(x);
            x += 1;
            if next < negligible && next <= term {
                break;
            }
            term = next;
            below.push((x, term));
        }
        below
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::tails::binomial_tails;

    #[test]
    fn binomial_tails_agree_with_the_incomplete_beta() {
        for (count, total, share) in
            [(3, 10, 0.2), (0, 40, 0.1), (17, 400, 0.02), (2, 400, 0.02), (10, 10, 0.5)]
        {
            let got = CountLaw::new(total, share, 1.0).tails(count);
            let expected = binomial_tails(count, total, share);
            assert!((got.less / expected.less - 1.0).abs() < 1e-9, "{count} {total}: {got:?}");
            assert!((got.greater / expected.greater - 1.0).abs() < 1e-9, "{count} {total}: {got:?}");
        }
    }

    /// Two of three in clumps with sizes (1, 2): C(3, 2) B(3, 3) / B(1, 2) = 3 × (1/30) / (1/2) = 0.2; none
    /// B(1, 5) / B(1, 2) = 0.4; one 3 B(2, 4) / B(1, 2) = 0.3; three B(4, 2) / B(1, 2) = 0.1.
    #[test]
    fn clumped_tails_by_hand() {
        let law = CountLaw::BetaBinomial { total: 3, inside: 1.0, outside: 2.0 };
        for (count, point, less, greater) in
            [(0, 0.4, 0.4, 1.0), (1, 0.3, 0.7, 0.6), (2, 0.2, 0.9, 0.3), (3, 0.1, 1.0, 0.1)]
        {
            let got = law.tails(count);
            assert!((got.point - point).abs() < 1e-12, "{count}: {got:?}");
            assert!(
                (got.less - less).abs() < 1e-12 && (got.greater - greater).abs() < 1e-12,
                "{count}: {got:?}"
            );
        }
        assert!((law.mean() - 1.0).abs() < 1e-12);
        // 0.3 + 4 × 0.2 + 9 × 0.1 - 1.
        assert!((law.variance() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_support_holds_everything() {
        for law in
            [CountLaw::new(300, 0.02, 1.0), CountLaw::new(300, 0.02, 4.0), CountLaw::new(50, 0.001, 6.0)]
        {
            let support = law.support(1e-13);
            let total: f64 = support.iter().map(|(_, p)| p).sum();
            assert!((total - 1.0).abs() < 1e-8, "{total}");
            let mean: f64 = support.iter().map(|(x, p)| *x as f64 * p).sum();
            assert!((mean - law.mean()).abs() < 1e-6 * law.mean().max(1.0), "{mean}");
        }
    }

    #[test]
    fn nobody_walks_and_everybody_walks() {
        let none = CountLaw::new(5, 0.0, 1.0);
        assert_eq!(none.tails(0), CountTails { less: 1.0, greater: 1.0, point: 1.0 });
        assert_eq!(none.tails(1), CountTails { less: 1.0, greater: 0.0, point: 0.0 });
        assert_eq!(CountLaw::new(5, 1.0, 2.0).tails(5).greater, 1.0);
    }

    proptest::proptest! {
        #[test]
        fn tails_overlap_in_the_point(
            total in 1u64..200, share in 0.0001..0.9999f64, factor in 1.0..8.0f64, at in 0.0..1.0f64,
        ) {
            let law = CountLaw::new(total, share, factor);
            let got = law.tails((at * total as f64) as u64);
            proptest::prop_assert!((got.less + got.greater - got.point - 1.0).abs() < 1e-9);
            proptest::prop_assert!(got.less >= got.point * (1.0 - 1e-9) && got.greater >= got.point * (1.0 - 1e-9));
        }
    }
}
