//! Bandwidth by leave-one-out likelihood.
//!
//! Every encounter is predicted by the others; the bandwidth whose predictions are best is chosen. Meetings of one snake
//! on one day repeat each other and would draw the bandwidth to nothing, so only one of them counts; and no bandwidth
//! finer than the median position error is considered.
//!
//! A kernel that ends gives an encounter far from all others no chance at all. The prediction therefore holds one more
//! encounter, spread evenly over the whole network (or area): ((n - 1) others + 1 evenly) / n.
//!
//! Candidates are tried from the finest on, along a network only while the walks from an encounter can be counted:
//! where junctions are many they multiply with every doubling of the bandwidth. (To stop where predictions get worse would be
//! wrong: the likelihood may have several peaks.) Of many encounters a part, evenly taken, is predicted, each of them by all
//! others.
//!
//! # References
//! Silverman, B. W. (1986). *Density Estimation for Statistics and Data Analysis*. Chapman & Hall, section 3.4.4.

use std::cell::OnceCell;
use std::collections::HashSet;
use std::sync::atomic::AtomicUsize;
use std::sync::atomic::Ordering;

use rayon::prelude::*;

use crate::analysis::density::InvalidDensity;
use crate::analysis::density::NetworkKernel;
use crate::analysis::density::network::Event;
use crate::analysis::density::network::NetworkParams;
use crate::analysis::density::network::Position;
use crate::analysis::density::network::group;
use crate::analysis::density::network::has_moments;
use crate::analysis::density::network::walker;
use crate::analysis::density::planar::PlanarKernel;
use crate::analysis::density::planar::PlanarPoint;
use crate::analysis::density::planar::nearby_density;
use crate::analysis::density::source::EdgeSource;
use crate::analysis::density::source::Grouped;
use crate::analysis::density::source::PointSum;
use crate::analysis::density::source::QuarticMoments;
use crate::analysis::density::walk::Walks;
use crate::analysis::graph::Graph;

/// The bandwidth chosen, if there is anything to choose by.
#[derive(Debug, Clone, PartialEq)]
pub enum Bandwidth {
    /// The best candidate.
    Chosen(ChosenBandwidth),
    /// Fewer than two encounters were left, or no candidate is above the floor.
    NotEstimable,
}

impl Bandwidth {
    /// The same in another unit of length, or by another measure of a kernel's width: all bandwidths times a factor.
    pub fn times(self, factor: f64) -> Self {
        match self {
            Self::Chosen(chosen) => Self::Chosen(ChosenBandwidth {
                bandwidth_m: chosen.bandwidth_m * factor,
                profile: chosen.profile.into_iter().map(|(m, likelihood)| (m * factor, likelihood)).collect(),
                ..chosen
            }),
            Self::NotEstimable => Self::NotEstimable,
        }
    }
}

/// A bandwidth with the likelihoods that chose it.
#[derive(Debug, Clone, PartialEq)]
pub struct ChosenBandwidth {
    /// The candidate with the highest likelihood; the smallest of equals.
    pub bandwidth_m: f64,
    /// Each candidate tried (metres, ascending) with its log likelihood.
    pub profile: Vec<(f64, f64)>,
    /// Encounters used, one a snake-day.
    pub n_points: usize,
    /// Of these, how many were predicted, each by all others.
    pub n_predicted: usize,
    /// Whether wider candidates were not tried, since along the network there are too many walks of that length.
    pub is_cut_off: bool,
}

/// Encounters that are predicted at most.
const MOST_PREDICTED: usize = 2_000;
/// Walks from all predicted encounters that are followed at most.
const MOST_WALKS: usize = 2_000_000;

/// An encounter with the key of its repeats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Keyed<P> {
    /// Where.
    pub place: P,
    /// Encounters with the same key (the same snake on the same day) count once.
    pub snake_day: u64,
}

/// The first encounter of every snake-day, in their order.
pub fn one_per_snake_day<P: Copy>(encounters: &[Keyed<P>]) -> Vec<P> {
    let mut seen = HashSet::new();
    encounters
        .iter()
        .filter(|encounter| seen.insert(encounter.snake_day))
        .map(|encounter| encounter.place)
        .collect()
}

/// `n` bandwidths from `least_m` to `greatest_m`, each the same multiple of the one before.
pub fn geometric_candidates(least_m: f64, greatest_m: f64, n: usize) -> Vec<f64> {
    let steps = n.saturating_sub(1).max(1) as f64;
    (0..n).map(|k| least_m * (greatest_m / least_m).powf(k as f64 / steps)).collect()
}

