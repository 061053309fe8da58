//! Latitude and longitude: decimal degrees, degrees and minutes, degrees, minutes and seconds.

use crate::domain::geography::LonLat;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::numbers;
use crate::ingest::row::Row;

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
        let reason = "0, 0 lies in the Gulf of Guinea: this is what devices store without a fix";
        return Err(Problem::new(
            lat_name,
            lat_text,
            reason,
            "enter the position, or leave both fields empty",
        ));
    }
    let can_swap = lat.abs() <= 180.0 && lon.abs() <= 90.0;
    let looks_swapped = can_swap && !context.is_near(lon, lat) && context.is_near(lat, lon);
    if looks_swapped && context.bounds.is_some() || lat.abs() > 90.0 && can_swap {
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
    match numbers::number(field, text) {
        Ok(value) => return Ok(value),
        Err(problem) if !text.contains(|letter: char| letter.is_ascii_digit()) => return Err(problem),
        Err(_) => {}
    }
    let refused = |reason: &str| {
        Err(Problem::new(
            field,
            text,
            reason,
            "write decimal degrees, or degrees, minutes and seconds with N, S, E or W",
        ))
    };
    let upper = text.to_uppercase();
    let is_symbol = |letter: char| letter.is_whitespace() || "°º'′’\"″”:DMS".contains(letter);
    // S is a direction at either end and else a mark of seconds.
    let trimmed = upper.trim();
    let direction = trimmed.chars().last().filter(|letter| "NSEW".contains(*letter));
    let direction = direction.or_else(|| trimmed.chars().next().filter(|letter| "NSEW".contains(*letter)));
    let Some(direction) = direction else {
        // Not a spelling of degrees at all: the number's own reason says more.
        return match numbers::number(field, text) {
            Err(problem) if !text.contains(['°', '\'', '″']) => Err(problem),
            _ => refused("it does not say N, S, E or W"),
        };
    };
    let belongs = match direction {
        'N' | 'S' => Axis::Latitude,
        _ => Axis::Longitude,
    };
    if belongs != axis {
        return refused("the direction belongs to the other coordinate");
    }
    let body = trimmed.trim_matches(|letter: char| letter == direction);
    let parts: Vec<&str> = body.split(is_symbol).filter(|part| !part.is_empty()).collect();
    let values: Result<Vec<f64>, Problem> = parts.iter().map(|part| numbers::number(field, part)).collect();
    let Ok(values) = values else { return refused("these are not degrees, minutes and seconds") };
    let in_range = values.iter().skip(1).all(|value| (0.0..60.0).contains(value))
        && values.iter().rev().skip(1).all(|value| value.fract() == 0.0)
        && values.first().is_some_and(|value| *value >= 0.0);
    if !in_range || values.is_empty() || values.len() > 3 {
        return refused("minutes and seconds must be from 0 to 60, and only the last may have decimals");
    }
    let size: f64 = values.iter().zip([1.0, 60.0, 3600.0]).map(|(value, share)| value / share).sum();
    Ok(if "SW".contains(direction) { -size } else { size })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;

    fn read(lat: &str, lon: &str) -> Result<Option<LonLat>, Problem> {
        let pairs = vec![("lat".to_owned(), lat.to_owned()), ("lon".to_owned(), lon.to_owned())];
        optional(&Pairs::new(Content::Encounters, 1, pairs), &context())
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
    }
}
