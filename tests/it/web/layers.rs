//! Layers: GeoJSON as RFC 7946 has it, with limits, boxes, dates and pages.

use std::collections::BTreeSet;

use axum::http::Method;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use jiff::civil::date;
use serde_json::Value;

use crate::support::OBSERVER;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

const LAYERS: [&str; 8] =
    ["stretches", "segments", "trails", "encounters", "density", "signs", "clusters", "walks"];

fn address(layer: &str, query: &str) -> String {
    format!("/layers/{layer}.geojson?{query}")
}

/// All positions of a geometry.
fn positions(coordinates: &Value) -> Vec<[f64; 2]> {
    let list = coordinates.as_array().unwrap();
    match &list[..] {
        [Value::Number(lon), Value::Number(lat)] => vec![[lon.as_f64().unwrap(), lat.as_f64().unwrap()]],
        parts => parts.iter().flat_map(positions).collect(),
    }
}

fn features(collection: &Value) -> &Vec<Value> {
    collection["features"].as_array().unwrap()
}

/// The park with a survey walk and so many reports on one stretch that the scan finds it.
async fn with_a_cluster() -> TestApp {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let met = (0..25_i8).map(|idx| {
        let near = at(-740.0 + f64::from(idx % 5) * 45.0, 33.0);
        report(&format!("K-{idx}"), near, date(2024, 5, 1 + idx), 9)
    });
    let walk = WalkDraft {
        event_id: "P-0".to_owned(),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: OBSERVER.to_owned(),
        start_s: 1_715_000_000,
        end_s: None,
        sampling_protocol: String::new(),
        track: (-15..=0).map(|step| at(f64::from(step) * 100.0, 10.0)).collect(),
        track_times_s: Vec::new(),
    };
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &rows(met)).await.unwrap();
        assert_eq!(tally.problems, []);
        writer.put_walks(&target, &rows([walk])).await.unwrap();
    })
    .await;
    test
}

#[tokio::test]
async fn every_layer_is_valid() {
    let test = with_a_cluster().await;
    for layer in LAYERS {
        let answer = test.get(&address(layer, "")).await.expect(200);
        assert!(!answer.features().features.is_empty(), "{layer} is empty");
        let json = answer.json();
        assert_eq!(json["numberReturned"], features(&json).len(), "{layer}");
        assert_eq!(json["numberMatched"], features(&json).len(), "{layer}");
        let names = |feature: &Value| -> BTreeSet<String> {
            feature["properties"].as_object().unwrap().keys().cloned().collect()
        };
        let first = names(&features(&json)[0]);
        let mut ids = BTreeSet::new();
        for feature in features(&json) {
            assert_eq!(names(feature), first, "{layer}: a property is missing from a feature");
            assert!(ids.insert(feature["id"].to_string()), "{layer}: {} stands twice", feature["id"]);
            let properties = feature["properties"].as_object().unwrap();
            assert!(properties.values().all(|value| !value.is_object() && !value.is_array()), "{layer}");
            if feature["geometry"].is_null() {
                continue;
            }
            for [lon, lat] in positions(&feature["geometry"]["coordinates"]) {
                assert!(
                    (-109.5..-109.3).contains(&lon) && (37.5..37.7).contains(&lat),
                    "{layer}: {lon} {lat}"
                );
                for degrees in [lon, lat] {
                    let steps = degrees * 1e7;
                    assert!((steps - steps.round()).abs() < 1e-4, "{layer}: more than seven decimals");
                }
            }
        }
    }
}

#[tokio::test]
async fn a_rate_never_comes_without_its_interval_and_counts() {
    let test = TestApp::park().await;
    for layer in ["stretches", "segments"] {
        for query in ["", "month=5", "month=5&part=early"] {
            let json = test.get(&address(layer, query)).await.expect(200).json();
            let mut with_rate = 0;
            for feature in features(&json) {
                let properties = &feature["properties"];
                let number = |name: &str| properties[name].as_f64();
                assert!(number("encounters").is_some() && number("walked_km").is_some(), "{properties}");
                assert!(!properties["walking_is"].as_str().unwrap().is_empty());
                let word = properties["interval_width"].as_str().unwrap();
                assert!(["narrow", "wide", "too wide", "none"].contains(&word), "{word}");
                assert_eq!(
                    properties["rate_class"].is_u64(),
                    word == "narrow" || word == "wide",
                    "{properties}"
                );
                match number("rate_per_1000_km") {
                    Some(rate) => {
                        let limits = (number("rate_lower").unwrap(), number("rate_upper").unwrap());
                        assert!(0.0 <= limits.0 && limits.0 <= rate && rate <= limits.1, "{properties}");
                        with_rate += 1;
                    }
                    None => assert!(properties["rate_lower"].is_null() && properties["rate_upper"].is_null()),
                }
            }
            assert!(with_rate > 0, "{layer}?{query} has no rate at all");
        }
    }
}

