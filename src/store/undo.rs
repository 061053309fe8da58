//! A batch undone as a whole: what it added is taken out, what it changed is put back.

use sqlx::Connection;

use crate::domain::closure::Closure;
use crate::domain::double_observer::DoubleObservationDraft;
use crate::domain::encounter::EncounterDraft;
use crate::domain::exposure::CalibrationDraft;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::PartySizeDraft;
use crate::domain::exposure::ReadingDraft;
use crate::domain::ids::AreaId;
use crate::domain::ids::BatchId;
use crate::domain::photo::PhotoRecord;
use crate::domain::place::PlaceDraft;
use crate::domain::place::SensitivePlace;
use crate::domain::sign::SignInPlaceDraft;
use crate::domain::sign::SignInspectionDraft;
use crate::domain::sign::SignLocationDraft;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::trail::TrailDraft;
use crate::domain::trail::TrailheadDraft;
use crate::domain::walk::WalkDraft;
use crate::domain::weather::DailyWeather;
use crate::store::batches;
use crate::store::boxed;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::stored;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::RowKey;
use crate::store::writer::Writer;

/// What undoing a batch did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Undone {
    /// Records that were taken out.
    pub n_removed: u64,
    /// Records that are again what they were before the batch.
    pub n_restored: u64,
    /// Records that the batch changed and somebody changed since: they stay as they are.
    pub n_kept: u64,
}

struct ChangeRow {
    id: i64,
    record_kind: String,
    record_id: i64,
    before_json: String,
    after_json: String,
}

impl Writer {
    /// Undoes a batch. It can be brought in again afterwards.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such batch, [`Error::UndoneAlready`]; [`Error`] when the database cannot be
    /// written.
    pub async fn undo_batch(&mut self, batch: BatchId) -> Result<Undone, Error> {
        let area = self.begin_undo(batch).await?;
        let mut undone = self.put_back(batch, area).await?;
        undone.n_removed += self.remove_rows(batch).await?;
        self.release_encounters(area).await?;
        self.known = Default::default();
        self.touch();
        Ok(undone)
    }

    /// Marks the batch, so that what it said no longer counts as said before.
    async fn begin_undo(&mut self, batch: BatchId) -> Result<AreaId, Error> {
        let row = sqlx::query!("SELECT area_id, undone_revision FROM batches WHERE id = ?", batch.0)
            .fetch_optional(self.connection())
            .await?
            .ok_or(Error::Missing { what: "batch", id: batch.0 })?;
        if row.undone_revision.is_some() {
            return Err(Error::UndoneAlready(batch.0));
        }
        let (now_s, actor, revision) = (self.now_s(), self.actor().to_owned(), self.revision());
        let updated = sqlx::query!(
            "UPDATE batches SET undone_at_s = ?, undone_by = ?, undone_revision = ? WHERE id = ?",
            now_s,
            actor,
            revision,
            batch.0
        )
        .execute(self.connection())
        .await?;
        batches::found(updated.rows_affected(), "batch", batch.0)?;
        Ok(AreaId(row.area_id))
    }

