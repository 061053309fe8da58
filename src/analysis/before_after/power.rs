//! What could be found out: the smallest effect that a comparison would show, told before anyone waits for it.

use rand::RngExt;
use rand_distr::{Distribution, Gamma, Poisson};

use crate::analysis::before_after::baseline::{Changed, degrees_of_freedom, two_sided};
use crate::analysis::before_after::flips::{FlipTest, flip_test};
use crate::analysis::before_after::{FEWEST_SIGNS, InvalidComparison};
use crate::analysis::counts::half_alpha;
use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::counts::tails::ln_choose;
use crate::analysis::random::{Stream, stream};

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
    /// So many signs leave no stretch without one to compare with.
    NoControls,
}

/// Comparisons simulated for an answer: a probability of 0.8 is known to 0.018.
const N_SIMULATED: u64 = 500;
/// Halvings when the smallest reduction of a simulated comparison is sought.
const N_HALVINGS: usize = 12;
/// From so many signs on the sum of flipped differences counts as normal, so that an answer takes no time worth telling.
const NORMAL_FROM: usize = 10;
/// Units without signs that are simulated at most; more of them say no more of how they differ.
const MOST_CONTROLS: f64 = 60.0;
/// Counts of a mean above this are normal but for their skewness.
const LARGE_MEAN: f64 = 40.0;