#[tokio::test]
async fn only_walking_that_counters_identify_is_compared() {
    let test = TestApp::park().await;
    let json = test.get(&address("segments", "")).await.expect(200).json();
    let (mut counted, mut assumed) = (0, 0);
    for feature in features(&json) {
        let properties = &feature["properties"];
        match properties["walking_is"].as_str().unwrap() {
            "counted" | "fitted from counters" => {
                counted += 1;
                assert!(properties["exceedance"].is_f64(), "{properties}");
            }
            _ => {
                assumed += 1;
                assert!(properties["exceedance"].is_null(), "{properties}");
            }
        }
    }
    assert!(counted > 0 && assumed > 0);
}

#[tokio::test]
async fn each_trail_is_labelled_once_and_its_stretches_add_up() {
    let test = TestApp::park().await;
    let sum = |json: &Value, name: &str| -> f64 {
        features(json).iter().map(|feature| feature["properties"][name].as_f64().unwrap()).sum()
    };
    let stretches = test.get(&address("stretches", "")).await.json();
    let segments = test.get(&address("segments", "")).await.json();
    for name in ["length_m", "encounters", "walked_km"] {
        let (by_stretch, by_segment) = (sum(&stretches, name), sum(&segments, name));
        // Properties are rounded, the more often the more features there are.
        assert!((by_stretch - by_segment).abs() < 0.06 * features(&segments).len() as f64, "{name}");
    }
    let mut labels: Vec<&str> =
        features(&stretches).iter().filter_map(|feature| feature["properties"]["label"].as_str()).collect();
    labels.sort_unstable();
    assert_eq!(labels, ["Ledge Walk", "Swale Path"]);
}

#[tokio::test]
async fn the_geometry_meets_the_box() {
    let test = TestApp::park().await;
    let count = async |layer: &str, query: &str| {
        test.get(&address(layer, query)).await.expect(200).json()["numberMatched"].as_u64().unwrap()
    };
    let all = count("segments", "").await;
    let (low, high) = (at(-1600.0, -1500.0), at(1600.0, 1500.0));
    let whole = format!("bbox={},{},{},{}", low.lon(), low.lat(), high.lon(), high.lat());
    assert_eq!(count("segments", &whole).await, all);
    let heights = format!("bbox={},{},0,{},{},4000", low.lon(), low.lat(), high.lon(), high.lat());
    assert_eq!(count("segments", &heights).await, all);
    // North-east of the crossing the envelope of no segment is free of trail, but the box is.
    let (low, high) = (at(300.0, 300.0), at(600.0, 600.0));
    let beside = format!("bbox={},{},{},{}", low.lon(), low.lat(), high.lon(), high.lat());
    assert_eq!(count("segments", &beside).await, 0);
    let (low, high) = (at(-1020.0, -50.0), at(-980.0, 90.0));
    let across = format!("bbox={},{},{},{}", low.lon(), low.lat(), high.lon(), high.lat());
    assert!((1..=2).contains(&count("segments", &across).await));
    assert_eq!(count("trails", &across).await, 1);
    assert!(count("encounters", &across).await < count("encounters", "").await);
    let point = format!("bbox={0},{1},{0},{1}", at(0.0, 0.0).lon(), at(0.0, 0.0).lat());
    assert_eq!(count("trails", &point).await, 2);
    assert_eq!(count("segments", "bbox=170,-20,-170,20").await, 0);
}

#[tokio::test]
async fn pages_lead_through_the_whole_layer() {
    let test = TestApp::complete_park().await;
    for (layer, limit) in [("encounters", 30), ("segments", 10), ("stretches", 1), ("walks", 8)] {
        let whole = test.get(&address(layer, "")).await.expect(200).json();
        let mut next = Some(address(layer, &format!("limit={limit}")));
        let mut found = Vec::new();
        let mut n_pages = 0;
        while let Some(at) = next {
            let page = test.get(&at).await.expect(200).json();
            assert_eq!(page["numberMatched"], whole["numberMatched"], "{at}");
            assert!(features(&page).len() <= limit);
            found.extend(features(&page).iter().map(|feature| feature["id"].clone()));
            n_pages += 1;
            next = page["links"].as_array().unwrap().iter().find(|link| link["rel"] == "next").map(|link| {
                assert_eq!(link["type"], "application/geo+json");
                let href = link["href"].as_str().unwrap();
                // Clients of other makers follow absolute links only.
                href.strip_prefix("http://localhost:8017").unwrap().to_owned()
            });
        }
        let expected: Vec<Value> = features(&whole).iter().map(|feature| feature["id"].clone()).collect();
        assert_eq!(found, expected, "{layer}");
        assert_eq!(n_pages, expected.len().div_ceil(limit), "{layer}");
    }
}

