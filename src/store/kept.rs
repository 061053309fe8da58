//! How a record goes in, changes, and is put back: the same for all kinds of records.

use serde::Serialize;
use serde::de::DeserializeOwned;
use sqlx::Connection;
use sqlx::SqliteConnection;

use crate::domain::ids::AreaId;
use crate::store::boxed;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::Problem;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

/// A record whose changes are kept.
pub(super) trait Kept: Sized + PartialEq + Send + Sync + 'static {
    const KIND: RecordKind;
    /// The table, for error messages.
    const TABLE: &'static str;
    /// The field that tells records apart, as users know it.
    const KEY: &'static str;
    /// How the history writes it.
    type Wire: Serialize + DeserializeOwned + Send + Sync;

    fn to_wire(&self) -> Self::Wire;
    fn from_wire(wire: Self::Wire) -> Result<Self, String>;

    /// The record in a row; one that was taken out only where that is wanted as well.
    fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> impl Future<Output = Result<Option<Stored<Self>>, Error>> + Send;

    /// The record as it is stored, none if it was taken out.
    fn load(
        connection: &mut SqliteConnection,
        id: i64,
    ) -> impl Future<Output = Result<Option<Stored<Self>>, Error>> + Send {
        boxed(Self::load_row(connection, id, false))
    }

    /// Puts it in the place of the record in that row, and in force again if it was taken out.
    fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> impl Future<Output = Result<(), Fault>> + Send;
}

/// A record that is put row by row.
pub(super) trait Keyed: Kept {
    /// The row that holds the record with the same key now, if any.
    fn find(
        &self,
        connection: &mut SqliteConnection,
        area: AreaId,
    ) -> impl Future<Output = Result<Option<i64>, Fault>> + Send;
    /// Makes a row of it.
    fn insert(
        &self,
        connection: &mut SqliteConnection,
        area: AreaId,
        stamp: &Stamp,
    ) -> impl Future<Output = Result<(), Fault>> + Send;
}

/// A row of an area.
#[derive(Debug, Clone, Copy)]
pub(super) struct RowKey {
    pub(super) area: AreaId,
    pub(super) id: i64,
}

/// A record with its origin.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stored<T> {
    pub(super) record: T,
    pub(super) origin: Option<Origin>,
}

/// What became of one row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Put {
    Inserted,
    Unchanged,
    Updated,
}

impl Tally {
    pub(super) fn count(&mut self, put: Put) {
        match put {
            Put::Inserted => self.n_inserted += 1,
            Put::Unchanged => self.n_unchanged += 1,
            Put::Updated => self.n_updated += 1,
        }
    }
}

/// Puts rows one after the other; a row that fails leaves no trace and does not stop the others.
pub(super) async fn put_rows<T: Keyed>(
    writer: &mut Writer,
    target: &Target,
    rows: &[(u64, T)],
) -> Result<Tally, Error> {
    let mut tally = Tally::default();
    for (row_number, record) in rows {
        match boxed(put_row(writer, target, *row_number, record)).await {
            Ok(put) => tally.count(put),
            Err(Fault::Row(problem)) => tally.problems.push(problem.at(*row_number)),
            Err(Fault::Store(error)) => return Err(error),
        }
    }
    Ok(tally)
}

async fn put_row<T: Keyed>(
    writer: &mut Writer,
    target: &Target,
    row_number: u64,
    record: &T,
) -> Result<Put, Fault> {
    let stamp = writer.stamp(target.origin(row_number));
    let Some(id) = boxed(record.find(writer.connection(), target.area)).await? else {
        // A record can be several rows: all of them go in, or none.
        let mut savepoint = writer.connection().begin().await?;
        boxed(record.insert(&mut savepoint, target.area, &stamp)).await?;
        savepoint.commit().await?;
        writer.touch();
        record_by_hand(writer, target, record).await?;
        return Ok(Put::Inserted);
    };
    let Some(old) = T::load(writer.connection(), id).await? else {
        return Err(Error::Missing { what: T::TABLE, id }.into());
    };
    if !boxed(writer.reaches(old.origin)).await? {
        return Err(foreign::<T>().into());
    }
    let new = Stored { record, origin: stamp.origin };
    if !is_change(writer, id, &new, &old).await? {
        return Ok(Put::Unchanged);
    }
    boxed(replace(writer, RowKey { area: target.area, id }, new, Some(&old), stamp.batch_id())).await?;
    Ok(Put::Updated)
}

