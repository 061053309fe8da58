//! Lines and rings in well-known text, as `footprintWKT` carries them.

use crate::domain::geography::LonLat;
use crate::ingest::error::Problem;

/// The positions of a LINESTRING, or of the outer ring of a POLYGON.
pub(crate) fn positions(field: &str, text: &str, kind: &str) -> Result<Vec<LonLat>, Problem> {
    let refused = |reason: String| {
        let hint = format!("write {kind} (longitude latitude, longitude latitude, …)");
        Problem::new(field, text, reason, hint)
    };
    let upper = text.trim_start().get(..kind.len()).map(str::to_uppercase);
    if upper.as_deref() != Some(kind) {
        return Err(refused(format!("this is not a {kind}")));
    }
    let body = &text.trim_start()[kind.len()..];
    // A polygon's holes stand after its outer ring.
    let inside = body.trim().trim_start_matches(['(', ' ']);
    let end = inside.find(')').ok_or_else(|| refused("the brackets are not closed".to_owned()))?;
    let mut found = Vec::new();
    for pair in inside[..end].split(',') {
        let mut numbers = pair.split_whitespace().map(str::parse::<f64>);
        let (Some(Ok(lon)), Some(Ok(lat))) = (numbers.next(), numbers.next()) else {
            return Err(refused(format!("\"{}\" is not a position", pair.trim())));
        };
        found.push(LonLat::new(lon, lat).map_err(|error| refused(error.to_string()))?);
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_rings_are_read() {
        let line = positions("f", "LINESTRING (1 2, 3 4.5)", "LINESTRING").unwrap();
        assert_eq!((line.len(), line[1].lat()), (2, 4.5));
        let ring = positions("f", "polygon((1 2,3 4,5 6,1 2),(9 9,8 8,9 9))", "POLYGON").unwrap();
        assert_eq!(ring.len(), 4);
        for bad in ["POINT (1 2)", "LINESTRING (1 2, 3)", "LINESTRING (1 2", "LINESTRING (1 200)", "é", ""] {
            assert!(positions("f", bad, "LINESTRING").is_err(), "{bad}");
        }
    }
}
