//! Whether the highest temperature of a day says more than season and hour do.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::analysis::exposure::TimeRange;
use crate::analysis::exposure::YearMonth;
use crate::analysis::season;
use crate::analysis::season::Cells;
use crate::analysis::season::HOURS;
use crate::analysis::season::HourSet;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::Parts;
use crate::analysis::season::Period;
use crate::analysis::season::SeasonParams;
use crate::analysis::season::TemperatureEffect;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::exposure::closures::Closures;
use crate::derived::facts::Facts;
use crate::derived::season::Timed;
use crate::domain::exposure::Reading;
use crate::domain::ids::CounterId;
use crate::domain::time::EventDate;

/// Days with a temperature below which nothing is said: two months.
const LEAST_DAYS: usize = 60;
/// Reports on days with a temperature below which nothing is said.
const LEAST_REPORTS: u64 = 20;
/// A counter speaks for a day when its bins cover at least this much of it, seconds: the day on which clocks go forward.
const WHOLE_DAY_S: i64 = 23 * 3600;

/// What the temperature adds, with the days that it rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Temperature {
    /// Its effect.
    pub effect: TemperatureEffect,
    /// Days of the study period without a temperature: they and their reports are left out of this fit.
    pub n_days_without: usize,
    /// Reports whose day is known and has no temperature.
    pub n_reports_without: u64,
    /// Days with a temperature whose share of their month's walking no counter told.
    pub n_days_uncounted: usize,
}

/// Compares season and hour with and without the temperature on the days that have one.
///
/// The walking of a month is shared over its days as the counters counted them, each counter against its own mean, since
/// people stay at home on hot days; a day that no counter covers has the month's mean.
///
/// # Errors
/// [`DeriveError::Internal`] when the cells do not fit together. The inner result holds the reason, in words, why nothing
/// is said.
pub(super) fn compute(
    facts: &Facts,
    exposure: &ExposureLayer,
    timed: &Timed<'_>,
) -> Result<Result<Temperature, String>, DeriveError> {
    let known: BTreeMap<Date, f64> =
        facts.daily_weather.iter().map(|day| (day.date, day.max_temperature_c)).collect();
    let all: Vec<Date> = exposure.period.days().collect();
    let days: Vec<Date> = all.iter().copied().filter(|day| known.contains_key(day)).collect();
    if days.is_empty() {
        return Ok(Err(
            "No daily temperatures were brought in for the days counted, so season and hour stand alone."
                .to_owned(),
        ));
    }
    let zone = TimeZone::get(&facts.area.time_zone).map_err(DeriveError::internal)?;
    let field = &exposure.field;
    let weights = day_weights(&all, &counted(facts, &zone, &exposure.closures));
    let shares = &field.time;
    let km = timed.by_group(&exposure.mean_km, 1, |_| 0);
    let if_open: Vec<Vec<f64>> =
        (0..km.len()).map(|course| field.courses.mean_if_open(shares, course)).collect();
    let mut cells = Cells {
        parts: Parts::Weeks,
        periods: Vec::with_capacity(days.len()),
        group_levels: timed.levels(1),
        counts: vec![0; km.len() * days.len() * HOURS],
        exposure: Vec::with_capacity(km.len() * days.len() * HOURS),
    };
    for day in &days {
        cells.periods.push(Period {
            year: i32::from(day.year()),
            part: Parts::Weeks.of_date(*day),
            max_temperature_c: known.get(day).copied(),
        });
    }
    for (km, day) in km.iter().flat_map(|km| days.iter().map(move |day| (km, day))) {
        let month = shares.cells.month_idx(YearMonth::of(*day));
        let n_days = month.map_or(1.0, |month| shares.cells.days[month].iter().sum());
        let mut hours = [0.0; HOURS];
        for (course, km) in km.iter().enumerate().filter(|(_, km)| **km > 0.0) {
            let weight = weights.get(day).copied().unwrap_or(1.0) * km / n_days;
            let share = |hour: usize| month.map_or(0.0, |month| if_open[course][month * HOURS + hour]);
            // Nobody walks on a day on which it is closed, however warm it is.
            let open = field.courses.open_on(course, *day);
            hours.iter_mut().enumerate().for_each(|(hour, sum)| *sum += share(hour) * weight * open[hour]);
        }
        cells.exposure.extend(hours);
    }
    let mut n_reports_without = 0;
    let mut partial = Vec::new();
    for (idx, row) in &timed.reports {
        let EventDate::Day(day) = row.time.date else { continue };
        let group = timed.course(*idx);
        match (days.binary_search(&day), timed.hour(row)) {
            (Ok(period), Some(hour)) => {
                let cell = cells.index(group, period, hour);
                cells.counts[cell] += 1;
            }
            (Ok(period), None) => {
                partial.push(PartialRecord { group, periods: period..period + 1, hours: HourSet::ALL });
            }
            (Err(_), _) => n_reports_without += 1,
        }
    }
    let n_known: u64 = cells.counts.iter().map(|count| u64::from(*count)).sum();
    let n_reports = n_known + partial.len() as u64;
    if days.len() < LEAST_DAYS || n_reports < LEAST_REPORTS {
        return Ok(Err(format!(
            "{} of {} days counted have a temperature, with {n_reports} reports whose day is known; {LEAST_DAYS} \
             days and {LEAST_REPORTS} reports are needed to say what temperature adds.",
            days.len(),
            all.len()
        )));
    }
    let params = SeasonParams { n_draws: 0, seed: facts.settings.seed(), ..SeasonParams::default() };
    let effect = season::temperature_effect(&cells, &partial, &params).map_err(DeriveError::internal)?;
    let n_days_uncounted = days.iter().filter(|day| !weights.contains_key(day)).count();
    Ok(effect.map_or_else(
        || Err("What temperature adds cannot be estimated from these days.".to_owned()),
        |effect| {
            Ok(Temperature {
                effect,
                n_days_without: all.len() - days.len(),
                n_reports_without,
                n_days_uncounted,
            })
        },
    ))
}

