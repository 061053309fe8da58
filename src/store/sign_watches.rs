//! Watches at signs and at places to compare them with.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::sign_watch::WatchCounts;
use crate::domain::sign_watch::Watcher;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::stored;
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
pub(super) struct SignWatchWire {
    event_id: String,
    locality: String,
    position: Point,
    start_s: i64,
    length_s: i64,
    passed: u32,
    read: Option<u32>,
    did: u32,
    asked: String,
    watcher: String,
    recorded_by: String,
    remarks: String,
}

struct SignWatchRow {
    id: i64,
    event_id: String,
    locality: String,
    lon: f64,
    lat: f64,
    start_s: i64,
    length_s: i64,
    n_passed: i64,
    n_read: Option<i64>,
    n_did: i64,
    asked: String,
    watcher: String,
    recorded_by: String,
    remarks: String,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<SignWatchRow> for SignWatchDraft {
    type Error = Error;

    fn try_from(row: SignWatchRow) -> Result<Self, Error> {
        const TABLE: &str = "sign_watches";
        let count = |value: i64, column| stored(u32::try_from(value), TABLE, column, row.id);
        let read = row.n_read.map(|read| count(read, "n_read")).transpose()?;
        let counts = WatchCounts::new(count(row.n_passed, "n_passed")?, read, count(row.n_did, "n_did")?);
        Ok(Self {
            event_id: row.event_id,
            locality: row.locality,
            position: stored(LonLat::new(row.lon, row.lat), TABLE, "lon, lat", row.id)?,
            start_s: row.start_s,
            length_s: row.length_s,
            counts: stored(counts, TABLE, "n_passed, n_read, n_did", row.id)?,
            asked: row.asked,
            watcher: stored(row.watcher.parse(), TABLE, "watcher", row.id)?,
            recorded_by: row.recorded_by,
            remarks: row.remarks,
        })
    }
}

/// The counts as columns.
fn columns(counts: WatchCounts) -> (i64, Option<i64>, i64) {
    (counts.passed().into(), counts.read().map(i64::from), counts.did().into())
}

impl Kept for SignWatchDraft {
    const KIND: RecordKind = RecordKind::SignWatch;
    const TABLE: &'static str = "sign_watches";
    const KEY: &'static str = "eventID";
    type Wire = SignWatchWire;

    fn to_wire(&self) -> SignWatchWire {
        SignWatchWire {
            event_id: self.event_id.clone(),
            locality: self.locality.clone(),
            position: self.position.into(),
            start_s: self.start_s,
            length_s: self.length_s,
            passed: self.counts.passed(),
            read: self.counts.read(),
            did: self.counts.did(),
            asked: self.asked.clone(),
            watcher: self.watcher.term().to_owned(),
            recorded_by: self.recorded_by.clone(),
            remarks: self.remarks.clone(),
        }
    }

    fn from_wire(wire: SignWatchWire) -> Result<Self, String> {
        Ok(Self {
            event_id: wire.event_id,
            locality: wire.locality,
            position: wire.position.try_into()?,
            start_s: wire.start_s,
            length_s: wire.length_s,
            counts: wire::in_words(WatchCounts::new(wire.passed, wire.read, wire.did))?,
            asked: wire.asked,
            watcher: wire::in_words(wire.watcher.parse::<Watcher>())?,
            recorded_by: wire.recorded_by,
            remarks: wire.remarks,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            SignWatchRow,
            r#"SELECT id AS "id!", event_id, locality, lon, lat, start_s, length_s, n_passed, n_read, n_did, asked, watcher,
                recorded_by, remarks, batch_id, file_id, row_number
             FROM sign_watches WHERE id = ? AND (removed_revision IS NULL OR ?)"#,
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
        let (lon, lat, watcher) = (self.position.lon(), self.position.lat(), self.watcher.term());
        let (passed, read, did) = columns(self.counts);
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE sign_watches SET event_id = ?, locality = ?, lon = ?, lat = ?, start_s = ?, length_s = ?, n_passed = ?,
                n_read = ?, n_did = ?, asked = ?, watcher = ?, recorded_by = ?, remarks = ?, batch_id = ?, file_id = ?,
                row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.event_id,
            self.locality,
            lon,
            lat,
            self.start_s,
            self.length_s,
            passed,
            read,
            did,
            self.asked,
            watcher,
            self.recorded_by,
            self.remarks,
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

impl Keyed for SignWatchDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let id = sqlx::query_scalar!(
            "SELECT id FROM sign_watches WHERE area_id = ? AND event_id = ? AND removed_revision IS NULL",
            area.0,
            self.event_id
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
        let (lon, lat, watcher) = (self.position.lon(), self.position.lat(), self.watcher.term());
        let (passed, read, did) = columns(self.counts);
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO sign_watches (area_id, event_id, locality, lon, lat, start_s, length_s, n_passed, n_read, n_did,
                asked, watcher, recorded_by, remarks, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.event_id,
            self.locality,
            lon,
            lat,
            self.start_s,
            self.length_s,
            passed,
            read,
            did,
            self.asked,
            watcher,
            self.recorded_by,
            self.remarks,
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

impl Writer {
    /// Puts watches, by their `eventID`.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_sign_watches(
        &mut self,
        target: &Target,
        rows: &[(u64, SignWatchDraft)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The watches of an area, in order of their start. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn sign_watches(&mut self, area: AreaId) -> Result<Vec<SignWatchDraft>, Error> {
        let rows = sqlx::query_as!(
            SignWatchRow,
            r#"SELECT id AS "id!", event_id, locality, lon, lat, start_s, length_s, n_passed, n_read, n_did, asked, watcher,
                recorded_by, remarks, batch_id, file_id, row_number
             FROM sign_watches WHERE area_id = ? AND removed_revision IS NULL ORDER BY start_s, event_id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(SignWatchDraft::try_from).collect()
    }
}
