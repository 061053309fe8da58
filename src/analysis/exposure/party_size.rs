//! Party size: turns walkers into parties.
//!
//! A mean may be that of the whole area, of those who start at a trailhead, or of those who walk on a trail, wherever they
//! started. Who uses which, and why:
//!
//! - Party-kilometres of a segment (`draws::expose_once`): that of the trail that the segment is named by, since parties were
//!   counted where they walk; where the trail has none, each trailhead's own, else the area's. So all that is divided by these party-kilometres (rates,
//!   clusters, season, relative density, the watch of a season, reports before and after signs) follows the trail's.
//! - Parties who start ([`ExposureField::parties`](super::ExposureField::parties)): the trailhead's, else the area's: at the
//!   trailhead nobody is on one trail more than on another.
//! - Visits of places ([`places`](super::places)): a share of those who start at a trailhead is a share of its parties; visitors
//!   of a place with a counter of its own are of all trailheads and on no trail, so the area's mean holds.
//! - Trips, which sign plans and the roles of stretches are made from: parties who start, and on the legs of a trail with a size
//!   of its own so many more or fewer ([`ExposureField::parties_on`](super::ExposureField::parties_on)), since the rates that
//!   they are multiplied by are reports for each of that trail's party-kilometres.
//! - Provenance: none. It asks what the counts leave open, and a size is measured apart from them.
//! - Survey walks, forecasts of one party, and watches at signs: none. They count kilometres of the walk itself, and parties.

use rand_distr::{Distribution, StandardNormal};

use crate::analysis::exposure::error::{InvalidExposure, at_least};
use crate::analysis::random::Stream;

/// Mean number of people in a party, with the standard error of that mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartySize {
    /// Mean, people; at least 1.
    pub mean: f64,
    /// Standard error of the mean, people; 0 means known exactly.
    pub standard_error: f64,
}

impl PartySize {
    /// Refuses a mean below one person or a negative error.
    pub(crate) fn check(&self, who: &str) -> Result<(), InvalidExposure> {
        at_least(who, "mean party size, at least 1", self.mean, 1.0)?;
        at_least(who, "standard error of party size, at least 0", self.standard_error, 0.0)
    }

    /// One draw of the mean.
    ///
    /// The people beyond the first are log-normal with the stated mean and standard error, so no draw falls below one.
    pub(crate) fn draw(&self, rng: &mut Stream) -> f64 {
        // The number is taken from the stream even where it is not needed, so that draws of other parameters do not shift.
        let z: f64 = StandardNormal.sample(rng);
        let beyond_first = self.mean - 1.0;
        if beyond_first <= 0.0 || self.standard_error <= 0.0 {
            return self.mean;
        }
        let log_variance = (self.standard_error / beyond_first).powi(2).ln_1p();
        1.0 + beyond_first * (log_variance.sqrt() * z - log_variance / 2.0).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;

    #[test]
    fn draws_keep_mean_and_error_and_never_fall_below_one() {
        let size = PartySize { mean: 2.5, standard_error: 0.3 };
        let draws: Vec<f64> = (0..4000).map(|i| size.draw(&mut stream(5, i))).collect();
        let mean = draws.iter().sum::<f64>() / 4000.0;
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 3999.0;
        // Four standard errors of 4,000 draws.
        assert!((mean - 2.5).abs() < 0.02, "{mean}");
        assert!((variance.sqrt() - 0.3).abs() < 0.02, "{variance}");
        assert!(draws.iter().all(|d| *d >= 1.0));
    }

    #[test]
    fn a_known_size_is_returned_as_it_is() {
        let size = PartySize { mean: 3.0, standard_error: 0.0 };
        assert_eq!(size.draw(&mut stream(1, 0)), 3.0);
        assert!(PartySize { mean: 0.5, standard_error: 0.0 }.check("x").is_err());
    }
}
