//! Elevation of segments and the bands they fall into.

use geo::Coord;

use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;

/// The elevation of each segment at its middle, metres; none where its trail came without elevations.
///
/// Taken from the nearest point of the trail's own line, on a straight slope between the positions on either side.
pub fn of_segments(facts: &Facts, layer: &NetworkLayer) -> Vec<Option<f64>> {
    let to_plane = |at| layer.network.plane.to_plane(at);
    let slopes: Vec<Vec<Slope>> = facts
        .trails
        .iter()
        .map(|trail| {
            let parts = trail.parts.iter().zip(&trail.elevations_m);
            let known = parts.filter(|(part, elevations_m)| part.len() == elevations_m.len());
            known
                .flat_map(|(part, elevations_m)| {
                    slopes(&part.iter().map(|at| to_plane(*at)).collect::<Vec<_>>(), elevations_m)
                })
                .collect()
        })
        .collect();
    let of_segment = |segment: &crate::analysis::network::Segment| {
        let middle = middle(&segment.planar)?;
        let near = slopes.get(segment.trail_idx)?.iter().map(|slope| slope.at_nearest(middle));
        near.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, elevation_m)| elevation_m)
    };
    layer.network.segments.iter().map(of_segment).collect()
}

/// The elevation band of each segment as a number, and the bands' names from the lowest up; segments without an elevation
/// are in a band of their own, the last.
///
/// # Errors
/// Why there are no bands, in words: no trail has elevations, or all lie in one band.
pub fn bands(facts: &Facts, layer: &NetworkLayer) -> Result<(Vec<usize>, Vec<String>), String> {
    let elevations_m = of_segments(facts, layer);
    if elevations_m.iter().all(Option::is_none) {
        return Err("No trail has elevations, so elevation bands cannot be compared. Bring in trails whose positions \
                    have a third coordinate, in metres."
            .to_owned());
    }
    let height_m = facts.settings.band_height_m;
    let band = |elevation_m: &Option<f64>| elevation_m.map(|metres| (metres / height_m).floor() as i64);
    let of_segment: Vec<Option<i64>> = elevations_m.iter().map(band).collect();
    let mut known: Vec<i64> = of_segment.iter().flatten().copied().collect();
    known.sort_unstable();
    known.dedup();
    if known.len() < 2 {
        return Err(format!(
            "All trails with elevations lie in one band of {height_m:.0} m, so bands cannot be compared."
        ));
    }
    let mut names: Vec<String> = known
        .iter()
        .map(|band| format!("{:.0} to {:.0} m", *band as f64 * height_m, (*band + 1) as f64 * height_m))
        .collect();
    if of_segment.contains(&None) {
        names.push("elevation not given".to_owned());
    }
    let number = |band: &Option<i64>| match band {
        Some(band) => known.binary_search(band).unwrap_or(0),
        None => known.len(),
    };
    Ok((of_segment.iter().map(number).collect(), names))
}

/// A straight piece of a trail with the elevation of its ends.
struct Slope {
    from: Coord<f64>,
    to: Coord<f64>,
    from_m: f64,
    to_m: f64,
}

impl Slope {
    /// Squared distance in the plane to its point nearest to another, and the elevation there.
    fn at_nearest(&self, other: Coord<f64>) -> (f64, f64) {
        let along = self.to - self.from;
        let length_squared = along.x * along.x + along.y * along.y;
        let reach = other - self.from;
        let share = match length_squared > 0.0 {
            true => ((reach.x * along.x + reach.y * along.y) / length_squared).clamp(0.0, 1.0),
            false => 0.0,
        };
        let gap = reach - along * share;
        (gap.x * gap.x + gap.y * gap.y, self.from_m + (self.to_m - self.from_m) * share)
    }
}

fn slopes(line: &[Coord<f64>], elevations_m: &[f64]) -> Vec<Slope> {
    let ends = line.windows(2).zip(elevations_m.windows(2));
    ends.map(|(at, metres)| Slope { from: at[0], to: at[1], from_m: metres[0], to_m: metres[1] }).collect()
}

/// The point half way along a line.
fn middle(line: &[Coord<f64>]) -> Option<Coord<f64>> {
    let length = |pair: &[Coord<f64>]| (pair[1].x - pair[0].x).hypot(pair[1].y - pair[0].y);
    let mut left = line.windows(2).map(length).sum::<f64>() / 2.0;
    for pair in line.windows(2) {
        let piece = length(pair);
        if left <= piece && piece > 0.0 {
            return Some(pair[0] + (pair[1] - pair[0]) * (left / piece));
        }
        left -= piece;
    }
    line.first().copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: f64, y: f64) -> Coord<f64> {
        Coord { x, y }
    }

    #[test]
    fn elevation_is_read_off_the_nearest_slope() {
        let found = slopes(&[at(0.0, 0.0), at(100.0, 0.0), at(100.0, 50.0)], &[1000.0, 1100.0, 1200.0]);
        let (distance, elevation_m) = found[0].at_nearest(at(25.0, 3.0));
        assert!((distance - 9.0).abs() < 1e-12 && (elevation_m - 1025.0).abs() < 1e-12);
        // Beyond its end a slope has the elevation of the end.
        assert_eq!(found[1].at_nearest(at(100.0, 80.0)), (900.0, 1200.0));
        assert!(slopes(&[at(0.0, 0.0)], &[5.0]).is_empty());
    }

    #[test]
    fn the_middle_is_half_way_along() {
        assert_eq!(middle(&[at(0.0, 0.0), at(10.0, 0.0), at(10.0, 30.0)]), Some(at(10.0, 10.0)));
        assert_eq!(middle(&[at(2.0, 2.0), at(2.0, 2.0)]), Some(at(2.0, 2.0)));
        assert_eq!(middle(&[]), None);
    }
}
