//! Whether a record is met, and in what words it is not.

use rayon::prelude::*;
use serde_json::Value;

use crate::answer::Answer;
use crate::answer::Problem;
use crate::answer::Relation;
use crate::compare::mismatches;
use crate::compare::number;
use crate::contradicted::CONTRADICTED;
use crate::contradicted::Contradicted;
use crate::dispatch;
use crate::not_built;
use crate::record::Record;

/// A record with the answer to it.
pub(crate) struct Judged<'a> {
    pub(crate) record: &'a Record,
    /// `None` where the library has none.
    pub(crate) answer: Option<Answer>,
    /// What is wrong, in words.
    pub(crate) failures: Vec<String>,
}

pub(crate) fn judge_all(records: &[Record]) -> Vec<Judged<'_>> {
    records.par_iter().map(judge).collect()
}

pub(crate) fn judge(record: &Record) -> Judged<'_> {
    match dispatch::answer(record) {
        Ok(answer) => Judged { record, failures: judge_answer(record, &answer), answer: Some(answer) },
        Err(Problem::Unknown) if not_built::is_listed(record) => {
            Judged { record, answer: None, failures: Vec::new() }
        }
        Err(problem) => {
            let words = match problem {
                Problem::Unknown => format!("an unknown kind of question in the topic {}", record.topic),
                Problem::Failed(words) => words,
            };
            Judged { record, answer: None, failures: vec![told(record, &words)] }
        }
    }
}

/// What is wrong with an answer.
pub(crate) fn judge_answer(record: &Record, answer: &Answer) -> Vec<String> {
    let relation = match answer.relation {
        Relation::Same => "expected",
        Relation::Different => "should differ from",
    };
    let contradicted: Vec<&Contradicted> =
        CONTRADICTED.iter().filter(|entry| entry.id == record.id).collect();
    let mut failures: Vec<String> = mismatches(&record.expected, answer, record.tol)
        .iter()
        .filter(|mismatch| !contradicted.iter().any(|entry| mismatch.at == format!(".{}", entry.field)))
        .map(|mismatch| {
            let got = mismatch.got.as_ref().map_or("nothing".to_owned(), Value::to_string);
            told(record, &format!("{}: got {got}, {relation} {}", mismatch.at, mismatch.expected))
        })
        .collect();
    failures.extend(contradicted.iter().filter_map(|entry| judge_contradicted(record, answer, entry)));
    failures
}

/// A contradicted figure has to be what the data give, and to differ from what is printed.
fn judge_contradicted(record: &Record, answer: &Answer, entry: &Contradicted) -> Option<String> {
    let [got, printed] = [&answer.value, &record.expected].map(|value| number(&value[entry.field]));
    let (Some(got), Some(printed)) = (got, printed) else {
        return Some(told(record, &format!(".{}: not a number", entry.field)));
    };
    let allowed = record.tol.abs + record.tol.rel * printed.abs();
    let is_as_data_give = (got - entry.data_give).abs() <= 1e-6;
    let differs = (got - printed).abs() > allowed;
    (!(is_as_data_give && differs)).then(|| {
        let words =
            format!(".{}: got {got}, the data give {}, printed {printed}", entry.field, entry.data_give);
        told(record, &words)
    })
}

fn told(record: &Record, words: &str) -> String {
    format!("{} ({}): {words}", record.id, record.quantity)
}
