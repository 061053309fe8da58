//! Reports without a time on parks whose truth is known, beside what dropping them does.

use jiff::civil::date;
use rand::RngExt;
use rand_distr::Distribution;
use rand_distr::Poisson;

use super::*;
use crate::analysis::clusters::Evidence;
use crate::analysis::clusters::SegmentFinding;
use crate::analysis::clusters::Side;
use crate::analysis::exposure::Courses;
use crate::analysis::exposure::StudyPeriod;
use crate::analysis::exposure::TimeCells;
use crate::analysis::graph::Edge;
use crate::analysis::graph::Graph;
use crate::analysis::random::Stream;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::season;
use crate::analysis::season::Cells;
use crate::analysis::season::Parts;
use crate::analysis::season::Period;
use crate::analysis::season::SeasonOutcome;
use crate::analysis::season::SeasonParams;
use crate::analysis::snap;
use crate::analysis::snap::Snap;
use crate::analysis::weights::Weights;
use crate::derived::cluster_periods;

const N_DRAWS: usize = 20;
const N_ARMS: usize = 4;
const ARM: usize = 12;
const N_SEGMENTS: usize = N_ARMS * ARM;
const LEVEL: f64 = 0.05;
const MAY: usize = 4;
/// Hours in which people walk.
const WALKED: Range<usize> = 8..18;

fn n_maps() -> u64 {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { 400 } else { 60 }
}

/// Trails of twelve segments that meet in a middle.
fn star() -> Graph {
    let mut edges = Vec::new();
    for arm in 0..N_ARMS {
        for at in 0..ARM {
            let to = arm * ARM + at + 1;
            edges.push(Edge { from: if at == 0 { 0 } else { to - 1 }, to, length_m: 100.0 });
        }
    }
    Graph::new(N_SEGMENTS + 1, edges).unwrap()
}

fn km(segment: usize) -> f64 {
    [400.0, 250.0, 150.0, 80.0][segment / ARM] * (-((segment % ARM) as f64) / 9.0).exp()
}

/// Walking by month; nobody walks at night.
fn shares() -> TimeShares {
    let cells = TimeCells::of(&StudyPeriod::new(date(2024, 1, 1), date(2024, 12, 31)).unwrap());
    let of_month = |month: usize| 1.0 + 0.8 * ((month as f64 - 6.0) / 12.0 * std::f64::consts::TAU).cos();
    let total: f64 = (0..12).map(of_month).sum::<f64>() * WALKED.len() as f64;
    let of_cell = |cell: usize| {
        if WALKED.contains(&(cell % HOURS)) { of_month(cell / HOURS) / total } else { 0.0 }
    };
    TimeShares { shares: (0..12 * HOURS).map(of_cell).collect(), n_draws: 1, cells }
}

/// How frequent encounters are: most in May, hardly any in November.
fn season(month: usize) -> f64 {
    (1.1 * ((month as f64 - MAY as f64) / 12.0 * std::f64::consts::TAU).cos()).exp()
}

/// A report with its true time.
#[derive(Debug, Clone, Copy)]
struct Made {
    key: u64,
    segment: usize,
    month: usize,
    hour: usize,
    is_untimed: bool,
}

impl Made {
    fn report(self, cut: PeriodCut) -> Report {
        let (periods, period) = match self.is_untimed {
            true => (0..12, None),
            false => (self.month..self.month + 1, Some(cut.class(self.month, self.hour))),
        };
        Report { key: self.key, period, known: PartialRecord { group: 0, periods, hours: HourSet::ALL } }
    }
}

/// Reports at a rate that is that of the season everywhere, times `boost` of a segment and month; `untimed` is the share of a
/// segment's reports that lack a month.
fn made(map: u64, boost: impl Fn(usize, usize) -> f64, untimed: impl Fn(usize) -> f64) -> Vec<Made> {
    let mut rng: Stream = stream(5, map);
    let (shares, mut made) = (shares(), Vec::new());
    let km_of_all: f64 = (0..N_SEGMENTS).map(km).sum();
    for segment in 0..N_SEGMENTS {
        for month in 0..12 {
            let walked: f64 = shares.shares[month * HOURS..(month + 1) * HOURS].iter().sum();
            let mean = 900.0 * km(segment) / km_of_all * walked * season(month) * boost(segment, month);
            for _ in 0..Poisson::new(mean).unwrap().sample(&mut rng) as usize {
                let hour = rng.random_range(WALKED);
                let is_untimed = rng.random::<f64>() < untimed(segment);
                made.push(Made { key: made.len() as u64, segment, month, hour, is_untimed });
            }
        }
    }
    made
}

