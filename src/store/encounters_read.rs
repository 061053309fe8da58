//! Encounters whole: everything that is kept of one.

use std::collections::HashMap;

use sqlx::SqliteConnection;

use crate::domain::approach::Approach;
use crate::domain::approach::Reaction;
use crate::domain::approach::Trial;
use crate::domain::encounter::Cue;
use crate::domain::encounter::EncounterDetails;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::Outcome;
use crate::domain::encounter::RecordedPosition;
use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::BatchId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::OrganismRowId;
use crate::domain::ids::WalkId;
use crate::domain::revision::Revision;
use crate::domain::time::EventTime;
use crate::domain::units::Length;
use crate::domain::units::Mass;
use crate::domain::units::Span;
use crate::domain::units::Temperature;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::event_time;
use crate::store::history::Change;
use crate::store::history::RecordKind;
use crate::store::kept::Stored;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Origin;

/// One encounter with everything that is kept of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Encounter {
    /// The stored row.
    pub id: EncounterId,
    /// What was recorded, as it stands now.
    pub given: EncounterDraft,
    /// The row of the file it came from, where it came from one.
    pub origin: Option<Origin>,
    /// The survey walk it belongs to, where that is known.
    pub walk_id: Option<WalkId>,
    /// The snake it was, where that is known.
    pub organism_id: Option<OrganismRowId>,
    /// The revision that last touched it.
    pub revision: Revision,
    /// How it came to be what it is, oldest change first.
    pub changes: Vec<Change>,
}

struct EncounterRow {
    id: i64,
    occurrence_id: String,
    effort_kind: String,
    year: Option<i64>,
    month: Option<i64>,
    day: Option<i64>,
    minute_of_day: Option<u16>,
    instant_s: Option<i64>,
    lon: Option<f64>,
    lat: Option<f64>,
    coordinate_uncertainty_m: Option<f64>,
    uncertainty_meaning: String,
    is_generalised: bool,
    scientific_name: String,
    verification_status: String,
    organism: Option<String>,
    organism_row_id: Option<i64>,
    individual_count: Option<u32>,
    walk_id: Option<i64>,
    outcome: Option<String>,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
    revision: i64,
}

/// An encounter as stored, before its history.
pub(super) struct Whole {
    pub(super) stored: Stored<EncounterDraft>,
    walk_id: Option<i64>,
    organism_row_id: Option<i64>,
    revision: i64,
}

impl EncounterRow {
    fn into_whole(self, parts: &mut Parts) -> Result<Whole, Error> {
        let (id, position) = (self.id, self.position()?);
        let date = event_time::from_columns(self.year, self.month, self.day);
        let (event_id, details) = parts.details.remove(&id).unwrap_or_default();
        let outcome = self.outcome.map(|outcome| outcome.parse::<Outcome>()).transpose();
        let record = EncounterDraft {
            occurrence_id: self.occurrence_id,
            effort_kind: stored(self.effort_kind.parse(), "encounters", "effort_kind", id)?,
            time: EventTime {
                date: stored(date, "encounters", "year, month, day", id)?,
                minute_of_day: self.minute_of_day,
                instant_s: self.instant_s,
            },
            position,
            scientific_name: self.scientific_name,
            verification_status: stored(
                self.verification_status.parse(),
                "encounters",
                "verification_status",
                id,
            )?,
            organism_id: self.organism.unwrap_or_default(),
            individual_count: self.individual_count,
            event_id,
            approaches: parts.approaches.remove(&id).unwrap_or_default(),
            details,
            outcome: stored(outcome, "encounter_outcomes", "outcome", id)?,
        };
        let origin = Origin::from_columns(self.batch_id, self.file_id, self.row_number);
        let (walk_id, organism_row_id, revision) = (self.walk_id, self.organism_row_id, self.revision);
        Ok(Whole { stored: Stored { record, origin }, walk_id, organism_row_id, revision })
    }

