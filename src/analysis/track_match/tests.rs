use geo::Coord;
use proptest::prelude::*;
use rand_distr::Distribution;
use rand_distr::Normal;

use super::*;
use crate::analysis::network::Network;
use crate::analysis::network::NetworkParams;
use crate::analysis::network::TrailLine;
use crate::analysis::network::build;
use crate::analysis::plane::LocalPlane;
use crate::analysis::random::Stream;
use crate::analysis::random::stream;
use crate::domain::geography::LonLat;

const WALKING_M_PER_S: f64 = 1.2;

struct Park {
    network: Network,
    index: SnapIndex,
    /// From metres east and north of the middle to the network's plane.
    plane: LocalPlane,
}

/// Trails given in metres east and north of one place.
fn park(lines: &[&[[f64; 2]]]) -> Park {
    let plane = LocalPlane::new(LonLat::wrapped(-112.1, 36.1));
    let line = |(idx, points): (usize, &&[[f64; 2]])| TrailLine {
        name: format!("trail {idx}"),
        parts: vec![points.iter().map(|p| plane.to_lonlat(Coord { x: p[0], y: p[1] })).collect()],
    };
    let lines: Vec<TrailLine> = lines.iter().enumerate().map(line).collect();
    let network = build(&lines, &NetworkParams::default()).unwrap();
    Park { index: SnapIndex::new(&network), network, plane }
}

impl Park {
    fn matched(&self, track: &[TrackPoint]) -> TrackMatch {
        match_track(&self.index, self.network.graph(), track, &MatchParams::default()).unwrap()
    }

    /// Somebody on a way at a speed, a position every `every_s` seconds, with errors.
    fn go(&self, way: &[[f64; 2]], m_per_s: f64, every_s: i64, start_s: i64) -> Vec<TrackPoint> {
        let mut track = Vec::new();
        let (mut time_s, mut ahead_m) = (start_s, 0.0);
        for pair in way.windows(2) {
            let (dx, dy) = (pair[1][0] - pair[0][0], pair[1][1] - pair[0][1]);
            let length_m = f64::hypot(dx, dy);
            while ahead_m <= length_m {
                let share = ahead_m / length_m;
                let at = Coord { x: pair[0][0] + share * dx, y: pair[0][1] + share * dy };
                let at = self.network.plane.to_plane(self.plane.to_lonlat(at));
                track.push(TrackPoint { at, time_s: Some(time_s) });
                time_s += every_s;
                ahead_m += m_per_s * every_s as f64;
            }
            ahead_m -= length_m;
        }
        track
    }

    fn stand(&self, at: [f64; 2], seconds: i64, every_s: i64, start_s: i64) -> Vec<TrackPoint> {
        let at = self.network.plane.to_plane(self.plane.to_lonlat(Coord { x: at[0], y: at[1] }));
        (0..seconds / every_s).map(|step| TrackPoint { at, time_s: Some(start_s + step * every_s) }).collect()
    }

    fn metres_on(&self, matched: &TrackMatch, trail: usize) -> f64 {
        let legs = matched.legs.iter();
        let on = legs.filter(|leg| self.network.segments[leg.segment_idx].trail_idx == trail);
        on.map(Leg::length_m).sum()
    }
}

fn noisy(track: &[TrackPoint], sigma_m: f64, rng: &mut Stream) -> Vec<TrackPoint> {
    let error = Normal::new(0.0, sigma_m).unwrap();
    let moved = |point: &TrackPoint| TrackPoint {
        at: Coord { x: point.at.x + error.sample(rng), y: point.at.y + error.sample(rng) },
        ..*point
    };
    track.iter().map(moved).collect()
}

fn timeless(track: &[TrackPoint]) -> Vec<TrackPoint> {
    track.iter().map(|point| TrackPoint { time_s: None, ..*point }).collect()
}

fn end_s(track: &[TrackPoint]) -> i64 {
    track.last().and_then(|point| point.time_s).unwrap_or(0) + 5
}

#[track_caller]
fn near(found: f64, planted: f64, share: f64) {
    assert!((found - planted).abs() <= share * planted, "{found} for {planted}");
}

/// A bent trail of 2,000 m, its middle crossed by another.
const BENT: &[[f64; 2]] = &[[0.0, 0.0], [800.0, 0.0], [1307.2, 322.5], [1307.2, 921.5]];
const CROSSING: &[[f64; 2]] = &[[800.0, -700.0], [800.0, 700.0]];

