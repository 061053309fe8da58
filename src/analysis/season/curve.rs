//! The relative rate by part of the year and hour, with its draws.

use crate::analysis::random::stream;
use crate::analysis::season::Cells;
use crate::analysis::season::HOURS;
use crate::analysis::season::Parts;
use crate::analysis::season::cells::YEAR_DAYS;
use crate::analysis::season::frame::Frame;
use crate::analysis::season::model::Model;
use crate::analysis::season::model::Moment;
use crate::analysis::season::steady::SteadyShare;

/// The relative rate s(t) by part of the year and local hour.
///
/// Cells are indexed `part * 24 + hour`. The curve, and each of its draws, has mean 1 over the cells weighted by the
/// exposure of all years and of the groups that share the curve: a rate estimated from all periods together, times s(t),
/// is the rate at t wherever people walk at the times at which all of them do. For a segment walked at other times take
/// its effective exposure, the sum of its exposures times s(t).
///
/// It is the product of a factor of the part of the year and one of the hour, each of which is the exponential of
/// harmonics but for a share of encounters that comes at a steady rate.
///
/// Years do not enter. Where a temperature term was fitted, a part stands for its mean temperature over the years.
#[derive(Debug, Clone)]
pub struct Curve {
    /// How the year is cut.
    pub parts: Parts,
    /// The estimate by cell.
    pub estimate: Vec<f64>,
    /// Number of draws.
    pub n_draws: usize,
    /// Draws by cell, draw-major: `draw * n_cells + cell`.
    pub draws: Vec<f64>,
    /// Share of the exposure by cell; sums to 1. Where it is zero the curve is carried over from other cells.
    pub exposure_shares: Vec<f64>,
    source: Source,
}

/// A point of a curve of one dimension, for a table or a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Days since the start of a year of 365 days, or hours since midnight.
    pub at: f64,
    /// The rate relative to the mean; the mean over the exposure is 1.
    pub relative: f64,
    /// Lower 95 % limit.
    pub lower: f64,
    /// Upper 95 % limit.
    pub upper: f64,
    /// Whether anybody walked in this part or hour.
    pub exposed: bool,
}

#[derive(Debug, Clone)]
struct Source {
    model: Model,
    level: usize,
    estimate: Shape,
    draws: Vec<Shape>,
    /// Mean maximum temperature of each part of the year.
    temperatures_c: Vec<Option<f64>>,
}

/// What a curve is made from: coefficients of the log rate, and the shares that do not follow them.
#[derive(Debug, Clone)]
struct Shape {
    coefficients: Vec<f64>,
    steady_season: f64,
    steady_hour: f64,
}

/// What curves are made from, and the records that tell which share does not follow the harmonics.
pub(super) struct Ground<'a> {
    pub(super) frame: &'a Frame<'a>,
    pub(super) unit_exposure: &'a [f64],
    /// Records by unit, period and hour, once for each completed data set.
    pub(super) sets: &'a [Vec<u32>],
    pub(super) dispersion: f64,
    pub(super) seed: u64,
}

/// Keeps the draws of the steady shares apart from all others.
const STEADY_SALT: u64 = 0x5ea5_0000_57ea_0001;

/// One curve, or one a level where the model has seasons by level.
pub(super) fn curves(
    ground: &Ground<'_>,
    model: &Model,
    coefficients: &[f64],
    draws: &[Vec<f64>],
) -> Vec<Curve> {
    let Ground { frame, unit_exposure, .. } = *ground;
    let cells = frame.cells;
    let n_curves = if model.season_levels.is_empty() { 1 } else { cells.n_levels() };
    let pooled = exposure_shares(frame, unit_exposure, |_| true);
    let temperatures_c = part_temperatures(cells, unit_exposure);
    let curve = |level: usize| {
        let is_own = |other: usize| n_curves == 1 || other == level;
        let own = exposure_shares(frame, unit_exposure, is_own);
        let shares = own.or_else(|| pooled.clone()).unwrap_or_default();
        let plain = |coefficients: &[f64]| Shape {
            coefficients: coefficients.to_vec(),
            steady_season: 0.0,
            steady_hour: 0.0,
        };
        let mut source = Source {
            model: model.clone(),
            level,
            estimate: plain(coefficients),
            draws: draws.iter().map(|draw| plain(draw)).collect(),
            temperatures_c: temperatures_c.clone(),
        };
        let counts: Vec<Vec<f64>> =
            ground.sets.iter().map(|set| counts_by_cell(frame, set, is_own)).collect();
        let relative = source.relative(&source.estimate, cells.parts, &shares);
        let at_rates = shares_at_rates(ground, is_own, &relative);
        source.add_steady_shares(ground, at_rates.as_deref().unwrap_or(&shares), &counts);
        Curve::new(cells.parts, shares, source)
    };
    (0..n_curves).map(curve).collect()
}

