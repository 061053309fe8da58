//! Calibrations: sessions in which a person counted beside the device.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::exposure::Calibration;
use crate::domain::exposure::CalibrationDraft;
use crate::domain::ids::AreaId;
use crate::domain::ids::CounterId;
use crate::store::counters;
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

#[derive(Serialize, Deserialize)]
pub(super) struct CalibrationWire {
    counter: String,
    start_s: i64,
    length_s: i64,
    manual_count: u32,
    device_count: u32,
}

impl Kept for CalibrationDraft {
    const KIND: RecordKind = RecordKind::Calibration;
    const TABLE: &'static str = "calibrations";
    const KEY: &'static str = "counter and start";
    type Wire = CalibrationWire;

    fn to_wire(&self) -> CalibrationWire {
        CalibrationWire {
            counter: self.counter.clone(),
            start_s: self.start_s,
            length_s: self.length_s,
            manual_count: self.manual_count,
            device_count: self.device_count,
        }
    }

    fn from_wire(wire: CalibrationWire) -> Result<Self, String> {
        Ok(Self {
            counter: wire.counter,
            start_s: wire.start_s,
            length_s: wire.length_s,
            manual_count: wire.manual_count,
            device_count: wire.device_count,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query!(
            r#"SELECT name, start_s, length_s, manual_count AS "manual_count: u32", device_count AS "device_count: u32",
                batch_id, file_id, row_number
             FROM calibrations JOIN counters ON counters.id = counter_id
             WHERE calibrations.id = ? AND (removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        Ok(row.map(|row| Stored {
            record: Self {
                counter: row.name,
                start_s: row.start_s,
                length_s: row.length_s,
                manual_count: row.manual_count,
                device_count: row.device_count,
            },
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
            "UPDATE calibrations SET start_s = ?, length_s = ?, manual_count = ?, device_count = ?, batch_id = ?,
                file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.start_s,
            self.length_s,
            self.manual_count,
            self.device_count,
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

impl Keyed for CalibrationDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let Some(counter_id) = counters::by_name(connection, area, &self.counter).await? else {
            return Err(counters::unknown(&self.counter).into());
        };
        let id = sqlx::query_scalar!(
            "SELECT id FROM calibrations WHERE counter_id = ? AND start_s = ? AND removed_revision IS NULL",
            counter_id,
            self.start_s
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
        let Some(counter_id) = counters::by_name(connection, area, &self.counter).await? else {
            return Err(counters::unknown(&self.counter).into());
        };
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO calibrations (counter_id, start_s, length_s, manual_count, device_count, batch_id, file_id,
                row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            counter_id,
            self.start_s,
            self.length_s,
            self.manual_count,
            self.device_count,
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
    /// Puts calibrations, by counter and start.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_calibrations(
        &mut self,
        target: &Target,
        rows: &[(u64, CalibrationDraft)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The calibrations of an area, by counter and start. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn calibrations(&mut self, area: AreaId) -> Result<Vec<Calibration>, Error> {
        let rows = sqlx::query!(
            r#"SELECT counter_id, manual_count AS "manual_count: u32", device_count AS "device_count: u32"
             FROM calibrations JOIN counters ON counters.id = counter_id
             WHERE area_id = ? AND removed_revision IS NULL ORDER BY counter_id, start_s"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let calibrations = rows.into_iter().map(|row| Calibration {
            counter_id: CounterId(row.counter_id),
            manual_count: row.manual_count,
            device_count: row.device_count,
        });
        Ok(calibrations.collect())
    }
}
