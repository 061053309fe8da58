//! Asks for layers, each computed once a revision and set of parameters.

use std::sync::Arc;

use tokio::sync::Mutex;

use crate::derived::DeriveError;
use crate::derived::density;
use crate::derived::density::DensityLayer;
use crate::derived::exposure;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Caches;
use crate::derived::facts::Facts;
use crate::derived::memo::Memo;
use crate::derived::network;
use crate::derived::network::NetworkLayer;
use crate::derived::places;
use crate::derived::places::PlaceSummary;
use crate::derived::plan;
use crate::derived::plan::PlanLayer;
use crate::derived::plan::PlanParams;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::reactions;
use crate::derived::reactions::ReactionLayer;
use crate::derived::register;
use crate::derived::register::Register;
use crate::derived::season;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::revision::Revision;
use crate::store::Store;

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
    rates: Memo<(), RateLayer>,
    density: Memo<EffortKind, DensityLayer>,
    reactions: Memo<(), ReactionLayer>,
    places: Memo<(), Vec<PlaceSummary>>,
    plan: Memo<PlanParams, PlanLayer>,
}

/// How many different plans of one revision are remembered.
const N_PLANS: usize = 32;

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
            rates: Memo::new(1),
            density: Memo::new(EffortKind::ALL.len()),
            reactions: Memo::new(1),
            places: Memo::new(1),
            plan: Memo::new(N_PLANS),
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
            Facts::read(snapshot, &mut caches).await
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
        let value = self.network.get(facts.revision, (), async || {
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
        let network = self.network(facts).await?;
        let value = self.exposure.get(facts.revision, (), async || {
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
        let network = self.network(facts).await?;
        let exposure = match self.exposure(facts).await {
            Ok(exposure) => Some(exposure.value),
            Err(DeriveError::Unanswerable(_)) => None,
            Err(error) => return Err(error),
        };
        let value = self.snaps.get(facts.revision, (), async || {
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
        let exposure = self.exposure(facts).await?;
        let value = self.season.get(facts.revision, (), async || {
            let (facts, exposure) = (Arc::clone(&facts.value), exposure.value);
            off_thread(move || season::compute(&facts, &exposure)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Rates of stretches, segments and trails.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure that counters identify.
    pub async fn rates(&self, facts: &Derived<Facts>) -> Result<Derived<RateLayer>, DeriveError> {
        let (network, exposure) = (self.network(facts).await?, self.exposure(facts).await?);
        let snaps = self.snaps(facts).await?;
        let value = self.rates.get(facts.revision, (), async || {
            let (facts, network, exposure) = (Arc::clone(&facts.value), network.value, exposure.value);
            off_thread(move || rates::compute(&facts, &network, &exposure, &snaps.value)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Densities of one effort kind.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without trails.
    pub async fn density(
        &self,
        facts: &Derived<Facts>,
        effort: EffortKind,
    ) -> Result<Derived<DensityLayer>, DeriveError> {
        let (network, snaps) = (self.network(facts).await?, self.snaps(facts).await?);
        let value = self.density.get(facts.revision, effort, async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || density::compute(&facts, &network.value, &snaps.value, effort)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Reactions by kind of contact.
    ///
    /// # Errors
    /// [`DeriveError::Store`] when approaches cannot be read.
    pub async fn reactions(&self, facts: &Derived<Facts>) -> Result<Derived<ReactionLayer>, DeriveError> {
        let value = self.reactions.get(facts.revision, (), async || {
            let mut snapshot = self.store.snapshot().await?;
            let approaches = snapshot.approaches(facts.area.id).await?;
            let terms = snapshot.reaction_terms(facts.area.id).await?;
            drop(snapshot);
            let facts = Arc::clone(&facts.value);
            off_thread(move || reactions::compute(&facts, &approaches, &terms)).await
        });
        Ok(facts.with(value.await?))
    }

    /// Places with their encounters.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] without exposure.
    pub async fn places(&self, facts: &Derived<Facts>) -> Result<Derived<Vec<PlaceSummary>>, DeriveError> {
        let (exposure, snaps) = (self.exposure(facts).await?, self.snaps(facts).await?);
        let value = self.places.get(facts.revision, (), async || {
            let facts = Arc::clone(&facts.value);
            off_thread(move || places::compute(&facts, &exposure.value, &snaps.value)).await
        });
        Ok(facts.with(value.await?))
    }

    /// The register of decisions beside the figures of now. Where no rate can be given, the decisions are there all the same.
    ///
    /// # Errors
    /// [`DeriveError`] when the database cannot be read or a computation fails.
    pub async fn register(&self, facts: &Derived<Facts>) -> Result<Register, DeriveError> {
        let decisions = self.store.snapshot().await?.decisions(facts.area.id).await?;
        let figures = match self.rates(facts).await {
            Ok(rates) => {
                let (network, exposure) = (self.network(facts).await?, self.exposure(facts).await?);
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
        let (network, exposure) = (self.network(facts).await?, self.exposure(facts).await?);
        let rates = self.rates(facts).await?;
        let value = self.plan.get(facts.revision, params, async || {
            let (facts, network, exposure) = (Arc::clone(&facts.value), network.value, exposure.value);
            off_thread(move || plan::compute(&facts, &network, &exposure, &rates.value, &params)).await
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
    tokio::task::spawn_blocking(compute).await.map_err(DeriveError::internal)?
}
