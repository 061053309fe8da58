//! A whole season from commands alone.

use super::HEAD;
use super::Program;
use super::reports;

/// One smoke test loads the demo park: every file goes in, the mistakes wait, figures and a plan come out.
#[test]
fn the_demo_park_comes_in_whole_and_gives_rates_and_a_plan() {
    let program = Program::new();
    let database = program.database();
    let demo = ["demo", "--no-serve", "--database", database.to_str().unwrap()];
    let said = program.run(&demo).good();
    assert!(said.contains("trails.geojson: 12 rows went in"), "{said}");
    assert!(
        said.contains("visitor-book.csv: 8 rows went in, 0 were there already, 24 did not go in"),
        "{said}"
    );
    let again = program.run(&demo).good();
    assert_eq!(again.matches("nothing changed").count(), 22, "{again}");

    let rates = program.run(&["rates", "--unit", "trail"]).good();
    let basin = rates.lines().find(|line| line.starts_with("Basin Track,")).unwrap();
    assert_eq!(rates.lines().count(), 13, "{rates}");
    assert!(
        !rates.contains("NaN") && basin.ends_with(",default settings") && basin.split(',').count() == 17,
        "{basin}"
    );
    let plan = program.run(&["plan", "--signs", "3"]).good();
    assert_eq!(plan.lines().count(), 1 + 2 + 3, "two in place and three new: {plan}");
    let register = program.run(&["decisions"]).good();
    assert!(
        register.starts_with("decision,standing,subject") && register.contains(",waiting,"),
        "{register}"
    );
    let register = program.run(&["decisions", "--format", "json"]).good();
    assert!(register.contains("\"waiting\": [\n"), "{register}");
    let waiting = program.run(&["rows"]).good();
    assert!(waiting.contains("24 rows wait") && waiting.contains("look swapped"), "{waiting}");
}

#[test]
fn the_same_file_again_changes_nothing() {
    let program = Program::new().with_area();
    let file = program.file("reports.csv", reports(20));
    assert!(program.import("encounters", &file).good().contains("20 rows went in"));
    assert!(program.import("encounters", &file).good().contains("nothing changed"));
    // Another file with the same rows and one more.
    let more = program.file("more.csv", reports(21));
    assert!(program.import("encounters", &more).good().contains("1 rows went in, 20 were there already"));
}

#[test]
fn bad_rows_wait_and_can_be_mended() {
    let program = Program::new().with_area();
    let row = "A,report,2024-05-04,09:10,37.61,,n\nB,report,2024-05-04,09:10,37.61,-109.38,n\n";
    let file = program.file("reports.csv", format!("{HEAD}{row}"));
    assert!(
        program
            .import("encounters", &file)
            .good()
            .contains("1 rows went in, 0 were there already, 1 did not")
    );
    let waiting = program.run(&["rows"]).good();
    assert!(waiting.contains("reports.csv row 2: decimalLongitude"), "{waiting}");
    let id = waiting.split_whitespace().next().unwrap();
    let still = program.run(&["rows", "--retry", id, "decimalLongitude=500"]).bad();
    assert!(still.contains("outside -180 to 180"), "{still}");
    program.run(&["rows", "--retry", id, "decimalLongitude=-109.38"]).good();
    assert!(program.run(&["rows"]).good().contains("0 rows wait"));
}

#[test]
fn a_batch_is_taken_back_as_a_whole() {
    let program = Program::new().with_area();
    let file = program.file("reports.csv", reports(20));
    program.import("encounters", &file).good();
    assert!(program.run(&["undo", "1"]).good().contains("20 records taken out"));
    assert!(program.import("encounters", &file).good().contains("20 rows went in"));
}

#[test]
fn settings_are_checked() {
    let program = Program::new().with_area();
    assert!(program.run(&["set"]).good().contains("segment-length = 100"));
    program.run(&["set", "segment-length", "50"]).good();
    assert!(program.run(&["set"]).good().contains("segment-length = 50"));
    assert!(program.run(&["set", "segment-length", "-5"]).bad().contains("from 20 to 1000"));
    assert!(program.run(&["set", "colour", "5"]).bad().contains("no setting"));
}

#[test]
fn the_same_seed_makes_the_same_park() {
    let program = Program::new();
    for folder in ["a", "b"] {
        let out = program.path(folder);
        program.run(&["generate", "--size", "demo", "--out", out.to_str().unwrap()]).good();
    }
    for entry in std::fs::read_dir(program.path("a")).unwrap() {
        let name = entry.unwrap().file_name();
        let read = |folder: &str| std::fs::read(program.path(folder).join(&name)).unwrap();
        assert!(read("a") == read("b"), "{name:?}");
    }
}

/// What is in the repository is what the command makes.
#[test]
fn the_demo_data_are_those_of_the_generator() {
    let program = Program::new();
    let out = program.path("park");
    program.run(&["generate", "--size", "demo", "--out", out.to_str().unwrap()]).good();
    let kept = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    for entry in std::fs::read_dir(&out).unwrap() {
        let name = entry.unwrap().file_name();
        assert!(
            std::fs::read(out.join(&name)).unwrap() == std::fs::read(kept.join(&name)).unwrap(),
            "{name:?}"
        );
    }
}

/// Trials of the demo tell life stage and temperature, so that no table of its parts is empty.
#[test]
fn trials_of_the_demo_have_life_stages_and_temperatures() {
    let trials = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/trials.csv");
    let mut reader = csv::Reader::from_path(trials).unwrap();
    let headers = reader.headers().unwrap().clone();
    let column = |name: &str| headers.iter().position(|header| header == name).unwrap();
    let (stage, celsius) = (column("lifeStage"), column("airTemperatureInCelsius"));
    let (mut stages, mut bands) = (std::collections::BTreeSet::new(), std::collections::BTreeSet::new());
    for row in reader.records().map(Result::unwrap) {
        stages.insert(row[stage].to_owned());
        let celsius: f64 = row[celsius].parse().unwrap();
        bands.insert([15.0, 25.0, 35.0].iter().filter(|bound| celsius >= **bound).count());
    }
    assert_eq!(stages.into_iter().collect::<Vec<_>>(), ["adult", "juvenile"]);
    assert!(bands.len() >= 3, "{bands:?}");
}
