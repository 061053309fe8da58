//! Partly known records allotted to classes of times (months, parts of the day) by a curve that is fitted already.
//!
//! The step of the imputation in which records are drawn: the chance of a cell is its exposure times the rate that a draw
//! of the curve has there, so that what is not known of it goes into the classes.

use crate::analysis::season::PartialRecord;
use crate::analysis::season::imputation::cells_of;

/// The chances of a partly known record to belong to each class of cells, draw by draw.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassChances {
    n_classes: usize,
    /// Running sums over the classes, draw-major; the last of each draw is above zero.
    sums: Vec<f64>,
}

impl ClassChances {
    /// Chances from the weight (exposure times rate) of each draw, period and hour that the record may belong to, and the
    /// class of each period and hour, a number below `n_classes`; cells of other classes take no part.
    ///
    /// A draw in which nothing has weight takes the sum of all draws. None where nothing has weight in any.
    pub fn new(
        record: &PartialRecord,
        (n_draws, n_classes): (usize, usize),
        class_of: impl Fn(usize, usize) -> usize,
        weight: impl Fn(usize, usize, usize) -> f64,
    ) -> Option<Self> {
        let cells: Vec<(usize, usize, usize)> = cells_of(record)
            .map(|(period, hour)| (period, hour, class_of(period, hour)))
            .filter(|(_, _, class)| *class < n_classes)
            .collect();
        let mut sums = vec![0.0; n_draws * n_classes];
        let mut pooled = vec![0.0; n_classes];
        for (draw, row) in sums.chunks_mut(n_classes.max(1)).enumerate() {
            for (period, hour, class) in &cells {
                row[*class] += weight(draw, *period, *hour);
            }
            pooled.iter_mut().zip(row.iter()).for_each(|(sum, weight)| *sum += weight);
        }
        if pooled.iter().sum::<f64>() <= 0.0 {
            return None;
        }
        for row in sums.chunks_mut(n_classes) {
            if row.iter().sum::<f64>() <= 0.0 {
                row.copy_from_slice(&pooled);
            }
            let mut sum = 0.0;
            for weight in row {
                sum += *weight;
                *weight = sum;
            }
        }
        Some(Self { n_classes, sums })
    }

    /// The class for a number drawn uniformly from [0, 1), in a draw: never one without weight.
    pub fn pick(&self, draw: usize, uniform: f64) -> usize {
        let start = draw * self.n_classes % self.sums.len();
        let row = &self.sums[start..start + self.n_classes];
        let target = uniform * row[self.n_classes - 1];
        // The first sum above the target is one that grew. Rounding may put the target at the last sum itself.
        let class = row.partition_point(|sum| *sum <= target);
        class.min(row.partition_point(|sum| *sum < row[self.n_classes - 1]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::season::HourSet;

    /// Two months walked 1 and 3 km in each of hours 8 and 9; in the second draw nobody walked.
    #[test]
    fn chances_are_exposure_times_rate() {
        let record = PartialRecord { group: 0, periods: 0..3, hours: HourSet::between(8, 9) };
        let km = [[1.0, 3.0, 0.0], [0.0, 0.0, 0.0]];
        let rate = |hour: usize| if hour == 8 { 1.0 } else { 2.0 };
        let weight = |draw: usize, period: usize, hour: usize| km[draw][period] * rate(hour);
        let months = ClassChances::new(&record, (2, 3), |period, _| period, weight).unwrap();
        for draw in [0, 1] {
            assert_eq!([0.0, 0.24, 0.26, 0.999].map(|uniform| months.pick(draw, uniform)), [0, 0, 1, 1]);
            assert_eq!(months.pick(draw, 1.0), 1, "a month without weight is never picked");
        }
        let hours = ClassChances::new(&record, (2, 2), |_, hour| hour - 8, weight).unwrap();
        assert_eq!([0.0, 0.33, 0.34, 0.999].map(|uniform| hours.pick(0, uniform)), [0, 0, 1, 1]);
        let nobody = PartialRecord { periods: 2..3, ..record };
        assert_eq!(ClassChances::new(&nobody, (2, 3), |period, _| period, weight), None);
    }
}
