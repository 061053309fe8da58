//! What counters should count, given volumes, habits and calibrations.

use rayon::prelude::*;

use crate::analysis::exposure::error::{InvalidExposure, positive};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::party_size::PartySize;
use crate::analysis::exposure::reach::{Reach, ReachRule};
use crate::analysis::exposure::readings::CounterSite;
use crate::analysis::exposure::skeleton::{Place, Skeleton};
use crate::analysis::exposure::walkers::{Flow, Habits, propagate_above};
use crate::analysis::graph::{Graph, VertexIdx};

/// A place where walkers start.
#[derive(Debug, Clone, PartialEq)]
pub struct Trailhead {
    /// Its name.
    pub name: String,
    /// The vertex of the segment graph at which it lies.
    pub vertex: VertexIdx,
    /// Volume relative to other trailheads, such as parking places; more than zero.
    pub relative_volume: f64,
    /// Party size of those who start here, if known apart.
    pub party_size: Option<PartySize>,
}

/// A trail: what walkers see at a junction, and who they are.
#[derive(Debug, Clone, PartialEq)]
pub struct TrailPrior {
    /// Its name.
    pub name: String,
    /// Prior median of its attractiveness relative to other trails, more than zero; 1 when nothing is known.
    pub attractiveness: f64,
    /// Party size of those who walk on it, wherever they started, if known apart.
    pub party_size: Option<PartySize>,
}

/// The network walkers walk on.
#[derive(Debug, Clone, Copy)]
pub struct WalkNetwork<'a> {
    /// The segment graph.
    pub graph: &'a Graph,
    /// Trail of each segment, an index into `trails`.
    pub trail_of: &'a [usize],
    /// The trails.
    pub trails: &'a [TrailPrior],
    /// The trailheads.
    pub trailheads: &'a [Trailhead],
    /// A number of each segment that lasts while other trails come and go; errors are drawn by it.
    pub keys: &'a [u64],
}

/// What one parameter of the model is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ParameterKind {
    /// Walkers who start at a trailhead in the study period.
    Volume {
        /// The trailhead.
        trailhead: usize,
    },
    /// Relative attractiveness of a trail at junctions.
    Attractiveness {
        /// The trail.
        trail: usize,
    },
    /// Mean turning distance, metres.
    MeanDistance,
    /// Manual over device count.
    Calibration {
        /// The counter.
        counter: usize,
    },
}

/// Counts of one series as the fit sees them.
#[derive(Debug, Clone)]
pub(crate) struct Observation {
    pub(crate) counter: usize,
    pub(crate) site: CounterSite,
    /// Bins that count there.
    pub(crate) n_bins: usize,
    /// Passages the device counted while it was open.
    pub(crate) count: f64,
    /// Share of the study period's walkers that it was there to count while it was open.
    pub(crate) share: f64,
    /// Pearson dispersion of its daily counts.
    pub(crate) dispersion: f64,
    /// By trailhead, then trail, what closures left of the passages in that time; none where all was open.
    pub(crate) left: Option<Vec<f64>>,
}

/// A segment that a counter counts.
#[derive(Debug, Clone, Copy)]
struct Counted {
    place: Place,
    trail: usize,
    /// Weight of a passage.
    weight: f64,
}

/// Whom a site counts: passages over the study period if all were open, by trailhead and trail.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Whom {
    /// Trailhead, trail and passages.
    parts: Vec<(usize, usize, f64)>,
}

impl Whom {
    /// From trailheads, trails and passages.
    #[cfg(test)]
    pub(crate) fn of(parts: Vec<(usize, usize, f64)>) -> Self {
        Self { parts }
    }

    /// Passages of those of some trailheads on some trails.
    pub(crate) fn sum(&self, of: impl Fn(usize, usize) -> bool) -> f64 {
        self.parts.iter().filter(|(head, trail, _)| of(*head, *trail)).map(|(_, _, passages)| passages).sum()
    }

    /// The same as a share of all; zero where nobody is expected.
    pub(crate) fn share(&self, of: impl Fn(usize, usize) -> bool) -> f64 {
        let all = self.sum(|_, _| true);
        if all > 0.0 { self.sum(of) / all } else { 0.0 }
    }

