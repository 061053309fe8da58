use std::collections::HashMap;
use std::collections::HashSet;

use super::*;
use crate::analysis::plane::length_m;
use proptest::prelude::*;

const LON: f64 = -112.1;
const LAT: f64 = 36.1;

/// A line through points given in metres east and north of a place at 36.1 N.
fn part(points: &[[f64; 2]]) -> Vec<LonLat> {
    let plane = LocalPlane::new(LonLat::wrapped(LON, LAT));
    points.iter().map(|p| plane.to_lonlat(Coord { x: p[0], y: p[1] })).collect()
}

fn trail(name: &str, parts: &[&[[f64; 2]]]) -> TrailLine {
    TrailLine { name: name.to_owned(), parts: parts.iter().map(|p| part(p)).collect() }
}

fn network(lines: &[TrailLine]) -> Network {
    let network = build(lines, &NetworkParams::default()).unwrap();
    check_invariants(&network);
    network
}

fn check_invariants(network: &Network) {
    assert_eq!(network.graph().n_edges(), network.segments.len());
    for (idx, segment) in network.segments.iter().enumerate() {
        let piece = &network.pieces[segment.piece_idx];
        assert!(piece.segments.contains(&idx));
        assert_eq!(segment.geometry.first(), Some(&network.vertices[segment.from].position));
        assert_eq!(segment.geometry.last(), Some(&network.vertices[segment.to].position));
        assert_eq!(segment.geometry.len(), segment.planar.len());
        assert!((length_m(&segment.geometry) - segment.length_m).abs() < 1e-3);
        assert_eq!(piece.trails.first(), Some(&segment.trail_idx));
    }
    for piece in &network.pieces {
        let n = (piece.length_m / network.target_segment_m).round().max(1.0) as usize;
        assert_eq!(piece.segments.len(), n);
        assert_eq!(network.segments[piece.segments.start].from, piece.from);
        assert_eq!(network.segments[piece.segments.end - 1].to, piece.to);
    }
    let mut in_runs: Vec<usize> = network.trail_runs().concat();
    in_runs.sort_unstable();
    assert_eq!(in_runs, (0..network.segments.len()).collect::<Vec<_>>());
    for run in network.trail_runs() {
        for pair in run.windows(2) {
            let [a, b] = [&network.segments[pair[0]], &network.segments[pair[1]]];
            assert!([a.from, a.to].iter().any(|v| [b.from, b.to].contains(v)));
            assert_eq!(a.trail_idx, b.trail_idx);
            assert!(a.order < b.order);
        }
    }
    assert_eq!(ids(network).len(), network.segments.len());
}

fn ids(network: &Network) -> HashSet<SegmentId> {
    network.segments.iter().map(|s| s.id).collect()
}

fn count_kind(network: &Network, kind: VertexKind) -> usize {
    network.vertices.iter().filter(|v| v.kind == kind).count()
}

#[test]
fn a_line_is_cut_into_the_nearest_number_of_equal_segments() {
    for (length, expected) in [(30.0, 1), (149.0, 1), (151.0, 2), (1049.0, 10)] {
        let network = network(&[trail("a", &[&[[0.0, 0.0], [length, 0.0]]])]);
        assert_eq!(network.segments.len(), expected, "{length}");
        for segment in &network.segments {
            assert!((segment.length_m - length / expected as f64).abs() < 1e-4);
        }
        assert_eq!(count_kind(&network, VertexKind::End), 2);
        assert_eq!(network.trail_runs(), [(0..expected).collect::<Vec<_>>()]);
    }
}

#[test]
fn crossing_lines_meet_once() {
    let network = network(&[
        trail("a", &[&[[-200.0, 0.0], [200.0, 0.0]]]),
        trail("b", &[&[[10.0, -300.0], [10.0, 300.0]]]),
    ]);
    assert_eq!(network.pieces.len(), 4);
    assert_eq!(count_kind(&network, VertexKind::Junction), 1);
    assert_eq!(count_kind(&network, VertexKind::End), 4);
    assert!((network.length_m() - 1000.0).abs() < 1e-3);
    assert!(network.notes.is_empty());
}

#[test]
fn a_shared_vertex_is_a_node() {
    let network = network(&[
        trail("a", &[&[[-200.0, 0.0], [0.0, 0.0], [200.0, 50.0]]]),
        trail("b", &[&[[-200.0, 200.0], [0.0, 0.0], [200.0, 300.0]]]),
    ]);
    assert_eq!(network.pieces.len(), 4);
    assert_eq!(count_kind(&network, VertexKind::Junction), 1);
}

