//! Batches undone as a whole.

use crate::domain::area::Species;
use crate::domain::batch::Content;
use crate::domain::encounter::EncounterDraft;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::ReadingDraft;
use crate::domain::ids::BatchId;
use crate::domain::trail::TrailDraft;
use crate::domain::trail::TrailheadDraft;
use crate::store::Error;
use crate::store::RecordKind;
use crate::store::Undone;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::full_encounter;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

async fn put(test: &TestStore, bytes: &str, drafts: Vec<EncounterDraft>) -> BatchId {
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::Encounters, bytes).await;
    let tally = writer.put_encounters(&target, &rows(drafts)).await.unwrap();
    assert_eq!(tally.problems, []);
    writer.commit().await.unwrap();
    target.source.unwrap().0
}

async fn undo(test: &TestStore, batch: BatchId) -> Undone {
    let mut writer = test.write().await;
    let undone = writer.undo_batch(batch).await.unwrap();
    writer.commit().await.unwrap();
    undone
}

async fn now(test: &TestStore, occurrence_id: &str) -> Option<EncounterDraft> {
    let mut snapshot = test.store.snapshot().await.unwrap();
    let id = snapshot.encounter_by_occurrence(test.area, occurrence_id).await.unwrap()?;
    Some(snapshot.encounter(id).await.unwrap().unwrap().given)
}

fn counted(occurrence_id: &str, n: u32) -> EncounterDraft {
    EncounterDraft { individual_count: Some(n), ..full_encounter(occurrence_id) }
}

#[tokio::test]
async fn what_a_batch_added_is_gone_and_what_it_changed_is_back() {
    let test = TestStore::new().await;
    put(&test, "1", vec![counted("a", 1), plain_encounter("b")]).await;
    let second = put(&test, "2", vec![counted("a", 2), plain_encounter("c")]).await;
    assert_eq!(undo(&test, second).await, Undone { n_removed: 1, n_restored: 1, n_kept: 0 });
    assert_eq!(now(&test, "a").await, Some(counted("a", 1)));
    assert_eq!(now(&test, "b").await, Some(plain_encounter("b")));
    assert_eq!(now(&test, "c").await, None);
    let summary = test.store.snapshot().await.unwrap().batches(test.area).await.unwrap();
    assert!(summary[0].undone_at_s.is_some() && summary[1].undone_at_s.is_none());

    // It can come again, and then counts as new.
    put(&test, "2", vec![counted("a", 2), plain_encounter("c")]).await;
    assert_eq!(now(&test, "a").await, Some(counted("a", 2)));
    assert_eq!(now(&test, "c").await, Some(plain_encounter("c")));
}

#[tokio::test]
async fn a_batch_is_undone_once() {
    let test = TestStore::new().await;
    let batch = put(&test, "1", vec![plain_encounter("a")]).await;
    undo(&test, batch).await;
    let mut writer = test.write().await;
    assert!(matches!(writer.undo_batch(batch).await.unwrap_err(), Error::UndoneAlready(_)));
    let missing = writer.undo_batch(BatchId(77)).await.unwrap_err();
    assert!(matches!(missing, Error::Missing { what: "batch", id: 77 }));
}

#[tokio::test]
async fn later_work_on_a_record_is_not_lost() {
    let test = TestStore::new().await;
    put(&test, "1", vec![counted("a", 1)]).await;
    let second = put(&test, "2", vec![counted("a", 2)]).await;
    put(&test, "3", vec![counted("a", 3)]).await;
    assert_eq!(undo(&test, second).await, Undone { n_removed: 0, n_restored: 0, n_kept: 1 });
    assert_eq!(now(&test, "a").await, Some(counted("a", 3)));
}

#[tokio::test]
async fn a_change_by_hand_is_no_change_of_the_batch() {
    let test = TestStore::new().await;
    let first = put(&test, "1", vec![counted("a", 1)]).await;
    let mut snapshot = test.store.snapshot().await.unwrap();
    let id = snapshot.encounter_by_occurrence(test.area, "a").await.unwrap().unwrap();
    drop(snapshot);
    let mut writer = test.write().await;
    writer.change_encounter(id, &counted("a", 5)).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!(undo(&test, first).await, Undone { n_removed: 1, n_restored: 0, n_kept: 0 });
}

