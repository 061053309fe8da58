//! Numbers as people write them.

use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::row::Row;

/// A finite number. A single decimal comma is read as one; what could be thousands is refused.
pub(crate) fn number(field: &str, text: &str) -> Result<f64, Problem> {
    let text = text.trim();
    // The plain spelling, which is nearly every one.
    if is_plain(text)
        && let Ok(value) = text.parse::<f64>()
    {
        return finite(field, text, value);
    }
    // Pages and word processors write the minus sign of typography.
    let signed = text.replace('\u{2212}', "-");
    let plain = signed.strip_prefix('+').unwrap_or(&signed);
    if is_plain(plain)
        && !(plain.len() < signed.len() && plain.starts_with('-'))
        && let Ok(value) = plain.parse::<f64>()
    {
        return finite(field, text, value);
    }
    if let Some((whole, part)) = plain.split_once(',') {
        let digits = whole.strip_prefix('-').unwrap_or(whole);
        // "2,000" may be two or two thousand; "36,25123" and "0,125" can only have a decimal comma.
        if is_digits(digits)
            && is_digits(part)
            && (part.len() != 3 || digits == "0")
            && let Ok(value) = format!("{whole}.{part}").parse::<f64>()
        {
            return finite(field, text, value);
        }
    }
    Err(refusal(field, text, plain))
}

fn finite(field: &str, text: &str, value: f64) -> Result<f64, Problem> {
    if value.is_finite() {
        return Ok(value);
    }
    Err(Problem::new(field, text, "this is not a finite number", "enter a number, or leave it empty"))
}

/// Says what kind of a number it is that is not taken.
fn refusal(field: &str, text: &str, plain: &str) -> Problem {
    let words = ["nan", "inf", "infinity", "-nan", "-inf", "-infinity"];
    if words.contains(&plain.to_lowercase().as_str()) {
        return Problem::new(field, text, "this is not a finite number", "enter a number, or leave it empty");
    }
    let is_separator = |letter: char| ",.'\u{2019}_".contains(letter) || letter.is_whitespace();
    let pieces: Vec<&str> = plain.trim_start_matches('-').split(is_separator).collect();
    if pieces.len() > 1 && pieces.iter().all(|piece| is_digits(piece)) {
        let reason = match plain.contains(',') {
            true => "a comma here may separate thousands or decimals",
            false => "this seems to have separators between thousands",
        };
        return Problem::new(
            field,
            text,
            reason,
            "write thousands without separator and decimals with a point",
        );
    }
    Problem::new(field, text, "this is not a number", "write digits with a decimal point and no unit")
}

/// Whether a text has only what a number is written with; `parse` alone takes words such as "infinity" too.
fn is_plain(text: &str) -> bool {
    let body = text.strip_prefix('-').unwrap_or(text);
    body.starts_with(|letter: char| letter.is_ascii_digit() || letter == '.')
        && body.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'e' | b'E' | b'-' | b'+'))
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit())
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
    if text.is_empty() {
        return Ok(None);
    }
    match text.to_lowercase().as_str() {
        "yes" | "y" | "true" | "1" => Ok(Some(true)),
        "no" | "n" | "false" | "0" => Ok(Some(false)),
        _ => Err(Problem::new(field.name(), text, "this is neither yes nor no", "enter yes or no")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read() {
        let check = |text, value| assert_eq!(number("x", text), Ok(value), "{text}");
        check("3.5", 3.5);
        check("+2", 2.0);
        check("-109,37236", -109.37236);
        check("\u{2212}0.5", -0.5);
        check("1e3", 1000.0);
        check("0,5", 0.5);
        check("0,125", 0.125);
    }

    #[test]
    fn what_is_no_number_is_named() {
        let check = |text, reason: &str| {
            let problem = number("x", text).unwrap_err();
            assert!(problem.reason.contains(reason), "{text}: {}", problem.reason);
        };
        for text in ["2,000", "1,000,000", "2.000,50", "1,2,3"] {
            check(text, "thousands or decimals");
        }
        for text in ["1 000", "1.000.000", "1'000", "1\u{a0}000"] {
            check(text, "separators between thousands");
        }
        for text in ["NaN", "inf", "-Infinity", "1e999"] {
            check(text, "finite");
        }
        for text in ["about 20", "20 m", "", "--1", "++2", "+-5", ",5", "0x1F"] {
            check(text, "not a number");
        }
    }

    proptest::proptest! {
        #[test]
        fn every_number_reads_back(value in -1e9f64..1e9) {
            proptest::prop_assert_eq!(number("x", &value.to_string()), Ok(value));
        }

        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,20}") {
            let _ = number("x", &text);
        }
    }
}