/// The curve that the reports support, fitted as the season layer fits it.
fn fitted(made: &[Made], shares: &TimeShares) -> Curve {
    let km_of_all: f64 = (0..N_SEGMENTS).map(km).sum();
    let mut cells = Cells {
        parts: Parts::Months,
        periods: (0..12).map(|part| Period { year: 2024, part, max_temperature_c: None }).collect(),
        group_levels: vec![0],
        counts: vec![0; 12 * HOURS],
        exposure: shares.shares.iter().map(|share| share * km_of_all).collect(),
    };
    for it in made.iter().filter(|it| !it.is_untimed) {
        cells.counts[it.month * HOURS + it.hour] += 1;
    }
    let untimed = made.iter().filter(|it| it.is_untimed);
    let partial: Vec<PartialRecord> = untimed.map(|it| it.report(PeriodCut::Months).known).collect();
    let params = SeasonParams { n_draws: N_DRAWS, n_imputations: 4, ..SeasonParams::default() };
    match season::fit(&cells, &partial, &params).unwrap() {
        SeasonOutcome::Estimated(fit) => fit.curve(0).clone(),
        SeasonOutcome::NotEstimable(reason) => panic!("{reason:?}"),
    }
}

fn allocation(made: &[Made]) -> Allocation {
    let snaps: Vec<Snap> = made.iter().map(|it| Snap::ByHand { segment_idx: it.segment }).collect();
    snap::allocate(&snaps, N_DRAWS, 1)
}

fn times(made: &[Made], curve: Option<&Curve>, cut: PeriodCut, seed: u64) -> Times {
    let shares = shares();
    let (courses, own) = (Courses::default(), curve.into_iter().collect());
    let curves = Curves { shares: &shares, courses: &courses, curves: own, curve_of: &|_| 0 };
    let reports: Vec<Option<Report>> = made.iter().map(|it| Some(it.report(cut))).collect();
    Times::new(&reports, &allocation(made), &curves, cut, seed)
}

/// Month, segment and side of all that stands out; without a curve reports that lack a month are dropped.
fn standing_out(made: &[Made], curve: Option<&Curve>) -> Vec<(usize, usize, Side)> {
    let by_period = times(made, curve, PeriodCut::Months, 1).counts(&allocation(made), N_SEGMENTS).counts;
    let counts = allocation(made).counts_by_draw(N_SEGMENTS);
    let all = CountDraws { n_draws: N_DRAWS, n_units: N_SEGMENTS, counts };
    let exposure = ExposureDraws::certain((0..N_SEGMENTS).map(km).collect());
    let weights = Weights::sharing_a_vertex(&star());
    let evidence = |counts| Evidence { counts, exposure: &exposure, is_looked_at: &[true; N_SEGMENTS] };
    let of_periods: Vec<Evidence<'_>> = by_period.iter().map(evidence).collect();
    let tested = cluster_periods::test(&weights, evidence(&all), &of_periods).unwrap();
    let mut found = Vec::new();
    for (month, (_, findings)) in tested.iter().enumerate() {
        for (segment, finding) in findings.iter().enumerate() {
            if let SegmentFinding::Tested(it) = finding
                && it.q_value <= LEVEL
            {
                found.push((month, segment, it.side));
            }
        }
    }
    found
}

