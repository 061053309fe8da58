//! Points computed from a few positions alone.
//!
//! They are computed in a plane centred on one of those positions, not in the area's plane, so that a change elsewhere
//! leaves them the same to the last bit.

use geo::Coord;

use crate::analysis::plane::LocalPlane;
use crate::domain::geography::LonLat;

/// An order of positions, west before east.
pub(super) fn order(a: LonLat, b: LonLat) -> std::cmp::Ordering {
    a.lon().total_cmp(&b.lon()).then(a.lat().total_cmp(&b.lat()))
}

/// Where the legs `a` and `b` cross; the same to the last bit whichever way and in whichever order they are given.
///
/// The legs must cross, and must not be parallel.
pub(super) fn crossing(a: [LonLat; 2], b: [LonLat; 2]) -> LonLat {
    let (a, b) = (sorted(a), sorted(b));
    let (a, b) = if order(a[0], b[0]).then(order(a[1], b[1])).is_le() { (a, b) } else { (b, a) };
    let plane = LocalPlane::new(a[0]);
    let [end, c, d] = [a[1], b[0], b[1]].map(|p| plane.to_plane(p));
    let along_b = Coord { x: d.x - c.x, y: d.y - c.y };
    let denominator = end.x * along_b.y - end.y * along_b.x;
    let share = ((c.x * along_b.y - c.y * along_b.x) / denominator).clamp(0.0, 1.0);
    plane.to_lonlat(Coord { x: end.x * share, y: end.y * share })
}

/// The point of a leg nearest to a position and its distance in metres; the same whichever way the leg runs.
pub(super) fn foot(from: LonLat, leg: [LonLat; 2]) -> (f64, LonLat) {
    let leg = sorted(leg);
    let plane = LocalPlane::new(from);
    let [a, b] = leg.map(|p| plane.to_plane(p));
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    let share = -(a.x * dx + a.y * dy) / (dx * dx + dy * dy);
    if share <= 0.0 {
        return (a.x.hypot(a.y), leg[0]);
    }
    if share >= 1.0 {
        return (b.x.hypot(b.y), leg[1]);
    }
    let foot = Coord { x: a.x + share * dx, y: a.y + share * dy };
    (foot.x.hypot(foot.y), plane.to_lonlat(foot))
}

fn sorted(leg: [LonLat; 2]) -> [LonLat; 2] {
    if order(leg[0], leg[1]).is_le() { leg } else { [leg[1], leg[0]] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crossings_and_feet_do_not_depend_on_direction_or_order() {
        let at = LonLat::wrapped;
        let a = [at(10.0, 50.0), at(10.001, 50.0013)];
        let b = [at(10.0, 50.001), at(10.0012, 50.0001)];
        let first = crossing(a, b);
        for other in [crossing(b, a), crossing([a[1], a[0]], b), crossing([b[1], b[0]], [a[1], a[0]])] {
            assert_eq!(first, other);
        }
        assert_eq!(foot(at(10.0003, 50.001), a), foot(at(10.0003, 50.001), [a[1], a[0]]));
    }
}
