//! Whether an answer is what a record expects.

use jiff::Timestamp;
use serde_json::Value;

use crate::answer::Answer;
use crate::answer::Relation;
use crate::record::Tolerance;

/// One value that is not as expected.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Mismatch {
    /// Where it is in the answer: names and indices.
    pub(crate) at: String,
    pub(crate) expected: Value,
    /// `None` where the answer has no such value.
    pub(crate) got: Option<Value>,
}

/// Every value of `expected` that the answer does not meet.
pub(crate) fn mismatches(expected: &Value, answer: &Answer, tol: Tolerance) -> Vec<Mismatch> {
    let mut found = Vec::new();
    walk(expected, Some(&answer.value), tol, answer, "", &mut found);
    found
}

fn walk(
    expected: &Value,
    got: Option<&Value>,
    tol: Tolerance,
    answer: &Answer,
    at: &str,
    found: &mut Vec<Mismatch>,
) {
    match (expected, got) {
        (Value::Object(names), Some(Value::Object(others))) => {
            for (name, value) in names.iter().filter(|(name, _)| !answer.left_out.contains(&name.as_str())) {
                let own = answer.tolerances.iter().find(|(held, _)| held == name);
                let tol = own.map_or(tol, |(_, tol)| *tol);
                walk(value, others.get(name), tol, answer, &format!("{at}.{name}"), found);
            }
        }
        (Value::Array(items), Some(Value::Array(others))) if items.len() == others.len() => {
            for (idx, (item, other)) in items.iter().zip(others).enumerate() {
                walk(item, Some(other), tol, answer, &format!("{at}[{idx}]"), found);
            }
        }
        (expected, Some(got)) if meets(expected, got, tol) == (answer.relation == Relation::Same) => {}
        (expected, got) => {
            found.push(Mismatch { at: at.to_owned(), expected: expected.clone(), got: got.cloned() });
        }
    }
}

/// Whether a single value is as expected.
fn meets(expected: &Value, got: &Value, tol: Tolerance) -> bool {
    if let (Some(expected), Some(got)) = (whole(expected), whole(got)) {
        return expected == got;
    }
    if let (Some(expected), Some(got)) = (number(expected), number(got)) {
        return near(expected, got, tol);
    }
    if let (Some(expected), Some(got), true) = (instant(expected), instant(got), tol.abs > 0.0) {
        return got.duration_since(expected).as_secs_f64().abs() <= tol.abs;
    }
    expected == got
}

fn near(expected: f64, got: f64, tol: Tolerance) -> bool {
    if expected.is_finite() && got.is_finite() {
        (got - expected).abs() <= tol.abs + tol.rel * expected.abs()
    } else {
        expected == got || (expected.is_nan() && got.is_nan())
    }
}

/// A whole number: the answer gives one only for what is counted, which has to be equal.
fn whole(value: &Value) -> Option<i64> {
    value.as_i64()
}

/// A number, or a text that stands for one.
pub(crate) fn number(value: &Value) -> Option<f64> {
    match value.as_str() {
        Some("inf") => Some(f64::INFINITY),
        Some("-inf") => Some(f64::NEG_INFINITY),
        Some("nan") => Some(f64::NAN),
        Some(_) => None,
        None => value.as_f64(),
    }
}

/// An instant in universal time.
pub(crate) fn instant(value: &Value) -> Option<Timestamp> {
    value.as_str().filter(|text| text.ends_with('Z'))?.parse().ok()
}
