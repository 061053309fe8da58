//! The hours of reports as smooth curves over the clock: of the rate, and of when people walk and report.

use std::f64::consts::TAU;

use crate::analysis::circular;
use crate::analysis::circular::CircularError;
use crate::analysis::circular::Weighting;
use crate::analysis::exposure::TimeShares;
use crate::analysis::random::Stream;
use crate::analysis::random::multinomial;
use crate::analysis::random::seed_of;
use crate::analysis::random::stream;
use crate::analysis::season::HOURS;
use crate::derived::rates::Limits;

/// Points of a curve: every half hour.
pub const N_POINTS: usize = 2 * HOURS;
/// Hours are known to the hour, so that no kernel is narrower than half an hour.
const LEAST_SD_H: f64 = 0.5;
/// Reports that an even rate must give in an hour for it to count in the curve of the rate.
const LEAST_EXPECTED: f64 = 1.0;

/// Reports over the hours of the day, smoothed by a von Mises kernel. A description: the hours of the fit are tested.
#[derive(Debug, Clone, PartialEq)]
pub struct HourCurve {
    /// The kernel's concentration.
    pub concentration: f64,
    /// Reports that it rests on.
    pub n_reports: u64,
    /// Every half hour from midnight on, times what it were if it were even over the hours shown, with pointwise 95 % limits; none where
    /// so few walk that an even rate would hardly give a report: whether somebody met a snake then says next to nothing.
    pub points: Vec<Option<Limits>>,
}

impl HourCurve {
    /// Local hour of a point.
    pub fn hour(point: usize) -> f64 {
        point as f64 * HOURS as f64 / N_POINTS as f64
    }
}

/// Both curves.
#[derive(Debug, Clone, PartialEq)]
pub struct HourCurves {
    /// Each report weighted by one over the walking at its hour: of the rate.
    pub weighted: HourCurve,
    /// All reports alike: of when people walk and report.
    pub unweighted: HourCurve,
}

/// Smooths reports by hour; none where no report lies in an hour in which somebody walks.
///
/// Limits come from reports resampled and, for the rate, the hours of walking of another draw each time.
///
/// # Errors
/// [`CircularError`] never, unless a share of walking is not finite.
pub(super) fn compute(
    counts: &[u64; HOURS],
    walking: &TimeShares,
    seed: u64,
) -> Result<Option<HourCurves>, CircularError> {
    let mean = by_hour(&walking.mean());
    let counts: [u64; HOURS] = std::array::from_fn(|hour| if mean[hour] > 0.0 { counts[hour] } else { 0 });
    if counts.iter().all(|count| *count == 0) {
        return Ok(None);
    }
    let even = [1.0; HOURS];
    // One report at an hour in which hardly anybody walks would weigh as much as a hundred others.
    let n = counts.iter().sum::<u64>() as f64;
    let says: [bool; HOURS] =
        std::array::from_fn(|hour| n * mean[hour] >= LEAST_EXPECTED * mean.iter().sum::<f64>());
    let resample =
        |draw: usize, what: &str| resampled(&counts, &mut stream(seed_of(seed, what), draw as u64));
    let kept = |walked: [f64; HOURS]| -> [f64; HOURS] {
        std::array::from_fn(|hour| if says[hour] { walked[hour] } else { 0.0 })
    };
    let (Some(weighted), Some(unweighted)) = (
        curve(&counts, &kept(mean), walking.n_draws, |draw| {
            (resample(draw, "hours of the rate"), kept(by_hour(walking.draw(draw))))
        })?,
        curve(&counts, &even, walking.n_draws, |draw| (resample(draw, "hours of reports"), even))?,
    ) else {
        return Ok(None);
    };
    Ok(Some(HourCurves { weighted, unweighted }))
}

/// Shares of walking by hour, from those by month and hour.
pub(super) fn by_hour(shares: &[f64]) -> [f64; HOURS] {
    let mut by_hour = [0.0; HOURS];
    shares.iter().enumerate().for_each(|(cell, share)| by_hour[cell % HOURS] += share);
    by_hour
}

