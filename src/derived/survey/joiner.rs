//! Surveys and reports brought together: the reporting ratio of each group of species, with and without signs.

use crate::analysis::rates;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::Stretch;
use crate::analysis::season::Curve;
use crate::analysis::season::HOURS;
use crate::derived::DeriveError;
use crate::derived::effect;
use crate::derived::effect::ReportingByState;
use crate::derived::effect::SignState;
use crate::derived::effect::SpeciesGroups;
use crate::derived::effect::ratio_params;
use crate::derived::effect::usual_factor;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates as report_rates;
use crate::derived::rates::Limits;
use crate::derived::rates::limits_of;
use crate::derived::snaps::SnapLayer;
use crate::derived::survey::GroupRatio;
use crate::derived::survey::JoinRatio;
use crate::derived::survey::Visitors;
use crate::derived::timing;
use crate::derived::walks::WalkLayer;
use crate::domain::walk::Purpose;

/// Level of the limits of a ratio that is put together from others.
const LEVEL: f64 = 0.95;

/// Numbers of the ratios of species among those that take draws of their own.
const FIRST_SPECIES: u64 = 1 << 16;

/// Species by reporting ratio.
#[derive(Default)]
struct Groups {
    /// Name and ratio of each group.
    known: Vec<(String, ReportingRatio)>,
    /// The group of each species; no number of one where it is counted by surveys alone.
    of_species: Vec<usize>,
    /// The name of what is counted by surveys alone, and how much surveys met of it.
    alone: Option<(String, ReportingRatio)>,
}

/// Everything that joining needs, by segment.
pub(super) struct Together {
    survey: Vec<CountDraws>,
    reports: Vec<CountDraws>,
    survey_km: ExposureDraws,
    visitor_km: Vec<ExposureDraws>,
    /// By group and state.
    ratios: Vec<Vec<ReportingRatio>>,
    surveys_alone: Option<CountDraws>,
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
    survey_km: ExposureDraws,
    /// The same kilometres as they are, by segment.
    plain_km: Vec<f64>,
    /// For each segment whether planned walks of the study period went over it.
    is_surveyed: Vec<bool>,
    /// Segments that surveys and visitors both cover, where counters identify the walking.
    cells: Vec<usize>,
    visitor_km: ExposureDraws,
    /// For each record of the reports' allocation whether it counts.
    is_counted: Vec<bool>,
}

impl<'a> Joiner<'a> {
    pub(super) fn new(facts: &'a Facts, walks: &'a WalkLayer, visitors: Visitors<'a>) -> Self {
        let field = &visitors.exposure.field;
        let n_segments = visitors.exposure.mean_km.len();
        let is_counted = report_rates::sort(facts, visitors.exposure, visitors.snaps).counted;
        let visitor_km = timing::weighed(visitors.exposure, visitors.rates.timing.as_ref());
        let (survey_km, plain_km) = season_km(facts, walks, visitors, n_segments);
        let mut is_surveyed = vec![false; n_segments];
        for row in survey_km.party_km.chunks(n_segments.max(1)) {
            row.iter().zip(&mut is_surveyed).for_each(|(km, surveyed)| *surveyed |= *km > 0.0);
        }
        let provenance = &field.provenance;
        let is_measured = |segment: &usize| report_rates::provenance(provenance[*segment]).is_measured();
        let cells = (0..n_segments).filter(|segment| is_surveyed[*segment]).filter(is_measured).collect();
        Self { facts, walks, visitors, survey_km, plain_km, is_surveyed, cells, visitor_km, is_counted }
    }

    /// How many times as frequent encounters are at the seasons and hours of the planned walks over some segments as at those at
    /// which visitors usually walk, with limits over the draws of the curves; none where no planned walk of the study period was.
    pub(super) fn season_factor(&self, segments: &[usize]) -> Option<Limits> {
        let plain_km: f64 = segments.iter().map(|segment| self.plain_km[*segment]).sum();
        let draws = self.survey_km.party_km.chunks(self.survey_km.n_units.max(1));
        let of_draw = |row: &[f64]| segments.iter().map(|segment| row[*segment]).sum::<f64>() / plain_km;
        let mut factors: Vec<f64> = draws.map(of_draw).collect();
        (plain_km > 0.0).then(|| limits_of(&mut factors))
    }

    /// The ratio of all species together, then of each that was met where there are several.
    pub(super) fn ratios(&self) -> Result<Vec<GroupRatio>, DeriveError> {
        let all = "All venomous species".to_owned();
        let mut ratios = vec![self.ratio(all, 0, &|_| true)?];
        let met = self.species_met();
        let mut species: Vec<usize> = (0..met.len()).filter(|idx| met[*idx]).collect();
        // By name, so that the order of the records changes nothing.
        species.sort_by(|a, b| self.facts.encounters.species[*a].cmp(&self.facts.encounters.species[*b]));
        // One species alone says the same as all together.
        if species.len() > 1 {
            for (number, idx) in (FIRST_SPECIES..).zip(species) {
                let name = self.species_name(idx);
                ratios.push(GroupRatio { species: Some(idx), ..self.ratio(name, number, &|it| it == idx)? });
            }
        }
        Ok(ratios)
    }

