//! Expected counts from the posterior of every unit's rate, so that units chosen for high counts are expected to have
//! fewer afterwards.

use statrs::function::gamma::ln_gamma;

use crate::analysis::before_after::flips::flip_test;
use crate::analysis::before_after::spread::Expected;
use crate::analysis::before_after::{
    Change, Effectiveness, Index, InvalidComparison, LimitsBasis, Role, Unit, WhyNot, check_units, of_role,
    totals, verdict,
};
use crate::analysis::counts::half_alpha;

/// Parameters of a comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CompareParams {
    /// Level of the limits, in (0, 1).
    pub level: f64,
    /// Seed of flips that are drawn.
    pub seed: u64,
}

impl Default for CompareParams {
    fn default() -> Self {
        Self { level: 0.95, seed: 1 }
    }
}

/// What a unit is expected to count afterwards, before the controls say how all rates changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnitExpectation {
    /// Mean.
    pub mean: f64,
    /// Variance given the prior's parameters.
    pub variance: f64,
}

/// Expectations of all units, and of signed against control units.
#[derive(Debug, Clone, PartialEq)]
pub struct Expectations {
    /// By unit.
    pub units: Vec<UnitExpectation>,
    /// Relative variance of the ratio of the signed units' total to that of the controls.
    pub ratio_variance: f64,
}

/// Points of the grid on the mean rate, and on the coefficient of variation between units.
const N_MEANS: usize = 25;
const N_VARIATIONS: usize = 24;
/// Scale of the half-normal prior on the coefficient of variation.
const VARIATION_SCALE: f64 = 1.0;
/// Range of the coefficient of variation.
const VARIATIONS: (f64, f64) = (0.05, 3.0);

/// The index of effectiveness with what was expected from the posterior.
///
/// Every unit's rate has a gamma prior whose mean and spread are integrated over a grid with a proper prior; its posterior
/// given `before` gives what the unit was expected to count in the kilometres of `after`. What the controls counted over
/// what they were expected to count is the change common to all. The units must hold all that the choice was made among,
/// chosen or not: a prior fitted to the chosen ones alone knows nothing of how they were chosen.
///
/// Limits invert the negative binomial tail of the signed units' total. The spread of the expectation holds the posterior
/// of signed and control units, the chance in what the controls counted, and what signs and controls differ among each
/// other beyond chance (clustered).
///
/// # Errors
/// [`InvalidComparison`] when a unit's kilometres are not a length, it has encounters without kilometres, or the level is
/// out of range.
///
/// # References
/// Hauer, E. (1997). *Observational Before-After Studies in Road Safety*, chapters 6, 9 and 11: the index of
/// effectiveness, its bias correction and variance. Liang, K.-Y. & Zeger, S. L. (1986). *Biometrika* 73, 13-22, for the
/// variance by cluster.
pub fn empirical_bayes(units: &[Unit], params: &CompareParams) -> Result<Effectiveness, InvalidComparison> {
    let beyond = half_alpha(params.level)?;
    check_units(units)?;
    Ok(match index(units, params, beyond) {
        Ok(index) => Effectiveness::Estimated(index),
        Err(why) => Effectiveness::NotEstimable(why),
    })
}

fn index(units: &[Unit], params: &CompareParams, beyond: f64) -> Result<Index, WhyNot> {
    let walked = |role: Role| of_role(units, role).filter(|unit| unit.after.km > 0.0).count();
    let (n_signs, n_controls) = (walked(Role::Signed), walked(Role::Control));
    if of_role(units, Role::Signed).next().is_none() {
        return Err(WhyNot::NoSigns);
    }
    if n_signs == 0 {
        return Err(WhyNot::SignsNotWalked);
    }
    if n_controls == 0 {
        return Err(WhyNot::NoControls);
    }
    let (observed, controls) = (totals(units, Role::Signed).1.count, totals(units, Role::Control).1.count);
    if controls == 0 {
        return Err(WhyNot::NoControlEncounters);
    }
    let expectations = expectations(units).ok_or(WhyNot::NothingExpected)?;
    let total = |role: Role| -> f64 { expectations.of(units, role).map(|(_, it)| it.mean).sum() };
    let common = controls as f64 / total(Role::Control);
    let expected = total(Role::Signed) * common;
    let chance = 1.0 / controls as f64 + expectations.ratio_variance;
    let spread = chance
        + expectations.clustered(units, Role::Signed, observed as f64 / total(Role::Signed))
        + expectations.clustered(units, Role::Control, common);
    let expectation = Expected { mean: expected, relative_variance: spread };
    let limits = expectation.ratio_limits(observed, beyond);
    let residual = |(unit, it): (&Unit, &UnitExpectation)| unit.after.count as f64 - common * it.mean;
    let residuals: Vec<f64> = expectations.of(units, Role::Signed).map(residual).collect();
    let flips = flip_test(&residuals, params.seed);
    // Hauer (1997), equations 6.1 to 6.4.
    let estimate = observed as f64 / expected / (1.0 + spread);
    let std_error = estimate * (1.0 / observed as f64 + spread).sqrt() / (1.0 + spread);
    Ok(Index {
        n_signs,
        n_controls,
        observed,
        expected,
        change: if observed > 0 { Change::Estimate(estimate) } else { Change::ZeroCell },
        std_error: (observed > 0).then_some(std_error),
        limits,
        basis: LimitsBasis::BySign,
        p_value: expectation.p_value(observed),
        flips,
        verdict: verdict(n_signs, limits, flips, 2.0 * beyond),
    })
}