#[test]
fn an_end_within_the_tolerance_is_joined() {
    let spur = |gap: f64| {
        network(&[
            trail("a", &[&[[-200.0, 0.0], [200.0, 0.0]]]),
            trail("b", &[&[[30.0, 300.0], [30.0, gap]]]),
        ])
    };
    let joined = spur(4.5);
    assert_eq!(joined.pieces.len(), 3);
    assert!(
        matches!(joined.notes[..], [Note::EndJoined { trail_idx: 1, gap_m, .. }] if (gap_m - 4.5).abs() < 1e-3)
    );
    assert!((joined.length_m() - 700.0).abs() < 1e-3);
    assert_eq!(spur(5.5).pieces.len(), 2);
}

#[test]
fn an_end_reaching_past_a_line_is_cut_off() {
    let network = network(&[
        trail("a", &[&[[-200.0, 0.0], [200.0, 0.0]]]),
        trail("b", &[&[[30.0, 300.0], [30.0, -3.0]]]),
    ]);
    assert_eq!(network.pieces.len(), 3);
    assert!(matches!(network.notes[..], [Note::OvershootTrimmed { trail_idx: 1, .. }]));
    assert!((network.length_m() - 700.0).abs() < 1e-3);
}

#[test]
fn two_ends_near_each_other_are_joined_once() {
    let network =
        network(&[trail("a", &[&[[-200.0, 0.0], [-1.0, 0.0]]]), trail("b", &[&[[2.0, 0.0], [200.0, 0.0]]])]);
    assert_eq!(network.pieces.len(), 2);
    assert_eq!(network.notes.len(), 1);
    assert_eq!(count_kind(&network, VertexKind::Junction), 1);
    assert!((network.length_m() - 400.0).abs() < 1e-3);
}

#[test]
fn a_nearly_closed_line_becomes_a_loop() {
    let square = trail("a", &[&[[0.0, 0.0], [300.0, 0.0], [300.0, 300.0], [0.0, 300.0], [0.0, 3.0]]]);
    let network = network(&[square]);
    assert_eq!(network.pieces.len(), 1);
    assert_eq!(network.pieces[0].from, network.pieces[0].to);
    assert!((network.length_m() - 1200.0).abs() < 1e-3);
    assert_eq!(network.graph().n_vertices(), 12);
}

#[test]
fn a_small_loop_is_one_segment_with_one_vertex() {
    let network = network(&[trail("a", &[&[[0.0, 0.0], [30.0, 0.0], [30.0, 30.0], [0.0, 0.0]]])]);
    assert_eq!(network.segments.len(), 1);
    assert_eq!(network.graph().n_vertices(), 1);
    assert_eq!(network.graph().degree(0), 2);
}

#[test]
fn a_figure_eight_has_one_junction() {
    let network = network(&[trail(
        "a",
        &[&[[-100.0, -100.0], [100.0, 100.0], [100.0, -100.0], [-100.0, 100.0], [-100.0, -100.0]]],
    )]);
    assert_eq!(network.pieces.len(), 2);
    assert_eq!(count_kind(&network, VertexKind::Junction), 1);
    assert_eq!(network.trail_runs().len(), 1);
}

#[test]
fn parallel_pieces_keep_apart() {
    let network = network(&[
        trail("a", &[&[[0.0, 0.0], [150.0, 80.0], [300.0, 0.0]]]),
        trail("b", &[&[[0.0, 0.0], [150.0, -80.0], [300.0, 0.0]]]),
    ]);
    assert_eq!(network.pieces.len(), 2);
    assert_eq!(count_kind(&network, VertexKind::Junction), 2);
}

#[test]
fn a_shared_path_is_kept_once_with_both_names() {
    let network = network(&[
        trail("a", &[&[[-200.0, 100.0], [0.0, 0.0], [100.0, 0.0], [200.0, 0.0], [400.0, 100.0]]]),
        trail("b", &[&[[400.0, -100.0], [200.0, 0.0], [0.0, 0.0], [-200.0, -100.0]]]),
    ]);
    assert_eq!(network.pieces.len(), 5);
    let shared: Vec<&Piece> = network.pieces.iter().filter(|p| p.trails == [0, 1]).collect();
    assert_eq!(shared.len(), 1);
    assert!((shared[0].length_m - 200.0).abs() < 1e-3);
    assert_eq!(network.trails[1].pieces.len(), 3);
    assert_eq!(network.trails[1].pieces[1].direction, Direction::Backward);
    assert_eq!(network.trail_runs().len(), 3);
}

#[test]
fn the_same_line_twice_is_one_piece_of_two_trails() {
    let points: &[[f64; 2]] = &[[0.0, 0.0], [100.0, 20.0], [300.0, 0.0]];
    let network = network(&[trail("a", &[points]), trail("b", &[points])]);
    assert_eq!(network.pieces.len(), 1);
    assert_eq!(network.trails_of(0), [0, 1]);
    assert_eq!(network.trails[0].length_m, network.trails[1].length_m);
}

