//! Tying a position with its error to segments and places.
//!
//! A record's position is uncertain. Each segment in reach gets as weight the integral of the error density along it times
//! a prior, normalised. Records in a place belong to the place; records too vague for a segment count for their trail
//! only; records far from every trail are off trail. Counting methods run on whole-number allocations drawn from the
//! weights ([`allocate`]); fractional weights are for kernels alone, since fractions halve the variance of a count.

mod allocation;
mod error_model;
mod index;
pub mod levels;
mod places;

use rayon::prelude::*;

use crate::analysis::snap::index::in_given_order;
use crate::domain::geography::LonLat;

pub use allocation::{Allocation, allocate, fractional_counts};
pub use error_model::{
    AccuracyMeaning, ErrorModel, MISSING_SIGMA_M, PositionError, Sigma, edge_integral, sigma_from_accuracy,
};
pub use index::{Nearest, SnapIndex};
pub use places::PlaceArea;
pub use places::PlaceGround;

/// Weights below this are left out, and the rest normalised again.
const LEAST_WEIGHT: f64 = 1e-4;

/// A record's position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordPosition {
    /// The position as stated.
    pub position: LonLat,
    /// Its error.
    pub sigma: Sigma,
    /// Whether it was coarsened on purpose.
    pub precision: Precision,
}

/// Whether a position is where the record was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Precision {
    /// As measured.
    AsMeasured,
    /// Coarsened on purpose, as to a grid cell: never tied to a segment or a place.
    Generalised,
}

/// How positions are tied to the network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SnapParams {
    /// The distribution of position errors.
    pub error: PositionError,
    /// A record is off trail beyond the greater of this many metres ...
    pub off_trail_m: f64,
    /// ... and this many sigmas from every trail.
    pub off_trail_sigmas: f64,
    /// A record is ambiguous when the second weight is above this.
    pub ambiguous_weight: f64,
    /// How far the nearest trail of an off-trail record is looked for, metres.
    pub search_m: f64,
}

impl Default for SnapParams {
    fn default() -> Self {
        Self {
            error: PositionError::default(),
            off_trail_m: 50.0,
            off_trail_sigmas: 3.0,
            ambiguous_weight: 0.25,
            search_m: 5000.0,
        }
    }
}

impl SnapParams {
    /// Distance beyond which a record with this sigma is off trail, metres.
    pub fn reach_m(&self, sigma_m: f64) -> f64 {
        self.off_trail_m.max(self.off_trail_sigmas * sigma_m)
    }
}

/// Why positions cannot be tied.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SnapError {
    /// The prior has another length than the network has segments.
    #[error("the prior has {n_values} values, but there are {n_segments} segments")]
    PriorLength {
        /// Its length.
        n_values: usize,
        /// How many segments there are.
        n_segments: usize,
    },
    /// A prior value is negative or not finite.
    #[error("the prior of segment {segment_idx} is {value}; it must be finite and at least zero")]
    PriorValue {
        /// The segment.
        segment_idx: usize,
        /// The value.
        value: f64,
    },
    /// A distance, weight or bias among the parameters is negative or not finite.
    #[error("a snapping parameter is negative or not finite")]
    Params,
}

/// What a record was tied to.
#[derive(Debug, Clone, PartialEq)]
pub enum Snap {
    /// A place holds it.
    AtPlace {
        /// Index of the place.
        place_idx: usize,
    },
    /// It lies on one of these segments.
    OnTrail(OnTrail),
    /// It was set by hand to a segment.
    ByHand {
        /// The segment.
        segment_idx: usize,
    },
    /// Its error is too large for a segment, or it was coarsened on purpose.
    TooVague {
        /// The trails in reach with their weights, which sum to one, heaviest first; empty when none is in reach. A segment
        /// shared by several trails counts for its first.
        trails: Vec<TrailWeight>,
    },
    /// No trail is in reach.
    OffTrail {
        /// Distance to the nearest trail, metres; `None` beyond the search distance.
        nearest_m: Option<f64>,
    },
}

/// A record on a trail.
#[derive(Debug, Clone, PartialEq)]
pub struct OnTrail {
    /// Segments in reach, heaviest first; weights sum to one; at least one. Those under one in 10,000 are left out.
    pub candidates: Vec<Candidate>,
    /// Whether the second weight is high enough that the record should be looked at.
    pub is_ambiguous: bool,
    /// Which prior the weights rest on.
    pub prior: PriorUse,
}

