-- The highest temperature of each day in the area, and the elevations of trails: what the season may depend on.

CREATE TABLE daily_weather (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    date TEXT NOT NULL CONSTRAINT daily_weather_date_is_date CHECK (date LIKE '____-__-__'),
    max_temperature_c REAL NOT NULL CONSTRAINT daily_weather_temperature_range CHECK (max_temperature_c BETWEEN -90 AND 60),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX daily_weather_unique ON daily_weather (area_id, date) WHERE removed_revision IS NULL;

-- A run of little-endian float64, metres, one for each position of the part; null where the file gave none.
ALTER TABLE trail_parts ADD COLUMN elevations_m BLOB CONSTRAINT trail_parts_elevations CHECK (length(elevations_m) % 8 = 0);

-- A batch may hold one more kind of content. The domain's list of contents is checked before anything is written; the
-- rows on disk stay as they are, so that only the table's text changes (sqlite.org/lang_altertable.html, section 7).
PRAGMA writable_schema = ON;
UPDATE sqlite_schema
SET sql = replace(sql, '''form'')', '''daily-weather'', ''form'')')
WHERE type = 'table' AND name = 'batches';
PRAGMA writable_schema = RESET;
