//! Double-observer walks and inspections of signs: in, again, refused, and out.

use crate::domain::batch::Content;
use crate::domain::double_observer::DoubleObservationDraft;
use crate::domain::double_observer::NoticedBy;
use crate::domain::double_observer::NoticedDraft;
use crate::domain::double_observer::ObserverKind;
use crate::domain::double_observer::ObserverProtocol;
use crate::domain::double_observer::PairKind;
use crate::domain::encounter::EncounterDraft;
use crate::domain::sign::SignCondition;
use crate::domain::sign::SignInspectionDraft;
use crate::domain::walk::Purpose;
use crate::domain::walk::WalkDraft;
use crate::store::SignInPlaceDraft;
use crate::store::kept::Kept;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::full_encounter;
use crate::store::testing::rows;

fn walk(event_id: &str) -> WalkDraft {
    WalkDraft {
        event_id: event_id.to_owned(),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: "A, B".to_owned(),
        start_s: NOW_S - 9_000,
        end_s: None,
        sampling_protocol: String::new(),
        track: Vec::new(),
        track_times_s: Vec::new(),
    }
}

fn observation(event_id: &str, noticed: Option<(&str, NoticedBy)>) -> DoubleObservationDraft {
    DoubleObservationDraft {
        event_id: event_id.to_owned(),
        protocol: ObserverProtocol::Independent,
        first_observer: "A".to_owned(),
        second_observer: "B".to_owned(),
        first_kind: Some(ObserverKind::Surveyor),
        second_kind: Some(ObserverKind::Volunteer),
        noticed: noticed
            .map(|(occurrence_id, by)| NoticedDraft { occurrence_id: occurrence_id.to_owned(), by }),
    }
}

/// Walks walk-1 and walk-2, encounters a and b on the first.
async fn with_walks() -> TestStore {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.by_hand();
    writer.put_walks(&target, &rows([walk("walk-1"), walk("walk-2")])).await.unwrap();
    let encounters: [EncounterDraft; 2] = [full_encounter("a"), full_encounter("b")];
    let tally = writer.put_encounters(&target, &rows(encounters)).await.unwrap();
    assert_eq!(tally.problems, []);
    writer.commit().await.unwrap();
    test
}

#[tokio::test]
async fn a_batch_of_observations_goes_in_and_out_again() {
    let test = with_walks().await;
    let drafts = || {
        rows([
            observation("walk-1", Some(("a", NoticedBy::Both))),
            observation("walk-1", Some(("b", NoticedBy::Second))),
            observation("walk-2", None),
        ])
    };
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::DoubleObserver, "1").await;
    let tally = writer.put_double_observations(&target, &drafts()).await.unwrap();
    assert_eq!((tally.n_inserted, tally.problems.len()), (3, 0), "{:?}", tally.problems);
    let again = writer.put_double_observations(&target, &drafts()).await.unwrap();
    assert_eq!(again.n_unchanged, 3);
    writer.commit().await.unwrap();
    let walks = test.store.snapshot().await.unwrap().double_observer_walks(test.area).await.unwrap();
    assert_eq!(walks.len(), 2);
    assert_eq!(walks[0].noticed.len(), 2);
    assert_eq!(walks[0].pair, PairKind::Mixed);
    assert_eq!(walks[0].noticed[0].by, NoticedBy::Both);
    assert_eq!(walks[0].noticed[0].cover, "rock");
    assert_eq!(walks[0].noticed[0].air_temperature_c, Some(27.3));
    assert!(walks[1].noticed.is_empty());

    let mut writer = test.write().await;
    let undone = writer.undo_batch(target.source.unwrap().0).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!(undone.n_removed, 3);
    let walks = test.store.snapshot().await.unwrap().double_observer_walks(test.area).await.unwrap();
    assert_eq!(walks, []);
}

#[tokio::test]
async fn observations_of_unknown_things_are_refused_by_field() {
    let test = with_walks().await;
    let mut writer = test.write().await;
    let target = test.by_hand();
    let other_protocol = DoubleObservationDraft {
        protocol: ObserverProtocol::LeadFollow,
        ..observation("walk-1", Some(("b", NoticedBy::First)))
    };
    let drafts = rows([
        observation("walk-1", Some(("a", NoticedBy::First))),
        observation("walk-9", None),
        observation("walk-1", Some(("z", NoticedBy::First))),
        observation("walk-2", Some(("a", NoticedBy::First))),
        other_protocol,
    ]);
    let tally = writer.put_double_observations(&target, &drafts).await.unwrap();
    let fields: Vec<(u64, &str)> =
        tally.problems.iter().map(|problem| (problem.row_number, problem.field.as_str())).collect();
    assert_eq!(tally.n_inserted, 1);
    assert_eq!(fields, [(3, "eventID"), (4, "occurrenceID"), (5, "occurrenceID"), (6, "protocol")]);
    // Rows of a walk agree in the kinds of their observers, too; a row that says none contradicts nobody.
    let with_kinds = |first_kind, second_kind| DoubleObservationDraft {
        first_kind,
        second_kind,
        ..observation("walk-1", Some(("b", NoticedBy::First)))
    };
    let (first, second) = (Some(ObserverKind::Surveyor), Some(ObserverKind::Visitor));
    for (draft, field, said) in [
        (with_kinds(first, second), "secondObserverKind", "volunteer"),
        (with_kinds(second, None), "firstObserverKind", "surveyor"),
    ] {
        let tally = writer.put_double_observations(&target, &rows([draft])).await.unwrap();
        let [problem] = &tally.problems[..] else { panic!("{tally:?}") };
        assert_eq!((problem.field.as_str(), problem.value.as_str()), (field, "visitor"));
        assert_eq!(problem.reason, format!("another row of the walk says \"{said}\""));
    }
    let tally = writer.put_double_observations(&target, &rows([with_kinds(first, None)])).await.unwrap();
    assert_eq!((tally.n_inserted, tally.problems.len()), (1, 0), "{:?}", tally.problems);
    // A changed mark is a change, written down.
    let changed = rows([observation("walk-1", Some(("a", NoticedBy::Both)))]);
    let tally = writer.put_double_observations(&target, &changed).await.unwrap();
    assert_eq!(tally.n_updated, 1);
}

