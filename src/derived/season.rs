//! Season and hours: s(t) of the area, from reports given when people walk.

use std::ops::Range;

use crate::analysis::exposure::ExposureField;
use crate::analysis::exposure::YearMonth;
use crate::analysis::forecast::PeriodKnown;
use crate::analysis::rates::PeriodCurve;
use crate::analysis::rates::UnitFactors;
use crate::analysis::season;
use crate::analysis::season::Cells;
use crate::analysis::season::Curve;
use crate::analysis::season::HeapedReading;
use crate::analysis::season::HourSet;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::Parts;
use crate::analysis::season::Period;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonOutcome;
use crate::analysis::season::SeasonParams;
use crate::analysis::season::SeasonWindow;
use crate::analysis::season::WindowOutcome;
use crate::analysis::season::WindowParams;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::season_levels;
use crate::derived::season_levels::Levels;
use crate::derived::season_levels::likeliest;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::time::EventDate;
use crate::domain::time::EventTime;
use crate::domain::time::PartOfDay;
use crate::store::EncounterRow;

/// A month and a part of the day, or all of either.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct PeriodChoice {
    /// The month, 1 to 12; all when none.
    pub month: Option<i8>,
    /// The part of the day; all when none.
    pub part: Option<PartOfDay>,
}

/// The season with what it rests on.
#[derive(Debug)]
pub struct SeasonLayer {
    /// The fit, or why there is none.
    pub fit: Result<Box<SeasonFit>, String>,
    /// Seasons by habitat and by elevation band.
    pub levels: Levels,
    /// Mean party-kilometres by segment: what a unit of several levels is weighted by.
    pub segment_km: Vec<f64>,
    /// The season's window, where it was found.
    pub window: Option<SeasonWindow>,
    /// Reports with month and hour known.
    pub n_timed: usize,
    /// Reports in the study period whose time is partly known.
    pub n_partial: usize,
    /// Times of day noted far more often than those around them, such as noon for "no time": reports with such a time
    /// are shared out by the fitted curve like those without one.
    pub heaped: Vec<HeapedReading>,
    /// Reports with such a time.
    pub n_heaped: usize,
    /// Reports by month, where the month is known.
    pub by_month: [u64; 12],
    /// Share of walking by month.
    pub walking_by_month: [f64; 12],
    /// Kilometres that parties walked over the whole area, and reports whose time is known, by month and hour:
    /// `month * 24 + hour`.
    pub by_cell: Vec<(f64, u64)>,
    /// What the fit was made from: the same by month of each year.
    pub cells: Cells,
}

/// Draws of when people walk that a fit takes, one an imputation.
pub(super) const EXPOSURE_DRAWS: usize = 10;

/// Whether a time lies in the study period, as far as it is known: a month or year counts when any of it does.
pub fn in_period(exposure: &ExposureLayer, time: &EventTime) -> bool {
    let (first, last) = (exposure.period.first(), exposure.period.last());
    match time.date {
        EventDate::Day(date) => exposure.period.contains(date),
        EventDate::Month { year, month } => {
            let month = YearMonth { year, month };
            YearMonth::of(first) <= month && month <= YearMonth::of(last)
        }
        EventDate::Year(year) => first.year() <= year && year <= last.year(),
        EventDate::Unknown => false,
    }
}

/// Reports of the study period with what is known of their times.
pub(super) struct Timed<'a> {
    /// Number among the facts' encounters, and the row.
    pub(super) reports: Vec<(usize, &'a EncounterRow)>,
    months: &'a [YearMonth],
    field: &'a ExposureField,
    snaps: &'a SnapLayer,
    /// The course of most of the walking.
    usual_course: usize,
    heaped: Vec<HeapedReading>,
}

