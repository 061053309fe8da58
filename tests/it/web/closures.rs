//! Closures of trails: from the file to the walking, the page and the study, and back.

use coilway::analysis::exposure::Provenance;
use coilway::derived::Derived;
use coilway::derived::exposure::ExposureLayer;
use coilway::derived::exposure::closures::Closed;
use coilway::domain::batch::Content;
use coilway::domain::exposure::CounterDraft;
use coilway::domain::exposure::ReadingDraft;

use super::observers::bring_in;
use crate::support::Answer;
use crate::support::LEDGE;
use crate::support::TestApp;
use crate::support::at;
use crate::support::rows;

const HEAD: &str = "name,from,until,reason\n";
/// 2024-04-01T07:00:00Z, midnight in the park: its readings begin, and end after 91 days.
const FIRST_S: i64 = 1_711_954_800;

/// Pages whose figures rest on walking.
const ADDRESSES: [&str; 8] =
    ["/rates", "/", "/trails", "/clusters", "/signs", "/season", "/survey", "/watch"];

/// Brings in a table of closures through the import page; the address of its batch.
pub(super) async fn bring_in_closures(test: &TestApp, rows: &str) -> String {
    let text = format!("{HEAD}{rows}");
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"closures"), ("file", Some("closures.csv"), text.as_bytes())];
    test.send_files("/data/import", &parts, &[]).await.expect(303).header("location").to_owned()
}

async fn walking(test: &TestApp) -> Derived<ExposureLayer> {
    let facts = test.app.deriver().facts().await.unwrap();
    test.app.deriver().exposure(&facts).await.unwrap()
}

/// The segments of a trail.
async fn on(test: &TestApp, trail: &str) -> Vec<usize> {
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().network(&facts).await.unwrap();
    let segments = layer.network.segments.iter().enumerate();
    let of_trail = segments.filter(|(_, it)| layer.network.trails[it.trail_idx].name == trail);
    of_trail.map(|(segment, _)| segment).collect()
}

fn said(page: &Answer, all: &[&str]) {
    all.iter().for_each(|words| page.says(words));
}

