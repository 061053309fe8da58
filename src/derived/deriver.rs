//! Asks for layers, each computed once a revision and set of parameters.

use std::sync::Arc;

use tokio::sync::Mutex;

use crate::derived::DeriveError;
use crate::derived::cluster_periods;
use crate::derived::cluster_periods::ClusterPeriods;
use crate::derived::cluster_periods::PeriodCut;
use crate::derived::clusters;
use crate::derived::clusters::ClusterLayer;
use crate::derived::density;
use crate::derived::density::DensityLayer;
use crate::derived::density::DensityParams;
use crate::derived::density::RelativeLayer;
use crate::derived::effect;
use crate::derived::effect::EffectLayer;
use crate::derived::effect::Heeding;
use crate::derived::effect::SignRecords;
use crate::derived::exposure;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Caches;
use crate::derived::facts::Facts;
use crate::derived::forecast;
use crate::derived::forecast::TrailPeriods;
use crate::derived::memo::Memo;
use crate::derived::network;
use crate::derived::network::NetworkLayer;
use crate::derived::observers;
use crate::derived::observers::ObserverLayer;
use crate::derived::places;
use crate::derived::places::PlaceSummary;
use crate::derived::plan;
use crate::derived::plan::PlanLayer;
use crate::derived::plan::PlanParams;
use crate::derived::priority;
use crate::derived::public;
use crate::derived::public::PublicLayer;
use crate::derived::rate_pattern;
use crate::derived::rate_pattern::RatePattern;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::rates::UnitKind;
use crate::derived::reactions;
use crate::derived::reactions::ReactionLayer;
use crate::derived::reactions::details::ReactionDetails;
use crate::derived::register;
use crate::derived::register::Register;
use crate::derived::season;
use crate::derived::season::SeasonLayer;
use crate::derived::season_details;
use crate::derived::season_details::SeasonDetails;
use crate::derived::snaps;
use crate::derived::snaps::SnapLayer;
use crate::derived::survey;
use crate::derived::survey::SurveyLayer;
use crate::derived::walks;
use crate::derived::walks::WalkLayer;
use crate::derived::watch;
use crate::derived::watch::FormerSeasons;
use crate::derived::watch::WatchChoice;
use crate::derived::watch::WatchLayer;
use crate::domain::notice::Notice;
use crate::domain::revision::Revision;
use crate::store::SignPlan;
use crate::store::Store;
use crate::store::boxed;

/// A layer with the revision and the parameters it was computed for.
#[derive(Debug, Clone)]
pub struct Derived<T> {
    /// The layer.
    pub value: Arc<T>,
    /// The revision it rests on.
    pub revision: Revision,
    /// The parameters, in words.
    pub parameters: String,
}

impl<T> std::ops::Deref for Derived<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.value
    }
}

/// The layers of one database.
pub struct Deriver {
    store: Store,
    caches: Mutex<Caches>,
    facts: Memo<(), Facts>,
    network: Memo<(), NetworkLayer>,
    exposure: Memo<(), ExposureLayer>,
    snaps: Memo<(), SnapLayer>,
    season: Memo<(), SeasonLayer>,
    season_details: Memo<(), SeasonDetails>,
    rates: Memo<(), RateLayer>,
    rate_pattern: Memo<(), RatePattern>,
    density: Memo<DensityParams, DensityLayer>,
    relative_density: Memo<DensityParams, RelativeLayer>,
    clusters: Memo<(), ClusterLayer>,
    cluster_periods: Memo<PeriodCut, ClusterPeriods>,
    reactions: Memo<(), ReactionLayer>,
    reaction_details: Memo<(), ReactionDetails>,
    places: Memo<(), Vec<PlaceSummary>>,
    plan: Memo<PlanParams, PlanLayer>,
    walks: Memo<(), WalkLayer>,
    survey: Memo<(), SurveyLayer>,
    observers: Memo<(), ObserverLayer>,
    effect: Memo<(), EffectLayer>,
    watch: Memo<WatchChoice, WatchLayer>,
    former_seasons: Memo<(UnitKind, i16), FormerSeasons>,
    trail_periods: Memo<(), TrailPeriods>,
    public: Memo<(), PublicLayer>,
}