/// A segment a record may lie on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Its share of the record, in (0, 1].
    pub weight: f64,
    /// The nearest point of the segment to the position (freed of the bias).
    pub nearest: Nearest,
}

/// A trail a vague record may belong to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrailWeight {
    /// The trail.
    pub trail_idx: usize,
    /// Its share of the record, in (0, 1].
    pub weight: f64,
}

/// Which prior weights rest on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PriorUse {
    /// None was given: all metres of trail are alike.
    Flat,
    /// The one given.
    Given,
    /// The one given is zero on every segment in reach, so all metres of trail were taken as alike.
    GivenWasZero,
}

impl SnapIndex {
    /// Ties one record.
    ///
    /// `prior` has one value a segment, proportional to the encounters to be expected on a metre of it (exposure times
    /// rate divided by length). First, a record whose sigma is above half the target segment length, or that was coarsened
    /// on purpose, is too vague, and for the area alone where it was measured inside a place with visits; then places with visits
    /// are looked at, the smallest that holds it first; then the trails in reach, as far as they lie outside such places; and where
    /// there are none, places without visits.
    ///
    /// # Errors
    /// [`SnapError`] when the prior's length is not the number of segments, a prior value in reach is negative or not
    /// finite, or a parameter is.
    pub fn snap(
        &self,
        record: &RecordPosition,
        prior: Option<&[f64]>,
        params: &SnapParams,
    ) -> Result<Snap, SnapError> {
        self.check(prior, params)?;
        self.snap_checked(record, prior, params)
    }

    /// Ties many records, as [`SnapIndex::snap`] does one, on all threads; in their order.
    ///
    /// # Errors
    /// As [`SnapIndex::snap`].
    pub fn snap_all(
        &self,
        records: &[RecordPosition],
        prior: Option<&[f64]>,
        params: &SnapParams,
    ) -> Result<Vec<Snap>, SnapError> {
        self.check(prior, params)?;
        let points: Vec<_> = records.iter().map(|record| self.plane().to_plane(record.position)).collect();
        let order = self.cell_order(&points);
        let snaps: Vec<Option<Snap>> = order
            .par_iter()
            .map(|&idx| self.snap_checked(&records[idx as usize], prior, params).map(Some))
            .collect::<Result<_, _>>()?;
        Ok(in_given_order(&order, snaps).into_iter().flatten().collect())
    }

    fn check(&self, prior: Option<&[f64]>, params: &SnapParams) -> Result<(), SnapError> {
        let n_segments = self.n_segments();
        if let Some(values) = prior.filter(|values| values.len() != n_segments) {
            return Err(SnapError::PriorLength { n_values: values.len(), n_segments });
        }
        let SnapParams { error, off_trail_m, off_trail_sigmas, ambiguous_weight, search_m } = *params;
        let sizes = [off_trail_m, off_trail_sigmas, ambiguous_weight, search_m];
        let valid = sizes.iter().all(|size| size.is_finite() && *size >= 0.0)
            && error.bias_m.iter().all(|bias| bias.is_finite());
        if valid { Ok(()) } else { Err(SnapError::Params) }
    }

