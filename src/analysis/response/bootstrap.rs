//! Limits of a share by resampling organisms.

use std::collections::BTreeMap;

use rand_distr::{Binomial, Distribution};
use rayon::prelude::*;

use crate::analysis::counts::binomial::exact_logits;
use crate::analysis::counts::half_alpha;
use crate::analysis::counts::quantiles::logistic;
use crate::analysis::random::{Stream, seed_of, stream};
use crate::analysis::response::InvalidApproaches;

/// With fewer organisms the percentiles of resampled shares are too narrow to be used.
pub const FEWEST_FOR_BOOTSTRAP: usize = 10;

/// One organism's approaches: how many, and in how many of them each reaction was shown.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct OrganismCount {
    /// Approaches, at least one.
    pub n_approaches: u32,
    /// Approaches that showed the reaction, one entry for each reaction asked about.
    pub n_shown: Vec<u32>,
}

/// How limits by organism are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BootstrapParams {
    /// Confidence level, a fraction in (0, 1).
    pub level: f64,
    /// Draws; 2,000 give the limits to about a hundredth of their width.
    pub n_draws: usize,
    /// Seed of the draws.
    pub seed: u64,
}

/// Limits of a share that hold when organisms differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusteredLimits {
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// How they were made.
    pub method: ClusterMethod,
}

/// How clustered limits were made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClusterMethod {
    /// Percentiles of the share over resampled organisms.
    Bootstrap,
    /// Clopper and Pearson's limits with each organism counted once, its share of showings as its part of an event.
    /// The widest that dependence within organisms can ask for.
    ClopperPearsonOnOrganisms(WhyNoBootstrap),
}

/// Why organisms were not resampled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyNoBootstrap {
    /// Every approach, or none, showed the reaction.
    NoVariation,
    /// Every organism was approached once: the limits are the exact ones.
    NoRepeats,
    /// There are fewer than [`FEWEST_FOR_BOOTSTRAP`].
    FewOrganisms,
    /// All organisms have the same share, so that resampling them gives one value.
    OrganismsAlike,
}

/// Clustered limits for each reaction, from the organisms behind one kind of contact.
///
/// Draw `i` takes the stream `i` of the seed. The list has an entry for each reaction, empty when there are no organisms.
///
/// # Errors
/// [`InvalidApproaches`] when the level is out of range or no draws are asked for.
///
/// # References
/// Davison, A. C. & Hinkley, D. V. (1997). *Bootstrap Methods and their Application*. Cambridge, section 3.8, resampling
/// the upper level only. Korn, E. L. & Graubard, B. I. (1998). Confidence intervals for proportions with small expected
/// number of positive counts estimated from survey data. *Survey Methodology* 24, 193-201, for exact limits at a
/// lessened number of trials.
pub fn clustered_limits(
    organisms: &[OrganismCount],
    params: BootstrapParams,
) -> Result<Vec<ClusteredLimits>, InvalidApproaches> {
    let beyond = half_alpha(params.level)?;
    if params.n_draws == 0 {
        return Err(InvalidApproaches::NoDraws);
    }
    let Some(first) = organisms.first() else { return Ok(Vec::new()) };
    let reasons: Vec<_> = (0..first.n_shown.len()).map(|term| why_no_bootstrap(organisms, term)).collect();
    let needs_draws = reasons.iter().any(Option::is_none);
    let draws = if needs_draws { resampled_shares(organisms, params) } else { Vec::new() };
    let limits = reasons.into_iter().enumerate().map(|(term, reason)| match reason {
        Some(why) => on_organisms(organisms, term, beyond, why),
        None => {
            let (lower, upper) = percentiles(draws.iter().map(|shares| shares[term]).collect(), beyond);
            ClusteredLimits { lower, upper, method: ClusterMethod::Bootstrap }
        }
    });
    Ok(limits.collect())
}

