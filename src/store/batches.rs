//! Batches of files brought in together, and the rows that did not go in.

use std::collections::HashMap;

use crate::domain::batch::BatchSummary;
use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::batch::StoredRowError;
use crate::domain::ids::AreaId;
use crate::domain::ids::BatchId;
use crate::domain::ids::FileId;
use crate::domain::ids::RowErrorId;
use crate::domain::revision::Revision;
use crate::domain::terms::terms;
use crate::store::Store;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::history::RecordKind;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Reach;
use crate::store::writer::Tally;
use crate::store::writer::Writer;

terms! {
    /// The format a file was read as.
    FileFormat, "file formats", {
        /// Comma-separated values, or another separator.
        Csv => "csv",
        /// GeoJSON.
        GeoJson => "geojson",
        /// GPX.
        Gpx => "gpx",
        /// A photo.
        Photo => "photo",
        /// Sent by the form.
        Form => "form",
    }
}

terms! {
    /// What has become of a row that did not go in.
    RowErrorState, "states of a row error", {
        /// Waits for someone to mend it.
        Open => "open",
        /// Mended, and gone in.
        Mended => "mended",
        /// Set aside: it will not go in.
        SetAside => "set-aside",
    }
}

/// A batch before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchDraft {
    /// The area it is for.
    pub area: AreaId,
    /// What its rows are.
    pub content: Content,
}

/// A file before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileDraft {
    /// Its name, without folders.
    pub name: String,
    /// What it was read as.
    pub format: FileFormat,
    /// Its character encoding.
    pub encoding: String,
    /// Its size.
    pub n_bytes: u64,
    /// The BLAKE3 hash of its bytes, in hexadecimal digits.
    pub blake3: String,
    /// Which header was read as which field, in the order of the file.
    pub mapping: Vec<(String, String)>,
}

/// A stored file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredFile {
    /// The stored row.
    pub id: FileId,
    /// The batch it came with.
    pub batch_id: BatchId,
    /// What was given.
    pub given: FileDraft,
}

impl Writer {
    /// Begins a batch, by the actor of this write.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such area; [`Error`] when the database cannot be written.
    pub async fn begin_batch(&mut self, draft: &BatchDraft) -> Result<BatchId, Error> {
        let (content, actor, now_s, revision) =
            (draft.content.term(), self.actor().to_owned(), self.now_s(), self.revision());
        let inserted = sqlx::query!(
            "INSERT INTO batches (area_id, content, actor, created_at_s, revision) VALUES (?, ?, ?, ?, ?)",
            draft.area.0,
            content,
            actor,
            now_s,
            revision
        )
        .execute(self.connection())
        .await?;
        Ok(BatchId(inserted.last_insert_rowid()))
    }

    /// Adds a file to a batch.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such batch; [`Error`] when the database cannot be written.
    pub async fn add_file(&mut self, batch: BatchId, draft: &FileDraft) -> Result<FileId, Error> {
        let (format, n_bytes) = (draft.format.term(), draft.n_bytes as i64);
        let mapping = stored(serde_json::to_string(&draft.mapping), "files", "mapping_json", batch.0)?;
        let inserted = sqlx::query!(
            "INSERT INTO files (batch_id, name, format, encoding, n_bytes, blake3, mapping_json)
             VALUES (?, ?, ?, ?, ?, ?, ?)",
            batch.0,
            draft.name,
            format,
            draft.encoding,
            n_bytes,
            draft.blake3,
            mapping
        )
        .execute(self.connection())
        .await?;
        Ok(FileId(inserted.last_insert_rowid()))
    }

    /// Keeps rows that did not go in, to be mended.
    ///
    /// The same row of the same bytes, read as the same content, with the same complaint is kept once, whatever has become of it
    /// since; for whoever reaches own records only, once among their own. Returns how many are new.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such file; [`Error`] when the database cannot be written.
    pub async fn add_row_errors(&mut self, file: FileId, errors: &[RowError]) -> Result<u64, Error> {
        let mut n_new = 0;
        for error in errors {
            n_new += u64::from(self.add_row_error(file, error).await?);
        }
        if n_new > 0 {
            self.touch();
        }
        Ok(n_new)
    }

