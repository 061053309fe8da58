//! RFC 7946: features with points or lines, streamed.
//!
//! Members may stand in any order, and members that GeoJSON does not know are passed over. One feature is held at a time.

use std::fmt;
use std::io::Read;
use std::ops::ControlFlow;

use geojson::Geometry;
use geojson::GeometryValue;
use serde::de::DeserializeSeed;
use serde::de::Error as _;
use serde::de::IgnoredAny;
use serde::de::MapAccess;
use serde::de::SeqAccess;
use serde::de::Visitor;
use serde_json::Map;
use serde_json::Value;

use crate::domain::batch::Content;
use crate::domain::geography::LonLat;
use crate::ingest::FileReport;
use crate::ingest::Sink;
use crate::ingest::context::Context;
use crate::ingest::decode::decoded;
use crate::ingest::error::FileError;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::coordinates;
use crate::ingest::fields::numbers;
use crate::ingest::row::Pairs;
use crate::ingest::row::Raw;
use crate::ingest::row::Row;
use crate::ingest::rows;
use crate::ingest::rows::Finder;
use crate::ingest::rows::Gather;

/// Most headers that the report of a file lists.
const MOST_HEADERS: usize = 1_000;
/// Two spellings of one coordinate differ by less than this, degrees: a tenth of a metre.
const SAME_DEG: f64 = 1e-6;

/// Called with every feature; breaking off ends the reading.
type Each<'a> = &'a mut dyn FnMut(Map<String, Value>) -> ControlFlow<()>;

/// Reads a collection of features, or a single one.
pub(super) fn read(
    content: Content,
    reader: impl Read,
    context: &Context,
    sink: Sink<'_>,
) -> Result<FileReport, FileError> {
    let mut gather = Gather::new(content);
    let mut mapping: Vec<(String, String)> = Vec::new();
    let mut previous = Raw::new();
    let mut n_features = 0;
    let mut is_broken_off = false;
    let encoding = features(reader, context.max_bytes, &mut |feature| {
        n_features += 1;
        let (row, checked) = row_of(content, n_features, feature, context);
        for (header, field) in row.headers() {
            if mapping.len() < MOST_HEADERS && !mapping.iter().any(|(known, _)| known == header) {
                let field = field.map_or("kept as it is", Field::name);
                mapping.push((header.to_owned(), field.to_owned()));
            }
        }
        let parsed = checked.and_then(|()| rows::parse(content, &row, context));
        let flow = gather.take(&row, parsed, &|| previous.clone(), sink);
        if content == Content::Encounters {
            previous = row.raw();
        }
        is_broken_off = flow.is_break();
        flow
    })?;
    if n_features == 0 {
        return Err(FileError::Nothing { what: "features" });
    }
    if !is_broken_off {
        let _ = gather.finish(sink);
    }
    Ok(FileReport { encoding, mapping })
}

/// The features of the given numbers, with the features after them that go on about the same encounter.
pub(super) fn raw_rows(
    content: Content,
    reader: impl Read,
    context: &Context,
    wanted: &[u64],
) -> Result<Vec<(u64, Raw)>, FileError> {
    let mut finder = Finder::new(wanted);
    let mut number = 0;
    features(reader, context.max_bytes, &mut |feature| {
        number += 1;
        finder.see(&row_of(content, number, feature, context).0)
    })?;
    Ok(finder.found())
}

/// Calls back with every feature of a file; returns the file's encoding.
fn features(reader: impl Read, max_bytes: u64, each: Each<'_>) -> Result<String, FileError> {
    let (text, watch) = decoded(reader, max_bytes)?;
    let encoding = text.get_ref().encoding().to_owned();
    let mut is_broken_off = false;
    let mut each = |feature| {
        watch.complete();
        let flow = each(feature);
        is_broken_off = flow.is_break();
        flow
    };
    let mut json = serde_json::Deserializer::from_reader(text);
    let read = File { each: &mut each }.deserialize(&mut json).and_then(|()| json.end());
    match read {
        Err(error) if !is_broken_off => Err(watch.fault_or(malformed(&error))),
        _ => Ok(encoding),
    }
}

fn malformed(error: &serde_json::Error) -> FileError {
    let at = format!("line {}, column {}", error.line(), error.column());
    let reason = if error.is_eof() { "the file breaks off".to_owned() } else { error.to_string() };
    // The position stands beside the reason already.
    let reason = reason.split(" at line ").next().unwrap_or_default().to_owned();
    FileError::Malformed { format: "GeoJSON", reason, at }
}

/// The outermost object.
struct File<'a> {
    each: Each<'a>,
}

/// The array of features.
struct Features<'a> {
    each: Each<'a>,
}

impl<'de> DeserializeSeed<'de> for File<'_> {
    type Value = ();

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for File<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object with features")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let mut single = Map::new();
        let mut has_features = false;
        while let Some(name) = map.next_key::<String>()? {
            match name.as_str() {
                "features" if has_features => return Err(A::Error::custom("it has features twice")),
                "features" => {
                    map.next_value_seed(Features { each: &mut *self.each })?;
                    has_features = true;
                }
                "type" | "geometry" | "properties" | "id" => {
                    single.insert(name, map.next_value()?);
                }
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        match (single.get("type").and_then(Value::as_str), has_features) {
            (Some("FeatureCollection"), true) => Ok(()),
            (Some("Feature"), false) => match (self.each)(single) {
                ControlFlow::Continue(()) => Ok(()),
                ControlFlow::Break(()) => Err(A::Error::custom("broken off")),
            },
            (Some(kind), _) => {
                Err(A::Error::custom(format!("a {kind} is neither a FeatureCollection nor a Feature")))
            }
            (None, _) => Err(A::Error::custom("its type is missing: it should be FeatureCollection")),
        }
    }
}

