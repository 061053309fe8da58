//! Records taken out, brought back, and put back to an earlier state: itself a change, with its own line in the history.

use serde_json::Value;
use sqlx::SqliteConnection;

use crate::domain::closure::Closure;
use crate::domain::double_observer::DoubleObservationDraft;
use crate::domain::encounter::EncounterDraft;
use crate::domain::exposure::CalibrationDraft;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::PartySizeDraft;
use crate::domain::exposure::ReadingDraft;
use crate::domain::ids::AreaId;
use crate::domain::photo::PhotoRecord;
use crate::domain::place::PlaceDraft;
use crate::domain::place::SensitivePlace;
use crate::domain::sign::SignInPlaceDraft;
use crate::domain::sign::SignInspectionDraft;
use crate::domain::sign::SignLocationDraft;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::trail::TrailDraft;
use crate::domain::trail::TrailheadDraft;
use crate::domain::walk::WalkDraft;
use crate::domain::weather::DailyWeather;
use crate::store::boxed;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::Entry;
use crate::store::history::FieldChange;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::organisms;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Origin;
use crate::store::writer::Writer;

/// Does the same for whatever kind of record, by the type that holds it; other kinds are no rows of files.
macro_rules! by_kind {
    ($kind:expr, $record:ident => $body:expr, otherwise => $otherwise:expr) => {
        match $kind {
            RecordKind::Trail => { type $record = TrailDraft; $body }
            RecordKind::Trailhead => { type $record = TrailheadDraft; $body }
            RecordKind::Place => { type $record = PlaceDraft; $body }
            RecordKind::SensitivePlace => { type $record = SensitivePlace; $body }
            RecordKind::CounterLocation => { type $record = CounterDraft; $body }
            RecordKind::Reading => { type $record = ReadingDraft; $body }
            RecordKind::Calibration => { type $record = CalibrationDraft; $body }
            RecordKind::PartySize => { type $record = PartySizeDraft; $body }
            RecordKind::Closure => { type $record = Closure; $body }
            RecordKind::Walk => { type $record = WalkDraft; $body }
            RecordKind::Encounter => { type $record = EncounterDraft; $body }
            RecordKind::Photo => { type $record = PhotoRecord; $body }
            RecordKind::SignLocation => { type $record = SignLocationDraft; $body }
            RecordKind::SignInPlace => { type $record = SignInPlaceDraft; $body }
            RecordKind::DoubleObservation => { type $record = DoubleObservationDraft; $body }
            RecordKind::DailyWeather => { type $record = DailyWeather; $body }
            RecordKind::SignInspection => { type $record = SignInspectionDraft; $body }
            RecordKind::SignWatch => { type $record = SignWatchDraft; $body }
            // Settings and the area have a page of their own; decisions, notices and posted plans stay as they were made.
            RecordKind::Area
            | RecordKind::Setting
            | RecordKind::Species
            | RecordKind::ReactionTerm
            | RecordKind::HandSnap
            | RecordKind::SignPlan
            | RecordKind::Decision
            | RecordKind::Notice => $otherwise,
        }
    };
}

/// A record as it is, or as the history says that it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordState {
    /// Its fields as text, in alphabetical order, parts of a part joined by a full stop.
    pub fields: Vec<(String, String)>,
    /// Whether it is in force; the fields of one that was taken out are those it had last.
    pub is_present: bool,
    /// The row of a file that it says it came from.
    pub origin: Option<Origin>,
    /// What tells this state from any other.
    pub mark: String,
}

/// An earlier state of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StateKey {
    /// As it was before its first change.
    First,
    /// As a change left it, by the number of the change.
    After(i64),
}

/// What somebody wants of a record.
#[derive(Debug, Clone, Copy)]
pub struct RecordEdit<'a> {
    /// The area.
    pub area: AreaId,
    /// What kind of record.
    pub kind: RecordKind,
    /// Which one.
    pub id: i64,
    /// The mark of the state that they saw.
    pub seen: &'a str,
}

/// What became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Edited {
    /// It was done.
    Done,
    /// The record is in that state already.
    Unchanged,
    /// Somebody changed the record since it was seen.
    ChangedMeanwhile,
    /// It breaks a rule: another record has its name, or what it names is not there.
    Refused(String),
}

