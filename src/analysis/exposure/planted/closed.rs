//! Planted truth of a trail that was closed for half of the time, with a counter on it that reads zeros and without one.

use super::*;
use crate::analysis::exposure::closures::{closed_shares, left, passed_share};

/// First and last hour of the study in which the spur is closed: the third to the sixth week of eight.
const CLOSED: std::ops::Range<usize> = 14 * 24..42 * 24;

/// People who would walk the spur while it is closed turn round at the junction; all else is as in [`simulate`].
fn simulate_closed(park: &Park, rng: &mut Stream) -> (Vec<f64>, Vec<Vec<u32>>) {
    let habits = Habits::new(vec![1.0, 1.0, 1.0], 2500.0, 1.5, 0.5);
    let mut party_km = vec![0.0; park.graph.n_edges()];
    let mut passages = vec![vec![0u32; (N_DAYS * 24) as usize]; park.graph.n_edges()];
    for (head, volume) in park.trailheads.iter().zip([6000.0, 2500.0]) {
        let rule = ReachRule { reach_m: 30_000.0, distance_shape: 1.5 };
        let reach = Reach::of(&park.graph, &park.trail_of, head.vertex, &rule);
        let mut flow = Flow::default();
        propagate(&reach, &habits, &mut flow);
        let walkers: f64 = Poisson::new(volume).unwrap().sample(rng);
        for _ in 0..walkers as usize {
            let hour = start_hour(rng);
            for (edge, _) in draw_path(&reach, &habits, &flow, rng).legs {
                let segment = reach.edges[edge].segment;
                if SPUR.contains(&segment) && CLOSED.contains(&hour) {
                    continue;
                }
                party_km[segment] += 0.1 / 2.0;
                passages[segment][hour] += 1;
            }
        }
    }
    (party_km, passages)
}

fn closure() -> TimeRange {
    TimeRange { from_s: CLOSED.start as i64 * 3600, to_s: CLOSED.end as i64 * 3600 }
}

/// By draw, the share of the walking that falls outside the closure.
fn open_share(field: &ExposureField) -> Vec<f64> {
    let local = |hour: usize| {
        let (year, month, day) = FIRST;
        date(year, month, day).at(0, 0, 0, 0).saturating_add((hour as i64).hours())
    };
    let closed = closed_shares(&period(), &field.time.cells, &[(local(CLOSED.start), local(CLOSED.end))]);
    field.time.share_kept(&closed.iter().map(|closed| 1.0 - closed).collect::<Vec<f64>>())
}

/// The field with the closure taken off, but for the share of those who walk all the same, and that share.
fn taken_off(mut field: ExposureField, park: &Park, at_spur: usize) -> (ExposureField, f64) {
    let fit = field.counters.iter().find(|fit| fit.counter == at_spur).unwrap();
    let passed = passed_share(fit.observed_closed, fit.expected_closed);
    let open = open_share(&field).iter().map(|open| left(*open, 1.0, passed)).collect();
    field.keep_open(&park.trail_of, &[None, Some(open), None]);
    (field, passed)
}

fn on_spur(field: &ExposureField) -> DrawSummary {
    DrawSummary::of((0..field.n_draws).map(|draw| field.draw(draw)[SPUR].iter().sum()))
}

fn devices(segments: &[usize], passages: &[Vec<u32>], rng: &mut Stream) -> Vec<Counter> {
    segments.iter().map(|segment| device(*segment, &passages[*segment], 1.25, rng)).collect()
}

#[test]
fn zeros_of_a_closed_trail_are_zeros_only_where_the_closure_is_known() {
    let park = park();
    for seed in [51, 52, 53] {
        let mut rng = stream(seed, 0);
        let (walked, passages) = simulate_closed(&park, &mut rng);
        let mut counters = devices(&EVERYWHERE, &passages, &mut rng);
        let truth: f64 = walked[SPUR].iter().sum();
        let without = field(&park, &counters, &params(200));
        let at_spur = EVERYWHERE.iter().position(|segment| SPUR.contains(segment)).unwrap();
        assert!(without.readings[at_spur].outage > 27 * 24, "the zeros pass for an outage");
        counters[at_spur].closures.push(closure());
        let with = field(&park, &counters, &params(200));
        assert_eq!(with.readings[at_spur].outage, 0);
        let (with, passed) = taken_off(with, &park, at_spur);
        assert_eq!(passed, 0.0);
        let (naive, right) = (on_spur(&without), on_spur(&with));
        let words = format!("seed {seed}: {truth:.0} km, {naive:?}, {right:?}");
        assert!(right.lower < truth && truth < right.upper, "{words}");
        // Calibration from 600 passages leaves about 6 %, the model 10 % at each counter.
        assert!((right.mean / truth).ln().abs() < 0.2, "{words}");
        // The naive way: walkers of the time that was open fill the time that was closed.
        assert!(naive.lower > truth && naive.mean > 1.6 * truth, "{words}");
    }
}

