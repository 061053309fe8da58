//! Survey rates, planned walks without and with targeted ones, and surveys and reports together.

mod joiner;

use crate::analysis::rates;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::RateError;
use crate::analysis::rates::RateFit;
use crate::analysis::rates::RateParams;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::SideBySide;
use crate::analysis::rates::Stretch;
use crate::analysis::rates::Units;
use crate::derived::DeriveError;
use crate::derived::effect::SignState;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates as report_rates;
use crate::derived::rates::Limits;
use crate::derived::rates::RateLayer;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps::SnapLayer;
use crate::derived::survey::joiner::Joiner;
use crate::derived::survey::joiner::Together;
use crate::derived::walks;
use crate::derived::walks::Fate;
use crate::derived::walks::WalkLayer;
use crate::domain::walk::Purpose;

/// What is known of people out walking: the other half of the joint answer.
#[derive(Debug, Clone, Copy)]
pub struct Visitors<'a> {
    /// How far they walk.
    pub exposure: &'a ExposureLayer,
    /// Where their reports lie.
    pub snaps: &'a SnapLayer,
    /// When encounters are frequent, given when they walk.
    pub season: &'a SeasonLayer,
    /// Rates from their reports.
    pub rates: &'a RateLayer,
}

/// Survey rates and the joint answer.
#[derive(Debug)]
pub struct SurveyLayer {
    /// By stretch: those of the report rates where there are any, else joined by what surveys expect.
    pub stretches: SurveySet,
    /// By trail.
    pub trails: SurveySet,
    /// The reporting ratio of all venomous species together, then of each that was met; empty without counted walking.
    pub ratios: Vec<GroupRatio>,
    /// The ratio by which each group of species is joined, with and without signs; empty where nothing is joined.
    pub joined_by: Vec<JoinRatio>,
    /// Whether survey-km of the ratio are weighted by season and hour.
    pub is_season_adjusted: bool,
}

/// Survey rates of one kind of unit.
#[derive(Debug)]
pub struct SurveySet {
    /// The segments of each unit.
    pub members: Vec<Vec<usize>>,
    /// The name of each unit.
    pub names: Vec<String>,
    /// What was walked and met in each unit, by purpose in the order of [`Purpose::ALL`].
    pub effort: Vec<[Met; 3]>,
    /// Rates from planned walks, and with targeted ones kept to their own units; or why there are none, in words.
    pub fits: Result<SideBySide, String>,
    /// Surveys and reports together, per survey-km; or why there is no such answer, in words.
    pub joint: Result<RateFit, String>,
    /// For each unit how many times as frequent encounters are at the seasons and hours of its planned walks as at those at which
    /// visitors usually walk, which the joint rate speaks of; none where either is not known.
    pub season_factor: Vec<Option<Limits>>,
}

/// Encounters and survey-km.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Met {
    /// Encounters, mean over draws.
    pub count: f64,
    /// Survey-km.
    pub km: f64,
}

/// The reporting ratio of a group of species.
#[derive(Debug)]
pub struct GroupRatio {
    /// The species, or all together.
    pub name: String,
    /// Number of the species; none for all together.
    pub species: Option<usize>,
    /// Segments that surveys and visitors both cover.
    pub n_cells: usize,
    /// The ratio, or that it cannot be estimated.
    pub ratio: ReportingRatio,
}

/// A ratio by which reports count where surveys and reports are joined.
#[derive(Debug)]
pub struct JoinRatio {
    /// The group of species.
    pub group: String,
    /// What walkers have read; none where signs bear on nothing.
    pub state: Option<SignState>,
    /// Where the ratio was counted, in words: "of …".
    pub basis: &'static str,
    /// The ratio.
    pub ratio: ReportingRatio,
}

