//! How the history writes an encounter.

use serde::Deserialize;
use serde::Serialize;

use crate::domain::approach::Approach;
use crate::domain::approach::Contact;
use crate::domain::approach::Reaction;
use crate::domain::approach::Trial;
use crate::domain::encounter::Cue;
use crate::domain::encounter::EncounterDetails;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::Outcome;
use crate::domain::encounter::RecordedPosition;
use crate::domain::time::EventTime;
use crate::domain::units::Length;
use crate::domain::units::Mass;
use crate::domain::units::Span;
use crate::domain::units::Temperature;
use crate::store::event_time;
use crate::store::wire::Exact;
use crate::store::wire::Point;
use crate::store::wire::in_words;

#[derive(Serialize, Deserialize)]
pub(super) struct EncounterWire {
    occurrence_id: String,
    effort_kind: String,
    time: TimeWire,
    position: Option<PositionWire>,
    scientific_name: String,
    verification_status: String,
    organism_id: String,
    individual_count: Option<u32>,
    event_id: String,
    approaches: Vec<ApproachWire>,
    details: DetailsWire,
    outcome: Option<String>,
}

#[derive(Serialize, Deserialize)]
struct TimeWire {
    year: Option<i64>,
    month: Option<i64>,
    day: Option<i64>,
    minute_of_day: Option<u16>,
    instant_s: Option<i64>,
}

#[derive(Serialize, Deserialize)]
struct PositionWire {
    at: Point,
    coordinate_uncertainty_m: Option<Exact>,
    meaning: String,
    is_generalised: bool,
}

#[derive(Serialize, Deserialize)]
struct ApproachWire {
    contact: String,
    closest_distance_m: Option<Exact>,
    agent: String,
    applied_load_kg: Option<Exact>,
    duration_s: Option<Exact>,
    trial: Option<TrialWire>,
    end_of_watch_s: Option<Exact>,
    reactions: Vec<ReactionWire>,
}

#[derive(Serialize, Deserialize)]
struct TrialWire {
    protocol: String,
    permit: String,
}

#[derive(Serialize, Deserialize)]
struct ReactionWire {
    term: String,
    latency_s: Option<Exact>,
}

#[derive(Serialize, Deserialize)]
struct DetailsWire {
    parent_event_id: String,
    verbatim_event_date: String,
    verbatim_coordinates: String,
    identified_by: String,
    identification_qualifier: String,
    life_stage: String,
    sex: String,
    reproductive_condition: String,
    behavior: String,
    recorded_by: String,
    sampling_protocol: String,
    occurrence_remarks: String,
    data_generalizations: String,
    information_withheld: String,
    cue: Option<String>,
    distance_first_noticed_m: Option<Exact>,
    distance_first_reaction_m: Option<Exact>,
    posture_before: String,
    cover: String,
    substrate: String,
    length_class: String,
    air_temperature_c: Option<Exact>,
    ground_temperature_c: Option<Exact>,
    body_temperature_c: Option<Exact>,
    n_people: Option<u32>,
    n_dogs: Option<u32>,
    footwear: String,
    is_alive: Option<bool>,
    other: Vec<(String, String)>,
}

impl From<&EncounterDraft> for EncounterWire {
    fn from(draft: &EncounterDraft) -> Self {
        Self {
            occurrence_id: draft.occurrence_id.clone(),
            effort_kind: draft.effort_kind.term().to_owned(),
            time: (&draft.time).into(),
            position: draft.position.as_ref().map(PositionWire::from),
            scientific_name: draft.scientific_name.clone(),
            verification_status: draft.verification_status.term().to_owned(),
            organism_id: draft.organism_id.clone(),
            individual_count: draft.individual_count,
            event_id: draft.event_id.clone(),
            approaches: draft.approaches.iter().map(ApproachWire::from).collect(),
            details: (&draft.details).into(),
            outcome: draft.outcome.map(|outcome| outcome.term().to_owned()),
        }
    }
}

impl TryFrom<EncounterWire> for EncounterDraft {
    type Error = String;