#[tokio::test]
async fn batches_undone_out_of_order_leave_nothing() {
    let test = TestStore::new().await;
    let first = put(&test, "1", vec![counted("a", 1)]).await;
    let second = put(&test, "2", vec![counted("a", 2)]).await;
    // The second batch says so too: the record stays with it.
    assert_eq!(undo(&test, first).await, Undone { n_removed: 0, n_restored: 0, n_kept: 0 });
    assert_eq!(now(&test, "a").await, Some(counted("a", 2)));
    // Put back what the first batch said, which is undone: gone.
    assert_eq!(undo(&test, second).await, Undone { n_removed: 1, n_restored: 1, n_kept: 0 });
    assert_eq!(now(&test, "a").await, None);
}

#[tokio::test]
async fn every_kind_of_record_is_undone() {
    let test = TestStore::new().await;
    let trail = |lat| TrailDraft {
        name: "Rim".to_owned(),
        habitat: String::new(),
        parts: vec![vec![at(0.1 + 0.2, lat), at(1.0, 1.0)]],
        elevations_m: vec![vec![1800.1, 2000.0]],
    };
    let trailhead =
        |volume| TrailheadDraft { name: "North".to_owned(), position: at(0.3, 1.1), relative_volume: volume };
    let counter = CounterDraft {
        name: "C1".to_owned(),
        device: "beam".to_owned(),
        position: at(0.0, 0.0),
        from_s: None,
        until_s: None,
    };
    let reading = |count_in| ReadingDraft {
        counter: "C1".to_owned(),
        start_s: 0,
        length_s: 900,
        count_in,
        count_out: None,
    };
    let mut batches = Vec::new();
    for (bytes, factor) in [("1", 1u32), ("2", 2)] {
        let mut writer = test.write().await;
        let target = test.batch(&mut writer, Content::Trails, bytes).await;
        writer.put_trails(&target, &[(1, trail(f64::from(factor) / 3.0))]).await.unwrap();
        writer.put_trailheads(&target, &[(1, trailhead(f64::from(factor) / 7.0))]).await.unwrap();
        writer.put_counters(&target, &[(1, counter.clone())]).await.unwrap();
        writer.put_readings(&target, &[(1, reading(factor))]).await.unwrap();
        writer.commit().await.unwrap();
        batches.push(target.source.unwrap().0);
    }
    assert_eq!(undo(&test, batches[1]).await, Undone { n_removed: 0, n_restored: 3, n_kept: 0 });
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.trails(test.area).await.unwrap()[0].parts, trail(1.0 / 3.0).parts);
    assert_eq!(snapshot.trailheads(test.area).await.unwrap()[0].relative_volume, 1.0 / 7.0);
    let readings = snapshot.readings(test.area, &mut Default::default()).await.unwrap();
    assert_eq!(readings.rows[0].count_in, 1);
    drop(snapshot);
    assert_eq!(undo(&test, batches[0]).await, Undone { n_removed: 4, n_restored: 0, n_kept: 0 });
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.trails(test.area).await.unwrap(), []);
    assert_eq!(snapshot.trailheads(test.area).await.unwrap(), []);
    assert_eq!(snapshot.counters(test.area).await.unwrap(), []);
    let readings = snapshot.readings(test.area, &mut Default::default()).await.unwrap();
    assert_eq!(readings.rows, []);
}

#[tokio::test]
async fn a_species_is_again_what_it_was_before_the_batch() {
    let test = TestStore::new().await;
    let listed = |is_venomous: bool, category: u8| Species {
        scientific_name: "Crotalus atrox".to_owned(),
        vernacular_name: "diamondback".to_owned(),
        is_venomous,
        sensitivity_category: Some(category),
        sensitivity_reason: String::new(),
        review_date: String::new(),
    };
    let mut batches = Vec::new();
    for (bytes, species) in [("1", listed(true, 2)), ("2", listed(false, 4))] {
        let mut writer = test.write().await;
        let target = test.batch(&mut writer, Content::Species, bytes).await;
        writer.put_species(&target, &[(1, species)]).await.unwrap();
        writer.commit().await.unwrap();
        batches.push(target.source.unwrap().0);
    }
    assert_eq!(undo(&test, batches[1]).await, Undone { n_removed: 0, n_restored: 1, n_kept: 0 });
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.species(test.area).await.unwrap(), [listed(true, 2)]);
    assert_eq!(snapshot.changes(RecordKind::Species, 1).await.unwrap().len(), 3);
}
