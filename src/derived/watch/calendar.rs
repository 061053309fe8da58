//! Reports and weeks of this season and of former ones.

use jiff::civil::Date;

use crate::analysis::exposure::YearMonth;
use crate::analysis::season::HOURS;
use crate::analysis::season::Parts;
use crate::derived::exposure::ExposureLayer;
use crate::derived::season::Timed;
use crate::derived::season_levels::likeliest;
use crate::derived::season_year::SeasonYear;
use crate::derived::watch::Ground;
use crate::domain::encounter::EffortKind;
use crate::domain::time::EventDate;

/// A dated report on a trail.
pub(super) struct Record {
    /// Its number in the allocation.
    pub(super) record: usize,
    pub(super) date: Date,
    pub(super) hour: Option<usize>,
    /// The segment it most probably lies on.
    pub(super) segment: usize,
}

/// Dated reports on trails before this season and in it.
pub(super) struct Records {
    pub(super) former: Vec<Record>,
    pub(super) current: Vec<Record>,
    pub(super) n_without_day: usize,
}

impl Records {
    pub(super) fn read(ground: &Ground<'_>, season_year: SeasonYear, until: Date) -> Self {
        let Ground { facts, exposure, snaps, .. } = *ground;
        let this = season_year.of_date(until);
        let timed = Timed::new(facts, exposure, snaps);
        let mut records = Self { former: Vec::new(), current: Vec::new(), n_without_day: 0 };
        for (record, row) in snaps.records.iter().enumerate() {
            let given = &facts.encounters.rows[*row];
            if given.effort_kind != EffortKind::Report || !facts.counts(given) {
                continue;
            }
            let Some(segment) = snaps.snaps[*row].as_ref().and_then(likeliest) else { continue };
            let EventDate::Day(date) = given.time.date else {
                records.n_without_day += 1;
                continue;
            };
            let hour = timed.hour(given);
            let found = Record { record, date, hour, segment };
            match () {
                () if !exposure.period.contains(date) || date > until => {}
                () if season_year.of_date(date) == this => records.current.push(found),
                () => records.former.push(found),
            }
        }
        records
    }
}

/// One week of one season, as far as the study period has it.
#[derive(Clone)]
pub(super) struct Week {
    /// The year in which its season began.
    pub(super) year: i16,
    /// Week of the year, from 0.
    pub(super) part: usize,
    pub(super) first: Date,
    pub(super) last: Date,
    /// Months of the study period that it touches, with the share of the month's days that lie in it; of a week to come
    /// those of the same week in former seasons, with the mean of their shares.
    pub(super) months: Vec<(usize, f64)>,
}

impl Week {
    /// By month that it touches and hour the share of its walking on a course that is not shut out: of a week to come, for which
    /// former seasons stand, by the closures that hold in it.
    pub(super) fn open(&self, exposure: &ExposureLayer, course: usize) -> Vec<[f64; HOURS]> {
        let (courses, cells) = (&exposure.field.courses, &exposure.field.time.cells);
        let days = || {
            let days = std::iter::successors(Some(self.first), |day| day.tomorrow().ok());
            days.take_while(|day| *day <= self.last)
        };
        let of_month = |(month, _): &(usize, f64)| {
            let is_own = |day: &Date| cells.month_idx(YearMonth::of(*day)) == Some(*month);
            let has_own = days().any(|day| is_own(&day));
            let mut open = [0.0; HOURS];
            let mut n_days = 0.0;
            for day in days().filter(|day| !has_own || is_own(day)) {
                open.iter_mut().zip(courses.open_on(course, day)).for_each(|(sum, it)| *sum += it);
                n_days += 1.0;
            }
            open.map(|sum| sum / n_days)
        };
        self.months.iter().map(of_month).collect()
    }
}

/// The weeks of the study period up to the last day looked at.
pub(super) struct Calendar {
    pub(super) former: Vec<Week>,
    pub(super) current: Vec<Week>,
    /// The weeks of the season after the last day.
    pub(super) to_come: Vec<Week>,
    pub(super) years: Vec<i16>,
}

impl Calendar {
    pub(super) fn of(exposure: &ExposureLayer, season_year: SeasonYear, until: Date) -> Self {
        let cells = &exposure.field.time.cells;
        let this = season_year.of_date(until);
        let mut calendar =
            Self { former: Vec::new(), current: Vec::new(), to_come: Vec::new(), years: Vec::new() };
        for date in exposure.period.days().take_while(|date| *date <= until) {
            let Some(month) = cells.month_idx(YearMonth::of(date)) else { continue };
            let days: f64 = cells.days[month].iter().sum();
            let part = Parts::Weeks.of_date(date);
            let year = season_year.of_date(date);
            let is_former = year < this;
            let weeks = if is_former { &mut calendar.former } else { &mut calendar.current };
            if weeks.last().is_none_or(|week| (week.year, week.part) != (year, part)) {
                weeks.push(Week { year, part, first: date, last: date, months: Vec::new() });
            }
            if let Some(week) = weeks.last_mut() {
                week.last = date;
                match week.months.last_mut() {
                    Some((known, share)) if *known == month => *share += 1.0 / days,
                    _ => week.months.push((month, 1.0 / days)),
                }
            }
            if is_former && calendar.years.last() != Some(&year) {
                calendar.years.push(year);
            }
        }
        calendar.to_come = calendar.weeks_after(season_year, until);
        calendar
    }

    /// The weeks of the season after that in which a day lies, walked as in former seasons.
    pub(super) fn weeks_after(&self, season_year: SeasonYear, until: Date) -> Vec<Week> {
        let (year, mut part) = (season_year.of_date(until), Parts::Weeks.of_date(until));
        let mut weeks: Vec<Week> = Vec::new();
        let mut date = until;
        while let Ok(next) = date.tomorrow() {
            date = next;
            if season_year.of_date(date) != year {
                break;
            }
            if Parts::Weeks.of_date(date) != part {
                part = Parts::Weeks.of_date(date);
                weeks.push(Week { year, part, first: date, last: date, months: self.former_months(part) });
            }
            if let Some(week) = weeks.last_mut() {
                week.last = date;
            }
        }
        weeks
    }

    pub(super) fn former_months(&self, part: usize) -> Vec<(usize, f64)> {
        let same: Vec<&Week> = self.former.iter().filter(|week| week.part == part).collect();
        let months = same.iter().flat_map(|week| &week.months);
        months.map(|(month, share)| (*month, share / same.len() as f64)).collect()
    }

    /// The weeks of this season, those to come included.
    pub(super) fn season(&self) -> Vec<Week> {
        self.current.iter().chain(&self.to_come).cloned().collect()
    }

    pub(super) fn week_of(weeks: &[Week], date: Date) -> Option<usize> {
        weeks.iter().position(|week| week.first <= date && date <= week.last)
    }
}
