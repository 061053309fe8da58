//! Who changed what, when and why: the history of changes and of revisions.

use std::collections::BTreeMap;
use std::collections::BTreeSet;

use serde::Deserialize;
use serde::Serialize;
use serde_json::Value;

use crate::domain::ids::BatchId;
use crate::domain::ids::FileId;
use crate::domain::revision::Revision;
use crate::domain::terms::terms;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Origin;
use crate::store::writer::Writer;

terms! {
    /// The kinds of records whose changes are kept.
    RecordKind, "kinds of record", {
        /// An area.
        Area => "area",
        /// A setting of an area, by the area's key.
        Setting => "setting",
        /// A species of an area's list.
        Species => "species",
        /// A reaction of an area's own.
        ReactionTerm => "reaction",
        /// A trail.
        Trail => "trail",
        /// A trailhead.
        Trailhead => "trailhead",
        /// A place.
        Place => "place",
        /// A sensitive place.
        SensitivePlace => "sensitive place",
        /// A location of a counter.
        CounterLocation => "counter location",
        /// A bin of a counter.
        Reading => "reading",
        /// A calibration.
        Calibration => "calibration",
        /// A mean party size.
        PartySize => "party size",
        /// A time for which a trail, a trailhead or the whole area was closed.
        Closure => "closure",
        /// A survey walk.
        Walk => "survey walk",
        /// An encounter.
        Encounter => "encounter",
        /// A photo of an encounter.
        Photo => "photo",
        /// A snap set by hand, by the encounter's key.
        HandSnap => "hand snap",
        /// A sign location.
        SignLocation => "sign location",
        /// A sign in place.
        SignInPlace => "sign in place",
        /// A row of a double-observer walk.
        DoubleObservation => "double observation",
        /// An inspection of a sign.
        SignInspection => "sign inspection",
        /// A watch at a sign, or at a place to compare with.
        SignWatch => "sign watch",
        /// The highest temperature of a day.
        DailyWeather => "daily weather",
        /// A kept sign plan.
        SignPlan => "sign plan",
        /// A decision of the register.
        Decision => "decision",
        /// A notice.
        Notice => "notice",
    }
}

/// A record at one moment, as the history keeps it.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Version<W> {
    pub(super) record: W,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl<W> Version<W> {
    pub(super) fn new(record: W, origin: Option<Origin>) -> Self {
        Self {
            record,
            batch_id: origin.map(|origin| origin.batch_id.0),
            file_id: origin.map(|origin| origin.file_id.0),
            row_number: origin.map(|origin| origin.row_number as i64),
        }
    }

    pub(super) fn origin(&self) -> Option<Origin> {
        Some(Origin {
            batch_id: BatchId(self.batch_id?),
            file_id: FileId(self.file_id?),
            row_number: self.row_number? as u64,
        })
    }
}

/// A change to be written down.
pub(super) struct Entry {
    pub(super) kind: RecordKind,
    pub(super) record_id: i64,
    pub(super) batch_id: Option<i64>,
    pub(super) before: Option<String>,
    pub(super) after: Option<String>,
}

/// Writes a change into the history; the write then counts as one that changed a fact.
pub(super) async fn record(writer: &mut Writer, entry: Entry) -> Result<(), Error> {
    match entry.kind {
        RecordKind::Decision | RecordKind::Notice => writer.touch_apart(),
        _ => writer.touch(),
    }
    let (revision, now_s, actor, kind) =
        (writer.revision(), writer.now_s(), writer.actor().to_owned(), entry.kind.term());
    sqlx::query!(
        "INSERT INTO changes (revision, changed_at_s, actor, record_kind, record_id, batch_id, before_json, after_json)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        revision,
        now_s,
        actor,
        kind,
        entry.record_id,
        entry.batch_id,
        entry.before,
        entry.after
    )
    .execute(writer.connection())
    .await?;
    Ok(())
}

/// The JSON of a version.
pub(super) fn to_json<W: Serialize>(
    table: &'static str,
    row: i64,
    version: &Version<W>,
) -> Result<String, Error> {
    stored(serde_json::to_string(version), table, "history", row)
}