    async fn add_row_error(&mut self, file: FileId, error: &RowError) -> Result<bool, Error> {
        let (row_number, revision) = (error.row_number as i64, self.revision());
        let own = (self.reach() == Reach::OwnRecords).then(|| self.actor().to_owned());
        let raw = stored(serde_json::to_string(&error.raw), "row_errors", "raw_json", row_number)?;
        let inserted = sqlx::query!(
            "INSERT INTO row_errors (file_id, row_number, field, value, reason, hint, raw_json, state, revision)
             SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, 'open', ?8
             WHERE NOT EXISTS (
                SELECT 1 FROM row_errors JOIN files ON files.id = file_id JOIN batches ON batches.id = batch_id
                WHERE blake3 = (SELECT blake3 FROM files WHERE id = ?1) AND undone_revision IS NULL
                  AND content = (SELECT content FROM batches JOIN files ON batches.id = batch_id WHERE files.id = ?1)
                  AND row_number = ?2 AND field = ?3 AND value = ?4 AND reason = ?5
                  AND (?9 IS NULL OR actor = ?9))",
            file.0,
            row_number,
            error.field,
            error.value,
            error.reason,
            error.hint,
            raw,
            revision,
            own
        )
        .execute(self.connection())
        .await?;
        Ok(inserted.rows_affected() > 0)
    }

    /// Says how a file was read, once that is known: its encoding, and which header was read as which field.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such file; [`Error`] when the database cannot be written.
    pub async fn describe_file(
        &mut self,
        file: FileId,
        encoding: &str,
        mapping: &[(String, String)],
    ) -> Result<(), Error> {
        let mapping = stored(serde_json::to_string(mapping), "files", "mapping_json", file.0)?;
        let updated = sqlx::query!(
            "UPDATE files SET encoding = ?, mapping_json = ? WHERE id = ?",
            encoding,
            mapping,
            file.0
        )
        .execute(self.connection())
        .await?;
        found(updated.rows_affected(), "file", file.0)
    }

    /// The batch that a file came with, for another row of it to go in.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such file; [`Error::UndoneAlready`] when the batch was taken back: what goes in
    /// with it now could be taken back by nobody; [`Error`] when the database cannot be read.
    pub async fn batch_of_file(&mut self, file: FileId) -> Result<BatchId, Error> {
        let batch = sqlx::query!(
            "SELECT batches.id, undone_revision FROM files JOIN batches ON batches.id = batch_id WHERE files.id = ?",
            file.0
        )
        .fetch_optional(self.connection())
        .await?
        .ok_or(Error::Missing { what: "file", id: file.0 })?;
        match batch.undone_revision {
            Some(_) => Err(Error::UndoneAlready(batch.id)),
            None => Ok(BatchId(batch.id)),
        }
    }

    /// Adds to the counts of a batch: what became of its rows, and how many rows did not go in.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such batch; [`Error`] when the database cannot be written.
    pub async fn count_batch(&mut self, batch: BatchId, tally: &Tally, n_refused: u64) -> Result<(), Error> {
        let (n_accepted, n_unchanged, n_refused) =
            (tally.n_accepted() as i64, tally.n_unchanged as i64, n_refused as i64);
        let updated = sqlx::query!(
            "UPDATE batches SET n_accepted = n_accepted + ?, n_unchanged = n_unchanged + ?, n_refused = n_refused + ?
             WHERE id = ?",
            n_accepted,
            n_unchanged,
            n_refused,
            batch.0
        )
        .execute(self.connection())
        .await?;
        found(updated.rows_affected(), "batch", batch.0)
    }

    /// Says that a row error is mended, set aside, or open again.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such row error; [`Error`] when the database cannot be written.
    pub async fn settle_row_error(&mut self, id: RowErrorId, state: RowErrorState) -> Result<(), Error> {
        let (actor, now_s, revision, state) =
            (self.actor().to_owned(), self.now_s(), self.revision(), state.term());
        let updated = sqlx::query!(
            "UPDATE row_errors SET state = ?, settled_at_s = ?, settled_by = ?, revision = ? WHERE id = ?",
            state,
            now_s,
            actor,
            revision,
            id.0
        )
        .execute(self.connection())
        .await?;
        self.touch();
        found(updated.rows_affected(), "row error", id.0)
    }
}

/// [`Error::Missing`] when a change reached no row.
pub(super) fn found(n_rows: u64, what: &'static str, id: i64) -> Result<(), Error> {
    if n_rows == 0 { Err(Error::Missing { what, id }) } else { Ok(()) }
}

struct FileRow {
    id: i64,
    batch_id: i64,
    name: String,
    format: String,
    encoding: String,
    n_bytes: i64,
    blake3: String,
    mapping_json: String,
}

