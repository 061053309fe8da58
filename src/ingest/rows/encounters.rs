//! Encounters with their approaches and reactions.

use crate::domain::approach::Approach;
use crate::domain::approach::Contact;
use crate::domain::approach::CoreReaction;
use crate::domain::approach::Reaction;
use crate::domain::approach::Trial;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::EncounterDetails;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::RecordedPosition;
use crate::domain::encounter::UncertaintyMeaning;
use crate::domain::encounter::VerificationStatus;
use crate::domain::units::Length;
use crate::domain::units::Mass;
use crate::domain::units::Span;
use crate::domain::units::Temperature;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::coordinates;
use crate::ingest::fields::dates;
use crate::ingest::fields::numbers;
use crate::ingest::row::Row;
use crate::ingest::rows::needed_term;
use crate::ingest::rows::optional_term;

/// Reads an encounter.
pub(super) fn encounter(row: &dyn Row, context: &Context) -> Result<EncounterDraft, Problem> {
    let time = dates::event(row, context)?;
    let draft = EncounterDraft {
        occurrence_id: row.get(Field::OccurrenceId).to_owned(),
        effort_kind: effort_kind(row, context)?,
        time,
        position: position(row, context)?,
        scientific_name: species(row, context)?,
        verification_status: optional_term(row, Field::VerificationStatus)?
            .unwrap_or(VerificationStatus::Unverified),
        organism_id: row.get(Field::OrganismId).to_owned(),
        individual_count: numbers::optional_count(row, Field::IndividualCount)?,
        event_id: row.get(Field::EventId).to_owned(),
        approaches: approach(row)?.into_iter().collect(),
        details: details(row)?,
        outcome: optional_term(row, Field::Outcome)?,
    };
    named(draft, row, context)
}

fn effort_kind(row: &dyn Row, context: &Context) -> Result<EffortKind, Problem> {
    match context.effort_kind {
        Some(usual) => Ok(optional_term(row, Field::EffortKind)?.unwrap_or(usual)),
        None => needed_term(row, Field::EffortKind),
    }
}

/// What identifiers begin with that were made of the content of a row.
const MADE: &str = "row:";

/// Without an identifier the content makes one, so that the same row again is the same record.
///
/// Of somebody who must not find out what others brought in, the author makes it, too, and none of that form is taken: else
/// one could guess what somebody else's row says, give its identifier, and be told whether there is such a record.
fn named(draft: EncounterDraft, row: &dyn Row, context: &Context) -> Result<EncounterDraft, Problem> {
    if draft.occurrence_id.starts_with(MADE) && context.author.is_some() {
        let reason = "identifiers of this form are made of what a row says";
        let hint = "leave it empty, or give one of your own";
        return Err(Problem::new(Field::OccurrenceId.name(), &draft.occurrence_id, reason, hint));
    }
    if !draft.occurrence_id.is_empty() {
        return Ok(draft);
    }
    let mut hasher = blake3::Hasher::new();
    if let Some(author) = &context.author {
        hasher.update(b"author\0").update(author.as_bytes()).update(b"\0");
    }
    for (header, value) in row.raw() {
        let value = value.trim();
        if !value.is_empty() {
            hasher.update(header.trim().as_bytes()).update(b"\0").update(value.as_bytes()).update(b"\0");
        }
    }
    let occurrence_id = format!("{MADE}{}", &hasher.finalize().to_hex()[..24]);
    Ok(EncounterDraft { occurrence_id, ..draft })
}

fn position(row: &dyn Row, context: &Context) -> Result<Option<RecordedPosition>, Problem> {
    let field = Field::CoordinateUncertainty;
    let stated = numbers::optional(row, field)?;
    if let Some(metres) = stated
        && metres <= 0.0
    {
        let reason = "an uncertainty must be more than zero (Darwin Core)";
        return Err(Problem::new(
            field.name(),
            row.get(field),
            reason,
            "leave it empty where it is not known",
        ));
    }
    let Some(position) = coordinates::optional(row, context)? else { return Ok(None) };
    let refused = |error: crate::domain::units::InvalidQuantity| {
        Problem::new(field.name(), row.get(field), error.to_string(), "enter metres")
    };
    Ok(Some(RecordedPosition {
        position,
        coordinate_uncertainty: stated.map(Length::metres).transpose().map_err(refused)?,
        meaning: optional_term(row, Field::UncertaintyMeaning)?.unwrap_or(UncertaintyMeaning::Radius95),
        is_generalised: numbers::optional_yes(row, Field::Generalised)?
            .unwrap_or(!row.get(Field::DataGeneralizations).is_empty()),
    }))
}

