//! Strikes by species, life stage, temperature and season, and the time until snakes react.

use std::collections::BTreeSet;
use std::collections::HashSet;

use crate::analysis::counts::binomial;
use crate::analysis::response;
use crate::analysis::response::Approach;
use crate::analysis::response::Contact;
use crate::analysis::response::Occasion;
use crate::analysis::response::Question;
use crate::analysis::response::bootstrap::BootstrapParams;
use crate::analysis::response::contact_test::Alternative;
use crate::analysis::response::contact_test::ContactTest;
use crate::analysis::response::contact_test::ContactTestParams;
use crate::analysis::response::latency;
use crate::analysis::response::latency::KaplanMeier;
use crate::analysis::response::latency::Latency;
use crate::analysis::response::latency::LatencyQuestion;
use crate::analysis::response::sub_tables::Multiplicity;
use crate::analysis::response::sub_tables::SubTableTest;
use crate::analysis::response::sub_tables::sub_table_tests;
use crate::analysis::response::table::ReactionCell;
use crate::analysis::response::table::reaction_tables;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::reactions::N_BOOTSTRAP;
use crate::derived::reactions::N_PERMUTATIONS;
use crate::derived::reactions::approaches;
use crate::derived::reactions::effort_kind;
use crate::derived::reactions::none_recognised;
use crate::domain::encounter::EffortKind;
use crate::store::ApproachRecord;

/// Seconds at which the number still watched is told.
pub const TIMES_S: [f64; 8] = [0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0];

/// Terms that are no answer to the approach: the wait for a reaction goes on after them.
const CALM: [&str; 2] = ["still", "head hidden"];

/// Sub-tables and latencies of all effort kinds.
#[derive(Debug)]
pub struct ReactionDetails {
    /// Strikes in parts of the approaches, by effort kind and factor.
    pub sub_tables: Vec<SubTables>,
    /// Times until a reaction, by effort kind, contact and what is waited for.
    pub waits: Vec<Wait>,
}

/// By what approaches are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Factor {
    /// The species.
    Species,
    /// The life stage.
    LifeStage,
    /// The air temperature.
    Temperature,
    /// The quarter of the year.
    Season,
}

impl Factor {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Species, Self::LifeStage, Self::Temperature, Self::Season];

    /// The words on pages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Species => "species",
            Self::LifeStage => "life stage",
            Self::Temperature => "air temperature",
            Self::Season => "season",
        }
    }

    /// The part that an approach belongs to, first in an order for pages; none when it is not recorded.
    fn of(self, record: &ApproachRecord) -> Option<(usize, String)> {
        let named = |words: &str| (!words.is_empty()).then(|| (0, words.to_owned()));
        match self {
            Self::Species => named(&record.scientific_name),
            Self::LifeStage => named(&record.life_stage),
            Self::Temperature => {
                let celsius = record.air_temperature?.in_celsius();
                let bands = ["below 15 °C", "15 to under 25 °C", "25 to under 35 °C", "35 °C and above"];
                let band = [15.0, 25.0, 35.0].iter().filter(|bound| celsius >= **bound).count();
                Some((band, bands[band].to_owned()))
            }
            Self::Season => {
                let quarter = usize::from(record.time.month()?.unsigned_abs()) % 12 / 3;
                let names =
                    ["December to February", "March to May", "June to August", "September to November"];
                Some((quarter, names[quarter].to_owned()))
            }
        }
    }
}

/// Strikes in each part of the approaches of one effort kind.
#[derive(Debug)]
pub struct SubTables {
    /// The effort kind.
    pub effort: EffortKind,
    /// By what the parts differ.
    pub factor: Factor,
    /// The parts in order.
    pub parts: Vec<Part>,
    /// Approaches for which the factor is not recorded: in no part.
    pub n_unknown: usize,
}

/// One part of the approaches.
#[derive(Debug)]
pub struct Part {
    /// Its words.
    pub name: String,
    /// Strikes of any kind at any time, by kind of contact.
    pub strikes: Vec<ReactionCell>,
    /// Whether strikes depend on contact within the part.
    pub test: SubTableTest,
}

/// What is waited for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Until {
    /// A strike or bite.
    Strike,
    /// Anything but keeping still or hiding the head.
    Reaction,
}

impl Until {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Strike, Self::Reaction];

    /// The words on pages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Strike => "a strike or bite",
            Self::Reaction => "any reaction but keeping still",
        }
    }
}

/// The time until a reaction.
#[derive(Debug)]
pub struct Wait {
    /// The effort kind.
    pub effort: EffortKind,
    /// The kind of contact.
    pub contact: Contact,
    /// What was waited for.
    pub until: Until,
    /// Kaplan and Meier's curve with limits by snake; the end of the watch censors.
    pub curve: KaplanMeier,
    /// At each of [`TIMES_S`], how many were still watched and without it just before.
    pub at_risk: Vec<usize>,
    /// Snakes behind the curve; one not recognised counts as one.
    pub n_organisms: usize,
    /// Recognised snakes among them.
    pub n_recognised: usize,
    /// Approaches without times: left out.
    pub n_unknown: u64,
    /// Those among them that ended without it, at an unknown time.
    pub n_unwatched: u64,
    /// Whether the curve may be shown: false where it would rest on little but those that reacted.
    pub is_representative: bool,
    /// Where none reacted: exact upper limit of the share, each snake counted once.
    pub none_upper: Option<f64>,
    /// At each of [`TIMES_S`], exact upper limit of a share of none: each snake still watched then is counted once. None where
    /// none is watched any more.
    pub zero_upper: Vec<Option<f64>>,
}