#[test]
fn a_walk_is_found_through_noise_at_any_interval() {
    let park = park(&[BENT, CROSSING]);
    for (idx, sigma_m) in [5.0, 10.0, 15.0].into_iter().enumerate() {
        for every_s in [1, 5, 15, 60] {
            let walk = park.go(BENT, WALKING_M_PER_S, every_s, 0);
            let track = noisy(&walk, sigma_m, &mut stream(1, idx as u64 * 100 + every_s as u64));
            for track in [timeless(&track), track] {
                let matched = park.matched(&track);
                near(matched.walked_m(), 2000.0, 0.04);
                near(park.metres_on(&matched, 0), 2000.0, 0.04);
                assert!(matched.left_out.is_empty(), "{sigma_m} m, {every_s} s: {:?}", matched.left_out);
            }
        }
    }
}

#[test]
fn the_recorded_line_is_far_longer_than_the_walk() {
    // The naive length of a track of one position a second with errors of 5 m is several times the walk's.
    let park = park(&[BENT, CROSSING]);
    let track = noisy(&park.go(BENT, WALKING_M_PER_S, 1, 0), 5.0, &mut stream(2, 0));
    let naive_m: f64 =
        track.windows(2).map(|pair| (pair[1].at.x - pair[0].at.x).hypot(pair[1].at.y - pair[0].at.y)).sum();
    assert!(naive_m > 3.0 * 2000.0, "{naive_m}");
    near(park.matched(&track).walked_m(), 2000.0, 0.04);
}

#[test]
fn out_and_back_counts_twice() {
    let park = park(&[BENT, CROSSING]);
    let out_and_back = [[0.0, 0.0], [600.0, 0.0], [0.0, 0.0]];
    let track = noisy(&park.go(&out_and_back, WALKING_M_PER_S, 5, 0), 10.0, &mut stream(3, 0));
    let matched = park.matched(&track);
    near(matched.walked_m(), 1200.0, 0.05);
    // A segment in the middle of the way is walked whole, twice; the turning point is where it was.
    let metres: Vec<f64> = matched.metres_by_segment().into_values().collect();
    assert_eq!(metres.len(), 6, "{metres:?}");
    assert!(metres[1..5].iter().all(|metres| (metres - 200.0).abs() < 2.0), "{metres:?}");
    assert!((150.0..=200.0).contains(&metres[5]), "{metres:?}");
    let turns = matched.legs.windows(2).filter(|pair| pair[0].direction != pair[1].direction).count();
    assert_eq!(turns, 1, "{:?}", matched.legs);
}

#[test]
fn a_partly_walked_segment_counts_in_part() {
    let park = park(&[BENT]);
    let track = noisy(&park.go(&[[130.0, 0.0], [470.0, 0.0]], WALKING_M_PER_S, 5, 0), 5.0, &mut stream(4, 0));
    let matched = park.matched(&track);
    near(matched.walked_m(), 340.0, 0.06);
    let (first, last) = (matched.legs[0], *matched.legs.last().unwrap());
    assert!((first.from_m - 30.0).abs() < 20.0 && (last.to_m - 70.0).abs() < 20.0, "{first:?} {last:?}");
}

#[test]
fn pauses_add_no_metres() {
    let park = park(&[BENT, CROSSING]);
    let mut track = park.go(&[[0.0, 0.0], [500.0, 0.0]], WALKING_M_PER_S, 2, 0);
    track.extend(park.stand([500.0, 0.0], 1800, 2, end_s(&track)));
    track.extend(park.go(&[[500.0, 0.0], [800.0, 0.0]], WALKING_M_PER_S, 2, end_s(&track)));
    for sigma_m in [5.0, 10.0, 15.0] {
        let track = noisy(&track, sigma_m, &mut stream(5, sigma_m as u64));
        near(park.matched(&track).walked_m(), 800.0, 0.06);
        near(park.matched(&timeless(&track)).walked_m(), 800.0, 0.06);
    }
}

#[test]
fn a_gap_is_filled_along_the_trail_and_said() {
    let park = park(&[BENT, CROSSING]);
    let track = noisy(&park.go(BENT, WALKING_M_PER_S, 5, 0), 10.0, &mut stream(6, 0));
    let holed = [&track[..80], &track[180..]].concat();
    let matched = park.matched(&holed);
    near(matched.walked_m(), 2000.0, 0.04);
    assert!((500.0..750.0).contains(&matched.filled_m), "{}", matched.filled_m);
}

