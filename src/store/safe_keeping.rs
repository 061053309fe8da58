//! Safe keeping: copies taken while others write, and a check that the data are whole.

use std::path::Path;
use std::time::Duration;

use sqlx::Connection;
use sqlx::SqliteConnection;
use sqlx::sqlite::SqliteConnectOptions;

use crate::domain::revision::Revision;
use crate::store::MIGRATOR;
use crate::store::Store;
use crate::store::error::Error;
use crate::store::private_file;
use crate::store::snapshot;

/// Most findings that are listed of one kind.
const N_FINDINGS: i64 = 20;

/// What a check found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkup {
    /// The revision of the data.
    pub revision: Revision,
    /// Encounters that are not taken out.
    pub n_encounters: u64,
    /// Photos that are not taken out.
    pub n_photos: u64,
    /// What is wrong, a line each; empty when the data are whole.
    pub findings: Vec<String>,
}

impl Checkup {
    /// Whether nothing is wrong.
    pub fn is_whole(&self) -> bool {
        self.findings.is_empty()
    }
}

impl Store {
    /// Writes a copy of the whole database to a new file, while others may read and write.
    ///
    /// The copy is of one moment: it holds every commit acknowledged before the call, and of later ones all or nothing.
    ///
    /// # Errors
    /// [`Error`] when the file is there already, or the disk is full; nothing usable is left then.
    pub async fn copy_to(&self, path: &Path) -> Result<(), Error> {
        let mut connection = self.writer_independent().await?;
        let copied = vacuum_into(&mut connection, path).await;
        connection.close().await?;
        copied
    }

    /// Whether the data are whole: pages, foreign keys, revisions, references, hashes.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read at all.
    pub async fn check(&self) -> Result<Checkup, Error> {
        let mut connection = self.readers.acquire().await?;
        check(&mut connection).await
    }

    /// Bytes of the database, and of those how many are unused.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn size_bytes(&self) -> Result<(u64, u64), Error> {
        let mut connection = self.readers.acquire().await?;
        let number = async |connection: &mut SqliteConnection, pragma: &'static str| {
            sqlx::query_scalar::<_, i64>(pragma).fetch_one(connection).await
        };
        let page = number(&mut connection, "PRAGMA page_size").await?;
        let n_pages = number(&mut connection, "PRAGMA page_count").await?;
        let n_unused = number(&mut connection, "PRAGMA freelist_count").await?;
        Ok(((page * n_pages) as u64, (page * n_unused) as u64))
    }

    /// A connection beside the pools, since a copy of a large database takes long and must not hold up a reader or the
    /// writer.
    async fn writer_independent(&self) -> Result<SqliteConnection, Error> {
        // Copying writes to the new file, which a connection that only reads may not.
        let options = self.writer.connect_options().as_ref().clone();
        Ok(SqliteConnection::connect_with(&options).await?)
    }
}

/// Checks a database file that nobody serves, such as a copy. Changes nothing in it.
///
/// # Errors
/// [`Error`] when it cannot be opened, is another program's, or was made by a newer version of this one.
pub async fn check_file(path: &Path) -> Result<Checkup, Error> {
    let options =
        SqliteConnectOptions::new().filename(path).read_only(true).busy_timeout(Duration::from_secs(10));
    let opening = |error| Error::opening(error, path);
    let mut connection = SqliteConnection::connect_with(&options).await.map_err(opening)?;
    let versions: Result<Vec<i64>, sqlx::Error> =
        sqlx::query_scalar("SELECT version FROM _sqlx_migrations ORDER BY version")
            .fetch_all(&mut connection)
            .await;
    let versions = match versions {
        Ok(versions) => versions,
        Err(error) if error.to_string().contains("no such table") => {
            return Err(Error::NotOurs { path: path.to_owned() });
        }
        Err(error) => return Err(opening(error)),
    };
    if let Some(version) = versions.iter().find(|version| !MIGRATOR.version_exists(**version)) {
        return Err(Error::Newer { version: *version });
    }
    let checkup = check(&mut connection).await;
    connection.close().await?;
    checkup
}

/// Whether nobody else has a database open; what a killed server left in its log is folded in.
///
/// Leaving write-ahead logging needs the file to oneself, whether others write or only have it open; the next opening
/// turns it on again. A file that is no database, or too broken to be opened, is open nowhere that matters.
///
/// # Errors
/// [`Error`] when the connection cannot be closed again.
pub async fn is_alone(path: &Path) -> Result<bool, Error> {
    let options = SqliteConnectOptions::new().filename(path).busy_timeout(Duration::from_secs(1));
    let Ok(mut connection) = SqliteConnection::connect_with(&options).await else { return Ok(true) };
    let mode: Result<String, sqlx::Error> =
        sqlx::query_scalar("PRAGMA journal_mode = DELETE").fetch_one(&mut connection).await;
    let is_alone = match mode {
        Ok(mode) => mode == "delete",
        Err(error) => !matches!(Error::from(error), Error::Busy),
    };
    connection.close().await?;
    Ok(is_alone)
}