/// Nothing was walked in one period, for all was closed: the others are tested, and it takes no part in what q corrects for.
#[test]
fn a_period_in_which_all_was_closed_takes_none_from_the_others() {
    let planted = ARM + 2..ARM + 6;
    let boost = |segment: usize, month: usize| match month {
        MAY if planted.contains(&segment) => 5.0,
        _ => 1.0,
    };
    let made = made(1, boost, |_| 0.0);
    let by_period = times(&made, None, PeriodCut::Months, 1).counts(&allocation(&made), N_SEGMENTS).counts;
    let counts = allocation(&made).counts_by_draw(N_SEGMENTS);
    let all = CountDraws { n_draws: N_DRAWS, n_units: N_SEGMENTS, counts };
    let walked = ExposureDraws::certain((0..N_SEGMENTS).map(km).collect());
    let none = ExposureDraws::certain(vec![0.0; N_SEGMENTS]);
    let weights = Weights::sharing_a_vertex(&star());
    let closed_in = |closed: &[usize]| {
        let evidence = |exposure, counts| Evidence { counts, exposure, is_looked_at: &[true; N_SEGMENTS] };
        let of_periods: Vec<Evidence<'_>> = by_period
            .iter()
            .enumerate()
            .map(|(month, counts)| evidence(if closed.contains(&month) { &none } else { &walked }, counts))
            .collect();
        cluster_periods::test(&weights, evidence(&walked, &all), &of_periods).map(|tested| {
            let reasons = tested.iter().map(|(null, _)| null.as_ref().err().copied());
            (
                reasons.collect::<Vec<_>>(),
                tested.into_iter().map(|(_, findings)| findings).collect::<Vec<_>>(),
            )
        })
    };
    let (reasons, findings) = closed_in(&[0]).unwrap();
    assert_eq!(reasons[0], Some(cluster_periods::Untested::NoWalking));
    assert!(reasons[1..].iter().all(Option::is_none) && findings[0].is_empty());
    let q = |findings: &SegmentFinding| match findings {
        SegmentFinding::Tested(it) => it.q_value,
        other => panic!("{other:?}"),
    };
    let least = planted.map(|segment| q(&findings[MAY][segment])).fold(1.0, f64::min);
    assert!(least <= LEVEL, "what stands out in May does so still: {least}");
    assert!(matches!(
        closed_in(&(0..12).collect::<Vec<_>>()),
        Err(crate::derived::DeriveError::Unanswerable(_))
    ));
}

/// On one trail three of four reports lack a month. Dropped, the other trails stand out in the months with most reports, at
/// the same risk; allotted by the curve, no more often than the level says.
#[test]
fn reports_without_a_month_on_one_trail_make_other_trails_stand_out_only_when_dropped() {
    let untimed = |segment: usize| if segment < ARM { 0.75 } else { 0.0 };
    let (mut allotted, mut dropped) = (0, 0);
    for map in 0..n_maps() {
        let made = made(map, |_, _| 1.0, untimed);
        let curve = fitted(&made, &shares());
        allotted += usize::from(!standing_out(&made, Some(&curve)).is_empty());
        let naive = standing_out(&made, None);
        dropped += usize::from(naive.iter().any(|(_, segment, side)| *segment >= ARM && *side == Side::More));
    }
    let n = n_maps() as f64;
    assert!(is_nominal(allotted), "allotted: {allotted} of {n}");
    assert!(f64::from(dropped as u32) >= 0.75 * n, "dropped: {dropped} of {n}");
}

/// A level twice as high would pass once in twenty times, on the few maps of a quick run.
fn is_nominal(n_found: usize) -> bool {
    let n = n_maps() as f64;
    n_found as f64 <= n * LEVEL + 2.6 * (n * LEVEL * (1.0 - LEVEL)).sqrt()
}

#[test]
fn flat_risk_stays_at_its_level_where_half_of_all_reports_lack_a_month() {
    let found = (0..n_maps()).filter(|map| {
        let made = made(1000 + map, |_, _| 1.0, |_| 0.5);
        !standing_out(&made, Some(&fitted(&made, &shares()))).is_empty()
    });
    let n_found = found.count();
    assert!(is_nominal(n_found), "{n_found} of {}", n_maps());
}