#[test]
fn lines_of_one_position_are_left_out_with_a_note() {
    let dot: &[[f64; 2]] = &[[50.0, 50.0], [50.0, 50.0]];
    let network = network(&[trail("a", &[dot, &[[0.0, 0.0], [200.0, 0.0]]]), trail("b", &[dot])]);
    assert_eq!(
        network.notes,
        [Note::PartSkipped { trail_idx: 0, part_idx: 0 }, Note::PartSkipped { trail_idx: 1, part_idx: 0 }]
    );
    assert!(network.trails[1].pieces.is_empty());
}

#[test]
fn unusable_input_is_refused() {
    let params = NetworkParams::default();
    assert_eq!(build(&[], &params), Err(NetworkError::NoLines));
    assert_eq!(build(&[trail("a", &[&[[0.0, 0.0]]])], &params), Err(NetworkError::NoLines));
    let line = [trail("a", &[&[[0.0, 0.0], [200.0, 0.0]]])];
    for target in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let params = NetworkParams { target_segment_m: target, ..params };
        assert!(matches!(build(&line, &params), Err(NetworkError::TargetLength(_))));
    }
    let params = NetworkParams { tolerance_m: 60.0, ..params };
    assert_eq!(build(&line, &params), Err(NetworkError::Tolerance(60.0)));
    let far = vec![LonLat::wrapped(0.0, 0.0), LonLat::wrapped(20.0, 0.0)];
    let far = [TrailLine { name: "far".to_owned(), parts: vec![far] }];
    assert!(matches!(build(&far, &NetworkParams::default()), Err(NetworkError::TooWide { .. })));
}

#[test]
fn the_antimeridian_is_an_ordinary_place() {
    let line = |points: &[[f64; 2]]| points.iter().map(|p| LonLat::wrapped(p[0], p[1])).collect::<Vec<_>>();
    let lines = [
        TrailLine { name: "a".to_owned(), parts: vec![line(&[[179.997, -16.85], [-179.997, -16.851]])] },
        TrailLine { name: "b".to_owned(), parts: vec![line(&[[179.9995, -16.855], [-179.9995, -16.846]])] },
    ];
    let network = network(&lines);
    assert_eq!(network.pieces.len(), 4);
    let whole: f64 = lines.iter().map(|l| length_m(&l.parts[0])).sum();
    assert!((network.length_m() - whole).abs() < 1e-3);
}

#[test]
fn long_legs_follow_their_geodesic() {
    let line = vec![LonLat::wrapped(-110.5, 36.0), LonLat::wrapped(-109.5, 36.0)];
    let network = network(&[TrailLine { name: "a".to_owned(), parts: vec![line.clone()] }]);
    assert!((network.length_m() - length_m(&line)).abs() < 0.01);
    let north = network.vertices.iter().map(|v| v.position.lat()).fold(0.0, f64::max);
    assert!((north - 36.0010420373).abs() < 1e-6);
}

/// A grid of wiggly lines, crossing each other.
fn lattice(n: usize, wiggle: f64) -> Vec<TrailLine> {
    let along = |k: usize, offset: f64, flip: bool| -> Vec<[f64; 2]> {
        (0..=40)
            .map(|i| {
                let t = f64::from(i) * 25.0 + k as f64;
                let s = offset + wiggle * (t / 60.0 + k as f64).sin();
                if flip { [s, t] } else { [t, s] }
            })
            .collect()
    };
    (0..n)
        .flat_map(|k| {
            let offset = 100.0 + k as f64 * 900.0 / n as f64;
            let (a, b) = (along(k, offset, false), along(k, offset, true));
            [trail(&format!("h{k}"), &[&a]), trail(&format!("v{k}"), &[&b])]
        })
        .collect()
}

