//! The posterior of a stratum's mean and spread, on a grid.
//!
//! The spread is the coefficient of variation (CV) of rates within a stratum; the shape of the gamma prior is 1/CV².
//! CV has a half-normal prior over all strata, and each stratum's CV a log-normal one around the shared value: strata
//! with few units take their spread from the rest, strata with many from themselves. The log mean of a stratum has a
//! normal prior around the log rate of all other strata in the same draw, which keeps a stratum's own records out of
//! its prior. Both priors are proper, so every posterior is.
//!
//! A unit that did not inform its stratum, since its exposure is assumed, is drawn towards the stratum's mean only as far as
//! its own records allow: they weigh the spreads and means that the stratum leaves open ([`Choices`]), for that unit alone.

use rand::RngExt;

use crate::analysis::random::Stream;
use crate::analysis::rates::input::HyperPrior;
use crate::analysis::rates::likelihood::Stratum;

/// Number of values of the CV; they stand closer together near zero.
const N_CV: usize = 32;
/// Largest CV on the grid: a shape of 1/16, far more uneven than any trail.
const MAX_CV: f64 = 4.0;
/// Number of values of the log mean at each CV, and their distance in posterior standard deviations.
const N_MEANS: usize = 9;
const MEAN_STEP: f64 = 0.8;
/// A CV this far below the best in log posterior gets no finer look.
const NEGLIGIBLE: f64 = 14.0;
/// Parts a cell of the CV grid is cut in when a value is drawn.
const N_PARTS: usize = 8;
/// The least CV drawn, so that shapes stay finite.
const MIN_CV: f64 = 1e-3;

/// Spreads that a unit which did not inform its stratum is weighed against: each for two neighbouring values of the CV.
pub(super) const N_CHOICES: usize = N_CV / 2;

/// The values of CV shared by every draw, with their prior and the pull between strata.
#[derive(Debug, Clone)]
pub(super) struct Grid {
    cv: [f64; N_CV],
    log_prior: [f64; N_CV],
    /// `pull[shared][own]`: log probability of a stratum's own CV given the shared one.
    pull: Vec<[f64; N_CV]>,
}

/// A gamma distribution of rates by its mean and its squared coefficient of variation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hyper {
    pub(super) mean_per_km: f64,
    pub(super) phi: f64,
}

impl Hyper {
    pub(super) fn shape(self) -> f64 {
        1.0 / self.phi
    }

    /// Inverse scale, in km.
    pub(super) fn rate_km(self) -> f64 {
        1.0 / (self.phi * self.mean_per_km)
    }
}

/// What one draw says about the strata.
#[derive(Debug, Clone)]
pub(super) struct HyperDraw {
    /// One draw from the joint posterior, by stratum.
    pub(super) strata: Vec<Hyper>,
    /// Posterior probability, by stratum, that rates within it do not differ, against even prior odds.
    pub(super) no_spread: Vec<f64>,
    /// By stratum what it leaves open; none where no unit asks.
    pub(super) choices: Vec<Option<Choices>>,
}

/// Distributions of rates over all spreads, weighted by what a stratum's units say of them.
#[derive(Debug, Clone)]
pub(super) struct Choices {
    pub(super) hypers: [Hyper; N_CHOICES],
    log_weight: [f64; N_CHOICES],
    /// `rising[count]`: the part of the log likelihood of a unit's count that depends on the spread alone.
    rising: Vec<[f64; N_CHOICES]>,
}

impl Choices {
    /// Tabulates counts up to the largest that is asked for.
    fn tabulate(&mut self, greatest: u32) {
        let mut sums = [0.0; N_CHOICES];
        self.rising.push(sums);
        for count in 0..greatest {
            for (sum, hyper) in sums.iter_mut().zip(&self.hypers) {
                *sum += (1.0 + f64::from(count) * hyper.phi).ln();
            }
            self.rising.push(sums);
        }
    }

