use super::*;
use crate::analysis::network::{Network, NetworkParams, TrailLine, build};
use crate::analysis::plane::LocalPlane;
use crate::analysis::plane::nearest_on_line;
use geo::Coord;
use proptest::prelude::*;

fn at(x: f64, y: f64) -> LonLat {
    LocalPlane::new(LonLat::wrapped(-112.1, 36.1)).to_lonlat(Coord { x, y })
}

fn line(name: &str, points: &[[f64; 2]]) -> TrailLine {
    let part = points.iter().map(|p| at(p[0], p[1])).collect();
    TrailLine { name: name.to_owned(), parts: vec![part] }
}

/// Two straight trails 40 m apart, and one crossing both.
fn ladder() -> Network {
    let lines = [
        line("south", &[[-500.0, 0.0], [500.0, 0.0]]),
        line("north", &[[-500.0, 40.0], [500.0, 40.0]]),
        line("rung", &[[300.0, -400.0], [300.0, 400.0]]),
    ];
    build(&lines, &NetworkParams::default()).unwrap()
}

fn record(x: f64, y: f64, sigma_m: f64) -> RecordPosition {
    RecordPosition {
        position: at(x, y),
        sigma: sigma_from_accuracy(Some(sigma_m), AccuracyMeaning::StandardDeviation),
        precision: Precision::AsMeasured,
    }
}

