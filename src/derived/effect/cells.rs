//! Reports and survey encounters on chosen segments in chosen times, each over the kilometres that belong to it: what a
//! reporting ratio is estimated from, with signs and without, before and after.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use crate::analysis::exposure::YearMonth;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::RatioParams;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::reporting_ratio;
use crate::analysis::season::Curve;
use crate::analysis::season::HOURS;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::season;
use crate::derived::season::SeasonLayer;
use crate::derived::snaps::SnapLayer;
use crate::derived::walks::MatchedWalk;
use crate::derived::walks::WalkLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::time::EventTime;
use crate::domain::walk::Purpose;

/// A time from an instant until before another, seconds since 1970-01-01T00:00:00Z.
pub(super) type Window = (i64, i64);

/// Seeds of two cells are so far apart: no seed that staff may set is.
const CELL_STEP: u64 = 1 << 40;

/// The seed of one of several ratios that are compared or used together.
pub(in crate::derived) fn cell_seed(seed: u64, cell: u64) -> u64 {
    seed.wrapping_add(cell.wrapping_mul(CELL_STEP))
}

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
/// hour, since surveys and visitors walk at different times, before and after too.
pub(super) struct CellData {
    pub(super) survey: CountDraws,
    pub(super) survey_km: ExposureDraws,
    pub(super) reports: CountDraws,
    pub(super) walked: ExposureDraws,
    pub(super) segments: Vec<usize>,
}

impl CellData {
    /// The reporting ratio of the cell. Ratios that are compared take numbers of their own each (`cell` tells them apart), so
    /// that draw i of all shares its walking and nothing else.
    pub(super) fn ratio(&self, facts: &Facts, cell: u64) -> Result<ReportingRatio, DeriveError> {
        let settings = &facts.settings;
        let survey = Effort { counts: &self.survey, exposure: &self.survey_km };
        let reports = Effort { counts: &self.reports, exposure: &self.walked };
        let params = RatioParams {
            least_survey_encounters: settings.ratio_least,
            n_draws: settings.draws(),
            seed: cell_seed(settings.seed(), cell),
            ..RatioParams::default()
        };
        reporting_ratio(&survey, &reports, &self.segments, &params).map_err(DeriveError::internal)
    }
}

impl<'a> Ground<'a> {
    /// The cell of the segments that have a window, each in its own. Only planned walks of the study period count as surveys:
    /// others were made where snakes were expected.
    pub(super) fn cell(&self, windows: &[Option<Window>]) -> Result<CellData, DeriveError> {
        let mut data = self.cell_km(windows)?;
        self.count(&mut data, windows, &|_| true)?;
        Ok(data)
    }

    /// The kilometres of a cell, with nothing counted yet.
    pub(super) fn cell_km(&self, windows: &[Option<Window>]) -> Result<CellData, DeriveError> {
        let field = &self.exposure.field;
        let n_segments = windows.len();
        let curves = self.season.map(SeasonLayer::curves).unwrap_or_default();
        let n_draws = curves.iter().map(|curve| curve.n_draws).chain([field.n_draws]).max().unwrap_or(1);
        let mut data = CellData {
            survey: CountDraws {
                n_draws: self.walks.allocation.n_draws(),
                n_units: n_segments,
                counts: vec![0; self.walks.allocation.n_draws() * n_segments],
            },
            survey_km: ExposureDraws {
                n_draws,
                n_units: n_segments,
                party_km: vec![0.0; n_draws * n_segments],
            },
            reports: CountDraws {
                n_draws: self.snaps.allocation.n_draws(),
                n_units: n_segments,
                counts: vec![0; self.snaps.allocation.n_draws() * n_segments],
            },
            walked: ExposureDraws { n_draws, n_units: n_segments, party_km: vec![0.0; n_draws * n_segments] },
            segments: (0..n_segments).filter(|segment| windows[*segment].is_some()).collect(),
        };
        for (window, members) in members(windows) {
            self.add_walked(&mut data, &members, &curves, |at_s| (window.0..window.1).contains(&at_s))?;
        }
        self.add_surveyed(&mut data, windows, &curves);
        Ok(data)
    }

    /// Counts the encounters of a cell that a predicate takes, in place of those counted before.
    pub(super) fn count(
        &self,
        data: &mut CellData,
        windows: &[Option<Window>],
        is_taken: &dyn Fn(usize) -> bool,
    ) -> Result<(), DeriveError> {
        let zone = TimeZone::get(&self.facts.area.time_zone).map_err(DeriveError::internal)?;
        for (window, members) in members(windows) {
            let is_in = |at_s: i64| (window.0..window.1).contains(&at_s);
            self.add_counts(data, &members, &zone, is_in, is_taken);
        }
        Ok(())
    }