/// Writes down that a record came in by hand. Those from files are told by their origin.
async fn record_by_hand<T: Keyed>(writer: &mut Writer, target: &Target, record: &T) -> Result<(), Fault> {
    if target.source.is_some() {
        return Ok(());
    }
    let Some(id) = boxed(record.find(writer.connection(), target.area)).await? else { return Ok(()) };
    Ok(record_new(writer, id, record).await?)
}

/// Writes down that there is a new record, entered by hand.
pub(super) async fn record_new<T: Kept>(writer: &mut Writer, id: i64, record: &T) -> Result<(), Error> {
    let after = Some(json(id, record, None)?);
    let entry = history::Entry { kind: T::KIND, record_id: id, batch_id: None, before: None, after };
    boxed(history::record(writer, entry)).await
}

/// Whether a row that came in changes the record that is there.
///
/// Not when it says the same, nor when the record said so before and was changed since. A row that contradicts an earlier
/// one of its own file does not go in.
pub(super) async fn is_change<T: Kept>(
    writer: &mut Writer,
    id: i64,
    new: &Stored<&T>,
    old: &Stored<T>,
) -> Result<bool, Fault> {
    if old.record == *new.record {
        return Ok(false);
    }
    if let Some(row) = row_of_same_file(old.origin, new.origin) {
        return Err(twice::<T>(row).into());
    }
    Ok(!boxed(history::was_before(writer, T::KIND, id, &new.record.to_wire())).await?)
}

/// The row that gave the record, where it is in the same file.
fn row_of_same_file(old: Option<Origin>, new: Option<Origin>) -> Option<u64> {
    old.filter(|old| new.is_some_and(|new| new.file_id == old.file_id)).map(|old| old.row_number)
}

/// What is wrong with a row that names a record which somebody else brought in.
pub(super) fn foreign<T: Kept>() -> Problem {
    let reason = "somebody else brought in a record of that name";
    Problem::of(T::KEY, "", reason, "give yours a name of its own, or ask a manager to change the other")
}

/// What is wrong with a row that contradicts an earlier one of its file.
pub(super) fn twice<T: Kept>(row: u64) -> Problem {
    let reason = format!("row {row} of the file has the same {} and says something else", T::KEY);
    Problem::of(T::KEY, "", &reason, "keep the row that is right")
}

/// Puts a record in the place of another and writes the change down.
///
/// `old` is none where the record was taken out before. `batch_id` is the batch that brings the change, none for one by
/// hand, whatever the origin of the record.
pub(super) async fn replace<T: Kept>(
    writer: &mut Writer,
    key: RowKey,
    new: Stored<&T>,
    old: Option<&Stored<T>>,
    batch_id: Option<i64>,
) -> Result<(), Fault> {
    let stamp = writer.stamp(new.origin);
    let mut savepoint = writer.connection().begin().await?;
    boxed(new.record.overwrite(&mut savepoint, key, &stamp)).await?;
    savepoint.commit().await?;
    let entry = history::Entry {
        kind: T::KIND,
        record_id: key.id,
        batch_id,
        before: old.map(|old| json(key.id, &old.record, old.origin)).transpose()?,
        after: Some(json(key.id, new.record, new.origin)?),
    };
    Ok(boxed(history::record(writer, entry)).await?)
}

fn json<T: Kept>(id: i64, record: &T, origin: Option<Origin>) -> Result<String, Error> {
    history::to_json(T::TABLE, id, &Version::new(record.to_wire(), origin))
}

/// What the history says a record was.
pub(super) fn from_json<T: Kept>(id: i64, json: &str) -> Result<Stored<T>, Error> {
    let version: Version<T::Wire> = stored(serde_json::from_str(json), "changes", "before_json", id)?;
    let origin = version.origin();
    Ok(Stored { record: stored(T::from_wire(version.record), "changes", "before_json", id)?, origin })
}