impl TryFrom<FileRow> for StoredFile {
    type Error = Error;

    fn try_from(row: FileRow) -> Result<Self, Error> {
        Ok(Self {
            id: FileId(row.id),
            batch_id: BatchId(row.batch_id),
            given: FileDraft {
                name: row.name,
                format: stored(row.format.parse(), "files", "format", row.id)?,
                encoding: row.encoding,
                n_bytes: row.n_bytes as u64,
                blake3: row.blake3,
                mapping: stored(serde_json::from_str(&row.mapping_json), "files", "mapping_json", row.id)?,
            },
        })
    }
}

struct RowErrorRow {
    id: i64,
    file_id: i64,
    file_name: String,
    content: String,
    row_number: i64,
    field: String,
    value: String,
    reason: String,
    hint: String,
    raw_json: String,
    state: String,
}

impl TryFrom<RowErrorRow> for StoredRowError {
    type Error = Error;

    fn try_from(row: RowErrorRow) -> Result<Self, Error> {
        let error = RowError {
            row_number: row.row_number as u64,
            field: row.field,
            value: row.value,
            reason: row.reason,
            hint: row.hint,
            raw: stored(serde_json::from_str(&row.raw_json), "row_errors", "raw_json", row.id)?,
        };
        Ok(Self {
            id: RowErrorId(row.id),
            file_id: FileId(row.file_id),
            file_name: row.file_name,
            content: stored(row.content.parse(), "batches", "content", row.id)?,
            error,
            state: row.state,
        })
    }
}

/// What became of a batch as a whole; its rows have no lines of their own in the history.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchStory {
    /// When it came in.
    pub came_in: BatchStep,
    /// When it was taken back, if it was.
    pub taken_back: Option<BatchStep>,
}

/// What a batch did that still holds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct BatchHolds {
    /// Records that it added and that are there, by content; contents without any are left out.
    pub added: Vec<(Content, u64)>,
    /// Records that were there before and that it changed.
    pub n_changed: u64,
}

/// Who did something with a batch, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchStep {
    /// Who.
    pub actor: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub at_s: i64,
    /// The revision it made.
    pub revision: Revision,
    /// What was said of it, with the reason where one was given; empty where nothing was.
    pub summary: String,
}

struct BatchRow {
    id: i64,
    content: String,
    actor: String,
    created_at_s: i64,
    revision: i64,
    n_accepted: i64,
    n_unchanged: i64,
    n_refused: i64,
    undone_at_s: Option<i64>,
}

