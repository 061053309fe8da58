//! What happened to accounts: sign-ins, failures, changes.

use sqlx::Sqlite;
use sqlx::Transaction;

use crate::store::Store;
use crate::store::error::Error;

/// How long events are kept: a year, in seconds.
const KEPT_S: i64 = 366 * 86_400;
/// How many are kept at most, so that failures cannot fill the disk.
const N_KEPT: i64 = 100_000;

/// One thing that happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccountEvent {
    /// When, seconds since 1970-01-01T00:00:00Z.
    pub at_s: i64,
    /// What.
    pub kind: String,
    /// The account's name as it was given.
    pub account_name: String,
    /// More words; may be empty.
    pub detail: String,
}

impl Store {
    /// Records that somebody failed to sign in. Forgets what is older than a year.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn record_account_event(
        &self,
        now_s: i64,
        kind: &str,
        account_name: &str,
        detail: &str,
    ) -> Result<(), Error> {
        let mut transaction = self.account_write().await?;
        record(&mut transaction, now_s, kind, account_name, detail).await?;
        let oldest_s = now_s - KEPT_S;
        sqlx::query!(
            "DELETE FROM account_events WHERE at_s < ? OR id <= (SELECT max(id) FROM account_events) - ?",
            oldest_s,
            N_KEPT
        )
        .execute(&mut *transaction)
        .await?;
        Ok(transaction.commit().await?)
    }

    /// The latest events, newest first.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn account_events(&self, n_most: u32) -> Result<Vec<AccountEvent>, Error> {
        let n_most = i64::from(n_most);
        let rows = sqlx::query_as!(
            AccountEvent,
            "SELECT at_s, kind, account_name, detail FROM account_events ORDER BY id DESC LIMIT ?",
            n_most
        )
        .fetch_all(&self.readers)
        .await?;
        Ok(rows)
    }

    /// How many sign-ins failed since an instant.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn n_failed_sign_ins(&self, since_s: i64) -> Result<u64, Error> {
        let count = sqlx::query_scalar!(
            r#"SELECT count(*) AS "n: i64" FROM account_events WHERE kind = 'sign-in failed' AND at_s >= ?"#,
            since_s
        )
        .fetch_one(&self.readers)
        .await?;
        Ok(count as u64)
    }
}

pub(super) async fn record(
    transaction: &mut Transaction<'static, Sqlite>,
    now_s: i64,
    kind: &str,
    account_name: &str,
    detail: &str,
) -> Result<(), Error> {
    // A name that was typed may be anything, a password included: keep no more than a name can be.
    let account_name: String = account_name.chars().take(80).collect();
    sqlx::query!(
        "INSERT INTO account_events (at_s, kind, account_name, detail) VALUES (?, ?, ?, ?)",
        now_s,
        kind,
        account_name,
        detail
    )
    .execute(&mut **transaction)
    .await?;
    Ok(())
}
