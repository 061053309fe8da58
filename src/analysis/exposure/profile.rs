//! The time profile: how walkers spread over months, weekdays and hours.

use rand_distr::{Distribution, Exp1, StandardNormal};

use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::tables::{Cell, SeriesTable, Tables};
use crate::analysis::exposure::time::{HOURS, TimeCells};
use crate::analysis::random::Stream;

/// Relative walkers an hour by year-month, weekday and local hour.
///
/// The product of a month, a weekday and an hour factor, times an interaction of calendar month and hour where the counts
/// ask for one.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeProfile {
    /// Factor by month of the study period.
    pub month: Vec<f64>,
    /// Factor by weekday, Monday first.
    pub weekday: [f64; 7],
    /// Factor by local hour.
    pub hour: [f64; HOURS],
    /// Observed over product by calendar month and hour, index `calendar_month_idx * 24 + hour`, drawn towards 1.
    pub interaction: Vec<f64>,
    calendar_month: Vec<usize>,
}

/// Rounds of adjusting one factor given the others.
const POINT_ROUNDS: usize = 30;
const DRAW_ROUNDS: usize = 6;

impl TimeProfile {
    /// Relative walkers in an hour of that month index, weekday and local hour.
    pub fn rate(&self, month: usize, weekday: usize, hour: usize) -> f64 {
        self.month[month]
            * self.weekday[weekday]
            * self.hour[hour]
            * self.interaction[self.calendar_month[month] * HOURS + hour]
    }

    /// Shares of the whole study period by cell, index `month_idx * 24 + hour`; they sum to 1.
    pub fn shares(&self, cells: &TimeCells) -> Vec<f64> {
        let mut shares = vec![0.0; cells.n_cells()];
        for (month, days) in cells.days.iter().enumerate() {
            for hour in 0..HOURS {
                shares[month * HOURS + hour] =
                    (0..7).map(|weekday| days[weekday] * self.rate(month, weekday, hour)).sum();
            }
        }
        let total: f64 = shares.iter().sum();
        shares.iter_mut().for_each(|share| *share /= total);
        shares
    }

    /// The share of the study period's walkers that each series was there to count in the states of its level.
    pub fn observed_shares(&self, cells: &TimeCells, tables: &Tables) -> Vec<f64> {
        let total = self.total(cells);
        let observed = |series: &SeriesTable| -> f64 {
            series.used_cells().map(|cell| cell.hours * self.at(cell)).sum::<f64>()
        };
        tables.series.iter().map(|series| observed(series) / total).collect()
    }

    /// By series the share of the study period's walkers, were all open all the time, that it was there to count in each state.
    pub(crate) fn shares_by_state(&self, cells: &TimeCells, tables: &Tables) -> Vec<Vec<f64>> {
        let total = self.total(cells);
        let of = |series: &SeriesTable| {
            let mut shares = vec![0.0; series.states.len()];
            series.cells.iter().for_each(|cell| shares[cell.state] += cell.hours * self.at(cell) / total);
            shares
        };
        tables.series.iter().map(of).collect()
    }

    fn total(&self, cells: &TimeCells) -> f64 {
        let mut total = 0.0;
        for (month, days) in cells.days.iter().enumerate() {
            for (weekday, n_days) in days.iter().enumerate() {
                let day: f64 = (0..HOURS).map(|hour| self.rate(month, weekday, hour)).sum();
                total += n_days * day;
            }
        }
        total
    }

    fn at(&self, cell: &Cell) -> f64 {
        self.rate(cell.month, cell.weekday, cell.hour)
    }

    fn product(&self, cell: &Cell) -> f64 {
        self.month[cell.month] * self.weekday[cell.weekday] * self.hour[cell.hour]
    }
}

/// The profile that fits the counts best.
///
/// Poisson likelihood of counter level × month × weekday × hour, maximised factor by factor (iterative proportional
/// fitting; Bishop, Fienberg & Holland 1975, *Discrete Multivariate Analysis*, ch. 3), with half a passage of prior in
/// each level so that an hour nobody was counted in keeps a small share. The interaction of calendar month and hour is
/// (observed + k) / (product + k), k = `interaction_prior_count`. A month no counter covers takes the mean of the same
/// calendar month of other years, else the stated profile at the level of the covered months; hours take the stated
/// profile where no counter reads by the hour. What was counted while something was closed has a level of its own, and is in none
/// where most were kept out or it is not known in which part of a bin.
pub fn fit_profile(cells: &TimeCells, tables: &Tables, params: &ExposureParams) -> TimeProfile {
    let start = stated_profile(cells, params);
    let told: Vec<Vec<Cell>> =
        tables.series.iter().flat_map(|series| series.told(series.cells.clone())).collect();
    let series: Vec<&[Cell]> = told.iter().map(Vec::as_slice).collect();
    let profile = adjust(start, &series, POINT_ROUNDS, params);
    filled(profile, tables, params, None)
}

