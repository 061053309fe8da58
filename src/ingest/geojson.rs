//! RFC 7946: features with points or lines, streamed.

use std::io::Read;

use geojson::Feature;
use geojson::FeatureReader;
use geojson::GeometryValue;
use serde_json::Value;

use crate::domain::batch::Content;
use crate::domain::geography::LonLat;
use crate::ingest::FileReport;
use crate::ingest::Item;
use crate::ingest::Sink;
use crate::ingest::context::Context;
use crate::ingest::csv::check_value;
use crate::ingest::decode::decoded;
use crate::ingest::error::FileError;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::field::field_of;
use crate::ingest::row::Pairs;
use crate::ingest::row::Row;
use crate::ingest::rows;
use crate::ingest::rows::Gather;

/// Reads a collection of features.
pub(super) fn read(
    content: Content,
    reader: impl Read,
    context: &Context,
    sink: Sink<'_>,
) -> Result<FileReport, FileError> {
    let text = decoded(reader)?;
    let encoding = text.get_ref().encoding().to_owned();
    let mut gather = Gather::new(content);
    let mut mapping: Vec<(String, String)> = Vec::new();
    let mut n_features = 0;
    for feature in FeatureReader::from_reader(text).features() {
        n_features += 1;
        let feature = feature.map_err(|error| malformed(&error, n_features))?;
        let row = match pairs(content, n_features, &feature) {
            Ok(row) => row,
            Err((row, problem)) => {
                if sink(Item::Refused(problem.into_row_error(&row))).is_break() {
                    break;
                }
                continue;
            }
        };
        for (name, _) in row.raw() {
            if !mapping.iter().any(|(known, _)| *known == name) && mapping.len() < 1_000 {
                let field = field_of(content, &name).map_or("kept as it is", Field::name).to_owned();
                mapping.push((name, field));
            }
        }
        let items = match rows::parse(content, &row, context) {
            Ok(draft) => gather.take(&row, draft),
            Err(problem) => vec![Item::Refused(problem.into_row_error(&row))],
        };
        if items.into_iter().any(|item| sink(item).is_break()) {
            return Ok(FileReport { encoding, mapping });
        }
    }
    if n_features == 0 {
        return Err(FileError::Nothing { what: "features" });
    }
    for item in gather.finish() {
        let _ = sink(item);
    }
    Ok(FileReport { encoding, mapping })
}

/// The features of the given numbers.
pub(super) fn raw_rows(
    reader: impl Read,
    wanted: &[u64],
) -> Result<Vec<(u64, Vec<(String, String)>)>, FileError> {
    let mut found = Vec::new();
    for (idx, feature) in FeatureReader::from_reader(decoded(reader)?).features().enumerate() {
        let number = idx as u64 + 1;
        let feature = feature.map_err(|error| malformed(&error, number))?;
        if wanted.contains(&number) {
            found.push((number, properties(&feature)));
        }
    }
    Ok(found)
}

fn malformed(error: &geojson::Error, n_features: u64) -> FileError {
    FileError::Malformed { format: "GeoJSON", reason: error.to_string(), at: format!("feature {n_features}") }
}

/// Properties as text; what is no plain value is kept as JSON.
fn properties(feature: &Feature) -> Vec<(String, String)> {
    let text = |value: &Value| match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    let mut pairs: Vec<(String, String)> =
        feature.properties.iter().flatten().map(|(name, value)| (name.clone(), text(value))).collect();
    if let Some(geometry) = &feature.geometry {
        match &geometry.value {
            GeometryValue::Point { coordinates } => {
                let at =
                    |axis: usize| coordinates.as_slice().get(axis).map_or_else(String::new, f64::to_string);
                pairs.push((Field::DecimalLongitude.name().to_owned(), at(0)));
                pairs.push((Field::DecimalLatitude.name().to_owned(), at(1)));
            }
            _ => pairs.push(("geometry".to_owned(), geometry.to_string())),
        }
    }
    pairs
}

