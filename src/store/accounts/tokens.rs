//! Tokens for scripts and GIS clients.

use sqlx::Sqlite;
use sqlx::Transaction;

use crate::domain::account::Account;
use crate::domain::account::Scope;
use crate::domain::ids::AccountId;
use crate::domain::ids::ApiTokenId;
use crate::store::Store;
use crate::store::accounts::AccountRow;
use crate::store::accounts::events;
use crate::store::accounts::pending::Change;
use crate::store::error::Error;
use crate::store::error::stored;

/// A token before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ApiTokenDraft {
    /// What it is for, 1 to 80 characters.
    pub label: String,
    /// What it may be used for.
    pub scope: Scope,
    /// When it ends, seconds since 1970-01-01T00:00:00Z.
    pub expires_at_s: i64,
}

/// A stored token; the token itself was shown once and is nowhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ApiToken {
    /// The stored row.
    pub id: ApiTokenId,
    /// What was given.
    pub given: ApiTokenDraft,
    /// When it was made.
    pub created_at_s: i64,
    /// When it was revoked; none while it may be used.
    pub revoked_at_s: Option<i64>,
}

impl Store {
    /// Keeps a token under its hash.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn add_api_token(
        &self,
        account: &Account,
        token_hash: &str,
        draft: &ApiTokenDraft,
        now_s: i64,
    ) -> Result<(), Error> {
        let mut transaction = self.account_write().await?;
        let scope = draft.scope.term();
        sqlx::query!(
            "INSERT INTO api_tokens (token_hash, account_id, label, scope, created_at_s, expires_at_s)
             VALUES (?, ?, ?, ?, ?, ?)",
            token_hash,
            account.id.0,
            draft.label,
            scope,
            now_s,
            draft.expires_at_s
        )
        .execute(&mut *transaction)
        .await?;
        let words = format!("{}, {scope}", draft.label);
        events::record(&mut transaction, now_s, "token made", &account.name, &words).await?;
        Ok(transaction.commit().await?)
    }

    /// The account and scope of a token that may be used now.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn api_token_account(
        &self,
        token_hash: &str,
        now_s: i64,
    ) -> Result<Option<(Account, Scope)>, Error> {
        let pending = self.pending();
        let row = sqlx::query!(
            r#"SELECT a.id AS "id!", a.name, a.role, a.sees_exact, a.sees_health, a.created_at_s, a.disabled_at_s, t.scope,
                t.id AS "token_id!"
             FROM api_tokens t JOIN accounts a ON a.id = t.account_id
             WHERE t.token_hash = ? AND t.expires_at_s > ? AND t.revoked_at_s IS NULL AND a.disabled_at_s IS NULL"#,
            token_hash,
            now_s
        )
        .fetch_optional(&self.readers)
        .await?;
        let Some(row) = row else { return Ok(None) };
        if pending.revoked_at_s(ApiTokenId(row.token_id), AccountId(row.id)).is_some() {
            return Ok(None);
        }
        let scope = stored(row.scope.parse(), "api_tokens", "scope", row.token_id)?;
        let account = AccountRow {
            id: row.id,
            name: row.name,
            role: row.role,
            sees_exact: row.sees_exact,
            sees_health: row.sees_health,
            created_at_s: row.created_at_s,
            disabled_at_s: row.disabled_at_s,
        };
        Ok(Some((pending.applied_to(account.try_into()?), scope)))
    }

    /// The tokens of an account, newest first.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn api_tokens(&self, account: AccountId) -> Result<Vec<ApiToken>, Error> {
        let pending = self.pending();
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", label, scope, created_at_s, expires_at_s, revoked_at_s
             FROM api_tokens WHERE account_id = ? ORDER BY id DESC"#,
            account.0
        )
        .fetch_all(&self.readers)
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(ApiToken {
                    id: ApiTokenId(row.id),
                    given: ApiTokenDraft {
                        label: row.label,
                        scope: stored(row.scope.parse(), "api_tokens", "scope", row.id)?,
                        expires_at_s: row.expires_at_s,
                    },
                    created_at_s: row.created_at_s,
                    revoked_at_s: row.revoked_at_s.or(pending.revoked_at_s(ApiTokenId(row.id), account)),
                })
            })
            .collect()
    }

    /// Revokes a token of an account, at once; one revoked before stays as it is.
    ///
    /// # Errors
    /// [`Error::Missing`] when the account has no such token; [`Error::NotWritten`] when another write takes long;
    /// [`Error`] when the database cannot be written.
    pub async fn revoke_api_token(&self, account: &Account, id: ApiTokenId, now_s: i64) -> Result<(), Error> {
        // Looked at before, so that nobody revokes the token of another account until the write finds it out.
        if !self.api_tokens(account.id).await?.iter().any(|token| token.id == id) {
            return Err(Error::Missing { what: "token", id: id.0 });
        }
        let change = Change::RevokeToken { account: account.clone(), id, at_s: now_s };
        self.put_in_force_and_write(change).await.map(drop)
    }
}

pub(super) async fn revoke(
    transaction: &mut Transaction<'static, Sqlite>,
    account: AccountId,
    id: ApiTokenId,
    now_s: i64,
) -> Result<(), Error> {
    sqlx::query!(
        "UPDATE api_tokens SET revoked_at_s = coalesce(revoked_at_s, ?) WHERE id = ? AND account_id = ?",
        now_s,
        id.0,
        account.0
    )
    .execute(&mut **transaction)
    .await?;
    Ok(())
}

pub(super) async fn revoke_all(
    transaction: &mut Transaction<'static, Sqlite>,
    account: AccountId,
    now_s: i64,
) -> Result<(), Error> {
    sqlx::query!(
        "UPDATE api_tokens SET revoked_at_s = ? WHERE account_id = ? AND revoked_at_s IS NULL",
        now_s,
        account.0
    )
    .execute(&mut **transaction)
    .await?;
    Ok(())
}
