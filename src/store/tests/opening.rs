//! Files that are, or are not, databases of ours.

use sqlx::Connection;
use sqlx::SqliteConnection;

use crate::domain::revision::Revision;
use crate::store::Error;
use crate::store::Store;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::area;
use crate::store::testing::params;

async fn raw(test: &TestStore) -> SqliteConnection {
    SqliteConnection::connect(&format!("sqlite://{}", test.path().display())).await.unwrap()
}

#[tokio::test]
async fn a_new_database_is_empty_at_revision_zero() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("new.db"), &params()).await.unwrap();
    let mut snapshot = store.snapshot().await.unwrap();
    assert_eq!(snapshot.revision(), Revision(0));
    assert_eq!(snapshot.areas().await.unwrap(), []);
}

#[tokio::test]
async fn what_was_committed_is_there_when_opened_again() {
    let test = TestStore::new().await;
    test.store.close().await;
    let again = Store::open(&test.path(), &params()).await.unwrap();
    assert_eq!(again.revision().await.unwrap(), Revision(1));
    assert_eq!(again.snapshot().await.unwrap().areas().await.unwrap()[0].name, "Test park");
}

#[tokio::test]
async fn the_log_and_the_rules_are_on() {
    let test = TestStore::new().await;
    let mode: String = sqlx::query_scalar("PRAGMA journal_mode").fetch_one(&test.store.writer).await.unwrap();
    let keys: i64 = sqlx::query_scalar("PRAGMA foreign_keys").fetch_one(&test.store.writer).await.unwrap();
    assert_eq!((mode.as_str(), keys), ("wal", 1));
    let read_only = sqlx::query("DELETE FROM areas").execute(&test.store.readers).await.unwrap_err();
    assert!(matches!(Error::from(read_only), Error::ReadOnly));
}

#[tokio::test]
async fn an_unknown_migration_is_refused() {
    let test = TestStore::new().await;
    sqlx::query("INSERT INTO _sqlx_migrations VALUES (9999, 'later', '2030-01-01', 1, x'00', 1)")
        .execute(&mut raw(&test).await)
        .await
        .unwrap();
    let error = Store::open(&test.path(), &params()).await.unwrap_err();
    assert!(matches!(error, Error::Newer { version: 9999 }), "{error:?}");
}

#[tokio::test]
async fn an_altered_migration_is_refused() {
    let test = TestStore::new().await;
    sqlx::query("UPDATE _sqlx_migrations SET checksum = x'00'").execute(&mut raw(&test).await).await.unwrap();
    let error = Store::open(&test.path(), &params()).await.unwrap_err();
    assert!(matches!(error, Error::AlteredMigration { version: 1 }), "{error:?}");
}

#[tokio::test]
async fn other_files_are_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let text = folder.path().join("notes.db");
    let bytes = "Not a database, but longer than the header of one. ".repeat(40);
    std::fs::write(&text, &bytes).unwrap();
    let error = Store::open(&text, &params()).await.unwrap_err();
    assert!(matches!(error, Error::NotADatabase { .. }), "{error:?}");
    assert_eq!(std::fs::read_to_string(&text).unwrap(), bytes);

    let other = folder.path().join("other.db");
    let mut connection =
        SqliteConnection::connect(&format!("sqlite://{}?mode=rwc", other.display())).await.unwrap();
    sqlx::query("CREATE TABLE theirs (a)").execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    let before = std::fs::read(&other).unwrap();
    let error = Store::open(&other, &params()).await.unwrap_err();
    assert!(matches!(error, Error::NotOurs { .. }), "{error:?}");
    assert_eq!(std::fs::read(&other).unwrap(), before);

    let error = Store::open(&folder.path().join("no/such/folder.db"), &params()).await.unwrap_err();
    assert!(matches!(error, Error::CannotOpen { .. }), "{error:?}");
    let error = Store::open(folder.path(), &params()).await.unwrap_err();
    assert!(matches!(error, Error::CannotOpen { .. }), "{error:?}");
}

#[tokio::test]
async fn two_programs_may_make_the_database_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("new.db");
    let mut params = params();
    params.busy_timeout = std::time::Duration::from_secs(20);
    let (one, two) = tokio::join!(Store::open(&path, &params), Store::open(&path, &params));
    let (one, two) = (one.unwrap(), two.unwrap());
    let mut writer = one.write("tester", "test", NOW_S).await.unwrap();
    writer.put_area(&area("A")).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!(two.snapshot().await.unwrap().areas().await.unwrap().len(), 1);
}
