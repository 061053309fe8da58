-- Facts only: what people saw, drew, measured or decided. What can be computed is never stored.
-- Units are in the column names. Positions are WGS 84 degrees. Instants are seconds since 1970-01-01T00:00:00Z.
-- `revision` is the data revision that last touched a row; `removed_revision` is set when a row was taken out (a batch
-- undone, a record withdrawn): rows are never deleted, so that every change can be shown and reversed.

CREATE TABLE data_revision (
    only_row INTEGER PRIMARY KEY CONSTRAINT data_revision_only_row CHECK (only_row = 1),
    revision INTEGER NOT NULL CONSTRAINT data_revision_not_negative CHECK (revision >= 0)
) STRICT;
INSERT INTO data_revision (only_row, revision) VALUES (1, 0);

-- One line a commit: who changed the data, when, and why.
CREATE TABLE revisions (
    revision INTEGER PRIMARY KEY,
    committed_at_s INTEGER NOT NULL,
    actor TEXT NOT NULL,
    summary TEXT NOT NULL
) STRICT;

-- From what to what, for every changed record, whole. A new row has none: its own `revision` and `batch_id` tell who and
-- when. `batch_id` is the batch that brought the change, so that undoing the batch can put the record back.
CREATE TABLE changes (
    id INTEGER PRIMARY KEY,
    revision INTEGER NOT NULL REFERENCES revisions (revision) DEFERRABLE INITIALLY DEFERRED,
    changed_at_s INTEGER NOT NULL,
    actor TEXT NOT NULL,
    record_kind TEXT NOT NULL,
    record_id INTEGER NOT NULL,
    batch_id INTEGER REFERENCES batches (id),
    before_json TEXT,
    after_json TEXT
) STRICT;
CREATE INDEX changes_by_record ON changes (record_kind, record_id);
CREATE INDEX changes_by_batch ON changes (batch_id) WHERE batch_id IS NOT NULL;

CREATE TABLE areas (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL CONSTRAINT areas_name_unique UNIQUE,
    time_zone TEXT NOT NULL,
    emergency_number TEXT NOT NULL,
    keep_distance_m REAL CONSTRAINT areas_keep_distance_positive CHECK (keep_distance_m > 0),
    revision INTEGER NOT NULL
) STRICT;

-- Settings of an area that differ from the defaults.
CREATE TABLE settings (
    area_id INTEGER NOT NULL REFERENCES areas (id),
    key TEXT NOT NULL,
    value TEXT NOT NULL,
    revision INTEGER NOT NULL,
    PRIMARY KEY (area_id, key)
) STRICT, WITHOUT ROWID;

-- Batches, files and the rows that did not go in.
CREATE TABLE batches (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    content TEXT NOT NULL CONSTRAINT batches_content_known CHECK (content IN (
        'trails', 'encounters', 'counters', 'readings', 'calibrations', 'trailheads', 'places', 'walks', 'party-sizes',
        'sensitive-places', 'species', 'signs', 'form')),
    actor TEXT NOT NULL,
    created_at_s INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    n_accepted INTEGER NOT NULL DEFAULT 0,
    n_unchanged INTEGER NOT NULL DEFAULT 0,
    n_refused INTEGER NOT NULL DEFAULT 0,
    undone_at_s INTEGER,
    undone_by TEXT,
    undone_revision INTEGER
) STRICT;

CREATE TABLE files (
    id INTEGER PRIMARY KEY,
    batch_id INTEGER NOT NULL REFERENCES batches (id),
    name TEXT NOT NULL,
    format TEXT NOT NULL CONSTRAINT files_format_known CHECK (format IN ('csv', 'geojson', 'gpx', 'form')),
    encoding TEXT NOT NULL,
    n_bytes INTEGER NOT NULL,
    blake3 TEXT NOT NULL,
    -- Which header was read as which field, as JSON, so that a reader can check it.
    mapping_json TEXT NOT NULL DEFAULT '{}'
) STRICT;
CREATE INDEX files_by_hash ON files (blake3);

