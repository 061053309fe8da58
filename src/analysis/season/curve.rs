//! The relative rate by part of the year and hour, with its draws.

use crate::analysis::season::Cells;
use crate::analysis::season::HOURS;
use crate::analysis::season::Parts;
use crate::analysis::season::cells::YEAR_DAYS;
use crate::analysis::season::frame::Frame;
use crate::analysis::season::model::Model;
use crate::analysis::season::model::Moment;

/// The relative rate s(t) by part of the year and local hour.
///
/// Cells are indexed `part * 24 + hour`. The curve, and each of its draws, has mean 1 over the cells weighted by the
/// exposure of all years and of the groups that share the curve: a rate estimated from all periods together, times s(t),
/// is the rate at t wherever people walk at the times at which all of them do. For a segment walked at other times take
/// its effective exposure, the sum of its exposures times s(t).
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
    coefficients: Vec<f64>,
    coefficient_draws: Vec<Vec<f64>>,
    /// Mean maximum temperature of each part of the year.
    temperatures_c: Vec<Option<f64>>,
}

/// One curve, or one a level where the model has seasons by level.
pub(super) fn curves(
    frame: &Frame<'_>,
    unit_exposure: &[f64],
    model: &Model,
    coefficients: &[f64],
    draws: &[Vec<f64>],
) -> Vec<Curve> {
    let cells = frame.cells;
    let n_curves = if model.season_levels.is_empty() { 1 } else { cells.n_levels() };
    let pooled = exposure_shares(frame, unit_exposure, |_| true);
    let temperatures_c = part_temperatures(cells, unit_exposure);
    let curve = |level: usize| {
        let own = exposure_shares(frame, unit_exposure, |other| n_curves == 1 || other == level);
        let source = Source {
            model: model.clone(),
            level,
            coefficients: coefficients.to_vec(),
            coefficient_draws: draws.to_vec(),
            temperatures_c: temperatures_c.clone(),
        };
        Curve::new(cells.parts, own.or_else(|| pooled.clone()).unwrap_or_default(), source)
    };
    (0..n_curves).map(curve).collect()
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
        let relative = |coefficients: &[f64]| source.relative(coefficients, parts, &exposure_shares);
        let estimate = relative(&source.coefficients);
        let draws = source.coefficient_draws.iter().flat_map(|draw| relative(draw)).collect();
        Self { parts, estimate, n_draws: source.coefficient_draws.len(), draws, exposure_shares, source }
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
        self.points(at, exposed, |coefficients| self.source.part_factors(coefficients, self))
    }

    /// The day: the relative rate of each hour at the area's usual mix of seasons, at the middle of the hour.
    pub fn by_hour(&self) -> Vec<CurvePoint> {
        let exposed = |hour: usize| self.hour_share(hour) > 0.0;
        self.points(
            |hour| hour as f64 + 0.5,
            exposed,
            |coefficients| {
                let line = (0..HOURS).map(|hour| hour as f64 + 0.5);
                self.source.hour_factors(coefficients, line, self)
            },
        )
    }

    /// The season as a smooth line of `n_points` through the year, from 1 January on.
    pub fn season_line(&self, n_points: usize) -> Vec<CurvePoint> {
        let day = |point: usize| YEAR_DAYS * point as f64 / n_points as f64;
        let exposed = |point: usize| self.part_share(part_of_day(self.parts, day(point))) > 0.0;
        self.points(day, exposed, |coefficients| {
            self.source.day_factors(coefficients, (0..n_points).map(day), self)
        })
    }

    /// The day as a smooth line of `n_points` from midnight on.
    pub fn hour_line(&self, n_points: usize) -> Vec<CurvePoint> {
        let hour = |point: usize| HOURS as f64 * point as f64 / n_points as f64;
        let exposed = |point: usize| self.hour_share(hour(point) as usize) > 0.0;
        self.points(hour, exposed, |coefficients| {
            self.source.hour_factors(coefficients, (0..n_points).map(hour), self)
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
        self.exposure_shares[part * HOURS..(part + 1) * HOURS].iter().sum()
    }

    fn hour_share(&self, hour: usize) -> f64 {
        self.exposure_shares.iter().skip(hour).step_by(HOURS).sum()
    }

    /// Points with the limits that the draws give.
    fn points(
        &self,
        at: impl Fn(usize) -> f64,
        exposed: impl Fn(usize) -> bool,
        factors: impl Fn(&[f64]) -> Vec<f64>,
    ) -> Vec<CurvePoint> {
        let estimate = factors(&self.source.coefficients);
        let draws: Vec<Vec<f64>> = self.source.coefficient_draws.iter().map(|draw| factors(draw)).collect();
        let point = |(index, &relative): (usize, &f64)| {
            let mut values: Vec<f64> = draws.iter().map(|draw| draw[index]).collect();
            let (lower, upper) = limits(&mut values).unwrap_or((relative, relative));
            CurvePoint { at: at(index), relative, lower, upper, exposed: exposed(index) }
        };
        estimate.iter().enumerate().map(point).collect()
    }
}

impl Source {
    fn relative(&self, coefficients: &[f64], parts: Parts, shares: &[f64]) -> Vec<f64> {
        let by_part = exponentials((0..parts.count()).map(|part| self.part_log(coefficients, parts, part)));
        let by_hour =
            exponentials((0..HOURS).map(|hour| self.model.hour_log(coefficients, hour as f64 + 0.5)));
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

    fn part_factors(&self, coefficients: &[f64], curve: &Curve) -> Vec<f64> {
        let n_parts = curve.parts.count();
        let logs: Vec<f64> =
            (0..n_parts).map(|part| self.part_log(coefficients, curve.parts, part)).collect();
        scaled(&logs, &logs, |part| curve.part_share(part))
    }

    fn day_factors(&self, coefficients: &[f64], days: impl Iterator<Item = f64>, curve: &Curve) -> Vec<f64> {
        let parts = curve.parts;
        let by_part: Vec<f64> =
            (0..parts.count()).map(|part| self.part_log(coefficients, parts, part)).collect();
        let logs: Vec<f64> = days
            .map(|day| {
                let moment = Moment { day, max_temperature_c: self.temperature_on(parts, day) };
                self.model.season_log(coefficients, self.level, moment)
            })
            .collect();
        scaled(&logs, &by_part, |part| curve.part_share(part))
    }

    fn hour_factors(
        &self,
        coefficients: &[f64],
        hours: impl Iterator<Item = f64>,
        curve: &Curve,
    ) -> Vec<f64> {
        let by_hour: Vec<f64> =
            (0..HOURS).map(|hour| self.model.hour_log(coefficients, hour as f64 + 0.5)).collect();
        let logs: Vec<f64> = hours.map(|hour| self.model.hour_log(coefficients, hour)).collect();
        scaled(&logs, &by_hour, |hour| curve.hour_share(hour))
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

/// Exponentials relative to the largest, which cannot overflow.
fn exponentials(logs: impl Iterator<Item = f64> + Clone) -> Vec<f64> {
    let largest = logs.clone().fold(f64::NEG_INFINITY, f64::max);
    logs.map(|log| (log - largest).exp()).collect()
}

/// exp of `logs`, scaled so that exp of `reference` has mean 1 under the weights.
fn scaled(logs: &[f64], reference: &[f64], weight: impl Fn(usize) -> f64) -> Vec<f64> {
    let largest = reference.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mean: f64 =
        reference.iter().enumerate().map(|(index, log)| weight(index) * (log - largest).exp()).sum();
    logs.iter().map(|log| (log - largest).exp() / mean).collect()
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
