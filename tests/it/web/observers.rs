//! Seen or missed, from the file to the page.

use jiff::civil::date;

use coilway::app::BringIn;
use coilway::app::Trust;
use coilway::domain::batch::Content;
use coilway::domain::double_observer::NoticedBy;
use coilway::domain::double_observer::ObserverKind;
use coilway::domain::double_observer::PairKind;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::store::FieldChange;
use coilway::store::RecordKind;

use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

const N_ENCOUNTERS: usize = 43;

fn walk(event_id: &str) -> WalkDraft {
    WalkDraft {
        event_id: event_id.to_owned(),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: "A, B".to_owned(),
        start_s: 1_715_000_000,
        end_s: None,
        sampling_protocol: String::new(),
        track: Vec::new(),
        track_times_s: Vec::new(),
    }
}

async fn with_walks() -> TestApp {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let encounter = |idx: usize| EncounterDraft {
        effort_kind: EffortKind::Survey,
        event_id: "W-1".to_owned(),
        ..report(&format!("D-{idx}"), at(-900.0, 30.0), date(2024, 5, 6), 9)
    };
    test.write(async |writer| {
        writer.put_walks(&target, &rows([walk("W-1"), walk("W-2")])).await.unwrap();
        let tally = writer.put_encounters(&target, &rows((0..N_ENCOUNTERS).map(encounter))).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    test
}

pub(super) async fn bring_in(test: &TestApp, content: Content, text: String) -> (u64, u64) {
    let open = move || -> std::io::Result<Box<dyn std::io::Read + Send>> {
        Ok(Box::new(std::io::Cursor::new(text.clone().into_bytes())))
    };
    let request = BringIn {
        trust: Trust::FULL,
        content,
        file_name: "rows.csv".to_owned(),
        actor: "tester".to_owned(),
        open: std::sync::Arc::new(open),
    };
    let area = test.by_hand().await.area;
    let brought_in = test.app.bring_in(area, request, |_| {}).await.unwrap();
    (brought_in.n_accepted, brought_in.n_refused)
}

#[tokio::test]
async fn a_file_of_two_observers_becomes_an_interval() {
    let test = with_walks().await;
    test.get("/observers")
        .await
        .expect(200)
        .says("No survey walk with two observers has been brought in yet");
    let mut text =
        "eventID,protocol,first_observer,second_observer,occurrenceID,by_first,by_second\n".to_owned();
    for idx in 0..N_ENCOUNTERS {
        // 15 by the first only, 9 by the second only, 19 by both.
        let (first, second) = if idx < 15 {
            ("yes", "no")
        } else if idx < 24 {
            ("no", "yes")
        } else {
            ("yes", "yes")
        };
        text += &format!("W-1,independent,A,B,D-{idx},{first},{second}\n");
    }
    text += "W-2,lead-follow,A,C,,,\nW-9,independent,A,B,,,\nW-1,independent,A,B,D-0,no,no\n";
    assert_eq!(bring_in(&test, Content::DoubleObserver, text).await, (44, 2));
    let page = test.get("/observers").await.expect(200);
    for words in [
        "15 noticed by the first only, 9 by the second only, 19 by both",
        // Chapman: 35 * 29 / 20 - 1, log-normal limits 45.28 and 62.96.
        "At least 50 could have been seen (95 % interval 45 to 63), 43 were noticed.",
        "86 %",
        "Of ten snakes that could be seen, the one observer who misses more walks past about 4",
        "Neither noticed any snake",
        "none of this is carried over to them",
        "A and C, lead-follow",
    ] {
        page.says(words);
    }
    let rows = test.get("/data/rows").await.expect(200);
    rows.says("there is no survey walk of that name");
    rows.says("neither of the two noticed it");
}

/// Who walked is told after the fact: the same walk comes again with the kinds of its observers, and one row more.
#[tokio::test]
async fn kinds_of_observers_are_added_to_a_walk_of_several_rows() {
    const HEAD: &str = "eventID,protocol,firstObserver,secondObserver,occurrenceID,byFirst,bySecond";
    const ROWS: [&str; 3] = ["D-0,yes,no", "D-1,no,yes", "D-2,yes,yes"];
    let file = |kinds: &str, rows: &[&str]| {
        let (head, kinds) = match kinds {
            "" => (HEAD.to_owned(), String::new()),
            kinds => (format!("{HEAD},firstObserverKind,secondObserverKind"), format!(",{kinds}")),
        };
        let rows = rows.iter().map(|row| format!("W-1,independent,A,B,{row}{kinds}\n"));
        format!("{head}\n{}", rows.collect::<String>())
    };
    let test = with_walks().await;
    let area = test.by_hand().await.area;
    let walk = async || {
        let walks = test.app.store().snapshot().await.unwrap().double_observer_walks(area).await.unwrap();
        let [walk] = &walks[..] else { panic!("{walks:?}") };
        (walk.pair, walk.noticed.iter().map(|noticed| noticed.by).collect::<Vec<_>>())
    };
    let changes = async |row: i64| -> Vec<Vec<String>> {
        let mut snapshot = test.app.store().snapshot().await.unwrap();
        let changes = snapshot.changes(RecordKind::DoubleObservation, row).await.unwrap();
        let words = |field: &FieldChange| format!("{}: {} > {}", field.field, field.before, field.after);
        changes.iter().map(|change| change.fields.iter().map(words).collect()).collect()
    };
    let noticed = [NoticedBy::First, NoticedBy::Second, NoticedBy::Both, NoticedBy::Both];
    assert_eq!(bring_in(&test, Content::DoubleObserver, file("", &ROWS)).await, (3, 0));
    assert_eq!(walk().await, (PairKind::NotSaid, noticed[..3].to_vec()));

    let four = [&ROWS[..], &["D-3,yes,yes"]].concat();
    assert_eq!(bring_in(&test, Content::DoubleObserver, file("ranger,ranger", &four)).await, (4, 0));
    assert_eq!(walk().await, (PairKind::Of(ObserverKind::Ranger), noticed.to_vec()));
    for row in 1..=3 {
        assert_eq!(changes(row).await, [["first_kind:  > ranger", "second_kind:  > ranger"]], "row {row}");
    }
    assert_eq!(changes(4).await, Vec::<Vec<String>>::new());
    let history = test.get("/history/double-observation/2").await.expect(200);
    history.says("ranger");
    history.says("Compare this state with now");
    test.get("/observers").await.expect(200).says("<h2>Two rangers</h2>");
    // What came first, in a file of other bytes, takes nothing back; another kind is refused with its row.
    let again = file("", &[&ROWS[..], &["D-4,yes,no"]].concat());
    assert_eq!(bring_in(&test, Content::DoubleObserver, again).await, (1, 0));
    assert_eq!(walk().await.0, PairKind::Of(ObserverKind::Ranger));
    assert_eq!(walk().await.1.len(), 5);
    let other = file("visitor,ranger", &["D-5,yes,no"]);
    assert_eq!(bring_in(&test, Content::DoubleObserver, other).await, (0, 1));
    test.get("/data/rows").await.expect(200).says("another row of the walk says &quot;ranger&quot;");

    // The undo of the batch takes the kinds and its own row back, and nothing else.
    let batches = test.app.store().snapshot().await.unwrap().batches(area).await.unwrap();
    let batch = batches.iter().map(|batch| batch.id.0).min().unwrap() + 1;
    test.submit(&format!("/data/batches/{batch}/undo"), "").await.expect(303);
    let left = [&noticed[..3], &[NoticedBy::First]].concat();
    assert_eq!(walk().await, (PairKind::NotSaid, left.clone()));
    // One row more that says them holds for the walk, and leaves the rows that are there as they are.
    let before = (changes(1).await, changes(2).await);
    let one = file("volunteer,visitor", &["D-6,no,yes"]);
    assert_eq!(bring_in(&test, Content::DoubleObserver, one).await, (1, 0));
    assert_eq!(walk().await, (PairKind::Mixed, [&left[..], &[NoticedBy::Second]].concat()));
    assert_eq!((changes(1).await, changes(2).await), before);
}

/// Surveyors notice most, visitors little; a pair of one of each is neither, and pooled figures are nobody's.
#[tokio::test]
async fn each_kind_of_observer_stands_for_itself() {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let encounter = |idx: usize| EncounterDraft {
        effort_kind: EffortKind::Survey,
        event_id: format!("W-{}", idx / 6),
        ..report(&format!("D-{idx}"), at(-900.0, 30.0), date(2024, 5, 6), 9)
    };
    test.write(async |writer| {
        let walks = (0..12).map(|idx| walk(&format!("W-{idx}")));
        writer.put_walks(&target, &rows(walks)).await.unwrap();
        let tally = writer.put_encounters(&target, &rows((0..72).map(encounter))).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    let mut text = "eventID,protocol,firstObserver,secondObserver,firstObserverKind,secondObserverKind,occurrenceID,byFirst,bySecond\n"
        .to_owned();
    for idx in 0..72 {
        let (who, marks) = match idx / 6 {
            // Five walks of surveyors: 20 by both, 5 by either alone. Five of visitors: 6 by both, 12 by either alone.
            0..=4 => ("Quill,Rowan,surveyor,Surveyor", [5, 10, 30].iter().position(|end| idx < *end)),
            5..=9 => ("Sorrel,Tansy,visitor,visitor", [42, 54, 60].iter().position(|end| idx < *end)),
            _ => ("Quill,Tansy,surveyor,visitor", Some(2)),
        };
        let marks = ["yes,no", "no,yes", "yes,yes"][marks.unwrap()];
        text += &format!("W-{},independent,{who},D-{idx},{marks}\n", idx / 6);
    }
    text += "W-0,independent,Quill,Rowan,surveyor,guide,D-0,yes,no\n";
    assert_eq!(bring_in(&test, Content::DoubleObserver, text).await, (72, 1));
    let waiting = test.get("/data/rows").await.expect(200);
    waiting.says("this is not one of the kinds of observer");
    waiting.says("use one of: surveyor, ranger, volunteer, visitor");
    let page = test.get("/observers").await.expect(200);
    for words in [
        "<h2>Two surveyors</h2>",
        "5 walks, 30 encounters: 5 noticed by the first only, 5 by the second only, 20 by both.",
        "<h2>Two visitors</h2>",
        "5 walks, 30 encounters: 12 noticed by the first only, 12 by the second only, 6 by both.",
        "<h2>Pairs of two kinds</h2>",
        "<h2>All kinds pooled</h2>",
        "12 walks, 72 encounters",
        "the detection of no kind of observer",
        "Quill and Rowan, independent, surveyor",
    ] {
        page.says(words);
    }
    page.never_says("Kind of observer not said");
    test.get("/data/import").await.expect(200).says("<code>firstObserverKind</code>");
    let read = async |name: &str| -> (csv::StringRecord, Vec<csv::StringRecord>) {
        let answer = test.get(&format!("/study/{name}.csv")).await.expect(200);
        for person in ["Quill", "Rowan", "Sorrel", "Tansy"] {
            answer.never_says(person);
        }
        let mut reader = csv::Reader::from_reader(answer.body.as_bytes());
        (reader.headers().unwrap().clone(), reader.records().map(Result::unwrap).collect())
    };
    let column = |headers: &csv::StringRecord, name: &str| headers.iter().position(|it| it == name).unwrap();
    let (headers, found) = read("observers").await;
    let of = |name: &str| -> Vec<&str> { found.iter().map(|row| &row[column(&headers, name)]).collect() };
    assert_eq!(of("observer_kind"), ["surveyor", "visitor", "two kinds", "all kinds pooled"]);
    // 20 of 25, 6 of 18, 12 of 12, 38 of 55.
    assert_eq!(of("first_sees"), ["0.8", "0.333333", "1", "0.690909"]);
    // Every kind has its own models, and coefficients with limits around them.
    let (headers, found) = read("observer-models").await;
    let kinds: std::collections::BTreeSet<&str> = found.iter().map(|row| &row[0]).collect();
    assert_eq!(
        kinds.into_iter().collect::<Vec<_>>(),
        ["all kinds pooled", "surveyor", "two kinds", "visitor"]
    );
    let mut n_coefficients = 0;
    for row in &found {
        let number = |name: &str| row[column(&headers, name)].parse::<f64>();
        if &row[column(&headers, "model_is")] != "estimated" {
            assert!(number("aic").is_err() && number("log_odds").is_err(), "{row:?}");
            continue;
        }
        let (value, error) = (number("log_odds").unwrap(), number("log_odds_error").unwrap());
        assert!((number("log_odds_upper").unwrap() - value - 1.96 * error).abs() < 1e-3, "{row:?}");
        assert!(number("aic_above_best").unwrap() >= 0.0 && number("snakes").unwrap() >= 30.0, "{row:?}");
        n_coefficients += 1;
    }
    assert!(n_coefficients >= 6, "{found:?}");
    let mixed = found.iter().find(|row| &row[0] == "two kinds").unwrap();
    assert!(mixed[column(&headers, "model_is")].starts_with("it foretells"), "{mixed:?}");
    // The pair of two walks is in no table of pairs, and the others have numbers.
    let (headers, found) = read("observer-pairs").await;
    let rows: Vec<[&str; 3]> = found
        .iter()
        .map(|row| ["pair", "observer_kind", "walks"].map(|name| &row[column(&headers, name)]))
        .collect();
    assert_eq!(rows, [["pair 1", "surveyor", "5"], ["pair 2", "visitor", "5"]]);
}

#[tokio::test]
async fn signs_and_inspections_come_from_files_too() {
    let test = TestApp::park().await;
    let signs = "name,latitude,longitude,kind,up,down\nS1,37.6,-109.39,trail sign,2024-05-10,\n\
                 S2,37.6,-109.39,,2024-05-10,2024-05-01\n";
    assert_eq!(bring_in(&test, Content::SignsInPlace, signs.to_owned()).await, (1, 1));
    let inspections = "sign,inspectedAt,condition,recordedBy,remarks\nS1,2024-06-01T10:00,worn,A. Ranger,faded\n\
                       S1,2024-06-02T10:00,eaten,A. Ranger,\nS7,2024-06-02T10:00,good,A. Ranger,\n";
    assert_eq!(bring_in(&test, Content::SignInspections, inspections.to_owned()).await, (1, 2));
    let page = test.get("/effect").await.expect(200);
    page.says("S1");
    page.says("since 10 May 2024");
    page.says("worn, 1 June 2024, by A. Ranger");
}