/// A counter, and whether some of those whom it counts were kept out: then its days are compared with each other alone.
type Counting = (CounterId, bool);

/// What each counter counted on each day that its bins cover; days on which most were kept out in part of it are not covered.
fn counted(facts: &Facts, zone: &TimeZone, closures: &Closures) -> BTreeMap<(Counting, Date), f64> {
    let by_counter = |closed: &[Vec<TimeRange>]| -> BTreeMap<CounterId, Vec<TimeRange>> {
        let pairs = facts.counters.iter().zip(closed).filter(|(_, closed)| !closed.is_empty());
        pairs.map(|(counter, closed)| (counter.id, closed.clone())).collect()
    };
    let (closed, partly) = (by_counter(&closures.at_counters), by_counter(&closures.beside_counters));
    let is_in = |closed: &BTreeMap<CounterId, Vec<TimeRange>>, reading: &Reading| {
        let (from_s, to_s) = (reading.start_s, reading.start_s + reading.length_s);
        let its = closed.get(&reading.counter_id);
        its.is_some_and(|its| its.iter().any(|it| it.from_s < to_s && from_s < it.to_s))
    };
    let mut sums: BTreeMap<(Counting, Date), (f64, i64)> = BTreeMap::new();
    for reading in &facts.readings.rows {
        if is_in(&closed, reading) {
            continue;
        }
        let counting = (reading.counter_id, is_in(&partly, reading));
        // A bin that goes over midnight tells of no single day, unless by so little that it is the device's clock.
        let middle_s = reading.start_s + reading.length_s / 2;
        let Ok(middle) = Timestamp::from_second(middle_s) else { continue };
        let day = zone.to_datetime(middle).date();
        let sum = sums.entry((counting, day)).or_default();
        sum.0 += f64::from(reading.count_in) + f64::from(reading.count_out.unwrap_or(0));
        sum.1 += reading.length_s;
    }
    let whole = sums.into_iter().filter(|(_, (_, length_s))| (WHOLE_DAY_S..=25 * 3600).contains(length_s));
    whole.map(|(key, (count, _))| (key, count)).collect()
}

