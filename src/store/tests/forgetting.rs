//! What the rule for personal data takes that no page shows as a person's.

use crate::domain::batch::Content;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

/// Brings in a file of one report.
async fn bring_in(test: &TestStore, name: &str, id: &str, now_s: i64) {
    let summary = format!("encounters from {name}");
    let mut writer = test.store.write("tester", &summary, now_s).await.unwrap();
    let target = test.batch_named(&mut writer, Content::Encounters, name).await;
    writer.put_encounters(&target, &rows([plain_encounter(id)])).await.unwrap();
    writer.commit().await.unwrap();
}

#[tokio::test]
async fn files_lose_their_names() {
    let test = TestStore::new().await;
    bring_in(&test, "Ottoline Quarles.csv", "A", NOW_S - 100).await;
    bring_in(&test, "Hester Wimple.csv", "B", NOW_S).await;
    let mut writer = test.write().await;
    let emptied = writer.empty_personal_data(test.area, NOW_S - 50).await.unwrap();
    assert_eq!(emptied.n_files, 1);
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let told: Vec<String> =
        snapshot.revisions(9).await.unwrap().into_iter().map(|entry| entry.summary).collect();
    assert!(told.contains(&"encounters from a file".to_owned()), "{told:?}");
    assert!(told.contains(&"encounters from Hester Wimple.csv".to_owned()), "{told:?}");
    let names: Vec<String> =
        snapshot.batches(test.area).await.unwrap().into_iter().flat_map(|batch| batch.file_names).collect();
    assert!(
        names.contains(&"a file".to_owned()) && names.contains(&"Hester Wimple.csv".to_owned()),
        "{names:?}"
    );
    drop(snapshot);
    let mut writer = test.write().await;
    assert!(writer.empty_personal_data(test.area, NOW_S - 50).await.unwrap().is_nothing());
}
