//! Latitude and longitude: decimal degrees, degrees and minutes, degrees, minutes and seconds.

use crate::domain::geography::LonLat;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::numbers;
use crate::ingest::row::Row;

const NO_FIX: &str = "0, 0 lies in the Gulf of Guinea: this is what devices store without a fix";
const HINT: &str = "write decimal degrees, or degrees, minutes and seconds with N, S, E or W";

/// Which of the two a value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Axis {
    Latitude,
    Longitude,
}

/// The position of a row; none where both fields are empty.
pub(crate) fn optional(row: &dyn Row, context: &Context) -> Result<Option<LonLat>, Problem> {
    let (lat_text, lon_text) = (row.get(Field::DecimalLatitude), row.get(Field::DecimalLongitude));
    let (lat_name, lon_name) = (Field::DecimalLatitude.name(), Field::DecimalLongitude.name());
    match (lat_text.is_empty(), lon_text.is_empty()) {
        (true, true) => return Ok(None),
        (true, false) => return Err(half(lat_name)),
        (false, true) => return Err(half(lon_name)),
        (false, false) => {}
    }
    let lat = degrees(lat_name, lat_text, Axis::Latitude)?;
    let lon = degrees(lon_name, lon_text, Axis::Longitude)?;
    if lat == 0.0 && lon == 0.0 {
        let hint = "enter the position, or leave both fields empty";
        return Err(Problem::new(lat_name, lat_text, NO_FIX, hint));
    }
    if looks_swapped(lon, lat, context) {
        let reason = "latitude and longitude look swapped";
        return Err(Problem::new(lat_name, lat_text, reason, format!("exchange {lat_text} and {lon_text}")));
    }
    match LonLat::new(lon, lat) {
        Ok(position) => Ok(Some(position)),
        Err(error) => {
            let field = if lat.abs() > 90.0 { (lat_name, lat_text) } else { (lon_name, lon_text) };
            Err(Problem::new(field.0, field.1, error.to_string(), "check the degrees"))
        }
    }
}

/// A position of a line, longitude first.
pub(crate) fn on_line(field: &str, lon: f64, lat: f64, context: &Context) -> Result<LonLat, Problem> {
    let shown = || format!("{lon} {lat}");
    let hint = "positions of lines are longitude, latitude";
    if lat == 0.0 && lon == 0.0 {
        return Err(Problem::new(field, &shown(), NO_FIX, "take this position out of the line"));
    }
    if looks_swapped(lon, lat, context) {
        return Err(Problem::new(field, &shown(), "latitude and longitude look swapped", hint));
    }
    LonLat::new(lon, lat).map_err(|error| Problem::new(field, &shown(), error.to_string(), hint))
}

/// Whether the two make a position of the area only when exchanged, or a position at all.
fn looks_swapped(lon: f64, lat: f64, context: &Context) -> bool {
    let can_swap = lat.abs() <= 180.0 && lon.abs() <= 90.0;
    let is_near_only_swapped =
        context.bounds.is_some() && !context.is_near(lon, lat) && context.is_near(lat, lon);
    can_swap && (is_near_only_swapped || lat.abs() > 90.0)
}

/// The position of a row, which must be there.
pub(crate) fn needed(row: &dyn Row, context: &Context) -> Result<LonLat, Problem> {
    let none =
        || Problem::new(Field::DecimalLatitude.name(), "", "there is no position", "enter both coordinates");
    optional(row, context)?.ok_or_else(none)
}

fn half(field: &str) -> Problem {
    Problem::new(field, "", "one coordinate is there, the other is not", "enter both, or leave both empty")
}

