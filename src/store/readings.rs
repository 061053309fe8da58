//! Counter readings: many bins, put in bulk and read incrementally.

use std::collections::HashMap;
use std::sync::Arc;

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::exposure::Reading;
use crate::domain::exposure::ReadingDraft;
use crate::domain::ids::AreaId;
use crate::domain::ids::CounterId;
use crate::domain::revision::Revision;
use crate::store::boxed;
use crate::store::bulk;
use crate::store::constraints;
use crate::store::counters;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::history::RecordKind;
use crate::store::incremental::Incremental;
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

/// Rows of a chunk that are put by the same statements.
const CHUNK: usize = 4_000;

#[derive(Serialize, Deserialize)]
pub(super) struct ReadingWire {
    counter: String,
    start_s: i64,
    length_s: i64,
    count_in: u32,
    count_out: Option<u32>,
}

impl Kept for ReadingDraft {
    const KIND: RecordKind = RecordKind::Reading;
    const TABLE: &'static str = "counter_readings";
    const KEY: &'static str = "counter and start";
    type Wire = ReadingWire;

    fn to_wire(&self) -> ReadingWire {
        ReadingWire {
            counter: self.counter.clone(),
            start_s: self.start_s,
            length_s: self.length_s,
            count_in: self.count_in,
            count_out: self.count_out,
        }
    }

