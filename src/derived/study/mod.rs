//! Every table of a study, from the layers of one revision: what a paper needs to be printed, checked and made again.
//!
//! A table is one function from [`Layers`] to [`Table`] and one line in [`TABLES`]; page, archive and check go over
//! that list. No table holds the position of an encounter, a name of a person, or a sensitive place: nothing that lies along
//! a trail is told finer than by segment, only of reports, and near sensitive places by whole trails alone ([`withheld`]).

mod closures;
mod clusters;
mod contacts;
mod decisions;
mod density;
mod effect;
mod exposure;
mod forecast;
mod notices;
mod observers;
mod pattern;
mod rates;
mod reactions;
mod records;
mod season;
mod signs;
mod survey;
mod table;
mod watch;
mod watching;
pub mod withheld;

use std::sync::Arc;

use jiff::civil::Date;

use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::Deriver;
use crate::derived::cluster_periods::ClusterPeriods;
use crate::derived::cluster_periods::PeriodCut;
use crate::derived::clusters::ClusterLayer;
use crate::derived::density::DensityLayer;
use crate::derived::density::DensityParams;
use crate::derived::density::relative::RelativeLayer;
use crate::derived::effect::EffectLayer;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::forecast::TrailPeriods;
use crate::derived::network::NetworkLayer;
use crate::derived::observers::ObserverLayer;
use crate::derived::places::PlaceSummary;
use crate::derived::plan::PlanLayer;
use crate::derived::plan::PlanParams;
use crate::derived::rate_pattern::RatePattern;
use crate::derived::rates::RateLayer;
use crate::derived::rates::UnitKind;
use crate::derived::reactions::ReactionLayer;
use crate::derived::reactions::details::ReactionDetails;
use crate::derived::register::Register;
use crate::derived::season::SeasonLayer;
use crate::derived::season_details::SeasonDetails;
use crate::derived::snaps::SnapLayer;
use crate::derived::survey::SurveyLayer;
use crate::derived::walks::WalkLayer;
use crate::derived::watch::WatchChoice;
use crate::derived::watch::WatchLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::notice::Notice;
use crate::domain::units::Length;
use crate::store::boxed;

pub use crate::derived::study::table::Column;
pub use crate::derived::study::table::Table;
pub use crate::derived::study::table::Value;
pub use crate::derived::study::table::csv_bytes;
pub use crate::derived::study::table::dictionary;
use crate::derived::study::withheld::Withheld;

/// Signs of the plan in a study.
const N_SIGNS: usize = 6;

/// A layer, or in words what the facts lack for it.
pub type Answer<T> = Result<Arc<T>, String>;

/// The layers that tables are made from.
pub struct Layers {
    /// How many rows of each table are wanted: those that take long end there.
    pub most_rows: usize,
    /// The facts.
    pub facts: Derived<Facts>,
    /// The network.
    pub network: Answer<NetworkLayer>,
    /// What is withheld near sensitive places.
    pub withheld: Withheld,
    /// Walking.
    pub exposure: Answer<ExposureLayer>,
    /// What encounters are tied to.
    pub snaps: Answer<SnapLayer>,
    /// Season and hours.
    pub season: Answer<SeasonLayer>,
    /// The season by weeks.
    pub season_details: Answer<SeasonDetails>,
    /// Rates.
    pub rates: Answer<RateLayer>,
    /// What the counts of stretches leave over.
    pub rate_pattern: Answer<RatePattern>,
    /// Densities, in the order of [`EffortKind::ALL`].
    pub density: Vec<(EffortKind, Answer<DensityLayer>)>,
    /// Reactions.
    pub reactions: Answer<ReactionLayer>,
    /// Reactions in parts of the approaches, and times.
    pub reaction_details: Answer<ReactionDetails>,
    /// Places.
    pub places: Answer<Vec<PlaceSummary>>,
    /// The sign plan with the area's settings and six signs.
    pub plan: Answer<PlanLayer>,
    /// Reports relative to walking along the trails.
    pub relative_density: Answer<RelativeLayer>,
    /// Clusters of reports.
    pub clusters: Answer<ClusterLayer>,
    /// Clusters within months, quarters and parts of the day.
    pub cluster_periods: Vec<Answer<ClusterPeriods>>,
    /// Survey walks on the trails.
    pub walks: Answer<WalkLayer>,
    /// Survey rates and the reporting ratio.
    pub survey: Answer<SurveyLayer>,
    /// What two observers saw and missed.
    pub observers: Answer<ObserverLayer>,
    /// The last season by trail against expectation.
    pub watch: Answer<WatchLayer>,
    /// The same by stretch.
    pub watch_stretches: Answer<WatchLayer>,
    /// What one party is expected to report on each trail, and all over the whole area, by month and part of the day.
    pub forecasts: Answer<TrailPeriods>,
    /// What signs did.
    pub effect: Answer<EffectLayer>,
    /// Temporary notices.
    pub notices: Vec<Notice>,
    /// What was decided.
    pub register: Register,
}

