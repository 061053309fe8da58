//! Segments in the order of their trails.

use crate::analysis::graph::VertexIdx;
use crate::analysis::network::Direction;
use crate::analysis::network::Piece;
use crate::analysis::network::Segment;
use crate::analysis::network::Trail;

/// Sets trail and order of each segment, and returns the runs of contiguous segments. A segment that several trails share
/// goes to the first of them.
pub(super) fn order_segments(
    trails: &[Trail],
    pieces: &[Piece],
    segments: &mut [Segment],
) -> Vec<Vec<usize>> {
    let mut runs = Vec::new();
    for (trail_idx, trail) in trails.iter().enumerate() {
        let mut run: Vec<usize> = Vec::new();
        let mut run_end: Option<VertexIdx> = None;
        let mut order = 0;
        for piece_use in &trail.pieces {
            let piece = &pieces[piece_use.piece_idx];
            if piece.trails.first() != Some(&trail_idx) {
                continue;
            }
            let forward = piece_use.direction == Direction::Forward;
            let (entry, exit) = if forward { (piece.from, piece.to) } else { (piece.to, piece.from) };
            if run_end.is_some_and(|end| end != entry) {
                runs.push(std::mem::take(&mut run));
            }
            let n = piece.segments.len();
            for k in 0..n {
                let segment_idx = piece.segments.start + if forward { k } else { n - 1 - k };
                segments[segment_idx].trail_idx = trail_idx;
                segments[segment_idx].order = order;
                order += 1;
                run.push(segment_idx);
            }
            run_end = Some(exit);
        }
        if !run.is_empty() {
            runs.push(run);
        }
    }
    runs
}