/// Computes survey rates and, with visitors, the joint answer.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when no survey walk lies on the trails, [`DeriveError::Internal`] when inputs do not fit
/// together.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    walks: &WalkLayer,
    visitors: Option<Visitors<'_>>,
) -> Result<SurveyLayer, DeriveError> {
    if walks.legs.is_empty() {
        let words = "No survey walk has a track on the trails: bring in survey walks with their GPS tracks.";
        return Err(DeriveError::missing(words));
    }
    let by_purpose: Vec<Survey> =
        Purpose::ALL.iter().map(|purpose| Survey::of(facts, walks, *purpose)).collect();
    let joiner = visitors.map(|visitors| Joiner::new(facts, walks, visitors));
    let ratios = match &joiner {
        Some(joiner) => joiner.ratios()?,
        None => Vec::new(),
    };
    let together = match (&joiner, ratios.first()) {
        (Some(joiner), Some(all)) => match all.ratio {
            ReportingRatio::NotEstimable { survey_encounters } => Err(refusal(facts, survey_encounters)),
            ReportingRatio::Estimated(_) => Ok(joiner.together(layer, &ratios)?),
        },
        _ => Err("nothing says how far visitors walk, so surveys stand alone".to_owned()),
    };
    let (together, joined_by) = match together {
        Ok((together, joined_by)) => (Ok(together), joined_by),
        Err(reason) => (Err(reason), Vec::new()),
    };
    let set = |units: Vec<Stretch>, names: Vec<String>, kind: Kind| -> Result<SurveySet, DeriveError> {
        let parts = Parts { facts, layer, units: &units, kind };
        let (effort, fits) = parts.survey_rates(&by_purpose)?;
        let joint = match &together {
            Ok(together) => parts.joint(together)?,
            Err(reason) => Err(reason.clone()),
        };
        let season_factor = units.iter().map(|unit| joiner.as_ref()?.season_factor(&unit.segments)).collect();
        let members = units.into_iter().map(|unit| unit.segments).collect();
        Ok(SurveySet { members, names, effort, fits, joint, season_factor })
    };
    let stretches = stretches(facts, layer, &by_purpose, visitors)?;
    let names = report_rates::stretch_names(layer, &stretches);
    let trails = report_rates::trails(layer);
    let trail_name = |trail: &Stretch| layer.trail_name(trail.segments[0]).to_owned();
    let trail_names = trails.iter().map(trail_name).collect();
    Ok(SurveyLayer {
        stretches: set(stretches, names, Kind::Stretch)?,
        trails: set(trails, trail_names, Kind::Trail)?,
        ratios,
        joined_by,
        is_season_adjusted: visitors.is_some_and(|visitors| visitors.season.fit.is_ok()),
    })
}

/// Counts and survey-km of one purpose, by segment.
struct Survey {
    counts: CountDraws,
    km: ExposureDraws,
}

impl Survey {
    fn of(facts: &Facts, walks: &WalkLayer, purpose: Purpose) -> Self {
        let km = walks::km_of(&walks.exposure, purpose).to_vec();
        let counts = walks.counts(facts, purpose, |_, _| true);
        Self {
            counts: CountDraws { n_draws: walks.allocation.n_draws(), n_units: km.len(), counts },
            km: ExposureDraws::certain(km),
        }
    }
}

fn stretches(
    facts: &Facts,
    layer: &NetworkLayer,
    by_purpose: &[Survey],
    visitors: Option<Visitors<'_>>,
) -> Result<Vec<Stretch>, DeriveError> {
    if let Some(visitors) = visitors {
        let members = visitors.rates.stretches.members.iter();
        let stretch = |segments: &Vec<usize>| Stretch {
            trail_run: segments.first().map_or(0, |segment| layer.run_of[*segment]),
            segments: segments.clone(),
        };
        return Ok(members.map(stretch).collect());
    }
    let planned = &by_purpose[0];
    let n = f64::from(planned.counts.counts.iter().sum::<u32>()) / planned.counts.n_draws.max(1) as f64;
    let km: f64 = planned.km.party_km.iter().sum();
    let per_km = if km > 0.0 { n / km } else { 0.0 };
    let expected: Vec<f64> = planned.km.party_km.iter().map(|km| km * per_km).collect();
    rates::merge_stretches(layer.network.trail_runs(), &expected, facts.settings.stretch_expected)
        .map_err(DeriveError::internal)
}

/// An estimate, or why there is none, in words.
type Answer<T> = Result<T, String>;

/// The unit that is estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Stretch,
    Trail,
}

struct Parts<'a> {
    facts: &'a Facts,
    layer: &'a NetworkLayer,
    units: &'a [Stretch],
    kind: Kind,
}

