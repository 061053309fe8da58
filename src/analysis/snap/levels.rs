//! The level of the rate by trail, as part of the prior of where a record lies.
//!
//! Exposure alone takes a quiet trail beside a busy one for as likely a place as their walking has it, although snakes are
//! met more often, or less often, on one of them. The level is found from the records themselves: their weights by trail
//! over the trail's exposure, drawn towards the level of all trails (Marshall 1991), weights and levels in turn (an EM
//! algorithm, Dempster, Laird & Rubin 1977, *JRSS B* 39, 1-38). It is one level a trail, never one a segment, so that no
//! record can make its own place likelier along a trail.

use crate::analysis::empirical_bayes::marshall;
use crate::analysis::snap::OnTrail;
use crate::analysis::snap::Snap;

/// Rounds of weights and levels: the level moves by less than a hundredth in the last of them.
const N_ROUNDS: usize = 15;

/// What trails say of the levels.
#[derive(Debug, Clone, Copy)]
pub struct Trails<'a> {
    /// The trail of each segment; a segment shared by several counts for its first.
    pub of_segment: &'a [usize],
    /// Exposure by trail.
    pub exposure_km: &'a [f64],
}

/// Levels by trail relative to the rate of all trails together, from the records for which `is_counted` holds.
///
/// One for every trail where the records cannot tell trails apart, or where nothing is known.
pub fn levels(snaps: &[Snap], is_counted: impl Fn(usize) -> bool, trails: Trails<'_>) -> Vec<f64> {
    let n_trails = trails.exposure_km.len();
    // What lies on one trail only stays there whatever the levels.
    let mut fixed = vec![0.0; n_trails];
    let mut open: Vec<Vec<(usize, f64)>> = Vec::new();
    for (_, snap) in snaps.iter().enumerate().filter(|(record, _)| is_counted(*record)) {
        let weights = by_trail(snap, trails.of_segment);
        match weights.as_slice() {
            [] => {}
            [(trail, _)] => fixed[*trail] += 1.0,
            _ => open.push(weights),
        }
    }
    let mut levels = vec![1.0; n_trails];
    for _ in 0..N_ROUNDS {
        let mut events = fixed.clone();
        for weights in &open {
            let total: f64 = weights.iter().map(|(trail, weight)| weight * levels[*trail]).sum();
            for (trail, weight) in weights {
                events[*trail] += weight * levels[*trail] / total;
            }
        }
        let events: Vec<u64> = events.iter().map(|n| n.round() as u64).collect();
        // Exposure that is all zero, or not a number, says nothing of levels.
        let Ok(fit) = marshall(&events, trails.exposure_km) else { return vec![1.0; n_trails] };
        if fit.overall_rate <= 0.0 {
            return vec![1.0; n_trails];
        }
        let level = |rate: Option<f64>| rate.map_or(1.0, |rate| (rate / fit.overall_rate).max(LEAST_LEVEL));
        levels = fit.areas.iter().map(|area| level(area.rate())).collect();
    }
    levels
}

/// A trail without any record keeps this much, so that no place is ruled out.
const LEAST_LEVEL: f64 = 0.05;

/// The weights of a snap by trail; empty where it is on none.
fn by_trail(snap: &Snap, of_segment: &[usize]) -> Vec<(usize, f64)> {
    let mut weights: Vec<(usize, f64)> = Vec::new();
    let mut add = |trail: usize, weight: f64| match weights.iter_mut().find(|(known, _)| *known == trail) {
        Some((_, sum)) => *sum += weight,
        None => weights.push((trail, weight)),
    };
    match snap {
        Snap::OnTrail(on_trail) => on_trail
            .candidates
            .iter()
            .for_each(|candidate| add(of_segment[candidate.nearest.segment_idx], candidate.weight)),
        Snap::ByHand { segment_idx } => add(of_segment[*segment_idx], 1.0),
        Snap::TooVague { trails } => trails.iter().for_each(|trail| add(trail.trail_idx, trail.weight)),
        Snap::AtPlace { .. } | Snap::OffTrail { .. } => {}
    }
    weights
}

