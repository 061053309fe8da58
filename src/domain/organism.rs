//! Marked or recognised snakes. Encounters of the same snake are linked, never merged.

use crate::domain::ids::OrganismRowId;

/// One marked or recognised snake.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Organism {
    /// The stored row.
    pub id: OrganismRowId,
    /// `organismID`.
    pub organism_id: String,
    /// Its species, or empty.
    pub scientific_name: String,
}