    /// Draws the distribution of a unit whose evidence (count, km) goes beyond that by which it informed its stratum.
    ///
    /// No count is above the one that was tabulated.
    pub(super) fn pick(&self, all: (u32, f64), informed: (u32, f64), rng: &mut Stream) -> usize {
        let (all_rising, informed_rising) = (&self.rising[all.0 as usize], &self.rising[informed.0 as usize]);
        let weight = std::array::from_fn(|i| {
            let Hyper { mean_per_km, phi } = self.hypers[i];
            let of = |(count, km): (u32, f64)| {
                let count = f64::from(count);
                count * mean_per_km.ln() - (count + 1.0 / phi) * (phi * mean_per_km * km).ln_1p()
            };
            let of_informed = if informed.1 > 0.0 { of(informed) } else { 0.0 };
            self.log_weight[i] + all_rising[i] - informed_rising[i] + of(all) - of_informed
        });
        pick::<N_CHOICES>(&weight, rng)
    }
}

impl Grid {
    pub(super) fn new(prior: &HyperPrior) -> Self {
        let cv = std::array::from_fn(|i| MAX_CV * ((i as f64 + 0.5) / N_CV as f64).powi(2));
        let log_width: [f64; N_CV] = std::array::from_fn(|i| (edge(i + 1) - edge(i)).ln());
        let half_normal =
            |i: usize| log_width[i] - 0.5 * (f64::powi(cv[i], 2) / prior.variation_scale.powi(2));
        let log_prior = normalised(std::array::from_fn(half_normal));
        let pull = (0..N_CV)
            .map(|shared| {
                let log_density = |own: usize| {
                    let z = (f64::ln(cv[own]) - f64::ln(cv[shared])) / prior.variation_log_sd;
                    log_width[own] - f64::ln(cv[own]) - 0.5 * z * z
                };
                normalised(std::array::from_fn(log_density))
            })
            .collect();
        Self { cv, log_prior, pull }
    }

    /// Fits every stratum of one draw and draws its hyperparameters.
    ///
    /// Strata without units take both from the prior. At least one stratum has exposure. `asked` has by stratum the largest
    /// count of units that did not inform it, none where there are none; their choices take draws of their own.
    pub(super) fn draw(
        &self,
        strata: &[Stratum],
        prior: &HyperPrior,
        asked: &[Option<u32>],
        (rng, of_choices): (&mut Stream, &mut Stream),
    ) -> HyperDraw {
        let surfaces: Vec<Surface> = mean_priors(strata, prior)
            .into_iter()
            .zip(strata)
            .map(|(mean_prior, stratum)| Surface::new(self, stratum, mean_prior))
            .collect();
        let log_shared = self.shared_posterior(&surfaces);
        let shared = pick(&log_shared, rng);
        let strata = surfaces.iter().map(|surface| surface.draw(&self.pull[shared], rng)).collect();
        let no_spread = surfaces.iter().map(|surface| surface.no_spread_probability(self)).collect();
        let choices = surfaces.iter().zip(asked).map(|(surface, greatest)| {
            let greatest = (*greatest)?;
            let mut choices = self.choices(surface, &log_shared, of_choices);
            choices.tabulate(greatest);
            Some(choices)
        });
        HyperDraw { strata, no_spread, choices: choices.collect() }
    }

    /// One distribution for every two values of the CV, its mean drawn, with the posterior weight of these values.
    fn choices(&self, surface: &Surface, log_shared: &[f64; N_CV], rng: &mut Stream) -> Choices {
        let best = largest(&surface.log_marginal);
        let likelihood = surface.log_marginal.map(|value| (value - best).exp());
        let shared = normalised(*log_shared).map(f64::exp);
        let mut weight = [0.0; N_CV];
        for (pull, shared) in self.pull.iter().zip(shared) {
            let own: [f64; N_CV] = std::array::from_fn(|i| pull[i].exp() * likelihood[i]);
            let seen = own.iter().sum::<f64>().max(f64::MIN_POSITIVE);
            weight.iter_mut().zip(own).for_each(|(weight, own)| *weight += shared * own / seen);
        }
        let mut choices = Choices {
            hypers: [Hyper { mean_per_km: 0.0, phi: 1.0 }; N_CHOICES],
            log_weight: [0.0; N_CHOICES],
            rising: Vec::new(),
        };
        for (i, (hyper, log_weight)) in choices.hypers.iter_mut().zip(&mut choices.log_weight).enumerate() {
            let (one, other) = (weight[2 * i], weight[2 * i + 1]);
            *log_weight = (one + other).max(f64::MIN_POSITIVE).ln();
            let cell = 2 * i + usize::from(rng.random::<f64>() * (one + other) >= one);
            let cv = MAX_CV * ((cell as f64 + rng.random::<f64>()) / N_CV as f64).powi(2);
            *hyper = Hyper { mean_per_km: surface.means[cell].draw(rng), phi: cv.max(MIN_CV).powi(2) };
        }
        choices
    }

