//! Party sizes by trail: large parties go one way and small ones another.

use super::*;

/// Parties of one size that choose alike.
struct Kind {
    /// People in each.
    size: u32,
    /// Parties that start at each trailhead, on average.
    n_parties: f64,
    habits: Habits,
}

/// What parties walked.
struct Walked {
    party_km: Vec<f64>,
    /// Passages of people and of parties, by segment.
    people: Vec<f64>,
    parties: Vec<f64>,
    /// Passages of people by segment and hour, for counters.
    by_hour: Vec<Vec<u32>>,
    /// People over parties who started, by trailhead.
    size_at: Vec<f64>,
}

impl Walked {
    fn simulate(park: &Park, kinds: &[Kind], rng: &mut Stream) -> Self {
        let n = park.graph.n_edges();
        let mut walked = Self {
            party_km: vec![0.0; n],
            people: vec![0.0; n],
            parties: vec![0.0; n],
            by_hour: vec![vec![0; (N_DAYS * 24) as usize]; n],
            size_at: Vec::new(),
        };
        for head in &park.trailheads {
            let rule = ReachRule { reach_m: 30_000.0, distance_shape: 1.5 };
            let reach = Reach::of(&park.graph, &park.trail_of, head.vertex, &rule);
            let (mut people, mut parties) = (0.0, 0.0);
            for kind in kinds {
                let mut flow = Flow::default();
                propagate(&reach, &kind.habits, &mut flow);
                let n_parties: f64 = Poisson::new(kind.n_parties).unwrap().sample(rng);
                parties += n_parties;
                people += n_parties * f64::from(kind.size);
                for _ in 0..n_parties as usize {
                    let hour = start_hour(rng);
                    for (edge, _) in draw_path(&reach, &kind.habits, &flow, rng).legs {
                        let segment = reach.edges[edge].segment;
                        walked.party_km[segment] += 0.1;
                        walked.people[segment] += f64::from(kind.size);
                        walked.parties[segment] += 1.0;
                        walked.by_hour[segment][hour] += kind.size;
                    }
                }
            }
            walked.size_at.push(people / parties);
        }
        walked
    }

    /// People over parties met on a trail, and its party-kilometres.
    fn on(&self, park: &Park, trail: usize) -> (f64, f64) {
        let sum = |of: &[f64]| {
            of.iter().zip(&park.trail_of).filter(|(_, on)| **on == trail).map(|(it, _)| it).sum::<f64>()
        };
        (sum(&self.people) / sum(&self.parties), sum(&self.party_km))
    }
}

fn measured(mean: f64) -> Option<PartySize> {
    Some(PartySize { mean, standard_error: 0.03 * mean })
}

fn km_on(field: &ExposureField, park: &Park, trail: usize) -> DrawSummary {
    DrawSummary::of((0..field.n_draws).map(|draw| {
        let km = field.draw(draw).iter().zip(&park.trail_of);
        km.filter(|(_, on)| **on == trail).map(|(km, _)| km).sum()
    }))
}

#[test]
fn parties_that_differ_by_trail_need_sizes_by_trail() {
    let mut park = park();
    let habits = |spur: f64, ring: f64| Habits::new(vec![1.0, spur, ring], 2500.0, 1.5, 0.5);
    // Families go down the spur, those who walk alone round the ring.
    let kinds = [
        Kind { size: 6, n_parties: 900.0, habits: habits(8.0, 0.1) },
        Kind { size: 1, n_parties: 5_000.0, habits: habits(0.2, 4.0) },
    ];
    let mut rng = stream(41, 0);
    let walked = Walked::simulate(&park, &kinds, &mut rng);
    let counters: Vec<Counter> = EVERYWHERE
        .iter()
        .map(|segment| device(*segment, &walked.by_hour[*segment], 1.25, &mut rng))
        .collect();
    for (head, mean) in park.trailheads.iter_mut().zip(&walked.size_at) {
        head.party_size = measured(*mean);
    }
    let by_head = field(&park, &counters, &params(200));
    for trail in [1, 2] {
        park.trails[trail].party_size = measured(walked.on(&park, trail).0);
    }
    let by_trail = field(&park, &counters, &params(200));
    for trail in [1, 2] {
        let (size, truth) = walked.on(&park, trail);
        let (naive, right) = (km_on(&by_head, &park, trail), km_on(&by_trail, &park, trail));
        let words = format!("trail {trail}, parties of {size:.2}: {truth:.0} km, {naive:?}, {right:?}");
        assert!(right.lower < truth && truth < right.upper, "{words}");
        // Calibration from 600 passages leaves about 6 %, the model 10 % at each counter.
        assert!((right.mean / truth).ln().abs() < 0.15, "{words}");
        // The naive way: the walkers of both trails in the parties of the trailhead.
        let is_outside = if trail == 1 { naive.lower > truth } else { naive.upper < truth };
        assert!(is_outside, "{words}");
    }
    // The main trail has no size of its own, and nothing of it changes: nor of who started.
    for draw in 0..200 {
        assert_eq!(by_head.draw(draw)[MAIN], by_trail.draw(draw)[MAIN]);
    }
    assert_eq!((by_head.walkers, by_head.parties), (by_trail.walkers, by_trail.parties));
    assert_eq!(by_head.provenance, by_trail.provenance);
}

#[test]
fn all_segments_of_a_trail_share_one_draw_of_its_size() {
    let mut park = park();
    let (_, counters) = planted(&park, &EVERYWHERE[..3], 42);
    let plain = field(&park, &counters, &params(60));
    assert!(plain.trail_sizes.iter().all(Option::is_none) && plain.parties_on(1, 0) == 1.0);
    park.trails[1].party_size = Some(PartySize { mean: 4.0, standard_error: 0.4 });
    let with_spur = field(&park, &counters, &params(60));
    let sizes = with_spur.trail_sizes[1].clone().unwrap();
    let of_draws = DrawSummary::of(sizes.iter().copied());
    assert!((of_draws.mean - 4.0).abs() < 0.2 && of_draws.upper - of_draws.lower > 1.0, "{of_draws:?}");
    for (draw, size) in sizes.iter().enumerate() {
        let (before, after) = (plain.draw(draw), with_spur.draw(draw));
        for segment in SPUR {
            // Both trailheads have parties of two, known exactly.
            let expected = before[segment] * 2.0 / size;
            assert!((after[segment] - expected).abs() < 1e-9 * expected, "{segment} in draw {draw}");
        }
        assert_eq!((&before[MAIN], &before[RING]), (&after[MAIN], &after[RING]));
    }
    // Another trail's size moves nothing on the spur, and of two sizes each takes its own number.
    park.trails[2].party_size = Some(PartySize { mean: 4.0, standard_error: 0.4 });
    let with_both = field(&park, &counters, &params(60));
    assert_eq!(with_both.trail_sizes[1].as_ref(), Some(&sizes));
    assert_ne!(with_both.trail_sizes[2].as_ref(), Some(&sizes));
    let bad = PartySize { mean: 0.5, standard_error: 0.0 };
    park.trails[2].party_size = Some(bad);
    let evidence =
        Evidence { counters: &counters, places: &[], period: period(), closed: &Closings::default() };
    assert!(expose(&park.network(), &evidence, &params(10)).unwrap_err().to_string().contains("trail ring"));
}