    /// The same passages as a device counts them.
    pub(crate) fn times(mut self, factor: f64) -> Self {
        self.parts.iter_mut().for_each(|(_, _, passages)| *passages *= factor);
        self
    }
}

/// The walker model on a network. Parameters are logs, in the order volumes, attractiveness, mean distance, calibrations.
pub(crate) struct Model {
    pub(crate) n_trailheads: usize,
    pub(crate) n_trails: usize,
    pub(crate) n_counters: usize,
    n_observations: usize,
    pub(crate) skeletons: Vec<Skeleton>,
    pub(crate) shape: f64,
    pub(crate) loop_weight: f64,
    /// For each trailhead and observation, the segments counted.
    counted: Vec<Vec<Vec<Counted>>>,
    /// By observation what closures left, as in [`Observation::left`].
    left: Vec<Option<Vec<f64>>>,
}

impl Model {
    /// A model on the trails at which nobody counts yet.
    pub(crate) fn new(network: &WalkNetwork<'_>, n_counters: usize, params: &ExposureParams) -> Self {
        let rule = ReachRule { reach_m: params.reach_m, distance_shape: params.distance_shape };
        let skeletons: Vec<Skeleton> = network
            .trailheads
            .par_iter()
            .map(|head| Skeleton::of(&Reach::of(network.graph, network.trail_of, head.vertex, &rule)))
            .collect();
        Self {
            n_trailheads: network.trailheads.len(),
            n_trails: network.trails.len(),
            n_counters,
            n_observations: 0,
            counted: vec![Vec::new(); skeletons.len()],
            skeletons,
            shape: params.distance_shape,
            loop_weight: params.loop_weight,
            left: Vec::new(),
        }
    }

    /// The model with counters at some sites, where all was open.
    pub(crate) fn counted_at(mut self, network: &WalkNetwork<'_>, sites: &[CounterSite]) -> Self {
        let heads = network.trailheads.iter().zip(&self.skeletons);
        self.counted = heads
            .map(|(head, skeleton)| {
                sites.iter().map(|site| counted_places(network, head, skeleton, *site)).collect()
            })
            .collect();
        self.n_observations = sites.len();
        self.left = vec![None; sites.len()];
        self
    }

    /// Takes over what closures left of each observation.
    pub(crate) fn take_left(&mut self, observations: &[Observation]) {
        self.left = observations.iter().map(|seen| seen.left.clone()).collect();
    }

    /// Whom each site counts if all is open.
    pub(crate) fn whom(&self, theta: &[f64]) -> Vec<Whom> {
        let habits = self.habits(theta);
        let mut whom = vec![Whom::default(); self.n_observations];
        let mut flow = Flow::default();
        for (head, skeleton) in self.skeletons.iter().enumerate() {
            propagate_above(&skeleton.reach, &habits, LEAST_SHARE, &mut flow);
            for (whom, counted) in whom.iter_mut().zip(&self.counted[head]) {
                let passages = |it: &Counted| it.weight * it.place.passages(&habits, &flow);
                let parts = counted.iter().map(|it| (head, it.trail, theta[head].exp() * passages(it)));
                whom.parts.extend(parts);
            }
        }
        whom
    }

    pub(crate) fn n_parameters(&self) -> usize {
        self.n_trailheads + self.n_trails + 1 + self.n_counters
    }

    pub(crate) fn distance_idx(&self) -> usize {
        self.n_trailheads + self.n_trails
    }

    pub(crate) fn calibration_idx(&self, counter: usize) -> usize {
        self.distance_idx() + 1 + counter
    }

    pub(crate) fn kind(&self, parameter: usize) -> ParameterKind {
        if parameter < self.n_trailheads {
            ParameterKind::Volume { trailhead: parameter }
        } else if parameter < self.distance_idx() {
            ParameterKind::Attractiveness { trail: parameter - self.n_trailheads }
        } else if parameter == self.distance_idx() {
            ParameterKind::MeanDistance
        } else {
            ParameterKind::Calibration { counter: parameter - self.distance_idx() - 1 }
        }
    }

    /// The habits that a parameter vector says.
    pub(crate) fn habits(&self, theta: &[f64]) -> Habits {
        let attractiveness =
            theta[self.n_trailheads..self.distance_idx()].iter().map(|log| log.exp()).collect();
        Habits::new(attractiveness, theta[self.distance_idx()].exp(), self.shape, self.loop_weight)
    }