    fn position(&self) -> Result<Option<RecordedPosition>, Error> {
        let (Some(lon), Some(lat)) = (self.lon, self.lat) else { return Ok(None) };
        let uncertainty = self.coordinate_uncertainty_m.map(Length::metres).transpose();
        Ok(Some(RecordedPosition {
            position: stored(LonLat::new(lon, lat), "encounters", "lon, lat", self.id)?,
            coordinate_uncertainty: stored(uncertainty, "encounters", "coordinate_uncertainty_m", self.id)?,
            meaning: stored(self.uncertainty_meaning.parse(), "encounters", "uncertainty_meaning", self.id)?,
            is_generalised: self.is_generalised,
        }))
    }
}

/// What other tables keep of some encounters, by encounter.
#[derive(Default)]
struct Parts {
    /// `eventID` and details.
    details: HashMap<i64, (String, EncounterDetails)>,
    approaches: HashMap<i64, Vec<Approach>>,
}

/// The encounters with the given keys; those that were taken out only where they are wanted as well.
pub(super) async fn load(
    connection: &mut SqliteConnection,
    ids: &[i64],
    even_taken_out: bool,
) -> Result<HashMap<i64, Whole>, Error> {
    let wanted = serde_json::json!(ids).to_string();
    let mut parts = Parts {
        details: details(connection, &wanted).await?,
        approaches: approaches(connection, &wanted).await?,
    };
    let rows = sqlx::query_as!(
        EncounterRow,
        r#"SELECT encounters.id AS "id!", occurrence_id, effort_kind, year, month, day,
            minute_of_day AS "minute_of_day: u16", instant_s, lon, lat, coordinate_uncertainty_m, uncertainty_meaning,
            is_generalised AS "is_generalised: bool", encounters.scientific_name, verification_status,
            organisms.organism_id AS "organism?", encounters.organism_id AS organism_row_id,
            individual_count AS "individual_count: u32", walk_id, outcome AS "outcome?", batch_id, file_id, row_number,
            encounters.revision
         FROM json_each(?) AS wanted
         CROSS JOIN encounters ON encounters.id = wanted.value
         LEFT JOIN organisms ON organisms.id = encounters.organism_id
         LEFT JOIN encounter_outcomes ON encounter_id = encounters.id
         WHERE removed_revision IS NULL OR ?"#,
        wanted,
        even_taken_out
    )
    .fetch_all(connection)
    .await?;
    rows.into_iter().map(|row| Ok((row.id, row.into_whole(&mut parts)?))).collect()
}

struct DetailsRow {
    encounter_id: i64,
    event_id: String,
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
    cue: String,
    distance_first_noticed_m: Option<f64>,
    distance_first_reaction_m: Option<f64>,
    posture_before: String,
    cover: String,
    substrate: String,
    length_class: String,
    air_temperature_c: Option<f64>,
    ground_temperature_c: Option<f64>,
    body_temperature_c: Option<f64>,
    n_people: Option<u32>,
    n_dogs: Option<u32>,
    footwear: String,
    is_alive: Option<bool>,
    other_json: String,
}

impl TryFrom<DetailsRow> for EncounterDetails {
    type Error = Error;

