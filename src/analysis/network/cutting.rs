//! Pieces cut into equal segments.

use geo::Coord;
use rayon::prelude::*;

use crate::analysis::graph::VertexIdx;
use crate::analysis::network::Piece;
use crate::analysis::network::Segment;
use crate::analysis::network::Vertex;
use crate::analysis::network::VertexKind;
use crate::analysis::network::frame;
use crate::analysis::network::ids::IdSource;
use crate::analysis::network::pieces::Traced;
use crate::analysis::network::points::Points;
use crate::analysis::plane::LocalPlane;
use crate::analysis::plane::distance_m;
use crate::analysis::plane::interpolate;
use crate::domain::geography::LonLat;

/// A cut this near to a vertex takes the vertex, metres.
const AT_VERTEX_M: f64 = 1e-6;

/// The segment graph's parts. Trail and order of the segments are still to be set.
#[derive(Debug)]
pub(super) struct Cut {
    pub(super) vertices: Vec<Vertex>,
    pub(super) pieces: Vec<Piece>,
    pub(super) segments: Vec<Segment>,
}

/// Cuts every piece into max(1, round(length / target)) equal segments.
pub(super) fn cut(plane: &LocalPlane, points: &Points, traced: &Traced, target_m: f64) -> Cut {
    let sliced: Vec<Sliced> = traced
        .pieces
        .par_iter()
        .map(|piece| {
            let line: Vec<LonLat> = piece.points.iter().map(|&p| points.lonlat[p as usize]).collect();
            slice(plane, line, target_m)
        })
        .collect();
    let mut vertex_of: Vec<Option<VertexIdx>> = vec![None; points.xy.len()];
    let mut ids = IdSource::default();
    let mut cut = Cut { vertices: Vec::new(), pieces: Vec::new(), segments: Vec::new() };
    for (piece_idx, (piece, sliced)) in traced.pieces.iter().zip(sliced).enumerate() {
        let mut node = |point: u32| {
            *vertex_of[point as usize].get_or_insert_with(|| {
                cut.vertices.push(Vertex {
                    position: points.lonlat[point as usize],
                    planar: points.xy[point as usize],
                    kind: traced.kinds[point as usize],
                });
                cut.vertices.len() - 1
            })
        };
        let (from, to) = (node(piece.points[0]), node(piece.points[piece.points.len() - 1]));
        let first_segment = cut.segments.len();
        cut.push_segments(piece_idx, [from, to], &sliced, &mut ids);
        cut.pieces.push(Piece {
            trails: piece.trails.clone(),
            from,
            to,
            segments: first_segment..cut.segments.len(),
            length_m: sliced.length_m,
        });
    }
    cut
}

impl Cut {
    fn push_segments(
        &mut self,
        piece_idx: usize,
        [from, to]: [VertexIdx; 2],
        sliced: &Sliced,
        ids: &mut IdSource,
    ) {
        let n = sliced.slices.len();
        let mut start = from;
        for (k, (geometry, planar)) in sliced.slices.iter().enumerate() {
            let end = if k + 1 == n {
                to
            } else {
                let (position, planar) = (geometry[geometry.len() - 1], planar[planar.len() - 1]);
                self.vertices.push(Vertex { position, planar, kind: VertexKind::Cut });
                self.vertices.len() - 1
            };
            let canonical_k = if sliced.is_reversed { n - 1 - k } else { k };
            self.segments.push(Segment {
                id: ids.next(sliced.key, canonical_k, n),
                trail_idx: 0,
                piece_idx,
                order: 0,
                from: start,
                to: end,
                length_m: sliced.length_m / n as f64,
                geometry: geometry.clone(),
                planar: planar.clone(),
            });
            start = end;
        }
    }
}

/// A piece's segments in its direction.
struct Sliced {
    key: u64,
    length_m: f64,
    /// Whether the piece runs against the direction in which it was cut and its segments are numbered for their ids.
    is_reversed: bool,
    slices: Vec<(Vec<LonLat>, Vec<Coord<f64>>)>,
}

/// Cuts a line in the direction that does not depend on how it was drawn, so that its cuts and ids do not either.
fn slice(plane: &LocalPlane, mut line: Vec<LonLat>, target_m: f64) -> Sliced {
    let backwards = line.iter().rev();
    let is_reversed = line
        .iter()
        .zip(backwards)
        .map(|(a, b)| frame::order(*a, *b))
        .find(|o| o.is_ne())
        .is_some_and(|o| o.is_gt());
    if is_reversed {
        line.reverse();
    }
    let legs_m: Vec<f64> = line.windows(2).map(|leg| distance_m(leg[0], leg[1])).collect();
    let length_m: f64 = legs_m.iter().sum();
    let n_segments = (length_m / target_m).round().max(1.0) as usize;
    let mut lines = slices(&line, &legs_m, length_m / n_segments as f64, n_segments);
    if is_reversed {
        lines.reverse();
        lines.iter_mut().for_each(|geometry| geometry.reverse());
    }
    let planar = |geometry: &Vec<LonLat>| geometry.iter().map(|&p| plane.to_plane(p)).collect();
    let slices = lines
        .into_iter()
        .map(|geometry| {
            let planar = planar(&geometry);
            (geometry, planar)
        })
        .collect();
    Sliced { key: IdSource::key(&line), length_m, is_reversed, slices }
}

fn slices(line: &[LonLat], legs_m: &[f64], segment_m: f64, n_segments: usize) -> Vec<Vec<LonLat>> {
    let mut slices = Vec::with_capacity(n_segments);
    let mut slice = vec![line[0]];
    let mut leg_start_m = 0.0;
    for (leg, &leg_m) in line.windows(2).zip(legs_m) {
        let leg_end_m = leg_start_m + leg_m;
        while slices.len() + 1 < n_segments {
            let cut_m = segment_m * (slices.len() + 1) as f64;
            if cut_m >= leg_end_m - AT_VERTEX_M {
                break;
            }
            let position = interpolate(leg[0], leg[1], (cut_m - leg_start_m) / leg_m);
            if cut_m > leg_start_m + AT_VERTEX_M {
                slice.push(position);
            }
            let start = slice[slice.len() - 1];
            slices.push(std::mem::replace(&mut slice, vec![start]));
        }
        slice.push(leg[1]);
        leg_start_m = leg_end_m;
    }
    slices.push(slice);
    slices
}