/// The smallest reduction that would show with the wanted probability: that limits exclude no change, and the test that
/// flips each sign's difference agrees, as a verdict asks for.
///
/// So many comparisons with a later baseline are simulated with a fixed seed, each with its own counts before and on
/// controls. How much is expected is itself a matter of luck: taken at its mean, it makes the power look larger than it is
/// where little is counted. What a posterior borrows from other stretches is not counted on. Places of signs are taken to be
/// alike, and controls to change alike.
///
/// # Errors
/// [`InvalidComparison`] when a number is negative, not finite, or a probability is out of range.
pub fn smallest_reduction(inputs: &PowerInputs) -> Result<Detectable, InvalidComparison> {
    let beyond = half_alpha(inputs.level)?;
    check(inputs)?;
    if inputs.n_signs < FEWEST_SIGNS {
        return Ok(Detectable::TooFewSigns);
    }
    if inputs.control_per_year == 0.0 {
        return Ok(Detectable::NoControls);
    }
    let mut smallest: Vec<f64> = simulated(inputs, beyond).filter_map(|it| it.smallest_reduction()).collect();
    smallest.sort_by(f64::total_cmp);
    let wanted = (inputs.power * N_SIMULATED as f64).ceil() as usize;
    Ok(match smallest.get(wanted.saturating_sub(1)) {
        Some(share) => Detectable::Reduction(*share),
        None => {
            let expected = inputs.n_signs as f64 * inputs.per_sign_year * inputs.years_after;
            Detectable::NotEvenAll { expected }
        }
    })
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

/// A comparison before the signs did anything.
struct Simulated {
    /// By sign: count before.
    before: Vec<u64>,
    /// By sign: mean of the count after if it did nothing.
    means: Vec<f64>,
    /// By sign: probability of a smaller count after, which stays the same whatever the sign does.
    ranks: Vec<f64>,
    /// Counts on controls before and after.
    control: (u64, u64),
    /// Their change; `None` where one of them is zero.
    control_change: Option<Changed>,
    beyond: f64,
}

fn simulated(inputs: &PowerInputs, beyond: f64) -> impl Iterator<Item = Simulated> {
    (0..N_SIMULATED).map(move |idx| Simulated::draw(inputs, beyond, &mut stream(1, idx)))
}

impl Simulated {
    fn draw(inputs: &PowerInputs, beyond: f64, rng: &mut Stream) -> Self {
        let before =
            (0..inputs.n_signs).map(|_| poisson(rng, inputs.per_sign_year * inputs.years_before)).collect();
        // Controls are as many as hold what a sign's place holds.
        let n_controls = (inputs.control_per_year / inputs.per_sign_year).round().clamp(1.0, MOST_CONTROLS);
        let mut control = |years: f64| -> Vec<u64> {
            let mean = inputs.control_per_year * years / n_controls;
            (0..n_controls as usize).map(|_| poisson(rng, mean)).collect()
        };
        let controls = [control(inputs.years_before), control(inputs.years_after)];
        let [control_before, control_after] = [0, 1].map(|at: usize| controls[at].iter().sum::<u64>());
        let own = change(inputs.variation);
        let mean = inputs.per_sign_year * inputs.years_after;
        let means = (0..inputs.n_signs).map(|_| mean * own.map_or(1.0, |own| own.sample(rng))).collect();
        let ranks = (0..inputs.n_signs).map(|_| rng.random::<f64>()).collect();
        Self {
            before,
            means,
            ranks,
            control: (control_before, control_after),
            control_change: (control_before > 0 && control_after > 0)
                .then(|| changed(&controls[0], &controls[1])),
            beyond,
        }
    }

    fn shows(&self, reduction: f64) -> bool {
        let kept = self.means.iter().map(|mean| mean * (1.0 - reduction));
        let after: Vec<u64> =
            kept.zip(&self.ranks).map(|(mean, rank)| poisson_quantile(mean, *rank)).collect();
        self.limits_show(&after) && self.flips_show(&after)
    }

    /// Whether the limits of [`super::baseline::later_baseline`] lie below one. Every sign's kilometres are in the ratio of
    /// the years, which is that of the controls and cancels.
    fn limits_show(&self, after: &[u64]) -> bool {
        let (control_before, control_after) = self.control;
        let (n_before, n_after) = (self.before.iter().sum::<u64>(), after.iter().sum::<u64>());
        let Some(control) = &self.control_change else { return false };
        if n_before == 0 {
            return false;
        }
        if n_after == 0 {
            // Given the margins, none of what was counted after lies at signs.
            let controls = control_before + control_after;
            let ln_ways = |total: u64| ln_choose(total, control_after);
            return (ln_ways(controls) - ln_ways(controls + n_before)).exp() <= self.beyond;
        }
        let signed = changed(&self.before, after);
        let ln_effect = signed.ln_change - control.ln_change;
        let score = ln_effect / (signed.variance + control.variance).sqrt();
        score < 0.0 && two_sided(score, degrees_of_freedom(&[&signed, control])) <= 2.0 * self.beyond
    }

    fn flips_show(&self, after: &[u64]) -> bool {
        let share = self.control.1 as f64 / (self.control.0 + self.control.1) as f64;
        let difference = |(before, after): (&u64, &u64)| *after as f64 - (before + after) as f64 * share;
        let differences: Vec<f64> = self.before.iter().zip(after).map(difference).collect();
        flips_agree(&differences, 2.0 * self.beyond)
    }

    /// The smallest reduction that this comparison shows; `None` where it does not even show that all encounters ended.
    fn smallest_reduction(&self) -> Option<f64> {
        if !self.shows(1.0) {
            return None;
        }
        let (mut hidden, mut shown) = (0.0, 1.0);
        for _ in 0..N_HALVINGS {
            let middle = 0.5 * (hidden + shown);
            if self.shows(middle) { shown = middle } else { hidden = middle }
        }
        Some(shown)
    }
}

/// The change of units that were all walked alike, with encounters before and after.
fn changed(before: &[u64], after: &[u64]) -> Changed {
    let (n_before, n_after) = (before.iter().sum::<u64>() as f64, after.iter().sum::<u64>() as f64);
    let share = n_after / (n_before + n_after);
    let unit = |(before, after): (&u64, &u64)| ((before + after) as f64, share, *after as f64);
    Changed::at((n_after / n_before).ln(), before.iter().zip(after).map(unit))
}

/// How rates of a place change on their own: mean one, with this coefficient of variation; `None` where they do not.
fn change(variation: f64) -> Option<Gamma<f64>> {
    let shape = 1.0 / (variation * variation);
    Gamma::new(shape, 1.0 / shape).ok().filter(|_| variation > 1e-6)
}

fn poisson(rng: &mut Stream, mean: f64) -> u64 {
    Poisson::new(mean).map_or(0, |poisson| poisson.sample(rng) as u64)
}

/// The count below which a Poisson variable stays with this probability; from large means on by Cornish and Fisher's
/// expansion to the skewness.
fn poisson_quantile(mean: f64, rank: f64) -> u64 {
    if mean > LARGE_MEAN {
        let deviate = -upper_deviate(rank.clamp(1e-12, 1.0 - 1e-12));
        return (mean + deviate * mean.sqrt() + (deviate * deviate - 1.0) / 6.0).round().max(0.0) as u64;
    }
    let mut point = (-mean).exp();
    let (mut below, mut count) = (point, 0);
    // Points this far out are nothing to a float.
    while below < rank && count < 200 {
        count += 1;
        point *= mean / count as f64;
        below += point;
    }
    count
}

fn flips_agree(differences: &[f64], alpha: f64) -> bool {
    if differences.len() < NORMAL_FROM {
        return matches!(flip_test(differences, 1), FlipTest::Tested { p_value, .. } if p_value <= alpha);
    }
    let sum: f64 = differences.iter().sum();
    let squares: f64 = differences.iter().map(|d| d * d).sum();
    sum.abs() >= upper_deviate(0.5 * alpha) * squares.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::before_after::spread::Expected;

    fn reduction(inputs: &PowerInputs) -> f64 {
        match smallest_reduction(inputs).unwrap() {
            Detectable::Reduction(share) => share,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_certain_expectation_by_hand() {
        // With next to no uncertainty and 20 expected, 11 or fewer show: P(<= 11 | 20) = 0.0214, P(<= 12) = 0.0390. The
        // mean with P(<= 11) = 0.8 is 9.03: P(<= 11 | 9.03) = 0.800. Its error over the runs is 0.2.
        let inputs = PowerInputs {
            n_signs: 40,
            years_before: 1e6,
            years_after: 1.0,
            per_sign_year: 0.5,
            control_per_year: 1e7,
            variation: 0.0,
            ..PowerInputs::default()
        };
        let mean = 20.0 * (1.0 - reduction(&inputs));
        println!("{mean}");
        assert!((8.0..=9.3).contains(&mean), "{mean}");
        assert!((power_of(&inputs, reduction(&inputs)) - 0.8).abs() < 0.005);
    }

    #[test]
    fn quantiles_of_counts() {
        // Poisson with mean 3: P(<= 2) = 0.423, P(<= 3) = 0.647. With mean 100: P(<= 116) = 0.947, P(<= 117) = 0.957.
        assert_eq!([0.42, 0.43, 0.64, 0.65].map(|rank| poisson_quantile(3.0, rank)), [2, 3, 3, 4]);
        assert_eq!((poisson_quantile(0.0, 0.999), poisson_quantile(0.2, 0.9)), (0, 1));
        assert!((116..=118).contains(&poisson_quantile(100.0, 0.95)));
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
        assert_eq!(power_of(&rare, 0.5), 0.0);
        assert!(smallest_reduction(&PowerInputs { years_after: f64::NAN, ..few }).is_err());
        assert!(smallest_reduction(&PowerInputs { power: 1.0, ..few }).is_err());
    }

    /// The share of simulated comparisons in which signs that take away this share of the encounters are seen to do so.
    fn power_of(inputs: &PowerInputs, reduction: f64) -> f64 {
        let beyond = half_alpha(inputs.level).unwrap();
        simulated(inputs, beyond).filter(|it| it.shows(reduction)).count() as f64 / N_SIMULATED as f64
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

    /// The naive way: limits alone, around an expectation taken at its mean.
    fn naive_reduction(inputs: &PowerInputs) -> f64 {
        let n_signs = inputs.n_signs as f64;
        let (before, after) = (inputs.years_before, inputs.years_after);
        let expectation = Expected {
            mean: n_signs * inputs.per_sign_year * after,
            relative_variance: 1.0 / (n_signs * inputs.per_sign_year * before)
                + 1.0 / (inputs.control_per_year * before)
                + 1.0 / (inputs.control_per_year * after)
                + inputs.variation * inputs.variation / n_signs,
        };
        let most = most_that_shows(expectation, 0.025).unwrap();
        let shortfall = |reduction: f64| expectation.times(1.0 - reduction).at_most(most) - inputs.power;
        crate::analysis::counts::roots::bisect((0.0, 1.0 - 1e-9), shortfall)
    }

    /// Shares of runs in which a later baseline and the posterior find fewer where signs take that much away.
    fn shown(inputs: &PowerInputs, reduction: f64, n_runs: u64) -> (f64, f64) {
        use crate::analysis::before_after::baseline::later_baseline;
        use crate::analysis::before_after::empirical_bayes::{CompareParams, empirical_bayes};
        use crate::analysis::before_after::{Effectiveness, Period, Role, Unit, Verdict};
        // Places with signs and without are alike.
        let n_controls = (inputs.control_per_year / inputs.per_sign_year).round() as usize;
        let (mut later, mut bayes) = (0, 0);
        for seed in 0..n_runs {
            let mut rng = stream(seed, 3);
            let own = change(inputs.variation);
            let units: Vec<Unit> = (0..inputs.n_signs + n_controls)
                .map(|idx| {
                    let is_signed = idx < inputs.n_signs;
                    let rate = inputs.per_sign_year;
                    let own = own.filter(|_| is_signed).map_or(1.0, |own| own.sample(&mut rng));
                    let kept = if is_signed { own * (1.0 - reduction) } else { 1.0 };
                    let mut period = |years: f64, rate: f64| Period {
                        count: poisson(&mut rng, years * rate),
                        km: 30.0 * years,
                    };
                    let before = period(inputs.years_before, rate);
                    let after = period(inputs.years_after, rate * kept);
                    Unit { before, after, role: if is_signed { Role::Signed } else { Role::Control } }
                })
                .collect();
            let is_fewer = |found: Result<Effectiveness, InvalidComparison>| match found.unwrap() {
                Effectiveness::Estimated(index) => index.verdict == Verdict::Fewer,
                Effectiveness::NotEstimable(_) => false,
            };
            later += u32::from(is_fewer(later_baseline(&units, &CompareParams::default())));
            bayes += u32::from(is_fewer(empirical_bayes(&units, &CompareParams::default())));
        }
        (f64::from(later) / n_runs as f64, f64::from(bayes) / n_runs as f64)
    }

    #[test]
    fn simulated_comparisons_show_it_as_often() {
        const N_RUNS: u64 = 300;
        let few = PowerInputs { per_sign_year: 3.0, control_per_year: 57.0, ..PowerInputs::default() };
        let designs = [
            PowerInputs { n_signs: 6, years_after: 1.0, ..few },
            few,
            PowerInputs { n_signs: 10, ..few },
            PowerInputs { n_signs: 16, years_after: 3.0, control_per_year: 30.0, ..few },
            PowerInputs { n_signs: 12, per_sign_year: 5.0, control_per_year: 120.0, variation: 0.0, ..few },
        ];
        for inputs in designs {
            let smallest = reduction(&inputs);
            let (later, bayes) = shown(&inputs, smallest, N_RUNS);
            println!("{} signs, {} years, {smallest}: {later} {bayes}", inputs.n_signs, inputs.years_after);
            assert!((0.74..=0.88).contains(&later), "{later} of runs show a reduction by {smallest}");
            assert!(bayes >= 0.74, "{bayes} of runs show a reduction by {smallest}");
        }
        for inputs in &designs[..2] {
            let smallest = naive_reduction(inputs);
            let (later, _) = shown(inputs, smallest, N_RUNS);
            println!("naive: {} signs, {} years, {smallest}: {later}", inputs.n_signs, inputs.years_after);
            assert!(later < 0.7, "{later} of runs show a reduction by {smallest}");
        }
    }
}