impl<'a> Timed<'a> {
    pub(super) fn new(facts: &'a Facts, exposure: &'a ExposureLayer, snaps: &'a SnapLayer) -> Self {
        let reports: Vec<(usize, &EncounterRow)> = facts
            .encounters
            .rows
            .iter()
            .enumerate()
            .filter(|(_, row)| {
                row.effort_kind == EffortKind::Report && facts.counts(row) && in_period(exposure, &row.time)
            })
            .collect();
        let minutes = reports.iter().filter_map(|(_, row)| row.time.minute_of_day.map(usize::from));
        let heaped = season::heaped_readings(&minutes.collect::<Vec<_>>());
        let field = &exposure.field;
        let n_courses = field.courses.n_courses();
        let km =
            field.courses.split(&exposure.mean_km, n_courses, |segment| Some(field.courses.main_of(segment)));
        let all = |course: &usize| km[*course].iter().sum::<f64>();
        let usual = (0..n_courses).rev().max_by(|one, other| all(one).total_cmp(&all(other)));
        let months = &field.time.cells.year_months;
        Self { reports, months, field, snaps, usual_course: usual.unwrap_or(0), heaped }
    }

    /// The course of the segment that a report most probably lies on, by its number among the facts' encounters; the usual one where
    /// it lies on none.
    ///
    /// Fits have a group for each course, so that they do not take a month in which only trails of few snakes are open for a month of
    /// few snakes.
    pub(super) fn course(&self, row: usize) -> usize {
        let segment = self.snaps.snaps[row].as_ref().and_then(likeliest);
        segment.map_or(self.usual_course, |segment| self.field.courses.main_of(segment))
    }

    /// Kilometres by segment put together by level and course, as the fits have their groups (`level * number of courses + course`):
    /// of each group by course.
    pub(super) fn by_group(
        &self,
        km: &[f64],
        n_levels: usize,
        level_of: impl Fn(usize) -> usize,
    ) -> Vec<Vec<f64>> {
        let courses = &self.field.courses;
        let n = courses.n_courses();
        courses.split(km, n_levels * n, |segment| Some(level_of(segment) * n + courses.main_of(segment)))
    }

    /// The level of each group of so many.
    pub(super) fn levels(&self, n_levels: usize) -> Vec<usize> {
        let n = self.field.courses.n_courses();
        (0..n_levels * n).map(|group| group / n).collect()
    }

    fn is_heaped(&self, row: &EncounterRow) -> bool {
        let minute = row.time.minute_of_day.map(usize::from);
        self.heaped.iter().any(|reading| Some(reading.minute_of_day) == minute)
    }

    /// The hour of a report as far as it is taken at its word.
    pub(super) fn hour(&self, row: &EncounterRow) -> Option<usize> {
        row.time.hour().filter(|_| !self.is_heaped(row)).map(usize::from)
    }

    /// The exposure of the cells in some draws of when people walk; `km` has the kilometres of each group in those draws, by course.
    pub(super) fn exposure_draws(&self, km: impl Fn(usize) -> Vec<Vec<f64>>) -> Vec<Vec<f64>> {
        let draws = self.field.time.some_draws(EXPOSURE_DRAWS);
        draws.map(|draw| km(draw).iter().flat_map(|km| self.field.cells(km, draw)).collect()).collect()
    }

    /// Fits, over the walking as it would be if nothing were closed: a curve is one of the open time, so that a rate times it is the
    /// rate at any time on what is always open.
    pub(super) fn over_open_time(&self, fit: Box<SeasonFit>) -> Box<SeasonFit> {
        if self.field.courses.is_plain() {
            return fit;
        }
        let mut open = vec![0.0; Parts::Months.count() * season::HOURS];
        for (cell, share) in self.field.time.mean().iter().enumerate() {
            let month = usize::from(self.months[cell / season::HOURS].month.unsigned_abs()).saturating_sub(1);
            open[month * season::HOURS + cell % season::HOURS] += share;
        }
        Box::new(fit.over(&open))
    }

