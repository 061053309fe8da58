//! One-time links: to make an account, or to set a new password for one.

use sqlx::Sqlite;
use sqlx::Transaction;

use crate::domain::account::Grants;
use crate::domain::account::Role;
use crate::domain::ids::AccountId;
use crate::store::Store;
use crate::store::accounts::AccountChange;
use crate::store::accounts::AccountDraft;
use crate::store::accounts::change_password;
use crate::store::accounts::events;
use crate::store::accounts::insert_account;
use crate::store::error::Error;
use crate::store::error::stored;

/// An invitation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invitation {
    /// The account that gets a new password; none when an account is to be made.
    pub account_id: Option<AccountId>,
    /// The name of the account.
    pub name: String,
    /// Its role.
    pub role: Role,
    /// What is granted beyond it.
    pub grants: Grants,
    /// Who invited.
    pub created_by: String,
    /// When it ends, seconds since 1970-01-01T00:00:00Z.
    pub expires_at_s: i64,
}

/// What became of an invitation that was taken up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Invited {
    /// The account is there, with the password.
    Taken,
    /// The link was used before, has ended, or never was.
    NoInvitation,
    /// The name was taken by another account meanwhile.
    NameTaken,
}

impl Store {
    /// Keeps an invitation under the hash of its token. Earlier links for the same account or name end with it.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn invite(&self, token_hash: &str, invitation: &Invitation, now_s: i64) -> Result<(), Error> {
        let mut transaction = self.account_write().await?;
        let account_id = invitation.account_id.map(|id| id.0);
        let (role, grants) = (invitation.role.term(), invitation.grants);
        sqlx::query!(
            "UPDATE invitations SET used_at_s = ?1
             WHERE used_at_s IS NULL AND (account_id = ?2 OR (account_id IS NULL AND name = ?3 COLLATE NOCASE))",
            now_s,
            account_id,
            invitation.name
        )
        .execute(&mut *transaction)
        .await?;
        sqlx::query!(
            "INSERT INTO invitations (token_hash, account_id, name, role, sees_exact, sees_health, created_at_s, created_by,
                expires_at_s)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            token_hash,
            account_id,
            invitation.name,
            role,
            grants.sees_exact,
            grants.sees_health,
            now_s,
            invitation.created_by,
            invitation.expires_at_s
        )
        .execute(&mut *transaction)
        .await?;
        let words = format!("{role}, by {}", invitation.created_by);
        events::record(&mut transaction, now_s, "invited", &invitation.name, &words).await?;
        Ok(transaction.commit().await?)
    }

    /// An invitation that can still be taken up.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn invitation(&self, token_hash: &str, now_s: i64) -> Result<Option<Invitation>, Error> {
        let row = sqlx::query!(
            "SELECT account_id, name, role, sees_exact, sees_health, created_by, expires_at_s
             FROM invitations WHERE token_hash = ? AND used_at_s IS NULL AND expires_at_s > ?",
            token_hash,
            now_s
        )
        .fetch_optional(&self.readers)
        .await?;
        row.map(|row| {
            Ok(Invitation {
                account_id: row.account_id.map(AccountId),
                name: row.name,
                role: stored(row.role.parse(), "invitations", "role", 0)?,
                grants: Grants { sees_exact: row.sees_exact == 1, sees_health: row.sees_health == 1 },
                created_by: row.created_by,
                expires_at_s: row.expires_at_s,
            })
        })
        .transpose()
    }

    /// Takes up an invitation: makes the account, or sets the new password. It works once, however many try at once.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn take_invitation(
        &self,
        token_hash: &str,
        password_hash: &str,
        now_s: i64,
    ) -> Result<Invited, Error> {
        let Some(invitation) = self.invitation(token_hash, now_s).await? else {
            return Ok(Invited::NoInvitation);
        };
        let mut transaction = self.account_write().await?;
        let used = sqlx::query!(
            "UPDATE invitations SET used_at_s = ? WHERE token_hash = ? AND used_at_s IS NULL",
            now_s,
            token_hash
        )
        .execute(&mut *transaction)
        .await?;
        if used.rows_affected() == 0 {
            return Ok(Invited::NoInvitation);
        }
        match invitation.account_id {
            Some(id) => change_password(&mut transaction, id, password_hash, now_s).await?,
            None => {
                let draft = AccountDraft {
                    name: invitation.name.clone(),
                    role: invitation.role,
                    grants: invitation.grants,
                    password_hash: password_hash.to_owned(),
                    created_by: invitation.created_by,
                };
                if insert_account(&mut transaction, &draft, now_s).await? == AccountChange::NameTaken {
                    return Ok(Invited::NameTaken);
                }
            }
        }
        events::record(&mut transaction, now_s, "invitation taken up", &invitation.name, "").await?;
        transaction.commit().await?;
        Ok(Invited::Taken)
    }
}

/// Ends the links that set a new password for an account: whoever has an old one must not undo what was done since.
pub(super) async fn end_of(
    transaction: &mut Transaction<'static, Sqlite>,
    account: AccountId,
    now_s: i64,
) -> Result<(), Error> {
    sqlx::query!(
        "UPDATE invitations SET used_at_s = ? WHERE used_at_s IS NULL AND account_id = ?",
        now_s,
        account.0
    )
    .execute(&mut **transaction)
    .await?;
    Ok(())
}

/// Ends the links that somebody made who may make none any more: one of them could make an administrator.
pub(super) async fn end_by(
    transaction: &mut Transaction<'static, Sqlite>,
    name: &str,
    now_s: i64,
) -> Result<(), Error> {
    sqlx::query!(
        "UPDATE invitations SET used_at_s = ? WHERE used_at_s IS NULL AND created_by = ? COLLATE NOCASE",
        now_s,
        name
    )
    .execute(&mut **transaction)
    .await?;
    Ok(())
}
