//! Reactions by kind of contact, from the stored approaches.

use std::collections::BTreeSet;
use std::collections::HashMap;

use crate::analysis::response;
use crate::analysis::response::Approach;
use crate::analysis::response::Occasion;
use crate::analysis::response::Question;
use crate::analysis::response::bootstrap::BootstrapParams;
use crate::analysis::response::contact_test::Alternative;
use crate::analysis::response::contact_test::ContactTest;
use crate::analysis::response::contact_test::ContactTestParams;
use crate::analysis::response::contact_test::contact_test;
use crate::analysis::response::latency;
use crate::analysis::response::latency::KaplanMeier;
use crate::analysis::response::latency::LatencyQuestion;
use crate::analysis::response::logit::ClusteredLogit;
use crate::analysis::response::logit::clustered_logit;
use crate::analysis::response::sub_tables::Multiplicity;
use crate::analysis::response::sub_tables::SubTableTest;
use crate::analysis::response::sub_tables::sub_table_tests;
use crate::analysis::response::table::ReactionTable;
use crate::analysis::response::table::reaction_tables;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::VerificationStatus;
use crate::store::ApproachRecord;

/// The term under which strikes of all kinds are counted together.
pub const ANY_STRIKE: &str = "any strike or bite";

/// Draws of the bootstrap by snake.
const N_BOOTSTRAP: usize = 2_000;
/// Permutations of the test of contact.
const N_PERMUTATIONS: usize = 4_999;

/// Reaction tables and the tests beside them.
#[derive(Debug)]
pub struct ReactionLayer {
    /// The terms, in the order of the tables' term numbers; the last is [`ANY_STRIKE`].
    pub terms: Vec<String>,
    /// First and any reaction by effort kind.
    pub tables: Vec<ReactionTable>,
    /// Tests about strikes by effort kind.
    pub strikes: Vec<StrikeFindings>,
    /// Approaches, and recognised snakes among them, by effort kind in the order of [`EffortKind::ALL`].
    pub sizes: Vec<(usize, usize)>,
}

/// What the records say about strikes and contact, for one effort kind.
#[derive(Debug)]
pub struct StrikeFindings {
    /// The effort kind.
    pub effort: EffortKind,
    /// Whether strikes depend on contact, any reaction counted.
    pub test: ContactTest,
    /// Logistic regression with errors by snake.
    pub logit: ClusteredLogit,
    /// Time to the first strike when stepped on, end of watch censoring.
    pub underfoot: Option<KaplanMeier>,
    /// The test within sub-tables: species, life stage, air temperature, season; p-values adjusted within each of them.
    pub sub_tables: Vec<SubTable>,
}

/// The test of contact within one sub-table.
#[derive(Debug)]
pub struct SubTable {
    /// What the approaches are parted by.
    pub parted_by: &'static str,
    /// The part.
    pub part: String,
    /// Approaches of the effort kind in it.
    pub n_approaches: usize,
    /// The test.
    pub test: SubTableTest,
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
    let strike = words.len() - 1;
    let ordered = in_order(stored);
    let approaches = approaches(&ordered, terms, strike);
    let seed = facts.settings.seed();
    let params = BootstrapParams { level: 0.95, n_draws: N_BOOTSTRAP, seed };
    let tables = reaction_tables(&approaches, words.len(), params).map_err(DeriveError::internal)?;
    let mut strikes = Vec::new();
    for effort in EffortKind::ALL {
        if approaches.iter().any(|approach| approach.effort_kind == effort_kind(*effort)) {
            let mut found = findings(&approaches, *effort, strike, seed)?;
            found.sub_tables = sub_tables(&ordered, &approaches, *effort, strike, seed)?;
            strikes.push(found);
        }
    }
    let size = |effort: &EffortKind| {
        let of_kind = approaches.iter().filter(|approach| approach.effort_kind == effort_kind(*effort));
        let organisms: std::collections::HashSet<usize> =
            of_kind.clone().filter_map(|approach| approach.organism).collect();
        (of_kind.count(), organisms.len())
    };
    let sizes = EffortKind::ALL.iter().map(size).collect();
    Ok(ReactionLayer { terms: words, tables, strikes, sizes })
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
    let test = contact_test(approaches, params).map_err(DeriveError::internal)?;
    let logit = clustered_logit(approaches, question, 0.95).map_err(DeriveError::internal)?;
    let asked = LatencyQuestion {
        effort_kind: effort_kind(effort),
        contact: response::Contact::Underfoot,
        terms: &[strike],
    };
    let latencies = latency::latencies(approaches, asked);
    let underfoot = match latencies.known.is_empty() {
        true => None,
        false => Some(latency::kaplan_meier(&latencies.known, 0.95).map_err(DeriveError::internal)?),
    };
    Ok(StrikeFindings { effort, test, logit, underfoot, sub_tables: Vec::new() })
}