fn species(row: &dyn Row, context: &Context) -> Result<String, Problem> {
    let name = row.get(Field::ScientificName);
    if name.is_empty() || context.species.is_empty() {
        return Ok(name.to_owned());
    }
    let listed = context.species.iter().find(|listed| listed.eq_ignore_ascii_case(name));
    listed.cloned().ok_or_else(|| {
        let hint =
            format!("use one of: {}; leave it empty where it is not known", context.species.join(", "));
        Problem::new(
            Field::ScientificName.name(),
            name,
            "this name is not on the area's list of species",
            hint,
        )
    })
}

fn approach(row: &dyn Row) -> Result<Option<Approach>, Problem> {
    let Some(contact) = optional_term::<Contact>(row, Field::Contact)? else {
        let needs_contact = [Field::Reactions, Field::ClosestDistance, Field::TrialProtocol];
        return match needs_contact.iter().find(|field| !row.get(**field).is_empty()) {
            None => Ok(None),
            Some(field) => Err(Problem::new(
                Field::Contact.name(),
                "",
                format!("{} is given, but not how near anybody came", field.name()),
                "use one of: passed, beside, over, underfoot, handled",
            )),
        };
    };
    numbers::optional_count(row, Field::ApproachNumber)?;
    let (protocol, permit) = (row.get(Field::TrialProtocol), row.get(Field::Permit));
    let trial =
        (!protocol.is_empty()).then(|| Trial { protocol: protocol.to_owned(), permit: permit.to_owned() });
    Ok(Some(Approach {
        contact,
        closest_distance: numbers::optional_with(row, Field::ClosestDistance, Length::metres)?,
        agent: row.get(Field::Agent).to_owned(),
        applied_load: numbers::optional_with(row, Field::AppliedLoad, Mass::kilograms)?,
        duration: numbers::optional_with(row, Field::Duration, Span::seconds)?,
        trial,
        end_of_watch: numbers::optional_with(row, Field::EndOfWatch, Span::seconds)?,
        reactions: reactions(row)?,
    }))
}

/// "tail vibration with rattle@2.5; withdrew@6": terms in order, latency in seconds behind the sign.
fn reactions(row: &dyn Row) -> Result<Vec<Reaction>, Problem> {
    let (name, text) = (Field::Reactions.name(), row.get(Field::Reactions));
    let parts = text.split(';').map(str::trim).filter(|part| !part.is_empty());
    parts
        .map(|part| {
            let (term, latency) = match part.split_once('@') {
                Some((term, latency)) => (term.trim(), Some(numbers::number(name, latency)?)),
                None => (part, None),
            };
            // A core term in any case is written as in the core; an area's own term is checked when it is stored.
            let term = term
                .parse::<CoreReaction>()
                .map_or_else(|_| term.to_lowercase(), |core| core.term().to_owned());
            let refused = |error: crate::domain::units::InvalidQuantity| {
                Problem::new(name, part, error.to_string(), "give the latency in seconds behind @")
            };
            Ok(Reaction { term, latency: latency.map(Span::seconds).transpose().map_err(refused)? })
        })
        .collect()
}

