//! When a season begins: at the lowest point of the curve, so that one that crosses New Year stays whole.

use jiff::civil::Date;

use crate::analysis::season::Curve;
use crate::analysis::season::Parts;

/// A low point this near to New Year, in weeks, leaves the calendar year as it is.
const NEAR_NEW_YEAR_WEEKS: usize = 6;
/// Where encounters on New Year's Day are less frequent than this share of the mean, no season crosses it.
const QUIET_NEW_YEAR: f64 = 0.5;

/// The year as seasons cut it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SeasonYear {
    /// The week of the calendar year with which a season begins, from 0; 0 is the calendar year itself.
    pub start: usize,
}

impl SeasonYear {
    /// The calendar year.
    pub const CALENDAR: Self = Self { start: 0 };

    /// The year that begins where encounters are rarest for each kilometre walked; where nobody walks for a part of the
    /// year, in the middle of the longest time without walking, since the curve is only carried over there.
    ///
    /// The calendar year where that is within six weeks of New Year, where nobody walks around New Year or encounters are
    /// less than half as frequent then as on average, or where the curve is flat.
    pub fn of(curve: &Curve) -> Self {
        let start = match longest_gap(curve) {
            Some(gap) if gap.spans_new_year => None,
            Some(gap) => Some(gap.middle_week),
            None => lowest_week(curve),
        };
        let weeks = Parts::Weeks.count();
        match start {
            Some(week) if (NEAR_NEW_YEAR_WEEKS..=weeks - NEAR_NEW_YEAR_WEEKS).contains(&week) => {
                Self { start: week }
            }
            _ => Self::CALENDAR,
        }
    }

    /// The season that a day belongs to, by the year in which that season began.
    pub fn of_date(self, date: Date) -> i16 {
        match Parts::Weeks.of_date(date) < self.start {
            true => date.year() - 1,
            false => date.year(),
        }
    }

    /// "2024", or "2024/25" where seasons cross New Year.
    pub fn words(self, year: i16) -> String {
        match self.start {
            0 => year.to_string(),
            _ => format!("{year}/{:02}", (year + 1).rem_euclid(100)),
        }
    }
}

/// A time without walking.
struct Gap {
    middle_week: usize,
    spans_new_year: bool,
}

/// The longest run of parts without walking; none where all parts are walked.
fn longest_gap(curve: &Curve) -> Option<Gap> {
    let exposed: Vec<bool> = curve.by_part().iter().map(|point| point.exposed).collect();
    let n = exposed.len();
    if exposed.iter().all(|exposed| *exposed) || !exposed.contains(&true) {
        return None;
    }
    let run = |start: usize| (0..n).take_while(|step| !exposed[(start + step) % n]).count();
    // Reversed, so that the first of several that are as long is taken.
    let start = (0..n).rev().max_by_key(|start| run(*start))?;
    let (first, end) = (curve.parts.start(start), curve.parts.start(start) + days(curve, start, run(start)));
    let spans_new_year = start == 0 || start + run(start) >= n;
    Some(Gap { middle_week: week_of_day((first + end) / 2.0), spans_new_year })
}

/// Days of a run of parts that may wrap the year.
fn days(curve: &Curve, start: usize, length: usize) -> f64 {
    let n = curve.parts.count();
    let part = |step: usize| (start + step) % n;
    (0..length).map(|step| curve.parts.start(part(step) + 1) - curve.parts.start(part(step))).sum()
}

fn lowest_week(curve: &Curve) -> Option<usize> {
    let line = curve.season_line(Parts::Weeks.count());
    let rate = |week: &usize| line[*week].relative;
    if line.first().is_some_and(|new_year| new_year.relative < QUIET_NEW_YEAR) {
        return None;
    }
    let lowest = (0..line.len()).min_by(|a, b| rate(a).total_cmp(&rate(b)))?;
    let highest = line.iter().map(|point| point.relative).fold(0.0, f64::max);
    (highest > rate(&lowest) * (1.0 + 1e-9)).then_some(lowest)
}

fn week_of_day(day: f64) -> usize {
    ((day.rem_euclid(365.0) / 7.0) as usize).min(Parts::Weeks.count() - 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::season::Cells;
    use crate::analysis::season::HOURS;
    use crate::analysis::season::Period;
    use crate::analysis::season::SeasonOutcome;
    use crate::analysis::season::SeasonParams;
    use crate::analysis::season::fit;

    /// A curve from 100 km in each hour of the months walked and a rate of one kilometre that swings with its peak in a month.
    fn curve(peak: usize, walked: impl Fn(usize) -> bool) -> Curve {
        let mut cells = Cells {
            parts: Parts::Months,
            periods: (0..12).map(|part| Period { year: 2024, part, max_temperature_c: None }).collect(),
            group_levels: vec![0],
            counts: vec![0; 12 * HOURS],
            exposure: vec![0.0; 12 * HOURS],
        };
        for month in (0..12).filter(|month| walked(*month)) {
            let swing = ((month as f64 - peak as f64) / 12.0 * std::f64::consts::TAU).cos();
            for hour in 0..HOURS {
                cells.exposure[month * HOURS + hour] = 100.0;
                cells.counts[month * HOURS + hour] = (20.0 * swing.exp()).round() as u32;
            }
        }
        match fit(&cells, &[], &SeasonParams::default()).unwrap() {
            SeasonOutcome::Estimated(fit) => fit.curve(0).clone(),
            SeasonOutcome::NotEstimable(reason) => panic!("{reason:?}"),
        }
    }

    #[test]
    fn a_season_that_crosses_new_year_stays_whole() {
        // Peak in mid-January, as in the south: the low point is in mid-July, week 28 or so.
        let year = SeasonYear::of(&curve(0, |_| true));
        assert!((26..=30).contains(&year.start), "{year:?}");
        let of = |text: &str| year.of_date(text.parse().unwrap());
        assert_eq!((of("2024-12-31"), of("2025-01-01"), of("2025-05-31")), (2024, 2024, 2024));
        assert_eq!((of("2024-06-20"), of("2025-09-01")), (2023, 2025));
        assert_eq!(year.words(2024), "2024/25");
        assert_eq!(year.words(1999), "1999/00");
    }

    #[test]
    fn a_northern_season_keeps_the_calendar_year() {
        let year = SeasonYear::of(&curve(6, |_| true));
        assert_eq!(year, SeasonYear::CALENDAR);
        assert_eq!((year.of_date("2025-01-01".parse().unwrap()), year.words(2025).as_str()), (2025, "2025"));
        // A peak in May has its low in November, but New Year is quiet enough to part one season from the next.
        assert_eq!(SeasonYear::of(&curve(4, |_| true)), SeasonYear::CALENDAR);
    }

    #[test]
    fn without_walking_for_months_the_season_begins_amid_them() {
        // Walked from October to March: closed from April to September, whose middle is 1 July.
        let year = SeasonYear::of(&curve(0, |month| !(3..9).contains(&month)));
        assert!((25..=26).contains(&year.start), "{year:?}");
        // Walked from April to June: nobody walks around New Year, so it parts seasons as well as any other day.
        assert_eq!(SeasonYear::of(&curve(4, |month| (3..6).contains(&month))), SeasonYear::CALENDAR);
    }
}
