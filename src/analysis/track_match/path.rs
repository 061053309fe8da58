//! Moves along segments, freed of the back-and-forth that position errors make.

use crate::analysis::network::Direction;
use crate::analysis::track_match::Leg;

/// A millimetre: places nearer than this are one.
const SAME_M: f64 = 1e-3;

/// A way along one edge without turning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Move {
    pub(super) edge: usize,
    /// Metres from the edge's start.
    pub(super) from_m: f64,
    pub(super) to_m: f64,
}

impl Move {
    pub(super) fn length_m(&self) -> f64 {
        (self.to_m - self.from_m).abs()
    }

    fn is_forward(&self) -> bool {
        self.to_m >= self.from_m
    }

    /// Whether this move goes back over the end of the one before.
    fn turns_back_on(&self, before: &Self) -> bool {
        self.edge == before.edge
            && self.is_forward() != before.is_forward()
            && (self.from_m - before.to_m).abs() < SAME_M
    }

    /// Whether this move goes on where the one before stopped, on the same edge.
    fn goes_on_from(&self, before: &Self) -> bool {
        self.edge == before.edge
            && self.is_forward() == before.is_forward()
            && (self.from_m - before.to_m).abs() < SAME_M
    }

    /// This move without its last metres.
    fn without_end(&self, metres: f64) -> Self {
        let sign = if self.is_forward() { 1.0 } else { -1.0 };
        Self { to_m: self.to_m - sign * metres, ..*self }
    }

    /// This move without its first metres.
    fn without_start(&self, metres: f64) -> Self {
        let sign = if self.is_forward() { 1.0 } else { -1.0 };
        Self { from_m: self.from_m + sign * metres, ..*self }
    }

    pub(super) fn leg(&self, piece_idx: usize) -> Leg {
        let direction = if self.is_forward() { Direction::Forward } else { Direction::Backward };
        Leg { segment_idx: self.edge, direction, from_m: self.from_m, to_m: self.to_m, piece_idx }
    }
}

/// The moves with every turning back of less than `least_turn_m` taken out on both sides, as letters cancel in a word.
///
/// At a turning point the way out and the way back mirror each other for some metres. Errors along the trail give short
/// mirrors, which are cut away; a walker's turning point has a long one and stays. Moves that go on along an edge become
/// one.
pub(super) fn without_jitter(moves: Vec<Move>, least_turn_m: f64) -> Vec<Move> {
    let mut rest: Vec<Move> = moves.into_iter().filter(|made| made.length_m() > SAME_M).rev().collect();
    let mut kept: Vec<Move> = Vec::with_capacity(rest.len());
    while let Some(next) = rest.pop() {
        match kept.last_mut() {
            Some(last) if next.goes_on_from(last) => last.to_m = next.to_m,
            Some(last) if next.turns_back_on(last) => {
                rest.push(next);
                let mirror_m = mirror_m(&kept, &rest, least_turn_m);
                if mirror_m < least_turn_m {
                    cut(&mut kept, &mut rest, mirror_m);
                } else {
                    rest.pop();
                    kept.push(next);
                }
            }
            _ => kept.push(next),
        }
    }
    kept
}

/// Metres for which what comes (last first) goes back over what was (first first), up to `enough_m`.
fn mirror_m(kept: &[Move], rest: &[Move], enough_m: f64) -> f64 {
    let (mut total_m, mut was, mut comes) = (0.0, kept.iter().rev().copied(), rest.iter().rev().copied());
    let (mut back, mut ahead) = (was.next(), comes.next());
    while let (Some(before), Some(after)) = (back, ahead) {
        if total_m >= enough_m || !after.turns_back_on(&before) {
            break;
        }
        let shared_m = before.length_m().min(after.length_m());
        total_m += shared_m;
        back = if before.length_m() - shared_m > SAME_M {
            Some(before.without_end(shared_m))
        } else {
            was.next()
        };
        ahead = if after.length_m() - shared_m > SAME_M {
            Some(after.without_start(shared_m))
        } else {
            comes.next()
        };
    }
    total_m
}

/// Takes that many metres off the end of what was and the start of what comes.
fn cut(kept: &mut Vec<Move>, rest: &mut Vec<Move>, metres: f64) {
    let (mut left_m, mut right_m) = (metres, metres);
    while let Some(last) = kept.pop() {
        if last.length_m() - left_m > SAME_M {
            kept.push(last.without_end(left_m));
            break;
        }
        left_m = (left_m - last.length_m()).max(0.0);
        if left_m <= SAME_M {
            break;
        }
    }
    while let Some(next) = rest.pop() {
        if next.length_m() - right_m > SAME_M {
            rest.push(next.without_start(right_m));
            break;
        }
        right_m = (right_m - next.length_m()).max(0.0);
        if right_m <= SAME_M {
            break;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(edge: usize, from_m: f64, to_m: f64) -> Move {
        Move { edge, from_m, to_m }
    }

    #[test]
    fn short_turns_cancel_and_long_ones_stay() {
        // Out to 80 with a slip of 10 m at 50, then back to 20.
        let moves = vec![made(0, 0.0, 50.0), made(0, 50.0, 40.0), made(0, 40.0, 80.0), made(0, 80.0, 20.0)];
        assert_eq!(without_jitter(moves, 30.0), [made(0, 0.0, 80.0), made(0, 80.0, 20.0)]);
    }

    #[test]
    fn an_overshoot_across_a_junction_is_cut_off() {
        // Along edge 0 into edge 1 by 15 m, back to the junction, and into edge 2.
        let moves = vec![made(0, 0.0, 100.0), made(1, 0.0, 15.0), made(1, 15.0, 0.0), made(2, 0.0, 90.0)];
        assert_eq!(without_jitter(moves, 30.0), [made(0, 0.0, 100.0), made(2, 0.0, 90.0)]);
    }

    #[test]
    fn a_turn_is_followed_across_edges() {
        // The way out and the way back mirror each other for 110 m over two edges.
        let moves = vec![made(0, 0.0, 100.0), made(1, 0.0, 10.0), made(1, 10.0, 0.0), made(0, 100.0, 0.0)];
        assert_eq!(without_jitter(moves.clone(), 30.0), moves);
        assert_eq!(without_jitter(moves, 200.0), []);
    }

    #[test]
    fn jitter_in_one_place_comes_to_nothing() {
        let places = [50.0, 58.0, 44.0, 61.0, 49.0, 52.0, 47.0];
        let moves = places.windows(2).map(|pair| made(0, pair[0], pair[1])).collect();
        let length_m: f64 = without_jitter(moves, 30.0).iter().map(Move::length_m).sum();
        assert!(length_m <= 17.0, "{length_m}");
    }
}