    fn try_from(row: DetailsRow) -> Result<Self, Error> {
        const TABLE: &str = "encounter_details";
        let id = row.encounter_id;
        let metres =
            |metres: Option<f64>, column| stored(metres.map(Length::metres).transpose(), TABLE, column, id);
        let celsius = |value: Option<f64>, column| {
            stored(value.map(Temperature::celsius).transpose(), TABLE, column, id)
        };
        let cue = Some(row.cue).filter(|cue| !cue.is_empty()).map(|cue| cue.parse::<Cue>()).transpose();
        let other =
            if row.other_json.is_empty() { Ok(Vec::new()) } else { serde_json::from_str(&row.other_json) };
        Ok(Self {
            parent_event_id: row.parent_event_id,
            verbatim_event_date: row.verbatim_event_date,
            verbatim_coordinates: row.verbatim_coordinates,
            identified_by: row.identified_by,
            identification_qualifier: row.identification_qualifier,
            life_stage: row.life_stage,
            sex: row.sex,
            reproductive_condition: row.reproductive_condition,
            behavior: row.behavior,
            recorded_by: row.recorded_by,
            sampling_protocol: row.sampling_protocol,
            occurrence_remarks: row.occurrence_remarks,
            data_generalizations: row.data_generalizations,
            information_withheld: row.information_withheld,
            cue: stored(cue, TABLE, "cue", id)?,
            distance_first_noticed: metres(row.distance_first_noticed_m, "distance_first_noticed_m")?,
            distance_first_reaction: metres(row.distance_first_reaction_m, "distance_first_reaction_m")?,
            posture_before: row.posture_before,
            cover: row.cover,
            substrate: row.substrate,
            length_class: row.length_class,
            air_temperature: celsius(row.air_temperature_c, "air_temperature_c")?,
            ground_temperature: celsius(row.ground_temperature_c, "ground_temperature_c")?,
            body_temperature: celsius(row.body_temperature_c, "body_temperature_c")?,
            n_people: row.n_people,
            n_dogs: row.n_dogs,
            footwear: row.footwear,
            is_alive: row.is_alive,
            other: stored(other, TABLE, "other_json", id)?,
        })
    }
}

async fn details(
    connection: &mut SqliteConnection,
    wanted: &str,
) -> Result<HashMap<i64, (String, EncounterDetails)>, Error> {
    let rows = sqlx::query_as!(
        DetailsRow,
        r#"SELECT encounter_id AS "encounter_id!", event_id, parent_event_id, verbatim_event_date,
            verbatim_coordinates, identified_by, identification_qualifier, life_stage, sex,
            reproductive_condition, behavior, recorded_by, sampling_protocol, occurrence_remarks,
            data_generalizations, information_withheld, cue, distance_first_noticed_m,
            distance_first_reaction_m, posture_before, cover, substrate, length_class, air_temperature_c,
            ground_temperature_c, body_temperature_c, n_people AS "n_people: u32", n_dogs AS "n_dogs: u32",
            footwear, is_alive AS "is_alive: bool", other_json
         FROM json_each(?) AS wanted CROSS JOIN encounter_details ON encounter_id = wanted.value"#,
        wanted
    )
    .fetch_all(connection)
    .await?;
    rows.into_iter()
        .map(|mut row| {
            let (id, event_id) = (row.encounter_id, std::mem::take(&mut row.event_id));
            Ok((id, (event_id, row.try_into()?)))
        })
        .collect()
}

struct ApproachRow {
    id: i64,
    encounter_id: i64,
    contact: String,
    closest_distance_m: Option<f64>,
    agent: String,
    applied_load_kg: Option<f64>,
    duration_s: Option<f64>,
    is_trial: bool,
    trial_protocol: String,
    permit: String,
    end_of_watch_s: Option<f64>,
}

impl ApproachRow {
    fn into_approach(self, reactions: Vec<Reaction>) -> Result<Approach, Error> {
        const TABLE: &str = "approaches";
        let id = self.id;
        let seconds =
            |seconds: Option<f64>, column| stored(seconds.map(Span::seconds).transpose(), TABLE, column, id);
        let closest = self.closest_distance_m.map(Length::metres).transpose();
        let load = self.applied_load_kg.map(Mass::kilograms).transpose();
        let trial = Trial { protocol: self.trial_protocol, permit: self.permit };
        Ok(Approach {
            contact: stored(self.contact.parse(), TABLE, "contact", id)?,
            closest_distance: stored(closest, TABLE, "closest_distance_m", id)?,
            agent: self.agent,
            applied_load: stored(load, TABLE, "applied_load_kg", id)?,
            duration: seconds(self.duration_s, "duration_s")?,
            trial: self.is_trial.then_some(trial),
            end_of_watch: seconds(self.end_of_watch_s, "end_of_watch_s")?,
            reactions,
        })
    }
}

