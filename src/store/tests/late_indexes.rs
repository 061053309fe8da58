//! A large import puts indexes off, and nobody notices.

use crate::domain::batch::Content;
use crate::domain::encounter::RecordedPosition;
use crate::domain::geography::BoundingBox;
use crate::store::EncounterFilter;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;
use crate::store::writer::Writer;

const N: usize = 10_500;

async fn indexes(connection: &mut sqlx::SqliteConnection) -> Vec<(String, String)> {
    sqlx::query_as(
        "SELECT name, sql FROM sqlite_schema WHERE type = 'index' AND tbl_name = 'encounters' AND sql IS NOT NULL
         ORDER BY name",
    )
    .fetch_all(connection)
    .await
    .unwrap()
}

async fn put(test: &TestStore, writer: &mut Writer, name: &str, n: usize) {
    let target = test.batch(writer, Content::Encounters, name).await;
    let drafts = (0..n).map(|nth| {
        let mut draft = plain_encounter(&format!("{name}-{nth}"));
        let position = at(10.0 + (nth * 7 % 1000) as f64 * 1e-4, 45.0 + (nth * 13 % 1000) as f64 * 1e-4);
        draft.position = Some(RecordedPosition { position, ..draft.position.unwrap() });
        draft
    });
    assert_eq!(writer.put_encounters(&target, &rows(drafts)).await.unwrap().n_inserted, n as u64);
}

async fn in_box(test: &TestStore) -> u64 {
    let area = BoundingBox { west: 10.0, south: 45.0, east: 10.02, north: 45.02 };
    let filter = EncounterFilter { bounding_box: Some(area), ..EncounterFilter::default() };
    test.store.snapshot().await.unwrap().count_encounters(test.area, &filter).await.unwrap()
}

#[tokio::test]
async fn a_large_import_makes_its_indexes_at_the_end() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let before = indexes(writer.connection()).await;
    put(&test, &mut writer, "small", 20).await;
    assert_eq!(indexes(writer.connection()).await, before, "a small import touches no index");
    put(&test, &mut writer, "large", N).await;
    assert_eq!(indexes(writer.connection()).await.len() + 2, before.len(), "positions and instants wait");
    // Readers have theirs all the while.
    assert_eq!(in_box(&test).await, 0);
    writer.commit().await.unwrap();

    let expected = (0..20).chain(0..N).filter(|nth| nth * 7 % 1000 <= 200 && nth * 13 % 1000 <= 200).count();
    assert_eq!(in_box(&test).await, expected as u64);
    let mut writer = test.write().await;
    assert_eq!(indexes(writer.connection()).await, before);
    let faults: Vec<String> =
        sqlx::query_scalar("PRAGMA integrity_check").fetch_all(writer.connection()).await.unwrap();
    assert_eq!(faults, ["ok"]);
    // A small one into a large table pays for its own rows only.
    put(&test, &mut writer, "next", 20).await;
    assert_eq!(indexes(writer.connection()).await, before);
}

#[tokio::test]
async fn an_import_that_ends_early_leaves_the_indexes() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let before = indexes(writer.connection()).await;
    put(&test, &mut writer, "large", N).await;
    assert_ne!(indexes(writer.connection()).await, before);
    drop(writer);
    let mut writer = test.write().await;
    assert_eq!(indexes(writer.connection()).await, before);
}