#[tokio::test]
async fn a_next_page_keeps_what_was_asked() {
    let test = TestApp::park().await;
    let page = test.get(&address("encounters", "effort=report&from=2024-05-01&limit=3")).await.json();
    let href = page["links"][0]["href"].as_str().unwrap();
    for kept in ["effort=report", "from=2024-05-01", "limit=3", "after="] {
        assert!(href.contains(kept), "{href}");
    }
}

#[tokio::test]
async fn encounters_are_chosen_by_date_and_effort() {
    let test = TestApp::park().await;
    let dates = async |query: &str| -> Vec<String> {
        let json = test.get(&address("encounters", query)).await.expect(200).json();
        let date = |feature: &Value| feature["properties"]["eventDate"].as_str().unwrap().to_owned();
        features(&json).iter().map(date).collect()
    };
    let june = dates("from=2024-06-01").await;
    assert!(!june.is_empty() && june.iter().all(|day| day.as_str() >= "2024-06-01"), "{june:?}");
    let april = dates("until=2024-04-30").await;
    assert!(!april.is_empty() && april.iter().all(|day| day.as_str() <= "2024-04-30"), "{april:?}");
    let one = dates("from=2024-05-20&until=2024-05-20&effort=located").await;
    assert_eq!(one, vec!["2024-05-20"; 12]);
    assert_eq!(dates("from=1999-01-01&until=1999-12-31").await.len(), 0);
}

#[tokio::test]
async fn an_encounter_without_position_has_no_geometry() {
    let test = TestApp::park().await;
    let json = test.get(&address("encounters", "")).await.json();
    let nowhere: Vec<&Value> =
        features(&json).iter().filter(|it| it["properties"]["occurrenceID"] == "O-nowhere").collect();
    assert_eq!(nowhere.len(), 1);
    assert!(nowhere[0]["geometry"].is_null());
}

#[tokio::test]
async fn density_lies_in_rings_wound_as_the_standard_asks() {
    let test = TestApp::park().await;
    let json = test.get(&address("density", "effort=report")).await.expect(200).json();
    let mut last = 0.0;
    for feature in features(&json) {
        let level = feature["properties"]["encounters_per_km2_from"].as_f64().unwrap();
        assert!(level > last, "levels rise");
        last = level;
        for polygon in feature["geometry"]["coordinates"].as_array().unwrap() {
            for (idx, ring) in polygon.as_array().unwrap().iter().enumerate() {
                let ring = positions(ring);
                assert!(ring.len() >= 4 && ring.first() == ring.last(), "a ring is closed");
                let area: f64 = ring.windows(2).map(|s| s[0][0] * s[1][1] - s[1][0] * s[0][1]).sum();
                assert_eq!(area > 0.0, idx == 0, "exterior counter-clockwise, holes clockwise");
            }
        }
    }
    let none = test.get(&address("density", "effort=chance")).await.expect(200).json();
    assert_eq!(none["features"][0]["properties"]["encounters"], 3);
}

#[tokio::test]
async fn signs_are_numbered_in_order() {
    let test = TestApp::park().await;
    let json = test.get(&address("signs", "signs=3")).await.expect(200).json();
    let signs = features(&json);
    assert!((1..=3).contains(&signs.len()));
    let mut together = 0.0;
    for (idx, sign) in signs.iter().enumerate() {
        let properties = &sign["properties"];
        assert_eq!(properties["number"], idx + 1);
        assert_eq!(properties["standing"], false);
        let share = properties["warned_together"].as_f64().unwrap();
        assert!(share >= together && share <= 1.0, "{properties}");
        together = share;
    }
    assert!(together > 0.0, "the plan warns of something");
}

#[tokio::test]
async fn health_and_people_stay_out_of_the_layers() {
    let test = with_a_cluster().await;
    for layer in LAYERS {
        let answer = test.get(&address(layer, "")).await.expect(200);
        answer.never_says("bite");
        answer.never_says("recordedBy");
        answer.never_says("outcome");
        answer.never_says(OBSERVER);
    }
}