impl RecordKind {
    /// Whether records of this kind can be taken out, brought back and put back to an earlier state.
    pub fn can_be_put_back(self) -> bool {
        by_kind!(self, Record => {
            debug_assert!(Record::KIND == self);
            true
        }, otherwise => false)
    }
}

impl Snapshot {
    /// A record as it is now, none where there never was one or its kind cannot be put back.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn record_state(&mut self, kind: RecordKind, id: i64) -> Result<Option<RecordState>, Error> {
        state(self.connection(), kind, id).await
    }

    /// A record as it was, none where the history has no such state.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn earlier_state(
        &mut self,
        kind: RecordKind,
        id: i64,
        key: StateKey,
    ) -> Result<Option<RecordState>, Error> {
        let json = earlier(self.connection(), kind, id, key).await?;
        json.map(|json| of_json(id, &json, true)).transpose()
    }
}

impl Writer {
    /// Puts a record back to an earlier state, in force again if it was taken out.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such record or state; [`Error`] when the database cannot be written.
    pub async fn put_back_record(&mut self, edit: &RecordEdit<'_>, key: StateKey) -> Result<Edited, Error> {
        let missing = || Error::Missing { what: edit.kind.term(), id: edit.id };
        let now = state(self.connection(), edit.kind, edit.id).await?.ok_or_else(missing)?;
        if now.mark != edit.seen {
            return Ok(Edited::ChangedMeanwhile);
        }
        let json = earlier(self.connection(), edit.kind, edit.id, key).await?.ok_or_else(missing)?;
        if now == of_json(edit.id, &json, true)? {
            return Ok(Edited::Unchanged);
        }
        if edit.kind == RecordKind::Encounter {
            let draft = kept::from_json::<EncounterDraft>(edit.id, &json)?.record;
            organisms::know(self, edit.area, std::iter::once(&draft)).await?;
        }
        self.known = Default::default();
        let done = by_kind!(edit.kind, Record => self.put_json::<Record>(edit, &json).await, otherwise => {
            return Err(missing());
        });
        match done {
            Ok(()) => Ok(Edited::Done),
            Err(Fault::Row(problem)) => Ok(Edited::Refused(problem.reason)),
            Err(Fault::Store(Error::Rule { constraint })) => Ok(Edited::Refused(constraint)),
            Err(Fault::Store(error)) => Err(error),
        }
    }

    /// Takes a record out. It stays in the history and can be brought back.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such record; [`Error`] when the database cannot be written.
    pub async fn withdraw_record(&mut self, edit: &RecordEdit<'_>) -> Result<Edited, Error> {
        let missing = || Error::Missing { what: edit.kind.term(), id: edit.id };
        let now = state(self.connection(), edit.kind, edit.id).await?.ok_or_else(missing)?;
        if !now.is_present {
            return Ok(Edited::Unchanged);
        }
        if now.mark != edit.seen {
            return Ok(Edited::ChangedMeanwhile);
        }
        self.take_out(edit.kind, edit.id).await?;
        if edit.kind == RecordKind::Walk {
            self.release_encounters(edit.area).await?;
        }
        self.known = Default::default();
        Ok(Edited::Done)
    }

    /// Takes a record out that is known to be there, and writes that down.
    pub(super) async fn take_out(&mut self, kind: RecordKind, id: i64) -> Result<(), Error> {
        let before = by_kind!(kind, Record => {
            Record::load(self.connection(), id).await?.map(|old| json_of(id, &old)).transpose()?
        }, otherwise => None);
        let before = before.ok_or(Error::Missing { what: kind.term(), id })?;
        self.mark_removed(kind, id).await?;
        let entry = Entry { kind, record_id: id, batch_id: None, before: Some(before), after: None };
        history::record(self, entry).await
    }

