//! Who may name whom. The rules are those of DEVELOPERS.md.

// Helpers of tests fail as tests do.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;
use std::path::PathBuf;

/// A module and the modules of ours that it may name.
const MAY_NAME: [(&str, &[&str]); 10] = [
    ("domain", &[]),
    ("config", &[]),
    ("analysis", &["domain"]),
    ("ingest", &["domain"]),
    ("store", &["domain"]),
    ("signage", &["domain", "analysis"]),
    ("derived", &["domain", "store", "analysis", "signage"]),
    ("app", &["config", "domain", "ingest", "store", "derived", "signage"]),
    ("web", &["app", "domain", "ingest", "store", "derived", "signage", "analysis"]),
    ("cli", &["analysis", "app", "config", "derived", "domain", "ingest", "signage", "store", "web"]),
];

/// Words that only some modules may use, and which.
const ONLY_IN: [(&str, &[&str]); 9] = [
    ("sqlx::", &["store"]),
    ("axum::", &["web"]),
    ("maud::", &["web"]),
    ("anyhow::", &["cli", "main"]),
    ("std::fs", &["app", "cli", "store"]),
    ("Timestamp::now", &["app"]),
    ("Zoned::now", &["app"]),
    ("SystemTime::now", &["app"]),
    ("Instant::now", &["app", "cli"]),
];

fn sources() -> Vec<(PathBuf, String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") && !is_test(&path) {
                let inside = path.strip_prefix(&root).unwrap();
                let first = inside.components().next().unwrap().as_os_str().to_string_lossy();
                let module = first.trim_end_matches(".rs").to_owned();
                let text = fs::read_to_string(&path).unwrap();
                found.push((inside.to_owned(), module, text));
            }
        }
    }
    assert!(found.len() > 20, "the sources were not found");
    found
}

/// Files that hold nothing but tests and what tests need.
fn is_test(path: &Path) -> bool {
    let in_tests = path.components().any(|part| part.as_os_str() == "tests" || part.as_os_str() == "testing");
    let name = path.file_stem().unwrap().to_string_lossy();
    // The crate itself may stand in a folder of that name.
    let inside = path.strip_prefix(Path::new(env!("CARGO_MANIFEST_DIR"))).unwrap();
    let in_tests = in_tests && inside.components().any(|part| part.as_os_str() == "tests");
    in_tests
        || name == "tests"
        || name == "testing"
        || name.ends_with("_tests")
        || name == "planted"
        || name == "simulations"
}

/// Whether a module begins on a line, with its text in the same file.
fn opens_module(text: &str, idx: usize) -> bool {
    text.lines().nth(idx).is_some_and(|line| line.trim_start().starts_with("mod ") && line.ends_with('{'))
}

/// Lines of code: no comments, and nothing after the first test module.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines()
        .enumerate()
        .take_while(|(idx, line)| {
            !line.trim_start().starts_with("#[cfg(test)]") || !opens_module(text, idx + 1)
        })
        .filter(|(_, line)| !line.trim_start().starts_with("//"))
}

#[test]
fn modules_name_only_those_they_may() {
    let mut wrong = Vec::new();
    for (path, module, text) in sources() {
        let Some((_, allowed)) = MAY_NAME.iter().find(|(name, _)| *name == module) else { continue };
        for (idx, line) in code(&text) {
            for named in line.split("crate::").skip(1) {
                let named =
                    named.split(|letter: char| !(letter.is_alphanumeric() || letter == '_')).next().unwrap();
                let ours = MAY_NAME.iter().any(|(name, _)| *name == named);
                if ours && named != module && !allowed.contains(&named) {
                    wrong.push(format!("{}:{}: {module} names {named}", path.display(), idx + 1));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn libraries_stay_in_their_modules() {
    let mut wrong = Vec::new();
    for (path, module, text) in sources() {
        for (word, modules) in ONLY_IN {
            if modules.contains(&module.as_str()) {
                continue;
            }
            for (idx, line) in code(&text).filter(|(_, line)| line.contains(word)) {
                wrong.push(format!(
                    "{}:{}: {module} uses {word} in `{}`",
                    path.display(),
                    idx + 1,
                    line.trim()
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn imports_stand_one_module_a_line() {
    let mut wrong = Vec::new();
    for (path, _, text) in sources() {
        for (idx, line) in code(&text) {
            // Several items of one module may share a line, several modules may not.
            let braced = line.split_once('{').map_or("", |(_, items)| items);
            if line.starts_with("use crate::") && braced.contains("::") {
                wrong.push(format!("{}:{}: {}", path.display(), idx + 1, line));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_module_is_in_the_table() {
    for (path, module, _) in sources() {
        let known = MAY_NAME.iter().any(|(name, _)| *name == module) || module == "lib" || module == "main";
        assert!(known, "{}: the module {module} has no rule", path.display());
    }
}

/// Serialisation belongs to wire shapes beside the writer, never to a domain or analysis type.
#[test]
fn domain_and_analysis_derive_no_serialisation() {
    let mut wrong = Vec::new();
    for (path, module, text) in sources() {
        if module != "domain" && module != "analysis" {
            continue;
        }
        for (idx, line) in code(&text).filter(|(_, line)| line.contains("Serialize")) {
            wrong.push(format!("{}:{}: {}", path.display(), idx + 1, line.trim()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Files of the web module that take the app without [`Exact`]: they are public, or check for themselves.
const TAKES_THE_APP: [&str; 8] = [
    "web/auth/identify.rs",
    "web/pages/about.rs",
    "web/pages/accounts.rs",
    "web/pages/data.rs",
    "web/pages/import.rs",
    "web/pages/server.rs",
    "web/request_log.rs",
    "web/waiting.rs",
];

#[test]
fn exact_places_are_read_through_their_witness() {
    let mut wrong = Vec::new();
    for (path, module, text) in sources() {
        let name = path.to_string_lossy().replace('\\', "/");
        let is_free = TAKES_THE_APP.iter().any(|free| name.ends_with(free));
        let takes = code(&text).find(|(_, line)| line.contains("State<App>"));
        if let Some((line, _)) = takes.filter(|_| module == "web" && !is_free) {
            wrong.push(format!("{name}:{line}"));
        }
    }
    assert!(wrong.is_empty(), "these take the app without Exact: {wrong:?}");
}