    /// Passages at each observation for one walker from a trailhead.
    fn passages(&self, trailhead: usize, habits: &Habits, flow: &mut Flow) -> Vec<f64> {
        propagate_above(&self.skeletons[trailhead].reach, habits, LEAST_SHARE, flow);
        self.counted_passages(trailhead, habits, flow).collect()
    }

    /// Passages at each observation for one walker from a trailhead whose flow is known.
    pub(crate) fn counted_passages(
        &self,
        trailhead: usize,
        habits: &Habits,
        flow: &Flow,
    ) -> impl Iterator<Item = f64> {
        let passages = |it: &Counted| it.weight * it.place.passages(habits, flow);
        let first = trailhead * self.n_trails;
        self.counted[trailhead].iter().zip(&self.left).map(move |(counted, left)| match left {
            None => counted.iter().map(passages).sum(),
            Some(left) => counted.iter().map(|it| left[first + it.trail] * passages(it)).sum(),
        })
    }

    /// Number of series of counts.
    pub(crate) fn n_observations(&self) -> usize {
        self.n_observations
    }

    /// Passages for one walker, index `[trailhead][observation]`.
    pub(crate) fn all_passages(&self, habits: &Habits) -> Vec<Vec<f64>> {
        (0..self.n_trailheads)
            .into_par_iter()
            .map_init(Flow::default, |flow, head| self.passages(head, habits, flow))
            .collect()
    }

    /// Expected device counts with their derivatives by parameter: `(expected, [observation][parameter])`.
    ///
    /// Derivatives by attractiveness and distance are differences; trailheads that send next to nobody to any counter, and
    /// trails they never meet, are skipped.
    pub(crate) fn expected_with_slopes(
        &self,
        theta: &[f64],
        observations: &[Observation],
    ) -> (Vec<f64>, Vec<Vec<f64>>) {
        let passages = self.all_passages(&self.habits(theta));
        let expected = self.expected(theta, observations, &passages);
        let mut slopes = vec![vec![0.0; self.n_parameters()]; observations.len()];
        let unit = |seen: &Observation| seen.share * (-theta[self.calibration_idx(seen.counter)]).exp();
        for (idx, seen) in observations.iter().enumerate() {
            for head in 0..self.n_trailheads {
                slopes[idx][head] = unit(seen) * theta[head].exp() * passages[head][idx];
            }
            slopes[idx][self.calibration_idx(seen.counter)] = -expected[idx];
        }
        // The walkers of a trailhead, as the device that weighs them most would count them: in parts of its count.
        let weight = |head: usize| {
            let of = |(idx, seen): (usize, &Observation)| unit(seen) * theta[head].exp() / expected[idx];
            observations.iter().enumerate().map(of).filter(|it| it.is_finite()).fold(0.0, f64::max)
        };
        let matters =
            |head: usize| (0..observations.len()).any(|idx| slopes[idx][head] > NEGLIGIBLE * expected[idx]);
        let heads: Vec<usize> = (0..self.n_trailheads).filter(|head| matters(*head)).collect();
        let habits = self.habits(theta);
        let steps: Vec<Vec<(usize, usize)>> = heads
            .into_par_iter()
            .map_init(Flow::default, |flow, head| {
                let parameters = self.habit_parameters(head, &habits, NEGLIGIBLE_CHOICE / weight(head), flow);
                parameters.into_iter().map(|parameter| (head, parameter)).collect()
            })
            .collect();
        let steps = steps.concat();
        let changes: Vec<Vec<f64>> = steps
            .par_iter()
            .map_init(Flow::default, |flow, (head, parameter)| {
                let mut moved = theta.to_vec();
                moved[*parameter] += STEP;
                self.passages(*head, &self.habits(&moved), flow)
            })
            .collect();
        for ((head, parameter), changed) in steps.into_iter().zip(changes) {
            for (idx, seen) in observations.iter().enumerate() {
                let slope = (changed[idx] - passages[head][idx]) / STEP;
                slopes[idx][parameter] += unit(seen) * theta[head].exp() * slope;
            }
        }
        (expected, slopes)
    }

