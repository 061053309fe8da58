//! The program as a process: commands, imports and what can go wrong with them.

mod clusters;
mod effect;
mod faults;
mod full_disk;
mod hostile;
mod keeping;
mod outlook;
mod photos;
mod request_log;
mod retention;
mod season;
mod served;
mod serving;
mod study;
mod tables;
mod truth;

use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Output;

use tempfile::TempDir;

/// The program with a database of its own.
struct Program {
    folder: TempDir,
}

impl Program {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn database(&self) -> PathBuf {
        self.path("park.db")
    }

    /// A file in the folder.
    fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, content).unwrap();
        path
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_coilway"));
        command.args(arguments).env("COILWAY_DATABASE", self.database()).env("RUST_LOG", "off");
        command
    }

    fn run(&self, arguments: &[&str]) -> Said {
        Said::of(self.command(arguments).output().unwrap())
    }

    fn with_area(self) -> Self {
        let area = ["area", "--name", "Test Vale", "--zone", "America/Denver", "--emergency-number", "112"];
        self.run(&area).good();
        self
    }

    fn import(&self, content: &str, file: &Path) -> Said {
        self.run(&["import", content, file.to_str().unwrap()])
    }
}

/// What a command said.
#[derive(Debug)]
struct Said {
    ok: bool,
    out: String,
    err: String,
}

impl Said {
    fn of(output: Output) -> Self {
        Self {
            ok: output.status.success(),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }

    /// What it printed, given that it did what it was asked.
    fn good(self) -> String {
        assert!(self.ok, "{self:?}");
        self.out
    }

    /// What it complained of, given that it refused.
    fn bad(self) -> String {
        assert!(!self.ok, "{self:?}");
        assert!(!self.err.contains("panicked"), "{self:?}");
        self.err
    }
}

const HEAD: &str = "occurrenceID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,notes\n";

/// So many plain reports.
fn reports(n: usize) -> String {
    let row = |idx: usize| format!("R-{idx},report,2024-05-{:02},09:10,37.61,-109.38,n\n", idx % 28 + 1);
    HEAD.to_owned() + &(0..n).map(row).collect::<String>()
}