/// Records by part and hour over the chosen levels.
fn counts_by_cell(frame: &Frame<'_>, set: &[u32], takes: impl Fn(usize) -> bool) -> Vec<f64> {
    let cells = frame.cells;
    let mut counts = vec![0.0; cells.parts.count() * HOURS];
    for (row, of_hour) in set.chunks_exact(HOURS).enumerate() {
        if takes(frame.units.levels[row / cells.periods.len()]) {
            let part = cells.periods[row % cells.periods.len()].part;
            let sums = counts[part * HOURS..].iter_mut().zip(of_hour);
            sums.for_each(|(sum, count)| *sum += f64::from(*count));
        }
    }
    counts
}

/// Sums by part and by hour of what is given by part and hour, each hour weighted for the first and each part for the second.
fn margins(cells: &[f64], by_part: &[f64], by_hour: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let mut hours = vec![0.0; HOURS];
    let parts = cells
        .chunks_exact(HOURS)
        .zip(by_part)
        .map(|(own, factor)| {
            hours.iter_mut().zip(own).for_each(|(sum, value)| *sum += factor * value);
            own.iter().zip(by_hour).map(|(value, factor)| value * factor).sum()
        })
        .collect();
    (parts, hours)
}

/// Share of the exposure by part and hour over the chosen levels; `None` when there is none.
fn exposure_shares(
    frame: &Frame<'_>,
    unit_exposure: &[f64],
    takes: impl Fn(usize) -> bool,
) -> Option<Vec<f64>> {
    let cells = frame.cells;
    let mut shares = vec![0.0; cells.parts.count() * HOURS];
    for (row, exposure) in unit_exposure.chunks_exact(HOURS).enumerate() {
        if takes(frame.units.levels[row / cells.periods.len()]) {
            let part = cells.periods[row % cells.periods.len()].part;
            for (share, exposure) in shares[part * HOURS..].iter_mut().zip(exposure) {
                *share += exposure;
            }
        }
    }
    let total: f64 = shares.iter().sum();
    shares.iter_mut().for_each(|share| *share /= total);
    (total > 0.0).then_some(shares)
}

/// The same with the exposure of each unit times its own rate, as the curve by cell has it: what the records of all units together are
/// to be held against where some are walked at other times than others. None where all are walked at the same times.
fn shares_at_rates(ground: &Ground<'_>, takes: impl Fn(usize) -> bool, relative: &[f64]) -> Option<Vec<f64>> {
    let Ground { frame, unit_exposure, sets, .. } = *ground;
    let cells = frame.cells;
    let block = cells.periods.len() * HOURS;
    let units: Vec<usize> = (0..frame.units.levels.len())
        .filter(|unit| takes(frame.units.levels[*unit]))
        .filter(|unit| unit_exposure[unit * block..][..block].iter().any(|exposure| *exposure > 0.0))
        .collect();
    let of_unit = |unit: usize| &unit_exposure[unit * block..][..block];
    let total = |unit: usize| of_unit(unit).iter().sum::<f64>();
    let (first, others) = units.split_first()?;
    let (of_first, total_of_first) = (of_unit(*first), total(*first));
    let is_alike = |unit: &usize| {
        let total = total(*unit);
        let pairs = of_unit(*unit).iter().zip(of_first);
        pairs.into_iter().all(|(own, first)| (own / total - first / total_of_first).abs() < 1e-9)
    };
    if others.iter().all(is_alike) {
        return None;
    }
    let cell_of = |at: usize| cells.periods[at / HOURS].part * HOURS + at % HOURS;
    let mut shares = vec![0.0; cells.parts.count() * HOURS];
    for unit in units {
        let n: f64 = sets.iter().flat_map(|set| &set[unit * block..][..block]).map(|n| f64::from(*n)).sum();
        let exposure = || of_unit(unit).iter().enumerate();
        let expected: f64 = exposure().map(|(at, exposure)| exposure * relative[cell_of(at)]).sum();
        if expected > 0.0 {
            exposure().for_each(|(at, exposure)| shares[cell_of(at)] += exposure * n / expected);
        }
    }
    let total: f64 = shares.iter().sum();
    shares.iter_mut().for_each(|share| *share /= total);
    (total > 0.0).then_some(shares)
}