/// Chooses the bandwidth of a network density.
///
/// `rules` says all but the bandwidth. Candidates below `floor_m`, the median standard error of positions, are raised to
/// it.
///
/// # Errors
/// [`InvalidDensity`] for a position or candidate that is not usable, or no candidates.
pub fn network_bandwidth(
    graph: &Graph,
    encounters: &[Keyed<Position>],
    candidates_m: &[f64],
    floor_m: f64,
    rules: &NetworkParams,
) -> Result<Bandwidth, InvalidDensity> {
    let places = one_per_snake_day(encounters);
    let events: Vec<Event> = places.iter().map(|&position| Event { position, weight: 1.0 }).collect();
    let total_m: f64 = graph.edges().iter().map(|edge| edge.length_m).sum();
    let predicted = some_of(&places);
    let grouped = group(graph, &events)?;
    let others = |bandwidth_m| {
        let params = NetworkParams { bandwidth_m, ..*rules };
        params.check()?;
        Ok(from_others(graph, &grouped, &predicted, &params, MOST_WALKS))
    };
    best(candidates_m, floor_m, Prediction { n_points: places.len(), even: 1.0 / total_m, others })
}

/// Chooses the bandwidth of a planar density over an area of `area_m2`.
///
/// # Errors
/// As [`network_bandwidth`]; the area must be positive and finite.
pub fn planar_bandwidth(
    encounters: &[Keyed<[f64; 2]>],
    candidates_m: &[f64],
    floor_m: f64,
    kernel: PlanarKernel,
    area_m2: f64,
) -> Result<Bandwidth, InvalidDensity> {
    if !(area_m2.is_finite() && area_m2 > 0.0) {
        return Err(InvalidDensity::Resolution { what: "area in square metres", size: area_m2 });
    }
    let places = one_per_snake_day(encounters);
    let points: Vec<PlanarPoint> =
        places.iter().map(|&position_m| PlanarPoint { position_m, weight: 1.0 }).collect();
    let predicted = some_of(&places);
    let others = |bandwidth_m| {
        let all = nearby_density(&points, &predicted, kernel, bandwidth_m)?;
        let own = kernel.density_per_m2(0.0, bandwidth_m);
        Ok(Some(all.iter().map(|all| all - own).collect()))
    };
    best(candidates_m, floor_m, Prediction { n_points: places.len(), even: 1.0 / area_m2, others })
}

/// So many of the places as are predicted, spread evenly over their order.
fn some_of<P: Copy>(places: &[P]) -> Vec<P> {
    let n = places.len().min(MOST_PREDICTED);
    (0..n).map(|idx| places[idx * places.len() / n]).collect()
}

/// How the other encounters predict each one.
struct Prediction<F> {
    n_points: usize,
    /// The density of one encounter spread evenly.
    even: f64,
    /// For a bandwidth, the density that all others make at each predicted encounter; none where that is too much work.
    others: F,
}

fn best<F>(candidates_m: &[f64], floor_m: f64, prediction: Prediction<F>) -> Result<Bandwidth, InvalidDensity>
where
    F: Fn(f64) -> Result<Option<Vec<f64>>, InvalidDensity> + Sync,
{
    if candidates_m.is_empty() {
        return Err(InvalidDensity::Nothing("candidate bandwidths"));
    }
    if let Some(&bad) = candidates_m.iter().chain([&floor_m]).find(|m| !(m.is_finite() && **m >= 0.0)) {
        return Err(InvalidDensity::Bandwidth(bad));
    }
    let mut tried_m: Vec<f64> = candidates_m.iter().map(|m| m.max(floor_m)).filter(|m| *m > 0.0).collect();
    tried_m.sort_by(f64::total_cmp);
    tried_m.dedup();
    if prediction.n_points < 2 {
        return Ok(Bandwidth::NotEstimable);
    }
    let mut profile: Vec<(f64, f64)> = Vec::with_capacity(tried_m.len());
    let (mut n_predicted, mut is_cut_off) = (0, false);
    // What is wider than one that is too much work is not tried.
    let cut_off = AtomicUsize::new(usize::MAX);
    let others = |(order, bandwidth_m): (usize, &f64)| {
        if order > cut_off.load(Ordering::Relaxed) {
            return Ok(None);
        }
        let others = (prediction.others)(*bandwidth_m);
        if let Ok(None) = others {
            cut_off.fetch_min(order, Ordering::Relaxed);
        }
        others
    };
    let predicted: Vec<Option<Vec<f64>>> =
        tried_m.par_iter().enumerate().map(others).collect::<Result<_, _>>()?;
    for (bandwidth_m, others) in tried_m.into_iter().zip(predicted) {
        let Some(others) = others else {
            is_cut_off = true;
            break;
        };
        let n = prediction.n_points as f64;
        n_predicted = others.len();
        // Rounding, and the continuous rule at odd junctions, may leave a density just below zero.
        let likelihood =
            others.iter().map(|others| ((others.max(0.0) + prediction.even) / n).ln()).sum::<f64>();
        // As if all had been predicted.
        let likelihood = likelihood * n / others.len() as f64;
        profile.push((bandwidth_m, likelihood));
    }
    let best = profile.iter().copied().reduce(|best, next| if next.1 > best.1 { next } else { best });
    Ok(match best {
        Some((bandwidth_m, _)) => {
            let n_points = prediction.n_points;
            Bandwidth::Chosen(ChosenBandwidth { bandwidth_m, profile, n_points, n_predicted, is_cut_off })
        }
        None => Bandwidth::NotEstimable,
    })
}

