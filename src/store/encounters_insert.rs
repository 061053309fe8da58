//! The rows of an encounter in their tables: made in bulk, or put in the place of others.

use std::collections::HashMap;
use std::sync::Arc;

use sqlx::SqliteConnection;

use crate::domain::approach::Approach;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::UncertaintyMeaning;
use crate::domain::encounter::VerificationStatus;
use crate::domain::ids::AreaId;
use crate::domain::units::Length;
use crate::domain::units::Mass;
use crate::domain::units::Span;
use crate::store::boxed;
use crate::store::bulk;
use crate::store::encounter_details;
use crate::store::encounter_details::Column;
use crate::store::encounter_wire::EncounterWire;
use crate::store::encounters_read;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::event_time;
use crate::store::history::RecordKind;
use crate::store::kept::Kept;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::space_key::space_key;
use crate::store::walks;
use crate::store::writer::Stamp;

/// An encounter that is about to become a row.
pub(super) struct NewEncounter<'a> {
    pub(super) id: i64,
    pub(super) row_number: u64,
    pub(super) draft: &'a EncounterDraft,
    pub(super) organism_id: Option<i64>,
    pub(super) walk_id: Option<i64>,
}

const COLUMNS: [&str; 24] = [
    "id",
    "area_id",
    "occurrence_id",
    "effort_kind",
    "year",
    "month",
    "day",
    "minute_of_day",
    "instant_s",
    "lon",
    "lat",
    "coordinate_uncertainty_m",
    "uncertainty_meaning",
    "is_generalised",
    "scientific_name",
    "verification_status",
    "organism_id",
    "individual_count",
    "walk_id",
    "space_key",
    "batch_id",
    "file_id",
    "row_number",
    "revision",
];

