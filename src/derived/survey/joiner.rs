//! Surveys and reports brought together: the reporting ratio of each group of species, with and without signs.

use crate::analysis::rates;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::RatioParams;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::Stretch;
use crate::analysis::season::Curve;
use crate::analysis::season::HOURS;
use crate::derived::DeriveError;
use crate::derived::effect;
use crate::derived::effect::ReportingByState;
use crate::derived::effect::SignState;
use crate::derived::effect::cell_seed;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates as report_rates;
use crate::derived::snaps::SnapLayer;
use crate::derived::survey::GroupRatio;
use crate::derived::survey::JoinRatio;
use crate::derived::survey::Survey;
use crate::derived::survey::Visitors;
use crate::derived::walks::WalkLayer;
use crate::domain::walk::Purpose;

/// Level of the limits of a ratio that is put together from others.
const LEVEL: f64 = 0.95;

/// Numbers of the ratios of species among those that take draws of their own.
const FIRST_SPECIES: u64 = 1 << 16;

/// Species of one reporting ratio.
struct Group {
    name: String,
    /// Numbers of its species.
    species: Vec<usize>,
    ratio: ReportingRatio,
}

/// Everything that joining needs, by segment.
pub(super) struct Together {
    survey: Vec<CountDraws>,
    reports: Vec<CountDraws>,
    survey_km: ExposureDraws,
    visitor_km: Vec<ExposureDraws>,
    /// By group and state.
    ratios: Vec<Vec<ReportingRatio>>,
    pub(super) provenance: Vec<Provenance>,
    seed: u64,
}

/// Planned surveys of the study period and reports, by segment.
///
/// Targeted and opportunistic walks stay out: they were made when and where snakes were expected, so that the rate on
/// them is not that of the visitors' walks beside them.
pub(super) struct Joiner<'a> {
    facts: &'a Facts,
    walks: &'a WalkLayer,
    visitors: Visitors<'a>,
    survey: Survey,
    visitor_km: ExposureDraws,
    /// For each record of the reports' allocation whether it counts.
    is_counted: Vec<bool>,
}

