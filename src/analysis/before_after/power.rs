//! What could be found out: the smallest effect that a comparison would show, told before anyone waits for it.

use crate::analysis::before_after::spread::Expected;
use crate::analysis::before_after::{FEWEST_SIGNS, InvalidComparison};
use crate::analysis::counts::half_alpha;
use crate::analysis::counts::roots::bisect;

/// What a comparison would rest on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerInputs {
    /// Signs.
    pub n_signs: usize,
    /// Years counted before.
    pub years_before: f64,
    /// Years counted after.
    pub years_after: f64,
    /// Encounters in a year that surveys count where one sign would warn, without it.
    pub per_sign_year: f64,
    /// Encounters in a year on all stretches without signs.
    pub control_per_year: f64,
    /// Coefficient of variation between signs of how rates change on their own: 0 when all change alike.
    pub variation: f64,
    /// Confidence level of the limits.
    pub level: f64,
    /// Wanted probability to show the effect, in (0, 1).
    pub power: f64,
}

impl Default for PowerInputs {
    fn default() -> Self {
        Self {
            n_signs: 6,
            years_before: 2.0,
            years_after: 2.0,
            per_sign_year: 1.0,
            control_per_year: 10.0,
            variation: 0.3,
            level: 0.95,
            power: 0.8,
        }
    }
}

/// The smallest effect that would show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Detectable {
    /// A reduction by at least this share of the encounters, in (0, 1), shows with the wanted probability.
    Reduction(f64),
    /// Even signs that ended all encounters would not show often enough: too few would be counted without them.
    NotEvenAll {
        /// Encounters that would be expected without signs.
        expected: f64,
    },
    /// Fewer signs than [`FEWEST_SIGNS`].
    TooFewSigns,
}

/// The smallest reduction that would show with the wanted probability.
///
/// The probabilities are those of the count with signs around an expectation that is as uncertain as the counts before
/// and on controls leave it: no simulation. Where signs were chosen by high counts, what those counts say of the chosen
/// places is less than assumed here, so that the true smallest effect is a little larger.
///
/// # Errors
/// [`InvalidComparison`] when a number is negative, not finite, or a probability is out of range.
pub fn smallest_reduction(inputs: &PowerInputs) -> Result<Detectable, InvalidComparison> {
    let beyond = half_alpha(inputs.level)?;
    check(inputs)?;
    if inputs.n_signs < FEWEST_SIGNS {
        return Ok(Detectable::TooFewSigns);
    }
    let Some(expected) = expected(inputs) else {
        return Ok(Detectable::NotEvenAll { expected: 0.0 });
    };
    let Some(most) = most_that_shows(expected, beyond) else {
        return Ok(Detectable::NotEvenAll { expected: expected.mean });
    };
    // With no encounter left the count is zero for sure, which shows.
    let shortfall = |reduction: f64| expected.times(1.0 - reduction).at_most(most) - inputs.power;
    Ok(Detectable::Reduction(bisect((0.0, 1.0 - 1e-9), shortfall)))
}

/// The probability that limits exclude no change when signs take away this share of the encounters, in [0, 1).
///
/// # Errors
/// As [`smallest_reduction`].
pub fn power_of(inputs: &PowerInputs, reduction: f64) -> Result<f64, InvalidComparison> {
    let beyond = half_alpha(inputs.level)?;
    check(inputs)?;
    in_range("the reduction", reduction, (0.0, 1.0 - 1e-9), "from 0 to below 1")?;
    let found = expected(inputs).filter(|_| inputs.n_signs >= FEWEST_SIGNS);
    let shown = |expected: Expected| {
        most_that_shows(expected, beyond).map(|most| expected.times(1.0 - reduction).at_most(most))
    };
    Ok(found.and_then(shown).unwrap_or(0.0))
}

fn check(inputs: &PowerInputs) -> Result<(), InvalidComparison> {
    let positive = (1e-9, 1e9);
    in_range("the years before", inputs.years_before, positive, "above 0")?;
    in_range("the years after", inputs.years_after, positive, "above 0")?;
    in_range("encounters per sign and year", inputs.per_sign_year, (0.0, 1e9), "0 or more")?;
    in_range("encounters per year on controls", inputs.control_per_year, (0.0, 1e9), "0 or more")?;
    in_range("the variation between signs", inputs.variation, (0.0, 10.0), "from 0 to 10")?;
    in_range("the power", inputs.power, (1e-6, 1.0 - 1e-6), "strictly between 0 and 1")
}

fn in_range(
    name: &'static str,
    value: f64,
    (low, high): (f64, f64),
    allowed: &'static str,
) -> Result<(), InvalidComparison> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(InvalidComparison::Parameter { name, value, allowed })
}

/// What would be expected with signs that do nothing; `None` where nothing would be counted to expect from.
fn expected(inputs: &PowerInputs) -> Option<Expected> {
    let n_signs = inputs.n_signs as f64;
    let before = n_signs * inputs.per_sign_year * inputs.years_before;
    let control_before = inputs.control_per_year * inputs.years_before;
    let control_after = inputs.control_per_year * inputs.years_after;
    if before == 0.0 || control_before == 0.0 {
        return None;
    }
    let relative_variance = 1.0 / before
        + 1.0 / control_before
        + 1.0 / control_after
        + inputs.variation * inputs.variation / n_signs;
    Some(Expected { mean: n_signs * inputs.per_sign_year * inputs.years_after, relative_variance })
}

