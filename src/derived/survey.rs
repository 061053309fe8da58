//! Survey rates, planned walks without and with targeted ones, and surveys and reports together.

use crate::analysis::rates;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::RateError;
use crate::analysis::rates::RateFit;
use crate::analysis::rates::RateParams;
use crate::analysis::rates::RatioParams;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::SideBySide;
use crate::analysis::rates::Stretch;
use crate::analysis::rates::Units;
use crate::analysis::season::Curve;
use crate::analysis::season::HOURS;
use crate::derived::DeriveError;
use crate::derived::effect;
use crate::derived::effect::SegmentRole;
use crate::derived::effect::SignedReporting;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates as report_rates;
use crate::derived::rates::RateLayer;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps::SnapLayer;
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
    /// Whether stretches whose walkers passed no sign are joined by a ratio of their own.
    pub is_joined_by_sign: bool,
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
    /// Segments that surveys and visitors both cover.
    pub n_cells: usize,
    /// The ratio, or that it cannot be estimated.
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
    let by_sign = match visitors {
        Some(Visitors { exposure, snaps, season, .. }) => {
            let known = effect::Known { exposure: Some(exposure), snaps, walks, season: Some(season) };
            effect::reporting_by_sign(facts, layer, exposure, known)?
        }
        None => None,
    };
    // A ratio of its own only where it can be estimated; else that of all stands for these, too.
    let by_sign = by_sign.filter(|(_, known)| matches!(known.unsigned.ratio, ReportingRatio::Estimated(_)));
    let set = |units: Vec<Stretch>, names: Vec<String>, kind: Kind| -> Result<SurveySet, DeriveError> {
        let parts = Parts { facts, layer, units: &units, kind };
        let (effort, fits) = parts.survey_rates(&by_purpose)?;
        let joint = match (&joiner, ratios.first()) {
            (Some(joiner), Some(all)) => parts.joint(joiner, &all.ratio, by_sign.as_ref())?,
            _ => Err("nothing says how far visitors walk, so surveys stand alone".to_owned()),
        };
        let members = units.into_iter().map(|unit| unit.segments).collect();
        Ok(SurveySet { members, names, effort, fits, joint })
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
        is_joined_by_sign: by_sign.is_some(),
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

    /// Reports count by the ratio of all; where hardly any walker passed a sign, by that of such stretches where it is known.
    fn joint(
        &self,
        joiner: &Joiner<'_>,
        ratio: &ReportingRatio,
        by_sign: Option<&(Vec<SegmentRole>, SignedReporting)>,
    ) -> Result<Answer<RateFit>, DeriveError> {
        if let ReportingRatio::NotEstimable { survey_encounters } = ratio {
            return Ok(Err(self.refusal(*survey_encounters)));
        }
        let survey = self.sums(&joiner.survey.counts, &joiner.survey.km)?;
        let reports = self.sums(&joiner.reports, &joiner.visitor_km)?;
        let ratios: Vec<ReportingRatio> =
            std::iter::once(ratio).chain(by_sign.map(|(_, known)| &known.unsigned.ratio)).cloned().collect();
        let is_unsigned = |unit: &Stretch| {
            by_sign.is_some_and(|(roles, _)| {
                unit.segments.iter().all(|segment| roles[*segment] == SegmentRole::Control)
            })
        };
        let group: Vec<usize> = self.units.iter().map(|unit| usize::from(is_unsigned(unit))).collect();
        let (counts, exposure) = rates::join_reports(&survey.effort(), &reports.effort(), &group, &ratios)
            .map_err(DeriveError::internal)?;
        let provenance = rates::stretch_provenance(self.units, &joiner.joint_provenance())
            .map_err(DeriveError::internal)?;
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

    fn refusal(&self, n: f64) -> String {
        format!(
            "not estimable: {n:.0} survey encounters lie where visitors walk too, and {:.0} are needed; rates from reports \
             are relative only",
            self.facts.settings.ratio_least
        )
    }
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

/// Planned surveys of the study period and reports, by segment.
///
/// Targeted and opportunistic walks stay out: they were made when and where snakes were expected, so that the rate on
/// them is not that of the visitors' walks beside them.
struct Joiner<'a> {
    facts: &'a Facts,
    walks: &'a WalkLayer,
    visitors: Visitors<'a>,
    survey: Survey,
    reports: CountDraws,
    visitor_km: ExposureDraws,
    /// For each record of the reports' allocation whether it counts.
    is_counted: Vec<bool>,
}

impl<'a> Joiner<'a> {
    fn new(facts: &'a Facts, walks: &'a WalkLayer, visitors: Visitors<'a>) -> Self {
        let field = &visitors.exposure.field;
        let n_segments = visitors.exposure.mean_km.len();
        let is_counted = report_rates::sort(facts, visitors.exposure, visitors.snaps).counted;
        let reports = reports(visitors.snaps, n_segments, |record| is_counted[record]);
        let visitor_km =
            ExposureDraws { n_draws: field.n_draws, n_units: n_segments, party_km: field.party_km.clone() };
        let survey = Survey {
            counts: planned_counts(facts, walks, visitors, |_| true),
            km: season_km(facts, walks, visitors, n_segments),
        };
        Self { facts, walks, visitors, survey, reports, visitor_km, is_counted }
    }

    /// Segments that surveys and visitors both cover, where counters identify the walking.
    fn cells(&self) -> Vec<usize> {
        let n_segments = self.visitor_km.n_units;
        let mut surveyed = vec![false; n_segments];
        for row in self.survey.km.party_km.chunks(n_segments.max(1)) {
            row.iter().zip(&mut surveyed).for_each(|(km, surveyed)| *surveyed |= *km > 0.0);
        }
        let provenance = &self.visitors.exposure.field.provenance;
        let is_measured = |segment: &usize| report_rates::provenance(provenance[*segment]).is_measured();
        (0..n_segments).filter(|segment| surveyed[*segment]).filter(is_measured).collect()
    }

    fn ratios(&self) -> Result<Vec<GroupRatio>, DeriveError> {
        let cells = self.cells();
        let all = "All venomous species".to_owned();
        let mut ratios = vec![self.ratio(all, &cells, &self.survey.counts, &self.reports)?];
        let rows = &self.facts.encounters.rows;
        let met = self.species_met();
        for (species, name) in self.facts.encounters.species.iter().enumerate().filter(|(idx, _)| met[*idx]) {
            let is_of = |encounter: usize| rows[encounter].species as usize == species;
            let counts = planned_counts(self.facts, self.walks, self.visitors, is_of);
            let records = &self.visitors.snaps.records;
            let is_counted = |record: usize| self.is_counted[record] && is_of(records[record]);
            let reports = reports(self.visitors.snaps, counts.n_units, is_counted);
            let name = if name.is_empty() { "Species not given".to_owned() } else { name.clone() };
            ratios.push(self.ratio(name, &cells, &counts, &reports)?);
        }
        // One species alone says the same as all together.
        if ratios.len() == 2 {
            ratios.truncate(1);
        }
        Ok(ratios)
    }

    /// For each species whether it is among the records of either kind.
    fn species_met(&self) -> Vec<bool> {
        let rows = &self.facts.encounters.rows;
        let mut met = vec![false; self.facts.encounters.species.len()];
        let surveyed = self.walks.records.iter().map(|record| record.encounter);
        let records = self.visitors.snaps.records.iter().zip(&self.is_counted);
        let reported = records.filter(|(_, is_counted)| **is_counted).map(|(record, _)| *record);
        for encounter in surveyed.chain(reported) {
            if let Some(known) = met.get_mut(rows[encounter].species as usize) {
                *known = true;
            }
        }
        met
    }

    fn ratio(
        &self,
        name: String,
        cells: &[usize],
        counts: &CountDraws,
        reports: &CountDraws,
    ) -> Result<GroupRatio, DeriveError> {
        let survey = Effort { counts, exposure: &self.survey.km };
        let reports = Effort { counts: reports, exposure: &self.visitor_km };
        let params = RatioParams {
            least_survey_encounters: self.facts.settings.ratio_least,
            n_draws: self.facts.settings.draws(),
            seed: self.facts.settings.seed(),
            ..RatioParams::default()
        };
        let ratio =
            rates::reporting_ratio(&survey, &reports, cells, &params).map_err(DeriveError::internal)?;
        Ok(GroupRatio { name, n_cells: cells.len(), ratio })
    }

    /// What the joint exposure of each segment rests on: surveyed tracks count where visitors do not walk.
    fn joint_provenance(&self) -> Vec<Provenance> {
        let n_segments = self.visitor_km.n_units;
        let field = &self.visitors.exposure.field.provenance;
        let surveyed = |segment: usize| {
            self.survey.km.party_km.iter().skip(segment).step_by(n_segments).any(|km| *km > 0.0)
        };
        let joint = |segment: usize| match report_rates::provenance(field[segment]) {
            Provenance::NotWalked if surveyed(segment) => Provenance::Counted,
            known => known,
        };
        (0..n_segments).map(joint).collect()
    }
}

fn reports(snaps: &SnapLayer, n_segments: usize, is_counted: impl Fn(usize) -> bool) -> CountDraws {
    let counts = snaps.allocation.counts_by_draw_where(n_segments, is_counted);
    CountDraws { n_draws: snaps.allocation.n_draws(), n_units: n_segments, counts }
}

/// Encounters on planned walks of the study period, of those that a predicate takes.
fn planned_counts(
    facts: &Facts,
    walks: &WalkLayer,
    visitors: Visitors<'_>,
    is_taken: impl Fn(usize) -> bool,
) -> CountDraws {
    let period = visitors.exposure.period;
    let counts = walks.counts(facts, Purpose::Planned, |encounter, walk| {
        period.contains(walks.walks[walk].start.date()) && is_taken(encounter)
    });
    let n_units = walks.exposure.planned_km.len();
    CountDraws { n_draws: walks.allocation.n_draws(), n_units, counts }
}

/// Survey-km on planned walks of the study period, by draw of the season-hour curve of each segment: a kilometre at a time of double the
/// usual rate counts as two, since visitors' walking and surveys fall at different times.
fn season_km(facts: &Facts, walks: &WalkLayer, visitors: Visitors<'_>, n_segments: usize) -> ExposureDraws {
    let curves = visitors.season.curves();
    let n_draws = curves.first().map_or(1, |curve| curve.n_draws);
    let mut party_km = vec![0.0; n_draws * n_segments];
    let period = visitors.exposure.period;
    let all = facts.walks.iter().zip(&walks.walks);
    let planned = all.filter(|(walk, _)| walk.given.purpose == Purpose::Planned).map(|(_, matched)| matched);
    for matched in planned.filter(|walk| period.contains(walk.start.date())) {
        let month = usize::from(matched.start.month().unsigned_abs()) - 1;
        for (draw, row) in party_km.chunks_mut(n_segments.max(1)).enumerate() {
            let of_curve =
                |curve: &Curve| matched.mean_over_hours(|hour| curve.draw(draw)[month * HOURS + hour]);
            let factors: Vec<f64> = curves.iter().map(|curve| of_curve(curve)).collect();
            let factor =
                |segment: usize| factors.get(visitors.season.curve_of(segment)).copied().unwrap_or(1.0);
            for (segment, metres) in &matched.metres {
                row[*segment] += factor(*segment) * metres / 1000.0;
            }
        }
    }
    ExposureDraws { n_draws, n_units: n_segments, party_km }
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
