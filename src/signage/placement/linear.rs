//! The same question as a linear or mixed-integer programme for a general solver: a second opinion on small instances.

use std::collections::BTreeSet;

use good_lp::{Expression, ResolutionError, Solution, SolverModel, Variable, microlp, variable, variables};

use crate::signage::placement::coverage::Coverage;
use crate::signage::placement::rules::{InvalidRules, Rules};

/// Whether a site may be chosen in part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sites {
    /// Wholly or not at all: the value is the optimum.
    Whole,
    /// In part: the value is the linear-programming bound.
    InPart,
}

/// Why a general solver gave no value.
#[derive(Debug, thiserror::Error)]
pub enum LinearError {
    /// The rules cannot be kept.
    #[error(transparent)]
    Rules(#[from] InvalidRules),
    /// The solver gave up.
    #[error("the solver gave no optimum: {0}")]
    Solver(#[from] ResolutionError),
}

/// The most weight that sites within the rules can cover, by a general solver.
///
/// Meant for a few hundred sites; the search of [`best_choice`](crate::signage::placement::exact::best_choice) is far
/// faster. Standing signs cover at no cost.
///
/// # Errors
/// [`LinearError`] when the rules cannot be kept or the solver fails.
pub fn optimum_by_solver(coverage: &Coverage, rules: &Rules, sites: Sites) -> Result<f64, LinearError> {
    rules.check(coverage.n_sites())?;
    let mut is_standing = vec![false; coverage.n_sites()];
    rules.existing.iter().for_each(|&site| is_standing[site] = true);
    let mut problem = variables!();
    let one_site = match sites {
        Sites::Whole => variable().binary(),
        Sites::InPart => variable().min(0).max(1),
    };
    let chosen = problem.add_vector(one_site, coverage.n_sites());
    let covered = problem.add_vector(variable().min(0).max(1), coverage.n_elements());
    let value: Expression = covered.iter().zip(coverage.weights()).map(|(&z, &weight)| weight * z).sum();
    let sum = |sites: &mut dyn Iterator<Item = usize>| sites.map(|site| chosen[site]).sum::<Expression>();
    let mut model = problem.maximise(&value).using(microlp);
    for (element, &z) in covered.iter().enumerate() {
        let mut covering = coverage.sites_of(element).iter().map(|&site| site as usize);
        model = model.with(Expression::from(z).leq(sum(&mut covering)));
    }
    let paying = (0..coverage.n_sites()).filter(|&site| !is_standing[site]);
    let cost: Expression = paying.map(|site| rules.cost(site) * chosen[site]).sum();
    model = model.with(cost.leq(rules.capacity()));
    for group in &rules.at_most {
        let members: BTreeSet<usize> = group.sites.iter().copied().collect();
        let n_standing = members.iter().filter(|&&site| is_standing[site]).count();
        let most = group.most.max(n_standing) as f64;
        model = model.with(sum(&mut members.into_iter()).leq(most));
    }
    for (site, &is_standing) in is_standing.iter().enumerate() {
        let must = is_standing || rules.required.contains(&site);
        if must {
            model = model.with(Expression::from(chosen[site]).geq(1.0));
        } else if rules.forbidden.contains(&site) {
            model = model.with(Expression::from(chosen[site]).leq(0.0));
        }
    }
    let solution = model.solve()?;
    let at = |z: &Variable| solution.value(*z);
    Ok(covered.iter().zip(coverage.weights()).map(|(z, weight)| weight * at(z)).sum())
}