    /// Cells of groups that walked so many kilometres by course, with the level of each, and the reports whose time is partly known.
    ///
    /// `group_of` tells the group of a report by its number among the facts' encounters; those without one stay out.
    pub(super) fn cells(
        &self,
        (km, group_levels): (&[Vec<f64>], Vec<usize>),
        group_of: impl Fn(usize) -> Option<usize>,
    ) -> (Cells, Vec<PartialRecord>) {
        let period = |month: &YearMonth| Period {
            year: i32::from(month.year),
            part: usize::from(month.month.unsigned_abs()).saturating_sub(1),
            max_temperature_c: None,
        };
        let mut cells = Cells {
            parts: Parts::Months,
            group_levels,
            counts: vec![0; km.len() * self.months.len() * season::HOURS],
            exposure: km.iter().flat_map(|km| self.field.mean_cells(km)).collect(),
            periods: self.months.iter().map(period).collect(),
        };
        let mut partial = Vec::new();
        for (idx, row) in &self.reports {
            let Some(group) = group_of(*idx) else { continue };
            let found = months_of(&row.time, self.months);
            match (self.hour(row), found.len()) {
                (Some(hour), 1) => {
                    let cell = cells.index(group, found.start, hour);
                    cells.counts[cell] += 1;
                }
                _ => partial.push(PartialRecord { group, ..self.known(row) }),
            }
        }
        (cells, partial)
    }

    /// The months of the study period and the hours that a report may be of, in the first group.
    pub(super) fn known(&self, row: &EncounterRow) -> PartialRecord {
        let hours = self.hour(row).map_or(HourSet::ALL, |hour| HourSet::between(hour, hour));
        PartialRecord { group: 0, periods: months_of(&row.time, self.months), hours }
    }
}

/// Fits season and hours to the reports of the study period, and tests whether habitats or elevation bands have seasons
/// of their own.
///
/// # Errors
/// [`DeriveError::Internal`] when the cells do not fit together.
pub fn compute(
    facts: &Facts,
    network: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
) -> Result<SeasonLayer, DeriveError> {
    let timed = Timed::new(facts, exposure, snaps);
    let km = timed.by_group(&exposure.mean_km, 1, |_| 0);
    let (cells, partial) = timed.cells((&km, timed.levels(1)), |row| Some(timed.course(row)));
    let mut by_month = [0; 12];
    for month in timed.reports.iter().filter_map(|(_, row)| row.time.month()) {
        by_month[usize::from(month.unsigned_abs()) - 1] += 1;
    }
    let params = SeasonParams {
        n_draws: facts.settings.draws(),
        seed: facts.settings.seed(),
        ..SeasonParams::default()
    };
    let draws = timed.exposure_draws(|_| km.clone());
    let outcome = season::fit_with_exposure_draws(&cells, &draws, &partial, &params);
    let fit = match outcome.map_err(DeriveError::internal)? {
        SeasonOutcome::Estimated(fit) => Ok(timed.over_open_time(fit)),
        SeasonOutcome::NotEstimable(_) => {
            Err("No season can be estimated: there are no reports in months that were walked.".to_owned())
        }
    };
    let window = match &fit {
        Ok(fit) => window(fit.curve(0), facts)?,
        Err(_) => None,
    };
    let mut walking_by_month = [0.0; 12];
    for (idx, share) in exposure.field.area_time().mean().iter().enumerate() {
        let month = timed.months[idx / season::HOURS].month;
        walking_by_month[usize::from(month.unsigned_abs()) - 1] += share;
    }
    let levels = season_levels::compute(&season_levels::Ground { facts, network, exposure, snaps }, &timed)?;
    Ok(SeasonLayer {
        fit,
        levels,
        segment_km: exposure.mean_km.clone(),
        window,
        n_timed: cells.counts.iter().map(|count| *count as usize).sum(),
        n_partial: partial.len(),
        n_heaped: timed.reports.iter().filter(|(_, row)| timed.is_heaped(row)).count(),
        heaped: timed.heaped,
        by_month,
        walking_by_month,
        by_cell: by_cell(&cells),
        cells,
    })
}

/// Kilometres and reports of all years by month and hour.
fn by_cell(cells: &Cells) -> Vec<(f64, u64)> {
    let mut sums = vec![(0.0, 0); cells.parts.count() * season::HOURS];
    for (idx, (km, count)) in cells.exposure.iter().zip(&cells.counts).enumerate() {
        let period = &cells.periods[idx / season::HOURS % cells.periods.len()];
        let sum = &mut sums[period.part * season::HOURS + idx % season::HOURS];
        *sum = (sum.0 + km, sum.1 + u64::from(*count));
    }
    sums
}