/// Whether the record had this content before, and a change that still holds took it away.
///
/// The same file brought in again then changes nothing, although somebody has mended the record since.
pub(super) async fn was_before<W: Serialize>(
    writer: &mut Writer,
    kind: RecordKind,
    record_id: i64,
    record: &W,
) -> Result<bool, Error> {
    let kind = kind.term();
    let earlier = sqlx::query_scalar!(
        r#"SELECT before_json AS "before_json!" FROM changes
         WHERE record_kind = ? AND record_id = ? AND before_json IS NOT NULL
           AND NOT EXISTS (SELECT 1 FROM batches
                           WHERE undone_revision = changes.revision
                              OR (batches.id = changes.batch_id AND undone_revision IS NOT NULL))"#,
        kind,
        record_id
    )
    .fetch_all(writer.connection())
    .await?;
    let record = stored(serde_json::to_value(record), "changes", "before_json", record_id)?;
    for json in earlier {
        let version: Version<Value> =
            stored(serde_json::from_str(&json), "changes", "before_json", record_id)?;
        if version.record == record {
            return Ok(true);
        }
    }
    Ok(false)
}

/// What a change did to the record as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effect {
    /// There was none in force before.
    CameIn,
    /// Fields, or the origin, differ.
    Changed,
    /// There is none in force since.
    TakenOut,
}

/// One change of a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// Its number; later changes have greater ones.
    pub id: i64,
    /// What kind of record.
    pub kind: RecordKind,
    /// Which record of that kind.
    pub record_id: i64,
    /// The batch that brought it, none for one by hand.
    pub batch: Option<BatchId>,
    /// What became of the record.
    pub effect: Effect,
    /// The revision it made.
    pub revision: Revision,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub changed_at_s: i64,
    /// Who.
    pub actor: String,
    /// Why, as given for the whole write.
    pub summary: String,
    /// The fields that differ, in alphabetical order; empty when only the origin of the record changed.
    pub fields: Vec<FieldChange>,
}

/// A field before and after a change, as text; empty where there was nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldChange {
    /// The field, parts of a part joined by a full stop.
    pub field: String,
    /// Before.
    pub before: String,
    /// After.
    pub after: String,
}

/// Which changes are wanted; what is none lets all through.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ChangeFilter {
    /// Of this kind of record.
    pub kind: Option<RecordKind>,
    /// By this person.
    pub actor: Option<String>,
    /// Brought by this batch.
    pub batch: Option<BatchId>,
    /// From this moment on, in seconds since 1970-01-01T00:00:00Z.
    pub from_s: Option<i64>,
    /// Before this moment.
    pub until_s: Option<i64>,
    /// Earlier than the change with this number.
    pub before: Option<i64>,
}

/// One commit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RevisionEntry {
    /// The revision it made.
    pub revision: Revision,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub committed_at_s: i64,
    /// Who.
    pub actor: String,
    /// Why.
    pub summary: String,
}

pub(super) struct ChangeRow {
    id: i64,
    record_kind: String,
    record_id: i64,
    batch_id: Option<i64>,
    revision: i64,
    changed_at_s: i64,
    actor: String,
    summary: String,
    before_json: Option<String>,
    after_json: Option<String>,
}

impl TryFrom<ChangeRow> for Change {
    type Error = Error;

    fn try_from(row: ChangeRow) -> Result<Self, Error> {
        let before = parse(row.id, "before_json", row.before_json.as_deref())?;
        let after = parse(row.id, "after_json", row.after_json.as_deref())?;
        let effect = match (&row.before_json, &row.after_json) {
            (None, _) => Effect::CameIn,
            (Some(_), Some(_)) => Effect::Changed,
            (Some(_), None) => Effect::TakenOut,
        };
        Ok(Self {
            id: row.id,
            kind: stored(row.record_kind.parse(), "changes", "record_kind", row.id)?,
            record_id: row.record_id,
            batch: row.batch_id.map(BatchId),
            effect,
            revision: Revision(row.revision as u64),
            changed_at_s: row.changed_at_s,
            actor: row.actor,
            summary: row.summary,
            fields: differences(&before["record"], &after["record"]),
        })
    }
}

fn parse(row: i64, column: &'static str, json: Option<&str>) -> Result<Value, Error> {
    stored(json.map(serde_json::from_str).transpose(), "changes", column, row).map(Option::unwrap_or_default)
}

/// The fields in which two versions differ.
fn differences(before: &Value, after: &Value) -> Vec<FieldChange> {
    differing(flat(before), flat(after))
}

