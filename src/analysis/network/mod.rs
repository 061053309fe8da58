//! The trail network: nodes, pieces, segments, trail runs.
//!
//! Trail lines meet in nodes where they share a vertex, cross, or where an end lies within a tolerance of another line.
//! Between nodes run pieces, and each piece is cut into equal segments near a target length. A path that several trails
//! share is kept once and remembers them all. Every later analysis works on the segments and on their [`Graph`].

mod cutting;
mod frame;
mod ids;
mod joining;
mod noding;
mod pieces;
mod points;
mod runs;

use std::ops::Range;

use geo::Coord;

use crate::analysis::graph::Edge;
use crate::analysis::graph::Graph;
use crate::analysis::graph::InvalidGraph;
use crate::analysis::graph::VertexIdx;
use crate::analysis::plane::LocalPlane;
use crate::domain::geography::LonLat;

pub use ids::SegmentId;

/// Widest extent of a network from the centre of its area, metres: beyond it the plane is no longer true.
const MAX_RADIUS_M: f64 = 500_000.0;

/// One trail as it was brought in.
#[derive(Debug, Clone, PartialEq)]
pub struct TrailLine {
    /// Its name.
    pub name: String,
    /// Its lines, each in walking order; they need not touch.
    pub parts: Vec<Vec<LonLat>>,
}

/// How lines become a network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NetworkParams {
    /// Length that segments should have, metres; a piece is cut into max(1, round(length / target)) equal segments.
    pub target_segment_m: f64,
    /// An end this near to another line is joined to it, metres; zero joins only what touches.
    pub tolerance_m: f64,
}

impl Default for NetworkParams {
    fn default() -> Self {
        Self { target_segment_m: 100.0, tolerance_m: 5.0 }
    }
}

/// Why lines do not make a network.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NetworkError {
    /// The target length is not positive and finite.
    #[error("the target segment length is {0} m; it must be more than zero")]
    TargetLength(f64),
    /// The tolerance is negative or not finite, or not below half the target length.
    #[error("the tolerance is {0} m; it must be at least zero and less than half the target segment length")]
    Tolerance(f64),
    /// No line has two distinct vertices.
    #[error("no line has two distinct positions")]
    NoLines,
    /// The lines lie too far apart for one plane.
    #[error(
        "the lines reach {radius_m:.0} m from the middle of their area; at most {MAX_RADIUS_M:.0} m is possible"
    )]
    TooWide {
        /// Distance of the farthest vertex from the centre, metres.
        radius_m: f64,
    },
    /// The segments do not make a graph.
    #[error(transparent)]
    Graph(#[from] InvalidGraph),
}

/// What was done to a line beyond what it says.
#[derive(Debug, Clone, PartialEq)]
pub enum Note {
    /// A part with fewer than two distinct vertices was left out.
    PartSkipped {
        /// Index of the trail.
        trail_idx: usize,
        /// Index of the part among the trail's parts.
        part_idx: usize,
    },
    /// An end was joined to another line across a gap.
    EndJoined {
        /// Index of the trail whose end it is.
        trail_idx: usize,
        /// The end.
        at: LonLat,
        /// Width of the gap, metres.
        gap_m: f64,
    },
    /// An end reached past another line by no more than the tolerance and was cut off there.
    OvershootTrimmed {
        /// Index of the trail.
        trail_idx: usize,
        /// The end that was cut off.
        at: LonLat,
        /// Length cut off, metres.
        length_m: f64,
    },
    /// A piece belongs to several trails and was kept once.
    PathShared {
        /// Index of the piece.
        piece_idx: usize,
    },
}

/// Which way something is gone through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// From its first vertex to its last.
    Forward,
    /// From its last vertex to its first.
    Backward,
}

/// A piece as one trail goes through it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PieceUse {
    /// Index of the piece.
    pub piece_idx: usize,
    /// Whether the trail follows the piece's own direction.
    pub direction: Direction,
}

/// A trail of the network; its index is that of its line.
#[derive(Debug, Clone, PartialEq)]
pub struct Trail {
    /// Its name.
    pub name: String,
    /// Its pieces, each once, in the order in which the lines first come to them; empty when no part was usable.
    pub pieces: Vec<PieceUse>,
    /// Length of its pieces, metres.
    pub length_m: f64,
}

/// A stretch of path from node to node, or a loop without a node.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// The trails that go through it, ascending; at least one.
    pub trails: Vec<usize>,
    /// Vertex at its start.
    pub from: VertexIdx,
    /// Vertex at its end.
    pub to: VertexIdx,
    /// Its segments, in its direction.
    pub segments: Range<usize>,
    /// Geodesic length, metres.
    pub length_m: f64,
}

/// What a vertex of the segment graph is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VertexKind {
    /// Pieces meet here.
    Junction,
    /// One piece ends here.
    End,
    /// Two segments of one piece meet here, or a loop without junctions starts here.
    Cut,
}

/// A vertex of the segment graph.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vertex {
    /// Where it is.
    pub position: LonLat,
    /// Where it is in the network's plane, metres.
    pub planar: Coord<f64>,
    /// What it is.
    pub kind: VertexKind,
}