/// One draw of the profile: weeks are weighted by Rubin's bootstrap (1981, *Annals of Statistics* 9, 130), the same
/// weights for all counters since they share the weather; what is filled in is drawn from its prior.
pub(crate) fn draw_profile(
    point: &TimeProfile,
    tables: &Tables,
    params: &ExposureParams,
    rng: &mut Stream,
) -> TimeProfile {
    let weights: Vec<f64> = (0..tables.n_weeks).map(|_| Exp1.sample(rng)).collect();
    let weighted: Vec<Vec<Cell>> =
        tables.series.iter().flat_map(|series| series.told(series.weighted_cells(&weights))).collect();
    let series: Vec<&[Cell]> = weighted.iter().map(Vec::as_slice).collect();
    let start = TimeProfile { interaction: vec![1.0; 12 * HOURS], ..point.clone() };
    let profile = adjust(start, &series, DRAW_ROUNDS, params);
    filled(profile, tables, params, Some(rng))
}

fn stated_profile(cells: &TimeCells, params: &ExposureParams) -> TimeProfile {
    let calendar_month: Vec<usize> =
        cells.year_months.iter().map(|month| usize::from(month.month.unsigned_abs()) - 1).collect();
    TimeProfile {
        month: calendar_month.iter().map(|idx| params.month_profile[*idx]).collect(),
        weekday: [1.0; 7],
        hour: relative(params.hour_profile),
        interaction: vec![1.0; 12 * HOURS],
        calendar_month,
    }
}

fn relative<const N: usize>(values: [f64; N]) -> [f64; N] {
    let mean = values.iter().sum::<f64>() / N as f64;
    values.map(|value| value / mean)
}

fn adjust(
    mut profile: TimeProfile,
    series: &[&[Cell]],
    rounds: usize,
    params: &ExposureParams,
) -> TimeProfile {
    let mut levels = vec![1.0; series.len()];
    for _ in 0..rounds {
        for (level, cells) in levels.iter_mut().zip(series) {
            let count: f64 = cells.iter().map(|cell| cell.count).sum();
            let expected: f64 = cells.iter().map(|cell| cell.hours * profile.product(cell)).sum();
            *level = if expected > 0.0 { count / expected } else { 0.0 };
        }
        let n_months = profile.month.len();
        let month = ratios(&profile, series, &levels, n_months, |cell| cell.month);
        profile.month.iter_mut().zip(month).for_each(|(value, ratio)| *value *= ratio);
        let weekday = ratios(&profile, series, &levels, 7, |cell| cell.weekday);
        profile.weekday.iter_mut().zip(weekday).for_each(|(value, ratio)| *value *= ratio);
        profile.weekday = relative(profile.weekday);
        if series.iter().any(|cells| cells.iter().any(|cell| !cell.split)) {
            let hour =
                ratios(
                    &profile,
                    series,
                    &levels,
                    HOURS,
                    |cell| {
                        if cell.split { usize::MAX } else { cell.hour }
                    },
                );
            profile.hour.iter_mut().zip(hour).for_each(|(value, ratio)| *value *= ratio);
            profile.hour = relative(profile.hour);
        }
    }
    profile.interaction = interaction(&profile, series, &levels, params.interaction_prior_count);
    profile
}

/// Observed over expected by level of one factor; 1 where the level is not observed.
fn ratios(
    profile: &TimeProfile,
    series: &[&[Cell]],
    levels: &[f64],
    n: usize,
    level_of: impl Fn(&Cell) -> usize,
) -> Vec<f64> {
    let (mut observed, mut expected) = (vec![0.0; n], vec![0.0; n]);
    for (cells, level) in series.iter().zip(levels) {
        for cell in cells.iter() {
            let idx = level_of(cell);
            if idx < n {
                observed[idx] += cell.count;
                expected[idx] += cell.hours * level * profile.product(cell);
            }
        }
    }
    // Half a passage is added once, not in every round: where nobody was counted the factor falls to the floor that
    // keeps its expected count at half a passage, and stays there.
    observed
        .iter()
        .zip(&expected)
        .map(|(count, expected)| if *expected > 0.0 { count.max(0.5) / expected } else { 1.0 })
        .collect()
}

