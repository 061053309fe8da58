//! What anybody may see can not be turned back into places: changes that a stranger must not notice change no byte.

use std::collections::BTreeMap;

use axum::http::Method;
use jiff::civil::date;
use proptest::strategy::Strategy;
use proptest::strategy::ValueTree;
use proptest::test_runner::Config;
use proptest::test_runner::TestRunner;

use coilway::domain::account::Grants;
use coilway::domain::account::Right;
use coilway::domain::account::Role;
use coilway::domain::encounter::EncounterDetails;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::encounter::Outcome;
use coilway::domain::geography::LonLat;
use coilway::domain::place::SensitivePlace;
use coilway::domain::units::Length;
use coilway::store::AccountDraft;

use crate::support::NOW_S;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;
use crate::web::accounts::Asker;
use crate::web::accounts::Signed;
use crate::web::trust::bring_in;

/// Where the den is: 200 m north of the western ledge.
const DEN: (f64, f64) = (-700.0, 230.0);
const BUFFER_M: f64 = 300.0;

/// The park with an account, so that whoever does not sign in is a visitor, and with a den.
async fn park() -> TestApp {
    let test = TestApp::with(&Park { has_encounters: false, ..Park::default() }).await;
    let draft = AccountDraft {
        name: "Ash".to_owned(),
        role: Role::Administrator,
        grants: Grants::default(),
        password_hash: String::new(),
        created_by: "tester".to_owned(),
    };
    test.app.store().add_account(&draft, NOW_S).await.unwrap();
    let den = SensitivePlace {
        name: "north den".to_owned(),
        position: at(DEN.0, DEN.1),
        buffer: Length::metres(BUFFER_M).unwrap(),
        reason: "overwintering".to_owned(),
        review_date: String::new(),
    };
    let target = test.by_hand().await;
    test.write(async |writer| {
        writer.put_sensitive_places(&target, &rows([den])).await.unwrap();
    })
    .await;
    test
}

async fn put(test: &TestApp, encounters: Vec<EncounterDraft>) {
    let target = test.by_hand().await;
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &rows(encounters)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
}

/// Every answer that a visitor gets without having to know a secret.
async fn public_answers(test: &TestApp) -> BTreeMap<String, String> {
    let mut answers = BTreeMap::new();
    for route in coilway::web::routes() {
        if route.method == Method::GET && route.right == Right::SeePublic && !route.path.contains('{') {
            let answer = test.get(route.path).await.expect(200);
            assert!(answer.headers.get("etag").is_none(), "{} tells when data change", route.path);
            answers.insert(route.path.to_owned(), answer.body);
        }
    }
    assert!(answers.len() >= 4 && answers.contains_key("/layers/trails.geojson"), "{:?}", answers.keys());
    answers
}

/// Somewhere on the ledge, away from the den and from the other trail.
fn on_the_ledge(step: u32) -> LonLat {
    at(300.0 + f64::from(step % 100) * 11.0, -30.0)
}

fn told(id: &str, position: LonLat) -> EncounterDraft {
    EncounterDraft {
        details: EncounterDetails {
            recorded_by: "Rowan Ash".to_owned(),
            occurrence_remarks: "beside the split boulder".to_owned(),
            ..EncounterDetails::default()
        },
        ..report(id, position, date(2024, 5, 3), 9)
    }
}

