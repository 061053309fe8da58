//! Reactions by kind of contact, from the stored approaches.

pub mod details;

use std::collections::HashMap;
use std::collections::HashSet;

use crate::analysis::response;
use crate::analysis::response::Approach;
use crate::analysis::response::Occasion;
use crate::analysis::response::Question;
use crate::analysis::response::bootstrap::BootstrapParams;
use crate::analysis::response::contact_test::Alternative;
use crate::analysis::response::contact_test::ContactTest;
use crate::analysis::response::contact_test::ContactTestParams;
use crate::analysis::response::contact_test::contact_test;
use crate::analysis::response::escalation::EscalationTrend;
use crate::analysis::response::escalation::escalation_trend;
use crate::analysis::response::latency;
use crate::analysis::response::latency::KaplanMeier;
use crate::analysis::response::latency::LatencyQuestion;
use crate::analysis::response::logit::ClusteredLogit;
use crate::analysis::response::logit::WhyNot;
use crate::analysis::response::logit::clustered_logit;
use crate::analysis::response::table::ReactionTable;
use crate::analysis::response::table::reaction_tables;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::VerificationStatus;
use crate::domain::ids::EncounterId;
use crate::store::ApproachRecord;

/// The term under which strikes of all kinds are counted together.
pub const ANY_STRIKE: &str = "any strike or bite";

/// The term of a bite through to the skin.
const BITE: &str = "bit skin";

/// Draws of the bootstrap by snake.
const N_BOOTSTRAP: usize = 2_000;
/// Permutations of the test of contact.
const N_PERMUTATIONS: usize = 4_999;

/// Reaction tables and the tests beside them.
#[derive(Debug)]
pub struct ReactionLayer {
    /// The terms, in the order of the tables' term numbers; the last is [`ANY_STRIKE`].
    pub terms: Vec<String>,
    /// Whether each term is a strike or bite: an area may add such terms of its own.
    pub is_strike: Vec<bool>,
    /// First and any reaction by effort kind.
    pub tables: Vec<ReactionTable>,
    /// Tests about strikes by effort kind.
    pub strikes: Vec<StrikeFindings>,
    /// Approaches, and recognised snakes among them, by effort kind in the order of [`EffortKind::ALL`].
    pub sizes: Vec<(usize, usize)>,
    /// The first and last year of the approaches by effort kind, in the same order; none where no year is known.
    pub years: Vec<Option<(i16, i16)>>,
    /// Reported encounters by what happened.
    pub reported: ReportedMeetings,
}

/// Reported encounters of which an approach was recorded, each counted once however often the snake was approached.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ReportedMeetings {
    /// All of them.
    pub n: u64,
    /// Those in which the snake was stepped on.
    pub underfoot: u64,
    /// Those in which somebody was bitten through to the skin.
    pub bitten: u64,
}

/// What the records say about strikes and contact, for one effort kind.
#[derive(Debug)]
pub struct StrikeFindings {
    /// The effort kind.
    pub effort: EffortKind,
    /// Whether strikes depend on contact, any reaction counted.
    pub test: ContactTest,
    /// Whether their share rises or falls with escalating contact, by the same permutations.
    pub escalation: ContactTest,
    /// The trend tests for independent data, where every snake was approached once.
    pub trend: EscalationTrend,
    /// Logistic regression with errors by snake.
    pub logit: ClusteredLogit,
    /// Time to the first strike when stepped on with limits by snake, end of watch censoring; none without times, or where too many approaches
    /// without a strike have no end of watch.
    pub underfoot: Option<KaplanMeier>,
}

/// Computes the tables and tests.
///
/// # Errors
/// [`DeriveError::Internal`] when approaches name terms that do not exist.
pub fn compute(
    facts: &Facts,
    stored: &[ApproachRecord],
    terms: &[(String, bool)],
) -> Result<ReactionLayer, DeriveError> {
    let mut words: Vec<String> = terms.iter().map(|(term, _)| term.clone()).collect();
    words.push(ANY_STRIKE.to_owned());
    let is_strike = terms.iter().map(|(_, is_strike)| *is_strike).chain([true]).collect();
    let strike = terms.len();
    let counted = approaches(facts, stored, terms);
    let reported = reported_meetings(&counted);
    let years = EffortKind::ALL.iter().map(|effort| years(&counted, *effort)).collect();
    let approaches: Vec<Approach> = counted.into_iter().map(|(_, approach)| approach).collect();
    let seed = facts.settings.seed();
    let params = BootstrapParams { level: 0.95, n_draws: N_BOOTSTRAP, seed };
    let tables = reaction_tables(&approaches, words.len(), params).map_err(DeriveError::internal)?;
    let mut strikes = Vec::new();
    for effort in EffortKind::ALL {
        if approaches.iter().any(|approach| approach.effort_kind == effort_kind(*effort)) {
            strikes.push(findings(&approaches, *effort, strike, seed)?);
        }
    }
    let size = |effort: &EffortKind| {
        let of_kind = approaches.iter().filter(|approach| approach.effort_kind == effort_kind(*effort));
        let organisms: HashSet<usize> = of_kind.clone().filter_map(|approach| approach.organism).collect();
        (of_kind.count(), organisms.len())
    };
    let sizes = EffortKind::ALL.iter().map(size).collect();
    Ok(ReactionLayer { terms: words, is_strike, tables, strikes, sizes, years, reported })
}