    fn snap_checked(
        &self,
        record: &RecordPosition,
        prior: Option<&[f64]>,
        params: &SnapParams,
    ) -> Result<Snap, SnapError> {
        let stated = self.plane().to_plane(record.position);
        let point = params.error.unbiased(stated);
        let sigma_m = record.sigma.metres();
        let is_vague = record.precision == Precision::Generalised || sigma_m > self.target_segment_m() / 2.0;
        if !is_vague && let Some(place_idx) = self.place_with_visits_holding(point) {
            return Ok(Snap::AtPlace { place_idx });
        }
        let is_measured = record.precision != Precision::Generalised;
        if is_vague && is_measured && self.place_with_visits_holding(point).is_some() {
            // The likeliest is that it was met there, and where walking is left out no trail may take it.
            return Ok(Snap::TooVague { trails: Vec::new() });
        }
        let mut in_reach = self.segments_within(point, params.reach_m(sigma_m));
        let nearest = in_reach.iter().min_by(|a, b| a.distance_m.total_cmp(&b.distance_m)).copied();
        in_reach.retain(|nearest| !self.is_inside_places(nearest.segment_idx));
        if in_reach.is_empty() && !is_vague {
            // Beside a trail that lies inside a place as a whole: nobody walks there but those who are counted by its visits.
            if let Some(place_idx) = nearest.and_then(|nearest| self.place_with_visits_holding(nearest.foot))
            {
                return Ok(Snap::AtPlace { place_idx });
            }
            if let Some(place_idx) = self.place_holding(point) {
                return Ok(Snap::AtPlace { place_idx });
            }
            let nearest_m = self.nearest(point, params.search_m).map(|nearest| nearest.distance_m);
            return Ok(Snap::OffTrail { nearest_m });
        }
        let logs: Vec<f64> = in_reach
            .iter()
            .map(|nearest| self.log_integral(nearest.segment_idx, point, sigma_m, params.error.model))
            .collect();
        let (weights, prior) = weigh(&in_reach, &logs, prior)?;
        if is_vague {
            return Ok(Snap::TooVague { trails: self.by_trail(&in_reach, &weights) });
        }
        Ok(Snap::OnTrail(candidates(&in_reach, &weights, prior, params.ambiguous_weight)))
    }

    fn by_trail(&self, in_reach: &[Nearest], weights: &[f64]) -> Vec<TrailWeight> {
        let mut trails: Vec<TrailWeight> = Vec::new();
        for (nearest, &weight) in in_reach.iter().zip(weights) {
            let trail_idx = self.trail_of(nearest.segment_idx);
            match trails.iter_mut().find(|trail| trail.trail_idx == trail_idx) {
                Some(trail) => trail.weight += weight,
                None => trails.push(TrailWeight { trail_idx, weight }),
            }
        }
        trails.sort_by(|a, b| b.weight.total_cmp(&a.weight).then(a.trail_idx.cmp(&b.trail_idx)));
        trails
    }
}

/// Normalised weights of the segments in reach.
fn weigh(
    in_reach: &[Nearest],
    logs: &[f64],
    prior: Option<&[f64]>,
) -> Result<(Vec<f64>, PriorUse), SnapError> {
    // Logarithms keep a far record with a small sigma from losing all its weight to underflow.
    let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let flat: Vec<f64> = logs.iter().map(|log| (log - highest).exp()).collect();
    let Some(prior) = prior else { return Ok((normalised(flat), PriorUse::Flat)) };
    let mut weighted = Vec::with_capacity(flat.len());
    for (nearest, weight) in in_reach.iter().zip(&flat) {
        let (segment_idx, value) = (nearest.segment_idx, prior[nearest.segment_idx]);
        if !(value.is_finite() && value >= 0.0) {
            return Err(SnapError::PriorValue { segment_idx, value });
        }
        weighted.push(weight * value);
    }
    if weighted.iter().sum::<f64>() > 0.0 {
        Ok((normalised(weighted), PriorUse::Given))
    } else {
        Ok((normalised(flat), PriorUse::GivenWasZero))
    }
}

/// Scales to a sum of one, leaving out what is negligible. The sum must be more than zero.
fn normalised(mut weights: Vec<f64>) -> Vec<f64> {
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w = if *w < LEAST_WEIGHT * sum { 0.0 } else { *w });
    let kept: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w /= kept);
    weights
}

fn candidates(in_reach: &[Nearest], weights: &[f64], prior: PriorUse, ambiguous_weight: f64) -> OnTrail {
    let mut candidates: Vec<Candidate> = in_reach
        .iter()
        .zip(weights)
        .filter(|(_, weight)| **weight > 0.0)
        .map(|(nearest, weight)| Candidate { weight: *weight, nearest: *nearest })
        .collect();
    candidates.sort_by(|a, b| {
        b.weight.total_cmp(&a.weight).then(a.nearest.segment_idx.cmp(&b.nearest.segment_idx))
    });
    let is_ambiguous = candidates.get(1).is_some_and(|second| second.weight > ambiguous_weight);
    OnTrail { candidates, is_ambiguous, prior }
}

#[cfg(test)]
mod tests;
