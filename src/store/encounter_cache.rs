//! Encounters as the computations need them: narrow rows, all of an area, read once and then kept up to date.

use std::collections::HashMap;
use std::fmt::Display;
use std::str::FromStr;
use std::sync::Arc;

use sqlx::SqliteConnection;

use crate::domain::encounter::EffortKind;
use crate::domain::encounter::RecordedPosition;
use crate::domain::encounter::UncertaintyMeaning;
use crate::domain::encounter::VerificationStatus;
use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::OrganismRowId;
use crate::domain::ids::WalkId;
use crate::domain::revision::Revision;
use crate::domain::time::EventTime;
use crate::domain::units::Length;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::event_time;
use crate::store::incremental::Incremental;
use crate::store::snapshot::Snapshot;

/// What figures are computed from, of one encounter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EncounterRow {
    /// The stored row.
    pub id: EncounterId,
    /// What it may be divided by.
    pub effort_kind: EffortKind,
    /// When.
    pub time: EventTime,
    /// Where; none when no position is known.
    pub position: Option<RecordedPosition>,
    /// The species, as an index into [`Encounters::species`].
    pub species: u32,
    /// The state of review. Rejected encounters are here too: leave them out of figures.
    pub verification_status: VerificationStatus,
    /// The snake, where it was recognised.
    pub organism_id: Option<OrganismRowId>,
    /// How many snakes, where counted.
    pub individual_count: Option<u32>,
    /// The survey walk, where known.
    pub walk_id: Option<WalkId>,
}

/// The encounters of an area.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Encounters {
    /// The rows, by key.
    pub rows: Vec<EncounterRow>,
    /// The species names that the rows point to; the empty name stands for a species not given.
    pub species: Vec<String>,
}

/// Remembers the encounters of one area, so that only what changed since the last look is read.
///
/// Not for several databases: make one for each.
#[derive(Debug, Default)]
pub struct EncounterCache {
    seen: Option<(AreaId, Revision)>,
    rows: Incremental<EncounterRow>,
    species: Species,
    encounters: Arc<Encounters>,
}

impl EncounterCache {
    /// How many rows the last look read from the database.
    pub fn n_rows_read(&self) -> usize {
        self.rows.n_rows_read()
    }
}

/// Species names numbered in the order they were met. A number stays with its name for as long as the cache lives.
#[derive(Debug, Default)]
struct Species {
    names: Vec<String>,
    numbers: HashMap<String, u32>,
}

impl Species {
    fn number(&mut self, name: &str) -> u32 {
        if let Some(number) = self.numbers.get(name) {
            return *number;
        }
        let number = self.names.len() as u32;
        self.names.push(name.to_owned());
        self.numbers.insert(name.to_owned(), number);
        number
    }
}

impl Snapshot {
    /// The encounters of an area as they are at the snapshot's revision, without those that were taken out.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read; the cache is as it was then.
    pub async fn encounters(
        &mut self,
        area: AreaId,
        cache: &mut EncounterCache,
    ) -> Result<Arc<Encounters>, Error> {
        let revision = self.revision();
        if cache.seen == Some((area, revision)) {
            cache.rows.read_nothing();
            return Ok(Arc::clone(&cache.encounters));
        }
        let since = cache.seen.filter(|(of, seen)| *of == area && *seen < revision).map(|(_, seen)| seen);
        let changed = match since {
            Some(since) => changed_since(self.connection(), area, since, &mut cache.species).await?,
            None => {
                let all = all_of(self.connection(), area, &mut cache.species).await?;
                cache.rows = Incremental::default();
                all
            }
        };
        cache.rows.merge(changed);
        cache.encounters =
            Arc::new(Encounters { rows: cache.rows.rows().to_vec(), species: cache.species.names.clone() });
        cache.seen = Some((area, revision));
        Ok(Arc::clone(&cache.encounters))
    }
}

/// A row as it is read: the driver's work grows with the columns, so all but the floats come as one text.
struct NarrowRow {
    id: i64,
    lon: Option<f64>,
    lat: Option<f64>,
    coordinate_uncertainty_m: Option<f64>,
    /// Whether it was taken out, and the other columns, separated by commas; the species comes last and may hold commas.
    rest: String,
}

/// The columns of [`NarrowRow::rest`], from the front.
struct Fields<'a> {
    row: i64,
    fields: std::str::SplitN<'a, char>,
}

