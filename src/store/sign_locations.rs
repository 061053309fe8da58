//! Sign locations: where a sign may, does or must not stand.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::SignLocationId;
use crate::domain::sign::SignLocationDraft;
use crate::domain::sign::Standing;
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

/// A stored sign location.
#[derive(Debug, Clone, PartialEq)]
pub struct SignLocation {
    /// The stored row.
    pub id: SignLocationId,
    /// What was given.
    pub given: SignLocationDraft,
}

#[derive(Serialize, Deserialize)]
pub(super) struct SignLocationWire {
    name: String,
    position: Point,
    standing: String,
    permit_needed: bool,
    on_rock: bool,
    heritage: bool,
    reason: String,
}

struct SignLocationRow {
    id: i64,
    name: String,
    lon: f64,
    lat: f64,
    standing: String,
    permit_needed: bool,
    on_rock: bool,
    heritage: bool,
    reason: String,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<SignLocationRow> for SignLocation {
    type Error = Error;

    fn try_from(row: SignLocationRow) -> Result<Self, Error> {
        let given = SignLocationDraft {
            name: row.name,
            position: stored(LonLat::new(row.lon, row.lat), "sign_locations", "lon, lat", row.id)?,
            standing: stored(row.standing.parse(), "sign_locations", "standing", row.id)?,
            permit_needed: row.permit_needed,
            on_rock: row.on_rock,
            heritage: row.heritage,
            reason: row.reason,
        };
        Ok(Self { id: SignLocationId(row.id), given })
    }
}

impl Kept for SignLocationDraft {
    const KIND: RecordKind = RecordKind::SignLocation;
    const TABLE: &'static str = "sign_locations";
    const KEY: &'static str = "name";
    type Wire = SignLocationWire;

    fn to_wire(&self) -> SignLocationWire {
        SignLocationWire {
            name: self.name.clone(),
            position: self.position.into(),
            standing: self.standing.term().to_owned(),
            permit_needed: self.permit_needed,
            on_rock: self.on_rock,
            heritage: self.heritage,
            reason: self.reason.clone(),
        }
    }

    fn from_wire(wire: SignLocationWire) -> Result<Self, String> {
        Ok(Self {
            name: wire.name,
            position: wire.position.try_into()?,
            standing: wire::in_words(wire.standing.parse::<Standing>())?,
            permit_needed: wire.permit_needed,
            on_rock: wire.on_rock,
            heritage: wire.heritage,
            reason: wire.reason,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            SignLocationRow,
            r#"SELECT id AS "id!", name, lon, lat, standing, permit_needed AS "permit_needed: bool",
                on_rock AS "on_rock: bool", heritage AS "heritage: bool", reason, batch_id, file_id, row_number
             FROM sign_locations WHERE id = ? AND (removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let origin = Origin::from_columns(row.batch_id, row.file_id, row.row_number);
        Ok(Some(Stored { record: SignLocation::try_from(row)?.given, origin }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let (lon, lat, standing) = (self.position.lon(), self.position.lat(), self.standing.term());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE sign_locations SET name = ?, lon = ?, lat = ?, standing = ?, permit_needed = ?, on_rock = ?,
                heritage = ?, reason = ?, batch_id = ?, file_id = ?, row_number = ?, revision = ?,
                removed_revision = NULL
             WHERE id = ?",
            self.name,
            lon,
            lat,
            standing,
            self.permit_needed,
            self.on_rock,
            self.heritage,
            self.reason,
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

impl Keyed for SignLocationDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let id = sqlx::query_scalar!(
            "SELECT id FROM sign_locations WHERE area_id = ? AND name = ? AND removed_revision IS NULL",
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
        let (lon, lat, standing) = (self.position.lon(), self.position.lat(), self.standing.term());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO sign_locations (area_id, name, lon, lat, standing, permit_needed, on_rock, heritage, reason,
                batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.name,
            lon,
            lat,
            standing,
            self.permit_needed,
            self.on_rock,
            self.heritage,
            self.reason,
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
    /// Puts sign locations, by name.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_sign_locations(
        &mut self,
        target: &Target,
        rows: &[(u64, SignLocationDraft)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The sign locations of an area, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn sign_locations(&mut self, area: AreaId) -> Result<Vec<SignLocation>, Error> {
        let rows = sqlx::query_as!(
            SignLocationRow,
            r#"SELECT id AS "id!", name, lon, lat, standing, permit_needed AS "permit_needed: bool",
                on_rock AS "on_rock: bool", heritage AS "heritage: bool", reason, batch_id, file_id, row_number
             FROM sign_locations WHERE area_id = ? AND removed_revision IS NULL ORDER BY id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(SignLocation::try_from).collect()
    }
}