/// Five times the risk on four segments in May alone, half of all reports without a month.
#[test]
fn a_cluster_of_one_month_is_found_where_half_of_the_reports_lack_a_month() {
    let planted = ARM + 2..ARM + 6;
    let boost = |segment: usize, month: usize| match month {
        MAY if planted.contains(&segment) => 5.0,
        _ => 1.0,
    };
    let (mut found, mut elsewhere) = (0, 0);
    for map in 0..20 {
        let made = made(2000 + map, boost, |_| 0.5);
        let standing_out = standing_out(&made, Some(&fitted(&made, &shares())));
        let more = |month: usize, segments: Range<usize>| {
            standing_out.iter().any(|it| it.0 == month && segments.contains(&it.1) && it.2 == Side::More)
        };
        found += usize::from(more(MAY, planted.clone()));
        // Neighbours stand out with it.
        elsewhere += usize::from(more(MAY, 2 * ARM..N_SEGMENTS));
    }
    assert!(found >= 18, "found on {found} maps of 20");
    assert!(elsewhere <= 3, "trails without it stand out on {elsewhere} maps of 20");
}

#[test]
fn all_periods_together_are_all_reports_in_each_draw() {
    let made = made(1, |_, _| 1.0, |_| 0.5);
    let (curve, allocation) = (fitted(&made, &shares()), allocation(&made));
    for cut in PeriodCut::ALL {
        let times = times(&made, Some(&curve), cut, 1);
        let n_untimed = made.iter().filter(|it| it.is_untimed).count();
        assert_eq!((times.n_allotted(), times.n_left_out()), (n_untimed, 0));
        let by_period = times.counts(&allocation, N_SEGMENTS);
        let mut sums = vec![0; N_DRAWS * N_SEGMENTS];
        for counts in &by_period.counts {
            sums.iter_mut().zip(&counts.counts).for_each(|(sum, n)| *sum += n);
        }
        assert_eq!(sums, allocation.counts_by_draw(N_SEGMENTS), "{cut:?}");
        assert!((by_period.allotted.iter().sum::<f64>() - n_untimed as f64).abs() < 1e-6);
    }
    let without = times(&made, None, PeriodCut::Months, 1);
    assert_eq!(without.n_allotted(), 0);
    assert_eq!(without.n_left_out(), made.iter().filter(|it| it.is_untimed).count());
}

/// Neither the order of reports nor what else was reported changes the periods of one, nor does the numbering of segments.
#[test]
fn order_and_numbering_change_nothing() {
    let made = made(3, |_, _| 1.0, |_| 0.5);
    let curve = fitted(&made, &shares());
    let counts = |made: &[Made], seed: u64| {
        times(made, Some(&curve), PeriodCut::Months, seed).counts(&allocation(made), N_SEGMENTS).counts
    };
    let first = counts(&made, 1);
    assert_eq!(first, counts(&made, 1));
    assert_ne!(first, counts(&made, 2));
    let mut turned: Vec<Made> = made.iter().rev().copied().collect();
    turned.rotate_left(17);
    assert_eq!(first, counts(&turned, 1));
    let other = |segment: usize| (segment * 7 + 5) % N_SEGMENTS;
    let renamed: Vec<Made> = made.iter().map(|it| Made { segment: other(it.segment), ..*it }).collect();
    for (one, renamed) in first.iter().zip(counts(&renamed, 1)) {
        for (at, n) in one.counts.iter().enumerate() {
            let (draw, segment) = (at / N_SEGMENTS, at % N_SEGMENTS);
            assert_eq!(renamed.counts[draw * N_SEGMENTS + other(segment)], *n);
        }
    }
    // A report taken out leaves the others where they were.
    let (gone, rest) = made.split_last().unwrap();
    let fewer = counts(rest, 1);
    for (month, (one, fewer)) in first.iter().zip(&fewer).enumerate() {
        let changed: Vec<usize> =
            (0..one.counts.len()).filter(|at| one.counts[*at] != fewer.counts[*at]).collect();
        assert!(changed.iter().all(|at| at % N_SEGMENTS == gone.segment), "month {month}: {changed:?}");
    }
}

