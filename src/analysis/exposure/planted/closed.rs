//! Planted truth of a trail, and a trailhead, that were closed for half of the time, with a counter on it that reads zeros and without one.

use super::*;
use crate::analysis::exposure::closures::Openness;
use jiff::civil::DateTime;

/// Hours of the study in which the spur is closed: the third to the sixth week of eight.
const CLOSED: std::ops::Range<usize> = 14 * 24..42 * 24;
/// Hours in which nobody starts in the west.
const NO_START: std::ops::Range<usize> = 21 * 24..49 * 24;

/// What is shut out in the simulation.
#[derive(Clone, Copy, PartialEq)]
enum Shut {
    Spur,
    SpurAndWest,
    /// The west in the third to sixth week, but for one in ten.
    West,
}

/// People who would walk the spur while it is closed turn round at the junction, and those who would start in the west while it is
/// closed stay at home; all else is as in [`simulate`].
fn simulate_closed(park: &Park, shut: Shut, rng: &mut Stream) -> (Vec<f64>, Vec<Vec<u32>>) {
    let habits = Habits::new(vec![1.0, 1.0, 1.0], 2500.0, 1.5, 0.5);
    let mut party_km = vec![0.0; park.graph.n_edges()];
    let mut passages = vec![vec![0u32; (N_DAYS * 24) as usize]; park.graph.n_edges()];
    for (idx, (head, volume)) in park.trailheads.iter().zip([6000.0, 2500.0]).enumerate() {
        let rule = ReachRule { reach_m: 30_000.0, distance_shape: 1.5 };
        let reach = Reach::of(&park.graph, &park.trail_of, head.vertex, &rule);
        let mut flow = Flow::default();
        propagate(&reach, &habits, &mut flow);
        let walkers: f64 = Poisson::new(volume).unwrap().sample(rng);
        for _ in 0..walkers as usize {
            let hour = start_hour(rng);
            let path = draw_path(&reach, &habits, &flow, rng);
            if shut == Shut::SpurAndWest && idx == 0 && NO_START.contains(&hour) {
                continue;
            }
            if shut == Shut::West && idx == 0 && CLOSED.contains(&hour) && rng.random::<f64>() > 0.1 {
                continue;
            }
            for (edge, _) in path.legs {
                let segment = reach.edges[edge].segment;
                if shut != Shut::West && SPUR.contains(&segment) && CLOSED.contains(&hour) {
                    continue;
                }
                party_km[segment] += 0.1 / 2.0;
                passages[segment][hour] += 1;
            }
        }
    }
    (party_km, passages)
}

fn range(hours: std::ops::Range<usize>) -> TimeRange {
    TimeRange { from_s: hours.start as i64 * 3600, to_s: hours.end as i64 * 3600 }
}

fn span(hours: std::ops::Range<usize>) -> Span {
    let (year, month, day) = FIRST;
    let local = |hour: usize| date(year, month, day).at(0, 0, 0, 0).saturating_add((hour as i64).hours());
    (local(hours.start), local(hours.end))
}

fn spur_closed(spans: Vec<Span>) -> Closings {
    Closings { trails: [(1, spans)].into(), ..Closings::default() }
}

fn field_with(park: &Park, counters: &[Counter], closed: &Closings) -> ExposureField {
    let evidence = Evidence { counters, places: &[], period: period(), closed };
    expose(&park.network(), &evidence, &params(200)).unwrap()
}

/// By draw, the share of the walking that falls outside the closure of the spur.
fn open_share(field: &ExposureField) -> Vec<f64> {
    let open = Openness::closed(&[span(CLOSED)], 0.0).by_cell(&period(), &field.time.cells);
    field.time.share_kept(&open)
}

fn on_spur(field: &ExposureField) -> DrawSummary {
    DrawSummary::of((0..field.n_draws).map(|draw| field.draw(draw)[SPUR].iter().sum()))
}

/// Kilometres on the spur in the hours that a predicate takes.
fn on_spur_where(field: &ExposureField, keep: impl Fn(YearMonth, usize) -> bool) -> DrawSummary {
    let km = field.km_where(keep);
    let rows = km.chunks(field.n_segments);
    DrawSummary::of(rows.map(|row| row[SPUR].iter().sum()))
}

fn devices(segments: &[usize], passages: &[Vec<u32>], rng: &mut Stream) -> Vec<Counter> {
    segments.iter().map(|segment| device(*segment, &passages[*segment], 1.25, rng)).collect()
}

