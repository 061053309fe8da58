//! Who has passed which sign where: what a sign warns of, and which stretches know no sign.

use std::collections::BTreeMap;
use std::collections::HashMap;

use crate::analysis::graph::Graph;
use crate::derived::facts::Facts;
use crate::signage::placement::walk::Event;
use crate::signage::placement::walk::Site;
use crate::signage::placement::walk::SiteIndex;
use crate::signage::placement::walk::Spot;
use crate::signage::placement::walk::WalkedTrip;
use crate::signage::placement::walk::walk;

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
    /// Most of its walkers are in reach of signs; of this one most of all, an index into the signs: the first at its vertex.
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
    /// By the signs in reach, the one passed last first; of signs at one vertex the first alone.
    in_reach: Vec<(Vec<usize>, f64)>,
}

impl Walked {
    fn in_reach_of(&self, is_meant: impl Fn(usize) -> bool) -> f64 {
        let meant = self.in_reach.iter().filter(|(signs, _)| signs.iter().any(|sign| is_meant(*sign)));
        meant.map(|(_, metres)| metres).sum()
    }
}

/// Who has passed which sign where, all signs taken to stand at once.
///
/// Signs at one vertex are one: many stand for a season and come back in the next, or are replaced. The first of them, in the
/// order in which they were given, speaks for all.
#[derive(Debug)]
pub(super) struct Passed {
    /// By segment.
    walked: Vec<Walked>,
    params: RoleParams,
}

impl Passed {
    /// `vertices` are those of the signs, none where a sign stands away from the trails.
    pub(super) fn new(
        graph: &Graph,
        trips: &[WalkedTrip],
        vertices: &[Option<usize>],
        params: &RoleParams,
    ) -> Self {
        let mut standing: Vec<usize> = speakers(vertices).into_iter().flatten().collect();
        standing.sort_unstable();
        standing.dedup();
        let site = |vertex: usize| Site { spot: Spot::Vertex(vertex), faces: None };
        let sites: Vec<Site> = standing.iter().filter_map(|sign| vertices[*sign].map(site)).collect();
        let index = SiteIndex::new(graph, &sites);
        let mut walked = vec![Walked::default(); graph.n_edges()];
        let mut latest: Vec<usize> = Vec::new();
        for trip in trips {
            let mut has_passed = false;
            walk(graph, trip, &index, params.reach_m, |event| match event {
                Event::Passed { .. } => has_passed = true,
                Event::Walked { leg, parties, length_m, warned_by } => {
                    let sums = &mut walked[leg.segment];
                    let metres = parties * length_m;
                    sums.all += metres;
                    sums.after_a_sign += if has_passed { metres } else { 0.0 };
                    latest.clear();
                    for site in warned_by.iter().rev() {
                        let sign = standing[*site as usize];
                        if !latest.contains(&sign) {
                            latest.push(sign);
                        }
                    }
                    if !latest.is_empty() {
                        add(&mut sums.in_reach, &latest, metres);
                    }
                }
            });
        }
        Self { walked, params: *params }
    }

    /// The role of every segment.
    pub(super) fn roles(&self) -> Vec<SegmentRole> {
        let role = |(segment, walked): (usize, &Walked)| match self.signed_by(segment, |_| true) {
            _ if walked.all <= 0.0 => SegmentRole::NotWalked,
            Some(sign) => SegmentRole::Signed(sign),
            None if walked.after_a_sign <= self.params.passed_share * walked.all => SegmentRole::Control,
            None => SegmentRole::Mixed,
        };
        self.walked.iter().enumerate().map(role).collect()
    }

    /// Of some of the signs the one that most walkers of a segment are in reach of, where no other stands; none where most are
    /// in reach of none of these.
    pub(super) fn signed_by(&self, segment: usize, is_ours: impl Fn(usize) -> bool) -> Option<usize> {
        let walked = &self.walked[segment];
        if walked.all <= 0.0 || walked.in_reach_of(&is_ours) < self.params.warned_share * walked.all {
            return None;
        }
        let mut by_sign: BTreeMap<usize, f64> = BTreeMap::new();
        for (signs, metres) in &walked.in_reach {
            // The sign passed last is the one remembered.
            if let Some(sign) = signs.iter().find(|sign| is_ours(**sign)) {
                *by_sign.entry(*sign).or_insert(0.0) += metres;
            }
        }
        let most = by_sign.into_iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
        most.map(|(sign, _)| sign)
    }

    /// The signs that warn on a segment: more walkers are in reach of them than may have passed one on a control.
    pub(super) fn warning(&self, segment: usize) -> Vec<usize> {
        let walked = &self.walked[segment];
        let mut signs: Vec<usize> =
            walked.in_reach.iter().flat_map(|(signs, _)| signs.iter().copied()).collect();
        signs.sort_unstable();
        signs.dedup();
        let least = self.params.passed_share * walked.all;
        signs.retain(|sign| walked.in_reach_of(|other| other == *sign) > least);
        signs
    }
}

/// For every sign the first one at its vertex; none where it stands away from the trails.
pub(super) fn speakers(vertices: &[Option<usize>]) -> Vec<Option<usize>> {
    let mut first_at: HashMap<usize, usize> = HashMap::new();
    let first =
        |(sign, vertex): (usize, &Option<usize>)| vertex.map(|at| *first_at.entry(at).or_insert(sign));
    vertices.iter().enumerate().map(first).collect()
}

fn add(sums: &mut Vec<(Vec<usize>, f64)>, signs: &[usize], metres: f64) {
    match sums.iter_mut().find(|(known, _)| known == signs) {
        Some((_, sum)) => *sum += metres,
        None => sums.push((signs.to_vec(), metres)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;
    use crate::signage::placement::walk::Heading;
    use crate::signage::placement::walk::WalkedLeg;

    /// Six pieces of 100 m in a row, of which five are walked one way.
    fn passed(vertices: &[Option<usize>]) -> Passed {
        let edges = (0..6).map(|idx| Edge { from: idx, to: idx + 1, length_m: 100.0 }).collect();
        let graph = Graph::new(8, edges).unwrap();
        let leg = |segment| WalkedLeg { segment, heading: Heading::Forward };
        let legs = (0..5).map(leg).collect();
        let trip = WalkedTrip { trailhead: 0, parties: 3.0, legs, leg_parties: Vec::new() };
        let params = RoleParams { reach_m: 200.0, warned_share: 0.5, passed_share: 0.05 };
        Passed::new(&graph, &[trip], vertices, &params)
    }

    #[test]
    fn before_the_sign_within_its_reach_and_beyond() {
        use SegmentRole::*;
        let found = passed(&[None, Some(2)]).roles();
        assert_eq!(found, [Control, Control, Signed(1), Signed(1), Mixed, NotWalked]);
    }

    #[test]
    fn signs_that_came_back_are_one_and_a_newer_one_takes_nothing_from_them() {
        use SegmentRole::*;
        // The second came back to where the first stood; the third went up 100 m further on.
        let vertices = [Some(1), Some(1), Some(2), None];
        let found = passed(&vertices);
        assert_eq!(found.roles(), [Control, Signed(0), Signed(2), Signed(2), Mixed, NotWalked]);
        let of_first = |segment| found.signed_by(segment, |sign| sign == 0);
        assert_eq!([0, 1, 2, 3, 5].map(of_first), [None, Some(0), Some(0), None, None]);
        assert_eq!(
            [0, 1, 2, 3, 4].map(|it| found.warning(it)),
            [vec![], vec![0], vec![0, 2], vec![2], vec![]]
        );
        assert_eq!(speakers(&vertices), [Some(0), Some(0), Some(2), None]);
    }
}
