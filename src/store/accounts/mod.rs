//! Accounts and what belongs to them. Nothing here is data about snakes, so nothing raises the data revision.
//!
//! Invariant: no secret is stored. Passwords are kept as argon2id strings, tokens as hashes, both made by the caller.

mod events;
mod invitations;
mod pending;
mod sessions;
#[cfg(test)]
mod tests;
mod tokens;

use sqlx::Sqlite;
use sqlx::Transaction;

use crate::domain::account::Account;
use crate::domain::account::Grants;
use crate::domain::account::Right;
use crate::domain::account::Role;
use crate::domain::account::allows;
use crate::domain::ids::AccountId;
use crate::store::Store;
use crate::store::accounts::pending::Change;
use crate::store::error::Error;
use crate::store::error::stored;

pub use crate::store::accounts::events::AccountEvent;
pub use crate::store::accounts::invitations::Invitation;
pub use crate::store::accounts::invitations::Invited;
pub(in crate::store) use crate::store::accounts::pending::Pending;
pub use crate::store::accounts::sessions::SessionLimits;
pub use crate::store::accounts::tokens::ApiToken;
pub use crate::store::accounts::tokens::ApiTokenDraft;

/// An account before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccountDraft {
    /// The name, 1 to 80 characters.
    pub name: String,
    /// The role.
    pub role: Role,
    /// What is granted beyond it.
    pub grants: Grants,
    /// The password as an argon2id string.
    pub password_hash: String,
    /// Who made it.
    pub created_by: String,
}

/// Whether a change of an account was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AccountChange {
    /// It was.
    Made,
    /// The name belongs to another account.
    NameTaken,
    /// It would have left the server without an administrator who can sign in.
    LastAdministrator,
}

struct AccountRow {
    id: i64,
    name: String,
    role: String,
    sees_exact: i64,
    sees_health: i64,
    created_at_s: i64,
    disabled_at_s: Option<i64>,
}

impl TryFrom<AccountRow> for Account {
    type Error = Error;

    fn try_from(row: AccountRow) -> Result<Self, Error> {
        Ok(Self {
            id: AccountId(row.id),
            role: stored(row.role.parse(), "accounts", "role", row.id)?,
            name: row.name,
            grants: Grants { sees_exact: row.sees_exact == 1, sees_health: row.sees_health == 1 },
            created_at_s: row.created_at_s,
            disabled_at_s: row.disabled_at_s,
        })
    }
}

impl Store {
    /// Whether there is any account, disabled ones included.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn has_accounts(&self) -> Result<bool, Error> {
        let found = sqlx::query_scalar!(r#"SELECT EXISTS (SELECT 1 FROM accounts) AS "found: bool""#)
            .fetch_one(&self.readers)
            .await?;
        Ok(found)
    }

    /// All accounts by name.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn accounts(&self) -> Result<Vec<Account>, Error> {
        let pending = self.pending();
        let rows = sqlx::query_as!(
            AccountRow,
            r#"SELECT id AS "id!", name, role, sees_exact, sees_health, created_at_s, disabled_at_s
             FROM accounts ORDER BY name COLLATE NOCASE"#
        )
        .fetch_all(&self.readers)
        .await?;
        rows.into_iter()
            .map(|row| Account::try_from(row).map(|account| pending.applied_to(account)))
            .collect()
    }

    /// An account by its name, whatever its capitals, and its argon2id string.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn account_to_sign_in(&self, name: &str) -> Result<Option<(Account, String)>, Error> {
        let pending = self.pending();
        let row = sqlx::query!(
            r#"SELECT id AS "id!", name, role, sees_exact, sees_health, created_at_s, disabled_at_s, password_hash
             FROM accounts WHERE name = ? COLLATE NOCASE"#,
            name
        )
        .fetch_optional(&self.readers)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let account = AccountRow {
            id: row.id,
            name: row.name,
            role: row.role,
            sees_exact: row.sees_exact,
            sees_health: row.sees_health,
            created_at_s: row.created_at_s,
            disabled_at_s: row.disabled_at_s,
        };
        let account = pending.applied_to(account.try_into()?);
        let password_hash = pending.password_hash(account.id).map_or(row.password_hash, str::to_owned);
        Ok(Some((account, password_hash)))
    }

    /// Adds an account.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn add_account(&self, draft: &AccountDraft, now_s: i64) -> Result<AccountChange, Error> {
        let mut transaction = self.account_write().await?;
        let change = insert_account(&mut transaction, draft, now_s).await?;
        if change == AccountChange::Made {
            events::record(&mut transaction, now_s, "account made", &draft.name, draft.role.term()).await?;
        }
        transaction.commit().await?;
        Ok(change)
    }

    /// Changes role and grants of an account. They hold at once, however long another write takes.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such account; [`Error::NotWritten`] when another write takes long;
    /// [`Error`] when the database cannot be written.
    pub async fn change_account(
        &self,
        id: AccountId,
        (role, grants): (Role, Grants),
        by: &str,
        now_s: i64,
    ) -> Result<AccountChange, Error> {
        if self.is_last_administrator(id).await? && role != Role::Administrator {
            return Ok(AccountChange::LastAdministrator);
        }
        let change = Change::SetRights { id, rights: (role, grants), by: by.to_owned(), at_s: now_s };
        self.put_in_force_and_write(change).await
    }

    /// Whether no other account could administer without this one.
    ///
    /// Looked at before a change is in force, so that the last administrator is not shut out until the write finds it out.
    async fn is_last_administrator(&self, id: AccountId) -> Result<bool, Error> {
        let accounts = self.accounts().await?;
        if !accounts.iter().any(|account| account.id == id) {
            return Err(Error::Missing { what: "account", id: id.0 });
        }
        Ok(!accounts.iter().any(|account| account.id != id && account.may(Right::Administer)))
    }

    /// Disables an account and ends its sessions and tokens, or lets it sign in again. It is shut out at once, however long
    /// another write takes.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such account; [`Error::NotWritten`] when another write takes long;
    /// [`Error`] when the database cannot be written.
    pub async fn disable_account(
        &self,
        id: AccountId,
        disabled_at_s: Option<i64>,
        by: &str,
        now_s: i64,
    ) -> Result<AccountChange, Error> {
        if self.is_last_administrator(id).await? && disabled_at_s.is_some() {
            return Ok(AccountChange::LastAdministrator);
        }
        let change = Change::SetDisabled { id, disabled_at_s, by: by.to_owned(), at_s: now_s };
        self.put_in_force_and_write(change).await
    }

    /// Sets a new password, ends every session of the account and revokes its tokens, at once.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such account; [`Error::NotWritten`] when another write takes long;
    /// [`Error`] when the database cannot be written.
    pub async fn set_password(&self, id: AccountId, password_hash: &str, now_s: i64) -> Result<(), Error> {
        let change = Change::SetPassword { id, password_hash: password_hash.to_owned(), at_s: now_s };
        self.put_in_force_and_write(change).await.map(drop)
    }

    /// Begins a write of what does not hold before it is written, after what holds already.
    async fn account_write(&self) -> Result<Transaction<'static, Sqlite>, Error> {
        if !self.catch_up().await? {
            return Err(Error::Busy);
        }
        Ok(self.writer.begin_with("BEGIN IMMEDIATE").await?)
    }
}