/// As many reports, each at the hour of one of them.
fn resampled(counts: &[u64; HOURS], rng: &mut Stream) -> [u64; HOURS] {
    let mut drawn = [0; HOURS];
    multinomial(counts.iter().sum(), &counts.map(|count| count as f64), rng, |hour, n| drawn[hour] = n);
    drawn
}

fn curve(
    counts: &[u64; HOURS],
    walking: &[f64; HOURS],
    n_draws: usize,
    draw: impl Fn(usize) -> ([u64; HOURS], [f64; HOURS]),
) -> Result<Option<HourCurve>, CircularError> {
    let (radians, weights) = directions(counts, walking);
    if radians.is_empty() {
        return Ok(None);
    }
    let n_reports = counts.iter().zip(walking).filter(|(_, walked)| **walked > 0.0).map(|(n, _)| n).sum();
    let n_walked = walking.iter().filter(|walked| **walked > 0.0).count();
    let mut resultant = circular::weighted_resultant(&radians, &weights)?;
    // Reports of one hour share their weight.
    let squares: f64 = (0..HOURS)
        .filter(|hour| counts[*hour] > 0 && walking[*hour] > 0.0)
        .map(|hour| counts[hour] as f64 / walking[hour] / walking[hour])
        .sum();
    let total: f64 = weights.iter().sum();
    resultant.effective_n = total * total / squares;
    let narrowest = (HOURS as f64 / TAU / LEAST_SD_H).powi(2);
    let concentration = circular::kernel_concentration(&resultant).map_or(narrowest, |it| it.min(narrowest));
    let at: Vec<f64> =
        (0..N_POINTS).map(|point| circular::hours_to_radians(HourCurve::hour(point))).collect();
    let density = |counts: &[u64; HOURS], walking: &[f64; HOURS]| {
        let (radians, weights) = directions(counts, walking);
        if radians.is_empty() {
            return Ok(vec![0.0; N_POINTS]);
        }
        let density = circular::von_mises_density(&radians, Weighting::Each(&weights), concentration, &at)?;
        let even = TAU * n_walked as f64 / HOURS as f64;
        Ok(density.into_iter().map(|per_radian| per_radian * even).collect::<Vec<f64>>())
    };
    let estimate = density(counts, walking)?;
    let drawn = (0..n_draws).map(|idx| {
        let (counts, walking) = draw(idx);
        density(&counts, &walking)
    });
    let drawn: Vec<Vec<f64>> = drawn.collect::<Result<_, CircularError>>()?;
    let points = estimate.iter().enumerate().map(|(point, value)| {
        let mut draws: Vec<f64> = drawn.iter().map(|draw| draw[point]).collect();
        let limits = crate::derived::rates::limits_of(&mut draws);
        let shown =
            Limits { value: *value, lower: limits.lower.min(*value), upper: limits.upper.max(*value) };
        is_walked(walking, point).then_some(shown)
    });
    Ok(Some(HourCurve { concentration, n_reports, points: points.collect() }))
}

/// Whether a point lies in an hour that counts; whole hours lie between two.
fn is_walked(walking: &[f64; HOURS], point: usize) -> bool {
    match (point / 2, point % 2) {
        (hour, 0) => walking[(hour + HOURS - 1) % HOURS] > 0.0 || walking[hour] > 0.0,
        (hour, _) => walking[hour] > 0.0,
    }
}

