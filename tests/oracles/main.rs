//! The library against check values from elsewhere: one record, one question, one comparison.
//!
//! The records and their format are in `tests/fixtures/oracles`; `COILWAY_ORACLES` names another folder to read.

mod answer;
mod areas;
mod circular;
mod clusters;
mod compare;
mod contradicted;
mod counts;
mod coverage;
mod density;
mod dispatch;
mod effects;
mod geometry;
mod judge;
mod not_built;
mod record;
mod signs;
mod sun;
mod tamper;

use std::path::PathBuf;

use serde_json::Value;
use serde_json::json;

use crate::answer::Problem;
use crate::contradicted::CONTRADICTED;
use crate::judge::Judged;
use crate::judge::judge;
use crate::judge::judge_answer;
use crate::not_built::NOT_BUILT;
use crate::record::Record;
use crate::record::read_folder;
use crate::record::read_lines;
use crate::record::shipped;

#[test]
fn every_record_is_met() {
    let folder = std::env::var_os("COILWAY_ORACLES").map_or_else(shipped, PathBuf::from);
    let records = read_folder(&folder).unwrap();
    assert!(!records.is_empty(), "no records in {}", folder.display());
    let judged = judge::judge_all(&records);
    let failures: Vec<String> = judged.iter().flat_map(|judged| judged.failures.iter().cloned()).collect();
    let n_answered = judged.iter().filter(|judged| judged.answer.is_some()).count();
    println!("{} records: {n_answered} answered, {} failures", records.len(), failures.len());
    assert!(failures.is_empty(), "{} of {} records:\n{}", failures.len(), records.len(), failures.join("\n"));
}

#[test]
fn every_expected_value_is_compared() {
    // Whatever single value of a record is changed, the record has to fail.
    let records = read_folder(&shipped()).unwrap();
    let mut unnoticed = Vec::new();
    let mut n_changed = 0;
    for Judged { record, answer, .. } in judge::judge_all(&records) {
        let Some(answer) = answer else { continue };
        for (at, expected) in tamper::tampered(record, &answer) {
            n_changed += 1;
            let changed = Record { expected, ..record.clone() };
            if judge_answer(&changed, &answer).is_empty() {
                unnoticed.push(format!("{}{at}", record.id));
            }
        }
    }
    assert!(n_changed > records.len(), "only {n_changed} values were changed");
    assert!(unnoticed.is_empty(), "changed without notice: {}", unnoticed.join(", "));
}

#[test]
fn an_unknown_kind_fails_and_is_named() {
    for (topic, quantity) in [
        ("weather", "rain"),
        ("poisson-interval", "a new kind of limits"),
        ("binomial-interval", "a new kind of limits"),
        ("mvtx", "geometry integers"),
    ] {
        let inputs = json!({ "k": 1, "n": 2, "events": 1 });
        let failures = failures_of(topic, quantity, inputs, json!(1));
        assert_eq!(failures.len(), 1, "{topic}");
        assert!(failures[0].contains(topic) && failures[0].contains(quantity), "{}", failures[0]);
    }
}

#[test]
fn a_missing_field_or_another_length_fails() {
    let n_failures = |expected: Value| {
        failures_of("binomial-interval", "95% limits", json!({ "k": 4, "n": 20 }), expected).len()
    };
    assert_eq!(n_failures(json!({ "exact": [0.057334, 0.436614] })), 0);
    assert_eq!(n_failures(json!({ "exact": [0.057334, 0.436614], "agresti": [0.05, 0.42] })), 1);
    assert_eq!(n_failures(json!({ "exact": [0.057334] })), 1);
    assert_eq!(n_failures(json!({ "exact": [0.057334, "inf"] })), 1);
    assert_eq!(n_failures(json!({ "exact": [0.057334, null] })), 1);
    assert_eq!(n_failures(json!({ "exact": [0.057334, 0.436617] })), 1);
}

#[test]
fn records_that_cannot_be_read_are_refused() {
    let line = |id: &str, inputs: Value| record(id, "bh-q", inputs).to_string();
    let named = |text: &str| read_lines(text).map(|records| records.len());
    assert_eq!(named(&line("a", json!({ "p": [0.5] }))), Ok(1));
    assert!(named("{").is_err_and(|problem| problem.contains("line 1")));
    assert!(
        named(&line("a", json!({ "dataset": "b" }))).is_err_and(|problem| problem.contains("no record b"))
    );
    let twice = [line("a", json!({})), line("a", json!({}))].join("\n");
    assert!(named(&twice).is_err_and(|problem| problem.contains("twice")));
}

#[test]
fn the_list_of_what_is_not_built_holds_nothing_else() {
    let records = read_folder(&shipped()).unwrap();
    for entry in &NOT_BUILT {
        let about: Vec<&Record> =
            records.iter().filter(|record| not_built::is_about(entry, record)).collect();
        assert!(!about.is_empty(), "{entry:?} is about no record");
        for record in about {
            assert_eq!(dispatch::answer(record).err(), Some(Problem::Unknown), "{}: is built now", record.id);
        }
    }
}

#[test]
fn the_list_of_contradicted_figures_holds_nothing_else() {
    let records = read_folder(&shipped()).unwrap();
    for entry in &CONTRADICTED {
        assert!(!entry.reason.is_empty());
        let record = records.iter().find(|record| record.id == entry.id).unwrap();
        let answer = dispatch::answer(record).unwrap();
        assert_eq!(judge_answer(record, &answer), Vec::<String>::new());
        // A figure that is printed right, and an answer that the data do not give, have to fail.
        let mut right = record.clone();
        right.expected[entry.field] = answer.value[entry.field].clone();
        assert_eq!(judge_answer(&right, &answer).len(), 1, "{} {}", entry.id, entry.field);
        let mut wrong = answer.clone();
        wrong.value[entry.field] = json!(entry.data_give + 2e-6);
        assert_eq!(judge_answer(record, &wrong).len(), 1, "{} {}", entry.id, entry.field);
    }
}

fn record(id: &str, topic: &str, inputs: Value) -> Value {
    json!({
        "id": id, "topic": topic, "quantity": "", "inputs": inputs, "expected": 1,
        "tol": { "abs": 1e-6, "rel": 0.0 }, "source": "none",
    })
}

fn failures_of(topic: &str, quantity: &str, inputs: Value, expected: Value) -> Vec<String> {
    let mut value = record("made-up", topic, inputs);
    value["quantity"] = quantity.into();
    value["expected"] = expected;
    read_lines(&value.to_string()).map_or_else(|problem| vec![problem], |records| judge(&records[0]).failures)
}
