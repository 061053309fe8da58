//! Areas with their settings and species lists.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde::Serialize;

use crate::domain::area::Area;
use crate::domain::area::Species;
use crate::domain::ids::AreaId;
use crate::domain::units::Length;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::Entry;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::kept::Put;
use crate::store::snapshot::Snapshot;
use crate::store::wire::Exact;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

/// An area before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AreaDraft {
    /// Its name: the key.
    pub name: String,
    /// Its IANA time zone.
    pub time_zone: String,
    /// The local emergency number, as staff gave it.
    pub emergency_number: String,
    /// The distance to keep from a snake: the land manager's setting.
    pub keep_distance: Option<Length>,
}

#[derive(Serialize)]
struct AreaWire<'a> {
    name: &'a str,
    time_zone: &'a str,
    emergency_number: &'a str,
    keep_distance_m: Option<Exact>,
}

#[derive(Serialize, Deserialize)]
struct SpeciesWire {
    scientific_name: String,
    vernacular_name: String,
    is_venomous: bool,
    sensitivity_category: Option<u8>,
    sensitivity_reason: String,
    review_date: String,
}

impl From<&Species> for SpeciesWire {
    fn from(species: &Species) -> Self {
        let species = species.clone();
        Self {
            scientific_name: species.scientific_name,
            vernacular_name: species.vernacular_name,
            is_venomous: species.is_venomous,
            sensitivity_category: species.sensitivity_category,
            sensitivity_reason: species.sensitivity_reason,
            review_date: species.review_date,
        }
    }
}

impl From<SpeciesWire> for Species {
    fn from(wire: SpeciesWire) -> Self {
        Self {
            scientific_name: wire.scientific_name,
            vernacular_name: wire.vernacular_name,
            is_venomous: wire.is_venomous,
            sensitivity_category: wire.sensitivity_category,
            sensitivity_reason: wire.sensitivity_reason,
            review_date: wire.review_date,
        }
    }
}

struct AreaRow {
    id: i64,
    name: String,
    time_zone: String,
    emergency_number: String,
    keep_distance_m: Option<f64>,
}

impl TryFrom<AreaRow> for Area {
    type Error = Error;

    fn try_from(row: AreaRow) -> Result<Self, Error> {
        let keep_distance = row.keep_distance_m.map(Length::metres).transpose();
        Ok(Self {
            id: AreaId(row.id),
            name: row.name,
            time_zone: row.time_zone,
            emergency_number: row.emergency_number,
            keep_distance: stored(keep_distance, "areas", "keep_distance_m", row.id)?,
        })
    }
}

struct SpeciesRow {
    id: i64,
    scientific_name: String,
    vernacular_name: String,
    is_venomous: bool,
    sensitivity_category: Option<i64>,
    sensitivity_reason: String,
    review_date: Option<String>,
}

impl TryFrom<SpeciesRow> for Species {
    type Error = Error;

    fn try_from(row: SpeciesRow) -> Result<Self, Error> {
        let category = row.sensitivity_category.map(u8::try_from).transpose();
        Ok(Self {
            scientific_name: row.scientific_name,
            vernacular_name: row.vernacular_name,
            is_venomous: row.is_venomous,
            sensitivity_category: stored(category, "species", "sensitivity_category", row.id)?,
            sensitivity_reason: row.sensitivity_reason,
            review_date: row.review_date.unwrap_or_default(),
        })
    }
}

impl Writer {
    /// Makes an area, or changes the one of that name, and returns its key.
    ///
    /// # Errors
    /// [`Error::Rule`] when the distance to keep is zero; [`Error`] when the database cannot be written.
    pub async fn put_area(&mut self, draft: &AreaDraft) -> Result<AreaId, Error> {
        let keep_distance_m = draft.keep_distance.map(Length::in_metres);
        let revision = self.revision();
        let Some(old) = area_by_name(self, &draft.name).await? else {
            let inserted = sqlx::query!(
                "INSERT INTO areas (name, time_zone, emergency_number, keep_distance_m, revision) VALUES (?, ?, ?, ?, ?)",
                draft.name,
                draft.time_zone,
                draft.emergency_number,
                keep_distance_m,
                revision
            )
            .execute(self.connection())
            .await?;
            self.touch();
            return Ok(AreaId(inserted.last_insert_rowid()));
        };
        self.overwrite_area(old, draft).await
    }