    /// Log posterior of the shared CV, not normalised.
    fn shared_posterior(&self, surfaces: &[Surface]) -> [f64; N_CV] {
        let mut log_posterior = self.log_prior;
        let pull: Vec<[f64; N_CV]> = self.pull.iter().map(|row| row.map(f64::exp)).collect();
        for surface in surfaces {
            let best = largest(&surface.log_marginal);
            let likelihood = surface.log_marginal.map(|value| (value - best).exp());
            for (target, row) in log_posterior.iter_mut().zip(&pull) {
                let seen: f64 = row.iter().zip(&likelihood).map(|(p, l)| p * l).sum();
                *target += seen.max(f64::MIN_POSITIVE).ln();
            }
        }
        log_posterior
    }
}

/// Normal prior of a log mean.
#[derive(Debug, Clone, Copy)]
struct MeanPrior {
    centre: f64,
    sd: f64,
}

impl MeanPrior {
    fn log_density(self, x: f64) -> f64 {
        let z = (x - self.centre) / self.sd;
        -0.5 * z * z - self.sd.ln()
    }
}

/// Prior of each stratum's log mean: around the raw rate of all other strata, with half an event more at the rate of all strata.
///
/// Half an event comes with the kilometres in which it is to be expected: without them a little walking and no record elsewhere would
/// pass for a high rate. As far as they weigh beside the kilometres of the others, the prior is as wide as that of a lone stratum.
fn mean_priors(strata: &[Stratum], prior: &HyperPrior) -> Vec<MeanPrior> {
    let n_events: f64 = strata.iter().map(|stratum| stratum.n_events).sum();
    let total_km: f64 = strata.iter().map(|stratum| stratum.total_km).sum();
    let added_km = 0.5 / ((n_events + 0.5) / total_km);
    strata
        .iter()
        .map(|stratum| {
            // Subtraction leaves dust where this stratum is the only one walked.
            let others_km = (total_km - stratum.total_km).max(0.0);
            let n_others = (n_events - stratum.n_events).max(0.0);
            let lone = added_km / (others_km + added_km);
            let variance = (1.0 - lone) * prior.mean_log_sd.powi(2) + lone * prior.lone_mean_log_sd.powi(2);
            MeanPrior { centre: ((n_others + 0.5) / (others_km + added_km)).ln(), sd: variance.sqrt() }
        })
        .collect()
}

/// Posterior of one stratum over (CV, log mean), its prior of CV left out.
#[derive(Debug, Clone)]
struct Surface {
    /// Log likelihood by CV with the mean integrated out.
    log_marginal: [f64; N_CV],
    means: [MeanSlice; N_CV],
    /// The same without any spread.
    no_spread: f64,
}

/// Log posterior of the log mean at one CV, at evenly spaced values.
#[derive(Debug, Clone, Copy)]
struct MeanSlice {
    centre: f64,
    sd: f64,
    log_weight: [f64; N_MEANS],
}

impl MeanSlice {
    /// Draws a mean rate, per km.
    fn draw(&self, rng: &mut Stream) -> f64 {
        let node = pick(&self.log_weight, rng) as f64 + rng.random::<f64>() - 0.5;
        (self.centre + self.sd * MEAN_STEP * (node - (N_MEANS / 2) as f64)).exp()
    }
}

impl Surface {
    fn new(grid: &Grid, stratum: &Stratum, prior: MeanPrior) -> Self {
        let fit = Slicer { stratum, prior };
        let mut start = prior.centre;
        if stratum.total_km > 0.0 {
            start = ((stratum.n_events + 0.5) / stratum.total_km).ln();
        }
        let mut log_marginal = [0.0; N_CV];
        let mut means = [MeanSlice { centre: start, sd: prior.sd, log_weight: [0.0; N_MEANS] }; N_CV];
        for (i, &cv) in grid.cv.iter().enumerate() {
            let (slice, laplace) = fit.laplace(cv * cv, start);
            (means[i], start) = (slice, slice.centre);
            log_marginal[i] = laplace + stratum.count_term(cv * cv);
        }
        let best = largest(&log_marginal);
        for (i, &cv) in grid.cv.iter().enumerate() {
            if log_marginal[i] > best - NEGLIGIBLE {
                log_marginal[i] = fit.refine(&mut means[i], cv * cv) + stratum.count_term(cv * cv);
            }
        }
        let (mut slice, _) = fit.laplace(0.0, means[0].centre);
        let no_spread = fit.refine(&mut slice, 0.0);
        Self { log_marginal, means, no_spread }
    }

