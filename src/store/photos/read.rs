//! Photos read back: by encounter, counted, one picture, and what was done to them.

use std::collections::HashMap;

use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::PhotoId;
use crate::domain::photo::Photo;
use crate::store::error::Error;
use crate::store::history::Change;
use crate::store::history::RecordKind;
use crate::store::photos::PhotoRow;
use crate::store::snapshot::Snapshot;

/// Which of a photo's two pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureSize {
    /// The picture itself.
    Whole,
    /// The small one.
    Thumbnail,
}

/// A picture as it is served.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PictureFile {
    /// The encounter that it is a photo of, as it stands now.
    pub encounter: EncounterId,
    /// The BLAKE3 hash of the bytes.
    pub blake3: String,
    /// The JPEG.
    pub bytes: Vec<u8>,
}

impl Snapshot {
    /// The photos of an encounter in the order in which they were added; none of those that were taken out.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn photos(&mut self, encounter: EncounterId) -> Result<Vec<Photo>, Error> {
        let rows = sqlx::query_as!(
            PhotoRow,
            r#"SELECT id AS "id!", encounter_id, source_blake3, blake3, width_px, height_px, thumbnail_blake3,
                thumbnail_width_px, thumbnail_height_px, added_by, added_at_s, batch_id, file_id, row_number
             FROM photos
             WHERE removed_revision IS NULL AND encounter_id IN (SELECT ?1 UNION
                SELECT earlier.id FROM encounters AS living JOIN encounters AS earlier
                    ON earlier.area_id = living.area_id AND earlier.occurrence_id = living.occurrence_id
                WHERE living.id = ?1 AND earlier.removed_revision IS NOT NULL)
             ORDER BY id"#,
            encounter.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(PhotoRow::into_photo).collect()
    }

    /// How many photos encounters have; those without any are left out.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn photo_counts(
        &mut self,
        encounters: &[EncounterId],
    ) -> Result<HashMap<EncounterId, u64>, Error> {
        let wanted: Vec<i64> = encounters.iter().map(|id| id.0).collect();
        let wanted = serde_json::json!(wanted).to_string();
        let rows = sqlx::query!(
            r#"SELECT living.id AS "id!", count(*) AS "n!: i64"
             FROM photos JOIN encounters AS shown ON shown.id = encounter_id
                JOIN encounters AS living ON living.area_id = shown.area_id
                    AND living.occurrence_id = shown.occurrence_id AND living.removed_revision IS NULL
             WHERE photos.removed_revision IS NULL AND living.id IN (SELECT value FROM json_each(?))
             GROUP BY living.id"#,
            wanted
        )
        .fetch_all(self.connection())
        .await?;
        Ok(rows.into_iter().map(|row| (EncounterId(row.id), row.n as u64)).collect())
    }

    /// How many photos an area has, of encounters that are there.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn n_photos(&mut self, area: AreaId) -> Result<u64, Error> {
        let n = sqlx::query_scalar!(
            r#"SELECT count(*) AS "n!: i64" FROM photos JOIN encounters AS shown ON shown.id = encounter_id
                JOIN encounters AS living ON living.area_id = shown.area_id
                    AND living.occurrence_id = shown.occurrence_id AND living.removed_revision IS NULL
             WHERE photos.removed_revision IS NULL AND living.area_id = ?"#,
            area.0
        )
        .fetch_one(self.connection())
        .await?;
        Ok(n as u64)
    }

    /// One of the pictures of a photo; none where there is no such photo, or it or its encounter was taken out.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn picture(&mut self, id: PhotoId, size: PictureSize) -> Result<Option<PictureFile>, Error> {
        let is_whole = i64::from(size == PictureSize::Whole);
        let row = sqlx::query!(
            r#"SELECT living.id AS "encounter!", photo_bytes.blake3 AS "blake3!", bytes
             FROM photos JOIN encounters AS shown ON shown.id = encounter_id
                JOIN encounters AS living ON living.area_id = shown.area_id
                    AND living.occurrence_id = shown.occurrence_id AND living.removed_revision IS NULL
                JOIN photo_bytes ON photo_bytes.blake3 = CASE WHEN ?2 THEN photos.blake3 ELSE thumbnail_blake3 END
             WHERE photos.id = ?1 AND photos.removed_revision IS NULL"#,
            id.0,
            is_whole
        )
        .fetch_optional(self.connection())
        .await?;
        Ok(row.map(|row| PictureFile {
            encounter: EncounterId(row.encounter),
            blake3: row.blake3,
            bytes: row.bytes,
        }))
    }

    /// What was done to the photos of an encounter, those that were taken out included, oldest first.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn photo_changes(&mut self, encounter: EncounterId) -> Result<Vec<Change>, Error> {
        let ids = sqlx::query_scalar!(
            r#"SELECT id AS "id!" FROM photos WHERE encounter_id IN (SELECT ?1 UNION
                SELECT earlier.id FROM encounters AS living JOIN encounters AS earlier
                    ON earlier.area_id = living.area_id AND earlier.occurrence_id = living.occurrence_id
                WHERE living.id = ?1 AND earlier.removed_revision IS NOT NULL)"#,
            encounter.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut changes = Vec::new();
        for id in ids {
            changes.extend(self.changes(RecordKind::Photo, id).await?);
        }
        changes.sort_by_key(|change| change.id);
        Ok(changes)
    }
}
