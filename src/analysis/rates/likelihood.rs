//! The negative binomial likelihood of a stratum's counts, given the mean and the spread of its rates.

use statrs::function::gamma::ln_gamma;

/// Distance between the exposures that stand in for many, in logs. Cubic weights then err by less than 1e-6 a unit.
const LOG_STEP: f64 = 0.125;

/// The counts and exposures of one stratum in one draw, reduced to what the likelihood needs.
///
/// A unit has a count n ~ Poisson(E λ) with λ ~ Gamma of mean m and squared coefficient of variation φ (shape 1/φ),
/// so that, up to terms free of m and φ,
///
/// log p(n) = Σ_{k<n} log(1 + kφ) + n log m − (n + 1/φ) log(1 + φ m E).
///
/// The first sum depends on the histogram of counts alone. The last is smooth in log E, so where a stratum has many
/// units they are spread on a short list of exposures with cubic (Lagrange) weights.
#[derive(Debug, Clone)]
pub(super) struct Stratum {
    exposure_km: Vec<f64>,
    unit_weight: Vec<f64>,
    event_weight: Vec<f64>,
    count_runs: Vec<CountRun>,
    /// Encounters.
    pub(super) n_events: f64,
    /// Exposure in km.
    pub(super) total_km: f64,
}

/// `n_units` units have a count above k for every k in `from..to`.
#[derive(Debug, Clone, Copy)]
struct CountRun {
    from: u32,
    to: u32,
    n_units: f64,
}

impl Stratum {
    /// Reduces units given as (count, exposure in km); all exposures are above zero.
    pub(super) fn new(units: &[(u32, f64)]) -> Self {
        let (exposure_km, unit_weight, event_weight) = support(units);
        Self {
            exposure_km,
            unit_weight,
            event_weight,
            count_runs: count_runs(units),
            n_events: units.iter().map(|&(count, _)| f64::from(count)).sum(),
            total_km: units.iter().map(|&(_, km)| km).sum(),
        }
    }

    /// The part of the log likelihood that depends on the squared coefficient of variation alone.
    pub(super) fn count_term(&self, phi: f64) -> f64 {
        self.count_runs.iter().map(|run| run.n_units * log_rising(phi, run.from, run.to)).sum()
    }

    /// First and minus the second derivative, in the log mean, of [`Self::mean_value`].
    pub(super) fn mean_slope(&self, log_mean: f64, phi: f64) -> Slope {
        let mean = log_mean.exp();
        if phi == 0.0 {
            let expected = mean * self.total_km;
            return Slope { slope: self.n_events - expected, curvature: expected };
        }
        let (mut slope_sum, mut curvature) = (0.0, 0.0);
        let weights = self.unit_weight.iter().zip(&self.event_weight);
        for (&km, (&units, &events)) in self.exposure_km.iter().zip(weights) {
            let expected = mean * km;
            let growth = 1.0 + phi * expected;
            let slope = (units + phi * events) * expected / growth;
            slope_sum += slope;
            curvature += slope / growth;
        }
        Slope { slope: self.n_events - slope_sum, curvature }
    }

    /// The part of the log likelihood that depends on the log mean.
    pub(super) fn mean_value(&self, log_mean: f64, phi: f64) -> f64 {
        let mean = log_mean.exp();
        if phi == 0.0 {
            return self.n_events * log_mean - mean * self.total_km;
        }
        let scale = phi * mean;
        let log_sum: f64 = self
            .exposure_km
            .iter()
            .zip(&self.unit_weight)
            .zip(&self.event_weight)
            .map(|((&km, &units), &events)| (units + phi * events) * (1.0 + scale * km).ln())
            .sum();
        self.n_events * log_mean - log_sum / phi
    }
}

/// Derivatives of the log likelihood in the log mean; the curvature has its sign turned, so it is positive.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slope {
    pub(super) slope: f64,
    pub(super) curvature: f64,
}

/// Exposures that stand for the units, with weights in units and in events.
fn support(units: &[(u32, f64)]) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let logs: Vec<f64> = units.iter().map(|&(_, km)| km.ln()).collect();
    let lowest = logs.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // One node below the lowest and two above the highest, so that four nodes surround every unit.
    let n_nodes = ((highest - lowest) / LOG_STEP).max(0.0) as usize + 4;
    if n_nodes >= units.len() {
        let exposure = units.iter().map(|&(_, km)| km).collect();
        let events = units.iter().map(|&(count, _)| f64::from(count)).collect();
        return (exposure, vec![1.0; units.len()], events);
    }
    let exposure = (0..n_nodes).map(|node| (lowest + (node as f64 - 1.0) * LOG_STEP).exp()).collect();
    let (mut unit_weight, mut event_weight) = (vec![0.0; n_nodes], vec![0.0; n_nodes]);
    for (&(count, _), log_km) in units.iter().zip(logs) {
        let position = (log_km - lowest) / LOG_STEP;
        let cell = (position as usize).min(n_nodes - 4);
        for (offset, weight) in cubic_weights(position - cell as f64).into_iter().enumerate() {
            unit_weight[cell + offset] += weight;
            event_weight[cell + offset] += weight * f64::from(count);
        }
    }
    (exposure, unit_weight, event_weight)
}

