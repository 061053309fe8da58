//! Signs in place: what stands, since when and until when.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::SignId;
use crate::domain::ids::SignPlanId;
use crate::domain::sign::SignInPlaceDraft;
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
use crate::store::wire::Point;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

/// A stored sign in place.
#[derive(Debug, Clone, PartialEq)]
pub struct SignInPlace {
    /// The stored row.
    pub id: SignId,
    /// What was given.
    pub given: SignInPlaceDraft,
}

#[derive(Serialize, Deserialize)]
pub(super) struct SignInPlaceWire {
    name: String,
    position: Point,
    kind: String,
    plan: Option<i64>,
    up_s: i64,
    down_s: Option<i64>,
}

struct SignInPlaceRow {
    id: i64,
    name: String,
    lon: f64,
    lat: f64,
    kind: String,
    plan_id: Option<i64>,
    up_s: i64,
    down_s: Option<i64>,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<SignInPlaceRow> for SignInPlace {
    type Error = Error;

    fn try_from(row: SignInPlaceRow) -> Result<Self, Error> {
        let given = SignInPlaceDraft {
            name: row.name,
            position: stored(LonLat::new(row.lon, row.lat), "signs_in_place", "lon, lat", row.id)?,
            kind: row.kind,
            plan: row.plan_id.map(SignPlanId),
            up_s: row.up_s,
            down_s: row.down_s,
        };
        Ok(Self { id: SignId(row.id), given })
    }
}

impl Kept for SignInPlaceDraft {
    const KIND: RecordKind = RecordKind::SignInPlace;
    const TABLE: &'static str = "signs_in_place";
    const KEY: &'static str = "name";
    type Wire = SignInPlaceWire;

    fn to_wire(&self) -> SignInPlaceWire {
        SignInPlaceWire {
            name: self.name.clone(),
            position: self.position.into(),
            kind: self.kind.clone(),
            plan: self.plan.map(|plan| plan.0),
            up_s: self.up_s,
            down_s: self.down_s,
        }
    }

    fn from_wire(wire: SignInPlaceWire) -> Result<Self, String> {
        Ok(Self {
            name: wire.name,
            position: wire.position.try_into()?,
            kind: wire.kind,
            plan: wire.plan.map(SignPlanId),
            up_s: wire.up_s,
            down_s: wire.down_s,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            SignInPlaceRow,
            r#"SELECT id AS "id!", name, lon, lat, kind, plan_id, up_s, down_s, batch_id, file_id, row_number
             FROM signs_in_place WHERE id = ? AND (removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let origin = Origin::from_columns(row.batch_id, row.file_id, row.row_number);
        Ok(Some(Stored { record: SignInPlace::try_from(row)?.given, origin }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let (lon, lat, plan_id) = (self.position.lon(), self.position.lat(), self.plan.map(|plan| plan.0));
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE signs_in_place SET name = ?, lon = ?, lat = ?, kind = ?, plan_id = ?, up_s = ?, down_s = ?,
                batch_id = ?, file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.name,
            lon,
            lat,
            self.kind,
            plan_id,
            self.up_s,
            self.down_s,
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

impl Keyed for SignInPlaceDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let id = sqlx::query_scalar!(
            "SELECT id FROM signs_in_place WHERE area_id = ? AND name = ? AND up_s = ? AND removed_revision IS NULL",
            area.0,
            self.name,
            self.up_s
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
        let (lon, lat, plan_id) = (self.position.lon(), self.position.lat(), self.plan.map(|plan| plan.0));
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO signs_in_place (area_id, name, lon, lat, kind, plan_id, up_s, down_s, batch_id, file_id,
                row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.name,
            lon,
            lat,
            self.kind,
            plan_id,
            self.up_s,
            self.down_s,
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
    /// Puts signs in place, by name and the instant they were put up.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_signs_in_place(
        &mut self,
        target: &Target,
        rows: &[(u64, SignInPlaceDraft)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The signs of an area, those taken down included, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn signs_in_place(&mut self, area: AreaId) -> Result<Vec<SignInPlace>, Error> {
        let rows = sqlx::query_as!(
            SignInPlaceRow,
            r#"SELECT id AS "id!", name, lon, lat, kind, plan_id, up_s, down_s, batch_id, file_id, row_number
             FROM signs_in_place WHERE area_id = ? AND removed_revision IS NULL ORDER BY id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(SignInPlace::try_from).collect()
    }
}
