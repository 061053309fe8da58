-- The settings that a notice's finding rests on, in words; empty for notices made before they were kept.
ALTER TABLE notices ADD COLUMN settings TEXT NOT NULL DEFAULT '';
