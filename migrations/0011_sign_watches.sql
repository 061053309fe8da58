-- Watches at signs and at places to compare them with: parties that passed, that read the sign, and that did what it asks.
CREATE TABLE sign_watches (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    event_id TEXT NOT NULL CONSTRAINT sign_watches_event_named CHECK (event_id <> ''),
    locality TEXT NOT NULL CONSTRAINT sign_watches_locality_named CHECK (locality <> ''),
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    start_s INTEGER NOT NULL,
    length_s INTEGER NOT NULL CONSTRAINT sign_watches_length_positive CHECK (length_s > 0),
    n_passed INTEGER NOT NULL CONSTRAINT sign_watches_passed_count CHECK (n_passed >= 0),
    n_read INTEGER CONSTRAINT sign_watches_read_of_passed CHECK (n_read BETWEEN 0 AND n_passed),
    n_did INTEGER NOT NULL CONSTRAINT sign_watches_did_of_passed CHECK (n_did BETWEEN 0 AND n_passed),
    asked TEXT NOT NULL CONSTRAINT sign_watches_asked_said CHECK (asked <> ''),
    watcher TEXT NOT NULL CONSTRAINT sign_watches_watcher_known CHECK (watcher IN ('unseen', 'seen')),
    recorded_by TEXT NOT NULL DEFAULT '',
    remarks TEXT NOT NULL DEFAULT '',
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX sign_watches_unique ON sign_watches (area_id, event_id) WHERE removed_revision IS NULL;
CREATE INDEX sign_watches_by_batch ON sign_watches (batch_id) WHERE batch_id IS NOT NULL;

-- A batch may hold one more kind of content. The domain's list of contents is checked before anything is written; the
-- rows on disk stay as they are, so that only the table's text changes (sqlite.org/lang_altertable.html, section 7).
PRAGMA writable_schema = ON;
UPDATE sqlite_schema
SET sql = replace(sql, '''form'')', '''sign-watches'', ''form'')')
WHERE type = 'table' AND name = 'batches';
PRAGMA writable_schema = RESET;