impl<'a> Joiner<'a> {
    pub(super) fn new(facts: &'a Facts, walks: &'a WalkLayer, visitors: Visitors<'a>) -> Self {
        let field = &visitors.exposure.field;
        let n_segments = visitors.exposure.mean_km.len();
        let is_counted = report_rates::sort(facts, visitors.exposure, visitors.snaps).counted;
        let visitor_km =
            ExposureDraws { n_draws: field.n_draws, n_units: n_segments, party_km: field.party_km.clone() };
        let survey = Survey {
            counts: planned_counts(facts, walks, visitors, |_| true),
            km: season_km(facts, walks, visitors, n_segments),
        };
        Self { facts, walks, visitors, survey, visitor_km, is_counted }
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

    /// The ratio of all species together, then of each that was met where there are several.
    pub(super) fn ratios(&self) -> Result<Vec<GroupRatio>, DeriveError> {
        let all = "All venomous species".to_owned();
        let mut ratios = vec![self.ratio(all, 0, &|_| true)?];
        let met = self.species_met();
        let species: Vec<usize> = (0..met.len()).filter(|idx| met[*idx]).collect();
        // One species alone says the same as all together.
        if species.len() > 1 {
            for idx in species {
                let name = self.species_name(idx);
                let number = FIRST_SPECIES + idx as u64;
                ratios.push(GroupRatio { species: Some(idx), ..self.ratio(name, number, &|it| it == idx)? });
            }
        }
        Ok(ratios)
    }

    /// Species with a ratio of their own, each alone, and all others together. `ratios` as [`Self::ratios`] gives them.
    fn groups(&self, ratios: &[GroupRatio]) -> Result<Vec<Group>, DeriveError> {
        let Some((all, of_species)) = ratios.split_first() else { return Ok(Vec::new()) };
        let is_known = |ratio: &ReportingRatio| matches!(ratio, ReportingRatio::Estimated(_));
        let known = of_species.iter().filter(|group| is_known(&group.ratio));
        let mut groups: Vec<Group> = known
            .map(|group| Group {
                name: group.name.clone(),
                species: group.species.into_iter().collect(),
                ratio: group.ratio.clone(),
            })
            .collect();
        let n_species = self.facts.encounters.species.len();
        let is_own = |idx: usize| groups.iter().any(|group| group.species.contains(&idx));
        let others: Vec<usize> = (0..n_species).filter(|idx| !is_own(*idx)).collect();
        let met = self.species_met();
        if groups.is_empty() {
            groups.push(Group { name: all.name.clone(), species: others, ratio: all.ratio.clone() });
        } else if others.iter().any(|idx| met[*idx]) {
            let number = FIRST_SPECIES + n_species as u64;
            let together = self.ratio(String::new(), number, &|it| others.contains(&it))?.ratio;
            let ratio = if is_known(&together) { together } else { all.ratio.clone() };
            groups.push(Group { name: "All other species".to_owned(), species: others, ratio });
        }
        Ok(groups)
    }

    /// Counts, kilometres and ratios for joining, and which ratio each group has where. The ratio of all must be known.
    pub(super) fn together(
        &self,
        layer: &NetworkLayer,
        ratios: &[GroupRatio],
    ) -> Result<(Together, Vec<JoinRatio>), DeriveError> {
        let groups = self.groups(ratios)?;
        let rows = &self.facts.encounters.rows;
        let of_species = |idx: usize| groups.iter().position(|group| group.species.contains(&idx));
        let n_species = self.facts.encounters.species.len();
        let of_species: Vec<usize> =
            (0..n_species).map(|idx| of_species(idx).unwrap_or(groups.len())).collect();
        let group_of = |encounter: usize| {
            of_species.get(rows[encounter].species as usize).copied().unwrap_or(groups.len())
        };
        let Visitors { exposure, snaps, season, .. } = self.visitors;
        let known =
            effect::Known { exposure: Some(exposure), snaps, walks: self.walks, season: Some(season) };
        // The one group of all is counted with all.
        let n_groups = if groups.len() > 1 { groups.len() } else { 0 };
        let by_state = effect::reporting_by_state(self.facts, layer, exposure, known, n_groups, &group_of)?;
        // Signs bear on nothing where not one of the two ratios is known.
        let by_state = by_state.filter(|known| {
            [&known.all.unsigned, &known.all.signed]
                .iter()
                .any(|it| matches!(it.ratio, ReportingRatio::Estimated(_)))
        });
        let all = ratios.first().map(|group| &group.ratio);
        let states: Vec<Option<SignState>> = match &by_state {
            Some(_) => SignState::ALL.iter().copied().map(Some).collect(),
            None => vec![None],
        };
        let mut joined = Vec::new();
        for (idx, group) in groups.iter().enumerate() {
            for state in &states {
                let known = by_state.as_ref().zip(*state).zip(all);
                let (ratio, basis) = match known {
                    Some(((by_state, state), all)) => in_state(group, idx, n_groups, by_state, state, all),
                    None => (group.ratio.clone(), "of all stretches"),
                };
                joined.push(JoinRatio { group: group.name.clone(), state: *state, basis, ratio });
            }
        }
        let counts = |group: usize| {
            let survey = planned_counts(self.facts, self.walks, self.visitors, |it| group_of(it) == group);
            let records = &self.visitors.snaps.records;
            let is_counted = |record: usize| self.is_counted[record] && group_of(records[record]) == group;
            let reports = reports(self.visitors.snaps, survey.n_units, is_counted);
            (survey, reports)
        };
        let (survey, reports) = (0..groups.len()).map(counts).unzip();
        let of_group =
            joined.chunks(states.len()).map(|of_group| of_group.iter().map(|it| it.ratio.clone()).collect());
        let together = Together {
            survey,
            reports,
            survey_km: self.survey.km.clone(),
            ratios: of_group.collect(),
            visitor_km: by_state.map_or_else(|| vec![self.visitor_km.clone()], |known| known.visitor_km),
            provenance: self.joint_provenance(),
            seed: self.facts.settings.seed(),
        };
        Ok((together, joined))
    }

    fn species_name(&self, idx: usize) -> String {
        match self.facts.encounters.species.get(idx) {
            Some(name) if !name.is_empty() => name.clone(),
            _ => "Species not given".to_owned(),
        }
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

    /// The ratio of some species. Ratios that are used together take draws of their own each (`number` tells them apart).
    fn ratio(
        &self,
        name: String,
        number: u64,
        is_of: &dyn Fn(usize) -> bool,
    ) -> Result<GroupRatio, DeriveError> {
        let rows = &self.facts.encounters.rows;
        let is_taken = |encounter: usize| is_of(rows[encounter].species as usize);
        let counts = planned_counts(self.facts, self.walks, self.visitors, is_taken);
        let records = &self.visitors.snaps.records;
        let is_counted = |record: usize| self.is_counted[record] && is_taken(records[record]);
        let reports = reports(self.visitors.snaps, counts.n_units, is_counted);
        let survey = Effort { counts: &counts, exposure: &self.survey.km };
        let reports = Effort { counts: &reports, exposure: &self.visitor_km };
        let settings = &self.facts.settings;
        let params = RatioParams {
            least_survey_encounters: settings.ratio_least,
            n_draws: settings.draws(),
            seed: cell_seed(settings.seed(), number),
            ..RatioParams::default()
        };
        let cells = self.cells();
        let ratio =
            rates::reporting_ratio(&survey, &reports, &cells, &params).map_err(DeriveError::internal)?;
        Ok(GroupRatio { name, species: None, n_cells: cells.len(), ratio })
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

/// The ratio of a group in a state: its own there where surveys met enough; else its own of everywhere times what all species
/// show there; else its own of everywhere.
fn in_state(
    group: &Group,
    idx: usize,
    n_groups: usize,
    by_state: &ReportingByState,
    state: SignState,
    all: &ReportingRatio,
) -> (ReportingRatio, &'static str) {
    let (of_all, place) = match state {
        SignState::Unsigned => (&by_state.all.unsigned.ratio, 0),
        SignState::Signed => (&by_state.all.signed.ratio, 1),
        SignState::Between => return (group.ratio.clone(), "of all stretches"),
    };
    let own = if n_groups == 0 { Some(of_all) } else { by_state.of_group.get(idx).map(|own| &own[place]) };
    if let Some(own @ ReportingRatio::Estimated(_)) = own {
        return (own.clone(), "of such stretches");
    }
    match group.ratio.times_quotient(of_all, all, LEVEL) {
        Some(ratio) => (ratio, "of all stretches, times what all species show on such ones"),
        None => (group.ratio.clone(), "of all stretches"),
    }
}

impl Together {
    /// Counts and exposure of larger units, reports joined to surveys.
    pub(super) fn join(&self, units: &[Stretch]) -> Result<(CountDraws, ExposureDraws), rates::RateError> {
        let counts = |of_group: &[CountDraws]| -> Result<Vec<CountDraws>, rates::RateError> {
            of_group.iter().map(|counts| rates::stretch_counts(units, counts)).collect()
        };
        let (survey, reports) = (counts(&self.survey)?, counts(&self.reports)?);
        let survey_km = rates::stretch_exposure(units, &self.survey_km)?;
        let of_state = self.visitor_km.iter().map(|km| rates::stretch_exposure(units, km));
        let visitor_km: Vec<ExposureDraws> = of_state.collect::<Result<_, _>>()?;
        rates::join_reports(&rates::Joint {
            survey: &survey,
            reports: &reports,
            survey_km: &survey_km,
            visitor_km: &visitor_km,
            ratios: &self.ratios,
            seed: self.seed,
        })
    }
}
