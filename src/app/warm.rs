//! Derives what most pages need as soon as the data change, so that the first reader does not wait.

use std::time::Duration;

use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::Deriver;
use crate::derived::cluster_periods::PeriodCut;
use crate::derived::density::BandwidthChoice;
use crate::derived::density::DensityParams;
use crate::derived::density::Kernel;
use crate::derived::facts::Facts;
use crate::derived::plan::PlanParams;
use crate::derived::rates::UnitKind;
use crate::derived::watch::WatchChoice;
use crate::domain::encounter::EffortKind;
use crate::domain::revision::Revision;

/// How often the database is asked for its revision.
const PAUSE: Duration = Duration::from_secs(1);

/// How far the layers of the present revision are.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Progress {
    /// Nobody follows the revision, or it has not been looked at yet.
    #[default]
    NotFollowed,
    /// A layer is being derived.
    Deriving(Step),
    /// All layers that the facts allow are there.
    Ready(Revision),
    /// The layers could not be derived, and why; the pages say more.
    Stopped(Revision, String),
}

/// One step of deriving the layers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// Its number, from 1.
    pub number: usize,
    /// How many there are.
    pub n_steps: usize,
    /// What is done in it.
    pub words: &'static str,
    /// The revision whose layers are derived.
    pub revision: Revision,
}

const STEPS: [&str; 11] = [
    "reading the records",
    "cutting the trails into segments",
    "drawing how people walk, from counters and trailheads",
    "tying encounters to the trails",
    "estimating rates with their intervals",
    "fitting season and hours",
    "adding up places",
    "tabling reactions",
    "planning signs",
    "looking for clusters",
    "working out what single pages show",
];

/// Follows the revision until it is dropped; never ends by itself.
///
/// What the facts do not allow is left to the page that asks for it, which then says why.
pub async fn keep_warm(app: App) {
    let mut seen = None;
    loop {
        match app.store().revision().await {
            Ok(revision) if seen != Some(revision) => {
                let progress = match derive(&app, revision).await {
                    Ok(()) => {
                        tracing::info!(%revision, "layers are ready");
                        Progress::Ready(revision)
                    }
                    Err(DeriveError::Unanswerable(reason)) => {
                        tracing::info!(%revision, reason, "layers wait for data");
                        Progress::Stopped(revision, reason)
                    }
                    Err(error) => {
                        tracing::warn!(%revision, %error, "layers could not be derived");
                        Progress::Stopped(
                            revision,
                            "a layer could not be derived; the log says why".to_owned(),
                        )
                    }
                };
                app.set_progress(progress);
                seen = Some(revision);
            }
            Ok(_) => {}
            Err(error) => tracing::warn!(%error, "the revision could not be read"),
        }
        tokio::time::sleep(PAUSE).await;
    }
}

async fn derive(app: &App, revision: Revision) -> Result<(), DeriveError> {
    let step = |number: usize| {
        let step = Step { number, n_steps: STEPS.len(), words: STEPS[number - 1], revision };
        app.set_progress(Progress::Deriving(step));
    };
    let deriver = app.deriver();
    step(1);
    let facts = deriver.facts().await?;
    step(2);
    deriver.network(&facts).await?;
    step(3);
    deriver.exposure(&facts).await?;
    step(4);
    deriver.snaps(&facts).await?;
    step(5);
    deriver.rates(&facts).await?;
    step(6);
    deriver.season(&facts).await?;
    step(7);
    deriver.places(&facts).await?;
    deriver.walks(&facts).await?;
    step(8);
    deriver.reactions(&facts).await?;
    step(9);
    deriver.plan(&facts, PlanParams::standard(&facts)?).await?;
    step(10);
    deriver.clusters(&facts).await?;
    step(11);
    single_pages(app, &facts).await
}

/// Derives what no other layer rests on, but a page shows without being asked for more; ends early where the data have changed
/// meanwhile.
async fn single_pages(app: &App, facts: &Derived<Facts>) -> Result<(), DeriveError> {
    for page in SinglePage::all() {
        if app.store().revision().await? != facts.revision {
            return Ok(());
        }
        page.derive(app.deriver(), facts).await?;
    }
    Ok(())
}

