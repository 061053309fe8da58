//! The rule for personal data: names and words of people are kept for a time, and then emptied in the record, in its
//! history and in rows that did not go in. The only place that destroys anything.
//!
//! What figures rest on stays: day, place, snake, reaction, effort. Names of staff who brought in, changed or decided
//! something stay as well, since a history without them is none.

use sqlx::QueryBuilder;
use sqlx::Sqlite;
use sqlx::SqliteConnection;

use crate::domain::ids::AreaId;
use crate::store::Store;
use crate::store::error::Error;
use crate::store::history::RecordKind;
use crate::store::writer::Writer;

/// What `informationWithheld` says of a record that names and words were taken from.
pub const WITHHELD: &str = "names and remarks removed after the time for which they are kept";
/// What stands for the name of a file that came longer ago than names are kept.
const NO_NAME: &str = "a file";
/// Who settled a row that waited longer than its words may be kept.
const SETTLED_BY: &str = "rule for personal data";

/// How many records the rule was applied to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Emptied {
    /// Encounters that lost names, remarks and columns that no field takes.
    pub n_encounters: u64,
    /// Survey walks that lost their observers.
    pub n_walks: u64,
    /// Walks of two observers that lost their names.
    pub n_double_walks: u64,
    /// Inspections of signs that lost who looked and what they wrote.
    pub n_inspections: u64,
    /// Watches at signs that lost who watched and what they wrote.
    pub n_watches: u64,
    /// Closures that lost why.
    pub n_closures: u64,
    /// Earlier states of any of these.
    pub n_earlier_states: u64,
    /// Rows that did not go in, which lost what stood in them.
    pub n_rows: u64,
    /// Files of rows that lost their names.
    pub n_files: u64,
    /// Photos that had been taken out, now gone.
    pub n_photos: u64,
}

impl Emptied {
    /// Whether there was nothing to do.
    pub fn is_nothing(&self) -> bool {
        *self == Self::default()
    }
}

impl std::fmt::Display for Emptied {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self {
            n_encounters,
            n_walks,
            n_double_walks,
            n_inspections,
            n_watches,
            n_closures,
            n_earlier_states,
            n_rows,
            n_files,
            n_photos,
        } = self;
        write!(
            f,
            "{n_encounters} encounters, {n_walks} survey walks, {n_double_walks} walks of two observers, \
             {n_inspections} inspections of signs, {n_watches} watches at signs, {n_closures} closures, {n_earlier_states} earlier states, {n_rows} rows that did not go in, \
             {n_files} names of files, {n_photos} photos taken out"
        )
    }
}