    /// Species with a ratio of their own, each alone, and all others together; these are counted by surveys alone where they
    /// have no ratio. `ratios` as [`Self::ratios`] gives them.
    fn groups(&self, ratios: &[GroupRatio]) -> Result<Groups, DeriveError> {
        let (mut groups, mut alone) = (Groups::default(), None);
        let Some((all, of_species)) = ratios.split_first() else { return Ok(groups) };
        let n_species = self.facts.encounters.species.len();
        groups.of_species = vec![usize::MAX; n_species];
        for group in of_species.iter().filter(|group| group.ratio.draws().is_some()) {
            if let Some(of) = group.species.and_then(|idx| groups.of_species.get_mut(idx)) {
                *of = groups.known.len();
            }
            groups.known.push((group.name.clone(), group.ratio.clone()));
        }
        let is_other = |idx: usize| groups.of_species.get(idx) == Some(&usize::MAX);
        let others: Vec<usize> = (0..n_species).filter(|idx| is_other(*idx)).collect();
        let met = self.species_met();
        if groups.known.is_empty() {
            groups.known.push((all.name.clone(), all.ratio.clone()));
            others.iter().for_each(|idx| groups.of_species[*idx] = 0);
        } else if others.iter().any(|idx| met[*idx]) {
            let number = FIRST_SPECIES + n_species as u64;
            let name = "All other species".to_owned();
            let together = self.ratio(name.clone(), number, &is_other)?.ratio;
            match together.draws() {
                Some(_) => {
                    others.iter().for_each(|idx| groups.of_species[*idx] = groups.known.len());
                    groups.known.push((name, together));
                }
                None => alone = Some((name, together)),
            }
        }
        groups.alone = alone;
        Ok(groups)
    }