    /// Changes an area, its name included. The same again changes nothing.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such area; [`Error::Rule`] when another one has the name; [`Error`] when
    /// the database cannot be written.
    pub async fn change_area(&mut self, area: AreaId, draft: &AreaDraft) -> Result<(), Error> {
        let found = sqlx::query_as!(
            AreaRow,
            r#"SELECT id AS "id!", name, time_zone, emergency_number, keep_distance_m FROM areas WHERE id = ?"#,
            area.0
        )
        .fetch_optional(self.connection())
        .await?;
        let old = found.ok_or_else(|| Error::Missing { what: "area", id: area.0 })?.try_into()?;
        self.overwrite_area(old, draft).await.map(drop)
    }

    async fn overwrite_area(&mut self, old: Area, draft: &AreaDraft) -> Result<AreaId, Error> {
        let before = AreaDraft {
            name: old.name,
            time_zone: old.time_zone,
            emergency_number: old.emergency_number,
            keep_distance: old.keep_distance,
        };
        if before == *draft {
            return Ok(old.id);
        }
        let keep_distance_m = draft.keep_distance.map(Length::in_metres);
        let revision = self.revision();
        sqlx::query!(
            "UPDATE areas SET name = ?, time_zone = ?, emergency_number = ?, keep_distance_m = ?, revision = ? WHERE id = ?",
            draft.name,
            draft.time_zone,
            draft.emergency_number,
            keep_distance_m,
            revision,
            old.id.0
        )
        .execute(self.connection())
        .await?;
        let (before, after) = (area_json(old.id, &before)?, area_json(old.id, draft)?);
        record(self, RecordKind::Area, old.id.0, before, after).await?;
        Ok(old.id)
    }

    /// Sets a setting of an area; an empty value takes it back to its default.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such area; [`Error`] when the database cannot be written.
    pub async fn set_setting(&mut self, area: AreaId, key: &str, value: &str) -> Result<(), Error> {
        let old =
            sqlx::query_scalar!("SELECT value FROM settings WHERE area_id = ? AND key = ?", area.0, key)
                .fetch_optional(self.connection())
                .await?;
        if old.as_deref().unwrap_or_default() == value {
            return Ok(());
        }
        let revision = self.revision();
        if value.is_empty() {
            sqlx::query!("DELETE FROM settings WHERE area_id = ? AND key = ?", area.0, key)
                .execute(self.connection())
                .await?;
        } else {
            sqlx::query!(
                "INSERT INTO settings (area_id, key, value, revision) VALUES (?, ?, ?, ?)
                 ON CONFLICT (area_id, key) DO UPDATE SET value = excluded.value, revision = excluded.revision",
                area.0,
                key,
                value,
                revision
            )
            .execute(self.connection())
            .await?;
        }
        let json = |value: &str| {
            let record: BTreeMap<&str, &str> = [(key, value)].into();
            history::to_json("settings", area.0, &Version::new(record, None))
        };
        let (before, after) = (json(&old.unwrap_or_default())?, json(value)?);
        record(self, RecordKind::Setting, area.0, before, after).await
    }

