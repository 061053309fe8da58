//! This season against what former years lead to expect, week by week.

use std::collections::BTreeSet;

use jiff::civil::Date;
use rand_distr::Distribution;
use rand_distr::Gamma;

use crate::analysis::exposure::TimeShares;
use crate::analysis::exposure::YearMonth;
use crate::analysis::random::stream;
use crate::analysis::rates;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::RateFit;
use crate::analysis::rates::RateParams;
use crate::analysis::rates::Units;
use crate::analysis::season;
use crate::analysis::season::Cells;
use crate::analysis::season::HourSet;
use crate::analysis::season::Interaction;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::Parts;
use crate::analysis::season::Period;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonOutcome;
use crate::analysis::season::SeasonParams;
use crate::analysis::season_watch;
use crate::analysis::season_watch::FormerWeek;
use crate::analysis::season_watch::Variation;
use crate::analysis::season_watch::Watch;
use crate::analysis::season_watch::WatchInput;
use crate::analysis::season_watch::WatchParams;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::rates as unit_rates;
use crate::derived::rates::RateLayer;
use crate::derived::rates::RateSet;
use crate::derived::rates::UnitKind;
use crate::derived::season::EXPOSURE_DRAWS;
use crate::derived::season::SeasonLayer;
use crate::derived::season::Timed;
use crate::derived::season_levels::likeliest;
use crate::derived::season_year::SeasonYear;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::time::EventDate;

/// Keeps the draws of the area's total apart from all others.
const TOTAL_SEED: u64 = 0x746f_7461_6c73_0001;

/// What is watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct WatchChoice {
    /// By which unit: stretches or trails.
    pub unit: UnitKind,
    /// The last day that is looked at; the last day of the data when none.
    pub until: Option<Date>,
}

/// A season watched.
#[derive(Debug)]
pub struct WatchLayer {
    /// The last day looked at.
    pub until: Date,
    /// First and last day of each week; the last week may be incomplete.
    pub weeks: Vec<(Date, Date)>,
    /// The name of each unit.
    pub names: Vec<String>,
    /// The trail of each unit, as an index into the facts' trails.
    pub trails: Vec<usize>,
    /// Whether each unit's walking is assumed: then only its change against former years is judged.
    pub is_assumed: Vec<bool>,
    /// What the watch says.
    pub watch: Watch,
    /// How much weeks and years differ.
    pub variation: Variation,
    /// Seasons that the expectation rests on, by the year in which each began.
    pub former_years: Vec<i16>,
    /// How the year is cut into seasons.
    pub season_year: SeasonYear,
    /// Reports of former years that it rests on.
    pub n_former: usize,
    /// Reports of this season.
    pub n_observed: usize,
    /// Reports on trails whose day is not known: in neither.
    pub n_without_day: usize,
}

/// The layers that a watch is made from.
#[derive(Clone, Copy)]
pub struct Ground<'a> {
    /// The facts.
    pub facts: &'a Facts,
    /// How far people walk.
    pub exposure: &'a ExposureLayer,
    /// Where reports lie.
    pub snaps: &'a SnapLayer,
    /// The units.
    pub rates: &'a RateLayer,
    /// Which curve each segment follows, and when seasons begin.
    pub season: &'a SeasonLayer,
}