    fn add_counts(
        &self,
        data: &mut CellData,
        members: &[usize],
        zone: &TimeZone,
        is_in: impl Fn(i64) -> bool,
        is_taken: &dyn Fn(usize) -> bool,
    ) {
        let Self { facts, exposure, snaps, walks, .. } = *self;
        let n_segments = data.survey.n_units;
        let reports = snaps.allocation.counts_by_draw_where(n_segments, |record| {
            let row = &facts.encounters.rows[snaps.records[record]];
            is_taken(snaps.records[record])
                && row.effort_kind == EffortKind::Report
                && facts.counts(row)
                && instant_of(&row.time, zone).is_some_and(&is_in)
                && season::in_period(exposure, &row.time)
        });
        let survey = walks.counts(facts, Purpose::Planned, |encounter, walk| {
            is_taken(encounter)
                && is_in(facts.walks[walk].given.start_s)
                && exposure.period.contains(walks.walks[walk].start.date())
        });
        for (into, from) in [(&mut data.reports.counts, reports), (&mut data.survey.counts, survey)] {
            for (into, from) in into.chunks_mut(n_segments.max(1)).zip(from.chunks(n_segments.max(1))) {
                members.iter().for_each(|segment| into[*segment] = from[*segment]);
            }
        }
    }

    /// Visitors' walking in a window: of a month that lies in it in part, the share of its days.
    fn add_walked(
        &self,
        data: &mut CellData,
        members: &[usize],
        curves: &[&Curve],
        is_in: impl Fn(i64) -> bool,
    ) -> Result<(), DeriveError> {
        let zone = TimeZone::get(&self.facts.area.time_zone).map_err(DeriveError::internal)?;
        let time = &self.exposure.field.time;
        let n_months = time.cells.year_months.len();
        let (mut days, mut days_in) = (vec![0.0; n_months], vec![0.0; n_months]);
        for date in self.exposure.period.days() {
            let Some(month) = time.cells.month_idx(YearMonth::of(date)) else { continue };
            let noon = zone.to_timestamp(date.at(12, 0, 0, 0)).map_err(DeriveError::internal)?;
            days[month] += 1.0;
            days_in[month] += if is_in(noon.as_second()) { 1.0 } else { 0.0 };
        }
        let part = |month: usize| if days[month] > 0.0 { days_in[month] / days[month] } else { 0.0 };
        let field = &self.exposure.field;
        let n_segments = data.walked.n_units;
        for (draw, row) in data.walked.party_km.chunks_mut(n_segments.max(1)).enumerate() {
            let shares = time.draw(draw % time.n_draws);
            let weighted = |curve: Option<&&Curve>| -> f64 {
                let of_month = |month: usize| {
                    let calendar = usize::from(time.cells.year_months[month].month.unsigned_abs()) - 1;
                    let hours = (0..HOURS).map(|hour| {
                        shares[month * HOURS + hour] * factor(curve.copied(), draw, calendar, hour)
                    });
                    part(month) * hours.sum::<f64>()
                };
                (0..n_months).map(of_month).sum()
            };
            let by_curve: Vec<f64> = match curves.is_empty() {
                true => vec![weighted(None)],
                false => curves.iter().map(|curve| weighted(Some(curve))).collect(),
            };
            let km = field.draw(draw % field.n_draws);
            for segment in members {
                row[*segment] = km[*segment] * by_curve[self.curve_of(*segment).min(by_curve.len() - 1)];
            }
        }
        Ok(())
    }

    fn add_surveyed(&self, data: &mut CellData, windows: &[Option<Window>], curves: &[&Curve]) {
        let n_segments = data.survey_km.n_units;
        for (walk, matched) in self.facts.walks.iter().zip(&self.walks.walks) {
            if walk.given.purpose != Purpose::Planned || !self.exposure.period.contains(matched.start.date())
            {
                continue;
            }
            let month = usize::from(matched.start.month().unsigned_abs()) - 1;
            let is_in = |segment: &usize| {
                windows[*segment].is_some_and(|(from, until)| (from..until).contains(&walk.given.start_s))
            };
            for (segment, metres) in matched.metres.iter().filter(|(segment, _)| is_in(segment)) {
                let curve = curves.get(self.curve_of(*segment)).copied();
                for (draw, row) in data.survey_km.party_km.chunks_mut(n_segments.max(1)).enumerate() {
                    let factor = matched.mean_over_hours(|hour| factor(curve, draw, month, hour));
                    row[*segment] += metres / 1000.0 * factor;
                }
            }
        }
    }

    fn curve_of(&self, segment: usize) -> usize {
        self.season.map_or(0, |season| season.curve_of(segment))
    }
}

/// When something happened, or the noon in the middle of the days that it may be of: a report without a time of day is a report,
/// and what people walked that day is in the kilometres.
fn instant_of(time: &EventTime, zone: &TimeZone) -> Option<i64> {
    let noon = || zone.to_timestamp(time.middle_day()?.at(12, 0, 0, 0)).ok();
    time.instant_s.or_else(|| noon().map(|noon| noon.as_second()))
}

/// The distinct windows, each with the segments that have it.
fn members(windows: &[Option<Window>]) -> BTreeMap<Window, Vec<usize>> {
    let mut members: BTreeMap<Window, Vec<usize>> = BTreeMap::new();
    for (segment, window) in windows.iter().enumerate() {
        if let Some(window) = window {
            members.entry(*window).or_default().push(segment);
        }
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