/// Mean maximum temperature of each part over its periods, weighted by exposure.
fn part_temperatures(cells: &Cells, unit_exposure: &[f64]) -> Vec<Option<f64>> {
    let mut sums = vec![(0.0, 0.0); cells.parts.count()];
    for (row, exposure) in unit_exposure.chunks_exact(HOURS).enumerate() {
        let period = &cells.periods[row % cells.periods.len()];
        if let Some(temperature_c) = period.max_temperature_c {
            let exposure: f64 = exposure.iter().sum();
            sums[period.part].0 += exposure * temperature_c;
            sums[period.part].1 += exposure;
        }
    }
    sums.into_iter().map(|(sum, total)| (total > 0.0).then(|| sum / total)).collect()
}

impl Curve {
    fn new(parts: Parts, exposure_shares: Vec<f64>, source: Source) -> Self {
        let relative = |shape: &Shape| source.relative(shape, parts, &exposure_shares);
        let estimate = relative(&source.estimate);
        let draws = source.draws.iter().flat_map(relative).collect();
        Self { parts, estimate, n_draws: source.draws.len(), draws, exposure_shares, source }
    }

    /// The same curve with mean 1 over another exposure, given by cell: that of what is always open, where some of the walking that
    /// the curve rests on was shut out at times. Cells in which nobody walked stay without weight; the curve stays as it is where
    /// nothing is left.
    pub(super) fn over(&self, exposure: &[f64]) -> Self {
        let given = exposure.iter().copied().chain(std::iter::repeat(0.0));
        let kept = self.exposure_shares.iter().zip(given);
        let mut shares: Vec<f64> = kept.map(|(own, given)| if *own > 0.0 { given } else { 0.0 }).collect();
        let total: f64 = shares.iter().sum();
        if total <= 0.0 {
            return self.clone();
        }
        shares.iter_mut().for_each(|share| *share /= total);
        Self::new(self.parts, shares, self.source.clone())
    }

    /// The share of encounters that comes at one rate all the year round: the mean, then the upper 95 % limit; the lower is
    /// zero wherever the harmonics alone may be the whole season.
    pub fn steady_season(&self) -> (f64, f64) {
        let mut draws: Vec<f64> = self.source.draws.iter().map(|shape| shape.steady_season).collect();
        let mean = self.source.estimate.steady_season;
        (mean, limits(&mut draws).map_or(mean, |(_, upper)| upper))
    }

    /// Cells of the curve: parts of the year times 24.
    pub fn n_cells(&self) -> usize {
        self.estimate.len()
    }

    /// The relative rate in a cell.
    pub fn relative(&self, part: usize, hour: usize) -> f64 {
        self.estimate[part * HOURS + hour]
    }

    /// One draw of the curve by cell.
    pub fn draw(&self, draw: usize) -> &[f64] {
        &self.draws[draw * self.n_cells()..(draw + 1) * self.n_cells()]
    }

    /// The season: the relative rate of each part of the year at the area's usual mix of hours.
    pub fn by_part(&self) -> Vec<CurvePoint> {
        let at = |part| self.parts.middle(part);
        let exposed = |part: usize| self.part_share(part) > 0.0;
        self.points(at, exposed, |shape| self.source.part_factors(shape, self.parts, &self.exposure_shares))
    }

    /// The day: the relative rate of each hour at the area's usual mix of seasons, at the middle of the hour.
    pub fn by_hour(&self) -> Vec<CurvePoint> {
        let exposed = |hour: usize| self.hour_share(hour) > 0.0;
        self.points(
            |hour| hour as f64 + 0.5,
            exposed,
            |shape| {
                let line = (0..HOURS).map(|hour| hour as f64 + 0.5);
                self.source.hour_factors(shape, line, &self.exposure_shares)
            },
        )
    }

    /// The season as a smooth line of `n_points` through the year, from 1 January on.
    pub fn season_line(&self, n_points: usize) -> Vec<CurvePoint> {
        let day = |point: usize| YEAR_DAYS * point as f64 / n_points as f64;
        let exposed = |point: usize| self.part_share(part_of_day(self.parts, day(point))) > 0.0;
        self.points(day, exposed, |shape| self.source.day_factors(shape, (0..n_points).map(day), self))
    }

