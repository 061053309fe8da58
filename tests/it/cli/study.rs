//! A study written, checked, and found to differ; the fact sheet.

use coilway::web::study::archive::unpack;

use super::Program;
use crate::support::Park;
use crate::support::TestApp;

fn with_trails() -> Program {
    let program = Program::new().with_area();
    let trails = r#"{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"name":"Mill Path"},
        "geometry":{"type":"LineString","coordinates":[[-109.40,37.60],[-109.38,37.61]]}}]}"#;
    let file = program.file("trails.geojson", trails);
    program.import("trails", &file).good();
    let file = program.file("reports.csv", super::reports(40));
    program.import("encounters", &file).good();
    program
}

#[test]
fn a_study_is_made_again_or_what_differs_is_said() {
    let program = with_trails();
    let archive = program.path("study.zip");
    let path = archive.to_str().unwrap();
    let said = program.run(&["study", "--out", path]).good();
    let (_, revision) = said.split_once("files, data revision ").unwrap();
    let revision: u64 = revision.trim().parse().unwrap();
    let first = std::fs::read(&archive).unwrap();
    let said = program.run(&["study", "--check", path]).good();
    assert!(said.contains("files are the same"), "{said}");

    let again = program.path("again.zip");
    program.run(&["study", "--out", again.to_str().unwrap()]).good();
    assert_eq!(std::fs::read(&again).unwrap(), first);

    for n_threads in ["1", "2"] {
        let out = program.path("threads.zip");
        let mut command = program.command(&["study", "--out", out.to_str().unwrap()]);
        assert!(command.env("RAYON_NUM_THREADS", n_threads).output().unwrap().status.success());
        assert_eq!(std::fs::read(&out).unwrap(), first, "{n_threads} threads");
    }

    program.run(&["set", "bandwidth", "100"]).good();
    let differs = program.run(&["study", "--check", path]);
    assert!(!differs.ok);
    let next = revision + 1;
    for words in [
        &format!("archive: data revision {revision}, settings: default settings\n"),
        &format!("database: data revision {next}, settings: "),
        &format!("A backup of data revision {revision} makes the numbers of the archive again"),
        "tables/density.csv: different",
    ] {
        assert!(differs.out.contains(words), "{differs:?}");
    }
    assert!(differs.err.contains("was not made again"), "{differs:?}");
}

/// Everything that draws is in this one: walking from two counters, surveys and their ratio, signs, forecasts, the watch.
#[tokio::test]
async fn a_whole_study_is_the_same_on_one_and_two_threads() {
    let program = Program::new();
    TestApp::write_park(&program.database(), &Park::default()).await;
    let made = |n_threads: &str| {
        let out = program.path(&format!("{n_threads}.zip"));
        let mut command = program.command(&["study", "--out", out.to_str().unwrap()]);
        let said = command.env("RAYON_NUM_THREADS", n_threads).output().unwrap();
        assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
        std::fs::read(&out).unwrap()
    };
    let (one, two) = (made("1"), made("2"));
    let (one_files, two_files) = (unpack(&one).unwrap(), unpack(&two).unwrap());
    for (name, bytes) in &one_files {
        assert_eq!(two_files.get(name), Some(bytes), "{name}");
    }
    assert_eq!(one, two);
    let text = |name: &str| String::from_utf8(one_files[name].clone()).unwrap();
    for name in [
        "exposure-parameters",
        "trails",
        "survey-rates",
        "reporting-ratio",
        "watch-weeks",
        "forecast",
        "effect",
        "rate-pattern",
        "observers",
        "observer-models",
        "observer-pairs",
        "survey-rates-stretches",
        "watch-weeks-stretches",
        "notices",
    ] {
        assert!(text(&format!("tables/{name}.csv")).lines().count() > 1, "{name} has no row");
    }
    assert!(text("tables/reporting-ratio.csv").contains(",estimated,"));
    let path = program.path("1.zip");
    let said = program.run(&["study", "--check", path.to_str().unwrap()]).good();
    assert!(said.contains("files are the same"), "{said}");
}

#[test]
fn what_is_no_study_is_refused() {
    let program = with_trails();
    let file = program.file("table.csv", "a,b\n");
    let said = program.run(&["study", "--check", file.to_str().unwrap()]).bad();
    assert!(said.contains("this is no study archive"), "{said}");
    program.run(&["study"]).bad();
}

#[test]
fn a_fact_sheet_says_what_it_lacks() {
    let program = with_trails();
    let out = program.path("sheet.pdf");
    let out = out.to_str().unwrap();
    let said = program.run(&["fact-sheet", "--lang", "es", "--out", out]).bad();
    assert!(said.contains("No approaches of"), "{said}");
    let said = program.run(&["fact-sheet", "--lang", "xx", "--out", out]).bad();
    assert!(said.contains("not a language of the sheet"), "{said}");
    let texts =
        include_str!("../../../templates/fact-sheet/en.toml").replace("Do not test this", "Test this");
    let file = program.file("texts.toml", texts);
    let said = program.run(&["fact-sheet", "--texts", file.to_str().unwrap(), "--out", out]).bad();
    assert!(said.contains("cannot be printed"), "{said}");
}