impl Parts<'_> {
    /// Parts of a trail, or of all trails of a habitat where the settings say so, share one distribution; whole trails
    /// share one. As the report rates do.
    fn strata(&self) -> Vec<usize> {
        let of_trail = report_rates::Strata::of(self.facts, self.layer).of_trail;
        let stratum = |unit: &Stretch| match (self.kind, unit.segments.first()) {
            (Kind::Stretch, Some(segment)) => of_trail[self.layer.network.segments[*segment].trail_idx],
            _ => 0,
        };
        self.units.iter().map(stratum).collect()
    }

    fn params(&self) -> RateParams {
        let settings = &self.facts.settings;
        RateParams {
            exceedance_multiple: settings.multiple,
            call_level: settings.call_level,
            n_draws: settings.draws(),
            seed: settings.seed(),
            prior: crate::derived::rates::prior(settings),
            ..RateParams::default()
        }
    }

    fn sums(&self, counts: &CountDraws, km: &ExposureDraws) -> Result<Survey, DeriveError> {
        Ok(Survey {
            counts: rates::stretch_counts(self.units, counts).map_err(DeriveError::internal)?,
            km: rates::stretch_exposure(self.units, km).map_err(DeriveError::internal)?,
        })
    }

    fn survey_rates(
        &self,
        by_purpose: &[Survey],
    ) -> Result<(Vec<[Met; 3]>, Answer<SideBySide>), DeriveError> {
        let summed = by_purpose.iter().map(|survey| self.sums(&survey.counts, &survey.km));
        let summed: Vec<Survey> = summed.collect::<Result<_, _>>()?;
        let mut effort = vec![[Met::default(); 3]; self.units.len()];
        for (purpose, survey) in summed.iter().enumerate() {
            for (unit, met) in effort.iter_mut().enumerate() {
                met[purpose] = Met { count: mean_count(&survey.counts, unit), km: survey.km.party_km[unit] };
            }
        }
        let known = |met: &[Met; 3]| match met[0].km + met[1].km > 0.0 {
            true => Provenance::Counted,
            false => Provenance::NotWalked,
        };
        let (stratum, provenance) = (self.strata(), effort.iter().map(known).collect::<Vec<_>>());
        let units = Units { stratum: &stratum, provenance: &provenance };
        let [planned, targeted] = [&summed[0], &summed[1]].map(Survey::effort);
        let fits = match rates::side_by_side(&planned, &targeted, &units, &self.params()) {
            Ok(fits) => Ok(fits),
            Err(RateError::NoExposure) => {
                Err("no planned walk lies on the trails; targeted walks alone say nothing about the rest"
                    .to_owned())
            }
            Err(error) => return Err(DeriveError::internal(error)),
        };
        Ok((effort, fits))
    }

    /// Reports count by the ratio of their species and of what walkers have read there and then.
    fn joint(&self, together: &Together) -> Result<Answer<RateFit>, DeriveError> {
        let (counts, exposure) = together.join(self.units).map_err(DeriveError::internal)?;
        let provenance =
            rates::stretch_provenance(self.units, &together.provenance).map_err(DeriveError::internal)?;
        let stratum = self.strata();
        let units = Units { stratum: &stratum, provenance: &provenance };
        let effort = Effort { counts: &counts, exposure: &exposure };
        let fit = match rates::estimate(&effort, &units, &self.params()) {
            // Every one of the larger units holds some segment whose walking is assumed.
            Err(RateError::NoExposure) => report_rates::unjudged(&effort, &units, &self.params()),
            fit => fit,
        };
        match fit {
            Ok(fit) => Ok(Ok(fit)),
            Err(RateError::NoExposure) => Ok(Err("nobody walks on the trails as far as is known".to_owned())),
            Err(error) => Err(DeriveError::internal(error)),
        }
    }
}

fn refusal(facts: &Facts, n: f64) -> String {
    format!(
        "not estimable: {n:.0} survey encounters lie where visitors walk too, and {:.0} are needed; rates from reports \
         are relative only",
        facts.settings.ratio_least
    )
}

impl Survey {
    fn effort(&self) -> Effort<'_> {
        Effort { counts: &self.counts, exposure: &self.km }
    }
}

fn mean_count(counts: &CountDraws, unit: usize) -> f64 {
    let total: u64 = counts.counts.iter().skip(unit).step_by(counts.n_units).map(|n| u64::from(*n)).sum();
    total as f64 / counts.n_draws.max(1) as f64
}

impl SurveyLayer {
    /// How many survey encounters are in no survey rate, in words; empty when all are.
    pub fn left_out_words(walks: &WalkLayer) -> String {
        let n = |fate: Fate| walks.n_with(|known| known == fate);
        let parts = [
            (n(Fate::NoWalk), "name no walk"),
            (n(Fate::NoTrack), "belong to a walk without a track on the trails"),
            (n(Fate::Elsewhere), "lie away from what their walk went over, at a place, or too vaguely"),
        ];
        let words: Vec<String> =
            parts.iter().filter(|(n, _)| *n > 0).map(|(n, words)| format!("{n} {words}")).collect();
        words.join("; ")
    }
}
