//! Permutation test of a reaction against contact.

use std::collections::BTreeMap;

use rand::seq::SliceRandom;
use rand_distr::{Distribution, Hypergeometric};
use rayon::prelude::*;

use crate::analysis::random::{Stream, seed_of, stream};
use crate::analysis::response::{
    Approach, Contact, InvalidApproaches, Outcome, Question, by_cluster, n_unrecognised, outcomes,
};

const N_CONTACTS: usize = Contact::ALL.len();

/// What the test looks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Alternative {
    /// Shares differ between contacts in any way.
    AnyDifference,
    /// Shares rise, or fall, with escalating contact (scored 0 to 4).
    Escalation,
}

/// What to test and how.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ContactTestParams {
    /// The reaction and the approaches.
    pub question: Question,
    /// What to look for.
    pub alternative: Alternative,
    /// Draws.
    pub n_permutations: usize,
    /// Seed of the draws.
    pub seed: u64,
}

/// How contacts were permuted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scheme {
    /// Among the approaches of each organism.
    WithinOrganisms,
    /// Whole organisms between contacts, since each met one kind of contact.
    BetweenOrganisms,
    /// Both: within the organisms that met several contacts, and whole organisms among the others.
    WithinAndBetween,
}

/// Result of the permutation test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ContactTest {
    /// No approaches, one contact, all or none showed the reaction, or no organism whose contacts could be permuted.
    NotEstimable,
    /// Nobody recognised any organism and no protocol kept them apart, which callers know: permuting approaches would take
    /// one organism met again for several.
    Unrecognised {
        /// Approaches.
        n_approaches: usize,
    },
    /// The test.
    Tested {
        /// Squared departures of the contacts' counts from their mean, over the approaches of each contact; or the size
        /// of the departures' summed scores.
        statistic: f64,
        /// `(1 + extreme) / (1 + draws)`, ties extreme; two-sided.
        p_value: f64,
        /// Draws.
        n_permutations: usize,
        /// How contacts were permuted.
        scheme: Scheme,
        /// Organisms that took part in permutations.
        n_organisms: usize,
        /// Approaches among them to organisms not recognised, each taken as one of its own.
        n_unrecognised: usize,
    },
}

impl ContactTest {
    /// The p-value where there is one.
    pub fn p_value(&self) -> Option<f64> {
        match *self {
            Self::NotEstimable | Self::Unrecognised { .. } => None,
            Self::Tested { p_value, .. } => Some(p_value),
        }
    }
}

/// Tests whether the reaction depends on contact, with the organism as the unit.
///
/// Under the null the contacts of one organism can be exchanged among its approaches, and those of organisms that met
/// one contact among such organisms. Departures are from what each organism's own share leads to expect, so that
/// organisms that differ do not show as an effect of contact. Draw `i` takes the stream `i` of the seed.
///
/// # Errors
/// [`InvalidApproaches::NoDraws`] when no draws are asked for.
///
/// # References
/// Good, P. (2005). *Permutation, Parametric, and Bootstrap Tests of Hypotheses*, 3rd edition. Springer, blocked designs.
pub fn contact_test(
    approaches: &[Approach],
    params: ContactTestParams,
) -> Result<ContactTest, InvalidApproaches> {
    if params.n_permutations == 0 {
        return Err(InvalidApproaches::NoDraws);
    }
    let layout = Layout::new(&outcomes(approaches, params.question));
    let Some(scheme) = layout.scheme() else { return Ok(ContactTest::NotEstimable) };
    let observed = layout.observed.statistic(params.alternative);
    // Ties differ in their last digits by the order of summing.
    let threshold = observed * (1.0 - 1e-9) - 1e-12;
    let seed = seed_of(params.seed, "permuted contacts");
    let extreme = (0..params.n_permutations as u64)
        .into_par_iter()
        .filter(|&draw| {
            let departures = layout.permuted(&mut stream(seed, draw));
            departures.statistic(params.alternative) >= threshold
        })
        .count();
    Ok(ContactTest::Tested {
        statistic: observed,
        p_value: (1 + extreme) as f64 / (1 + params.n_permutations) as f64,
        n_permutations: params.n_permutations,
        scheme,
        n_organisms: layout.n_permuted(),
        n_unrecognised: if layout.between() { n_unrecognised(approaches, params.question) } else { 0 },
    })
}

