//! Where the invented trails run, and what is planted along them.

use rand::RngExt;

use crate::analysis::random::Stream;
use crate::analysis::random::stream;

/// A park before anyone walked in it. Coordinates are metres east and north of the origin.
pub(super) struct Layout {
    /// Longitude and latitude of the origin, degrees.
    pub(super) origin: [f64; 2],
    /// Name, time zone, emergency number.
    pub(super) area: AreaWords,
    /// Junctions and ends.
    pub(super) nodes: Vec<[f64; 2]>,
    /// Trails by name and habitat.
    pub(super) trails: Vec<(String, &'static str)>,
    /// Links between nodes, in the order of each trail.
    pub(super) links: Vec<Link>,
    /// Trailheads: name, node, relative volume.
    pub(super) trailheads: Vec<(String, usize, f64)>,
}

/// The words for the area.
pub(super) struct AreaWords {
    /// Its name.
    pub(super) name: &'static str,
    /// Its zone.
    pub(super) time_zone: &'static str,
}

/// One piece of trail between two nodes.
pub(super) struct Link {
    /// Its ends.
    pub(super) ends: [usize; 2],
    /// The trail it belongs to.
    pub(super) trail: usize,
    /// Its course, from the first end to the second.
    pub(super) points: Vec<[f64; 2]>,
    /// Where its bits start in the list of all bits, and how many there are.
    pub(super) bits: std::ops::Range<usize>,
}

/// What is planted: the rate of reported encounters per party-kilometre at each bit, before scaling.
pub(super) struct Truth {
    /// The bits of all links: about 100 m each.
    pub(super) bits: Vec<Bit>,
    /// Where risk is high: middle, radius in metres, factor.
    pub(super) hotspots: Vec<([f64; 2], f64, f64)>,
    /// Two dens near hotspots.
    pub(super) dens: Vec<[f64; 2]>,
}

/// About 100 m of trail.
pub(super) struct Bit {
    /// Its link.
    pub(super) link: usize,
    /// Its length, kilometres.
    pub(super) length_km: f64,
    /// The relative rate of encounters along it.
    pub(super) relative_rate: f64,
    /// Its course.
    pub(super) points: Vec<[f64; 2]>,
}

impl Layout {
    /// Longitude and latitude of a point, by the lengths of a degree on WGS 84 at the origin: good to a few metres over
    /// a small park, which is all an invented place needs.
    pub(super) fn lon_lat(&self, point: [f64; 2]) -> [f64; 2] {
        let latitude = self.origin[1].to_radians();
        let north_m_per_degree =
            111_132.954 - 559.822 * (2.0 * latitude).cos() + 1.175 * (4.0 * latitude).cos();
        let east_m_per_degree = 111_412.84 * latitude.cos() - 93.5 * (3.0 * latitude).cos();
        [self.origin[0] + point[0] / east_m_per_degree, self.origin[1] + point[1] / north_m_per_degree]
    }

    /// The links at each node.
    pub(super) fn links_at(&self) -> Vec<Vec<usize>> {
        let mut at = vec![Vec::new(); self.nodes.len()];
        for (idx, link) in self.links.iter().enumerate() {
            at[link.ends[0]].push(idx);
            if link.ends[0] != link.ends[1] {
                at[link.ends[1]].push(idx);
            }
        }
        at
    }

