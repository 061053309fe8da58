//! Double-observer walks: who of two observers noticed which encounter.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::double_observer::DoubleObservationDraft;
use crate::domain::double_observer::DoubleObserverWalk;
use crate::domain::double_observer::Noticed;
use crate::domain::double_observer::NoticedBy;
use crate::domain::double_observer::NoticedDraft;
use crate::domain::double_observer::ObserverKind;
use crate::domain::double_observer::PairKind;
use crate::domain::encounter::EncounterDraft;
use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::WalkId;
use crate::domain::units::Length;
use crate::domain::walk::WalkDraft;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::Problem;
use crate::store::error::stored;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::Keyed;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::snapshot::Snapshot;
use crate::store::walks;
use crate::store::writer::Origin;
use crate::store::writer::Reach;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct DoubleObservationWire {
    event_id: String,
    protocol: String,
    first_observer: String,
    second_observer: String,
    // States that were kept before kinds were asked for have none.
    #[serde(default)]
    first_kind: Option<String>,
    #[serde(default)]
    second_kind: Option<String>,
    occurrence_id: Option<String>,
    by_first: bool,
    by_second: bool,
}

struct ObservationRow {
    id: i64,
    event_id: String,
    protocol: String,
    first_observer: String,
    second_observer: String,
    first_kind: Option<String>,
    second_kind: Option<String>,
    occurrence_id: Option<String>,
    by_first: i64,
    by_second: i64,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<ObservationRow> for DoubleObservationDraft {
    type Error = Error;

    fn try_from(row: ObservationRow) -> Result<Self, Error> {
        let by = NoticedBy::from_marks(row.by_first != 0, row.by_second != 0);
        Ok(Self {
            event_id: row.event_id,
            protocol: stored(row.protocol.parse(), "double_observer_walks", "protocol", row.id)?,
            first_observer: row.first_observer,
            second_observer: row.second_observer,
            first_kind: kind(row.first_kind.as_deref(), "first_kind", row.id)?,
            second_kind: kind(row.second_kind.as_deref(), "second_kind", row.id)?,
            noticed: row.occurrence_id.zip(by).map(|(occurrence_id, by)| NoticedDraft { occurrence_id, by }),
        })
    }
}

/// The kind of an observer as it is stored.
fn kind(term: Option<&str>, column: &'static str, id: i64) -> Result<Option<ObserverKind>, Error> {
    stored(term.map(str::parse).transpose(), "double_observer_detections", column, id)
}

impl Kept for DoubleObservationDraft {
    const KIND: RecordKind = RecordKind::DoubleObservation;
    const TABLE: &'static str = "double_observer_detections";
    const KEY: &'static str = "occurrenceID";
    type Wire = DoubleObservationWire;

    fn to_wire(&self) -> DoubleObservationWire {
        let by = self.noticed.as_ref().map(|noticed| noticed.by);
        DoubleObservationWire {
            event_id: self.event_id.clone(),
            protocol: self.protocol.term().to_owned(),
            first_observer: self.first_observer.clone(),
            second_observer: self.second_observer.clone(),
            first_kind: self.first_kind.map(|kind| kind.term().to_owned()),
            second_kind: self.second_kind.map(|kind| kind.term().to_owned()),
            occurrence_id: self.noticed.as_ref().map(|noticed| noticed.occurrence_id.clone()),
            by_first: by.is_some_and(NoticedBy::first),
            by_second: by.is_some_and(NoticedBy::second),
        }
    }

