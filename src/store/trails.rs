//! Trails: the line of a trail is replaced as a whole when it changes.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::TrailId;
use crate::domain::trail::Trail;
use crate::domain::trail::TrailDraft;
use crate::domain::trail::given_elevations;
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
use crate::store::wire::Exact;
use crate::store::wire::Point;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct TrailWire {
    name: String,
    habitat: String,
    parts: Vec<Vec<Point>>,
    /// Absent in changes that were kept before trails had elevations.
    #[serde(default)]
    elevations_m: Vec<Vec<Exact>>,
}

impl Kept for TrailDraft {
    const KIND: RecordKind = RecordKind::Trail;
    const TABLE: &'static str = "trails";
    const KEY: &'static str = "name";
    type Wire = TrailWire;

    fn to_wire(&self) -> TrailWire {
        let parts = self.parts.iter().map(|part| wire::points(part)).collect();
        let exact = |part: &Vec<f64>| part.iter().map(|metres| Exact(*metres)).collect();
        let elevations_m = self.elevations_m.iter().map(exact).collect();
        TrailWire { name: self.name.clone(), habitat: self.habitat.clone(), parts, elevations_m }
    }

    fn from_wire(wire: TrailWire) -> Result<Self, String> {
        let parts: Vec<Vec<LonLat>> = wire.parts.into_iter().map(wire::run).collect::<Result<_, _>>()?;
        let metres = |part: Vec<Exact>| part.into_iter().map(|metres| metres.0).collect();
        let elevations_m = given_elevations(wire.elevations_m.into_iter().map(metres).collect());
        Ok(Self { name: wire.name, habitat: wire.habitat, parts, elevations_m })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query!(
            "SELECT name, habitat, batch_id, file_id, row_number FROM trails WHERE id = ? AND (removed_revision IS NULL OR ?)",
            id,
            even_taken_out
        )
        .fetch_optional(&mut *connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let stored = sqlx::query!(
            "SELECT geometry, elevations_m FROM trail_parts WHERE trail_id = ? ORDER BY part",
            id
        )
        .fetch_all(connection)
        .await?;
        let parts = stored.iter().map(|part| decode_part(id, &part.geometry)).collect::<Result<_, _>>()?;
        let elevations_m = stored
            .iter()
            .map(|part| decode_elevations(id, part.elevations_m.as_deref()))
            .collect::<Result<_, _>>()?;
        let elevations_m = given_elevations(elevations_m);
        Ok(Some(Stored {
            record: Self { name: row.name, habitat: row.habitat, parts, elevations_m },
            origin: Origin::from_columns(row.batch_id, row.file_id, row.row_number),
        }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE trails SET name = ?, habitat = ?, batch_id = ?, file_id = ?, row_number = ?, revision = ?,
                removed_revision = NULL
             WHERE id = ?",
            self.name,
            self.habitat,
            batch_id,
            file_id,
            row_number,
            stamp.revision,
            key.id
        )
        .execute(&mut *connection)
        .await?;
        sqlx::query!("DELETE FROM trail_parts WHERE trail_id = ?", key.id).execute(&mut *connection).await?;
        insert_parts(connection, key.id, self).await
    }
}

impl Keyed for TrailDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        if self.parts.iter().all(Vec::is_empty) {
            return Err(
                Problem::of("geometry", "", "the trail has no line", "draw it, or leave it out").into()
            );
        }
        let id = sqlx::query_scalar!(
            "SELECT id FROM trails WHERE area_id = ? AND name = ? AND removed_revision IS NULL",
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
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        let id = sqlx::query!(
            "INSERT INTO trails (area_id, name, habitat, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.name,
            self.habitat,
            batch_id,
            file_id,
            row_number,
            stamp.revision
        )
        .execute(&mut *connection)
        .await?
        .last_insert_rowid();
        insert_parts(connection, id, self).await
    }
}

/// The trail of a name, none for no name.
pub(super) async fn by_name(
    connection: &mut SqliteConnection,
    area: AreaId,
    name: &str,
) -> Result<Option<i64>, Fault> {
    if name.is_empty() {
        return Ok(None);
    }
    let id = sqlx::query_scalar!(
        "SELECT id FROM trails WHERE area_id = ? AND name = ? AND removed_revision IS NULL",
        area.0,
        name
    )
    .fetch_optional(connection)
    .await?;
    match id {
        Some(id) => Ok(Some(id)),
        None => Err(Problem::of(
            "trail",
            name,
            "there is no trail of this name",
            "bring in the trails first, or write the name as it is there",
        )
        .into()),
    }
}

async fn insert_parts(
    connection: &mut SqliteConnection,
    trail_id: i64,
    trail: &TrailDraft,
) -> Result<(), Fault> {
    for (idx, run) in trail.parts.iter().enumerate() {
        let (part, geometry) = (idx as i64, geometry::encode_run(run));
        let known = trail.elevations_m.get(idx).filter(|metres| metres.len() == run.len());
        let elevations = known.map(|metres| geometry::encode_numbers(metres));
        sqlx::query!(
            "INSERT INTO trail_parts (trail_id, part, geometry, elevations_m) VALUES (?, ?, ?, ?)",
            trail_id,
            part,
            geometry,
            elevations
        )
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

fn decode_part(trail_id: i64, geometry: &[u8]) -> Result<Vec<LonLat>, Error> {
    stored(geometry::decode_run(geometry), "trail_parts", "geometry", trail_id)
}

/// Empty where there are none.
fn decode_elevations(trail_id: i64, bytes: Option<&[u8]>) -> Result<Vec<f64>, Error> {
    let numbers = bytes.map_or(Ok(Vec::new()), geometry::decode_numbers);
    stored(numbers, "trail_parts", "elevations_m", trail_id)
}

impl Writer {
    /// Puts trails: new names are added, changed lines replaced, the same again left alone.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_trails(&mut self, target: &Target, rows: &[(u64, TrailDraft)]) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The trails of an area with their parts, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn trails(&mut self, area: AreaId) -> Result<Vec<Trail>, Error> {
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", name, habitat, geometry AS "geometry: Option<Vec<u8>>",
                elevations_m AS "elevations_m: Option<Vec<u8>>"
             FROM trails LEFT JOIN trail_parts ON trail_id = id
             WHERE area_id = ? AND removed_revision IS NULL ORDER BY id, part"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut trails: Vec<Trail> = Vec::new();
        for row in rows {
            let id = TrailId(row.id);
            if trails.last().is_none_or(|trail| trail.id != id) {
                trails.push(Trail {
                    id,
                    name: row.name,
                    habitat: row.habitat,
                    parts: Vec::new(),
                    elevations_m: Vec::new(),
                });
            }
            if let (Some(trail), Some(geometry)) = (trails.last_mut(), row.geometry.flatten()) {
                trail.parts.push(decode_part(row.id, &geometry)?);
                trail.elevations_m.push(decode_elevations(row.id, row.elevations_m.flatten().as_deref())?);
            }
        }
        for trail in &mut trails {
            trail.elevations_m = given_elevations(std::mem::take(&mut trail.elevations_m));
        }
        Ok(trails)
    }
}
