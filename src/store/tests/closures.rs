//! Closures: in, again, ended later, undone, out and back, and without their reason when their time is over.

use crate::domain::batch::Content;
use crate::domain::closure::Closure;
use crate::store::Edited;
use crate::store::RecordEdit;
use crate::store::RecordKind;
use crate::store::StateKey;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::rows;

const DAY_S: i64 = 86_400;

fn closure(name: &str, from_day: i64, until_day: Option<i64>) -> Closure {
    Closure {
        name: name.to_owned(),
        from_s: NOW_S + from_day * DAY_S,
        until_s: until_day.map(|day| NOW_S + day * DAY_S),
        reason: "flood".to_owned(),
    }
}

async fn stored(test: &TestStore) -> Vec<Closure> {
    test.store.snapshot().await.unwrap().closures(test.area).await.unwrap()
}

#[tokio::test]
async fn a_closure_ends_by_a_later_file_and_the_undo_opens_its_end_again() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let first = test.batch(&mut writer, Content::Closures, "1").await;
    // No trail of the name is there, and closures may overlap, of one name as well.
    let drafts = [closure("Rim", -20, Some(-10)), closure("Rim", -15, None), closure("", -15, Some(-14))];
    let tally = writer.put_closures(&first, &rows(drafts.clone())).await.unwrap();
    assert_eq!((tally.n_inserted, tally.problems.len()), (3, 0), "{:?}", tally.problems);
    assert_eq!(writer.put_closures(&first, &rows(drafts.clone())).await.unwrap().n_unchanged, 3);
    let other_end = rows([closure("Rim", -20, Some(-9))]);
    let tally = writer.put_closures(&first, &other_end).await.unwrap();
    assert_eq!((tally.problems[0].field.as_str(), tally.n_updated), ("name and from", 0));
    // What the table refuses is refused at its field.
    let tally = writer.put_closures(&test.by_hand(), &rows([closure("Rim", -5, Some(-5))])).await.unwrap();
    assert_eq!(tally.problems[0].field, "until");
    assert!(tally.problems[0].reason.contains("before it begins"), "{:?}", tally.problems);
    writer.commit().await.unwrap();
    let [rim, open, area] = drafts;
    assert_eq!(stored(&test).await, [rim, area, open.clone()]);

    let mut writer = test.write().await;
    let second = test.batch(&mut writer, Content::Closures, "2").await;
    let ended = closure("Rim", -15, Some(-2));
    assert_eq!(writer.put_closures(&second, &rows([ended.clone()])).await.unwrap().n_updated, 1);
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await[2], ended);
    let mut writer = test.write().await;
    assert_eq!(writer.undo_batch(second.source.unwrap().0).await.unwrap().n_restored, 1);
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await[2], open);
    let mut writer = test.write().await;
    assert_eq!(writer.undo_batch(first.source.unwrap().0).await.unwrap().n_removed, 3);
    writer.commit().await.unwrap();
    assert_eq!(stored(&test).await, []);
}

#[tokio::test]
async fn a_closure_is_taken_out_and_put_back() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::Closures, "1").await;
    writer.put_closures(&target, &rows([closure("Rim", -20, None)])).await.unwrap();
    writer.commit().await.unwrap();
    let kind = RecordKind::Closure;
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
    assert_eq!(stored(&test).await, [closure("Rim", -20, None)]);
}

#[tokio::test]
async fn reasons_go_when_a_closure_was_over_long_ago() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let drafts = [closure("Rim", -20, Some(-10)), closure("Rim", -30, None)];
    writer.put_closures(&test.by_hand(), &rows(drafts)).await.unwrap();
    writer.commit().await.unwrap();
    let mut writer = test.write().await;
    let early = writer.empty_personal_data(test.area, NOW_S - 11 * DAY_S).await.unwrap();
    assert!(early.is_nothing(), "{early:?}");
    let emptied = writer.empty_personal_data(test.area, NOW_S).await.unwrap();
    assert_eq!((emptied.n_closures, emptied.n_earlier_states), (1, 1));
    writer.commit().await.unwrap();
    let found = stored(&test).await;
    assert_eq!(found[0], closure("Rim", -30, None), "it still holds");
    assert_eq!(found[1], Closure { reason: String::new(), ..closure("Rim", -20, Some(-10)) });
}