impl<'a> Fields<'a> {
    fn next(&mut self) -> &'a str {
        self.fields.next().unwrap_or_default()
    }

    /// A number, none where the column is null.
    fn number<T: FromStr<Err: Display>>(&mut self, column: &'static str) -> Result<Option<T>, Error> {
        match self.next() {
            "" => Ok(None),
            digits => stored(digits.parse().map(Some), "encounters", column, self.row),
        }
    }

    fn term<T: FromStr<Err: Display>>(&mut self, column: &'static str) -> Result<T, Error> {
        stored(self.next().parse(), "encounters", column, self.row)
    }
}

impl NarrowRow {
    fn into_changed(self, species: &mut Species) -> Result<(i64, Option<EncounterRow>), Error> {
        let mut fields = Fields { row: self.id, fields: self.rest.splitn(14, ',') };
        if fields.next() == "1" {
            return Ok((self.id, None));
        }
        let effort_kind = fields.term("effort_kind")?;
        let date =
            event_time::from_columns(fields.number("year")?, fields.number("month")?, fields.number("day")?);
        let time = EventTime {
            date: stored(date, "encounters", "year, month, day", self.id)?,
            minute_of_day: fields.number("minute_of_day")?,
            instant_s: fields.number("instant_s")?,
        };
        let meaning = fields.term("uncertainty_meaning")?;
        let is_generalised = fields.next() == "1";
        let row = EncounterRow {
            id: EncounterId(self.id),
            effort_kind,
            time,
            position: self.position(meaning, is_generalised)?,
            verification_status: fields.term("verification_status")?,
            organism_id: fields.number("organism_id")?.map(OrganismRowId),
            individual_count: fields.number("individual_count")?,
            walk_id: fields.number("walk_id")?.map(WalkId),
            species: species.number(fields.next()),
        };
        Ok((self.id, Some(row)))
    }

    fn position(
        &self,
        meaning: UncertaintyMeaning,
        is_generalised: bool,
    ) -> Result<Option<RecordedPosition>, Error> {
        let (Some(lon), Some(lat)) = (self.lon, self.lat) else { return Ok(None) };
        let uncertainty = self.coordinate_uncertainty_m.map(Length::metres).transpose();
        Ok(Some(RecordedPosition {
            position: stored(LonLat::new(lon, lat), "encounters", "lon, lat", self.id)?,
            coordinate_uncertainty: stored(uncertainty, "encounters", "coordinate_uncertainty_m", self.id)?,
            meaning,
            is_generalised,
        }))
    }
}

type Changed = Vec<(i64, Option<EncounterRow>)>;

async fn all_of(
    connection: &mut SqliteConnection,
    area: AreaId,
    species: &mut Species,
) -> Result<Changed, Error> {
    let rows = sqlx::query_as!(
        NarrowRow,
        r#"SELECT id AS "id!", lon, lat, coordinate_uncertainty_m,
            concat_ws(',', 0, effort_kind, coalesce(year, ''), coalesce(month, ''), coalesce(day, ''),
                coalesce(minute_of_day, ''), coalesce(instant_s, ''), uncertainty_meaning, is_generalised,
                verification_status, coalesce(organism_id, ''), coalesce(individual_count, ''), coalesce(walk_id, ''),
                scientific_name) AS "rest!: String"
         FROM encounters WHERE area_id = ? AND removed_revision IS NULL ORDER BY id"#,
        area.0
    )
    .fetch_all(connection)
    .await?;
    rows.into_iter().map(|row| row.into_changed(species)).collect()
}

async fn changed_since(
    connection: &mut SqliteConnection,
    area: AreaId,
    since: Revision,
    species: &mut Species,
) -> Result<Changed, Error> {
    let since = since.0 as i64;
    let rows = sqlx::query_as!(
        NarrowRow,
        r#"SELECT id AS "id!", lon, lat, coordinate_uncertainty_m,
            concat_ws(',', removed_revision IS NOT NULL, effort_kind, coalesce(year, ''), coalesce(month, ''),
                coalesce(day, ''), coalesce(minute_of_day, ''), coalesce(instant_s, ''), uncertainty_meaning,
                is_generalised, verification_status, coalesce(organism_id, ''), coalesce(individual_count, ''),
                coalesce(walk_id, ''), scientific_name) AS "rest!: String"
         FROM encounters INDEXED BY encounters_by_revision WHERE revision > ? AND area_id = ? ORDER BY id"#,
        since,
        area.0
    )
    .fetch_all(connection)
    .await?;
    rows.into_iter().map(|row| row.into_changed(species)).collect()
}