impl<'de> DeserializeSeed<'de> for Features<'_> {
    type Value = ();

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Features<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an array of features")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        while let Some(feature) = seq.next_element::<Map<String, Value>>()? {
            if (self.each)(feature).is_break() {
                return Err(A::Error::custom("broken off"));
            }
        }
        Ok(())
    }
}

/// A feature as a row, and what is wrong with it as a feature.
fn row_of(
    content: Content,
    number: u64,
    mut feature: Map<String, Value>,
    context: &Context,
) -> (Pairs, Result<(), Problem>) {
    let mut pairs = match feature.remove("properties") {
        Some(Value::Object(properties)) => {
            properties.into_iter().map(|(name, value)| (name, text_of(value))).collect()
        }
        _ => Raw::new(),
    };
    let takes_id = Pairs::new(content, number, pairs.clone(), context).get(Field::OccurrenceId).is_empty();
    if let Some(id) = feature.remove("id").filter(|id| takes_id && !id.is_null())
        && matches!(content, Content::Encounters | Content::Form)
    {
        pairs.push((Field::OccurrenceId.name().to_owned(), text_of(id)));
    }
    let geometry = feature.remove("geometry").unwrap_or_default();
    let is_feature = feature.get("type").and_then(Value::as_str) == Some("Feature");
    let stated = Pairs::new(content, number, pairs.clone(), context);
    let shape = shape_of(content, &geometry, &stated, context);
    let (mut lines, mut elevations_m) = (Vec::new(), Vec::new());
    let checked = match shape {
        _ if !is_feature => {
            Err(Problem::new("type", "", "this is not a Feature", "give every record as a Feature"))
        }
        Err(problem) => Err(problem),
        Ok(Shape::None) => Ok(()),
        Ok(Shape::Point(lon, lat)) => {
            pairs.push((Field::DecimalLongitude.name().to_owned(), lon.to_string()));
            pairs.push((Field::DecimalLatitude.name().to_owned(), lat.to_string()));
            agrees(&stated, lon, lat)
        }
        Ok(Shape::Lines(found)) => {
            (lines, elevations_m) = found.into_iter().unzip();
            Ok(())
        }
    };
    if checked.is_err() && !geometry.is_null() {
        // So that nothing of it is lost.
        pairs.push(("geometry".to_owned(), geometry.to_string()));
    }
    let mut row = Pairs::new(content, number, pairs, context);
    row.lines = lines;
    row.elevations_m = elevations_m;
    let checked = checked.and_then(|()| row.check());
    (row, checked)
}

/// A property as text; what is no plain value is kept as JSON.
fn text_of(value: Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text,
        other => other.to_string(),
    }
}

/// What a feature's geometry is to a record.
enum Shape {
    None,
    Point(f64, f64),
    /// Each line with the elevations of its positions, empty where one of them has none.
    Lines(Vec<(Vec<LonLat>, Vec<f64>)>),
}

fn shape_of(content: Content, geometry: &Value, stated: &Pairs, context: &Context) -> Result<Shape, Problem> {
    let hint = "give records as points and trails as lines";
    if geometry.is_null() {
        return Ok(Shape::None);
    }
    let geometry: Geometry = serde_json::from_value(geometry.clone()).map_err(|error| {
        Problem::new("geometry", &geometry.to_string(), format!("this is not a geometry: {error}"), hint)
    })?;
    let takes_lines = matches!(content, Content::Trails | Content::Walks);
    let line = |positions: &[geojson::Position]| -> Result<(Vec<LonLat>, Vec<f64>), Problem> {
        let run =
            positions.iter().map(|position| at(position.as_slice(), context)).collect::<Result<_, _>>()?;
        let elevation = |position: &geojson::Position| position.as_slice().get(2).copied();
        let elevations_m: Option<Vec<f64>> = positions.iter().map(elevation).collect();
        Ok((run, elevations_m.unwrap_or_default()))
    };
    match &geometry.value {
        GeometryValue::Point { coordinates } => match coordinates.as_slice() {
            [lon, lat, ..] => Ok(Shape::Point(*lon, *lat)),
            other => Err(Problem::new("geometry", &format!("{other:?}"), "this is not a position", hint)),
        },
        GeometryValue::LineString { coordinates } if takes_lines => {
            Ok(Shape::Lines(vec![line(coordinates)?]))
        }
        GeometryValue::MultiLineString { coordinates } if takes_lines => {
            Ok(Shape::Lines(coordinates.iter().map(|positions| line(positions)).collect::<Result<_, _>>()?))
        }
        other => {
            let wanted = if takes_lines { "a line" } else { "a point" };
            let name = stated.get(Field::Name);
            let reason = format!("a {} is not {wanted}", other.type_name());
            Err(Problem::new(
                "geometry",
                if name.is_empty() { other.type_name() } else { name },
                reason,
                hint,
            ))
        }
    }
}

fn at(position: &[f64], context: &Context) -> Result<LonLat, Problem> {
    let [lon, lat, ..] = *position else {
        let hint = "positions are [longitude, latitude]";
        return Err(Problem::new("geometry", &format!("{position:?}"), "this is not a position", hint));
    };
    coordinates::on_line("geometry", lon, lat, context)
}

/// Refuses a point whose properties tell of another place.
fn agrees(stated: &Pairs, lon: f64, lat: f64) -> Result<(), Problem> {
    for (field, value) in [(Field::DecimalLatitude, lat), (Field::DecimalLongitude, lon)] {
        let text = stated.get(field);
        let differs =
            numbers::number(field.name(), text).is_ok_and(|stated| (stated - value).abs() > SAME_DEG);
        if differs {
            let reason = format!("the point of the feature says {value}");
            return Err(Problem::new(field.name(), text, reason, "make the two agree, or leave one out"));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
