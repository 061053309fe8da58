//! Cases for reading GeoJSON.

use super::*;
use crate::ingest::Draft;
use crate::ingest::Item;
use crate::ingest::context::testing::context;

fn items(content: Content, text: &str) -> Result<Vec<Item>, FileError> {
    let mut items = Vec::new();
    let mut sink = |item| {
        items.push(item);
        ControlFlow::Continue(())
    };
    read(content, text.as_bytes(), &context(), &mut sink)?;
    Ok(items)
}

fn feature(properties: &str, geometry: &str) -> String {
    format!(r#"{{"type":"Feature","properties":{properties},"geometry":{geometry}}}"#)
}

const POINT: &str = r#"{"type":"Point","coordinates":[-109.38,37.61,1800]}"#;
const LINE: &str = r#"{"type":"LineString","coordinates":[[-109.4,37.6],[-109.3,37.7]]}"#;
const REPORT: &str = r#"{"effortKind":"report","eventDate":"2024-05-04","accuracy":20}"#;

fn collection(features: &[String]) -> String {
    format!(r#"{{"type":"FeatureCollection","features":[{}]}}"#, features.join(","))
}

fn refusal(content: Content, properties: &str, geometry: &str) -> crate::domain::batch::RowError {
    let found = items(content, &collection(&[feature(properties, geometry)])).unwrap();
    let [Item::Refused(error)] = &found[..] else { panic!("{found:?}") };
    error.clone()
}

#[test]
fn trails_come_with_their_parts() {
    let parts = r#"{"type":"MultiLineString","coordinates":[[[-109.4,37.6],[-109.3,37.7]],[[1,2],[3,4]]]}"#;
    let text = collection(&[feature(r#"{"name":"A"}"#, parts), feature("{}", LINE)]);
    let items = items(Content::Trails, &text).unwrap();
    let [Item::Draft { draft: Draft::Trail(trail), .. }, Item::Refused(nameless)] = &items[..] else {
        panic!("{items:?}")
    };
    assert_eq!(trail.parts.len(), 2);
    assert_eq!((nameless.field.as_str(), nameless.row_number), ("name", 2));
}

#[test]
fn a_refused_trail_keeps_its_line() {
    let mut raw = refusal(Content::Trails, "{}", LINE).raw;
    raw.push(("name".to_owned(), "A".to_owned()));
    let mended = crate::ingest::retry(Content::Trails, raw, &context()).unwrap();
    let Draft::Trail(trail) = mended else { panic!("{mended:?}") };
    assert_eq!(trail.parts, [[LonLat::new(-109.4, 37.6).unwrap(), LonLat::new(-109.3, 37.7).unwrap()]]);
}

#[test]
fn points_are_encounters() {
    let check = |text: &str| {
        let items = items(Content::Encounters, text).unwrap();
        let [Item::Draft { draft: Draft::Encounter(draft), .. }] = &items[..] else { panic!("{items:?}") };
        assert_eq!(draft.position.unwrap().position, LonLat::new(-109.38, 37.61).unwrap());
        draft.occurrence_id.clone()
    };
    let one = feature(REPORT, POINT);
    assert!(check(&one).starts_with("row:"));
    check(&collection(std::slice::from_ref(&one)));
    // Members before, after and around the features, some with features of their own.
    check(&format!(
        r#"{{"bbox":[-110,37,-109,38],"about":{{"features":[1]}},"features":[{one}],"type":"FeatureCollection","crs":null}}"#
    ));
    assert_eq!(check(&one.replacen('{', r#"{"id":7,"#, 1)), "7");
}

#[test]
fn features_that_are_no_records_are_refused_one_by_one() {
    let polygon = r#"{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,0]]]}"#;
    let gathered = format!(r#"{{"type":"GeometryCollection","geometries":[{POINT}]}}"#);
    for geometry in
        [polygon, &gathered, LINE, r#"{"type":"Point","coordinates":[1]}"#, r#"{"type":"Spot"}"#, "7"]
    {
        let error = refusal(Content::Encounters, REPORT, geometry);
        assert_eq!(error.field, "geometry", "{geometry}: {}", error.reason);
        assert!(error.raw.iter().any(|(header, _)| header == "geometry"));
    }
    for geometry in [polygon, &gathered, r#"{"type":"LineString","coordinates":[[0,0],[1,1]]}"#] {
        assert_eq!(refusal(Content::Trails, r#"{"name":"A"}"#, geometry).field, "geometry");
    }
    let swapped = r#"{"type":"Point","coordinates":[37.61,-109.38]}"#;
    assert!(refusal(Content::Encounters, REPORT, swapped).reason.contains("swapped"));
    let elsewhere = REPORT.replacen('{', r#"{"lat":37.9,"#, 1);
    assert!(refusal(Content::Encounters, &elsewhere, POINT).reason.contains("the point"));
    let formula = REPORT.replace("report", "=A1");
    assert!(refusal(Content::Encounters, &formula, POINT).reason.contains("formula"));
}

#[test]
fn a_file_that_breaks_off_is_no_file() {
    let whole = collection(&[feature(r#"{"name":"A"}"#, LINE), feature(r#"{"name":"B"}"#, LINE)]);
    assert_eq!(items(Content::Trails, &whole).unwrap().len(), 2);
    for end in 1..whole.len() {
        let error = items(Content::Trails, &whole[..end]).unwrap_err();
        assert!(
            matches!(&error, FileError::Malformed { reason, .. } if reason == "the file breaks off"),
            "{error}"
        );
    }
    let error = items(Content::Trails, &whole[..100]).unwrap_err();
    assert!(error.to_string().ends_with("(at line 1, column 100)"), "{error}");
}

#[test]
fn other_json_is_not_geojson() {
    let empty = collection(&[]);
    let twice = r#"{"type":"FeatureCollection","features":[],"features":[]}"#;
    let trailing = format!("{} x", collection(&[feature(r#"{"name":"A"}"#, LINE)]));
    for text in [&empty, twice, &trailing, POINT, "[1,2,3]", "name,wkt\n", r#"{"features":[]}"#, "{}", "7"] {
        assert!(items(Content::Trails, text).is_err(), "{text}");
    }
    let deep = "[".repeat(100_000);
    assert!(items(Content::Trails, &format!(r#"{{"a":{deep}"#)).is_err());
}

#[test]
fn breaking_off_is_no_error() {
    let text = collection(&[feature(REPORT, POINT), feature(REPORT, POINT)]);
    let mut n_items = 0;
    let mut sink = |_| {
        n_items += 1;
        ControlFlow::Break(())
    };
    assert!(read(Content::Encounters, text.as_bytes(), &context(), &mut sink).is_ok());
    assert_eq!(n_items, 1);
}

#[test]
fn party_sizes_come_as_features_without_a_place() {
    let size = |properties: &str| feature(properties, "null");
    let text = collection(&[
        size(r#"{"trail":"Rim","meanWalkers":3.1,"standardError":0.2,"parties":85}"#),
        size(r#"{"trailhead":"North","trail":"Rim","meanWalkers":3.1,"standardError":0.2}"#),
    ]);
    let items = items(Content::PartySizes, &text).unwrap();
    let [Item::Draft { draft: Draft::PartySize(size), .. }, Item::Refused(both)] = &items[..] else {
        panic!("{items:?}")
    };
    assert_eq!((size.trail.as_str(), size.mean_walkers, size.n_parties), ("Rim", 3.1, Some(85)));
    assert_eq!((both.field.as_str(), both.value.as_str()), ("trail", "Rim"));
}

proptest::proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(0u8..128, 0..200), cut in 0usize..300) {
        let good = collection(&[feature(REPORT, POINT)]);
        let mixed = [&good.as_bytes()[..cut.min(good.len())], &bytes].concat();
        for text in [bytes, mixed] {
            for content in [Content::Encounters, Content::Trails] {
                let _ = read(content, &text[..], &context(), &mut |_| ControlFlow::Continue(()));
            }
        }
    }
}
