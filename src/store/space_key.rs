//! The cheap spatial index: one integer a position, so that an ordinary index finds what lies in a box.
//!
//! Longitude and latitude are each cut into 2²⁴ equal cells (at most 2.4 m at the equator). The bits of the two cell
//! numbers are interleaved, longitude in the lower bit of each pair (Morton 1966: the Z-order curve), which gives 48 bits.
//! All positions of a square of the quadtree then have neighbouring keys, so a box is covered by few ranges of keys. The
//! ranges cover somewhat more than the box: the reader checks longitude and latitude themselves.

use std::ops::RangeInclusive;

use crate::domain::geography::BoundingBox;
use crate::domain::geography::LonLat;

/// Bits of a cell number.
const BITS: u32 = 24;
/// A box is covered by squares of which at most this many lie side by side (and one more for not being aligned).
const SQUARES_ACROSS: u64 = 5;

/// The key of the cell that holds the position: 48 bits, at least zero.
pub fn space_key(position: LonLat) -> i64 {
    let x = cell(position.lon(), 180.0);
    let y = cell(position.lat(), 90.0);
    interleave(x, y) as i64
}

/// A few ranges of keys that together hold the key of every position in the box, in order and apart from each other.
///
/// At most 36 ranges for a box, twice as many for one that crosses the antimeridian. A box whose southern edge lies
/// north of its northern edge has none.
pub fn key_ranges(area: &BoundingBox) -> Vec<RangeInclusive<i64>> {
    if area.south > area.north {
        return Vec::new();
    }
    let longitudes = if area.west <= area.east {
        vec![(area.west, area.east)]
    } else {
        vec![(area.west, 180.0), (-180.0, area.east)]
    };
    let mut squares: Vec<(u64, u64)> = Vec::new();
    for (west, east) in longitudes {
        let x = cell(west, 180.0)..=cell(east, 180.0);
        let y = cell(area.south, 90.0)..=cell(area.north, 90.0);
        cover(x, y, &mut squares);
    }
    squares.sort_unstable();
    merged(&squares)
}

/// The number of the cell: the half range maps to the middle. Values outside the range fall into the outermost cells.
fn cell(degrees: f64, half_range: f64) -> u64 {
    let n_cells = (1u64 << BITS) as f64;
    let scaled = (degrees + half_range) / (2.0 * half_range) * n_cells;
    scaled.clamp(0.0, n_cells - 1.0) as u64
}

/// Covers a rectangle of cells with equal squares, as small as their number allows; adds first and last key of each.
fn cover(x: RangeInclusive<u64>, y: RangeInclusive<u64>, squares: &mut Vec<(u64, u64)>) {
    let mut shift = 0;
    while span(&x, shift).max(span(&y, shift)) > SQUARES_ACROSS {
        shift += 1;
    }
    let keys_a_square = 1u64 << (2 * shift);
    for column in (x.start() >> shift)..=(x.end() >> shift) {
        for row in (y.start() >> shift)..=(y.end() >> shift) {
            let first = interleave(column, row) * keys_a_square;
            squares.push((first, first + keys_a_square - 1));
        }
    }
}

fn span(cells: &RangeInclusive<u64>, shift: u32) -> u64 {
    (cells.end() >> shift) - (cells.start() >> shift)
}

/// Joins ranges that touch or overlap; they come in order.
fn merged(squares: &[(u64, u64)]) -> Vec<RangeInclusive<i64>> {
    let mut ranges: Vec<(u64, u64)> = Vec::new();
    for &(first, last) in squares {
        match ranges.last_mut() {
            Some(previous) if first <= previous.1 + 1 => previous.1 = previous.1.max(last),
            _ => ranges.push((first, last)),
        }
    }
    ranges.into_iter().map(|(first, last)| first as i64..=last as i64).collect()
}

fn interleave(x: u64, y: u64) -> u64 {
    spread(x) | (spread(y) << 1)
}

/// Puts a zero bit above each of the lower 32 bits.
fn spread(bits: u64) -> u64 {
    let mut spread = bits & 0xffff_ffff;
    for (shift, mask) in [
        (16, 0x0000_ffff_0000_ffff),
        (8, 0x00ff_00ff_00ff_00ff),
        (4, 0x0f0f_0f0f_0f0f_0f0f),
        (2, 0x3333_3333_3333_3333),
        (1, 0x5555_5555_5555_5555),
    ] {
        spread = (spread | (spread << shift)) & mask;
    }
    spread
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bits_are_interleaved() {
        assert_eq!(interleave(0b11, 0b00), 0b0101);
        assert_eq!(interleave(0b00, 0b11), 0b1010);
        assert_eq!(interleave((1 << BITS) - 1, (1 << BITS) - 1), (1 << (2 * BITS)) - 1);
    }

    #[test]
    fn the_corners_of_the_world_have_keys() {
        assert_eq!(space_key(LonLat::new(-180.0, -90.0).unwrap()), 0);
        assert_eq!(space_key(LonLat::new(180.0, 90.0).unwrap()), (1 << 48) - 1);
        let world = BoundingBox { west: -180.0, south: -90.0, east: 180.0, north: 90.0 };
        assert_eq!(key_ranges(&world), [0..=(1 << 48) - 1]);
        let nothing = BoundingBox { west: 0.0, south: 1.0, east: 1.0, north: 0.0 };
        assert_eq!(key_ranges(&nothing), []);
    }

    #[test]
    fn a_small_box_has_small_ranges() {
        let park = BoundingBox { west: 10.0, south: 45.0, east: 10.01, north: 45.01 };
        let ranges = key_ranges(&park);
        let keys: i64 = ranges.iter().map(|range| range.end() - range.start() + 1).sum();
        // 466 x 932 cells; squares of 256 cells, none more than one beyond each edge.
        assert!(keys < 466 * 932 * 6, "{keys}");
        assert!(ranges.len() <= 36, "{}", ranges.len());
    }

    fn position() -> impl Strategy<Value = LonLat> {
        (-180.0..=180.0, -90.0..=90.0).prop_map(|(lon, lat)| LonLat::new(lon, lat).unwrap())
    }

    proptest! {
        #[test]
        fn the_ranges_hold_every_position_of_the_box(
            a in position(), b in position(), share_x in 0.0..=1.0, share_y in 0.0..=1.0,
        ) {
            let (south, north) = (a.lat().min(b.lat()), a.lat().max(b.lat()));
            let area = BoundingBox { west: a.lon(), south, east: b.lon(), north };
            let width = (area.east - area.west).rem_euclid(360.0);
            let lon = area.west + share_x * width;
            let inside = LonLat::wrapped(if lon > 180.0 { lon - 360.0 } else { lon }, south + share_y * (north - south));
            prop_assume!(area.contains(inside));
            let ranges = key_ranges(&area);
            let key = space_key(inside);
            prop_assert!(ranges.iter().any(|range| range.contains(&key)));
            prop_assert!(ranges.len() <= 72);
            prop_assert!(ranges.windows(2).all(|pair| pair[0].end() + 1 < *pair[1].start()));
        }
    }
}
