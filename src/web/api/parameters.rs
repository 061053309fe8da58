//! Parameters that all layers share.

use jiff::civil::Date;

use crate::domain::geography::BoundingBox;
use crate::web::error::Error;
use crate::web::query::Query;

/// Encounters on a page unless asked for otherwise.
pub(super) const LIMIT: u32 = 1_000;
/// Most features on a page; a higher limit is cut to it.
pub(super) const MOST: u32 = 10_000;

/// The box asked for: four numbers, or six with heights, which do not matter here.
pub(super) fn bbox(query: &Query) -> Result<Option<BoundingBox>, Error> {
    let Some(text) = query.get("bbox") else { return Ok(None) };
    let wrong = || {
        let words = format!("\"{text}\" is not a box: give west,south,east,north in degrees.");
        Error::bad_request("bbox", words)
    };
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|part| part.trim().parse::<f64>()).collect();
    let numbers = numbers.map_err(|_| wrong())?;
    let [west, south, east, north] = match numbers[..] {
        [west, south, east, north] | [west, south, _, east, north, _] => [west, south, east, north],
        _ => return Err(wrong()),
    };
    let in_range = [west, east].iter().all(|lon| (-180.0..=180.0).contains(lon))
        && [south, north].iter().all(|lat| (-90.0..=90.0).contains(lat));
    if !in_range || south > north {
        return Err(wrong());
    }
    Ok(Some(BoundingBox { west, south, east, north }))
}

/// How many features at most.
pub(super) fn limit(query: &Query, otherwise: u32) -> Result<u32, Error> {
    let limit = query.parse::<u32>("limit", "a whole number from 1")?.unwrap_or(otherwise);
    match limit {
        0 => Err(Error::bad_request("limit", "\"0\" is not a whole number from 1.")),
        limit => Ok(limit.min(MOST)),
    }
}

/// A date.
pub(super) fn date(query: &Query, name: &str) -> Result<Option<Date>, Error> {
    query.parse(name, "a date, such as 2024-05-04")
}