/// The middle of every hour with reports, and their weight together.
fn directions(counts: &[u64; HOURS], walking: &[f64; HOURS]) -> (Vec<f64>, Vec<f64>) {
    (0..HOURS)
        .filter(|hour| counts[*hour] > 0 && walking[*hour] > 0.0)
        .map(|hour| (circular::hours_to_radians(hour as f64 + 0.5), counts[hour] as f64 / walking[hour]))
        .unzip()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::exposure::StudyPeriod;
    use crate::analysis::exposure::TimeCells;
    use jiff::civil::Date;

    /// Walking of one month by hour, the same in every draw.
    fn walking(shares: [f64; HOURS], n_draws: usize) -> TimeShares {
        let period = StudyPeriod::new(Date::constant(2024, 6, 1), Date::constant(2024, 6, 30)).unwrap();
        let total: f64 = shares.iter().sum();
        let shares: Vec<f64> = shares.iter().map(|share| share / total).collect();
        TimeShares { cells: TimeCells::of(&period), n_draws, shares: shares.repeat(n_draws) }
    }

    fn mean(curve: &HourCurve) -> f64 {
        curve.points.iter().flatten().map(|point| point.value).sum::<f64>() / N_POINTS as f64
    }

    /// A rate that is even over the day, where people walk mostly at noon: the curve of the rate is even, that of the reports
    /// follows the walkers.
    #[test]
    fn walking_at_noon_is_no_peak_of_the_rate() {
        let walked: [f64; HOURS] =
            std::array::from_fn(|hour| 1.0 + 20.0 * f64::from(u8::from((11..14).contains(&hour))));
        let counts: [u64; HOURS] = std::array::from_fn(|hour| (walked[hour] * 30.0) as u64);
        let found = compute(&counts, &walking(walked, 100), 5).unwrap().unwrap();
        for curve in [&found.weighted, &found.unweighted] {
            assert!((mean(curve) - 1.0).abs() < 1e-9, "{}", mean(curve));
        }
        assert!(found.weighted.points.iter().all(Option::is_some));
        for point in found.weighted.points.iter().flatten() {
            assert!((point.value - 1.0).abs() < 0.02 && point.lower < 1.0 && point.upper > 1.0, "{point:?}");
        }
        let noon = found.unweighted.points[24 + 1].unwrap();
        assert!(noon.lower > 3.0, "{noon:?}");
    }

    /// A planted morning peak is found, and limits are the narrower the more reports there are.
    #[test]
    fn a_planted_morning_is_found() {
        let rate: [f64; HOURS] =
            std::array::from_fn(|hour| (2.0 * ((hour as f64 + 0.5 - 8.0) * TAU / 24.0).cos()).exp());
        let width = |scale: f64| {
            let counts: [u64; HOURS] = std::array::from_fn(|hour| (rate[hour] * scale).round() as u64);
            let found = compute(&counts, &walking([1.0; HOURS], 200), 5).unwrap().unwrap();
            let value = |point: usize| found.weighted.points[point].unwrap().value;
            let highest = (0..N_POINTS).max_by(|a, b| value(*a).total_cmp(&value(*b)));
            assert!((HourCurve::hour(highest.unwrap()) - 8.0).abs() <= 0.5, "{highest:?}");
            let peak = found.weighted.points[16].unwrap();
            assert!(peak.lower < peak.value && peak.value < peak.upper);
            peak.upper - peak.lower
        };
        let (few, many) = (width(20.0), width(2_000.0));
        assert!(many < few / 4.0, "{few} {many}");
        // Nobody walks at night but for one in a thousand: not seeing a snake then says nothing, and is not shown as zero.
        let by_day: [f64; HOURS] =
            std::array::from_fn(|hour| if (6..20).contains(&hour) { 1.0 } else { 0.001 });
        let counts: [u64; HOURS] = std::array::from_fn(|hour| if (6..20).contains(&hour) { 40 } else { 0 });
        let found = compute(&counts, &walking(by_day, 50), 5).unwrap().unwrap();
        assert_eq!((found.weighted.points[5], found.weighted.points[46]), (None, None));
        // One who did see one at night does not set the whole curve either.
        let mut seen = counts;
        seen[2] = 1;
        let with_one = compute(&seen, &walking(by_day, 50), 5).unwrap().unwrap();
        assert_eq!(with_one.weighted.points[5], None);
        assert_eq!((with_one.weighted.n_reports, with_one.unweighted.n_reports), (14 * 40, 14 * 40 + 1));
        let (noon, same) = (found.weighted.points[24].unwrap(), with_one.weighted.points[24].unwrap());
        assert!(
            (same.value / noon.value - 1.0).abs() < 0.02 && (noon.value - 1.0).abs() < 0.2,
            "{noon:?} {same:?}"
        );
        assert!(found.weighted.points[24].is_some() && found.unweighted.points[5].is_some());
        assert_eq!(compute(&[0; HOURS], &walking([1.0; HOURS], 3), 5).unwrap(), None);
    }
}
