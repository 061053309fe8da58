//! Files made to exhaust memory: each is refused or taken in, and the program never holds more than a bounded part of it.

use std::fs::File;
use std::io::BufWriter;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use super::Program;

/// Bytes of a hostile file. What is held must be a small part of it.
const LARGE: usize = 400 << 20;
/// The most memory that bringing in any of them may take, bytes.
const BOUND: u64 = 320 << 20;

/// Writes a head, a part again and again until the file is large, and a tail.
fn large(path: &Path, head: &str, part: &str, tail: &str) {
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path).unwrap());
    file.write_all(head.as_bytes()).unwrap();
    let block = part.repeat((1 << 20) / part.len() + 1);
    for _ in 0..LARGE / block.len() {
        file.write_all(block.as_bytes()).unwrap();
    }
    file.write_all(tail.as_bytes()).unwrap();
    file.flush().unwrap();
}

/// The most memory that a process has held so far, bytes; none when it has ended.
fn peak(process: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kib| kib * 1024)
}

/// What an import said, and the most memory it took.
fn import(program: &Program, content: &str, path: &Path) -> (bool, String, u64) {
    let mut command = program.command(&["import", content, path.to_str().unwrap()]);
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut most = 0;
    while child.try_wait().unwrap().is_none() {
        most = most.max(peak(child.id()).unwrap_or(0));
        std::thread::sleep(Duration::from_millis(2));
    }
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
    assert!(!said.contains("panicked"), "{said}");
    (output.status.success(), said.into_owned(), most)
}

const HEAD: &str = "occurrenceID,effortKind,eventDate,decimalLatitude,decimalLongitude,occurrenceRemarks\n";
const COLLECTION: &str = "{\"type\":\"FeatureCollection\",\"features\":[";
const POINT: &str = "\"geometry\":{\"type\":\"Point\",\"coordinates\":[-109.38,37.61]}";
const GPX: &str =
    "<?xml version=\"1.0\"?><gpx version=\"1.1\" creator=\"x\" xmlns=\"http://www.topografix.com/GPX/1/1\">";

/// Name, head, what is repeated, tail.
fn files() -> Vec<(&'static str, &'static str, String, &'static str, String)> {
    let feature = format!("{COLLECTION}{{\"type\":\"Feature\",{POINT},\"properties\":{{\"notes\":");
    vec![
        (
            "encounters",
            "field.csv",
            format!("{HEAD}A,report,2024-05-01,37.61,-109.38,\""),
            "word ",
            "\"\n".into(),
        ),
        ("encounters", "line.csv", HEAD.to_owned(), "word ", String::new()),
        ("encounters", "header.csv", String::new(), "column,", "\n".into()),
        ("encounters", "quote.csv", format!("{HEAD}\""), "A,report\n", String::new()),
        ("encounters", "commas.csv", format!("{HEAD}A"), ",", "\n".into()),
        ("encounters", "text.geojson", format!("{feature}\""), "word ", "\"}}]}".into()),
        ("encounters", "deep.geojson", feature.clone(), "[", String::new()),
        ("encounters", "properties.geojson", format!("{feature}0"), ",\"a\":1", "}}]}".into()),
        (
            "encounters",
            "beside.geojson",
            "{\"type\":\"FeatureCollection\",\"note\":\"".into(),
            "word ",
            "\"}".into(),
        ),
        (
            "trails",
            "line.geojson",
            format!(
                "{COLLECTION}{{\"type\":\"Feature\",\"properties\":{{\"name\":\"Long\"}},\
                 \"geometry\":{{\"type\":\"LineString\",\"coordinates\":[[0,0]"
            ),
            ",[-109.38,37.61]",
            "]}}]}".into(),
        ),
        (
            "encounters",
            "text.gpx",
            format!("{GPX}<wpt lat=\"37.61\" lon=\"-109.38\"><desc>"),
            "word ",
            "</desc></wpt></gpx>".into(),
        ),
        ("encounters", "deep.gpx", GPX.to_owned(), "<a>", String::new()),
        ("encounters", "attributes.gpx", format!("{GPX}<wpt "), "a=\"b\" ", "/></gpx>".into()),
        ("encounters", "comment.gpx", format!("{GPX}<!--"), "word ", "--></gpx>".into()),
        (
            "walks",
            "track.gpx",
            format!("{GPX}<trk><name>W-1</name><trkseg>"),
            "<trkpt lat=\"37.61\" lon=\"-109.38\"><time>2024-05-01T09:00:00Z</time></trkpt>",
            "</trkseg></trk></gpx>".into(),
        ),
    ]
}

#[test]
fn no_file_takes_more_memory_than_its_bound() {
    if !Path::new("/proc/self/status").exists() {
        return;
    }
    let program = Program::new().with_area();
    let mut report = Vec::new();
    for (content, name, head, part, tail) in files() {
        let path = program.path(name);
        large(&path, &head, part, &tail);
        let (is_taken, said, most) = import(&program, content, &path);
        std::fs::remove_file(&path).unwrap();
        report.push(format!("{name}: {} MiB, taken {is_taken}: {:.200}", most >> 20, said.trim()));
        assert!(most > 0, "{name} was not measured");
        if most > BOUND {
            report.push(format!("{name} is over the bound"));
        }
    }
    assert!(!report.iter().any(|line| line.contains("over the bound")), "{}", report.join("\n"));
    program.run(&["check"]).good();
}

#[test]
fn entities_are_not_expanded() {
    let program = Program::new().with_area();
    let mut bomb = String::from("<?xml version=\"1.0\"?><!DOCTYPE gpx [<!ENTITY a \"word\">");
    for (idx, name) in ('b'..='z').enumerate() {
        let former = char::from(b'a' + idx as u8);
        bomb += &format!("<!ENTITY {name} \"{}\">", format!("&{former};").repeat(10));
    }
    bomb += "]><gpx version=\"1.1\" creator=\"x\"><wpt lat=\"37.61\" lon=\"-109.38\"><desc>&z;</desc></wpt></gpx>";
    let path = program.file("bomb.gpx", bomb);
    let (_, said, most) = import(&program, "encounters", &path);
    assert!(most < BOUND, "{} MiB: {said}", most >> 20);
}
