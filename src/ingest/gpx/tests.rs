//! Cases for reading GPX.

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

const HEAD: &str =
    r#"<?xml version="1.0"?><g:gpx xmlns:g="http://www.topografix.com/GPX/1/1" version="1.1">"#;

#[test]
fn tracks_and_routes_are_trails() {
    let text = format!(
        r#"{HEAD}<g:trk><g:name>A &amp; B</g:name><g:trkseg><g:trkpt lat="37.6" lon="-109.4"><g:time>2024-05-04T15:10:00Z</g:time></g:trkpt>
        <g:trkpt lat="37.7" lon="-109.3"/></g:trkseg></g:trk>
        <g:rte><g:name>R</g:name><g:rtept lat="1" lon="2"/><g:rtept lat="3" lon="400"/></g:rte></g:gpx>"#
    );
    let items = items(Content::Trails, &text).unwrap();
    let [Item::Draft { draft: Draft::Trail(trail), .. }, Item::Refused(route)] = &items[..] else {
        panic!("{items:?}")
    };
    assert_eq!((trail.name.as_str(), trail.parts[0].len()), ("A & B", 2));
    assert!(route.reason.contains("outside -180 to 180"), "{}", route.reason);
}

#[test]
fn tracks_are_survey_walks_with_their_times() {
    let text = format!(
        r#"{HEAD}<trk><name>W-1</name><type>planned</type><trkseg>
        <trkpt lat="37.6" lon="-109.4"><time>2024-05-04T15:10:00Z</time></trkpt>
        <trkpt lat="37.7" lon="-109.3"><time>2024-05-04T16:10:00Z</time></trkpt></trkseg></trk></g:gpx>"#
    );
    let items = items(Content::Walks, &text).unwrap();
    let [Item::Draft { draft: Draft::Walk(walk), .. }] = &items[..] else { panic!("{items:?}") };
    assert_eq!(walk.end_s.unwrap() - walk.start_s, 3600);
    assert_eq!(walk.track_times_s.len(), 2);
}

#[test]
fn waypoints_are_encounters() {
    let text = format!(
        r#"{HEAD}<wpt lat="37.61" lon="-109.38"><time>2024-05-04T15:10:00Z</time><name>P1</name><desc>by the gate</desc></wpt></g:gpx>"#
    );
    let items = items(Content::Encounters, &text).unwrap();
    let [Item::Draft { draft: Draft::Encounter(draft), .. }] = &items[..] else { panic!("{items:?}") };
    assert_eq!((draft.occurrence_id.as_str(), draft.time.minute_of_day), ("P1", Some(550)));
    assert_eq!(draft.details.occurrence_remarks, "by the gate");
}

#[test]
fn what_is_not_gpx_is_refused() {
    let bomb =
        r#"<!DOCTYPE g [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><gpx><trk><name>&b;</name></trk></gpx>"#;
    let cut = format!("{HEAD}<trk><name>A");
    let deep = format!("{HEAD}{}", "<a>".repeat(100));
    let two = format!("{HEAD}</g:gpx><gpx></gpx>");
    for text in [bomb, &cut, &deep, &two, "<kml></kml>", "plain", "", &format!("{HEAD}</g:gpx>")] {
        assert!(items(Content::Trails, text).is_err(), "{text}");
    }
    assert!(matches!(items(Content::Readings, HEAD), Err(FileError::WrongContent { .. })));
}
#[test]
fn waypoints_keep_what_is_no_field() {
    let text = format!(
        r#"{HEAD}<wpt lat="37.61" lon="-109.38"><ele>1800</ele><time>2024-05-04T15:10:00Z</time><name>P1</name>
        <cmt>near the gate</cmt><desc>coiled</desc><type>Campsite</type></wpt></g:gpx>"#
    );
    let items = items(Content::Encounters, &text).unwrap();
    let [Item::Draft { draft: Draft::Encounter(draft), .. }] = &items[..] else { panic!("{items:?}") };
    assert_eq!(draft.details.occurrence_remarks, "near the gate; coiled");
    let other = [("ele", "1800"), ("type", "Campsite")].map(|(a, b)| (a.to_owned(), b.to_owned()));
    assert_eq!(draft.details.other, other);
}

#[test]
fn a_refused_walk_keeps_its_line_and_times() {
    let text = format!(
        r#"{HEAD}<trk><type>planned</type><trkseg>
        <trkpt lat="37.6" lon="-109.4"><time>2024-05-04T15:10:00Z</time></trkpt>
        <trkpt lat="37.7" lon="-109.3"><time>2024-05-04T16:10:00Z</time></trkpt></trkseg></trk></g:gpx>"#
    );
    let items = items(Content::Walks, &text).unwrap();
    let [Item::Refused(error)] = &items[..] else { panic!("{items:?}") };
    assert_eq!(error.field, "eventID");
    let raw = raw_rows(Content::Walks, text.as_bytes(), &context(), &[1]).unwrap();
    assert_eq!(raw, [(1, error.raw.clone())]);
    let raw = [error.raw.clone(), vec![("eventID".to_owned(), "W".to_owned())]].concat();
    let Draft::Walk(walk) = crate::ingest::retry(Content::Walks, raw, &context()).unwrap() else { panic!() };
    assert_eq!((walk.end_s.unwrap() - walk.start_s, walk.track.len()), (3600, 2));
}

#[test]
fn every_place_where_a_file_breaks_off_is_noticed() {
    let text = format!(r#"{HEAD}<wpt lat="37.61" lon="-109.38"><name>a &amp; b</name></wpt></g:gpx>"#);
    assert!(items(Content::Encounters, &text).is_ok());
    for end in 1..text.len() {
        assert!(items(Content::Encounters, &text[..end]).is_err(), "{}", &text[..end]);
    }
}

proptest::proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in "[<>/a-z&;\"= \\PC]{0,80}", cut in 0usize..200) {
        let good = format!(r#"{HEAD}<trk><trkseg><trkpt lat="1" lon="2"/></trkseg></trk>"#);
        let cut = (0..=cut.min(good.len())).rev().find(|end| good.is_char_boundary(*end)).unwrap();
        for content in [Content::Trails, Content::Encounters] {
            let _ = items(content, &bytes);
            let _ = items(content, &format!("{}{bytes}", &good[..cut]));
        }
    }
}
