//! The curves of former seasons, and how much is walked in each week under them.

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
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::season::EXPOSURE_DRAWS;
use crate::derived::season::SeasonLayer;
use crate::derived::watch::Ground;
use crate::derived::watch::calendar::Calendar;
use crate::derived::watch::calendar::Records;
use crate::derived::watch::calendar::Week;

/// What is walked in an hour of a week, from what would be walked in its months if they were open and the share of each that was.
fn hour_share(if_open: &[f64], week: &Week, open: &[[f64; season::HOURS]], hour: usize) -> f64 {
    let months = week.months.iter().zip(open);
    months.map(|((month, share), open)| if_open[month * season::HOURS + hour] * share * open[hour]).sum()
}

/// By course, week and month of the week how much of it was open.
struct OpenWeeks(Vec<Vec<Vec<[f64; season::HOURS]>>>);

impl OpenWeeks {
    fn of(exposure: &ExposureLayer, weeks: &[Week]) -> Self {
        let of_course =
            |course: usize| weeks.iter().map(|week| week.open(exposure, course)).collect::<Vec<_>>();
        Self((0..exposure.field.courses.n_courses()).map(of_course).collect())
    }
}

/// Walking in each week times the curve that a unit follows, as a share of all walking on one of the courses that it follows.
pub(super) struct Totals {
    pub(super) n_weeks: usize,
    /// Curves times courses.
    pub(super) n_curves: usize,
    /// Of each curve on each course, draw-major: `(draw * n_curves + course * curves of the fit + curve) * n_weeks + week`.
    pub(super) of_curve: Vec<f64>,
    /// The curves of each unit with the share of each; empty where all follow the first.
    pub(super) shares: Vec<Vec<(usize, f64)>>,
}

impl Totals {
    /// By week, of one curve in a draw.
    pub(super) fn weeks(&self, draw: usize, curve: usize) -> &[f64] {
        &self.of_curve[(draw * self.n_curves + curve) * self.n_weeks..][..self.n_weeks]
    }

    /// The curves that a unit follows with the share of each.
    pub(super) fn shares_of(&self, unit: usize) -> &[(usize, f64)] {
        self.shares.get(unit).map_or(&[(0, 1.0)], Vec::as_slice)
    }
}

/// The curves of former seasons, and which of them each unit follows on which course.
pub(super) struct Curves<'a> {
    fit: &'a SeasonFit,
    exposure: &'a ExposureLayer,
    shares: Vec<Vec<(usize, f64)>>,
}

impl<'a> Curves<'a> {
    /// `members` are the segments of each unit.
    pub(super) fn of(ground: &Ground<'a>, fit: &'a SeasonFit, members: &[Vec<usize>]) -> Self {
        let Ground { exposure, season, .. } = *ground;
        // Former seasons alone may not carry a curve for each level; then the common one stands for all.
        let n_curves = fit.curves().len();
        let shares = match (exposure.field.courses.is_plain(), n_curves) {
            (true, 1) => Vec::new(),
            (true, _) => season.shares(members),
            (false, _) => members.iter().map(|it| on_courses((exposure, season), it, n_curves)).collect(),
        };
        Self { fit, exposure, shares }
    }

    pub(super) fn totals(&self, weeks: &[Week]) -> Totals {
        let (field, open) = (&self.exposure.field, OpenWeeks::of(self.exposure, weeks));
        let n_curves = self.fit.curves().len() * open.0.len();
        let mut of_curve = Vec::with_capacity(field.n_draws * n_curves * weeks.len());
        for draw in 0..field.n_draws {
            for (course, open) in open.0.iter().enumerate() {
                let if_open = field.courses.if_open(&field.time, course, draw);
                for curve in self.fit.curves() {
                    let relative = curve.draw(draw % curve.n_draws);
                    of_curve.extend(weeks.iter().zip(open).map(|(week, open)| {
                        let rate = |hour: usize| relative[week.part * season::HOURS + hour];
                        let walked = |hour: usize| hour_share(&if_open, week, open, hour) * rate(hour);
                        (0..season::HOURS).map(walked).sum::<f64>()
                    }));
                }
            }
        }
        Totals { n_weeks: weeks.len(), n_curves, of_curve, shares: self.shares.clone() }
    }
}

