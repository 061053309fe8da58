//! Reports and survey encounters on chosen segments in chosen times, each over the kilometres that belong to it: what a
//! reporting ratio is estimated from, with signs and without, before and after.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use rand::RngExt;

use crate::analysis::exposure::ExposureField;
use crate::analysis::exposure::YearMonth;
use crate::analysis::random::seed_of;
use crate::analysis::random::stream;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::RatioParams;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::reporting_ratio;
use crate::analysis::season::Curve;
use crate::analysis::season::HOURS;
use crate::analysis::snap::Allocation;
use crate::derived::DeriveError;
use crate::derived::effect::windows::Window;
use crate::derived::effect::windows::Windows;
use crate::derived::effect::windows::is_in;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::season;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps::SnapLayer;
use crate::derived::walks::Fate;
use crate::derived::walks::MatchedWalk;
use crate::derived::walks::WalkLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::time::EventTime;
use crate::domain::walk::Purpose;

/// Seeds of two cells are so far apart: no seed that staff may set is.
const CELL_STEP: u64 = 1 << 40;

/// What cells are counted from.
#[derive(Clone, Copy)]
pub(super) struct Ground<'a> {
    pub(super) facts: &'a Facts,
    pub(super) exposure: &'a ExposureLayer,
    pub(super) snaps: &'a SnapLayer,
    pub(super) walks: &'a WalkLayer,
    pub(super) season: Option<&'a SeasonLayer>,
}

/// Counts and kilometres of one cell by segment. Kilometres are weighted by how frequent encounters are at their season and
/// hour over how frequent they are when visitors walk, draw by draw: surveys and visitors walk at different times, before and
/// after too. All of a segment's windows together hold what the exposure says, weighed by its course where something was closed.
pub(super) struct CellData {
    /// By group of species.
    pub(super) survey: Vec<CountDraws>,
    pub(super) survey_km: ExposureDraws,
    /// By group of species.
    pub(super) reports: Vec<CountDraws>,
    pub(super) walked: ExposureDraws,
    pub(super) segments: Vec<usize>,
}

impl CellData {
    /// The reporting ratio of a group in the cell. Ratios that are compared take numbers of their own each (`number` tells them
    /// apart), so that draw i of all shares its walking and nothing else.
    pub(super) fn ratio(
        &self,
        facts: &Facts,
        group: usize,
        number: u64,
    ) -> Result<ReportingRatio, DeriveError> {
        self.ratio_of((&self.survey[group], &self.reports[group]), facts, number)
    }

    /// The ratio of all groups together.
    pub(super) fn ratio_of_all(&self, facts: &Facts, number: u64) -> Result<ReportingRatio, DeriveError> {
        self.ratio_of((&sum(&self.survey), &sum(&self.reports)), facts, number)
    }

    fn ratio_of(
        &self,
        (survey, reports): (&CountDraws, &CountDraws),
        facts: &Facts,
        number: u64,
    ) -> Result<ReportingRatio, DeriveError> {
        let survey = Effort { counts: survey, exposure: &self.survey_km };
        let reports = Effort { counts: reports, exposure: &self.walked };
        reporting_ratio(&survey, &reports, &self.segments, &ratio_params(facts, number))
            .map_err(DeriveError::internal)
    }
}

/// Parameters of one of several ratios that are compared or used together: each takes draws of its own.
pub(in crate::derived) fn ratio_params(facts: &Facts, number: u64) -> RatioParams {
    let settings = &facts.settings;
    RatioParams {
        least_survey_encounters: settings.ratio_least,
        n_draws: settings.draws(),
        seed: settings.seed().wrapping_add(number.wrapping_mul(CELL_STEP)),
        ..RatioParams::default()
    }
}

fn sum(groups: &[CountDraws]) -> CountDraws {
    let mut all = groups.first().cloned().unwrap_or_else(|| CountDraws::certain(Vec::new()));
    for group in groups.iter().skip(1) {
        all.counts.iter_mut().zip(&group.counts).for_each(|(sum, n)| *sum += n);
    }
    all
}

