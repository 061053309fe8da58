//! Photos of encounters: added to a record that is there, or bringing a record with them; the bytes beside the rows.
//!
//! A photo belongs to the `occurrenceID` of its encounter: a record that was taken out with its batch and brought in again has
//! its photos back.

mod placing;
mod read;

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::ids::BatchId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::PhotoId;
use crate::domain::photo::MEDIA_TYPE;
use crate::domain::photo::Photo;
use crate::domain::photo::PhotoDraft;
use crate::domain::photo::PhotoRecord;
use crate::domain::photo::Picture;
use crate::domain::photo::StoredPicture;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::Problem;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::Entry;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::kept::Kept;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Target;
use crate::store::writer::Writer;

pub use crate::store::photos::read::PictureFile;
pub use crate::store::photos::read::PictureSize;

/// What became of a photo that was added.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AddedPhoto {
    /// It is there now.
    New(PhotoId),
    /// The encounter had the same picture already.
    Known(PhotoId),
}

#[derive(Serialize, Deserialize)]
pub(super) struct PhotoWire {
    encounter: i64,
    source_blake3: String,
    blake3: String,
    width_px: u32,
    height_px: u32,
    thumbnail_blake3: String,
    thumbnail_width_px: u32,
    thumbnail_height_px: u32,
    added_by: String,
    added_at_s: i64,
}

struct PhotoRow {
    id: i64,
    encounter_id: i64,
    source_blake3: String,
    blake3: String,
    width_px: i64,
    height_px: i64,
    thumbnail_blake3: String,
    thumbnail_width_px: i64,
    thumbnail_height_px: i64,
    added_by: String,
    added_at_s: i64,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl PhotoRow {
    fn picture(&self, column: &'static str, blake3: &str, sides: [i64; 2]) -> Result<StoredPicture, Error> {
        let side = |pixels: i64| stored(u32::try_from(pixels), "photos", column, self.id);
        Ok(StoredPicture { blake3: blake3.to_owned(), width_px: side(sides[0])?, height_px: side(sides[1])? })
    }

    fn into_stored(self) -> Result<Stored<PhotoRecord>, Error> {
        let whole = self.picture("width_px, height_px", &self.blake3, [self.width_px, self.height_px])?;
        let sides = [self.thumbnail_width_px, self.thumbnail_height_px];
        let thumbnail =
            self.picture("thumbnail_width_px, thumbnail_height_px", &self.thumbnail_blake3, sides)?;
        let record = PhotoRecord {
            encounter: EncounterId(self.encounter_id),
            source_blake3: self.source_blake3,
            whole,
            thumbnail,
            added_by: self.added_by,
            added_at_s: self.added_at_s,
        };
        Ok(Stored { record, origin: Origin::from_columns(self.batch_id, self.file_id, self.row_number) })
    }

    fn into_photo(self) -> Result<Photo, Error> {
        let (id, batch) = (PhotoId(self.id), self.batch_id.map(BatchId));
        Ok(Photo { id, record: self.into_stored()?.record, batch })
    }
}

impl Kept for PhotoRecord {
    const KIND: RecordKind = RecordKind::Photo;
    const TABLE: &'static str = "photos";
    const KEY: &'static str = "photo";
    type Wire = PhotoWire;

    fn to_wire(&self) -> PhotoWire {
        PhotoWire {
            encounter: self.encounter.0,
            source_blake3: self.source_blake3.clone(),
            blake3: self.whole.blake3.clone(),
            width_px: self.whole.width_px,
            height_px: self.whole.height_px,
            thumbnail_blake3: self.thumbnail.blake3.clone(),
            thumbnail_width_px: self.thumbnail.width_px,
            thumbnail_height_px: self.thumbnail.height_px,
            added_by: self.added_by.clone(),
            added_at_s: self.added_at_s,
        }
    }

