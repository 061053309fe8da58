//! What the walker model gets wrong where nobody counts.
//!
//! A model fitted at a few counters is not true everywhere. On each piece between two junctions without a counter the walking is
//! what the model expects times exp(δ), δ normal about 0 with the standard deviation `place_log_sd`, independent between
//! pieces: a discrepancy of the model (Kennedy & O'Hagan 2001, *Journal of the Royal Statistical Society B* 63, 425). At a
//! counter the fit allows for `model_log_sd`, which is smaller by default, and the count checks the model. That is a choice: with
//! the same error at counters as elsewhere, limits in twelve invented parks held 1.00 of counted and 0.98 of assumed
//! segments, and four in ten segments that are known otherwise had to be assumed.
//!
//! The factor's mean is one, so that the whole walking is that of the model.

use rand_distr::{Distribution, StandardNormal};

use crate::analysis::exposure::model::{Observation, WalkNetwork};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::walk_pieces::Pieces;
use crate::analysis::random::{seed_of, stream};

/// The pieces of a network, and which of them a counter checks.
pub(crate) struct ModelErrors {
    piece_of: Vec<usize>,
    /// By observation, its piece, where it took part in the fit and tells of a single one.
    seen_on: Vec<Option<usize>>,
    is_counted: Vec<bool>,
    /// A number of each piece that stays whatever else the network gains or loses.
    keys: Vec<u64>,
    sd: f64,
    counter_sd: f64,
    seed: u64,
}

impl ModelErrors {
    /// The errors on a network; `is_used` says which observations took part in the fit.
    pub(crate) fn new(
        network: &WalkNetwork<'_>,
        observations: &[Observation],
        is_used: &[bool],
        params: &ExposureParams,
    ) -> Self {
        let pieces = Pieces::new(network);
        let seen_on: Vec<Option<usize>> = observations
            .iter()
            .zip(is_used)
            .map(|(seen, used)| used.then(|| pieces.counted_by(network, seen.site)).flatten())
            .collect();
        let mut is_counted = vec![false; pieces.n];
        seen_on.iter().flatten().for_each(|piece| is_counted[*piece] = true);
        let mut keys = vec![0_u64; pieces.n];
        for (piece, key) in pieces.of.iter().zip(network.keys) {
            // A sum does not ask in which order segments come.
            keys[*piece] = keys[*piece].wrapping_add(*key);
        }
        let seed = seed_of(params.seed, "walking where nobody counts");
        let (sd, counter_sd) = (params.place_log_sd, params.model_log_sd);
        Self { piece_of: pieces.of, seen_on, is_counted, keys, sd, counter_sd, seed }
    }

    /// By observation, what is added to its log variance when it is left out: nobody counts on its piece then, unless another
    /// counter does.
    pub(crate) fn left_alone(&self) -> Vec<f64> {
        let beyond = (self.sd.powi(2) - self.counter_sd.powi(2)).max(0.0);
        let others =
            |piece: usize| self.seen_on.iter().flatten().filter(|other| **other == piece).count() > 1;
        let of = |seen: &Option<usize>| seen.map_or(0.0, |piece| if others(piece) { 0.0 } else { beyond });
        self.seen_on.iter().map(of).collect()
    }

    /// Whether the walking of each segment is counted: whether its piece holds a counter used in the fit.
    pub(crate) fn counted_segments(&self) -> Vec<bool> {
        self.piece_of.iter().map(|piece| self.is_counted[*piece]).collect()
    }

    /// Puts the errors of one draw on a value for each segment.
    pub(crate) fn apply(&self, draw: u64, by_segment: &mut [f64]) {
        if self.sd <= 0.0 {
            return;
        }
        let factor = |(key, is_counted): (&u64, &bool)| {
            if *is_counted {
                return 1.0;
            }
            let z: f64 = StandardNormal.sample(&mut stream(self.seed ^ key, draw));
            (self.sd * z - self.sd * self.sd / 2.0).exp()
        };
        let factors: Vec<f64> = self.keys.iter().zip(&self.is_counted).map(factor).collect();
        by_segment.iter_mut().zip(&self.piece_of).for_each(|(value, piece)| *value *= factors[*piece]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::exposure::readings::CounterSite;
    use crate::analysis::exposure::{TrailPrior, Trailhead};
    use crate::analysis::graph::{Edge, Graph};

    /// A path of four segments from a trailhead, with a fork after the second: three pieces.
    fn forked() -> (Graph, Vec<usize>, Vec<TrailPrior>, Vec<Trailhead>) {
        let ends = [(0, 1), (1, 2), (2, 3), (3, 4), (2, 5)];
        let edges = ends.map(|(from, to)| Edge { from, to, length_m: 100.0 }).to_vec();
        let trail = TrailPrior { name: "main".into(), attractiveness: 1.0, party_size: None };
        let head = Trailhead { name: "west".into(), vertex: 0, relative_volume: 1.0, party_size: None };
        (Graph::new(6, edges).unwrap(), vec![0; 5], vec![trail], vec![head])
    }

    fn counted(site: CounterSite) -> Observation {
        Observation { counter: 0, site, n_bins: 1, count: 100.0, share: 1.0, dispersion: 1.0, left: None }
    }

    #[test]
    fn pieces_err_together_by_a_factor_of_mean_one_and_counted_ones_not_at_all() {
        let (graph, trail_of, trails, trailheads) = forked();
        let keys = [11, 12, 13, 14, 15];
        let network = WalkNetwork {
            graph: &graph,
            trail_of: &trail_of,
            trails: &trails,
            trailheads: &trailheads,
            keys: &keys,
        };
        let params = ExposureParams { place_log_sd: 0.5, ..ExposureParams::default() };
        let seen = [counted(CounterSite::Segment(1))];
        let errors = ModelErrors::new(&network, &seen, &[true], &params);
        assert_eq!(errors.counted_segments(), [true, true, false, false, false]);
        let n_draws = 4000;
        let mut sums = [0.0; 5];
        for draw in 0..n_draws {
            let mut km = [1.0; 5];
            errors.apply(draw, &mut km);
            assert_eq!((km[0], km[1]), (1.0, 1.0));
            assert_eq!(km[2], km[3], "one piece");
            assert_ne!(km[3], km[4], "two pieces");
            sums.iter_mut().zip(km).for_each(|(sum, km)| *sum += km / n_draws as f64);
        }
        // The standard error of a mean of 4,000 such factors is 0.0084.
        assert!(sums.iter().all(|mean| (mean - 1.0).abs() < 0.034), "{sums:?}");
        // Left out, nobody counts there; with a second counter on the piece somebody does; at the fork neither is asked.
        assert!((errors.left_alone()[0] - (0.25 - 0.01)).abs() < 1e-12);
        let two = [
            counted(CounterSite::Segment(0)),
            counted(CounterSite::Segment(1)),
            counted(CounterSite::Vertex(2)),
        ];
        assert_eq!(ModelErrors::new(&network, &two, &[true; 3], &params).left_alone(), [0.0; 3]);
        let unused = ModelErrors::new(&network, &seen, &[false], &params);
        assert!(!unused.counted_segments().contains(&true));
    }
}
