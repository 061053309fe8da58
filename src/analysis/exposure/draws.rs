//! Draws of the walker model and the exposure each of them makes.

use nalgebra::{Cholesky, DMatrix, DVector};
use rand_distr::{Distribution, StandardNormal};

use crate::analysis::exposure::error::InvalidExposure;
use crate::analysis::exposure::fit::Posterior;
use crate::analysis::exposure::model::{Model, WalkNetwork};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::walkers::{Flow, propagate_above};
use crate::analysis::random::{Stream, seed_of, stream};

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

/// The mean party sizes of one draw, each the same wherever it holds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DrawnSizes {
    /// Of those who start at each trailhead.
    pub(crate) of_head: Vec<f64>,
    /// Of those who walk on each trail, wherever they started; none where those of the trailheads hold.
    pub(crate) on_trail: Vec<Option<f64>>,
}

impl DrawnSizes {
    /// Everybody walks alone: walkers in the place of parties.
    pub(crate) fn one(network: &WalkNetwork<'_>) -> Self {
        Self { of_head: vec![1.0; network.trailheads.len()], on_trail: vec![None; network.trails.len()] }
    }

    /// By trail, the parties on it for each party that starts at a trailhead; none where it is one on every trail.
    fn for_each_of(&self, head: usize) -> Option<Vec<f64>> {
        let of_head = self.of_head[head];
        let is_own = self.on_trail.iter().any(Option::is_some);
        is_own.then(|| self.on_trail.iter().map(|size| size.map_or(1.0, |size| of_head / size)).collect())
    }
}

/// Adds up the party-kilometres of one parameter vector; `party_km` (one value a segment) is overwritten.
///
/// On segments of a trail with a party size of its own the walkers of all trailheads are turned into parties by that, elsewhere
/// by the size of the trailhead that they started at.
///
/// `open` is by trailhead, then trail, the share of the walking that closures leave; empty means all. Returns the walkers who would
/// pass each observation's site over the study period if it were open all the time.
pub(crate) fn expose_once(
    model: &Model,
    network: &WalkNetwork<'_>,
    theta: &[f64],
    sizes: &DrawnSizes,
    open: &[f64],
    out: (&mut [f64], &mut Flow),
) -> Vec<f64> {
    expose_by(model, network, (theta, sizes), open, |_| 0, out)
}

/// [`expose_once`] with a row of segments for each class of trailheads, as `class_of` tells them apart.
pub(crate) fn expose_by(
    model: &Model,
    network: &WalkNetwork<'_>,
    (theta, sizes): (&[f64], &DrawnSizes),
    open: &[f64],
    class_of: impl Fn(usize) -> usize,
    (party_km, flow): (&mut [f64], &mut Flow),
) -> Vec<f64> {
    let mut passing = vec![0.0; model.n_observations()];
    let habits = model.habits(theta);
    party_km.fill(0.0);
    let (n_segments, n_trails) = (network.graph.n_edges(), network.trails.len());
    // Up to twice for those farther out, once for those of them who close a loop, once for edges with next to nobody.
    let negligible = NEGLIGIBLE_PASSAGES / (4.0 * model.n_trailheads as f64);
    for (head, skeleton) in model.skeletons.iter().enumerate() {
        let row = &mut party_km[class_of(head) * n_segments..][..n_segments];
        let parties = theta[head].exp() / sizes.of_head[head];
        let open = if open.is_empty() { open } else { &open[head * n_trails..][..n_trails] };
        let on_trail = sizes.for_each_of(head);
        // Where parties are smaller there are more of them, and as few are left out there.
        let most = on_trail.iter().flatten().copied().fold(1.0, f64::max);
        let least = (negligible / (parties * most)).min(1.0);
        propagate_above(&skeleton.reach, &habits, least, flow);
        for (total, passages) in passing.iter_mut().zip(model.counted_passages(head, &habits, flow)) {
            *total += theta[head].exp() * passages;
        }
        for edge in 0..skeleton.reach.edges.len() {
            let (out, fixed) = (2.0 * parties * flow.out[edge], parties * flow.fixed(edge));
            if (out + fixed.abs()) * most < negligible {
                continue;
            }
            for link in skeleton.links(edge) {
                let mut here = (out * habits.going_on(link.offset) + fixed).max(0.0);
                if !open.is_empty() {
                    here *= open[network.trail_of[link.segment]];
                }
                row[link.segment] += match &on_trail {
                    Some(on_trail) => here * on_trail[network.trail_of[link.segment]],
                    None => here,
                };
            }
        }
    }
    for row in party_km.chunks_mut(n_segments.max(1)) {
        row.iter_mut().zip(network.graph.edges()).for_each(|(km, edge)| *km *= edge.length_m / 1000.0);
    }
    passing
}

/// Draws the mean party sizes of draw number `draw`; trailheads without their own share one.
///
/// Trails have a stream of their own, in which every trail takes its number: so neither the other draws nor those of other trails
/// depend on which trails have a size.
pub(crate) fn draw_party_sizes(
    network: &WalkNetwork<'_>,
    params: &ExposureParams,
    draw: u64,
    rng: &mut Stream,
) -> DrawnSizes {
    let shared = params.party_size.draw(rng);
    let of_head =
        network.trailheads.iter().map(|head| head.party_size.map_or(shared, |size| size.draw(rng))).collect();
    let rng = &mut stream(seed_of(params.seed, "party size by trail"), draw);
    let on_trail = network.trails.iter().map(|trail| {
        let drawn = trail.party_size.unwrap_or(params.party_size).draw(rng);
        trail.party_size.map(|_| drawn)
    });
    DrawnSizes { of_head, on_trail: on_trail.collect() }
}