fn pairs(content: Content, number: u64, feature: &Feature) -> Result<Pairs, (Pairs, Problem)> {
    let mut found = properties(feature);
    found.retain(|(name, _)| name != "geometry");
    let mut row = Pairs::new(content, number, found);
    let checked = row.raw().iter().try_for_each(|(name, value)| match field_of(content, name) {
        Some(field) => check_value(field.name(), value),
        None => Ok(()),
    });
    match checked.and_then(|()| lines(feature)) {
        Ok(lines) => {
            row.lines = lines;
            Ok(row)
        }
        // With its geometry, so that nothing of it is lost.
        Err(problem) => Err((Pairs::new(content, number, properties(feature)), problem)),
    }
}

/// The lines of a feature; none for a point or no geometry.
fn lines(feature: &Feature) -> Result<Vec<Vec<LonLat>>, Problem> {
    let Some(geometry) = &feature.geometry else { return Ok(Vec::new()) };
    let line = |positions: &[geojson::Position]| -> Result<Vec<LonLat>, Problem> {
        positions.iter().map(|position| at(position.as_slice())).collect()
    };
    match &geometry.value {
        GeometryValue::Point { .. } => Ok(Vec::new()),
        GeometryValue::LineString { coordinates } => Ok(vec![line(coordinates)?]),
        GeometryValue::MultiLineString { coordinates } => {
            coordinates.iter().map(|positions| line(positions)).collect()
        }
        other => {
            let reason = format!("a {} is neither a point nor a line", other.type_name());
            Err(Problem::new(
                "geometry",
                other.type_name(),
                reason,
                "give records as points and trails as lines",
            ))
        }
    }
}

fn at(position: &[f64]) -> Result<LonLat, Problem> {
    let (lon, lat) = match position {
        [lon, lat, ..] => (*lon, *lat),
        _ => (f64::NAN, f64::NAN),
    };
    LonLat::new(lon, lat).map_err(|error| {
        Problem::new(
            "geometry",
            &format!("{position:?}"),
            error.to_string(),
            "positions are [longitude, latitude]",
        )
    })
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

    #[test]
    fn trails_come_with_their_parts() {
        let text = r#"{"type":"FeatureCollection","name":"x","features":[
            {"type":"Feature","properties":{"name":"A"},"geometry":{"type":"MultiLineString","coordinates":[[[-109.4,37.6],[-109.3,37.7]],[[1,2],[3,4]]]}},
            {"type":"Feature","properties":{"name":"B"},"geometry":{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,0]]]}},
            {"type":"Feature","properties":{},"geometry":{"type":"LineString","coordinates":[[0,0],[1,1]]}}]}"#;
        let items = items(Content::Trails, text).unwrap();
        let [Item::Draft { draft: Draft::Trail(trail), .. }, Item::Refused(polygon), Item::Refused(nameless)] =
            &items[..]
        else {
            panic!("{items:?}")
        };
        assert_eq!(trail.parts.len(), 2);
        assert_eq!((polygon.field.as_str(), polygon.row_number), ("geometry", 2));
        assert_eq!(nameless.field, "name");
    }

    #[test]
    fn points_are_encounters() {
        let text = r#"{"features":[{"type":"Feature","properties":{"effortKind":"report","eventDate":"2024-05-04","accuracy":20},
            "geometry":{"type":"Point","coordinates":[-109.38,37.61]}}],"type":"FeatureCollection"}"#;
        let items = items(Content::Encounters, text).unwrap();
        let [Item::Draft { draft: Draft::Encounter(draft), .. }] = &items[..] else { panic!("{items:?}") };
        assert_eq!(draft.position.unwrap().position, LonLat::new(-109.38, 37.61).unwrap());
    }

    #[test]
    fn a_file_that_breaks_off_is_no_file() {
        let cut =
            r#"{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"name":"A"},"geom"#;
        assert!(matches!(items(Content::Trails, cut), Err(FileError::Malformed { .. })));
        assert!(items(Content::Trails, r#"{"type":"FeatureCollection","features":[]}"#).is_err());
        assert!(items(Content::Trails, "[1,2,3]").is_err());
        assert!(items(Content::Trails, "name,wkt\n").is_err());
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(0u8..128, 0..200)) {
            let _ = read(Content::Encounters, &bytes[..], &context(), &mut |_| ControlFlow::Continue(()));
        }
    }
}