fn details(row: &dyn Row) -> Result<EncounterDetails, Problem> {
    let text = |field: Field| row.get(field).to_owned();
    let joined = |first: Field, second: Field| match (row.get(first), row.get(second)) {
        (text, "") | ("", text) => text.to_owned(),
        (first, second) => [first, " ", second].concat(),
    };
    Ok(EncounterDetails {
        parent_event_id: text(Field::ParentEventId),
        verbatim_event_date: match (dates::stated(row), row.get(Field::EventTime)) {
            (date, "") => date.into_owned(),
            (date, time) => [&date, " ", time].concat(),
        },
        verbatim_coordinates: joined(Field::DecimalLatitude, Field::DecimalLongitude),
        identified_by: text(Field::IdentifiedBy),
        identification_qualifier: text(Field::IdentificationQualifier),
        life_stage: text(Field::LifeStage),
        sex: text(Field::Sex),
        reproductive_condition: text(Field::ReproductiveCondition),
        behavior: text(Field::Behavior),
        recorded_by: text(Field::RecordedBy),
        sampling_protocol: text(Field::SamplingProtocol),
        occurrence_remarks: text(Field::OccurrenceRemarks),
        data_generalizations: text(Field::DataGeneralizations),
        information_withheld: text(Field::InformationWithheld),
        cue: optional_term(row, Field::Cue)?,
        distance_first_noticed: numbers::optional_with(row, Field::FirstNoticed, Length::metres)?,
        distance_first_reaction: numbers::optional_with(row, Field::FirstReaction, Length::metres)?,
        posture_before: text(Field::PostureBefore),
        cover: text(Field::Cover),
        substrate: text(Field::Substrate),
        length_class: text(Field::LengthClass),
        air_temperature: numbers::optional_with(row, Field::AirTemperature, Temperature::celsius)?,
        ground_temperature: numbers::optional_with(row, Field::GroundTemperature, Temperature::celsius)?,
        body_temperature: numbers::optional_with(row, Field::BodyTemperature, Temperature::celsius)?,
        n_people: numbers::optional_count(row, Field::NumberOfPeople)?,
        n_dogs: numbers::optional_count(row, Field::NumberOfDogs)?,
        footwear: text(Field::Footwear),
        is_alive: numbers::optional_yes(row, Field::Alive)?,
        other: row.others(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;

    const GOOD: [(&str, &str); 5] = [
        ("effort", "report"),
        ("date", "2024-05-04"),
        ("lat", "37.61"),
        ("lon", "-109.38"),
        ("weather", "dry"),
    ];

    fn read(changes: &[(&str, &str)]) -> Result<EncounterDraft, Problem> {
        let mut pairs: Vec<(String, String)> =
            GOOD.iter().map(|(header, value)| ((*header).to_owned(), (*value).to_owned())).collect();
        for (header, value) in changes {
            pairs.retain(|(known, _)| known != header);
            pairs.push(((*header).to_owned(), (*value).to_owned()));
        }
        encounter(&Pairs::new(Content::Encounters, 1, pairs, &context()), &context())
    }

    #[test]
    fn what_no_field_takes_is_kept() {
        assert_eq!(read(&[]).unwrap().details.other, [("weather".to_owned(), "dry".to_owned())]);
    }

    #[test]
    fn the_same_content_makes_the_same_identifier() {
        let id = |changes: &[(&str, &str)]| read(changes).unwrap().occurrence_id;
        assert_eq!(id(&[]), id(&[]));
        assert_ne!(id(&[]), id(&[("weather", "wet")]));
        assert_eq!(id(&[("id", "A")]), "A");
    }

    #[test]
    fn approaches_carry_reactions_in_order() {
        let changes = [
            ("contact", "Underfoot"),
            ("reactions", "Still; tail vibration with rattle@2.5 ; struck short @ 3"),
            ("trialProtocol", "escalating"),
        ];
        let draft = read(&changes).unwrap();
        let approach = &draft.approaches[0];
        assert_eq!(approach.contact, Contact::Underfoot);
        let terms: Vec<&str> = approach.reactions.iter().map(|reaction| reaction.term.as_str()).collect();
        assert_eq!(terms, ["still", "tail vibration with rattle", "struck short"]);
        assert_eq!(approach.reactions[1].latency, Some(Span::seconds(2.5).unwrap()));
        assert!(approach.trial.is_some());
    }

    #[test]
    fn each_wrong_value_names_its_field() {
        let cases = [
            (("effort", "stroll"), "effortKind"),
            (("effort", ""), "effortKind"),
            (("accuracy", "0"), "coordinateUncertaintyInMeters"),
            (("accuracy", "-5"), "coordinateUncertaintyInMeters"),
            (("accuracy", "about 20"), "coordinateUncertaintyInMeters"),
            (("species", "rattler"), "scientificName"),
            (("individualCount", "1.5"), "individualCount"),
            (("contact", "stroked"), "contact"),
            (("reactions", "still"), "contact"),
            (("airTemperatureInCelsius", "-300"), "airTemperatureInCelsius"),
            (("cue", "smelled"), "cue"),
        ];
        for (change, field) in cases {
            let problem = read(&[change]).unwrap_err();
            assert_eq!(problem.field, field, "{change:?}: {}", problem.reason);
            assert!(!problem.hint.is_empty());
        }
    }
}