    /// The day as a smooth line of `n_points` from midnight on.
    pub fn hour_line(&self, n_points: usize) -> Vec<CurvePoint> {
        let hour = |point: usize| HOURS as f64 * point as f64 / n_points as f64;
        let exposed = |point: usize| self.hour_share(hour(point) as usize) > 0.0;
        self.points(hour, exposed, |shape| {
            self.source.hour_factors(shape, (0..n_points).map(hour), &self.exposure_shares)
        })
    }

    /// Encounters to be expected by part of the year, as shares of the year's: the estimate, then each draw.
    pub(super) fn expected_by_part(&self) -> (Vec<f64>, Vec<Vec<f64>>) {
        let sums = |curve: &[f64]| -> Vec<f64> {
            let cells: Vec<f64> =
                curve.iter().zip(&self.exposure_shares).map(|(rate, share)| rate * share).collect();
            cells.chunks_exact(HOURS).map(|hours| hours.iter().sum()).collect()
        };
        (sums(&self.estimate), (0..self.n_draws).map(|draw| sums(self.draw(draw))).collect())
    }

    fn part_share(&self, part: usize) -> f64 {
        part_share(&self.exposure_shares, part)
    }

    fn hour_share(&self, hour: usize) -> f64 {
        hour_share(&self.exposure_shares, hour)
    }

    /// Points with the limits that the draws give.
    fn points(
        &self,
        at: impl Fn(usize) -> f64,
        exposed: impl Fn(usize) -> bool,
        factors: impl Fn(&Shape) -> Vec<f64>,
    ) -> Vec<CurvePoint> {
        let estimate = factors(&self.source.estimate);
        let draws: Vec<Vec<f64>> = self.source.draws.iter().map(factors).collect();
        let point = |(index, &relative): (usize, &f64)| {
            let mut values: Vec<f64> = draws.iter().map(|draw| draw[index]).collect();
            let (lower, upper) = limits(&mut values).unwrap_or((relative, relative));
            CurvePoint { at: at(index), relative, lower, upper, exposed: exposed(index) }
        };
        estimate.iter().enumerate().map(point).collect()
    }
}

fn part_share(exposure_shares: &[f64], part: usize) -> f64 {
    exposure_shares[part * HOURS..(part + 1) * HOURS].iter().sum()
}

fn hour_share(exposure_shares: &[f64], hour: usize) -> f64 {
    exposure_shares.iter().skip(hour).step_by(HOURS).sum()
}

impl Source {
    /// Says for the estimate and each draw which share does not follow the harmonics, each draw from one completed data set.
    fn add_steady_shares(&mut self, ground: &Ground<'_>, shares: &[f64], counts: &[Vec<f64>]) {
        let parts = ground.frame.cells.parts;
        let of_set = |shape: &Shape, counts: &[f64]| {
            let by_part = self.part_factors(shape, parts, shares);
            let by_hour = self.hour_factors(shape, (0..HOURS).map(|hour| hour as f64 + 0.5), shares);
            let (part_km, hour_km) = margins(shares, &by_part, &by_hour);
            let one = vec![1.0; by_part.len().max(HOURS)];
            let (part_counts, hour_counts) = margins(counts, &one, &one);
            let of = |factors: &[f64], km: &[f64], counts: &[f64]| {
                SteadyShare::of(factors, km, counts, ground.dispersion)
            };
            (of(&by_part, &part_km, &part_counts), of(&by_hour, &hour_km, &hour_counts))
        };
        let of_draw = |(index, shape): (usize, &Shape)| {
            let mut rng = stream(ground.seed ^ STEADY_SALT, index as u64);
            let (season, hour) = of_set(shape, &counts[index % counts.len()]);
            (season.draw(&mut rng), hour.draw(&mut rng))
        };
        let drawn: Vec<(f64, f64)> = self.draws.iter().enumerate().map(of_draw).collect();
        let n = counts.len() as f64;
        let (mut season, mut hour) = (0.0, 0.0);
        for counts in counts {
            let found = of_set(&self.estimate, counts);
            season += found.0.mean() / n;
            hour += found.1.mean() / n;
        }
        (self.estimate.steady_season, self.estimate.steady_hour) = (season, hour);
        for (shape, (season, hour)) in self.draws.iter_mut().zip(drawn) {
            (shape.steady_season, shape.steady_hour) = (season, hour);
        }
    }

