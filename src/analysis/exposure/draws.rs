//! Draws of the walker model and the exposure each of them makes.

use nalgebra::{Cholesky, DMatrix, DVector};
use rand_distr::{Distribution, StandardNormal};

use crate::analysis::exposure::error::InvalidExposure;
use crate::analysis::exposure::fit::Posterior;
use crate::analysis::exposure::model::{Model, WalkNetwork};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::walkers::{Flow, propagate_above};
use crate::analysis::random::Stream;

/// A multivariate normal ready to be drawn from.
pub(crate) struct Normal {
    mean: DVector<f64>,
    root: DMatrix<f64>,
}

impl Normal {
    /// A normal from its mean and covariance.
    ///
    /// # Errors
    /// [`InvalidExposure::Improper`] when the covariance is not positive definite.
    pub(crate) fn new(mean: DVector<f64>, covariance: DMatrix<f64>) -> Result<Self, InvalidExposure> {
        // Inverting a curvature leaves rounding in the two triangles.
        let symmetric = (&covariance + covariance.transpose()) * 0.5;
        let root = Cholesky::new(symmetric)
            .ok_or(InvalidExposure::Improper("the posterior covariance is not positive definite"))?
            .unpack();
        Ok(Self { mean, root })
    }

    /// One draw.
    pub(crate) fn draw(&self, rng: &mut Stream) -> DVector<f64> {
        let z = DVector::from_fn(self.mean.len(), |_, _| StandardNormal.sample(rng));
        &self.mean + &self.root * z
    }
}

/// The posterior of some parameters when the others are known: what the counts leave open.
///
/// Returns the normal over `open` given the others at the mode.
///
/// # Errors
/// [`InvalidExposure::Improper`] when a block of the covariance is not positive definite.
pub(crate) fn conditional(posterior: &Posterior, open: &[usize]) -> Result<Normal, InvalidExposure> {
    let known: Vec<usize> = (0..posterior.mode.len()).filter(|idx| !open.contains(idx)).collect();
    let block =
        |rows: &[usize], columns: &[usize]| posterior.covariance.select_rows(rows).select_columns(columns);
    let mut covariance = block(open, open);
    if !known.is_empty() {
        let cross = block(&known, open);
        let solved = Cholesky::new(block(&known, &known))
            .ok_or(InvalidExposure::Improper("the fitted block is not positive definite"))?
            .solve(&cross);
        covariance -= cross.tr_mul(&solved);
    }
    Normal::new(DVector::from_iterator(open.len(), open.iter().map(|idx| posterior.mode[*idx])), covariance)
}

/// Passages, over the study period and all trailheads, below which a segment's walkers are not followed in a draw.
///
/// A segment is taken for walked from one passage on ([`ExposureParams::not_walked_below`]), so what is left out stays
/// below a thousandth of the least that is kept.
pub(crate) const NEGLIGIBLE_PASSAGES: f64 = 1e-3;

/// Adds up the party-kilometres of one parameter vector; `party_km` (one value a segment) is overwritten.
///
/// Returns the walkers who pass each observation's site over the study period.
pub(crate) fn expose_once(
    model: &Model,
    network: &WalkNetwork<'_>,
    theta: &[f64],
    party_size: &[f64],
    (party_km, flow): (&mut [f64], &mut Flow),
) -> Vec<f64> {
    let mut passing = vec![0.0; model.n_observations()];
    let habits = model.habits(theta);
    party_km.fill(0.0);
    // Up to twice for those farther out, once for those of them who close a loop, once for edges with next to nobody.
    let negligible = NEGLIGIBLE_PASSAGES / (4.0 * model.n_trailheads as f64);
    for (head, skeleton) in model.skeletons.iter().enumerate() {
        let parties = theta[head].exp() / party_size[head];
        let least = (negligible / parties).min(1.0);
        propagate_above(&skeleton.reach, &habits, least, flow);
        for (total, passages) in passing.iter_mut().zip(model.counted_passages(head, &habits, flow)) {
            *total += theta[head].exp() * passages;
        }
        for edge in 0..skeleton.reach.edges.len() {
            let (out, fixed) = (2.0 * parties * flow.out[edge], parties * flow.fixed(edge));
            if out + fixed.abs() < negligible {
                continue;
            }
            for link in skeleton.links(edge) {
                party_km[link.segment] += (out * habits.going_on(link.offset) + fixed).max(0.0);
            }
        }
    }
    for (km, edge) in party_km.iter_mut().zip(network.graph.edges()) {
        *km *= edge.length_m / 1000.0;
    }
    passing
}

/// Draws the mean party size by trailhead; trailheads without their own share one draw.
pub(crate) fn draw_party_sizes(
    network: &WalkNetwork<'_>,
    params: &ExposureParams,
    rng: &mut Stream,
) -> Vec<f64> {
    let shared = params.party_size.draw(rng);
    network.trailheads.iter().map(|head| head.party_size.map_or(shared, |size| size.draw(rng))).collect()
}