fn years(counted: &[(&ApproachRecord, Approach)], effort: EffortKind) -> Option<(i16, i16)> {
    let of_kind = counted.iter().map(|(record, _)| record).filter(|record| record.effort_kind == effort);
    let known = of_kind.filter_map(|record| record.time.year());
    known.fold(None, |range, year| match range {
        None => Some((year, year)),
        Some((first, last)) => Some((year.min(first), year.max(last))),
    })
}

fn reported_meetings(counted: &[(&ApproachRecord, Approach)]) -> ReportedMeetings {
    let mut by_encounter: HashMap<EncounterId, (bool, bool)> = HashMap::new();
    let reports = counted.iter().map(|(record, _)| record);
    for record in reports.filter(|it| it.effort_kind == EffortKind::Report && !it.is_trial) {
        let known = by_encounter.entry(record.encounter_id).or_default();
        known.0 |= record.contact == Contact::Underfoot;
        known.1 |= record.reactions.iter().any(|reaction| reaction.term == BITE);
    }
    let count =
        |holds: fn(&(bool, bool)) -> bool| by_encounter.values().filter(|it| holds(it)).count() as u64;
    ReportedMeetings { n: by_encounter.len() as u64, underfoot: count(|it| it.0), bitten: count(|it| it.1) }
}

fn findings(
    approaches: &[Approach],
    effort: EffortKind,
    strike: usize,
    seed: u64,
) -> Result<StrikeFindings, DeriveError> {
    let question = Question { effort_kind: effort_kind(effort), term: strike, occasion: Occasion::Any };
    let params = ContactTestParams {
        question,
        alternative: Alternative::AnyDifference,
        n_permutations: N_PERMUTATIONS,
        seed,
    };
    let unrecognised = none_recognised(approaches, effort);
    let permuted = |params| match unrecognised {
        Some(n_approaches) => Ok(ContactTest::Unrecognised { n_approaches }),
        None => contact_test(approaches, params).map_err(DeriveError::internal),
    };
    let test = permuted(params)?;
    let escalation = permuted(ContactTestParams { alternative: Alternative::Escalation, ..params })?;
    let trend = escalation_trend(approaches, question).map_err(DeriveError::internal)?;
    let trend = only_if_told_apart(trend, approaches, effort);
    let logit = match unrecognised {
        Some(_) => ClusteredLogit::NotEstimable(WhyNot::Unrecognised),
        None => clustered_logit(approaches, question, 0.95).map_err(DeriveError::internal)?,
    };
    let asked = LatencyQuestion {
        effort_kind: effort_kind(effort),
        contact: response::Contact::Underfoot,
        terms: &[strike],
    };
    let latencies = latency::latencies(approaches, asked);
    let underfoot = match latencies.known.is_empty() || !latencies.are_representative() {
        true => None,
        false => {
            let params = BootstrapParams { level: 0.95, n_draws: N_BOOTSTRAP, seed };
            Some(latency::kaplan_meier_by_organism(&latencies, params).map_err(DeriveError::internal)?)
        }
    };
    Ok(StrikeFindings { effort, test, escalation, trend, logit, underfoot })
}

/// How many approaches of a kind were watched, where nobody recognised any snake among them; none where somebody did, or
/// where a protocol kept snakes apart.
///
/// Then nothing can be permuted within snakes, and no error is one by snake: one snake met again would pass for several.
fn none_recognised(approaches: &[Approach], effort: EffortKind) -> Option<usize> {
    if effort == EffortKind::Located {
        return None;
    }
    let is_watched = |it: &&Approach| it.effort_kind == effort_kind(effort) && it.reactions.is_some();
    let (mut n_watched, mut n_recognised) = (0, 0);
    for approach in approaches.iter().filter(is_watched) {
        n_watched += 1;
        n_recognised += usize::from(approach.organism.is_some());
    }
    (n_watched > 0 && n_recognised == 0).then_some(n_watched)
}

