//! Transactions, revisions, and what goes wrong with them.

use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::revision::Revision;
use crate::store::Error;
use crate::store::RowErrorState;
use crate::store::Store;
use crate::store::Tally;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::area;
use crate::store::testing::params;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

#[tokio::test]
async fn a_dropped_write_leaves_nothing() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let tally = writer.put_encounters(&test.by_hand(), &rows([plain_encounter("a")])).await.unwrap();
    assert_eq!(tally.n_inserted, 1);
    drop(writer);
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.revision(), Revision(1));
    assert_eq!(snapshot.encounter_by_occurrence(test.area, "a").await.unwrap(), None);
    // The writing connection is free and clean again.
    let mut writer = test.write().await;
    writer.put_encounters(&test.by_hand(), &rows([plain_encounter("b")])).await.unwrap();
    assert_eq!(writer.commit().await.unwrap(), Revision(2));
}

#[tokio::test]
async fn a_commit_raises_the_revision_and_says_who_and_why() {
    let test = TestStore::new().await;
    let mut writer = test.store.write("ranger", "by hand", NOW_S + 5).await.unwrap();
    assert!(!writer.is_touched());
    writer.set_setting(test.area, "segment_length_m", "50").await.unwrap();
    assert!(writer.is_touched());
    assert_eq!(writer.base(), Revision(1));
    assert_eq!(writer.commit().await.unwrap(), Revision(2));
    assert_eq!(test.store.revision().await.unwrap(), Revision(2));
    let entries = test.store.snapshot().await.unwrap().revisions(10).await.unwrap();
    assert_eq!(entries.len(), 2);
    assert_eq!((entries[0].actor.as_str(), entries[0].summary.as_str()), ("ranger", "by hand"));
    assert_eq!((entries[0].revision, entries[0].committed_at_s), (Revision(2), NOW_S + 5));
}

#[tokio::test]
async fn a_commit_without_change_keeps_the_revision() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    writer.put_area(&area("Test park")).await.unwrap();
    writer.set_setting(test.area, "nothing", "").await.unwrap();
    assert_eq!(writer.commit().await.unwrap(), Revision(1));
    assert_eq!(test.store.snapshot().await.unwrap().revisions(10).await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_snapshot_does_not_see_later_commits() {
    let test = TestStore::new().await;
    let mut before = test.store.snapshot().await.unwrap();
    let mut writer = test.write().await;
    writer.put_encounters(&test.by_hand(), &rows([plain_encounter("a")])).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!(before.encounter_by_occurrence(test.area, "a").await.unwrap(), None);
    assert_eq!(before.revision(), Revision(1));
    drop(before);
    let mut after = test.store.snapshot().await.unwrap();
    assert!(after.encounter_by_occurrence(test.area, "a").await.unwrap().is_some());
}

#[tokio::test]
async fn a_second_writer_waits_and_then_gives_up() {
    let test = TestStore::new().await;
    let other_program = Store::open(&test.path(), &params()).await.unwrap();
    let first = test.write().await;
    for store in [&test.store, &other_program] {
        let error = store.write("other", "test", NOW_S).await.unwrap_err();
        assert!(matches!(error, Error::Busy), "{error:?}");
    }
    drop(first);
    let mut second = other_program.write("other", "test", NOW_S).await.unwrap();
    second.set_setting(test.area, "a", "b").await.unwrap();
    assert_eq!(second.commit().await.unwrap(), Revision(2));
    // The first program sees what the other wrote.
    assert_eq!(test.store.revision().await.unwrap(), Revision(2));
}

#[tokio::test]
async fn a_full_disk_keeps_nothing_and_the_store_works_on() {
    let test = TestStore::new().await;
    let n_pages: i64 = sqlx::query_scalar("PRAGMA page_count").fetch_one(&test.store.writer).await.unwrap();
    sqlx::query(sqlx::AssertSqlSafe(format!("PRAGMA max_page_count = {}", n_pages + 2)))
        .execute(&test.store.writer)
        .await
        .unwrap();
    let many = rows((0..5_000).map(|n| plain_encounter(&n.to_string())));
    let mut writer = test.write().await;
    let error = writer.put_encounters(&test.by_hand(), &many).await.unwrap_err();
    assert!(matches!(error, Error::Full), "{error:?}");
    drop(writer);
    sqlx::query("PRAGMA max_page_count = 1000000").execute(&test.store.writer).await.unwrap();
    let mut writer = test.write().await;
    assert_eq!(writer.put_encounters(&test.by_hand(), &many).await.unwrap().n_inserted, 5_000);
    assert_eq!(writer.commit().await.unwrap(), Revision(2));
}

#[tokio::test]
async fn a_database_that_may_only_be_read_says_so() {
    let test = TestStore::new().await;
    sqlx::query("PRAGMA query_only = ON").execute(&test.store.writer).await.unwrap();
    let error = test.store.write("tester", "test", NOW_S).await.unwrap_err();
    assert!(matches!(error, Error::ReadOnly), "{error:?}");
}

fn row_error(row_number: u64) -> RowError {
    RowError {
        row_number,
        field: "decimalLatitude".to_owned(),
        value: "91".to_owned(),
        reason: "outside -90 to 90".to_owned(),
        hint: "swap latitude and longitude".to_owned(),
        raw: vec![("lat".to_owned(), "91".to_owned()), ("note".to_owned(), "a \"quote\"".to_owned())],
    }
}

#[tokio::test]
async fn bad_rows_are_kept_once_and_can_be_settled() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::Encounters, "bytes").await;
    let (batch, file) = target.source.unwrap();
    assert_eq!(writer.add_row_errors(file, &[row_error(3), row_error(9)]).await.unwrap(), 2);
    let tally = Tally { n_inserted: 5, n_updated: 1, n_unchanged: 2, problems: Vec::new() };
    writer.count_batch(batch, &tally, 2).await.unwrap();
    assert_eq!(writer.commit().await.unwrap(), Revision(2));

    let mut snapshot = test.store.snapshot().await.unwrap();
    let first = crate::domain::ids::RowErrorId(0);
    let open = snapshot.open_row_errors(test.area, first, 100).await.unwrap();
    assert_eq!(open.iter().map(|stored| &stored.error).collect::<Vec<_>>(), [&row_error(3), &row_error(9)]);
    // A page at a time, and no more than was asked for.
    assert_eq!(snapshot.open_row_errors(test.area, first, 1).await.unwrap(), open[..1]);
    assert_eq!(snapshot.open_row_errors(test.area, open[0].id, 1).await.unwrap(), open[1..]);
    assert_eq!(snapshot.row_errors_of_batch(batch, 1).await.unwrap(), open[..1]);
    let counted = (
        snapshot.n_open_row_errors(test.area).await.unwrap(),
        snapshot.n_row_errors_of_batch(batch).await.unwrap(),
    );
    assert_eq!(counted, (2, 2));
    let summary = &snapshot.batches(test.area).await.unwrap()[0];
    assert_eq!((summary.n_accepted, summary.n_unchanged, summary.n_refused), (6, 2, 2));
    assert_eq!(
        (summary.revision, summary.file_names.as_slice()),
        (Revision(2), &["rows.csv".to_owned()][..])
    );
    let hash = blake3::hash(b"bytes").to_hex().to_string();
    assert_eq!(snapshot.files_with_hash(test.area, &hash).await.unwrap()[0].id, file);
    drop(snapshot);

    let mut writer = test.write().await;
    writer.settle_row_error(open[0].id, RowErrorState::Mended).await.unwrap();
    writer.settle_row_error(open[1].id, RowErrorState::SetAside).await.unwrap();
    let missing = crate::domain::ids::RowErrorId(99);
    let error = writer.settle_row_error(missing, RowErrorState::Open).await.unwrap_err();
    assert!(matches!(error, Error::Missing { what: "row error", id: 99 }));
    writer.commit().await.unwrap();

    // The same file again brings no new ones, also after they were settled.
    let mut writer = test.write().await;
    let again = test.batch(&mut writer, Content::Encounters, "bytes").await;
    assert_eq!(
        writer.add_row_errors(again.source.unwrap().1, &[row_error(3), row_error(9)]).await.unwrap(),
        0
    );
    assert_eq!(writer.commit().await.unwrap(), Revision(3));

    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.open_row_errors(test.area, first, 100).await.unwrap(), []);
    assert_eq!(snapshot.n_open_row_errors(test.area).await.unwrap(), 0);
    let states: Vec<String> = snapshot
        .row_errors_of_batch(batch, 100)
        .await
        .unwrap()
        .into_iter()
        .map(|stored| stored.state)
        .collect();
    assert_eq!(states, ["mended", "set-aside"]);
    // The batch that brought nothing new is there, at the revision it found.
    assert_eq!(snapshot.batches(test.area).await.unwrap()[0].revision, Revision(3));
}