#[tokio::test]
async fn a_closed_trail_without_a_counter_is_walked_less_and_the_undo_opens_it() {
    let test = TestApp::park().await;
    test.get("/exposure").await.expect(200).says("None were brought in.");
    test.get("/study/closures.csv").await.expect(422).says("No closures were brought in");
    test.get("/data/import").await.expect(200).says("One row a time in which people were not to walk");
    let (swale, ledge) = (on(&test, "Swale Path").await, on(&test, LEDGE).await);
    let before = walking(&test).await;
    let mut answered = Vec::new();
    for address in ADDRESSES {
        answered.push(test.get(address).await.status.as_u16());
    }
    // Two that overlap, and one that one of them holds.
    let batch = bring_in_closures(
        &test,
        "Swale Path,2024-05-01,2024-05-31,nesting falcons\nSwale Path,2024-05-20,2024-06-09,\n\
         Swale Path,2024-05-28T09:00,2024-05-28T17:00,rope work\n",
    )
    .await;
    let after = walking(&test).await;
    // Of April all is left, of May nothing, of June 21 days of 30.
    let left = |month: i8| [1.0, 0.0, 0.7][usize::try_from(month - 4).unwrap()];
    let cells = &before.field.time.cells;
    let n_draws = before.field.n_draws;
    let mut mean = 0.0;
    for draw in 0..n_draws {
        let shares = before.field.time.draw(draw).iter().enumerate();
        let open: f64 = shares.map(|(cell, share)| share * left(cells.year_months[cell / 24].month)).sum();
        mean += open / n_draws as f64;
        let (was, is) = (before.field.draw(draw), after.field.draw(draw));
        for segment in &swale {
            assert!((is[*segment] - was[*segment] * open).abs() <= 1e-9 * was[*segment], "draw {draw}");
        }
        assert!(ledge.iter().all(|segment| is[*segment] == was[*segment]), "draw {draw}");
    }
    assert!((0.3..0.8).contains(&mean), "{mean}");
    assert_eq!(after.mean_km, after.field.mean_km());
    // What was not walked is inside no place either.
    assert!(after.inside_places_km.value <= before.inside_places_km.value + 1e-9);
    assert!(after.inside_places_km.lower >= 0.0);

    // The parties that signs would be passed by are as many as walked.
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().network(&facts).await.unwrap();
    let (mut by_leg, mut naive) = (0.0, 0.0);
    for trip in &after.trips {
        let parties = after.parties_on_legs(trip, &layer);
        for (leg, parties) in trip.legs.iter().zip(parties).filter(|(leg, _)| swale.contains(&leg.segment)) {
            let km = layer.network.segments[leg.segment].length_m / 1000.0;
            by_leg += parties * km;
            naive += trip.parties * km;
        }
    }
    assert!((by_leg / naive - mean).abs() < 1e-9, "{by_leg} {naive} {mean}");
    test.get("/signs").await.expect(200);

    let page = test.get("/exposure").await.expect(200);
    said(
        &page,
        &[
            "1 May 2024",
            "31 May 2024",
            "28 May 2024 09:00",
            "nesting falcons",
            "not given",
            "Walking on Swale Path is less by",
            ", for all its closures together",
            "A closure says nothing about snakes.",
        ],
    );
    for address in ["/season", "/watch", "/effect"] {
        let page = test.get(address).await.expect(200);
        page.says("Closed for a time: Swale Path. What would have been walked there then is in no month, week or hour");
    }
    let table = test.get("/study/closures.csv").await.expect(200);
    let lines: Vec<&str> = table.body.lines().collect();
    assert_eq!(
        lines[0],
        "name,closed,from,until,counters,readings,zeros,less_on,less_by,less_by_lower,less_by_upper"
    );
    assert!(
        lines[1].starts_with("Swale Path,trail,2024-05-01T00:00,2024-06-01T00:00,,0,0,Swale Path,0."),
        "{}",
        lines[1]
    );
    assert_eq!(lines.len(), 4);
    table.never_says("falcons");

    let history = test.get("/history").await.expect(200);
    history.says("closure");
    test.submit(&format!("{batch}/undo"), "").await.expect(303);
    assert_eq!(walking(&test).await.field.party_km, before.field.party_km);
    test.get("/exposure").await.expect(200).says("None were brought in.");
    for address in ["/season", "/watch", "/effect"] {
        test.get(address).await.expect(200).never_says("Closed for a time");
    }

    // Closed all the time nobody walks there, and no rate is made of it.
    bring_in_closures(&test, "Swale Path,2023-11-01,,\n").await;
    let never = walking(&test).await;
    assert_eq!(never.walked_on(&swale).upper, 0.0);
    assert!(swale.iter().all(|segment| never.field.provenance[*segment] == Provenance::NotWalked));
    test.get("/exposure").await.expect(200).says("Walking on Swale Path is less by 100 %");
    for (address, status) in ADDRESSES.into_iter().zip(answered) {
        test.get(address).await.expect(status).never_says("NaN");
    }
}