impl Layers {
    /// Asks for every layer at the present revision.
    ///
    /// # Errors
    /// [`DeriveError`] when there is no area, the database cannot be read, or a computation fails. What the facts do not
    /// allow is no error here: the layer then says what is missing.
    pub async fn read(deriver: &Deriver) -> Result<Self, DeriveError> {
        let facts = boxed(deriver.facts()).await?;
        let mut density = Vec::new();
        for effort in EffortKind::ALL {
            let params = DensityParams::set(&facts.settings, *effort);
            density.push((*effort, answer(boxed(deriver.density(&facts, params)).await)?));
        }
        let mut cluster_periods = Vec::new();
        for cut in PeriodCut::ALL {
            cluster_periods.push(answer(boxed(deriver.cluster_periods(&facts, cut)).await)?);
        }
        let plan = PlanParams {
            n_signs: N_SIGNS,
            reach: Length::metres(facts.settings.reach_m).map_err(DeriveError::internal)?,
            spacing: Length::metres(facts.settings.spacing_m).map_err(DeriveError::internal)?,
        };
        let watch = |unit| WatchChoice { unit, until: None };
        let network = answer(boxed(deriver.network(&facts)).await)?;
        let withheld = network.as_ref().map(|network| Withheld::of(&facts, network)).unwrap_or_default();
        Ok(Self {
            most_rows: usize::MAX,
            network,
            withheld,
            exposure: answer(boxed(deriver.exposure(&facts)).await)?,
            snaps: answer(boxed(deriver.snaps(&facts)).await)?,
            season: answer(boxed(deriver.season(&facts)).await)?,
            season_details: answer(boxed(deriver.season_details(&facts)).await)?,
            rates: answer(boxed(deriver.rates(&facts)).await)?,
            rate_pattern: answer(boxed(deriver.rate_pattern(&facts)).await)?,
            density,
            reactions: answer(boxed(deriver.reactions(&facts)).await)?,
            reaction_details: answer(boxed(deriver.reaction_details(&facts)).await)?,
            places: answer(boxed(deriver.places(&facts)).await)?,
            plan: answer(boxed(deriver.plan(&facts, plan)).await)?,
            relative_density: answer(
                boxed(
                    deriver.relative_density(&facts, DensityParams::set(&facts.settings, EffortKind::Report)),
                )
                .await,
            )?,
            clusters: answer(boxed(deriver.clusters(&facts)).await)?,
            cluster_periods,
            walks: answer(boxed(deriver.walks(&facts)).await)?,
            survey: answer(boxed(deriver.survey(&facts)).await)?,
            observers: answer(boxed(deriver.observers(&facts)).await)?,
            watch: answer(boxed(deriver.watch(&facts, watch(UnitKind::Trail))).await)?,
            watch_stretches: answer(boxed(deriver.watch(&facts, watch(UnitKind::Stretch))).await)?,
            forecasts: answer(boxed(deriver.trail_periods(&facts)).await)?,
            effect: answer(boxed(deriver.effect(&facts)).await)?,
            notices: boxed(deriver.notices(&facts)).await?,
            register: boxed(deriver.register(&facts)).await?,
            facts,
        })
    }
}

fn answer<T>(layer: Result<Derived<T>, DeriveError>) -> Result<Answer<T>, DeriveError> {
    match layer {
        Ok(layer) => Ok(Ok(layer.value)),
        Err(DeriveError::Unanswerable(reason)) => Ok(Err(reason)),
        Err(error) => Err(error),
    }
}

/// A table of the study: its name in addresses and files, and how it is made.
pub struct Entry {
    /// Its name: lower case, hyphens.
    pub name: &'static str,
    /// Its title.
    pub title: &'static str,
    /// Makes it, or says what the facts lack.
    pub make: fn(&Layers) -> Result<Table, String>,
}

const fn entry(name: &'static str, title: &'static str, make: fn(&Layers) -> Result<Table, String>) -> Entry {
    Entry { name, title, make }
}

