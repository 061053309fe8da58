//! When counts are before: no sign stood yet, and none of another campaign warned where these will.

use std::collections::BTreeMap;
use std::collections::BTreeSet;

use crate::derived::effect::walked::SurveyWalk;
use crate::derived::effect::windows::Windows;
use crate::derived::effect::windows::common;
use crate::derived::effect::windows::is_in;
use crate::derived::effect::windows::joined;
use crate::derived::effect::windows::without;

/// What is compared with after.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Before {
    /// The times, the same for all segments, with signs or without: years differ, and stretches do.
    pub(super) times: Windows,
    /// Segments that have no part in the comparison.
    pub(super) left_out: BTreeSet<usize>,
}

/// The times before of segments where signs will warn (`is_ours`), of which others warned in some at times (`taken`).
///
/// Either these times are before for nobody, and segments that no survey walked without a sign are left out; or all segments are
/// where others ever warned before. What leaves more survey-kilometres is done, the first where both leave as much.
pub(super) fn before(
    walks: &[SurveyWalk],
    first_up_s: i64,
    is_ours: impl Fn(usize) -> bool,
    taken: &BTreeMap<usize, Windows>,
) -> Before {
    let until_first: Windows = vec![(i64::MIN, first_up_s)];
    let disturbed: BTreeMap<usize, Windows> = taken
        .iter()
        .map(|(segment, others)| (*segment, common(&until_first, others)))
        .filter(|(_, others)| !others.is_empty())
        .collect();
    let mut never_free: BTreeSet<usize> = disturbed.keys().copied().collect();
    for walk in walks.iter().filter(|walk| walk.start_s < first_up_s) {
        for segment in walk.weighted_km.keys() {
            if disturbed.get(segment).is_some_and(|others| !is_in(others, walk.start_s)) {
                never_free.remove(segment);
            }
        }
    }
    let others = disturbed.iter().filter(|(segment, _)| !never_free.contains(*segment));
    let others = joined(others.flat_map(|(_, others)| others.iter().copied()));
    let less_time = Before { times: without(&until_first, &others), left_out: never_free };
    let fewer_segments = Before { times: until_first, left_out: disturbed.into_keys().collect() };
    let km = |before: &Before| -> f64 {
        let walks = walks.iter().filter(|walk| is_in(&before.times, walk.start_s));
        let legs = walks.flat_map(|walk| &walk.weighted_km);
        legs.filter(|(at, _)| is_ours(**at) && !before.left_out.contains(*at)).map(|(_, km)| km).sum()
    };
    if km(&fewer_segments) > km(&less_time) { fewer_segments } else { less_time }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Walks of segments 0 to 3, one kilometre on each, one every ten seconds.
    fn walks(n: i64) -> Vec<SurveyWalk> {
        let km: BTreeMap<usize, f64> = (0..4).map(|segment| (segment, 1.0)).collect();
        let walk = |idx: i64| SurveyWalk {
            start_s: 10 * idx,
            km: km.clone(),
            weighted_km: km.clone(),
            met: Vec::new(),
        };
        (0..n).map(walk).collect()
    }

    fn found(taken: &[(usize, i64, i64)]) -> (Windows, Vec<usize>) {
        let taken = taken.iter().map(|(segment, from, until)| (*segment, vec![(*from, *until)])).collect();
        // Segment 3 is a control.
        let before = before(&walks(12), 100, |segment| segment < 3, &taken);
        (before.times, before.left_out.into_iter().collect())
    }

    #[test]
    fn times_are_taken_from_all_or_segments_left_out() {
        assert_eq!(found(&[]), (vec![(i64::MIN, 100)], vec![]));
        // What others put up later takes nothing.
        assert_eq!(found(&[(0, 100, i64::MAX)]), (vec![(i64::MIN, 100)], vec![]));
        // Most segments for part of the time: that time counts for none, at controls neither.
        assert_eq!(found(&[(0, 50, i64::MAX), (1, 50, i64::MAX)]), (vec![(i64::MIN, 50)], vec![]));
        // One segment for nearly all of the time, or for all of it, is left out.
        assert_eq!(found(&[(0, 5, 200)]), (vec![(i64::MIN, 100)], vec![0]));
        assert_eq!(found(&[(0, -5, i64::MAX)]), (vec![(i64::MIN, 100)], vec![0]));
        // Both: one for ever, two for a while.
        let taken = [(0, -5, i64::MAX), (1, 60, 90), (2, 60, 90)];
        assert_eq!(found(&taken), (vec![(i64::MIN, 60), (90, 100)], vec![0]));
    }
}
