//! Marked or recognised snakes: known from the encounters that name them.

use std::collections::BTreeMap;

use crate::domain::encounter::EncounterDraft;
use crate::domain::ids::AreaId;
use crate::domain::ids::OrganismRowId;
use crate::domain::organism::Organism;
use crate::store::error::Error;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Writer;

/// Makes sure that every snake the encounters name has a row, and that the writer knows it.
pub(super) async fn know(
    writer: &mut Writer,
    area: AreaId,
    drafts: impl Iterator<Item = &EncounterDraft>,
) -> Result<(), Error> {
    let mut unknown: BTreeMap<&str, &str> = BTreeMap::new();
    for draft in drafts.filter(|draft| !draft.organism_id.is_empty()) {
        if !writer.known.organisms.contains_key(&(area, draft.organism_id.clone())) {
            unknown.entry(&draft.organism_id).or_insert(&draft.scientific_name);
        }
    }
    for (organism_id, scientific_name) in unknown {
        let id = find_or_insert(writer, area, organism_id, scientific_name).await?;
        writer.known.organisms.insert((area, organism_id.to_owned()), id);
    }
    Ok(())
}

async fn find_or_insert(
    writer: &mut Writer,
    area: AreaId,
    organism_id: &str,
    scientific_name: &str,
) -> Result<i64, Error> {
    let known = sqlx::query_scalar!(
        "SELECT id FROM organisms WHERE area_id = ? AND organism_id = ?",
        area.0,
        organism_id
    )
    .fetch_optional(writer.connection())
    .await?;
    if let Some(id) = known {
        return Ok(id);
    }
    let revision = writer.revision();
    let inserted = sqlx::query!(
        "INSERT INTO organisms (area_id, organism_id, scientific_name, revision) VALUES (?, ?, ?, ?)",
        area.0,
        organism_id,
        scientific_name,
        revision
    )
    .execute(writer.connection())
    .await?;
    Ok(inserted.last_insert_rowid())
}

impl Snapshot {
    /// The marked or recognised snakes of an area, by key. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn organisms(&mut self, area: AreaId) -> Result<Vec<Organism>, Error> {
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", organism_id, scientific_name FROM organisms WHERE area_id = ? ORDER BY id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let organisms = rows.into_iter().map(|row| Organism {
            id: OrganismRowId(row.id),
            organism_id: row.organism_id,
            scientific_name: row.scientific_name,
        });
        Ok(organisms.collect())
    }
}
