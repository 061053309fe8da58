//! Shares before and after: of a kind of contact among encounters, and of parties that did what a sign asks.

use crate::analysis::before_after::baseline::{Chance, compare, later_baseline};
use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::{Effectiveness, InvalidComparison, Unit};

/// The change of a share where signs stand over its change where none stands.
///
/// Units hold encounters of the kind as their count, and in place of kilometres all encounters whose kind is known.
/// `before` must be a period that had no part in choosing the places: close contacts may have chosen them, and units of many
/// close contacts have a smaller share of them afterwards whatever is done there. Each sign counts as one, as for rates
/// ([`later_baseline`]). Counts of a share vary less than those of a rate, so that limits are a little wide where the share
/// is large.
///
/// # Errors
/// As [`later_baseline`].
pub fn share_change(units: &[Unit], params: &CompareParams) -> Result<Effectiveness, InvalidComparison> {
    later_baseline(units, params)
}

/// The change of a share of watched parties, as [`share_change`], with the chance of a share in place of that of a count.
///
/// Units are places; they hold parties that did as asked as their count, and in place of kilometres all that passed. All
/// watches of a place are one unit, however many there were: parties of one hour or place resemble each other. `before` may
/// be any time before the signs, since encounters chose the places and no watched behaviour did; where it did, `before` must
/// begin after the choice.
///
/// # Errors
/// As [`later_baseline`]; also where a unit counts more parties than passed.
pub fn watched_change(units: &[Unit], params: &CompareParams) -> Result<Effectiveness, InvalidComparison> {
    for (unit, given) in units.iter().enumerate() {
        for period in [given.before, given.after] {
            if period.count as f64 > period.km {
                return Err(InvalidComparison::MoreThanAll { unit, count: period.count, all: period.km });
            }
        }
    }
    compare(units, params, Chance::OfShares)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::before_after::{Period, Role, Verdict};

    fn unit((close, all): (u64, u64), (close_after, all_after): (u64, u64), role: Role) -> Unit {
        let period = |count, of: u64| Period { count, km: of as f64 };
        Unit { before: period(close, all), after: period(close_after, all_after), role }
    }

    fn index(units: &[Unit]) -> crate::analysis::before_after::Index {
        match share_change(units, &CompareParams::default()).unwrap() {
            Effectiveness::Estimated(index) => index,
            Effectiveness::NotEstimable(why) => panic!("{why:?}"),
        }
    }

    #[test]
    fn signs_are_counted_not_encounters() {
        let controls = [unit((20, 80), (20, 80), Role::Control); 4];
        let with = |signed: Vec<Unit>| index(&signed.into_iter().chain(controls).collect::<Vec<_>>());
        // A hundred encounters at each of two signs: a matter of two places.
        let two = with(vec![unit((50, 100), (10, 100), Role::Signed); 2]);
        assert!(two.limits.upper.unwrap() < 1.0);
        assert_eq!(two.verdict, Verdict::TooFewSigns);
        let eight = with(vec![unit((12, 25), (3, 25), Role::Signed); 8]);
        assert_eq!(eight.verdict, Verdict::Fewer);
        // All of the change at one of eight signs.
        let mut one = vec![unit((3, 25), (3, 25), Role::Signed); 7];
        one.push(unit((180, 300), (10, 300), Role::Signed));
        assert_eq!(with(one).verdict, Verdict::NotToldApart);
    }

    fn watched(units: &[Unit]) -> crate::analysis::before_after::Index {
        match watched_change(units, &CompareParams::default()).unwrap() {
            Effectiveness::Estimated(index) => index,
            Effectiveness::NotEstimable(why) => panic!("{why:?}"),
        }
    }

    #[test]
    fn the_chance_of_a_share_is_binomial() {
        // One sign and one control, 50 of 100 before, 50 and 80 of 100 after: the variance of a logarithm of a share is
        // (1 - p) / (n p), so that of their ratio of ratios is 3 * 0.01 + 0.0025.
        let units = [unit((50, 100), (80, 100), Role::Signed), unit((50, 100), (50, 100), Role::Control)];
        let found = watched(&units);
        let effect = found.change.estimate().unwrap();
        assert!((effect - 1.6).abs() < 1e-9, "{effect}");
        // The pooled form of the linearised variance: each side's share by itself, as here, is the same.
        let expected = (3.0 * 0.01_f64 + 0.0025).sqrt();
        let std_error = found.std_error.unwrap() / effect;
        assert!((std_error / expected - 1.0).abs() < 0.02, "{std_error} and {expected}");
        // As events they vary more.
        let as_events = index(&units);
        assert!(as_events.std_error.unwrap() > 1.4 * found.std_error.unwrap());
        assert_eq!(found.verdict, Verdict::TooFewSigns);
    }

    #[test]
    fn nobody_who_did_as_asked_has_an_upper_limit_only() {
        let mut units = vec![unit((9, 30), (0, 30), Role::Signed); 6];
        units.extend([unit((9, 30), (9, 30), Role::Control); 6]);
        let found = watched(&units);
        assert_eq!((found.change.estimate(), found.limits.lower), (None, 0.0));
        assert!(found.limits.upper.unwrap() < 1.0 && found.verdict == Verdict::Fewer);
        let more = [unit((31, 30), (0, 30), Role::Signed)];
        assert!(watched_change(&more, &CompareParams::default()).is_err());
    }
}