/// Makes a copy fit to be served again: ends the sessions of its time, among them such as somebody ended since, and notes
/// for administrators that it was put back. One that an earlier version made has neither, and is left as it is.
///
/// # Errors
/// [`Error`] when it cannot be written.
pub async fn put_back_in_service(path: &Path, now_s: i64) -> Result<(), Error> {
    let opening = |error| Error::opening(error, path);
    let options = SqliteConnectOptions::new().filename(path).busy_timeout(Duration::from_secs(10));
    let mut connection = SqliteConnection::connect_with(&options).await.map_err(opening)?;
    let has_accounts: bool = sqlx::query_scalar(
        "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'account_events')",
    )
    .fetch_one(&mut connection)
    .await
    .map_err(opening)?;
    if has_accounts {
        sqlx::query("DELETE FROM sessions").execute(&mut connection).await?;
        sqlx::query(
            "INSERT INTO account_events (at_s, kind, account_name, detail)
             VALUES (?, 'backup restored', '', 'accounts and tokens are as they were then; sessions ended')",
        )
        .bind(now_s)
        .execute(&mut connection)
        .await?;
    }
    Ok(connection.close().await?)
}

/// Copies the database that a connection is of into a new file.
pub(super) async fn vacuum_into(connection: &mut SqliteConnection, path: &Path) -> Result<(), Error> {
    let name = path.to_str().ok_or_else(|| Error::CannotOpen { path: path.to_owned() })?;
    private_file::make(path);
    sqlx::query("VACUUM INTO ?").bind(name).execute(connection).await?;
    Ok(())
}

async fn check(connection: &mut SqliteConnection) -> Result<Checkup, Error> {
    let mut findings: Vec<String> = Vec::new();
    let pages: Vec<String> =
        sqlx::query_scalar("PRAGMA integrity_check(20)").fetch_all(&mut *connection).await?;
    findings.extend(pages.into_iter().filter(|line| line != "ok").map(|line| format!("pages: {line}")));
    let keys: Vec<(String, Option<i64>, String, i64)> =
        sqlx::query_as("PRAGMA foreign_key_check").fetch_all(&mut *connection).await?;
    findings.extend(keys.into_iter().take(N_FINDINGS as usize).map(|(table, row, parent, _)| {
        format!("table {table}, row {}: what it refers to is not in {parent}", row.unwrap_or(0))
    }));
    break_rules(connection, RULES, &mut findings).await?;
    // A database that an earlier version made has no pictures.
    let has_pictures: i64 = sqlx::query_scalar(
        "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'photo_bytes'",
    )
    .fetch_one(&mut *connection)
    .await?;
    if has_pictures > 0 {
        break_rules(connection, PHOTO_RULES, &mut findings).await?;
        altered_pictures(connection, &mut findings).await?;
    }
    let n_photos: i64 = sqlx::query_scalar("SELECT count(*) FROM photos WHERE removed_revision IS NULL")
        .fetch_one(&mut *connection)
        .await?;
    let n_encounters: i64 =
        sqlx::query_scalar("SELECT count(*) FROM encounters WHERE removed_revision IS NULL")
            .fetch_one(&mut *connection)
            .await?;
    let revision = snapshot::revision(connection).await?;
    Ok(Checkup { revision, n_encounters: n_encounters as u64, n_photos: n_photos as u64, findings })
}

