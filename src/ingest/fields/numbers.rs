//! Numbers as people write them.

use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::row::Row;

/// A finite number. A single decimal comma is read as one; what could be thousands is refused.
pub(crate) fn number(field: &str, text: &str) -> Result<f64, Problem> {
    let text = text.trim();
    let plain = text.strip_prefix('+').unwrap_or(text);
    if !plain.contains(',')
        && let Ok(value) = plain.parse::<f64>()
    {
        if value.is_finite() {
            return Ok(value);
        }
        return Err(Problem::new(
            field,
            text,
            "this is not a finite number",
            "enter a number, or leave it empty",
        ));
    }
    if let Some((whole, part)) = plain.split_once(',') {
        let is_digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
        let is_single = is_digits(whole.trim_start_matches('-')) && is_digits(part);
        // "2,000" may be two or two thousand; "36,25123" can only be a decimal comma.
        if is_single
            && part.len() != 3
            && let Ok(value) = format!("{whole}.{part}").parse::<f64>()
        {
            return Ok(value);
        }
        let reason = "a comma here may separate thousands or decimals";
        return Err(Problem::new(
            field,
            text,
            reason,
            "write thousands without separator and decimals with a point",
        ));
    }
    Err(Problem::new(field, text, "this is not a number", "write digits with a decimal point and no unit"))
}

/// A number, or none where the field is empty.
pub(crate) fn optional(row: &dyn Row, field: Field) -> Result<Option<f64>, Problem> {
    let text = row.get(field);
    if text.is_empty() { Ok(None) } else { number(field.name(), text).map(Some) }
}

/// A number that must be there.
pub(crate) fn needed(row: &dyn Row, field: Field) -> Result<f64, Problem> {
    match optional(row, field)? {
        Some(value) => Ok(value),
        None => Err(Problem::new(field.name(), "", "there is no value", "enter a number")),
    }
}

/// A whole number of at least zero, or none where the field is empty.
pub(crate) fn optional_count(row: &dyn Row, field: Field) -> Result<Option<u32>, Problem> {
    let Some(value) = optional(row, field)? else { return Ok(None) };
    if value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value) {
        return Ok(Some(value as u32));
    }
    let reason = "this is not a whole number of at least zero";
    Err(Problem::new(field.name(), row.get(field), reason, "enter a count, or leave it empty"))
}

/// A whole number that must be there.
pub(crate) fn needed_count(row: &dyn Row, field: Field) -> Result<u32, Problem> {
    optional_count(row, field)?
        .ok_or_else(|| Problem::new(field.name(), "", "there is no value", "enter a whole number"))
}

/// A value made from a number, or none where the field is empty.
pub(crate) fn optional_with<T, E: std::fmt::Display>(
    row: &dyn Row,
    field: Field,
    make: impl Fn(f64) -> Result<T, E>,
) -> Result<Option<T>, Problem> {
    let Some(value) = optional(row, field)? else { return Ok(None) };
    let refused = |error: E| {
        Problem::new(field.name(), row.get(field), error.to_string(), "check the value and its unit")
    };
    make(value).map(Some).map_err(refused)
}

/// Yes or no, or none where the field is empty.
pub(crate) fn optional_yes(row: &dyn Row, field: Field) -> Result<Option<bool>, Problem> {
    let text = row.get(field);
    match text.to_lowercase().as_str() {
        "" => Ok(None),
        "yes" | "y" | "true" | "1" => Ok(Some(true)),
        "no" | "n" | "false" | "0" => Ok(Some(false)),
        _ => Err(Problem::new(field.name(), text, "this is neither yes nor no", "enter yes or no")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_or_refused() {
        let good = [("3.5", 3.5), ("+2", 2.0), ("-109,37236", -109.37236), ("1e3", 1000.0), ("0,5", 0.5)];
        for (text, value) in good {
            assert_eq!(number("x", text), Ok(value), "{text}");
        }
        for text in ["2,000", "1,000,000", "about 20", "NaN", "inf", "20 m", "", "1,2,3", "--1"] {
            assert!(number("x", text).is_err(), "{text}");
        }
    }
}
