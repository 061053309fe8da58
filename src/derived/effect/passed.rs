//! Who has passed which sign where: what a sign warns of, and which stretches know no sign.

use crate::analysis::graph::Graph;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::domain::geography::LonLat;
use crate::signage::placement::walk::Event;
use crate::signage::placement::walk::Site;
use crate::signage::placement::walk::SiteIndex;
use crate::signage::placement::walk::Spot;
use crate::signage::placement::walk::WalkedTrip;
use crate::signage::placement::walk::walk;

/// A sign farther than this from every vertex of the trails warns nobody.
pub(super) const FARTHEST_SIGN_M: f64 = 150.0;

/// What makes a segment a sign's, or a control.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RoleParams {
    /// How far a sign is remembered, metres of walking.
    pub(super) reach_m: f64,
    /// Least share of walkers in reach where a segment belongs to a sign.
    pub(super) warned_share: f64,
    /// Greatest share of walkers who passed a sign where a segment is a control.
    pub(super) passed_share: f64,
}

impl RoleParams {
    pub(super) fn of(facts: &Facts) -> Self {
        let settings = &facts.settings;
        Self {
            reach_m: settings.reach_m,
            warned_share: settings.effect_warned,
            passed_share: settings.effect_passed,
        }
    }
}

/// What a segment is in a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SegmentRole {
    /// Most of its walkers are in reach of signs; of this one most of all, an index into the signs.
    Signed(usize),
    /// Hardly any of its walkers has passed a sign.
    Control,
    /// Some of its walkers have passed a sign, but most are in reach of none.
    Mixed,
    /// Nobody is thought to walk there.
    NotWalked,
}

/// Metres walked on a segment, by parties.
#[derive(Debug, Clone, Default)]
struct Walked {
    all: f64,
    after_a_sign: f64,
    in_reach: f64,
    by_sign: Vec<(usize, f64)>,
}

/// The vertex at which a sign stands.
pub(super) fn vertex_of(layer: &NetworkLayer, position: LonLat) -> Option<usize> {
    let at = layer.network.plane.to_plane(position);
    let distance = |(idx, vertex): (usize, &crate::analysis::network::Vertex)| {
        ((vertex.planar.x - at.x).hypot(vertex.planar.y - at.y), idx)
    };
    let nearest = layer.network.vertices.iter().enumerate().map(distance).min_by(|a, b| a.0.total_cmp(&b.0));
    nearest.filter(|(distance_m, _)| *distance_m <= FARTHEST_SIGN_M).map(|(_, idx)| idx)
}

/// The role of every segment. `vertices` are those of the signs, none where a sign stands away from the trails.
pub(super) fn roles(
    graph: &Graph,
    trips: &[WalkedTrip],
    vertices: &[Option<usize>],
    params: &RoleParams,
) -> Vec<SegmentRole> {
    let standing: Vec<usize> = (0..vertices.len()).filter(|sign| vertices[*sign].is_some()).collect();
    let sites: Vec<Site> =
        vertices.iter().flatten().map(|vertex| Site { spot: Spot::Vertex(*vertex), faces: None }).collect();
    let index = SiteIndex::new(graph, &sites);
    let mut walked = vec![Walked::default(); graph.n_edges()];
    for trip in trips {
        let mut has_passed = false;
        walk(graph, trip, &index, params.reach_m, |event| match event {
            Event::Passed { .. } => has_passed = true,
            Event::Walked { leg, parties, length_m, warned_by } => {
                let sums = &mut walked[leg.segment];
                let metres = parties * length_m;
                sums.all += metres;
                sums.after_a_sign += if has_passed { metres } else { 0.0 };
                // The sign passed last is the one remembered.
                if let Some(site) = warned_by.last() {
                    sums.in_reach += metres;
                    add(&mut sums.by_sign, standing[*site as usize], metres);
                }
            }
        });
    }
    walked.iter().map(|walked| role(walked, params)).collect()
}

fn add(sums: &mut Vec<(usize, f64)>, sign: usize, metres: f64) {
    match sums.iter_mut().find(|(known, _)| *known == sign) {
        Some((_, sum)) => *sum += metres,
        None => sums.push((sign, metres)),
    }
}

fn role(walked: &Walked, params: &RoleParams) -> SegmentRole {
    let most = walked.by_sign.iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
    match most {
        _ if walked.all <= 0.0 => SegmentRole::NotWalked,
        Some((sign, _)) if walked.in_reach >= params.warned_share * walked.all => SegmentRole::Signed(*sign),
        _ if walked.after_a_sign <= params.passed_share * walked.all => SegmentRole::Control,
        _ => SegmentRole::Mixed,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;
    use crate::signage::placement::walk::Heading;
    use crate::signage::placement::walk::WalkedLeg;

    #[test]
    fn before_the_sign_within_its_reach_and_beyond() {
        // Six pieces of 100 m in a row, walked one way; a sign after the second reaches 200 m.
        let edges = (0..6).map(|idx| Edge { from: idx, to: idx + 1, length_m: 100.0 }).collect();
        let graph = Graph::new(8, edges).unwrap();
        let leg = |segment| WalkedLeg { segment, heading: Heading::Forward };
        let legs = (0..5).map(leg).collect();
        let trip = WalkedTrip { trailhead: 0, parties: 3.0, legs, leg_parties: Vec::new() };
        let params = RoleParams { reach_m: 200.0, warned_share: 0.5, passed_share: 0.05 };
        let found = roles(&graph, &[trip], &[None, Some(2)], &params);
        use SegmentRole::*;
        assert_eq!(found, [Control, Control, Signed(1), Signed(1), Mixed, NotWalked]);
    }
}
