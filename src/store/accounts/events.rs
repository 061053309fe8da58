//! What happened to accounts: sign-ins, failures, changes.

use sqlx::Sqlite;
use sqlx::Transaction;

use crate::store::Store;
use crate::store::accounts::pending::Change;
use crate::store::error::Error;

/// How long events are kept: a year, in seconds.
const KEPT_S: i64 = 366 * 86_400;
/// How many are kept at most, so that failures cannot fill the disk.
const N_KEPT: i64 = 100_000;
/// The longest name of an account, characters.
const LONGEST_NAME: usize = 80;

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
    /// Records that something happened. Forgets what is older than a year.
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
        record_and_forget(&mut transaction, now_s, kind, account_name, detail).await?;
        Ok(transaction.commit().await?)
    }

    /// Records that somebody failed to sign in, or will when another write has ended. Of more failures meanwhile than there
    /// is room for, the log alone tells.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn record_failed_sign_in(&self, now_s: i64, name: &str) -> Result<(), Error> {
        let name = name.chars().take(LONGEST_NAME).collect();
        match self.put_in_force(Change::FailedSignIn { name, at_s: now_s }).await {
            Err(Error::Busy) => {
                tracing::warn!("more sign-ins failed during a long write than are kept");
                Ok(())
            }
            outcome => outcome,
        }
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

    /// When an event of a kind last happened; none when it never did.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn last_account_event(&self, kind: &str) -> Result<Option<i64>, Error> {
        let at_s = sqlx::query_scalar!(
            r#"SELECT max(at_s) AS "at_s: i64" FROM account_events WHERE kind = ?"#,
            kind
        )
        .fetch_one(&self.readers)
        .await?;
        Ok(at_s)
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

/// Records what happened, and forgets what is older than a year.
pub(super) async fn record_and_forget(
    transaction: &mut Transaction<'static, Sqlite>,
    now_s: i64,
    kind: &str,
    account_name: &str,
    detail: &str,
) -> Result<(), Error> {
    record(transaction, now_s, kind, account_name, detail).await?;
    let oldest_s = now_s - KEPT_S;
    sqlx::query!(
        "DELETE FROM account_events WHERE at_s < ? OR id <= (SELECT max(id) FROM account_events) - ?",
        oldest_s,
        N_KEPT
    )
    .execute(&mut **transaction)
    .await?;
    Ok(())
}

pub(super) async fn record(
    transaction: &mut Transaction<'static, Sqlite>,
    now_s: i64,
    kind: &str,
    account_name: &str,
    detail: &str,
) -> Result<(), Error> {
    // A name that was typed may be anything, a password included: keep no more than a name can be.
    let account_name: String = account_name.chars().take(LONGEST_NAME).collect();
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