/// The approaches arranged for permuting.
struct Layout {
    /// Contacts of the organisms that met several and whose approaches differ in the reaction, one after the other.
    contacts: Vec<usize>,
    /// Where each of those organisms ends in `contacts`, and how many of its approaches showed the reaction.
    mixed: Vec<(usize, usize)>,
    /// What no permutation changes: the approaches of each contact, and what `mixed` lead to expect.
    fixed: Departures,
    /// The departures that were observed.
    observed: Departures,
    /// Organisms that met one contact, those with the same counts together; the largest group last.
    single: Vec<Alike>,
    /// How many of `single` met each contact.
    n_single: [u64; N_CONTACTS],
    /// Share of showings over the approaches of `single`.
    single_share: f64,
}

/// Organisms that met one contact, with the same counts.
struct Alike {
    n_organisms: u64,
    n_approaches: f64,
    /// Showings of one of them less what the null leads to expect.
    excess: f64,
}

struct Organism {
    contacts: Vec<usize>,
    n_shown: usize,
}

impl Organism {
    fn n(&self) -> usize {
        self.contacts.len()
    }

    fn is_mixed(&self) -> bool {
        self.contacts.iter().any(|contact| *contact != self.contacts[0])
    }

    fn varies(&self) -> bool {
        self.n_shown > 0 && self.n_shown < self.n()
    }
}

impl Layout {
    fn new(outcomes: &[Outcome]) -> Self {
        let mut layout = Self {
            contacts: Vec::new(),
            mixed: Vec::new(),
            fixed: Departures::default(),
            observed: Departures::default(),
            single: Vec::new(),
            n_single: [0; N_CONTACTS],
            single_share: 0.0,
        };
        let mut single = Vec::new();
        for outcomes in by_cluster(outcomes) {
            let contacts: Vec<usize> = outcomes.iter().map(|outcome| outcome.contact.index()).collect();
            let n_shown = outcomes.iter().filter(|outcome| outcome.shown).count();
            let organism = Organism { contacts, n_shown };
            organism.contacts.iter().for_each(|contact| layout.fixed.n[*contact] += 1.0);
            if !organism.is_mixed() {
                single.push(organism);
            } else if organism.varies() {
                for outcome in outcomes.iter().filter(|outcome| outcome.shown) {
                    layout.observed.excess[outcome.contact.index()] += 1.0;
                }
                layout.add_mixed(&organism);
            }
        }
        layout.observed.n = layout.fixed.n;
        layout.add_single(&single);
        for (observed, expected) in layout.observed.excess.iter_mut().zip(&layout.fixed.excess) {
            *observed += expected;
        }
        layout
    }

    fn add_mixed(&mut self, organism: &Organism) {
        let share = organism.n_shown as f64 / organism.n() as f64;
        organism.contacts.iter().for_each(|contact| self.fixed.excess[*contact] -= share);
        self.contacts.extend_from_slice(&organism.contacts);
        self.mixed.push((self.contacts.len(), organism.n_shown));
    }

    fn add_single(&mut self, single: &[Organism]) {
        let n: usize = single.iter().map(Organism::n).sum();
        let shown: usize = single.iter().map(|organism| organism.n_shown).sum();
        self.single_share = if n == 0 { 0.0 } else { shown as f64 / n as f64 };
        let mut groups: BTreeMap<(usize, usize), u64> = BTreeMap::new();
        for organism in single {
            *groups.entry((organism.n(), organism.n_shown)).or_default() += 1;
            self.n_single[organism.contacts[0]] += 1;
            self.observed.excess[organism.contacts[0]] += self.excess(organism.n(), organism.n_shown);
        }
        let alike = |((n, n_shown), n_organisms): ((usize, usize), u64)| Alike {
            n_organisms,
            n_approaches: n as f64,
            excess: self.excess(n, n_shown),
        };
        self.single = groups.into_iter().map(alike).collect();
        // What is left when all others are dealt out is the last group's: no need to draw the largest.
        self.single.sort_by_key(|alike| alike.n_organisms);
        if self.between() {
            // The approaches of each contact change with the organisms that are given to it.
            for organism in single {
                self.fixed.n[organism.contacts[0]] -= organism.n() as f64;
            }
        }
    }

    fn excess(&self, n: usize, n_shown: usize) -> f64 {
        n_shown as f64 - n as f64 * self.single_share
    }