/// How many different densities of one revision are remembered.
const N_DENSITIES: usize = 16;
/// How many different plans of one revision are remembered.
const N_PLANS: usize = 32;
/// How many watched seasons of one revision are remembered.
const N_WATCHES: usize = 8;

impl Deriver {
    /// The layers of a database; nothing is computed yet.
    pub fn new(store: Store) -> Self {
        Self {
            store,
            caches: Mutex::default(),
            facts: Memo::new(1),
            network: Memo::new(1),
            exposure: Memo::new(1),
            snaps: Memo::new(1),
            season: Memo::new(1),
            season_details: Memo::new(1),
            rates: Memo::new(1),
            rate_pattern: Memo::new(1),
            density: Memo::new(N_DENSITIES),
            relative_density: Memo::new(N_DENSITIES),
            clusters: Memo::new(1),
            cluster_periods: Memo::new(PeriodCut::ALL.len()),
            reactions: Memo::new(1),
            reaction_details: Memo::new(1),
            places: Memo::new(1),
            plan: Memo::new(N_PLANS),
            walks: Memo::new(1),
            survey: Memo::new(1),
            observers: Memo::new(1),
            effect: Memo::new(1),
            watch: Memo::new(N_WATCHES),
            former_seasons: Memo::new(N_WATCHES),
            trail_periods: Memo::new(1),
            public: Memo::new(1),
        }
    }

    /// The facts at the present revision: the start of every answer, so that all layers of a page belong together.
    ///
    /// # Errors
    /// [`DeriveError`] when there is no area or the database cannot be read.
    pub async fn facts(&self) -> Result<Derived<Facts>, DeriveError> {
        let revision = self.store.revision().await?;
        let read = async || {
            let mut caches = self.caches.lock().await;
            let snapshot = self.store.snapshot().await?;
            boxed(Facts::read(snapshot, &mut caches)).await
        };
        let value = self.facts.get(revision, (), read).await?;
        // The snapshot may already be one commit ahead of the question.
        let revision = value.revision;
        let parameters = value.settings.words();
        Ok(Derived { value, revision, parameters })
    }

