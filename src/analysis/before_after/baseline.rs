//! A later baseline: a period between the choice of the places and the day the signs went up.

use crate::analysis::before_after::control::{Cells, before_after_control};
use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::flips::{FlipTest, flip_test};
use crate::analysis::before_after::{
    Change, Effectiveness, Index, InvalidComparison, LimitsBasis, Period, Role, Unit, WhyNot, check_units,
    of_role, totals, verdict,
};
use crate::analysis::counts::quantiles::{student_deviate, upper_deviate};
use crate::analysis::counts::roots::bisect;
use crate::analysis::counts::tails::beta_tails;
use crate::analysis::counts::trend::chi_squared_tail;
use crate::analysis::counts::{RatioLimits, half_alpha};

/// The change where signs stand over the change where none stands, each unit compared with itself.
///
/// `before` must be a period that had no part in choosing the places: then a unit's own count needs no drawing towards a
/// mean. Given a unit's total, its count of `after` is binomial, so that lasting differences between units drop out. The
/// variance takes each unit as one wherever that is more than chance alone gives, with the degrees of freedom that so many
/// units leave (Satterthwaite). Units walked in one period only say nothing. Where a cell is empty, limits are exact given
/// the margins of the four totals, widened by what controls differ among each other: what signs differ cannot be seen
/// there, and the randomisation test alone takes each as one.
///
/// # Errors
/// As [`super::empirical_bayes::empirical_bayes`].
///
/// # References
/// Hauer, E. (1997). *Observational Before-After Studies in Road Safety*, chapter 9 (comparison group); Liang, K.-Y. &
/// Zeger, S. L. (1986). *Biometrika* 73, 13-22; Satterthwaite, F. E. (1946). *Biometrics Bulletin* 2, 110-114.
pub fn later_baseline(units: &[Unit], params: &CompareParams) -> Result<Effectiveness, InvalidComparison> {
    compare(units, params, Chance::OfEvents)
}

/// How much counts vary by chance alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Chance {
    /// As events over kilometres: Poisson.
    OfEvents,
    /// As a part of so many, which stand in the place of kilometres: binomial, with the share of all units of a role.
    OfShares,
}

/// [`later_baseline`] for events or for shares.
pub(super) fn compare(
    units: &[Unit],
    params: &CompareParams,
    chance: Chance,
) -> Result<Effectiveness, InvalidComparison> {
    let beyond = half_alpha(params.level)?;
    check_units(units)?;
    if of_role(units, Role::Signed).next().is_none() {
        return Ok(Effectiveness::NotEstimable(WhyNot::NoSigns));
    }
    let both: Vec<Unit> =
        units.iter().filter(|unit| unit.before.km > 0.0 && unit.after.km > 0.0).copied().collect();
    let n_of = |role: Role| of_role(&both, role).count();
    let (n_signs, n_controls) = (n_of(Role::Signed), n_of(Role::Control));
    if n_signs == 0 || n_controls == 0 {
        let why = if n_signs == 0 { WhyNot::SignsNotWalked } else { WhyNot::NoControls };
        return Ok(Effectiveness::NotEstimable(why));
    }
    let (signed_before, signed_after) = totals(&both, Role::Signed);
    let (control_before, control_after) = totals(&both, Role::Control);
    if control_before.count == 0 || control_after.count == 0 {
        return Ok(Effectiveness::NotEstimable(WhyNot::NoControlEncounters));
    }
    let control = changed(&both, Role::Control, chance);
    let residual = |unit: &Unit| unit.after.count as f64 - total(unit) * share_after(unit, control.ln_change);
    let residuals: Vec<f64> = of_role(&both, Role::Signed).map(residual).collect();
    let flips = flip_test(&residuals, params.seed);
    let observed = signed_after.count;
    let expected = control.ln_change.exp() * of_role(&both, Role::Signed).map(rate_before_after).sum::<f64>();
    let index = |change, std_error, (limits, basis), p_value| Index {
        n_signs,
        n_controls,
        observed,
        expected,
        change,
        std_error,
        limits,
        basis,
        p_value,
        flips,
        verdict: verdict(n_signs, limits, flips, 2.0 * beyond),
    };
    if signed_before.count == 0 || observed == 0 {
        let cells = Cells { signed_before, signed_after, control_before, control_after };
        let exact = before_after_control(&cells, params.level)?.limits;
        let widened = (deviate(&[&control], beyond) * control.excess.sqrt()).exp();
        let limits =
            RatioLimits { lower: exact.lower / widened, upper: exact.upper.map(|upper| upper * widened) };
        let p_value = match flips {
            FlipTest::Tested { p_value, .. } => p_value,
            FlipTest::NothingToFlip => 1.0,
        };
        let limits = (limits, LimitsBasis::Totals);
        return Ok(Effectiveness::Estimated(index(Change::ZeroCell, None, limits, p_value)));
    }
    let signed = changed(&both, Role::Signed, chance);
    let ln_effect = signed.ln_change - control.ln_change;
    let std_error = (signed.variance + control.variance).sqrt();
    let reach = deviate(&[&signed, &control], beyond) * std_error;
    let limits = RatioLimits { lower: (ln_effect - reach).exp(), upper: Some((ln_effect + reach).exp()) };
    let p_value = two_sided(ln_effect / std_error, degrees_of_freedom(&[&signed, &control]));
    let effect = ln_effect.exp();
    let limits = (limits, LimitsBasis::BySign);
    Ok(Effectiveness::Estimated(index(Change::Estimate(effect), Some(effect * std_error), limits, p_value)))
}