    /// Whether organisms of one contact can be exchanged to any effect.
    fn between(&self) -> bool {
        let contacts_differ = self.n_single.iter().filter(|n| **n > 0).count() > 1;
        contacts_differ && self.single_share > 0.0 && self.single_share < 1.0
    }

    fn scheme(&self) -> Option<Scheme> {
        match (!self.mixed.is_empty(), self.between()) {
            (true, false) => Some(Scheme::WithinOrganisms),
            (false, true) => Some(Scheme::BetweenOrganisms),
            (true, true) => Some(Scheme::WithinAndBetween),
            (false, false) => None,
        }
    }

    fn n_permuted(&self) -> usize {
        let between = if self.between() { self.n_single.iter().sum::<u64>() as usize } else { 0 };
        self.mixed.len() + between
    }

    fn permuted(&self, rng: &mut Stream) -> Departures {
        let mut departures = self.fixed;
        if self.between() {
            self.deal(&mut departures, rng);
        }
        // Giving contacts to approaches at random is the same as giving the showings to some of the contacts.
        let mut contacts = self.contacts.clone();
        let mut start = 0;
        for &(end, n_shown) in &self.mixed {
            let (chosen, _) = contacts[start..end].partial_shuffle(rng, n_shown);
            chosen.iter().for_each(|contact| departures.excess[*contact] += 1.0);
            start = end;
        }
        departures
    }

    /// Gives the contacts of `single` to its organisms at random: how many of a group get each is hypergeometric.
    fn deal(&self, departures: &mut Departures, rng: &mut Stream) {
        let mut left = self.n_single;
        for alike in &self.single {
            let mut to_give = alike.n_organisms;
            let mut others: u64 = left.iter().sum();
            for (contact, left) in left.iter_mut().enumerate() {
                let given = hypergeometric_draw(others, *left, to_give, rng);
                others -= *left;
                *left -= given;
                to_give -= given;
                departures.excess[contact] += given as f64 * alike.excess;
                departures.n[contact] += given as f64 * alike.n_approaches;
            }
        }
    }
}

/// How many of `n_marked` among `n` are in a random choice of `n_chosen`.
fn hypergeometric_draw(n: u64, n_marked: u64, n_chosen: u64, rng: &mut Stream) -> u64 {
    if n_marked == n || n_marked == 0 || n_chosen == 0 {
        n_chosen.min(n_marked)
    } else if n_chosen == n {
        n_marked
    } else {
        // The library refuses only more marked or chosen than there are.
        Hypergeometric::new(n, n_marked, n_chosen).map_or(0, |distribution| distribution.sample(rng))
    }
}

/// Showings at each contact less what the null leads to expect, and the approaches there.
#[derive(Clone, Copy, Default)]
struct Departures {
    excess: [f64; N_CONTACTS],
    n: [f64; N_CONTACTS],
}

