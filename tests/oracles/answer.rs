//! What the library answers to a record, and how it is written down.

use coilway::analysis::counts::Ratio;
use coilway::analysis::counts::RatioLimits;
use serde_json::Value;

use crate::record::Tolerance;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Problem {
    /// The runner does not know this kind of question.
    Unknown,
    /// The question could not be asked, or the library refused it.
    Failed(String),
}

impl<E: std::error::Error> From<E> for Problem {
    fn from(error: E) -> Self {
        Self::Failed(error.to_string())
    }
}

/// A problem in words.
pub(crate) fn failed<T>(words: impl Into<String>) -> Result<T, Problem> {
    Err(Problem::Failed(words.into()))
}

/// How an answer relates to what the record expects.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Relation {
    /// It is what is expected.
    Same,
    /// The record holds what another method gives: every number has to differ.
    Different,
}

/// What the library answers. It may hold more than the record expects, never less.
#[derive(Debug, Clone)]
pub(crate) struct Answer {
    pub(crate) value: Value,
    pub(crate) relation: Relation,
    /// Names whose values are held to another tolerance than the record's.
    pub(crate) tolerances: Vec<(&'static str, Tolerance)>,
    /// Names that are judged by the caller, not by comparison.
    pub(crate) left_out: Vec<&'static str>,
}

impl Answer {
    pub(crate) fn of(value: Value) -> Self {
        Self { value, relation: Relation::Same, tolerances: Vec::new(), left_out: Vec::new() }
    }

    pub(crate) fn differing(value: Value) -> Self {
        Self { relation: Relation::Different, ..Self::of(value) }
    }

    pub(crate) fn held_to(mut self, name: &'static str, abs: f64, rel: f64) -> Self {
        self.tolerances.push((name, Tolerance { abs, rel }));
        self
    }

    pub(crate) fn without(mut self, name: &'static str) -> Self {
        self.left_out.push(name);
        self
    }
}

/// An answer or a problem.
pub(crate) type Answered = Result<Answer, Problem>;

/// A number as the records write it.
pub(crate) fn real(value: f64) -> Value {
    match serde_json::Number::from_f64(value) {
        Some(number) => Value::Number(number),
        None if value.is_nan() => "nan".into(),
        None if value > 0.0 => "inf".into(),
        None => "-inf".into(),
    }
}

pub(crate) fn reals(values: impl IntoIterator<Item = f64>) -> Value {
    values.into_iter().map(real).collect()
}

pub(crate) fn pair(limits: (f64, f64)) -> Value {
    reals([limits.0, limits.1])
}

/// A number, or null.
pub(crate) fn optional(value: Option<f64>) -> Value {
    value.map_or(Value::Null, real)
}

pub(crate) fn ratio(value: Ratio) -> Value {
    real(match value {
        Ratio::Finite(value) => value,
        Ratio::Infinite => f64::INFINITY,
        Ratio::Undefined => f64::NAN,
    })
}

pub(crate) fn ratio_limits(limits: RatioLimits) -> Value {
    reals([limits.lower, limits.upper.unwrap_or(f64::INFINITY)])
}
