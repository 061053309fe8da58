//! Whether the records of neighbouring stretches resemble each other, before and after the rates are fitted.

use std::collections::BTreeSet;

use crate::analysis::moran::ResidualMoran;
use crate::analysis::moran::residual_moran;
use crate::analysis::permutation::Sampling;
use crate::analysis::rates as fit_rates;
use crate::analysis::weights::Weights;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::snaps::SnapLayer;

/// Allocations of the ambiguous records over which the answer is taken.
const N_ALLOCATIONS: usize = 21;
/// Draws of the null for each of them.
const N_DRAWS: usize = 999;

/// Moran's I of what the counts of the stretches leave over.
#[derive(Debug)]
pub struct RatePattern {
    /// Against one rate for all stretches.
    pub against_even: Pattern,
    /// Against each stretch's own fitted rate: what the fit leaves.
    pub against_fit: Pattern,
}

/// Moran's I over allocations of the records.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pattern {
    /// The statistic with its tail.
    Estimated {
        /// Moran's I, median over allocations.
        statistic: f64,
        /// Two-sided p, median over allocations.
        p_value: f64,
        /// Stretches with an expectation.
        n_sites: usize,
        /// Allocations it was taken over.
        n_allocations: usize,
    },
    /// No encounters, or no neighbours among stretches with an expectation.
    NotEstimable,
}

/// Computes Moran's I of the stretches' counts, neighbours being stretches that touch.
///
/// # Errors
/// [`DeriveError::Internal`] when the layers do not fit together.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
    rates: &RateLayer,
) -> Result<RatePattern, DeriveError> {
    let weights = touching(layer, rates)?;
    let set = &rates.stretches;
    let reference = set.fit.reference_per_km.mean;
    // Stretches whose walking is assumed have no expectation here, and no part in the answer.
    let judged = |counts: Vec<f64>| -> Vec<f64> {
        let units = set.fit.units.iter().zip(counts);
        units.map(|(unit, count)| if unit.judged().is_some() { count } else { 0.0 }).collect()
    };
    let even = judged(set.fit.units.iter().map(|unit| unit.exposure_km * reference).collect());
    let walked = rates::walked(set, exposure)?;
    let fitted = judged(fit_rates::expected_counts(&set.fit, &walked).map_err(DeriveError::internal)?);
    let counts = rates::stretch_counts(facts, layer, exposure, snaps, rates);
    let pattern = |expected: &[f64]| pattern(&counts, expected, &weights, facts.settings.seed());
    Ok(RatePattern { against_even: pattern(&even)?, against_fit: pattern(&fitted)? })
}

fn pattern(
    counts: &[Vec<u32>],
    expected: &[f64],
    weights: &Weights,
    seed: u64,
) -> Result<Pattern, DeriveError> {
    let (mut statistics, mut p_values, mut sites) = (Vec::new(), Vec::new(), 0);
    for row in counts.iter().take(N_ALLOCATIONS) {
        let sampling = Sampling { n_draws: N_DRAWS, seed };
        let found = residual_moran(row, expected, weights, sampling).map_err(DeriveError::internal)?;
        if let ResidualMoran::Estimated { statistic, tails, n_sites } = found {
            statistics.push(statistic);
            p_values.push(f64::min(2.0 * tails.p_greater.min(tails.p_less), 1.0));
            sites = n_sites;
        }
    }
    let n_allocations = statistics.len();
    Ok(match (median(&mut statistics), median(&mut p_values)) {
        (Some(statistic), Some(p_value)) => {
            Pattern::Estimated { statistic, p_value, n_sites: sites, n_allocations }
        }
        _ => Pattern::NotEstimable,
    })
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// Weights of one between stretches that share a vertex.
fn touching(layer: &NetworkLayer, rates: &RateLayer) -> Result<Weights, DeriveError> {
    let graph = layer.network.graph();
    let mut lists = vec![BTreeSet::new(); rates.stretches.members.len()];
    for (segment, edge) in graph.edges().iter().enumerate() {
        let stretch = rates.stretch_of[segment];
        for end in [edge.from, edge.to].into_iter().flat_map(|vertex| graph.at(vertex)) {
            let other = rates.stretch_of[end.edge];
            if other != stretch {
                lists[stretch].insert(other);
            }
        }
    }
    let lists: Vec<Vec<usize>> = lists.into_iter().map(|list| list.into_iter().collect()).collect();
    Weights::binary(&lists).map_err(DeriveError::internal)
}