impl<'a> Ground<'a> {
    /// The cell of the segments that have windows, each in its own. Only planned walks of the study period count as surveys:
    /// others were made where snakes were expected. `group_of` gives the group of an encounter, no number below `n_groups`
    /// where it belongs to none.
    pub(super) fn cell(
        &self,
        windows: &[Windows],
        n_groups: usize,
        group_of: &dyn Fn(usize) -> usize,
    ) -> Result<CellData, DeriveError> {
        let field = &self.exposure.field;
        let n_units = windows.len();
        let curves = self.season.map(SeasonLayer::curves).unwrap_or_default();
        let n_draws = curves.iter().map(|curve| curve.n_draws).chain([field.n_draws]).max().unwrap_or(1);
        let km = || ExposureDraws { n_draws, n_units, party_km: vec![0.0; n_draws * n_units] };
        let zone = TimeZone::get(&self.facts.area.time_zone).map_err(DeriveError::internal)?;
        let mut data = CellData {
            survey: self.surveys(windows, n_groups, group_of),
            survey_km: km(),
            reports: self.reports(windows, &zone, n_groups, group_of),
            walked: km(),
            segments: (0..n_units).filter(|segment| !windows[*segment].is_empty()).collect(),
        };
        let usual: Vec<Vec<f64>> =
            curves.iter().map(|curve| usual_factor(self.exposure, Some(*curve), n_draws)).collect();
        for (window, members) in members(windows) {
            self.add_walked(&mut data.walked, &members, (&curves, &usual), &zone, window)?;
        }
        self.add_surveyed(&mut data.survey_km, windows, (&curves, &usual));
        Ok(data)
    }

    fn reports(
        &self,
        windows: &[Windows],
        zone: &TimeZone,
        n_groups: usize,
        group_of: &dyn Fn(usize) -> usize,
    ) -> Vec<CountDraws> {
        let Self { facts, exposure, snaps, .. } = *self;
        let when = |record: usize| {
            let encounter = snaps.records[record];
            let row = &facts.encounters.rows[encounter];
            let is_counted = row.effort_kind == EffortKind::Report
                && facts.counts(row)
                && season::in_period(exposure, &row.time);
            let when = if is_counted { When::of(&row.time, exposure, zone) } else { None };
            when.map(|when| (group_of(encounter), when))
        };
        let seed = seed_of(facts.settings.seed(), "days of vague dates");
        counted(&snaps.allocation, windows, n_groups, seed, when)
    }

    fn surveys(
        &self,
        windows: &[Windows],
        n_groups: usize,
        group_of: &dyn Fn(usize) -> usize,
    ) -> Vec<CountDraws> {
        let Self { facts, exposure, walks, .. } = *self;
        let when = |record: usize| {
            let Fate::OnWalk(walk) = walks.records[record].fate else { return None };
            let given = &facts.walks[walk].given;
            let is_counted =
                given.purpose == Purpose::Planned && exposure.period.contains(walks.walks[walk].start.date());
            is_counted.then(|| (group_of(walks.records[record].encounter), When::At(given.start_s)))
        };
        counted(&walks.allocation, windows, n_groups, 0, when)
    }

    /// Visitors' walking in windows: of a month that lies in them in part, the share of its days, as far as they were open.
    fn add_walked(
        &self,
        walked: &mut ExposureDraws,
        members: &[usize],
        (curves, usual): (&[&Curve], &[Vec<f64>]),
        zone: &TimeZone,
        windows: &[Window],
    ) -> Result<(), DeriveError> {
        let time = &self.exposure.field.time;
        let n_months = time.cells.year_months.len();
        let (mut days, mut days_in, mut days_of) = (vec![0.0; n_months], vec![0.0; n_months], Vec::new());
        for date in self.exposure.period.days() {
            let Some(month) = time.cells.month_idx(YearMonth::of(date)) else { continue };
            let noon = zone.to_timestamp(date.at(12, 0, 0, 0)).map_err(DeriveError::internal)?;
            days[month] += 1.0;
            if is_in(windows, noon.as_second()) {
                days_in[month] += 1.0;
                days_of.push((date, month));
            }
        }
        let part = |month: usize| if days[month] > 0.0 { days_in[month] / days[month] } else { 0.0 };
        let field = &self.exposure.field;
        // By course, what would be walked then if it were open is as much of a cell as this.
        let mut open_in: Vec<Option<Vec<f64>>> = vec![None; field.courses.n_courses()];
        for (course, _) in members.iter().flat_map(|segment| field.courses.of(*segment)) {
            if *course == 0 || open_in[*course].is_some() {
                continue;
            }
            let mut open = vec![0.0; n_months * HOURS];
            for (date, month) in days_of.iter().copied() {
                let hours = open[month * HOURS..][..HOURS].iter_mut();
                let on_day = field.courses.open_on(*course, date);
                hours.zip(on_day).for_each(|(sum, open)| *sum += open / days[month]);
            }
            open_in[*course] = Some(open);
        }
        let n_segments = walked.n_units;
        for (draw, row) in walked.party_km.chunks_mut(n_segments.max(1)).enumerate() {
            let by_curve: Vec<f64> = match curves.is_empty() {
                true => vec![mean_factor(self.exposure, None, draw, part)],
                false => curves
                    .iter()
                    .zip(usual)
                    .map(|(curve, usual)| mean_factor(self.exposure, Some(*curve), draw, part) / usual[draw])
                    .collect(),
            };
            let on_course: Vec<Vec<f64>> = open_in
                .iter()
                .enumerate()
                .map(|(course, open)| match open {
                    None => by_curve.clone(),
                    Some(open) if curves.is_empty() => vec![open_factor(field, None, draw, (course, open))],
                    Some(open) => curves
                        .iter()
                        .zip(usual)
                        .map(|(curve, usual)| {
                            open_factor(field, Some(*curve), draw, (course, open)) / usual[draw]
                        })
                        .collect(),
                })
                .collect();
            let km = field.draw(draw % field.n_draws);
            for segment in members {
                let curve = self.curve_of(*segment).min(by_curve.len() - 1);
                let parts = field.courses.of(*segment).iter();
                let factor: f64 = parts.map(|(course, share)| share * on_course[*course][curve]).sum();
                row[*segment] = km[*segment] * factor;
            }
        }
        Ok(())
    }

