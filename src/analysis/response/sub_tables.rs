//! The permutation test by species, life stage, temperature band or season.

use crate::analysis::false_discovery::holm;
use crate::analysis::response::contact_test::{ContactTest, ContactTestParams, contact_test};
use crate::analysis::response::{Approach, InvalidApproaches};

/// How several sub-tables are to be read together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Multiplicity {
    /// Each p-value is adjusted by Holm's method over the sub-tables that could be tested.
    Holm,
    /// No adjustment; pages must say that the result is exploratory.
    Exploratory,
}

/// The test within one sub-table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SubTableTest {
    /// The test on the sub-table's approaches alone.
    pub test: ContactTest,
    /// Holm's adjusted p-value; `None` when exploratory or not estimable.
    pub holm_p_value: Option<f64>,
}

/// The test in each sub-table: species, life stage, temperature band, season.
///
/// `groups` holds the sub-table of each approach, `None` for one in none of them. One result for each of `n_groups`.
///
/// # Errors
/// [`InvalidApproaches`] when the groups do not match the approaches or no draws are asked for.
pub fn sub_table_tests(
    approaches: &[Approach],
    groups: &[Option<usize>],
    n_groups: usize,
    multiplicity: Multiplicity,
    params: ContactTestParams,
) -> Result<Vec<SubTableTest>, InvalidApproaches> {
    if groups.len() != approaches.len() {
        return Err(InvalidApproaches::GroupsDiffer { groups: groups.len(), approaches: approaches.len() });
    }
    let mut tests = Vec::with_capacity(n_groups);
    for group in 0..n_groups {
        let in_group = approaches.iter().zip(groups).filter(|(_, of)| **of == Some(group));
        let members: Vec<Approach> = in_group.map(|(approach, _)| approach.clone()).collect();
        tests.push(SubTableTest { test: contact_test(&members, params)?, holm_p_value: None });
    }
    if multiplicity == Multiplicity::Holm {
        let p_values: Vec<f64> = tests.iter().filter_map(|test| test.test.p_value()).collect();
        // Permutation p-values are probabilities, so that adjusting them cannot fail.
        let mut adjusted = holm(&p_values).unwrap_or_default().into_iter();
        for test in &mut tests {
            if test.test.p_value().is_some() {
                test.holm_p_value = adjusted.next();
            }
        }
    }
    Ok(tests)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::response::Contact;
    use crate::analysis::response::contact_test::Alternative;
    use crate::analysis::response::testing::{QUESTION, approach};

    const PARAMS: ContactTestParams = ContactTestParams {
        question: QUESTION,
        alternative: Alternative::Escalation,
        n_permutations: 999,
        seed: 11,
    };

    #[test]
    fn sub_tables_are_adjusted_together() {
        let mut approaches = Vec::new();
        let mut groups = Vec::new();
        for group in 0..2 {
            for idx in 0..24 {
                let contact = if idx % 2 == 0 { Contact::Beside } else { Contact::Underfoot };
                let shown = if group == 0 { idx % 2 == 1 } else { idx % 3 == 0 };
                approaches.push(approach(contact, None, shown));
                groups.push(Some(group));
            }
        }
        let run = |multiplicity| sub_table_tests(&approaches, &groups, 3, multiplicity, PARAMS).unwrap();
        let tests = run(Multiplicity::Holm);
        let p = |idx: usize| tests[idx].test.p_value().unwrap();
        assert_eq!(tests[0].holm_p_value, Some((2.0 * p(0)).min(1.0)));
        assert!(tests[1].holm_p_value.unwrap() >= p(1));
        assert_eq!(tests[2], SubTableTest { test: ContactTest::NotEstimable, holm_p_value: None });
        assert!(run(Multiplicity::Exploratory).iter().all(|test| test.holm_p_value.is_none()));
        assert!(sub_table_tests(&approaches, &groups[1..], 3, Multiplicity::Holm, PARAMS).is_err());
    }
}