#[tokio::test]
async fn what_a_stranger_must_not_notice_changes_no_byte() {
    let test = park().await;
    let ledge = |place: u32| (0..23).map(move |idx| told(&format!("R-{idx}"), on_the_ledge(idx * 3 + place)));
    put(&test, ledge(0).collect()).await;
    let before = public_answers(&test).await;
    assert!(before["/"].contains("about 25 encounters"), "{}", before["/"]);

    let mut runner = TestRunner::deterministic();
    let cases = Config::default().cases.min(8);
    for case in 0..cases {
        let (place, day, hour, in_den) =
            (0_u32..100, 1_i8..28, 6_u16..18, 0_u32..40).new_tree(&mut runner).unwrap().current();
        // Elsewhere on the same trail, on another day, at another hour, of a snake with a name, with a bite.
        let changed = ledge(place).map(|draft| EncounterDraft {
            time: report("x", on_the_ledge(0), date(2024, 6, day), hour).time,
            organism_id: format!("snake-{case}"),
            outcome: Some(Outcome::BiteReported),
            ..draft
        });
        put(&test, changed.collect()).await;
        // More and more snakes at the den, on the trail below it, and led to by telemetry.
        let den = (0..in_den).map(|idx| {
            let position = at(DEN.0 + f64::from(idx % 7), DEN.1 - f64::from(idx) * 6.0);
            told(&format!("D-{case}-{idx}"), position)
        });
        put(&test, den.collect()).await;
        assert_eq!(public_answers(&test).await, before, "case {case}: {place} {day} {hour} {in_den}");
    }
}

#[tokio::test]
async fn one_record_more_does_not_show() {
    let test = park().await;
    put(&test, (0..23).map(|idx| told(&format!("R-{idx}"), on_the_ledge(idx))).collect()).await;
    let before = public_answers(&test).await;
    put(&test, vec![told("R-one-more", on_the_ledge(50))]).await;
    assert_eq!(public_answers(&test).await, before);
    // Enough of them do: the page is no painting.
    put(&test, (0..20).map(|idx| told(&format!("M-{idx}"), on_the_ledge(idx))).collect()).await;
    assert_ne!(public_answers(&test).await, before);
}

/// A stranger who asks after every single change, and keeps all answers, learns on which trail there were how many about,
/// and nothing else: histories that agree in that agree in every byte at every step.
#[tokio::test]
async fn histories_that_differ_in_place_time_or_snake_look_the_same_at_every_step() {
    let mut runner = TestRunner::deterministic();
    // The trail of each step is the same in all histories; what else a record says is not.
    let on_ledge: Vec<bool> =
        (0..24).map(|_| (0_u8..3).new_tree(&mut runner).unwrap().current() > 0).collect();
    let mut seen: Option<Vec<BTreeMap<String, String>>> = None;
    for history in 0..3 {
        let test = park().await;
        let mut answers = vec![public_answers(&test).await];
        for (step, on_ledge) in on_ledge.iter().enumerate() {
            let (along, day, hour, kind) =
                (0_u32..90, 1_i8..28, 6_u16..18, 0_u8..3).new_tree(&mut runner).unwrap().current();
            let position = match on_ledge {
                true => on_the_ledge(along),
                false => at(0.0, -1300.0 + f64::from(along) * 11.0),
            };
            let draft = EncounterDraft {
                time: report("x", position, date(2024, 4 + day % 3, day), hour).time,
                scientific_name: ["", "Crotalus exemplaris", "Agkistrodon fictus"][usize::from(kind)]
                    .to_owned(),
                organism_id: if kind == 1 { format!("snake-{history}-{step}") } else { String::new() },
                ..told(&format!("H{history}-{step}"), position)
            };
            put(&test, vec![draft]).await;
            answers.push(public_answers(&test).await);
        }
        match &seen {
            None => seen = Some(answers),
            Some(seen) => {
                for (step, (now, then)) in answers.iter().zip(seen).enumerate() {
                    assert_eq!(now, then, "history {history}, step {step}");
                }
            }
        }
    }
    let seen = seen.unwrap();
    assert_ne!(seen.first(), seen.last(), "nothing was ever told, so nothing was tried");
}

