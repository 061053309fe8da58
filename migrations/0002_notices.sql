-- Temporary notices: what staff told visitors about a trail, and until when. A notice is about a whole trail under its
-- public name, never about a position.
CREATE TABLE notices (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    trail TEXT NOT NULL CONSTRAINT notices_trail_given CHECK (length(trail) > 0),
    wording_key TEXT NOT NULL CONSTRAINT notices_wording_given CHECK (length(wording_key) > 0),
    start_date TEXT NOT NULL CONSTRAINT notices_start_is_date CHECK (start_date LIKE '____-__-__'),
    expiry_date TEXT NOT NULL CONSTRAINT notices_expiry_within CHECK (
        julianday(expiry_date) >= julianday(start_date) AND julianday(expiry_date) - julianday(start_date) <= 60),
    reason TEXT NOT NULL CONSTRAINT notices_reason_given CHECK (length(reason) > 0),
    made_by TEXT NOT NULL CONSTRAINT notices_name_given CHECK (length(made_by) > 0),
    made_at_s INTEGER NOT NULL,
    based_on_revision INTEGER NOT NULL,
    withdrawn_by TEXT,
    withdrawn_at_s INTEGER,
    revision INTEGER NOT NULL,
    CONSTRAINT notices_withdrawn_whole CHECK ((withdrawn_by IS NULL) = (withdrawn_at_s IS NULL))
) STRICT;
CREATE INDEX notices_by_area ON notices (area_id, expiry_date);