/// The density that all other encounters make at each place of one, what comes back of its own left out; none where that takes more
/// walks than are to be followed.
///
/// What an encounter sends to a place is what one at the place would send to it: the shares at a junction are the same both
/// ways. So only the walks out of the places are followed.
fn from_others(
    graph: &Graph,
    encounters: &Grouped,
    places: &[Position],
    params: &NetworkParams,
    most_walks: usize,
) -> Option<Vec<f64>> {
    match has_moments(graph, params) {
        true => {
            let source = || QuarticMoments::new(params.bandwidth_m, encounters);
            from_others_by(graph, places, params, most_walks, source)
        }
        false => {
            let source = || PointSum::<false>::new(params.kernel, params.bandwidth_m, encounters);
            from_others_by(graph, places, params, most_walks, source)
        }
    }
}

fn from_others_by<S: EdgeSource>(
    graph: &Graph,
    places: &[Position],
    params: &NetworkParams,
    most_walks: usize,
    source: impl Fn() -> S,
) -> Option<Vec<f64>> {
    let kernel = |distance_m| NetworkKernel::density_per_m(params.kernel, distance_m, params.bandwidth_m);
    let mut walker = walker(graph, params);
    // The encounters of each edge that a walk has come to, where there are any.
    let met: Vec<OnceCell<Option<S>>> = (0..graph.n_edges()).map(|_| OnceCell::new()).collect();
    let on = |edge: usize, value: &dyn Fn(&S) -> f64| {
        let loaded = met[edge].get_or_init(|| {
            let mut source = source();
            source.load(edge, graph.edges()[edge].length_m).then_some(source)
        });
        loaded.as_ref().map_or(0.0, value)
    };
    let mut n_walks = 0;
    let mut all = Vec::with_capacity(places.len());
    for place in places {
        let length_m = graph.edges()[place.edge].length_m;
        let to_end_m = |at_start| if at_start { place.offset_m } else { length_m - place.offset_m };
        let mut others = on(place.edge, &|here| here.on_edge(place.offset_m)) - kernel(0.0);
        for at_start in [true, false] {
            let out_m = to_end_m(at_start);
            for walk in walker.arrivals(place.edge, at_start, params.bandwidth_m - out_m) {
                n_walks += 1;
                if n_walks > most_walks {
                    return None;
                }
                let from_m = out_m + walk.distance_m;
                let mut sum = on(walk.edge, &|there| there.past_end(walk.at_start, from_m));
                if walk.edge == place.edge {
                    sum -= kernel(from_m + to_end_m(walk.at_start));
                }
                others += walk.weight * sum;
            }
        }
        all.push(others);
    }
    Some(all)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::density::density_at;
    use crate::analysis::graph::Edge;
    use crate::analysis::random::stream;
    use rand::RngExt;

    /// A line of 40 segments of 100 m with a loop at its end and a spur.
    fn trail() -> Graph {
        let mut edges: Vec<Edge> = (0..40).map(|k| Edge { from: k, to: k + 1, length_m: 100.0 }).collect();
        edges.push(Edge { from: 40, to: 40, length_m: 300.0 });
        edges.push(Edge { from: 20, to: 41, length_m: 80.0 });
        Graph::new(42, edges).unwrap()
    }

    fn keyed(places: &[Position]) -> Vec<Keyed<Position>> {
        places.iter().enumerate().map(|(k, &place)| Keyed { place, snake_day: k as u64 }).collect()
    }

    fn spread_out(seed: u64) -> Vec<Position> {
        let mut rng = stream(seed, 0);
        (0..60)
            .map(|_| Position { edge: rng.random_range(0..40), offset_m: rng.random_range(0.0..100.0) })
            .collect()
    }

    /// Three gatherings about 60 m across.
    fn gathered(seed: u64) -> Vec<Position> {
        let mut rng = stream(seed, 0);
        (0..60)
            .map(|k| Position { edge: [5, 18, 33][k % 3], offset_m: rng.random_range(20.0..80.0) })
            .collect()
    }

    fn chosen(encounters: &[Keyed<Position>], floor_m: f64) -> f64 {
        let candidates = geometric_candidates(20.0, 2000.0, 12);
        let rules = NetworkParams::continuous(1.0);
        match network_bandwidth(&trail(), encounters, &candidates, floor_m, &rules).unwrap() {
            Bandwidth::Chosen(chosen) => chosen.bandwidth_m,
            Bandwidth::NotEstimable => panic!("not estimable"),
        }
    }

    #[test]
    fn gatherings_ask_for_less_smoothing_than_an_even_spread() {
        let (near, wide) = (chosen(&keyed(&gathered(1)), 10.0), chosen(&keyed(&spread_out(1)), 10.0));
        assert!(near < 120.0 && wide > 500.0, "{near} {wide}");
        assert!(chosen(&keyed(&gathered(1)), 150.0) >= 150.0);
    }

    /// Twenty snakes, each met by three parties within a metre: counting all of them collapses the bandwidth.
    #[test]
    fn repeats_of_one_snake_collapse_the_bandwidth_unless_counted_once() {
        let mut repeated = Vec::new();
        for (k, place) in spread_out(2).into_iter().take(20).enumerate() {
            for again in 0..3 {
                let offset_m = (place.offset_m + 0.3 * f64::from(again)).min(100.0);
                repeated.push(Keyed { place: Position { offset_m, ..place }, snake_day: k as u64 });
            }
        }
        let as_if_apart = keyed(&repeated.iter().map(|keyed| keyed.place).collect::<Vec<_>>());
        let (once, all) = (chosen(&repeated, 10.0), chosen(&as_if_apart, 10.0));
        assert!(all <= 20.0 && once > 100.0, "{once} {all}");
    }

    #[test]
    fn what_others_make_is_the_density_without_the_encounter() {
        let graph = trail();
        let mut places = spread_out(3);
        places.extend([Position { edge: 40, offset_m: 20.0 }, Position { edge: 41, offset_m: 75.0 }]);
        let event = |position: &Position| Event { position: *position, weight: 1.0 };
        let grouped = group(&graph, &places.iter().map(event).collect::<Vec<_>>()).unwrap();
        for params in [
            NetworkParams::continuous(350.0),
            NetworkParams::discontinuous(350.0),
            NetworkParams { kernel: NetworkKernel::Gaussian, ..NetworkParams::continuous(120.0) },
        ] {
            let others = from_others(&graph, &grouped, &places, &params, 100_000).unwrap();
            for (own, (place, from_others)) in places.iter().zip(&others).enumerate() {
                let left: Vec<Event> = places
                    .iter()
                    .enumerate()
                    .filter(|(idx, _)| *idx != own)
                    .map(|(_, at)| event(at))
                    .collect();
                let without = density_at(&graph, &left, &[*place], &params).unwrap()[0];
                assert!((from_others - without).abs() < 1e-12, "{own}: {from_others} {without}");
            }
            assert_eq!(from_others(&graph, &grouped, &places, &params, 2), None);
        }
    }

    #[test]
    fn planar_gatherings_ask_for_less_too() {
        let mut rng = stream(4, 0);
        let mut place = |width_m: f64, k: u64| {
            let centre = [[500.0, 500.0], [2500.0, 700.0]][(k % 2) as usize];
            let at = |c: f64, shift: f64| c + width_m * (shift - 0.5);
            Keyed { place: [at(centre[0], rng.random()), at(centre[1], rng.random())], snake_day: k }
        };
        let near: Vec<_> = (0..60).map(|k| place(60.0, k)).collect();
        let wide: Vec<_> = (0..60).map(|k| place(2000.0, k)).collect();
        let candidates = geometric_candidates(20.0, 2000.0, 12);
        let chosen = |encounters: &[Keyed<[f64; 2]>]| match planar_bandwidth(
            encounters,
            &candidates,
            5.0,
            PlanarKernel::Quartic,
            9e6,
        )
        .unwrap()
        {
            Bandwidth::Chosen(chosen) => chosen.bandwidth_m,
            Bandwidth::NotEstimable => panic!("not estimable"),
        };
        assert!(chosen(&near) < 150.0 && chosen(&wide) > 400.0, "{} {}", chosen(&near), chosen(&wide));
    }

    #[test]
    fn one_encounter_chooses_nothing() {
        let rules = NetworkParams::continuous(1.0);
        let one = keyed(&[Position { edge: 0, offset_m: 1.0 }]);
        assert_eq!(network_bandwidth(&trail(), &one, &[100.0], 0.0, &rules), Ok(Bandwidth::NotEstimable));
        let none = network_bandwidth(&trail(), &one, &[], 0.0, &rules);
        assert_eq!(none, Err(InvalidDensity::Nothing("candidate bandwidths")));
    }
}