#[tokio::test]
async fn every_closure_says_what_it_did_and_wrong_rows_wait() {
    let test = TestApp::park().await;
    let file = format!(
        "{HEAD}{LEDGE},2024-06-01,,flood\nWest Gate,2024-04-02T06:00,2024-04-03T12:00,fallen tree\n\
         South Gate,2024-05-05,2024-05-06,\nNowhere Trail,2024-05-01,2024-05-02,\n\
         Whole area,2024-04-10,2024-04-11,storm\n,2025-06-01,,flood\n{LEDGE},2010-01-01,2010-02-01,\n\
         {LEDGE},2024-05-09,2024-05-08,\n{LEDGE},soon,,\n{LEDGE},,2024-05-08,\n{LEDGE},2024-06-01,2024-06-02,flood\n\
         =1+1,2024-05-01,,\n\"<script>alert(1)</script>\",2024-05-03,,\"<b>\"\n"
    );
    assert_eq!(bring_in(&test, Content::Closures, file).await, (7, 6));
    said(
        &test.get("/data/rows").await.expect(200),
        &[
            "the closure ends before it begins, on 2024-05-09",
            "this is not a date",
            "there is no value",
            "row 2 of the file has the same name and from and says something else",
            "this is a spreadsheet formula",
        ],
    );
    let page = test.get("/exposure").await.expect(200);
    said(
        &page,
        &[
            // Ten hours of the day the counter counts nobody, open or closed.
            "Counter C1: 300 of 720 readings are zero, and none passes for an outage.",
            "Counter C1: 10 of 30 readings are zero, and none passes for an outage.",
            "Counter C1: 20 of 48 readings are zero, and none passes for an outage.",
            "Walkers who start there are fewer by ",
            "Walking on Swale Path is less by ",
            // The park's counter goes on counting as before.
            "passages of theirs were counted while it was closed, where",
            "Holds nowhere: no trail or trailhead of that name is there now.",
            "Nothing: it lies outside the days looked at.",
            "still closed",
            "the whole area",
            "2 Apr 2024 06:00",
            "3 Apr 2024 12:00",
            "&lt;script&gt;",
        ],
    );
    page.never_says("<script>alert");
    let exposure = walking(&test).await;
    assert_eq!(exposure.closures.effects.len(), 7);
    let closures = &exposure.closures;
    assert!(closures.open.iter().all(Option::is_some), "the whole area was closed for two days");
    let heads = exposure.trailheads.iter().map(|head| closures.less_at(*head).value);
    let most = heads.fold(0.0, f64::max);
    assert!((0.01..0.05).contains(&most), "two days of 91 at South Gate: {most}");
    let table = test.get("/study/closures.csv").await.expect(200);
    table.says("whole area,area,2024-04-10T00:00");
    table.says("South Gate,trailhead,2024-05-05T00:00,2024-05-07T00:00,,0,0,South Gate,0.0");
    let rate = test.get("/rates").await.expect(200);
    rate.never_says("NaN");
}

/// Overwrites what the counter of the park read in some days: nobody.
async fn put_zeros(test: &TestApp, days: std::ops::Range<i64>) {
    let target = test.by_hand().await;
    let reading = |hour: i64| ReadingDraft {
        counter: "C1".to_owned(),
        start_s: FIRST_S + hour * 3600,
        length_s: 3600,
        count_in: 0,
        count_out: None,
    };
    test.write(async |writer| {
        let readings = rows((days.start * 24..days.end * 24).map(reading));
        writer.put_readings(&target, &readings).await.unwrap();
    })
    .await;
}

/// The counter of Ledge Walk stands at its trailhead, from which nothing else leads on: it counts who walks there.
#[tokio::test]
async fn zeros_of_a_closed_trail_halve_its_walking_where_the_closure_is_known() {
    let test = TestApp::park().await;
    let ledge = on(&test, LEDGE).await;
    let full = walking(&test).await.walked_on(&ledge).value;
    put_zeros(&test, 20..65).await;
    let naive = walking(&test).await.walked_on(&ledge).value;
    assert!((naive / full).ln().abs() < 0.15, "taken for an outage: {naive} {full}");
    // 21 April to 4 June: 45 of 91 days.
    bring_in_closures(&test, &format!("{LEDGE},2024-04-21,2024-06-04,fire\n")).await;
    let layer = walking(&test).await;
    let known = layer.walked_on(&ledge).value;
    assert!((known / full - 46.0 / 91.0).abs() < 0.08, "{known} {full}");
    assert_eq!(layer.closures.effects[0].counters[0].n_zero, 45 * 24);
    assert_eq!(layer.field.readings[0].outage, 0);
    // The course of the year is that of the open time: May is no month without walkers.
    let in_may: f64 = layer.field.time.share_where(|month, _| month.month == 5).iter().sum::<f64>()
        / layer.field.n_draws as f64;
    assert!(in_may > 0.15, "{in_may}");
}

