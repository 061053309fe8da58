//! GPX 1.0 and 1.1: tracks and routes as trails or survey walks, waypoints as encounters; streamed.
//!
//! Elements are known by their local names, so prefixes do not matter. Entities beyond the five of XML are refused.

use std::io::BufRead;
use std::io::Read;

use quick_xml::Reader;
use quick_xml::events::BytesStart;
use quick_xml::events::Event;

use crate::domain::batch::Content;
use crate::domain::geography::LonLat;
use crate::ingest::FileReport;
use crate::ingest::Item;
use crate::ingest::Sink;
use crate::ingest::context::Context;
use crate::ingest::decode::decoded;
use crate::ingest::error::FileError;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::row::Pairs;
use crate::ingest::rows;
use crate::ingest::rows::Gather;

/// A way or waypoint as read.
#[derive(Debug, Default)]
struct Thing {
    pairs: Vec<(String, String)>,
    lines: Vec<Vec<LonLat>>,
    times_s: Vec<i64>,
    has_all_times: bool,
    /// A position that is none: the whole thing is refused for it.
    wrong: Option<(String, String)>,
}

/// Reads a file.
pub(super) fn read(
    content: Content,
    reader: impl Read,
    context: &Context,
    sink: Sink<'_>,
) -> Result<FileReport, FileError> {
    let wants_points = match content {
        Content::Encounters | Content::Form => true,
        Content::Trails | Content::Walks => false,
        other => return Err(FileError::WrongContent { content: other.term(), format: "GPX" }),
    };
    let text = decoded(reader)?;
    let encoding = text.get_ref().encoding().to_owned();
    let mut gather = Gather::new(content);
    let mut number = 0;
    let mut go_on = true;
    things(text, wants_points, &mut |thing| {
        number += 1;
        let row = thing.into_row(content, number);
        let items = match row {
            Err((row, problem)) => vec![Item::Refused(problem.into_row_error(&row))],
            Ok(row) => match rows::parse(content, &row, context) {
                Ok(draft) => gather.take(&row, draft),
                Err(problem) => vec![Item::Refused(problem.into_row_error(&row))],
            },
        };
        go_on = !items.into_iter().any(|item| sink(item).is_break());
        go_on
    })?;
    if number == 0 {
        return Err(FileError::Nothing { what: if wants_points { "waypoints" } else { "tracks or routes" } });
    }
    if go_on {
        for item in gather.finish() {
            let _ = sink(item);
        }
    }
    let mapping =
        mapping(content).iter().map(|(name, field)| ((*name).to_owned(), field.name().to_owned())).collect();
    Ok(FileReport { encoding, mapping })
}

/// The things of the given numbers.
pub(super) fn raw_rows(
    reader: impl Read,
    wanted: &[u64],
) -> Result<Vec<(u64, Vec<(String, String)>)>, FileError> {
    let mut found = Vec::new();
    let mut number = 0;
    things(decoded(reader)?, true, &mut |thing| {
        number += 1;
        if wanted.contains(&number) {
            found.push((number, thing.pairs));
        }
        true
    })?;
    Ok(found)
}

/// Which element is read as which field.
fn mapping(content: Content) -> &'static [(&'static str, Field)] {
    match content {
        Content::Trails => &[("name", Field::Name), ("type", Field::Habitat)],
        Content::Walks => {
            &[("name", Field::EventId), ("type", Field::Purpose), ("desc", Field::SamplingProtocol)]
        }
        _ => &[
            ("name", Field::OccurrenceId),
            ("time", Field::EventDate),
            ("type", Field::EffortKind),
            ("desc", Field::OccurrenceRemarks),
            ("lat", Field::DecimalLatitude),
            ("lon", Field::DecimalLongitude),
        ],
    }
}

impl Thing {
    fn into_row(self, content: Content, number: u64) -> Result<Pairs, (Pairs, Problem)> {
        let mapping = mapping(content);
        let name = |element: String| {
            let known = mapping.iter().find(|(known, _)| *known == element);
            known.map_or(element, |(_, field)| field.name().to_owned())
        };
        let mut pairs: Vec<(String, String)> =
            self.pairs.into_iter().map(|(element, value)| (name(element), value)).collect();
        // A waypoint that does not say what kind it is: people mark waypoints as they walk, without known effort.
        let is_encounter = content == Content::Encounters;
        if is_encounter && !pairs.iter().any(|(known, _)| known == Field::EffortKind.name()) {
            pairs.push((Field::EffortKind.name().to_owned(), "chance".to_owned()));
        }
        let mut row = Pairs::new(content, number, pairs);
        row.lines = self.lines;
        if self.has_all_times {
            row.times_s = self.times_s;
        }
        match self.wrong {
            None => Ok(row),
            Some((value, reason)) => {
                let problem =
                    Problem::new("position", &value, reason, "latitude and longitude are decimal degrees");
                Err((row, problem))
            }
        }
    }
}

