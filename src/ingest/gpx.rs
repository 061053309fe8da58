//! GPX 1.0 and 1.1: tracks and routes as trails or survey walks, waypoints as encounters; streamed.
//!
//! Elements are known by their local names, so prefixes do not matter. Entities beyond the five of XML are refused.

use std::io::Read;
use std::ops::ControlFlow;

use quick_xml::Reader;
use quick_xml::events::BytesStart;
use quick_xml::events::Event;

use crate::domain::batch::Content;
use crate::domain::encounter::EffortKind;
use crate::domain::geography::LonLat;
use crate::ingest::FileReport;
use crate::ingest::Sink;
use crate::ingest::context::Context;
use crate::ingest::decode::decoded;
use crate::ingest::error::FileError;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::coordinates;
use crate::ingest::row::Pairs;
use crate::ingest::row::Raw;
use crate::ingest::row::Row;
use crate::ingest::rows;
use crate::ingest::rows::Finder;
use crate::ingest::rows::Gather;

/// Elements nested deeper than this are not GPX.
const DEEPEST: usize = 64;

/// A way or waypoint as read.
#[derive(Debug, Default)]
struct Thing {
    pairs: Vec<(String, String)>,
    /// Longitude and latitude as written.
    lines: Vec<Vec<(String, String)>>,
    n_points: usize,
    /// Elevations of the points, as far as they are given.
    elevations_m: Vec<f64>,
    times_s: Vec<i64>,
    has_all_times: bool,
}

/// Reads a file.
pub(super) fn read(
    content: Content,
    reader: impl Read,
    context: &Context,
    sink: Sink<'_>,
) -> Result<FileReport, FileError> {
    let kind = Kind::of(content)?;
    let mut gather = Gather::new(content);
    let mut previous = Raw::new();
    let mut number = 0;
    let mut is_broken_off = false;
    let encoding = things(reader, context.max_bytes, kind, &mut |thing| {
        number += 1;
        let (row, checked) = thing.into_row(content, number, context);
        let parsed = checked.and_then(|()| rows::parse(content, &row, context));
        let flow = gather.take(&row, parsed, &|| previous.clone(), sink);
        if kind == Kind::Points {
            previous = row.raw();
        }
        is_broken_off = flow.is_break();
        flow
    })?;
    if number == 0 {
        let what = if kind == Kind::Points { "waypoints" } else { "tracks or routes" };
        return Err(FileError::Nothing { what });
    }
    if !is_broken_off {
        let _ = gather.finish(sink);
    }
    let mapping =
        mapping(content).iter().map(|(name, field)| ((*name).to_owned(), field.name().to_owned())).collect();
    Ok(FileReport { encoding, mapping })
}

/// The things of the given numbers.
pub(super) fn raw_rows(
    content: Content,
    reader: impl Read,
    context: &Context,
    wanted: &[u64],
) -> Result<Vec<(u64, Raw)>, FileError> {
    let mut finder = Finder::new(wanted);
    let mut number = 0;
    things(reader, context.max_bytes, Kind::of(content)?, &mut |thing| {
        number += 1;
        finder.see(&thing.into_row(content, number, context).0)
    })?;
    Ok(finder.found())
}

/// What of a file is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Points,
    Ways,
}

impl Kind {
    fn of(content: Content) -> Result<Self, FileError> {
        match content {
            Content::Encounters | Content::Form => Ok(Self::Points),
            Content::Trails | Content::Walks => Ok(Self::Ways),
            other => Err(FileError::WrongContent { content: other.term(), format: "GPX" }),
        }
    }
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
            ("cmt", Field::OccurrenceRemarks),
            ("lat", Field::DecimalLatitude),
            ("lon", Field::DecimalLongitude),
        ],
    }
}

impl Thing {
    /// The thing as a row, and what is wrong with it as a thing.
    fn into_row(self, content: Content, number: u64, context: &Context) -> (Pairs, Result<(), Problem>) {
        let mapping = mapping(content);
        let field =
            |element: &str| mapping.iter().find(|(known, _)| *known == element).map(|(_, field)| *field);
        let mut pairs = Raw::new();
        for (element, value) in self.pairs {
            let known = field(&element).filter(|field| is_worth(*field, &value));
            let name = known.map_or(element, |field| field.name().to_owned());
            match pairs.iter_mut().find(|(before, _)| known.is_some() && *before == name) {
                // A description and a comment are both remarks.
                Some((_, before)) if *before != value => *before = format!("{before}; {value}"),
                Some(_) => {}
                None => pairs.push((name, value)),
            }
        }
        // A waypoint that does not say what kind it is: people mark waypoints as they walk, without known effort.
        let is_encounter = matches!(content, Content::Encounters | Content::Form);
        if is_encounter && !pairs.iter().any(|(known, _)| known == Field::EffortKind.name()) {
            let usual = context.effort_kind.unwrap_or(EffortKind::Chance);
            pairs.push((Field::EffortKind.name().to_owned(), usual.term().to_owned()));
        }
        let mut row = Pairs::new(content, number, pairs, context);
        let lines: Result<Vec<Vec<LonLat>>, Problem> = self
            .lines
            .iter()
            .map(|line| line.iter().map(|(lon, lat)| at(lon, lat, context)).collect())
            .collect();
        let checked = lines.map(|lines| {
            if self.elevations_m.len() == self.n_points {
                let mut rest = self.elevations_m.into_iter();
                row.elevations_m =
                    lines.iter().map(|line| rest.by_ref().take(line.len()).collect()).collect();
            }
            row.lines = lines;
            if self.has_all_times {
                row.times_s = self.times_s;
            }
        });
        let checked = checked.and_then(|()| row.check());
        (row, checked)
    }
}

