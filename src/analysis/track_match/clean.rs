//! From raw positions to the walks between drives, positions close together taken as one.

use geo::Coord;

use crate::analysis::track_match::LeftOut;
use crate::analysis::track_match::MatchParams;
use crate::analysis::track_match::Reason;
use crate::analysis::track_match::TrackPoint;

/// Beyond this from the middle of the network no position is meant, metres.
const FARTHEST_M: f64 = 1e7;
/// Speed is taken over at least this long, so that position errors do not look like driving, seconds.
const SPEED_WINDOW_S: i64 = 60;
/// The ends of a drive are looked for with this shorter window, seconds.
const EDGE_WINDOW_S: i64 = 15;
/// A single position that would take twice the speed of a vehicle to reach, and to leave again, is an error.
const SPIKE_FACTOR: f64 = 2.0;
/// Positions within this time before and after are averaged, seconds.
const HALF_WINDOW_S: i64 = 15;
/// At most so many positions on either side are averaged.
const N_WINDOW: usize = 60;
/// Neighbours farther away than this many thinning distances are not averaged: a gap or a wild position lies between.
const NEAR_FACTOR: f64 = 4.0;

/// Positions close together, as one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cluster {
    pub(super) at: Coord<f64>,
    /// First and last position of the track in it.
    pub(super) first: usize,
    pub(super) last: usize,
}

/// What is left of a track.
pub(super) struct Cleaned {
    /// The walks between drives, in order.
    pub(super) walks: Vec<Vec<Cluster>>,
    pub(super) left_out: Vec<LeftOut>,
    pub(super) n_unusable: usize,
    pub(super) is_timed: bool,
}

/// A usable position: its index in the track, where, and when.
#[derive(Clone, Copy)]
struct Fix {
    idx: usize,
    at: Coord<f64>,
    time_s: i64,
}

pub(super) fn clean(points: &[TrackPoint], params: &MatchParams) -> Cleaned {
    let is_usable = |at: Coord<f64>| at.x.abs() <= FARTHEST_M && at.y.abs() <= FARTHEST_M;
    let mut fixes: Vec<Fix> = points
        .iter()
        .enumerate()
        .filter(|(_, point)| is_usable(point.at))
        .map(|(idx, point)| Fix { idx, at: point.at, time_s: point.time_s.unwrap_or(0) })
        .collect();
    let n_unusable = points.len() - fixes.len();
    let has_times = points.iter().all(|point| point.time_s.is_some());
    let is_timed =
        has_times && points.len() > 1 && fixes.windows(2).all(|pair| pair[0].time_s <= pair[1].time_s);
    let mut drives = Vec::new();
    if is_timed {
        fixes = without_spikes(&fixes, params.vehicle_m_per_s);
        drives = find_drives(&fixes, params.vehicle_m_per_s);
    }
    let (mut walks, mut left_out) = (Vec::new(), Vec::new());
    let mut start = 0;
    for (from, to) in drives {
        walks.push(&fixes[start..=from]);
        let driven = &fixes[from..=to];
        let length_m = driven.windows(2).map(|pair| distance_m(pair[0].at, pair[1].at)).sum();
        let (first, last) = (fixes[from].idx, fixes[to].idx);
        left_out.push(LeftOut { reason: Reason::Vehicle, first, last, length_m });
        start = to;
    }
    walks.push(&fixes[start..]);
    // The one position at which a drive begins or ends is no walk.
    let has_drive = walks.len() > 1;
    walks.retain(|walk| walk.len() > usize::from(has_drive));
    let walks = walks.into_iter().map(|walk| thin(walk, is_timed, params.thin_m)).collect();
    Cleaned { walks, left_out, n_unusable, is_timed }
}

pub(super) fn distance_m(a: Coord<f64>, b: Coord<f64>) -> f64 {
    (a.x - b.x).hypot(a.y - b.y)
}

/// Metres a second from one position to a later one; infinite for a jump in no time.
fn speed(a: &Fix, b: &Fix) -> f64 {
    let (metres, seconds) = (distance_m(a.at, b.at), b.time_s.saturating_sub(a.time_s) as f64);
    if metres <= 0.0 { 0.0 } else { metres / seconds }
}

fn without_spikes(fixes: &[Fix], vehicle_m_per_s: f64) -> Vec<Fix> {
    let limit = SPIKE_FACTOR * vehicle_m_per_s;
    let is_spike = |idx: usize| {
        let (Some(before), Some(after)) = (idx.checked_sub(1).and_then(|i| fixes.get(i)), fixes.get(idx + 1))
        else {
            return false;
        };
        let at = &fixes[idx];
        let aside_m = distance_m(before.at, at.at).min(distance_m(at.at, after.at));
        // Jitter at one position a second is fast too, but it is not far.
        aside_m > 50.0
            && aside_m > 3.0 * distance_m(before.at, after.at)
            && speed(before, at) > limit
            && speed(at, after) > limit
    };
    (0..fixes.len()).filter(|idx| !is_spike(*idx)).map(|idx| fixes[idx]).collect()
}