/// What counters read while the whole area was closed is in no level and no course either.
#[tokio::test]
async fn a_closed_area_takes_its_share_of_trails_parties_and_visits() {
    let test = TestApp::park().await;
    let swale = on(&test, "Swale Path").await;
    let full = walking(&test).await;
    put_zeros(&test, 20..65).await;
    bring_in_closures(&test, "Whole Area,2024-04-21,2024-06-04,fire\n").await;
    let layer = walking(&test).await;
    let effect = &layer.closures.effects[0];
    assert_eq!((effect.closed, effect.less_on.len()), (Closed::Area, layer.closures.open.len()));
    let left = layer.walked_on(&swale).value / full.walked_on(&swale).value;
    assert!((left - 46.0 / 91.0).abs() < 0.1, "{left}");
    let in_may: f64 = layer.field.time.share_where(|month, _| month.month == 5).iter().sum::<f64>()
        / layer.field.n_draws as f64;
    assert!(in_may > 0.15, "the course of the year is that of the open time: {in_may}");
    let sum = |values: &[f64]| values.iter().sum::<f64>();
    let parties = sum(&layer.field.parties) / sum(&full.field.parties);
    assert!((parties - left).abs() < 0.05, "{parties} {left}");
    assert!(sum(&full.field.place_visits) > 0.0);
    let visits = sum(&layer.field.place_visits) / sum(&full.field.place_visits);
    assert!((visits - left).abs() < 0.05, "{visits} {left}");
    // Trips count those who come, and their legs no closure twice.
    let trips: f64 = layer.trips.iter().map(|trip| trip.parties).sum();
    let mean: f64 = layer.field.mean_parties().iter().sum();
    assert!(trips <= mean * (1.0 + 1e-9) && trips > 0.8 * mean, "{trips} {mean}");
    let facts = test.app.deriver().facts().await.unwrap();
    let network = test.app.deriver().network(&facts).await.unwrap();
    for trip in &layer.trips {
        let legs = layer.parties_on_legs(trip, &network);
        assert!(legs.iter().all(|parties| (parties - trip.parties).abs() < 1e-9 * trip.parties));
    }

    // Closed for ever, nobody comes, and no page makes a number of it.
    bring_in_closures(&test, "whole area,2023-11-01,,\n").await;
    let never = walking(&test).await;
    assert_eq!((sum(&never.field.parties), sum(&never.field.place_visits)), (0.0, 0.0));
    assert_eq!(never.walked_on(&swale).upper, 0.0);
    for address in ["/exposure", "/rates", "/", "/trails", "/clusters", "/signs", "/season", "/watch"] {
        test.get(address).await.never_says("NaN");
    }
}

/// A counter that stood on a trail for two weeks of a study of two years, the second of them closed: the week that was closed is
/// off, and not the half of two years.
#[tokio::test]
async fn a_counter_that_stood_there_for_two_weeks_does_not_halve_two_years() {
    let test = TestApp::park().await;
    let swale = on(&test, "Swale Path").await;
    let target = test.by_hand().await;
    let reading = |counter: &str, hour: i64, hours: i64, count_in: u32| ReadingDraft {
        counter: counter.to_owned(),
        start_s: FIRST_S + hour * 3600,
        length_s: hours * 3600,
        count_in,
        count_out: None,
    };
    test.write(async |writer| {
        let counter = CounterDraft {
            name: "C2".to_owned(),
            device: "infrared".to_owned(),
            position: at(2.0, -1350.0),
            from_s: None,
            until_s: None,
        };
        writer.put_counters(&target, &rows([counter])).await.unwrap();
        let years = (91..730).map(|day| reading("C1", day * 24, 24, 50));
        writer.put_readings(&target, &rows(years)).await.unwrap();
        let walked = |hour: i64| u32::from((8..18).contains(&(hour % 24)) && hour < 7 * 24);
        let two_weeks = (0..14 * 24).map(|hour| reading("C2", hour, 1, walked(hour)));
        writer.put_readings(&target, &rows(two_weeks)).await.unwrap();
    })
    .await;
    let before = walking(&test).await.walked_on(&swale).value;
    // 8 to 14 April 2024.
    bring_in_closures(&test, "Swale Path,2024-04-08,2024-04-14,\n").await;
    let layer = walking(&test).await;
    let [april] = &layer.closures.effects[..] else { panic!("{:?}", layer.closures.effects) };
    let of_c2 = &april.counters[0];
    assert_eq!((april.counters.len(), of_c2.n_readings, of_c2.n_zero), (1, 168, 168));
    let trail = april.less_on[0];
    let less = layer.closures.less_on(trail);
    assert!((0.001..0.05).contains(&less.value) && less.lower < less.upper, "{less:?}");
    assert_eq!(layer.closures.passed[trail].share(), 0.0);
    let after = layer.walked_on(&swale).value;
    assert!((after / before).ln().abs() < 0.2, "{after} {before}");
    assert!(swale.iter().all(|segment| layer.field.provenance[*segment] != Provenance::NotWalked));
    test.get("/exposure").await.expect(200).never_says("all of them while it was closed");
    // The first week was closed as well: nothing is left that speaks of the open time, and the page says so.
    bring_in_closures(&test, "Swale Path,2024-04-01,2024-04-07,\n").await;
    let page = test.get("/exposure").await.expect(200);
    page.says("counted 70 passages, all of them while it was closed");
    page.says("look at the days of the closure");
}

