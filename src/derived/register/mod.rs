//! The register of decisions: which stretches wait for one, what was decided on which figure, and what changed since.
//!
//! A stretch waits when its rate is called above the multiple and some segment of it is in no decision. Stretches are drawn
//! anew with every revision, so decisions hold on to segments, whose identifiers last; of two decisions about a segment
//! the later one is in force. Nothing is deleted.

mod export;
mod figure;

use std::collections::HashMap;

use crate::analysis::rates::FalseShare;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::RateLayer;
use crate::derived::register::figure::changes;
use crate::domain::ids::DecisionId;
use crate::store::Decision;

pub use crate::derived::register::export::to_csv;
pub use crate::derived::register::export::to_json;
pub use crate::derived::register::figure::StretchFigure;

/// The register.
#[derive(Debug, Clone, PartialEq)]
pub struct Register {
    /// The figures of all stretches now; empty when there are none.
    pub now: Vec<StretchFigure>,
    /// The stretches that wait for a decision, the highest lower limit first, as indices into `now`.
    pub waiting: Vec<usize>,
    /// The decisions, newest first.
    pub entries: Vec<Entry>,
    /// The expected share of false calls, or why no stretch can be judged now.
    pub judged: Result<FalseShare, String>,
}

/// One decision with what became of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The decision as it was made.
    pub decision: Decision,
    /// The figure as it was then; none where it was kept by another version of this program that wrote other fields.
    pub then: Option<StretchFigure>,
    /// Whether it holds.
    pub standing: Standing,
    /// What its segments belong to now.
    pub now: Now,
}

/// Whether a decision holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It does.
    InForce,
    /// For some of its segments; the others have this later decision.
    InPart(DecisionId),
    /// All of its segments have later decisions, this one among them.
    Superseded(DecisionId),
}

/// What the segments of a decision belong to now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Now {
    /// The same stretch, an index into the figures of now.
    Same(usize),
    /// Other stretches, since the trail is divided differently.
    Divided(Vec<usize>),
    /// Nothing: they are no longer there, or no rates can be given now.
    Gone,
}

/// The figures of all stretches, in the order of the layer, with the expected share of false calls.
pub type Figures = (Vec<StretchFigure>, FalseShare);

/// Puts decisions, newest first, beside the figures of now, or the reason why there are none.
pub fn compile(decisions: Vec<Decision>, figures: Result<Figures, String>) -> Register {
    let (now, judged) = match figures {
        Ok((now, false_share)) => (now, Ok(false_share)),
        Err(reason) => (Vec::new(), Err(reason)),
    };
    let newest = newest_by_segment(&decisions);
    let mut stretch_of: HashMap<i64, usize> = HashMap::new();
    for (idx, figure) in now.iter().enumerate() {
        stretch_of.extend(figure.segment_ids.iter().map(|id| (*id, idx)));
    }
    let is_decided =
        |figure: &StretchFigure| figure.segment_ids.iter().all(|segment| newest.contains_key(segment));
    let mut waiting: Vec<usize> =
        (0..now.len()).filter(|idx| now[*idx].is_called && !is_decided(&now[*idx])).collect();
    let lower = |idx: &usize| now[*idx].rate.map_or(0.0, |rate| rate.lower);
    waiting.sort_by(|a, b| lower(b).total_cmp(&lower(a)));
    let entries = decisions
        .iter()
        .enumerate()
        .map(|(idx, decision)| Entry {
            then: StretchFigure::from_json(&decision.given.figure_json),
            standing: standing(&decisions, &newest, idx),
            now: whereabouts(&decision.given.segment_ids, &now, &stretch_of),
            decision: decision.clone(),
        })
        .collect();
    Register { now, waiting, entries, judged }
}

impl Register {
    /// What changed since a decision, in words; empty when nothing did.
    pub fn changed_since(&self, entry: &Entry) -> Vec<String> {
        match (&entry.now, &entry.then) {
            (Now::Same(idx), Some(then)) => changes(then, &self.now[*idx]),
            (Now::Same(_), None) => Vec::new(),
            (Now::Divided(_), _) => vec!["the trail is divided differently".to_owned()],
            (Now::Gone, _) => vec!["not among the stretches of now".to_owned()],
        }
    }

    /// The entries that speak of any of these segments, newest first.
    pub fn about<'a>(&'a self, segment_ids: &'a [i64]) -> impl Iterator<Item = &'a Entry> {
        self.entries
            .iter()
            .filter(|entry| entry.decision.given.segment_ids.iter().any(|id| segment_ids.contains(id)))
    }
}

