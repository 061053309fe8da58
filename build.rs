//! Builds what the program carries inside: an empty database for the compiler's SQL checks, and the interactive map.

#[path = "migrations/build.rs"]
mod schema;

use std::env;
use std::error::Error;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;

fn main() -> Result<(), Box<dyn Error>> {
    let root = PathBuf::from(env::var("CARGO_MANIFEST_DIR")?);
    let out = PathBuf::from(env::var("OUT_DIR")?);
    schema::make_database(&root, &out)?;
    if env::var_os("CARGO_FEATURE_INTERACTIVE_MAP").is_some() {
        bundle_map(&root, &out)
    } else {
        fs::write(out.join("map.js"), "")?;
        fs::write(out.join("map.css"), "")?;
        Ok(())
    }
}

/// Installs the map's packages from the lock file and bundles its modules into one script and one style sheet.
fn bundle_map(root: &Path, out: &Path) -> Result<(), Box<dyn Error>> {
    for watched in ["src/web/assets/map", "package.json", "package-lock.json"] {
        println!("cargo::rerun-if-changed={watched}");
    }
    let installed = root.join("node_modules/.package-lock.json");
    let lock = root.join("package-lock.json");
    if !is_newer(&installed, &lock) {
        run(root, "npm", &["ci", "--ignore-scripts", "--no-audit", "--no-fund"])?;
    }
    let outfile = format!("--outfile={}", out.join("map.js").display());
    let arguments = [
        "--bundle",
        "--minify",
        "--format=esm",
        "--target=es2020",
        "--log-level=warning",
        "src/web/assets/map/main.js",
        &outfile,
    ];
    run(root, "node_modules/.bin/esbuild", &arguments)
}

fn is_newer(file: &Path, than: &Path) -> bool {
    let modified = |path: &Path| fs::metadata(path).and_then(|metadata| metadata.modified());
    matches!((modified(file), modified(than)), (Ok(file), Ok(than)) if file >= than)
}

fn run(folder: &Path, program: &str, arguments: &[&str]) -> Result<(), Box<dyn Error>> {
    let advice = "The interactive map needs Node.js with npm 10 or later. Install them, or build without the map: \
                  --no-default-features (the server-drawn map remains).";
    let output = Command::new(program)
        .args(arguments)
        .current_dir(folder)
        .output()
        .map_err(|error| format!("`{program}` could not be started: {error}. {advice}"))?;
    if output.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&output.stderr);
    Err(format!("`{program} {}` failed. {advice}\n{said}", arguments.join(" ")).into())
}
