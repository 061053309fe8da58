//! Shares as natural frequencies: "about 3 in 100", with limits that never claim more than the records hold.
//!
//! Readers who are given counts out of one round number judge a risk better than those given per cent (Gigerenzer, G. and
//! Hoffrage, U. (1995). How to improve Bayesian reasoning without instruction: frequency formats. *Psychological Review*
//! 102, 684-704).

/// The round number that shares are out of.
pub const BASE: u8 = 100;
/// Fewer approaches than this say too little for a share.
pub const FEWEST_APPROACHES: u64 = 10;
/// Fewer snakes than this say too little for a share: they may all be of one temper.
pub const FEWEST_SNAKES: u64 = 5;

/// What was counted, with limits of the share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// Approaches that showed the reaction, at most `n`.
    pub k: u64,
    /// Approaches.
    pub n: u64,
    /// Snakes behind them at most: one not recognised counts as one.
    pub n_snakes: u64,
    /// Recognised snakes among them.
    pub n_recognised: u64,
    /// Lower limit of the share, in [0, 1].
    pub lower: f64,
    /// Upper limit of the share, in [0, 1].
    pub upper: f64,
}

/// A share as a natural frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Frequency {
    /// Too few approaches or snakes to say.
    TooFew,
    /// Never shown, which is not never to be: up to `upper` in 100 fit the records.
    Never {
        /// Upper limit, rounded up.
        upper: u8,
    },
    /// Always shown: down to `lower` in 100 fit the records.
    Always {
        /// Lower limit, rounded down.
        lower: u8,
    },
    /// Shown by some.
    Some {
        /// The share.
        about: About,
        /// Lower limit, rounded down; zero means fewer than one.
        lower: u8,
        /// Upper limit, rounded up.
        upper: u8,
    },
}

/// A share out of 100 that is neither none nor all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// Fewer than 1 in 100, but not none.
    FewerThanOne,
    /// So many, rounded to the nearest: 1 to 99.
    Whole(u8),
    /// More than 99 in 100, but not all.
    MoreThan99,
}

/// The natural frequency of a share. Limits are rounded outwards, so that the words never claim a narrower range.
pub fn frequency(counted: &Counted) -> Frequency {
    let base = f64::from(BASE);
    // Limits that are whole but for rounding stay where they are.
    let upper = ((counted.upper * base - 1e-9).ceil()).clamp(0.0, base) as u8;
    let lower = ((counted.lower * base + 1e-9).floor()).clamp(0.0, base) as u8;
    if counted.n < FEWEST_APPROACHES || counted.n_snakes < FEWEST_SNAKES {
        return Frequency::TooFew;
    }
    match counted.k {
        0 => Frequency::Never { upper: upper.max(1) },
        k if k >= counted.n => Frequency::Always { lower },
        k => {
            let share = k as f64 / counted.n as f64 * base;
            let about = match share {
                share if share < 1.0 => About::FewerThanOne,
                share if share > base - 1.0 => About::MoreThan99,
                share => About::Whole(share.round() as u8),
            };
            Frequency::Some { about, lower, upper: upper.max(1) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::clopper_pearson_limits;
    use proptest::prelude::*;

    fn counted(k: u64, n: u64) -> Counted {
        let (lower, upper) = clopper_pearson_limits(k, n, 0.95).unwrap();
        Counted { k, n, n_snakes: n, n_recognised: n, lower, upper }
    }

    #[test]
    fn words_are_honest_at_the_edges() {
        let check = |k, n, expected: Frequency| assert_eq!(frequency(&counted(k, n)), expected, "{k} of {n}");
        let nothing = Counted { k: 0, n: 0, n_snakes: 0, n_recognised: 0, lower: 0.0, upper: 1.0 };
        assert_eq!(frequency(&nothing), Frequency::TooFew);
        check(1, 1, Frequency::TooFew);
        check(3, 9, Frequency::TooFew);
        // Exact limits of 0 of n: 1 − 0.025^(1/n) (Clopper and Pearson 1934).
        check(0, 10, Frequency::Never { upper: 31 });
        check(0, 175, Frequency::Never { upper: 3 });
        check(0, 100_000, Frequency::Never { upper: 1 });
        check(10, 10, Frequency::Always { lower: 69 });
        // 6 of 175: 3.43 %, limits 1.27 % to 7.31 %.
        check(6, 175, Frequency::Some { about: About::Whole(3), lower: 1, upper: 8 });
        check(1, 175, Frequency::Some { about: About::FewerThanOne, lower: 0, upper: 4 });
        check(174, 175, Frequency::Some { about: About::MoreThan99, lower: 96, upper: 100 });
        check(1, 100, Frequency::Some { about: About::Whole(1), lower: 0, upper: 6 });
        check(99, 100, Frequency::Some { about: About::Whole(99), lower: 94, upper: 100 });
    }

    #[test]
    fn many_approaches_to_few_snakes_say_too_little() {
        let few = Counted { n_snakes: 4, ..counted(3, 300) };
        assert_eq!(frequency(&few), Frequency::TooFew);
        assert_ne!(frequency(&Counted { n_snakes: 5, ..few }), Frequency::TooFew);
    }

    #[test]
    fn a_limit_that_is_whole_is_not_pushed_on_by_rounding() {
        let at = Counted {
            k: 20,
            n: 400,
            n_snakes: 40,
            n_recognised: 40,
            lower: 0.29 - 0.26,
            upper: 0.1 + 0.2 - 0.23,
        };
        assert_eq!(frequency(&at), Frequency::Some { about: About::Whole(5), lower: 3, upper: 7 });
    }

    proptest! {
        #[test]
        fn the_words_never_claim_a_narrower_range(n in 10u64..3000, part in 0.0f64..=1.0) {
            let k = (n as f64 * part).round() as u64;
            let given = counted(k, n);
            match frequency(&given) {
                Frequency::TooFew => prop_assert!(false, "{k} of {n}"),
                Frequency::Never { upper } => {
                    prop_assert!(k == 0 && f64::from(upper) >= given.upper * 100.0 - 1e-6);
                }
                Frequency::Always { lower } => {
                    prop_assert!(k == n && f64::from(lower) <= given.lower * 100.0 + 1e-6);
                }
                Frequency::Some { about, lower, upper } => {
                    prop_assert!(k > 0 && k < n);
                    prop_assert!(f64::from(lower) <= given.lower * 100.0 + 1e-6);
                    prop_assert!(f64::from(upper) >= given.upper * 100.0 - 1e-6);
                    if let About::Whole(whole) = about {
                        prop_assert!((1..100).contains(&whole) && lower <= whole && whole <= upper);
                    }
                }
            }
        }
    }
}