/// The trend test only where every snake was recognised, or approached under a protocol that keeps snakes apart.
fn only_if_told_apart(
    trend: EscalationTrend,
    approaches: &[Approach],
    effort: EffortKind,
) -> EscalationTrend {
    let of_kind = approaches.iter().filter(|approach| approach.effort_kind == effort_kind(effort));
    let n_approaches = of_kind.filter(|approach| approach.organism.is_none()).count();
    match trend {
        EscalationTrend::Independent { .. } if effort != EffortKind::Located && n_approaches > 0 => {
            EscalationTrend::Unrecognised { n_approaches }
        }
        trend => trend,
    }
}

/// Whether somebody looked for snakes, or was led to them: then undramatic approaches are recorded as well as others.
pub fn is_looked_for(effort: EffortKind) -> bool {
    matches!(effort, EffortKind::Located | EffortKind::Survey)
}

impl ReactionLayer {
    /// The effort kind to begin with: of those in which snakes were looked for the one with most approaches, since reports
    /// leave undramatic meetings out; else the one with most approaches. Located where there are none at all.
    pub fn first_shown(&self) -> EffortKind {
        let sizes =
            EffortKind::ALL.iter().zip(&self.sizes).filter(|(_, (n_approaches, _))| *n_approaches > 0);
        let most = sizes.max_by_key(|(kind, (n_approaches, _))| (is_looked_for(**kind), *n_approaches));
        most.map_or(EffortKind::Located, |(kind, _)| *kind)
    }
}

/// Why there are no odds, in words.
pub fn why_no_odds(why: WhyNot) -> String {
    match why {
        WhyNot::NoVariation => "all approaches, or none, ended in a strike".to_owned(),
        WhyNot::ContactSeparates(contact) => format!(
            "at the contact \"{}\" all approaches, or none, ended in a strike",
            Contact::ALL[contact.index()].term()
        ),
        WhyNot::Separation => {
            "contact and trial order together foretell some strikes without fail".to_owned()
        }
        WhyNot::Collinear => "trial order says the same as contact".to_owned(),
        WhyNot::FewOrganisms => "there are no more snakes than coefficients".to_owned(),
        WhyNot::Unrecognised => "nobody recognised a snake, so that there are no errors by snake".to_owned(),
    }
}

/// "42 snakes"; "at most 322 snakes; none was recognised, so how many is unknown"; "at most 40 snakes, 12 of them
/// recognised".
///
/// `n_organisms` counts an unrecognised snake for each approach to one.
pub fn snakes_words(n_organisms: u64, n_recognised: u64) -> String {
    match (n_organisms, n_recognised) {
        (1, _) => "1 snake".to_owned(),
        (all, known) if all == known => format!("{all} snakes"),
        (all, 0) => format!("at most {all} snakes; none was recognised, so how many is unknown"),
        (all, known) => format!("at most {all} snakes, {known} of them recognised"),
    }
}

/// The approaches that count, each with its record, in order of time: neither rejected nor to a species known not to be
/// venomous. The term after the last is [`ANY_STRIKE`].
fn approaches<'a>(
    facts: &Facts,
    stored: &'a [ApproachRecord],
    terms: &[(String, bool)],
) -> Vec<(&'a ApproachRecord, Approach)> {
    let by_term: HashMap<&str, (usize, bool)> =
        terms.iter().enumerate().map(|(idx, (term, is_strike))| (term.as_str(), (idx, *is_strike))).collect();
    let harmless: HashSet<&str> = facts
        .species
        .iter()
        .filter(|species| !species.is_venomous)
        .map(|species| species.scientific_name.as_str())
        .collect();
    let mut trials: HashMap<i64, u32> = HashMap::new();
    let usable = stored.iter().filter(|record| {
        record.verification_status != VerificationStatus::Rejected
            && !harmless.contains(record.scientific_name.as_str())
    });
    let mut ordered: Vec<&ApproachRecord> = usable.collect();
    ordered.sort_by_key(|record| (record.time.instant_s, record.encounter_id, record.ordinal));
    ordered
        .into_iter()
        .map(|record| {
            let organism = record.organism_id.map(|id| id.0);
            let trial_order = match organism.filter(|_| record.is_trial) {
                Some(id) => {
                    let seen = trials.entry(id).or_insert(0);
                    *seen += 1;
                    *seen - 1
                }
                None => 0,
            };
            let approach = Approach {
                contact: contact(record.contact),
                effort_kind: effort_kind(record.effort_kind),
                organism: organism.and_then(|id| usize::try_from(id).ok()),
                trial_order,
                reactions: reactions(record, &by_term, terms.len()),
                watch_end_s: record.end_of_watch.map(|span| span.in_seconds()),
            };
            (record, approach)
        })
        .collect()
}