/// Waypoints have types of many kinds; only an effort kind is read as one.
fn is_worth(field: Field, value: &str) -> bool {
    field != Field::EffortKind || value.parse::<EffortKind>().is_ok()
}

fn at(lon: &str, lat: &str, context: &Context) -> Result<LonLat, Problem> {
    let field = "position";
    match (lon.parse(), lat.parse()) {
        (Ok(lon), Ok(lat)) => coordinates::on_line(field, lon, lat, context),
        _ => {
            let hint = "latitude and longitude are decimal degrees";
            Err(Problem::new(field, &format!("{lat}, {lon}"), "this is not a position", hint))
        }
    }
}

/// Calls back with every thing of the kind; returns the file's encoding.
fn things(
    reader: impl Read,
    max_bytes: u64,
    kind: Kind,
    each: &mut dyn FnMut(Thing) -> ControlFlow<()>,
) -> Result<String, FileError> {
    let (text, watch) = decoded(reader, max_bytes)?;
    let encoding = text.get_ref().encoding().to_owned();
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
        let malformed = |reason: String| {
            watch.fault_or(FileError::Malformed { format: "GPX", reason, at: format!("byte {at}") })
        };
        match reader.read_event_into(&mut buffer).map_err(|error| malformed(error.to_string()))? {
            Event::Start(start) => {
                let name = start.local_name().as_ref().to_owned();
                if path.is_empty() && (name != "gpx" || is_gpx) {
                    return Err(malformed(format!("the outermost element is {name}")));
                }
                if path.len() == DEEPEST {
                    return Err(malformed("elements are nested too deeply".to_owned()));
                }
                is_gpx = true;
                words.clear();
                open(&name, &start, kind, &mut thing);
                path.push(name);
            }
            Event::End(_) => {
                let Some(name) = path.pop() else { continue };
                let is_done = close(&name, path.last().map(String::as_str), &words, kind, &mut thing);
                words.clear();
                if path.len() <= 1 {
                    watch.complete();
                }
                if is_done && each(std::mem::take(&mut thing)).is_break() {
                    return Ok(encoding);
                }
            }
            Event::Text(text) => words.push_str(&text),
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
            Event::Eof => return Ok(encoding),
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

fn open(name: &str, start: &BytesStart<'_>, kind: Kind, thing: &mut Thing) {
    match (name, kind) {
        ("wpt", Kind::Points) => {
            *thing = Thing::default();
            for axis in ["lat", "lon"] {
                thing.pairs.push((axis.to_owned(), attribute(start, axis)));
            }
        }
        ("trk" | "rte", Kind::Ways) => {
            *thing = Thing { has_all_times: true, ..Thing::default() };
            if name == "rte" {
                thing.lines.push(Vec::new());
            }
        }
        ("trkseg", Kind::Ways) => thing.lines.push(Vec::new()),
        ("trkpt" | "rtept", Kind::Ways) => {
            let position = (attribute(start, "lon"), attribute(start, "lat"));
            if thing.lines.is_empty() {
                thing.lines.push(Vec::new());
            }
            thing.lines.iter_mut().next_back().into_iter().for_each(|line| line.push(position.clone()));
            thing.n_points += 1;
        }
        _ => {}
    }
}

/// Whether the thing is complete.
fn close(name: &str, parent: Option<&str>, words: &str, kind: Kind, thing: &mut Thing) -> bool {
    match (name, parent) {
        ("wpt", _) => kind == Kind::Points,
        ("trk" | "rte", _) => kind == Kind::Ways,
        ("trkpt" | "rtept", _) => {
            thing.has_all_times &= thing.times_s.len() == thing.n_points;
            false
        }
        ("ele", Some("trkpt" | "rtept")) => {
            // One for each point, or none counts: a point without would shift those after it.
            let metres = words.trim().parse::<f64>().ok().filter(|metres| metres.is_finite());
            thing.elevations_m.extend(metres.filter(|_| thing.elevations_m.len() + 1 == thing.n_points));
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
mod tests;
