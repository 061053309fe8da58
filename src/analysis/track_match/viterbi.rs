//! The most probable way through the segments near each position.

use crate::analysis::snap::SnapIndex;
use crate::analysis::track_match::LeftOut;
use crate::analysis::track_match::MatchParams;
use crate::analysis::track_match::Reason;
use crate::analysis::track_match::clean::Cluster;
use crate::analysis::track_match::clean::distance_m;
use crate::analysis::track_match::path::Move;
use crate::analysis::track_match::route::Router;
use crate::analysis::track_match::route::Spot;

/// Segments looked at for a position: the nearest ones.
const N_CANDIDATES: usize = 8;
/// Metres between positions from which on the way between them is called filled in.
const FILLED_M: f64 = 200.0;

/// An unbroken piece of a track.
pub(super) struct Piece {
    pub(super) moves: Vec<Move>,
    pub(super) filled_m: f64,
    pub(super) first: usize,
    pub(super) last: usize,
}

#[derive(Default)]
pub(super) struct Decoded {
    pub(super) pieces: Vec<Piece>,
    pub(super) left_out: Vec<LeftOut>,
}

/// A position with the segments that may explain it.
struct Step {
    cluster: Cluster,
    states: Vec<State>,
}

#[derive(Clone, Copy)]
struct State {
    spot: Spot,
    /// Logarithm of the probability of the best way that ends here.
    score: f64,
    /// The state before on that way.
    before: usize,
}

pub(super) fn decode(
    index: &SnapIndex,
    router: &mut Router<'_>,
    walk: &[Cluster],
    params: &MatchParams,
) -> Decoded {
    let mut decoded = Decoded::default();
    let mut steps: Vec<Step> = Vec::new();
    let mut away: Vec<Cluster> = Vec::new();
    for cluster in walk {
        let mut step = candidates(index, cluster, params);
        if step.states.is_empty() {
            away.push(*cluster);
            continue;
        }
        if let Some(last) = steps.last() {
            let joined = join(router, last, &mut step, &away, params);
            if let Err(reason) = joined {
                if reason != Reason::OffNetwork {
                    decoded.left_out.push(gap(&last.cluster, cluster, reason));
                }
                decoded.pieces.extend(trace(router, &steps));
                steps.clear();
            } else {
                // A short departure is bridged.
                away.clear();
            }
        }
        decoded.left_out.extend(off_network(&away));
        away.clear();
        steps.push(step);
    }
    decoded.left_out.extend(off_network(&away));
    decoded.pieces.extend(trace(router, &steps));
    decoded
}

fn candidates(index: &SnapIndex, cluster: &Cluster, params: &MatchParams) -> Step {
    let mut near = index.segments_within(cluster.at, params.reach_m);
    near.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m));
    near.truncate(N_CANDIDATES);
    let states = near.iter().map(|nearest| State {
        spot: Spot { edge: nearest.segment_idx, at_m: nearest.along_m },
        score: -0.5 * (nearest.distance_m / params.sigma_m).powi(2),
        before: 0,
    });
    Step { cluster: *cluster, states: states.collect() }
}

/// Gives the states of a step their scores and forerunners, or says why there are none.
fn join(
    router: &mut Router<'_>,
    last: &Step,
    next: &mut Step,
    away: &[Cluster],
    params: &MatchParams,
) -> Result<(), Reason> {
    if !away.is_empty() {
        let way: Vec<_> = [&last.cluster].into_iter().chain(away).chain([&next.cluster]).collect();
        let length_m: f64 = way.windows(2).map(|pair| distance_m(pair[0].at, pair[1].at)).sum();
        if length_m > params.bridge_m {
            return Err(Reason::OffNetwork);
        }
    }
    let straight_m = distance_m(last.cluster.at, next.cluster.at);
    if straight_m > params.longest_gap_m {
        return Err(Reason::Gap);
    }
    let mut best = vec![(f64::NEG_INFINITY, 0); next.states.len()];
    for (idx, state) in last.states.iter().enumerate() {
        router.search(state.spot, bound_m(straight_m));
        for (target, best) in next.states.iter().zip(&mut best) {
            let way_m = router.to(target.spot);
            let score = state.score - (way_m - straight_m).abs() / params.detour_m;
            if way_m <= bound_m(straight_m) && score > best.0 {
                *best = (score, idx);
            }
        }
    }
    if best.iter().all(|(score, _)| *score == f64::NEG_INFINITY) {
        return Err(Reason::NoWay);
    }
    for (state, (score, before)) in next.states.iter_mut().zip(best) {
        state.score += score;
        state.before = before;
    }
    next.states.retain(|state| state.score > f64::NEG_INFINITY);
    Ok(())
}

/// How long a way between positions so far apart may be: switchbacks are long for a short line, less so for a long one.
fn bound_m(straight_m: f64) -> f64 {
    (2.0 * straight_m + 300.0).min(1.3 * straight_m + 500.0)
}

/// The best way through the steps as moves.
fn trace(router: &mut Router<'_>, steps: &[Step]) -> Option<Piece> {
    let (first, last) = (steps.first()?, steps.last()?);
    let best = (0..last.states.len())
        .max_by(|a, b| last.states[*a].score.total_cmp(&last.states[*b].score).then(b.cmp(a)))?;
    let mut chosen = vec![best];
    for step in steps.iter().skip(1).rev() {
        let at = chosen.last().copied().unwrap_or(0);
        chosen.push(step.states[at].before);
    }
    chosen.reverse();
    let mut piece =
        Piece { moves: Vec::new(), filled_m: 0.0, first: first.cluster.first, last: last.cluster.last };
    for (pair, at) in steps.windows(2).zip(chosen.windows(2)) {
        let straight_m = distance_m(pair[0].cluster.at, pair[1].cluster.at);
        router.search(pair[0].states[at[0]].spot, bound_m(straight_m));
        let moves = router.moves_to(pair[1].states[at[1]].spot);
        if straight_m > FILLED_M {
            piece.filled_m += moves.iter().map(Move::length_m).sum::<f64>();
        }
        piece.moves.extend(moves);
    }
    Some(piece)
}

fn gap(before: &Cluster, after: &Cluster, reason: Reason) -> LeftOut {
    let length_m = distance_m(before.at, after.at);
    LeftOut { reason, first: before.last, last: after.first, length_m }
}

fn off_network(away: &[Cluster]) -> Option<LeftOut> {
    let (first, last) = (away.first()?, away.last()?);
    let length_m = away.windows(2).map(|pair| distance_m(pair[0].at, pair[1].at)).sum();
    Some(LeftOut { reason: Reason::OffNetwork, first: first.first, last: last.last, length_m })
}
