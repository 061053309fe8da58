//! Trend of a reaction over escalating contact.

use crate::analysis::counts::trend::{
    ExactTrendTest, ScoredGroups, TrendTest, cochran_armitage, exact_trend,
};
use crate::analysis::response::{Approach, Contact, InvalidApproaches, Question, by_cluster, outcomes};

/// Trend over escalating contact where approaches are independent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EscalationTrend {
    /// Organisms repeat, so that this test does not hold; the permutation test does.
    RepeatedOrganisms {
        /// Organisms approached more than once.
        n_repeated: usize,
    },
    /// Nothing says that unrecognised organisms were approached once each: whether the data are independent is not known.
    Unrecognised {
        /// Approaches to organisms that nobody recognised.
        n_approaches: usize,
    },
    /// Every organism was approached once: independent data.
    Independent {
        /// Cochran and Armitage's test, contacts scored by their order.
        asymptotic: TrendTest,
        /// The exact test.
        exact: ExactTrendTest,
    },
}

/// Cochran and Armitage's test for trend over contact, for independent data only.
///
/// Contacts are scored 0 to 4 by escalation. An unrecognised organism counts as independent of all others, which a
/// reader must be told.
///
/// # Errors
/// [`InvalidApproaches::Counts`] if the tests underneath refuse the counts, which whole approaches never cause.
pub fn escalation_trend(
    approaches: &[Approach],
    question: Question,
) -> Result<EscalationTrend, InvalidApproaches> {
    let outcomes = outcomes(approaches, question);
    let n_repeated = by_cluster(&outcomes).iter().filter(|organism| organism.len() > 1).count();
    if n_repeated > 0 {
        return Ok(EscalationTrend::RepeatedOrganisms { n_repeated });
    }
    let (mut events, mut trials) = ([0; 5], [0; 5]);
    for outcome in &outcomes {
        trials[outcome.contact.index()] += 1;
        events[outcome.contact.index()] += u64::from(outcome.shown);
    }
    let scores = Contact::ALL.map(|contact| contact.index() as f64);
    let groups = ScoredGroups { events: &events, trials: &trials, scores: &scores };
    Ok(EscalationTrend::Independent { asymptotic: cochran_armitage(groups)?, exact: exact_trend(groups)? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;
    use crate::analysis::response::testing::{QUESTION, approach};

    #[test]
    fn independent_approaches_give_the_plain_test() {
        // Formula, agreeing with R 4.2.2 prop.trend.test: 2, 5, 9, 14 of 40, 42, 38, 41.
        let mut approaches = Vec::new();
        for (contact, (events, trials)) in Contact::ALL.into_iter().zip([(2, 40), (5, 42), (9, 38), (14, 41)])
        {
            approaches.extend((0..trials).map(|idx| approach(contact, None, idx < events)));
        }
        let EscalationTrend::Independent { asymptotic: TrendTest::Tested(trend), exact } =
            escalation_trend(&approaches, QUESTION).unwrap()
        else {
            panic!("not tested")
        };
        close(trend.chi_squared, 13.1665145591, 1e-10);
        let ExactTrendTest::Tested(tails) = exact else { panic!("not exact") };
        // Few enough events that the two differ, many enough that they agree roughly.
        assert!(tails.two_sided > 0.5 * trend.p_value && tails.two_sided < 3.0 * trend.p_value);
    }

    #[test]
    fn repeats_are_refused() {
        let approaches = [
            approach(Contact::Beside, Some(1), true),
            approach(Contact::Over, Some(1), false),
            approach(Contact::Over, None, false),
        ];
        assert_eq!(
            escalation_trend(&approaches, QUESTION),
            Ok(EscalationTrend::RepeatedOrganisms { n_repeated: 1 })
        );
    }
}