    fn from_wire(wire: DoubleObservationWire) -> Result<Self, String> {
        let by = NoticedBy::from_marks(wire.by_first, wire.by_second);
        let kind = |term: Option<String>| -> Result<Option<ObserverKind>, String> {
            term.map(|term| term.parse().map_err(|error| format!("{error}"))).transpose()
        };
        Ok(Self {
            event_id: wire.event_id,
            protocol: wire.protocol.parse().map_err(|error| format!("{error}"))?,
            first_observer: wire.first_observer,
            second_observer: wire.second_observer,
            first_kind: kind(wire.first_kind)?,
            second_kind: kind(wire.second_kind)?,
            noticed: wire.occurrence_id.zip(by).map(|(occurrence_id, by)| NoticedDraft { occurrence_id, by }),
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            ObservationRow,
            r#"SELECT double_observer_detections.id AS "id!", survey_walks.event_id, protocol, first_observer,
                second_observer, first_kind, second_kind, occurrence_id AS "occurrence_id?", by_first, by_second,
                double_observer_detections.batch_id, double_observer_detections.file_id,
                double_observer_detections.row_number
             FROM double_observer_detections
             JOIN double_observer_walks ON double_observer_walks.id = double_walk_id
             JOIN survey_walks ON survey_walks.id = double_observer_walks.walk_id
             LEFT JOIN encounters ON encounters.id = double_observer_detections.encounter_id
             WHERE double_observer_detections.id = ? AND (double_observer_detections.removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let origin = Origin::from_columns(row.batch_id, row.file_id, row.row_number);
        Ok(Some(Stored { record: row.try_into()?, origin }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let place = Place::of(self, connection, key.area).await?;
        place.agree_on_kinds(self, connection, Some(key.id)).await?;
        let double_walk_id = place.double_walk(self, connection, stamp, Some(key.id)).await?;
        let (by_first, by_second) = self.marks();
        let (first_kind, second_kind) = self.kinds();
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE double_observer_detections SET double_walk_id = ?, encounter_id = ?, by_first = ?, by_second = ?,
                first_kind = ?, second_kind = ?, batch_id = ?, file_id = ?, row_number = ?, revision = ?,
                removed_revision = NULL
             WHERE id = ?",
            double_walk_id,
            place.encounter_id,
            by_first,
            by_second,
            first_kind,
            second_kind,
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
}

impl Keyed for DoubleObservationDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let place = Place::of(self, connection, area).await?;
        let id = sqlx::query_scalar!(
            "SELECT double_observer_detections.id FROM double_observer_detections
             JOIN double_observer_walks ON double_observer_walks.id = double_walk_id
             WHERE walk_id = ? AND coalesce(encounter_id, 0) = coalesce(?, 0)
               AND double_observer_detections.removed_revision IS NULL",
            place.walk_id,
            place.encounter_id
        )
        .fetch_optional(connection)
        .await?;
        Ok(id)
    }

    async fn insert(
        &self,
        connection: &mut SqliteConnection,
        area: AreaId,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let place = Place::of(self, connection, area).await?;
        place.agree_on_kinds(self, connection, None).await?;
        let double_walk_id = place.double_walk(self, connection, stamp, None).await?;
        let (by_first, by_second) = self.marks();
        let (first_kind, second_kind) = self.kinds();
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO double_observer_detections (double_walk_id, encounter_id, by_first, by_second, first_kind,
                second_kind, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            double_walk_id,
            place.encounter_id,
            by_first,
            by_second,
            first_kind,
            second_kind,
            batch_id,
            file_id,
            row_number,
            stamp.revision
        )
        .execute(connection)
        .await?;
        Ok(())
    }
}

/// Columns of a row.
trait Columns {
    fn marks(&self) -> (i64, i64);
    fn kinds(&self) -> (Option<&'static str>, Option<&'static str>);
}

impl Columns for DoubleObservationDraft {
    fn marks(&self) -> (i64, i64) {
        let by = self.noticed.as_ref().map(|noticed| noticed.by);
        (i64::from(by.is_some_and(NoticedBy::first)), i64::from(by.is_some_and(NoticedBy::second)))
    }

    fn kinds(&self) -> (Option<&'static str>, Option<&'static str>) {
        (self.first_kind.map(ObserverKind::term), self.second_kind.map(ObserverKind::term))
    }
}

/// The walk and the encounter that a row names.
struct Place {
    walk_id: i64,
    encounter_id: Option<i64>,
}

impl Place {
    async fn of(
        draft: &DoubleObservationDraft,
        connection: &mut SqliteConnection,
        area: AreaId,
    ) -> Result<Self, Fault> {
        let walk_id = walks::by_event(connection, area, &draft.event_id).await?;
        let walk_id = walk_id.ok_or_else(|| no_walk(&draft.event_id))?;
        let Some(noticed) = &draft.noticed else { return Ok(Self { walk_id, encounter_id: None }) };
        let found = sqlx::query!(
            r#"SELECT id AS "id!", walk_id FROM encounters
             WHERE area_id = ? AND occurrence_id = ? AND removed_revision IS NULL"#,
            area.0,
            noticed.occurrence_id
        )
        .fetch_optional(connection)
        .await?;
        let found = found.ok_or_else(|| no_encounter(&noticed.occurrence_id))?;
        if found.walk_id != Some(walk_id) {
            let (reason, hint) = ("the encounter was not on that walk", "check eventID and occurrenceID");
            return Err(Problem::of("occurrenceID", &noticed.occurrence_id, reason, hint).into());
        }
        Ok(Self { walk_id, encounter_id: Some(found.id) })
    }

    /// Refuses a row that says another kind of an observer than another row of the walk. One that says none contradicts nobody.
    async fn agree_on_kinds(
        &self,
        draft: &DoubleObservationDraft,
        connection: &mut SqliteConnection,
        own_row: Option<i64>,
    ) -> Result<(), Fault> {
        let (first_kind, second_kind) = draft.kinds();
        let other = sqlx::query!(
            "SELECT first_kind, second_kind FROM double_observer_detections
             JOIN double_observer_walks ON double_observer_walks.id = double_walk_id
             WHERE walk_id = ? AND double_observer_detections.removed_revision IS NULL
               AND double_observer_detections.id <> coalesce(?, 0) AND (first_kind <> ? OR second_kind <> ?)
             ORDER BY double_observer_detections.id LIMIT 1",
            self.walk_id,
            own_row,
            first_kind,
            second_kind
        )
        .fetch_optional(connection)
        .await?;
        let Some(other) = other else { return Ok(()) };
        let differs = |own: Option<&'static str>, other: Option<String>| {
            own.zip(other).filter(|(own, other)| *own != other.as_str())
        };
        let (field, (own, other)) = match differs(first_kind, other.first_kind) {
            Some(kinds) => ("firstObserverKind", kinds),
            None => ("secondObserverKind", differs(second_kind, other.second_kind).unwrap_or_default()),
        };
        let reason = format!("another row of the walk says \"{other}\"");
        let hint =
            "make the rows of a walk agree; to change all of them, undo the batch that brought them first";
        Err(Problem::of(field, own, &reason, hint).into())
    }

    /// The double-observer walk, made or, where no other row rests on it, changed to what the row says.
    async fn double_walk(
        &self,
        draft: &DoubleObservationDraft,
        connection: &mut SqliteConnection,
        stamp: &Stamp,
        own_row: Option<i64>,
    ) -> Result<i64, Fault> {
        let protocol = draft.protocol.term();
        let known = sqlx::query!(
            r#"SELECT id AS "id!", protocol, first_observer, second_observer FROM double_observer_walks
             WHERE walk_id = ? AND removed_revision IS NULL"#,
            self.walk_id
        )
        .fetch_optional(&mut *connection)
        .await?;
        let Some(known) = known else {
            let inserted = sqlx::query!(
                "INSERT INTO double_observer_walks (walk_id, protocol, first_observer, second_observer, revision)
                 VALUES (?, ?, ?, ?, ?)",
                self.walk_id,
                protocol,
                draft.first_observer,
                draft.second_observer,
                stamp.revision
            )
            .execute(connection)
            .await?;
            return Ok(inserted.last_insert_rowid());
        };
        let observers = (&known.first_observer, &known.second_observer);
        // Names that the rule for personal data emptied do not come back with another row.
        let is_emptied = known.first_observer.is_empty() && known.second_observer.is_empty();
        let is_same = observers == (&draft.first_observer, &draft.second_observer);
        if known.protocol == protocol && (is_same || is_emptied) {
            return Ok(known.id);
        }
        let n_others = sqlx::query_scalar!(
            r#"SELECT count(*) AS "n!: i64" FROM double_observer_detections
             WHERE double_walk_id = ? AND removed_revision IS NULL AND id <> coalesce(?, 0)"#,
            known.id,
            own_row
        )
        .fetch_one(&mut *connection)
        .await?;
        if n_others > 0 {
            let value = [protocol, &draft.first_observer, &draft.second_observer].join(", ");
            // Reasons are kept when the rule for personal data has emptied the row: no names in them.
            let reason = "another row of the walk has another protocol or other observers";
            let hint = "make the rows of a walk agree; to change all of them, undo the batch that brought them first";
            return Err(Problem::of("protocol", &value, reason, hint).into());
        }
        sqlx::query!(
            "UPDATE double_observer_walks SET protocol = ?, first_observer = ?, second_observer = ?, revision = ? WHERE id = ?",
            protocol,
            draft.first_observer,
            draft.second_observer,
            stamp.revision,
            known.id
        )
        .execute(connection)
        .await?;
        Ok(known.id)
    }
}

impl Writer {
    /// Puts rows of double-observer walks, by `eventID` and `occurrenceID`. Walks and encounters must be there.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_double_observations(
        &mut self,
        target: &Target,
        rows: &[(u64, DoubleObservationDraft)],
    ) -> Result<Tally, Error> {
        if self.reach() == Reach::Everything {
            return kept::put_rows(self, target, rows).await;
        }
        let (mut own, mut problems) = (Vec::new(), Vec::new());
        for (row_number, draft) in rows {
            match self.not_own(target.area, draft).await? {
                Some(problem) => problems.push(problem.at(*row_number)),
                None => own.push((*row_number, draft.clone())),
            }
        }
        let mut tally = kept::put_rows(self, target, &own).await?;
        tally.problems.extend(problems);
        tally.problems.sort_by_key(|problem| problem.row_number);
        Ok(tally)
    }

    /// What is wrong with a row about the walk or encounter of somebody else: the same as if there were none.
    async fn not_own(
        &mut self,
        area: AreaId,
        draft: &DoubleObservationDraft,
    ) -> Result<Option<Problem>, Error> {
        let walk = walks::by_event(self.connection(), area, &draft.event_id).await?;
        let is_own = match walk {
            Some(id) => self.reaches_record::<WalkDraft>(id).await?,
            None => false,
        };
        if !is_own {
            return Ok(Some(no_walk(&draft.event_id)));
        }
        let Some(noticed) = &draft.noticed else { return Ok(None) };
        let encounter = sqlx::query_scalar!(
            r#"SELECT id AS "id!" FROM encounters
             WHERE area_id = ? AND occurrence_id = ? AND removed_revision IS NULL"#,
            area.0,
            noticed.occurrence_id
        )
        .fetch_optional(self.connection())
        .await?;
        let is_own = match encounter {
            Some(id) => self.reaches_record::<EncounterDraft>(id).await?,
            None => false,
        };
        Ok((!is_own).then(|| no_encounter(&noticed.occurrence_id)))
    }

    /// Whether rows that come in may meet a record that is there.
    async fn reaches_record<T: Kept>(&mut self, id: i64) -> Result<bool, Error> {
        match T::load(self.connection(), id).await? {
            Some(found) => self.reaches(found.origin).await,
            None => Ok(false),
        }
    }
}

fn no_walk(event_id: &str) -> Problem {
    Problem::of(
        "eventID",
        event_id,
        "there is no survey walk of that name",
        "bring in the survey walks first",
    )
}

fn no_encounter(occurrence_id: &str) -> Problem {
    let hint = "bring in the encounters first";
    Problem::of("occurrenceID", occurrence_id, "there is no encounter of that name", hint)
}

impl Snapshot {
    /// The double-observer walks of an area with who noticed what, by walk. Encounters that were taken out or rejected since
    /// are left out. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn double_observer_walks(&mut self, area: AreaId) -> Result<Vec<DoubleObserverWalk>, Error> {
        let rows = sqlx::query!(
            r#"SELECT double_observer_detections.id AS "id!", survey_walks.id AS "walk_id!", survey_walks.event_id, protocol,
                first_observer, second_observer, first_kind, second_kind, by_first, by_second,
                encounters.id AS "living_encounter?", distance_first_noticed_m, cover AS "cover?", air_temperature_c
             FROM double_observer_detections
             JOIN double_observer_walks ON double_observer_walks.id = double_walk_id
             JOIN survey_walks ON survey_walks.id = double_observer_walks.walk_id
             LEFT JOIN encounters ON encounters.id = double_observer_detections.encounter_id
                AND encounters.removed_revision IS NULL AND encounters.verification_status <> 'rejected'
             LEFT JOIN encounter_details ON encounter_details.encounter_id = encounters.id
             WHERE survey_walks.area_id = ? AND survey_walks.removed_revision IS NULL
               AND double_observer_detections.removed_revision IS NULL
             ORDER BY survey_walks.id, double_observer_detections.id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut walks: Vec<DoubleObserverWalk> = Vec::new();
        // Of the last walk, as far as its rows say.
        let mut kinds = (None, None);
        for row in rows {
            let walk_id = WalkId(row.walk_id);
            if walks.last().is_none_or(|last| last.walk_id != walk_id) {
                walks.push(DoubleObserverWalk {
                    walk_id,
                    event_id: row.event_id,
                    protocol: stored(row.protocol.parse(), "double_observer_walks", "protocol", row.id)?,
                    first_observer: row.first_observer,
                    second_observer: row.second_observer,
                    pair: PairKind::NotSaid,
                    noticed: Vec::new(),
                });
                kinds = (None, None);
            }
            kinds.0 = kinds.0.or(kind(row.first_kind.as_deref(), "first_kind", row.id)?);
            kinds.1 = kinds.1.or(kind(row.second_kind.as_deref(), "second_kind", row.id)?);
            if let Some(walk) = walks.last_mut() {
                walk.pair = PairKind::of(kinds.0, kinds.1);
            }
            let by = NoticedBy::from_marks(row.by_first != 0, row.by_second != 0);
            if let (Some(walk), Some(encounter), Some(by)) = (walks.last_mut(), row.living_encounter, by) {
                let distance = row.distance_first_noticed_m.map(Length::metres).transpose();
                walk.noticed.push(Noticed {
                    encounter_id: EncounterId(encounter),
                    by,
                    distance_first_noticed: stored(
                        distance,
                        "encounter_details",
                        "distance_first_noticed_m",
                        encounter,
                    )?,
                    cover: row.cover.unwrap_or_default(),
                    air_temperature_c: row.air_temperature_c,
                });
            }
        }
        Ok(walks)
    }
}