    /// Puts back what the batch changed, the latest change first.
    async fn put_back(&mut self, batch: BatchId, area: AreaId) -> Result<Undone, Error> {
        let changes = sqlx::query_as!(
            ChangeRow,
            r#"SELECT id AS "id!", record_kind, record_id, before_json AS "before_json!", after_json AS "after_json!"
             FROM changes
             WHERE batch_id = ? AND before_json IS NOT NULL AND after_json IS NOT NULL ORDER BY id DESC"#,
            batch.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut undone = Undone::default();
        for change in changes {
            let kind: RecordKind = stored(change.record_kind.parse(), "changes", "record_kind", change.id)?;
            let is_back = match kind {
                RecordKind::Trail => boxed(self.put_back_one::<TrailDraft>(area, &change)).await?,
                RecordKind::Trailhead => boxed(self.put_back_one::<TrailheadDraft>(area, &change)).await?,
                RecordKind::Place => boxed(self.put_back_one::<PlaceDraft>(area, &change)).await?,
                RecordKind::SensitivePlace => {
                    boxed(self.put_back_one::<SensitivePlace>(area, &change)).await?
                }
                RecordKind::CounterLocation => {
                    boxed(self.put_back_one::<CounterDraft>(area, &change)).await?
                }
                RecordKind::Reading => boxed(self.put_back_one::<ReadingDraft>(area, &change)).await?,
                RecordKind::Calibration => {
                    boxed(self.put_back_one::<CalibrationDraft>(area, &change)).await?
                }
                RecordKind::PartySize => boxed(self.put_back_one::<PartySizeDraft>(area, &change)).await?,
                RecordKind::Closure => boxed(self.put_back_one::<Closure>(area, &change)).await?,
                RecordKind::Walk => boxed(self.put_back_one::<WalkDraft>(area, &change)).await?,
                RecordKind::Encounter => boxed(self.put_back_one::<EncounterDraft>(area, &change)).await?,
                RecordKind::Photo => boxed(self.put_back_one::<PhotoRecord>(area, &change)).await?,
                RecordKind::SignLocation => {
                    boxed(self.put_back_one::<SignLocationDraft>(area, &change)).await?
                }
                RecordKind::SignInPlace => {
                    boxed(self.put_back_one::<SignInPlaceDraft>(area, &change)).await?
                }
                RecordKind::DoubleObservation => {
                    boxed(self.put_back_one::<DoubleObservationDraft>(area, &change)).await?
                }
                RecordKind::SignInspection => {
                    boxed(self.put_back_one::<SignInspectionDraft>(area, &change)).await?
                }
                RecordKind::DailyWeather => boxed(self.put_back_one::<DailyWeather>(area, &change)).await?,
                RecordKind::SignWatch => boxed(self.put_back_one::<SignWatchDraft>(area, &change)).await?,
                RecordKind::Species => {
                    let states = (change.before_json.as_str(), change.after_json.as_str());
                    self.put_back_species(area, change.record_id, states).await?
                }
                // Written by hand only: no batch brings them.
                RecordKind::Area
                | RecordKind::Setting
                | RecordKind::ReactionTerm
                | RecordKind::HandSnap
                | RecordKind::SignPlan
                | RecordKind::Decision
                | RecordKind::Notice => false,
            };
            if is_back { undone.n_restored += 1 } else { undone.n_kept += 1 }
        }
        Ok(undone)
    }

    /// Whether the record could be put back: it is still what the batch made of it.
    async fn put_back_one<T: Kept>(&mut self, area: AreaId, change: &ChangeRow) -> Result<bool, Error> {
        let id = change.record_id;
        let Some(now) = T::load(self.connection(), id).await? else { return Ok(false) };
        if now.record != kept::from_json::<T>(id, &change.after_json)?.record {
            return Ok(false);
        }
        let before = kept::from_json::<T>(id, &change.before_json)?;
        let new = kept::Stored { record: &before.record, origin: before.origin };
        // What it names may be gone, as a trailhead that was taken out: then it stays.
        match boxed(kept::replace(self, RowKey { area, id }, new, Some(&now), None)).await {
            Ok(()) => Ok(true),
            Err(Fault::Row(_)) => Ok(false),
            Err(Fault::Store(error)) => Err(error),
        }
    }

    /// Takes out the rows of the batch, and those put back whose own batch was undone meanwhile.
    async fn remove_rows(&mut self, batch: BatchId) -> Result<u64, Error> {
        let revision = self.revision();
        let mut savepoint = self.connection().begin().await?;
        let mut n_removed = 0;
        macro_rules! remove_from {
            ($($table:literal),+ $(,)?) => {$(
                n_removed += sqlx::query!(
                    "UPDATE " + $table + " SET removed_revision = ?, revision = ?
                     WHERE removed_revision IS NULL
                       AND (batch_id = ?
                            OR (revision = ? AND batch_id IN (SELECT id FROM batches WHERE undone_revision IS NOT NULL)))",
                    revision,
                    revision,
                    batch.0,
                    revision
                )
                .execute(&mut *savepoint)
                .await?
                .rows_affected();
            )+};
        }
        remove_from!(
            "trails",
            "trailheads",
            "places",
            "sensitive_places",
            "counter_locations",
            "counter_readings",
            "calibrations",
            "party_sizes",
            "closures",
            "survey_walks",
            "encounters",
            "photos",
            "sign_locations",
            "signs_in_place",
            "sign_inspections",
            "sign_watches",
            "double_observer_detections",
            "daily_weather",
        );
        savepoint.commit().await?;
        Ok(n_removed)
    }

    /// Unties encounters from survey walks that were taken out.
    pub(super) async fn release_encounters(&mut self, area: AreaId) -> Result<(), Error> {
        let revision = self.revision();
        sqlx::query!(
            "UPDATE encounters SET walk_id = NULL, revision = ?
             WHERE area_id = ? AND walk_id IN (SELECT id FROM survey_walks WHERE removed_revision = ?)",
            revision,
            area.0,
            revision
        )
        .execute(self.connection())
        .await?;
        Ok(())
    }
}
