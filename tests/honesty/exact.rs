//! Coverage of limits for counts, summed over every count there may be.

use statrs::distribution::Binomial;
use statrs::distribution::Continuous;
use statrs::distribution::Discrete;
use statrs::distribution::Gamma;
use statrs::distribution::Poisson;

use coilway::analysis::counts::RatioLimits;
use coilway::analysis::counts::binomial;
use coilway::analysis::counts::fisher::fisher_exact;
use coilway::analysis::counts::poisson;
use coilway::analysis::counts::rate_ratio::Counted;
use coilway::analysis::counts::rate_ratio::rate_ratio;

use crate::measured::AVERAGED;
use crate::measured::EXACT;
use crate::measured::measured;

type Limits = (f64, f64);

fn holds(limits: Limits, truth: f64) -> bool {
    // Limits are found to a relative 1e-12 or so; a truth that is a limit must not fall out by rounding.
    limits.0 <= truth * (1.0 + 1e-9) && truth * (1.0 - 1e-9) <= limits.1
}

fn least(values: impl IntoIterator<Item = f64>) -> f64 {
    values.into_iter().fold(1.0, f64::min)
}

/// Chance that the limits of a Poisson count hold its mean; `limits` by count.
fn poisson_coverage(mean: f64, limits: &[Limits]) -> f64 {
    let counts = Poisson::new(mean).unwrap();
    let missed = (0..).zip(limits).filter(|(_, limits)| !holds(**limits, mean));
    1.0 - missed.map(|(count, _)| counts.pmf(count)).sum::<f64>()
}

fn poisson_limits(limits: impl Fn(u64) -> Limits) -> Vec<Limits> {
    (0..400).map(limits).collect()
}

/// Means from 0.05 to 120.
fn means() -> impl Iterator<Item = f64> {
    (0..800).map(|k| 0.05 * (120.0f64 / 0.05).powf(f64::from(k) / 799.0))
}

#[test]
fn exact_poisson_limits_cover_at_least_their_level_everywhere() {
    let limits = poisson_limits(|count| poisson::poisson_limits(count, 0.95).unwrap());
    let coverage = least(means().map(|mean| poisson_coverage(mean, &limits)));
    measured("Garwood limits of a Poisson mean, least over 800 means", coverage, EXACT);
}

/// The naive way: a normal interval around the count. Kept to be seen failing.
#[test]
fn a_normal_interval_around_a_count_does_not() {
    let limits = poisson_limits(|count| {
        let count = count as f64;
        (count - 1.96 * count.sqrt(), count + 1.96 * count.sqrt())
    });
    let coverage = least(means().map(|mean| poisson_coverage(mean, &limits)));
    measured("naive: count ± 1.96 roots, least over 800 means", coverage, 0.0..=0.6);
}

/// The mean over a gamma prior, by quantiles of equal weight.
fn over_gamma(shape: f64, mean: f64, value: impl Fn(f64) -> f64) -> f64 {
    let prior = Gamma::new(shape, shape / mean).unwrap();
    let step = mean * 8.0 / 4000.0;
    let points = (0..4000).map(|k| (f64::from(k) + 0.5) * step);
    let (mut sum, mut weight) = (0.0, 0.0);
    for point in points {
        let density = prior.pdf(point);
        sum += density * value(point);
        weight += density;
    }
    sum / weight
}

#[test]
fn mid_p_poisson_limits_cover_their_level_on_average() {
    let limits = poisson_limits(|count| poisson::poisson_mid_p_limits(count, 0.95).unwrap());
    for mean in [3.0, 10.0, 30.0] {
        let coverage = over_gamma(2.0, mean, |truth| poisson_coverage(truth, &limits));
        measured(&format!("mid-p limits of a Poisson mean, gamma prior of mean {mean}"), coverage, AVERAGED);
    }
}

/// Chance that the limits of a binomial count hold its share; `limits` by count.
fn binomial_coverage(trials: u64, share: f64, limits: &[Limits]) -> f64 {
    let counts = Binomial::new(share, trials).unwrap();
    let held = (0..=trials).zip(limits).filter(|(_, limits)| holds(**limits, share));
    held.map(|(count, _)| counts.pmf(count)).sum()
}

const TRIALS: [u64; 7] = [1, 2, 5, 12, 30, 75, 200];

fn shares() -> impl Iterator<Item = f64> + Clone {
    (1..400).map(|k| f64::from(k) / 400.0)
}

#[test]
fn exact_binomial_limits_cover_at_least_their_level_everywhere() {
    for trials in TRIALS {
        let limits: Vec<Limits> = (0..=trials)
            .map(|count| binomial::clopper_pearson_limits(count, trials, 0.95).unwrap())
            .collect();
        let coverage = least(shares().map(|share| binomial_coverage(trials, share, &limits)));
        measured(&format!("Clopper–Pearson limits, {trials} trials, least over 399 shares"), coverage, EXACT);
    }
}

