//! Sensitive places: dens and the like. For staff only; readers decide who sees them.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::place::SensitivePlace;
use crate::domain::units::Length;
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
use crate::store::wire::Exact;
use crate::store::wire::Point;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct SensitivePlaceWire {
    name: String,
    position: Point,
    buffer_m: Exact,
    reason: String,
    review_date: String,
}

struct SensitivePlaceRow {
    id: i64,
    name: String,
    lon: f64,
    lat: f64,
    buffer_m: f64,
    reason: String,
    review_date: String,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<SensitivePlaceRow> for SensitivePlace {
    type Error = Error;

    fn try_from(row: SensitivePlaceRow) -> Result<Self, Error> {
        Ok(Self {
            position: stored(LonLat::new(row.lon, row.lat), "sensitive_places", "lon, lat", row.id)?,
            buffer: stored(Length::metres(row.buffer_m), "sensitive_places", "buffer_m", row.id)?,
            name: row.name,
            reason: row.reason,
            review_date: row.review_date,
        })
    }
}

impl Kept for SensitivePlace {
    const KIND: RecordKind = RecordKind::SensitivePlace;
    const TABLE: &'static str = "sensitive_places";
    const KEY: &'static str = "name";
    type Wire = SensitivePlaceWire;

    fn to_wire(&self) -> SensitivePlaceWire {
        SensitivePlaceWire {
            name: self.name.clone(),
            position: self.position.into(),
            buffer_m: Exact(self.buffer.in_metres()),
            reason: self.reason.clone(),
            review_date: self.review_date.clone(),
        }
    }

    fn from_wire(wire: SensitivePlaceWire) -> Result<Self, String> {
        Ok(Self {
            name: wire.name,
            position: wire.position.try_into()?,
            buffer: wire::in_words(Length::metres(wire.buffer_m.0))?,
            reason: wire.reason,
            review_date: wire.review_date,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            SensitivePlaceRow,
            r#"SELECT id AS "id!", name, lon, lat, buffer_m, reason, review_date, batch_id, file_id, row_number
             FROM sensitive_places WHERE id = ? AND (removed_revision IS NULL OR ?)"#,
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
        let (lon, lat, buffer_m) = (self.position.lon(), self.position.lat(), self.buffer.in_metres());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE sensitive_places SET name = ?, lon = ?, lat = ?, buffer_m = ?, reason = ?, review_date = ?,
                batch_id = ?, file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.name,
            lon,
            lat,
            buffer_m,
            self.reason,
            self.review_date,
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

impl Keyed for SensitivePlace {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let id = sqlx::query_scalar!(
            "SELECT id FROM sensitive_places WHERE area_id = ? AND name = ? AND removed_revision IS NULL",
            area.0,
            self.name
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
        let (lon, lat, buffer_m) = (self.position.lon(), self.position.lat(), self.buffer.in_metres());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO sensitive_places (area_id, name, lon, lat, buffer_m, reason, review_date, batch_id, file_id,
                row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.name,
            lon,
            lat,
            buffer_m,
            self.reason,
            self.review_date,
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
    /// Puts sensitive places, by name.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_sensitive_places(
        &mut self,
        target: &Target,
        rows: &[(u64, SensitivePlace)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The sensitive places of an area, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn sensitive_places(&mut self, area: AreaId) -> Result<Vec<SensitivePlace>, Error> {
        let rows = sqlx::query_as!(
            SensitivePlaceRow,
            r#"SELECT id AS "id!", name, lon, lat, buffer_m, reason, review_date, batch_id, file_id, row_number
             FROM sensitive_places WHERE area_id = ? AND removed_revision IS NULL ORDER BY id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(SensitivePlace::try_from).collect()
    }
}
