//! Lines and rings in well-known text, as `footprintWKT` carries them.

use crate::domain::geography::LonLat;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::fields::coordinates;

/// The lines of a LINESTRING or MULTILINESTRING.
pub(crate) fn lines(field: &str, text: &str, context: &Context) -> Result<Vec<Vec<LonLat>>, Problem> {
    let hint = "write LINESTRING (longitude latitude, longitude latitude, …)";
    if let Some(body) = body_of(text, "MULTILINESTRING") {
        return runs(field, body, text, hint)?
            .into_iter()
            .map(|run| positions(field, run, context))
            .collect();
    }
    let wrong = || Problem::new(field, text, "this is not a LINESTRING", hint);
    let body = body_of(text, "LINESTRING").ok_or_else(wrong)?;
    let unclosed = || Problem::new(field, text, "the brackets are not closed", hint);
    Ok(vec![positions(field, inside(body).ok_or_else(unclosed)?, context)?])
}

/// The outer ring of a POLYGON, closed. One with holes is refused.
pub(crate) fn ring(field: &str, text: &str, context: &Context) -> Result<Vec<LonLat>, Problem> {
    let hint =
        "write POLYGON ((longitude latitude, longitude latitude, …)), its last position like its first";
    let refused = |reason: &str| Problem::new(field, text, reason, hint);
    let body = body_of(text, "POLYGON").ok_or_else(|| refused("this is not a POLYGON"))?;
    let rings = runs(field, body, text, hint)?;
    let [outer] = rings[..] else { return Err(refused("an outline has one ring and no holes")) };
    let ring = positions(field, outer, context)?;
    if ring.len() < 4 || ring.first() != ring.last() {
        return Err(refused("the outline is not closed"));
    }
    Ok(ring)
}

/// Lines as a MULTILINESTRING.
pub(crate) fn from_lines(lines: &[Vec<LonLat>]) -> String {
    let line = |line: &Vec<LonLat>| {
        let positions: Vec<String> = line.iter().map(|at| format!("{} {}", at.lon(), at.lat())).collect();
        format!("({})", positions.join(", "))
    };
    format!("MULTILINESTRING ({})", lines.iter().map(line).collect::<Vec<_>>().join(", "))
}

/// What follows the kind, in any case; none when the text is of another kind.
fn body_of<'a>(text: &'a str, kind: &str) -> Option<&'a str> {
    let text = text.trim();
    let is_kind = text.get(..kind.len())?.eq_ignore_ascii_case(kind);
    is_kind.then(|| text[kind.len()..].trim()).filter(|body| body.starts_with('('))
}

/// What stands between the brackets at both ends.
fn inside(body: &str) -> Option<&str> {
    body.trim().strip_prefix('(')?.strip_suffix(')')
}

/// The parts of a list of bracketed runs.
fn runs<'a>(field: &str, body: &'a str, text: &str, hint: &str) -> Result<Vec<&'a str>, Problem> {
    let unclosed = || Problem::new(field, text, "the brackets are not closed", hint);
    let mut rest = inside(body).ok_or_else(unclosed)?.trim();
    let mut found = Vec::new();
    loop {
        let end = rest.find(')').ok_or_else(unclosed)?;
        found.push(rest[..end].strip_prefix('(').ok_or_else(unclosed)?);
        rest = rest[end + 1..].trim_start();
        if rest.is_empty() {
            return Ok(found);
        }
        rest = rest.strip_prefix(',').ok_or_else(unclosed)?.trim_start();
    }
}

fn positions(field: &str, text: &str, context: &Context) -> Result<Vec<LonLat>, Problem> {
    let position = |pair: &str| {
        let mut numbers = pair.split_whitespace().map(str::parse::<f64>);
        match (numbers.next(), numbers.next()) {
            (Some(Ok(lon)), Some(Ok(lat))) => coordinates::on_line(field, lon, lat, context),
            _ => {
                let reason = format!("\"{}\" is not a position", pair.trim());
                Err(Problem::new(field, text, reason, "write longitude and latitude, a space between them"))
            }
        }
    };
    text.split(',').map(position).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::context::testing::context;

    #[test]
    fn lines_and_rings_are_read() {
        let read = lines("f", "LINESTRING (1 2, 3 4.5)", &context()).unwrap();
        assert_eq!((read.len(), read[0].len(), read[0][1].lat()), (1, 2, 4.5));
        let many = lines("f", " MultiLineString((1 2,3 4) , (5 6, 7 8 90, 9 1))", &context()).unwrap();
        assert_eq!((many[0].len(), many[1].len()), (2, 3));
        assert_eq!(lines("f", &from_lines(&many), &context()), Ok(many));
        assert_eq!(ring("f", "polygon((1 2,3 4,5 6,1 2))", &context()).unwrap().len(), 4);
    }

    #[test]
    fn what_is_no_line_or_ring_is_refused() {
        let bad = [
            "POINT (1 2)",
            "LINESTRING (1 2, 3)",
            "LINESTRING (1 2",
            "LINESTRING (1 200)",
            "LINESTRING EMPTY",
        ];
        for bad in bad.into_iter().chain(["é", "", "MULTILINESTRING ((1 2, 3 4)", "LINESTRING (0 0, 1 1)"]) {
            assert!(lines("f", bad, &context()).is_err(), "{bad}");
        }
        for bad in
            ["POLYGON ((1 2, 3 4, 5 6))", "POLYGON ((1 2,3 4,5 6,1 2),(9 9,8 8,9 8,9 9))", "POLYGON (("]
        {
            assert!(ring("f", bad, &context()).is_err(), "{bad}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "(MULTI)?(LINESTRING|POLYGON)[ (),0-9é.-]{0,40}") {
            let _ = (lines("f", &text, &context()), ring("f", &text, &context()));
        }
    }
}
