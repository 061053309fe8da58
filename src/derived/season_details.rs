//! What stands beside the season: weeks, the sun, and a description of the hours.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::analysis::circular;
use crate::analysis::circular::Rayleigh;
use crate::analysis::exposure::YearMonth;
use crate::analysis::season;
use crate::analysis::season::Cells;
use crate::analysis::season::CurvePoint;
use crate::analysis::season::HOURS;
use crate::analysis::season::HourSet;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::Parts;
use crate::analysis::season::Period;
use crate::analysis::season::SeasonOutcome;
use crate::analysis::season::SeasonParams;
use crate::analysis::season::SeasonWindow;
use crate::analysis::sun;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::hour_curves;
use crate::derived::hour_curves::HourCurves;
use crate::derived::season::EXPOSURE_DRAWS;
use crate::derived::season::Timed;
use crate::derived::season::window;
use crate::derived::snaps::SnapLayer;
use crate::derived::temperature;
use crate::derived::temperature::Temperature;
use crate::domain::geography::LonLat;

/// What stands beside the season.
#[derive(Debug)]
pub struct SeasonDetails {
    /// The season by weeks; none where nothing can be estimated.
    pub weeks: Option<Weeks>,
    /// The hours of the reports as directions; none without reports at a known hour.
    pub hours: Option<HourDirections>,
    /// What the highest temperature of a day adds to season and hour, or why nothing is said, in words.
    pub temperature: Result<Temperature, String>,
    /// Minutes after local midnight of sunrise and sunset in the middle of each month; none where the sun does not cross
    /// the horizon, or the area has no trails.
    pub sun: [Option<(u32, u32)>; 12],
}

/// The season by weeks.
#[derive(Debug)]
pub struct Weeks {
    /// Relative rate by week, 52 of them.
    pub curve: Vec<CurvePoint>,
    /// The season's window by weeks.
    pub window: Option<SeasonWindow>,
    /// Reports with week and hour known.
    pub n_timed: u64,
    /// Reports whose week or hour is not known, shared out by the fitted curve.
    pub n_shared: usize,
}

/// The hours of reports as directions on the clock.
#[derive(Debug, Clone, PartialEq)]
pub struct HourDirections {
    /// Mean hour with each report weighted by one over the walking at its hour: of the rate.
    pub weighted: Direction,
    /// Mean hour with all reports alike: of when people walk and report.
    pub unweighted: Direction,
    /// The same reports as smooth curves.
    pub curves: HourCurves,
}

/// A mean direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Direction {
    /// The mean hour; none where the hours cancel.
    pub mean_hour: Option<f64>,
    /// Length of the resultant, 0 to 1.
    pub length: f64,
    /// Concentration of the von Mises law with that length; none where all directions are alike.
    pub concentration: Option<f64>,
    /// Rayleigh's p after Zar; none below two effective directions.
    pub p_value: Option<f64>,
    /// How many equally weighted directions it is worth.
    pub effective_n: f64,
}

/// Computes the details.
///
/// # Errors
/// [`DeriveError::Internal`] when the cells do not fit together.
pub fn compute(
    facts: &Facts,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
) -> Result<SeasonDetails, DeriveError> {
    let timed = Timed::new(facts, exposure, snaps);
    Ok(SeasonDetails {
        weeks: weeks(facts, exposure, &timed)?,
        hours: hour_directions(facts, exposure, &timed)?,
        temperature: temperature::compute(facts, exposure, &timed)?,
        sun: sun_by_month(facts)?,
    })
}

fn params(facts: &Facts) -> SeasonParams {
    SeasonParams { n_draws: facts.settings.draws(), seed: facts.settings.seed(), ..SeasonParams::default() }
}