/// The fields in which two flat versions differ, in alphabetical order.
pub(super) fn differing(
    before: BTreeMap<String, String>,
    after: BTreeMap<String, String>,
) -> Vec<FieldChange> {
    let fields: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    let text = |side: &BTreeMap<String, String>, field: &String| side.get(field).cloned().unwrap_or_default();
    fields
        .into_iter()
        .map(|field| FieldChange {
            field: field.clone(),
            before: text(&before, field),
            after: text(&after, field),
        })
        .filter(|change| change.before != change.after)
        .collect()
}

/// Objects within objects joined by a full stop; lists of anything as JSON.
pub(super) fn flat(value: &Value) -> BTreeMap<String, String> {
    let mut fields = BTreeMap::new();
    let mut open = vec![(String::new(), value)];
    while let Some((name, value)) = open.pop() {
        match value {
            Value::Object(parts) => {
                let dot = if name.is_empty() { "" } else { "." };
                open.extend(parts.iter().map(|(part, value)| (format!("{name}{dot}{part}"), value)));
            }
            Value::Null => {}
            Value::String(text) => drop(fields.insert(name, text.clone())),
            other => drop(fields.insert(name, other.to_string())),
        }
    }
    fields
}

impl Snapshot {
    /// The changes of a record, oldest first. Empty for one that is as it was brought in from a file.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn changes(&mut self, kind: RecordKind, record_id: i64) -> Result<Vec<Change>, Error> {
        let kind = kind.term();
        let rows = sqlx::query_as!(
            ChangeRow,
            r#"SELECT changes.id AS "id!", record_kind, record_id, batch_id, changes.revision, changed_at_s, changes.actor,
                summary, before_json, after_json
             FROM changes JOIN revisions ON revisions.revision = changes.revision
             WHERE record_kind = ? AND record_id = ? ORDER BY changes.id"#,
            kind,
            record_id
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(Change::try_from).collect()
    }

    /// Changes of all kinds of records, newest first.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn list_changes(&mut self, filter: &ChangeFilter, limit: u32) -> Result<Vec<Change>, Error> {
        let (kind, actor, batch) =
            (filter.kind.map(RecordKind::term), filter.actor.as_deref(), filter.batch.map(|batch| batch.0));
        let rows = sqlx::query_as!(
            ChangeRow,
            r#"SELECT changes.id AS "id!", record_kind, record_id, batch_id, changes.revision, changed_at_s, changes.actor,
                summary, before_json, after_json
             FROM changes JOIN revisions ON revisions.revision = changes.revision
             WHERE (?1 IS NULL OR record_kind = ?1) AND (?2 IS NULL OR changes.actor = ?2)
               AND (?3 IS NULL OR batch_id = ?3) AND (?4 IS NULL OR changed_at_s >= ?4)
               AND (?5 IS NULL OR changed_at_s < ?5) AND (?6 IS NULL OR changes.id < ?6)
             ORDER BY changes.id DESC LIMIT ?7"#,
            kind,
            actor,
            batch,
            filter.from_s,
            filter.until_s,
            filter.before,
            limit
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(Change::try_from).collect()
    }

    /// Who ever changed a record, in alphabetical order.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn actors(&mut self) -> Result<Vec<String>, Error> {
        Ok(sqlx::query_scalar!("SELECT DISTINCT actor FROM changes ORDER BY actor")
            .fetch_all(self.connection())
            .await?)
    }

    /// The latest commits, newest first, at most `limit`.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn revisions(&mut self, limit: u32) -> Result<Vec<RevisionEntry>, Error> {
        let rows = sqlx::query!(
            r#"SELECT revision AS "revision!", committed_at_s, actor, summary FROM revisions ORDER BY revision DESC LIMIT ?"#,
            limit
        )
        .fetch_all(self.connection())
        .await?;
        let entries = rows.into_iter().map(|row| RevisionEntry {
            revision: Revision(row.revision as u64),
            committed_at_s: row.committed_at_s,
            actor: row.actor,
            summary: row.summary,
        });
        Ok(entries.collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn only_what_differs_is_listed() {
        let before = json!({"a": 1, "b": {"c": "x", "d": null}, "e": [1]});
        let after = json!({"a": 1, "b": {"c": "y", "d": "z"}, "e": [1, 2]});
        let fields: Vec<_> =
            differences(&before, &after).into_iter().map(|c| (c.field, c.before, c.after)).collect();
        let expected = [("b.c", "x", "y"), ("b.d", "", "z"), ("e", "[1]", "[1,2]")];
        assert_eq!(fields, expected.map(|(f, b, a)| (f.to_owned(), b.to_owned(), a.to_owned())));
    }
}
