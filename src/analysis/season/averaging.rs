//! Several numbers of harmonics averaged by how well they do.
//!
//! Where the criterion hardly prefers one model, what it chose says too little about months with few records: a gap of two
//! moves a quiet month tenfold. Each model takes part with its weight exp(-Δ/2), Δ its criterion above the smallest
//! (Burnham, K. P. & Anderson, D. R. (2002). *Model Selection and Multimodel Inference*, 2nd ed., sections 2.9 and 4.3). A
//! model is the fullest one with some coefficients at zero, so that log rates are averaged by averaging coefficients; the
//! variance is that within models plus that between them.

use crate::analysis::random::{seed_of, stream};
use crate::analysis::season::Candidate;
use crate::analysis::season::Term;
use crate::analysis::season::imputation::Pooled;
use crate::analysis::season::imputation::Sampler;
use crate::analysis::season::model::Model;
use rand::RngExt;

/// A model with less weight than this is left out.
const LEAST_WEIGHT: f64 = 0.01;

/// A model that takes part.
pub(super) struct Member {
    pub(super) model: Model,
    pub(super) weight: f64,
    pub(super) pooled: Pooled,
}

/// Models averaged, in the terms of the fullest.
pub(super) struct Average {
    pub(super) model: Model,
    pub(super) terms: Vec<Term>,
    pub(super) coefficients: Vec<f64>,
    pub(super) variances: Vec<f64>,
    pub(super) missing_shares: Vec<f64>,
    /// Coefficients of models taken by their weights, each drawn from its normal law.
    pub(super) draws: Vec<Vec<f64>>,
}

/// Weights by criterion, one a candidate; zero for those left out.
pub(super) fn weights(candidates: &[Candidate]) -> Vec<f64> {
    let best = candidates.iter().map(|it| it.qaic).fold(f64::INFINITY, f64::min);
    let mut weights: Vec<f64> = candidates.iter().map(|it| (-0.5 * (it.qaic - best)).exp()).collect();
    // Twice: what is left out gives its weight to the others.
    for least in [LEAST_WEIGHT, 0.0] {
        let total: f64 = weights.iter().sum();
        for weight in &mut weights {
            *weight = if *weight / total < least { 0.0 } else { *weight / total };
        }
    }
    weights
}

/// The members averaged, with `n_draws` draws, one stream each; weights sum to one. None without members.
pub(super) fn average(members: &[Member], n_draws: usize, seed: u64) -> Option<Average> {
    let model = fullest(members)?;
    let terms = model.terms();
    let places: Vec<Vec<usize>> = members
        .iter()
        .map(|member| {
            let own = member.model.terms();
            own.iter().filter_map(|term| terms.iter().position(|other| other == term)).collect()
        })
        .collect();
    let spread = |member: usize, values: &[f64]| -> Vec<f64> {
        let mut whole = vec![0.0; terms.len()];
        places[member].iter().zip(values).for_each(|(place, value)| whole[*place] = *value);
        whole
    };
    let wholes: Vec<Vec<f64>> =
        members.iter().enumerate().map(|(idx, member)| spread(idx, &member.pooled.coefficients)).collect();
    let mean = |values: &dyn Fn(usize, usize) -> f64| -> Vec<f64> {
        let of_term =
            |term: usize| (0..members.len()).map(|idx| members[idx].weight * values(idx, term)).sum();
        (0..terms.len()).map(of_term).collect()
    };
    let coefficients = mean(&|idx, term| wholes[idx][term]);
    let within: Vec<Vec<f64>> = members
        .iter()
        .enumerate()
        .map(|(idx, member)| spread(idx, member.pooled.covariance.diagonal().as_slice()))
        .collect();
    let variances = mean(&|idx, term| within[idx][term] + (wholes[idx][term] - coefficients[term]).powi(2));
    let missing: Vec<Vec<f64>> =
        members.iter().enumerate().map(|(idx, member)| spread(idx, &member.pooled.missing_shares)).collect();
    let missing_shares = mean(&|idx, term| missing[idx][term]);
    let samplers: Vec<Option<Sampler>> = members
        .iter()
        .map(|member| Sampler::new(&member.pooled.coefficients, member.pooled.covariance.clone()))
        .collect();
    let draw = |index: usize| {
        let mut rng = stream(seed_of(seed, "season"), index as u64);
        let mut left: f64 = rng.random();
        let within = |member: &Member| {
            left -= member.weight;
            left < 0.0
        };
        let taken = members.iter().position(within).unwrap_or(members.len() - 1);
        match &samplers[taken] {
            Some(sampler) => spread(taken, &sampler.draw(&mut rng)),
            None => wholes[taken].clone(),
        }
    };
    let draws = (0..n_draws).map(draw).collect();
    Some(Average { model, terms, coefficients, variances, missing_shares, draws })
}