    fn add_link(&mut self, ends: [usize; 2], trail: usize, rng: &mut Stream, vertex_m: f64) {
        let points = winding(self.nodes[ends[0]], self.nodes[ends[1]], rng, vertex_m);
        let start = self.links.last().map_or(0, |link| link.bits.end);
        let n_bits = (length_m(&points) / 100.0).round().max(1.0) as usize;
        self.links.push(Link { ends, trail, points, bits: start..start + n_bits });
    }
}

/// The hand-drawn park: nine trailheads, eleven trails, about 40 km.
pub(super) fn demo(seed: u64) -> Layout {
    const NODES: [[f64; 2]; 19] = [
        [380.0, 680.0],
        [1600.0, 950.0],
        [2960.0, 1140.0],
        [4100.0, 680.0],
        [5550.0, 840.0],
        [1140.0, 2200.0],
        [2660.0, 2360.0],
        [4030.0, 2050.0],
        [5320.0, 2280.0],
        [6540.0, 2510.0],
        [300.0, 3340.0],
        [1900.0, 3570.0],
        [3340.0, 3500.0],
        [4710.0, 3570.0],
        [6080.0, 3880.0],
        [1290.0, 4860.0],
        [2960.0, 4940.0],
        [4560.0, 5020.0],
        [2050.0, 80.0],
    ];
    const TRAILS: [(&str, &str, &[usize]); 12] = [
        ("Basin Track", "wash", &[0, 1, 2, 3, 4]),
        ("Ledge Walk", "ledge", &[5, 6, 7, 8, 9]),
        ("Juniper Rise", "woodland", &[10, 11, 12, 13, 14]),
        ("Cobble Steps", "ledge", &[1, 5, 11, 15]),
        ("Swale Path", "wash", &[2, 6, 12, 16]),
        ("Wren Traverse", "woodland", &[3, 7, 13, 17]),
        ("Gatehouse Lane", "grass", &[4, 8]),
        ("Sill Loop", "ledge", &[8, 14]),
        ("Hollow Cut", "wash", &[18, 1]),
        ("Long Pasture", "grass", &[15, 16, 17]),
        ("Kestrel Link", "woodland", &[6, 11]),
        ("Reed Link", "wash", &[7, 12]),
    ];
    const TRAILHEADS: [(&str, usize, f64); 9] = [
        ("Basin Gate", 0, 60.0),
        ("Hollow Bridge", 18, 25.0),
        ("Gatehouse", 4, 80.0),
        ("Sill Road End", 9, 20.0),
        ("Juniper Field", 10, 35.0),
        ("Upper Barn", 15, 15.0),
        ("Swale Top", 16, 12.0),
        ("Wren Meadow", 17, 30.0),
        ("East Weir", 14, 18.0),
    ];
    let mut layout = Layout {
        origin: [-109.412, 37.604],
        area: AreaWords { name: "Cinder Vale Reserve", time_zone: "America/Denver" },
        nodes: NODES.to_vec(),
        trails: TRAILS.iter().map(|(name, habitat, _)| ((*name).to_owned(), *habitat)).collect(),
        links: Vec::new(),
        trailheads: TRAILHEADS.iter().map(|(name, node, cars)| ((*name).to_owned(), *node, *cars)).collect(),
    };
    let mut rng = stream(seed, 0);
    for (trail, (_, _, course)) in TRAILS.iter().enumerate() {
        for ends in course.windows(2) {
            layout.add_link([ends[0], ends[1]], trail, &mut rng, 25.0);
        }
    }
    layout
}

/// A net of trails of about `n_segments` segments of 100 m, twelve vertices each.
pub(super) fn grid(n_segments: usize, seed: u64) -> Layout {
    let spacing_m = 1_000.0;
    // Two links a node, each about 11 segments with its windings, and three in twenty left out.
    let side = ((n_segments as f64 / (2.0 * 11.0 * 0.85)).sqrt().ceil() as usize).max(3);
    let mut rng = stream(seed, 0);
    let mut jitter = || rng.random_range(-250.0..250.0);
    let nodes: Vec<[f64; 2]> = (0..side * side)
        .map(|idx| [(idx % side) as f64 * spacing_m + jitter(), (idx / side) as f64 * spacing_m + jitter()])
        .collect();
    let habitats = ["wash", "ledge", "woodland", "grass"];
    let mut layout = Layout {
        origin: [-109.412, 37.604],
        area: AreaWords { name: "Cinder Vale Proving Ground", time_zone: "America/Denver" },
        nodes,
        trails: Vec::new(),
        links: Vec::new(),
        trailheads: Vec::new(),
    };
    let mut rng = stream(seed, 2);
    for line in 0..2 * side {
        let (across, along) = (line % 2 == 0, line / 2);
        layout
            .trails
            .push((format!("{} {along}", if across { "Course" } else { "Climb" }), habitats[along % 4]));
        for step in 0..side - 1 {
            let node = |step: usize| if across { along * side + step } else { step * side + along };
            let inner = along > 0 && along + 1 < side;
            if inner && rng.random_bool(0.15) {
                continue;
            }
            layout.add_link([node(step), node(step + 1)], line, &mut rng, 8.3);
        }
    }
    // A gate every five kilometres, so that most of the net is walked.
    let gates =
        (2..side).step_by(5).flat_map(|row| (2..side).step_by(5).map(move |column| row * side + column));
    layout.trailheads = gates
        .enumerate()
        .map(|(idx, node)| (format!("Gate {idx}"), node, 10.0 + 20.0 * (idx % 5) as f64))
        .collect();
    layout
}

/// Cuts the links into bits and plants hotspots, dens and rates by habitat.
pub(super) fn plant(layout: &Layout, seed: u64) -> Truth {
    let mut rng = stream(seed, 3);
    let n_hotspots = (layout.links.len() / 8).clamp(3, 60);
    let hotspots: Vec<_> = (0..n_hotspots)
        .map(|idx| {
            let link = &layout.links[(idx * layout.links.len() / n_hotspots + 3) % layout.links.len()];
            let at = link.points[link.points.len() / 2];
            (at, rng.random_range(180.0..420.0), rng.random_range(4.0..10.0))
        })
        .collect();
    let dens = hotspots.iter().take(2).map(|(at, _, _)| [at[0] + 120.0, at[1] + 90.0]).collect();
    let mut bits = Vec::new();
    for (idx, link) in layout.links.iter().enumerate() {
        for points in cut(&link.points, link.bits.len()) {
            let middle = points[points.len() / 2];
            let habitat = match layout.trails[link.trail].1 {
                "ledge" => 1.6,
                "wash" => 1.1,
                "woodland" => 0.6,
                _ => 0.4,
            };
            let near: f64 = hotspots
                .iter()
                .map(|(at, radius_m, factor)| {
                    factor * (-0.5 * (distance_m(*at, middle) / radius_m).powi(2)).exp()
                })
                .sum();
            let noise: f64 = (0.35 * standard_normal(&mut rng)).exp();
            bits.push(Bit {
                link: idx,
                length_km: length_m(&points) / 1000.0,
                relative_rate: habitat * (1.0 + near) * noise,
                points,
            });
        }
    }
    Truth { bits, hotspots, dens }
}

/// A course between two points that wanders a little to both sides, with a vertex every `vertex_m` or so.
fn winding(from: [f64; 2], to: [f64; 2], rng: &mut Stream, vertex_m: f64) -> Vec<[f64; 2]> {
    let straight_m = distance_m(from, to);
    let n = (straight_m / vertex_m).ceil().max(2.0) as usize;
    let waves: Vec<(f64, f64, f64)> = (1..=4)
        .map(|wave| {
            let amplitude_m = straight_m * 0.09 / f64::from(wave);
            (f64::from(wave), rng.random_range(-amplitude_m..amplitude_m), rng.random_range(0.4..1.6))
        })
        .collect();
    let across = [-(to[1] - from[1]) / straight_m, (to[0] - from[0]) / straight_m];
    (0..=n)
        .map(|step| {
            let t = step as f64 / n as f64;
            let offset_m: f64 = waves
                .iter()
                .map(|(wave, amplitude_m, skew)| {
                    amplitude_m * (std::f64::consts::PI * wave * t.powf(*skew)).sin()
                })
                .sum();
            // The ends stay where they are, so that trails meet.
            let offset_m = if step == 0 || step == n { 0.0 } else { offset_m };
            [
                from[0] + (to[0] - from[0]) * t + across[0] * offset_m,
                from[1] + (to[1] - from[1]) * t + across[1] * offset_m,
            ]
        })
        .collect()
}

/// Cuts a course into `n` parts of equal length.
fn cut(points: &[[f64; 2]], n: usize) -> Vec<Vec<[f64; 2]>> {
    let part_m = length_m(points) / n as f64;
    let mut parts = Vec::with_capacity(n);
    let mut part = vec![points[0]];
    let mut walked_m = 0.0;
    for ends in points.windows(2) {
        let mut from = ends[0];
        let mut left_m = distance_m(from, ends[1]);
        while walked_m + left_m >= part_m * (1.0 - 1e-9) && parts.len() + 1 < n {
            let at = along(from, ends[1], (part_m - walked_m).clamp(0.0, left_m));
            part.push(at);
            parts.push(std::mem::replace(&mut part, vec![at]));
            left_m = distance_m(at, ends[1]);
            from = at;
            walked_m = 0.0;
        }
        walked_m += left_m;
        part.push(ends[1]);
    }
    parts.push(part);
    parts
}

/// The point `distance` metres from `from` towards `to`.
pub(super) fn along(from: [f64; 2], to: [f64; 2], distance: f64) -> [f64; 2] {
    let whole = distance_m(from, to);
    let t = if whole > 0.0 { distance / whole } else { 0.0 };
    [from[0] + (to[0] - from[0]) * t, from[1] + (to[1] - from[1]) * t]
}

/// The straight distance, metres.
pub(super) fn distance_m(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The length of a course, metres.
pub(super) fn length_m(points: &[[f64; 2]]) -> f64 {
    points.windows(2).map(|ends| distance_m(ends[0], ends[1])).sum()
}

/// A draw from the standard normal distribution.
pub(super) fn standard_normal(rng: &mut Stream) -> f64 {
    use rand_distr::Distribution;
    rand_distr::StandardNormal.sample(rng)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_demo_park_has_about_four_hundred_segments() {
        let layout = demo(7);
        let bits: usize = layout.links.iter().map(|link| link.bits.len()).sum();
        assert!((360..=460).contains(&bits), "{bits}");
        assert_eq!(layout.trailheads.len(), 9);
    }

    #[test]
    fn bits_share_out_their_link() {
        let layout = demo(7);
        let truth = plant(&layout, 7);
        for link in &layout.links {
            let bits = &truth.bits[link.bits.clone()];
            let total: f64 = bits.iter().map(|bit| bit.length_km * 1000.0).sum();
            assert!((total - length_m(&link.points)).abs() < 1e-6);
            let lengths = bits.iter().map(|bit| bit.length_km);
            let (low, high) =
                lengths.fold((f64::MAX, 0.0), |(low, high), l| (f64::min(low, l), f64::max(high, l)));
            assert!(high / low < 1.01, "{low} {high}");
        }
    }

    #[test]
    fn the_sizes_are_met() {
        for n in [1_000, 10_000] {
            let layout = grid(n, 1);
            let bits: usize = layout.links.iter().map(|link| link.bits.len()).sum();
            assert!((bits as f64 / n as f64 - 1.0).abs() < 0.2, "{n}: {bits}");
        }
    }
}
