//! Boxes and cuts at the antimeridian, as RFC 7946 asks (sections 3.1.9 and 5.2).

use crate::analysis::plane::local::longitude_difference;
use crate::domain::geography::{BoundingBox, LonLat};

/// The narrowest box that holds the positions; `None` without positions.
///
/// Across the antimeridian its west is greater than its east. Where several boxes are equally narrow, one that does not
/// cross it is preferred.
pub fn bounding_box(positions: &[LonLat]) -> Option<BoundingBox> {
    let mut lons: Vec<f64> = positions.iter().map(|p| p.lon()).collect();
    lons.sort_unstable_by(f64::total_cmp);
    let (&first, &last) = (lons.first()?, lons.last()?);
    // The box leaves out the widest gap between neighbouring longitudes; the first candidate is the gap from the last
    // round the back to the first.
    let (mut west, mut east, mut gap_deg) = (first, last, first + 360.0 - last);
    for pair in lons.windows(2) {
        if pair[1] - pair[0] > gap_deg {
            (west, east, gap_deg) = (pair[1], pair[0], pair[1] - pair[0]);
        }
    }
    let (south, north) = positions
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), p| (low.min(p.lat()), high.max(p.lat())));
    Some(BoundingBox { west, south, east, north })
}

/// Width of a box in degrees of longitude, across the antimeridian where its west is greater than its east.
pub fn bounding_box_width(bbox: &BoundingBox) -> f64 {
    if bbox.west <= bbox.east { bbox.east - bbox.west } else { bbox.east + 360.0 - bbox.west }
}

/// A line cut where it crosses the antimeridian, interpolated in degrees.
///
/// Each part has at least two vertices, unless the whole line has fewer; a line that does not cross comes back as one
/// part. Between two vertices the line takes the shorter way round.
pub fn cut_line(line: &[LonLat]) -> Vec<Vec<LonLat>> {
    let mut parts: Vec<Vec<LonLat>> = Vec::new();
    let mut part: Vec<LonLat> = line.iter().take(1).copied().collect();
    for leg in line.windows(2) {
        if (leg[1].lon() - leg[0].lon()).abs() > 180.0 {
            let span_deg = longitude_difference(leg[0].lon(), leg[1].lon());
            let side_deg = 180.0f64.copysign(leg[0].lon());
            let share = (side_deg - leg[0].lon()) / span_deg;
            let lat = leg[0].lat() + share * (leg[1].lat() - leg[0].lat());
            push_distinct(&mut part, LonLat::wrapped(side_deg, lat));
            parts.push(std::mem::take(&mut part));
            part.push(LonLat::wrapped(-side_deg, lat));
        }
        push_distinct(&mut part, leg[1]);
    }
    parts.push(part);
    if parts.len() > 1 {
        // A line that starts or ends on the antimeridian leaves a part of one vertex there.
        parts.retain(|p| p.len() > 1);
    }
    parts
}

/// A rectangle as closed exterior rings, counterclockwise from the south-east corner; two where it crosses the
/// antimeridian, the western one (east of 0) first.
pub fn cut_rectangle(bbox: &BoundingBox) -> Vec<Vec<LonLat>> {
    if bbox.west <= bbox.east {
        vec![rectangle_ring(bbox)]
    } else {
        vec![
            rectangle_ring(&BoundingBox { east: 180.0, ..*bbox }),
            rectangle_ring(&BoundingBox { west: -180.0, ..*bbox }),
        ]
    }
}

fn rectangle_ring(bbox: &BoundingBox) -> Vec<LonLat> {
    let BoundingBox { west, south, east, north } = *bbox;
    [(east, south), (east, north), (west, north), (west, south), (east, south)]
        .map(|(lon, lat)| LonLat::wrapped(lon, lat))
        .to_vec()
}

fn push_distinct(part: &mut Vec<LonLat>, position: LonLat) {
    if part.last() != Some(&position) {
        part.push(position);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(positions: &[[f64; 2]]) -> Vec<LonLat> {
        positions.iter().map(|p| LonLat::wrapped(p[0], p[1])).collect()
    }

    #[test]
    fn the_box_is_the_narrowest() {
        let fiji = bounding_box(&line(&[[179.2, -17.1], [-179.5, -16.4], [178.0, -18.0]])).unwrap();
        assert_eq!(fiji, BoundingBox { west: 178.0, south: -18.0, east: -179.5, north: -16.4 });
        assert_eq!(bounding_box_width(&fiji), 2.5);
        let plain = bounding_box(&line(&[[1.0, 2.0], [-3.0, 4.0]])).unwrap();
        assert_eq!(plain, BoundingBox { west: -3.0, south: 2.0, east: 1.0, north: 4.0 });
        assert_eq!(bounding_box(&[]), None);
    }

    #[test]
    fn a_line_is_cut_as_in_the_standard() {
        // RFC 7946, section 3.1.9.
        let parts = cut_line(&line(&[[170.0, 45.0], [-170.0, 45.0]]));
        assert_eq!(parts, [line(&[[170.0, 45.0], [180.0, 45.0]]), line(&[[-180.0, 45.0], [-170.0, 45.0]])]);
    }

    #[test]
    fn a_line_that_only_touches_is_not_split() {
        let touches = line(&[[179.0, 1.0], [180.0, 2.0]]);
        assert_eq!(cut_line(&touches), vec![touches.clone()]);
        let other_name = cut_line(&line(&[[179.0, 1.0], [-180.0, 2.0]]));
        assert_eq!(other_name, vec![touches]);
        let through = cut_line(&line(&[[179.0, 1.0], [-180.0, 2.0], [-179.0, 1.0]]));
        assert_eq!(through, [line(&[[179.0, 1.0], [180.0, 2.0]]), line(&[[-180.0, 2.0], [-179.0, 1.0]])]);
        assert_eq!(cut_line(&line(&[[5.0, 5.0]])), vec![line(&[[5.0, 5.0]])]);
    }

    #[test]
    fn a_rectangle_is_cut_as_in_the_standard() {
        // RFC 7946, section 3.1.9.
        let rings = cut_rectangle(&BoundingBox { west: 170.0, south: 40.0, east: -170.0, north: 50.0 });
        let west = line(&[[180.0, 40.0], [180.0, 50.0], [170.0, 50.0], [170.0, 40.0], [180.0, 40.0]]);
        let east = line(&[[-170.0, 40.0], [-170.0, 50.0], [-180.0, 50.0], [-180.0, 40.0], [-170.0, 40.0]]);
        assert_eq!(rings, [west, east]);
    }
}