#[test]
fn a_gap_too_long_is_left_out() {
    let long = [[0.0, 0.0], [4000.0, 0.0]];
    let park = park(&[&long]);
    let track = park.go(&long, WALKING_M_PER_S, 5, 0);
    let holed = [&track[..100], &track[400..]].concat();
    let matched = park.matched(&holed);
    near(matched.walked_m(), 2200.0, 0.03);
    let [left_out] = matched.left_out[..] else { panic!("{:?}", matched.left_out) };
    assert_eq!((left_out.reason, left_out.first, left_out.last), (Reason::Gap, 99, 100));
    near(left_out.length_m, 1800.0, 0.03);
}

#[test]
fn parallel_trails_are_told_apart() {
    let south: &[[f64; 2]] = &[[0.0, 0.0], [200.0, -20.0], [1200.0, -20.0], [1400.0, 0.0]];
    let north: &[[f64; 2]] = &[[0.0, 0.0], [200.0, 20.0], [1200.0, 20.0], [1400.0, 0.0]];
    let park = park(&[south, north]);
    for sigma_m in [5.0, 10.0, 15.0] {
        for seed in 0..10 {
            let track = park.go(south, WALKING_M_PER_S, 5, 0);
            let matched = park.matched(&noisy(&track, sigma_m, &mut stream(7, seed)));
            near(matched.walked_m(), 1402.0, 0.05);
            let on_north = park.metres_on(&matched, 1);
            assert!(on_north < 60.0, "{sigma_m} m: {on_north} m of the walk on the other trail");
        }
    }
}

#[test]
fn the_drive_home_along_the_trail_is_left_out() {
    let park = park(&[BENT, CROSSING]);
    let mut track = park.go(BENT, WALKING_M_PER_S, 5, 0);
    let n_walked = track.len();
    let home: Vec<[f64; 2]> = BENT.iter().rev().copied().collect();
    track.extend(park.go(&home, 9.0, 5, end_s(&track)));
    let track = noisy(&track, 8.0, &mut stream(8, 0));
    let matched = park.matched(&track);
    near(matched.walked_m(), 2000.0, 0.05);
    let [drive] = matched.left_out[..] else { panic!("{:?}", matched.left_out) };
    assert_eq!(drive.reason, Reason::Vehicle);
    assert!(drive.first.abs_diff(n_walked) <= 6, "{drive:?} after {n_walked}");
    near(drive.length_m, 2000.0, 0.15);
}

#[test]
fn a_stretch_away_from_the_trails_is_left_out() {
    let park = park(&[BENT]);
    let mut track = park.go(&[[0.0, 0.0], [600.0, 0.0]], WALKING_M_PER_S, 5, 0);
    let away = [[600.0, 0.0], [600.0, -500.0], [100.0, -500.0]];
    track.extend(park.go(&away, 12.0, 5, end_s(&track)));
    let track = timeless(&noisy(&track, 8.0, &mut stream(9, 0)));
    let matched = park.matched(&track);
    near(matched.walked_m(), 600.0, 0.05);
    let [left_out] = matched.left_out[..] else { panic!("{:?}", matched.left_out) };
    assert_eq!(left_out.reason, Reason::OffNetwork);
    assert_eq!(left_out.last, track.len() - 1);
}

#[test]
fn a_trail_only_crossed_is_not_walked() {
    let park = park(&[BENT]);
    let track = park.go(&[[400.0, -600.0], [400.0, 600.0]], WALKING_M_PER_S, 5, 0);
    let matched = park.matched(&track);
    assert!(matched.legs.is_empty(), "{:?}", matched.legs);
    assert!(matched.left_out.iter().any(|part| part.reason == Reason::Brief));
}

#[test]
fn trails_that_do_not_meet_are_not_joined() {
    let east: &[[f64; 2]] = &[[700.0, 0.0], [1300.0, 0.0]];
    let park = park(&[&[[0.0, 0.0], [600.0, 0.0]], east]);
    let track = park.go(&[[0.0, 0.0], [1300.0, 0.0]], WALKING_M_PER_S, 30, 0);
    let matched = park.matched(&track);
    near(matched.walked_m(), 1200.0, 0.06);
    assert!(matched.left_out.iter().any(|part| part.reason == Reason::NoWay), "{:?}", matched.left_out);
    assert_eq!(matched.legs.last().unwrap().piece_idx, 1);
}

