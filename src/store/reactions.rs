//! Approaches with their reactions and what the analysis of reactions asks about their encounter.

use std::collections::HashMap;

use crate::domain::approach::Contact;
use crate::domain::approach::Reaction;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::VerificationStatus;
use crate::domain::ids::ApproachId;
use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::OrganismRowId;
use crate::domain::time::EventTime;
use crate::domain::units::Length;
use crate::domain::units::Span;
use crate::domain::units::Temperature;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::event_time;
use crate::store::snapshot::Snapshot;

/// One approach, with its reactions and its encounter.
#[derive(Debug, Clone, PartialEq)]
pub struct ApproachRecord {
    /// The stored row.
    pub id: ApproachId,
    /// The encounter.
    pub encounter_id: EncounterId,
    /// The place of the approach in the encounter, from 1.
    pub ordinal: u32,
    /// The kind of contact.
    pub contact: Contact,
    /// The closest distance.
    pub closest_distance: Option<Length>,
    /// Whether it was made on purpose under a protocol.
    pub is_trial: bool,
    /// End of the watch, from the start of the approach.
    pub end_of_watch: Option<Span>,
    /// The reactions in their order; empty when none was recorded.
    pub reactions: Vec<Reaction>,
    /// What the encounter may be divided by.
    pub effort_kind: EffortKind,
    /// When the encounter was.
    pub time: EventTime,
    /// The species, or empty.
    pub scientific_name: String,
    /// The life stage, or empty.
    pub life_stage: String,
    /// The snake, where it was recognised.
    pub organism_id: Option<OrganismRowId>,
    /// The air temperature.
    pub air_temperature: Option<Temperature>,
    /// The state of review. Rejected encounters are here too: leave them out of figures.
    pub verification_status: VerificationStatus,
}

struct ApproachRow {
    id: i64,
    encounter_id: i64,
    ordinal: u32,
    contact: String,
    closest_distance_m: Option<f64>,
    is_trial: bool,
    end_of_watch_s: Option<f64>,
    effort_kind: String,
    year: Option<i64>,
    month: Option<i64>,
    day: Option<i64>,
    minute_of_day: Option<u16>,
    instant_s: Option<i64>,
    scientific_name: String,
    life_stage: Option<String>,
    organism_id: Option<i64>,
    air_temperature_c: Option<f64>,
    verification_status: String,
}

impl TryFrom<ApproachRow> for ApproachRecord {
    type Error = Error;

    fn try_from(row: ApproachRow) -> Result<Self, Error> {
        let (id, encounter) = (row.id, row.encounter_id);
        let date = event_time::from_columns(row.year, row.month, row.day);
        let closest = row.closest_distance_m.map(Length::metres).transpose();
        let watch = row.end_of_watch_s.map(Span::seconds).transpose();
        let air = row.air_temperature_c.map(Temperature::celsius).transpose();
        let status = row.verification_status.parse();
        Ok(Self {
            id: ApproachId(id),
            encounter_id: EncounterId(encounter),
            ordinal: row.ordinal,
            contact: stored(row.contact.parse(), "approaches", "contact", id)?,
            closest_distance: stored(closest, "approaches", "closest_distance_m", id)?,
            is_trial: row.is_trial,
            end_of_watch: stored(watch, "approaches", "end_of_watch_s", id)?,
            reactions: Vec::new(),
            effort_kind: stored(row.effort_kind.parse(), "encounters", "effort_kind", encounter)?,
            time: EventTime {
                date: stored(date, "encounters", "year, month, day", encounter)?,
                minute_of_day: row.minute_of_day,
                instant_s: row.instant_s,
            },
            scientific_name: row.scientific_name,
            life_stage: row.life_stage.unwrap_or_default(),
            organism_id: row.organism_id.map(OrganismRowId),
            air_temperature: stored(air, "encounter_details", "air_temperature_c", encounter)?,
            verification_status: stored(status, "encounters", "verification_status", encounter)?,
        })
    }
}

impl Snapshot {
    /// All approaches of an area with their reactions, by encounter and order. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn approaches(&mut self, area: AreaId) -> Result<Vec<ApproachRecord>, Error> {
        let mut reactions = self.reactions(area).await?;
        let rows = sqlx::query_as!(
            ApproachRow,
            r#"SELECT approaches.id AS "id!", approaches.encounter_id, ordinal AS "ordinal: u32", contact,
                closest_distance_m, is_trial AS "is_trial: bool", end_of_watch_s, effort_kind, year, month, day,
                minute_of_day AS "minute_of_day: u16", instant_s, scientific_name, life_stage AS "life_stage?",
                organism_id, air_temperature_c AS "air_temperature_c?", verification_status
             FROM approaches
             JOIN encounters ON encounters.id = approaches.encounter_id
             LEFT JOIN encounter_details ON encounter_details.encounter_id = encounters.id
             WHERE area_id = ? AND removed_revision IS NULL
             ORDER BY approaches.encounter_id, ordinal"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter()
            .map(|row| {
                let mut record = ApproachRecord::try_from(row)?;
                record.reactions = reactions.remove(&record.id.0).unwrap_or_default();
                Ok(record)
            })
            .collect()
    }

    /// By approach, in their order.
    async fn reactions(&mut self, area: AreaId) -> Result<HashMap<i64, Vec<Reaction>>, Error> {
        let rows = sqlx::query!(
            "SELECT approach_id, term, latency_s
             FROM reactions
             JOIN approaches ON approaches.id = approach_id
             JOIN encounters ON encounters.id = encounter_id
             JOIN reaction_terms ON reaction_terms.id = term_id
             WHERE encounters.area_id = ? AND removed_revision IS NULL
             ORDER BY approach_id, reactions.ordinal",
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut reactions: HashMap<i64, Vec<Reaction>> = HashMap::new();
        for row in rows {
            let latency = row.latency_s.map(Span::seconds).transpose();
            let latency = stored(latency, "reactions", "latency_s", row.approach_id)?;
            reactions.entry(row.approach_id).or_default().push(Reaction { term: row.term, latency });
        }
        Ok(reactions)
    }
}