/// Every answer that a visitor gets, and an observer who may not see exact places, of the routes that are wanted; under
/// addresses with a number of several numbers, which all have to answer alike.
async fn answers_of_strangers(signed: &Signed, wanted: impl Fn(Right) -> bool) -> BTreeMap<String, String> {
    let mut answers = BTreeMap::new();
    let routes = coilway::web::routes();
    for asker in [Asker::Visitor, Asker::Observer] {
        let headers = [("cookie", signed.cookie(asker)), ("accept", "text/html")];
        for route in routes.iter().filter(|route| route.method == Method::GET && wanted(route.right)) {
            for number in ["1", "2", "4000"] {
                let mut address = route.path.to_owned();
                while let Some((start, end)) = address.find('{').zip(address.find('}')) {
                    address.replace_range(start..=end, number);
                }
                let answer = signed.test.ask(Method::GET, &address, &headers).await;
                assert!(answer.headers.get("etag").is_none(), "{address} tells when data change");
                // "There is no batch 2."
                let words = answer.body.replace(&format!(" {number}."), " N.");
                let words = format!("{} {words}", answer.status);
                let kept =
                    answers.entry(format!("{asker:?} {}", route.path)).or_insert_with(|| words.clone());
                assert_eq!(*kept, words, "{asker:?}: {address} differs from its neighbours");
                if address == route.path {
                    break;
                }
            }
        }
    }
    answers
}

/// A file of verified reports.
fn file(id: &str, positions: &[LonLat], day: i8) -> String {
    let head = "occurrenceID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,scientificName,\
                identificationVerificationStatus\n";
    let row = |(n, at): (usize, &LonLat)| {
        let (lat, lon) = (at.lat(), at.lon());
        format!("{id}-{n},report,2024-05-{day:02},09:10,{lat:.6},{lon:.6},Crotalus viridis,verified\n")
    };
    head.to_owned() + &positions.iter().enumerate().map(row).collect::<String>()
}