/// A segment: the unit of counting.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// A number that stays when unchanged lines are brought in again, reversed, or changed elsewhere.
    pub id: SegmentId,
    /// The first of the trails it belongs to; [`Piece::trails`] has them all.
    pub trail_idx: usize,
    /// Its piece.
    pub piece_idx: usize,
    /// Its place along that first trail, from 0.
    pub order: usize,
    /// Vertex at its start.
    pub from: VertexIdx,
    /// Vertex at its end; equal to `from` in a loop of one segment.
    pub to: VertexIdx,
    /// Geodesic length, metres.
    pub length_m: f64,
    /// Its line; at least two positions.
    pub geometry: Vec<LonLat>,
    /// The same line in the network's plane, metres.
    pub planar: Vec<Coord<f64>>,
}

/// The network of an area.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    /// The plane of all planar coordinates.
    pub plane: LocalPlane,
    /// The trails, one for each line, in their order.
    pub trails: Vec<Trail>,
    /// The pieces.
    pub pieces: Vec<Piece>,
    /// The vertices of the segment graph.
    pub vertices: Vec<Vertex>,
    /// The segments, those of a piece together and in its order.
    pub segments: Vec<Segment>,
    /// What was done to the lines beyond what they say.
    pub notes: Vec<Note>,
    /// The target length the segments were cut to, metres.
    pub target_segment_m: f64,
    graph: Graph,
    trail_runs: Vec<Vec<usize>>,
}

impl Network {
    /// The segment graph: edge `i` is segment `i`.
    pub fn graph(&self) -> &Graph {
        &self.graph
    }

    /// Runs of contiguous segments of one trail, in walking order; each segment is in exactly one run, that of its first
    /// trail.
    pub fn trail_runs(&self) -> &[Vec<usize>] {
        &self.trail_runs
    }

    /// Length of all segments, metres.
    pub fn length_m(&self) -> f64 {
        self.pieces.iter().map(|piece| piece.length_m).sum()
    }

    /// The trails a segment belongs to, ascending.
    pub fn trails_of(&self, segment_idx: usize) -> &[usize] {
        &self.pieces[self.segments[segment_idx].piece_idx].trails
    }
}

/// The network of trail lines.
///
/// Legal input are parallel pieces, loops, lines that cross themselves, lines given twice, disconnected parts, lines
/// across the antimeridian, and lines of one vertex, which are left out with a note. Crossing lines meet, bridges
/// included. Vertices within a centimetre are one. Legs over 2 km are bent along their geodesic.
///
/// # Errors
/// [`NetworkError`] when a parameter is out of range, no line is usable, or the area is too wide for a plane.
///
/// # References
/// Lengths: Karney, C. F. F. (2013). Algorithms for geodesics. *Journal of Geodesy* 87, 43-55.
pub fn build(lines: &[TrailLine], params: &NetworkParams) -> Result<Network, NetworkError> {
    check_params(params)?;
    let positions: Vec<LonLat> = lines.iter().flat_map(|line| line.parts.iter().flatten()).copied().collect();
    let plane = LocalPlane::covering(&positions).ok_or(NetworkError::NoLines)?;
    let mut notes = Vec::new();
    let (mut points, mut chains) = points::chains(&plane, lines, &mut notes);
    if chains.is_empty() {
        return Err(NetworkError::NoLines);
    }
    let radius_m = points.xy.iter().map(|p| p.x.hypot(p.y)).fold(0.0, f64::max);
    if radius_m > MAX_RADIUS_M {
        return Err(NetworkError::TooWide { radius_m });
    }
    let mut noded = noding::find_touches(&mut points, &chains, params.tolerance_m);
    notes.extend(joining::join_ends(&mut points, &chains, &mut noded, params.tolerance_m));
    noded.apply(&mut chains);
    notes.extend(joining::trim_overshoots(&points, &mut chains, params.tolerance_m));
    let traced = pieces::trace(&points, &chains, lines.len());
    let cut = cutting::cut(&plane, &points, &traced, params.target_segment_m);
    assemble(plane, lines, traced, cut, notes, params)
}

fn check_params(params: &NetworkParams) -> Result<(), NetworkError> {
    let NetworkParams { target_segment_m, tolerance_m } = *params;
    if !(target_segment_m.is_finite() && target_segment_m > 0.0) {
        return Err(NetworkError::TargetLength(target_segment_m));
    }
    if !(tolerance_m >= 0.0 && tolerance_m < target_segment_m / 2.0) {
        return Err(NetworkError::Tolerance(tolerance_m));
    }
    Ok(())
}

fn assemble(
    plane: LocalPlane,
    lines: &[TrailLine],
    traced: pieces::Traced,
    cut: cutting::Cut,
    mut notes: Vec<Note>,
    params: &NetworkParams,
) -> Result<Network, NetworkError> {
    let cutting::Cut { vertices, pieces, mut segments } = cut;
    let trails: Vec<Trail> = lines
        .iter()
        .zip(traced.uses)
        .map(|(line, uses)| Trail {
            name: line.name.clone(),
            length_m: uses.iter().map(|u| pieces[u.piece_idx].length_m).sum(),
            pieces: uses,
        })
        .collect();
    let shared = (0..pieces.len()).filter(|&i| pieces[i].trails.len() > 1);
    notes.extend(shared.map(|piece_idx| Note::PathShared { piece_idx }));
    let trail_runs = runs::order_segments(&trails, &pieces, &mut segments);
    let edges = segments.iter().map(|s| Edge { from: s.from, to: s.to, length_m: s.length_m }).collect();
    let graph = Graph::new(vertices.len(), edges)?;
    let target_segment_m = params.target_segment_m;
    Ok(Network { plane, trails, pieces, vertices, segments, notes, target_segment_m, graph, trail_runs })
}

#[cfg(test)]
mod tests;