/// The walking of each day against the mean of its month, from the counters that cover it; absent where none does.
///
/// The days of a month, those that no counter covers taken as 1, have mean 1.
fn day_weights(days: &[Date], counted: &BTreeMap<(Counting, Date), f64>) -> BTreeMap<Date, f64> {
    let mut by_month: BTreeMap<(Counting, YearMonth), (f64, usize)> = BTreeMap::new();
    for ((counter, day), count) in counted {
        let sum = by_month.entry((*counter, YearMonth::of(*day))).or_default();
        *sum = (sum.0 + count, sum.1 + 1);
    }
    let mut ratios: BTreeMap<Date, (f64, f64)> = BTreeMap::new();
    for ((counter, day), count) in counted {
        let Some((sum, n)) = by_month.get(&(*counter, YearMonth::of(*day))) else { continue };
        // Busy counters tell more of a day than quiet ones: the ratio of sums weights them so.
        let ratio = ratios.entry(*day).or_default();
        *ratio = (ratio.0 + count, ratio.1 + sum / *n as f64);
    }
    let mut weights: BTreeMap<Date, f64> = days
        .iter()
        .filter_map(|day| ratios.get(day).filter(|(_, mean)| *mean > 0.0).map(|(n, mean)| (*day, n / mean)))
        .collect();
    let mut months: BTreeMap<YearMonth, (f64, usize)> = BTreeMap::new();
    for day in days {
        let sum = months.entry(YearMonth::of(*day)).or_default();
        *sum = (sum.0 + weights.get(day).copied().unwrap_or(1.0), sum.1 + 1);
    }
    for (day, weight) in &mut weights {
        if let Some((sum, n)) = months.get(&YearMonth::of(*day)).filter(|(sum, _)| *sum > 0.0) {
            *weight *= *n as f64 / sum;
        }
    }
    weights
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_weighted_as_counted() {
        let days: Vec<Date> = (1..=4).map(|day| Date::constant(2024, 5, day)).collect();
        let counts = [(1, 0, 10.0), (1, 1, 30.0), (1, 2, 20.0), (2, 0, 100.0), (2, 1, 300.0)];
        let counted = counts
            .iter()
            .map(|(counter, day, n)| (((CounterId(*counter), false), days[*day]), *n))
            .collect::<BTreeMap<_, _>>();
        let weights = day_weights(&days, &counted);
        // By hand: means 20 and 200; ratios 110/220, 330/220, 20/20, and 1 for the day that nobody counted; their mean is 1.
        let got: Vec<Option<f64>> = days.iter().map(|day| weights.get(day).copied()).collect();
        assert_eq!(got, [Some(0.5), Some(1.5), Some(1.0), None]);
        assert!(day_weights(&days, &BTreeMap::new()).is_empty());
        // While half of those whom the second counter counts are kept out, it says as much of the days as before.
        let mut halved = counted;
        for (day, n) in [(2, 50.0), (3, 150.0)] {
            halved.insert(((CounterId(2), true), days[day]), n);
        }
        let weights = day_weights(&days, &halved);
        // Ratios 0.5, 1.5, (20 + 50)/(20 + 100) and 1.5, over their mean.
        let ratios = [0.5, 1.5, 70.0 / 120.0, 1.5];
        let mean = ratios.iter().sum::<f64>() / 4.0;
        for (day, ratio) in days.iter().zip(ratios) {
            assert!((weights[day] - ratio / mean).abs() < 1e-12, "{day}: {weights:?}");
        }
    }
}
