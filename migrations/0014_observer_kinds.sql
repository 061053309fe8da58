-- What kind of observer each of the two on a double-observer walk was; empty where it was not said.
ALTER TABLE double_observer_walks ADD COLUMN first_kind TEXT
    CONSTRAINT double_observer_first_kind_known CHECK (first_kind IN ('surveyor', 'ranger', 'volunteer', 'visitor'));
ALTER TABLE double_observer_walks ADD COLUMN second_kind TEXT
    CONSTRAINT double_observer_second_kind_known CHECK (second_kind IN ('surveyor', 'ranger', 'volunteer', 'visitor'));
