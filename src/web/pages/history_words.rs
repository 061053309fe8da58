//! Fields of a record and their values in words a reader of the page knows.

use serde_json::Value;

use crate::analysis::network::SegmentId;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::store::Change;
use crate::store::RecordKind;
use crate::web::pages::common;

/// Ends of field names that give the unit, with how it is said.
const UNITS: [(&str, &str); 9] = [
    ("_m", "metres"),
    ("_km", "kilometres"),
    ("_c", "degrees Celsius"),
    ("_kg", "kilograms"),
    ("_deg", "degrees"),
    ("_ms", "milliseconds"),
    ("_s", "seconds"),
    ("_years", "years"),
    ("_min", "minutes"),
];
/// Words that are written otherwise than they stand in a name.
const WORDS: [(&str, &str); 5] =
    [("lon", "longitude"), ("lat", "latitude"), ("id", "ID"), ("json", ""), ("n", "number of")];

/// The name of a field in words: `coordinate_uncertainty_m` is "coordinate uncertainty (metres)", and the parts of a part
/// have a comma between them.
pub(super) fn field_words(field: &str) -> String {
    // How the store groups fields is no word of anybody's.
    let field = field.strip_prefix("details.").unwrap_or(field);
    field.split('.').map(part_words).collect::<Vec<_>>().join(", ")
}

fn part_words(part: &str) -> String {
    let stem = part.strip_suffix("_at_s").or(part.strip_suffix("instant_s").map(|_| "instant"));
    if let Some(stem) = stem {
        return plain(stem);
    }
    let unit = UNITS.iter().find_map(|(end, words)| part.strip_suffix(end).map(|stem| (stem, *words)));
    match unit {
        Some((stem, words)) if !stem.is_empty() => format!("{} ({words})", plain(stem)),
        _ => plain(part),
    }
}

fn plain(name: &str) -> String {
    // Ordinals of parts count from nought in the store, from one on paper.
    if let Ok(ordinal) = name.parse::<usize>() {
        return format!("{}", ordinal + 1);
    }
    let said = |word| WORDS.iter().find(|(known, _)| *known == word).map_or(word, |(_, words)| *words);
    let words: Vec<&str> = name.split('_').map(said).filter(|word| !word.is_empty()).collect();
    words.join(" ")
}

/// The value of a field: instants as date and time, truth as yes and no, lists and parts one after the other.
pub(super) fn value_words(field: &str, value: &str) -> String {
    let last = field.rsplit('.').next().unwrap_or(field);
    if (last.ends_with("_at_s") || last == "instant_s")
        && let Ok(instant_s) = value.parse::<i64>()
    {
        return common::when(instant_s);
    }
    match (value, serde_json::from_str::<Value>(value)) {
        ("true", _) => "yes".to_owned(),
        ("false", _) => "no".to_owned(),
        (_, Ok(parsed @ (Value::Array(_) | Value::Object(_)))) => json_words(last, &parsed),
        _ => value.to_owned(),
    }
}

fn json_words(field: &str, value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        Value::Array(values) => {
            let words = values.iter().map(|value| json_words(field, value));
            let between = if values.iter().any(Value::is_object) { " | " } else { ", " };
            words.filter(|words| !words.is_empty()).collect::<Vec<_>>().join(between)
        }
        Value::Object(parts) => {
            let part = |(name, value): (&String, &Value)| {
                let words = json_words(name, value);
                (!words.is_empty()).then(|| format!("{}: {words}", part_words(name)))
            };
            parts.iter().filter_map(part).collect::<Vec<_>>().join("; ")
        }
        other => value_words(field, &other.to_string()),
    }
}

/// Says the target of a place by hand as people know it: the trail and kilometres of a segment, the name of a place.
pub(super) fn name_tie(change: &mut Change, (facts, network): (&Facts, Option<&NetworkLayer>)) {
    if change.kind != RecordKind::HandSnap {
        return;
    }
    let segment = |id: i64| {
        let network = network?;
        let idx = network.by_id.get(&SegmentId::from_number(id.cast_unsigned()))?;
        Some(network.segment_words(*idx))
    };
    let place = |id: i64| {
        let place = facts.places.iter().find(|place| place.id.0 == id)?;
        Some(place.given.name.clone())
    };
    for field in &mut change.fields {
        let is_segment = field.field == "segment";
        if !is_segment && field.field != "place" {
            continue;
        }
        for text in [&mut field.before, &mut field.after] {
            if let Ok(id) = text.parse::<i64>() {
                let words = if is_segment { segment(id) } else { place(id) };
                *text = words.unwrap_or_else(|| "one that is there no longer".to_owned());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_become_words_with_their_unit() {
        for (field, words) in [
            ("coordinate_uncertainty_m", "coordinate uncertainty (metres)"),
            ("organism_id", "organism ID"),
            ("settled_at_s", "settled"),
            ("approaches.0.closest_distance_m", "approaches, 1, closest distance (metres)"),
            ("other_json", "other"),
            ("details.occurrence_remarks", "occurrence remarks"),
            ("details", "details"),
            ("name", "name"),
            ("n_people", "number of people"),
            ("lon", "longitude"),
        ] {
            assert_eq!(field_words(field), words);
        }
    }

    #[test]
    fn values_are_said_as_people_say_them() {
        assert_eq!(value_words("settled_at_s", "1719835200"), "2024-07-01 12:00 UTC");
        assert_eq!(value_words("is_alive", "true"), "yes");
        assert_eq!(value_words("name", "North [old]"), "North [old]");
        assert_eq!(value_words("name", "12"), "12");
        let approaches =
            r#"[{"contact":"beside","closest_distance_m":1.5,"agent":"","moved":false},{"contact":"over"}]"#;
        assert_eq!(
            value_words("approaches", approaches),
            "closest distance (metres): 1.5; contact: beside; moved: no | contact: over"
        );
    }
}