/// All tables, in reading order.
pub const TABLES: &[Entry] = &[
    entry("records", "What became of the records", records::records),
    entry("reference", "What rates are set against, and all trails together", rates::reference),
    entry("trails", "Encounter rates of trails", rates::trails),
    entry("stretches", "Encounter rates of stretches", rates::stretches),
    entry("segments", "Encounter rates of segments", rates::segments),
    entry("rate-pattern", "Whether neighbouring stretches resemble each other", pattern::moran),
    entry("rate-pattern-stretches", "What the counts of stretches leave over", pattern::stretches),
    entry("season-months", "Encounter rate by month", season::months),
    entry("season-weeks", "Encounter rate by week", season::weeks),
    entry("season-window", "When the season begins and ends", season::windows),
    entry("season-hours", "Encounter rate by hour", season::hours),
    entry("season-tests", "Tests of season and hour, and what the fit chose", season::tests),
    entry("season-cells", "What the season is fitted to", season::cells),
    entry("season-terms", "Coefficients of season and hour", season::terms),
    entry("season-candidates", "Numbers of harmonics and their weights", season::candidates),
    entry("season-directions", "Hours as directions", season::directions),
    entry("season-hour-curves", "Hours as smooth curves", season::hour_curves),
    entry("season-temperature", "What the highest temperature of a day adds", season::temperature),
    entry("season-years", "Encounter rate by year", season::years),
    entry("reactions", "Reactions by kind of contact", reactions::shares),
    entry("contact-tests", "Whether strikes depend on contact", reactions::tests),
    entry("contact-odds", "Odds of a strike by kind of contact", reactions::odds),
    entry(
        "reaction-sub-tables",
        "Whether strikes depend on contact, within sub-tables",
        reactions::sub_tables,
    ),
    entry(
        "contacts-bites",
        "Contacts underfoot and bites per 100,000 km by month and part of the day, and how much of them is prior",
        contacts::contacts,
    ),
    entry("latency", "Time until snakes react, by kind of contact", reactions::latency),
    entry("density", "Density of encounters along trails", density::by_trail),
    entry("density-plane", "Density of encounters in the plane, by level", density::in_plane),
    entry("relative-density", "Density of reports relative to walking", density::relative_by_trail),
    entry("relative-density-outside", "Outside what even risk gives", density::outside),
    entry("places", "Encounters at places", records::places),
    entry("exposure-parameters", "What the walker model rests on", exposure::parameters),
    entry("exposure-counters", "Counts observed and expected", exposure::counters),
    entry("exposure-checks", "Counter sites against the fit, and left out", exposure::checks),
    entry("exposure-periods", "Counter sites by month and part of the day", exposure::periods),
    entry("exposure-trailheads", "Parties by trailhead", exposure::trailheads),
    entry("party-sizes", "Mean party sizes, and where each holds", exposure::party_sizes),
    entry("closures", "Closures, and what they did to walking", closures::closures),
    entry("exposure-assumptions", "Priors and rules of the walker model", exposure::assumptions),
    entry("sign-plan", "Planned signs", signs::plan),
    entry("clusters", "Clusters of reports", clusters::found),
    entry(
        "cluster-periods",
        "Clusters of reports within months, quarters and parts of the day",
        clusters::by_period,
    ),
    entry("cluster-segments", "Gi* and local Moran's I of segments", clusters::segments),
    entry("survey-walks", "Survey walks by purpose", survey::walks),
    entry("survey-rates", "Survey rates of trails", survey::rates),
    entry("survey-rates-stretches", "Survey rates of stretches", survey::stretch_rates),
    entry("reporting-ratio", "Reports for each survey encounter", survey::reporting),
    entry("joining-ratios", "Ratios by which reports are joined to surveys", survey::joined_by),
    entry("observers", "What two observers saw and missed", observers::observers),
    entry("observer-models", "What makes a snake easy to notice: models", observers::models),
    entry("observer-pairs", "What pairs of observers saw and missed", observers::pairs),
    entry("watch-weeks", "The season against expectation, week by week", watch::weeks),
    entry(
        "watch-weeks-stretches",
        "The season against expectation by stretch, week by week",
        watch::stretch_weeks,
    ),
    entry("watch-rule", "By what rule weeks stand out", watch::rule),
    entry("watch-alarms", "Weeks that stand out", watch::alarms),
    entry(
        "forecast",
        "Expected reports by trail and over the whole area, by month and part of the day",
        forecast::by_trail,
    ),
    entry("effect", "Before and after signs", effect::effect),
    entry("effect-signs", "Survey encounters where each sign warns", effect::signs),
    entry("effect-power", "The smallest reduction that a comparison would show", effect::power),
    entry("sign-watches", "Parties watched at places with and without signs", watching::places),
    entry(
        "sign-watch-shares",
        "Shares of watched parties that read signs and did as asked",
        watching::shares,
    ),
    entry("watch-power", "The smallest share that watching would show", watching::power),
    entry("effect-assumptions", "What the comparison of before and after assumes", effect::assumptions),
    entry("notices", "Temporary notices in force and past", notices::notices),
    entry("decisions", "What was decided", decisions::decisions),
    entry("settings", "Settings of the area", records::settings),
];

/// The table of a name, and whether the facts allow it.
pub fn make(layers: &Layers, name: &str) -> Option<Result<Table, String>> {
    TABLES.iter().find(|entry| entry.name == name).map(|entry| (entry.make)(layers))
}

/// The tables that decisions and notices fill, without rows: the data dictionary has their columns before there is a row, so
/// that the first decision changes the table of decisions and nothing else.
pub fn of_register() -> [(&'static str, Table); 2] {
    [("notices", notices::of(Vec::new(), Date::ZERO)), ("decisions", decisions::of(Vec::new()))]
}

/// A layer by reference, or what is missing.
fn need<T>(answer: &Answer<T>) -> Result<&T, String> {
    answer.as_deref().map_err(Clone::clone)
}
