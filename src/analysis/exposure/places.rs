//! Visits of places as their exposure.
//!
//! A share of a trailhead takes the parties of that trailhead; visitors whom a place's own counter counted are turned into
//! parties by the area's mean, since they come from any trailhead. Sizes of trails hold on trails only.

use rand_distr::{Distribution, StandardNormal};

use crate::analysis::exposure::error::{InvalidExposure, at_least, positive};
use crate::analysis::exposure::model::{Model, Observation};
use crate::analysis::exposure::readings::CounterSite;
use crate::analysis::random::Stream;

/// Where the visits of a place come from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum VisitSource {
    /// A share of those who start at a trailhead; a car park has the share 1.
    ShareOfTrailhead {
        /// The trailhead.
        trailhead: usize,
        /// Median share, more than zero.
        share: f64,
        /// Its log standard deviation.
        log_sd: f64,
    },
    /// Counters that stand at the place ([`CounterSite::Place`]); each visitor passes twice.
    OwnCounter,
}

/// A place with its visits.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Its name.
    pub name: String,
    /// Where its visits come from.
    pub visits: VisitSource,
}

/// Refuses shares that are no shares and trailheads that do not exist.
pub(crate) fn check_places(places: &[Place], n_trailheads: usize) -> Result<(), InvalidExposure> {
    for place in places {
        let VisitSource::ShareOfTrailhead { trailhead, share, log_sd } = place.visits else { continue };
        let who = format!("place {}", place.name);
        if trailhead >= n_trailheads {
            return Err(InvalidExposure::NoSuchThing { who, what: "trailhead", index: trailhead });
        }
        positive(&who, "share of a trailhead, more than 0", share)?;
        at_least(&who, "log sd of the share, at least 0", log_sd, 0.0)?;
    }
    Ok(())
}

/// What one draw says about walkers.
pub(crate) struct DrawnWalkers<'a> {
    pub(crate) theta: &'a [f64],
    /// Parties by trailhead.
    pub(crate) parties: &'a [f64],
    /// Mean party size where there is no trailhead.
    pub(crate) party_size: f64,
    /// Share of the period that each observation saw.
    pub(crate) shares: &'a [f64],
}

/// Visits of each place in one draw, parties over the study period; a place whose counter saw no time has none.
pub(crate) fn draw_visits(
    places: &[Place],
    model: &Model,
    observations: &[Observation],
    drawn: &DrawnWalkers<'_>,
    rng: &mut Stream,
) -> Vec<f64> {
    let mut visits = Vec::with_capacity(places.len());
    for (idx, place) in places.iter().enumerate() {
        let z: f64 = StandardNormal.sample(rng);
        visits.push(match place.visits {
            VisitSource::ShareOfTrailhead { trailhead, share, log_sd } => {
                drawn.parties[trailhead] * share * (log_sd * z).exp()
            }
            VisitSource::OwnCounter => {
                counted_visitors(idx, model, observations, drawn, z) / drawn.party_size
            }
        });
    }
    visits
}

fn counted_visitors(
    place: usize,
    model: &Model,
    observations: &[Observation],
    drawn: &DrawnWalkers<'_>,
    z: f64,
) -> f64 {
    let (mut passages, mut share, mut variance) = (0.0, 0.0, 0.0);
    for (seen, seen_share) in observations.iter().zip(drawn.shares) {
        if seen.site == CounterSite::Place(place) {
            let ratio = drawn.theta[model.calibration_idx(seen.counter)].exp();
            passages += ratio * seen.count;
            variance += ratio * ratio * seen.dispersion * seen.count;
            share += seen_share;
        }
    }
    if passages <= 0.0 || share <= 0.0 {
        return 0.0;
    }
    passages * (z * variance.sqrt() / passages).exp() / share / 2.0
}
