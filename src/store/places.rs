//! Places that hold encounters off the trail: car parks, campsites and the like.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::PlaceId;
use crate::domain::ids::TrailheadId;
use crate::domain::place::Place;
use crate::domain::place::PlaceDraft;
use crate::domain::place::PlaceKind;
use crate::domain::units::Length;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::stored;
use crate::store::geometry;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::Keyed;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::snapshot::Snapshot;
use crate::store::trailheads;
use crate::store::wire;
use crate::store::wire::Exact;
use crate::store::wire::Point;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct PlaceWire {
    name: String,
    kind: String,
    position: Point,
    radius_m: Exact,
    ring: Option<Vec<Point>>,
    trailhead: String,
    visits_per_day: Option<Exact>,
}

struct PlaceRow {
    id: i64,
    name: String,
    kind: String,
    lon: f64,
    lat: f64,
    radius_m: f64,
    ring: Option<Vec<u8>>,
    trailhead_id: Option<i64>,
    trailhead: Option<String>,
    visits_per_day: Option<f64>,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<PlaceRow> for Place {
    type Error = Error;

    fn try_from(row: PlaceRow) -> Result<Self, Error> {
        let id = row.id;
        let ring = row.ring.as_deref().map(geometry::decode_run).transpose();
        Ok(Self {
            id: PlaceId(id),
            // A trailhead that was taken out is as one that was never named, until one of its name is there again.
            trailhead_id: row.trailhead.as_ref().and(row.trailhead_id).map(TrailheadId),
            given: PlaceDraft {
                name: row.name,
                kind: stored(row.kind.parse(), "places", "kind", id)?,
                position: stored(LonLat::new(row.lon, row.lat), "places", "lon, lat", id)?,
                radius: stored(Length::metres(row.radius_m), "places", "radius_m", id)?,
                ring: stored(ring, "places", "ring", id)?,
                trailhead: row.trailhead.unwrap_or_default(),
                visits_per_day: row.visits_per_day,
            },
        })
    }
}

impl Kept for PlaceDraft {
    const KIND: RecordKind = RecordKind::Place;
    const TABLE: &'static str = "places";
    const KEY: &'static str = "name";
    type Wire = PlaceWire;

    fn to_wire(&self) -> PlaceWire {
        PlaceWire {
            name: self.name.clone(),
            kind: self.kind.term().to_owned(),
            position: self.position.into(),
            radius_m: Exact(self.radius.in_metres()),
            ring: self.ring.as_deref().map(wire::points),
            trailhead: self.trailhead.clone(),
            visits_per_day: self.visits_per_day.map(Exact),
        }
    }

    fn from_wire(wire: PlaceWire) -> Result<Self, String> {
        Ok(Self {
            name: wire.name,
            kind: wire::in_words(wire.kind.parse::<PlaceKind>())?,
            position: wire.position.try_into()?,
            radius: wire::in_words(Length::metres(wire.radius_m.0))?,
            ring: wire.ring.map(wire::run).transpose()?,
            trailhead: wire.trailhead,
            visits_per_day: wire.visits_per_day.map(|visits| visits.0),
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            PlaceRow,
            r#"SELECT places.id AS "id!", places.name, kind, places.lon, places.lat, radius_m, ring,
                heads.id AS "trailhead_id?", heads.name AS "trailhead?", visits_per_day, places.batch_id, places.file_id, places.row_number
             FROM places
             LEFT JOIN trailheads ON trailheads.id = trailhead_id
             LEFT JOIN trailheads AS heads ON heads.area_id = places.area_id AND heads.name = trailheads.name
                AND heads.removed_revision IS NULL
             WHERE places.id = ? AND (places.removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let origin = Origin::from_columns(row.batch_id, row.file_id, row.row_number);
        Ok(Some(Stored { record: Place::try_from(row)?.given, origin }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let trailhead_id = trailheads::by_name(connection, key.area, &self.trailhead).await?;
        let (kind, lon, lat) = (self.kind.term(), self.position.lon(), self.position.lat());
        let (radius_m, ring) = (self.radius.in_metres(), self.ring.as_deref().map(geometry::encode_run));
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE places SET name = ?, kind = ?, lon = ?, lat = ?, radius_m = ?, ring = ?, trailhead_id = ?,
                visits_per_day = ?, batch_id = ?, file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.name,
            kind,
            lon,
            lat,
            radius_m,
            ring,
            trailhead_id,
            self.visits_per_day,
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

impl Keyed for PlaceDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let id = sqlx::query_scalar!(
            "SELECT id FROM places WHERE area_id = ? AND name = ? AND removed_revision IS NULL",
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
        let trailhead_id = trailheads::by_name(connection, area, &self.trailhead).await?;
        let (kind, lon, lat) = (self.kind.term(), self.position.lon(), self.position.lat());
        let (radius_m, ring) = (self.radius.in_metres(), self.ring.as_deref().map(geometry::encode_run));
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO places (area_id, name, kind, lon, lat, radius_m, ring, trailhead_id, visits_per_day, batch_id,
                file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.name,
            kind,
            lon,
            lat,
            radius_m,
            ring,
            trailhead_id,
            self.visits_per_day,
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
    /// Puts places, by name. Bring in the trailheads that they name before.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_places(&mut self, target: &Target, rows: &[(u64, PlaceDraft)]) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The places of an area, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn places(&mut self, area: AreaId) -> Result<Vec<Place>, Error> {
        let rows = sqlx::query_as!(
            PlaceRow,
            r#"SELECT places.id AS "id!", places.name, kind, places.lon, places.lat, radius_m, ring,
                heads.id AS "trailhead_id?", heads.name AS "trailhead?", visits_per_day, places.batch_id, places.file_id, places.row_number
             FROM places
             LEFT JOIN trailheads ON trailheads.id = trailhead_id
             LEFT JOIN trailheads AS heads ON heads.area_id = places.area_id AND heads.name = trailheads.name
                AND heads.removed_revision IS NULL
             WHERE places.area_id = ? AND places.removed_revision IS NULL ORDER BY places.id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(Place::try_from).collect()
    }
}