/// The smallest model that holds all members: they differ in their numbers of harmonics alone.
fn fullest(members: &[Member]) -> Option<Model> {
    let first = members.first()?.model.clone();
    Some(members.iter().fold(first, |fullest, member| Model {
        season_harmonics: fullest.season_harmonics.max(member.model.season_harmonics),
        hour_harmonics: fullest.hour_harmonics.max(member.model.hour_harmonics),
        ..fullest
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    fn candidate(qaic: f64) -> Candidate {
        Candidate { season_harmonics: 0, hour_harmonics: 0, n_coefficients: 0, qaic, weight: 0.0 }
    }

    /// exp(-1) = 0.3679 of the best at a gap of two; a gap of twelve has 0.0025 and is left out.
    #[test]
    fn weights_follow_the_criterion() {
        let found = weights(&[candidate(100.0), candidate(102.0), candidate(112.0)]);
        assert!((found[0] - 1.0 / 1.367_879).abs() < 1e-6 && (found[1] - 0.268_941).abs() < 1e-6);
        assert_eq!(found[2], 0.0);
        assert_eq!(weights(&[candidate(3.0)]), [1.0]);
    }

    fn member(season_harmonics: usize, weight: f64, coefficients: &[f64], variance: f64) -> Member {
        let n = coefficients.len();
        Member {
            model: Model {
                has_intercept: false,
                levels: Vec::new(),
                years: Vec::new(),
                mean_temperature_c: None,
                season_harmonics,
                hour_harmonics: 0,
                season_levels: Vec::new(),
            },
            weight,
            pooled: Pooled {
                coefficients: coefficients.to_vec(),
                covariance: DMatrix::from_diagonal_element(n, n, variance),
                missing_shares: vec![0.0; n],
            },
        }
    }

    /// Half a model with one harmonic and half one with none: mean 0.5 and -1, variance half of 0.04 plus that between.
    #[test]
    fn the_variance_is_that_within_and_between() {
        let found =
            average(&[member(0, 0.5, &[], 0.0), member(1, 0.5, &[1.0, -2.0], 0.04)], 4000, 1).unwrap();
        assert_eq!(found.coefficients, [0.5, -1.0]);
        for (variance, expected) in found.variances.iter().zip([0.02 + 0.25, 0.02 + 1.0]) {
            assert!((variance - expected).abs() < 1e-12);
        }
        let n = found.draws.len() as f64;
        let mean = found.draws.iter().map(|draw| draw[0]).sum::<f64>() / n;
        let spread = found.draws.iter().map(|draw| (draw[0] - mean).powi(2)).sum::<f64>() / n;
        // Five standard errors of the mean; a twentieth of the variance.
        assert!(
            (mean - 0.5).abs() < 5.0 * (0.27 / n).sqrt() && (spread / 0.27 - 1.0).abs() < 0.05,
            "{mean} {spread}"
        );
        assert!(found.draws.iter().any(|draw| draw == &[0.0, 0.0]));
    }
}