/// Satterthwaite's degrees of freedom of a sum of variances; `None` where none of them was estimated from units.
pub(super) fn degrees_of_freedom(parts: &[&Changed]) -> Option<f64> {
    let total: f64 = parts.iter().map(|part| part.variance).sum();
    let of_units = |part: &&Changed| part.freedom.map(|freedom| part.variance * part.variance / freedom);
    let uncertain: f64 = parts.iter().filter_map(of_units).sum();
    (uncertain > 0.0).then(|| total * total / uncertain)
}

/// What is beyond with this probability, in standard errors: Student's where the variance was estimated, else the normal's.
fn deviate(parts: &[&Changed], beyond: f64) -> f64 {
    let student = degrees_of_freedom(parts).and_then(|freedom| student_deviate(freedom, beyond).ok());
    student.unwrap_or_else(|| upper_deviate(beyond))
}

/// Of Student's t, its square over itself plus the degrees of freedom is a beta variable.
pub(super) fn two_sided(score: f64, freedom: Option<f64>) -> f64 {
    match freedom {
        Some(freedom) => beta_tails(0.5 * freedom, 0.5, (freedom / (score * score)).ln()).0,
        None => chi_squared_tail(score * score),
    }
}

/// The change of a role's rates, after over before.
pub(super) struct Changed {
    pub(super) ln_change: f64,
    /// Variance of the logarithm, by unit where that is more.
    pub(super) variance: f64,
    /// What of it is more than chance alone gives.
    excess: f64,
    /// Degrees of freedom of a variance by unit.
    freedom: Option<f64>,
}

impl Changed {
    /// From every unit's total, the share of it expected after at this change, and what was counted after.
    pub(super) fn at(ln_change: f64, units: impl Iterator<Item = (f64, f64, f64)>) -> Self {
        Self::with_chance(ln_change, units.map(|unit| (unit, poisson_chance(unit))))
    }

    /// The same, with the variance that chance alone gives every unit's count.
    fn with_chance(ln_change: f64, units: impl Iterator<Item = ((f64, f64, f64), f64)>) -> Self {
        let (mut information, mut chance, mut squares, mut n) = (0.0, 0.0, 0.0, 0.0);
        for ((total, share, after), of_unit) in units {
            information += total * share * (1.0 - share);
            chance += of_unit;
            squares += (after - total * share).powi(2);
            n += 1.0;
        }
        let by_unit = if n > 1.0 { squares * n / (n - 1.0) } else { 0.0 };
        let squared = information * information;
        Self {
            ln_change,
            variance: chance.max(by_unit) / squared,
            excess: (by_unit - chance).max(0.0) / squared,
            freedom: (by_unit > chance).then_some(n - 1.0),
        }
    }
}

/// Given its total, the count of after is binomial where both counts are Poisson.
fn poisson_chance((total, share, _): (f64, f64, f64)) -> f64 {
    total * share * (1.0 - share)
}

/// Of `after` less its share of the total, where both counts are binomial with these shares of their bases.
fn binomial_chance(unit: &Unit, share_after: f64, (before, after): (Period, Period)) -> f64 {
    let of = |period: Period, all: Period| {
        let share = (all.count as f64 / all.km).min(1.0);
        period.km * share * (1.0 - share)
    };
    (1.0 - share_after).powi(2) * of(unit.after, after) + share_after.powi(2) * of(unit.before, before)
}

fn total(unit: &Unit) -> f64 {
    (unit.before.count + unit.after.count) as f64
}

/// What the rate before gives in the kilometres of after.
fn rate_before_after(unit: &Unit) -> f64 {
    unit.before.count as f64 * unit.after.km / unit.before.km
}

