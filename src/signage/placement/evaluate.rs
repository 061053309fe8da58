//! How good a choice is, on draws that did not make it.
//!
//! A choice made on noisy rates looks better on those same rates than it is, since it went where they were high by
//! chance. So half of the draws choose and the other half judge.

use rayon::prelude::*;

use crate::signage::placement::demand::{Demand, Risk};
use crate::signage::placement::residual::Reduction;
use crate::signage::placement::rules::{InvalidRules, Rules};
use crate::signage::placement::selection::improved;

/// Draws that choose and draws that judge.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Split {
    /// Even draws: they choose.
    pub selection: Vec<usize>,
    /// Odd draws: they judge; none when there is one draw only.
    pub held_back: Vec<usize>,
}

impl Split {
    /// The split of so many draws.
    pub fn of(n_draws: usize) -> Self {
        let (selection, held_back) = (0..n_draws).partition(|draw| draw % 2 == 0);
        Self { selection, held_back }
    }
}

/// The share of expected encounters whose walkers passed a sign within its reach before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WarnedShare {
    /// The share over the draws.
    Estimated {
        /// Mean over the draws.
        mean: f64,
        /// Lower limit of the central 95 % of the draws.
        lower: f64,
        /// Upper limit.
        upper: f64,
    },
    /// No draw expects any encounter, or there is no draw to judge by.
    NotEstimable,
}

/// How likely a warned walker is to act on the warning: a range, since nobody has measured it here.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeedRange {
    /// Lowest probability considered, in [0, 1].
    pub low: f64,
    /// Highest.
    pub high: f64,
}

impl Default for HeedRange {
    /// 0.2 to 0.8.
    fn default() -> Self {
        Self { low: 0.2, high: 0.8 }
    }
}

impl WarnedShare {
    /// The range of the share of encounters whose walkers were warned and heed it: from the lower limit at the lowest
    /// probability to the upper limit at the highest. `None` when the share is not estimable.
    pub fn heeded(&self, heed: HeedRange) -> Option<(f64, f64)> {
        match *self {
            Self::Estimated { lower, upper, .. } => Some((lower * heed.low, upper * heed.high)),
            Self::NotEstimable => None,
        }
    }
}

/// The warned share of the given signs (standing ones included) over the given draws.
pub fn warned_share(demand: &Demand, risk: &Risk, draws: &[usize], signs: &[usize]) -> WarnedShare {
    warned_shares(demand, risk, draws, signs).pop().unwrap_or(WarnedShare::NotEstimable)
}

/// The warned share of the first of the given signs, for none, one, two and so on up to all.
pub fn warned_shares(demand: &Demand, risk: &Risk, draws: &[usize], signs: &[usize]) -> Vec<WarnedShare> {
    let shares = |&draw: &usize| {
        let coverage = demand.coverage_at(&risk.mean_over(&[draw]));
        let total = coverage.total_weight();
        let covered = std::iter::once(0.0).chain(coverage.covered_weights(signs));
        (total > 0.0).then(|| covered.map(|weight| weight / total).collect::<Vec<f64>>())
    };
    let by_draw: Vec<Vec<f64>> = draws.par_iter().filter_map(shares).collect();
    (0..=signs.len()).map(|n| share_over(by_draw.iter().map(|shares| shares[n]).collect())).collect()
}

fn share_over(mut shares: Vec<f64>) -> WarnedShare {
    if shares.is_empty() {
        return WarnedShare::NotEstimable;
    }
    shares.sort_unstable_by(f64::total_cmp);
    let mean = shares.iter().sum::<f64>() / shares.len() as f64;
    WarnedShare::Estimated { mean, lower: quantile(&shares, 0.025), upper: quantile(&shares, 0.975) }
}

/// The quantile of ascending values, linear between neighbours (Hyndman & Fan 1996, type 7).
fn quantile(ascending: &[f64], probability: f64) -> f64 {
    let position = probability * (ascending.len() - 1) as f64;
    let (below, part) = (position.floor() as usize, position.fract());
    let above = (below + 1).min(ascending.len() - 1);
    ascending[below] + part * (ascending[above] - ascending[below])
}

