//! Reactions by kind of contact.
//!
//! The same organism is often approached several times, so that approaches are not independent: everything here that
//! gives an interval or a p-value takes the organism as the unit, or says that it does not. Effort kinds are never
//! pooled, and a reaction that came first is told apart from one shown at any time.
//!
//! - [`table`]: contact by reaction, with shares and limits.
//! - [`bootstrap`]: limits of a share by resampling organisms.
//! - [`contact_test`]: permutation test of a reaction against contact.
//! - [`sub_tables`]: the same test by species, life stage, temperature band or season.
//! - [`escalation`]: trend over escalating contact, for independent approaches only.
//! - [`logit`]: logistic regression with standard errors by organism and trial order.
//! - [`latency`]: time to a reaction, where the end of the watch censors.

use std::collections::HashMap;

use crate::analysis::counts::{InvalidCounts, InvalidLevel};

pub mod bootstrap;
pub mod contact_test;
pub mod escalation;
pub mod latency;
pub mod logit;
pub mod sub_tables;
pub mod table;

/// How near an approach came, in order of escalation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Contact {
    /// Went past.
    Passed,
    /// Stood or stepped beside.
    Beside,
    /// Stepped over.
    Over,
    /// Stepped on.
    Underfoot,
    /// Picked up or held.
    Handled,
}

impl Contact {
    /// All of them, from the least.
    pub const ALL: [Self; 5] = [Self::Passed, Self::Beside, Self::Over, Self::Underfoot, Self::Handled];

    /// Position in [`Contact::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }
}

/// What the encounter behind an approach may be divided by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum EffortKind {
    /// On a walk whose track is known.
    Survey,
    /// By people out walking.
    Report,
    /// Led there by telemetry, a den visit or a tip.
    Located,
    /// No effort known.
    Chance,
}

impl EffortKind {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Survey, Self::Report, Self::Located, Self::Chance];
}

/// Which showing of a reaction counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Occasion {
    /// The reaction was the first one shown in the approach.
    First,
    /// The reaction was shown at any time in the approach.
    Any,
}

/// One thing that the organism did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reaction {
    /// Index into the caller's list of reaction terms.
    pub term: usize,
    /// Seconds from the approach to the reaction, where they were taken.
    pub latency_s: Option<f64>,
}

/// One act of coming near.
#[derive(Debug, Clone, PartialEq)]
pub struct Approach {
    /// How near it came.
    pub contact: Contact,
    /// Effort kind of its encounter.
    pub effort_kind: EffortKind,
    /// The organism, any number that is its own; `None` for one not recognised, which counts as an individual of its own.
    pub organism: Option<usize>,
    /// How many trials of this organism came before.
    pub trial_order: u32,
    /// What it did, in order. Empty: it was watched and showed none of the terms. `None`: not recorded, and the approach
    /// is left out of every count.
    pub reactions: Option<Vec<Reaction>>,
    /// Seconds from the approach to the end of the watch, where known.
    pub watch_end_s: Option<f64>,
}

impl Approach {
    /// Whether the reaction was shown; `None` when reactions were not recorded.
    pub fn showed(&self, term: usize, occasion: Occasion) -> Option<bool> {
        let reactions = self.reactions.as_ref()?;
        Some(match occasion {
            Occasion::First => reactions.first().is_some_and(|reaction| reaction.term == term),
            Occasion::Any => reactions.iter().any(|reaction| reaction.term == term),
        })
    }
}

/// The reaction and the approaches that a test or a model is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Question {
    /// Approaches of this effort kind only.
    pub effort_kind: EffortKind,
    /// The reaction.
    pub term: usize,
    /// Which showing counts.
    pub occasion: Occasion,
}

/// Why approaches cannot be analysed.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidApproaches {
    /// The confidence level is out of range.
    #[error(transparent)]
    Level(#[from] InvalidLevel),
    /// Counts made from the approaches were refused.
    #[error(transparent)]
    Counts(#[from] InvalidCounts),
    /// A reaction term is not in the list.
    #[error("approach {approach} names reaction term {term}, but there are {n_terms}")]
    NoSuchTerm {
        /// The approach.
        approach: usize,
        /// The term it names.
        term: usize,
        /// How many there are.
        n_terms: usize,
    },
    /// A time is negative or not finite.
    #[error("a time is {0} s")]
    Time(f64),
    /// A method by draws was asked for none.
    #[error("no draws were asked for")]
    NoDraws,
    /// The groups do not match the approaches.
    #[error("{groups} group entries for {approaches} approaches")]
    GroupsDiffer {
        /// Entries given.
        groups: usize,
        /// Approaches.
        approaches: usize,
    },
}

/// One approach reduced to what a question asks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outcome {
    /// Dense number of the organism; an unrecognised one has its own.
    pub(crate) cluster: usize,
    pub(crate) contact: Contact,
    pub(crate) trial_order: u32,
    pub(crate) shown: bool,
}