fn interaction(profile: &TimeProfile, series: &[&[Cell]], levels: &[f64], prior_count: f64) -> Vec<f64> {
    let mut observed = vec![prior_count; 12 * HOURS];
    let mut expected = vec![prior_count; 12 * HOURS];
    for (cells, level) in series.iter().zip(levels) {
        for cell in cells.iter().filter(|cell| !cell.split) {
            let idx = profile.calendar_month[cell.month] * HOURS + cell.hour;
            observed[idx] += cell.count;
            expected[idx] += cell.hours * level * profile.product(cell);
        }
    }
    observed.iter().zip(&expected).map(|(count, expected)| count / expected).collect()
}

/// Fills the months and hours that no counter covers.
fn filled(
    mut profile: TimeProfile,
    tables: &Tables,
    params: &ExposureParams,
    mut rng: Option<&mut Stream>,
) -> TimeProfile {
    let mut noise = |log_sd: f64| match rng.as_deref_mut() {
        Some(rng) => {
            let z: f64 = StandardNormal.sample(rng);
            (log_sd * z).exp()
        }
        None => 1.0,
    };
    let known = tables.known_months(profile.month.len());
    let stated = |idx: usize| params.month_profile[profile.calendar_month[idx]];
    let level =
        log_mean((0..known.len()).filter(|idx| known[*idx]).map(|idx| profile.month[idx] / stated(idx)))
            .unwrap_or(1.0);
    for idx in (0..known.len()).filter(|idx| !known[*idx]) {
        let same_month = (0..known.len())
            .filter(|other| known[*other] && profile.calendar_month[*other] == profile.calendar_month[idx]);
        profile.month[idx] = match log_mean(same_month.map(|other| profile.month[other])) {
            Some(mean) => mean * noise(params.month_between_years_log_sd),
            None => level * stated(idx) * noise(params.profile_log_sd),
        };
    }
    if !tables.by_the_hour() {
        for value in &mut profile.hour {
            *value *= noise(params.profile_log_sd);
        }
    }
    profile
}