async fn break_rules(
    connection: &mut SqliteConnection,
    rules: &[(&str, &'static str)],
    findings: &mut Vec<String>,
) -> Result<(), Error> {
    for (words, statement) in rules {
        let rows: Vec<i64> =
            sqlx::query_scalar(*statement).bind(N_FINDINGS).fetch_all(&mut *connection).await?;
        findings.extend(rows.into_iter().map(|row| format!("{words}: row {row}")));
    }
    Ok(())
}

/// Pictures whose bytes are not those that they are named by. One is read at a time, so that memory does not grow.
async fn altered_pictures(
    connection: &mut SqliteConnection,
    findings: &mut Vec<String>,
) -> Result<(), Error> {
    let mut last = i64::MIN;
    let mut n_found = 0;
    loop {
        let next: Option<(i64, String, Vec<u8>)> = sqlx::query_as(
            "SELECT rowid, blake3, bytes FROM photo_bytes WHERE rowid > ? ORDER BY rowid LIMIT 1",
        )
        .bind(last)
        .fetch_optional(&mut *connection)
        .await?;
        let Some((row, blake3, bytes)) = next else { return Ok(()) };
        if blake3::hash(&bytes).to_hex().as_str() != blake3 {
            findings.push(format!("pictures: bytes that do not fit their hash: row {row}"));
            n_found += 1;
        }
        if n_found == N_FINDINGS {
            return Ok(());
        }
        last = row;
    }
}

/// Rules that no constraint of the database can hold, each with the rows that break it.
const RULES: &[(&str, &str)] = &[
    (
        "the data revision is not the last one committed",
        "SELECT revision FROM data_revision
         WHERE revision <> (SELECT coalesce(max(revision), 0) FROM revisions) LIMIT ?",
    ),
    ("revisions: committed out of order", "SELECT revision FROM revisions WHERE revision < 1 LIMIT ?"),
    (
        "encounters: touched by a revision that was never committed",
        "SELECT id FROM encounters WHERE revision NOT IN (SELECT revision FROM revisions)
            OR removed_revision NOT IN (SELECT revision FROM revisions) LIMIT ?",
    ),
    (
        "files: a hash that is none",
        "SELECT id FROM files WHERE length(blake3) <> 64 OR blake3 GLOB '*[^0-9a-f]*' LIMIT ?",
    ),
    (
        "photos: of no encounter",
        "SELECT id FROM photos WHERE encounter_id IS NULL OR encounter_id NOT IN (SELECT id FROM encounters) LIMIT ?",
    ),
];

/// The same for the tables of pictures.
const PHOTO_RULES: &[(&str, &str)] = &[
    (
        "photos: the picture is missing",
        "SELECT id FROM photos WHERE blake3 NOT IN (SELECT blake3 FROM photo_bytes) LIMIT ?",
    ),
    (
        "photos: the thumbnail is missing",
        "SELECT id FROM photos WHERE thumbnail_blake3 NOT IN (SELECT blake3 FROM photo_bytes) LIMIT ?",
    ),
    (
        "photos: touched by a revision that was never committed",
        "SELECT id FROM photos WHERE revision NOT IN (SELECT revision FROM revisions)
            OR removed_revision NOT IN (SELECT revision FROM revisions) LIMIT ?",
    ),
    (
        "pictures: of no photo",
        "SELECT rowid FROM photo_bytes WHERE blake3 NOT IN
            (SELECT blake3 FROM photos UNION SELECT thumbnail_blake3 FROM photos) LIMIT ?",
    ),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::testing::TestStore;

    #[tokio::test]
    async fn a_copy_holds_everything_and_is_whole() {
        let test = TestStore::new().await;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("copy's.db");
        test.store.copy_to(&path).await.unwrap();
        let checkup = check_file(&path).await.unwrap();
        assert!(checkup.is_whole(), "{checkup:?}");
        assert_eq!(checkup.revision, test.store.revision().await.unwrap());
        // A copy never writes over a file.
        assert!(test.store.copy_to(&path).await.is_err());
        assert!(test.store.check().await.unwrap().is_whole());
        let (n_bytes, n_unused) = test.store.size_bytes().await.unwrap();
        assert!(n_bytes > n_unused);
    }

    #[tokio::test]
    async fn what_is_broken_is_said() {
        let test = TestStore::new().await;
        let mut connection = test.store.writer.acquire().await.unwrap();
        sqlx::query("PRAGMA foreign_keys = OFF").execute(&mut *connection).await.unwrap();
        sqlx::query("UPDATE data_revision SET revision = 99").execute(&mut *connection).await.unwrap();
        sqlx::query("INSERT INTO settings (area_id, key, value, revision) VALUES (77, 'a', 'b', 1)")
            .execute(&mut *connection)
            .await
            .unwrap();
        drop(connection);
        let checkup = test.store.check().await.unwrap();
        let says = |words: &str| checkup.findings.iter().any(|line| line.contains(words));
        assert!(says("not the last one committed") && says("settings"), "{checkup:?}");
    }

    #[tokio::test]
    async fn other_files_are_no_copies() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.db");
        assert!(check_file(&path).await.is_err());
        let mut other = SqliteConnection::connect_with(
            &SqliteConnectOptions::new().filename(&path).create_if_missing(true),
        )
        .await
        .unwrap();
        sqlx::query("CREATE TABLE notes (words TEXT)").execute(&mut other).await.unwrap();
        other.close().await.unwrap();
        assert!(matches!(check_file(&path).await, Err(Error::NotOurs { .. })));
    }
}