CREATE TABLE row_errors (
    id INTEGER PRIMARY KEY,
    file_id INTEGER NOT NULL REFERENCES files (id),
    row_number INTEGER NOT NULL,
    field TEXT NOT NULL,
    value TEXT NOT NULL,
    reason TEXT NOT NULL,
    hint TEXT NOT NULL,
    -- The whole row as read, header to value, as JSON: what a person mends and tries again.
    raw_json TEXT NOT NULL,
    state TEXT NOT NULL CONSTRAINT row_errors_state_known CHECK (state IN ('open', 'mended', 'set-aside')),
    settled_at_s INTEGER,
    settled_by TEXT,
    revision INTEGER NOT NULL
) STRICT;
CREATE INDEX row_errors_by_file ON row_errors (file_id, row_number);
CREATE INDEX row_errors_open ON row_errors (state) WHERE state = 'open';

-- The species list of an area. Category 1 to 4 after Chapman (2020), table 7; null is not sensitive.
CREATE TABLE species (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    scientific_name TEXT NOT NULL,
    vernacular_name TEXT NOT NULL DEFAULT '',
    is_venomous INTEGER NOT NULL CONSTRAINT species_venomous_flag CHECK (is_venomous IN (0, 1)),
    sensitivity_category INTEGER CONSTRAINT species_category_known CHECK (sensitivity_category BETWEEN 1 AND 4),
    sensitivity_reason TEXT NOT NULL DEFAULT '',
    review_date TEXT,
    revision INTEGER NOT NULL,
    CONSTRAINT species_unique UNIQUE (area_id, scientific_name)
) STRICT;

CREATE TABLE organisms (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    organism_id TEXT NOT NULL,
    scientific_name TEXT NOT NULL DEFAULT '',
    sex TEXT NOT NULL DEFAULT '',
    remarks TEXT NOT NULL DEFAULT '',
    revision INTEGER NOT NULL,
    CONSTRAINT organisms_unique UNIQUE (area_id, organism_id)
) STRICT;

