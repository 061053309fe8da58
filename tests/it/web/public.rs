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