/// Probability that an encounter of a unit falls into `after`.
fn share_after(unit: &Unit, ln_change: f64) -> f64 {
    let odds = ln_change.exp() * unit.after.km / unit.before.km;
    odds / (1.0 + odds)
}

/// Both periods must hold encounters.
fn changed(units: &[Unit], role: Role, chance: Chance) -> Changed {
    let n_after: f64 = of_role(units, role).map(|unit| unit.after.count as f64).sum();
    let expected = |ln_change: f64| -> f64 {
        of_role(units, role).map(|unit| total(unit) * share_after(unit, ln_change)).sum()
    };
    let ln_change = bisect((-60.0, 60.0), |ln| expected(ln) - n_after);
    let all = totals(units, role);
    let of_unit = |unit: &Unit| {
        let counted = (total(unit), share_after(unit, ln_change), unit.after.count as f64);
        let by_chance = match chance {
            Chance::OfEvents => poisson_chance(counted),
            Chance::OfShares => binomial_chance(unit, counted.1, all),
        };
        (counted, by_chance)
    };
    Changed::with_chance(ln_change, of_role(units, role).map(of_unit))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::before_after::Period;
    use crate::analysis::counts::testing::close;

    fn unit(before: (u64, f64), after: (u64, f64), role: Role) -> Unit {
        let period = |(count, km)| Period { count, km };
        Unit { before: period(before), after: period(after), role }
    }

    #[test]
    fn one_unit_of_each_role_is_the_ratio_of_ratios() {
        // As a log-linear Poisson model of four cells: 0.410288880095, standard error of the log 0.219149072071.
        let units =
            [unit((120, 900.0), (60, 950.0), Role::Signed), unit((80, 700.0), (95, 720.0), Role::Control)];
        let found = later_baseline(&units, &CompareParams::default()).unwrap();
        let Effectiveness::Estimated(index) = found else { panic!() };
        close(index.change.estimate().unwrap(), 0.410288880095, 1e-9);
        close(index.std_error.unwrap(), 0.410288880095 * 0.219149072071, 1e-9);
        close(index.limits.lower, 0.267023643974, 1e-6);
    }

    #[test]
    fn signs_that_differ_among_each_other_widen_the_limits() {
        let control = unit((50, 100.0), (50, 100.0), Role::Control);
        let alike = [unit((20, 100.0), (10, 100.0), Role::Signed); 8];
        let mut apart = alike;
        for (idx, unit) in apart.iter_mut().enumerate() {
            unit.after.count = if idx % 2 == 0 { 0 } else { 20 };
        }
        let width = |signed: &[Unit]| {
            let units: Vec<Unit> = signed.iter().copied().chain([control, control]).collect();
            let Effectiveness::Estimated(index) = later_baseline(&units, &CompareParams::default()).unwrap()
            else {
                panic!()
            };
            (index.limits.upper.unwrap() / index.limits.lower).ln()
        };
        assert!(width(&apart) > 1.5 * width(&alike));
    }

    #[test]
    fn an_empty_cell_gives_no_estimate() {
        let mut units = vec![unit((3, 100.0), (0, 100.0), Role::Signed); 7];
        units.push(unit((50, 100.0), (50, 100.0), Role::Control));
        let Effectiveness::Estimated(index) = later_baseline(&units, &CompareParams::default()).unwrap()
        else {
            panic!()
        };
        assert_eq!((index.change, index.limits.lower), (Change::ZeroCell, 0.0));
        assert_eq!(index.basis, LimitsBasis::Totals);
        let upper = index.limits.upper.unwrap();
        assert!(upper < 1.0);
        // The same totals on controls that went different ways say less.
        units.pop();
        for (before, after) in [(5, 15), (15, 5), (10, 20), (20, 10)] {
            units.push(unit((before, 25.0), (after, 25.0), Role::Control));
        }
        let Effectiveness::Estimated(apart) = later_baseline(&units, &CompareParams::default()).unwrap()
        else {
            panic!()
        };
        assert_eq!(apart.limits.lower, 0.0);
        assert!(apart.limits.upper.unwrap() > 1.5 * upper, "{:?} and {upper}", apart.limits);
    }

    #[test]
    fn tails_of_student() {
        // With 5 degrees of freedom 2.5706 has 0.025 above it, with 1 degree 12.706; with none estimated it is 1.96.
        for (score, freedom) in [(2.570582, Some(5.0)), (12.706205, Some(1.0)), (1.959964, None)] {
            close(two_sided(score, freedom), 0.05, 1e-5);
            close(two_sided(-score, freedom), 0.05, 1e-5);
        }
    }
}