    /// Expected device counts given passages for one walker.
    pub(crate) fn expected(
        &self,
        theta: &[f64],
        observations: &[Observation],
        passages: &[Vec<f64>],
    ) -> Vec<f64> {
        let volume: Vec<f64> = theta[..self.n_trailheads].iter().map(|log| log.exp()).collect();
        observations
            .iter()
            .enumerate()
            .map(|(idx, seen)| {
                let all: f64 = volume.iter().zip(passages).map(|(v, per_walker)| v * per_walker[idx]).sum();
                all * seen.share * (-theta[self.calibration_idx(seen.counter)]).exp()
            })
            .collect()
    }

    /// Trails that a share of more than `least` of a trailhead's walkers choose or leave aside, and the mean distance.
    fn habit_parameters(&self, trailhead: usize, habits: &Habits, least: f64, flow: &mut Flow) -> Vec<usize> {
        let reach = &self.skeletons[trailhead].reach;
        propagate_above(reach, habits, LEAST_SHARE, flow);
        let mut choosing = vec![0.0; self.n_trails];
        for vertex in 0..reach.n_vertices() {
            let spokes = reach.at(vertex);
            if spokes.iter().any(|spoke| spoke.trail != spokes[0].trail) {
                let present: f64 = spokes.iter().map(|spoke| flow.passages(spoke.edge)).sum();
                spokes.iter().for_each(|spoke| choosing[spoke.trail] += present);
            }
        }
        let trails = (0..self.n_trails).filter(|trail| choosing[*trail] > least);
        trails.map(|trail| self.n_trailheads + trail).chain([self.distance_idx()]).collect()
    }
}

/// Step of the difference quotients, in logs.
const STEP: f64 = 1e-5;
/// Share of a count below which a trailhead is left out of the differences.
const NEGLIGIBLE: f64 = 1e-3;
/// Share of a count below which walkers at a junction are left out of the differences: a choice moves no more of them.
const NEGLIGIBLE_CHOICE: f64 = 1e-6;

/// Share of a trailhead's walkers below which the fit does not follow them.
const LEAST_SHARE: f64 = 1e-12;

/// The segments that a counter at a site counts for walkers of one trailhead.
fn counted_places(
    network: &WalkNetwork<'_>,
    head: &Trailhead,
    skeleton: &Skeleton,
    site: CounterSite,
) -> Vec<Counted> {
    let counted = |segment: usize, weight: f64| {
        let place = skeleton.place_of(segment)?;
        Some(Counted { place, trail: network.trail_of[segment], weight })
    };
    match site {
        CounterSite::Segment(segment) => counted(segment, 1.0).into_iter().collect(),
        CounterSite::Vertex(vertex) => {
            // Passing through a vertex uses two edge ends; starting or ending there uses one.
            let weight = if vertex == head.vertex { 1.0 } else { 0.5 };
            network.graph.at(vertex).iter().filter_map(|end| counted(end.edge, weight)).collect()
        }
        CounterSite::Place(_) => Vec::new(),
    }
}

/// Refuses a network whose parts do not fit together.
pub(crate) fn check_network(network: &WalkNetwork<'_>) -> Result<(), InvalidExposure> {
    let n_segments = network.graph.n_edges();
    if network.trail_of.len() != n_segments {
        let got = network.trail_of.len();
        return Err(InvalidExposure::Shape { what: "trail of each segment", got, expected: n_segments });
    }
    if let Some(trail) = network.trail_of.iter().find(|trail| **trail >= network.trails.len()) {
        return Err(InvalidExposure::NoSuchThing { who: "a segment".into(), what: "trail", index: *trail });
    }
    for trail in network.trails {
        let who = format!("trail {}", trail.name);
        positive(&who, "attractiveness, more than 0", trail.attractiveness)?;
        if let Some(size) = trail.party_size {
            size.check(&who)?;
        }
    }
    for head in network.trailheads {
        let who = format!("trailhead {}", head.name);
        if head.vertex >= network.graph.n_vertices() {
            return Err(InvalidExposure::NoSuchThing { who, what: "vertex", index: head.vertex });
        }
        let volume = head.relative_volume;
        positive(&who, "relative volume, more than 0", volume)?;
        if let Some(size) = head.party_size {
            size.check(&who)?;
        }
    }
    Ok(())
}