/// A file is brought in as one content, and the same bytes as another: a row that both refuse is kept for each.
#[tokio::test]
async fn a_row_refused_as_two_contents_waits_for_both() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let (first, file) = test.batch(&mut writer, Content::Encounters, "bytes").await.source.unwrap();
    assert_eq!(writer.add_row_errors(file, &[row_error(3)]).await.unwrap(), 1);
    writer.commit().await.unwrap();
    let mut writer = test.write().await;
    let (second, file) = test.batch(&mut writer, Content::Walks, "bytes").await.source.unwrap();
    assert_eq!(writer.add_row_errors(file, &[row_error(3)]).await.unwrap(), 1);
    assert_eq!(writer.add_row_errors(file, &[row_error(3)]).await.unwrap(), 0);
    writer.commit().await.unwrap();

    let mut writer = test.write().await;
    writer.undo_batch(first).await.unwrap();
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let first_of_all = crate::domain::ids::RowErrorId(0);
    let open = snapshot.open_row_errors(test.area, first_of_all, 100).await.unwrap();
    assert_eq!(open.iter().map(|stored| &stored.error).collect::<Vec<_>>(), [&row_error(3)]);
    assert_eq!(snapshot.n_row_errors_of_batch(second).await.unwrap(), 1);
}

#[tokio::test]
async fn area_and_settings_keep_their_history() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let mut changed = area("Test park");
    changed.emergency_number = "112".to_owned();
    assert_eq!(writer.put_area(&changed).await.unwrap(), test.area);
    writer.set_setting(test.area, "a", "1").await.unwrap();
    writer.set_setting(test.area, "a", "2").await.unwrap();
    writer.set_setting(test.area, "b", "3").await.unwrap();
    writer.set_setting(test.area, "b", "").await.unwrap();
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.areas().await.unwrap()[0].emergency_number, "112");
    assert_eq!(snapshot.settings(test.area).await.unwrap(), [("a".to_owned(), "2".to_owned())].into());
    let changes = snapshot.changes(crate::store::RecordKind::Area, test.area.0).await.unwrap();
    assert_eq!(changes.len(), 1);
    let field = &changes[0].fields[0];
    assert_eq!(
        (field.field.as_str(), field.before.as_str(), field.after.as_str()),
        ("emergency_number", "911", "112")
    );
    assert_eq!(changes[0].fields.len(), 1);
}
