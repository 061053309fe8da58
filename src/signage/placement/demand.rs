//! Expected encounters, grouped by the sites that would warn of them.

use std::collections::HashMap;

use rustc_hash::FxHashMap;

use crate::analysis::graph::Graph;
use crate::signage::placement::coverage::{Coverage, Rows};
use crate::signage::placement::walk::{
    Event, InvalidWalk, Site, SiteIndex, WalkedLeg, WalkedTrip, check, walk,
};

/// Encounter rates over posterior draws, and what is to be warned of.
#[derive(Debug, Clone, Copy)]
pub struct Risk<'a> {
    /// How many draws.
    pub n_draws: usize,
    /// Encounters per km walked by a party, draw-major: index `draw * n_segments + segment`.
    pub rate_per_km: &'a [f64],
    /// Share of a segment's encounters that are close contacts, to warn of those only; `None` warns of all.
    pub contact_share: Option<&'a [f64]>,
}

/// Why walkers and rates do not make a demand for signs.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidDemand {
    /// Walkers or sites do not fit the network.
    #[error(transparent)]
    Walk(#[from] InvalidWalk),
    /// There is no draw.
    #[error("there are no draws of the rates")]
    NoDraws,
    /// The number of rates or shares does not fit the draws and segments.
    #[error("{got} values were given where {expected} are needed")]
    Shape {
        /// How many were given.
        got: usize,
        /// How many are needed.
        expected: usize,
    },
    /// A rate is negative or not finite, or a share of close contacts is outside [0, 1].
    #[error("value {idx} of the rates or shares of close contacts is {value}")]
    Value {
        /// Its index.
        idx: usize,
        /// The value.
        value: f64,
    },
}

impl Risk<'_> {
    /// Checks shapes and ranges against the number of segments.
    ///
    /// # Errors
    /// [`InvalidDemand`] when a shape is wrong or a value out of range.
    pub fn check(&self, n_segments: usize) -> Result<(), InvalidDemand> {
        if self.n_draws == 0 {
            return Err(InvalidDemand::NoDraws);
        }
        let shares = self.contact_share.map(|shares| (shares, n_segments, 1.0));
        let rates = (self.rate_per_km, self.n_draws * n_segments, f64::MAX);
        for (values, expected, largest) in std::iter::once(rates).chain(shares) {
            if values.len() != expected {
                return Err(InvalidDemand::Shape { got: values.len(), expected });
            }
            if let Some(idx) = values.iter().position(|value| !(0.0..=largest).contains(value)) {
                return Err(InvalidDemand::Value { idx, value: values[idx] });
            }
        }
        Ok(())
    }

    /// What is to be warned of per km and segment, averaged over the given draws; zero without draws.
    pub fn mean_over(&self, draws: &[usize]) -> Vec<f64> {
        let n_segments = self.rate_per_km.len() / self.n_draws.max(1);
        let mut mean = vec![0.0; n_segments];
        for &draw in draws {
            let rates = &self.rate_per_km[draw * n_segments..(draw + 1) * n_segments];
            for (mean, rate) in mean.iter_mut().zip(rates) {
                *mean += rate / draws.len() as f64;
            }
        }
        if let Some(shares) = self.contact_share {
            mean.iter_mut().zip(shares).for_each(|(mean, share)| *mean *= share);
        }
        mean
    }
}

/// Walked distance by the set of sites that warn on it.
///
/// An element is all walking that the same sites would warn on; its weight in a draw is the sum over segments of
/// party-kilometres times rate, so that one demand serves every draw.
#[derive(Debug, Clone)]
pub struct Demand {
    /// Elements and sites; the weights are party-kilometres.
    walked: Coverage,
    /// For each element, its parts: segment and party-kilometres.
    part_starts: Vec<usize>,
    parts: Vec<(u32, f64)>,
}