/// Computes sub-tables and latencies.
///
/// # Errors
/// [`DeriveError::Internal`] when approaches name terms that do not exist.
pub fn compute(
    facts: &Facts,
    stored: &[ApproachRecord],
    terms: &[(String, bool)],
) -> Result<ReactionDetails, DeriveError> {
    let pairs = approaches(facts, stored, terms);
    let (mut sub_tables, mut waits) = (Vec::new(), Vec::new());
    for effort in EffortKind::ALL {
        let kind = effort_kind(*effort);
        let of_kind: Vec<&(&ApproachRecord, Approach)> =
            pairs.iter().filter(|(_, approach)| approach.effort_kind == kind).collect();
        if of_kind.is_empty() {
            continue;
        }
        for factor in Factor::ALL {
            sub_tables.push(tables(&of_kind, *effort, factor, terms.len(), facts.settings.seed())?);
        }
        let approaches: Vec<Approach> = of_kind.iter().map(|(_, approach)| approach.clone()).collect();
        for until in Until::ALL {
            for contact in Contact::ALL {
                waits.extend(wait(&approaches, (*effort, contact, until), terms, facts.settings.seed())?);
            }
        }
    }
    Ok(ReactionDetails { sub_tables, waits })
}

fn tables(
    pairs: &[&(&ApproachRecord, Approach)],
    effort: EffortKind,
    factor: Factor,
    strike: usize,
    seed: u64,
) -> Result<SubTables, DeriveError> {
    let keys: Vec<Option<(usize, String)>> = pairs.iter().map(|(record, _)| factor.of(record)).collect();
    let ordered: BTreeSet<&(usize, String)> = keys.iter().flatten().collect();
    let position = |key: &(usize, String)| ordered.iter().position(|known| *known == key);
    let groups: Vec<Option<usize>> = keys.iter().map(|key| key.as_ref().and_then(position)).collect();
    // Only strikes are asked about, so that all else need not be resampled.
    let strikes_only: Vec<Approach> =
        pairs.iter().map(|(_, approach)| strikes_of(approach, strike)).collect();
    let kind = effort_kind(effort);
    let params = ContactTestParams {
        question: Question { effort_kind: kind, term: 0, occasion: Occasion::Any },
        alternative: Alternative::AnyDifference,
        n_permutations: N_PERMUTATIONS,
        seed,
    };
    // Parts in which nobody recognised a snake are not tested, and take nothing of the others' level.
    let members = |group: usize| -> Vec<Approach> {
        let of_group = strikes_only.iter().zip(&groups).filter(|(_, of)| **of == Some(group));
        of_group.map(|(approach, _)| approach.clone()).collect()
    };
    let unrecognised: Vec<Option<usize>> =
        (0..ordered.len()).map(|group| none_recognised(&members(group), effort)).collect();
    let tested: Vec<Option<usize>> =
        groups.iter().map(|group| group.filter(|group| unrecognised[*group].is_none())).collect();
    let mut tests = sub_table_tests(&strikes_only, &tested, ordered.len(), Multiplicity::Holm, params)
        .map_err(DeriveError::internal)?;
    for (test, unrecognised) in tests.iter_mut().zip(&unrecognised) {
        if let Some(n_approaches) = *unrecognised {
            *test = SubTableTest { test: ContactTest::Unrecognised { n_approaches }, holm_p_value: None };
        }
    }
    let resampling = BootstrapParams { level: 0.95, n_draws: N_BOOTSTRAP, seed };
    let part = |(group, (key, test)): (usize, (&&(usize, String), SubTableTest))| {
        let made = reaction_tables(&members(group), 1, resampling).map_err(DeriveError::internal)?;
        let any = made.into_iter().find(|table| table.occasion == Occasion::Any);
        Ok(Part { name: key.1.clone(), strikes: any.map(|table| table.cells).unwrap_or_default(), test })
    };
    let parts = ordered.iter().zip(tests).enumerate().map(part).collect::<Result<_, DeriveError>>()?;
    let n_unknown = groups.iter().filter(|group| group.is_none()).count();
    Ok(SubTables { effort, factor, parts, n_unknown })
}

/// The approach with its strikes alone, as term 0.
fn strikes_of(approach: &Approach, strike: usize) -> Approach {
    let strikes = |reactions: &Vec<response::Reaction>| {
        let found = reactions.iter().filter(|reaction| reaction.term == strike);
        found.map(|reaction| response::Reaction { term: 0, ..*reaction }).collect()
    };
    Approach { reactions: approach.reactions.as_ref().map(strikes), ..approach.clone() }
}

