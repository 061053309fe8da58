//! A season that crosses New Year, in the south: October to March, what was planted in it, and when it is called.

use coilway::analysis::season::SeasonFit;
use coilway::analysis::season_watch::Watched;
use coilway::analysis::season_watch::WeekState;
use coilway::derived::cluster_periods::PeriodCut;
use coilway::derived::forecast::area::AreaAnswer;
use coilway::derived::forecast::area::AreaFigures;
use coilway::derived::rates::UnitKind;
use coilway::derived::season::PeriodChoice;
use coilway::derived::watch::WatchChoice;
use coilway::derived::watch::WatchLayer;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::encounter::RecordedPosition;
use coilway::domain::exposure::CounterDraft;
use coilway::domain::exposure::ReadingDraft;
use coilway::domain::geography::LonLat;
use coilway::domain::time::EventDate;
use coilway::domain::time::EventTime;
use coilway::domain::trail::TrailDraft;
use coilway::domain::trail::TrailheadDraft;
use coilway::store::AreaDraft;
use coilway::store::Target;
use jiff::ToSpan;
use jiff::civil::Date;
use jiff::civil::date;
use jiff::tz::TimeZone;

use super::closures::bring_in_closures;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

const ZONE: &str = "Africa/Johannesburg";
const FIRST: Date = date(2021, 7, 1);
const LAST: Date = date(2024, 1, 31);
/// Four times as many are met on Berg Path from here to there.
const PLANTED: (Date, Date) = (date(2023, 12, 18), date(2024, 1, 14));
/// Trails: name, and metres north of each other.
const TRAILS: [(&str, f64); 2] = [("Berg Path", 0.0), ("Vlei Path", 4000.0)];

/// What is expected on a trail on a day: highest at New Year, hardly anything from April to September.
fn expected(day: Date) -> f64 {
    let from_new_year = f64::from(day.day_of_year() - 1) / 365.25 * std::f64::consts::TAU;
    0.02 + 0.35 * from_new_year.cos().max(0.0)
}

fn place(east_m: f64, north_m: f64) -> LonLat {
    LonLat::wrapped(20.0 + east_m / 93_000.0, -33.5 + north_m / 111_000.0)
}

fn instant_s(day: Date, hour: i8) -> i64 {
    TimeZone::get(ZONE).unwrap().to_timestamp(day.at(hour, 0, 0, 0)).unwrap().as_second()
}

fn days() -> impl Iterator<Item = Date> {
    FIRST.series(1.day()).take_while(|day| *day <= LAST)
}

/// First and last days on which Vlei Path is closed: the weeks with most snakes of all three seasons.
const CLOSED: [(Date, Date); 3] = [
    (date(2021, 12, 1), date(2022, 1, 31)),
    (date(2022, 12, 1), date(2023, 1, 31)),
    (date(2023, 12, 1), date(2024, 1, 14)),
];

fn is_closed(day: Date) -> bool {
    CLOSED.iter().any(|(first, last)| (*first..=*last).contains(&day))
}

/// What is out of the way.
#[derive(Clone, Copy, PartialEq)]
enum Case {
    Quiet,
    /// More on Berg Path.
    Planted,
    /// Nobody walks Vlei Path while it is closed.
    Closed,
}

/// Whole reports that add up to the expectation, with steps of their own on each trail.
fn reports(case: Case) -> Vec<EncounterDraft> {
    let mut all = Vec::new();
    for (trail, (_, north_m)) in TRAILS.iter().enumerate() {
        let mut sum = 0.4 * trail as f64;
        for day in days() {
            if case == Case::Closed && trail == 1 && is_closed(day) {
                continue;
            }
            let is_planted = case == Case::Planted && trail == 0 && PLANTED.0 <= day && day <= PLANTED.1;
            sum += expected(day) * if is_planted { 4.0 } else { 1.0 };
            while sum >= 1.0 {
                sum -= 1.0;
                let (n, hour) = (all.len(), 8 + (all.len() % 9) as i8);
                let plain = report(&format!("S-{n}"), at(0.0, 0.0), day, 9);
                all.push(EncounterDraft {
                    position: plain.position.map(|recorded| RecordedPosition {
                        position: place(100.0 + (n % 13) as f64 * 100.0, north_m + 5.0),
                        ..recorded
                    }),
                    time: EventTime {
                        date: EventDate::Day(day),
                        minute_of_day: Some(u16::from(hour.unsigned_abs()) * 60),
                        instant_s: Some(instant_s(day, hour)),
                    },
                    ..plain
                });
            }
        }
    }
    all
}