/// Watches the season that the last day belongs to, up to that day, against the seasons before.
///
/// False alarms are counted over the whole season, so that the threshold does not depend on when somebody looks: in the
/// weeks to come people are taken to walk as in the same weeks of former seasons.
///
/// A season begins at the lowest point of the curve, so that one that crosses New Year stays whole. Where habitats or
/// elevation bands have curves of their own, each unit is expected to follow that of its segments.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when there is no earlier season with walking and reports, or the day is not in the study
/// period.
pub fn compute(ground: &Ground<'_>, choice: WatchChoice) -> Result<WatchLayer, DeriveError> {
    let Ground { facts, exposure, snaps, .. } = *ground;
    let until = choice.until.unwrap_or(exposure.period.last()).min(exposure.period.last());
    if until < exposure.period.first() {
        return Err(DeriveError::missing("That day is before the days that counters speak of."));
    }
    let set = match choice.unit {
        UnitKind::Trail => &ground.rates.trails,
        UnitKind::Segment | UnitKind::Stretch => &ground.rates.stretches,
    };
    let season_year =
        ground.season.fit.as_ref().map_or(SeasonYear::CALENDAR, |fit| SeasonYear::of(fit.curve(0)));
    let records = Records::read(ground, season_year, until);
    let calendar = Calendar::of(exposure, season_year, until);
    if calendar.former.is_empty() {
        return Err(DeriveError::missing(
            "There is no earlier year to compare this season with: expectation rests on former years.",
        ));
    }
    let fit = former_season(ground, &calendar, &records)?;
    let curves = Curves { fit: &fit, shares: ground.season.shares(&set.members) };
    let former_total = curves.totals(&exposure.field.time, &calendar.former);
    let current = curves.totals(&exposure.field.time, &calendar.season());
    let walked = unit_rates::walked(set, exposure)?;
    let fit = former_rates(facts, snaps, set, &adjusted(&walked, &former_total), &records)?;
    let by_week = mean_by_week(&fit, &walked, &former_total);
    let variation = variation(facts, &calendar, &by_week, &records);
    let observed = observed(set, exposure.field.n_segments, &calendar, &records);
    let season = expected(&fit, &walked, &current);
    let n_weeks = calendar.current.len() + calendar.to_come.len();
    let params = WatchParams {
        dispersion: variation.dispersion,
        year_variation: variation.year_variation,
        longest_window: facts.settings.watch_weeks.round() as usize,
        false_alarms: facts.settings.watch_false_alarms,
        seed: facts.settings.seed(),
        ..WatchParams::default()
    };
    let input = WatchInput {
        n_units: set.names.len(),
        n_weeks,
        n_seen: calendar.current.len(),
        observed: &observed,
        expected: &season,
    };
    let watch = season_watch::watch(&input, &params).map_err(DeriveError::internal)?;
    Ok(WatchLayer {
        until,
        weeks: calendar.current.iter().map(|week| (week.first, week.last)).collect(),
        names: set.names.clone(),
        trails: set.strata.clone(),
        is_assumed: set.provenance.iter().map(|known| *known == Provenance::Assumed).collect(),
        watch,
        variation,
        former_years: calendar.years,
        season_year,
        n_former: records.former.len(),
        n_observed: records.current.len(),
        n_without_day: records.n_without_day,
    })
}

/// A dated report on a trail.
struct Record {
    /// Its number in the allocation.
    record: usize,
    date: Date,
    hour: Option<usize>,
    /// The segment it most probably lies on.
    segment: usize,
}

/// Dated reports on trails before this season and in it.
struct Records {
    former: Vec<Record>,
    current: Vec<Record>,
    n_without_day: usize,
}