impl Demand {
    /// The demand of the given walkers at the candidate sites, each of which warns for `reach_m` of walking after it.
    ///
    /// Encounters are taken to be spread evenly along a segment, so a reach that ends within a segment counts in part.
    ///
    /// # Errors
    /// [`InvalidWalk`] when trips or sites do not fit the network.
    pub fn new(
        graph: &Graph,
        trips: &[WalkedTrip],
        sites: &[Site],
        reach_m: f64,
    ) -> Result<Self, InvalidWalk> {
        check(graph, trips, sites, reach_m)?;
        let index = SiteIndex::new(graph, sites);
        let mut elements: FxHashMap<Vec<u32>, usize> = FxHashMap::default();
        let mut by_element = Rows::new();
        let mut parts: Vec<FxHashMap<u32, f64>> = Vec::new();
        let mut key: Vec<u32> = Vec::new();
        for trip in trips.iter().filter(|trip| trip.parties > 0.0) {
            walk(graph, trip, &index, reach_m, |event| {
                let Event::Walked { leg, parties, length_m, warned_by } = event else { return };
                key.clear();
                key.extend(warned_by);
                key.sort_unstable();
                key.dedup();
                let element = elements.get(&key).copied().unwrap_or_else(|| {
                    elements.insert(key.clone(), parts.len());
                    by_element.push(key.iter().copied());
                    parts.push(FxHashMap::default());
                    parts.len() - 1
                });
                *parts[element].entry(leg.segment as u32).or_insert(0.0) += parties * length_m / 1000.0;
            });
        }
        Ok(Self::from_parts(by_element, sites.len(), parts))
    }

    fn from_parts(by_element: Rows, n_sites: usize, by_segment: Vec<FxHashMap<u32, f64>>) -> Self {
        let mut part_starts = vec![0];
        let mut parts = Vec::new();
        let mut walked_km = Vec::with_capacity(by_segment.len());
        for element in by_segment {
            let start = parts.len();
            parts.extend(element);
            // A hash map has no order of its own; sums must not depend on it.
            parts[start..].sort_unstable_by_key(|&(segment, _)| segment);
            part_starts.push(parts.len());
            walked_km.push(parts[start..].iter().map(|&(_, km)| km).sum());
        }
        Self { walked: Coverage::from_rows(by_element, n_sites, walked_km), part_starts, parts }
    }

    /// Sites and elements, weighted by party-kilometres.
    pub fn walked(&self) -> &Coverage {
        &self.walked
    }

    /// The weight of each element: expected encounters at these rates per km and segment.
    pub fn weights(&self, rate_per_km: &[f64]) -> Vec<f64> {
        let weight = |element: usize| {
            let parts = &self.parts[self.part_starts[element]..self.part_starts[element + 1]];
            parts.iter().map(|&(segment, km)| km * rate_per_km[segment as usize]).sum()
        };
        (0..self.walked.n_elements()).map(weight).collect()
    }

    /// Sites and elements, weighted by the expected encounters at these rates per km and segment.
    pub fn coverage_at(&self, rate_per_km: &[f64]) -> Coverage {
        // The weights are sums of products of checked numbers; only an overflow could make them unusable.
        self.walked.reweighted(self.weights(rate_per_km)).unwrap_or_else(|_| self.walked.clone())
    }
}

/// What one sign does among the signs that stand with it.
#[derive(Debug, Clone, PartialEq)]
pub struct Credit {
    /// Expected encounters of which this sign was the first warning, by segment, largest first.
    pub warned_first: Vec<(usize, f64)>,
    /// The same encounters by the way on which their walkers left the sign, largest first.
    pub warned_on: Vec<(WalkedLeg, f64)>,
    /// Parties that pass and read it, by the way they go on, largest first; who passes again on the way home counts again.
    pub passing: Vec<(WalkedLeg, f64)>,
    /// Parties that pass and read it, each once on its trip; where they are more parties on one leg than on another, as many as
    /// on the leg with most.
    pub parties: f64,
}

impl Credit {
    /// Expected encounters of which this sign was the first warning.
    pub fn warned_first_total(&self) -> f64 {
        self.warned_first.iter().map(|&(_, encounters)| encounters).sum()
    }

    /// The way on of the walkers whom it warns of most, else of most who pass; none when nobody passes.
    pub fn main_way(&self) -> Option<WalkedLeg> {
        self.warned_on.first().or(self.passing.first()).map(|(leg, _)| *leg)
    }
}

