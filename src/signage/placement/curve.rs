//! What more signs would bring.

use std::collections::BTreeSet;

use rayon::prelude::*;

use crate::signage::placement::coverage::Coverage;
use crate::signage::placement::exact::{Choice, Prepared, SearchParams, best_choice};
use crate::signage::placement::rules::{InvalidRules, Limit, Rules};
use crate::signage::placement::selection::greedy;

/// The value reached with one number of signs.
#[derive(Debug, Clone, PartialEq)]
pub struct CurvePoint {
    /// How many signs may be chosen.
    pub n_sites: usize,
    /// Weight covered by the greedy choice of so many.
    pub greedy: f64,
    /// The best choice of so many, with its bound.
    pub best: Choice,
}

/// The weight covered with at most 1, 2, ... `most` signs under the other rules; `params` is the effort for each.
///
/// # Errors
/// [`InvalidRules`] when the rules cannot be kept. A number of signs below that of the required ones is left out.
pub fn curve(
    coverage: &Coverage,
    rules: &Rules,
    most: usize,
    params: &SearchParams,
) -> Result<Vec<CurvePoint>, InvalidRules> {
    let limited = |n_sites| Rules { limit: Limit::Sites(n_sites), ..rules.clone() };
    let ahead = greedy(coverage, &limited(most))?;
    let required: BTreeSet<usize> = rules.required.iter().copied().collect();
    let n_required = required.iter().filter(|site| !rules.existing.contains(site)).count();
    // With a sign to choose all others of them are open, however many may be chosen.
    let prepared = match most > n_required {
        true => Some(Prepared::new(coverage, &limited(most))?),
        false => None,
    };
    let point = |n_sites: usize| {
        let n_free = n_sites - n_required;
        let n_gains = n_free.min(ahead.gains.len());
        let greedy = ahead.start + ahead.gains[..n_gains].iter().sum::<f64>();
        let best = match &prepared {
            Some(prepared) if n_free > 0 => Ok(prepared.choosing(n_free).best(params)),
            _ => best_choice(coverage, &limited(n_sites), params),
        };
        best.map(|best| CurvePoint { n_sites, greedy, best })
    };
    (n_required.max(1)..=most).into_par_iter().map(point).collect()
}

/// The weight covered if every site that is not forbidden had a sign: what no number of signs can exceed.
///
/// # Errors
/// [`InvalidRules`] when the rules name a site that does not exist or contradict themselves.
pub fn ceiling(coverage: &Coverage, rules: &Rules) -> Result<f64, InvalidRules> {
    rules.check(coverage.n_sites())?;
    let mut allowed = vec![true; coverage.n_sites()];
    rules.forbidden.iter().for_each(|&site| allowed[site] = false);
    rules.existing.iter().for_each(|&site| allowed[site] = true);
    let sites: Vec<usize> = (0..coverage.n_sites()).filter(|&site| allowed[site]).collect();
    Ok(coverage.covered_weight(&sites))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_rises_to_the_ceiling() {
        let cover = [vec![0, 1, 2, 3, 4, 5], vec![0, 1, 2, 6, 7], vec![3, 4, 5, 8, 9], vec![10]];
        let weights = vec![2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 1.0, 1.0, 1.0, 1.0, 5.0];
        let coverage = Coverage::new(&cover, weights).unwrap();
        let rules = Rules { forbidden: vec![3], ..Rules::sites(0) };
        let points = curve(&coverage, &rules, 3, &SearchParams::default()).unwrap();
        let values: Vec<(usize, f64, f64)> =
            points.iter().map(|p| (p.n_sites, p.greedy, p.best.value)).collect();
        assert_eq!(values, [(1, 12.0, 12.0), (2, 14.0, 16.0), (3, 16.0, 16.0)]);
        assert_eq!(ceiling(&coverage, &rules).unwrap(), 16.0);
        for limit in 1..=3 {
            let alone = best_choice(
                &coverage,
                &Rules { limit: Limit::Sites(limit), ..rules.clone() },
                &SearchParams::default(),
            );
            assert_eq!(alone.unwrap(), points[limit - 1].best, "searched by itself");
        }
        let required = Rules { required: vec![1], ..rules };
        let points = curve(&coverage, &required, 2, &SearchParams::default()).unwrap();
        assert_eq!(points.iter().map(|p| p.best.value).collect::<Vec<_>>(), [8.0, 16.0]);
        assert_eq!(points[1].greedy, 16.0);
    }
}