impl Departures {
    fn statistic(&self, alternative: Alternative) -> f64 {
        match alternative {
            Alternative::AnyDifference => {
                let met = self.excess.iter().zip(&self.n).filter(|(_, n)| **n > 0.0);
                met.map(|(excess, n)| excess * excess / n).sum()
            }
            Alternative::Escalation => {
                let scored = self.excess.iter().enumerate().map(|(score, excess)| score as f64 * excess);
                scored.sum::<f64>().abs()
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::fisher::fisher_exact;
    use crate::analysis::response::testing::{QUESTION, approach};
    use rand::RngExt;

    const PARAMS: ContactTestParams = ContactTestParams {
        question: QUESTION,
        alternative: Alternative::Escalation,
        n_permutations: 999,
        seed: 11,
    };

    fn tested(approaches: &[Approach], params: ContactTestParams) -> (f64, Scheme) {
        match contact_test(approaches, params).unwrap() {
            ContactTest::Tested { p_value, scheme, .. } => (p_value, scheme),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn independent_organisms_agree_with_fisher() {
        // Equal rows: the two-sided sums agree, so that the permutation p nears Fisher's.
        let mut approaches: Vec<_> = (0..20).map(|idx| approach(Contact::Beside, None, idx < 3)).collect();
        approaches.extend((0..20).map(|idx| approach(Contact::Underfoot, None, idx < 10)));
        let exact = fisher_exact([[10, 10], [3, 17]], 0.95).unwrap().tails.minlike;
        for alternative in [Alternative::AnyDifference, Alternative::Escalation] {
            let (p, scheme) =
                tested(&approaches, ContactTestParams { alternative, n_permutations: 9_999, ..PARAMS });
            assert_eq!(scheme, Scheme::BetweenOrganisms);
            // Standard error of the p-value by draws: 0.002.
            assert!((p - exact).abs() < 0.008, "{p} against {exact}");
        }
    }

    #[test]
    fn one_organism_with_two_of_each_by_hand() {
        // Contacts B B U U with showings at U U: of the six arrangements two are as extreme, so that p nears 1/3.
        let of = |contact, shown| approach(contact, Some(1), shown);
        let approaches = [
            of(Contact::Beside, false),
            of(Contact::Beside, false),
            of(Contact::Underfoot, true),
            of(Contact::Underfoot, true),
        ];
        let (p, scheme) = tested(&approaches, ContactTestParams { n_permutations: 9_999, ..PARAMS });
        assert_eq!(scheme, Scheme::WithinOrganisms);
        assert!((p - 1.0 / 3.0).abs() < 0.02, "{p}");
    }

    #[test]
    fn organisms_not_recognised_are_counted_where_they_were_permuted() {
        let n_unrecognised = |approaches: &[Approach]| match contact_test(approaches, PARAMS).unwrap() {
            ContactTest::Tested { n_organisms, n_unrecognised, .. } => (n_organisms, n_unrecognised),
            other => panic!("{other:?}"),
        };
        let mut approaches = vec![
            approach(Contact::Beside, Some(1), true),
            approach(Contact::Over, Some(1), false),
            approach(Contact::Beside, Some(2), false),
            approach(Contact::Over, Some(3), true),
        ];
        assert_eq!(n_unrecognised(&approaches), (3, 0));
        approaches.extend((0..5).map(|idx| approach(Contact::Over, None, idx < 2)));
        let mut unrecorded = approach(Contact::Over, None, false);
        unrecorded.reactions = None;
        approaches.push(unrecorded);
        assert_eq!(n_unrecognised(&approaches), (8, 5));
        // Single approaches of one contact cannot be exchanged: only the snake that met two contacts is.
        let within = [approaches[0].clone(), approaches[1].clone(), approach(Contact::Over, None, true)];
        assert_eq!(n_unrecognised(&within), (1, 0));
    }

    #[test]
    fn what_cannot_be_permuted_is_not_tested() {
        let same = [approach(Contact::Over, None, true), approach(Contact::Over, None, false)];
        let all = [approach(Contact::Over, None, true), approach(Contact::Beside, None, true)];
        for approaches in [&same[..], &all[..], &[]] {
            assert_eq!(contact_test(approaches, PARAMS), Ok(ContactTest::NotEstimable));
        }
        assert!(contact_test(&same, ContactTestParams { n_permutations: 0, ..PARAMS }).is_err());
    }

    /// Contact given to whole organisms that differ: a test of approaches as if independent finds effects that are not
    /// there, the permutation of organisms does not.
    #[test]
    fn repeats_do_not_pass_for_an_effect() {
        let n_runs = 200;
        let (mut naive, mut permuted) = (0, 0);
        for run in 0..n_runs {
            let mut rng = stream(5, run);
            let mut approaches = Vec::new();
            for organism in 0..20 {
                let contact = if organism % 2 == 0 { Contact::Beside } else { Contact::Underfoot };
                let share = if rng.random::<bool>() { 0.1 } else { 0.7 };
                for _ in 0..6 {
                    approaches.push(approach(contact, Some(organism), rng.random::<f64>() < share));
                }
            }
            let count = |contact, shown| {
                let is = |one: &&Approach| {
                    one.contact == contact && one.showed(0, QUESTION.occasion) == Some(shown)
                };
                approaches.iter().filter(is).count() as u64
            };
            let row = |contact| [count(contact, true), count(contact, false)];
            let exact = fisher_exact([row(Contact::Underfoot), row(Contact::Beside)], 0.95).unwrap();
            naive += u32::from(exact.tails.minlike <= 0.05);
            let (p, _) = tested(&approaches, ContactTestParams { n_permutations: 199, ..PARAMS });
            permuted += u32::from(p <= 0.05);
        }
        assert!(naive > 40, "naive finds {naive} of {n_runs}");
        // Binomial(200, 0.05) exceeds 20 with probability 0.001.
        assert!(permuted <= 20, "permuted finds {permuted} of {n_runs}");
    }
}