/// Lagrange weights of the nodes −1, 0, 1 and 2 at `t` in [0, 1].
fn cubic_weights(t: f64) -> [f64; 4] {
    let (below, above, far) = (t + 1.0, t - 1.0, t - 2.0);
    [-t * above * far / 6.0, below * above * far / 2.0, -below * t * far / 2.0, below * t * above / 6.0]
}

fn count_runs(units: &[(u32, f64)]) -> Vec<CountRun> {
    let mut counts: Vec<u32> = units.iter().map(|&(count, _)| count).filter(|&count| count > 0).collect();
    counts.sort_unstable();
    let (mut runs, mut from) = (Vec::new(), 0);
    for (below, &count) in counts.iter().enumerate() {
        if count > from {
            runs.push(CountRun { from, to: count, n_units: (counts.len() - below) as f64 });
            from = count;
        }
    }
    runs
}

/// Σ log(1 + kφ) over k in `from..to`.
fn log_rising(phi: f64, from: u32, to: u32) -> f64 {
    // Differences of log gamma lose digits where φ is tiny, so they serve long runs only.
    if to - from > 12 && phi > 1e-5 {
        let shape = 1.0 / phi;
        return ln_gamma(shape + f64::from(to)) - ln_gamma(shape + f64::from(from))
            + f64::from(to - from) * phi.ln();
    }
    (from..to).map(|k| (1.0 + f64::from(k) * phi).ln()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{Discrete, NegativeBinomial, Poisson};

    fn log_likelihood(stratum: &Stratum, log_mean: f64, phi: f64) -> f64 {
        stratum.count_term(phi) + stratum.mean_value(log_mean, phi)
    }

    /// The same with library distributions; differences between parameters are what must agree.
    fn by_library(units: &[(u32, f64)], log_mean: f64, phi: f64) -> f64 {
        let one = |&(count, km): &(u32, f64)| {
            let expected = log_mean.exp() * km;
            if phi == 0.0 {
                return Poisson::new(expected).unwrap().ln_pmf(u64::from(count));
            }
            let p = 1.0 / (1.0 + phi * expected);
            NegativeBinomial::new(1.0 / phi, p).unwrap().ln_pmf(u64::from(count))
        };
        units.iter().map(one).sum()
    }

    fn agrees(units: &[(u32, f64)], relative_tolerance: f64) {
        let stratum = Stratum::new(units);
        let (x0, phi0) = (-3.0, 0.3);
        for (x, phi) in [(-3.0, 0.3), (-2.0, 0.3), (-5.0, 1.5), (-3.0, 0.0), (-2.5, 0.01), (-3.2, 9.0)] {
            let ours = log_likelihood(&stratum, x, phi) - log_likelihood(&stratum, x0, phi0);
            let theirs = by_library(units, x, phi) - by_library(units, x0, phi0);
            assert!(
                (ours - theirs).abs() < relative_tolerance * (1.0 + theirs.abs()),
                "x {x} phi {phi}: {ours} and {theirs}"
            );
        }
    }

    #[test]
    fn equals_the_negative_binomial_of_a_library() {
        agrees(&[(0, 3.0), (4, 55.0), (1, 20.0), (40, 210.0), (0, 0.01)], 1e-8);
    }

    #[test]
    fn standing_in_for_many_units_changes_nothing_that_matters() {
        let many: Vec<(u32, f64)> =
            (0..2000_u32).map(|i| (i * 7919 % 13 % 5, 2.0 + f64::from(i * 104_729 % 1000) / 10.0)).collect();
        assert!(Stratum::new(&many).exposure_km.len() < 50);
        agrees(&many, 2e-5);
    }

    #[test]
    fn slopes_match_differences() {
        let stratum = Stratum::new(&[(0, 3.0), (4, 55.0), (1, 20.0)]);
        for phi in [0.0, 0.02, 0.7] {
            let term = stratum.mean_slope(-3.0, phi);
            let (low, high) = (stratum.mean_value(-3.0001, phi), stratum.mean_value(-2.9999, phi));
            let value = stratum.mean_value(-3.0, phi);
            assert!((term.slope - (high - low) / 2e-4).abs() < 1e-6);
            assert!((term.curvature + (high - 2.0 * value + low) / 1e-8).abs() < 1e-3);
        }
    }
}