/// One step of a history, by managers unless it says otherwise.
enum Step {
    /// The den lies there from now on.
    Den(LonLat),
    /// A batch of reports.
    Batch(&'static str, Vec<LonLat>),
    /// The batch is taken back.
    Undo(&'static str),
    /// The same, by an observer: nobody verifies them.
    ByObserver(&'static str, Vec<LonLat>),
}

/// Lives a history, and asks after every moment; in the end for everything.
async fn live(history: u32, moments: Vec<Vec<Step>>, day: i8) -> Vec<BTreeMap<String, String>> {
    let park = Park { has_encounters: false, ..Park::default() };
    let signed = Signed::new(TestApp::with(&park).await).await;
    let mut batches = BTreeMap::new();
    let mut seen = Vec::new();
    for steps in moments {
        for step in steps {
            step.take(&signed, &mut batches, history, day).await;
        }
        let theirs = |right| matches!(right, Right::SeePublic | Right::HaveAccount | Right::BringIn);
        seen.push(answers_of_strangers(&signed, theirs).await);
    }
    seen.push(answers_of_strangers(&signed, |_| true).await);
    seen
}

impl Step {
    async fn take(
        self,
        signed: &Signed,
        batches: &mut BTreeMap<&'static str, String>,
        history: u32,
        day: i8,
    ) {
        match self {
            Self::Den(position) => {
                let den = SensitivePlace {
                    name: "north den".to_owned(),
                    position,
                    buffer: Length::metres(BUFFER_M).unwrap(),
                    reason: "overwintering".to_owned(),
                    review_date: String::new(),
                };
                let target = signed.test.by_hand().await;
                signed
                    .test
                    .write(async |writer| {
                        let tally = writer.put_sensitive_places(&target, &rows([den])).await.unwrap();
                        assert_eq!(tally.problems, []);
                    })
                    .await;
            }
            Self::Batch(name, positions) => {
                let text = file(&format!("{name}-{history}"), &positions, day);
                let answer = bring_in(signed, Asker::Manager, "encounters", "a.csv", text.as_bytes()).await;
                batches.insert(name, answer.expect(303).header("location").to_owned());
            }
            Self::Undo(name) => {
                let headers = [("cookie", signed.cookie(Asker::Manager))];
                signed.test.post(&format!("{}/undo", batches[name]), "", &headers).await.expect(303);
            }
            Self::ByObserver(name, positions) => {
                let text = file(&format!("{name}-{history}"), &positions, day);
                let asker = Asker::ObserverWithExact;
                bring_in(signed, asker, "encounters", "b.csv", text.as_bytes()).await.expect(303);
            }
        }
    }
}

/// A den that is found, that moves and is given up, batches that are taken back, and what observers bring in: a stranger, and
/// an observer who asks for everything by every number, cannot tell any of it from reports that come and go on whole trails.
#[tokio::test]
async fn a_den_that_moves_looks_like_reports_that_come_and_go() {
    let mut runner = TestRunner::deterministic();
    let mut seen: Option<Vec<BTreeMap<String, String>>> = None;
    let n_histories = Config::default().cases.clamp(2, 3);
    for history in 0..n_histories {
        let mut draw = || (0_u32..100).new_tree(&mut runner).unwrap().current();
        let day = 1 + (draw() % 27) as i8;
        // Far from both dens, in the buffer of the one on the ledge, in the buffer of the other on the swale.
        let open: Vec<LonLat> = (0..20).map(|_| on_the_ledge(draw())).collect();
        let at_first: Vec<LonLat> = (0..10).map(|_| at(-760.0 + f64::from(draw()), 25.0)).collect();
        let at_second: Vec<LonLat> = (0..15).map(|_| at(15.0, -960.0 + f64::from(draw()))).collect();
        let few: Vec<LonLat> = (0..10).map(|_| on_the_ledge(draw())).collect();
        let first = at(DEN.0 + f64::from(draw() % 20), DEN.1 - f64::from(draw() % 20));
        let second = at(100.0 + f64::from(draw() % 30), -900.0 + f64::from(draw() % 30));
        let nowhere = at(9000.0, 9000.0);
        let moments = match history + 1 < n_histories {
            true => vec![
                vec![Step::Den(first)],
                vec![Step::Batch("open", open)],
                vec![Step::Batch("first", at_first)],
                vec![Step::Batch("second", at_second)],
                vec![Step::ByObserver("probe", few.clone())],
                vec![Step::Den(second)],
                vec![Step::Batch("few", few)],
                vec![Step::Undo("few")],
                vec![Step::Den(nowhere)],
            ],
            // No den anywhere near.
            false => vec![
                vec![Step::Den(nowhere)],
                vec![Step::Batch("open", open)],
                vec![Step::ByObserver("unverified", at_first.clone())],
                vec![Step::Batch("second", at_second.clone())],
                vec![Step::ByObserver("probe", few.clone())],
                vec![Step::Batch("first", at_first), Step::Undo("second")],
                vec![Step::Batch("few", few)],
                vec![Step::Undo("few")],
                vec![Step::Batch("second again", at_second)],
            ],
        };
        let answers = live(history, moments, day).await;
        match &seen {
            None => seen = Some(answers),
            Some(seen) => {
                for (step, (now, then)) in answers.iter().zip(seen).enumerate() {
                    assert_eq!(now, then, "history {history}, step {step}");
                }
            }
        }
    }
    // All of it did something: the page is no painting.
    let seen = seen.unwrap();
    assert_eq!(seen[1], seen[2], "what lies in the buffer shows");
    assert_eq!(seen[3], seen[4], "what nobody verified shows");
    assert_eq!(seen[5], seen[7]);
    for (one, other) in [(0, 1), (2, 3), (4, 5), (5, 6), (7, 8)] {
        assert_ne!(seen[one], seen[other], "steps {one} and {other}");
    }
}

/// Without counters the days walked are those that reports speak of: none of them shows, not even in the kilometres.
#[tokio::test]
async fn where_nobody_is_counted_no_record_shows() {
    let park = Park { has_walking: false, has_encounters: false, ..Park::default() };
    let signed = Signed::new(TestApp::with(&park).await).await;
    let text = file("R", &(0..30).map(on_the_ledge).collect::<Vec<_>>(), 3);
    bring_in(&signed, Asker::Manager, "encounters", "a.csv", text.as_bytes()).await.expect(303);
    let wanted = |right| right == Right::SeePublic;
    let before = answers_of_strangers(&signed, wanted).await;
    assert!(before["Visitor /"].contains("no walking recorded"), "{}", before["Visitor /"]);
    let long_ago = file("D", &[at(DEN.0, DEN.1)], 3).replace("2024-05", "2004-05");
    bring_in(&signed, Asker::Observer, "encounters", "b.csv", long_ago.as_bytes()).await.expect(303);
    assert_eq!(answers_of_strangers(&signed, wanted).await, before);
}

#[tokio::test]
async fn public_answers_name_no_place_person_or_record() {
    let test = park().await;
    put(&test, (0..30).map(|idx| told(&format!("R-{idx}"), on_the_ledge(idx))).collect()).await;
    let facts = test.app.deriver().facts().await.unwrap();
    let vertices: Vec<LonLat> = facts.trails.iter().flat_map(|trail| trail.parts.concat()).collect();
    for (path, body) in public_answers(&test).await {
        for word in [
            "Rowan",
            "boulder",
            "north den",
            "R-1",
            "Crotalus",
            "2024-05",
            "telemetry",
            "/stretch/",
            "/encounters",
        ] {
            assert!(!body.contains(word), "{path} says {word}");
        }
        if path == "/layers/trails.geojson" {
            // Only the trails' own vertices.
            let collection: serde_json::Value = serde_json::from_str(&body).unwrap();
            let features = collection["features"].as_array().unwrap();
            let mut shown = Vec::new();
            features.iter().for_each(|feature| positions(&feature["geometry"]["coordinates"], &mut shown));
            assert!(!shown.is_empty());
            let is_vertex = |[lon, lat]: &[f64; 2]| {
                vertices.iter().any(|at| (at.lon() - lon).abs() < 1e-6 && (at.lat() - lat).abs() < 1e-6)
            };
            assert!(shown.iter().all(is_vertex), "{shown:?}");
            for feature in features {
                for field in ["dataGeneralizations", "informationWithheld"] {
                    assert!(feature["properties"][field].as_str().is_some_and(|words| words.len() > 40));
                }
                assert!(feature["properties"]["coordinateUncertaintyInMeters"].as_f64().unwrap() > 1500.0);
            }
        }
    }
}

/// All positions in a GeoJSON geometry, however deep.
fn positions(value: &serde_json::Value, found: &mut Vec<[f64; 2]>) {
    let Some(items) = value.as_array() else { return };
    match (
        items.first().and_then(serde_json::Value::as_f64),
        items.get(1).and_then(serde_json::Value::as_f64),
    ) {
        (Some(lon), Some(lat)) => found.push([lon, lat]),
        _ => items.iter().for_each(|item| positions(item, found)),
    }
}

#[tokio::test]
async fn answers_cannot_be_subtracted() {
    let test = park().await;
    put(&test, (0..30).map(|idx| told(&format!("R-{idx}"), on_the_ledge(idx))).collect()).await;
    for address in [
        "/?month=5",
        "/?stretch=0",
        "/layers/trails.geojson?bbox=-109.5,37.5,-109.4,37.7",
        "/layers/trails.geojson?limit=1",
        "/layers/trails.geojson?after=1",
    ] {
        test.get(address).await.expect(400);
    }
    for address in [
        "/layers/segments.geojson",
        "/layers/stretches.geojson",
        "/layers/density.geojson",
        "/layers/signs.geojson",
        "/layers/notices.geojson",
    ] {
        test.get(address).await.expect(401).never_says("coordinates");
    }
}

#[tokio::test]
async fn fewer_than_five_are_not_told_from_none() {
    let test = park().await;
    let none = public_answers(&test).await;
    put(&test, (0..4).map(|idx| told(&format!("R-{idx}"), on_the_ledge(idx))).collect()).await;
    assert_eq!(public_answers(&test).await, none);
    assert!(none["/"].contains("fewer than 5 encounters"));
}