fn why_no_bootstrap(organisms: &[OrganismCount], term: usize) -> Option<WhyNoBootstrap> {
    let (shown, approaches) = totals(organisms, term);
    let alike = |organism: &OrganismCount| {
        u64::from(organism.n_shown[term]) * approaches == shown * u64::from(organism.n_approaches)
    };
    if shown == 0 || shown == approaches {
        Some(WhyNoBootstrap::NoVariation)
    } else if organisms.iter().all(|organism| organism.n_approaches == 1) {
        Some(WhyNoBootstrap::NoRepeats)
    } else if organisms.len() < FEWEST_FOR_BOOTSTRAP {
        Some(WhyNoBootstrap::FewOrganisms)
    } else if organisms.iter().all(alike) {
        Some(WhyNoBootstrap::OrganismsAlike)
    } else {
        None
    }
}

fn totals(organisms: &[OrganismCount], term: usize) -> (u64, u64) {
    organisms.iter().fold((0, 0), |(shown, approaches), organism| {
        (shown + u64::from(organism.n_shown[term]), approaches + u64::from(organism.n_approaches))
    })
}

fn on_organisms(
    organisms: &[OrganismCount],
    term: usize,
    beyond: f64,
    why: WhyNoBootstrap,
) -> ClusteredLimits {
    let (shown, approaches) = totals(organisms, term);
    let n_organisms = organisms.len() as f64;
    let events = n_organisms * (shown as f64 / approaches as f64);
    let (lower, upper) = exact_logits(events, n_organisms, beyond);
    ClusteredLimits {
        lower: lower.map_or(0.0, logistic),
        upper: upper.map_or(1.0, logistic),
        method: ClusterMethod::ClopperPearsonOnOrganisms(why),
    }
}

/// The share of each reaction in each draw.
///
/// Organisms with the same counts are drawn together: how often each kind comes up is multinomial, drawn as one
/// binomial after the other. Thousands of organisms met once have a few kinds.
fn resampled_shares(organisms: &[OrganismCount], params: BootstrapParams) -> Vec<Vec<f64>> {
    let n_terms = organisms[0].n_shown.len();
    let mut kinds: BTreeMap<&OrganismCount, u64> = BTreeMap::new();
    for organism in organisms {
        *kinds.entry(organism).or_default() += 1;
    }
    let one_draw = |draw: usize| {
        let mut rng = stream(seed_of(params.seed, "bootstrap of organisms"), draw as u64);
        let mut n_approaches = 0u64;
        let mut n_shown = vec![0u64; n_terms];
        let mut to_draw = organisms.len() as u64;
        let mut not_passed = organisms.len() as u64;
        for (kind, &n_of_kind) in &kinds {
            let times = binomial_draw(to_draw, n_of_kind as f64 / not_passed as f64, &mut rng);
            to_draw -= times;
            not_passed -= n_of_kind;
            n_approaches += times * u64::from(kind.n_approaches);
            for (total, shown) in n_shown.iter_mut().zip(&kind.n_shown) {
                *total += times * u64::from(*shown);
            }
        }
        n_shown.into_iter().map(|shown| shown as f64 / n_approaches as f64).collect()
    };
    (0..params.n_draws).into_par_iter().map(one_draw).collect()
}

fn binomial_draw(n: u64, share: f64, rng: &mut Stream) -> u64 {
    // The share is one for the last kind and a proper one before it; the library refuses only others.
    if share >= 1.0 { n } else { Binomial::new(n, share).map_or(n, |binomial| binomial.sample(rng)) }
}