    fn draw(&self, pull: &[f64; N_CV], rng: &mut Stream) -> Hyper {
        let log_weight: [f64; N_CV] = std::array::from_fn(|i| self.log_marginal[i] + pull[i]);
        let fine: [f64; N_CV * N_PARTS] = std::array::from_fn(|part| interpolated(&log_weight, part));
        let part = pick(&fine, rng);
        // Within a part values are drawn evenly, so that the grid leaves no steps in the result.
        let cell = (part as f64 + rng.random::<f64>()) / N_PARTS as f64;
        let cv = MAX_CV * (cell / N_CV as f64).powi(2);
        let mean_per_km = self.means[part / N_PARTS].draw(rng);
        Hyper { mean_per_km, phi: cv.max(MIN_CV).powi(2) }
    }

    /// Probability of no spread, from the ratio of marginal likelihoods at even odds.
    fn no_spread_probability(&self, grid: &Grid) -> f64 {
        let joint: [f64; N_CV] = std::array::from_fn(|i| self.log_marginal[i] + grid.log_prior[i]);
        let best = largest(&joint);
        let spread = best + joint.iter().map(|value| (value - best).exp()).sum::<f64>().ln();
        1.0 / (1.0 + (spread - self.no_spread).exp())
    }

    #[cfg(test)]
    fn cv_mean(&self, grid: &Grid) -> f64 {
        let joint: [f64; N_CV] = std::array::from_fn(|i| self.log_marginal[i] + grid.log_prior[i]);
        normalised(joint).iter().zip(grid.cv).map(|(log_p, cv)| log_p.exp() * cv).sum()
    }
}

/// Integrates the log mean of a stratum out at given spreads.
struct Slicer<'a> {
    stratum: &'a Stratum,
    prior: MeanPrior,
}

impl Slicer<'_> {
    /// The mode and width in the log mean, and the log marginal by Laplace's approximation.
    fn laplace(&self, phi: f64, start: f64) -> (MeanSlice, f64) {
        let precision = self.prior.sd.powi(-2);
        let (mut x, mut sd) = (start, self.prior.sd);
        // The posterior is log-concave in the log mean, so few steps suffice from a neighbour's mode.
        for _ in 0..12 {
            let term = self.stratum.mean_slope(x, phi);
            let curvature = term.curvature + precision;
            let step = (term.slope - (x - self.prior.centre) * precision) / curvature;
            sd = curvature.sqrt().recip();
            x += step.clamp(-2.0, 2.0);
            if step.abs() < 0.1 * sd {
                break;
            }
        }
        let value = self.stratum.mean_value(x, phi) + self.prior.log_density(x);
        let slice = MeanSlice { centre: x, sd, log_weight: gaussian_weights() };
        (slice, value + sd.ln() + 0.5 * std::f64::consts::TAU.ln())
    }

    /// The exact posterior at the nodes around a mode; returns the log marginal by the trapezium rule.
    fn refine(&self, slice: &mut MeanSlice, phi: f64) -> f64 {
        for (node, weight) in slice.log_weight.iter_mut().enumerate() {
            let x = slice.centre + slice.sd * MEAN_STEP * (node as f64 - (N_MEANS / 2) as f64);
            *weight = self.stratum.mean_value(x, phi) + self.prior.log_density(x);
        }
        let best = largest(&slice.log_weight);
        let sum: f64 = slice.log_weight.iter().map(|weight| (weight - best).exp()).sum();
        best + (sum * slice.sd * MEAN_STEP).ln()
    }
}

fn gaussian_weights() -> [f64; N_MEANS] {
    std::array::from_fn(|node| {
        let z = MEAN_STEP * (node as f64 - (N_MEANS / 2) as f64);
        -0.5 * z * z
    })
}