-- Trails. `geometry` is a run of little-endian float64 pairs, longitude then latitude.
CREATE TABLE trails (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    habitat TEXT NOT NULL DEFAULT '',
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX trails_unique ON trails (area_id, name) WHERE removed_revision IS NULL;

CREATE TABLE trail_parts (
    trail_id INTEGER NOT NULL REFERENCES trails (id),
    part INTEGER NOT NULL,
    geometry BLOB NOT NULL CONSTRAINT trail_parts_pairs CHECK (length(geometry) % 16 = 0),
    PRIMARY KEY (trail_id, part)
) STRICT, WITHOUT ROWID;

-- Where walkers start. `relative_volume` is the stated prior (parking places, an estimate), not a count.
CREATE TABLE trailheads (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    relative_volume REAL NOT NULL CONSTRAINT trailheads_volume_positive CHECK (relative_volume > 0),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX trailheads_unique ON trailheads (area_id, name) WHERE removed_revision IS NULL;

-- Car parks, campsites, viewpoints, buildings. A circle, or a polygon ring as in trail_parts.
CREATE TABLE places (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    kind TEXT NOT NULL CONSTRAINT places_kind_known CHECK (kind IN ('car park', 'campsite', 'viewpoint', 'building', 'other')),
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    radius_m REAL NOT NULL CONSTRAINT places_radius_positive CHECK (radius_m > 0),
    ring BLOB CONSTRAINT places_ring_pairs CHECK (length(ring) % 16 = 0),
    trailhead_id INTEGER REFERENCES trailheads (id),
    visits_per_day REAL CONSTRAINT places_visits_not_negative CHECK (visits_per_day >= 0),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX places_unique ON places (area_id, name) WHERE removed_revision IS NULL;

-- Dens and the like: never shown to the public, no sign within the buffer.
CREATE TABLE sensitive_places (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    buffer_m REAL NOT NULL CONSTRAINT sensitive_places_buffer_positive CHECK (buffer_m > 0),
    reason TEXT NOT NULL,
    review_date TEXT NOT NULL,
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX sensitive_places_unique ON sensitive_places (area_id, name) WHERE removed_revision IS NULL;

-- Counters and what they recorded. A counter is a name that stays; where it stood and what device it was can be taken out.
CREATE TABLE counters (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    revision INTEGER NOT NULL,
    CONSTRAINT counters_unique UNIQUE (area_id, name)
) STRICT;

-- Devices move and are replaced: where a counter stood, from when to when. Open ends are null.
CREATE TABLE counter_locations (
    id INTEGER PRIMARY KEY,
    counter_id INTEGER NOT NULL REFERENCES counters (id),
    device TEXT NOT NULL DEFAULT '',
    from_s INTEGER,
    until_s INTEGER,
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER,
    CONSTRAINT counter_locations_order CHECK (from_s IS NULL OR until_s IS NULL OR from_s < until_s)
) STRICT;
-- One location from an instant on; nulls are distinct to SQLite, so the open start is written as the least integer.
CREATE UNIQUE INDEX counter_locations_unique ON counter_locations (counter_id, coalesce(from_s, -9223372036854775807)) WHERE removed_revision IS NULL;

-- A clock that was off by `offset_s` between two instants: add it to the stated time.
CREATE TABLE counter_clock_corrections (
    id INTEGER PRIMARY KEY,
    counter_id INTEGER NOT NULL REFERENCES counters (id),
    from_s INTEGER NOT NULL,
    until_s INTEGER NOT NULL,
    offset_s INTEGER NOT NULL,
    reason TEXT NOT NULL,
    revision INTEGER NOT NULL,
    CONSTRAINT counter_clock_corrections_order CHECK (from_s < until_s),
    CONSTRAINT counter_clock_corrections_unique UNIQUE (counter_id, from_s)
) STRICT;

CREATE TABLE counter_readings (
    id INTEGER PRIMARY KEY,
    counter_id INTEGER NOT NULL REFERENCES counters (id),
    start_s INTEGER NOT NULL,
    length_s INTEGER NOT NULL CONSTRAINT counter_readings_length_positive CHECK (length_s > 0),
    count_in INTEGER NOT NULL CONSTRAINT counter_readings_in_not_negative CHECK (count_in >= 0),
    count_out INTEGER CONSTRAINT counter_readings_out_not_negative CHECK (count_out >= 0),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX counter_readings_unique ON counter_readings (counter_id, start_s) WHERE removed_revision IS NULL;
CREATE INDEX counter_readings_by_revision ON counter_readings (revision);
CREATE INDEX counter_readings_by_batch ON counter_readings (batch_id);

-- A person counted beside the device for a while.
CREATE TABLE calibrations (
    id INTEGER PRIMARY KEY,
    counter_id INTEGER NOT NULL REFERENCES counters (id),
    start_s INTEGER NOT NULL,
    length_s INTEGER NOT NULL CONSTRAINT calibrations_length_positive CHECK (length_s > 0),
    manual_count INTEGER NOT NULL CONSTRAINT calibrations_manual_not_negative CHECK (manual_count >= 0),
    device_count INTEGER NOT NULL CONSTRAINT calibrations_device_not_negative CHECK (device_count >= 0),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX calibrations_unique ON calibrations (counter_id, start_s) WHERE removed_revision IS NULL;

-- Mean party size with its standard error; by trailhead and period where known.
CREATE TABLE party_sizes (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    trailhead_id INTEGER REFERENCES trailheads (id),
    from_date TEXT,
    until_date TEXT,
    mean_walkers REAL NOT NULL CONSTRAINT party_sizes_mean_at_least_one CHECK (mean_walkers >= 1),
    standard_error REAL NOT NULL CONSTRAINT party_sizes_error_not_negative CHECK (standard_error >= 0),
    n_parties INTEGER CONSTRAINT party_sizes_parties_not_negative CHECK (n_parties >= 0),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX party_sizes_unique ON party_sizes (area_id, coalesce(trailhead_id, 0), coalesce(from_date, ''), coalesce(until_date, '')) WHERE removed_revision IS NULL;

-- Survey walks: a track (as in trail_parts, with instants beside it), zero encounters included.
CREATE TABLE survey_walks (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    event_id TEXT NOT NULL,
    parent_event_id TEXT NOT NULL DEFAULT '',
    purpose TEXT NOT NULL CONSTRAINT survey_walks_purpose_known CHECK (purpose IN ('planned', 'targeted', 'opportunistic')),
    observers TEXT NOT NULL DEFAULT '',
    start_s INTEGER NOT NULL,
    end_s INTEGER,
    sampling_protocol TEXT NOT NULL DEFAULT '',
    sampling_effort TEXT NOT NULL DEFAULT '',
    sample_size_value REAL,
    sample_size_unit TEXT NOT NULL DEFAULT '',
    track BLOB CONSTRAINT survey_walks_track_pairs CHECK (length(track) % 16 = 0),
    track_times BLOB CONSTRAINT survey_walks_times_words CHECK (length(track_times) % 8 = 0),
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX survey_walks_unique ON survey_walks (area_id, event_id) WHERE removed_revision IS NULL;

-- Two observers on the same stretch, independent or lead and follow.
CREATE TABLE double_observer_walks (
    id INTEGER PRIMARY KEY,
    walk_id INTEGER NOT NULL REFERENCES survey_walks (id),
    protocol TEXT NOT NULL CONSTRAINT double_observer_protocol_known CHECK (protocol IN ('independent', 'lead-follow')),
    first_observer TEXT NOT NULL,
    second_observer TEXT NOT NULL,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;

-- One row an encounter: what every computation reads. The rest is in encounter_details.
CREATE TABLE encounters (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    occurrence_id TEXT NOT NULL,
    effort_kind TEXT NOT NULL CONSTRAINT encounters_effort_known CHECK (effort_kind IN ('survey', 'report', 'located', 'chance')),
    year INTEGER,
    month INTEGER CONSTRAINT encounters_month_range CHECK (month BETWEEN 1 AND 12),
    day INTEGER CONSTRAINT encounters_day_range CHECK (day BETWEEN 1 AND 31),
    minute_of_day INTEGER CONSTRAINT encounters_minute_range CHECK (minute_of_day BETWEEN 0 AND 1439),
    instant_s INTEGER,
    lon REAL,
    lat REAL,
    coordinate_uncertainty_m REAL CONSTRAINT encounters_uncertainty_positive CHECK (coordinate_uncertainty_m > 0),
    uncertainty_meaning TEXT NOT NULL DEFAULT 'radius-95' CONSTRAINT encounters_meaning_known CHECK (uncertainty_meaning IN ('radius-95', 'radius-68', 'standard-deviation')),
    is_generalised INTEGER NOT NULL DEFAULT 0 CONSTRAINT encounters_generalised_flag CHECK (is_generalised IN (0, 1)),
    scientific_name TEXT NOT NULL DEFAULT '',
    verification_status TEXT NOT NULL DEFAULT 'unverified' CONSTRAINT encounters_status_known CHECK (verification_status IN ('unverified', 'verified', 'needs a second look', 'rejected')),
    organism_id INTEGER REFERENCES organisms (id),
    individual_count INTEGER CONSTRAINT encounters_count_not_negative CHECK (individual_count >= 0),
    walk_id INTEGER REFERENCES survey_walks (id),
    -- Interleaved bits of the cell of longitude and latitude: the cheap spatial index.
    space_key INTEGER,
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER,
    CONSTRAINT encounters_whole_position CHECK ((lon IS NULL) = (lat IS NULL)),
    CONSTRAINT encounters_lon_range CHECK (lon BETWEEN -180 AND 180),
    CONSTRAINT encounters_lat_range CHECK (lat BETWEEN -90 AND 90)
) STRICT;
CREATE UNIQUE INDEX encounters_unique ON encounters (area_id, occurrence_id) WHERE removed_revision IS NULL;
CREATE INDEX encounters_by_revision ON encounters (revision);
CREATE INDEX encounters_by_space ON encounters (space_key);
CREATE INDEX encounters_by_batch ON encounters (batch_id);
CREATE INDEX encounters_by_walk ON encounters (walk_id) WHERE walk_id IS NOT NULL;

CREATE TABLE encounter_details (
    encounter_id INTEGER PRIMARY KEY REFERENCES encounters (id),
    event_id TEXT NOT NULL DEFAULT '',
    parent_event_id TEXT NOT NULL DEFAULT '',
    verbatim_event_date TEXT NOT NULL DEFAULT '',
    verbatim_coordinates TEXT NOT NULL DEFAULT '',
    identified_by TEXT NOT NULL DEFAULT '',
    identification_qualifier TEXT NOT NULL DEFAULT '',
    life_stage TEXT NOT NULL DEFAULT '',
    sex TEXT NOT NULL DEFAULT '',
    reproductive_condition TEXT NOT NULL DEFAULT '',
    behavior TEXT NOT NULL DEFAULT '',
    recorded_by TEXT NOT NULL DEFAULT '',
    sampling_protocol TEXT NOT NULL DEFAULT '',
    occurrence_remarks TEXT NOT NULL DEFAULT '',
    data_generalizations TEXT NOT NULL DEFAULT '',
    information_withheld TEXT NOT NULL DEFAULT '',
    cue TEXT NOT NULL DEFAULT '' CONSTRAINT encounter_details_cue_known CHECK (cue IN ('', 'seen', 'heard', 'touched', 'nobody noticed')),
    distance_first_noticed_m REAL CONSTRAINT encounter_details_noticed_not_negative CHECK (distance_first_noticed_m >= 0),
    distance_first_reaction_m REAL CONSTRAINT encounter_details_reaction_not_negative CHECK (distance_first_reaction_m >= 0),
    posture_before TEXT NOT NULL DEFAULT '',
    cover TEXT NOT NULL DEFAULT '',
    substrate TEXT NOT NULL DEFAULT '',
    length_class TEXT NOT NULL DEFAULT '',
    air_temperature_c REAL,
    ground_temperature_c REAL,
    body_temperature_c REAL,
    n_people INTEGER CONSTRAINT encounter_details_people_not_negative CHECK (n_people >= 0),
    n_dogs INTEGER CONSTRAINT encounter_details_dogs_not_negative CHECK (n_dogs >= 0),
    footwear TEXT NOT NULL DEFAULT '',
    is_alive INTEGER CONSTRAINT encounter_details_alive_flag CHECK (is_alive IN (0, 1)),
    -- Columns of the file that no field takes, as JSON: nothing is lost.
    other_json TEXT NOT NULL DEFAULT ''
) STRICT;
-- Finds the encounters of a survey walk that is brought in after them.
CREATE INDEX encounter_details_by_event ON encounter_details (event_id) WHERE event_id <> '';

-- Health data: a table of its own, with its own right.
CREATE TABLE encounter_outcomes (
    encounter_id INTEGER PRIMARY KEY REFERENCES encounters (id),
    outcome TEXT NOT NULL CONSTRAINT encounter_outcomes_known CHECK (outcome IN ('no injury', 'bite reported', 'bite treated', 'other injury')),
    remarks TEXT NOT NULL DEFAULT '',
    revision INTEGER NOT NULL
) STRICT;

CREATE TABLE approaches (
    id INTEGER PRIMARY KEY,
    encounter_id INTEGER NOT NULL REFERENCES encounters (id),
    ordinal INTEGER NOT NULL CONSTRAINT approaches_ordinal_positive CHECK (ordinal >= 1),
    contact TEXT NOT NULL CONSTRAINT approaches_contact_known CHECK (contact IN ('passed', 'beside', 'over', 'underfoot', 'handled')),
    closest_distance_m REAL CONSTRAINT approaches_closest_not_negative CHECK (closest_distance_m >= 0),
    agent TEXT NOT NULL DEFAULT '',
    applied_load_kg REAL CONSTRAINT approaches_load_not_negative CHECK (applied_load_kg >= 0),
    duration_s REAL CONSTRAINT approaches_duration_not_negative CHECK (duration_s >= 0),
    is_trial INTEGER NOT NULL CONSTRAINT approaches_trial_flag CHECK (is_trial IN (0, 1)),
    trial_protocol TEXT NOT NULL DEFAULT '',
    permit TEXT NOT NULL DEFAULT '',
    end_of_watch_s REAL CONSTRAINT approaches_watch_not_negative CHECK (end_of_watch_s >= 0),
    revision INTEGER NOT NULL,
    CONSTRAINT approaches_order UNIQUE (encounter_id, ordinal)
) STRICT;

-- The terms of reactions: `area_id` null for the fixed core, else an area's own.
CREATE TABLE reaction_terms (
    id INTEGER PRIMARY KEY,
    area_id INTEGER REFERENCES areas (id),
    term TEXT NOT NULL,
    is_strike INTEGER NOT NULL DEFAULT 0 CONSTRAINT reaction_terms_strike_flag CHECK (is_strike IN (0, 1)),
    CONSTRAINT reaction_terms_unique UNIQUE (area_id, term)
) STRICT;
INSERT INTO reaction_terms (id, term, is_strike) VALUES
    (1, 'still', 0), (2, 'withdrew', 0), (3, 'head hidden', 0), (4, 'coiled', 0), (5, 'tail vibration with rattle', 0),
    (6, 'tail vibration without rattle', 0), (7, 'hissed', 0), (8, 'gaped', 0), (9, 'neck spread or forebody raised', 0),
    (10, 'spat', 0), (11, 'musked', 0), (12, 'moved towards', 0), (13, 'struck short', 1),
    (14, 'struck with mouth closed', 1), (15, 'bit footwear or device', 1), (16, 'bit skin', 1);

CREATE TABLE reactions (
    approach_id INTEGER NOT NULL REFERENCES approaches (id),
    ordinal INTEGER NOT NULL CONSTRAINT reactions_ordinal_positive CHECK (ordinal >= 1),
    term_id INTEGER NOT NULL REFERENCES reaction_terms (id),
    latency_s REAL CONSTRAINT reactions_latency_not_negative CHECK (latency_s >= 0),
    PRIMARY KEY (approach_id, ordinal)
) STRICT, WITHOUT ROWID;

-- Who of two observers noticed an encounter on a double-observer walk.
CREATE TABLE double_observer_detections (
    double_walk_id INTEGER NOT NULL REFERENCES double_observer_walks (id),
    encounter_id INTEGER NOT NULL REFERENCES encounters (id),
    by_first INTEGER NOT NULL CONSTRAINT double_observer_first_flag CHECK (by_first IN (0, 1)),
    by_second INTEGER NOT NULL CONSTRAINT double_observer_second_flag CHECK (by_second IN (0, 1)),
    PRIMARY KEY (double_walk_id, encounter_id)
) STRICT, WITHOUT ROWID;

-- A snap set by hand: to a segment by its lasting identifier, or to a place, or off the trail (both null).
CREATE TABLE hand_snaps (
    encounter_id INTEGER PRIMARY KEY REFERENCES encounters (id),
    segment_id INTEGER,
    place_id INTEGER REFERENCES places (id),
    reason TEXT NOT NULL,
    actor TEXT NOT NULL,
    set_at_s INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    CONSTRAINT hand_snaps_one_target CHECK (segment_id IS NULL OR place_id IS NULL)
) STRICT;

CREATE TABLE photos (
    id INTEGER PRIMARY KEY,
    encounter_id INTEGER REFERENCES encounters (id),
    blake3 TEXT NOT NULL,
    media_type TEXT NOT NULL,
    n_bytes INTEGER NOT NULL,
    width_px INTEGER NOT NULL,
    height_px INTEGER NOT NULL,
    batch_id INTEGER REFERENCES batches (id),
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;

-- Signs: where one could stand, what was planned, what stands, and how it fares.
CREATE TABLE sign_locations (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    standing TEXT NOT NULL CONSTRAINT sign_locations_standing_known CHECK (standing IN ('candidate', 'fixed', 'forbidden')),
    permit_needed INTEGER NOT NULL DEFAULT 0 CONSTRAINT sign_locations_permit_flag CHECK (permit_needed IN (0, 1)),
    on_rock INTEGER NOT NULL DEFAULT 0 CONSTRAINT sign_locations_rock_flag CHECK (on_rock IN (0, 1)),
    heritage INTEGER NOT NULL DEFAULT 0 CONSTRAINT sign_locations_heritage_flag CHECK (heritage IN (0, 1)),
    reason TEXT NOT NULL DEFAULT '',
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX sign_locations_unique ON sign_locations (area_id, name) WHERE removed_revision IS NULL;

-- A plan that was kept: its parameters, the revision it rests on, and its sites as they were then.
CREATE TABLE sign_plans (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    parameters_json TEXT NOT NULL,
    result_json TEXT NOT NULL,
    based_on_revision INTEGER NOT NULL,
    actor TEXT NOT NULL,
    created_at_s INTEGER NOT NULL,
    posted_at_s INTEGER,
    revision INTEGER NOT NULL
) STRICT;

CREATE TABLE sign_plan_sites (
    plan_id INTEGER NOT NULL REFERENCES sign_plans (id),
    ordinal INTEGER NOT NULL,
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    kind TEXT NOT NULL,
    facing_deg REAL,
    wording_key TEXT NOT NULL,
    up_date TEXT,
    down_date TEXT,
    letter_height_mm REAL,
    reason TEXT NOT NULL,
    PRIMARY KEY (plan_id, ordinal)
) STRICT, WITHOUT ROWID;

CREATE TABLE signs_in_place (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    name TEXT NOT NULL,
    lon REAL NOT NULL,
    lat REAL NOT NULL,
    kind TEXT NOT NULL,
    plan_id INTEGER REFERENCES sign_plans (id),
    up_s INTEGER NOT NULL,
    down_s INTEGER,
    batch_id INTEGER REFERENCES batches (id),
    file_id INTEGER REFERENCES files (id),
    row_number INTEGER,
    revision INTEGER NOT NULL,
    removed_revision INTEGER
) STRICT;
CREATE UNIQUE INDEX signs_in_place_unique ON signs_in_place (area_id, name, up_s) WHERE removed_revision IS NULL;

CREATE TABLE sign_inspections (
    id INTEGER PRIMARY KEY,
    sign_id INTEGER NOT NULL REFERENCES signs_in_place (id),
    inspected_at_s INTEGER NOT NULL,
    actor TEXT NOT NULL,
    condition TEXT NOT NULL CONSTRAINT sign_inspections_condition_known CHECK (condition IN ('good', 'worn', 'damaged', 'missing')),
    remarks TEXT NOT NULL DEFAULT '',
    revision INTEGER NOT NULL
) STRICT;

-- What staff decided on the strength of a figure.
CREATE TABLE decisions (
    id INTEGER PRIMARY KEY,
    area_id INTEGER NOT NULL REFERENCES areas (id),
    subject TEXT NOT NULL,
    segment_ids_json TEXT NOT NULL DEFAULT '[]',
    choice TEXT NOT NULL CONSTRAINT decisions_choice_known CHECK (choice IN ('act', 'wait', 'no action')),
    reason TEXT NOT NULL,
    decided_by TEXT NOT NULL,
    decided_at_s INTEGER NOT NULL,
    based_on_revision INTEGER NOT NULL,
    figure_json TEXT NOT NULL,
    revision INTEGER NOT NULL
) STRICT;