fn percentiles(mut shares: Vec<f64>, beyond: f64) -> (f64, f64) {
    shares.sort_by(f64::total_cmp);
    let n = shares.len();
    // Outwards to the next draw: the lower limit is the draw of rank floor(beyond * (n + 1)).
    let outside = ((beyond * (n as f64 + 1.0)).floor() as usize).clamp(1, n);
    (shares[outside - 1], shares[n - outside])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::clopper_pearson_limits;
    use crate::analysis::counts::testing::close_pair;
    use rand::RngExt;
    use rand_distr::Beta;

    const PARAMS: BootstrapParams = BootstrapParams { level: 0.95, n_draws: 400, seed: 7 };

    fn limits_of(counts: &[(u32, u32)]) -> ClusteredLimits {
        let organisms: Vec<_> = counts
            .iter()
            .map(|&(shown, n_approaches)| OrganismCount { n_approaches, n_shown: vec![shown] })
            .collect();
        clustered_limits(&organisms, PARAMS).unwrap()[0]
    }

    #[test]
    fn without_variation_individuals_are_counted() {
        let limits = limits_of(&[(0, 5); 12]);
        assert_eq!(limits.method, ClusterMethod::ClopperPearsonOnOrganisms(WhyNoBootstrap::NoVariation));
        close_pair((limits.lower, limits.upper), clopper_pearson_limits(0, 12, 0.95).unwrap(), 1e-12);
        let limits = limits_of(&[(5, 5); 12]);
        close_pair((limits.lower, limits.upper), clopper_pearson_limits(12, 12, 0.95).unwrap(), 1e-12);
    }

    #[test]
    fn organisms_alike_are_not_certainty() {
        let limits = limits_of(&[(1, 2); 12]);
        assert_eq!(limits.method, ClusterMethod::ClopperPearsonOnOrganisms(WhyNoBootstrap::OrganismsAlike));
        close_pair((limits.lower, limits.upper), clopper_pearson_limits(6, 12, 0.95).unwrap(), 1e-12);
    }

    #[test]
    fn without_repeats_limits_are_the_exact_ones() {
        let mut counts = [(0, 1); 175];
        counts[..6].fill((1, 1));
        let limits = limits_of(&counts);
        // 6 of 175: 1.3 % to 7.3 %, R 4.2.2 binom.test.
        close_pair((limits.lower, limits.upper), (0.0126842943743, 0.0731288228672), 1e-9);
    }

    #[test]
    fn draws_repeat_and_follow_the_seed() {
        let counts: Vec<_> = (0..20).map(|idx| (idx % 4, 4)).collect();
        assert_eq!(limits_of(&counts), limits_of(&counts));
        assert_eq!(limits_of(&counts).method, ClusterMethod::Bootstrap);
        assert!(clustered_limits(&[], PARAMS).unwrap().is_empty());
        assert!(clustered_limits(&[], BootstrapParams { n_draws: 0, ..PARAMS }).is_err());
    }

    /// Repeated trials of the same organisms taken as independent: limits cover far less than they say.
    #[test]
    fn only_limits_by_organism_cover_repeated_trials() {
        let (n_runs, n_organisms, n_trials) = (400u64, 40, 8);
        // Mean share 0.3; shares of organisms spread so that trials of one correlate by 1 / (1 + 0.9 + 2.1) = 0.25.
        let propensity = Beta::new(0.9, 2.1).unwrap();
        let (mut naive, mut clustered) = (0, 0);
        for run in 0..n_runs {
            let mut rng = stream(41, run);
            let counts: Vec<(u32, u32)> = (0..n_organisms)
                .map(|_| {
                    let share: f64 = propensity.sample(&mut rng);
                    ((0..n_trials).filter(|_| rng.random::<f64>() < share).count() as u32, n_trials)
                })
                .collect();
            let shown: u32 = counts.iter().map(|(shown, _)| shown).sum();
            let trials = u64::from(n_trials) * n_organisms;
            let (lower, upper) = clopper_pearson_limits(u64::from(shown), trials, 0.95).unwrap();
            naive += u32::from(lower <= 0.3 && 0.3 <= upper);
            let limits = limits_of(&counts);
            clustered += u32::from(limits.lower <= 0.3 && 0.3 <= limits.upper);
        }
        let share = |covered: u32| f64::from(covered) / n_runs as f64;
        // The design effect is 1 + 7 * 0.25 = 2.75: naive limits should cover about 77 %.
        assert!(share(naive) < 0.85, "naive {}", share(naive));
        assert!(share(clustered) > 0.90, "clustered {}", share(clustered));
    }
}
