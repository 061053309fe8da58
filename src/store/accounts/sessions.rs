//! Sessions: who is signed in, until when.

use std::time::Duration;

use sqlx::Sqlite;
use sqlx::Transaction;

use crate::domain::account::Account;
use crate::domain::ids::AccountId;
use crate::store::Store;
use crate::store::accounts::AccountRow;
use crate::store::accounts::events;
use crate::store::accounts::pending::Change;
use crate::store::error::Error;

/// How long a session lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionLimits {
    /// Seconds without a request after which it ends.
    pub idle_s: i64,
    /// Seconds after which it ends whatever happens.
    pub absolute_s: i64,
}

impl Default for SessionLimits {
    /// Twelve hours without a request; seven days.
    fn default() -> Self {
        Self { idle_s: 12 * 3600, absolute_s: 7 * 86_400 }
    }
}

/// How often a session's last request is written down; more often would only keep the disk busy.
const SEEN_EVERY_S: i64 = 300;
/// How long a request waits for that at most.
const LONGEST_TOUCH: Duration = Duration::from_millis(100);

impl Store {
    /// Begins a session, and ends the one the browser had before, so that no token outlives a sign-in. While another write
    /// takes long it is kept in memory, and written after it.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn begin_session(
        &self,
        account: &Account,
        token_hash: &str,
        former_hash: Option<&str>,
        now_s: i64,
    ) -> Result<(), Error> {
        self.put_in_force(Change::BeginSession {
            account: account.clone(),
            token_hash: token_hash.to_owned(),
            former: former_hash.map(str::to_owned),
            at_s: now_s,
        })
        .await
    }

    /// The account of a session that has not ended; none otherwise, nor for a disabled account.
    ///
    /// A clock that went back makes a session younger, never older than it may be by more than the step.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn session_account(
        &self,
        token_hash: &str,
        limits: SessionLimits,
        now_s: i64,
    ) -> Result<Option<Account>, Error> {
        let (idle_since_s, made_since_s) = (now_s - limits.idle_s, now_s - limits.absolute_s);
        let pending = self.pending();
        if let Some((place, id, at_s)) = pending.begun(token_hash) {
            let has_ended = at_s <= idle_since_s || at_s <= made_since_s;
            if has_ended || pending.have_ended(token_hash, id, Some(place)) {
                return Ok(None);
            }
            let found = self.accounts().await?.into_iter().find(|account| account.id == id);
            return Ok(found.filter(|account| account.disabled_at_s.is_none()));
        }
        let row = sqlx::query!(
            r#"SELECT a.id AS "id!", a.name, a.role, a.sees_exact, a.sees_health, a.created_at_s, a.disabled_at_s,
                s.seen_at_s
             FROM sessions s JOIN accounts a ON a.id = s.account_id
             WHERE s.token_hash = ? AND s.seen_at_s > ? AND s.created_at_s > ? AND a.disabled_at_s IS NULL"#,
            token_hash,
            idle_since_s,
            made_since_s
        )
        .fetch_optional(&self.readers)
        .await?;
        let Some(row) = row else { return Ok(None) };
        if pending.have_ended(token_hash, AccountId(row.id), None) {
            return Ok(None);
        }
        if now_s - row.seen_at_s > SEEN_EVERY_S {
            self.touch_session(token_hash, now_s).await;
        }
        let account = AccountRow {
            id: row.id,
            name: row.name,
            role: row.role,
            sees_exact: row.sees_exact,
            sees_health: row.sees_health,
            created_at_s: row.created_at_s,
            disabled_at_s: row.disabled_at_s,
        };
        Ok(Some(pending.applied_to(account.try_into()?)))
    }

    /// Writes down that a session is in use, unless another writer holds the database: no reader waits for that.
    async fn touch_session(&self, token_hash: &str, now_s: i64) {
        let touch = async {
            let mut connection = self.writer.acquire().await?;
            sqlx::query!("UPDATE sessions SET seen_at_s = ? WHERE token_hash = ?", now_s, token_hash)
                .execute(&mut *connection)
                .await
        };
        match tokio::time::timeout(LONGEST_TOUCH, touch).await {
            Ok(Ok(_)) | Err(_) => {}
            Ok(Err(error)) => tracing::warn!(%error, "the last use of a session was not written down"),
        }
    }

    /// Ends one session, at once.
    ///
    /// # Errors
    /// [`Error::NotWritten`] when another write takes long; [`Error`] when the database cannot be written.
    pub async fn end_session(&self, token_hash: &str) -> Result<(), Error> {
        let change = Change::EndSession { token_hash: token_hash.to_owned() };
        self.put_in_force_and_write(change).await.map(drop)
    }

    /// Ends every session of an account, at once.
    ///
    /// # Errors
    /// [`Error::NotWritten`] when another write takes long; [`Error`] when the database cannot be written.
    pub async fn end_all_sessions(&self, account: &Account, now_s: i64) -> Result<(), Error> {
        let change = Change::EndAllSessions { account: account.clone(), at_s: now_s };
        self.put_in_force_and_write(change).await.map(drop)
    }
}

pub(super) async fn begin(
    transaction: &mut Transaction<'static, Sqlite>,
    account: &Account,
    token_hash: &str,
    former_hash: Option<&str>,
    now_s: i64,
) -> Result<(), Error> {
    if let Some(former) = former_hash {
        end(transaction, former).await?;
    }
    // Sessions long past their end are forgotten here, so that the table does not grow.
    let oldest_s = now_s - SessionLimits::default().absolute_s;
    sqlx::query!("DELETE FROM sessions WHERE created_at_s < ?", oldest_s).execute(&mut **transaction).await?;
    sqlx::query!(
        "INSERT INTO sessions (token_hash, account_id, created_at_s, seen_at_s) VALUES (?, ?, ?, ?)",
        token_hash,
        account.id.0,
        now_s,
        now_s
    )
    .execute(&mut **transaction)
    .await?;
    events::record(transaction, now_s, "signed in", &account.name, "").await
}

pub(super) async fn end(
    transaction: &mut Transaction<'static, Sqlite>,
    token_hash: &str,
) -> Result<(), Error> {
    sqlx::query!("DELETE FROM sessions WHERE token_hash = ?", token_hash).execute(&mut **transaction).await?;
    Ok(())
}

pub(super) async fn end_all(
    transaction: &mut Transaction<'static, Sqlite>,
    id: AccountId,
) -> Result<(), Error> {
    sqlx::query!("DELETE FROM sessions WHERE account_id = ?", id.0).execute(&mut **transaction).await?;
    Ok(())
}