/// For each standing sign, what it warns of first and who passes it.
///
/// `standing` are the signs that stand; an encounter is credited to the first of them that its walker passed within
/// reach before it. `rate_per_km` is by segment.
///
/// # Errors
/// [`InvalidWalk`] when trips or sites do not fit the network.
pub fn credits(
    graph: &Graph,
    trips: &[WalkedTrip],
    standing: &[Site],
    reach_m: f64,
    rate_per_km: &[f64],
) -> Result<Vec<Credit>, InvalidWalk> {
    check(graph, trips, standing, reach_m)?;
    let index = SiteIndex::new(graph, standing);
    let mut warned: Vec<HashMap<usize, f64>> = vec![HashMap::new(); standing.len()];
    let mut passing: Vec<HashMap<WalkedLeg, f64>> = vec![HashMap::new(); standing.len()];
    let mut warned_on: Vec<HashMap<WalkedLeg, f64>> = vec![HashMap::new(); standing.len()];
    // Who is warned by a sign has passed it on the same trip, so what is left of other trips is never read.
    let mut left_by: Vec<Option<WalkedLeg>> = vec![None; standing.len()];
    let mut parties_of = vec![0.0; standing.len()];
    // The last trip that passed it, and how many of its parties count so far.
    let mut counted: Vec<(usize, f64)> = vec![(usize::MAX, 0.0); standing.len()];
    for (idx, trip) in trips.iter().enumerate() {
        walk(graph, trip, &index, reach_m, |event| match event {
            Event::Passed { site, leg, parties } => {
                left_by[site] = Some(leg);
                *passing[site].entry(leg).or_insert(0.0) += parties;
                let so_far = if counted[site].0 == idx { counted[site].1 } else { 0.0 };
                parties_of[site] += (parties - so_far).max(0.0);
                counted[site] = (idx, parties.max(so_far));
            }
            Event::Walked { leg, parties, length_m, warned_by } => {
                if let Some(&first) = warned_by.first() {
                    let encounters = parties * length_m / 1000.0 * rate_per_km[leg.segment];
                    *warned[first as usize].entry(leg.segment).or_insert(0.0) += encounters;
                    if let Some(way) = left_by[first as usize] {
                        *warned_on[first as usize].entry(way).or_insert(0.0) += encounters;
                    }
                }
            }
        });
    }
    let credit = |(((warned, warned_on), passing), parties)| Credit {
        warned_first: by_size(warned),
        warned_on: by_size(warned_on),
        passing: by_size(passing),
        parties,
    };
    Ok(warned.into_iter().zip(warned_on).zip(passing).zip(parties_of).map(credit).collect())
}