fn lengths_by_id(network: &Network) -> HashMap<SegmentId, i64> {
    network.segments.iter().map(|s| (s.id, (s.length_m * 1e6).round() as i64)).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn order_and_direction_of_lines_change_no_identifier(n in 1..6usize, wiggle in 0.0..30.0f64, swap in 0..1000u64) {
        let lines = lattice(n, wiggle);
        let before = network(&lines);
        let mut other = lines;
        other.rotate_left(swap as usize % (2 * n));
        for (k, line) in other.iter_mut().enumerate() {
            if (swap >> (k % 10)) & 1 == 1 {
                line.parts[0].reverse();
            }
        }
        let after = network(&other);
        prop_assert_eq!(lengths_by_id(&before), lengths_by_id(&after));
    }

    #[test]
    fn splitting_a_line_at_a_vertex_changes_nothing(n in 1..5usize, wiggle in 0.0..30.0f64, at in 1..40usize) {
        let lines = lattice(n, wiggle);
        let before = network(&lines);
        let mut split = lines;
        for line in &mut split {
            let tail = line.parts[0].split_off(at);
            line.parts[0].push(tail[0]);
            line.parts.push(tail);
        }
        let after = network(&split);
        prop_assert_eq!(lengths_by_id(&before), lengths_by_id(&after));
    }

    #[test]
    fn a_line_added_elsewhere_changes_no_identifier(n in 1..5usize, wiggle in 0.0..30.0f64, east in 2000.0..40_000.0f64) {
        let mut lines = lattice(n, wiggle);
        let before = network(&lines);
        lines.insert(0, trail("far", &[&[[east, 5000.0], [east + 700.0, 5100.0]]]));
        let after = network(&lines);
        prop_assert!(ids(&before).is_subset(&ids(&after)));
    }

    #[test]
    fn translation_keeps_lengths_and_shape(lon in -180.0..180.0f64, lat in -70.0..70.0f64) {
        let plane = LocalPlane::new(LonLat::wrapped(lon, lat));
        let at = |x: f64, y: f64| plane.to_lonlat(Coord { x, y });
        let line = |name: &str, points: Vec<LonLat>| TrailLine { name: name.to_owned(), parts: vec![points] };
        let network = network(&[
            line("a", vec![at(-300.0, 10.0), at(0.0, -20.0), at(400.0, 40.0)]),
            line("b", vec![at(20.0, -500.0), at(35.0, 500.0)]),
            line("c", vec![at(200.0, 400.0), at(38.0, 400.0)]),
        ]);
        prop_assert_eq!(network.pieces.len(), 6);
        let expected = 90_900f64.sqrt() + 163_600f64.sqrt() + 1_000_225f64.sqrt() + 162.0 + 38.0 - 33.5;
        prop_assert!((network.length_m() - expected).abs() < 0.01, "{}", network.length_m());
    }

    #[test]
    fn random_tangles_keep_their_length(points in prop::collection::vec((-500.0..500.0f64, -500.0..500.0f64), 2..40)) {
        let points: Vec<[f64; 2]> = points.into_iter().map(|(x, y)| [x, y]).collect();
        // A leg that passes a few centimetres beside the end of another may be one path with it for a long way.
        prop_assume!(least_clearance_m(&points) > 0.1);
        let line = trail("a", &[&points]);
        let params = NetworkParams { tolerance_m: 0.0, ..NetworkParams::default() };
        let network = build(std::slice::from_ref(&line), &params).unwrap();
        check_invariants(&network);
        // Legs that leave a vertex at a sharp angle are one path while they are within a centimetre of each other.
        let lost_m = length_m(&line.parts[0]) - network.length_m();
        prop_assert!((-0.1..0.01 * network.length_m()).contains(&lost_m), "{lost_m}");
    }
}

/// The least distance of a vertex from a leg that does not end in it.
fn least_clearance_m(points: &[[f64; 2]]) -> f64 {
    let from_leg = |point: [f64; 2], leg: &[[f64; 2]]| {
        let (along, to) =
            ([leg[1][0] - leg[0][0], leg[1][1] - leg[0][1]], [point[0] - leg[0][0], point[1] - leg[0][1]]);
        let squared = along[0].powi(2) + along[1].powi(2);
        let share = ((along[0] * to[0] + along[1] * to[1]) / squared).clamp(0.0, 1.0);
        (to[0] - share * along[0]).hypot(to[1] - share * along[1])
    };
    let legs = || points.windows(2).enumerate();
    let of_vertex = |(vertex, point): (usize, &[f64; 2])| {
        legs()
            .filter(move |(leg, _)| *leg != vertex && leg + 1 != vertex)
            .map(move |(_, leg)| from_leg(*point, leg))
            .fold(f64::INFINITY, f64::min)
    };
    points.iter().enumerate().map(of_vertex).fold(f64::INFINITY, f64::min)
}

#[test]
fn a_leg_that_passes_beside_the_end_of_another_is_one_path_with_it() {
    // The third point lies 3 cm beside the last leg, which leaves the fourth at an angle of a minute of arc.
    let points =
        [[-269.087, -152.342], [0.0, 483.989], [-135.969, -199.655], [-481.379, 8.583], [109.097, -347.428]];
    assert!(least_clearance_m(&points) < 0.1);
    let line = trail("a", &[&points]);
    let params = NetworkParams { tolerance_m: 0.0, ..NetworkParams::default() };
    let network = build(std::slice::from_ref(&line), &params).unwrap();
    check_invariants(&network);
    let lost_m = length_m(&line.parts[0]) - network.length_m();
    assert!((100.0..403.4).contains(&lost_m), "{lost_m}");
}
