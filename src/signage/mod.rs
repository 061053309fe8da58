//! Sign placement, wording and sizing.
pub mod placement;
