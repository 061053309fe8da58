//! Representative trips of the walker model.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::analysis::exposure::field::ExposureField;
use crate::analysis::exposure::model::WalkNetwork;
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::reach::{Reach, ReachRule};
use crate::analysis::exposure::walkers::{Flow, Path, draw_path, propagate};
use crate::analysis::random::stream;

/// Which way a segment is walked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Direction {
    /// From its start to its end.
    Forward,
    /// From its end to its start.
    Backward,
}

/// One segment of a trip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Leg {
    /// The segment.
    pub segment: usize,
    /// Which way.
    pub direction: Direction,
}

/// One way of walking, with the parties it stands for.
#[derive(Debug, Clone, PartialEq)]
pub struct Trip {
    /// Where it starts and ends.
    pub trailhead: usize,
    /// Parties over the study period that start on it; the trips of a trailhead sum to its mean parties. On the legs of a trail
    /// with a party size of its own there are [`ExposureField::parties_on`] times as many.
    pub parties: f64,
    /// Segments in walking order, out and home.
    pub legs: Vec<Leg>,
    /// Number of legs on the way out: `legs[turn_leg]` is the first towards home. Equals `legs.len()` when the last way
    /// out closed a loop at the trailhead itself.
    pub turn_leg: usize,
}

/// How trips are drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TripParams {
    /// Seed.
    pub seed: u64,
    /// Walkers drawn for each trailhead, at least 1; identical ways are merged, so fewer trips come out.
    pub n_per_trailhead: usize,
}

impl Default for TripParams {
    fn default() -> Self {
        Self { seed: 1, n_per_trailhead: 400 }
    }
}

/// Keeps trips apart from other draws of the same seed.
const TRIP_SEED: u64 = 0x7472_6970;

/// Draws representative trips from the walker model at the fitted habits, merged and weighted, by trailhead and path.
///
/// The expected passages of the trips agree with the propagation up to sampling error. A trailhead without any way out has
/// no trips. For the trips of a draw, scale `parties` by that draw's parties at the trailhead over the mean.
pub fn representative_trips(
    network: &WalkNetwork<'_>,
    field: &ExposureField,
    params: &ExposureParams,
    trip_params: &TripParams,
) -> Vec<Trip> {
    let rule = ReachRule { reach_m: params.reach_m, distance_shape: params.distance_shape };
    let parties = field.mean_parties();
    let by_head: Vec<Vec<Trip>> = network
        .trailheads
        .par_iter()
        .enumerate()
        .map(|(head, start)| {
            let reach = Reach::of(network.graph, network.trail_of, start.vertex, &rule);
            let each = parties[head] / trip_params.n_per_trailhead.max(1) as f64;
            merged_paths(&reach, field, head, trip_params)
                .into_iter()
                .map(|(path, n)| trip(&reach, head, each * n as f64, &path))
                .collect()
        })
        .collect();
    by_head.into_iter().flatten().collect()
}

fn merged_paths(
    reach: &Reach,
    field: &ExposureField,
    head: usize,
    trip_params: &TripParams,
) -> BTreeMap<Path, usize> {
    let mut flow = Flow::default();
    propagate(reach, &field.habits, &mut flow);
    let mut rng = stream(trip_params.seed ^ TRIP_SEED, head as u64);
    let mut paths = BTreeMap::new();
    for _ in 0..trip_params.n_per_trailhead.max(1) {
        let path = draw_path(reach, &field.habits, &flow, &mut rng);
        if !path.legs.is_empty() {
            *paths.entry(path).or_insert(0) += 1;
        }
    }
    paths
}

fn trip(reach: &Reach, trailhead: usize, parties: f64, path: &Path) -> Trip {
    let leg = |(edge, forward): &(usize, bool)| Leg {
        segment: reach.edges[*edge].segment,
        direction: if *forward { Direction::Forward } else { Direction::Backward },
    };
    Trip { trailhead, parties, legs: path.legs.iter().map(leg).collect(), turn_leg: path.n_out }
}
