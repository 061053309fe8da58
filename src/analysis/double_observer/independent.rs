//! Two observers who do not know what the other saw.

use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::counts::{Ratio, clopper_pearson_limits, half_alpha};
use crate::analysis::double_observer::{Detection, InvalidSightings, lognormal_limits};

/// Seen by both fewer times than this, the number estimated is badly biased (Robson & Regier 1964).
pub const ENOUGH_BY_BOTH: u64 = 7;

/// What two independent observers say.
#[derive(Debug, Clone, PartialEq)]
pub struct Independent {
    /// Different snakes seen.
    pub seen: u64,
    /// Lincoln–Petersen estimate of the snakes that could be seen: infinite where none was seen by both.
    pub lincoln_petersen: Ratio,
    /// Chapman's estimate of the same, finite always.
    pub chapman: f64,
    /// Its variance after Seber.
    pub variance: f64,
    /// Normal limits of Chapman's estimate, to be compared only: they may fall below the number seen.
    pub normal_limits: (f64, f64),
    /// Log-normal limits; `None` where nothing is thought to be missed.
    pub limits: Option<(f64, f64)>,
    /// Share of visible snakes that the first observer sees; `None` where the second saw none to judge by.
    pub first: Option<Detection>,
    /// Share that the second observer sees.
    pub second: Option<Detection>,
    /// Share that at least one of them sees; `None` where either is unknown.
    pub either: Option<Detection>,
    /// Whether the sightings can bear an estimate.
    pub overlap: Overlap,
}

/// How many snakes both observers saw, in relation to what an estimate needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Overlap {
    /// Nobody saw any snake: detection is unknown.
    NothingSeen,
    /// None was seen by both: the number of snakes has no upper bound that the data set.
    None,
    /// Fewer than [`ENOUGH_BY_BOTH`] were seen by both: the estimate is badly biased and its interval too narrow.
    Few,
    /// One observer missed nothing that the other saw: no spread can be estimated.
    NothingMissed,
    /// Enough for an estimate.
    Enough,
}

/// Estimates detection and the number of visible snakes from two independent observers.
///
/// `first` and `second` are snakes seen by each, `both` those seen by both. It assumes that both can see every snake
/// alike: where some are easier to see for both, the number is too low ([`super::huggins()`] mends what covariates tell).
///
/// Limits of each observer's share are exact given the other's sightings (Clopper & Pearson 1934); those of both together
/// follow from the log-normal limits of the number.
///
/// # Errors
/// [`InvalidSightings`] when `both` exceeds either or the level is out of range.
///
/// # References
/// Chapman, D. G. (1951). Some properties of the hypergeometric distribution with applications to zoological censuses.
/// *University of California Publications in Statistics* 1, 131-160. Seber, G. A. F. (1982). *The Estimation of Animal
/// Abundance*, 2nd ed., section 3.1.
pub fn independent(first: u64, second: u64, both: u64, level: f64) -> Result<Independent, InvalidSightings> {
    let deviate = upper_deviate(half_alpha(level)?);
    let fewer = first.min(second);
    if both > fewer {
        return Err(InvalidSightings::MoreByBoth { both, fewer });
    }
    let seen = first + second - both;
    let (n1, n2, m) = (first as f64, second as f64, both as f64);
    let chapman = (n1 + 1.0) * (n2 + 1.0) / (m + 1.0) - 1.0;
    // Seber (1982), equation 3.4.
    let variance = (n1 + 1.0) * (n2 + 1.0) * (n1 - m) * (n2 - m) / ((m + 1.0) * (m + 1.0) * (m + 2.0));
    let reach = deviate * variance.sqrt();
    let limits = lognormal_limits(seen as f64, chapman, variance, deviate);
    let by_first = detection(both, second, level);
    let by_second = detection(both, first, level);
    Ok(Independent {
        seen,
        lincoln_petersen: Ratio::of(n1 * n2, m),
        chapman,
        variance,
        normal_limits: (chapman - reach, chapman + reach),
        limits,
        first: by_first,
        second: by_second,
        either: by_first.zip(by_second).map(|(a, b)| either(a, b, seen as f64, limits)),
        overlap: overlap(seen, both, fewer),
    })
}