async fn density(
    deriver: &Deriver,
    facts: &Derived<Facts>,
    params: DensityParams,
) -> Result<(), DeriveError> {
    where_allowed(deriver.density(facts, params).await)?;
    where_allowed(deriver.relative_density(facts, params).await)
}

/// What one page shows without being asked for more, and no other layer rests on.
#[derive(Debug, Clone, Copy)]
pub enum SinglePage {
    /// What to expect on each trail, by month and part of the day.
    TrailPeriods,
    /// The public page.
    Public,
    /// Whether neighbouring stretches resemble each other.
    RatePattern,
    /// Weeks, warm days and sun.
    SeasonDetails,
    /// Parts of reactions, and times until one.
    ReactionDetails,
    /// Survey rates, joint rates and the reporting ratio.
    Survey,
    /// What observers notice.
    Observers,
    /// Density of the encounters of an effort kind, along trails and against walking.
    Density(EffortKind),
    /// The same of reports with the likeliest bandwidth.
    LikeliestDensity,
    /// The same of reports with the Gaussian kernel.
    GaussianDensity,
    /// Clusters by period.
    ClusterPeriods(PeriodCut),
    /// This season against expectation.
    Watch(UnitKind),
    /// What signs did.
    Effect,
}

impl SinglePage {
    /// All of them, in the order in which they are derived.
    pub fn all() -> impl Iterator<Item = Self> {
        let first = [
            Self::TrailPeriods,
            Self::Public,
            Self::RatePattern,
            Self::SeasonDetails,
            Self::ReactionDetails,
            Self::Survey,
            Self::Observers,
        ];
        let densities = EffortKind::ALL.iter().map(|effort| Self::Density(*effort));
        let cuts = PeriodCut::ALL.into_iter().map(Self::ClusterPeriods);
        let last = [Self::Watch(UnitKind::Stretch), Self::Watch(UnitKind::Trail), Self::Effect];
        first
            .into_iter()
            .chain(densities)
            .chain([Self::LikeliestDensity, Self::GaussianDensity])
            .chain(cuts)
            .chain(last)
    }

    /// Derives its layers.
    ///
    /// # Errors
    /// [`DeriveError`] when a layer cannot be derived; what the facts do not allow is left to the page.
    pub async fn derive(self, deriver: &Deriver, facts: &Derived<Facts>) -> Result<(), DeriveError> {
        let set = |effort: EffortKind| DensityParams::set(&facts.settings, effort);
        match self {
            Self::TrailPeriods => where_allowed(deriver.trail_periods(facts).await),
            Self::Public => where_allowed(deriver.public(facts).await),
            Self::RatePattern => where_allowed(deriver.rate_pattern(facts).await),
            Self::SeasonDetails => where_allowed(deriver.season_details(facts).await),
            Self::ReactionDetails => where_allowed(deriver.reaction_details(facts).await),
            Self::Survey => where_allowed(deriver.survey(facts).await),
            Self::Observers => where_allowed(deriver.observers(facts).await),
            Self::Density(effort) => density(deriver, facts, set(effort)).await,
            Self::LikeliestDensity => {
                let params =
                    DensityParams { bandwidth: BandwidthChoice::Likelihood, ..set(EffortKind::Report) };
                density(deriver, facts, params).await
            }
            Self::GaussianDensity => {
                let params = DensityParams { kernel: Kernel::Gaussian, ..set(EffortKind::Report) };
                density(deriver, facts, params).await
            }
            Self::ClusterPeriods(cut) => where_allowed(deriver.cluster_periods(facts, cut).await),
            Self::Watch(unit) => where_allowed(deriver.watch(facts, WatchChoice { unit, until: None }).await),
            Self::Effect => where_allowed(deriver.effect(facts).await),
        }
    }
}

/// What the facts do not allow stops nothing else.
fn where_allowed<T>(answer: Result<T, DeriveError>) -> Result<(), DeriveError> {
    match answer {
        Ok(_) | Err(DeriveError::Unanswerable(_)) => Ok(()),
        Err(error) => Err(error),
    }
}
