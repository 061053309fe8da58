//! The records, and how their inputs are read.

use std::fs;
use std::path::Path;
use std::path::PathBuf;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Map;
use serde_json::Value;

use crate::answer::Problem;

/// How far off an answer may be: `abs + rel * |expected|`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
pub(crate) struct Tolerance {
    #[serde(default)]
    pub(crate) abs: f64,
    #[serde(default)]
    pub(crate) rel: f64,
}

/// One check value; the format is told in `tests/fixtures/oracles/README.md`.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct Record {
    pub(crate) id: String,
    pub(crate) topic: String,
    pub(crate) quantity: String,
    pub(crate) inputs: Map<String, Value>,
    pub(crate) expected: Value,
    pub(crate) tol: Tolerance,
    pub(crate) source: String,
}

impl Record {
    /// The input of this name.
    pub(crate) fn get<T: DeserializeOwned>(&self, name: &str) -> Result<T, Problem> {
        let value = self.inputs.get(name).ok_or_else(|| Problem::Failed(format!("no input {name}")))?;
        serde_json::from_value(value.clone())
            .map_err(|error| Problem::Failed(format!("input {name}: {error}")))
    }

    /// Whether there is an input of this name.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.inputs.contains_key(name)
    }

    /// Whether the quantity begins with these words.
    pub(crate) fn asks(&self, words: &str) -> bool {
        self.quantity.starts_with(words)
    }
}

/// The folder that the repository ships.
pub(crate) fn shipped() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/oracles")
}

/// All records of a folder, file after file in the order of their names.
pub(crate) fn read_folder(folder: &Path) -> Result<Vec<Record>, String> {
    let entries = fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let mut files: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "jsonl"));
    files.sort();
    let mut records = Vec::new();
    for file in files {
        let text = fs::read_to_string(&file).map_err(|error| format!("{}: {error}", file.display()))?;
        let of_file = read_lines(&text).map_err(|error| format!("{}: {error}", file.display()))?;
        records.extend(of_file);
    }
    Ok(records)
}

/// The records of one file, references to each other resolved.
pub(crate) fn read_lines(text: &str) -> Result<Vec<Record>, String> {
    let mut records: Vec<Record> = Vec::new();
    for (idx, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        let record: Record =
            serde_json::from_str(line).map_err(|error| format!("line {}: {error}", idx + 1))?;
        if records.iter().any(|other| other.id == record.id) {
            return Err(format!("line {}: {} is there twice", idx + 1, record.id));
        }
        records.push(record);
    }
    for idx in 0..records.len() {
        let own = records[idx].inputs.clone();
        for reference in ["dataset", "same_as", "example"] {
            let Some(id) = own.get(reference).and_then(Value::as_str) else { continue };
            let other = records.iter().find(|record| record.id == id);
            let mut inputs =
                other.ok_or_else(|| format!("{}: no record {id}", records[idx].id))?.inputs.clone();
            inputs.extend(own.clone());
            records[idx].inputs = inputs;
        }
    }
    Ok(records)
}