fn overlap(seen: u64, both: u64, fewer: u64) -> Overlap {
    match both {
        _ if seen == 0 => Overlap::NothingSeen,
        0 => Overlap::None,
        _ if both < ENOUGH_BY_BOTH => Overlap::Few,
        _ if both == fewer => Overlap::NothingMissed,
        _ => Overlap::Enough,
    }
}

fn detection(both: u64, by_other: u64, level: f64) -> Option<Detection> {
    let (lower, upper) = clopper_pearson_limits(both, by_other, level).ok()?;
    Some(Detection { share: both as f64 / by_other as f64, lower, upper })
}

/// The share that at least one sees; its limits are those of seen over number, never beyond the estimate itself.
fn either(first: Detection, second: Detection, seen: f64, limits: Option<(f64, f64)>) -> Detection {
    let together = |a: f64, b: f64| 1.0 - (1.0 - a) * (1.0 - b);
    let share = together(first.share, second.share);
    let (lower, upper) = match limits {
        Some((fewest, most)) => (seen / most, seen / fewest),
        None => (together(first.lower, second.lower), 1.0),
    };
    Detection { share, lower: lower.min(share), upper: upper.max(share) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::{close, close_pair};
    use proptest::prelude::*;

    fn seen(first: u64, second: u64, both: u64) -> Independent {
        independent(first, second, both, 0.95).unwrap()
    }

    #[test]
    fn a_field_count_by_hand() {
        // 35 * 29 / 20 - 1; 35 * 29 * 15 * 9 / (400 * 21).
        let result = seen(34, 28, 19);
        close(result.chapman, 49.75, 1e-12);
        close(result.variance, 16.3125, 1e-12);
        close_pair(result.limits.unwrap(), (45.2825396584, 62.9613180136), 1e-10);
        close(result.first.unwrap().share, 19.0 / 28.0, 1e-12);
        close(result.either.unwrap().share, 0.858193277311, 1e-10);
        assert_eq!(result.overlap, Overlap::Enough);
    }

    #[test]
    fn degenerate_sightings_have_names() {
        let nothing = seen(0, 0, 0);
        assert_eq!((nothing.overlap, nothing.first, nothing.either), (Overlap::NothingSeen, None, None));
        let apart = seen(12, 9, 0);
        assert_eq!((apart.overlap, apart.lincoln_petersen), (Overlap::None, Ratio::Infinite));
        assert_eq!(apart.either.unwrap().lower, apart.either.unwrap().lower.clamp(0.0, 1.0));
        assert_eq!(seen(10, 15, 5).overlap, Overlap::Few);
        let subset = seen(20, 7, 7);
        assert_eq!((subset.overlap, subset.limits), (Overlap::NothingMissed, None));
        assert!(subset.either.unwrap().lower < 1.0, "seeing all of few does not prove that all are seen");
        assert_eq!(independent(3, 9, 4, 0.95), Err(InvalidSightings::MoreByBoth { both: 4, fewer: 3 }));
        assert!(independent(3, 9, 1, 1.0).is_err());
    }

    #[test]
    fn exchanging_the_observers_exchanges_their_shares() {
        let (one, other) = (seen(34, 28, 19), seen(28, 34, 19));
        assert_eq!((one.first, one.second), (other.second, other.first));
        assert_eq!((one.chapman, one.limits, one.either), (other.chapman, other.limits, other.either));
    }

    proptest! {
        #[test]
        fn numbers_and_shares_keep_their_order(only_first in 0u64..60, only_second in 0u64..60, both in 0u64..60) {
            let found = seen(only_first + both, only_second + both, both);
            prop_assert!(found.chapman >= found.seen as f64 - 1e-9);
            if let Some((lower, upper)) = found.limits {
                prop_assert!(found.seen as f64 <= lower && lower <= found.chapman && found.chapman <= upper);
            }
            for share in [found.first, found.second, found.either].into_iter().flatten() {
                prop_assert!(0.0 <= share.lower && share.lower <= share.share);
                prop_assert!(share.share <= share.upper && share.upper <= 1.0);
            }
        }
    }
}