/// Shares of months are walking times season; what is known of a time is kept.
#[test]
fn periods_follow_the_curve_and_keep_what_is_known() {
    let truth: Vec<Made> = (0..40).flat_map(|map| made(map, |_, _| 1.0, |_| 0.0)).collect();
    let (curve, shares) = (fitted(&truth, &shares()), shares());
    let no_time = Made { key: 0, segment: 0, month: 0, hour: 0, is_untimed: true };
    let reports: Vec<Made> = (0..4000).map(|key| Made { key, ..no_time }).collect();
    let by_month = times(&reports, Some(&curve), PeriodCut::Months, 1)
        .counts(&allocation(&reports), N_SEGMENTS)
        .allotted;
    let walked = |month: usize| shares.shares[month * HOURS..(month + 1) * HOURS].iter().sum::<f64>();
    let total: f64 = (0..12).map(|month| walked(month) * season(month)).sum();
    for (month, n) in by_month.iter().enumerate() {
        let expected = walked(month) * season(month) / total * 4000.0;
        assert!((n - expected).abs() < 0.1 * expected + 15.0, "month {month}: {n} of {expected}");
    }
    // The month is known and the hour is not, or the other way round; nobody walks at two in the morning.
    let known = |periods: Range<usize>, hours: HourSet| {
        vec![Some(Report { key: 3, period: None, known: PartialRecord { group: 0, periods, hours } })]
    };
    let courses = Courses::default();
    let curves = Curves { shares: &shares, courses: &courses, curves: vec![&curve], curve_of: &|_| 0 };
    let one = allocation(&reports[..1]);
    let of = |report: &[Option<Report>], cut: PeriodCut| Times::new(report, &one, &curves, cut, 1);
    let in_may = of(&known(MAY..MAY + 1, HourSet::ALL), PeriodCut::PartsOfDay);
    let parts: Vec<usize> = (0..N_DRAWS).filter_map(|draw| in_may.at(0, draw)).collect();
    assert_eq!(parts.len(), N_DRAWS);
    assert!(parts.iter().all(|part| *part < 3) && parts.contains(&1), "{parts:?}");
    let at_night = of(&known(0..12, HourSet::between(2, 2)), PeriodCut::Months);
    assert_eq!((at_night.n_allotted(), at_night.n_left_out()), (0, 1));
    let in_spring = of(&known(2..4, HourSet::between(9, 9)), PeriodCut::Months);
    assert!((0..N_DRAWS).all(|draw| in_spring.at(0, draw).is_some_and(|month| (2..4).contains(&month))));
}

/// Of one snake with reports of known and unknown times one counts in each period of each draw; another one lies in one
/// period once, and is never counted less.
#[test]
fn a_known_snake_counts_once_in_each_period_of_each_draw() {
    let mut made = made(4, |_, _| 1.0, |_| 0.3);
    let untimed: Vec<usize> = (0..made.len()).filter(|at| made[*at].is_untimed).take(5).collect();
    let timed: Vec<usize> = (0..made.len()).filter(|at| !made[*at].is_untimed).take(3).collect();
    timed.iter().for_each(|at| made[*at].month = MAY);
    made[timed[2]].month = MAY + 1;
    let curve = fitted(&made, &shares());
    let (times, allocation) = (times(&made, Some(&curve), PeriodCut::Months, 1), allocation(&made));
    let snake: Vec<usize> = timed.iter().chain(&untimed).copied().collect();
    let other: Vec<usize> =
        (0..made.len()).filter(|at| !snake.contains(at) && !made[*at].is_untimed).take(2).collect();
    let apart = made[other[0]].month != made[other[1]].month;
    let snakes = vec![snake.clone(), other];
    assert_eq!(times.n_repeated(&snakes), if apart { 1 } else { 2 });
    let once = times.counts_once(&allocation, N_SEGMENTS, &snakes, 1);
    let every = times.counts(&allocation, N_SEGMENTS);
    for draw in 0..N_DRAWS {
        let mut surplus = 0;
        for month in 0..12 {
            let of = |counts: &PeriodCounts| -> u32 {
                counts.counts[month].counts[draw * N_SEGMENTS..(draw + 1) * N_SEGMENTS].iter().sum()
            };
            let n: u32 = snakes
                .iter()
                .map(|its| its.iter().filter(|at| times.at(**at, draw) == Some(month)).count() as u32)
                .map(|n| n.saturating_sub(1))
                .sum();
            assert_eq!(of(&every) - of(&once), n, "draw {draw}, month {month}");
            surplus += n;
        }
        assert!(surplus >= 1, "two of them are of May in every draw");
    }
    let turned: Vec<Vec<usize>> =
        snakes.iter().rev().map(|its| its.iter().rev().copied().collect()).collect();
    assert_eq!(once.counts, times.counts_once(&allocation, N_SEGMENTS, &turned, 1).counts);
}