/// A strike is counted under its own term and under [`ANY_STRIKE`], right behind it.
fn reactions(
    record: &ApproachRecord,
    by_term: &HashMap<&str, (usize, bool)>,
    strike: usize,
) -> Option<Vec<response::Reaction>> {
    if record.reactions.is_empty() {
        return None;
    }
    let mut found = Vec::new();
    for reaction in &record.reactions {
        let Some((term, is_strike)) = by_term.get(reaction.term.as_str()) else { continue };
        let latency_s = reaction.latency.map(|span| span.in_seconds());
        found.push(response::Reaction { term: *term, latency_s });
        if *is_strike {
            found.push(response::Reaction { term: strike, latency_s });
        }
    }
    Some(found)
}

fn contact(contact: Contact) -> response::Contact {
    match contact {
        Contact::Passed => response::Contact::Passed,
        Contact::Beside => response::Contact::Beside,
        Contact::Over => response::Contact::Over,
        Contact::Underfoot => response::Contact::Underfoot,
        Contact::Handled => response::Contact::Handled,
    }
}

/// The same effort kind in the analysis' own list.
pub fn effort_kind(kind: EffortKind) -> response::EffortKind {
    match kind {
        EffortKind::Survey => response::EffortKind::Survey,
        EffortKind::Report => response::EffortKind::Report,
        EffortKind::Located => response::EffortKind::Located,
        EffortKind::Chance => response::EffortKind::Chance,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn snakes_that_nobody_recognised_are_no_number_of_snakes() {
        assert_eq!(snakes_words(42, 42), "42 snakes");
        assert_eq!(snakes_words(1, 0), "1 snake");
        assert_eq!(snakes_words(322, 0), "at most 322 snakes; none was recognised, so how many is unknown");
        assert_eq!(snakes_words(40, 12), "at most 40 snakes, 12 of them recognised");
    }

    #[test]
    fn no_test_for_independent_data_where_nobody_told_the_snakes_apart() {
        let approach = |contact, effort_kind| Approach {
            contact,
            effort_kind,
            organism: None,
            trial_order: 0,
            reactions: Some(Vec::new()),
            watch_end_s: None,
        };
        let of_kind = |kind: EffortKind| {
            let contacts = [response::Contact::Passed, response::Contact::Over, response::Contact::Over];
            let approaches = contacts.map(|contact| approach(contact, effort_kind(kind)));
            findings(&approaches, kind, 0, 1).unwrap().trend
        };
        assert_eq!(of_kind(EffortKind::Report), EscalationTrend::Unrecognised { n_approaches: 3 });
        assert!(matches!(of_kind(EffortKind::Located), EscalationTrend::Independent { .. }));
    }

    #[test]
    fn nothing_is_permuted_where_nobody_recognised_a_snake() {
        let approach = |idx: usize, organism| Approach {
            contact: [response::Contact::Passed, response::Contact::Over][idx % 2],
            effort_kind: response::EffortKind::Report,
            organism,
            trial_order: 0,
            reactions: Some(match idx % 3 {
                0 => vec![response::Reaction { term: 0, latency_s: None }],
                _ => Vec::new(),
            }),
            watch_end_s: None,
        };
        let none: Vec<Approach> = (0..40).map(|idx| approach(idx, None)).collect();
        let found = findings(&none, EffortKind::Report, 0, 1).unwrap();
        assert_eq!(found.test, ContactTest::Unrecognised { n_approaches: 40 });
        assert_eq!(found.escalation, ContactTest::Unrecognised { n_approaches: 40 });
        assert_eq!(found.logit, ClusteredLogit::NotEstimable(WhyNot::Unrecognised));
        // As soon as some are recognised there is a test, which tells how many were not.
        let some: Vec<Approach> = (0..40).map(|idx| approach(idx, (idx < 10).then_some(idx / 2))).collect();
        let found = findings(&some, EffortKind::Report, 0, 1).unwrap();
        let n_told = |test: &ContactTest| match *test {
            ContactTest::Tested { n_unrecognised, .. } => n_unrecognised,
            ref other => panic!("{other:?}"),
        };
        assert_eq!((n_told(&found.test), n_told(&found.escalation)), (30, 30));
        let ClusteredLogit::Fitted(fit) = found.logit else { panic!("no fit") };
        assert_eq!(fit.n_unrecognised, 30);
    }
}