impl Records {
    fn read(ground: &Ground<'_>, season_year: SeasonYear, until: Date) -> Self {
        let Ground { facts, exposure, snaps, .. } = *ground;
        let this = season_year.of_date(until);
        let timed = Timed::new(facts, exposure);
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
struct Week {
    /// The year in which its season began.
    year: i16,
    /// Week of the year, from 0.
    part: usize,
    first: Date,
    last: Date,
    /// Months of the study period that it touches, with the share of the month's days that lie in it; of a week to come
    /// those of the same week in former seasons, with the mean of their shares.
    months: Vec<(usize, f64)>,
}

/// The weeks of the study period up to the last day looked at.
struct Calendar {
    former: Vec<Week>,
    current: Vec<Week>,
    /// The weeks of the season after the last day.
    to_come: Vec<Week>,
    years: Vec<i16>,
}

impl Calendar {
    fn of(exposure: &ExposureLayer, season_year: SeasonYear, until: Date) -> Self {
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
    fn weeks_after(&self, season_year: SeasonYear, until: Date) -> Vec<Week> {
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

    fn former_months(&self, part: usize) -> Vec<(usize, f64)> {
        let same: Vec<&Week> = self.former.iter().filter(|week| week.part == part).collect();
        let months = same.iter().flat_map(|week| &week.months);
        months.map(|(month, share)| (*month, share / same.len() as f64)).collect()
    }

    /// The weeks of this season, those to come included.
    fn season(&self) -> Vec<Week> {
        self.current.iter().chain(&self.to_come).cloned().collect()
    }

    fn week_of(weeks: &[Week], date: Date) -> Option<usize> {
        weeks.iter().position(|week| week.first <= date && date <= week.last)
    }
}

fn hour_share(walked: &[f64], week: &Week, hour: usize) -> f64 {
    week.months.iter().map(|(month, share)| walked[month * season::HOURS + hour] * share).sum()
}

/// Walking in each week times the curve that a unit follows, as a share of all walking.
struct Totals {
    n_weeks: usize,
    n_curves: usize,
    /// Of each curve, draw-major: `(draw * n_curves + curve) * n_weeks + week`.
    of_curve: Vec<f64>,
    /// The curves of each unit with the share of each; empty where all follow the first.
    shares: Vec<Vec<(usize, f64)>>,
}

impl Totals {
    /// By week, of one curve in a draw.
    fn weeks(&self, draw: usize, curve: usize) -> &[f64] {
        &self.of_curve[(draw * self.n_curves + curve) * self.n_weeks..][..self.n_weeks]
    }

    /// The curves that a unit follows with the share of each.
    fn shares_of(&self, unit: usize) -> &[(usize, f64)] {
        self.shares.get(unit).map_or(&[(0, 1.0)], Vec::as_slice)
    }
}

/// The curves of former seasons, and which of them each unit follows.
struct Curves<'a> {
    fit: &'a SeasonFit,
    shares: Vec<Vec<(usize, f64)>>,
}

impl Curves<'_> {
    fn totals(&self, shares: &TimeShares, weeks: &[Week]) -> Totals {
        // Former seasons alone may not carry a curve for each level; then the common one stands for all.
        let n_curves = self.fit.curves().len();
        let mut of_curve = Vec::with_capacity(shares.n_draws * n_curves * weeks.len());
        for draw in 0..shares.n_draws {
            let walked = shares.draw(draw);
            for curve in self.fit.curves() {
                let relative = curve.draw(draw % curve.n_draws);
                of_curve.extend(weeks.iter().map(|week| {
                    let rate = |hour: usize| relative[week.part * season::HOURS + hour];
                    (0..season::HOURS).map(|hour| hour_share(walked, week, hour) * rate(hour)).sum::<f64>()
                }));
            }
        }
        let shares = if n_curves > 1 { self.shares.clone() } else { Vec::new() };
        Totals { n_weeks: weeks.len(), n_curves, of_curve, shares }
    }
}

/// Season and hours of former seasons, by week; one curve, or one for each level where levels have their own.
fn former_season(
    ground: &Ground<'_>,
    calendar: &Calendar,
    records: &Records,
) -> Result<Box<SeasonFit>, DeriveError> {
    let Ground { facts, exposure, season: known, .. } = *ground;
    let weeks = &calendar.former;
    let mean = exposure.field.time.mean();
    let mut km = vec![0.0; known.curves().len().max(1)];
    for (segment, walked) in exposure.mean_km.iter().enumerate() {
        km[known.curve_of(segment)] += walked;
    }
    let walked = |shares: &[f64]| -> Vec<f64> {
        let by_week: Vec<f64> = weeks
            .iter()
            .flat_map(|week| (0..season::HOURS).map(|hour| hour_share(shares, week, hour)))
            .collect();
        km.iter().flat_map(|km| by_week.iter().map(move |share| share * km)).collect()
    };
    let period =
        |week: &Week| Period { year: i32::from(week.year), part: week.part, max_temperature_c: None };
    let mut cells = Cells {
        parts: Parts::Weeks,
        periods: weeks.iter().map(period).collect(),
        group_levels: (0..km.len()).collect(),
        counts: vec![0; km.len() * weeks.len() * season::HOURS],
        exposure: walked(&mean),
    };
    let draws: Vec<Vec<f64>> = exposure.field.time.some_draws(EXPOSURE_DRAWS).map(walked).collect();
    let mut partial = Vec::new();
    for record in &records.former {
        let Some(week) = Calendar::week_of(weeks, record.date) else { continue };
        let group = known.curve_of(record.segment);
        match record.hour {
            Some(hour) => {
                let cell = cells.index(group, week, hour);
                cells.counts[cell] += 1;
            }
            None => partial.push(PartialRecord { group, periods: week..week + 1, hours: HourSet::ALL }),
        }
    }
    let params = SeasonParams {
        n_draws: facts.settings.draws(),
        seed: facts.settings.seed(),
        // Whether levels differ was decided from all records; a part of them would not always find it again.
        interaction: if km.len() > 1 { Interaction::Always } else { Interaction::Never },
        ..SeasonParams::default()
    };
    let outcome = season::fit_with_exposure_draws(&cells, &draws, &partial, &params);
    match outcome.map_err(DeriveError::internal)? {
        SeasonOutcome::Estimated(fit) => Ok(fit),
        SeasonOutcome::NotEstimable(_) => Err(DeriveError::missing(
            "Former years have no reports on walked trails, so nothing can be expected of this season.",
        )),
    }
}

/// Walking of former years, each hour weighted by the curve of its unit.
fn adjusted(walked: &ExposureDraws, former: &Totals) -> ExposureDraws {
    let mut party_km = walked.party_km.clone();
    for (draw, row) in party_km.chunks_exact_mut(walked.n_units.max(1)).enumerate() {
        let whole: Vec<f64> =
            (0..former.n_curves).map(|curve| former.weeks(draw, curve).iter().sum()).collect();
        for (unit, km) in row.iter_mut().enumerate() {
            *km *= former.shares_of(unit).iter().map(|(curve, share)| share * whole[*curve]).sum::<f64>();
        }
    }
    ExposureDraws { party_km, ..*walked }
}

/// Rates of former years, given when people walked.
fn former_rates(
    facts: &Facts,
    snaps: &SnapLayer,
    set: &RateSet,
    adjusted: &ExposureDraws,
    records: &Records,
) -> Result<RateFit, DeriveError> {
    let n_segments = set.members.iter().flatten().max().map_or(0, |last| last + 1);
    let mut is_former = vec![false; snaps.records.len()];
    records.former.iter().for_each(|record| is_former[record.record] = true);
    let by_segment = CountDraws {
        n_draws: snaps.allocation.n_draws(),
        n_units: n_segments,
        counts: snaps.allocation.counts_by_draw_where(n_segments, |record| is_former[record]),
    };
    let counts =
        rates::stretch_counts(&unit_rates::as_stretches(set), &by_segment).map_err(DeriveError::internal)?;
    let params =
        RateParams { n_draws: facts.settings.draws(), seed: facts.settings.seed(), ..RateParams::default() };
    // Whole trails share one distribution; within a trail its stretches do.
    let stratum = if is_by_trail(set) { vec![0; set.strata.len()] } else { set.strata.clone() };
    let effort = Effort { counts: &counts, exposure: adjusted };
    let fit = |provenance: &[Provenance]| {
        rates::estimate(&effort, &Units { stratum: &stratum, provenance }, &params)
    };
    let mut fitted = match fit(&set.provenance) {
        // What a season is compared with is a number of encounters, in which an assumed number of kilometres cancels.
        Err(rates::RateError::NoExposure) => fit(&as_fitted(&set.provenance)),
        fitted => fitted,
    };
    if let Ok(fit) = &mut fitted {
        agree_in_total(fit, &effort, facts.settings.seed());
    }
    fitted.map_err(|error| match error {
        rates::RateError::NoExposure => DeriveError::missing(
            "Nobody is known to have walked in former years, so nothing can be expected.",
        ),
        other => DeriveError::internal(other),
    })
}

/// Scales the rates of every draw so that together they give what a single rate for the whole area would: a gamma draw
/// with the former encounters of all units as its shape (Jeffreys' prior).
///
/// Rates of units are drawn towards their stratum, which need not keep their sum, least of all where walking is assumed;
/// the expectation of the whole area would then depend on how it is cut into units.
fn agree_in_total(fit: &mut RateFit, effort: &Effort<'_>, seed: u64) {
    let Effort { counts, exposure } = *effort;
    let n_units = fit.rates.n_units;
    for (draw, rates) in fit.rates.per_km.chunks_exact_mut(n_units.max(1)).enumerate() {
        let km = &exposure.party_km[draw % exposure.n_draws * n_units..][..n_units];
        let counted = &counts.counts[draw % counts.n_draws * n_units..][..n_units];
        let n: u32 = counted.iter().zip(km).filter(|(_, km)| **km > 0.0).map(|(n, _)| n).sum();
        let together: f64 = rates.iter().zip(km).map(|(rate, km)| rate * km).sum();
        let Ok(total) = Gamma::new(f64::from(n) + 0.5, 1.0) else { continue };
        let factor = total.sample(&mut stream(seed ^ TOTAL_SEED, draw as u64)) / together;
        if factor.is_finite() {
            rates.iter_mut().for_each(|rate| *rate *= factor);
        }
    }
}

fn as_fitted(provenance: &[Provenance]) -> Vec<Provenance> {
    let taken = |known: &Provenance| match known {
        Provenance::Assumed => Provenance::Fitted,
        known => *known,
    };
    provenance.iter().map(taken).collect()
}

/// Whether every unit is a trail of its own.
fn is_by_trail(set: &RateSet) -> bool {
    set.strata.iter().collect::<BTreeSet<_>>().len() == set.strata.len()
}

/// Expected encounters by draw, unit and week: rate, walking and curve.
fn expected(fit: &RateFit, walked: &ExposureDraws, totals: &Totals) -> Vec<f64> {
    let mut expected = Vec::with_capacity(walked.n_draws * walked.n_units * totals.n_weeks);
    for (draw, km) in walked.party_km.chunks_exact(walked.n_units).enumerate() {
        let rates = fit.rates.row(draw % fit.rates.n_draws);
        for (unit, (km, rate)) in km.iter().zip(rates).enumerate() {
            if let [(curve, _)] = totals.shares_of(unit) {
                expected.extend(totals.weeks(draw, *curve).iter().map(|walking| km * rate * walking));
                continue;
            }
            let start = expected.len();
            expected.resize(start + totals.n_weeks, 0.0);
            for (curve, share) in totals.shares_of(unit) {
                let weeks = expected[start..].iter_mut().zip(totals.weeks(draw, *curve));
                weeks.for_each(|(sum, walking)| *sum += km * rate * share * walking);
            }
        }
    }
    expected
}

/// How much former weeks and years differ from their own expectation.
fn variation(facts: &Facts, calendar: &Calendar, expected_by_week: &[f64], records: &Records) -> Variation {
    let weeks = &calendar.former;
    let mut counts = vec![0u64; weeks.len()];
    for record in &records.former {
        if let Some(week) = Calendar::week_of(weeks, record.date) {
            counts[week] += 1;
        }
    }
    let year = |week: &Week| calendar.years.iter().position(|year| *year == week.year).unwrap_or(0);
    let former: Vec<FormerWeek> = weeks
        .iter()
        .zip(counts.iter().zip(expected_by_week))
        .map(|(week, (observed, expected))| FormerWeek {
            year: year(week),
            observed: *observed,
            expected: *expected,
        })
        .collect();
    season_watch::former_variation(&former, facts.settings.watch_year_variation)
}

/// Mean over the draws of what all units together lead to expect, by week.
fn mean_by_week(fit: &RateFit, walked: &ExposureDraws, totals: &Totals) -> Vec<f64> {
    let mut mean = vec![0.0; totals.n_weeks];
    for (draw, km) in walked.party_km.chunks_exact(walked.n_units).enumerate() {
        let rates = fit.rates.row(draw % fit.rates.n_draws);
        let mut all = vec![0.0; totals.n_curves];
        for (unit, (km, rate)) in km.iter().zip(rates).enumerate() {
            for (curve, share) in totals.shares_of(unit) {
                all[*curve] += km * rate * share;
            }
        }
        for (curve, all) in all.iter().enumerate() {
            let weeks = mean.iter_mut().zip(totals.weeks(draw, curve));
            weeks.for_each(|(sum, walking)| *sum += all * walking / walked.n_draws as f64);
        }
    }
    mean
}

/// Encounters by unit and week of this season, each on the segment where it most probably was.
fn observed(set: &RateSet, n_segments: usize, calendar: &Calendar, records: &Records) -> Vec<u64> {
    let mut unit_of = vec![None; n_segments];
    for (unit, segments) in set.members.iter().enumerate() {
        segments.iter().for_each(|segment| unit_of[*segment] = Some(unit));
    }
    let n_weeks = calendar.current.len();
    let mut observed = vec![0; set.members.len() * n_weeks];
    for record in &records.current {
        let week = Calendar::week_of(&calendar.current, record.date);
        if let (Some(unit), Some(week)) = (unit_of[record.segment], week) {
            observed[unit * n_weeks + week] += 1;
        }
    }
    observed
}