/// For each site, the share of the given draws in which it is chosen when each draw chooses anew.
///
/// Each draw chooses by greedy addition and exchange, without proof. Without draws every share is zero.
///
/// # Errors
/// [`InvalidRules`] when the rules cannot be kept.
pub fn chosen_shares(
    demand: &Demand,
    risk: &Risk,
    draws: &[usize],
    rules: &Rules,
) -> Result<Vec<f64>, InvalidRules> {
    let reduction = Reduction::new(demand.walked(), rules)?;
    let choose = |&draw: &usize| improved(&reduction.at(&demand.weights(&risk.mean_over(&[draw])))).0;
    let choices: Vec<Vec<usize>> = draws.par_iter().map(choose).collect();
    let mut times = vec![0usize; demand.walked().n_sites()];
    choices.into_iter().flatten().for_each(|site| times[site] += 1);
    Ok(times.into_iter().map(|times| times as f64 / draws.len().max(1) as f64).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::{Edge, Graph};
    use crate::analysis::random::{seed_of, stream};
    use crate::signage::placement::exact::{SearchParams, best_choice};
    use crate::signage::placement::residual::Residual;
    use crate::signage::placement::walk::{Heading, WalkedLeg, WalkedTrip, sites_at_vertices};
    use rand_distr::{Distribution, Gamma};

    /// Four dead-end trails of ten segments from one trailhead, each walked to every depth.
    fn star() -> (Graph, Vec<WalkedTrip>) {
        let (n_arms, depth) = (4, 10);
        let vertex = |arm: usize, step: usize| if step == 0 { 0 } else { 1 + arm * depth + step - 1 };
        let mut edges = Vec::new();
        let mut trips = Vec::new();
        for arm in 0..n_arms {
            for step in 0..depth {
                edges.push(Edge { from: vertex(arm, step), to: vertex(arm, step + 1), length_m: 100.0 });
                let leg = |step: usize, heading| WalkedLeg { segment: arm * depth + step, heading };
                let out = (0..=step).map(|step| leg(step, Heading::Forward));
                let back = (0..=step).rev().map(|step| leg(step, Heading::Backward));
                let legs = out.chain(back).collect();
                trips.push(WalkedTrip { trailhead: 0, parties: 5.0, legs, leg_parties: Vec::new() });
            }
        }
        (Graph::new(1 + n_arms * depth, edges).unwrap(), trips)
    }

    /// Posterior draws of truly equal rates from few records: each segment's draws scatter round its own noisy mean.
    fn noisy_draws(n_segments: usize, n_draws: usize, seed: u64) -> Vec<f64> {
        let mut rates = vec![0.0; n_draws * n_segments];
        for segment in 0..n_segments {
            let mut rng = stream(seed_of(seed, "heeding"), segment as u64);
            let gamma = Gamma::new(0.5, 0.2).unwrap();
            for draw in 0..n_draws {
                rates[draw * n_segments + segment] = gamma.sample(&mut rng);
            }
        }
        rates
    }

    #[test]
    fn the_share_on_draws_that_chose_is_too_good() {
        let (graph, trips) = star();
        let demand = Demand::new(&graph, &trips, &sites_at_vertices(&graph), 200.0).unwrap();
        let mut differences = Vec::new();
        for seed in 0..20 {
            let n_draws = 8;
            let rates = noisy_draws(graph.n_edges(), n_draws, seed);
            let risk = Risk { n_draws, rate_per_km: &rates, contact_share: None };
            let split = Split::of(n_draws);
            let coverage = demand.coverage_at(&risk.mean_over(&split.selection));
            let choice = best_choice(&coverage, &Rules::sites(4), &SearchParams::default()).unwrap();
            let share = |draws: &[usize]| match warned_share(&demand, &risk, draws, &choice.sites) {
                WarnedShare::Estimated { mean, .. } => mean,
                WarnedShare::NotEstimable => panic!("there are encounters"),
            };
            differences.push(share(&split.selection) - share(&split.held_back));
        }
        let mean = differences.iter().sum::<f64>() / differences.len() as f64;
        assert!(mean > 0.02, "optimism of {mean} in the share");
    }

    #[test]
    fn a_reduction_with_other_weights_is_the_instance_with_them() {
        let (graph, trips) = star();
        let demand = Demand::new(&graph, &trips, &sites_at_vertices(&graph), 300.0).unwrap();
        let rates = noisy_draws(graph.n_edges(), 5, 8);
        let risk = Risk { n_draws: 5, rate_per_km: &rates, contact_share: None };
        let rules =
            Rules { existing: vec![2], required: vec![17], forbidden: vec![4, 5, 30], ..Rules::sites(4) };
        let reduction = Reduction::new(demand.walked(), &rules).unwrap();
        for draw in 0..5 {
            let rates = risk.mean_over(&[draw]);
            let (sites, value) = improved(&reduction.at(&demand.weights(&rates)));
            let coverage = demand.coverage_at(&rates);
            let anew = Residual::new(&coverage, &rules).unwrap();
            assert_eq!(sites, improved(&anew).0);
            let with_standing: Vec<usize> = sites.iter().copied().chain([2]).collect();
            assert!((value - coverage.covered_weight(&with_standing)).abs() < 1e-9 * value);
        }
    }

    #[test]
    fn shares_by_number_are_those_of_the_first_signs() {
        let (graph, trips) = star();
        let demand = Demand::new(&graph, &trips, &sites_at_vertices(&graph), 300.0).unwrap();
        let rates = noisy_draws(graph.n_edges(), 7, 8);
        let risk = Risk { n_draws: 7, rate_per_km: &rates, contact_share: None };
        let (draws, signs) = ([1, 3, 5], [7, 0, 21, 3]);
        let mean = |share: &WarnedShare| match *share {
            WarnedShare::Estimated { mean, .. } => mean,
            WarnedShare::NotEstimable => panic!("there are encounters"),
        };
        let shares = warned_shares(&demand, &risk, &draws, &signs);
        assert_eq!(shares.len(), 5);
        assert_eq!(mean(&shares[0]), 0.0);
        for n in 1..=4 {
            let alone: f64 = draws
                .iter()
                .map(|draw| {
                    let coverage = demand.coverage_at(&risk.mean_over(&[*draw]));
                    coverage.covered_weight(&signs[..n]) / coverage.total_weight() / 3.0
                })
                .sum();
            assert!((mean(&shares[n]) - alone).abs() < 1e-12, "{n}");
        }
    }

    #[test]
    fn shares_of_draws_sum_to_the_number_of_signs() {
        let (graph, trips) = star();
        let demand = Demand::new(&graph, &trips, &sites_at_vertices(&graph), 200.0).unwrap();
        let rates = noisy_draws(graph.n_edges(), 6, 3);
        let risk = Risk { n_draws: 6, rate_per_km: &rates, contact_share: None };
        let draws: Vec<usize> = (0..6).collect();
        let shares = chosen_shares(&demand, &risk, &draws, &Rules::sites(3)).unwrap();
        assert!((shares.iter().sum::<f64>() - 3.0).abs() < 1e-9);
        assert!(shares.iter().all(|share| (0.0..=1.0 + 1e-9).contains(share)));
    }

    #[test]
    fn without_encounters_or_draws_there_is_no_share() {
        let (graph, trips) = star();
        let demand = Demand::new(&graph, &trips, &sites_at_vertices(&graph), 200.0).unwrap();
        let rates = vec![0.0; graph.n_edges()];
        let risk = Risk { n_draws: 1, rate_per_km: &rates, contact_share: None };
        assert_eq!(warned_share(&demand, &risk, &[0], &[1]), WarnedShare::NotEstimable);
        assert_eq!(warned_share(&demand, &risk, &[], &[1]), WarnedShare::NotEstimable);
        assert_eq!(WarnedShare::NotEstimable.heeded(HeedRange::default()), None);
    }

    #[test]
    fn heeding_is_a_range_of_its_own() {
        let share = WarnedShare::Estimated { mean: 0.5, lower: 0.4, upper: 0.6 };
        let (low, high) = share.heeded(HeedRange::default()).unwrap();
        assert!((low - 0.08).abs() < 1e-12 && (high - 0.48).abs() < 1e-12);
    }

    #[test]
    fn quantiles_are_linear_between_draws() {
        assert_eq!(quantile(&[1.0, 2.0, 3.0], 0.25), 1.5);
        assert_eq!(quantile(&[4.0], 0.975), 4.0);
    }
}