/// Log weight in the middle of a part of a cell, on the parabola through the nearest cell and its neighbours.
///
/// With thousands of units the posterior is narrower than a cell, while its logarithm is still smooth over several.
fn interpolated(log_weight: &[f64; N_CV], part: usize) -> f64 {
    let centre = (part / N_PARTS).clamp(1, N_CV - 2);
    let position = (part as f64 + 0.5) / N_PARTS as f64 - 0.5;
    let t = position - centre as f64;
    let [before, at, after] = [log_weight[centre - 1], log_weight[centre], log_weight[centre + 1]];
    at + t * (after - before) / 2.0 + t * t * (after - 2.0 * at + before) / 2.0
}

/// Lower edge of a cell of the CV grid.
fn edge(cell: usize) -> f64 {
    MAX_CV * (cell as f64 / N_CV as f64).powi(2)
}

fn largest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn normalised(log_weight: [f64; N_CV]) -> [f64; N_CV] {
    let best = largest(&log_weight);
    let log_sum = best + log_weight.iter().map(|value| (value - best).exp()).sum::<f64>().ln();
    log_weight.map(|value| value - log_sum)
}

/// Draws an index with probability proportional to the exponential of its log weight.
fn pick<const N: usize>(log_weight: &[f64; N], rng: &mut Stream) -> usize {
    let best = largest(log_weight);
    let weight = log_weight.map(|value| (value - best).exp());
    let mut left = rng.random::<f64>() * weight.iter().sum::<f64>();
    for (i, w) in weight.iter().enumerate() {
        left -= w;
        if left < 0.0 {
            return i;
        }
    }
    // Rounding can leave a crumb past the last weight.
    weight.iter().rposition(|&w| w > 0.0).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;
    use rand_distr::{Distribution, Gamma, Poisson};

    fn planted(n_units: usize, hyper: Hyper, seed: u64) -> Stratum {
        let mut rng = stream(seed, 0);
        let gamma = Gamma::new(hyper.shape(), 1.0 / hyper.rate_km()).unwrap();
        let units: Vec<(u32, f64)> = (0..n_units)
            .map(|_| {
                let km = 20.0 + 400.0 * rng.random::<f64>();
                let expected: f64 = gamma.sample(&mut rng) * km;
                (Poisson::new(expected.max(1e-12)).unwrap().sample(&mut rng) as u32, km)
            })
            .collect();
        Stratum::new(&units)
    }

    fn draws(strata: &[Stratum], n_draws: u64) -> Vec<HyperDraw> {
        let prior = HyperPrior::default();
        let grid = Grid::new(&prior);
        let asked = vec![None; strata.len()];
        let draw = |draw| grid.draw(strata, &prior, &asked, (&mut stream(7, draw), &mut stream(8, draw)));
        (0..n_draws).map(draw).collect()
    }

    fn mean_and_sd(values: &[f64]) -> (f64, f64) {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64;
        (mean, variance.sqrt())
    }

    #[test]
    fn finds_planted_mean_and_spread() {
        let truth = Hyper { mean_per_km: 0.02, phi: 0.36 };
        let drawn = draws(&[planted(3000, truth, 1)], 200);
        let (log_mean, log_mean_sd) =
            mean_and_sd(&drawn.iter().map(|d| d.strata[0].mean_per_km.ln()).collect::<Vec<_>>());
        let (cv, cv_sd) = mean_and_sd(&drawn.iter().map(|d| d.strata[0].phi.sqrt()).collect::<Vec<_>>());
        // Standard errors expected with 3,000 units: about 0.6/√3000 for the log mean, near 0.01 for the CV.
        assert!(
            (log_mean - 0.02_f64.ln()).abs() < 0.05 && (0.006..0.03).contains(&log_mean_sd),
            "{log_mean}"
        );
        assert!((cv - 0.6).abs() < 0.05 && (0.004..0.03).contains(&cv_sd), "{cv} {cv_sd}");
        assert!(drawn[0].no_spread[0] < 1e-6);
    }

    #[test]
    fn equal_rates_are_recognised_without_certainty() {
        let drawn = draws(&[planted(60, Hyper { mean_per_km: 0.02, phi: 1e-8 }, 2)], 200);
        assert!(drawn[0].no_spread[0] > 0.5, "{}", drawn[0].no_spread[0]);
        let cv: Vec<f64> = drawn.iter().map(|d| d.strata[0].phi.sqrt()).collect();
        assert!(mean_and_sd(&cv).0 > 0.02);
    }

    #[test]
    fn a_small_stratum_takes_its_mean_and_spread_from_the_rest() {
        let mut strata: Vec<Stratum> =
            (0..8).map(|s| planted(40, Hyper { mean_per_km: 0.02, phi: 0.25 }, 10 + s)).collect();
        strata.push(Stratum::new(&[(0, 1.0)]));
        strata.push(Stratum::new(&[]));
        let drawn = draws(&strata, 400);
        for small in [8, 9] {
            let (log_mean, sd) =
                mean_and_sd(&drawn.iter().map(|d| d.strata[small].mean_per_km.ln()).collect::<Vec<_>>());
            assert!((log_mean - 0.02_f64.ln()).abs() < 0.25 && (0.7..1.15).contains(&sd), "{log_mean} {sd}");
            let (cv, _) = mean_and_sd(&drawn.iter().map(|d| d.strata[small].phi.sqrt()).collect::<Vec<_>>());
            assert!((0.35..0.75).contains(&cv), "{cv}");
        }
    }

    /// Three reports in 150 km on one trail; of the other one kilometre is known, without a report.
    #[test]
    fn a_little_walking_without_a_record_is_no_high_rate() {
        let strata = [Stratum::new(&[(3, 150.0)]), Stratum::new(&[(0, 1.0)])];
        let prior = HyperPrior::default();
        let priors = mean_priors(&strata, &prior);
        let per_1000_km = priors.iter().map(|prior| 1000.0 * prior.centre.exp()).collect::<Vec<_>>();
        assert!(
            (per_1000_km[0] - 22.1).abs() < 0.1 && (per_1000_km[1] - 20.4).abs() < 0.1,
            "{per_1000_km:?}"
        );
        // Alone a trail has the wide prior at its own rate; among many the others' rate.
        let lone = mean_priors(&strata[..1], &prior)[0];
        assert!((lone.centre - (3.5f64 / 150.0).ln()).abs() < 1e-12 && lone.sd == prior.lone_mean_log_sd);
        let many = vec![Stratum::new(&[(300, 15_000.0)]); 3];
        let among = mean_priors(&many, &prior)[0];
        assert!((among.centre - 0.02f64.ln()).abs() < 1e-3 && (among.sd - prior.mean_log_sd).abs() < 0.01);
        let median = |centre_of_first: Option<f64>| {
            let grid = Grid::new(&prior);
            let mut drawn: Vec<f64> = match centre_of_first {
                None => draws(&strata, 400).iter().map(|d| d.strata[0].mean_per_km).collect(),
                Some(centre) => {
                    let surface =
                        Surface::new(&grid, &strata[0], MeanPrior { centre, sd: prior.mean_log_sd });
                    (0..400)
                        .map(|i| surface.draw(&grid.pull[N_CV / 2], &mut stream(7, i)).mean_per_km)
                        .collect()
                }
            };
            drawn.sort_by(f64::total_cmp);
            1000.0 * drawn[200]
        };
        let (right, naive) = (median(None), median(Some((0.5f64 / 1.0).ln())));
        assert!((15.0..27.0).contains(&right) && naive > 30.0, "{right} {naive}");
    }

    #[test]
    fn the_grid_integrates_to_the_posterior_mean_of_fine_quadrature() {
        let units = [(0, 30.0), (3, 55.0), (9, 61.0), (1, 12.0), (0, 8.0), (4, 70.0)];
        let (stratum, prior) = (Stratum::new(&units), MeanPrior { centre: -3.0, sd: 1.0 });
        let grid = Grid::new(&HyperPrior::default());
        let surface = Surface::new(&grid, &stratum, prior);
        let (mut top, mut bottom) = (0.0, 0.0);
        for i in 0..2000 {
            let cv = (f64::from(i) + 0.5) * MAX_CV / 2000.0;
            for j in 0..400 {
                let x = -7.0 + f64::from(j) * 0.02;
                let log_weight =
                    stratum.count_term(cv * cv) + stratum.mean_value(x, cv * cv) + prior.log_density(x)
                        - 0.5 * cv * cv;
                let weight = (log_weight + 70.0).exp();
                top += weight * cv;
                bottom += weight;
            }
        }
        assert!((surface.cv_mean(&grid) - top / bottom).abs() < 0.005, "{}", top / bottom);
    }
}