    /// Puts species on the list of an area, by scientific name. Rows are numbered from 1 in the tally's problems.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_species(&mut self, target: &Target, rows: &[(u64, Species)]) -> Result<Tally, Error> {
        let mut tally = Tally::default();
        let batch_id = target.source.map(|(batch, _)| batch.0);
        for (row_number, species) in rows {
            match put_one_species(self, target.area, species, batch_id).await {
                Ok(put) => tally.count(put),
                Err(Fault::Row(problem)) => tally.problems.push(problem.at(*row_number)),
                Err(Fault::Store(error)) => return Err(error),
            }
        }
        Ok(tally)
    }

    /// Makes a species again what it was before a change, unless it has changed since; tells whether it did.
    pub(super) async fn put_back_species(
        &mut self,
        area: AreaId,
        id: i64,
        (before, after): (&str, &str),
    ) -> Result<bool, Error> {
        let read = |json: &str| -> Result<Species, Error> {
            let version: Version<SpeciesWire> = stored(serde_json::from_str(json), "changes", "species", id)?;
            Ok(version.record.into())
        };
        let (before, after) = (read(before)?, read(after)?);
        if species_now(self, area, &after.scientific_name).await?.map(|(_, now)| now) != Some(after) {
            return Ok(false);
        }
        match put_one_species(self, area, &before, None).await {
            Ok(put) => Ok(put == Put::Updated),
            Err(Fault::Row(_)) => Ok(false),
            Err(Fault::Store(error)) => Err(error),
        }
    }

    /// Adds a term to an area's reactions, beside the fixed core; tells whether it is new. One that is there stays as it is.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such area; [`Error`] when the database cannot be written.
    pub async fn add_reaction_term(
        &mut self,
        area: AreaId,
        term: &str,
        is_strike: bool,
    ) -> Result<bool, Error> {
        let added = sqlx::query!(
            "INSERT INTO reaction_terms (area_id, term, is_strike)
             SELECT ?, ?, ?
             WHERE NOT EXISTS (SELECT 1 FROM reaction_terms WHERE (area_id IS NULL OR area_id = ?) AND term = ?)",
            area.0,
            term,
            is_strike,
            area.0,
            term
        )
        .execute(self.connection())
        .await?;
        if added.rows_affected() == 0 {
            return Ok(false);
        }
        self.known.reaction_terms.clear();
        let record_id = added.last_insert_rowid();
        let record = serde_json::json!({ "term": term, "is_strike": is_strike });
        let after = Some(history::to_json("reaction_terms", record_id, &Version::new(record, None))?);
        let entry = Entry { kind: RecordKind::ReactionTerm, record_id, batch_id: None, before: None, after };
        history::record(self, entry).await?;
        Ok(true)
    }
}

async fn record(
    writer: &mut Writer,
    kind: RecordKind,
    record_id: i64,
    before: String,
    after: String,
) -> Result<(), Error> {
    let entry = Entry { kind, record_id, batch_id: None, before: Some(before), after: Some(after) };
    history::record(writer, entry).await
}

fn area_json(id: AreaId, draft: &AreaDraft) -> Result<String, Error> {
    let record = AreaWire {
        name: &draft.name,
        time_zone: &draft.time_zone,
        emergency_number: &draft.emergency_number,
        keep_distance_m: draft.keep_distance.map(|distance| Exact(distance.in_metres())),
    };
    history::to_json("areas", id.0, &Version::new(record, None))
}

async fn area_by_name(writer: &mut Writer, name: &str) -> Result<Option<Area>, Error> {
    sqlx::query_as!(
        AreaRow,
        r#"SELECT id AS "id!", name, time_zone, emergency_number, keep_distance_m FROM areas WHERE name = ?"#,
        name
    )
    .fetch_optional(writer.connection())
    .await?
    .map(Area::try_from)
    .transpose()
}

/// The species of that name with its key, none when it is not on the list.
async fn species_now(
    writer: &mut Writer,
    area: AreaId,
    scientific_name: &str,
) -> Result<Option<(i64, Species)>, Error> {
    let row = sqlx::query_as!(
        SpeciesRow,
        r#"SELECT id AS "id!", scientific_name, vernacular_name, is_venomous AS "is_venomous: bool",
            sensitivity_category, sensitivity_reason, review_date
         FROM species WHERE area_id = ? AND scientific_name = ?"#,
        area.0,
        scientific_name
    )
    .fetch_optional(writer.connection())
    .await?;
    row.map(|row| Ok((row.id, row.try_into()?))).transpose()
}

