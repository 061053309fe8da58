//! Whether a segment's exposure is counted, fitted, assumed, or nobody walks there.

use rayon::prelude::*;

use crate::analysis::exposure::draws::{DrawnSizes, NEGLIGIBLE_PASSAGES, conditional, expose_once};
use crate::analysis::exposure::error::InvalidExposure;
use crate::analysis::exposure::field::Provenance;
use crate::analysis::exposure::fit::Posterior;
use crate::analysis::exposure::model::{Model, WalkNetwork};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::walkers::Flow;
use crate::analysis::random::{seed_of, stream};

/// Draws used to measure what the counts leave open, at most and at least: with few of them, segments near the limit are known
/// with one seed and assumed with another.
const OPEN_DRAWS: (usize, usize) = (60, 400);
/// Segments times draws that are worked through where there are many segments.
const OPEN_WORK: usize = 4_000_000;
/// Segments worked through together: their rows of one draw stay in the nearest cache.
const BLOCK: usize = 1024;

/// Where the exposure of segments and of whole trails comes from.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Known {
    pub(crate) of_segment: Vec<Provenance>,
    pub(crate) of_trail: Vec<Provenance>,
}

/// The provenance of every segment and of every trail.
///
/// Known: with the fitted parameters given, what parameters drawn from their priors leave open has a standard deviation of
/// the log exposure of at most `fitted_log_sd`. The limit is absolute: as a share of the whole error it would call more
/// segments known the worse the counters are calibrated. Counted: known, and `counted`, on a piece (no junction or trailhead within)
/// that holds a counter used in the fit; far along a piece it is open where walkers turn back. Fitted: known elsewhere. Not
/// walked: exposure zero in every draw of `party_km`.
///
/// A whole trail goes by the same limit on the log of its sum, so that a short end whose walking is assumed does not take the trail
/// with it; it is counted where all of its walked segments are.
///
/// # Errors
/// [`InvalidExposure::Improper`] when the posterior broke down numerically.
pub(crate) fn provenance(
    model: &Model,
    network: &WalkNetwork<'_>,
    (posterior, counted): (&Posterior, Vec<bool>),
    party_km: &[f64],
    params: &ExposureParams,
) -> Result<Known, InvalidExposure> {
    let n_segments = network.graph.n_edges();
    let mut is_walked = vec![false; n_segments];
    for row in party_km.chunks(n_segments.max(1)) {
        is_walked.iter_mut().zip(row).for_each(|(walked, km)| *walked |= *km > 0.0);
    }
    let open = open_variances(model, network, posterior, params)?;
    let of = |is_walked: bool, open: f64, is_counted: bool| match (is_walked, is_counted) {
        (false, _) => Provenance::NotWalked,
        _ if open > params.fitted_log_sd.powi(2) => Provenance::Assumed,
        (true, true) => Provenance::Counted,
        (true, false) => Provenance::Fitted,
    };
    let of_segment: Vec<Provenance> = (0..n_segments)
        .map(|segment| of(is_walked[segment], open.of_segment[segment], counted[segment]))
        .collect();
    let mut walked = vec![(false, true); network.trails.len()];
    for (segment, trail) in network.trail_of.iter().enumerate().filter(|(segment, _)| is_walked[*segment]) {
        let (is_walked, is_counted) = &mut walked[*trail];
        *is_walked = true;
        *is_counted &= of_segment[segment] == Provenance::Counted;
    }
    let trails = walked.into_iter().zip(open.of_trail);
    let of_trail = trails.map(|((is_walked, is_counted), open)| of(is_walked, open, is_counted)).collect();
    Ok(Known { of_segment, of_trail })
}

/// Variances of the log exposure.
struct Variances {
    of_segment: Vec<f64>,
    of_trail: Vec<f64>,
}

/// Variance of the log over draws, by segment or by trail.
///
/// Draws are read row by row, a block of segments at a time, since a column of them touches all memory for every segment.
fn log_variances(party_km: &[f64], least_km: &[f64]) -> Vec<f64> {
    let n_segments = least_km.len();
    let n_draws = party_km.len() / n_segments.max(1);
    let mut variances = vec![0.0; n_segments];
    variances.par_chunks_mut(BLOCK).enumerate().for_each(|(block, out)| {
        let first = block * BLOCK;
        let (mut sum, mut squares) = (vec![0.0; out.len()], vec![0.0; out.len()]);
        // About the first draw: of all logs of a segment it is near the mean, so that squares lose no digits.
        let row = |draw: usize| &party_km[draw * n_segments + first..][..out.len()];
        let log = |km: f64, idx: usize| km.max(least_km[first + idx]).ln();
        let about: Vec<f64> = row(0).iter().enumerate().map(|(idx, km)| log(*km, idx)).collect();
        for draw in 1..n_draws {
            for (idx, km) in row(draw).iter().enumerate() {
                let off = log(*km, idx) - about[idx];
                sum[idx] += off;
                squares[idx] += off * off;
            }
        }
        for (idx, variance) in out.iter_mut().enumerate() {
            let around_mean: f64 = squares[idx] - sum[idx] * sum[idx] / n_draws as f64;
            *variance = around_mean.max(0.0) / (n_draws as f64 - 1.0).max(1.0);
        }
    });
    variances
}

/// Kilometres that stand for less than is followed in a draw; logs stay finite.
fn least_km(network: &WalkNetwork<'_>) -> Vec<f64> {
    let edges = network.graph.edges().iter();
    edges.map(|edge| (NEGLIGIBLE_PASSAGES * edge.length_m / 1000.0).max(f64::MIN_POSITIVE)).collect()
}

/// Variance of the log exposure when only what the counts leave open varies.
fn open_variances(
    model: &Model,
    network: &WalkNetwork<'_>,
    posterior: &Posterior,
    params: &ExposureParams,
) -> Result<Variances, InvalidExposure> {
    let (n_segments, n_trails) = (network.graph.n_edges(), network.trails.len());
    let open: Vec<usize> =
        (0..=model.distance_idx()).filter(|parameter| !posterior.is_fitted[*parameter]).collect();
    if open.is_empty() || n_segments == 0 {
        return Ok(Variances { of_segment: vec![0.0; n_segments], of_trail: vec![0.0; n_trails] });
    }
    let left = conditional(posterior, &open)?;
    // Party sizes are measured apart from the counts, so that they leave nothing open here.
    let alone = DrawnSizes::one(network);
    let n_draws = (OPEN_WORK / n_segments).clamp(OPEN_DRAWS.0, OPEN_DRAWS.1);
    let mut party_km = vec![0.0; n_draws * n_segments];
    party_km.par_chunks_mut(n_segments).enumerate().for_each_init(Flow::default, |flow, (draw, row)| {
        let mut theta = posterior.mode.clone();
        let drawn = left.draw(&mut stream(seed_of(params.seed, "open parameters"), draw as u64));
        for (idx, parameter) in open.iter().enumerate() {
            theta[*parameter] = drawn[idx];
        }
        expose_once(model, network, theta.as_slice(), &alone, &[], (row, flow));
    });
    let least_km = least_km(network);
    let of_segment = log_variances(&party_km, &least_km);
    let by_trail = |row: &[f64]| {
        let mut sums = vec![0.0; n_trails];
        row.iter().zip(network.trail_of).for_each(|(km, trail)| sums[*trail] += km);
        sums
    };
    let trail_km: Vec<f64> = party_km.chunks_exact(n_segments).flat_map(by_trail).collect();
    Ok(Variances { of_segment, of_trail: log_variances(&trail_km, &by_trail(&least_km)) })
}