fn on_trail(snap: Snap) -> OnTrail {
    match snap {
        Snap::OnTrail(on_trail) => on_trail,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_record_midway_between_two_trails_is_ambiguous() {
    let network = ladder();
    let index = SnapIndex::new(&network);
    let params = SnapParams::default();
    let midway = on_trail(index.snap(&record(-230.0, 20.0, 10.0), None, &params).unwrap());
    assert!(midway.is_ambiguous);
    let near = on_trail(index.snap(&record(-230.0, 2.0, 4.0), None, &params).unwrap());
    assert!(!near.is_ambiguous);
    let trail = network.segments[near.candidates[0].nearest.segment_idx].trail_idx;
    assert_eq!(trail, 0);
    assert!((near.candidates[0].nearest.distance_m - 2.0).abs() < 1e-3);
}

#[test]
fn a_prior_decides_between_trails() {
    let network = ladder();
    let index = SnapIndex::new(&network);
    let params = SnapParams::default();
    let prior: Vec<f64> = network.segments.iter().map(|s| if s.trail_idx == 1 { 3.0 } else { 1.0 }).collect();
    let midway = record(-230.0, 20.0, 10.0);
    let share_north = |snap: OnTrail| -> f64 {
        let on_north = |c: &&Candidate| network.segments[c.nearest.segment_idx].trail_idx == 1;
        snap.candidates.iter().filter(on_north).map(|c| c.weight).sum()
    };
    assert!((share_north(on_trail(index.snap(&midway, None, &params).unwrap())) - 0.5).abs() < 1e-6);
    let informed = on_trail(index.snap(&midway, Some(&prior), &params).unwrap());
    assert_eq!(informed.prior, PriorUse::Given);
    assert!((share_north(informed) - 0.75).abs() < 1e-6);
    let zero = vec![0.0; prior.len()];
    let fallback = on_trail(index.snap(&midway, Some(&zero), &params).unwrap());
    assert_eq!(fallback.prior, PriorUse::GivenWasZero);
}

#[test]
fn far_records_are_off_trail_with_their_distance() {
    let network = ladder();
    let index = SnapIndex::new(&network);
    let params = SnapParams::default();
    let snap = |y: f64, sigma| index.snap(&record(-230.0, y, sigma), None, &params).unwrap();
    let Snap::OffTrail { nearest_m: Some(nearest_m) } = snap(-60.0, 5.0) else { panic!() };
    assert!((nearest_m - 60.0).abs() < 1e-2);
    assert!(matches!(snap(-60.0, 25.0), Snap::OnTrail(_)));
    assert_eq!(snap(-9000.0, 5.0), Snap::OffTrail { nearest_m: None });
    assert_eq!(
        index.snap(
            &RecordPosition { position: LonLat::wrapped(60.0, -30.0), ..record(0.0, 0.0, 5.0) },
            None,
            &params
        ),
        Ok(Snap::OffTrail { nearest_m: None })
    );
}

#[test]
fn vague_records_keep_their_trail() {
    let network = ladder();
    let index = SnapIndex::new(&network);
    let params = SnapParams::default();
    let Snap::TooVague { trails } = index.snap(&record(-230.0, 0.0, 51.0), None, &params).unwrap() else {
        panic!()
    };
    assert_eq!(trails.iter().map(|t| t.trail_idx).collect::<Vec<_>>(), [0, 1]);
    assert!((trails.iter().map(|t| t.weight).sum::<f64>() - 1.0).abs() < 1e-12);
    let generalised = RecordPosition { precision: Precision::Generalised, ..record(0.0, -3000.0, 5.0) };
    assert_eq!(index.snap(&generalised, None, &params), Ok(Snap::TooVague { trails: Vec::new() }));
}

#[test]
fn a_place_with_visits_comes_before_a_trail_and_one_without_after_it() {
    let network = ladder();
    let ground = |x: f64, y: f64, has_visits| PlaceGround {
        area: PlaceArea::Circle { centre: at(x, y), radius_m: 30.0 },
        has_visits,
    };
    let places = [ground(0.0, 0.0, true), ground(-230.0, -45.0, false)];
    let index = SnapIndex::new(&network).with_places(&places);
    let params = SnapParams::default();
    let snap = |x: f64, y: f64| index.snap(&record(x, y, 5.0), None, &params).unwrap();
    assert_eq!(snap(25.0, 1.0), Snap::AtPlace { place_idx: 0 });
    assert!(matches!(snap(35.0, 1.0), Snap::OnTrail(_)));
    assert!(matches!(snap(-230.0, -40.0), Snap::OnTrail(_)));
    assert_eq!(snap(-230.0, -60.0), Snap::AtPlace { place_idx: 1 });
}

/// A camp over a whole segment and half a metre of the next, and one over a spur: what is met just beyond the outline is not heaped on
/// the half metre, nor on a segment where nobody is said to walk.
#[test]
fn what_lies_inside_places_draws_nothing_from_outside() {
    let network = ladder();
    let whole = SnapIndex::new(&network);
    let of = |x: f64| whole.nearest(whole.plane().to_plane(at(x, 0.0)), 5.0).unwrap().segment_idx;
    let (cut, next) = (of(-251.0), of(-349.0));
    let ends = |segment: usize| {
        let planar = &network.segments[segment].planar;
        let centre = whole.plane().to_plane(at(0.0, 0.0));
        [planar.first().unwrap().x - centre.x, planar.last().unwrap().x - centre.x]
    };
    let [a, b] = ends(cut);
    let (west, east) = (a.min(b), a.max(b));
    assert_ne!(cut, next);
    // All of the segment but its western half metre.
    let camp = PlaceGround {
        area: PlaceArea::Polygon {
            exterior: vec![at(west + 0.5, -20.0), at(east, -20.0), at(east, 20.0), at(west + 0.5, 20.0)],
            holes: Vec::new(),
            tolerance_m: 0.0,
        },
        has_visits: true,
    };
    let index = SnapIndex::new(&network).with_places(std::slice::from_ref(&camp));
    let outside = index.outside_places();
    assert!(outside[cut] > 0.0 && outside[cut] < 0.02, "{}", outside[cut]);
    // Walking is even outside the camp: 10 m west of it nine tenths and more belong to the next segment.
    let tied = on_trail(index.snap(&record(west - 10.0, 0.0, 8.0), None, &SnapParams::default()).unwrap());
    let weight = |segment: usize| {
        tied.candidates.iter().find(|it| it.nearest.segment_idx == segment).map_or(0.0, |it| it.weight)
    };
    assert!(weight(cut) < 0.05 && weight(next) > 0.9, "{:?}", tied.candidates);
    // Wholly inside: beside it there is nothing but the camp.
    let all = PlaceGround {
        area: PlaceArea::Circle { centre: at(-250.0, 0.0), radius_m: 5_000.0 },
        has_visits: true,
    };
    let index = SnapIndex::new(&network).with_places(&[all]);
    assert!(index.outside_places().iter().all(|share| *share == 0.0));
    let beyond = index.snap(&record(-250.0, -5_010.0, 4.0), None, &SnapParams::default()).unwrap();
    assert!(matches!(beyond, Snap::OffTrail { .. }), "{beyond:?}");
    // Too vague for a segment, but measured inside: no trail takes it.
    let vague = index.snap(&record(-250.0, 10.0, 80.0), None, &SnapParams::default()).unwrap();
    assert_eq!(vague, Snap::TooVague { trails: Vec::new() });
}

#[test]
fn a_record_beside_a_trail_inside_a_place_belongs_to_the_place() {
    let network = ladder();
    let camp = PlaceGround {
        area: PlaceArea::Polygon {
            exterior: vec![at(-2_000.0, -8.0), at(2_000.0, -8.0), at(2_000.0, 8.0), at(-2_000.0, 8.0)],
            holes: Vec::new(),
            tolerance_m: 0.0,
        },
        has_visits: true,
    };
    let index = SnapIndex::new(&network).with_places(&[camp]);
    let snap = |y: f64| index.snap(&record(-230.0, y, 5.0), None, &SnapParams::default()).unwrap();
    assert_eq!(snap(-12.0), Snap::AtPlace { place_idx: 0 });
    assert!(matches!(snap(-80.0), Snap::OffTrail { .. }));
}

/// A car park over the middle of the south trail, snakes met evenly along it: with the metres inside the car park under
/// the counts, the segment there seems to be far below the others.
#[test]
fn walking_inside_places_with_visits_is_not_under_what_is_met_outside() {
    use crate::analysis::random::stream;
    use rand::RngExt;
    use rand_distr::{Distribution, Normal};
    let network = ladder();
    let park =
        PlaceGround { area: PlaceArea::Circle { centre: at(-250.0, 0.0), radius_m: 35.0 }, has_visits: true };
    let index = SnapIndex::new(&network).with_places(&[park]);
    let outside = index.outside_places();
    let through = index.nearest(index.plane().to_plane(at(-250.0, 0.0)), 5.0).unwrap().segment_idx;
    let touched: Vec<usize> = (0..outside.len()).filter(|segment| outside[*segment] < 1.0).collect();
    assert!(touched.contains(&through), "{touched:?}");
    let inside_m: f64 = touched.iter().map(|it| (1.0 - outside[*it]) * network.segments[*it].length_m).sum();
    assert!((inside_m - 70.0).abs() < 1.5, "{inside_m}");
    let mut rng = stream(5, 0);
    let error = Normal::new(0.0, 4.0).unwrap();
    let mut counts = vec![0.0; network.segments.len()];
    let (mut on_segments, mut n_at_place) = (0.0, 0.0);
    let south: Vec<usize> = (0..counts.len()).filter(|it| network.segments[*it].trail_idx == 0).collect();
    for _ in 0..20_000 {
        let x = rng.random_range(-400.0..-100.0);
        let stated = record(x + error.sample(&mut rng), error.sample(&mut rng), 4.0);
        match index.snap(&stated, None, &SnapParams::default()).unwrap() {
            Snap::AtPlace { .. } => n_at_place += 1.0,
            Snap::OnTrail(tied) => {
                tied.candidates.iter().for_each(|it| counts[it.nearest.segment_idx] += it.weight);
                on_segments += 1.0;
            }
            other => panic!("{other:?}"),
        }
    }
    assert!((n_at_place / 20_000.0 - inside_m / 300.0).abs() < 0.01, "{n_at_place}");
    let flat = on_segments / (300.0 - inside_m);
    // The segments of the south trail that lie wholly where snakes were met.
    let whole = south.iter().filter(|it| {
        let ends = &network.segments[**it].planar;
        let x = |end: Option<&geo::Coord<f64>>| network.plane.to_lonlat(*end.unwrap());
        let metres = |end| index.plane().to_plane(x(end)).x - index.plane().to_plane(at(0.0, 0.0)).x;
        let (a, b) = (metres(ends.first()), metres(ends.last()));
        a.min(b) >= -401.0 && a.max(b) <= -99.0
    });
    let mut n_whole = 0;
    for segment in whole {
        n_whole += 1;
        let length_m = network.segments[*segment].length_m;
        let right = counts[*segment] / (length_m * outside[*segment]) / flat;
        assert!((right - 1.0).abs() < 0.08, "{segment}: {right}");
        let naive = counts[*segment] / length_m / flat;
        assert_eq!(naive < 0.85, outside[*segment] < 0.85, "{segment}: {naive}");
    }
    assert!(n_whole >= 2, "{n_whole}");
}

#[test]
fn a_bias_is_taken_off_the_stated_position() {
    let network = ladder();
    let index = SnapIndex::new(&network);
    let error = PositionError { bias_m: [0.0, 40.0], ..PositionError::default() };
    let params = SnapParams { error, ..SnapParams::default() };
    let snap = on_trail(index.snap(&record(-230.0, 40.0, 4.0), None, &params).unwrap());
    assert_eq!(network.segments[snap.candidates[0].nearest.segment_idx].trail_idx, 0);
}

#[test]
fn bad_priors_and_params_are_refused() {
    let network = ladder();
    let index = SnapIndex::new(&network);
    let params = SnapParams::default();
    let snap = |prior: &[f64], params| index.snap(&record(0.0, 0.0, 5.0), Some(prior), params);
    let n_segments = network.segments.len();
    assert_eq!(snap(&[1.0], &params), Err(SnapError::PriorLength { n_values: 1, n_segments }));
    assert!(matches!(snap(&vec![-1.0; n_segments], &params), Err(SnapError::PriorValue { .. })));
    let bad = SnapParams { search_m: f64::NAN, ..params };
    assert_eq!(snap(&vec![1.0; n_segments], &bad), Err(SnapError::Params));
}

#[test]
fn weights_recover_planted_places() {
    // Records made on the south trail with normal errors of 15 m: the weights are calibrated when the mean weight of the
    // south trail equals the share that truly came from it, with one in four records made on the north trail.
    use crate::analysis::random::stream;
    use rand::RngExt;
    use rand_distr::{Distribution, Normal};
    let network = ladder();
    let index = SnapIndex::new(&network);
    let error = PositionError { model: ErrorModel::Normal, bias_m: [0.0, 0.0] };
    let params = SnapParams { error, ..SnapParams::default() };
    let prior: Vec<f64> = network.segments.iter().map(|s| [3.0, 1.0, 0.0][s.trail_idx]).collect();
    let noise = Normal::new(0.0, 15.0).unwrap();
    let mut rng = stream(3, 0);
    let mut bins = [(0.0f64, 0.0f64, 0.0f64); 4];
    for _ in 0..8000 {
        let is_south = rng.random::<f64>() < 0.75;
        let (x, y) = (rng.random_range(-300.0..100.0), if is_south { 0.0 } else { 40.0 });
        let record = record(x + noise.sample(&mut rng), y + noise.sample(&mut rng), 15.0);
        let Snap::OnTrail(snap) = index.snap(&record, Some(&prior), &params).unwrap() else { continue };
        let on_south = |c: &&Candidate| network.segments[c.nearest.segment_idx].trail_idx == 0;
        let weight: f64 = snap.candidates.iter().filter(on_south).map(|c| c.weight).sum();
        let bin = &mut bins[(weight * 4.0).min(3.0) as usize];
        *bin = (bin.0 + 1.0, bin.1 + weight, bin.2 + f64::from(u8::from(is_south)));
    }
    for (n, weight, truth) in bins {
        assert!(n > 100.0 && (weight - truth).abs() < 4.0 * n.sqrt() / 2.0, "{n} {weight} {truth}");
    }
}

#[test]
fn the_nearest_of_many_points_is_that_of_a_search_through_all_segments() {
    use crate::analysis::random::stream;
    use rand::RngExt;
    let network = ladder();
    let index = SnapIndex::new(&network);
    let mut rng = stream(5, 0);
    let points: Vec<Coord<f64>> = (0..5000)
        .map(|_| Coord { x: rng.random_range(-900.0..900.0), y: rng.random_range(-900.0..900.0) })
        .collect();
    let distance_m = |point: Coord<f64>, [a, b]: [Coord<f64>; 2]| {
        let (dx, dy) = (b.x - a.x, b.y - a.y);
        let share = (((point.x - a.x) * dx + (point.y - a.y) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
        (point.x - a.x - share * dx).hypot(point.y - a.y - share * dy)
    };
    for (point, found) in points.iter().zip(index.nearest_within(&points, 300.0)) {
        let edges = network.segments.iter().flat_map(|s| s.planar.windows(2));
        let least_m = edges.map(|e| distance_m(*point, [e[0], e[1]])).fold(f64::INFINITY, f64::min);
        match found {
            Some(nearest) => assert!((nearest.distance_m - least_m).abs() < 1e-9),
            None => assert!(least_m > 300.0),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn weights_sum_to_one_and_fall(x in -550.0..550.0f64, y in -440.0..440.0f64, sigma in 0.5..50.0f64) {
        let index = SnapIndex::new(&ladder());
        for model in [ErrorModel::Normal, ErrorModel::StudentT4] {
            let error = PositionError { model, bias_m: [0.0, 0.0] };
            let params = SnapParams { error, ..SnapParams::default() };
            if let Snap::OnTrail(snap) = index.snap(&record(x, y, sigma), None, &params).unwrap() {
                let sum: f64 = snap.candidates.iter().map(|c| c.weight).sum();
                prop_assert!((sum - 1.0).abs() < 1e-12);
                prop_assert!(snap.candidates.windows(2).all(|c| c[0].weight >= c[1].weight));
                prop_assert!(snap.candidates.iter().all(|c| c.weight > 0.0));
            }
        }
    }

    #[test]
    fn the_nearest_segment_is_the_geodesic_one(x in -600.0..600.0f64, y in -500.0..500.0f64, max in 1.0..600.0f64) {
        let network = ladder();
        let index = SnapIndex::new(&network);
        let position = at(x, y);
        let by_geodesics = network
            .segments
            .iter()
            .filter_map(|s| nearest_on_line(position, &s.geometry))
            .min_by(|a, b| a.distance_m.total_cmp(&b.distance_m))
            .unwrap();
        let found = index.nearest_within(&[index.plane().to_plane(position)], max)[0];
        match found {
            Some(nearest) => {
                prop_assert!((nearest.distance_m - by_geodesics.distance_m).abs() < 1e-3);
                let own = nearest_on_line(position, &network.segments[nearest.segment_idx].geometry).unwrap();
                prop_assert!((own.along_m - nearest.along_m).abs() < 1e-2);
            }
            None => prop_assert!(by_geodesics.distance_m > max - 1e-3),
        }
    }
}

/// The search once never ended where the square of a distance's root rounds below the distance.
#[test]
fn the_search_for_the_nearest_segment_ends_wherever_it_starts() {
    let index = SnapIndex::new(&ladder());
    for step in 0..4000 {
        let (x, y) = (f64::from(step).mul_add(0.731, -1300.0), f64::from(step % 977).mul_add(1.37, 60.0));
        assert!(index.nearest(Coord { x, y }, 5000.0).is_some(), "{x} {y}");
    }
}
