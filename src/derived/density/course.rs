//! Where lixels lie: each a part of its segment's line, in the network's plane.

use geo_types::Coord;

use crate::analysis::density::Lixels;
use crate::derived::network::NetworkLayer;

/// Neighbouring lixels of one trail that share a class, in walking order.
#[derive(Debug, Clone, PartialEq)]
pub struct LixelRun {
    /// The trail run they lie on.
    pub trail_run: usize,
    /// The lixels, in the order of the run.
    pub lixels: Vec<usize>,
    /// Metres along the run from its start to the first lixel.
    pub from_m: f64,
    /// Metres along the run to the end of the last.
    pub to_m: f64,
    /// Their line in the network's plane, metres.
    pub line: Vec<[f64; 2]>,
}

/// Cuts every trail run where the class of its lixels changes.
///
/// Runs come in their order, each from its start; a run is never joined with the next.
pub fn runs_by<C: PartialEq>(
    layer: &NetworkLayer,
    lixels: &Lixels,
    class: impl Fn(usize) -> C,
) -> Vec<LixelRun> {
    let mut found: Vec<LixelRun> = Vec::new();
    for (trail_run, segments) in layer.network.trail_runs().iter().enumerate() {
        let (mut at_m, mut vertex, mut last) = (0.0, first_vertex(layer, segments), None);
        for &segment in segments {
            let ends = &layer.network.segments[segment];
            let is_forward = vertex.is_none_or(|vertex| vertex == ends.from);
            vertex = Some(if is_forward { ends.to } else { ends.from });
            let length_m = lixels.length_m(segment);
            let mut of_segment: Vec<usize> = lixels.of_edge(segment).collect();
            if !is_forward {
                of_segment.reverse();
            }
            for lixel in of_segment {
                let mut line = lixel_line(layer, lixels, lixel);
                if !is_forward {
                    line.reverse();
                }
                let this = class(lixel);
                match found.last_mut() {
                    Some(run) if last.as_ref() == Some(&this) => {
                        run.lixels.push(lixel);
                        run.to_m = at_m + length_m;
                        run.line.extend(line);
                    }
                    _ => {
                        let (from_m, to_m) = (at_m, at_m + length_m);
                        found.push(LixelRun { trail_run, lixels: vec![lixel], from_m, to_m, line });
                    }
                }
                last = Some(this);
                at_m += length_m;
            }
        }
    }
    for run in &mut found {
        run.line.dedup();
    }
    found
}

/// The line of one lixel in the network's plane, from the segment's start towards its end, metres.
pub fn lixel_line(layer: &NetworkLayer, lixels: &Lixels, lixel: usize) -> Vec<[f64; 2]> {
    let segment = lixels.edge_of(lixel);
    let of_segment = lixels.of_edge(segment);
    let n_lixels = of_segment.len() as f64;
    let order = (lixel - of_segment.start) as f64;
    part_of_line(&layer.network.segments[segment].planar, order / n_lixels, (order + 1.0) / n_lixels)
}

/// The part of a line between two shares of its length.
fn part_of_line(line: &[Coord<f64>], from: f64, to: f64) -> Vec<[f64; 2]> {
    let legs: Vec<f64> =
        line.windows(2).map(|ends| (ends[1] - ends[0]).x.hypot((ends[1] - ends[0]).y)).collect();
    let total_m: f64 = legs.iter().sum();
    let (from_m, to_m) = (from * total_m, to * total_m);
    let mut part = Vec::new();
    let mut at_m = 0.0;
    for (ends, leg_m) in line.windows(2).zip(legs) {
        let end_m = at_m + leg_m;
        let point = |wanted_m: f64| {
            let share = if leg_m > 0.0 { ((wanted_m - at_m) / leg_m).clamp(0.0, 1.0) } else { 0.0 };
            let between = ends[0] + (ends[1] - ends[0]) * share;
            [between.x, between.y]
        };
        if end_m >= from_m && at_m <= to_m {
            part.push(point(from_m));
            part.push(point(to_m));
        }
        at_m = end_m;
    }
    part.dedup();
    part
}

/// The vertex at which a run of segments starts: the end of the first that the second does not touch; none without segments.
pub fn first_vertex(layer: &NetworkLayer, segments: &[usize]) -> Option<usize> {
    let first = &layer.network.segments[*segments.first()?];
    let Some(second) = segments.get(1) else { return Some(first.from) };
    let second = &layer.network.segments[*second];
    let touches = |vertex: usize| vertex == second.from || vertex == second.to;
    Some(if touches(first.to) { first.from } else { first.to })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_a_line_follow_its_corners() {
        let line = [Coord { x: 0.0, y: 0.0 }, Coord { x: 60.0, y: 0.0 }, Coord { x: 60.0, y: 40.0 }];
        assert_eq!(part_of_line(&line, 0.0, 0.5), [[0.0, 0.0], [50.0, 0.0]]);
        assert_eq!(part_of_line(&line, 0.5, 1.0), [[50.0, 0.0], [60.0, 0.0], [60.0, 40.0]]);
        assert_eq!(part_of_line(&line, 0.7, 0.8), [[60.0, 10.0], [60.0, 20.0]]);
    }
}
