//! Survey walks: the effort behind survey encounters.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::ids::AreaId;
use crate::domain::ids::WalkId;
use crate::domain::walk::Purpose;
use crate::domain::walk::Walk;
use crate::domain::walk::WalkDraft;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::Problem;
use crate::store::error::stored;
use crate::store::geometry;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::Keyed;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::snapshot::Snapshot;
use crate::store::wire;
use crate::store::wire::Point;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct WalkWire {
    event_id: String,
    parent_event_id: String,
    purpose: String,
    observers: String,
    start_s: i64,
    end_s: Option<i64>,
    sampling_protocol: String,
    track: Vec<Point>,
    track_times_s: Vec<i64>,
}

struct WalkRow {
    id: i64,
    event_id: String,
    parent_event_id: String,
    purpose: String,
    observers: String,
    start_s: i64,
    end_s: Option<i64>,
    sampling_protocol: String,
    track: Option<Vec<u8>>,
    track_times: Option<Vec<u8>>,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<WalkRow> for Walk {
    type Error = Error;

    fn try_from(row: WalkRow) -> Result<Self, Error> {
        let id = row.id;
        let track = geometry::decode_run(row.track.as_deref().unwrap_or_default());
        let track_times_s = geometry::decode_instants(row.track_times.as_deref().unwrap_or_default());
        let given = WalkDraft {
            event_id: row.event_id,
            parent_event_id: row.parent_event_id,
            purpose: stored(row.purpose.parse(), "survey_walks", "purpose", id)?,
            observers: row.observers,
            start_s: row.start_s,
            end_s: row.end_s,
            sampling_protocol: row.sampling_protocol,
            track: stored(track, "survey_walks", "track", id)?,
            track_times_s: stored(track_times_s, "survey_walks", "track_times", id)?,
        };
        Ok(Self { id: WalkId(id), given })
    }
}

impl Kept for WalkDraft {
    const KIND: RecordKind = RecordKind::Walk;
    const TABLE: &'static str = "survey_walks";
    const KEY: &'static str = "eventID";
    type Wire = WalkWire;

    fn to_wire(&self) -> WalkWire {
        WalkWire {
            event_id: self.event_id.clone(),
            parent_event_id: self.parent_event_id.clone(),
            purpose: self.purpose.term().to_owned(),
            observers: self.observers.clone(),
            start_s: self.start_s,
            end_s: self.end_s,
            sampling_protocol: self.sampling_protocol.clone(),
            track: wire::points(&self.track),
            track_times_s: self.track_times_s.clone(),
        }
    }

    fn from_wire(wire: WalkWire) -> Result<Self, String> {
        Ok(Self {
            event_id: wire.event_id,
            parent_event_id: wire.parent_event_id,
            purpose: wire::in_words(wire.purpose.parse::<Purpose>())?,
            observers: wire.observers,
            start_s: wire.start_s,
            end_s: wire.end_s,
            sampling_protocol: wire.sampling_protocol,
            track: wire::run(wire.track)?,
            track_times_s: wire.track_times_s,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            WalkRow,
            r#"SELECT id AS "id!", event_id, parent_event_id, purpose, observers, start_s, end_s, sampling_protocol,
                track, track_times, batch_id, file_id, row_number
             FROM survey_walks WHERE id = ? AND (removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let origin = Origin::from_columns(row.batch_id, row.file_id, row.row_number);
        Ok(Some(Stored { record: Walk::try_from(row)?.given, origin }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let (purpose, track) = (self.purpose.term(), geometry::encode_run(&self.track));
        let track_times = geometry::encode_instants(&self.track_times_s);
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE survey_walks SET event_id = ?, parent_event_id = ?, purpose = ?, observers = ?, start_s = ?,
                end_s = ?, sampling_protocol = ?, track = ?, track_times = ?, batch_id = ?, file_id = ?,
                row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.event_id,
            self.parent_event_id,
            purpose,
            self.observers,
            self.start_s,
            self.end_s,
            self.sampling_protocol,
            track,
            track_times,
            batch_id,
            file_id,
            row_number,
            stamp.revision,
            key.id
        )
        .execute(&mut *connection)
        .await?;
        adopt_encounters(connection, key, &self.event_id, stamp).await
    }
}

impl Keyed for WalkDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        if !self.track_times_s.is_empty() && self.track_times_s.len() != self.track.len() {
            let value = format!("{} times, {} positions", self.track_times_s.len(), self.track.len());
            let hint = "give a time for every position, or for none";
            return Err(Problem::of(
                "track",
                &value,
                "times and positions of the track differ in number",
                hint,
            )
            .into());
        }
        Ok(by_event(connection, area, &self.event_id).await?)
    }

    async fn insert(
        &self,
        connection: &mut SqliteConnection,
        area: AreaId,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let (purpose, track) = (self.purpose.term(), geometry::encode_run(&self.track));
        let track_times = geometry::encode_instants(&self.track_times_s);
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        let id = sqlx::query!(
            "INSERT INTO survey_walks (area_id, event_id, parent_event_id, purpose, observers, start_s, end_s,
                sampling_protocol, track, track_times, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.event_id,
            self.parent_event_id,
            purpose,
            self.observers,
            self.start_s,
            self.end_s,
            self.sampling_protocol,
            track,
            track_times,
            batch_id,
            file_id,
            row_number,
            stamp.revision
        )
        .execute(&mut *connection)
        .await?
        .last_insert_rowid();
        adopt_encounters(connection, RowKey { area, id }, &self.event_id, stamp).await
    }
}

/// Ties encounters to their walk that were brought in before it.
async fn adopt_encounters(
    connection: &mut SqliteConnection,
    walk: RowKey,
    event_id: &str,
    stamp: &Stamp,
) -> Result<(), Fault> {
    sqlx::query!(
        "UPDATE encounters SET walk_id = ?, revision = ?
         WHERE area_id = ? AND walk_id IS NULL AND removed_revision IS NULL
           AND id IN (SELECT encounter_id FROM encounter_details WHERE event_id = ? AND event_id <> '')",
        walk.id,
        stamp.revision,
        walk.area.0,
        event_id
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// The survey walk of that `eventID`.
pub(super) async fn by_event(
    connection: &mut SqliteConnection,
    area: AreaId,
    event_id: &str,
) -> Result<Option<i64>, Error> {
    let id = sqlx::query_scalar!(
        "SELECT id FROM survey_walks WHERE area_id = ? AND event_id = ? AND removed_revision IS NULL",
        area.0,
        event_id
    )
    .fetch_optional(connection)
    .await?;
    Ok(id)
}

impl Writer {
    /// Puts survey walks, by `eventID`. Encounters that name it are tied to it, whichever came first.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_walks(&mut self, target: &Target, rows: &[(u64, WalkDraft)]) -> Result<Tally, Error> {
        self.known.walks.clear();
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The survey walks of an area with their tracks, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn walks(&mut self, area: AreaId) -> Result<Vec<Walk>, Error> {
        let rows = sqlx::query_as!(
            WalkRow,
            r#"SELECT id AS "id!", event_id, parent_event_id, purpose, observers, start_s, end_s, sampling_protocol,
                track, track_times, batch_id, file_id, row_number
             FROM survey_walks WHERE area_id = ? AND removed_revision IS NULL ORDER BY id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(Walk::try_from).collect()
    }
}