#[test]
fn mid_p_and_bayesian_binomial_limits_cover_their_level_on_average() {
    for trials in [12, 30, 75, 200] {
        let mid_p: Vec<Limits> =
            (0..=trials).map(|count| binomial::binomial_mid_p_limits(count, trials, 0.95).unwrap()).collect();
        let even = shares().map(|share| binomial_coverage(trials, share, &mid_p)).sum::<f64>() / 399.0;
        measured(&format!("mid-p limits of a share, {trials} trials, every share alike"), even, AVERAGED);
        let wilson: Vec<Limits> =
            (0..=trials).map(|count| binomial::wilson_limits(count, trials, 0.95).unwrap()).collect();
        let even = shares().map(|share| binomial_coverage(trials, share, &wilson)).sum::<f64>() / 399.0;
        measured(&format!("Wilson limits of a share, {trials} trials, every share alike"), even, AVERAGED);
        let jeffreys: Vec<Limits> =
            (0..=trials).map(|count| binomial::jeffreys_limits(count, trials, 0.95).unwrap()).collect();
        // Shares whose angles are even have Jeffreys' prior.
        let angles = (0..400).map(|k| (f64::from(k) + 0.5) / 400.0 * std::f64::consts::FRAC_PI_2);
        let shares: Vec<f64> = angles.map(|angle| angle.sin().powi(2)).collect();
        let averaged =
            shares.iter().map(|share| binomial_coverage(trials, *share, &jeffreys)).sum::<f64>() / 400.0;
        measured(
            &format!("Jeffreys limits of a share, {trials} trials, Jeffreys' prior"),
            averaged,
            AVERAGED,
        );
    }
}

/// Probabilities of a Poisson count up to where the rest is negligible.
fn poisson_points(mean: f64) -> Vec<f64> {
    let counts = Poisson::new(mean).unwrap();
    let most = (mean + 8.0 * mean.sqrt() + 12.0) as u64;
    (0..most).map(|count| counts.pmf(count)).collect()
}

fn ratio_coverage(
    (first, second): (f64, f64),
    (exposure_first, exposure_second): (f64, f64),
    limits: impl Fn(u64, u64) -> RatioLimits,
) -> f64 {
    let truth = (first / exposure_first) / (second / exposure_second);
    let mut missed = 0.0;
    for (a, chance_a) in (0..).zip(poisson_points(first)) {
        for (b, chance_b) in (0..).zip(poisson_points(second)) {
            // What is this improbable together cannot move a coverage by the fourth digit.
            if chance_a * chance_b > 1e-12 && !holds(bounds(&limits(a, b)), truth) {
                missed += chance_a * chance_b;
            }
        }
    }
    1.0 - missed
}

fn bounds(limits: &RatioLimits) -> Limits {
    (limits.lower, limits.upper.unwrap_or(f64::INFINITY))
}

#[test]
fn exact_rate_ratios_cover_at_least_their_level_everywhere() {
    let compare = |a, b, exposures: (f64, f64)| {
        let first = Counted { count: a, exposure: exposures.0 };
        rate_ratio(first, Counted { count: b, exposure: exposures.1 }, 0.95, 1.0).unwrap()
    };
    let exposures = (100.0, 40.0);
    let mut least_exact = 1.0f64;
    let (mut mid_p, mut n) = (0.0, 0);
    for first in [0.5, 2.0, 5.0, 9.0, 16.0] {
        for second in [0.3, 1.0, 3.5, 8.0, 15.0] {
            let exact = ratio_coverage((first, second), exposures, |a, b| compare(a, b, exposures).limits);
            least_exact = least_exact.min(exact);
            mid_p += ratio_coverage((first, second), exposures, |a, b| compare(a, b, exposures).mid_p_limits);
            n += 1;
        }
    }
    measured("exact limits of a rate ratio, least over 25 pairs of means", least_exact, EXACT);
    // Where hardly anything is counted mid-p limits hold nearly everything: averaged, they stay above the level.
    measured("mid-p limits of a rate ratio, mean over 25 pairs of means", mid_p / f64::from(n), 0.94..=1.0);
    // Averaged over a prior, uniform on means of 2 to 20 (its mean over a grid), they are near it.
    let (mut mid_p, mut n) = (0.0, 0);
    for first in [2.0, 5.0, 8.0, 11.0, 14.0, 17.0, 20.0] {
        for second in [2.0, 5.0, 8.0, 11.0, 14.0, 17.0, 20.0] {
            mid_p += ratio_coverage((first, second), exposures, |a, b| compare(a, b, exposures).mid_p_limits);
            n += 1;
        }
    }
    measured("mid-p limits of a rate ratio, mean over a prior of means", mid_p / f64::from(n), 0.93..=0.97);
}

#[test]
fn fishers_odds_ratio_covers_at_least_its_level_everywhere() {
    let mut least_exact = 1.0f64;
    for (n_first, n_second) in [(6, 9), (15, 15), (30, 12)] {
        let limits: Vec<Vec<Limits>> = (0..=n_first)
            .map(|a| {
                let row = (0..=n_second)
                    .map(|b| fisher_exact([[a, n_first - a], [b, n_second - b]], 0.95).unwrap());
                row.map(|found| bounds(&found.limits)).collect()
            })
            .collect();
        for share in [0.02, 0.1, 0.25, 0.5, 0.8] {
            for odds_ratio in [0.1, 0.5, 1.0, 2.0, 10.0] {
                let odds = odds_ratio * share / (1.0 - share);
                let first = Binomial::new(odds / (1.0 + odds), n_first).unwrap();
                let second = Binomial::new(share, n_second).unwrap();
                let mut held = 0.0;
                for a in 0..=n_first {
                    for b in 0..=n_second {
                        if holds(limits[a as usize][b as usize], odds_ratio) {
                            held += first.pmf(a) * second.pmf(b);
                        }
                    }
                }
                least_exact = least_exact.min(held);
            }
        }
    }
    measured("Fisher's limits of an odds ratio, least over 75 pairs of shares", least_exact, EXACT);
}
