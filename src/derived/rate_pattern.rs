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
    /// The stretches with an expectation, mean over the same allocations.
    pub sites: Vec<PatternSite>,
}

/// A number against one rate for all stretches, and against the fitted rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Against {
    /// Against one rate for all.
    pub against_even: f64,
    /// Against the fitted rates.
    pub against_fit: f64,
}

/// What is left over on a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatternSite {
    /// The stretch, an index into the rates.
    pub stretch: usize,
    /// Reports, mean over allocations.
    pub count: f64,
    /// What was expected, scaled to the reports of all stretches.
    pub expected: Against,
    /// Reports less expectation, over the root of the expectation.
    pub residual: Against,
    /// The mean residual of the stretches that touch it; none where it touches none with an expectation.
    pub neighbours: Option<Against>,
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
    let walked = rates::walked_weighed(set, exposure, rates.timing.as_ref())?;
    let even = match &rates.timing {
        None => set.fit.units.iter().map(|unit| unit.exposure_km * reference).collect(),
        Some(_) => walked.means().into_iter().map(|km| km * reference).collect(),
    };
    let even = judged(even);
    let fitted = judged(fit_rates::expected_counts(&set.fit, &walked).map_err(DeriveError::internal)?);
    let counts = rates::stretch_counts(facts, layer, exposure, snaps, rates);
    let pattern = |expected: &[f64]| pattern(&counts, expected, &weights, facts.settings.seed());
    let sites = sites(&counts, &even, &fitted, &weights);
    Ok(RatePattern { against_even: pattern(&even)?, against_fit: pattern(&fitted)?, sites })
}

/// What is left over by stretch: the points of a Moran scatter plot.
fn sites(counts: &[Vec<u32>], even: &[f64], fitted: &[f64], weights: &Weights) -> Vec<PatternSite> {
    let used = || counts.iter().take(N_ALLOCATIONS);
    let n_used = used().count().max(1) as f64;
    let mean = |site: usize| used().map(|row| f64::from(row[site])).sum::<f64>() / n_used;
    let judged: Vec<usize> =
        (0..even.len()).filter(|site| even[*site] > 0.0 && fitted[*site] > 0.0).collect();
    let means: Vec<f64> = (0..even.len()).map(mean).collect();
    let total: f64 = judged.iter().map(|site| means[*site]).sum();
    let scale = |expected: &[f64]| total / judged.iter().map(|site| expected[*site]).sum::<f64>();
    let (by_even, by_fit) = (scale(even), scale(fitted));
    let residual = |site: usize, expected: f64| (means[site] - expected) / expected.sqrt();
    let mut residuals: Vec<Option<Against>> = vec![None; even.len()];
    if total > 0.0 {
        for site in &judged {
            residuals[*site] = Some(Against {
                against_even: residual(*site, even[*site] * by_even),
                against_fit: residual(*site, fitted[*site] * by_fit),
            });
        }
    }
    let around = |site: usize| {
        let near: Vec<Against> = weights.row(site).filter_map(|(other, _)| residuals[other]).collect();
        let mean = |pick: fn(&Against) -> f64| near.iter().map(pick).sum::<f64>() / near.len() as f64;
        (!near.is_empty()).then(|| Against {
            against_even: mean(|it| it.against_even),
            against_fit: mean(|it| it.against_fit),
        })
    };
    let known = judged.iter().filter_map(|site| Some((*site, residuals[*site]?)));
    known
        .map(|(site, residual)| PatternSite {
            stretch: site,
            count: means[site],
            expected: Against { against_even: even[site] * by_even, against_fit: fitted[site] * by_fit },
            residual,
            neighbours: around(site),
        })
        .collect()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn residuals_and_those_of_neighbours_by_hand() {
        // Three stretches in a row and one without walking; expectations scale to 8 reports.
        let counts = vec![vec![5, 1, 2, 9]];
        let lists = [vec![1], vec![0, 2], vec![1, 3], vec![2]];
        let weights = Weights::binary(&lists).unwrap();
        let found = sites(&counts, &[2.0, 1.0, 1.0, 0.0], &[1.0, 1.0, 2.0, 0.0], &weights);
        assert_eq!(found.iter().map(|it| it.stretch).collect::<Vec<_>>(), [0, 1, 2]);
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} {b}");
        // Even: 4, 2, 2 expected.
        close(found[0].residual.against_even, 0.5);
        close(found[1].residual.against_even, -1.0 / 2f64.sqrt());
        close(found[2].residual.against_even, 0.0);
        close(found[1].neighbours.unwrap().against_even, 0.25);
        // Fitted: 2, 2, 4 expected.
        close(found[2].residual.against_fit, -1.0);
        close(found[2].neighbours.unwrap().against_fit, -1.0 / 2f64.sqrt());
        assert!(sites(&[vec![0, 0, 0, 0]], &[1.0; 4], &[1.0; 4], &weights).is_empty());
    }
}