    fn from_wire(wire: PhotoWire) -> Result<Self, String> {
        let picture = |blake3, width_px, height_px| StoredPicture { blake3, width_px, height_px };
        Ok(Self {
            encounter: EncounterId(wire.encounter),
            source_blake3: wire.source_blake3,
            whole: picture(wire.blake3, wire.width_px, wire.height_px),
            thumbnail: picture(wire.thumbnail_blake3, wire.thumbnail_width_px, wire.thumbnail_height_px),
            added_by: wire.added_by,
            added_at_s: wire.added_at_s,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            PhotoRow,
            "SELECT id, encounter_id, source_blake3, blake3, width_px, height_px, thumbnail_blake3, thumbnail_width_px,
                thumbnail_height_px, added_by, added_at_s, batch_id, file_id, row_number
             FROM photos WHERE id = ? AND (removed_revision IS NULL OR ?)",
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        row.map(PhotoRow::into_stored).transpose()
    }

    /// Only puts it in force again: nothing about a photo ever changes.
    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let (encounter, whole, thumbnail) = (self.encounter.0, &self.whole, &self.thumbnail);
        let same = sqlx::query_scalar!(
            "SELECT id FROM photos WHERE encounter_id = ? AND blake3 = ? AND id <> ? AND removed_revision IS NULL",
            encounter,
            whole.blake3,
            key.id
        )
        .fetch_optional(&mut *connection)
        .await?;
        if same.is_some() {
            let reason = "the encounter has the same picture again already";
            return Err(Problem::of("photo", "", reason, "leave this one as it is").into());
        }
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE photos SET encounter_id = ?, source_blake3 = ?, blake3 = ?, width_px = ?, height_px = ?,
                thumbnail_blake3 = ?, thumbnail_width_px = ?, thumbnail_height_px = ?, added_by = ?, added_at_s = ?,
                batch_id = ?, file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            encounter,
            self.source_blake3,
            whole.blake3,
            whole.width_px,
            whole.height_px,
            thumbnail.blake3,
            thumbnail.width_px,
            thumbnail.height_px,
            self.added_by,
            self.added_at_s,
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

impl Writer {
    /// Adds a photo to an encounter, by the actor of this write. A picture that the encounter has already is not added again.
    ///
    /// # Errors
    /// [`Error::Missing`] when the area has no such encounter in force; [`Error`] when the database cannot be written.
    pub async fn add_photo(
        &mut self,
        target: &Target,
        row_number: u64,
        encounter: EncounterId,
        draft: &PhotoDraft,
    ) -> Result<AddedPhoto, Error> {
        let present = sqlx::query_scalar!(
            "SELECT id FROM encounters WHERE id = ? AND area_id = ? AND removed_revision IS NULL",
            encounter.0,
            target.area.0
        )
        .fetch_optional(self.connection())
        .await?;
        present.ok_or(Error::Missing { what: "encounter", id: encounter.0 })?;
        if let Some(known) = same_photo(self.connection(), encounter, draft).await? {
            return Ok(AddedPhoto::Known(known));
        }
        self.keep_bytes(&draft.whole).await?;
        self.keep_bytes(&draft.thumbnail).await?;
        let record = PhotoRecord {
            encounter,
            source_blake3: draft.source_blake3.clone(),
            whole: described(&draft.whole),
            thumbnail: described(&draft.thumbnail),
            added_by: self.actor().to_owned(),
            added_at_s: self.now_s(),
        };
        let stamp = self.stamp(target.origin(row_number));
        let id = insert(self.connection(), &record, &stamp).await?;
        let after = history::to_json("photos", id, &Version::new(record.to_wire(), stamp.origin))?;
        let entry = Entry {
            kind: RecordKind::Photo,
            record_id: id,
            batch_id: stamp.batch_id(),
            before: None,
            after: Some(after),
        };
        history::record(self, entry).await?;
        Ok(AddedPhoto::New(PhotoId(id)))
    }

    /// Keeps the bytes of a picture; those of one picture are kept once.
    async fn keep_bytes(&mut self, picture: &Picture) -> Result<(), Error> {
        sqlx::query!(
            "INSERT INTO photo_bytes (blake3, bytes) VALUES (?, ?) ON CONFLICT (blake3) DO NOTHING",
            picture.blake3,
            picture.bytes
        )
        .execute(self.connection())
        .await?;
        Ok(())
    }
}

fn described(picture: &Picture) -> StoredPicture {
    let Picture { blake3, width_px, height_px, .. } = picture;
    StoredPicture { blake3: blake3.clone(), width_px: *width_px, height_px: *height_px }
}

async fn insert(
    connection: &mut SqliteConnection,
    record: &PhotoRecord,
    stamp: &Stamp,
) -> Result<i64, Error> {
    let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
    let inserted = sqlx::query!(
        "INSERT INTO photos (encounter_id, source_blake3, media_type, blake3, width_px, height_px, thumbnail_blake3,
            thumbnail_width_px, thumbnail_height_px, added_by, added_at_s, batch_id, file_id, row_number, revision)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        record.encounter.0,
        record.source_blake3,
        MEDIA_TYPE,
        record.whole.blake3,
        record.whole.width_px,
        record.whole.height_px,
        record.thumbnail.blake3,
        record.thumbnail.width_px,
        record.thumbnail.height_px,
        record.added_by,
        record.added_at_s,
        batch_id,
        file_id,
        row_number,
        stamp.revision
    )
    .execute(connection)
    .await?;
    Ok(inserted.last_insert_rowid())
}

/// The photo of an encounter, or of an earlier row of the same record, that is the same file or the same picture.
async fn same_photo(
    connection: &mut SqliteConnection,
    encounter: EncounterId,
    draft: &PhotoDraft,
) -> Result<Option<PhotoId>, Error> {
    let id = sqlx::query_scalar!(
        r#"SELECT id AS "id!" FROM photos
         WHERE removed_revision IS NULL AND (blake3 = ?2 OR source_blake3 = ?3)
           AND encounter_id IN (SELECT ?1 UNION
                SELECT earlier.id FROM encounters AS living JOIN encounters AS earlier
                    ON earlier.area_id = living.area_id AND earlier.occurrence_id = living.occurrence_id
                WHERE living.id = ?1 AND earlier.removed_revision IS NOT NULL)
         LIMIT 1"#,
        encounter.0,
        draft.whole.blake3,
        draft.source_blake3
    )
    .fetch_optional(connection)
    .await?;
    Ok(id.map(PhotoId))
}