    /// Counts, kilometres and ratios for joining, and which ratio each group has where. The ratio of all must be known.
    pub(super) fn together(
        &self,
        layer: &NetworkLayer,
        ratios: &[GroupRatio],
    ) -> Result<(Together, Vec<JoinRatio>), DeriveError> {
        let groups = self.groups(ratios)?;
        let n_groups = groups.known.len();
        let rows = &self.facts.encounters.rows;
        let group_of = |encounter: usize| {
            let of = groups.of_species.get(rows[encounter].species as usize);
            of.copied().filter(|group| *group < n_groups).unwrap_or(n_groups)
        };
        let Visitors { exposure, snaps, season, .. } = self.visitors;
        let known =
            effect::Known { exposure: Some(exposure), snaps, walks: self.walks, season: Some(season) };
        let own: Vec<&ReportingRatio> = groups.known.iter().map(|(_, ratio)| ratio).collect();
        let asked = SpeciesGroups { ratios: &own, group_of: &group_of };
        let by_state = effect::reporting_by_state(self.facts, layer, exposure, known, &asked)?;
        // Signs bear on nothing where surveys met too few in either state.
        let by_state = by_state.filter(|known| known.factor.iter().any(|it| it.draws().is_some()));
        let states: Vec<Option<SignState>> = match &by_state {
            Some(_) => SignState::ALL.iter().copied().map(Some).collect(),
            None => vec![None],
        };
        let mut joined = Vec::new();
        for (idx, (name, own)) in groups.known.iter().enumerate() {
            for state in &states {
                let (ratio, basis) = match by_state.as_ref().zip(*state) {
                    Some((by_state, state)) => in_state(own, idx, by_state, state),
                    None => (own.clone(), "of all stretches"),
                };
                joined.push(JoinRatio { group: name.clone(), state: *state, basis, ratio });
            }
        }
        let of_group =
            joined.chunks(states.len()).map(|of_group| of_group.iter().map(|it| it.ratio.clone()).collect());
        let of_group: Vec<Vec<ReportingRatio>> = of_group.collect();
        let is_alone = groups.alone.is_some();
        joined.extend(groups.alone.as_ref().map(|(name, ratio)| JoinRatio {
            group: name.clone(),
            state: None,
            basis: "none: counted by surveys alone, their share of all snakes taken to be the same everywhere",
            ratio: ratio.clone(),
        }));
        let planned =
            |group: usize| planned_counts(self.facts, self.walks, self.visitors, |it| group_of(it) == group);
        let reported = |group: usize| {
            let records = &snaps.records;
            let is_counted = |record: usize| self.is_counted[record] && group_of(records[record]) == group;
            reports(snaps, self.visitor_km.n_units, is_counted)
        };
        let together = Together {
            survey: (0..n_groups).map(planned).collect(),
            reports: (0..n_groups).map(reported).collect(),
            survey_km: self.survey_km.clone(),
            ratios: of_group,
            surveys_alone: is_alone.then(|| planned(n_groups)),
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
        let survey = Effort { counts: &counts, exposure: &self.survey_km };
        let reports = Effort { counts: &reports, exposure: &self.visitor_km };
        let params = ratio_params(self.facts, number);
        let ratio =
            rates::reporting_ratio(&survey, &reports, &self.cells, &params).map_err(DeriveError::internal)?;
        Ok(GroupRatio { name, species: None, n_cells: self.cells.len(), ratio })
    }

    /// What the joint exposure of each segment rests on: surveyed tracks count where visitors do not walk.
    fn joint_provenance(&self) -> Vec<Provenance> {
        let n_segments = self.visitor_km.n_units;
        let field = &self.visitors.exposure.field.provenance;
        let joint = |segment: usize| match report_rates::provenance(field[segment]) {
            Provenance::NotWalked if self.is_surveyed[segment] => Provenance::Counted,
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

/// Survey-km on planned walks of the study period, by draw of the season-hour curve of each segment: a kilometre at a time of
/// double the rate that visitors usually walk at counts as two, since visitors' walking and surveys fall at different times. And the
/// same kilometres as they are, by segment.
fn season_km(
    facts: &Facts,
    walks: &WalkLayer,
    visitors: Visitors<'_>,
    n_segments: usize,
) -> (ExposureDraws, Vec<f64>) {
    let curves = visitors.season.curves();
    let n_draws = curves.first().map_or(1, |curve| curve.n_draws);
    let usual: Vec<Vec<f64>> =
        curves.iter().map(|curve| usual_factor(visitors.exposure, Some(*curve), n_draws)).collect();
    let mut party_km = vec![0.0; n_draws * n_segments];
    let mut plain_km = vec![0.0; n_segments];
    let period = visitors.exposure.period;
    let all = facts.walks.iter().zip(&walks.walks);
    let planned = all.filter(|(walk, _)| walk.given.purpose == Purpose::Planned).map(|(_, matched)| matched);
    for matched in planned.filter(|walk| period.contains(walk.start.date())) {
        let month = usize::from(matched.start.month().unsigned_abs()) - 1;
        matched.metres.iter().for_each(|(segment, metres)| plain_km[*segment] += metres / 1000.0);
        for (draw, row) in party_km.chunks_mut(n_segments.max(1)).enumerate() {
            let of_curve = |(curve, usual): (&&Curve, &Vec<f64>)| {
                matched.mean_over_hours(|hour| curve.draw(draw)[month * HOURS + hour]) / usual[draw]
            };
            let factors: Vec<f64> = curves.iter().zip(&usual).map(of_curve).collect();
            let factor =
                |segment: usize| factors.get(visitors.season.curve_of(segment)).copied().unwrap_or(1.0);
            for (segment, metres) in &matched.metres {
                row[*segment] += factor(*segment) * metres / 1000.0;
            }
        }
    }
    (ExposureDraws { n_draws, n_units: n_segments, party_km }, plain_km)
}

/// The ratio of a group in a state: its own there where surveys met enough; else its own of everywhere times what species by
/// themselves show there; else its own of everywhere.
fn in_state(
    own: &ReportingRatio,
    group: usize,
    by_state: &ReportingByState,
    state: SignState,
) -> (ReportingRatio, &'static str) {
    let place = match state {
        SignState::Unsigned => 0,
        SignState::Signed => 1,
        SignState::Between => return (own.clone(), "of all stretches"),
    };
    if let Some(there @ ReportingRatio::Estimated(_)) = by_state.of_group.get(group).map(|it| &it[place]) {
        return (there.clone(), "of such stretches");
    }
    match own.times(&by_state.factor[place], LEVEL) {
        Some(ratio) => (ratio, "of all stretches, times what all species by themselves show on such ones"),
        None => (own.clone(), "of all stretches"),
    }
}

impl Together {
    /// Counts and exposure of larger units, reports joined to surveys.
    pub(super) fn join(&self, units: &[Stretch]) -> Result<(CountDraws, ExposureDraws), rates::RateError> {
        let counts = |of_group: &[CountDraws]| -> Result<Vec<CountDraws>, rates::RateError> {
            of_group.iter().map(|counts| rates::stretch_counts(units, counts)).collect()
        };
        let (survey, reports) = (counts(&self.survey)?, counts(&self.reports)?);
        let alone = self.surveys_alone.as_ref().map(|counts| rates::stretch_counts(units, counts));
        let alone = alone.transpose()?;
        let survey_km = rates::stretch_exposure(units, &self.survey_km)?;
        let of_state = self.visitor_km.iter().map(|km| rates::stretch_exposure(units, km));
        let visitor_km: Vec<ExposureDraws> = of_state.collect::<Result<_, _>>()?;
        rates::join_reports(&rates::Joint {
            survey: &survey,
            reports: &reports,
            survey_km: &survey_km,
            visitor_km: &visitor_km,
            ratios: &self.ratios,
            surveys_alone: alone.as_ref(),
            seed: self.seed,
        })
    }
}
