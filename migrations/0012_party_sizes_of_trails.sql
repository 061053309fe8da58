-- A mean party size may be that of a trail: of all who walk on it, wherever they started.
ALTER TABLE party_sizes ADD COLUMN trail_id INTEGER REFERENCES trails (id)
    CONSTRAINT party_sizes_one_place CHECK (trail_id IS NULL OR trailhead_id IS NULL);
DROP INDEX party_sizes_unique;
CREATE UNIQUE INDEX party_sizes_unique ON party_sizes (
    area_id, coalesce(trailhead_id, 0), coalesce(trail_id, 0), coalesce(from_date, ''), coalesce(until_date, ''))
    WHERE removed_revision IS NULL;
