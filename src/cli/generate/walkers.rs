//! The invented walkers: out along the trails, back the same way.

use rand::RngExt;

use crate::analysis::random::Stream;
use crate::cli::generate::layout::Layout;

/// How many parties walk the park in the three seasons together, per unit of relative volume.
const PARTIES_PER_VOLUME: f64 = 190.0;
/// Mean way out before turning, kilometres.
const MEAN_WAY_OUT_KM: f64 = 2.6;
/// Mean number of walkers in a party.
pub(super) const MEAN_PARTY: f64 = 2.2;

/// What the walkers did.
pub(super) struct Walked {
    /// Passages of each bit by parties, in both directions together.
    pub(super) passages: Vec<f64>,
    /// Parties that started at each trailhead.
    pub(super) parties: Vec<f64>,
    /// Passages through each node by parties that neither start nor turn there.
    pub(super) through: Vec<f64>,
}

/// Sends many trips out and scales them to the park's parties.
pub(super) fn walk(layout: &Layout, rng: &mut Stream) -> Walked {
    let n_bits = layout.links.last().map_or(0, |link| link.bits.end);
    let links_at = layout.links_at();
    let mut walked =
        Walked { passages: vec![0.0; n_bits], parties: Vec::new(), through: vec![0.0; layout.nodes.len()] };
    for (_, node, volume) in &layout.trailheads {
        let parties = volume * PARTIES_PER_VOLUME;
        let n_trips = (200_000 / layout.trailheads.len()).min(20_000);
        for _ in 0..n_trips {
            // Out and back.
            let weight = 2.0 * parties / n_trips as f64;
            let bits = way_out(layout, &links_at, *node, rng);
            for passed in nodes_passed(layout, &bits) {
                walked.through[passed] += weight;
            }
            for bit in bits {
                walked.passages[bit] += weight;
            }
        }
        walked.parties.push(parties);
    }
    walked
}

/// The nodes between links on a way out.
fn nodes_passed(layout: &Layout, bits: &[usize]) -> Vec<usize> {
    let link_of = |bit: usize| layout.links.iter().position(|link| link.bits.contains(&bit));
    let mut links: Vec<usize> = bits.iter().filter_map(|bit| link_of(*bit)).collect();
    links.dedup();
    let shared = |pair: &[usize]| {
        let (a, b) = (layout.links[pair[0]].ends, layout.links[pair[1]].ends);
        a.into_iter().find(|node| b.contains(node))
    };
    links.windows(2).filter_map(shared).collect()
}

/// The bits of one way out, from a node to the turning point.
pub(super) fn way_out(
    layout: &Layout,
    links_at: &[Vec<usize>],
    start: usize,
    rng: &mut Stream,
) -> Vec<usize> {
    let draw: f64 = rng.random_range(1e-9..1.0);
    let mut left_km = -MEAN_WAY_OUT_KM * draw.ln();
    let mut bits = Vec::new();
    let (mut node, mut came_by) = (start, usize::MAX);
    while left_km > 0.0 && bits.len() < 400 {
        let choices: Vec<usize> = links_at[node].iter().copied().filter(|link| *link != came_by).collect();
        if choices.is_empty() {
            break;
        }
        let chosen = choices[rng.random_range(0..choices.len())];
        let link = &layout.links[chosen];
        let forward = link.ends[0] == node;
        let mut course: Vec<usize> = link.bits.clone().collect();
        if !forward {
            course.reverse();
        }
        let bit_km = super::layout::length_m(&link.points) / 1000.0 / course.len() as f64;
        for bit in course {
            if left_km <= 0.0 {
                return bits;
            }
            bits.push(bit);
            left_km -= bit_km;
        }
        node = if forward { link.ends[1] } else { link.ends[0] };
        came_by = chosen;
    }
    bits
}
