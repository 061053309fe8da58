//! A leader and a follower who notes only what the leader missed: removal in two passes.

use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::counts::{clopper_pearson_limits, half_alpha};
use crate::analysis::double_observer::{Detection, InvalidSightings, lognormal_limits};

/// What a leader and a follower say.
#[derive(Debug, Clone, PartialEq)]
pub enum LeadFollow {
    /// The follower found fewer than the leader.
    Estimated(RemovalFit),
    /// The follower found at least as many as the leader: two passes then say nothing about what is left.
    NotEstimable {
        /// Found by the leader.
        first: u64,
        /// Found by the follower only.
        second: u64,
    },
    /// Nobody found any.
    NothingSeen,
}

/// Removal estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct RemovalFit {
    /// Different snakes found.
    pub seen: u64,
    /// Number of snakes that could be seen.
    pub abundance: f64,
    /// Its large-sample variance.
    pub variance: f64,
    /// Log-normal limits; `None` where the follower found nothing, so that nothing is thought to be missed.
    pub limits: Option<(f64, f64)>,
    /// Share of visible snakes that one observer finds.
    pub each: Detection,
    /// Share that leader and follower find together.
    pub both: Detection,
}

/// Estimates detection from a leader and a follower.
///
/// `first` counts the leader's finds, `second` those of the follower that the leader missed. It assumes that both find a
/// snake alike, and that the follower has the same chance after the leader has passed: a snake that moves off after the
/// leader breaks it. Given the total, the leader's finds are Binomial(total, 1 / (2 - p)); the limits of p are exact.
///
/// # Errors
/// [`InvalidSightings::Level`] when the level is out of range.
///
/// # References
/// Seber, G. A. F. & Whale, J. F. (1970). The removal method for two and three samples. *Biometrics* 26, 393-400; Seber
/// (1982), *The Estimation of Animal Abundance*, 2nd ed., section 7.2.2.
pub fn lead_follow(first: u64, second: u64, level: f64) -> Result<LeadFollow, InvalidSightings> {
    let deviate = upper_deviate(half_alpha(level)?);
    if first + second == 0 {
        return Ok(LeadFollow::NothingSeen);
    }
    if second >= first {
        return Ok(LeadFollow::NotEstimable { first, second });
    }
    let (n1, n2) = (first as f64, second as f64);
    let fewer = n1 - n2;
    let abundance = n1 * n1 / fewer;
    let variance = n1 * n1 * n2 * n2 * (n1 + n2) / fewer.powi(4);
    // The total is above zero and the level is in range, so these limits exist.
    let (low, high) = clopper_pearson_limits(first, first + second, level).unwrap_or((0.5, 1.0));
    let detected = |share: f64| (2.0 - 1.0 / share).clamp(0.0, 1.0);
    let each = Detection { share: 1.0 - n2 / n1, lower: detected(low), upper: detected(high) };
    let together = |p: f64| 1.0 - (1.0 - p) * (1.0 - p);
    Ok(LeadFollow::Estimated(RemovalFit {
        seen: first + second,
        abundance,
        variance,
        limits: lognormal_limits(n1 + n2, abundance, variance, deviate),
        each,
        both: Detection {
            share: together(each.share),
            lower: together(each.lower),
            upper: together(each.upper),
        },
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;

    #[test]
    fn two_passes_by_hand() {
        // 60 and 20: p = 2/3, N = 3600/40 = 90, variance 3600 * 400 * 80 / 40^4 = 45.
        let LeadFollow::Estimated(fit) = lead_follow(60, 20, 0.95).unwrap() else { panic!() };
        close(fit.each.share, 2.0 / 3.0, 1e-12);
        close(fit.abundance, 90.0, 1e-12);
        close(fit.variance, 45.0, 1e-12);
        close(fit.both.share, 8.0 / 9.0, 1e-12);
        let (lower, upper) = fit.limits.unwrap();
        assert!(80.0 < lower && lower < 90.0 && 90.0 < upper);
        assert!(fit.each.lower < fit.each.share && fit.each.share < fit.each.upper);
    }

    #[test]
    fn a_follower_who_finds_as_many_ends_the_estimate() {
        let none = LeadFollow::NotEstimable { first: 7, second: 7 };
        assert_eq!(lead_follow(7, 7, 0.95).unwrap(), none);
        assert_eq!(lead_follow(0, 0, 0.95).unwrap(), LeadFollow::NothingSeen);
        assert!(matches!(lead_follow(0, 3, 0.95).unwrap(), LeadFollow::NotEstimable { .. }));
        let LeadFollow::Estimated(all) = lead_follow(9, 0, 0.95).unwrap() else { panic!() };
        assert_eq!((all.limits, all.each.share), (None, 1.0));
        assert!(all.each.lower < 0.7, "nine of nine prove little");
    }
}