/// Degrees from any of the spellings.
fn degrees(field: &str, text: &str, axis: Axis) -> Result<f64, Problem> {
    let problem = match numbers::number(field, text) {
        Ok(value) => return Ok(value),
        Err(problem) => problem,
    };
    if !text.contains(|letter: char| letter.is_ascii_digit()) {
        return Err(problem);
    }
    // No coordinate has thousands: three digits behind a comma are decimals.
    if text.matches(',').count() == 1
        && let Ok(value) = numbers::number(field, &text.replace(',', "."))
    {
        return Ok(value);
    }
    if let Some(body) = text.trim().strip_suffix('°')
        && let Ok(value) = numbers::number(field, body)
    {
        return Ok(value);
    }
    let refused = |reason: &str| Problem::new(field, text, reason, HINT);
    let upper = text.trim().to_uppercase();
    let Some((body, direction)) = directed(&upper).map_err(refused)? else {
        // Not a spelling of degrees at all: the number's own reason says more.
        let has_marks = text.contains(['°', 'º', '\'', '′', '’', '"', '″', '”']);
        return Err(if has_marks { refused("it does not say N, S, E or W") } else { problem });
    };
    let belongs = if matches!(direction, 'N' | 'S') { Axis::Latitude } else { Axis::Longitude };
    if belongs != axis {
        return Err(refused("the direction belongs to the other coordinate"));
    }
    let size = sexagesimal(field, body).map_err(refused)?;
    Ok(if matches!(direction, 'S' | 'W') { -size } else { size })
}

/// Splits the direction off either end of a text in upper case; none where there is none.
fn directed(upper: &str) -> Result<Option<(&str, char)>, &'static str> {
    let is_direction = |letter: &char| "NSEW".contains(*letter);
    let first = upper.chars().next().filter(is_direction);
    let last = upper.chars().last().filter(is_direction);
    // "37d 37m 30s" ends in a mark of seconds, or in "south": only a second letter tells.
    let has_letter_marks = upper.contains(['D', 'M']);
    let is_mark_of_seconds =
        |rest: &str| has_letter_marks && rest.trim_end().ends_with(|c: char| c.is_ascii_digit());
    match (first, last) {
        (Some(first), Some('S')) if has_letter_marks => Ok(Some((&upper[1..], first))),
        (Some(_), Some(_)) => Err("it has two directions"),
        (Some(first), None) => Ok(Some((&upper[1..], first))),
        (None, Some('S')) if is_mark_of_seconds(&upper[..upper.len() - 1]) => {
            Err("the S at its end may mean seconds or south")
        }
        (None, Some(last)) => Ok(Some((&upper[..upper.len() - 1], last))),
        (None, None) => Ok(None),
    }
}

