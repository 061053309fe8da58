//! Trailheads: where walkers start.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::TrailheadId;
use crate::domain::trail::Trailhead;
use crate::domain::trail::TrailheadDraft;
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
use crate::store::wire::Exact;
use crate::store::wire::Point;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct TrailheadWire {
    name: String,
    position: Point,
    relative_volume: Exact,
}

impl Kept for TrailheadDraft {
    const KIND: RecordKind = RecordKind::Trailhead;
    const TABLE: &'static str = "trailheads";
    const KEY: &'static str = "name";
    type Wire = TrailheadWire;

    fn to_wire(&self) -> TrailheadWire {
        let relative_volume = Exact(self.relative_volume);
        TrailheadWire { name: self.name.clone(), position: self.position.into(), relative_volume }
    }

    fn from_wire(wire: TrailheadWire) -> Result<Self, String> {
        let position = wire.position.try_into()?;
        Ok(Self { name: wire.name, position, relative_volume: wire.relative_volume.0 })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query!(
            "SELECT name, lon, lat, relative_volume, batch_id, file_id, row_number
             FROM trailheads WHERE id = ? AND (removed_revision IS NULL OR ?)",
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let position = stored(LonLat::new(row.lon, row.lat), "trailheads", "lon, lat", id)?;
        Ok(Some(Stored {
            record: Self { name: row.name, position, relative_volume: row.relative_volume },
            origin: Origin::from_columns(row.batch_id, row.file_id, row.row_number),
        }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let (lon, lat) = (self.position.lon(), self.position.lat());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE trailheads SET name = ?, lon = ?, lat = ?, relative_volume = ?, batch_id = ?, file_id = ?,
                row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.name,
            lon,
            lat,
            self.relative_volume,
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

impl Keyed for TrailheadDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        if !self.relative_volume.is_finite() {
            let value = self.relative_volume.to_string();
            return Err(
                Problem::of("relativeVolume", &value, "it is not a number", "give parking places").into()
            );
        }
        let id = sqlx::query_scalar!(
            "SELECT id FROM trailheads WHERE area_id = ? AND name = ? AND removed_revision IS NULL",
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
        let (lon, lat) = (self.position.lon(), self.position.lat());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO trailheads (area_id, name, lon, lat, relative_volume, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.name,
            lon,
            lat,
            self.relative_volume,
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

/// The trailhead of that name, none for an empty name.
pub(super) async fn by_name(
    connection: &mut SqliteConnection,
    area: AreaId,
    name: &str,
) -> Result<Option<i64>, Fault> {
    if name.is_empty() {
        return Ok(None);
    }
    let id = sqlx::query_scalar!(
        "SELECT id FROM trailheads WHERE area_id = ? AND name = ? AND removed_revision IS NULL",
        area.0,
        name
    )
    .fetch_optional(connection)
    .await?;
    match id {
        Some(id) => Ok(Some(id)),
        None => Err(Problem::of(
            "trailhead",
            name,
            "there is no trailhead of this name",
            "bring in the trailheads first, or write the name as it is there",
        )
        .into()),
    }
}

impl Writer {
    /// Puts trailheads, by name.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_trailheads(
        &mut self,
        target: &Target,
        rows: &[(u64, TrailheadDraft)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The trailheads of an area, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn trailheads(&mut self, area: AreaId) -> Result<Vec<Trailhead>, Error> {
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", name, lon, lat, relative_volume
             FROM trailheads WHERE area_id = ? AND removed_revision IS NULL ORDER BY id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(Trailhead {
                    id: TrailheadId(row.id),
                    position: stored(LonLat::new(row.lon, row.lat), "trailheads", "lon, lat", row.id)?,
                    name: row.name,
                    relative_volume: row.relative_volume,
                })
            })
            .collect()
    }
}