/// Makes the main rows; returns those that broke a CHECK.
pub(super) async fn insert_main(
    connection: &mut SqliteConnection,
    area: AreaId,
    rows: &[NewEncounter<'_>],
    stamp: &Stamp,
) -> Result<Vec<bulk::Refused>, Error> {
    let (batch_id, file_id, revision) = (stamp.batch_id(), stamp.file_id(), stamp.revision);
    // Shared: a text of its own for every row costs more than what SQLite does with it.
    let shared = |terms: Vec<&'static str>| terms.into_iter().map(Arc::from).collect::<Vec<Arc<str>>>();
    let effort_kinds = shared(EffortKind::ALL.iter().map(|kind| kind.term()).collect());
    let meanings = shared(UncertaintyMeaning::ALL.iter().map(|meaning| meaning.term()).collect());
    let statuses = shared(VerificationStatus::ALL.iter().map(|status| status.term()).collect());
    bulk::insert(connection, "encounters", &COLUMNS, rows, |values, row| {
        let draft = row.draft;
        let (year, month, day) = event_time::to_columns(draft.time.date);
        let place = Place::of(draft);
        values
            .bind(row.id)
            .bind(area.0)
            .bind(draft.occurrence_id.clone())
            .bind(Arc::clone(&effort_kinds[draft.effort_kind as usize]))
            .bind(year)
            .bind(month)
            .bind(day)
            .bind(draft.time.minute_of_day)
            .bind(draft.time.instant_s)
            .bind(place.lon)
            .bind(place.lat)
            .bind(place.coordinate_uncertainty_m)
            .bind(Arc::clone(&meanings[place.meaning as usize]))
            .bind(place.is_generalised)
            .bind(draft.scientific_name.clone())
            .bind(Arc::clone(&statuses[draft.verification_status as usize]))
            .bind(row.organism_id)
            .bind(draft.individual_count)
            .bind(row.walk_id)
            .bind(place.space_key)
            .bind(batch_id)
            .bind(file_id)
            .bind(stamp.origin.map(|_| row.row_number as i64))
            .bind(revision)
    })
    .await
}

/// The columns of a position.
struct Place {
    lon: Option<f64>,
    lat: Option<f64>,
    coordinate_uncertainty_m: Option<f64>,
    meaning: UncertaintyMeaning,
    is_generalised: bool,
    space_key: Option<i64>,
}

impl Place {
    fn of(draft: &EncounterDraft) -> Self {
        let recorded = draft.position.as_ref();
        Self {
            lon: recorded.map(|recorded| recorded.position.lon()),
            lat: recorded.map(|recorded| recorded.position.lat()),
            coordinate_uncertainty_m: recorded
                .and_then(|recorded| recorded.coordinate_uncertainty)
                .map(Length::in_metres),
            meaning: recorded.map_or(UncertaintyMeaning::Radius95, |recorded| recorded.meaning),
            is_generalised: recorded.is_some_and(|recorded| recorded.is_generalised),
            space_key: recorded.map(|recorded| space_key(recorded.position)),
        }
    }
}

/// Makes the rows of what other tables keep of encounters whose main rows are there.
pub(super) async fn insert_parts(
    connection: &mut SqliteConnection,
    terms: &HashMap<String, i64>,
    encounters: &[(i64, &EncounterDraft)],
    stamp: &Stamp,
) -> Result<(), Error> {
    boxed(insert_details(connection, encounters)).await?;
    boxed(insert_outcomes(connection, encounters, stamp)).await?;
    boxed(insert_approaches(connection, terms, encounters, stamp)).await
}

async fn insert_details(
    connection: &mut SqliteConnection,
    encounters: &[(i64, &EncounterDraft)],
) -> Result<(), Error> {
    let is_filled = |column: &&Column, draft: &EncounterDraft| !(column.cell)(draft).is_empty();
    let filled: Vec<&Column> = encounter_details::COLUMNS
        .iter()
        .filter(|column| encounters.iter().any(|(_, draft)| is_filled(column, draft)))
        .collect();
    let rows: Vec<&(i64, &EncounterDraft)> =
        encounters.iter().filter(|(_, draft)| filled.iter().any(|column| is_filled(column, draft))).collect();
    let names: Vec<&'static str> =
        std::iter::once("encounter_id").chain(filled.iter().map(|column| column.name)).collect();
    let refused = bulk::insert(connection, "encounter_details", &names, &rows, |values, (id, draft)| {
        filled.iter().fold(values.bind(*id), |values, column| (column.cell)(draft).bind(values))
    })
    .await?;
    none_refused(&refused)
}

async fn insert_outcomes(
    connection: &mut SqliteConnection,
    encounters: &[(i64, &EncounterDraft)],
    stamp: &Stamp,
) -> Result<(), Error> {
    let rows: Vec<(i64, &'static str)> =
        encounters.iter().filter_map(|(id, draft)| Some((*id, draft.outcome?.term()))).collect();
    let columns = ["encounter_id", "outcome", "revision"];
    let refused = bulk::insert(connection, "encounter_outcomes", &columns, &rows, |values, (id, outcome)| {
        values.bind(*id).bind(*outcome).bind(stamp.revision)
    })
    .await?;
    none_refused(&refused)
}

struct NewApproach<'a> {
    id: i64,
    encounter_id: i64,
    ordinal: i64,
    approach: &'a Approach,
}

async fn insert_approaches(
    connection: &mut SqliteConnection,
    terms: &HashMap<String, i64>,
    encounters: &[(i64, &EncounterDraft)],
    stamp: &Stamp,
) -> Result<(), Error> {
    if encounters.iter().all(|(_, draft)| draft.approaches.is_empty()) {
        return Ok(());
    }
    let greatest = sqlx::query_scalar!(r#"SELECT coalesce(max(id), 0) AS "id!: i64" FROM approaches"#)
        .fetch_one(&mut *connection)
        .await?;
    let ordered =
        encounters.iter().flat_map(|(id, draft)| (1..).zip(&draft.approaches).map(move |at| (*id, at)));
    let rows: Vec<NewApproach<'_>> = (greatest + 1..)
        .zip(ordered)
        .map(|(id, (encounter_id, (ordinal, approach)))| NewApproach { id, encounter_id, ordinal, approach })
        .collect();
    let columns = [
        "id",
        "encounter_id",
        "ordinal",
        "contact",
        "closest_distance_m",
        "agent",
        "applied_load_kg",
        "duration_s",
        "is_trial",
        "trial_protocol",
        "permit",
        "end_of_watch_s",
        "revision",
    ];
    let refused = bulk::insert(connection, "approaches", &columns, &rows, |values, row| {
        let approach = row.approach;
        let trial = approach.trial.as_ref();
        values
            .bind(row.id)
            .bind(row.encounter_id)
            .bind(row.ordinal)
            .bind(approach.contact.term())
            .bind(approach.closest_distance.map(Length::in_metres))
            .bind(approach.agent.clone())
            .bind(approach.applied_load.map(Mass::in_kilograms))
            .bind(approach.duration.map(Span::in_seconds))
            .bind(trial.is_some())
            .bind(trial.map(|trial| trial.protocol.clone()).unwrap_or_default())
            .bind(trial.map(|trial| trial.permit.clone()).unwrap_or_default())
            .bind(approach.end_of_watch.map(Span::in_seconds))
            .bind(stamp.revision)
    })
    .await?;
    none_refused(&refused)?;
    insert_reactions(connection, terms, &rows).await
}

async fn insert_reactions(
    connection: &mut SqliteConnection,
    terms: &HashMap<String, i64>,
    approaches: &[NewApproach<'_>],
) -> Result<(), Error> {
    let mut rows: Vec<(i64, i64, i64, Option<f64>)> = Vec::new();
    for approach in approaches {
        for (ordinal, reaction) in (1..).zip(&approach.approach.reactions) {
            let Some(term_id) = terms.get(&reaction.term) else {
                return Err(Error::Rule { constraint: format!("no reaction term {}", reaction.term) });
            };
            rows.push((approach.id, ordinal, *term_id, reaction.latency.map(Span::in_seconds)));
        }
    }
    let columns = ["approach_id", "ordinal", "term_id", "latency_s"];
    let refused = bulk::insert(connection, "reactions", &columns, &rows, |values, row| {
        values.bind(row.0).bind(row.1).bind(row.2).bind(row.3)
    })
    .await?;
    none_refused(&refused)
}

/// The types of the domain leave nothing that these tables would refuse.
fn none_refused(refused: &[bulk::Refused]) -> Result<(), Error> {
    match refused.first() {
        Some(first) => Err(Error::Rule { constraint: first.constraint.clone() }),
        None => Ok(()),
    }
}

/// The reaction terms of an area, the core among them.
pub(super) async fn reaction_terms(
    connection: &mut SqliteConnection,
    area: AreaId,
) -> Result<HashMap<String, i64>, Error> {
    let rows = sqlx::query!(
        r#"SELECT id AS "id!", term FROM reaction_terms WHERE area_id IS NULL OR area_id = ?"#,
        area.0
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(|row| (row.term, row.id)).collect())
}

impl Kept for EncounterDraft {
    const KIND: RecordKind = RecordKind::Encounter;
    const TABLE: &'static str = "encounters";
    const KEY: &'static str = "occurrenceID";
    type Wire = EncounterWire;

    fn to_wire(&self) -> EncounterWire {
        self.into()
    }

    fn from_wire(wire: EncounterWire) -> Result<Self, String> {
        wire.try_into()
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        Ok(encounters_read::load(connection, &[id], even_taken_out)
            .await?
            .remove(&id)
            .map(|whole| whole.stored))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        overwrite_main(self, connection, key, stamp).await?;
        delete_parts(connection, key.id).await?;
        let terms = reaction_terms(connection, key.area).await?;
        Ok(insert_parts(connection, &terms, &[(key.id, self)], stamp).await?)
    }
}

async fn overwrite_main(
    draft: &EncounterDraft,
    connection: &mut SqliteConnection,
    key: RowKey,
    stamp: &Stamp,
) -> Result<(), Fault> {
    let (year, month, day) = event_time::to_columns(draft.time.date);
    let place = Place::of(draft);
    let (effort_kind, meaning, status) =
        (draft.effort_kind.term(), place.meaning.term(), draft.verification_status.term());
    let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
    let walk_id = match draft.event_id.as_str() {
        "" => None,
        event_id => walks::by_event(connection, key.area, event_id).await?,
    };
    sqlx::query!(
        "UPDATE encounters SET occurrence_id = ?, effort_kind = ?, year = ?, month = ?, day = ?, minute_of_day = ?,
            instant_s = ?, lon = ?, lat = ?, coordinate_uncertainty_m = ?, uncertainty_meaning = ?, is_generalised = ?,
            scientific_name = ?, verification_status = ?,
            organism_id = (SELECT id FROM organisms WHERE organisms.area_id = ? AND organisms.organism_id = ?),
            individual_count = ?, walk_id = ?, space_key = ?, batch_id = ?, file_id = ?, row_number = ?, revision = ?,
            removed_revision = NULL
         WHERE id = ?",
        draft.occurrence_id,
        effort_kind,
        year,
        month,
        day,
        draft.time.minute_of_day,
        draft.time.instant_s,
        place.lon,
        place.lat,
        place.coordinate_uncertainty_m,
        meaning,
        place.is_generalised,
        draft.scientific_name,
        status,
        key.area.0,
        draft.organism_id,
        draft.individual_count,
        walk_id,
        place.space_key,
        batch_id,
        file_id,
        row_number,
        stamp.revision,
        key.id
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// Takes out what other tables keep of an encounter; the history has it.
async fn delete_parts(connection: &mut SqliteConnection, id: i64) -> Result<(), Error> {
    sqlx::query!(
        "DELETE FROM reactions WHERE approach_id IN (SELECT id FROM approaches WHERE encounter_id = ?)",
        id
    )
    .execute(&mut *connection)
    .await?;
    sqlx::query!("DELETE FROM approaches WHERE encounter_id = ?", id).execute(&mut *connection).await?;
    sqlx::query!("DELETE FROM encounter_outcomes WHERE encounter_id = ?", id)
        .execute(&mut *connection)
        .await?;
    sqlx::query!("DELETE FROM encounter_details WHERE encounter_id = ?", id).execute(connection).await?;
    Ok(())
}