    fn try_from(wire: EncounterWire) -> Result<Self, String> {
        Ok(Self {
            occurrence_id: wire.occurrence_id,
            effort_kind: in_words(wire.effort_kind.parse())?,
            time: wire.time.try_into()?,
            position: wire.position.map(RecordedPosition::try_from).transpose()?,
            scientific_name: wire.scientific_name,
            verification_status: in_words(wire.verification_status.parse())?,
            organism_id: wire.organism_id,
            individual_count: wire.individual_count,
            event_id: wire.event_id,
            approaches: wire.approaches.into_iter().map(Approach::try_from).collect::<Result<_, _>>()?,
            details: wire.details.try_into()?,
            outcome: in_words(wire.outcome.map(|outcome| outcome.parse::<Outcome>()).transpose())?,
        })
    }
}

impl From<&EventTime> for TimeWire {
    fn from(time: &EventTime) -> Self {
        let (year, month, day) = event_time::to_columns(time.date);
        Self { year, month, day, minute_of_day: time.minute_of_day, instant_s: time.instant_s }
    }
}

impl TryFrom<TimeWire> for EventTime {
    type Error = String;

    fn try_from(wire: TimeWire) -> Result<Self, String> {
        let date = event_time::from_columns(wire.year, wire.month, wire.day)?;
        Ok(Self { date, minute_of_day: wire.minute_of_day, instant_s: wire.instant_s })
    }
}

impl From<&RecordedPosition> for PositionWire {
    fn from(recorded: &RecordedPosition) -> Self {
        Self {
            at: recorded.position.into(),
            coordinate_uncertainty_m: recorded.coordinate_uncertainty.map(|length| Exact(length.in_metres())),
            meaning: recorded.meaning.term().to_owned(),
            is_generalised: recorded.is_generalised,
        }
    }
}

impl TryFrom<PositionWire> for RecordedPosition {
    type Error = String;

    fn try_from(wire: PositionWire) -> Result<Self, String> {
        Ok(Self {
            position: wire.at.try_into()?,
            coordinate_uncertainty: length(wire.coordinate_uncertainty_m)?,
            meaning: in_words(wire.meaning.parse())?,
            is_generalised: wire.is_generalised,
        })
    }
}

impl From<&Approach> for ApproachWire {
    fn from(approach: &Approach) -> Self {
        let seconds = |span: Option<Span>| span.map(|span| Exact(span.in_seconds()));
        Self {
            contact: approach.contact.term().to_owned(),
            closest_distance_m: approach.closest_distance.map(|length| Exact(length.in_metres())),
            agent: approach.agent.clone(),
            applied_load_kg: approach.applied_load.map(|mass| Exact(mass.in_kilograms())),
            duration_s: seconds(approach.duration),
            trial: approach
                .trial
                .as_ref()
                .map(|trial| TrialWire { protocol: trial.protocol.clone(), permit: trial.permit.clone() }),
            end_of_watch_s: seconds(approach.end_of_watch),
            reactions: approach
                .reactions
                .iter()
                .map(|reaction| ReactionWire {
                    term: reaction.term.clone(),
                    latency_s: seconds(reaction.latency),
                })
                .collect(),
        }
    }
}

impl TryFrom<ApproachWire> for Approach {
    type Error = String;

    fn try_from(wire: ApproachWire) -> Result<Self, String> {
        let load = wire.applied_load_kg.map(|kilograms| Mass::kilograms(kilograms.0)).transpose();
        let reactions = wire.reactions.into_iter().map(|reaction| {
            Ok::<_, String>(Reaction { term: reaction.term, latency: span(reaction.latency_s)? })
        });
        Ok(Self {
            contact: in_words(wire.contact.parse::<Contact>())?,
            closest_distance: length(wire.closest_distance_m)?,
            agent: wire.agent,
            applied_load: in_words(load)?,
            duration: span(wire.duration_s)?,
            trial: wire.trial.map(|trial| Trial { protocol: trial.protocol, permit: trial.permit }),
            end_of_watch: span(wire.end_of_watch_s)?,
            reactions: reactions.collect::<Result<_, _>>()?,
        })
    }
}

