-- Whether a commit left everything that figures rest on as it was: decisions and notices alone.
ALTER TABLE revisions ADD COLUMN leaves_figures INTEGER NOT NULL DEFAULT 0
    CONSTRAINT revisions_leaves_figures_flag CHECK (leaves_figures IN (0, 1));
