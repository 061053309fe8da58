//! Watches at signs: in, again, changed, refused, out and back, and without names when their time is over.

use crate::domain::batch::Content;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::sign_watch::WatchCounts;
use crate::domain::sign_watch::Watcher;
use crate::store::Edited;
use crate::store::RecordEdit;
use crate::store::RecordKind;
use crate::store::StateKey;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::rows;

fn watch(event_id: &str, passed: u32, did: u32) -> SignWatchDraft {
    SignWatchDraft {
        event_id: event_id.to_owned(),
        locality: "North gate".to_owned(),
        position: at(10.0, 45.0),
        start_s: NOW_S - 9_000,
        length_s: 3_600,
        counts: WatchCounts::new(passed, Some(3), did).unwrap(),
        asked: "keeps to the middle".to_owned(),
        watcher: Watcher::Unseen,
        recorded_by: "Perpetua Lisle".to_owned(),
        remarks: "behind the hut".to_owned(),
    }
}

async fn stored(test: &TestStore) -> Vec<SignWatchDraft> {
    test.store.snapshot().await.unwrap().sign_watches(test.area).await.unwrap()
}

#[tokio::test]
async fn a_batch_of_watches_goes_in_changes_and_is_undone() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let first = test.batch(&mut writer, Content::SignWatches, "1").await;
    let none_read = SignWatchDraft { counts: WatchCounts::new(5, None, 5).unwrap(), ..watch("b", 5, 5) };
    let drafts = rows([watch("a", 9, 4), none_read]);
    let tally = writer.put_sign_watches(&first, &drafts).await.unwrap();
    assert_eq!((tally.n_inserted, tally.problems.len()), (2, 0), "{:?}", tally.problems);
    assert_eq!(writer.put_sign_watches(&first, &drafts).await.unwrap().n_unchanged, 2);
    // A row that contradicts one of its own file does not go in.
    let tally = writer.put_sign_watches(&first, &rows([watch("a", 9, 5)])).await.unwrap();
    assert_eq!((tally.problems[0].field.as_str(), tally.n_updated), ("eventID", 0));
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await, drafts.iter().map(|(_, draft)| draft.clone()).collect::<Vec<_>>());

    let mut writer = test.write().await;
    let second = test.batch(&mut writer, Content::SignWatches, "2").await;
    let tally = writer.put_sign_watches(&second, &rows([watch("a", 9, 7)])).await.unwrap();
    assert_eq!(tally.n_updated, 1);
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await[0].counts.did(), 7);

    let mut writer = test.write().await;
    let undone = writer.undo_batch(second.source.unwrap().0).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!((undone.n_restored, stored(&test).await[0].counts.did()), (1, 4));
    let mut writer = test.write().await;
    assert_eq!(writer.undo_batch(first.source.unwrap().0).await.unwrap().n_removed, 2);
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await, []);
}

#[tokio::test]
async fn a_watch_is_taken_out_and_put_back() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::SignWatches, "1").await;
    writer.put_sign_watches(&target, &rows([watch("a", 9, 4)])).await.unwrap();
    writer.commit().await.unwrap();
    let kind = RecordKind::SignWatch;
    assert!(kind.can_be_put_back());
    let mark =
        async || test.store.snapshot().await.unwrap().record_state(kind, 1).await.unwrap().unwrap().mark;
    let seen = mark().await;
    let mut writer = test.write().await;
    let edit = RecordEdit { area: test.area, kind, id: 1, seen: &seen };
    assert_eq!(writer.withdraw_record(&edit).await.unwrap(), Edited::Done);
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await, []);
    let seen = mark().await;
    let mut writer = test.write().await;
    let edit = RecordEdit { area: test.area, kind, id: 1, seen: &seen };
    assert_eq!(writer.put_back_record(&edit, StateKey::First).await.unwrap(), Edited::Done);
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await, [watch("a", 9, 4)]);
}

#[tokio::test]
async fn names_and_words_go_and_counts_stay() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    writer.put_sign_watches(&test.by_hand(), &rows([watch("a", 9, 4)])).await.unwrap();
    writer.put_sign_watches(&test.by_hand(), &rows([watch("a", 9, 6)])).await.unwrap();
    writer.commit().await.unwrap();
    let mut writer = test.write().await;
    let early = writer.empty_personal_data(test.area, NOW_S - 10_000).await.unwrap();
    assert!(early.is_nothing(), "{early:?}");
    let emptied = writer.empty_personal_data(test.area, NOW_S).await.unwrap();
    assert_eq!((emptied.n_watches, emptied.n_earlier_states), (1, 2));
    writer.commit().await.unwrap();
    let found = &stored(&test).await[0];
    assert_eq!((found.recorded_by.as_str(), found.remarks.as_str(), found.counts.did()), ("", "", 6));
}