fn log_mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let logs: Vec<f64> = values.map(f64::ln).collect();
    (!logs.is_empty()).then(|| (logs.iter().sum::<f64>() / logs.len() as f64).exp())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::exposure::kept_out::{Shut, SiteState, State};
    use crate::analysis::exposure::pieces::HourPiece;
    use crate::analysis::exposure::readings::{CounterSite, SiteSeries};
    use crate::analysis::exposure::time::{StudyPeriod, weekday_idx};
    use crate::analysis::random::stream;
    use jiff::civil::{Date, date};
    use rand_distr::Poisson;

    /// A counter whose hours follow month × weekday × hour with known factors, Poisson about them.
    fn planted(level: f64, skip: impl Fn(Date) -> bool, seed: u64) -> SiteSeries {
        let period = StudyPeriod::new(date(2023, 1, 1), date(2023, 12, 31)).unwrap();
        let mut rng = stream(seed, 0);
        let mut pieces = Vec::new();
        for day in period.days().filter(|day| !skip(*day)) {
            for hour in 0..HOURS {
                let count = Poisson::new(level * truth(day, hour)).unwrap().sample(&mut rng);
                pieces.push(HourPiece { day, hour, hours: 1.0, count, split: false, state: 0 });
            }
        }
        let states = vec![SiteState::OPEN];
        SiteSeries { counter: 0, site: CounterSite::Segment(0), n_bins: pieces.len(), pieces, states }
    }

    fn truth(day: Date, hour: usize) -> f64 {
        let month = 1.0 + 0.6 * f64::from(day.month() - 6).abs() / 6.0;
        let weekday = if weekday_idx(day) >= 5 { 2.5 } else { 1.0 };
        let hour = (-((hour as f64 - 10.0) / 3.0).powi(2)).exp() + 0.01;
        month * weekday * hour
    }

    fn setup() -> (StudyPeriod, TimeCells) {
        let period = StudyPeriod::new(date(2023, 1, 1), date(2023, 12, 31)).unwrap();
        (period, TimeCells::of(&period))
    }

    fn true_shares(period: &StudyPeriod, cells: &TimeCells) -> Vec<f64> {
        let mut shares = vec![0.0; cells.n_cells()];
        for day in period.days() {
            for hour in 0..HOURS {
                shares[(usize::from(day.month().unsigned_abs()) - 1) * HOURS + hour] += truth(day, hour);
            }
        }
        let total: f64 = shares.iter().sum();
        shares.iter().map(|share| share / total).collect()
    }

    #[test]
    fn planted_shares_come_back_and_a_gap_does_not_bend_them() {
        let (period, cells) = setup();
        // One counter ran all year, the other lost all weekends and the second half of July.
        let lame = |day: Date| weekday_idx(day) >= 5 || (day.month() == 7 && day.day() > 15);
        let series = [planted(3.0, |_| false, 1), planted(20.0, lame, 2)];
        let tables = Tables::of(&series, &period, &cells);
        let params = ExposureParams::default();
        let profile = fit_profile(&cells, &tables, &params);
        let shares = profile.shares(&cells);
        assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        let expected = true_shares(&period, &cells);
        for (cell, (got, truth)) in shares.iter().zip(&expected).enumerate() {
            // About 100,000 passages over 288 cells: 10 % in the busy ones.
            assert!((got - truth).abs() < 0.1 * truth + 3e-4, "cell {cell}: {got} {truth}");
        }
        let seen = profile.observed_shares(&cells, &tables);
        assert!((seen[0] - 1.0).abs() < 1e-9);
        let lame_truth: f64 = period.days().filter(|day| !lame(*day)).map(|day| truth(day, 10)).sum();
        let all_truth: f64 = period.days().map(|day| truth(day, 10)).sum();
        assert!((seen[1] - lame_truth / all_truth).abs() < 0.02, "{} {}", seen[1], lame_truth / all_truth);
    }

    /// One of two counters stands on a trail that is closed from May to August, and counts nobody then.
    #[test]
    fn a_closed_trail_does_not_bend_the_course_of_the_year() {
        let (period, cells) = setup();
        let is_closed = |day: Date| (5..=8).contains(&day.month());
        let mut shut = planted(20.0, |_| false, 7);
        for piece in shut.pieces.iter_mut().filter(|piece| is_closed(piece.day)) {
            (piece.count, piece.state) = (0.0, 1);
        }
        let state = State { shut: vec![Shut::Trail(0)], is_whole: true };
        shut.states.push(SiteState { state, share: 1.0 });
        let mut naive = shut.clone();
        naive.pieces.iter_mut().for_each(|piece| piece.state = 0);
        let params = ExposureParams::default();
        let expected: f64 = true_shares(&period, &cells)[4 * HOURS..8 * HOURS].iter().sum();
        let found = |shut: &SiteSeries| {
            let series = [planted(3.0, |_| false, 6), shut.clone()];
            let tables = Tables::of(&series, &period, &cells);
            let profile = fit_profile(&cells, &tables, &params);
            let drawn = draw_profile(&profile, &tables, &params, &mut stream(8, 0));
            let summer =
                |profile: &TimeProfile| -> f64 { profile.shares(&cells)[4 * HOURS..8 * HOURS].iter().sum() };
            // The counter was there all the time: what it saw open and closed is all there is.
            let shares = profile.shares_by_state(&cells, &tables);
            assert!(shares.iter().all(|of| (of.iter().sum::<f64>() - 1.0).abs() < 1e-9));
            assert!((profile.observed_shares(&cells, &tables)[1] - shares[1][0]).abs() < 1e-12);
            let is_apart = shut.pieces.iter().any(|piece| piece.state > 0);
            assert!((shares[1][1] > 0.2) == is_apart, "{shares:?}");
            (summer(&profile), summer(&drawn), tables.series[1].dispersion(&profile))
        };
        let (point, drawn, dispersion) = found(&shut);
        assert!((point / expected).ln().abs() < 0.05, "{point} {expected}");
        assert!((drawn / expected).ln().abs() < 0.1, "{drawn} {expected}");
        assert!(dispersion < 1.3, "{dispersion}");
        let (point, _, dispersion) = found(&naive);
        assert!(point < 0.5 * expected && dispersion > 5.0, "{point} {expected} {dispersion}");
    }

    /// A quarter of those whom a counter counts is kept out from May on: it tells of the months at another level.
    #[test]
    fn a_counter_that_some_are_kept_from_tells_of_the_months_at_a_level_of_its_own() {
        let (period, cells) = setup();
        let mut series = planted(20.0, |_| false, 9);
        for piece in series.pieces.iter_mut().filter(|piece| piece.day.month() >= 5) {
            (piece.count, piece.state) = (piece.count * 0.75, 1);
        }
        let state = State { shut: vec![Shut::Trailhead(0)], is_whole: true };
        series.states.push(SiteState { state, share: 0.25 });
        let mut naive = series.clone();
        naive.pieces.iter_mut().for_each(|piece| piece.state = 0);
        let truth: f64 = true_shares(&period, &cells)[..4 * HOURS].iter().sum();
        let params = ExposureParams::default();
        let before_may = |series: &SiteSeries| -> f64 {
            // Another counter that nothing was kept from holds both levels together.
            let tables = Tables::of(&[series.clone(), planted(5.0, |_| false, 10)], &period, &cells);
            fit_profile(&cells, &tables, &params).shares(&cells)[..4 * HOURS].iter().sum()
        };
        let (right, naive) = (before_may(&series), before_may(&naive));
        assert!((right / truth).ln().abs() < 0.04, "{right} {truth}");
        assert!((naive / truth).ln() > 0.1, "{naive} {truth}");
        // Of a year in which most of the time it was not open, the level is that of all in which it tells.
        let mut tables = Tables::of(&[series, planted(5.0, |_| false, 10)], &period, &cells);
        tables.settle(&[vec![0.3, 0.7], vec![1.0]]);
        assert_eq!(tables.series[0].is_used, [true, false]);
        tables.settle(&[vec![0.1, 0.9], vec![1.0]]);
        assert_eq!(tables.series[0].is_used, [true, true]);
        let all: f64 = tables.series[0].counts.iter().sum();
        assert_eq!(tables.series[0].count(), all);
        assert!(tables.series[0].dispersion(&fit_profile(&cells, &tables, &params)) < 1.3);
    }

    #[test]
    fn months_without_a_counter_are_filled_and_drawn_wide() {
        let (period, cells) = setup();
        let series = [planted(10.0, |day| day.month() > 9, 3)];
        let tables = Tables::of(&series, &period, &cells);
        let params = ExposureParams::default();
        let point = fit_profile(&cells, &tables, &params);
        let share_of = |profile: &TimeProfile, month: usize| -> f64 {
            profile.shares(&cells)[month * HOURS..(month + 1) * HOURS].iter().sum()
        };
        let draws: Vec<TimeProfile> =
            (0..100).map(|i| draw_profile(&point, &tables, &params, &mut stream(4, i))).collect();
        let spread = |month: usize| {
            let logs: Vec<f64> = draws.iter().map(|draw| share_of(draw, month).ln()).collect();
            let mean = logs.iter().sum::<f64>() / 100.0;
            (logs.iter().map(|log| (log - mean).powi(2)).sum::<f64>() / 99.0).sqrt()
        };
        assert!(spread(10) > 0.25, "November rests on the prior: {}", spread(10));
        assert!(spread(3) < 0.15, "April was counted: {}", spread(3));
        assert!(draws.iter().all(|d| (d.shares(&cells).iter().sum::<f64>() - 1.0).abs() < 1e-9));
    }

    #[test]
    fn without_counters_the_stated_profile_holds() {
        let (period, cells) = setup();
        let tables = Tables::of(&[], &period, &cells);
        let params = ExposureParams::default();
        let shares = fit_profile(&cells, &tables, &params).shares(&cells);
        let total: f64 = params.hour_profile.iter().sum();
        let at_ten: f64 = (0..12).map(|month| shares[month * HOURS + 10]).sum();
        assert!((at_ten - params.hour_profile[10] / total).abs() < 1e-12);
    }

    #[test]
    fn an_hour_that_moves_with_the_season_is_seen() {
        let (period, cells) = setup();
        let mut series = planted(20.0, |_| false, 5);
        // In summer everybody comes four hours earlier.
        for piece in series.pieces.iter_mut().filter(|piece| (6..=8).contains(&piece.day.month())) {
            piece.hour = (piece.hour + 20) % HOURS;
        }
        let tables = Tables::of(&[series], &period, &cells);
        let profile = fit_profile(&cells, &tables, &ExposureParams::default());
        let peak = |month: usize| {
            let shares = profile.shares(&cells);
            (0..HOURS).max_by(|a, b| shares[month * HOURS + a].total_cmp(&shares[month * HOURS + b]))
        };
        assert_eq!((peak(6), peak(1)), (Some(6), Some(10)));
    }
}
