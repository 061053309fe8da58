//! The facts of one area at one revision, as the layers read them.

use std::collections::HashSet;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::derived::DeriveError;
use crate::derived::settings::Settings;
use crate::domain::area::Area;
use crate::domain::area::Species;
use crate::domain::closure::Closure;
use crate::domain::encounter::VerificationStatus;
use crate::domain::exposure::Calibration;
use crate::domain::exposure::Counter;
use crate::domain::exposure::PartySize;
use crate::domain::place::Place;
use crate::domain::place::SensitivePlace;
use crate::domain::revision::Revision;
use crate::domain::trail::Trail;
use crate::domain::trail::Trailhead;
use crate::domain::walk::Walk;
use crate::domain::weather::DailyWeather;
use crate::store::EncounterCache;
use crate::store::EncounterRow;
use crate::store::Encounters;
use crate::store::HandSnap;
use crate::store::ReadingCache;
use crate::store::Readings;
use crate::store::SignInPlace;
use crate::store::SignLocation;
use crate::store::Snapshot;
use crate::store::boxed;

/// Everything the layers are computed from.
#[derive(Debug, Clone)]
pub struct Facts {
    /// The revision they belong to.
    pub revision: Revision,
    /// The day, where the area is, on which that revision was written; none before the first.
    pub written_on: Option<Date>,
    /// The revision from which on everything that layers rest on has been as it is now.
    pub basis: Revision,
    /// The day, where the area is, on which that one was written; none before the first.
    pub basis_written_on: Option<Date>,
    /// The area.
    pub area: Area,
    /// Its settings.
    pub settings: Settings,
    /// Its species.
    pub species: Vec<Species>,
    /// Its trails.
    pub trails: Vec<Trail>,
    /// Its trailheads.
    pub trailheads: Vec<Trailhead>,
    /// Its places.
    pub places: Vec<Place>,
    /// Its sensitive places.
    pub sensitive_places: Vec<SensitivePlace>,
    /// Its counters.
    pub counters: Vec<Counter>,
    /// Their calibration sessions.
    pub calibrations: Vec<Calibration>,
    /// Party sizes.
    pub party_sizes: Vec<PartySize>,
    /// Trailheads and trails that were taken out and have party sizes: these hold nowhere.
    pub party_sizes_apart: Vec<String>,
    /// Closures of trails, trailheads and the whole area, by start and name.
    pub closures: Vec<Closure>,
    /// The highest temperatures of days, by date.
    pub daily_weather: Vec<DailyWeather>,
    /// Survey walks.
    pub walks: Vec<Walk>,
    /// Sign locations given by staff.
    pub sign_locations: Vec<SignLocation>,
    /// Signs in place.
    pub signs_in_place: Vec<SignInPlace>,
    /// Snaps set by hand.
    pub hand_snaps: Vec<HandSnap>,
    /// Encounters.
    pub encounters: Arc<Encounters>,
    /// Counter readings.
    pub readings: Arc<Readings>,
    /// Species that are known not to be venomous: their encounters go into no figure.
    harmless: HashSet<u32>,
}

/// What is remembered between revisions, so that only what changed is read again.
#[derive(Debug, Default)]
pub struct Caches {
    encounters: EncounterCache,
    readings: ReadingCache,
}

impl Facts {
    /// Reads the facts of the first area.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] when there is no area yet, [`DeriveError::Store`] when the database cannot be read.
    pub async fn read(mut snapshot: Snapshot, caches: &mut Caches) -> Result<Self, DeriveError> {
        let no_area = || {
            DeriveError::missing(
                "There is no area yet. Make it on the command line: coilway area --name \"Our Reserve\" --zone Europe/Vienna --emergency-number 112.",
            )
        };
        let area = boxed(snapshot.areas()).await?.into_iter().next().ok_or_else(no_area)?;
        let id = area.id;
        let settings =
            Settings::from_stored(&boxed(snapshot.settings(id)).await?).map_err(DeriveError::internal)?;
        let species = boxed(snapshot.species(id)).await?;
        let encounters = boxed(snapshot.encounters(id, &mut caches.encounters)).await?;
        let is_harmless = |name: &String| {
            species.iter().any(|listed| listed.scientific_name == *name && !listed.is_venomous)
        };
        let harmless = encounters
            .species
            .iter()
            .enumerate()
            .filter(|(_, name)| is_harmless(name))
            .map(|(idx, _)| idx as u32);
        // By name: in what order a file listed them changes no figure, though draws are dealt out in this order.
        let mut trails = boxed(snapshot.trails(id)).await?;
        trails.sort_by(|a, b| a.name.cmp(&b.name));
        let mut trailheads = boxed(snapshot.trailheads(id)).await?;
        trailheads.sort_by(|a, b| a.name.cmp(&b.name));
        let zone = TimeZone::get(&area.time_zone).unwrap_or(TimeZone::UTC);
        let day = |at_s: Option<i64>| {
            at_s.and_then(|at_s| Timestamp::from_second(at_s).ok()).map(|at| zone.to_datetime(at).date())
        };
        let (revision, basis) = (snapshot.revision(), boxed(snapshot.figures_revision()).await?);
        Ok(Self {
            revision,
            written_on: day(boxed(snapshot.committed_at_s(revision)).await?),
            basis,
            basis_written_on: day(boxed(snapshot.committed_at_s(basis)).await?),
            settings,
            trails,
            trailheads,
            places: boxed(snapshot.places(id)).await?,
            sensitive_places: boxed(snapshot.sensitive_places(id)).await?,
            counters: boxed(snapshot.counters(id)).await?,
            calibrations: boxed(snapshot.calibrations(id)).await?,
            party_sizes: boxed(snapshot.party_sizes(id)).await?,
            party_sizes_apart: boxed(snapshot.party_sizes_apart(id)).await?,
            closures: boxed(snapshot.closures(id)).await?,
            daily_weather: boxed(snapshot.daily_weather(id)).await?,
            walks: boxed(snapshot.walks(id)).await?,
            sign_locations: boxed(snapshot.sign_locations(id)).await?,
            signs_in_place: boxed(snapshot.signs_in_place(id)).await?,
            hand_snaps: boxed(snapshot.hand_snaps(id)).await?,
            readings: boxed(snapshot.readings(id, &mut caches.readings)).await?,
            harmless: harmless.collect(),
            area,
            species,
            encounters,
        })
    }

    /// Whether an encounter may go into figures: not rejected, and not of a species known not to be venomous.
    pub fn counts(&self, row: &EncounterRow) -> bool {
        row.verification_status != VerificationStatus::Rejected && !self.harmless.contains(&row.species)
    }
}