/// Degrees, and minutes and seconds where there are any.
fn sexagesimal(field: &str, body: &str) -> Result<f64, &'static str> {
    let is_mark = |letter: char| letter.is_whitespace() || "°º'′’\"″”:DMS".contains(letter);
    let parts = body.split(is_mark).filter(|part| !part.is_empty());
    let values: Result<Vec<f64>, Problem> = parts.map(|part| numbers::number(field, part)).collect();
    let Ok(values) = values else { return Err("these are not degrees, minutes and seconds") };
    let is_whole_but_last = values.iter().rev().skip(1).all(|value| value.fract() == 0.0);
    let is_in_range = values.iter().skip(1).all(|value| (0.0..60.0).contains(value));
    let is_positive = values.first().is_some_and(|value| *value >= 0.0);
    if !is_whole_but_last || !is_in_range || values.len() > 3 {
        return Err("minutes and seconds must be from 0 to 60, and only the last may have decimals");
    }
    if !is_positive {
        return Err("it has a sign and a direction");
    }
    Ok(values.iter().zip([1.0, 60.0, 3600.0]).map(|(value, share)| value / share).sum())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;

    fn read(lat: &str, lon: &str) -> Result<Option<LonLat>, Problem> {
        let pairs = vec![("lat".to_owned(), lat.to_owned()), ("lon".to_owned(), lon.to_owned())];
        optional(&Pairs::new(Content::Encounters, 1, pairs, &context()), &context())
    }

    #[test]
    fn positions_are_read_in_many_spellings() {
        let check = |lat, lon, expected: [f64; 2]| {
            let at = read(lat, lon).unwrap().unwrap();
            assert!(
                (at.lon() - expected[0]).abs() < 1e-9 && (at.lat() - expected[1]).abs() < 1e-9,
                "{lat} {lon}"
            );
        };
        check("37.61", "-109.38", [-109.38, 37.61]);
        check("37,6125", "-109,3825", [-109.3825, 37.6125]);
        check("37°37'30\"N", "109°22'12\"W", [-109.37, 37.625]);
        check("N 37 37.5", "W109 22.2", [-109.37, 37.625]);
        check("37° 37′ 30″ N", "109 22 12 W", [-109.37, 37.625]);
        check("37,612", "\u{2212}109,382", [-109.382, 37.612]);
        check("37.625°", "-109.37°", [-109.37, 37.625]);
        check("37.625 N", "109.37W", [-109.37, 37.625]);
        check("N 37d37m30s", "W 109d 22m 12s", [-109.37, 37.625]);
        check("37d37m30s N", "109:22:12 w", [-109.37, 37.625]);
        check("37d37.5m S", "109d22.2m W", [-109.37, -37.625]);
        check("37d37m30sS", "109°22.2'E", [109.37, -37.625]);
        assert_eq!(read("", ""), Ok(None));
    }

    #[test]
    fn what_is_wrong_is_said() {
        let check = |lat, lon, reason: &str| {
            let problem = read(lat, lon).unwrap_err();
            assert!(problem.reason.contains(reason), "{lat} {lon}: {}", problem.reason);
        };
        check("-109.38", "37.61", "swapped");
        check("37.61", "", "one coordinate");
        check("0", "0", "Gulf of Guinea");
        check("97.6", "-109.38", "outside -90 to 90");
        check("37.61", "-209.38", "outside -180 to 180");
        check("37°37'30\"E", "109°22'12\"W", "other coordinate");
        check("37°37'30\"", "109°22'12\"W", "N, S, E or W");
        check("37°77'30\"N", "109°22'12\"W", "from 0 to 60");
        check("NaN", "-109.38", "finite");
        check("37d37m30s", "109°22'12\"W", "seconds or south");
        check("N 37 S", "-109.38", "two directions");
        check("-37°37'30\" S", "-109.38", "sign and a direction");
        check("37°37'30\" N extra", "-109.38", "N, S, E or W");
        check("37.6.1", "-109.38", "thousands");
    }

    #[test]
    fn what_lies_near_only_when_exchanged_is_refused() {
        // An area whose longitudes could be latitudes.
        let trail = [LonLat::new(20.1, 50.1).unwrap()];
        let context = Context::new("UTC", jiff::civil::date(2026, 1, 15), Vec::new(), trail.into_iter());
        assert!(on_line("f", 20.2, 50.2, &context).is_ok());
        assert!(on_line("f", 50.2, 20.2, &context).unwrap_err().reason.contains("swapped"));
        assert!(on_line("f", 0.0, 0.0, &context).unwrap_err().reason.contains("Guinea"));
        assert!(on_line("f", f64::NAN, 0.0, &context).is_err());
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(lat in "\\PC{0,20}", lon in "[-0-9NSEWnsewdm°'\", .]{0,20}") {
            let _ = read(&lat, &lon);
            let _ = read(&lon, &lat);
        }

        #[test]
        fn degrees_minutes_and_seconds_read_back(d in 0u32..90, m in 0u32..60, s in 0u32..60) {
            let at = read(&format!("{d}°{m}'{s}\"S"), "10.5").unwrap().unwrap();
            let expected = f64::from(d) + f64::from(m) / 60.0 + f64::from(s) / 3600.0;
            proptest::prop_assert!((at.lat() + expected).abs() < 1e-9);
        }
    }
}
