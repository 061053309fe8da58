//! Months and parts of the day of which too little is known for a figure of their own.
//!
//! The factor of a period is a product of a curve of the year and one of the day, and has a value wherever either has one:
//! where hardly anybody walks, winter nights say, it is that of winter days times summer nights. A figure from it would be
//! read as safety, so that below a stated floor there is none, but an exact upper limit from the period itself.

use crate::analysis::counts::poisson::poisson_upper_limit;

/// Fewest records that the mean rate of all periods must lead to expect before a period has a figure of its own.
///
/// Where three are expected none at all has a probability of 5 % (the rule of three); where fewer are, even silence says
/// nothing, and a figure would come from other months and hours alone.
pub const LEAST_EXPECTED: f64 = 3.0;

/// Records of a period below which its own upper limit is told beside its figure.
pub const FEWEST_OWN: u64 = 5;

/// Confidence level of the upper limit that is given instead of a figure.
const LEVEL: f64 = 0.95;

/// What is known of the whole area in a month and part of the day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodKnown {
    /// Records whose time is known to lie in the period.
    pub count: u64,
    /// Kilometres that parties walked in the period.
    pub walked_km: f64,
    /// Records of known time in all periods.
    pub n_timed: u64,
    /// Records in all periods, those of partly known time with them.
    pub n_records: u64,
    /// Kilometres that parties walked in all periods.
    pub all_km: f64,
}

impl PeriodKnown {
    /// Records of known time to be expected in the period at the mean rate of all periods; zero without walking.
    pub fn expected(&self) -> f64 {
        if self.all_km > 0.0 { self.n_timed as f64 * self.walked_km / self.all_km } else { 0.0 }
    }

    /// Whether fewer than [`LEAST_EXPECTED`] records are to be expected.
    pub fn is_too_little(&self) -> bool {
        self.expected() < LEAST_EXPECTED
    }

    /// Whether a figure leans on other months and hours: something is to be expected, but fewer than [`FEWEST_OWN`] records
    /// are of the period itself.
    pub fn is_thin(&self) -> bool {
        !self.is_too_little() && self.count < FEWEST_OWN
    }

    /// Exact one-sided upper 95 % limit of the rate in the period, per km; none where nobody walked or no time is known.
    ///
    /// Only records of known time can be told to lie in the period, so the limit is raised by their share of all. The
    /// walking is taken as known.
    pub fn at_most_per_km(&self) -> Option<f64> {
        let timed_share = self.n_timed as f64 / self.n_records.max(1) as f64;
        let upper = poisson_upper_limit(self.count, LEVEL).ok()?;
        (self.walked_km > 0.0 && timed_share > 0.0).then(|| upper / (self.walked_km * timed_share))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::season::{Cells, HOURS, Parts, Period, SeasonOutcome, SeasonParams, fit};
    use std::f64::consts::TAU;

    /// Hours of the night.
    const NIGHT: [usize; 8] = [21, 22, 23, 0, 1, 2, 3, 4];
    /// True rate of January nights, per km: about the mean of all periods.
    const TRUE_PER_KM: f64 = 0.05;

    /// Three years in which snakes are reported on summer days; in January nights hardly anybody walks.
    fn planted() -> Cells {
        let months = (2022..2025).flat_map(|year| (0..12).map(move |part| (year, part)));
        let periods: Vec<Period> =
            months.map(|(year, part)| Period { year, part, max_temperature_c: None }).collect();
        let mut cells = Cells {
            parts: Parts::Months,
            group_levels: vec![0],
            counts: Vec::new(),
            exposure: Vec::new(),
            periods: periods.clone(),
        };
        for period in &periods {
            for hour in 0..HOURS {
                let day = Parts::Months.middle(period.part);
                let season = 2.0 * (TAU * (day - 181.0) / 365.0).cos();
                let time = 2.0 * (TAU * (hour as f64 + 0.5 - 13.0) / 24.0).cos();
                let (km, per_km) = match period.part == 0 && NIGHT.contains(&hour) {
                    true => (0.01, TRUE_PER_KM),
                    false => (100.0, 0.01 * (season + time).exp()),
                };
                cells.exposure.push(km);
                cells.counts.push((km * per_km).round() as u32);
            }
        }
        cells
    }

    fn known(cells: &Cells, part: usize, hours: &[usize]) -> PeriodKnown {
        let chosen =
            |cell: usize| cells.periods[cell / HOURS].part == part && hours.contains(&(cell % HOURS));
        let chosen: Vec<usize> = (0..cells.counts.len()).filter(|cell| chosen(*cell)).collect();
        let n_timed = cells.counts.iter().map(|n| u64::from(*n)).sum();
        PeriodKnown {
            count: chosen.iter().map(|cell| u64::from(cells.counts[*cell])).sum(),
            walked_km: chosen.iter().map(|cell| cells.exposure[*cell]).sum(),
            n_timed,
            n_records: n_timed,
            all_km: cells.exposure.iter().sum(),
        }
    }

    /// The naive way beside it: the product of the two curves says a twentieth of the truth, or less, where nobody knows.
    #[test]
    fn curves_of_other_months_and_hours_make_no_figure_where_hardly_anybody_walks() {
        let cells = planted();
        let params = SeasonParams { n_draws: 0, ..SeasonParams::default() };
        let SeasonOutcome::Estimated(fit) = fit(&cells, &[], &params).unwrap() else { panic!("no fit") };
        let curve = fit.curve(0);
        let factor = NIGHT.iter().map(|hour| curve.estimate[*hour]).sum::<f64>() / NIGHT.len() as f64;
        let night = known(&cells, 0, &NIGHT);
        let naive_per_km = factor * night.n_timed as f64 / night.all_km;
        assert!(naive_per_km < TRUE_PER_KM / 20.0, "{naive_per_km}");
        assert_eq!(night.count, 0);
        assert!(night.is_too_little());
        assert!(night.at_most_per_km().unwrap() > TRUE_PER_KM);
        // Where people walk there is a figure, whether many are reported or few.
        assert!(!known(&cells, 6, &[10, 11, 12]).is_too_little());
        assert!(!known(&cells, 0, &[10, 11, 12]).is_too_little());
    }

    #[test]
    fn the_limit_is_exact_and_raised_for_records_without_time() {
        let known = PeriodKnown { count: 0, walked_km: 20.0, n_timed: 100, n_records: 100, all_km: 1000.0 };
        assert!((known.expected() - 2.0).abs() < 1e-12 && known.is_too_little());
        // Rule of three: -ln(0.05) = 2.995732.
        assert!((known.at_most_per_km().unwrap() - 2.995_732 / 20.0).abs() < 1e-6);
        let half = PeriodKnown { n_records: 200, ..known };
        assert!((half.at_most_per_km().unwrap() - 2.995_732 / 10.0).abs() < 1e-6);
        assert!(!PeriodKnown { walked_km: 30.0, ..known }.is_too_little());
        let nothing = PeriodKnown { walked_km: 0.0, ..known };
        assert!(nothing.is_too_little() && nothing.at_most_per_km().is_none());
        assert!(PeriodKnown { n_timed: 0, ..known }.at_most_per_km().is_none());
    }
}