/// The largest count that the limits call fewer; `None` where not even none is.
fn most_that_shows(expected: Expected, beyond: f64) -> Option<u64> {
    if expected.at_most(0) > beyond {
        return None;
    }
    let (mut shows, mut does_not) = (0, expected.mean.ceil() as u64 + 1);
    while does_not - shows > 1 {
        let middle = shows + (does_not - shows) / 2;
        if expected.at_most(middle) <= beyond { shows = middle } else { does_not = middle }
    }
    Some(shows)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;
    use rand::Rng;
    use rand::RngExt;
    use rand_distr::{Distribution, Gamma, Poisson};

    fn reduction(inputs: &PowerInputs) -> f64 {
        match smallest_reduction(inputs).unwrap() {
            Detectable::Reduction(share) => share,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_certain_expectation_by_hand() {
        // With next to no uncertainty and 20 expected, 11 or fewer show: P(<= 11 | 20) = 0.0214, P(<= 12) = 0.0390. The
        // mean with P(<= 11) = 0.8 is 8.75 or so: P(<= 11 | 8.76) = 0.826, P(<= 11 | 9.03) = 0.800.
        let inputs = PowerInputs {
            n_signs: 10,
            years_before: 1e6,
            years_after: 1.0,
            per_sign_year: 2.0,
            control_per_year: 1e7,
            variation: 0.0,
            ..PowerInputs::default()
        };
        let mean = 20.0 * (1.0 - reduction(&inputs));
        assert!((mean - 9.03).abs() < 0.05, "{mean}");
        assert!((power_of(&inputs, reduction(&inputs)).unwrap() - 0.8).abs() < 1e-6);
    }

    #[test]
    fn more_of_anything_shows_smaller_effects() {
        let base =
            PowerInputs { per_sign_year: 4.0, control_per_year: 60.0, n_signs: 8, ..PowerInputs::default() };
        let least = reduction(&base);
        let more = [
            PowerInputs { n_signs: 16, ..base },
            PowerInputs { years_after: 4.0, ..base },
            PowerInputs { years_before: 5.0, ..base },
            PowerInputs { per_sign_year: 8.0, ..base },
            PowerInputs { variation: 0.0, ..base },
        ];
        for inputs in more {
            assert!(reduction(&inputs) < least, "{inputs:?}");
        }
    }

    #[test]
    fn little_to_count_shows_nothing() {
        let few = PowerInputs { n_signs: 5, ..PowerInputs::default() };
        assert_eq!(smallest_reduction(&few).unwrap(), Detectable::TooFewSigns);
        let rare = PowerInputs { per_sign_year: 0.1, ..PowerInputs::default() };
        assert!(matches!(smallest_reduction(&rare).unwrap(), Detectable::NotEvenAll { .. }));
        let none = PowerInputs { per_sign_year: 0.0, ..PowerInputs::default() };
        assert_eq!(smallest_reduction(&none).unwrap(), Detectable::NotEvenAll { expected: 0.0 });
        assert_eq!(power_of(&rare, 0.5).unwrap(), 0.0);
        assert!(smallest_reduction(&PowerInputs { years_after: f64::NAN, ..few }).is_err());
        assert!(smallest_reduction(&PowerInputs { power: 1.0, ..few }).is_err());
    }

    #[test]
    fn simulated_comparisons_show_it_as_often() {
        use crate::analysis::before_after::empirical_bayes::{CompareParams, empirical_bayes};
        use crate::analysis::before_after::{Effectiveness, Period, Role, Unit};
        let inputs = PowerInputs {
            n_signs: 12,
            per_sign_year: 5.0,
            control_per_year: 120.0,
            variation: 0.0,
            ..PowerInputs::default()
        };
        let smallest = reduction(&inputs);
        let mut n_shown = 0;
        const N_RUNS: u64 = 200;
        for seed in 0..N_RUNS {
            let mut rng = stream(seed, 3);
            let count = |rng: &mut dyn Rng, mean: f64| Poisson::new(mean).unwrap().sample(rng) as u64;
            let units: Vec<Unit> = (0..36)
                .map(|idx| {
                    let is_signed = idx < inputs.n_signs;
                    let rate = Gamma::new(4.0, 5.0 / 4.0).unwrap().sample(&mut rng);
                    let kept = if is_signed { 1.0 - smallest } else { 1.0 };
                    Unit {
                        before: Period { count: count(&mut rng, 2.0 * rate), km: 2.0 },
                        after: Period { count: count(&mut rng, 2.0 * rate * kept), km: 2.0 },
                        role: if is_signed { Role::Signed } else { Role::Control },
                    }
                })
                .collect();
            let _ = rng.random::<bool>();
            let found = empirical_bayes(&units, &CompareParams::default()).unwrap();
            let Effectiveness::Estimated(index) = found else { panic!("{found:?}") };
            n_shown += u32::from(index.limits.upper.is_some_and(|upper| upper < 1.0));
        }
        let shown = f64::from(n_shown) / N_RUNS as f64;
        assert!((0.7..=0.95).contains(&shown), "{shown} of runs show a reduction by {smallest}");
    }
}
