//! How sure a rate is against the classes it is drawn in.

use crate::analysis::rates::input::{RateError, check_positive};
use crate::analysis::rates::result::{UnitFit, UnitRate};

/// Expected encounters below which a unit says nothing, whatever its interval.
const LEAST_EXPECTED: f64 = 3.0;

/// Bounds of the five classes of rates, each twice the one before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClassBounds {
    per_km: [f64; 4],
}

impl ClassBounds {
    /// Four bounds on a doubling scale from the lowest, given in encounters per 1,000 km.
    ///
    /// # Errors
    /// [`RateError::Parameter`] unless the lowest bound is finite and above zero.
    pub fn doubling_from(lowest_per_1000_km: f64) -> Result<Self, RateError> {
        check_positive("the lowest class bound", lowest_per_1000_km)?;
        Ok(Self { per_km: [1.0, 2.0, 4.0, 8.0].map(|factor| factor * lowest_per_1000_km / 1000.0) })
    }

    /// Class of a rate, 0 (lowest) to 4; a rate on a bound belongs to the class above it.
    pub fn class_of(&self, rate_per_km: f64) -> usize {
        self.per_km.iter().filter(|&&bound| rate_per_km >= bound).count()
    }

    /// The bounds in encounters per 1,000 km, ascending.
    pub fn per_1000_km(&self) -> [f64; 4] {
        self.per_km.map(|bound| bound * 1000.0)
    }
}

impl Default for ClassBounds {
    /// 0.5, 1, 2 and 4 encounters per 1,000 km.
    fn default() -> Self {
        Self { per_km: [0.0005, 0.001, 0.002, 0.004] }
    }
}

/// How sure a rate is, in the words of the legend.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Certainty {
    /// The limits of the interval fall in one or two classes.
    Narrow,
    /// In three classes.
    Wide,
    /// In four or five classes, or the unit's own expected count is under 3.
    TooWide,
    /// There is no rate: nobody walked there, or the exposure contradicts the records.
    None,
}

/// How sure a unit's rate is against class bounds.
pub fn certainty(unit: &UnitFit, bounds: &ClassBounds) -> Certainty {
    let UnitRate::Estimated(estimate) = &unit.rate else { return Certainty::None };
    let classes = 1 + bounds.class_of(estimate.per_km.upper) - bounds.class_of(estimate.per_km.lower);
    match classes {
        _ if unit.expected_count < LEAST_EXPECTED => Certainty::TooWide,
        ..=2 => Certainty::Narrow,
        3 => Certainty::Wide,
        _ => Certainty::TooWide,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rates::interval::Interval;
    use crate::analysis::rates::result::{Exceedance, RateEstimate};

    fn unit(lower_per_1000_km: f64, upper_per_1000_km: f64, expected_count: f64) -> UnitFit {
        let (lower, upper) = (lower_per_1000_km / 1000.0, upper_per_1000_km / 1000.0);
        let per_km = Interval { mean: (lower + upper) / 2.0, lower, upper };
        let estimate = RateEstimate { per_km, shrinkage: 0.5, exceedance: Exceedance::NotJudged };
        UnitFit { count: 3.0, exposure_km: 1000.0, expected_count, rate: UnitRate::Estimated(estimate) }
    }

    #[test]
    fn words_follow_the_classes_that_limits_span() {
        let bounds = ClassBounds::doubling_from(0.5).unwrap();
        assert_eq!(bounds, ClassBounds::default());
        let check = |lower, upper, expected_count, word| {
            assert_eq!(certainty(&unit(lower, upper, expected_count), &bounds), word, "{lower}-{upper}");
        };
        check(0.6, 0.9, 5.0, Certainty::Narrow);
        check(0.6, 1.9, 5.0, Certainty::Narrow);
        check(0.6, 3.9, 5.0, Certainty::Wide);
        check(0.4, 3.9, 5.0, Certainty::TooWide);
        check(0.4, 5.0, 5.0, Certainty::TooWide);
        check(5.0, 90.0, 5.0, Certainty::Narrow);
        check(0.6, 0.9, 2.9, Certainty::TooWide);
    }

    #[test]
    fn no_rate_has_no_word() {
        for rate in [UnitRate::Unexposed, UnitRate::ContradictsRecords] {
            let unit = UnitFit { rate, ..unit(1.0, 2.0, 9.0) };
            assert_eq!(certainty(&unit, &ClassBounds::default()), Certainty::None);
        }
        assert!(ClassBounds::doubling_from(0.0).is_err());
    }
}