impl SeasonLayer {
    /// What is known of the whole area in a period; none for all months and hours.
    pub fn known_in(&self, choice: PeriodChoice) -> Option<PeriodKnown> {
        if choice == PeriodChoice::default() {
            return None;
        }
        let mut known = PeriodKnown {
            count: 0,
            walked_km: 0.0,
            n_timed: self.n_timed as u64,
            n_records: (self.n_timed + self.n_partial) as u64,
            all_km: 0.0,
        };
        for (cell, (km, count)) in self.by_cell.iter().enumerate() {
            known.all_km += km;
            if is_chosen(choice, cell / season::HOURS, cell % season::HOURS) {
                known.walked_km += km;
                known.count += count;
            }
        }
        Some(known)
    }

    /// Why a period has no figure of its own, in words; none where it has.
    pub fn too_little(&self, choice: PeriodChoice) -> Option<String> {
        self.known_in(choice).filter(PeriodKnown::is_too_little).map(|known| too_little_words(&known))
    }

    /// What is to be said beside the figures of a period, in words: too little is known for one of its own, or it leans on
    /// other months and hours. None where neither is so.
    pub fn caution(&self, choice: PeriodChoice) -> Option<String> {
        let known = self.known_in(choice)?;
        match known.is_thin() {
            true => Some(thin_words(&known)),
            false => self.too_little(choice),
        }
    }

    /// The curves in use: one for each level where habitats or elevation bands differ, else the common one; empty where
    /// no season can be estimated.
    pub fn curves(&self) -> Vec<&Curve> {
        match (&self.fit, self.levels.own()) {
            (Err(_), _) => Vec::new(),
            (Ok(_), Some(own)) => own.curves().iter().collect(),
            (Ok(fit), None) => vec![fit.curve(0)],
        }
    }

    /// The position of a segment's curve among [`SeasonLayer::curves`].
    pub fn curve_of(&self, segment: usize) -> usize {
        self.levels.own().and_then(|own| own.level_of.get(segment).copied()).unwrap_or(0)
    }

    /// The curves that each unit follows, with the share of its walking that is on segments of each.
    ///
    /// Empty where all follow the first. A unit that nobody walks has its segments weighted alike.
    pub fn shares(&self, members: &[Vec<usize>]) -> Vec<Vec<(usize, f64)>> {
        if self.levels.own().is_none() {
            return Vec::new();
        }
        members.iter().map(|segments| self.shares_of(segments)).collect()
    }

    fn shares_of(&self, segments: &[usize]) -> Vec<(usize, f64)> {
        let total: f64 = segments.iter().map(|segment| self.segment_km[*segment]).sum();
        let mut shares: Vec<(usize, f64)> = Vec::new();
        for &segment in segments {
            let share = match total > 0.0 {
                true => self.segment_km[segment] / total,
                false => 1.0 / segments.len() as f64,
            };
            let curve = self.curve_of(segment);
            match shares.iter_mut().find(|(known, _)| *known == curve) {
                Some((_, sum)) => *sum += share,
                None => shares.push((curve, share)),
            }
        }
        shares
    }

    /// The factor of a period on each unit's rate of all periods: of its own habitat's or band's curve where those differ.
    ///
    /// # Errors
    /// [`DeriveError::Unanswerable`] when nobody walks in the period or there is no curve.
    pub fn unit_factors(
        &self,
        members: &[Vec<usize>],
        choice: PeriodChoice,
    ) -> Result<UnitFactors, DeriveError> {
        if choice == PeriodChoice::default() {
            return Ok(UnitFactors::common(vec![1.0]));
        }
        if let Err(reason) = &self.fit {
            return Err(DeriveError::missing(reason.clone()));
        }
        let nobody = || DeriveError::missing("Nobody walks here in that month and part of the day.");
        let by_curve: Vec<Vec<f64>> = self
            .curves()
            .into_iter()
            .map(|curve| factors(curve, choice).ok_or_else(nobody))
            .collect::<Result<_, _>>()?;
        let n_draws = by_curve.first().map_or(0, Vec::len);
        let factor = (0..n_draws).flat_map(|draw| by_curve.iter().map(move |curve| curve[draw])).collect();
        let curves = PeriodCurve { n_draws, n_periods: by_curve.len(), factor };
        match self.levels.own() {
            None => Ok(UnitFactors::common(curves.factor)),
            Some(_) => UnitFactors::by_unit(curves, self.shares(members)).map_err(DeriveError::internal),
        }
    }
}

