//! A recorded track matched to the segment graph: which parts of which segments were walked, in order.
//!
//! Positions are first cleaned: a stretch at the speed of a vehicle is left out, and positions close together become one.
//! A hidden Markov model then finds the most probable way (Newson & Krumm 2009): the hidden states are the segments near
//! a position, positions scatter normally around them, and going from one to the next is the less probable the more the
//! way along the network differs from the straight line. Ways are looked for within a bounded distance. Short
//! back-and-forth that position errors make is taken out, a walker's turning back stays.

mod clean;
mod path;
mod route;
mod viterbi;

use std::collections::BTreeMap;

use geo::Coord;
use rayon::prelude::*;

use crate::analysis::graph::Graph;
use crate::analysis::network::Direction;
use crate::analysis::snap::SnapIndex;
use crate::analysis::track_match::route::Router;

/// A position of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackPoint {
    /// Where, in the network's plane, metres. Positions that are not finite are left out and counted.
    pub at: Coord<f64>,
    /// When, seconds; none where the track has no times.
    pub time_s: Option<i64>,
}

/// How tracks are matched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatchParams {
    /// Standard deviation of positions on each axis, metres; above zero.
    pub sigma_m: f64,
    /// A segment farther than this from a position does not explain it, metres; above zero.
    pub reach_m: f64,
    /// Scale of the difference between the way along the network and the straight line, metres; above zero.
    pub detour_m: f64,
    /// Positions are averaged over about this distance, and those nearer to each other taken as one, metres; at least
    /// zero.
    pub thin_m: f64,
    /// Faster than this is a vehicle, metres a second; above zero.
    pub vehicle_m_per_s: f64,
    /// Positions farther apart than this are not joined, metres; above zero.
    pub longest_gap_m: f64,
    /// A departure from the network no longer than this is bridged, metres; at least zero.
    pub bridge_m: f64,
    /// A turning back of less than this is taken for position error, metres; at least zero.
    pub least_turn_m: f64,
    /// A matched piece shorter than this is left out, metres; at least zero.
    pub least_piece_m: f64,
}

impl Default for MatchParams {
    fn default() -> Self {
        Self {
            sigma_m: 10.0,
            reach_m: 50.0,
            detour_m: 15.0,
            thin_m: 20.0,
            vehicle_m_per_s: 4.0,
            longest_gap_m: 1000.0,
            bridge_m: 150.0,
            least_turn_m: 30.0,
            least_piece_m: 40.0,
        }
    }
}

/// Why a track cannot be matched.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum MatchError {
    /// A parameter is out of its range.
    #[error("{name} is {value}; it must be finite and {allowed}")]
    Param {
        /// The parameter.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What is allowed.
        allowed: &'static str,
    },
    /// The index is not of the graph.
    #[error("the index has {n_indexed} segments, the graph has {n_edges}")]
    OtherNetwork {
        /// Segments of the index.
        n_indexed: usize,
        /// Edges of the graph.
        n_edges: usize,
    },
}

/// A part of a segment, walked once in one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leg {
    /// The segment.
    pub segment_idx: usize,
    /// Which way.
    pub direction: Direction,
    /// Where it begins, metres from the segment's start.
    pub from_m: f64,
    /// Where it ends, metres from the segment's start; below `from_m` when walked backward.
    pub to_m: f64,
    /// The unbroken piece of the track it belongs to, counted from zero.
    pub piece_idx: usize,
}

impl Leg {
    /// Metres walked.
    pub fn length_m(&self) -> f64 {
        (self.to_m - self.from_m).abs()
    }
}

/// Why a part of a track was left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reason {
    /// Faster than walking: the drive home.
    Vehicle,
    /// No trail in reach.
    OffNetwork,
    /// The positions before and after are too far apart to say which way was walked.
    Gap,
    /// No way along the trails joins the positions before and after within a plausible distance.
    NoWay,
    /// The trails were only touched: crossed, or too few metres walked.
    Brief,
}

/// A part of a track that was left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeftOut {
    /// Why.
    pub reason: Reason,
    /// Its first position, an index into the track.
    pub first: usize,
    /// Its last position, an index into the track.
    pub last: usize,
    /// Metres along its positions, those close together taken as one.
    pub length_m: f64,
}

/// A matched track.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TrackMatch {
    /// What was walked, in order.
    pub legs: Vec<Leg>,
    /// What was left out, in order.
    pub left_out: Vec<LeftOut>,
    /// Metres of the legs that lie between positions more than 200 m apart: walked as far as the way is known.
    pub filled_m: f64,
    /// Positions that were not finite or impossibly far away.
    pub n_unusable: usize,
    /// Whether the times could be used: every position has one and none goes back. Without times a drive along a trail
    /// cannot be told from a walk.
    pub is_timed: bool,
}

