-- The kinds of the two observers are what each row of a walk says, so that a row that says them can join others that do not, and
-- goes back alone with its batch. The walk's kinds are those that any of its rows says.
ALTER TABLE double_observer_detections ADD COLUMN first_kind TEXT
    CONSTRAINT double_observer_row_first_kind_known CHECK (first_kind IN ('surveyor', 'ranger', 'volunteer', 'visitor'));
ALTER TABLE double_observer_detections ADD COLUMN second_kind TEXT
    CONSTRAINT double_observer_row_second_kind_known CHECK (second_kind IN ('surveyor', 'ranger', 'volunteer', 'visitor'));
UPDATE double_observer_detections
SET (first_kind, second_kind) = (
    SELECT double_observer_walks.first_kind, double_observer_walks.second_kind
    FROM double_observer_walks WHERE double_observer_walks.id = double_walk_id);
ALTER TABLE double_observer_walks DROP COLUMN first_kind;
ALTER TABLE double_observer_walks DROP COLUMN second_kind;