impl Expectations {
    /// The units of a role that were walked afterwards, with what is expected of them.
    fn of<'a>(
        &'a self,
        units: &'a [Unit],
        role: Role,
    ) -> impl Iterator<Item = (&'a Unit, &'a UnitExpectation)> {
        units.iter().zip(&self.units).filter(move |(unit, _)| unit.role == role && unit.after.km > 0.0)
    }

    /// Relative variance of a role's total that its units show beyond chance and posterior, each unit as one: none for a
    /// single unit, which cannot show any.
    fn clustered(&self, units: &[Unit], role: Role, ratio: f64) -> f64 {
        let (mut squares, mut chance, mut total, mut n) = (0.0, 0.0, 0.0, 0.0);
        for (unit, expected) in self.of(units, role) {
            let mean = ratio * expected.mean;
            squares += (unit.after.count as f64 - mean).powi(2);
            chance += mean + ratio * ratio * expected.variance;
            total += mean;
            n += 1.0;
        }
        if n < 2.0 || total <= 0.0 {
            return 0.0;
        }
        (squares * n / (n - 1.0) - chance).max(0.0) / (total * total)
    }
}

/// What every unit is expected to count in the kilometres of `after`; `None` where no encounter was counted before.
pub fn expectations(units: &[Unit]) -> Option<Expectations> {
    let informing: Vec<&Unit> = units.iter().filter(|unit| unit.before.km > 0.0).collect();
    let count: u64 = informing.iter().map(|unit| unit.before.count).sum();
    let km: f64 = informing.iter().map(|unit| unit.before.km).sum();
    if count == 0 {
        return None;
    }
    let nodes = grid(&informing, count as f64 / km, count as f64);
    let mut means = vec![UnitExpectation { mean: 0.0, variance: 0.0 }; units.len()];
    let (mut within, mut ln_ratio, mut ln_ratio_squared) = (0.0, 0.0, 0.0);
    for node in &nodes {
        let (mut signed, mut control) = ((0.0, 0.0), (0.0, 0.0));
        for (unit, sum) in units.iter().zip(&mut means) {
            let (mean, variance) = node.expected(unit);
            sum.mean += node.weight * mean;
            sum.variance += node.weight * variance;
            let side = match unit.role {
                Role::Signed => &mut signed,
                Role::Control => &mut control,
                Role::Other => continue,
            };
            side.0 += mean;
            side.1 += variance;
        }
        if signed.0 > 0.0 && control.0 > 0.0 {
            let ln = f64::ln(signed.0 / control.0);
            let relative = |(mean, variance): (f64, f64)| variance / (mean * mean);
            within += node.weight * (relative(signed) + relative(control));
            ln_ratio += node.weight * ln;
            ln_ratio_squared += node.weight * ln * ln;
        }
    }
    let between = (ln_ratio_squared - ln_ratio * ln_ratio).max(0.0);
    Some(Expectations { units: means, ratio_variance: within + between })
}

/// A point of the grid with its posterior weight.
struct Node {
    /// Shape of the gamma distribution of rates.
    shape: f64,
    /// Mean rate, per km.
    mean_per_km: f64,
    weight: f64,
}

impl Node {
    /// Mean and variance of what a unit counts in the kilometres of `after`, chance in counting left out.
    fn expected(&self, unit: &Unit) -> (f64, f64) {
        let shape = self.shape + unit.before.count as f64;
        let scale = unit.after.km / (self.shape / self.mean_per_km + unit.before.km);
        (shape * scale, shape * scale * scale)
    }

    /// Log likelihood of a unit's count before, up to a constant.
    fn ln_likelihood(&self, unit: &Unit) -> f64 {
        let (count, mean) = (unit.before.count as f64, self.mean_per_km * unit.before.km);
        let whole = self.shape + mean;
        ln_gamma(self.shape + count) - ln_gamma(self.shape)
            + self.shape * (self.shape / whole).ln()
            + count * (mean / whole).ln()
    }
}

