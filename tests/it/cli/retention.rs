//! The rule for personal data, as an administrator applies it, looked for in every byte that is left.

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Program;
use super::served::Served;

/// Names and words of long ago, in every place that takes some.
const OLD: [&str; 10] = [
    "Ottoline Quarles",
    "Dr Bramwell Tiff",
    "it reared up at little Pim",
    "0660 555 0199",
    "Peregrine Lusk",
    "Wilhelmina Astor-Vane",
    "Lazlo Underhay",
    "Cosima Thackthwaite",
    "Bartholomew Sneed",
    "walked by Aunt Philippa",
];
/// Those of last year.
const RECENT: [&str; 3] = ["Hester Wimple", "keeps calling about it", "Odalys Brine"];

const HEAD: &str = "occurrenceID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,recordedBy,\
                    identifiedBy,occurrenceRemarks,eventID,phone\n";

fn encounters(remark_of_a: &str, remark_of_b: &str) -> String {
    let this_year = TimeZone::UTC.to_datetime(Timestamp::now()).date().year();
    let recent = format!("{}-06-15", this_year - 1);
    format!(
        "{HEAD}\
         A,report,2015-05-04,09:10,37.61,-109.38,{},{},{remark_of_a},,{}\n\
         B,report,2015,,37.61,-109.38,{},,{remark_of_b},,\n\
         C,report,{recent},09:10,37.61,-109.38,{},,{},,\n\
         D,survey,2015-07-01,09:40,37.61,-109.38,,,,W-1,\n\
         E,report,not a day,09:10,37.61,-109.38,{},,,,\n",
        OLD[0], OLD[1], OLD[3], OLD[4], RECENT[0], RECENT[1], RECENT[2],
    )
}

/// A database in which old records say who and what, in the present state, in the history and in rows that wait.
fn planted() -> Program {
    let program = Program::new().with_area();
    let walks = format!(
        "eventID,purpose,recordedBy,start,end\nW-1,planned,{},2015-07-01T09:00,2015-07-01T11:00\n",
        OLD[5]
    );
    program.import("walks", &program.file("walks.csv", walks)).good();
    program.import("encounters", &program.file("first.csv", encounters(OLD[2], OLD[9]))).good();
    let double = format!(
        "eventID,protocol,firstObserver,secondObserver,occurrenceID,byFirst,bySecond\n\
         W-1,independent,{},{},D,yes,yes\n",
        OLD[6], OLD[7]
    );
    program.import("double-observer", &program.file("double.csv", double)).good();
    // Somebody mends a remark; the history keeps what it was.
    program.import("encounters", &program.file("second.csv", encounters("quiet snake", OLD[9]))).good();
    program
}

/// Everything that is kept: the database and whatever lies beside it.
fn bytes(program: &Program) -> Vec<u8> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(program.folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.file_name().unwrap().to_string_lossy().starts_with("park.db"))
        .collect();
    files.sort();
    files.into_iter().flat_map(|path| std::fs::read(path).unwrap()).collect()
}

fn holds(bytes: &[u8], words: &str) -> bool {
    bytes.windows(words.len()).any(|window| window == words.as_bytes())
}

#[test]
fn names_and_words_go_when_their_time_is_over() {
    let program = planted();
    let before = bytes(&program);
    for words in OLD.iter().chain(&RECENT).filter(|words| **words != OLD[8]) {
        assert!(holds(&before, words), "{words} was never there");
    }
    let kept = program.run(&["retention"]).good();
    assert!(kept.contains("kept as long as the records"), "{kept}");

    program.run(&["set", "personal-data-months", "36"]).good();
    let trial = program.run(&["retention", "--dry-run"]).good();
    assert!(
        trial.contains("would be emptied: 2 encounters, 1 survey walks, 1 walks of two observers"),
        "{trial}"
    );
    for words in OLD.iter().filter(|words| **words != OLD[8]) {
        assert!(holds(&bytes(&program), words), "a trial took {words}");
    }

    let done = program.run(&["retention"]).good();
    assert_eq!(done.replace("emptied:", ""), trial.replace("would be emptied:", ""));
    let after = bytes(&program);
    for words in OLD {
        assert!(!holds(&after, words), "{words} is still there");
    }
    for words in RECENT {
        assert!(holds(&after, words), "{words} went too early");
    }
    assert!(holds(&after, "names and remarks removed"));
    program.run(&["check"]).good();
    let again = program.run(&["retention"]).good();
    assert!(again.contains(": 0 encounters, 0 survey walks"), "{again}");
}

#[test]
fn an_old_file_does_not_bring_them_back() {
    let program = planted();
    program.run(&["set", "personal-data-months", "36"]).good();
    program.run(&["retention"]).good();
    let mended = encounters(OLD[2], OLD[8]);
    program.import("encounters", &program.file("third.csv", mended)).good();
    let after = bytes(&program);
    // The row that did not go in came today: it waits with what stands in it.
    for words in OLD {
        assert!(!holds(&after, words), "{words} came back");
    }
    let rows = program.run(&["rows"]).good();
    assert!(rows.contains("not a day"), "{rows}");
    program.run(&["check"]).good();
}

#[test]
fn what_figures_rest_on_stays_as_it_is() {
    let program = planted();
    let facts = |program: &Program| {
        let served = Served::start(program);
        let (status, answer) = served.get("/layers/encounters.geojson").unwrap();
        served.stop();
        assert_eq!(status, 200, "{answer}");
        let features = answer.split_once("\"features\"").unwrap().1;
        features.matches("\"eventDate\"").count()
    };
    let n = facts(&program);
    assert!(n > 0);
    program.run(&["set", "personal-data-months", "36"]).good();
    program.run(&["retention"]).good();
    assert_eq!(facts(&program), n);
}

#[test]
fn a_server_applies_the_rule_by_itself() {
    let program = planted();
    program.run(&["set", "personal-data-months", "36"]).good();
    let served = Served::start(&program);
    let begun = std::time::Instant::now();
    while OLD.iter().any(|words| holds(&bytes(&program), words)) {
        assert!(begun.elapsed().as_secs() < 60, "the names are still there");
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    served.stop();
}