fn wait(
    approaches: &[Approach],
    (effort, contact, until): (EffortKind, Contact, Until),
    terms: &[(String, bool)],
    seed: u64,
) -> Result<Option<Wait>, DeriveError> {
    let strike = terms.len();
    let awaited: Vec<usize> = match until {
        Until::Strike => vec![strike],
        Until::Reaction => (0..strike).filter(|term| !CALM.contains(&terms[*term].0.as_str())).collect(),
    };
    let question = LatencyQuestion { effort_kind: effort_kind(effort), contact, terms: &awaited };
    let found = latency::latencies(approaches, question);
    if found.known.is_empty() && found.n_unknown == 0 {
        return Ok(None);
    }
    let is_representative = found.are_representative();
    let params = BootstrapParams { level: 0.95, n_draws: N_BOOTSTRAP, seed };
    let curve = latency::kaplan_meier_by_organism(&found, params).map_err(DeriveError::internal)?;
    let watched = watched(approaches, question);
    let (n_organisms, n_recognised) = snakes_from(&watched, 0.0);
    let none_upper = if curve.steps.is_empty() { upper_of_none(n_organisms)? } else { None };
    let zero_upper = TIMES_S
        .iter()
        .map(|time_s| upper_of_none(snakes_from(&watched, *time_s).0))
        .collect::<Result<_, DeriveError>>()?;
    let at_risk = TIMES_S.iter().map(|time_s| still_watched(&found.known, *time_s)).collect();
    Ok(Some(Wait {
        effort,
        contact,
        until,
        curve,
        at_risk,
        n_organisms,
        n_recognised,
        n_unknown: found.n_unknown,
        n_unwatched: found.n_unwatched,
        is_representative,
        none_upper,
        zero_upper,
    }))
}

fn still_watched(latencies: &[Latency], time_s: f64) -> usize {
    latencies.iter().filter(|latency| latency.time_s >= time_s).count()
}

/// The approaches with known times, each with its time.
fn watched<'a>(approaches: &'a [Approach], question: LatencyQuestion<'_>) -> Vec<(&'a Approach, f64)> {
    let timed = |approach: &'a Approach| {
        let found = latency::latencies(std::slice::from_ref(approach), question);
        Some((approach, found.known.first()?.time_s))
    };
    approaches.iter().filter_map(timed).collect()
}

/// Snakes still watched and without reaction just before a time, and recognised ones among them.
fn snakes_from(watched: &[(&Approach, f64)], from_s: f64) -> (usize, usize) {
    let (mut known, mut n_unknown) = (HashSet::new(), 0);
    for (approach, _) in watched.iter().filter(|(_, time_s)| *time_s >= from_s) {
        match approach.organism {
            Some(organism) => _ = known.insert(organism),
            None => n_unknown += 1,
        }
    }
    (known.len() + n_unknown, known.len())
}

/// Exact upper limit of the share where none of so many snakes reacted.
fn upper_of_none(n_organisms: usize) -> Result<Option<f64>, DeriveError> {
    if n_organisms == 0 {
        return Ok(None);
    }
    let limits = binomial::clopper_pearson_limits(0, n_organisms as u64, 0.95);
    Ok(Some(limits.map_err(DeriveError::internal)?.1))
}

impl Wait {
    /// Share that had reacted by a time, with its limits: zero and without limits before the first.
    pub fn reacted_by(&self, time_s: f64) -> (f64, Option<(f64, f64)>) {
        let step = self.curve.steps.iter().rev().find(|step| step.time_s <= time_s);
        match step {
            None => (0.0, None),
            Some(step) => {
                let limits = step.uncertainty.limits().map(|(lower, upper)| (1.0 - upper, 1.0 - lower));
                (1.0 - step.waiting, limits)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::response::testing::approach;

    const QUESTION: LatencyQuestion<'_> =
        LatencyQuestion { effort_kind: response::EffortKind::Survey, contact: Contact::Over, terms: &[0] };

    fn watched_for(organism: Option<usize>, latency_s: Option<f64>, watch_end_s: f64) -> Approach {
        let mut made = approach(Contact::Over, organism, latency_s.is_some());
        made.reactions.iter_mut().flatten().for_each(|reaction| reaction.latency_s = latency_s);
        Approach { watch_end_s: Some(watch_end_s), ..made }
    }

    #[test]
    fn a_snake_watched_again_counts_once_in_the_limit_of_none() {
        let approaches = [
            watched_for(Some(3), None, 20.0),
            watched_for(Some(3), None, 30.0),
            watched_for(Some(4), None, 5.0),
            watched_for(None, None, 60.0),
        ];
        let watched = watched(&approaches, QUESTION);
        assert_eq!(snakes_from(&watched, 0.0), (3, 2));
        assert_eq!(snakes_from(&watched, 10.0), (2, 1));
        // Of three snakes none: 1 - 0.025^(1/3).
        let upper = upper_of_none(3).unwrap().unwrap();
        assert!((upper - 0.707_598).abs() < 1e-5, "{upper}");
        assert_eq!(upper_of_none(0).unwrap(), None);
    }
}
