-- Sightings of two observers and inspections of signs come from files too: which batch and row brought them.

-- A row of a double-observer walk; without an encounter it says that neither saw any. Nothing wrote to the table before.
DROP TABLE double_observer_detections;
CREATE TABLE double_observer_detections (
    id INTEGER PRIMARY KEY,
    double_walk_id INTEGER NOT NULL REFERENCES double_observer_walks (id),
    encounter_id INTEGER REFERENCES encounters (id),
    by_first INTEGER NOT NULL CONSTRAINT double_observer_first_flag CHECK (by_first IN (0, 1)),
    by_second INTEGER NOT NULL CONSTRAINT double_observer_second_flag CHECK (by_second IN (0, 1)),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER,
    CONSTRAINT double_observer_somebody CHECK ((encounter_id IS NULL) = (by_first = 0 AND by_second = 0))
) STRICT;
CREATE UNIQUE INDEX double_observer_detections_unique
    ON double_observer_detections (double_walk_id, coalesce(encounter_id, 0)) WHERE removed_revision IS NULL;
CREATE UNIQUE INDEX double_observer_walks_unique ON double_observer_walks (walk_id) WHERE removed_revision IS NULL;

ALTER TABLE sign_inspections ADD COLUMN batch_id INTEGER REFERENCES batches (id);
ALTER TABLE sign_inspections ADD COLUMN file_id INTEGER REFERENCES files (id);
ALTER TABLE sign_inspections ADD COLUMN row_number INTEGER;
ALTER TABLE sign_inspections ADD COLUMN removed_revision INTEGER;
CREATE UNIQUE INDEX sign_inspections_unique ON sign_inspections (sign_id, inspected_at_s) WHERE removed_revision IS NULL;

-- A batch may hold three more kinds of content. The domain's list of contents is checked before anything is written;
-- the rows on disk stay as they are, so that only the table's text changes (sqlite.org/lang_altertable.html, section 7).
PRAGMA writable_schema = ON;
UPDATE sqlite_schema
SET sql = replace(sql, '''signs'', ''form''', '''signs'', ''double-observer'', ''signs-in-place'', ''sign-inspections'', ''form''')
WHERE type = 'table' AND name = 'batches';
PRAGMA writable_schema = RESET;
