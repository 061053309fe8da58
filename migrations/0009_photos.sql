-- Photos of encounters. Only pictures that this program drew anew are kept: no file as it came, and nothing of what cameras
-- write into one. Nothing wrote to the table of photos before.
DROP TABLE photos;

-- The pictures and their thumbnails, each by the BLAKE3 hash of its own bytes.
CREATE TABLE photo_bytes (
    blake3 TEXT PRIMARY KEY CONSTRAINT photo_bytes_hash_form CHECK (length(blake3) = 64 AND blake3 NOT GLOB '*[^0-9a-f]*'),
    bytes BLOB NOT NULL CONSTRAINT photo_bytes_not_empty CHECK (length(bytes) > 0)
) STRICT;

-- `source_blake3` is the hash of the file as it came, which is how the same file is known again.
CREATE TABLE photos (
    id INTEGER PRIMARY KEY,
    encounter_id INTEGER NOT NULL REFERENCES encounters (id),
    source_blake3 TEXT NOT NULL CONSTRAINT photos_source_hash_form CHECK (length(source_blake3) = 64),
    media_type TEXT NOT NULL CONSTRAINT photos_media_type_known CHECK (media_type IN ('image/jpeg')),
    blake3 TEXT NOT NULL REFERENCES photo_bytes (blake3),
    width_px INTEGER NOT NULL CONSTRAINT photos_width_positive CHECK (width_px > 0),
    height_px INTEGER NOT NULL CONSTRAINT photos_height_positive CHECK (height_px > 0),
    thumbnail_blake3 TEXT NOT NULL REFERENCES photo_bytes (blake3),
    thumbnail_width_px INTEGER NOT NULL CONSTRAINT photos_thumbnail_width_positive CHECK (thumbnail_width_px > 0),
    thumbnail_height_px INTEGER NOT NULL CONSTRAINT photos_thumbnail_height_positive CHECK (thumbnail_height_px > 0),
    added_by TEXT NOT NULL,
    added_at_s INTEGER NOT NULL,
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX photos_unique ON photos (encounter_id, blake3) WHERE removed_revision IS NULL;
CREATE INDEX photos_by_source ON photos (source_blake3);
CREATE INDEX photos_by_batch ON photos (batch_id) WHERE batch_id IS NOT NULL;

-- Finds the encounter that a photo was taken at, and the photos of a record that was taken out and brought in again.
CREATE INDEX encounters_by_instant ON encounters (area_id, instant_s)
    WHERE instant_s IS NOT NULL AND removed_revision IS NULL;
CREATE INDEX encounters_taken_out ON encounters (area_id, occurrence_id) WHERE removed_revision IS NOT NULL;

-- A batch may hold one more kind of content, and a file one more format; the rows on disk stay as they are, so that only the
-- tables' texts change (sqlite.org/lang_altertable.html, section 7).
PRAGMA writable_schema = ON;
UPDATE sqlite_schema
SET sql = replace(sql, '''form'')', '''photos'', ''form'')')
WHERE type = 'table' AND name = 'batches';
UPDATE sqlite_schema
SET sql = replace(sql, '''form'')', '''photo'', ''form'')')
WHERE type = 'table' AND name = 'files';
PRAGMA writable_schema = RESET;