/// One counter at the West Gate and one 150 m beyond it. While the gate is closed one in ten starts all the same.
#[tokio::test]
async fn a_closed_trailhead_is_not_taken_off_twice_by_a_counter_beyond_it() {
    let test = TestApp::park().await;
    let west = on(&test, LEDGE).await[..8].to_vec();
    let target = test.by_hand().await;
    let reading = |counter: &str, hour: i64, count_in: u32| ReadingDraft {
        counter: counter.to_owned(),
        start_s: FIRST_S + hour * 3600,
        length_s: 3600,
        count_in,
        count_out: None,
    };
    let by_day = |hour: i64, n: u32| if (8..18).contains(&(hour % 24)) { n } else { 0 };
    test.write(async |writer| {
        let counter = CounterDraft {
            name: "C2".to_owned(),
            device: "infrared".to_owned(),
            position: at(-1350.0, 7.0),
            from_s: None,
            until_s: None,
        };
        writer.put_counters(&target, &rows([counter])).await.unwrap();
        let open = (0..91 * 24)
            .flat_map(|hour| [reading("C1", hour, by_day(hour, 10)), reading("C2", hour, by_day(hour, 10))]);
        writer.put_readings(&target, &rows(open)).await.unwrap();
    })
    .await;
    let full = walking(&test).await.walked_on(&west).value;
    // 21 April to 4 June: 45 of 91 days.
    test.write(async |writer| {
        let closed = (20 * 24..65 * 24)
            .flat_map(|hour| [reading("C1", hour, by_day(hour, 1)), reading("C2", hour, by_day(hour, 1))]);
        writer.put_readings(&target, &rows(closed)).await.unwrap();
    })
    .await;
    let low = walking(&test).await.walked_on(&west).value / full;
    bring_in_closures(&test, "West Gate,2024-04-21,2024-06-04,rock fall\n").await;
    let layer = walking(&test).await;
    let [closure] = &layer.closures.effects[..] else { panic!("{:?}", layer.closures.effects) };
    assert_eq!(closure.counters.len(), 2, "both count those who start at the gate");
    let Closed::Trailhead(head) = closure.closed else { panic!("{closure:?}") };
    let passed = layer.closures.passed_heads[head].share();
    assert!((passed - 0.1).abs() < 0.05, "{passed}");
    let kept = 1.0 - 45.0 / 91.0 * 0.9;
    let found = layer.walked_on(&west).value / full;
    // A few come from the South Gate, of whom none is kept out.
    assert!((found - kept).abs() < 0.08, "{found} {kept}");
    // Taken off the level of all days once more it is a third too little.
    assert!(low * kept < 0.8 * kept, "{low}");
    let page = test.get("/exposure").await.expect(200);
    page.says("Walkers who start there are fewer by ");
    page.says("passages of theirs were counted while it was closed, where");
}

/// Of those who walk while it is closed a counter tells.
#[tokio::test]
async fn what_was_counted_all_the_same_is_put_back() {
    let test = TestApp::park().await;
    let ledge = on(&test, LEDGE).await;
    let full = walking(&test).await.walked_on(&ledge).value;
    // The counter goes on counting as before: they all walk.
    bring_in_closures(&test, &format!("{LEDGE},2024-04-21,2024-06-04,\n")).await;
    let layer = walking(&test).await;
    let trail = layer.closures.effects[0].less_on[0];
    assert!(layer.closures.passed[trail].share() > 0.85, "{:?}", layer.closures.passed);
    test.get("/exposure").await.expect(200).says("was it closed on all of these days?");
    assert!((layer.walked_on(&ledge).value / full).ln().abs() < 0.15);
    // Half of the closed days nobody.
    put_zeros(&test, 20..43).await;
    let half = walking(&test).await.closures.passed[trail].share();
    assert!((half - 0.5).abs() < 0.1, "{half}");
}
