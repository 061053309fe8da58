//! Tables of the study about surveys, clusters, the season and decisions.

use coilway::derived::study::Layers;
use coilway::derived::study::Table;
use coilway::derived::study::Value;
use coilway::derived::study::make;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::web::study::archive::unpack;
use jiff::civil::date;

use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

/// Start of the walks, seconds; a day of the park's study period.
const START_S: i64 = 1_715_000_000;

fn walk(event_id: &str, purpose: Purpose) -> WalkDraft {
    WalkDraft {
        event_id: event_id.to_owned(),
        parent_event_id: String::new(),
        purpose,
        observers: "Zenobia Quillfeather".to_owned(),
        start_s: START_S,
        end_s: None,
        sampling_protocol: String::new(),
        track: (0..11).map(|idx| at(-900.0 + 50.0 * f64::from(idx), 0.0)).collect(),
        track_times_s: (0..11).map(|idx| START_S + 60 * idx).collect(),
    }
}

async fn with_walks() -> TestApp {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let met = EncounterDraft {
        effort_kind: EffortKind::Survey,
        event_id: "W-secret-1".to_owned(),
        ..report("S-1", at(-700.0, 0.0), date(2024, 5, 6), 9)
    };
    test.write(async |writer| {
        let walks = [walk("W-secret-1", Purpose::Planned), walk("W-secret-2", Purpose::Targeted)];
        writer.put_walks(&target, &rows(walks)).await.unwrap();
        let tally = writer.put_encounters(&target, &rows([met])).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    test
}

fn cell<'a>(table: &'a Table, row: usize, column: &str) -> &'a Value {
    let at = table.columns.iter().position(|it| it.name == column).unwrap();
    &table.rows[row][at]
}

#[tokio::test]
async fn walks_are_summed_up_by_purpose_and_name_nobody() {
    let test = with_walks().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "survey-walks").unwrap().unwrap();
    assert_eq!(cell(&table, 0, "purpose"), &Value::from("planned"));
    for (row, walks, encounters) in [(0, 1_u64, 1_u64), (1, 1, 0), (2, 0, 0)] {
        assert_eq!(cell(&table, row, "walks"), &Value::Count(walks));
        assert_eq!(cell(&table, row, "encounters"), &Value::Count(encounters));
    }
    let Value::Number(km) = cell(&table, 0, "km") else { panic!("{table:?}") };
    assert!((km - 0.5).abs() < 0.05, "{km} km walked of a track of 500 m");
    for (name, bytes) in unpack(&test.bytes("/study.zip").await).unwrap() {
        let text = String::from_utf8_lossy(&bytes);
        for word in ["Zenobia", "W-secret"] {
            assert!(!text.contains(word), "{name} says {word}");
        }
    }
}

#[tokio::test]
async fn what_is_too_little_is_refused_in_words() {
    let test = with_walks().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let ratio = make(&layers, "reporting-ratio").unwrap().unwrap();
    assert_eq!(cell(&ratio, 0, "ratio_is"), &Value::from("not estimable below 20 survey encounters"));
    assert_eq!(cell(&ratio, 0, "ratio"), &Value::Missing);
    assert!(make(&layers, "observers").unwrap().unwrap_err().contains("two observers"));
    assert!(make(&layers, "decisions").unwrap().unwrap_err().contains("Nothing was decided"));
}

#[tokio::test]
async fn clusters_have_a_row_for_each_segment_and_way_of_counting() {
    let test = TestApp::park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let segments = make(&layers, "segments").unwrap().unwrap();
    let table = make(&layers, "cluster-segments").unwrap().unwrap();
    assert!(!table.rows.is_empty());
    assert_eq!(table.rows.len() % segments.rows.len(), 0);
    let answer = layers.clusters.as_ref().unwrap().answer.as_ref().unwrap();
    let n_found =
        |variant: &coilway::derived::clusters::Variant| variant.windows.len() + variant.groups.len();
    let expected = n_found(&answer.all) + answer.once.as_ref().map_or(0, n_found);
    assert_eq!(make(&layers, "clusters").unwrap().unwrap().rows.len(), expected);
}