    fn add_surveyed(
        &self,
        survey_km: &mut ExposureDraws,
        windows: &[Windows],
        (curves, usual): (&[&Curve], &[Vec<f64>]),
    ) {
        let n_segments = survey_km.n_units.max(1);
        for (walk, matched) in self.facts.walks.iter().zip(&self.walks.walks) {
            if walk.given.purpose != Purpose::Planned || !self.exposure.period.contains(matched.start.date())
            {
                continue;
            }
            let month = usize::from(matched.start.month().unsigned_abs()) - 1;
            let legs: Vec<(usize, f64)> = matched
                .metres
                .iter()
                .filter(|(segment, _)| is_in(&windows[**segment], walk.given.start_s))
                .map(|(segment, metres)| (*segment, *metres))
                .collect();
            if legs.is_empty() {
                continue;
            }
            for (draw, row) in survey_km.party_km.chunks_mut(n_segments).enumerate() {
                let of_curve = |(curve, usual): (&&Curve, &Vec<f64>)| {
                    matched.mean_over_hours(|hour| factor(Some(*curve), draw, month, hour)) / usual[draw]
                };
                let factors: Vec<f64> = curves.iter().zip(usual).map(of_curve).collect();
                for (segment, metres) in &legs {
                    let factor = factors.get(self.curve_of(*segment)).copied().unwrap_or(1.0);
                    row[*segment] += metres / 1000.0 * factor;
                }
            }
        }
    }

    fn curve_of(&self, segment: usize) -> usize {
        self.season.map_or(0, |season| season.curve_of(segment))
    }
}

/// When a record was made.
#[derive(Debug, Clone, PartialEq, Eq)]
enum When {
    /// At an instant; of a day without a time of day, its noon.
    At(i64),
    /// On one of these days, at noon: one is drawn.
    OneOf(Vec<i64>),
}

impl When {
    /// None where nothing is known, or no day of the study period is possible.
    fn of(time: &EventTime, exposure: &ExposureLayer, zone: &TimeZone) -> Option<Self> {
        if let Some(at_s) = time.instant_s {
            return Some(Self::At(at_s));
        }
        let (first, last) = time.days()?;
        let (first, last) = (first.max(exposure.period.first()), last.min(exposure.period.last()));
        let noon = |day: Date| zone.to_timestamp(day.at(12, 0, 0, 0)).ok().map(|noon| noon.as_second());
        let days = std::iter::successors(Some(first), |day| day.tomorrow().ok());
        let noons: Vec<i64> = days.take_while(|day| *day <= last).filter_map(noon).collect();
        match noons[..] {
            [] => None,
            [only] => Some(Self::At(only)),
            _ => Some(Self::OneOf(noons)),
        }
    }
}

