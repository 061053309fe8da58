//! Trails, trailheads, places, species and sign locations.

use crate::domain::area::Species;
use crate::domain::place::PlaceDraft;
use crate::domain::place::SensitivePlace;
use crate::domain::sign::SignLocationDraft;
use crate::domain::sign::Standing;
use crate::domain::trail::TrailDraft;
use crate::domain::trail::TrailheadDraft;
use crate::domain::trail::given_elevations;
use crate::domain::units::Length;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::coordinates;
use crate::ingest::fields::dates;
use crate::ingest::fields::numbers;
use crate::ingest::fields::wkt;
use crate::ingest::row::Row;
use crate::ingest::rows::needed_term;
use crate::ingest::rows::needed_text;
use crate::ingest::rows::optional_term;

/// A place whose reach is not given reaches this far, metres.
const DEFAULT_RADIUS_M: f64 = 40.0;
/// A sensitive place without a buffer gets this one, metres.
const DEFAULT_BUFFER_M: f64 = 300.0;

pub(super) fn trail(row: &dyn Row, context: &Context) -> Result<TrailDraft, Problem> {
    let name = needed_text(row, Field::Name)?;
    let mut parts = row.lines().to_vec();
    let footprint = row.get(Field::Footprint);
    if parts.is_empty() && !footprint.is_empty() {
        parts = wkt::lines(Field::Footprint.name(), footprint, context)?;
    }
    // Lines of well-known text have no elevations: they stand in the coordinates of GeoJSON and GPX only.
    let mut elevations_m = row.elevations_m().to_vec();
    elevations_m.resize(parts.len(), Vec::new());
    let (parts, elevations_m): (Vec<_>, Vec<_>) =
        parts.into_iter().zip(elevations_m).filter(|(part, _)| part.len() >= 2).unzip();
    if parts.is_empty() {
        return Err(Problem::new(
            "geometry",
            "",
            "there is no line with two positions",
            "draw the trail as a line",
        ));
    }
    Ok(TrailDraft {
        name,
        habitat: row.get(Field::Habitat).to_owned(),
        parts,
        elevations_m: given_elevations(elevations_m),
    })
}

pub(super) fn trailhead(row: &dyn Row, context: &Context) -> Result<TrailheadDraft, Problem> {
    let relative_volume = numbers::optional(row, Field::RelativeVolume)?.unwrap_or(1.0);
    if relative_volume <= 0.0 {
        let text = row.get(Field::RelativeVolume);
        return Err(Problem::new(
            Field::RelativeVolume.name(),
            text,
            "this is not more than zero",
            "parking places, or 1",
        ));
    }
    let position = coordinates::needed(row, context)?;
    Ok(TrailheadDraft { name: needed_text(row, Field::Name)?, position, relative_volume })
}

pub(super) fn place(row: &dyn Row, context: &Context) -> Result<PlaceDraft, Problem> {
    let footprint = row.get(Field::Footprint);
    let ring = match footprint.is_empty() {
        true => None,
        false => Some(wkt::ring(Field::Footprint.name(), footprint, context)?),
    };
    let radius_m = numbers::optional(row, Field::Radius)?.unwrap_or(DEFAULT_RADIUS_M);
    let visits_per_day = numbers::optional(row, Field::VisitsPerDay)?;
    if let Some(visits) = visits_per_day.filter(|visits| *visits < 0.0) {
        return Err(Problem::new(
            Field::VisitsPerDay.name(),
            &visits.to_string(),
            "this is below zero",
            "leave it empty",
        ));
    }
    Ok(PlaceDraft {
        name: needed_text(row, Field::Name)?,
        kind: needed_term(row, Field::Kind)?,
        position: coordinates::needed(row, context)?,
        radius: positive_length(row, Field::Radius, radius_m)?,
        ring,
        trailhead: row.get(Field::Trailhead).to_owned(),
        visits_per_day,
    })
}

pub(super) fn sensitive_place(row: &dyn Row, context: &Context) -> Result<SensitivePlace, Problem> {
    let buffer_m = numbers::optional(row, Field::Buffer)?.unwrap_or(DEFAULT_BUFFER_M);
    Ok(SensitivePlace {
        name: needed_text(row, Field::Name)?,
        position: coordinates::needed(row, context)?,
        buffer: positive_length(row, Field::Buffer, buffer_m)?,
        reason: needed_text(row, Field::Reason)?,
        review_date: dates::optional_date(row, Field::ReviewDate)?,
    })
}

fn positive_length(row: &dyn Row, field: Field, metres: f64) -> Result<Length, Problem> {
    let refused = || Problem::new(field.name(), row.get(field), "this is not more than zero", "enter metres");
    Length::metres(metres).ok().filter(|length| *length > Length::ZERO).ok_or_else(refused)
}

pub(super) fn species(row: &dyn Row) -> Result<Species, Problem> {
    let category = numbers::optional_count(row, Field::SensitivityCategory)?;
    if let Some(category) = category.filter(|category| !(1..=4).contains(category)) {
        let reason = "sensitivity categories run from 1 (extreme) to 4 (low)";
        let value = category.to_string();
        return Err(Problem::new(
            Field::SensitivityCategory.name(),
            &value,
            reason,
            "leave it empty if not sensitive",
        ));
    }
    let venomous = numbers::optional_yes(row, Field::Venomous)?;
    let missing = || Problem::new(Field::Venomous.name(), "", "there is no value", "enter yes or no");
    Ok(Species {
        scientific_name: needed_text(row, Field::ScientificName)?,
        vernacular_name: row.get(Field::VernacularName).to_owned(),
        is_venomous: venomous.ok_or_else(missing)?,
        sensitivity_category: category.and_then(|category| u8::try_from(category).ok()),
        sensitivity_reason: row.get(Field::SensitivityReason).to_owned(),
        review_date: dates::optional_date(row, Field::ReviewDate)?,
    })
}

pub(super) fn sign_location(row: &dyn Row, context: &Context) -> Result<SignLocationDraft, Problem> {
    let yes = |field| numbers::optional_yes(row, field).map(|yes| yes.unwrap_or(false));
    Ok(SignLocationDraft {
        name: needed_text(row, Field::Name)?,
        position: coordinates::needed(row, context)?,
        standing: optional_term(row, Field::Standing)?.unwrap_or(Standing::Candidate),
        permit_needed: yes(Field::PermitNeeded)?,
        on_rock: yes(Field::OnRock)?,
        heritage: yes(Field::Heritage)?,
        reason: row.get(Field::Reason).to_owned(),
    })
}
