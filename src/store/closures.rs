//! Closures of trails, trailheads and the whole area.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::closure::Closure;
use crate::domain::ids::AreaId;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::Keyed;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

/// The names end so that the history shows them as moments.
#[derive(Serialize, Deserialize)]
pub(super) struct ClosureWire {
    name: String,
    closed_at_s: i64,
    open_again_at_s: Option<i64>,
    reason: String,
}

impl Kept for Closure {
    const KIND: RecordKind = RecordKind::Closure;
    const TABLE: &'static str = "closures";
    const KEY: &'static str = "name and from";
    type Wire = ClosureWire;

    fn to_wire(&self) -> ClosureWire {
        ClosureWire {
            name: self.name.clone(),
            closed_at_s: self.from_s,
            open_again_at_s: self.until_s,
            reason: self.reason.clone(),
        }
    }

    fn from_wire(wire: ClosureWire) -> Result<Self, String> {
        Ok(Self {
            name: wire.name,
            from_s: wire.closed_at_s,
            until_s: wire.open_again_at_s,
            reason: wire.reason,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query!(
            "SELECT name, from_s, until_s, reason, batch_id, file_id, row_number FROM closures
             WHERE id = ? AND (removed_revision IS NULL OR ?)",
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        Ok(row.map(|row| Stored {
            record: Self { name: row.name, from_s: row.from_s, until_s: row.until_s, reason: row.reason },
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
            "UPDATE closures SET name = ?, from_s = ?, until_s = ?, reason = ?, batch_id = ?, file_id = ?, row_number = ?,
                revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.name,
            self.from_s,
            self.until_s,
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

impl Keyed for Closure {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let id = sqlx::query_scalar!(
            "SELECT id FROM closures WHERE area_id = ? AND name = ? AND from_s = ? AND removed_revision IS NULL",
            area.0,
            self.name,
            self.from_s
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
        sqlx::query!(
            "INSERT INTO closures (area_id, name, from_s, until_s, reason, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            self.name,
            self.from_s,
            self.until_s,
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
    /// Puts closures, by name and start: one that was still closed gets its end from a later file.
    ///
    /// A name need not be that of a trail or trailhead that is there: trails come and go.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_closures(&mut self, target: &Target, rows: &[(u64, Closure)]) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The closures of an area, in order of their start, then of their name. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn closures(&mut self, area: AreaId) -> Result<Vec<Closure>, Error> {
        let rows = sqlx::query_as!(
            Closure,
            "SELECT name, from_s, until_s, reason FROM closures
             WHERE area_id = ? AND removed_revision IS NULL ORDER BY from_s, name",
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        Ok(rows)
    }
}