/// The approaches of the encounters in a JSON list of keys, by encounter, in their order.
async fn approaches(
    connection: &mut SqliteConnection,
    wanted: &str,
) -> Result<HashMap<i64, Vec<Approach>>, Error> {
    let rows = sqlx::query_as!(
        ApproachRow,
        r#"SELECT approaches.id AS "id!", encounter_id, contact, closest_distance_m, agent, applied_load_kg, duration_s,
            is_trial AS "is_trial: bool", trial_protocol, permit, end_of_watch_s
         FROM json_each(?) AS wanted CROSS JOIN approaches ON encounter_id = wanted.value
         ORDER BY encounter_id, ordinal"#,
        wanted
    )
    .fetch_all(&mut *connection)
    .await?;
    let mut reactions = reactions(connection, wanted).await?;
    let mut approaches: HashMap<i64, Vec<Approach>> = HashMap::new();
    for row in rows {
        let (id, encounter_id) = (row.id, row.encounter_id);
        let approach = row.into_approach(reactions.remove(&id).unwrap_or_default())?;
        approaches.entry(encounter_id).or_default().push(approach);
    }
    Ok(approaches)
}

/// The reactions in the encounters of a JSON list of keys, by approach, in their order.
async fn reactions(
    connection: &mut SqliteConnection,
    wanted: &str,
) -> Result<HashMap<i64, Vec<Reaction>>, Error> {
    let rows = sqlx::query!(
        r#"SELECT approach_id AS "approach_id!", term, latency_s
         FROM json_each(?) AS wanted
         CROSS JOIN approaches ON encounter_id = wanted.value
         CROSS JOIN reactions ON approach_id = approaches.id
         CROSS JOIN reaction_terms ON reaction_terms.id = term_id
         ORDER BY approach_id, reactions.ordinal"#,
        wanted
    )
    .fetch_all(connection)
    .await?;
    let mut reactions: HashMap<i64, Vec<Reaction>> = HashMap::new();
    for row in rows {
        let latency =
            stored(row.latency_s.map(Span::seconds).transpose(), "reactions", "latency_s", row.approach_id)?;
        reactions.entry(row.approach_id).or_default().push(Reaction { term: row.term, latency });
    }
    Ok(reactions)
}

impl Snapshot {
    /// One encounter whole, none when there is no such one or it was taken out.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn encounter(&mut self, id: EncounterId) -> Result<Option<Encounter>, Error> {
        let Some(whole) = load(self.connection(), &[id.0], false).await?.remove(&id.0) else {
            return Ok(None);
        };
        Ok(Some(Encounter {
            id,
            given: whole.stored.record,
            origin: whole.stored.origin,
            walk_id: whole.walk_id.map(WalkId),
            organism_id: whole.organism_row_id.map(OrganismRowId),
            revision: Revision(whole.revision as u64),
            changes: self.changes(RecordKind::Encounter, id.0).await?,
        }))
    }

    /// Of the encounters of a batch that are there: how many have no position, how many no day, and how many of those met on a
    /// survey no walk.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn lacking_of_batch(&mut self, batch: BatchId) -> Result<(u64, u64, u64), Error> {
        let row = sqlx::query!(
            r#"SELECT count(*) - count(lon) AS "n_without_position!: i64", count(*) - count(day) AS "n_without_day!: i64",
                count(CASE WHEN effort_kind = 'survey' AND walk_id IS NULL THEN 1 END) AS "n_without_walk!: i64"
             FROM encounters WHERE batch_id = ? AND removed_revision IS NULL"#,
            batch.0
        )
        .fetch_one(self.connection())
        .await?;
        Ok((row.n_without_position as u64, row.n_without_day as u64, row.n_without_walk as u64))
    }

    /// The key of the encounter with that `occurrenceID`, none when the area has no such one.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn encounter_by_occurrence(
        &mut self,
        area: AreaId,
        occurrence_id: &str,
    ) -> Result<Option<EncounterId>, Error> {
        let id = sqlx::query_scalar!(
            "SELECT id FROM encounters WHERE area_id = ? AND occurrence_id = ? AND removed_revision IS NULL",
            area.0,
            occurrence_id
        )
        .fetch_optional(self.connection())
        .await?;
        Ok(id.map(EncounterId))
    }
}