/// Dense numbers for organisms, in order of appearance.
#[derive(Default)]
pub(crate) struct ClusterNumbers {
    known: HashMap<usize, usize>,
    n_clusters: usize,
}

impl ClusterNumbers {
    pub(crate) fn of(&mut self, organism: Option<usize>) -> usize {
        let next = self.n_clusters;
        let number = match organism {
            Some(organism) => *self.known.entry(organism).or_insert(next),
            None => next,
        };
        self.n_clusters = self.n_clusters.max(number + 1);
        number
    }
}

/// The recorded approaches that a question is about.
pub(crate) fn outcomes(approaches: &[Approach], question: Question) -> Vec<Outcome> {
    let mut clusters = ClusterNumbers::default();
    let of_kind = approaches.iter().filter(|approach| approach.effort_kind == question.effort_kind);
    of_kind
        .filter_map(|approach| {
            let shown = approach.showed(question.term, question.occasion)?;
            Some(Outcome {
                cluster: clusters.of(approach.organism),
                contact: approach.contact,
                trial_order: approach.trial_order,
                shown,
            })
        })
        .collect()
}

/// Recorded approaches that a question is about, to organisms not recognised.
pub(crate) fn n_unrecognised(approaches: &[Approach], question: Question) -> usize {
    let of_kind = approaches.iter().filter(|approach| approach.effort_kind == question.effort_kind);
    of_kind.filter(|approach| approach.organism.is_none() && approach.reactions.is_some()).count()
}

/// The outcomes of each organism.
pub(crate) fn by_cluster(outcomes: &[Outcome]) -> Vec<Vec<Outcome>> {
    let n_clusters = outcomes.iter().map(|outcome| outcome.cluster + 1).max().unwrap_or(0);
    let mut groups = vec![Vec::new(); n_clusters];
    for outcome in outcomes {
        groups[outcome.cluster].push(*outcome);
    }
    groups
}

#[cfg(test)]
pub(crate) mod testing {
    use super::*;

    /// An approach on a survey that showed term 0 or nothing.
    pub(crate) fn approach(contact: Contact, organism: Option<usize>, shown: bool) -> Approach {
        let reactions = if shown { vec![Reaction { term: 0, latency_s: None }] } else { Vec::new() };
        Approach {
            contact,
            effort_kind: EffortKind::Survey,
            organism,
            trial_order: 0,
            reactions: Some(reactions),
            watch_end_s: None,
        }
    }

    /// The question about term 0 on surveys.
    pub(crate) const QUESTION: Question =
        Question { effort_kind: EffortKind::Survey, term: 0, occasion: Occasion::Any };
}

#[cfg(test)]
mod tests {
    use super::testing::{QUESTION, approach};
    use super::*;

    #[test]
    fn first_and_any_differ() {
        let reaction = |term| Reaction { term, latency_s: None };
        let mut subject = approach(Contact::Beside, None, false);
        subject.reactions = Some(vec![reaction(2), reaction(0)]);
        assert_eq!(subject.showed(0, Occasion::First), Some(false));
        assert_eq!(subject.showed(0, Occasion::Any), Some(true));
        subject.reactions = None;
        assert_eq!(subject.showed(0, Occasion::Any), None);
    }

    #[test]
    fn unknown_organisms_are_individuals_of_their_own() {
        let organisms = [Some(7), None, Some(7), None, Some(2)];
        let approaches: Vec<_> =
            organisms.into_iter().map(|organism| approach(Contact::Over, organism, true)).collect();
        let clusters: Vec<_> =
            outcomes(&approaches, QUESTION).iter().map(|outcome| outcome.cluster).collect();
        assert_eq!(clusters, [0, 1, 0, 2, 3]);
    }
}
