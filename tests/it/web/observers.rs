//! Seen or missed, from the file to the page.

use jiff::civil::date;

use coilway::app::BringIn;
use coilway::app::Trust;
use coilway::domain::batch::Content;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;

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