impl Snapshot {
    /// The batch that brought in the row of a row error, and who did; none when there is no such row error.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn row_error_origin(&mut self, id: RowErrorId) -> Result<Option<(BatchId, String)>, Error> {
        let row = sqlx::query!(
            "SELECT b.id, b.actor FROM row_errors e JOIN files f ON f.id = e.file_id JOIN batches b ON b.id = f.batch_id
             WHERE e.id = ?",
            id.0
        )
        .fetch_optional(self.connection())
        .await?;
        Ok(row.map(|row| (BatchId(row.id), row.actor)))
    }

    /// Who brought a batch in and who took it back; none when there is no such batch.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn batch_story(&mut self, id: BatchId) -> Result<Option<BatchStory>, Error> {
        let row = sqlx::query!(
            r#"SELECT actor, created_at_s, revision, undone_at_s, undone_by, undone_revision,
                (SELECT summary FROM revisions WHERE revisions.revision = undone_revision) AS "undone_summary: String"
             FROM batches WHERE id = ?"#,
            id.0
        )
        .fetch_optional(self.connection())
        .await?;
        Ok(row.map(|row| BatchStory {
            came_in: BatchStep {
                actor: row.actor,
                at_s: row.created_at_s,
                revision: Revision(row.revision as u64),
                summary: String::new(),
            },
            taken_back: row.undone_at_s.zip(row.undone_by).zip(row.undone_revision).map(
                |((at_s, actor), revision)| BatchStep {
                    actor,
                    at_s,
                    revision: Revision(revision as u64),
                    summary: row.undone_summary.unwrap_or_default(),
                },
            ),
        }))
    }

    /// What a batch did that still holds, as undoing it would find it.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn batch_holds(&mut self, batch: BatchId) -> Result<BatchHolds, Error> {
        let n_changed = sqlx::query_scalar!(
            r#"SELECT count(*) AS "n!: i64" FROM (
                SELECT DISTINCT record_kind, record_id FROM changes
                WHERE batch_id = ? AND before_json IS NOT NULL AND after_json IS NOT NULL)"#,
            batch.0
        )
        .fetch_one(self.connection())
        .await?;
        let mut added = Vec::new();
        macro_rules! count_in {
            ($($table:literal, $kind:ident, $content:ident);+ $(;)?) => {$(
                let kind = RecordKind::$kind.term();
                let n = sqlx::query_scalar!(
                    r#"SELECT count(*) AS "n!: i64" FROM "# + $table + r#"
                     WHERE batch_id = ? AND removed_revision IS NULL
                       AND id NOT IN (SELECT record_id FROM changes
                                      WHERE batch_id = ? AND record_kind = ? AND before_json IS NOT NULL)"#,
                    batch.0,
                    batch.0,
                    kind
                )
                .fetch_one(self.connection())
                .await?;
                if n > 0 {
                    added.push((Content::$content, n as u64));
                }
            )+};
        }
        count_in! {
            "trails", Trail, Trails;
            "trailheads", Trailhead, Trailheads;
            "places", Place, Places;
            "sensitive_places", SensitivePlace, SensitivePlaces;
            "counter_locations", CounterLocation, Counters;
            "counter_readings", Reading, Readings;
            "calibrations", Calibration, Calibrations;
            "party_sizes", PartySize, PartySizes;
            "closures", Closure, Closures;
            "survey_walks", Walk, Walks;
            "encounters", Encounter, Encounters;
            "photos", Photo, Photos;
            "sign_locations", SignLocation, Signs;
            "signs_in_place", SignInPlace, SignsInPlace;
            "sign_inspections", SignInspection, SignInspections;
            "sign_watches", SignWatch, SignWatches;
            "double_observer_detections", DoubleObservation, DoubleObserver;
            "daily_weather", DailyWeather, DailyWeather;
        }
        Ok(BatchHolds { added, n_changed: n_changed as u64 })
    }

    /// The batches of an area, newest first, with the names of their files.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn batches(&mut self, area: AreaId) -> Result<Vec<BatchSummary>, Error> {
        let mut file_names = self.file_names(area).await?;
        let rows = sqlx::query_as!(
            BatchRow,
            r#"SELECT id AS "id!", content, actor, created_at_s, revision, n_accepted, n_unchanged, n_refused, undone_at_s
             FROM batches WHERE area_id = ? ORDER BY id DESC"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(BatchSummary {
                    id: BatchId(row.id),
                    content: stored(row.content.parse(), "batches", "content", row.id)?,
                    actor: row.actor,
                    created_at_s: row.created_at_s,
                    revision: Revision(row.revision as u64),
                    n_accepted: row.n_accepted as u64,
                    n_unchanged: row.n_unchanged as u64,
                    n_refused: row.n_refused as u64,
                    undone_at_s: row.undone_at_s,
                    file_names: file_names.remove(&row.id).unwrap_or_default(),
                })
            })
            .collect()
    }

    async fn file_names(&mut self, area: AreaId) -> Result<HashMap<i64, Vec<String>>, Error> {
        let rows = sqlx::query!(
            "SELECT batch_id, name FROM files JOIN batches ON batches.id = batch_id WHERE area_id = ? ORDER BY files.id",
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut names: HashMap<i64, Vec<String>> = HashMap::new();
        for row in rows {
            names.entry(row.batch_id).or_default().push(row.name);
        }
        Ok(names)
    }

    /// The files of an area with these bytes, newest first: whether a file has come before.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn files_with_hash(&mut self, area: AreaId, blake3: &str) -> Result<Vec<StoredFile>, Error> {
        let rows = sqlx::query_as!(
            FileRow,
            r#"SELECT files.id AS "id!", batch_id, name, format, encoding, n_bytes, blake3, mapping_json
             FROM files JOIN batches ON batches.id = batch_id
             WHERE blake3 = ? AND area_id = ? ORDER BY files.id DESC"#,
            blake3,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(StoredFile::try_from).collect()
    }

    /// One file, none when there is no such one.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn file(&mut self, id: FileId) -> Result<Option<StoredFile>, Error> {
        sqlx::query_as!(
            FileRow,
            r#"SELECT id AS "id!", batch_id, name, format, encoding, n_bytes, blake3, mapping_json
             FROM files WHERE id = ?"#,
            id.0
        )
        .fetch_optional(self.connection())
        .await?
        .map(StoredFile::try_from)
        .transpose()
    }

    /// The files of a batch, in the order in which they came.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn files_of_batch(&mut self, batch: BatchId) -> Result<Vec<StoredFile>, Error> {
        let rows = sqlx::query_as!(
            FileRow,
            r#"SELECT id AS "id!", batch_id, name, format, encoding, n_bytes, blake3, mapping_json
             FROM files WHERE batch_id = ? ORDER BY id"#,
            batch.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(StoredFile::try_from).collect()
    }

    /// How many rows of an area wait to be mended.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn n_open_row_errors(&mut self, area: AreaId) -> Result<u64, Error> {
        let n = sqlx::query_scalar!(
            r#"SELECT COUNT(*) AS "n!: i64"
             FROM row_errors JOIN files ON files.id = file_id JOIN batches ON batches.id = batch_id
             WHERE state = 'open' AND area_id = ? AND undone_revision IS NULL"#,
            area.0
        )
        .fetch_one(self.connection())
        .await?;
        Ok(n.unsigned_abs())
    }

    /// The rows of an area that wait to be mended, in the order they came: at most `most` of those that came after one of them,
    /// since there may be a million. Number 0 comes before all.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn open_row_errors(
        &mut self,
        area: AreaId,
        after: RowErrorId,
        most: u32,
    ) -> Result<Vec<StoredRowError>, Error> {
        let rows = sqlx::query_as!(
            RowErrorRow,
            r#"SELECT row_errors.id AS "id!", file_id, files.name AS file_name, content, row_number, field, value, reason,
                hint, raw_json, state
             FROM row_errors JOIN files ON files.id = file_id JOIN batches ON batches.id = batch_id
             WHERE state = 'open' AND area_id = ? AND undone_revision IS NULL AND row_errors.id > ?
             ORDER BY row_errors.id LIMIT ?"#,
            area.0,
            after.0,
            most
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(StoredRowError::try_from).collect()
    }

    /// How many rows are kept of a batch that did not go in, whatever has become of them.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn n_row_errors_of_batch(&mut self, batch: BatchId) -> Result<u64, Error> {
        let n = sqlx::query_scalar!(
            r#"SELECT COUNT(*) AS "n!: i64" FROM row_errors JOIN files ON files.id = file_id WHERE batch_id = ?"#,
            batch.0
        )
        .fetch_one(self.connection())
        .await?;
        Ok(n.unsigned_abs())
    }

    /// The first of the rows of a batch that did not go in, whatever has become of them, in the order they came.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn row_errors_of_batch(
        &mut self,
        batch: BatchId,
        most: u32,
    ) -> Result<Vec<StoredRowError>, Error> {
        let rows = sqlx::query_as!(
            RowErrorRow,
            r#"SELECT row_errors.id AS "id!", file_id, files.name AS file_name, content, row_number, field, value, reason,
                hint, raw_json, state
             FROM row_errors JOIN files ON files.id = file_id JOIN batches ON batches.id = batch_id
             WHERE batch_id = ? ORDER BY row_errors.id LIMIT ?"#,
            batch.0,
            most
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(StoredRowError::try_from).collect()
    }

    /// One row error, none when there is no such one.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn row_error(&mut self, id: RowErrorId) -> Result<Option<StoredRowError>, Error> {
        sqlx::query_as!(
            RowErrorRow,
            r#"SELECT row_errors.id AS "id!", file_id, files.name AS file_name, content, row_number, field, value, reason,
                hint, raw_json, state
             FROM row_errors JOIN files ON files.id = file_id JOIN batches ON batches.id = batch_id
             WHERE row_errors.id = ?"#,
            id.0
        )
        .fetch_optional(self.connection())
        .await?
        .map(StoredRowError::try_from)
        .transpose()
    }
}

impl Store {
    /// Whether all commits after one revision, up to another, only brought in records, and none of those makes a place
    /// or a species more secret.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn only_brought_in(&self, after: Revision, until: Revision) -> Result<bool, Error> {
        let (first, last) = (after.0 as i64, until.0 as i64);
        let n_batches = sqlx::query_scalar!(
            "SELECT count(DISTINCT revision) FROM batches
             WHERE revision > ? AND revision <= ? AND undone_revision IS NULL
               AND content NOT IN ('sensitive-places', 'species', 'form')",
            first,
            last
        )
        .fetch_one(&mut *self.readers.acquire().await?)
        .await?;
        Ok(n_batches == last - first)
    }
}