/// The grid: mean rates around the pooled one as far as its error reaches, coefficients of variation on a log scale.
fn grid(units: &[&Unit], pooled_per_km: f64, count: f64) -> Vec<Node> {
    let reach = (4.0 * (1.0 / count + 1.0 / units.len() as f64).sqrt()).clamp(0.05, 3.0);
    let step = |idx: usize, n: usize| idx as f64 / (n - 1) as f64;
    let mut nodes = Vec::with_capacity(N_MEANS * N_VARIATIONS);
    for mean_idx in 0..N_MEANS {
        let mean_per_km = pooled_per_km * (reach * (2.0 * step(mean_idx, N_MEANS) - 1.0)).exp();
        for idx in 0..N_VARIATIONS {
            let (low, high) = (VARIATIONS.0.ln(), VARIATIONS.1.ln());
            let variation = (low + (high - low) * step(idx, N_VARIATIONS)).exp();
            let mut node = Node { shape: 1.0 / (variation * variation), mean_per_km, weight: 0.0 };
            // The step is even in the logarithm, so that a density in the variation gains the factor.
            let ln_prior = variation.ln() - 0.5 * (variation / VARIATION_SCALE).powi(2);
            node.weight = ln_prior + units.iter().map(|unit| node.ln_likelihood(unit)).sum::<f64>();
            nodes.push(node);
        }
    }
    let most = nodes.iter().map(|node| node.weight).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = nodes.iter().map(|node| (node.weight - most).exp()).sum();
    nodes.iter_mut().for_each(|node| node.weight = (node.weight - most).exp() / total);
    nodes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::before_after::{Period, Verdict};

    fn unit(before: (u64, f64), after: (u64, f64), role: Role) -> Unit {
        let period = |(count, km)| Period { count, km };
        Unit { before: period(before), after: period(after), role }
    }

    fn estimated(units: &[Unit]) -> Index {
        match empirical_bayes(units, &CompareParams::default()).unwrap() {
            Effectiveness::Estimated(index) => index,
            Effectiveness::NotEstimable(why) => panic!("{why:?}"),
        }
    }

    #[test]
    fn expectations_lie_between_own_rate_and_mean() {
        let mut units = vec![unit((12, 100.0), (0, 100.0), Role::Signed)];
        units.extend((0..9).map(|idx| unit((idx % 3, 100.0), (0, 100.0), Role::Control)));
        let found = expectations(&units).unwrap();
        let pooled = (12.0 + 9.0) / 10.0;
        assert!(found.units[0].mean < 12.0 && found.units[0].mean > pooled, "{:?}", found.units[0]);
        assert!(found.units[1].mean > 0.0 && found.units[1].mean < pooled);
        // Relabelling changes nothing.
        units.reverse();
        let reversed = expectations(&units).unwrap();
        assert!((reversed.units[9].mean - found.units[0].mean).abs() < 1e-9);
    }

    #[test]
    fn no_encounter_with_signs_has_an_upper_limit_only() {
        let mut units = vec![unit((4, 100.0), (0, 100.0), Role::Signed); 7];
        units.extend(vec![unit((4, 100.0), (4, 100.0), Role::Control); 7]);
        let index = estimated(&units);
        assert_eq!((index.change, index.std_error, index.limits.lower), (Change::ZeroCell, None, 0.0));
        assert!(index.limits.upper.unwrap() < 0.5);
        assert_eq!(index.verdict, Verdict::Fewer);
    }

    #[test]
    fn one_sign_proves_nothing() {
        let mut units = vec![unit((40, 100.0), (2, 100.0), Role::Signed)];
        units.extend(vec![unit((20, 100.0), (20, 100.0), Role::Control); 7]);
        let index = estimated(&units);
        assert!(index.limits.upper.unwrap() < 1.0);
        assert_eq!(index.verdict, Verdict::TooFewSigns);
    }

    #[test]
    fn what_is_missing_has_a_name() {
        let why = |units: &[Unit]| match empirical_bayes(units, &CompareParams::default()).unwrap() {
            Effectiveness::NotEstimable(why) => why,
            Effectiveness::Estimated(index) => panic!("{index:?}"),
        };
        let control = unit((4, 100.0), (4, 100.0), Role::Control);
        let signed = unit((4, 100.0), (4, 100.0), Role::Signed);
        assert_eq!(why(&[]), WhyNot::NoSigns);
        assert_eq!(why(&[control]), WhyNot::NoSigns);
        assert_eq!(why(&[signed]), WhyNot::NoControls);
        let unwalked = Unit { after: Period::NONE, ..signed };
        assert_eq!(why(&[unwalked, control]), WhyNot::SignsNotWalked);
        let quiet = Unit { after: Period { count: 0, km: 9.0 }, ..control };
        assert_eq!(why(&[signed, quiet]), WhyNot::NoControlEncounters);
        let unseen = |unit: Unit| Unit { before: Period { count: 0, km: 100.0 }, ..unit };
        assert_eq!(why(&[unseen(signed), unseen(control)]), WhyNot::NothingExpected);
        let contradiction = Unit { before: Period { count: 1, km: 0.0 }, ..signed };
        assert!(empirical_bayes(&[contradiction], &CompareParams::default()).is_err());
    }
}
