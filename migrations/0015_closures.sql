-- Times for which a trail, those who start at a trailhead, or the whole area were closed. By name, since trails and
-- trailheads come and go by batches that are taken back: an empty name is the whole area.
CREATE TABLE closures (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL DEFAULT '',
    from_s INTEGER NOT NULL,
    until_s INTEGER CONSTRAINT closures_order CHECK (until_s > from_s),
    reason TEXT NOT NULL DEFAULT '',
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX closures_unique ON closures (area_id, name, from_s) WHERE removed_revision IS NULL;
CREATE INDEX closures_by_batch ON closures (batch_id) WHERE batch_id IS NOT NULL;

-- A batch may hold one more kind of content. The domain's list of contents is checked before anything is written; the
-- rows on disk stay as they are, so that only the table's text changes (sqlite.org/lang_altertable.html, section 7).
PRAGMA writable_schema = ON;
UPDATE sqlite_schema
SET sql = replace(sql, '''form'')', '''closures'', ''form'')')
WHERE type = 'table' AND name = 'batches';
PRAGMA writable_schema = RESET;