impl Writer {
    /// Empties what says who or quotes somebody in records of before an instant (seconds since 1970-01-01T00:00:00Z).
    ///
    /// A record is of its own day, or of the last day of its month or year; one of no known day is of when it came in. A
    /// row that did not go in is of when its file came, and is set aside. A photo that was taken out, or whose encounter
    /// was, is of when it was, and is deleted.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn empty_personal_data(&mut self, area: AreaId, before_s: i64) -> Result<Emptied, Error> {
        let mut emptied = Emptied::default();
        self.empty_encounters(area, before_s, &mut emptied).await?;
        self.empty_walks(area, before_s, &mut emptied).await?;
        self.empty_double_walks(area, before_s, &mut emptied).await?;
        self.empty_inspections(area, before_s, &mut emptied).await?;
        self.empty_watches(area, before_s, &mut emptied).await?;
        self.empty_closures(area, before_s, &mut emptied).await?;
        emptied.n_rows = self.empty_rows(area, before_s).await?;
        emptied.n_files = self.empty_file_names(area, before_s).await?;
        emptied.n_photos = self.delete_photos(area, before_s).await?;
        if !emptied.is_nothing() {
            self.touch();
        }
        Ok(emptied)
    }

    async fn empty_encounters(
        &mut self,
        area: AreaId,
        before_s: i64,
        emptied: &mut Emptied,
    ) -> Result<(), Error> {
        let revision = self.revision();
        let connection = self.connection();
        let old = "INSERT INTO old_records
             SELECT id FROM encounters
             WHERE area_id = ?1
               AND coalesce(
                   instant_s,
                   unixepoch(printf('%04d-%02d-%02d', year, coalesce(month, 12), coalesce(day, 31))) + 86399,
                   (SELECT created_at_s FROM batches WHERE batches.id = encounters.batch_id),
                   (SELECT committed_at_s FROM revisions WHERE revisions.revision = encounters.revision)) < ?2";
        remember(connection, old, area, before_s).await?;
        sqlx::query(
            "UPDATE encounter_outcomes SET remarks = ''
             WHERE remarks <> '' AND encounter_id IN (SELECT id FROM old_records)",
        )
        .execute(&mut *connection)
        .await?;
        let fields = [
            ("$.record.details.recorded_by", "\"\""),
            ("$.record.details.identified_by", "\"\""),
            ("$.record.details.occurrence_remarks", "\"\""),
            ("$.record.details.other", "[]"),
        ];
        emptied.n_earlier_states += empty_history(connection, RecordKind::Encounter, &fields).await?;
        // Only those are left that have something to lose.
        sqlx::query(
            "DELETE FROM old_records WHERE id NOT IN (
                 SELECT encounter_id FROM encounter_details
                 WHERE recorded_by <> '' OR identified_by <> '' OR occurrence_remarks <> '' OR other_json <> '')",
        )
        .execute(&mut *connection)
        .await?;
        emptied.n_encounters = sqlx::query(
            "UPDATE encounter_details SET recorded_by = '', identified_by = '', occurrence_remarks = '', other_json = '',
                 information_withheld = CASE
                     WHEN information_withheld = '' THEN ?1
                     WHEN instr(information_withheld, ?1) > 0 THEN information_withheld
                     ELSE information_withheld || '; ' || ?1 END
             WHERE encounter_id IN (SELECT id FROM old_records)",
        )
        .bind(WITHHELD)
        .execute(&mut *connection)
        .await?
        .rows_affected();
        sqlx::query("UPDATE encounters SET revision = ? WHERE id IN (SELECT id FROM old_records)")
            .bind(revision)
            .execute(connection)
            .await?;
        Ok(())
    }

    async fn empty_walks(&mut self, area: AreaId, before_s: i64, emptied: &mut Emptied) -> Result<(), Error> {
        let revision = self.revision();
        let connection = self.connection();
        let old = "INSERT INTO old_records SELECT id FROM survey_walks WHERE area_id = ?1 AND start_s < ?2";
        remember(connection, old, area, before_s).await?;
        let fields = [("$.record.observers", "\"\"")];
        emptied.n_earlier_states += empty_history(connection, RecordKind::Walk, &fields).await?;
        emptied.n_walks = sqlx::query(
            "UPDATE survey_walks SET observers = '', revision = ?
             WHERE observers <> '' AND id IN (SELECT id FROM old_records)",
        )
        .bind(revision)
        .execute(connection)
        .await?
        .rows_affected();
        Ok(())
    }

    async fn empty_double_walks(
        &mut self,
        area: AreaId,
        before_s: i64,
        emptied: &mut Emptied,
    ) -> Result<(), Error> {
        let revision = self.revision();
        let connection = self.connection();
        let old = "INSERT INTO old_records
             SELECT double_observer_detections.id FROM double_observer_detections
             JOIN double_observer_walks ON double_observer_walks.id = double_walk_id
             JOIN survey_walks ON survey_walks.id = walk_id
             WHERE area_id = ?1 AND start_s < ?2";
        remember(connection, old, area, before_s).await?;
        let fields = [("$.record.first_observer", "\"\""), ("$.record.second_observer", "\"\"")];
        emptied.n_earlier_states += empty_history(connection, RecordKind::DoubleObservation, &fields).await?;
        emptied.n_double_walks = sqlx::query(
            "UPDATE double_observer_walks SET first_observer = '', second_observer = '', revision = ?
             WHERE (first_observer <> '' OR second_observer <> '')
               AND walk_id IN (SELECT id FROM survey_walks WHERE area_id = ? AND start_s < ?)",
        )
        .bind(revision)
        .bind(area.0)
        .bind(before_s)
        .execute(connection)
        .await?
        .rows_affected();
        Ok(())
    }

    async fn empty_inspections(
        &mut self,
        area: AreaId,
        before_s: i64,
        emptied: &mut Emptied,
    ) -> Result<(), Error> {
        let revision = self.revision();
        let connection = self.connection();
        let old = "INSERT INTO old_records
             SELECT sign_inspections.id FROM sign_inspections JOIN signs_in_place ON signs_in_place.id = sign_id
             WHERE area_id = ?1 AND inspected_at_s < ?2";
        remember(connection, old, area, before_s).await?;
        let fields = [("$.record.inspected_by", "\"\""), ("$.record.remarks", "\"\"")];
        emptied.n_earlier_states += empty_history(connection, RecordKind::SignInspection, &fields).await?;
        emptied.n_inspections = sqlx::query(
            "UPDATE sign_inspections SET actor = '', remarks = '', revision = ?
             WHERE (actor <> '' OR remarks <> '') AND id IN (SELECT id FROM old_records)",
        )
        .bind(revision)
        .execute(connection)
        .await?
        .rows_affected();
        Ok(())
    }

    async fn empty_watches(
        &mut self,
        area: AreaId,
        before_s: i64,
        emptied: &mut Emptied,
    ) -> Result<(), Error> {
        let revision = self.revision();
        let connection = self.connection();
        let old = "INSERT INTO old_records SELECT id FROM sign_watches WHERE area_id = ?1 AND start_s < ?2";
        remember(connection, old, area, before_s).await?;
        let fields = [("$.record.recorded_by", "\"\""), ("$.record.remarks", "\"\"")];
        emptied.n_earlier_states += empty_history(connection, RecordKind::SignWatch, &fields).await?;
        emptied.n_watches = sqlx::query(
            "UPDATE sign_watches SET recorded_by = '', remarks = '', revision = ?
             WHERE (recorded_by <> '' OR remarks <> '') AND id IN (SELECT id FROM old_records)",
        )
        .bind(revision)
        .execute(connection)
        .await?
        .rows_affected();
        Ok(())
    }

    /// A closure is of when it ended; one that still holds keeps its reason.
    async fn empty_closures(
        &mut self,
        area: AreaId,
        before_s: i64,
        emptied: &mut Emptied,
    ) -> Result<(), Error> {
        let revision = self.revision();
        let connection = self.connection();
        let old = "INSERT INTO old_records SELECT id FROM closures WHERE area_id = ?1 AND until_s <= ?2";
        remember(connection, old, area, before_s).await?;
        emptied.n_earlier_states +=
            empty_history(connection, RecordKind::Closure, &[("$.record.reason", "\"\"")]).await?;
        emptied.n_closures = sqlx::query(
            "UPDATE closures SET reason = '', revision = ?
             WHERE reason <> '' AND id IN (SELECT id FROM old_records)",
        )
        .bind(revision)
        .execute(connection)
        .await?
        .rows_affected();
        Ok(())
    }

    async fn empty_rows(&mut self, area: AreaId, before_s: i64) -> Result<u64, Error> {
        let (revision, now_s) = (self.revision(), self.now_s());
        let emptied = sqlx::query(
            "UPDATE row_errors SET value = '', raw_json = '[]', revision = ?1,
                 settled_at_s = iif(state = 'open', ?2, settled_at_s),
                 settled_by = iif(state = 'open', ?3, settled_by),
                 state = iif(state = 'open', 'set-aside', state)
             WHERE (value <> '' OR raw_json <> '[]')
               AND file_id IN (SELECT files.id FROM files JOIN batches ON batches.id = batch_id
                               WHERE area_id = ?4 AND created_at_s < ?5)",
        )
        .bind(revision)
        .bind(now_s)
        .bind(SETTLED_BY)
        .bind(area.0)
        .bind(before_s)
        .execute(self.connection())
        .await?;
        Ok(emptied.rows_affected())
    }

    /// People name files after people. The names stand in what commits say of themselves, too.
    async fn empty_file_names(&mut self, area: AreaId, before_s: i64) -> Result<u64, Error> {
        let connection = self.connection();
        let names: Vec<String> = sqlx::query_scalar(
            "SELECT DISTINCT name FROM files JOIN batches ON batches.id = batch_id
             WHERE area_id = ? AND created_at_s < ? AND name <> ? AND format <> 'photo'",
        )
        .bind(area.0)
        .bind(before_s)
        .bind(NO_NAME)
        .fetch_all(&mut *connection)
        .await?;
        for name in &names {
            sqlx::query(
                "UPDATE revisions SET summary = replace(summary, ?1, ?2) WHERE instr(summary, ?1) > 0",
            )
            .bind(name)
            .bind(NO_NAME)
            .execute(&mut *connection)
            .await?;
        }
        let emptied = sqlx::query(
            "UPDATE files SET name = ?3
             WHERE name <> ?3 AND format <> 'photo'
               AND batch_id IN (SELECT id FROM batches WHERE area_id = ?1 AND created_at_s < ?2)",
        )
        .bind(area.0)
        .bind(before_s)
        .bind(NO_NAME)
        .execute(connection)
        .await?;
        Ok(emptied.rows_affected())
    }

    async fn delete_photos(&mut self, area: AreaId, before_s: i64) -> Result<u64, Error> {
        let connection = self.connection();
        let old = "INSERT INTO old_records
             SELECT photos.id FROM photos
             JOIN encounters ON encounters.id = encounter_id
             JOIN revisions ON revisions.revision = photos.removed_revision
             WHERE area_id = ?1 AND committed_at_s < ?2
             UNION
             SELECT photos.id FROM photos
             JOIN encounters AS shown ON shown.id = encounter_id
             JOIN revisions ON revisions.revision = shown.removed_revision
             WHERE shown.area_id = ?1 AND committed_at_s < ?2
               AND NOT EXISTS (SELECT 1 FROM encounters AS living
                               WHERE living.area_id = shown.area_id AND living.occurrence_id = shown.occurrence_id
                                 AND living.removed_revision IS NULL)";
        remember(connection, old, area, before_s).await?;
        sqlx::query(
            "DELETE FROM changes WHERE record_kind = ? AND record_id IN (SELECT id FROM old_records)",
        )
        .bind(RecordKind::Photo.term())
        .execute(&mut *connection)
        .await?;
        let deleted = sqlx::query("DELETE FROM photos WHERE id IN (SELECT id FROM old_records)")
            .execute(&mut *connection)
            .await?;
        if deleted.rows_affected() > 0 {
            // The same picture may stand on another encounter.
            sqlx::query(
                "DELETE FROM photo_bytes
                 WHERE blake3 NOT IN (SELECT blake3 FROM photos UNION SELECT thumbnail_blake3 FROM photos)",
            )
            .execute(connection)
            .await?;
        }
        Ok(deleted.rows_affected())
    }
}