fn by_size<K: Ord + Copy>(amounts: HashMap<K, f64>) -> Vec<(K, f64)> {
    let mut amounts: Vec<(K, f64)> = amounts.into_iter().filter(|(_, amount)| *amount > 0.0).collect();
    amounts.sort_unstable_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    amounts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;
    use crate::signage::placement::walk::{Heading, sites_at_vertices};

    fn line_and_trip() -> (Graph, WalkedTrip) {
        let edges = (0..3).map(|idx| Edge { from: idx, to: idx + 1, length_m: 500.0 }).collect();
        let out = (0..3).map(|segment| WalkedLeg { segment, heading: Heading::Forward });
        let back = (0..3).rev().map(|segment| WalkedLeg { segment, heading: Heading::Backward });
        let legs = out.chain(back).collect();
        let trip = WalkedTrip { trailhead: 0, parties: 10.0, legs, leg_parties: Vec::new() };
        (Graph::new(4, edges).unwrap(), trip)
    }

    #[test]
    fn all_walking_is_in_the_demand_and_weights_follow_the_rates() {
        let (graph, trip) = line_and_trip();
        let demand = Demand::new(&graph, &[trip], &sites_at_vertices(&graph), 500.0).unwrap();
        assert!((demand.walked().total_weight() - 30.0).abs() < 1e-12);
        let coverage = demand.coverage_at(&[0.0, 0.2, 0.0]);
        assert!((coverage.total_weight() - 2.0).abs() < 1e-12);
        // Segment 1 is entered at vertex 1 on the way out and at vertex 2 on the way back.
        assert!((coverage.covered_weight(&[1]) - 1.0).abs() < 1e-12);
        assert!((coverage.covered_weight(&[1, 2]) - 2.0).abs() < 1e-12);
        assert_eq!(coverage.covered_weight(&[0, 3]), 0.0);
    }

    #[test]
    fn the_first_sign_passed_gets_the_credit() {
        let (graph, trip) = line_and_trip();
        let sites = sites_at_vertices(&graph);
        let standing = [sites[0], sites[1]];
        let credits = credits(&graph, &[trip], &standing, 800.0, &[0.0, 0.2, 0.0]).unwrap();
        // 300 m of segment 1 lie within 800 m of the trailhead, the rest is warned of by vertex 1 only.
        assert!((credits[0].warned_first_total() - 0.6).abs() < 1e-12);
        assert!((credits[1].warned_first_total() - 0.4).abs() < 1e-12);
        assert_eq!(credits[0].passing.len(), 1);
    }

    /// The sign along the trail is passed twice, the one at the trailhead once, by the same ten parties.
    #[test]
    fn a_party_counts_once_however_often_it_passes() {
        let (graph, trip) = line_and_trip();
        let sites = sites_at_vertices(&graph);
        let standing = [sites[0], sites[1]];
        let there = WalkedTrip { parties: 4.0, legs: trip.legs[..1].to_vec(), ..trip.clone() };
        let credits = credits(&graph, &[trip, there], &standing, 800.0, &[0.0, 0.2, 0.0]).unwrap();
        let passages: f64 = credits[1].passing.iter().map(|(_, parties)| parties).sum();
        assert_eq!((passages, credits[1].parties, credits[0].parties), (20.0, 10.0, 14.0));
    }

    /// Thrice as many pass it on their way home as go on to where snakes are met: it faces those who go on.
    #[test]
    fn a_sign_faces_those_whom_it_warns() {
        let (graph, trip) = line_and_trip();
        let home = (0..2).rev().map(|segment| WalkedLeg { segment, heading: Heading::Backward }).collect();
        let there = WalkedTrip { trailhead: 2, parties: 30.0, legs: home, leg_parties: Vec::new() };
        let site = sites_at_vertices(&graph)[1];
        let credits = credits(&graph, &[trip, there], &[site], 500.0, &[0.0, 0.2, 0.0]).unwrap();
        assert_eq!(credits[0].passing[0].0, WalkedLeg { segment: 0, heading: Heading::Backward });
        assert_eq!(credits[0].main_way(), Some(WalkedLeg { segment: 1, heading: Heading::Forward }));
        assert_eq!(credits[0].warned_on, [(WalkedLeg { segment: 1, heading: Heading::Forward }, 1.0)]);
    }

    /// Those who walk on segment 1 do so in parties of half the size: twice as many meet its snakes, and pass the sign before it.
    #[test]
    fn parties_count_as_they_are_on_each_leg() {
        let (graph, trip) = line_and_trip();
        let leg_parties = trip.legs.iter().map(|leg| if leg.segment == 1 { 20.0 } else { 10.0 }).collect();
        let trip = WalkedTrip { leg_parties, ..trip };
        let sites = sites_at_vertices(&graph);
        let demand = Demand::new(&graph, std::slice::from_ref(&trip), &sites, 500.0).unwrap();
        assert!((demand.walked().total_weight() - 40.0).abs() < 1e-12);
        assert!((demand.coverage_at(&[0.1, 0.1, 0.0]).total_weight() - 3.0).abs() < 1e-12);
        let credits = credits(&graph, &[trip], &[sites[1]], 500.0, &[0.1, 0.1, 0.0]).unwrap();
        // Out along segment 1 with twenty parties, home along segment 0 with ten.
        let by_segment: Vec<(usize, f64)> =
            credits[0].passing.iter().map(|(leg, parties)| (leg.segment, *parties)).collect();
        assert_eq!((by_segment, credits[0].parties), (vec![(1, 20.0), (0, 10.0)], 20.0));
        assert_eq!(credits[0].warned_first, [(1, 1.0), (0, 0.5)]);
    }

    #[test]
    fn shapes_and_ranges_are_checked() {
        let risk = Risk { n_draws: 2, rate_per_km: &[0.1, 0.3, 0.2, 0.5], contact_share: Some(&[1.0, 0.5]) };
        assert_eq!(risk.check(2), Ok(()));
        let mean = risk.mean_over(&[0, 1]);
        assert!((mean[0] - 0.15).abs() < 1e-12 && (mean[1] - 0.2).abs() < 1e-12);
        assert!(matches!(risk.check(3), Err(InvalidDemand::Shape { got: 4, expected: 6 })));
        assert_eq!(Risk { n_draws: 0, ..risk }.check(2), Err(InvalidDemand::NoDraws));
        let odd = Risk { contact_share: Some(&[1.0, 1.5]), ..risk };
        assert_eq!(odd.check(2), Err(InvalidDemand::Value { idx: 1, value: 1.5 }));
    }
}
