//! Counters: where they stood, and when their clock was off.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::exposure::ClockCorrection;
use crate::domain::exposure::Counter;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::CounterLocation;
use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::CounterId;
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
use crate::store::wire::Point;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct CounterLocationWire {
    counter: String,
    device: String,
    position: Point,
    from_s: Option<i64>,
    until_s: Option<i64>,
}

impl Kept for CounterDraft {
    const KIND: RecordKind = RecordKind::CounterLocation;
    const TABLE: &'static str = "counter_locations";
    const KEY: &'static str = "name and start";
    type Wire = CounterLocationWire;

    fn to_wire(&self) -> CounterLocationWire {
        CounterLocationWire {
            counter: self.name.clone(),
            device: self.device.clone(),
            position: self.position.into(),
            from_s: self.from_s,
            until_s: self.until_s,
        }
    }

    fn from_wire(wire: CounterLocationWire) -> Result<Self, String> {
        Ok(Self {
            name: wire.counter,
            device: wire.device,
            position: wire.position.try_into()?,
            from_s: wire.from_s,
            until_s: wire.until_s,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query!(
            "SELECT name, device, lon, lat, from_s, until_s, batch_id, file_id, row_number
             FROM counter_locations JOIN counters ON counters.id = counter_id
             WHERE counter_locations.id = ? AND (removed_revision IS NULL OR ?)",
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let position = stored(LonLat::new(row.lon, row.lat), "counter_locations", "lon, lat", id)?;
        Ok(Some(Stored {
            record: Self {
                name: row.name,
                device: row.device,
                position,
                from_s: row.from_s,
                until_s: row.until_s,
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
        let (lon, lat) = (self.position.lon(), self.position.lat());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE counter_locations SET device = ?, from_s = ?, until_s = ?, lon = ?, lat = ?, batch_id = ?,
                file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.device,
            self.from_s,
            self.until_s,
            lon,
            lat,
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

impl Keyed for CounterDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let id = sqlx::query_scalar!(
            r#"SELECT counter_locations.id AS "id!"
             FROM counter_locations JOIN counters ON counters.id = counter_id
             WHERE area_id = ? AND name = ? AND from_s IS ? AND removed_revision IS NULL"#,
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
        let counter_id = match by_name(connection, area, &self.name).await? {
            Some(counter_id) => counter_id,
            None => insert_counter(connection, area, &self.name, stamp).await?,
        };
        let (lon, lat) = (self.position.lon(), self.position.lat());
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO counter_locations (counter_id, device, from_s, until_s, lon, lat, batch_id, file_id, row_number,
                revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            counter_id,
            self.device,
            self.from_s,
            self.until_s,
            lon,
            lat,
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

async fn insert_counter(
    connection: &mut SqliteConnection,
    area: AreaId,
    name: &str,
    stamp: &Stamp,
) -> Result<i64, Fault> {
    let inserted = sqlx::query!(
        "INSERT INTO counters (area_id, name, revision) VALUES (?, ?, ?)",
        area.0,
        name,
        stamp.revision
    )
    .execute(connection)
    .await?;
    Ok(inserted.last_insert_rowid())
}

/// The counter of that name.
pub(super) async fn by_name(
    connection: &mut SqliteConnection,
    area: AreaId,
    name: &str,
) -> Result<Option<i64>, Error> {
    let id = sqlx::query_scalar!("SELECT id FROM counters WHERE area_id = ? AND name = ?", area.0, name)
        .fetch_optional(connection)
        .await?;
    Ok(id)
}

/// What is wrong with a row that names a counter nobody knows.
pub(super) fn unknown(name: &str) -> Problem {
    Problem::of(
        "counter",
        name,
        "there is no counter of this name",
        "bring in the counters first, or write the name as it is there",
    )
}

impl Writer {
    /// Puts counters: each row is one location, by the counter's name and since when it stood there.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_counters(
        &mut self,
        target: &Target,
        rows: &[(u64, CounterDraft)],
    ) -> Result<Tally, Error> {
        self.known.counters.clear();
        kept::put_rows(self, target, rows).await
    }

    /// Says that a counter's clock was off for a while, and why that is known. The same start again replaces it.
    ///
    /// # Errors
    /// [`Error::Rule`] when the period does not end after it starts; [`Error`] when the database cannot be written.
    pub async fn set_clock_correction(
        &mut self,
        counter: CounterId,
        correction: &ClockCorrection,
        reason: &str,
    ) -> Result<(), Error> {
        let revision = self.revision();
        sqlx::query!(
            "INSERT INTO counter_clock_corrections (counter_id, from_s, until_s, offset_s, reason, revision)
             VALUES (?, ?, ?, ?, ?, ?)
             ON CONFLICT (counter_id, from_s) DO UPDATE SET until_s = excluded.until_s, offset_s = excluded.offset_s,
                reason = excluded.reason, revision = excluded.revision",
            counter.0,
            correction.from_s,
            correction.until_s,
            correction.offset_s,
            reason,
            revision
        )
        .execute(self.connection())
        .await?;
        self.touch();
        Ok(())
    }
}

impl Snapshot {
    /// The counters of an area that stand or stood somewhere, by key, with locations and corrections in order of time.
    ///
    /// The device is that of the last location. Empty when there are no counters.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn counters(&mut self, area: AreaId) -> Result<Vec<Counter>, Error> {
        let rows = sqlx::query!(
            r#"SELECT counters.id AS "id!", name, device, from_s, until_s, lon, lat
             FROM counters JOIN counter_locations ON counter_id = counters.id
             WHERE area_id = ? AND removed_revision IS NULL ORDER BY counters.id, from_s, counter_locations.id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut counters: Vec<Counter> = Vec::new();
        for row in rows {
            let id = CounterId(row.id);
            let position = stored(LonLat::new(row.lon, row.lat), "counter_locations", "lon, lat", row.id)?;
            if counters.last().is_none_or(|counter| counter.id != id) {
                let clock_corrections = self.clock_corrections(id).await?;
                let (name, device) = (row.name, String::new());
                counters.push(Counter { id, name, device, locations: Vec::new(), clock_corrections });
            }
            if let Some(counter) = counters.last_mut() {
                counter.device = row.device;
                counter.locations.push(CounterLocation {
                    from_s: row.from_s,
                    until_s: row.until_s,
                    position,
                });
            }
        }
        Ok(counters)
    }

    async fn clock_corrections(&mut self, counter: CounterId) -> Result<Vec<ClockCorrection>, Error> {
        let corrections = sqlx::query_as!(
            ClockCorrection,
            "SELECT from_s, until_s, offset_s FROM counter_clock_corrections WHERE counter_id = ? ORDER BY from_s",
            counter.0
        )
        .fetch_all(self.connection())
        .await?;
        Ok(corrections)
    }
}