async fn set_rights(
    transaction: &mut Transaction<'static, Sqlite>,
    id: AccountId,
    (role, grants): (Role, Grants),
    by: &str,
    now_s: i64,
) -> Result<AccountChange, Error> {
    let name = account_name(transaction, id).await?;
    let (term, exact, health) = (role.term(), grants.sees_exact, grants.sees_health);
    sqlx::query!(
        "UPDATE accounts SET role = ?, sees_exact = ?, sees_health = ? WHERE id = ?",
        term,
        exact,
        health,
        id.0
    )
    .execute(&mut **transaction)
    .await?;
    if !has_administrator(transaction).await? {
        return Ok(AccountChange::LastAdministrator);
    }
    if !allows(role, grants, Right::Administer) {
        invitations::end_by(transaction, &name, now_s).await?;
    }
    let words = format!("{term}, exact places {exact}, reported bites {health}, by {by}");
    events::record(transaction, now_s, "rights changed", &name, &words).await?;
    Ok(AccountChange::Made)
}

async fn set_disabled(
    transaction: &mut Transaction<'static, Sqlite>,
    id: AccountId,
    disabled_at_s: Option<i64>,
    by: &str,
    now_s: i64,
) -> Result<AccountChange, Error> {
    let name = account_name(transaction, id).await?;
    sqlx::query!("UPDATE accounts SET disabled_at_s = ? WHERE id = ?", disabled_at_s, id.0)
        .execute(&mut **transaction)
        .await?;
    if !has_administrator(transaction).await? {
        return Ok(AccountChange::LastAdministrator);
    }
    if disabled_at_s.is_some() {
        sessions::end_all(transaction, id).await?;
        tokens::revoke_all(transaction, id, now_s).await?;
        invitations::end_of(transaction, id, now_s).await?;
        invitations::end_by(transaction, &name, now_s).await?;
    }
    let kind = if disabled_at_s.is_some() { "account disabled" } else { "account enabled" };
    events::record(transaction, now_s, kind, &name, &format!("by {by}")).await?;
    Ok(AccountChange::Made)
}

async fn insert_account(
    transaction: &mut Transaction<'static, Sqlite>,
    draft: &AccountDraft,
    now_s: i64,
) -> Result<AccountChange, Error> {
    let (role, exact, health) = (draft.role.term(), draft.grants.sees_exact, draft.grants.sees_health);
    let inserted = sqlx::query!(
        "INSERT INTO accounts (name, role, sees_exact, sees_health, password_hash, created_at_s, created_by,
            password_changed_at_s)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        draft.name,
        role,
        exact,
        health,
        draft.password_hash,
        now_s,
        draft.created_by,
        now_s
    )
    .execute(&mut **transaction)
    .await?;
    Ok(if inserted.rows_affected() == 1 { AccountChange::Made } else { AccountChange::NameTaken })
}

async fn change_password(
    transaction: &mut Transaction<'static, Sqlite>,
    id: AccountId,
    password_hash: &str,
    now_s: i64,
) -> Result<(), Error> {
    sqlx::query!(
        "UPDATE accounts SET password_hash = ?, password_changed_at_s = ? WHERE id = ?",
        password_hash,
        now_s,
        id.0
    )
    .execute(&mut **transaction)
    .await?;
    sessions::end_all(transaction, id).await?;
    // Whoever knew the old password may have made tokens with it.
    tokens::revoke_all(transaction, id, now_s).await?;
    invitations::end_of(transaction, id, now_s).await
}

async fn account_name(
    transaction: &mut Transaction<'static, Sqlite>,
    id: AccountId,
) -> Result<String, Error> {
    sqlx::query_scalar!("SELECT name FROM accounts WHERE id = ?", id.0)
        .fetch_optional(&mut **transaction)
        .await?
        .ok_or(Error::Missing { what: "account", id: id.0 })
}

/// Whether an administrator is left who can sign in.
async fn has_administrator(transaction: &mut Transaction<'static, Sqlite>) -> Result<bool, Error> {
    let found = sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT 1 FROM accounts WHERE role = 'administrator' AND disabled_at_s IS NULL)
            AS "found: bool""#
    )
    .fetch_one(&mut **transaction)
    .await?;
    Ok(found)
}
