//! The rule for personal data, as an administrator applies it, looked for in every byte that is left.

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use sqlx::Connection;
use sqlx::SqliteConnection;

use coilway::store::OpenParams;
use coilway::store::Store;

use super::Program;
use super::keeping::killed_after;
use super::keeping::moments;
use super::keeping::n_encounters;
use super::keeping::n_rounds;
use super::keeping::undisturbed_ms;
use super::served::Served;

/// Names and words of long ago, in every place that takes some.
const OLD: [&str; 15] = [
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
    "Ignatius Poole",
    "bent by Mr Cuthbertson's van",
    "Theodora Gannet",
    "hidden behind Mrs Ablewhite's tent",
    "Mr Pettigrew's cattle on the path",
];
/// Those of last year.
const RECENT: [&str; 4] =
    ["Hester Wimple", "keeps calling about it", "Odalys Brine", "fallen on Ms Thornbury"];

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
    let sign = "name,decimalLatitude,decimalLongitude,kind,up\nS1,37.61,-109.38,trail sign,2015-05-01\n";
    program.import("signs-in-place", &program.file("signs.csv", sign)).good();
    let inspected = format!(
        "sign,inspectedAt,recordedBy,condition,remarks\nS1,2015-06-01T10:00,{},worn,{}\n",
        OLD[10], OLD[11]
    );
    program.import("sign-inspections", &program.file("inspected.csv", inspected)).good();
    let watched = format!(
        "eventID,locality,decimalLatitude,decimalLongitude,start,minutes,partiesPassed,partiesRead,partiesDidAsAsked,asked,\
         watcher,recordedBy,eventRemarks\n\
         V-1,S1,37.61,-109.38,2015-06-02T10:00,60,9,4,5,keeps to the middle,unseen,{},{}\n",
        OLD[12], OLD[13]
    );
    program.import("sign-watches", &program.file("watched.csv", watched)).good();
    // One that was over long ago, and one that still holds.
    let closed = format!(
        "name,from,until,reason\nRim,2015-06-01,2015-06-09,{}\nRim,2015-07-01,,{}\n",
        OLD[14], RECENT[3]
    );
    program.import("closures", &program.file("closed.csv", closed)).good();
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
        trial.contains(
            "would be emptied: 2 encounters, 1 survey walks, 1 walks of two observers, 1 inspections of signs, 1 watches at signs, 1 closures"
        ),
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
    forgotten(&program);
    served.stop();
}

/// Waits until nothing of long ago is left in any byte.
fn forgotten(program: &Program) {
    let begun = std::time::Instant::now();
    while let Some(words) = OLD.iter().find(|words| holds(&bytes(program), words)) {
        assert!(begun.elapsed().as_secs() < 60, "{words} is still there");
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
}

/// A server that is killed when the rule is written and the log not folded in yet: the file itself still holds the names
/// then. The next one finds nothing left to empty, and folds the log in all the same.
#[tokio::test(flavor = "multi_thread")]
async fn what_a_killed_server_left_in_the_file_goes_with_the_next() {
    let program = planted();
    program.run(&["set", "personal-data-months", "36"]).good();
    let reader = Store::open(&program.database(), &OpenParams::default()).await.unwrap();
    // As long as somebody reads an earlier state, the log cannot be folded in.
    let held = reader.snapshot().await.unwrap();
    let served = Served::start(&program);
    while reader.revision().await.unwrap() == held.revision() {
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    served.kill();
    assert!(holds(&bytes(&program), OLD[0]), "the log was folded in, so that there was nothing to try");
    drop(held);
    let again = Served::start(&program);
    forgotten(&program);
    again.stop();
    reader.close().await;
    program.run(&["check"]).good();
}

/// Killed at any moment of the rule: every record is there, the names are all there or all gone, gone where it was said so,
/// and the next run leaves none in any byte.
#[tokio::test]
async fn a_killed_rule_loses_no_record_and_forgets_every_name() {
    const N: usize = 20_000;
    let program = planted();
    let rows: String = (0..N)
        .map(|n| {
            format!("L-{n},report,2015-05-{:02},09:10,37.61,-109.38,{},,{},,\n", n % 28 + 1, OLD[0], OLD[9])
        })
        .collect();
    program.import("encounters", &program.file("large.csv", format!("{HEAD}{rows}"))).good();
    program.run(&["set", "personal-data-months", "36"]).good();
    let n_all = n_encounters(&program, &program.database());
    assert!(n_all > N);
    let before = program.path("before.db");
    std::fs::copy(program.database(), &before).unwrap();
    let begin_again = || {
        for beside in ["park.db-wal", "park.db-shm"] {
            std::fs::remove_file(program.path(beside)).ok();
        }
        std::fs::copy(&before, program.database()).unwrap();
    };
    let longest = undisturbed_ms(&program, &["retention"]);
    let n_named = async || {
        let address = format!("sqlite://{}", program.database().display());
        let mut connection = SqliteConnection::connect(&address).await.unwrap();
        let named =
            "SELECT count(*) FROM encounter_details WHERE recorded_by <> '' AND occurrence_remarks <> ''";
        let n: i64 = sqlx::query_scalar(named).fetch_one(&mut connection).await.unwrap();
        connection.close().await.unwrap();
        n
    };
    begin_again();
    let n_before = n_named().await;
    assert!(n_before > N as i64);
    let mut n_cut_short = 0;
    for moment in moments(n_rounds(8, 60), longest) {
        begin_again();
        let has_ended = killed_after(&program, &["retention"], moment);
        n_cut_short += u32::from(!has_ended);
        if has_ended {
            assert!(!holds(&bytes(&program), OLD[0]), "said to be gone and there");
        }
        assert_eq!(n_encounters(&program, &program.database()), n_all);
        let n_after = n_named().await;
        // C of last year keeps its own.
        assert!(n_after == n_before || n_after == 1, "{n_after} of {n_before}: half done");
        program.run(&["retention"]).good();
        let left = bytes(&program);
        assert!(OLD.iter().all(|words| !holds(&left, words)), "killed after {moment:?}");
        assert!(RECENT.iter().all(|words| holds(&left, words)), "killed after {moment:?}");
        assert_eq!(n_encounters(&program, &program.database()), n_all);
    }
    assert!(n_cut_short > 0, "never killed in time");
}