    fn relative(&self, shape: &Shape, parts: Parts, shares: &[f64]) -> Vec<f64> {
        let by_part = self.part_factors(shape, parts, shares);
        let by_hour = self.hour_factors(shape, (0..HOURS).map(|hour| hour as f64 + 0.5), shares);
        let mut cells: Vec<f64> =
            by_part.iter().flat_map(|part| by_hour.iter().map(move |hour| part * hour)).collect();
        let mean: f64 = cells.iter().zip(shares).map(|(cell, share)| cell * share).sum();
        cells.iter_mut().for_each(|cell| *cell /= mean);
        cells
    }

    fn part_log(&self, coefficients: &[f64], parts: Parts, part: usize) -> f64 {
        let moment = Moment { day: parts.middle(part), max_temperature_c: self.temperatures_c[part] };
        self.model.season_log(coefficients, self.level, moment)
    }

    fn part_factors(&self, shape: &Shape, parts: Parts, shares: &[f64]) -> Vec<f64> {
        let logs: Vec<f64> =
            (0..parts.count()).map(|part| self.part_log(&shape.coefficients, parts, part)).collect();
        scaled(&logs, &logs, shape.steady_season, |part| part_share(shares, part))
    }

    fn day_factors(&self, shape: &Shape, days: impl Iterator<Item = f64>, curve: &Curve) -> Vec<f64> {
        let parts = curve.parts;
        let by_part: Vec<f64> =
            (0..parts.count()).map(|part| self.part_log(&shape.coefficients, parts, part)).collect();
        let logs: Vec<f64> = days
            .map(|day| {
                let moment = Moment { day, max_temperature_c: self.temperature_on(parts, day) };
                self.model.season_log(&shape.coefficients, self.level, moment)
            })
            .collect();
        scaled(&logs, &by_part, shape.steady_season, |part| curve.part_share(part))
    }

    fn hour_factors(&self, shape: &Shape, hours: impl Iterator<Item = f64>, shares: &[f64]) -> Vec<f64> {
        let log = |hour: f64| self.model.hour_log(&shape.coefficients, hour);
        let by_hour: Vec<f64> = (0..HOURS).map(|hour| log(hour as f64 + 0.5)).collect();
        let logs: Vec<f64> = hours.map(log).collect();
        scaled(&logs, &by_hour, shape.steady_hour, |hour| hour_share(shares, hour))
    }

    /// The temperature of a day, on straight lines between the middles of the parts.
    fn temperature_on(&self, parts: Parts, day: f64) -> Option<f64> {
        let part = part_of_day(parts, day);
        let (own, middle) = (self.temperatures_c[part]?, parts.middle(part));
        let n = parts.count();
        let (other, span) = if day < middle {
            let before = (part + n - 1) % n;
            (before, (middle - parts.middle(before)).rem_euclid(YEAR_DAYS))
        } else {
            let after = (part + 1) % n;
            (after, (parts.middle(after) - middle).rem_euclid(YEAR_DAYS))
        };
        let Some(other) = self.temperatures_c[other] else { return Some(own) };
        Some(own + (other - own) * (day - middle).abs() / span)
    }
}

/// exp of `logs`, scaled so that exp of `reference` has mean 1 under the weights, but for a share that is 1 throughout.
fn scaled(logs: &[f64], reference: &[f64], steady: f64, weight: impl Fn(usize) -> f64) -> Vec<f64> {
    let largest = reference.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mean: f64 =
        reference.iter().enumerate().map(|(index, log)| weight(index) * (log - largest).exp()).sum();
    logs.iter().map(|log| (1.0 - steady) * (log - largest).exp() / mean + steady).collect()
}

fn part_of_day(parts: Parts, day: f64) -> usize {
    (1..parts.count()).take_while(|&part| parts.start(part) <= day).last().unwrap_or(0)
}

/// The central 95 % of values, by interpolated order statistics; `None` without values.
fn limits(values: &mut [f64]) -> Option<(f64, f64)> {
    let last = values.len().checked_sub(1)?;
    values.sort_unstable_by(f64::total_cmp);
    let quantile = |level: f64| {
        let place = level * last as f64;
        let below = place.floor() as usize;
        let above = (below + 1).min(last);
        values[below] + (values[above] - values[below]) * (place - below as f64)
    };
    Some((quantile(0.025), quantile(0.975)))
}