/// The curves that a unit follows on the courses of its segments, with the share of its walking on each. A unit that nobody walks has
/// its segments weighted alike.
fn on_courses(
    (exposure, season): (&ExposureLayer, &SeasonLayer),
    segments: &[usize],
    n_curves: usize,
) -> Vec<(usize, f64)> {
    let total: f64 = segments.iter().map(|segment| exposure.mean_km[*segment]).sum();
    let mut shares: Vec<(usize, f64)> = Vec::new();
    for &segment in segments {
        let share = match total > 0.0 {
            true => exposure.mean_km[segment] / total,
            false => 1.0 / segments.len() as f64,
        };
        let curve = if n_curves > 1 { season.curve_of(segment) } else { 0 };
        for (course, part) in exposure.field.courses.of(segment) {
            let both = course * n_curves + curve;
            match shares.iter_mut().find(|(known, _)| *known == both) {
                Some((_, sum)) => *sum += share * part,
                None => shares.push((both, share * part)),
            }
        }
    }
    shares
}

/// Season and hours of former seasons, by week; one curve, or one for each level where levels have their own.
pub(super) fn former_season(
    ground: &Ground<'_>,
    calendar: &Calendar,
    records: &Records,
) -> Result<Box<SeasonFit>, DeriveError> {
    let Ground { facts, exposure, season: known, .. } = *ground;
    let weeks = &calendar.former;
    let (field, open) = (&exposure.field, OpenWeeks::of(exposure, weeks));
    let (n_levels, n_courses) = (known.curves().len().max(1), field.courses.n_courses());
    let n_groups = n_levels * n_courses;
    let group_of = |segment: usize| known.curve_of(segment) * n_courses + field.courses.main_of(segment);
    let km = field.courses.split(&exposure.mean_km, n_groups, |segment| Some(group_of(segment)));
    let walked = |if_open: &dyn Fn(usize) -> Vec<f64>| -> Vec<f64> {
        let n_cells = weeks.len() * season::HOURS;
        let mut sums = vec![0.0; n_groups * n_cells];
        for (course, open) in open.0.iter().enumerate() {
            let if_open = if_open(course);
            let hours = |(week, open): (&'_ Week, &'_ Vec<[f64; season::HOURS]>)| {
                let of_hour = |hour: usize| hour_share(&if_open, week, open, hour);
                (0..season::HOURS).map(of_hour).collect::<Vec<f64>>()
            };
            let by_week: Vec<f64> = weeks.iter().zip(open).flat_map(hours).collect();
            for (sums, km) in sums.chunks_exact_mut(n_cells.max(1)).zip(&km) {
                sums.iter_mut().zip(&by_week).for_each(|(sum, share)| *sum += share * km[course]);
            }
        }
        sums
    };
    let period =
        |week: &Week| Period { year: i32::from(week.year), part: week.part, max_temperature_c: None };
    let mut cells = Cells {
        parts: Parts::Weeks,
        periods: weeks.iter().map(period).collect(),
        group_levels: (0..n_groups).map(|group| group / n_courses).collect(),
        counts: vec![0; n_groups * weeks.len() * season::HOURS],
        exposure: walked(&|course| field.courses.mean_if_open(&field.time, course)),
    };
    let of_draw =
        |draw: usize| walked(&|course| field.courses.if_open(&field.time, course, draw).into_owned());
    let draws: Vec<Vec<f64>> = field.time.some_draws(EXPOSURE_DRAWS).map(of_draw).collect();
    let mut partial = Vec::new();
    for record in &records.former {
        let Some(week) = Calendar::week_of(weeks, record.date) else { continue };
        let group = group_of(record.segment);
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
        interaction: if n_levels > 1 { Interaction::Always } else { Interaction::Never },
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