#[test]
fn without_a_counter_the_open_share_of_the_walking_is_left() {
    let park = park();
    let mut rng = stream(54, 0);
    let (walked, passages) = simulate_closed(&park, &mut rng);
    let elsewhere: Vec<usize> = EVERYWHERE.into_iter().filter(|segment| !SPUR.contains(segment)).collect();
    let counters = devices(&elsewhere, &passages, &mut rng);
    let before = field(&park, &counters, &params(200));
    let mut after = before.clone();
    let open = open_share(&before);
    // Half of the weeks, all alike; the profile of each draw says it a little otherwise.
    assert!(open.iter().all(|share| (share - 0.5).abs() < 0.1), "{open:?}");
    after.keep_open(&park.trail_of, &[None, Some(open.clone()), None]);
    for (draw, open) in open.iter().enumerate() {
        for (segment, (was, is)) in before.draw(draw).iter().zip(after.draw(draw)).enumerate() {
            let expected = if SPUR.contains(&segment) { was * open } else { *was };
            assert_eq!(*is, expected, "segment {segment} in draw {draw}");
        }
    }
    let truth: f64 = walked[SPUR].iter().sum();
    let (naive, right) = (on_spur(&before), on_spur(&after));
    let words = format!("{truth:.0} km, {naive:?}, {right:?}");
    assert!(right.lower < truth && truth < right.upper, "{words}");
    assert!((right.median / truth).ln().abs() < 0.35 && naive.median > 1.5 * truth, "{words}");
    assert_eq!(after.provenance, before.provenance);

    // Closed all the time, nobody walks there.
    let mut never = before.clone();
    never.keep_open(&park.trail_of, &[None, Some(vec![0.0; never.n_draws]), None]);
    assert!(SPUR.clone().all(|segment| never.provenance[segment] == Provenance::NotWalked));
    assert_eq!(on_spur(&never).upper, 0.0);
}

/// The counter stands on the spur in four of the eight weeks, two of them closed. Then a quarter of the walkers go there all the same.
#[test]
fn a_counter_that_stood_there_for_a_while_speaks_of_the_open_time() {
    let park = park();
    for seed in [61, 62] {
        let mut rng = stream(seed, 0);
        let (walked, mut passages) = simulate_closed(&park, &mut rng);
        let truth: f64 = walked[SPUR].iter().sum();
        let at_spur = EVERYWHERE.iter().position(|segment| SPUR.contains(segment)).unwrap();
        let stood = 0..28 * 24;
        let of = |counters: &mut [Counter]| {
            counters[at_spur].bins.truncate(stood.len());
            counters[at_spur].closures.push(closure());
        };
        let mut counters = devices(&EVERYWHERE, &passages, &mut rng);
        of(&mut counters);
        let before = field(&park, &counters, &params(200));
        let (after, passed) = taken_off(before.clone(), &park, at_spur);
        let (naive, right) = (on_spur(&before), on_spur(&after));
        let words = format!("seed {seed}: {truth:.0} km, {naive:?}, {right:?}");
        assert_eq!(passed, 0.0);
        assert!(right.lower < truth && truth < right.upper, "{words}");
        assert!((right.mean / truth).ln().abs() < 0.25 && naive.mean > 1.6 * truth, "{words}");

        // For four passages in two open weeks there is one in two closed weeks.
        let segment = EVERYWHERE[at_spur];
        let open: u32 = passages[segment][..CLOSED.start].iter().sum();
        let hours: Vec<usize> = CLOSED.filter(|hour| (8..16).contains(&(hour % 24))).collect();
        let n_added = open as usize / 4 * 2;
        (0..n_added).for_each(|nth| passages[segment][hours[nth * hours.len() / n_added]] += 1);
        let mut counters = devices(&EVERYWHERE, &passages, &mut rng);
        of(&mut counters);
        let before = field(&park, &counters, &params(200));
        let (after, passed) = taken_off(before.clone(), &park, at_spur);
        assert!((passed - 0.25).abs() < 0.08, "seed {seed}: {passed}");
        let share = on_spur(&after).mean / on_spur(&before).mean;
        assert!((share - (0.5 + 0.5 * passed)).abs() < 0.05, "seed {seed}: {share} {passed}");
    }
}