/// Walking of each month and hour goes to its days evenly, as far as they were open, and from the days to the weeks. Reports of which
/// the day or the hour is not known are shared out by the fitted curve over the weeks and hours that they may be of.
fn weeks(facts: &Facts, exposure: &ExposureLayer, timed: &Timed<'_>) -> Result<Option<Weeks>, DeriveError> {
    let (field, shares) = (&exposure.field, &exposure.field.time);
    let km = timed.by_group(&exposure.mean_km, 1, |_| 0);
    let mut periods: Vec<Period> = Vec::new();
    let mut days_of: Vec<(Date, Date)> = Vec::new();
    // Days with the week and the month that they are of, and the share of the month that a day is.
    let mut parts: Vec<(Date, usize, usize, f64)> = Vec::new();
    for day in exposure.period.days() {
        let Some(month) = shares.cells.month_idx(YearMonth::of(day)) else { continue };
        let n_days: f64 = shares.cells.days[month].iter().sum();
        let period = week_of(day);
        if periods.last() != Some(&period) {
            periods.push(period);
            days_of.push((day, day));
        }
        if let Some((_, last)) = days_of.last_mut() {
            *last = day;
        }
        parts.push((day, periods.len() - 1, month, 1.0 / n_days));
    }
    let add = |sums: &mut [f64], course: usize, if_open: &[f64], total_km: f64| {
        for (day, week, month, of_month) in &parts {
            let hours = sums[week * HOURS..][..HOURS].iter_mut().zip(&if_open[month * HOURS..][..HOURS]);
            let open = field.courses.open_on(course, *day);
            hours.zip(open).for_each(|((sum, share), open)| *sum += share * total_km * of_month * open);
        }
    };
    let walked = |if_open: &dyn Fn(usize) -> Vec<f64>| {
        let block = periods.len() * HOURS;
        let mut sums = vec![0.0; km.len() * block];
        for course in 0..km.len() {
            let if_open = if_open(course);
            for (group, km) in km.iter().enumerate().filter(|(_, km)| km[course] > 0.0) {
                add(&mut sums[group * block..][..block], course, &if_open, km[course]);
            }
        }
        sums
    };
    let draws = shares.some_draws(EXPOSURE_DRAWS);
    let draws: Vec<Vec<f64>> = draws
        .map(|draw| walked(&|course| field.courses.if_open(shares, course, draw).into_owned()))
        .collect();
    let exposed = walked(&|course| field.courses.mean_if_open(shares, course));
    let mut if_open = vec![0.0; periods.len() * HOURS];
    add(&mut if_open, 0, &shares.mean(), 1.0);
    let mut cells = Cells {
        parts: Parts::Weeks,
        group_levels: timed.levels(1),
        counts: vec![0; km.len() * periods.len() * HOURS],
        exposure: exposed,
        periods,
    };
    let mut partial = Vec::new();
    for (idx, row) in &timed.reports {
        let group = timed.course(*idx);
        let Some((from, to)) = row.time.days() else { continue };
        let start = days_of.partition_point(|(_, last)| *last < from);
        let end = days_of.partition_point(|(first, _)| *first <= to);
        match timed.hour(row) {
            Some(hour) if end == start + 1 => {
                let cell = cells.index(group, start, hour);
                cells.counts[cell] += 1;
            }
            hour => {
                let hours = hour.map_or(HourSet::ALL, |hour| HourSet::between(hour, hour));
                partial.push(PartialRecord { group, periods: start..end.max(start), hours });
            }
        }
    }
    let n_timed = cells.counts.iter().map(|count| u64::from(*count)).sum();
    let outcome = season::fit_with_exposure_draws(&cells, &draws, &partial, &params(facts));
    match outcome.map_err(DeriveError::internal)? {
        SeasonOutcome::NotEstimable(_) => Ok(None),
        SeasonOutcome::Estimated(fit) => {
            let fit = match field.courses.is_plain() {
                true => fit,
                false => Box::new(fit.over(&by_part(&cells.periods, &if_open))),
            };
            let curve = fit.curve(0);
            let n_shared = partial.len() - fit.unplaced.len();
            Ok(Some(Weeks { curve: curve.by_part(), window: window(curve, facts)?, n_timed, n_shared }))
        }
    }
}

/// Kilometres by week of the year and hour, from those of the weeks of each year.
fn by_part(periods: &[Period], km: &[f64]) -> Vec<f64> {
    let mut sums = vec![0.0; Parts::Weeks.count() * HOURS];
    for (period, hours) in periods.iter().zip(km.chunks_exact(HOURS)) {
        sums[period.part * HOURS..][..HOURS].iter_mut().zip(hours).for_each(|(sum, km)| *sum += km);
    }
    sums
}

fn week_of(day: Date) -> Period {
    Period { year: i32::from(day.year()), part: Parts::Weeks.of_date(day), max_temperature_c: None }
}

/// Of reports whose hour is taken at its word: a direction is a description, and no record is shared out for it.
fn hour_directions(
    facts: &Facts,
    exposure: &ExposureLayer,
    timed: &Timed<'_>,
) -> Result<Option<HourDirections>, DeriveError> {
    let walking = exposure.field.area_time();
    let by_hour = hour_curves::by_hour(&walking.mean());
    let (mut radians, mut weights) = (Vec::new(), Vec::new());
    let mut counts = [0; HOURS];
    for (_, row) in &timed.reports {
        let Some(hour) = timed.hour(row) else { continue };
        counts[hour] += 1;
        if by_hour[hour] > 0.0 {
            radians.push(circular::hours_to_radians(hour as f64 + 0.5));
            weights.push(1.0 / by_hour[hour]);
        }
    }
    let curves = hour_curves::compute(&counts, &walking, facts.settings.seed());
    let Some(curves) = curves.map_err(DeriveError::internal)? else { return Ok(None) };
    let weighted = circular::weighted_resultant(&radians, &weights).map_err(DeriveError::internal)?;
    let unweighted = circular::resultant(&radians).map_err(DeriveError::internal)?;
    Ok(Some(HourDirections { weighted: direction(&weighted), unweighted: direction(&unweighted), curves }))
}

fn direction(resultant: &circular::Resultant) -> Direction {
    Direction {
        mean_hour: resultant.mean().hours(),
        length: resultant.length(),
        concentration: resultant.concentration(),
        p_value: match resultant.rayleigh() {
            Rayleigh::Tested(test) => Some(test.p_zar),
            Rayleigh::TooFew => None,
        },
        effective_n: resultant.effective_n,
    }
}

/// The year does not matter to the minute or two; the days of 2025 stand for all.
fn sun_by_month(facts: &Facts) -> Result<[Option<(u32, u32)>; 12], DeriveError> {
    let mut found = [None; 12];
    let first = facts.trails.iter().flat_map(|trail| trail.parts.iter().flatten()).next();
    let Some(place) = first.copied() else { return Ok(found) };
    let zone = TimeZone::get(&facts.area.time_zone).map_err(DeriveError::internal)?;
    for (month, times) in (1..=12).zip(&mut found) {
        *times = rise_and_set(Date::constant(2025, month, 15), &zone, place)?;
    }
    Ok(found)
}

fn rise_and_set(day: Date, zone: &TimeZone, place: LonLat) -> Result<Option<(u32, u32)>, DeriveError> {
    let sun = sun::sun_day(day, zone, place).map_err(DeriveError::internal)?.sun;
    let minutes = |at: jiff::Timestamp| {
        let local = zone.to_datetime(at);
        u32::from(local.hour().unsigned_abs()) * 60 + u32::from(local.minute().unsigned_abs())
    };
    Ok(sun.rise().map(minutes).zip(sun.set().map(minutes)))
}
