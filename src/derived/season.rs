//! Season and hours: s(t) of the area, from reports given when people walk.

use std::ops::Range;

use crate::analysis::exposure::YearMonth;
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
}

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

/// Fits season and hours to the reports of the study period.
///
/// # Errors
/// [`DeriveError::Internal`] when the cells do not fit together.
pub fn compute(facts: &Facts, exposure: &ExposureLayer) -> Result<SeasonLayer, DeriveError> {
    let shares = &exposure.field.time;
    let total_km: f64 = exposure.mean_km.iter().sum();
    let months = &shares.cells.year_months;
    let periods: Vec<Period> = months
        .iter()
        .map(|month| Period {
            year: i32::from(month.year),
            part: usize::from(month.month.unsigned_abs()).saturating_sub(1),
            max_temperature_c: None,
        })
        .collect();
    let mean_shares = shares.mean();
    let mut cells = Cells {
        parts: Parts::Months,
        group_levels: vec![0],
        counts: vec![0; periods.len() * season::HOURS],
        exposure: mean_shares.iter().map(|share| share * total_km).collect(),
        periods,
    };
    let mut partial = Vec::new();
    let mut by_month = [0; 12];
    let reports: Vec<&EncounterRow> = facts
        .encounters
        .rows
        .iter()
        .filter(|row| {
            row.effort_kind == EffortKind::Report && facts.counts(row) && in_period(exposure, &row.time)
        })
        .collect();
    let minutes = reports.iter().filter_map(|row| row.time.minute_of_day.map(usize::from));
    let heaped = season::heaped_readings(&minutes.collect::<Vec<_>>());
    let is_heaped = |row: &EncounterRow| {
        let minute = row.time.minute_of_day.map(usize::from);
        heaped.iter().any(|reading| Some(reading.minute_of_day) == minute)
    };
    let n_heaped = reports.iter().filter(|row| is_heaped(row)).count();
    for row in reports {
        if let Some(month) = row.time.month() {
            by_month[usize::from(month.unsigned_abs()) - 1] += 1;
        }
        let found = months_of(&row.time, months);
        let hour = row.time.hour().filter(|_| !is_heaped(row));
        match (hour, found.len()) {
            (Some(hour), 1) => {
                let cell = cells.index(0, found.start, usize::from(hour));
                cells.counts[cell] += 1;
            }
            (hour, _) => {
                let hour = hour.map(usize::from);
                let hours = hour.map_or(HourSet::ALL, |hour| HourSet::between(hour, hour));
                partial.push(PartialRecord { group: 0, periods: found, hours });
            }
        }
    }
    let n_timed = cells.counts.iter().map(|count| *count as usize).sum();
    let params = SeasonParams {
        n_draws: facts.settings.draws(),
        seed: facts.settings.seed(),
        ..SeasonParams::default()
    };
    let outcome = season::fit(&cells, &partial, &params).map_err(DeriveError::internal)?;
    let fit = match outcome {
        SeasonOutcome::Estimated(fit) => Ok(fit),
        SeasonOutcome::NotEstimable(_) => {
            Err("No season can be estimated: there are no reports in months that were walked.".to_owned())
        }
    };
    let window = match &fit {
        Ok(fit) => window(fit.curve(0), facts)?,
        Err(_) => None,
    };
    let mut walking_by_month = [0.0; 12];
    for (idx, share) in mean_shares.iter().enumerate() {
        let month = months[idx / season::HOURS].month;
        walking_by_month[usize::from(month.unsigned_abs()) - 1] += share;
    }
    Ok(SeasonLayer {
        fit,
        window,
        n_timed,
        n_partial: partial.len(),
        heaped,
        n_heaped,
        by_month,
        walking_by_month,
    })
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
fn is_chosen(choice: PeriodChoice, month: usize, hour: usize) -> bool {
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
