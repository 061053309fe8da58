//! Files that are not what they should be, a process that is killed, a second writer.

use std::io::Read;
use std::io::Write;
use std::process::Stdio;
use std::time::Duration;

use super::Program;
use super::reports;

#[test]
fn files_that_are_no_such_files_are_refused_whole() {
    let program = Program::new().with_area();
    let check = |content: &str, name: &str, bytes: &[u8], reason: &str| {
        let file = program.file(name, bytes);
        let said = program.import(content, &file).bad();
        assert!(said.contains(name) && said.contains(reason), "{name}: {said}");
    };
    check("encounters", "empty.csv", b"", "empty");
    check("encounters", "picture.csv", b"\x89PNG\r\n\x1a\n\0\0\0", "zero bytes");
    check("encounters", "one.csv", b"only\n1\n", "effortKind");
    check("encounters", "wide.csv", "a,".repeat(1_000_000).as_bytes(), "columns");
    check("encounters", "notes.docx", b"words", "name must end in");
    check("trails", "points.geojson", br#"{"type":"FeatureCollection","features":[]}"#, "no ");
    check(
        "trails",
        "cut.geojson",
        br#"{"type":"FeatureCollection","features":[{"type":"Feature""#,
        "GeoJSON",
    );
    check("trails", "cut.gpx", b"<gpx><trk><name>A", "GPX");
    check("readings", "way.gpx", b"<gpx><trk></trk></gpx>", "cannot be read from GPX");
    let missing = program.run(&["import", "encounters", "no-such-file.csv"]).bad();
    assert!(missing.contains("no-such-file.csv"), "{missing}");
    assert!(program.run(&["import", "sightings", "x.csv"]).bad().contains("encounters"));
    assert!(program.run(&["batches"]).good().is_empty(), "a refused file leaves no batch");
}

#[test]
fn a_database_of_another_kind_is_left_alone() {
    let program = Program::new();
    let file = program
        .file("park.db", "these are notes, not a database, and long enough to be read as its first page");
    let said = program.run(&["batches"]).bad();
    assert!(said.contains("not a database"), "{said}");
    assert!(std::fs::read_to_string(file).unwrap().starts_with("these are notes"));
}

/// Killed at any moment of an import: nothing half done, nothing lost, and the same file goes in afterwards.
#[test]
fn a_killed_import_leaves_nothing_half_done() {
    let program = Program::new().with_area();
    let kept = program.file("kept.csv", reports(50));
    program.import("encounters", &kept).good();
    let large = program.file("large.csv", reports(40_000).replace("R-", "L-"));
    for round in 0..6 {
        let mut child = program
            .command(&["import", "encounters", large.to_str().unwrap()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(15 + 35 * round));
        child.kill().unwrap();
        let has_ended_before = child.wait().unwrap().success();
        let batches = program.run(&["batches"]).good();
        let is_whole = batches.contains("large.csv: 40000 in");
        assert!(batches.contains("kept.csv: 50 in"), "{batches}");
        assert!(is_whole || !batches.contains("large.csv"), "half done: {batches}");
        assert!(is_whole || !has_ended_before, "acknowledged and lost: {batches}");
    }
    program.import("encounters", &large).good();
    assert!(program.run(&["batches"]).good().contains("large.csv: 40000 in"));
}

/// Two processes import at the same time: one waits for the other, both go in.
#[test]
fn two_writers_take_turns() {
    let program = Program::new().with_area();
    let files = ["a", "b"].map(|name| {
        let text = reports(5_000).replace("R-", &format!("{name}-"));
        program.file(&format!("{name}.csv"), text)
    });
    let children = files.map(|file| {
        let mut command = program.command(&["import", "encounters", file.to_str().unwrap()]);
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
    });
    for child in children {
        let said = super::Said::of(child.wait_with_output().unwrap());
        assert!(said.good().contains("5000 rows went in"));
    }
}

/// A pipe that never ends is refused at the limit, not read for ever; here it ends by itself, cut off in a quoted value.
#[test]
fn a_file_that_breaks_off_in_a_quoted_value_is_refused() {
    let program = Program::new().with_area();
    let path = program.path("cut.csv");
    let mut file = std::fs::File::create(&path).unwrap();
    write!(file, "{}X,report,2024-05-04,09:10,37.61,-109.38,\"not closed", reports(3)).unwrap();
    drop(file);
    let said = program.import("encounters", &path).bad();
    assert!(said.contains("cut.csv"), "{said}");
    let mut text = String::new();
    std::fs::File::open(&path).unwrap().read_to_string(&mut text).unwrap();
    assert!(program.run(&["batches"]).good().is_empty(), "nothing of it is kept");
}