/// Calls back for every thing of the kind; ends early when told to.
fn things(
    text: impl BufRead,
    wants_points: bool,
    call: &mut dyn FnMut(Thing) -> bool,
) -> Result<(), FileError> {
    let mut reader = Reader::from_reader(text);
    reader.config_mut().expand_empty_elements = true;
    let mut buffer = Vec::new();
    let mut path: Vec<String> = Vec::new();
    let mut thing = Thing::default();
    let mut words = String::new();
    let mut is_gpx = false;
    loop {
        buffer.clear();
        let at = reader.buffer_position();
        let malformed =
            |reason: String| FileError::Malformed { format: "GPX", reason, at: format!("byte {at}") };
        match reader.read_event_into(&mut buffer).map_err(|error| malformed(error.to_string()))? {
            Event::Start(start) => {
                let name = start.local_name().as_ref().to_owned();
                if path.is_empty() {
                    is_gpx = name == "gpx";
                    if !is_gpx {
                        return Err(malformed(format!("the outermost element is {name}")));
                    }
                }
                words.clear();
                open(&name, &start, wants_points, &mut thing);
                path.push(name);
            }
            Event::End(_) => {
                let Some(name) = path.pop() else { continue };
                let is_done = close(&name, path.last().map(String::as_str), &words, wants_points, &mut thing);
                words.clear();
                if is_done && !call(std::mem::take(&mut thing)) {
                    return Ok(());
                }
            }
            Event::Text(text) => {
                words.push_str(&text);
            }
            Event::GeneralRef(reference) => {
                let name: &str = &reference;
                let letter = entity(name).or_else(|| reference.resolve_char_ref().ok().flatten());
                words.push(
                    letter.ok_or_else(|| malformed(format!("the entity &{name}; is not one of XML's")))?,
                );
            }
            Event::CData(data) => words.push_str(&data),
            Event::DocType(_) => return Err(malformed("a document type is not part of GPX".to_owned())),
            Event::Eof if !path.is_empty() => return Err(malformed("the file breaks off".to_owned())),
            Event::Eof if !is_gpx => return Err(malformed("there is no element".to_owned())),
            Event::Eof => return Ok(()),
            _ => {}
        }
    }
}

fn entity(name: &str) -> Option<char> {
    match name {
        "amp" => Some('&'),
        "lt" => Some('<'),
        "gt" => Some('>'),
        "quot" => Some('"'),
        "apos" => Some('\''),
        _ => None,
    }
}

fn open(name: &str, start: &BytesStart<'_>, wants_points: bool, thing: &mut Thing) {
    match name {
        "wpt" if wants_points => {
            *thing = Thing::default();
            for axis in ["lat", "lon"] {
                thing.pairs.push((axis.to_owned(), attribute(start, axis)));
            }
        }
        "trk" | "rte" if !wants_points => {
            *thing = Thing { has_all_times: true, ..Thing::default() };
            if name == "rte" {
                thing.lines.push(Vec::new());
            }
        }
        "trkseg" if !wants_points => thing.lines.push(Vec::new()),
        "trkpt" | "rtept" if !wants_points => {
            let (lat, lon) = (attribute(start, "lat"), attribute(start, "lon"));
            let position = lat.parse().ok().zip(lon.parse().ok());
            let position = position.map(|(lat, lon): (f64, f64)| LonLat::new(lon, lat));
            match (position, thing.lines.last_mut()) {
                (Some(Ok(position)), Some(line)) => line.push(position),
                (Some(Err(error)), _) => thing.wrong = Some((format!("{lat}, {lon}"), error.to_string())),
                _ => thing.wrong = Some((format!("{lat}, {lon}"), "this is not a position".to_owned())),
            }
        }
        _ => {}
    }
}

/// Whether the thing is complete.
fn close(name: &str, parent: Option<&str>, words: &str, wants_points: bool, thing: &mut Thing) -> bool {
    match (name, parent) {
        ("wpt", _) => wants_points,
        ("trk" | "rte", _) => !wants_points,
        ("trkpt" | "rtept", _) => {
            let n_points: usize = thing.lines.iter().map(Vec::len).sum();
            thing.has_all_times &= thing.times_s.len() == n_points;
            false
        }
        ("time", Some("trkpt" | "rtept")) => {
            if let Ok(instant) = words.trim().parse::<jiff::Timestamp>() {
                thing.times_s.push(instant.as_second());
            }
            false
        }
        (_, Some("wpt" | "trk" | "rte")) if !words.trim().is_empty() => {
            thing.pairs.push((name.to_owned(), words.trim().to_owned()));
            false
        }
        _ => false,
    }
}

fn attribute(start: &BytesStart<'_>, name: &str) -> String {
    let attributes = start.attributes().flatten();
    let found = attributes.into_iter().find(|attribute| attribute.key.local_name().as_ref() == name);
    found.map(|attribute| attribute.value.trim().to_owned()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use std::ops::ControlFlow;

    use super::*;
    use crate::ingest::Draft;
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
        for text in [bomb, &cut, "<kml></kml>", "plain", "", &format!("{HEAD}</g:gpx>")] {
            assert!(items(Content::Trails, text).is_err(), "{text}");
        }
        assert!(matches!(items(Content::Readings, HEAD), Err(FileError::WrongContent { .. })));
    }
}
