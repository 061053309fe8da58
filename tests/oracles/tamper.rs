//! Records with one value changed.

use jiff::SignedDuration;
use serde_json::Value;

use crate::answer::Answer;
use crate::answer::Relation;
use crate::compare::instant;
use crate::compare::number;
use crate::contradicted::CONTRADICTED;
use crate::record::Record;
use crate::record::Tolerance;

/// What the record expects with one of its values changed by more than is allowed, for every value that is compared.
///
/// Where an answer has to differ, the value is changed to what the library answers.
pub(crate) fn tampered(record: &Record, answer: &Answer) -> Vec<(String, Value)> {
    let mut leaves = Vec::new();
    collect(&record.expected, record, answer, String::new(), record.tol, &mut leaves);
    let change = |(pointer, tol): (String, Tolerance)| {
        let mut expected = record.expected.clone();
        let changed = match answer.relation {
            Relation::Same => other(expected.pointer(&pointer)?, tol),
            Relation::Different => answer.value.pointer(&pointer)?.clone(),
        };
        *expected.pointer_mut(&pointer)? = changed;
        Some((pointer, expected))
    };
    leaves.into_iter().filter_map(change).collect()
}

fn collect(
    value: &Value,
    record: &Record,
    answer: &Answer,
    pointer: String,
    tol: Tolerance,
    leaves: &mut Vec<(String, Tolerance)>,
) {
    match value {
        Value::Object(names) => {
            for (name, value) in names.iter().filter(|(name, _)| !answer.left_out.contains(&name.as_str())) {
                // A contradicted figure is wrong as it stands: changing it cannot make it more so.
                if CONTRADICTED.iter().any(|entry| entry.id == record.id && entry.field == name) {
                    continue;
                }
                let own = answer.tolerances.iter().find(|(held, _)| held == name);
                let tol = own.map_or(tol, |(_, tol)| *tol);
                collect(value, record, answer, format!("{pointer}/{name}"), tol, leaves);
            }
        }
        Value::Array(items) => {
            for (idx, item) in items.iter().enumerate() {
                collect(item, record, answer, format!("{pointer}/{idx}"), tol, leaves);
            }
        }
        _ => leaves.push((pointer, tol)),
    }
}

/// A value of the same kind, farther off than two tolerances.
fn other(value: &Value, tol: Tolerance) -> Value {
    if let Some(at) = instant(value) {
        let seconds = SignedDuration::from_secs(3 * tol.abs as i64 + 1);
        return (at + seconds).to_string().into();
    }
    match (value, number(value)) {
        (Value::Null, _) => 1.into(),
        (Value::Bool(truth), _) => (!truth).into(),
        (Value::String(_), Some(number)) => if number == 1e300 { 0.0 } else { 1e300 }.into(),
        (Value::String(text), None) => format!("{text}, changed").into(),
        (_, Some(number)) => {
            let allowed = tol.abs + tol.rel * number.abs();
            let farther = 3.0 * allowed + 1e-9 * number.abs().max(1e-3);
            if value.is_i64() && allowed == 0.0 {
                (number as i64 + 1).into()
            } else {
                (number + farther).into()
            }
        }
        _ => Value::Null,
    }
}
