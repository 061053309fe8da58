//! This season against what former years lead to expect, week by week.

mod calendar;
mod curves;
mod former;

use std::sync::Arc;

use jiff::civil::Date;

use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::RateFit;
use crate::analysis::season::SeasonFit;
use crate::analysis::season_watch;
use crate::analysis::season_watch::Expectation;
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
use crate::derived::season::SeasonLayer;
use crate::derived::season_year::SeasonYear;
use crate::derived::snaps::SnapLayer;
use crate::derived::watch::calendar::Calendar;
use crate::derived::watch::calendar::Records;
use crate::derived::watch::calendar::Week;
use crate::derived::watch::curves::Curves;
use crate::derived::watch::curves::Totals;
use crate::derived::watch::curves::former_season;
use crate::derived::watch::former::adjusted;
use crate::derived::watch::former::former_rates;

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

/// The same, shared.
#[derive(Clone)]
pub struct Grounds {
    /// The facts.
    pub facts: Arc<Facts>,
    /// How far people walk.
    pub exposure: Arc<ExposureLayer>,
    /// Where reports lie.
    pub snaps: Arc<SnapLayer>,
    /// The units.
    pub rates: Arc<RateLayer>,
    /// Which curve each segment follows, and when seasons begin.
    pub season: Arc<SeasonLayer>,
}

impl Grounds {
    /// What it shares.
    pub fn ground(&self) -> Ground<'_> {
        Ground {
            facts: &self.facts,
            exposure: &self.exposure,
            snaps: &self.snaps,
            rates: &self.rates,
            season: &self.season,
        }
    }
}

/// Watches the season that the last day belongs to, up to that day, against the seasons before.
///
/// False alarms are counted over the whole season, so that the threshold does not depend on when somebody looks: in the
/// weeks to come people are taken to walk as in the same weeks of former seasons, as far as nothing that is known to hold then closes
/// what they walk on; in all weeks what was closed is walked by nobody but those who walk all the same.
///
/// A season begins at the lowest point of the curve, so that one that crosses New Year stays whole. Where habitats or
/// elevation bands have curves of their own, each unit is expected to follow that of its segments.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when there is no earlier season with walking and reports, or the day is not in the study
/// period.
pub fn compute(
    ground: &Ground<'_>,
    choice: WatchChoice,
    former: &FormerSeasons,
) -> Result<WatchLayer, DeriveError> {
    let Ground { facts, exposure, .. } = *ground;
    let until = until(exposure, choice)?;
    let set = ground.set(choice.unit);
    let season_year = ground.season_year();
    let records = Records::read(ground, season_year, until);
    let calendar = Calendar::of(exposure, season_year, until);
    let current = Curves::of(ground, &former.season, &set.members).totals(&calendar.season());
    let observed = observed(set, exposure.field.n_segments, &calendar, &records);
    let season = expected(&former.rates, &former.walked, current);
    let n_weeks = calendar.current.len() + calendar.to_come.len();
    let params = WatchParams {
        dispersion: former.variation.dispersion,
        year_variation: former.variation.year_variation,
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
        variation: former.variation,
        former_years: calendar.years,
        season_year,
        n_former: records.former.len(),
        n_observed: records.current.len(),
        n_without_day: records.n_without_day,
    })
}

/// What the seasons before one say: the same for whatever day of it is looked at.
#[derive(Debug)]
pub struct FormerSeasons {
    /// Their curves.
    season: Box<SeasonFit>,
    /// Their rates, by unit.
    rates: RateFit,
    /// What is walked in the whole study period, by unit.
    walked: ExposureDraws,
    variation: Variation,
}

/// The year in which the season began that a choice looks at.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when the day is not in the study period.
pub fn season_of(
    exposure: &ExposureLayer,
    season: &SeasonLayer,
    choice: WatchChoice,
) -> Result<i16, DeriveError> {
    Ok(season_year(season).of_date(until(exposure, choice)?))
}

/// What is known of the seasons before that which a choice looks at.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when there is no earlier season with walking and reports, or the day is not in the study
/// period.
pub fn former_seasons(ground: &Ground<'_>, choice: WatchChoice) -> Result<FormerSeasons, DeriveError> {
    let Ground { facts, exposure, snaps, .. } = *ground;
    let until = until(exposure, choice)?;
    let set = ground.set(choice.unit);
    let season_year = ground.season_year();
    let records = Records::read(ground, season_year, until);
    let calendar = Calendar::of(exposure, season_year, until);
    if calendar.former.is_empty() {
        return Err(DeriveError::missing(
            "There is no earlier year to compare this season with: expectation rests on former years.",
        ));
    }
    let season = former_season(ground, &calendar, &records)?;
    let total = Curves::of(ground, &season, &set.members).totals(&calendar.former);
    let walked = unit_rates::walked(set, exposure)?;
    let rates = former_rates(facts, snaps, set, &adjusted(&walked, &total), &records)?;
    let by_week = mean_by_week(&rates, &walked, &total);
    let variation = variation(facts, &calendar, &by_week, &records);
    Ok(FormerSeasons { season, rates, walked, variation })
}

/// The last day looked at.
fn until(exposure: &ExposureLayer, choice: WatchChoice) -> Result<Date, DeriveError> {
    let until = choice.until.unwrap_or(exposure.period.last()).min(exposure.period.last());
    match until < exposure.period.first() {
        true => Err(DeriveError::missing("That day is before the days that counters speak of.")),
        false => Ok(until),
    }
}

fn season_year(season: &SeasonLayer) -> SeasonYear {
    season.fit.as_ref().map_or(SeasonYear::CALENDAR, |fit| SeasonYear::of(fit.curve(0)))
}

impl Ground<'_> {
    fn set(&self, unit: UnitKind) -> &RateSet {
        match unit {
            UnitKind::Trail => &self.rates.trails,
            UnitKind::Segment | UnitKind::Stretch => &self.rates.stretches,
        }
    }

    fn season_year(&self) -> SeasonYear {
        season_year(self.season)
    }
}

/// Expected encounters by draw, unit and week: rate times walking is the level of a unit, the curves are its course.
fn expected(fit: &RateFit, walked: &ExposureDraws, totals: Totals) -> Expectation {
    let rows = walked.party_km.chunks_exact(walked.n_units).enumerate();
    let level = rows.flat_map(|(draw, km)| {
        let rates = fit.rates.row(draw % fit.rates.n_draws);
        km.iter().zip(rates).map(|(km, rate)| km * rate)
    });
    Expectation {
        level: level.collect(),
        n_curves: totals.n_curves,
        curves: totals.of_curve,
        shares: totals.shares,
    }
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
