//! Photos that say where and when they were taken: to which encounter they belong.

use sqlx::SqliteConnection;

use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::RecordedPosition;
use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::domain::photo::GeotaggedPhoto;
use crate::domain::photo::SAME_MEETING_S;
use crate::domain::photo::Sighting;
use crate::domain::units::Length;
use crate::store::error::Error;
use crate::store::error::Problem;
use crate::store::error::stored;
use crate::store::photos::AddedPhoto;
use crate::store::writer::Reach;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

impl Writer {
    /// Puts a photo that says where and when it was taken: added to the one encounter met then and there, else with a new
    /// encounter. A file that is there already, on whatever encounter, changes nothing.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written. Where several encounters were met then and there, that is a problem of
    /// the row in the tally.
    pub async fn put_geotagged_photo(
        &mut self,
        target: &Target,
        row_number: u64,
        given: &GeotaggedPhoto,
    ) -> Result<Tally, Error> {
        let (draft, photo) = (&given.encounter, &given.photo);
        let mut tally = Tally::default();
        let own = (self.reach() == Reach::OwnRecords).then(|| self.actor().to_owned());
        if is_source_known(self.connection(), target.area, &photo.source_blake3, own.as_deref()).await? {
            tally.n_unchanged = 1;
            return Ok(tally);
        }
        let met = met(self.connection(), target.area, draft, own.as_deref()).await?;
        let encounter = match &met[..] {
            [] => {
                let put = self.put_encounters(target, &[(row_number, draft.clone())]).await?;
                if !put.problems.is_empty() {
                    return Ok(put);
                }
                tally.n_inserted = 1;
                by_occurrence(self.connection(), target.area, &draft.occurrence_id)
                    .await?
                    .ok_or(Error::Missing { what: "encounter", id: 0 })?
            }
            [(only, _)] => {
                tally.n_updated = 1;
                *only
            }
            several => {
                let names: Vec<&str> = several.iter().map(|(_, name)| name.as_str()).collect();
                let value = draft.details.verbatim_event_date.as_str();
                let reason = format!("several encounters were met then and there: {}", names.join(", "));
                let hint = "add the photo on the page of the one that it shows";
                tally.problems.push(Problem::of("eventDate", value, &reason, hint).at(row_number));
                return Ok(tally);
            }
        };
        if let AddedPhoto::Known(_) = self.add_photo(target, row_number, encounter, photo).await? {
            return Ok(Tally { n_unchanged: 1, ..Tally::default() });
        }
        Ok(tally)
    }
}

/// Whether a photo made of that file is there, of an encounter that is. With an `own` actor only what that one added is
/// looked at: whoever has a file must not learn that somebody else brought it in.
async fn is_source_known(
    connection: &mut SqliteConnection,
    area: AreaId,
    source_blake3: &str,
    own: Option<&str>,
) -> Result<bool, Error> {
    let id = sqlx::query_scalar!(
        r#"SELECT photos.id AS "id!" FROM photos JOIN encounters AS shown ON shown.id = encounter_id
            JOIN encounters AS living ON living.area_id = shown.area_id
                AND living.occurrence_id = shown.occurrence_id AND living.removed_revision IS NULL
         WHERE source_blake3 = ?1 AND photos.removed_revision IS NULL AND living.area_id = ?2
            AND (?3 IS NULL OR photos.added_by = ?3) LIMIT 1"#,
        source_blake3,
        area.0,
        own
    )
    .fetch_optional(connection)
    .await?;
    Ok(id.is_some())
}

struct MetRow {
    id: i64,
    occurrence_id: String,
    instant_s: i64,
    lon: f64,
    lat: f64,
    coordinate_uncertainty_m: Option<f64>,
    uncertainty_meaning: String,
}

impl MetRow {
    fn sighting(&self) -> Result<Sighting, Error> {
        let position = stored(LonLat::new(self.lon, self.lat), "encounters", "lon, lat", self.id)?;
        let uncertainty = self.coordinate_uncertainty_m.map(Length::metres).transpose();
        let uncertainty = stored(uncertainty, "encounters", "coordinate_uncertainty_m", self.id)?;
        let meaning = stored(self.uncertainty_meaning.parse(), "encounters", "uncertainty_meaning", self.id)?;
        let at = RecordedPosition {
            position,
            coordinate_uncertainty: uncertainty,
            meaning,
            is_generalised: false,
        };
        Ok(Sighting { instant_s: self.instant_s, at })
    }
}

/// The encounters met then and there, with their names: none where the draft does not say when or where. The record that the
/// draft names itself, such as one whose row was mended, is the only one. With an `own` actor only what that one brought in
/// is looked at: a photo of any time and place would tell where others were otherwise.
async fn met(
    connection: &mut SqliteConnection,
    area: AreaId,
    draft: &EncounterDraft,
    own: Option<&str>,
) -> Result<Vec<(EncounterId, String)>, Error> {
    if let Some(named) = by_occurrence(connection, area, &draft.occurrence_id).await?
        && (own.is_none() || is_own(connection, named, own).await?)
    {
        return Ok(vec![(named, draft.occurrence_id.clone())]);
    }
    let (Some(instant_s), Some(at)) = (draft.time.instant_s, draft.position) else { return Ok(Vec::new()) };
    let here = Sighting { instant_s, at };
    let (from_s, until_s) = (instant_s - SAME_MEETING_S, instant_s + SAME_MEETING_S);
    let rows = sqlx::query_as!(
        MetRow,
        r#"SELECT id AS "id!", occurrence_id, instant_s AS "instant_s!", lon AS "lon!", lat AS "lat!",
            coordinate_uncertainty_m, uncertainty_meaning
         FROM encounters
         WHERE area_id = ?1 AND removed_revision IS NULL AND instant_s BETWEEN ?2 AND ?3 AND lon IS NOT NULL AND is_generalised = 0
            AND (?4 IS NULL OR batch_id IN (SELECT batches.id FROM batches WHERE actor = ?4))
         ORDER BY id"#,
        area.0,
        from_s,
        until_s,
        own
    )
    .fetch_all(connection)
    .await?;
    let mut met = Vec::new();
    for row in rows {
        if row.sighting()?.is_same_meeting(&here) {
            met.push((EncounterId(row.id), row.occurrence_id));
        }
    }
    Ok(met)
}

async fn is_own(
    connection: &mut SqliteConnection,
    encounter: EncounterId,
    own: Option<&str>,
) -> Result<bool, Error> {
    let found = sqlx::query_scalar!(
        "SELECT encounters.id FROM encounters JOIN batches ON batches.id = batch_id
         WHERE encounters.id = ? AND actor = ?",
        encounter.0,
        own
    )
    .fetch_optional(connection)
    .await?;
    Ok(found.is_some())
}

async fn by_occurrence(
    connection: &mut SqliteConnection,
    area: AreaId,
    occurrence_id: &str,
) -> Result<Option<EncounterId>, Error> {
    let id = sqlx::query_scalar!(
        "SELECT id FROM encounters WHERE area_id = ? AND occurrence_id = ? AND removed_revision IS NULL",
        area.0,
        occurrence_id
    )
    .fetch_optional(connection)
    .await?;
    Ok(id.map(EncounterId))
}