/// Counts of records by group, draw and segment, of those that lie in a window of their segment. `when` gives group and time
/// of a record that counts.
fn counted(
    allocation: &Allocation,
    windows: &[Windows],
    n_groups: usize,
    seed: u64,
    when: impl Fn(usize) -> Option<(usize, When)>,
) -> Vec<CountDraws> {
    let (n_draws, n_units) = (allocation.n_draws(), windows.len());
    let draws = || CountDraws { n_draws, n_units, counts: vec![0; n_draws * n_units] };
    let mut groups: Vec<CountDraws> = (0..n_groups).map(|_| draws()).collect();
    let mut steady = vec![vec![0_u32; n_units]; n_groups];
    let holds = |segment: usize, at_s: i64| windows.get(segment).is_some_and(|its| is_in(its, at_s));
    for record in 0..allocation.n_records() {
        let places = allocation.places(record);
        if places.is_nowhere() {
            continue;
        }
        let Some((group, when)) = when(record).filter(|(group, _)| *group < n_groups) else { continue };
        match (places.everywhere(), &when) {
            (Some(segment), When::At(at_s)) => {
                if holds(segment, *at_s) {
                    steady[group][segment] += 1;
                }
            }
            _ => {
                let mut rng = stream(seed, record as u64);
                for draw in 0..n_draws {
                    let at_s = match &when {
                        When::At(at_s) => *at_s,
                        When::OneOf(days) => days[rng.random_range(0..days.len())],
                    };
                    if let Some(segment) = places.at(draw).filter(|segment| holds(*segment, at_s)) {
                        groups[group].counts[draw * n_units + segment] += 1;
                    }
                }
            }
        }
    }
    for (group, steady) in groups.iter_mut().zip(&steady) {
        for row in group.counts.chunks_mut(n_units.max(1)) {
            row.iter_mut().zip(steady).for_each(|(sum, n)| *sum += n);
        }
    }
    groups
}

/// How frequent encounters are when visitors walk, by draw: the mean of the curve over their months and hours. A curve's own
/// mean is one over the mean of all draws of the walking, so that this is near one.
pub(in crate::derived) fn usual_factor(
    exposure: &ExposureLayer,
    curve: Option<&Curve>,
    n_draws: usize,
) -> Vec<f64> {
    let mean = |draw: usize| mean_factor(exposure, curve, draw, |_| 1.0);
    (0..n_draws).map(mean).map(|mean| if mean > 0.0 { mean } else { 1.0 }).collect()
}

/// The mean of the curve over visitors' months and hours, of each month that part.
fn mean_factor(
    exposure: &ExposureLayer,
    curve: Option<&Curve>,
    draw: usize,
    part: impl Fn(usize) -> f64,
) -> f64 {
    let time = &exposure.field.time;
    let shares = time.draw(draw % time.n_draws);
    let of_month = |(month, known): (usize, &YearMonth)| {
        let calendar = usize::from(known.month.unsigned_abs()) - 1;
        let hours = (0..HOURS).map(|hour| shares[month * HOURS + hour] * factor(curve, draw, calendar, hour));
        part(month) * hours.sum::<f64>()
    };
    time.cells.year_months.iter().enumerate().map(of_month).sum()
}

/// The mean of the curve over what is walked on a course, of each cell as much as is open in some windows.
fn open_factor(
    field: &ExposureField,
    curve: Option<&Curve>,
    draw: usize,
    (course, open_in): (usize, &[f64]),
) -> f64 {
    let if_open = field.courses.if_open(&field.time, course, draw % field.n_draws);
    let of_month = |(month, known): (usize, &YearMonth)| {
        let calendar = usize::from(known.month.unsigned_abs()) - 1;
        let of_hour = |hour: usize| {
            let cell = month * HOURS + hour;
            if_open[cell] * open_in[cell] * factor(curve, draw, calendar, hour)
        };
        (0..HOURS).map(of_hour).sum::<f64>()
    };
    field.time.cells.year_months.iter().enumerate().map(of_month).sum()
}

/// The distinct windows, each with the segments that have them.
fn members(windows: &[Windows]) -> BTreeMap<&[Window], Vec<usize>> {
    let mut members: BTreeMap<&[Window], Vec<usize>> = BTreeMap::new();
    for (segment, windows) in windows.iter().enumerate().filter(|(_, windows)| !windows.is_empty()) {
        members.entry(windows).or_default().push(segment);
    }
    members
}

/// How frequent encounters are at the month and hours of a walk, at the curve's estimate; one where no season is known.
pub(super) fn factor_of(curve: Option<&Curve>, walk: &MatchedWalk) -> f64 {
    let month = usize::from(walk.start.month().unsigned_abs()) - 1;
    curve.map_or(1.0, |curve| walk.mean_over_hours(|hour| curve.estimate[month * HOURS + hour]))
}

/// How frequent encounters are in a month and hour; one where no season is known.
fn factor(curve: Option<&Curve>, draw: usize, month: usize, hour: usize) -> f64 {
    curve.map_or(1.0, |curve| curve.draw(draw % curve.n_draws)[month * HOURS + hour])
}