    /// The network.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails.
    pub async fn network(&self, facts: &Derived<Facts>) -> Result<Derived<NetworkLayer>, DeriveError> {
        let value = self.network.get(facts.basis, (), async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || network::build(&facts)).await
        });
        Ok(facts.with(value.await?))
    }

    /// How far parties walked.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trailheads on the trails, or readings, or dated reports.
    pub async fn exposure(&self, facts: &Derived<Facts>) -> Result<Derived<ExposureLayer>, DeriveError> {
        let network = boxed(self.network(facts)).await?;
        let value = self.exposure.get(facts.basis, (), async || {
            let (facts, network) = (Arc::clone(&facts.value), network.value);
            off_thread(move || exposure::compute(&facts, &network)).await
        });
        Ok(facts.with(value.await?))
    }

    /// What each encounter is tied to. Without exposure all metres of trail are alike.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails.
    pub async fn snaps(&self, facts: &Derived<Facts>) -> Result<Derived<SnapLayer>, DeriveError> {
        let network = boxed(self.network(facts)).await?;
        let exposure = match boxed(self.exposure(facts)).await {
            Ok(exposure) => Some(exposure.value),
            Err(DeriveError::Unanswerable(_)) => None,
            Err(error) => return Err(error),
        };
        let value = self.snaps.get(facts.basis, (), async || {
            let (facts, network) = (Arc::clone(&facts.value), network.value);
            off_thread(move || snaps::compute(&facts, &network, exposure.as_deref())).await
        });
        Ok(facts.with(value.await?))
    }

    /// Season and hours.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure.
    pub async fn season(&self, facts: &Derived<Facts>) -> Result<Derived<SeasonLayer>, DeriveError> {
        let (network, exposure) = (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
        let snaps = boxed(self.snaps(facts)).await?;
        let value = self.season.get(facts.basis, (), async || {
            let (facts, network, exposure) = (Arc::clone(&facts.value), network.value, exposure.value);
            off_thread(move || season::compute(&facts, &network, &exposure, &snaps.value)).await
        });
        Ok(facts.with(value.await?))
    }

    /// What the walking of open times is worth where something was closed: season and hours. None where nothing was closed, or no
    /// season can be told.
    async fn season_if_closed(
        &self,
        facts: &Derived<Facts>,
        exposure: &ExposureLayer,
    ) -> Result<Option<Arc<SeasonLayer>>, DeriveError> {
        if exposure.field.courses.is_plain() {
            return Ok(None);
        }
        match boxed(self.season(facts)).await {
            Ok(season) => Ok(Some(season.value)),
            Err(DeriveError::Unanswerable(_)) => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// What stands beside the season: weeks, the sun, and a description of the hours.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure.
    pub async fn season_details(
        &self,
        facts: &Derived<Facts>,
    ) -> Result<Derived<SeasonDetails>, DeriveError> {
        let (exposure, snaps) = (boxed(self.exposure(facts)).await?, boxed(self.snaps(facts)).await?);
        let value = self.season_details.get(facts.basis, (), async || {
            let (facts, exposure) = (Arc::clone(&facts.value), exposure.value);
            off_thread(move || season_details::compute(&facts, &exposure, &snaps.value)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Rates of stretches, segments and trails.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure that counters identify.
    pub async fn rates(&self, facts: &Derived<Facts>) -> Result<Derived<RateLayer>, DeriveError> {
        let (network, exposure) = (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
        let snaps = boxed(self.snaps(facts)).await?;
        let season = self.season_if_closed(facts, &exposure).await?;
        let value = self.rates.get(facts.basis, (), async || {
            let (facts, network, exposure) = (Arc::clone(&facts.value), network.value, exposure.value);
            off_thread(move || rates::compute(&facts, &network, &exposure, &snaps.value, season.as_deref()))
                .await
        });
        Ok(facts.with(value.await?))
    }

    /// Whether neighbouring stretches resemble each other, before and after the fit.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without rates.
    pub async fn rate_pattern(&self, facts: &Derived<Facts>) -> Result<Derived<RatePattern>, DeriveError> {
        let (network, exposure) = (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
        let (snaps, rates) = (boxed(self.snaps(facts)).await?, boxed(self.rates(facts)).await?);
        let value = self.rate_pattern.get(facts.basis, (), async || {
            let facts = Arc::clone(&facts.value);
            let compute = move || {
                rate_pattern::compute(&facts, &network.value, &exposure.value, &snaps.value, &rates.value)
            };
            off_thread(compute).await
        });
        Ok(facts.with(value.await?))
    }

    /// Densities of one effort kind, along the trails and in the plane.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails.
    pub async fn density(
        &self,
        facts: &Derived<Facts>,
        params: DensityParams,
    ) -> Result<Derived<DensityLayer>, DeriveError> {
        let (network, snaps) = (boxed(self.network(facts)).await?, boxed(self.snaps(facts)).await?);
        let value = self.density.get(facts.basis, params, async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || density::compute(&facts, &network.value, &snaps.value, &params)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Reports over walking along the trails, with tolerance contours.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure, or for encounters that are not divided by walking.
    pub async fn relative_density(
        &self,
        facts: &Derived<Facts>,
        params: DensityParams,
    ) -> Result<Derived<RelativeLayer>, DeriveError> {
        let (network, snaps) = (boxed(self.network(facts)).await?, boxed(self.snaps(facts)).await?);
        let (exposure, density) =
            (boxed(self.exposure(facts)).await?, boxed(self.density(facts, params)).await?);
        let season = self.season_if_closed(facts, &exposure).await?;
        let value = self.relative_density.get(facts.basis, params, async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || {
                let (snaps, exposure) = (&snaps.value, &exposure.value);
                let asked = (&*density.value, &params);
                let season = season.as_deref();
                density::relative::compute(&facts, &network.value, snaps, exposure, asked, season)
            })
            .await
        });
        Ok(facts.with(value.await?))
    }

    /// Clusters of reports given the walking.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails or exposure.
    pub async fn clusters(&self, facts: &Derived<Facts>) -> Result<Derived<ClusterLayer>, DeriveError> {
        let (network, exposure) = (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
        let snaps = boxed(self.snaps(facts)).await?;
        let season = self.season_if_closed(facts, &exposure).await?;
        let value = self.clusters.get(facts.basis, (), async || {
            let facts = Arc::clone(&facts.value);
            let (network, exposure, snaps) = (network.value, exposure.value, snaps.value);
            off_thread(move || clusters::compute(&facts, &network, &exposure, &snaps, season.as_deref()))
                .await
        });
        Ok(facts.with(value.await?))
    }

    /// Clusters of reports in each period of the year or day, corrected over segments and periods.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails, or where no report lies on walking that counters identify.
    pub async fn cluster_periods(
        &self,
        facts: &Derived<Facts>,
        cut: PeriodCut,
    ) -> Result<Derived<ClusterPeriods>, DeriveError> {
        let (network, exposure) = (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
        let (snaps, season) = (boxed(self.snaps(facts)).await?, boxed(self.season(facts)).await?);
        let value = self.cluster_periods.get(facts.basis, cut, async || {
            let facts = Arc::clone(&facts.value);
            let (network, exposure, snaps, season) =
                (network.value, exposure.value, snaps.value, season.value);
            off_thread(move || {
                let ground = cluster_periods::Ground {
                    facts: &facts,
                    network: &network,
                    exposure: &exposure,
                    snaps: &snaps,
                    season: &season,
                };
                cluster_periods::compute(ground, cut)
            })
            .await
        });
        Ok(facts.with(value.await?))
    }

    /// Reactions by kind of contact.
    ///
    /// # Errors
    /// [`DeriveError::Store`] when approaches cannot be read.
    pub async fn reactions(&self, facts: &Derived<Facts>) -> Result<Derived<ReactionLayer>, DeriveError> {
        let value = self.reactions.get(facts.basis, (), async || {
            let mut snapshot = self.store.snapshot().await?;
            let approaches = snapshot.approaches(facts.area.id).await?;
            let terms = snapshot.reaction_terms(facts.area.id).await?;
            drop(snapshot);
            let facts = Arc::clone(&facts.value);
            off_thread(move || reactions::compute(&facts, &approaches, &terms)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Strikes in parts of the approaches, and the time until snakes react.
    ///
    /// # Errors
    /// [`DeriveError::Store`] when approaches cannot be read.
    pub async fn reaction_details(
        &self,
        facts: &Derived<Facts>,
    ) -> Result<Derived<ReactionDetails>, DeriveError> {
        let value = self.reaction_details.get(facts.basis, (), async || {
            let mut snapshot = self.store.snapshot().await?;
            let approaches = snapshot.approaches(facts.area.id).await?;
            let terms = snapshot.reaction_terms(facts.area.id).await?;
            drop(snapshot);
            let facts = Arc::clone(&facts.value);
            off_thread(move || reactions::details::compute(&facts, &approaches, &terms)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Places with their encounters.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure.
    pub async fn places(&self, facts: &Derived<Facts>) -> Result<Derived<Vec<PlaceSummary>>, DeriveError> {
        let (exposure, snaps) = (boxed(self.exposure(facts)).await?, boxed(self.snaps(facts)).await?);
        let value = self.places.get(facts.basis, (), async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || places::compute(&facts, &exposure.value, &snaps.value)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Survey walks on the network, with their encounters.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails.
    pub async fn walks(&self, facts: &Derived<Facts>) -> Result<Derived<WalkLayer>, DeriveError> {
        let network = boxed(self.network(facts)).await?;
        let value = self.walks.get(facts.basis, (), async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || walks::compute(&facts, &network.value)).await
        });
        Ok(facts.with(value.await?))
    }

    /// What anybody may see.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure.
    pub async fn public(&self, facts: &Derived<Facts>) -> Result<Derived<PublicLayer>, DeriveError> {
        let (network, exposure) = (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
        let snaps = boxed(self.snaps(facts)).await?;
        let value = self.public.get(facts.basis, (), async || {
            let (facts, network, exposure) = (Arc::clone(&facts.value), network.value, exposure.value);
            off_thread(move || public::compute(&facts, &network, &exposure, &snaps.value)).await
        });
        Ok(facts.with(value.await?))
    }

    /// A season against what former years lead to expect.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without rates or an earlier year.
    pub async fn watch(
        &self,
        facts: &Derived<Facts>,
        choice: WatchChoice,
    ) -> Result<Derived<WatchLayer>, DeriveError> {
        let (exposure, snaps) = (boxed(self.exposure(facts)).await?, boxed(self.snaps(facts)).await?);
        let (rates, season) = (boxed(self.rates(facts)).await?, boxed(self.season(facts)).await?);
        let value = self.watch.get(facts.basis, choice, async || {
            let before = (choice.unit, watch::season_of(&exposure.value, &season.value, choice)?);
            let grounds = watch::Grounds {
                facts: Arc::clone(&facts.value),
                exposure: exposure.value,
                snaps: snaps.value,
                rates: rates.value,
                season: season.value,
            };
            let former = self.former_seasons.get(facts.basis, before, async || {
                let grounds = grounds.clone();
                off_thread(move || watch::former_seasons(&grounds.ground(), choice)).await
            });
            let former = boxed(former).await?;
            off_thread(move || watch::compute(&grounds.ground(), choice, &former)).await
        });
        Ok(facts.with(value.await?))
    }

    /// What one party is expected to report on each trail, and all over the whole area, in each month and part of the day.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without rates or trailheads.
    pub async fn trail_periods(&self, facts: &Derived<Facts>) -> Result<Derived<TrailPeriods>, DeriveError> {
        let (network, rates) = (boxed(self.network(facts)).await?, boxed(self.rates(facts)).await?);
        let (exposure, season) = (boxed(self.exposure(facts)).await?, boxed(self.season(facts)).await?);
        let value = self.trail_periods.get(facts.basis, (), async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || {
                forecast::trail_periods(&forecast::Ground {
                    facts: &facts,
                    network: &network.value,
                    rates: &rates.value,
                    exposure: &exposure.value,
                    season: &season.value,
                })
            })
            .await
        });
        Ok(facts.with(value.await?))
    }

    /// The temporary notices, those that expire last first.
    ///
    /// # Errors
    /// [`DeriveError::Store`] when they cannot be read.
    pub async fn notices(&self, facts: &Derived<Facts>) -> Result<Vec<Notice>, DeriveError> {
        Ok(self.store.snapshot().await?.notices(facts.area.id).await?)
    }

    /// Survey rates, and surveys and reports together. Without counted walking the survey rates stand alone.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails or without a survey walk on them.
    pub async fn survey(&self, facts: &Derived<Facts>) -> Result<Derived<SurveyLayer>, DeriveError> {
        let (network, walks) = (boxed(self.network(facts)).await?, boxed(self.walks(facts)).await?);
        let visitors = match boxed(self.rates(facts)).await {
            Ok(rates) => Some((
                boxed(self.exposure(facts)).await?.value,
                boxed(self.snaps(facts)).await?.value,
                boxed(self.season(facts)).await?.value,
                rates.value,
            )),
            Err(DeriveError::Unanswerable(_)) => None,
            Err(error) => return Err(error),
        };
        let value =
            self.survey.get(facts.basis, (), async || {
                let facts = Arc::clone(&facts.value);
                off_thread(move || {
                    let visitors = visitors.as_ref().map(|(exposure, snaps, season, rates)| {
                        survey::Visitors { exposure, snaps, season, rates }
                    });
                    survey::compute(&facts, &network.value, &walks.value, visitors)
                })
                .await
            });
        Ok(facts.with(value.await?))
    }

    /// The register of decisions beside the figures of now. Where no rate can be given, the decisions are there all the same.
    ///
    /// # Errors
    /// [`DeriveError`] when the database cannot be read or a computation fails.
    pub async fn register(&self, facts: &Derived<Facts>) -> Result<Register, DeriveError> {
        let decisions = self.store.snapshot().await?.decisions(facts.area.id).await?;
        let figures = match boxed(self.rates(facts)).await {
            Ok(rates) => {
                let (network, exposure) =
                    (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
                Ok(register::figures(facts, &network, &exposure, &rates))
            }
            Err(DeriveError::Unanswerable(reason)) => Err(reason),
            Err(error) => return Err(error),
        };
        Ok(register::compile(decisions, figures))
    }

    /// A sign plan.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without rates or trips, or when the rules cannot be kept.
    pub async fn plan(
        &self,
        facts: &Derived<Facts>,
        params: PlanParams,
    ) -> Result<Derived<PlanLayer>, DeriveError> {
        let (network, exposure) = (boxed(self.network(facts)).await?, boxed(self.exposure(facts)).await?);
        let rates = boxed(self.rates(facts)).await?;
        let value = self.plan.get(facts.basis, params, async || {
            let (facts, network, exposure) = (Arc::clone(&facts.value), network.value, exposure.value);
            off_thread(move || plan::compute(&facts, &network, &exposure, &rates.value, &params)).await
        });
        Ok(facts.with(value.await?))
    }

    /// The kept sign plans, newest first.
    ///
    /// # Errors
    /// [`DeriveError::Store`] when they cannot be read.
    pub async fn sign_plans(&self, facts: &Derived<Facts>) -> Result<Vec<SignPlan>, DeriveError> {
        Ok(self.store.snapshot().await?.sign_plans(facts.area.id).await?)
    }

    /// What watching at standing signs found, for what is assumed of heeding them.
    ///
    /// # Errors
    /// [`DeriveError::Store`] when the watches cannot be read.
    pub async fn heeding(&self, facts: &Derived<Facts>) -> Result<Vec<Heeding>, DeriveError> {
        let watches = self.store.snapshot().await?.sign_watches(facts.area.id).await?;
        effect::heeding(&watches, &facts.signs_in_place)
    }

    /// What two observers on one walk saw and missed.
    ///
    /// # Errors
    /// [`DeriveError::Store`] when the walks cannot be read.
    pub async fn observers(&self, facts: &Derived<Facts>) -> Result<Derived<ObserverLayer>, DeriveError> {
        let value = self.observers.get(facts.basis, (), async || {
            let walks = self.store.snapshot().await?.double_observer_walks(facts.area.id).await?;
            off_thread(move || observers::compute(&walks)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Signs in place and what they did. Without exposure the signs are listed, but not compared.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails.
    pub async fn effect(&self, facts: &Derived<Facts>) -> Result<Derived<EffectLayer>, DeriveError> {
        let (network, snaps) = (boxed(self.network(facts)).await?, boxed(self.snaps(facts)).await?);
        let walks = boxed(self.walks(facts)).await?;
        let walking = match boxed(self.exposure(facts)).await {
            Ok(exposure) => Some((exposure.value, boxed(self.season(facts)).await?.value)),
            Err(DeriveError::Unanswerable(_)) => None,
            Err(error) => return Err(error),
        };
        let value = self.effect.get(facts.basis, (), async || {
            let mut snapshot = self.store.snapshot().await?;
            let records = SignRecords {
                plans: snapshot.sign_plans(facts.area.id).await?,
                inspections: snapshot.sign_inspections(facts.area.id).await?,
                approaches: snapshot.approaches(facts.area.id).await?,
                watches: snapshot.sign_watches(facts.area.id).await?,
            };
            drop(snapshot);
            let facts = Arc::clone(&facts.value);
            off_thread(move || {
                let known = effect::Known {
                    exposure: walking.as_ref().map(|(exposure, _)| &**exposure),
                    season: walking.as_ref().map(|(_, season)| &**season),
                    snaps: &snaps.value,
                    walks: &walks.value,
                };
                effect::compute(&facts, &network.value, known, &records)
            })
            .await
        });
        Ok(facts.with(value.await?))
    }
}

impl Derived<Facts> {
    fn with<T>(&self, value: Arc<T>) -> Derived<T> {
        Derived { value, revision: self.revision, parameters: self.parameters.clone() }
    }
}

/// Runs a computation off the async threads.
async fn off_thread<T, F>(compute: F) -> Result<T, DeriveError>
where
    T: Send + 'static,
    F: FnOnce() -> Result<T, DeriveError> + Send + 'static,
{
    let giving_way = || {
        priority::give_way();
        compute()
    };
    tokio::task::spawn_blocking(giving_way).await.map_err(DeriveError::internal)?
}
