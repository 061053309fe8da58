//! The highest temperature of each day.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::ids::AreaId;
use crate::domain::weather::DailyWeather;
use crate::domain::weather::MAX_TEMPERATURE_RANGE_C;
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
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct DailyWeatherWire {
    date: String,
    max_temperature_c: Exact,
}

impl Kept for DailyWeather {
    const KIND: RecordKind = RecordKind::DailyWeather;
    const TABLE: &'static str = "daily_weather";
    const KEY: &'static str = "date";
    type Wire = DailyWeatherWire;

    fn to_wire(&self) -> DailyWeatherWire {
        DailyWeatherWire { date: self.date.to_string(), max_temperature_c: Exact(self.max_temperature_c) }
    }

    fn from_wire(wire: DailyWeatherWire) -> Result<Self, String> {
        let date = wire.date.parse().map_err(|error| format!("{}: {error}", wire.date))?;
        Ok(Self { date, max_temperature_c: wire.max_temperature_c.0 })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query!(
            "SELECT date, max_temperature_c, batch_id, file_id, row_number FROM daily_weather
             WHERE id = ? AND (removed_revision IS NULL OR ?)",
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        Ok(Some(Stored {
            record: Self {
                date: stored(row.date.parse(), "daily_weather", "date", id)?,
                max_temperature_c: row.max_temperature_c,
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
        let date = self.date.to_string();
        sqlx::query!(
            "UPDATE daily_weather SET date = ?, max_temperature_c = ?, batch_id = ?, file_id = ?, row_number = ?,
                revision = ?, removed_revision = NULL
             WHERE id = ?",
            date,
            self.max_temperature_c,
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

impl Keyed for DailyWeather {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let (low, high) = MAX_TEMPERATURE_RANGE_C;
        if !(low..=high).contains(&self.max_temperature_c) {
            let value = self.max_temperature_c.to_string();
            let reason = "no day on earth has had such a temperature";
            return Err(Problem::of("maxTemperatureInCelsius", &value, reason, "give degrees Celsius").into());
        }
        let date = self.date.to_string();
        let id = sqlx::query_scalar!(
            "SELECT id FROM daily_weather WHERE area_id = ? AND date = ? AND removed_revision IS NULL",
            area.0,
            date
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
        let date = self.date.to_string();
        sqlx::query!(
            "INSERT INTO daily_weather (area_id, date, max_temperature_c, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?)",
            area.0,
            date,
            self.max_temperature_c,
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
    /// Puts the highest temperatures of days: new days are added, changed ones replaced, the same again left alone.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_daily_weather(
        &mut self,
        target: &Target,
        rows: &[(u64, DailyWeather)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The highest temperatures of days in an area, by date. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn daily_weather(&mut self, area: AreaId) -> Result<Vec<DailyWeather>, Error> {
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", date, max_temperature_c FROM daily_weather
             WHERE area_id = ? AND removed_revision IS NULL ORDER BY date"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(DailyWeather {
                    date: stored(row.date.parse(), "daily_weather", "date", row.id)?,
                    max_temperature_c: row.max_temperature_c,
                })
            })
            .collect()
    }
}