#[test]
fn nothing_gives_nothing() {
    let park = park(&[BENT]);
    assert_eq!(park.matched(&[]), TrackMatch::default());
    let one = park.stand([100.0, 0.0], 5, 5, 0);
    assert!(park.matched(&one).legs.is_empty());
    let nowhere = [TrackPoint { at: Coord { x: f64::NAN, y: 0.0 }, time_s: None }];
    assert_eq!(park.matched(&nowhere).n_unusable, 1);
}

#[test]
fn parameters_out_of_range_are_refused() {
    let park = park(&[BENT]);
    let try_with = |params| match_track(&park.index, park.network.graph(), &[], &params).is_err();
    assert!(try_with(MatchParams { sigma_m: 0.0, ..MatchParams::default() }));
    assert!(try_with(MatchParams { thin_m: f64::NAN, ..MatchParams::default() }));
    let other = Graph::new(2, Vec::new()).unwrap();
    assert!(match_track(&park.index, &other, &[], &MatchParams::default()).is_err());
}

#[test]
fn a_track_is_matched_alike_alone_and_among_many() {
    let park = park(&[BENT, CROSSING]);
    let tracks: Vec<Vec<TrackPoint>> = (0..20)
        .map(|seed| noisy(&park.go(BENT, WALKING_M_PER_S, 5, 0), 12.0, &mut stream(10, seed)))
        .collect();
    let together = match_tracks(&park.index, park.network.graph(), &tracks, &MatchParams::default()).unwrap();
    let alone: Vec<TrackMatch> = tracks.iter().map(|track| park.matched(track)).collect();
    assert_eq!(together, alone);
}

#[test]
fn ten_thousand_leaps_between_trails_do_not_take_long() {
    // A grid of trails, and a track that jumps across it from position to position.
    let lines: Vec<Vec<[f64; 2]>> = (0..20)
        .flat_map(|k| {
            let at = f64::from(k) * 100.0;
            [vec![[at, 0.0], [at, 1900.0]], vec![[0.0, at], [1900.0, at]]]
        })
        .collect();
    let park = park(&lines.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let leap = |k: i64| {
        let at = Coord { x: (k * 733 % 1900) as f64, y: (k * 389 % 1900) as f64 };
        TrackPoint { at: park.network.plane.to_plane(park.plane.to_lonlat(at)), time_s: None }
    };
    let track: Vec<TrackPoint> = (0..2_000).map(leap).collect();
    assert!(park.matched(&track).walked_m().is_finite());
}

fn any_point() -> impl Strategy<Value = TrackPoint> {
    let near = -3000.0..3000.0f64;
    let metres = prop_oneof![8 => near, 1 => any::<f64>()];
    let time =
        prop_oneof![8 => (0..100_000i64).prop_map(Some), 1 => any::<i64>().prop_map(Some), 1 => Just(None)];
    (metres.clone(), metres, time).prop_map(|(x, y, time_s)| TrackPoint { at: Coord { x, y }, time_s })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn any_track_is_matched_within_its_segments(
        mut track in prop::collection::vec(any_point(), 0..60),
        is_sorted in any::<bool>(),
    ) {
        if is_sorted {
            track.sort_by_key(|point| point.time_s);
        }
        let park = park(&[BENT, CROSSING]);
        let matched = park.matched(&track);
        for leg in &matched.legs {
            let length_m = park.network.segments[leg.segment_idx].length_m;
            for at_m in [leg.from_m, leg.to_m] {
                prop_assert!((-1e-6..=length_m + 1e-6).contains(&at_m), "{leg:?} of {length_m} m");
            }
        }
        for pair in matched.legs.windows(2).filter(|pair| pair[0].piece_idx == pair[1].piece_idx) {
            let ends = |leg: &Leg, at_m: f64| {
                let segment = &park.network.segments[leg.segment_idx];
                if at_m < 0.01 { Some(segment.from) } else if at_m > segment.length_m - 0.01 { Some(segment.to) } else { None }
            };
            let stays = pair[0].segment_idx == pair[1].segment_idx && (pair[0].to_m - pair[1].from_m).abs() < 0.01;
            let goes_on = ends(&pair[0], pair[0].to_m) == ends(&pair[1], pair[1].from_m);
            prop_assert!(stays || goes_on, "{pair:?}");
        }
        for part in &matched.left_out {
            prop_assert!(part.first <= part.last && part.last < track.len());
            prop_assert!(part.length_m.is_finite());
        }
        prop_assert!(matched.filled_m <= matched.walked_m() * 3.0 + 1e3);
    }
}
