//! What the walker model gets wrong where nobody counts.
//!
//! A model fitted at a few counters is not true everywhere. On each piece between two junctions without a counter the walking is
//! what the model expects times exp(δ), δ normal about 0 with the standard deviation `place_log_sd`, independent between
//! pieces: a discrepancy of the model (Kennedy & O'Hagan 2001, *Journal of the Royal Statistical Society B* 63, 425). At a
//! counter the fit allows for what the model gets wrong already, and the count checks it.

use rand_distr::{Distribution, StandardNormal};

use crate::analysis::exposure::model::{Observation, WalkNetwork};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::walk_pieces::Pieces;
use crate::analysis::random::{seed_of, stream};

/// The pieces of a network, and which of them a counter checks.
pub(crate) struct ModelErrors {
    piece_of: Vec<usize>,
    is_counted: Vec<bool>,
    /// A number of each piece that stays whatever else the network gains or loses.
    keys: Vec<u64>,
    sd: f64,
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
        let mut is_counted = vec![false; pieces.n];
        for (seen, _) in observations.iter().zip(is_used).filter(|(_, used)| **used) {
            if let Some(piece) = pieces.counted_by(network, seen.site) {
                is_counted[piece] = true;
            }
        }
        let mut keys = vec![0_u64; pieces.n];
        for (piece, key) in pieces.of.iter().zip(network.keys) {
            // A sum does not ask in which order segments come.
            keys[*piece] = keys[*piece].wrapping_add(*key);
        }
        let seed = seed_of(params.seed, "walking where nobody counts");
        Self { piece_of: pieces.of, is_counted, keys, sd: params.place_log_sd, seed }
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
            (self.sd * z).exp()
        };
        let factors: Vec<f64> = self.keys.iter().zip(&self.is_counted).map(factor).collect();
        by_segment.iter_mut().zip(&self.piece_of).for_each(|(value, piece)| *value *= factors[*piece]);
    }
}