/// What approaches are parted by, and the part of each.
type Parting = (&'static str, fn(&ApproachRecord) -> Option<String>);

const PARTINGS: [Parting; 4] = [
    ("species", |record| named(&record.scientific_name)),
    ("life stage", |record| named(&record.life_stage)),
    ("air temperature", |record| {
        // Bands of ten degrees: narrower ones would hold few approaches each.
        let low = (record.air_temperature?.in_celsius() / 10.0).floor() * 10.0;
        Some(format!("{low} to below {} °C", low + 10.0))
    }),
    ("season", |record| {
        let month = record.time.month()?;
        let quarter = ["December to February", "March to May", "June to August", "September to November"];
        quarter.get(usize::from(month.unsigned_abs()) % 12 / 3).map(|words| (*words).to_owned())
    }),
];

fn named(words: &str) -> Option<String> {
    (!words.is_empty()).then(|| words.to_owned())
}

fn sub_tables(
    ordered: &[&ApproachRecord],
    approaches: &[Approach],
    effort: EffortKind,
    strike: usize,
    seed: u64,
) -> Result<Vec<SubTable>, DeriveError> {
    let mut tables = Vec::new();
    for (parted_by, part_of) in PARTINGS {
        let of_kind = |record: &ApproachRecord| record.effort_kind == effort;
        let words: Vec<Option<String>> =
            ordered.iter().map(|record| part_of(record).filter(|_| of_kind(record))).collect();
        let parts: Vec<&String> = words.iter().flatten().collect::<BTreeSet<_>>().into_iter().collect();
        let groups: Vec<Option<usize>> =
            words.iter().map(|word| word.as_ref().and_then(|word| parts.binary_search(&word).ok())).collect();
        let question = Question { effort_kind: effort_kind(effort), term: strike, occasion: Occasion::Any };
        let params = ContactTestParams {
            question,
            alternative: Alternative::AnyDifference,
            n_permutations: N_PERMUTATIONS,
            seed,
        };
        let tests = sub_table_tests(approaches, &groups, parts.len(), Multiplicity::Holm, params)
            .map_err(DeriveError::internal)?;
        let sized = parts.iter().zip(tests).enumerate().map(|(group, (part, test))| SubTable {
            parted_by,
            part: (*part).clone(),
            n_approaches: groups.iter().filter(|of| **of == Some(group)).count(),
            test,
        });
        tables.extend(sized);
    }
    Ok(tables)
}

/// Usable approaches in the order of time.
fn in_order(stored: &[ApproachRecord]) -> Vec<&ApproachRecord> {
    let usable = stored.iter().filter(|record| record.verification_status != VerificationStatus::Rejected);
    let mut ordered: Vec<&ApproachRecord> = usable.collect();
    ordered.sort_by_key(|record| (record.time.instant_s, record.encounter_id, record.ordinal));
    ordered
}

fn approaches(ordered: &[&ApproachRecord], terms: &[(String, bool)], strike: usize) -> Vec<Approach> {
    let by_term: HashMap<&str, (usize, bool)> =
        terms.iter().enumerate().map(|(idx, (term, is_strike))| (term.as_str(), (idx, *is_strike))).collect();
    let mut trials: HashMap<i64, u32> = HashMap::new();
    ordered
        .iter()
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
            Approach {
                contact: contact(record.contact),
                effort_kind: effort_kind(record.effort_kind),
                organism: organism.and_then(|id| usize::try_from(id).ok()),
                trial_order,
                reactions: reactions(record, &by_term, strike),
                watch_end_s: record.end_of_watch.map(|span| span.in_seconds()),
            }
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