impl Snap {
    /// The same with the weights of each trail times its level, and the order and the ambiguity that follow from them.
    pub fn reweigh(&mut self, levels: &[f64], of_segment: &[usize], ambiguous_weight: f64) {
        match self {
            Self::OnTrail(OnTrail { candidates, is_ambiguous, .. }) => {
                for candidate in candidates.iter_mut() {
                    candidate.weight *= levels[of_segment[candidate.nearest.segment_idx]];
                }
                let sum: f64 = candidates.iter().map(|candidate| candidate.weight).sum();
                candidates.iter_mut().for_each(|candidate| candidate.weight /= sum);
                candidates.sort_by(|a, b| {
                    b.weight.total_cmp(&a.weight).then(a.nearest.segment_idx.cmp(&b.nearest.segment_idx))
                });
                *is_ambiguous = candidates.get(1).is_some_and(|second| second.weight > ambiguous_weight);
            }
            Self::TooVague { trails } => {
                trails.iter_mut().for_each(|trail| trail.weight *= levels[trail.trail_idx]);
                let sum: f64 = trails.iter().map(|trail| trail.weight).sum();
                trails.iter_mut().for_each(|trail| trail.weight /= sum);
                trails.sort_by(|a, b| b.weight.total_cmp(&a.weight).then(a.trail_idx.cmp(&b.trail_idx)));
            }
            Self::AtPlace { .. } | Self::ByHand { .. } | Self::OffTrail { .. } => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::random::stream;
    use crate::analysis::snap::Candidate;
    use crate::analysis::snap::Nearest;
    use crate::analysis::snap::PriorUse;
    use crate::analysis::snap::TrailWeight;
    use rand_distr::Distribution;
    use rand_distr::Normal;

    fn candidate(segment_idx: usize, weight: f64) -> Candidate {
        let foot = geo_types::Coord { x: 0.0, y: 0.0 };
        Candidate { weight, nearest: Nearest { segment_idx, distance_m: 0.0, along_m: 0.0, foot } }
    }

    fn on_trail(weights: &[(usize, f64)]) -> Snap {
        let candidates = weights.iter().map(|(segment, weight)| candidate(*segment, *weight)).collect();
        Snap::OnTrail(OnTrail { candidates, is_ambiguous: false, prior: PriorUse::Given })
    }

    fn weight_of(snap: &Snap, segment: usize) -> f64 {
        let Snap::OnTrail(on_trail) = snap else { panic!("{snap:?}") };
        let found = on_trail.candidates.iter().find(|it| it.nearest.segment_idx == segment);
        found.map_or(0.0, |it| it.weight)
    }

    /// Six trails with one segment each. The first two run side by side, 40 m apart, as much walked as each other; on the
    /// first five times as many snakes are met.
    #[test]
    fn a_planted_level_brings_records_back_to_their_trail() {
        let (gap_m, sigma_m) = (40.0, 20.0);
        let planted = [500, 100, 300, 150, 250, 350];
        let mut rng = stream(31, 0);
        let error = Normal::new(0.0, sigma_m).unwrap();
        let density = |off_m: f64| (-0.5 * (off_m / sigma_m).powi(2)).exp();
        let mut snaps = Vec::new();
        for (trail, n) in planted.into_iter().enumerate() {
            for _ in 0..n {
                let off_m: f64 = error.sample(&mut rng);
                snaps.push(match trail {
                    0 | 1 => {
                        let at_m = gap_m * trail as f64 + off_m;
                        let (first, second) = (density(at_m), density(at_m - gap_m));
                        let sum = first + second;
                        on_trail(&[(0, first / sum), (1, second / sum)])
                    }
                    alone => on_trail(&[(alone, 1.0)]),
                });
            }
        }
        let on_first = |snaps: &[Snap]| snaps.iter().map(|snap| weight_of(snap, 0)).sum::<f64>();
        // The naive way: exposure alone, which the two share alike, gives the busy trail's records to the quiet one.
        let naive = on_first(&snaps);
        // About 408, give or take 6.
        assert!(naive < 435.0, "{naive}");
        let of_segment = [0, 1, 2, 3, 4, 5];
        let trails = Trails { of_segment: &of_segment, exposure_km: &[100.0; 6] };
        let found = levels(&snaps, |_| true, trails);
        // Planted rates over the mean of 2.75 a km.
        for (level, n) in found.iter().zip(planted) {
            assert!((level / (f64::from(n) / 275.0) - 1.0).abs() < 0.35, "{found:?}");
        }
        snaps.iter_mut().for_each(|snap| snap.reweigh(&found, &of_segment, 0.25));
        let mended = on_first(&snaps);
        // About 495, give or take 12.
        assert!((mended - 500.0).abs() < 45.0 && mended - naive > 45.0, "{naive} {mended}");
        // Records that are not counted say nothing of levels.
        assert_eq!(levels(&snaps, |_| false, trails), [1.0; 6]);
    }

    #[test]
    fn where_trails_cannot_be_told_apart_nothing_moves() {
        let mut snaps = vec![on_trail(&[(0, 0.6), (1, 0.4)]), on_trail(&[(0, 1.0)]), on_trail(&[(1, 1.0)])];
        let before = snaps.clone();
        let trails = Trails { of_segment: &[0, 1], exposure_km: &[10.0, 10.0] };
        let found = levels(&snaps, |_| true, trails);
        assert_eq!(found, [1.0, 1.0]);
        snaps.iter_mut().for_each(|snap| snap.reweigh(&found, &[0, 1], 0.25));
        for (snap, before) in snaps.iter().zip(&before) {
            assert!((weight_of(snap, 0) - weight_of(before, 0)).abs() < 1e-12);
        }
        let nobody = Trails { of_segment: &[0, 1], exposure_km: &[0.0, 0.0] };
        assert_eq!(levels(&snaps, |_| true, nobody), [1.0, 1.0]);
        assert!(levels(&[], |_| true, Trails { of_segment: &[], exposure_km: &[] }).is_empty());
    }

    #[test]
    fn the_order_and_the_ambiguity_follow_the_weights() {
        let mut snap = on_trail(&[(0, 0.7), (1, 0.3)]);
        snap.reweigh(&[0.2, 2.0], &[0, 1], 0.25);
        let Snap::OnTrail(on_trail) = &snap else { panic!() };
        // 0.14 against 0.60.
        assert_eq!(on_trail.candidates[0].nearest.segment_idx, 1);
        assert!((on_trail.candidates[1].weight - 0.14 / 0.74).abs() < 1e-12 && !on_trail.is_ambiguous);
        let trail = |trail_idx, weight| TrailWeight { trail_idx, weight };
        let mut vague = Snap::TooVague { trails: vec![trail(0, 0.7), trail(1, 0.3)] };
        vague.reweigh(&[1.0, 4.0], &[0, 1], 0.25);
        let Snap::TooVague { trails } = vague else { panic!() };
        assert_eq!(trails[0].trail_idx, 1);
        let mut nowhere = Snap::TooVague { trails: Vec::new() };
        nowhere.reweigh(&[1.0, 4.0], &[0, 1], 0.25);
        assert_eq!(nowhere, Snap::TooVague { trails: Vec::new() });
    }
}