#[tokio::test]
async fn a_park_across_the_antimeridian_is_cut_there() {
    let test = TestApp::with(&Park { across_antimeridian: true, ..Park::default() }).await;
    let mut sides = BTreeSet::new();
    for layer in ["stretches", "segments", "trails"] {
        let json = test.get(&address(layer, "")).await.expect(200).json();
        for feature in features(&json) {
            let geometry = &feature["geometry"];
            let lines = match geometry["type"].as_str().unwrap() {
                "LineString" => vec![positions(&geometry["coordinates"])],
                _ => geometry["coordinates"].as_array().unwrap().iter().map(positions).collect(),
            };
            for line in lines {
                let wide = line.windows(2).any(|ends| (ends[0][0] - ends[1][0]).abs() > 180.0);
                assert!(!wide, "{layer}: a line runs round the world: {line:?}");
                sides.insert(line[0][0] > 0.0);
            }
        }
        let across = test.get(&address(layer, "bbox=179,37,-179,38")).await.expect(200).json();
        assert_eq!(across["numberMatched"], json["numberMatched"], "{layer}");
    }
    assert_eq!(sides.len(), 2, "the park lies on both sides");
}

#[tokio::test]
async fn without_walking_layers_say_what_is_missing() {
    let test = TestApp::with(&Park { has_walking: false, has_encounters: false, ..Park::default() }).await;
    test.get(&address("trails", "")).await.expect(200);
    let problem = test.get(&address("stretches", "")).await.expect(422).json();
    assert!(problem["detail"].as_str().unwrap().contains("counter readings"), "{problem}");
}

#[tokio::test]
async fn walks_lie_on_the_trails_with_what_was_walked() {
    let test = TestApp::complete_park().await;
    let answer = test.get(&address("walks", "")).await.expect(200);
    let json = answer.json();
    // 45 planned walks along the ledge, five targeted ones along the wash.
    assert_eq!(json["numberMatched"], 50);
    let of = |id: &str| features(&json).iter().find(|it| it["properties"]["eventID"] == id).unwrap();
    let planned = &of("P-0")["properties"];
    assert_eq!((&planned["purpose"], &planned["date"]), (&"planned".into(), &"2024-04-01".into()));
    // Thirty steps of 90 seconds over 3 km; one snake in the west and one in the east before the signs.
    assert_eq!((planned["minutes"].as_f64(), planned["encounters"].as_u64()), (Some(45.0), Some(2)));
    let (km, share) = (planned["walked_km"].as_f64().unwrap(), planned["matched_share"].as_f64().unwrap());
    // Where the trail lies 60 m beside the straight track, nothing is matched.
    assert!((2.4..3.0).contains(&km) && (0.9..1.0).contains(&share), "{planned}");
    let line = positions(&of("P-0")["geometry"]["coordinates"]);
    let (west, east) = (at(-1500.0, 0.0), at(1500.0, 0.0));
    assert!((line[0][0] - west.lon()).abs() < 0.001 && (line[line.len() - 1][0] - east.lon()).abs() < 0.001);
    // On the trail, which lies 40 m north of the straight track at 600 m west.
    let highest = line.iter().map(|at| at[1]).fold(f64::NEG_INFINITY, f64::max);
    assert!((highest - at(0.0, 40.0).lat()).abs() < 1e-5, "{highest}");

    let targeted = test.get(&address("walks", "purpose=targeted")).await.expect(200).json();
    assert_eq!(targeted["numberMatched"], 5);
    test.get(&address("walks", "purpose=idle")).await.expect(400);
    let (low, high) = (at(-1400.0, -80.0), at(-1300.0, 80.0));
    let west = format!("bbox={},{},{},{}", low.lon(), low.lat(), high.lon(), high.lat());
    assert_eq!(test.get(&address("walks", &west)).await.expect(200).json()["numberMatched"], 45);
    let etag = answer.header("etag").to_owned();
    let same = test.ask(Method::GET, &address("walks", ""), &[("if-none-match", &etag)]).await;
    assert_eq!(same.status, 304);
}

#[tokio::test]
async fn a_walk_without_a_track_has_no_geometry() {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let walk = WalkDraft {
        event_id: "bare".to_owned(),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: String::new(),
        start_s: 1_715_000_000,
        end_s: Some(1_715_003_600),
        sampling_protocol: String::new(),
        track: Vec::new(),
        track_times_s: Vec::new(),
    };
    test.write(async |writer| drop(writer.put_walks(&target, &rows([walk])).await.unwrap())).await;
    let json = test.get(&address("walks", "")).await.expect(200).json();
    let walk = &json["features"][0];
    assert!(walk["geometry"].is_null() && walk["properties"]["matched_share"].is_null(), "{walk}");
    assert_eq!(walk["properties"]["minutes"], 60.0);
}