    async fn mark_removed(&mut self, kind: RecordKind, id: i64) -> Result<(), Error> {
        let revision = self.revision();
        macro_rules! mark {
            ($($kind:ident: $table:literal),+ $(,)?) => {
                match kind {
                    $(RecordKind::$kind => {
                        sqlx::query!(
                            "UPDATE " + $table + " SET removed_revision = ?, revision = ? WHERE id = ?",
                            revision,
                            revision,
                            id
                        )
                        .execute(self.connection())
                        .await?;
                    })+
                    _ => return Err(Error::Missing { what: kind.term(), id }),
                }
            };
        }
        mark!(
            Trail: "trails",
            Trailhead: "trailheads",
            Place: "places",
            SensitivePlace: "sensitive_places",
            CounterLocation: "counter_locations",
            Reading: "counter_readings",
            Calibration: "calibrations",
            PartySize: "party_sizes",
            Closure: "closures",
            Walk: "survey_walks",
            Encounter: "encounters",
            Photo: "photos",
            SignLocation: "sign_locations",
            SignInPlace: "signs_in_place",
            DoubleObservation: "double_observer_detections",
            DailyWeather: "daily_weather",
            SignInspection: "sign_inspections",
            SignWatch: "sign_watches",
        );
        Ok(())
    }

    async fn put_json<T: Kept>(&mut self, edit: &RecordEdit<'_>, json: &str) -> Result<(), Fault> {
        let old = T::load(self.connection(), edit.id).await?;
        let new = kept::from_json::<T>(edit.id, json)?;
        let key = RowKey { area: edit.area, id: edit.id };
        let new = Stored { record: &new.record, origin: new.origin };
        boxed(kept::replace(self, key, new, old.as_ref(), None)).await
    }
}

fn json_of<T: Kept>(id: i64, old: &Stored<T>) -> Result<String, Error> {
    history::to_json(T::TABLE, id, &Version::new(old.record.to_wire(), old.origin))
}

/// The record as it is now; one that was taken out as it was last.
async fn state(
    connection: &mut SqliteConnection,
    kind: RecordKind,
    id: i64,
) -> Result<Option<RecordState>, Error> {
    for is_present in [true, false] {
        if let Some(json) = row_json(connection, kind, id, !is_present).await? {
            return of_json(id, &json, is_present).map(Some);
        }
    }
    Ok(None)
}

/// What stands in the record's row.
async fn row_json(
    connection: &mut SqliteConnection,
    kind: RecordKind,
    id: i64,
    even_taken_out: bool,
) -> Result<Option<String>, Error> {
    by_kind!(kind, Record => {
        let row = boxed(Record::load_row(connection, id, even_taken_out)).await?;
        row.map(|row| json_of(id, &row)).transpose()
    }, otherwise => Ok(None))
}

fn of_json(id: i64, json: &str, is_present: bool) -> Result<RecordState, Error> {
    let version: Version<Value> = stored(serde_json::from_str(json), "changes", "before_json", id)?;
    let fields: Vec<_> = history::flat(&version.record).into_iter().collect();
    let mark = blake3::hash(format!("{is_present} {fields:?}").as_bytes()).to_hex().to_string();
    Ok(RecordState { fields, is_present, origin: version.origin(), mark })
}

/// What the history says that a record was. One that a batch brought and that never changed was always what its row says.
async fn earlier(
    connection: &mut SqliteConnection,
    kind: RecordKind,
    id: i64,
    key: StateKey,
) -> Result<Option<String>, Error> {
    let term = kind.term();
    match key {
        StateKey::First => {
            let first = sqlx::query_scalar!(
                "SELECT before_json FROM changes WHERE record_kind = ? AND record_id = ? ORDER BY id LIMIT 1",
                term,
                id
            )
            .fetch_optional(&mut *connection)
            .await?;
            match first {
                Some(before) => Ok(before),
                None => row_json(connection, kind, id, true).await,
            }
        }
        StateKey::After(change) => Ok(sqlx::query_scalar!(
            "SELECT after_json FROM changes WHERE record_kind = ? AND record_id = ? AND id = ?",
            term,
            id,
            change
        )
        .fetch_optional(connection)
        .await?
        .flatten()),
    }
}

/// What would change from one state to another.
pub fn difference(from: &RecordState, to: &RecordState) -> Vec<FieldChange> {
    history::differing(from.fields.iter().cloned().collect(), to.fields.iter().cloned().collect())
}