#[test]
fn zeros_of_a_closed_trail_are_zeros_only_where_the_closure_is_known() {
    let park = park();
    for seed in [51, 52, 53] {
        let mut rng = stream(seed, 0);
        let (walked, passages) = simulate_closed(&park, Shut::Spur, &mut rng);
        let mut counters = devices(&EVERYWHERE, &passages, &mut rng);
        let truth: f64 = walked[SPUR].iter().sum();
        let without = field(&park, &counters, &params(200));
        let at_spur = EVERYWHERE.iter().position(|segment| SPUR.contains(segment)).unwrap();
        assert!(without.readings[at_spur].outage > 27 * 24, "the zeros pass for an outage");
        counters[at_spur].closures.push(range(CLOSED));
        let with = field_with(&park, &counters, &spur_closed(vec![span(CLOSED)]));
        assert_eq!((with.readings[at_spur].outage, with.open.passed[1].share()), (0, 0.0));
        assert!(with.open.passed[1].expected > 0.0);
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
    let (walked, passages) = simulate_closed(&park, Shut::Spur, &mut rng);
    let elsewhere: Vec<usize> = EVERYWHERE.into_iter().filter(|segment| !SPUR.contains(segment)).collect();
    let counters = devices(&elsewhere, &passages, &mut rng);
    let before = field(&park, &counters, &params(200));
    let after = field_with(&park, &counters, &spur_closed(vec![span(CLOSED)]));
    let open = open_share(&before);
    // Half of the weeks, all alike; the profile of each draw says it a little otherwise.
    assert!(open.iter().all(|share| (share - 0.5).abs() < 0.1), "{open:?}");
    for (draw, open) in open.iter().enumerate() {
        for (segment, (was, is)) in before.draw(draw).iter().zip(after.draw(draw)).enumerate() {
            match SPUR.contains(&segment) {
                true => assert!((is - was * open).abs() < 1e-9 * was, "segment {segment} in draw {draw}"),
                false => assert_eq!(is, was, "segment {segment} in draw {draw}"),
            }
        }
    }
    let truth: f64 = walked[SPUR].iter().sum();
    let (naive, right) = (on_spur(&before), on_spur(&after));
    let words = format!("{truth:.0} km, {naive:?}, {right:?}");
    assert!(right.lower < truth && truth < right.upper, "{words}");
    assert!((right.median / truth).ln().abs() < 0.35 && naive.median > 1.5 * truth, "{words}");
    assert_eq!(after.provenance, before.provenance);

    // The course of the spur is its own, and that of all others the common one.
    let in_april = |field: &ExposureField| on_spur_where(field, |month, _| month.month == 4).mean;
    let (own, all) = (in_april(&after) / right.mean, in_april(&before) / naive.mean);
    // Of April 14 of 30 days were open, of May 14 of 26.
    let expected = 14.0 / 30.0 * all / (14.0 / 30.0 * all + 14.0 / 26.0 * (1.0 - all));
    assert!((own - expected).abs() < 0.01 && (all - own).abs() > 0.03, "{own} {expected} {all}");
    assert!(MAIN.clone().chain(RING).all(|segment| after.courses.of(segment) == [(0, 1.0)]));
    let day = |day: i8, hour: usize| {
        after.courses.open_on(after.courses.main_of(SPUR.start), date(2024, 4, day))[hour]
    };
    assert_eq!([day(14, 12), day(15, 12), day(30, 12)], [1.0, 0.0, 0.0]);

    // Closed all the time, nobody walks there.
    let never = field_with(&park, &counters, &spur_closed(vec![(DateTime::MIN, DateTime::MAX)]));
    assert!(SPUR.clone().all(|segment| never.provenance[segment] == Provenance::NotWalked));
    assert_eq!(on_spur(&never).upper, 0.0);
    assert_eq!(on_spur_where(&never, |_, _| true).upper, 0.0);
}

/// What holds in no hour of the study period changes no byte, and without closures there is one course.
#[test]
fn what_was_not_closed_stays_as_it_is_to_the_byte() {
    let park = park();
    let (_, counters) = planted(&park, &EVERYWHERE, 55);
    let none = field(&park, &counters, &params(200));
    assert!(none.courses.is_plain() && none.courses.n_courses() == 1);
    assert!(matches!(none.area_time(), std::borrow::Cow::Borrowed(_)));
    let later = (date(2031, 1, 1).at(0, 0, 0, 0), date(2031, 2, 1).at(0, 0, 0, 0));
    let closed = Closings {
        area: vec![later],
        trailheads: [(0, vec![later])].into(),
        trails: [(1, vec![later])].into(),
    };
    let closed = field_with(&park, &counters, &closed);
    assert!(!closed.courses.is_plain());
    assert_eq!(
        (&closed.party_km, &closed.walkers, &closed.parties),
        (&none.party_km, &none.walkers, &none.parties)
    );
    assert_eq!((&closed.time, &closed.provenance), (&none.time, &none.provenance));
    assert!((0..park.graph.n_edges()).all(|segment| closed.courses.main_of(segment) == 0));
    let in_may = |field: &ExposureField| field.km_where(|month, _| month.month == 5);
    for (with, without) in in_may(&closed).iter().zip(in_may(&none)) {
        assert!((with - without).abs() <= 1e-12 * without);
    }
    assert_eq!(
        (&closed.open.area, &closed.open.heads, &closed.open.trails),
        (&None, &vec![None; 2], &vec![None; 3])
    );
}

/// The counter stands on the spur in four of the eight weeks, two of them closed. Then a quarter of the walkers go there all the same.
#[test]
fn a_counter_that_stood_there_for_a_while_speaks_of_the_open_time() {
    let park = park();
    for seed in [61, 62] {
        let mut rng = stream(seed, 0);
        let (walked, mut passages) = simulate_closed(&park, Shut::Spur, &mut rng);
        let truth: f64 = walked[SPUR].iter().sum();
        let at_spur = EVERYWHERE.iter().position(|segment| SPUR.contains(segment)).unwrap();
        let stood = 0..28 * 24;
        let of = |counters: &mut [Counter]| {
            counters[at_spur].bins.truncate(stood.len());
            counters[at_spur].closures.push(range(CLOSED));
        };
        let both = |counters: &[Counter]| {
            let closed = spur_closed(vec![span(CLOSED)]);
            (field(&park, counters, &params(200)), field_with(&park, counters, &closed))
        };
        let mut counters = devices(&EVERYWHERE, &passages, &mut rng);
        of(&mut counters);
        let (before, after) = both(&counters);
        let (naive, right) = (on_spur(&before), on_spur(&after));
        let words = format!("seed {seed}: {truth:.0} km, {naive:?}, {right:?}");
        assert_eq!(after.open.passed[1].share(), 0.0);
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
        let (before, after) = both(&counters);
        let passed = after.open.passed[1].share();
        assert!((passed - 0.25).abs() < 0.08, "seed {seed}: {passed}");
        let share = on_spur(&after).mean / on_spur(&before).mean;
        assert!((share - (0.5 + 0.5 * passed)).abs() < 0.05, "seed {seed}: {share} {passed}");
    }
}

/// The spur is closed in the third to sixth week, the western trailhead in the fourth to seventh: what comes from there is shut out
/// for five of eight weeks, and not for three quarters of the walking, as one share after the other says.
#[test]
fn a_trail_and_a_trailhead_closed_at_a_time_are_taken_off_once() {
    let park = park();
    let closed =
        Closings { trailheads: [(0, vec![span(NO_START)])].into(), ..spur_closed(vec![span(CLOSED)]) };
    for seed in [71, 72] {
        let mut rng = stream(seed, 0);
        let (walked, passages) = simulate_closed(&park, Shut::SpurAndWest, &mut rng);
        let mut counters = devices(&EVERYWHERE, &passages, &mut rng);
        let at_spur = EVERYWHERE.iter().position(|segment| SPUR.contains(segment)).unwrap();
        // While one trailhead is closed, counters see those of the other alone: here they stood there before and after.
        let is_kept = |bin: &Bin| !NO_START.contains(&(bin.start_s as usize / 3600));
        counters.iter_mut().for_each(|counter| counter.bins.retain(is_kept));
        counters[at_spur].closures.push(range(CLOSED));
        let (plain, right) = (field(&park, &counters, &params(200)), field_with(&park, &counters, &closed));
        let (spur, head) = (open_share(&plain), right.open.heads[0].clone().unwrap());
        // Most who walk the spur start in the west: one share after the other, and east alone by its own.
        let parts = |course: usize| -> f64 {
            let of = SPUR.flat_map(|segment| right.courses.of(segment)).filter(|(known, _)| *known == course);
            of.map(|(_, share)| share).sum::<f64>() / SPUR.len() as f64
        };
        let of_spur: Vec<usize> = (0..right.courses.n_courses()).filter(|it| parts(*it) > 0.0).collect();
        assert_eq!(of_spur.len(), 2, "those of either trailhead");
        let truth: f64 = walked[SPUR].iter().sum();
        let found = on_spur(&right);
        let words = format!("seed {seed}: {truth:.0} km, {found:?}");
        assert!(found.lower < truth && truth < found.upper, "{words}");
        assert!((found.mean / truth).ln().abs() < 0.25, "{words}");
        for draw in 0..right.n_draws {
            let kept: Vec<f64> = of_spur.iter().map(|course| right.courses.kept(*course, draw)).collect();
            let stricter = kept[0].min(kept[1]);
            assert!((stricter - 3.0 / 8.0).abs() < 0.1, "{kept:?}");
            assert!(stricter > spur[draw] * head[draw] + 0.05, "{kept:?} {} {}", spur[draw], head[draw]);
            // What is in the cells is what was walked.
            let km = right.courses.split(right.draw(draw), 1, |segment| SPUR.contains(&segment).then_some(0));
            let (cells, all) = (right.cells(&km[0], draw), right.draw(draw)[SPUR].iter().sum::<f64>());
            assert!((cells.iter().sum::<f64>() - all).abs() < 1e-9 * all);
        }
        // Beyond the closures, of which none lasts, walking is what it would have been.
        let again: f64 = SPUR.map(|segment| right.draw(0)[segment] * right.from_now_on(segment, 0)).sum();
        let open: f64 = plain.draw(0)[SPUR].iter().sum();
        assert!((again / open).ln().abs() < 0.05, "{again} {open}");
    }
}

/// The western trailhead is closed for four of eight weeks, one in ten starts all the same, and the counter stands 150 m from it.
#[test]
fn a_closed_trailhead_is_taken_off_once_where_counters_stand_beyond_it() {
    let park = park();
    let beyond = [1, 19, 9, 12, 21, 31];
    let west = 0..8;
    for seed in [81, 82, 83] {
        let mut rng = stream(seed, 0);
        let (walked, passages) = simulate_closed(&park, Shut::West, &mut rng);
        let counters = devices(&beyond, &passages, &mut rng);
        let closed = Closings { trailheads: [(0, vec![span(CLOSED)])].into(), ..Closings::default() };
        let right = field_with(&park, &counters, &closed);
        assert!(right.readings.iter().all(|report| report.outage == 0), "{:?}", right.readings);
        let passed = right.open.passed_heads[0].share();
        assert!((passed - 0.1).abs() < 0.04, "seed {seed}: {passed}");
        // The naive way: the closed weeks make the level lower, and then their share is taken off.
        let low = field(&park, &counters, &params(200));
        let kept = open_share(&low).into_iter().map(|open| open + (1.0 - open) * passed);
        let sum = |row: &[f64]| row[west.clone()].iter().sum::<f64>();
        let naive = DrawSummary::of(kept.enumerate().map(|(draw, kept)| kept * sum(low.draw(draw))));
        let found = DrawSummary::of((0..right.n_draws).map(|draw| sum(right.draw(draw))));
        let truth = sum(&walked);
        let words = format!("seed {seed}: {truth:.0} km, {found:?}, {naive:?}");
        assert!(found.lower < truth && truth < found.upper, "{words}");
        assert!((found.mean / truth).ln().abs() < 0.2, "{words}");
        assert!(naive.upper < truth && naive.mean < 0.75 * truth, "{words}");
        // Nor does it bend the course of those who start in the east, of whom none was kept out.
        let in_april = |field: &ExposureField| {
            let shares = field.time.share_where(|month, _| month.month == 4);
            shares.iter().sum::<f64>() / field.n_draws as f64
        };
        // Eight weeks alike; 8 of the 16 days of weekends, on which twice as many come, and 22 of 40 others are in April.
        let (april, bent) = (in_april(&right), in_april(&low));
        assert!((april - 38.0 / 72.0).abs() < 0.04, "seed {seed}: {april} {bent}");
    }
}

/// Where the trailhead is closed all the time, those of the other one are known from what is left.
#[test]
fn a_trailhead_closed_all_the_time_leaves_what_the_others_walk() {
    let park = park();
    let always =
        Closings { trailheads: [(1, vec![(DateTime::MIN, DateTime::MAX)])].into(), ..Closings::default() };
    let mut rng = stream(91, 0);
    let truth = Truth {
        volumes: [6000.0, 1.0],
        habits: Habits::new(vec![1.0, 1.0, 1.0], 2500.0, 1.5, 0.5),
        ratios: vec![1.25; 3],
    };
    let (walked, passages) = simulate(&park, &truth, &mut rng);
    let counters = devices(&[1, 9, 21], &passages, &mut rng);
    let found = field_with(&park, &counters, &always);
    for (segment, (mean, truth)) in found.mean_km().iter().zip(&walked).enumerate().take(12) {
        assert!((mean / truth).ln().abs() < 0.2, "segment {segment}: {mean} {truth}");
    }
    assert!(found.counters.iter().all(|fit| fit.is_used), "{:?}", found.counters);
}