/// "Only 1 report is known to be of this month and part of the day …".
fn thin_words(known: &PeriodKnown) -> String {
    let counted = match known.count {
        0 => "No report is".to_owned(),
        1 => "Only 1 report is".to_owned(),
        n => format!("Only {n} reports are"),
    };
    let limit = known.at_most_per_km().map_or_else(String::new, |per_km| {
        let most = (per_km * 1000.0).ceil();
        let noun = if most == 1.0 { "report" } else { "reports" };
        format!(
            " By itself that would allow up to {most:.0} {noun} per 1,000 km over all trails together (exact upper 95 % limit)."
        )
    });
    format!(
        "{counted} known to be of this month and part of the day; the figures lean on the times around it.{limit}"
    )
}

/// "Too little walking is known in this month and part of the day to say: 0 reports on about 12 km …".
pub fn too_little_words(known: &PeriodKnown) -> String {
    let noun = if known.count == 1 { "report" } else { "reports" };
    let km = match known.walked_km {
        km if km < 10.0 => format!("{km:.1}"),
        km => format!("{km:.0}"),
    };
    let limit = match known.at_most_per_km() {
        Some(per_km) => format!(
            "over all trails together at most {:.0} reports per 1,000 km (exact upper 95 % limit)",
            (per_km * 1000.0).ceil()
        ),
        None => "no upper limit can be given".to_owned(),
    };
    format!(
        "Too little walking is known in this month and part of the day to say: {} {noun} on about {km} km; {limit}.",
        known.count
    )
}

/// The shortest run of the year that holds the share set for the area; none where nothing is expected.
pub(super) fn window(curve: &Curve, facts: &Facts) -> Result<Option<SeasonWindow>, DeriveError> {
    let params = WindowParams { share: facts.settings.season_share, ..WindowParams::default() };
    match season::season_window(curve, &params).map_err(DeriveError::internal)? {
        WindowOutcome::Found(window) => Ok(Some(window)),
        WindowOutcome::NothingExpected => Ok(None),
    }
}

/// The positions of the months a time may lie in.
fn months_of(time: &EventTime, months: &[YearMonth]) -> Range<usize> {
    let (first, last) = match (time.year(), time.month()) {
        (Some(year), Some(month)) => (YearMonth { year, month }, YearMonth { year, month }),
        (Some(year), None) => (YearMonth { year, month: 1 }, YearMonth { year, month: 12 }),
        _ => return 0..0,
    };
    let start = months.partition_point(|month| *month < first);
    let end = months.partition_point(|month| *month <= last);
    start..end
}

/// Whether a cell of the curve (part of the year, hour) belongs to the chosen period.
pub(super) fn is_chosen(choice: PeriodChoice, month: usize, hour: usize) -> bool {
    choice.month.is_none_or(|chosen| usize::from(chosen.unsigned_abs()) == month + 1)
        && choice.part.is_none_or(|part| PartOfDay::of_hour(hour as u8) == part)
}

/// The factor of a period on the rate of all periods, draw by draw: the curve's mean over the period's exposure.
///
/// Ones for all months and hours. None where nobody walks in the period.
pub fn factors(curve: &Curve, choice: PeriodChoice) -> Option<Vec<f64>> {
    if choice == PeriodChoice::default() {
        return Some(vec![1.0; curve.n_draws]);
    }
    let cells: Vec<usize> = (0..curve.n_cells())
        .filter(|cell| is_chosen(choice, cell / season::HOURS, cell % season::HOURS))
        .collect();
    let weight: f64 = cells.iter().map(|cell| curve.exposure_shares[*cell]).sum();
    if weight <= 0.0 {
        return None;
    }
    let of_draw = |draw: usize| {
        let values = curve.draw(draw);
        cells.iter().map(|cell| values[*cell] * curve.exposure_shares[*cell]).sum::<f64>() / weight
    };
    Some((0..curve.n_draws).map(of_draw).collect())
}
