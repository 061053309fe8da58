//! Readings of the clock that stand for something else, such as noon for "no time noted".

use statrs::distribution::Binomial;
use statrs::distribution::DiscreteCDF;

const MINUTES_PER_DAY: usize = 1440;
/// Hours to each side whose reading at the same minute is the yardstick.
const NEIGHBOURS: usize = 3;
/// A rate may rise this much above its neighbours without being called heaped.
const TOLERATED_RATIO: f64 = 3.0;
/// Chance of calling any reading of a data set heaped that is not.
const LEVEL: f64 = 0.001;

/// A time of day noted far more often than those around it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeapedReading {
    /// Minutes since midnight.
    pub minute_of_day: usize,
    /// How often it was noted.
    pub count: u64,
    /// Mean count at the same minute of the three hours to each side.
    pub neighbour_mean: f64,
    /// Chance of so many if the true rate were three times the neighbours'; not yet multiplied by the readings tried.
    pub p_value: f64,
}

/// The readings that are noted more than three times as often as the same minute of the hours around them.
///
/// `minutes_of_day` are wall-clock times in minutes since midnight; values of 1,440 and above are ignored. Comparing the
/// same minute of other hours allows for rounding to full hours or quarters. Records with such a reading are better
/// treated as having no time, as [`PartialRecord`](crate::analysis::season::PartialRecord)s. The conditional test of a
/// Poisson count against its six neighbours is exact, with Bonferroni's correction over the readings that occur; the
/// result is in order of time, and empty when nothing stands out.
pub fn heaped_readings(minutes_of_day: &[usize]) -> Vec<HeapedReading> {
    let mut counts = vec![0u64; MINUTES_PER_DAY];
    for &minute in minutes_of_day.iter().filter(|&&minute| minute < MINUTES_PER_DAY) {
        counts[minute] += 1;
    }
    let n_readings = counts.iter().filter(|&&count| count > 0).count();
    let reading = |minute: usize| {
        let count = counts[minute];
        let neighbours: u64 = (1..=NEIGHBOURS)
            .map(|hours| {
                let shift = 60 * hours;
                let (after, before) = (minute + shift, minute + MINUTES_PER_DAY - shift);
                counts[after % MINUTES_PER_DAY] + counts[before % MINUTES_PER_DAY]
            })
            .sum();
        let n_neighbours = (2 * NEIGHBOURS) as f64;
        let chance = TOLERATED_RATIO / (TOLERATED_RATIO + n_neighbours);
        let p_value = Binomial::new(chance, count + neighbours).ok()?.sf(count.checked_sub(1)?);
        let neighbour_mean = neighbours as f64 / n_neighbours;
        let heaped = p_value * (n_readings as f64) < LEVEL;
        heaped.then_some(HeapedReading { minute_of_day: minute, count, neighbour_mean, p_value })
    };
    (0..MINUTES_PER_DAY).filter_map(reading).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noon_as_a_default_stands_out_and_rounding_to_hours_does_not() {
        let mut minutes: Vec<usize> = (6..20).flat_map(|hour| vec![60 * hour; 12]).collect();
        assert_eq!(heaped_readings(&minutes), []);
        minutes.extend([720; 120]);
        let found = heaped_readings(&minutes);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].minute_of_day, found[0].count, found[0].neighbour_mean), (720, 132, 12.0));
    }

    #[test]
    fn no_times_and_impossible_times_give_nothing() {
        assert_eq!(heaped_readings(&[]), []);
        assert_eq!(heaped_readings(&[1440; 500]), []);
    }
}
