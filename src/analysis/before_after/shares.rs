//! Shares of a kind of contact among encounters, before and after.

use crate::analysis::before_after::baseline::later_baseline;
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
}