/// Runs of positions, first and last, between which speed was that of a vehicle.
fn find_drives(fixes: &[Fix], limit: f64) -> Vec<(usize, usize)> {
    // How many fast windows begin less those that end at each position.
    let mut steps = vec![0i64; fixes.len() + 1];
    let mut later = 0;
    for (idx, fix) in fixes.iter().enumerate() {
        later = later_than(fixes, later.max(idx), fix.time_s.saturating_add(SPEED_WINDOW_S));
        let Some(end) = fixes.get(later) else { break };
        if speed(fix, end) > limit {
            steps[idx] += 1;
            steps[later] -= 1;
        }
    }
    let mut drives = Vec::new();
    let (mut depth, mut start) = (0, 0);
    for (idx, step) in steps.iter().enumerate() {
        let before = depth;
        depth += step;
        if before == 0 && depth > 0 {
            start = idx;
        } else if before > 0 && depth == 0 {
            drives.extend(trimmed(fixes, start, idx, limit));
        }
    }
    drives
}

/// The first position from `from` on at or after an instant.
fn later_than(fixes: &[Fix], from: usize, instant_s: i64) -> usize {
    let waiting = fixes.iter().skip(from).take_while(|fix| fix.time_s < instant_s);
    from + waiting.count()
}

/// A drive without the walking at its ends that its windows took in.
fn trimmed(fixes: &[Fix], start: usize, end: usize, limit: f64) -> Option<(usize, usize)> {
    let (mut from, mut to) = (start, end);
    let mut later = from;
    while from < to {
        let instant_s = fixes[from].time_s.saturating_add(EDGE_WINDOW_S);
        later = later_than(&fixes[..=to], later.max(from + 1), instant_s).min(to);
        if speed(&fixes[from], &fixes[later]) > limit {
            break;
        }
        from += 1;
    }
    let mut earlier = to;
    while to > from {
        let instant_s = fixes[to].time_s.saturating_sub(EDGE_WINDOW_S);
        earlier = earlier.min(to - 1);
        while earlier > from && fixes[earlier].time_s > instant_s {
            earlier -= 1;
        }
        if speed(&fixes[earlier], &fixes[to]) > limit {
            break;
        }
        to -= 1;
    }
    (from < to).then_some((from, to))
}

/// Means of the positions around each, those within `thin_m` of the one before taken as one with it.
///
/// Means take out most of the error where positions are dense; where they are far apart each stands alone.
fn thin(fixes: &[Fix], is_timed: bool, thin_m: f64) -> Vec<Cluster> {
    let half = if is_timed { 0 } else { half_window(fixes, thin_m) };
    let mut clusters: Vec<Cluster> = Vec::new();
    let (mut low, mut high) = (0, 0);
    for (idx, fix) in fixes.iter().enumerate() {
        if is_timed {
            let is_early = |other: &Fix| fix.time_s.saturating_sub(other.time_s) > HALF_WINDOW_S;
            let is_late = |other: &Fix| other.time_s.saturating_sub(fix.time_s) > HALF_WINDOW_S;
            low += fixes[low..].iter().take_while(|other| is_early(other)).count();
            high += fixes[high..].iter().take_while(|other| !is_late(other)).count();
        } else {
            (low, high) = (idx.saturating_sub(half), (idx + half + 1).min(fixes.len()));
        }
        // As many on either side, so that ends and gaps are not drawn inward; a few dozen are enough.
        let n_around = (idx - low.min(idx)).min(high.max(idx + 1) - idx - 1).min(N_WINDOW);
        let around = &fixes[idx - n_around..=idx + n_around];
        let at = mean_around(fix.at, around, NEAR_FACTOR * thin_m);
        let is_last = idx + 1 == fixes.len();
        match clusters.last_mut() {
            Some(cluster) if distance_m(cluster.at, at) < thin_m && !is_last => cluster.last = fix.idx,
            _ => clusters.push(Cluster { at, first: fix.idx, last: fix.idx }),
        }
    }
    clusters
}

/// The mean of a position and of those of its neighbours that are near it.
fn mean_around(at: Coord<f64>, around: &[Fix], near_m: f64) -> Coord<f64> {
    let near = around.iter().filter(|other| distance_m(other.at, at) <= near_m);
    let (sum, n) = near.fold((Coord { x: 0.0, y: 0.0 }, 0.0), |(sum, n), other| {
        (Coord { x: sum.x + other.at.x, y: sum.y + other.at.y }, n + 1.0)
    });
    if n > 0.0 { Coord { x: sum.x / n, y: sum.y / n } } else { at }
}

/// How many positions on either side are averaged where there are no times: as many as lie within about `thin_m`.
///
/// The step of a walk is taken from positions ten apart, where errors weigh less, and from the faster fifth, since it is
/// while walking that too wide a window would do harm.
fn half_window(fixes: &[Fix], thin_m: f64) -> usize {
    const LAG: usize = 10;
    let mut steps: Vec<f64> =
        fixes.windows(LAG + 1).map(|window| distance_m(window[0].at, window[LAG].at) / LAG as f64).collect();
    if steps.is_empty() {
        return 0;
    }
    steps.sort_by(f64::total_cmp);
    let step_m = steps[(steps.len() - 1) * 4 / 5];
    (thin_m / step_m.max(0.1)) as usize
}