/// For each segment its newest decision, as an index.
fn newest_by_segment(decisions: &[Decision]) -> HashMap<i64, usize> {
    let mut newest = HashMap::new();
    for (idx, decision) in decisions.iter().enumerate() {
        for segment in &decision.given.segment_ids {
            newest.entry(*segment).or_insert(idx);
        }
    }
    newest
}

fn standing(decisions: &[Decision], newest: &HashMap<i64, usize>, idx: usize) -> Standing {
    let segments = &decisions[idx].given.segment_ids;
    let mut later: Vec<usize> =
        segments.iter().filter_map(|segment| newest.get(segment)).copied().filter(|by| *by != idx).collect();
    let n_lost = later.len();
    later.sort_unstable();
    match later.first() {
        None => Standing::InForce,
        Some(by) if n_lost < segments.len() => Standing::InPart(decisions[*by].id),
        Some(by) => Standing::Superseded(decisions[*by].id),
    }
}

fn whereabouts(segments: &[i64], now: &[StretchFigure], stretch_of: &HashMap<i64, usize>) -> Now {
    let mut stretches: Vec<usize> = segments.iter().filter_map(|id| stretch_of.get(id)).copied().collect();
    stretches.sort_unstable();
    stretches.dedup();
    match stretches[..] {
        [] => Now::Gone,
        [only] if is_same(segments, &now[only].segment_ids) => Now::Same(only),
        _ => Now::Divided(stretches),
    }
}

/// Whether two lists hold the same segments, in whatever order.
pub fn is_same(a: &[i64], b: &[i64]) -> bool {
    let sorted = |list: &[i64]| {
        let mut list = list.to_vec();
        list.sort_unstable();
        list
    };
    sorted(a) == sorted(b)
}

/// The figures of all stretches.
pub fn figures(
    facts: &Facts,
    network: &NetworkLayer,
    exposure: &ExposureLayer,
    rates: &RateLayer,
) -> Figures {
    let figure = |unit: usize| figure::of_stretch(facts, network, exposure, (rates, unit));
    ((0..rates.stretches.names.len()).map(figure).collect(), rates.stretches.fit.calls.false_share)
}

#[cfg(test)]
mod tests {
    use super::figure::tests::figure;
    use super::*;
    use crate::domain::revision::Revision;
    use crate::store::Choice;
    use crate::store::DecisionDraft;

    fn decision(id: i64, segment_ids: &[i64]) -> Decision {
        let given = DecisionDraft {
            subject: "Ledge Walk, km 0.00 to 0.52".to_owned(),
            segment_ids: segment_ids.to_vec(),
            choice: Choice::Act,
            reason: "many reports".to_owned(),
            decided_by: "A. Warden".to_owned(),
            decided_at_s: id,
            based_on: Revision(3),
            figure_json: figure("Ledge Walk, km 0.00 to 0.52", segment_ids).to_json(),
        };
        Decision { id: DecisionId(id), given }
    }

    #[test]
    fn a_called_stretch_waits_until_every_segment_is_decided() {
        let now = || {
            let figures = vec![figure("a", &[1, 2]), StretchFigure { is_called: false, ..figure("b", &[3]) }];
            Ok((figures, FalseShare::NoCalls))
        };
        assert_eq!(compile(Vec::new(), now()).waiting, [0]);
        assert_eq!(compile(vec![decision(1, &[1])], now()).waiting, [0]);
        assert!(compile(vec![decision(2, &[2]), decision(1, &[1])], now()).waiting.is_empty());
    }

    #[test]
    fn a_later_decision_supersedes_an_earlier_one_and_both_are_kept() {
        let register = compile(
            vec![decision(3, &[1, 2]), decision(2, &[2, 3]), decision(1, &[1, 2])],
            Err("no walking".to_owned()),
        );
        let standings: Vec<Standing> = register.entries.iter().map(|entry| entry.standing).collect();
        let [third, ..] = [DecisionId(3)];
        assert_eq!(standings, [Standing::InForce, Standing::InPart(third), Standing::Superseded(third)]);
    }

    #[test]
    fn a_decision_finds_its_segments_again() {
        let find = |segments: &[i64], now: Vec<StretchFigure>| {
            compile(vec![decision(1, segments)], Ok((now, FalseShare::NoCalls))).entries.remove(0).now
        };
        assert_eq!(find(&[2, 1], vec![figure("a", &[1, 2])]), Now::Same(0));
        assert_eq!(find(&[1, 2], vec![figure("a", &[1]), figure("b", &[2, 3])]), Now::Divided(vec![0, 1]));
        assert_eq!(find(&[1], vec![figure("a", &[1, 2])]), Now::Divided(vec![0]));
        assert_eq!(find(&[9], vec![figure("a", &[1, 2])]), Now::Gone);
    }
}