/// A batch that says the kind of observers and is undone leaves what was there before: nobody's kind was said.
#[tokio::test]
async fn kinds_of_observers_go_back_with_their_batch() {
    let test = with_walks().await;
    let said = |kind| DoubleObservationDraft {
        first_kind: kind,
        second_kind: kind,
        ..observation("walk-1", Some(("a", NoticedBy::Both)))
    };
    let pair = async |test: &TestStore| {
        test.store.snapshot().await.unwrap().double_observer_walks(test.area).await.unwrap()[0].pair
    };
    let mut writer = test.write().await;
    writer.put_double_observations(&test.by_hand(), &rows([said(None)])).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!(pair(&test).await, PairKind::NotSaid);
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::DoubleObserver, "1").await;
    let changed = rows([said(Some(ObserverKind::Ranger))]);
    let tally = writer.put_double_observations(&target, &changed).await.unwrap();
    assert_eq!((tally.n_updated, tally.problems.len()), (1, 0));
    writer.commit().await.unwrap();
    assert_eq!(pair(&test).await, PairKind::Of(ObserverKind::Ranger));
    let mut writer = test.write().await;
    writer.undo_batch(target.source.unwrap().0).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!(pair(&test).await, PairKind::NotSaid);
}

/// States of the history from before kinds were kept are read as what they were: not said.
#[test]
fn a_state_without_kinds_reads_as_not_said() {
    let draft = observation("walk-1", Some(("a", NoticedBy::Both)));
    let mut written = serde_json::to_value(draft.to_wire()).unwrap();
    let read = |value: &serde_json::Value| {
        DoubleObservationDraft::from_wire(serde_json::from_value(value.clone()).unwrap()).unwrap()
    };
    assert_eq!(read(&written), draft);
    let fields = written.as_object_mut().unwrap();
    assert!(fields.remove("first_kind").is_some() && fields.remove("second_kind").is_some());
    assert_eq!(read(&written), DoubleObservationDraft { first_kind: None, second_kind: None, ..draft });
}

#[tokio::test]
async fn inspections_belong_to_the_sign_that_was_up() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.by_hand();
    let sign = |up_s, down_s| SignInPlaceDraft {
        name: "S1".to_owned(),
        position: at(10.0, 45.0),
        kind: "trail sign".to_owned(),
        plan: None,
        up_s,
        down_s,
    };
    writer.put_signs_in_place(&target, &rows([sign(100, Some(200)), sign(300, None)])).await.unwrap();
    let inspection = |name: &str, inspected_at_s, condition| SignInspectionDraft {
        sign: name.to_owned(),
        inspected_at_s,
        inspected_by: "A".to_owned(),
        condition,
        remarks: String::new(),
    };
    let drafts = rows([
        inspection("S1", 150, SignCondition::Good),
        inspection("S1", 350, SignCondition::Missing),
        inspection("S1", 50, SignCondition::Good),
        inspection("S2", 350, SignCondition::Good),
    ]);
    let source = test.batch(&mut writer, Content::SignInspections, "1").await;
    let tally = writer.put_sign_inspections(&source, &drafts).await.unwrap();
    assert_eq!((tally.n_inserted, tally.problems.len()), (2, 2));
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let signs = snapshot.signs_in_place(test.area).await.unwrap();
    let found = snapshot.sign_inspections(test.area).await.unwrap();
    assert_eq!((found[0].sign_id, found[0].given.condition), (signs[1].id, SignCondition::Missing));
    assert_eq!((found[1].sign_id, found[1].given.condition), (signs[0].id, SignCondition::Good));
    drop(snapshot);
    let mut writer = test.write().await;
    assert_eq!(writer.undo_batch(source.source.unwrap().0).await.unwrap().n_removed, 2);
    writer.commit().await.unwrap();
    assert_eq!(test.store.snapshot().await.unwrap().sign_inspections(test.area).await.unwrap(), []);
}