async fn park(case: Case) -> TestApp {
    let test = TestApp::empty().await;
    test.write(async |writer| {
        let area = AreaDraft {
            name: "Example Berg".to_owned(),
            time_zone: ZONE.to_owned(),
            emergency_number: "112".to_owned(),
            keep_distance: None,
        };
        let area = writer.put_area(&area).await.unwrap();
        let target = Target { area, source: None };
        writer.set_setting(area, "draws", "60").await.unwrap();
        let trail = |(name, north_m): (&str, f64)| TrailDraft {
            name: name.to_owned(),
            habitat: String::new(),
            parts: vec![(0..=3).map(|step| place(f64::from(step) * 500.0, north_m)).collect()],
            elevations_m: Vec::new(),
        };
        writer.put_trails(&target, &rows(TRAILS.map(trail))).await.unwrap();
        let head = |(name, north_m): (&str, f64)| TrailheadDraft {
            name: format!("{name} gate"),
            position: place(0.0, north_m),
            relative_volume: 10.0,
        };
        writer.put_trailheads(&target, &rows(TRAILS.map(head))).await.unwrap();
        let counter = |(name, north_m): (&str, f64)| CounterDraft {
            name: format!("C {name}"),
            device: "infrared".to_owned(),
            position: place(40.0, north_m),
            from_s: None,
            until_s: None,
        };
        writer.put_counters(&target, &rows(TRAILS.map(counter))).await.unwrap();
        let reading = |name: &str, day: Date, hour: i8| ReadingDraft {
            counter: format!("C {name}"),
            start_s: instant_s(day, hour),
            length_s: 4 * 3600,
            count_in: match hour {
                _ if case == Case::Closed && name == TRAILS[1].0 && is_closed(day) => 0,
                8 | 12 => 24,
                _ => 0,
            },
            count_out: None,
        };
        let readings = TRAILS.iter().flat_map(|(name, _)| {
            days().flat_map(move |day| [0, 4, 8, 12, 16, 20].map(|hour| reading(name, day, hour)))
        });
        writer.put_readings(&target, &rows(readings)).await.unwrap();
        let tally = writer.put_encounters(&target, &rows(reports(case))).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    test
}

async fn watch(test: &TestApp, until: Date) -> std::sync::Arc<WatchLayer> {
    let facts = test.app.deriver().facts().await.unwrap();
    let choice = WatchChoice { unit: UnitKind::Trail, until: Some(until) };
    test.app.deriver().watch(&facts, choice).await.unwrap().value
}

fn sums(weeks: &[WeekState]) -> (f64, f64) {
    weeks.iter().fold((0.0, 0.0), |(observed, expected), week| match week {
        WeekState::Expected { observed: n, expected: mean, .. } => (observed + *n as f64, expected + mean),
        WeekState::NoExposure { observed: n } => (observed + *n as f64, expected),
    })
}

#[tokio::test]
async fn a_season_across_new_year_is_one_season_and_what_was_planted_in_it_is_called() {
    let test = park(Case::Planted).await;
    let layer = watch(&test, LAST).await;
    // The season begins in the quiet of the year, and is named after both.
    let first = layer.weeks[0].0;
    assert!((5..=9).contains(&first.month()) && first.year() == 2023, "the season begins on {first}");
    assert_eq!(layer.season_year.words(2023), "2023/24");
    assert_eq!(layer.former_years.last(), Some(&2022));
    assert!(layer.former_years.contains(&2021), "{:?}", layer.former_years);
    // Weeks follow each other without gap or overlap, over New Year too.
    for pair in layer.weeks.windows(2) {
        assert_eq!(pair[0].1.tomorrow().unwrap(), pair[1].0);
    }
    assert_eq!(layer.weeks.last().unwrap().1, LAST);
    let all = reports(Case::Planted);
    let since = |from: Date| {
        let day = |it: &&EncounterDraft| matches!(it.time.date, EventDate::Day(day) if day >= from);
        all.iter().filter(day).count()
    };
    assert_eq!(layer.n_observed, since(first));
    // What is expected of the trail without anything planted is what was planted in former seasons.
    let n_weeks = layer.weeks.len();
    let of_trail = |name: &str| {
        let unit = layer.names.iter().position(|known| known == name).unwrap();
        (unit, &layer.watch.weeks[unit * n_weeks..(unit + 1) * n_weeks])
    };
    let truth: f64 = days().filter(|day| *day >= first).map(expected).sum();
    let (berg, berg_weeks) = of_trail("Berg Path");
    let (vlei, vlei_weeks) = of_trail("Vlei Path");
    for weeks in [berg_weeks, vlei_weeks] {
        let (_, mean) = sums(weeks);
        assert!((mean / truth - 1.0).abs() < 0.15, "{mean} expected where {truth} was planted");
    }
    let january = layer.weeks.iter().position(|(from, _)| from.year() == 2024).unwrap();
    let around: f64 = days().filter(|day| *day >= layer.weeks[january].0).map(expected).sum();
    let (_, mean) = sums(&vlei_weeks[january..]);
    assert!((mean / around - 1.0).abs() < 0.25, "{mean} expected in January where {around} was planted");
    // The planted time is called, on the trail where it was planted, in one window over New Year.
    let alarms: Vec<_> = layer.watch.alarms.iter().filter(|it| it.watched == Watched::Unit(berg)).collect();
    assert!(!alarms.is_empty(), "nothing is called: {:?}", layer.watch.alarms);
    let (from, to) =
        alarms.iter().fold((usize::MAX, 0), |(a, b), it| (a.min(it.first_week), b.max(it.last_week)));
    let (from, to) = (layer.weeks[from].0, layer.weeks[to].1);
    assert!(from <= date(2023, 12, 31) && date(2024, 1, 1) <= to, "{from} to {to}");
    assert!(date(2023, 12, 1) <= from && to <= date(2024, 1, 31), "{from} to {to}");
    assert!(
        layer.watch.alarms.iter().all(|it| it.watched != Watched::Unit(vlei)),
        "{:?}",
        layer.watch.alarms
    );

    // In the first days of January the season is still the one that began in winter.
    let early = watch(&test, date(2024, 1, 3)).await;
    assert_eq!((early.weeks[0].0, early.former_years.last()), (first, Some(&2022)));
    let called: Vec<_> = early.watch.alarms.iter().filter(|it| it.watched == Watched::Unit(berg)).collect();
    assert!(!called.is_empty(), "what was met before New Year counts after it");
    test.get("/watch?unit=trail&until=2024-01-31").await.expect(200).says("2022/23");
}

#[tokio::test]
async fn a_season_across_new_year_as_expected_is_quiet() {
    let test = park(Case::Quiet).await;
    for until in [date(2023, 12, 31), date(2024, 1, 1), LAST] {
        let layer = watch(&test, until).await;
        assert!(layer.watch.alarms.is_empty(), "{until}: {:?}", layer.watch.alarms);
        assert_eq!(layer.season_year.of_date(until), 2023);
    }
}

/// The curve's mean in some months over that in others.
fn against(fit: &SeasonFit, these: [usize; 2], those: [usize; 2]) -> f64 {
    let points = fit.curve(0).by_part();
    let mean = |months: [usize; 2]| months.map(|month| points[month - 1].relative).iter().sum::<f64>();
    mean(these) / mean(those)
}

/// What is told of the park: the season's curve in December and January over October and March, the rate of Vlei Path over that of
/// Berg Path, and the encounters of a mean year over the whole area.
async fn told(test: &TestApp) -> (f64, f64, f64) {
    let facts = test.app.deriver().facts().await.unwrap();
    let season = test.app.deriver().season(&facts).await.unwrap();
    let rates = test.app.deriver().rates(&facts).await.unwrap();
    let of = |name: &str| {
        let unit = rates.trails.names.iter().position(|known| known == name).unwrap();
        rates.trails.fit.units[unit].estimate().unwrap().per_km.mean
    };
    let periods = test.app.deriver().trail_periods(&facts).await.unwrap();
    let year = periods.area.iter().find(|it| it.period == PeriodChoice::default()).unwrap();
    let Ok(AreaAnswer { figures: AreaFigures::Estimated(figures), .. }) = &year.answer else {
        panic!("{:?}", year.answer)
    };
    let curve = against(season.fit.as_ref().unwrap(), [12, 1], [10, 3]);
    (curve, of(TRAILS[1].0) / of(TRAILS[0].0), figures.of_all.1.expected.mean)
}

/// Segments times months that are looked at for clusters.
async fn n_tested(test: &TestApp) -> usize {
    let facts = test.app.deriver().facts().await.unwrap();
    test.app.deriver().cluster_periods(&facts, PeriodCut::Months).await.unwrap().n_tested
}

/// Vlei Path is closed in the weeks with most snakes, and as good as Berg Path for snakes. Where the closures are not known, its own
/// rate and the season are too low, and it is missed that nobody met a snake there in December.
#[tokio::test]
async fn a_trail_closed_in_the_season_follows_its_own_course() {
    let open = park(Case::Quiet).await;
    let shut = park(Case::Closed).await;
    let (naive, naive_watch) = (told(&shut).await, watch(&shut, LAST).await);
    let naive_tested = n_tested(&shut).await;
    let closures: String = CLOSED.map(|(first, last)| format!("Vlei Path,{first},{last},\n")).concat();
    bring_in_closures(&shut, &closures).await;
    let (truth, right) = (told(&open).await, told(&shut).await);
    let words = format!("{truth:?}, right {right:?}, naive {naive:?}");
    // The curve of season, the rate of the trail, and the year to come, for which all is open again.
    assert!((right.0 / truth.0).ln().abs() < 0.2 && naive.0 / truth.0 < 0.75, "{words}");
    assert!((right.1 / truth.1).ln().abs() < 0.2 && naive.1 / truth.1 < 0.75, "{words}");
    assert!((right.2 / truth.2).ln().abs() < 0.15 && naive.2 / truth.2 < 0.85, "{words}");

    // In December nobody is looked for on Vlei Path.
    let facts = shut.app.deriver().facts().await.unwrap();
    let layer = shut.app.deriver().network(&facts).await.unwrap();
    let on_vlei =
        layer.network.segments.iter().filter(|it| layer.network.trails[it.trail_idx].name == TRAILS[1].0);
    assert_eq!(naive_tested - n_tested(&shut).await, on_vlei.count());

    // Week by week.
    let (open_watch, watched) = (watch(&open, LAST).await, watch(&shut, LAST).await);
    // The seasons may begin in other weeks; from autumn on they go along.
    let mean = |layer: &WatchLayer, trail: usize, first: Date| {
        let unit = layer.names.iter().position(|known| known == TRAILS[trail].0).unwrap();
        let week = layer.weeks.iter().position(|(from, _)| *from == first).unwrap();
        match layer.watch.weeks[unit * layer.weeks.len() + week] {
            WeekState::Expected { expected, .. } => expected,
            WeekState::NoExposure { .. } => 0.0,
        }
    };
    let (mut others, mut n_closed) = ([[0.0; 2]; 2], 0);
    for (first, last) in watched.weeks.iter().filter(|(first, _)| *first >= date(2023, 9, 1)) {
        let of = |layer: &WatchLayer, trail: usize| mean(layer, trail, *first);
        let mut days = first.series(1.day()).take_while(|day| day <= last);
        match days.all(is_closed) {
            true => {
                n_closed += 1;
                let [known, unknown] = [&*watched, &*naive_watch].map(|layer| of(layer, 1));
                assert!(known < 0.02 && unknown > 0.5, "{first}: {known} {unknown}");
                others[0][0] += of(&open_watch, 0);
                others[0][1] += of(&watched, 0);
            }
            false if !is_closed(*first) && !is_closed(*last) => {
                others[1][0] += of(&open_watch, 1);
                others[1][1] += of(&watched, 1);
            }
            false => {}
        }
    }
    assert!(n_closed >= 5, "{n_closed}");
    for [open, shut] in others {
        assert!((shut / open).ln().abs() < 0.2, "{others:?}");
    }
    assert!(watched.watch.alarms.is_empty(), "{:?}", watched.watch.alarms);
    let page = shut.get("/watch?unit=trail").await.expect(200);
    page.says("Closed for a time: Vlei Path.");
    page.says("in weeks to come as far as a closure that is known holds then");
    // One that has no end yet stays closed in the year to come.
    bring_in_closures(&shut, "Vlei Path,2024-01-25,,\n").await;
    let (_, ratio, year) = told(&shut).await;
    assert!(
        (0.4..0.6).contains(&(year / truth.2)) && (ratio / truth.1).ln().abs() < 0.2,
        "{year} {ratio} {words}"
    );
    shut.get("/rates").await.expect(200).says("kilometres count in rates by how frequent encounters are");
}

/// What a sign says must be true of the trail it is about, on the day it goes up.
#[tokio::test]
async fn a_notice_says_more_than_usual_only_where_more_stands_out_now() {
    let at = |day: Date| instant_s(day, 9);
    let test = park(Case::Planted).await.at(at(date(2024, 2, 1))).await;
    let form = |trail: &str, start: &str, expiry: &str| {
        format!(
            "trail={trail}&wording=more-than-usual&start={start}&expiry={expiry}&reason=many+met&name=R.+Example"
        )
    };
    // The form offers it where it is true, whichever unit is looked at.
    for address in ["/watch?trail=Berg+Path", "/watch?unit=trail&trail=Berg+Path"] {
        let page = test.get(address).await.expect(200);
        page.says("<option value=\"more-than-usual\" selected>");
        page.says("may be said where that stands out now: today of Berg Path.");
    }
    for address in ["/watch", "/watch?trail=Vlei+Path"] {
        test.get(address).await.expect(200).says("<option value=\"take-care\" selected>");
    }
    let refused = test.submit("/notices", &form("Vlei+Path", "2024-02-01", "2024-02-20")).await.expect(400);
    refused.says("A sign must not say that more snakes than usual were reported there.");
    refused.says("Choose instead: Venomous snakes live along Vlei Path.");
    test.submit(
        "/notices",
        &form("Vlei+Path", "2024-02-01", "2024-02-20").replace("more-than-usual", "take-care"),
    )
    .await
    .expect(303);
    test.submit("/notices", &form("Berg+Path", "2024-02-01", "2024-02-20")).await.expect(303);
    // Put up in spring it would speak of what was in January; so it would if it were made then.
    let late = test.submit("/notices", &form("Berg+Path", "2024-03-20", "2024-04-10")).await.expect(400);
    late.says("what stood out along Berg Path ended on");
    let test = test.at(at(date(2024, 3, 20))).await;
    test.get("/watch?trail=Berg+Path").await.says("<option value=\"take-care\" selected>");
    test.submit("/notices", &form("Berg+Path", "2024-02-01", "2024-03-25")).await.expect(400);
    let n_made =
        test.app.store().snapshot().await.unwrap().notices(test.by_hand().await.area).await.unwrap().len();
    assert_eq!(n_made, 2);
}

#[tokio::test]
async fn where_nothing_stands_out_no_notice_says_so() {
    let test = park(Case::Quiet).await.at(instant_s(date(2024, 2, 1), 9)).await;
    test.get("/watch").await.expect(200).says("today of no trail.");
    let form = "trail=Berg+Path&wording=more-than-usual&start=2024-02-01&expiry=2024-02-20&reason=a&name=b";
    test.submit("/notices", form).await.expect(400).says("nothing stands out along Berg Path now");
}