impl From<&EncounterDetails> for DetailsWire {
    fn from(details: &EncounterDetails) -> Self {
        let metres = |length: Option<Length>| length.map(|length| Exact(length.in_metres()));
        let celsius = |temperature: Option<Temperature>| temperature.map(|value| Exact(value.in_celsius()));
        Self {
            parent_event_id: details.parent_event_id.clone(),
            verbatim_event_date: details.verbatim_event_date.clone(),
            verbatim_coordinates: details.verbatim_coordinates.clone(),
            identified_by: details.identified_by.clone(),
            identification_qualifier: details.identification_qualifier.clone(),
            life_stage: details.life_stage.clone(),
            sex: details.sex.clone(),
            reproductive_condition: details.reproductive_condition.clone(),
            behavior: details.behavior.clone(),
            recorded_by: details.recorded_by.clone(),
            sampling_protocol: details.sampling_protocol.clone(),
            occurrence_remarks: details.occurrence_remarks.clone(),
            data_generalizations: details.data_generalizations.clone(),
            information_withheld: details.information_withheld.clone(),
            cue: details.cue.map(|cue| cue.term().to_owned()),
            distance_first_noticed_m: metres(details.distance_first_noticed),
            distance_first_reaction_m: metres(details.distance_first_reaction),
            posture_before: details.posture_before.clone(),
            cover: details.cover.clone(),
            substrate: details.substrate.clone(),
            length_class: details.length_class.clone(),
            air_temperature_c: celsius(details.air_temperature),
            ground_temperature_c: celsius(details.ground_temperature),
            body_temperature_c: celsius(details.body_temperature),
            n_people: details.n_people,
            n_dogs: details.n_dogs,
            footwear: details.footwear.clone(),
            is_alive: details.is_alive,
            other: details.other.clone(),
        }
    }
}

impl TryFrom<DetailsWire> for EncounterDetails {
    type Error = String;

    fn try_from(wire: DetailsWire) -> Result<Self, String> {
        Ok(Self {
            parent_event_id: wire.parent_event_id,
            verbatim_event_date: wire.verbatim_event_date,
            verbatim_coordinates: wire.verbatim_coordinates,
            identified_by: wire.identified_by,
            identification_qualifier: wire.identification_qualifier,
            life_stage: wire.life_stage,
            sex: wire.sex,
            reproductive_condition: wire.reproductive_condition,
            behavior: wire.behavior,
            recorded_by: wire.recorded_by,
            sampling_protocol: wire.sampling_protocol,
            occurrence_remarks: wire.occurrence_remarks,
            data_generalizations: wire.data_generalizations,
            information_withheld: wire.information_withheld,
            cue: in_words(wire.cue.map(|cue| cue.parse::<Cue>()).transpose())?,
            distance_first_noticed: length(wire.distance_first_noticed_m)?,
            distance_first_reaction: length(wire.distance_first_reaction_m)?,
            posture_before: wire.posture_before,
            cover: wire.cover,
            substrate: wire.substrate,
            length_class: wire.length_class,
            air_temperature: temperature(wire.air_temperature_c)?,
            ground_temperature: temperature(wire.ground_temperature_c)?,
            body_temperature: temperature(wire.body_temperature_c)?,
            n_people: wire.n_people,
            n_dogs: wire.n_dogs,
            footwear: wire.footwear,
            is_alive: wire.is_alive,
            other: wire.other,
        })
    }
}

fn length(metres: Option<Exact>) -> Result<Option<Length>, String> {
    in_words(metres.map(|metres| Length::metres(metres.0)).transpose())
}

fn span(seconds: Option<Exact>) -> Result<Option<Span>, String> {
    in_words(seconds.map(|seconds| Span::seconds(seconds.0)).transpose())
}

fn temperature(celsius: Option<Exact>) -> Result<Option<Temperature>, String> {
    in_words(celsius.map(|celsius| Temperature::celsius(celsius.0)).transpose())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::testing;

    #[test]
    fn an_encounter_reads_back_whole() {
        let draft = testing::full_encounter("a");
        let json = serde_json::to_string(&EncounterWire::from(&draft)).unwrap();
        let wire: EncounterWire = serde_json::from_str(&json).unwrap();
        assert_eq!(EncounterDraft::try_from(wire).unwrap(), draft);
    }
}