    fn from_wire(wire: ReadingWire) -> Result<Self, String> {
        Ok(Self {
            counter: wire.counter,
            start_s: wire.start_s,
            length_s: wire.length_s,
            count_in: wire.count_in,
            count_out: wire.count_out,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query!(
            r#"SELECT name, start_s, length_s, count_in AS "count_in: u32", count_out AS "count_out: u32", batch_id,
                file_id, row_number
             FROM counter_readings JOIN counters ON counters.id = counter_id
             WHERE counter_readings.id = ? AND (removed_revision IS NULL OR ?)"#,
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
                count_in: row.count_in,
                count_out: row.count_out,
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
            "UPDATE counter_readings SET start_s = ?, length_s = ?, count_in = ?, count_out = ?, batch_id = ?,
                file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.start_s,
            self.length_s,
            self.count_in,
            self.count_out,
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

impl Keyed for ReadingDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let Some(counter_id) = counters::by_name(connection, area, &self.counter).await? else {
            return Err(counters::unknown(&self.counter).into());
        };
        let id = sqlx::query_scalar!(
            "SELECT id FROM counter_readings WHERE counter_id = ? AND start_s = ? AND removed_revision IS NULL",
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
        let row =
            NewReading { counter_id, draft: self, row_number: stamp.row_number().unwrap_or_default() as u64 };
        match insert_new(connection, &[row], stamp).await?.pop() {
            Some(refused) => Err(constraints::problem(&refused.constraint).into()),
            None => Ok(()),
        }
    }
}

struct NewReading<'a> {
    counter_id: i64,
    draft: &'a ReadingDraft,
    row_number: u64,
}

async fn insert_new(
    connection: &mut SqliteConnection,
    rows: &[NewReading<'_>],
    stamp: &Stamp,
) -> Result<Vec<bulk::Refused>, Error> {
    let columns = [
        "counter_id",
        "start_s",
        "length_s",
        "count_in",
        "count_out",
        "batch_id",
        "file_id",
        "row_number",
        "revision",
    ];
    let (batch_id, file_id, revision) = (stamp.batch_id(), stamp.file_id(), stamp.revision);
    bulk::insert(connection, "counter_readings", &columns, rows, |query, row| {
        query
            .bind(row.counter_id)
            .bind(row.draft.start_s)
            .bind(row.draft.length_s)
            .bind(row.draft.count_in)
            .bind(row.draft.count_out)
            .bind(batch_id)
            .bind(file_id)
            .bind(stamp.origin.map(|_| row.row_number as i64))
            .bind(revision)
    })
    .await
}

/// The readings that are stored for the given counters and starts.
async fn stored_readings(
    connection: &mut SqliteConnection,
    keys: &[(i64, i64)],
) -> Result<HashMap<(i64, i64), (i64, Reading)>, Error> {
    let wanted = serde_json::json!(keys).to_string();
    // CROSS JOIN keeps the order: the few wanted keys are looked up in the index of the many readings.
    let rows = sqlx::query!(
        r#"SELECT counter_readings.id AS "id!", counter_id, start_s, length_s, count_in AS "count_in: u32",
            count_out AS "count_out: u32"
         FROM json_each(?) AS wanted
         CROSS JOIN counter_readings
         WHERE counter_id = wanted.value ->> 0 AND start_s = wanted.value ->> 1 AND removed_revision IS NULL"#,
        wanted
    )
    .fetch_all(connection)
    .await?;
    let readings = rows.into_iter().map(|row| {
        let reading = Reading {
            counter_id: CounterId(row.counter_id),
            start_s: row.start_s,
            length_s: row.length_s,
            count_in: row.count_in,
            count_out: row.count_out,
        };
        ((row.counter_id, row.start_s), (row.id, reading))
    });
    Ok(readings.collect())
}

impl Writer {
    /// Puts counter readings, by counter and start of the bin. Bring in the counters before.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_readings(
        &mut self,
        target: &Target,
        rows: &[(u64, ReadingDraft)],
    ) -> Result<Tally, Error> {
        let mut tally = Tally::default();
        for chunk in rows.chunks(CHUNK) {
            boxed(self.put_readings_chunk(target, chunk, &mut tally)).await?;
        }
        tally.problems.sort_by_key(|problem| problem.row_number);
        Ok(tally)
    }

    async fn put_readings_chunk(
        &mut self,
        target: &Target,
        rows: &[(u64, ReadingDraft)],
        tally: &mut Tally,
    ) -> Result<(), Error> {
        let mut keyed = Vec::with_capacity(rows.len());
        for (row_number, draft) in rows {
            match self.counter_id(target.area, &draft.counter).await? {
                Some(counter_id) => keyed.push((counter_id, *row_number, draft)),
                None => tally.problems.push(counters::unknown(&draft.counter).at(*row_number)),
            }
        }
        let keys: Vec<(i64, i64)> =
            keyed.iter().map(|(counter_id, _, draft)| (*counter_id, draft.start_s)).collect();
        let old = stored_readings(self.connection(), &keys).await?;
        let mut new: Vec<NewReading<'_>> = Vec::new();
        let mut first_rows: HashMap<(i64, i64), &ReadingDraft> = HashMap::new();
        let mut again = Vec::new();
        for (counter_id, row_number, draft) in keyed {
            let key = (counter_id, draft.start_s);
            match (old.get(&key), first_rows.get(&key)) {
                (Some((_, reading)), _) if is_same(reading, draft) => tally.n_unchanged += 1,
                (None, Some(first)) if *first == draft => tally.n_unchanged += 1,
                (None, None) => {
                    first_rows.insert(key, draft);
                    new.push(NewReading { counter_id, draft, row_number });
                }
                _ => again.push((row_number, draft.clone())),
            }
        }
        self.insert_readings(target, &new, tally).await?;
        // Few rows change a reading that is there: one by one, with their history.
        tally.add(kept::put_rows(self, target, &again).await?);
        Ok(())
    }

    async fn insert_readings(
        &mut self,
        target: &Target,
        new: &[NewReading<'_>],
        tally: &mut Tally,
    ) -> Result<(), Error> {
        if new.is_empty() {
            return Ok(());
        }
        let stamp = self.stamp(target.origin(0));
        let refused = insert_new(self.connection(), new, &stamp).await?;
        for row in &refused {
            tally.problems.push(constraints::problem(&row.constraint).at(new[row.index].row_number));
        }
        let n_inserted = (new.len() - refused.len()) as u64;
        if n_inserted > 0 {
            self.touch();
        }
        tally.n_inserted += n_inserted;
        Ok(())
    }

    /// The counter of that name, looked up once a write.
    async fn counter_id(&mut self, area: AreaId, name: &str) -> Result<Option<i64>, Error> {
        let key = (area, name.to_owned());
        if let Some(known) = self.known.counters.get(&key) {
            return Ok(*known);
        }
        let id = counters::by_name(self.connection(), area, name).await?;
        self.known.counters.insert(key, id);
        Ok(id)
    }
}

fn is_same(reading: &Reading, draft: &ReadingDraft) -> bool {
    (reading.length_s, reading.count_in, reading.count_out)
        == (draft.length_s, draft.count_in, draft.count_out)
}

/// The readings of an area, by key.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Readings {
    /// The bins. The order is that in which they came in, not that of time.
    pub rows: Vec<Reading>,
}

/// Remembers the readings of one area, so that only what changed since the last look is read.
///
/// Not for several databases: make one for each.
#[derive(Debug, Default)]
pub struct ReadingCache {
    seen: Option<(AreaId, Revision)>,
    rows: Incremental<Reading>,
    readings: Arc<Readings>,
}

impl ReadingCache {
    /// How many rows the last look read from the database.
    pub fn n_rows_read(&self) -> usize {
        self.rows.n_rows_read()
    }
}

impl Snapshot {
    /// The readings of an area as they are at the snapshot's revision.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read; the cache is as it was then.
    pub async fn readings(&mut self, area: AreaId, cache: &mut ReadingCache) -> Result<Arc<Readings>, Error> {
        let revision = self.revision();
        if cache.seen == Some((area, revision)) {
            cache.rows.read_nothing();
            return Ok(Arc::clone(&cache.readings));
        }
        let since = cache.seen.filter(|(of, seen)| *of == area && *seen < revision).map(|(_, seen)| seen);
        let changed = match since {
            Some(since) => readings_since(self.connection(), area, since).await?,
            None => {
                cache.rows = Incremental::default();
                readings_now(self.connection(), area).await?
            }
        };
        cache.rows.merge(changed);
        cache.readings = Arc::new(Readings { rows: cache.rows.rows().to_vec() });
        cache.seen = Some((area, revision));
        Ok(Arc::clone(&cache.readings))
    }
}

struct ReadingRow {
    id: i64,
    counter_id: i64,
    start_s: i64,
    length_s: i64,
    count_in: u32,
    count_out: Option<u32>,
    removed_revision: Option<i64>,
}

impl From<ReadingRow> for (i64, Option<Reading>) {
    fn from(row: ReadingRow) -> Self {
        let reading = Reading {
            counter_id: CounterId(row.counter_id),
            start_s: row.start_s,
            length_s: row.length_s,
            count_in: row.count_in,
            count_out: row.count_out,
        };
        (row.id, row.removed_revision.is_none().then_some(reading))
    }
}

async fn readings_now(
    connection: &mut SqliteConnection,
    area: AreaId,
) -> Result<Vec<(i64, Option<Reading>)>, Error> {
    let rows = sqlx::query_as!(
        ReadingRow,
        r#"SELECT counter_readings.id AS "id!", counter_id, start_s, length_s, count_in AS "count_in: u32",
            count_out AS "count_out: u32", removed_revision
         FROM counter_readings JOIN counters ON counters.id = counter_id
         WHERE area_id = ? AND removed_revision IS NULL ORDER BY counter_readings.id"#,
        area.0
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

async fn readings_since(
    connection: &mut SqliteConnection,
    area: AreaId,
    since: Revision,
) -> Result<Vec<(i64, Option<Reading>)>, Error> {
    let since = since.0 as i64;
    let rows = sqlx::query_as!(
        ReadingRow,
        r#"SELECT counter_readings.id AS "id!", counter_id, start_s, length_s, count_in AS "count_in: u32",
            count_out AS "count_out: u32", removed_revision
         FROM counter_readings INDEXED BY counter_readings_by_revision JOIN counters ON counters.id = counter_id
         WHERE counter_readings.revision > ? AND area_id = ? ORDER BY counter_readings.id"#,
        since,
        area.0
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}