async fn put_one_species(
    writer: &mut Writer,
    area: AreaId,
    species: &Species,
    batch_id: Option<i64>,
) -> Result<Put, Fault> {
    let (old_id, old) = species_now(writer, area, &species.scientific_name).await?.unzip();
    if old.as_ref() == Some(species) {
        return Ok(Put::Unchanged);
    }
    let revision = writer.revision();
    sqlx::query!(
        "INSERT INTO species (area_id, scientific_name, vernacular_name, is_venomous, sensitivity_category,
            sensitivity_reason, review_date, revision)
         VALUES (?, ?, ?, ?, ?, ?, nullif(?, ''), ?)
         ON CONFLICT (area_id, scientific_name) DO UPDATE SET vernacular_name = excluded.vernacular_name,
            is_venomous = excluded.is_venomous, sensitivity_category = excluded.sensitivity_category,
            sensitivity_reason = excluded.sensitivity_reason, review_date = excluded.review_date,
            revision = excluded.revision",
        area.0,
        species.scientific_name,
        species.vernacular_name,
        species.is_venomous,
        species.sensitivity_category,
        species.sensitivity_reason,
        species.review_date,
        revision
    )
    .execute(writer.connection())
    .await?;
    writer.touch();
    let id = match old_id {
        Some(id) => id,
        None => {
            sqlx::query_scalar!(
                r#"SELECT id AS "id!" FROM species WHERE area_id = ? AND scientific_name = ?"#,
                area.0,
                species.scientific_name
            )
            .fetch_one(writer.connection())
            .await?
        }
    };
    let json =
        |species: &Species| history::to_json("species", id, &Version::new(SpeciesWire::from(species), None));
    // A list of species keeps no origin of its rows, so what comes in has a line as well.
    let before = old.as_ref().map(json).transpose()?;
    let put = if before.is_some() { Put::Updated } else { Put::Inserted };
    let entry =
        Entry { kind: RecordKind::Species, record_id: id, batch_id, before, after: Some(json(species)?) };
    history::record(writer, entry).await?;
    Ok(put)
}

impl Snapshot {
    /// All areas, by key. Empty in a new database.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn areas(&mut self) -> Result<Vec<Area>, Error> {
        let rows = sqlx::query_as!(
            AreaRow,
            r#"SELECT id AS "id!", name, time_zone, emergency_number, keep_distance_m FROM areas ORDER BY id"#
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(Area::try_from).collect()
    }

    /// The settings of an area that differ from their defaults, by key.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn settings(&mut self, area: AreaId) -> Result<BTreeMap<String, String>, Error> {
        let rows = sqlx::query!("SELECT key, value FROM settings WHERE area_id = ?", area.0)
            .fetch_all(self.connection())
            .await?;
        Ok(rows.into_iter().map(|row| (row.key, row.value)).collect())
    }

    /// The species list of an area, by scientific name. Empty when there is none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn species(&mut self, area: AreaId) -> Result<Vec<Species>, Error> {
        let rows = sqlx::query_as!(
            SpeciesRow,
            r#"SELECT id AS "id!", scientific_name, vernacular_name, is_venomous AS "is_venomous: bool",
                sensitivity_category, sensitivity_reason, review_date
             FROM species WHERE area_id = ? ORDER BY scientific_name"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(Species::try_from).collect()
    }

    /// The reaction terms of an area, the core first: term, and whether it is a strike.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn reaction_terms(&mut self, area: AreaId) -> Result<Vec<(String, bool)>, Error> {
        let rows = sqlx::query!(
            r#"SELECT term, is_strike AS "is_strike: bool" FROM reaction_terms
             WHERE area_id IS NULL OR area_id = ? ORDER BY id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        Ok(rows.into_iter().map(|row| (row.term, row.is_strike)).collect())
    }
}