impl TrackMatch {
    /// Metres walked on the network; a segment walked out and back counts twice.
    pub fn walked_m(&self) -> f64 {
        self.legs.iter().map(Leg::length_m).fold(0.0, |sum, length_m| sum + length_m)
    }

    /// Metres left out.
    pub fn left_out_m(&self) -> f64 {
        // Not `sum`, which gives minus zero where there is nothing.
        self.left_out.iter().fold(0.0, |sum, part| sum + part.length_m)
    }

    /// Metres walked by segment, of those that were.
    pub fn metres_by_segment(&self) -> BTreeMap<usize, f64> {
        let mut metres = BTreeMap::new();
        for leg in &self.legs {
            *metres.entry(leg.segment_idx).or_default() += leg.length_m();
        }
        metres
    }
}

/// Matches a track to the network.
///
/// `index` and `graph` are of one network. An empty track, one position, or one far from every trail gives no legs. The
/// length found is a little short at ends and turning points (by up to `thin_m` each), since positions are averaged.
///
/// # Errors
/// [`MatchError`] when a parameter is out of its range or the graph is not that of the index.
///
/// # References
/// Newson, P. & Krumm, J. (2009). Hidden Markov map matching through noise and sparseness. *Proc. 17th ACM SIGSPATIAL*,
/// 336-343.
pub fn match_track(
    index: &SnapIndex,
    graph: &Graph,
    points: &[TrackPoint],
    params: &MatchParams,
) -> Result<TrackMatch, MatchError> {
    check(index, graph, params)?;
    Ok(matched(index, &mut Router::new(graph), points, params))
}

/// Matches many tracks, as [`match_track`] does one, on all threads; in their order.
///
/// # Errors
/// As [`match_track`].
pub fn match_tracks(
    index: &SnapIndex,
    graph: &Graph,
    tracks: &[Vec<TrackPoint>],
    params: &MatchParams,
) -> Result<Vec<TrackMatch>, MatchError> {
    check(index, graph, params)?;
    let router = || Router::new(graph);
    Ok(tracks.par_iter().map_init(router, |router, points| matched(index, router, points, params)).collect())
}

fn matched(
    index: &SnapIndex,
    router: &mut Router<'_>,
    points: &[TrackPoint],
    params: &MatchParams,
) -> TrackMatch {
    let cleaned = clean::clean(points, params);
    let mut found = TrackMatch {
        left_out: cleaned.left_out,
        n_unusable: cleaned.n_unusable,
        is_timed: cleaned.is_timed,
        ..TrackMatch::default()
    };
    let mut n_pieces = 0;
    for walk in &cleaned.walks {
        let decoded = viterbi::decode(index, router, walk, params);
        found.left_out.extend(decoded.left_out);
        for piece in decoded.pieces {
            let moves = path::without_jitter(piece.moves, params.least_turn_m);
            let length_m: f64 =
                moves.iter().map(path::Move::length_m).fold(0.0, |sum, length_m| sum + length_m);
            if length_m < params.least_piece_m || length_m <= 0.0 {
                let (first, last) = (piece.first, piece.last);
                found.left_out.push(LeftOut { reason: Reason::Brief, first, last, length_m });
                continue;
            }
            found.filled_m += piece.filled_m;
            found.legs.extend(moves.iter().map(|made| made.leg(n_pieces)));
            n_pieces += 1;
        }
    }
    found.left_out.sort_by_key(|part| (part.first, part.last));
    found
}

fn check(index: &SnapIndex, graph: &Graph, params: &MatchParams) -> Result<(), MatchError> {
    let (n_indexed, n_edges) = (index.n_segments(), graph.n_edges());
    if n_indexed != n_edges {
        return Err(MatchError::OtherNetwork { n_indexed, n_edges });
    }
    let above = [
        ("the standard deviation", params.sigma_m),
        ("the reach", params.reach_m),
        ("the detour scale", params.detour_m),
        ("the vehicle speed", params.vehicle_m_per_s),
        ("the longest gap", params.longest_gap_m),
    ];
    let at_least = [
        ("the thinning distance", params.thin_m),
        ("the bridged distance", params.bridge_m),
        ("the least turning back", params.least_turn_m),
        ("the least piece", params.least_piece_m),
    ];
    let is_positive = |value: f64| value.is_finite() && value > 0.0;
    let is_valid = |value: f64| value.is_finite() && value >= 0.0;
    let bad_above = above.iter().find(|(_, value)| !is_positive(*value));
    let bad_at_least = at_least.iter().find(|(_, value)| !is_valid(*value));
    match (bad_above, bad_at_least) {
        (Some((name, value)), _) => Err(MatchError::Param { name, value: *value, allowed: "above zero" }),
        (_, Some((name, value))) => Err(MatchError::Param { name, value: *value, allowed: "at least zero" }),
        (None, None) => Ok(()),
    }
}

#[cfg(test)]
mod tests;