impl Store {
    /// Writes everything into the database file itself, so that nothing that was emptied is left in the log beside it.
    ///
    /// Where somebody is reading an earlier state meanwhile, the log keeps it until a later write.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn fold_log(&self) -> Result<(), Error> {
        sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&self.writer).await?;
        Ok(())
    }
}

/// Fills the connection's own table `old_records` with the keys that a statement finds.
async fn remember(
    connection: &mut SqliteConnection,
    statement: &'static str,
    area: AreaId,
    before_s: i64,
) -> Result<(), Error> {
    sqlx::query("CREATE TEMP TABLE IF NOT EXISTS old_records (id INTEGER PRIMARY KEY)")
        .execute(&mut *connection)
        .await?;
    sqlx::query("DELETE FROM old_records").execute(&mut *connection).await?;
    sqlx::query(statement).bind(area.0).bind(before_s).execute(connection).await?;
    Ok(())
}

/// Empties fields, given as JSON path and what stands for nothing, in all earlier states of the old records of a kind.
async fn empty_history(
    connection: &mut SqliteConnection,
    kind: RecordKind,
    fields: &[(&'static str, &'static str)],
) -> Result<u64, Error> {
    let emptying = |side: &str, query: &mut QueryBuilder<Sqlite>| {
        query.push(format_args!("{side} = json_replace({side}"));
        for (path, nothing) in fields {
            query.push(", ").push_bind(*path).push(", json(").push_bind(*nothing).push(")");
        }
        query.push(")");
    };
    let mut query = QueryBuilder::new("UPDATE changes SET ");
    emptying("before_json", &mut query);
    query.push(", ");
    emptying("after_json", &mut query);
    query.push(" WHERE record_id IN (SELECT id FROM old_records) AND record_kind = ").push_bind(kind.term());
    query.push(" AND (FALSE");
    for (path, nothing) in fields {
        for side in ["before_json", "after_json"] {
            query.push(format_args!(" OR {side} -> ")).push_bind(*path).push(" <> ").push_bind(*nothing);
        }
    }
    query.push(")");
    Ok(query.build().execute(connection).await?.rows_affected())
}
