//! Changes of accounts that are in force though they are not written yet.
//!
//! There is one writer, and an import may hold it for minutes. Nobody who signs in waits for that, and nobody who is shut
//! out stays in: such a change stands in a queue in memory, which every lookup consults, and is written when its turn comes.
//!
//! Invariant: changes are written in the order in which they came, and each leaves the queue only after its commit. Lookups
//! read the queue first and the database then, so that they miss none. What is not in the queue ([`Store::account_write`])
//! begins after what is.
//!
//! The queue ends with the process. Of sessions that were not written that costs a new sign-in; what shuts somebody out is
//! acknowledged only when it is written. Another process on the same file knows what is written and nothing else.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::MutexGuard;
use std::sync::PoisonError;
use std::time::Duration;

use sqlx::Sqlite;
use sqlx::Transaction;
use tokio::sync::oneshot;

use crate::domain::account::Account;
use crate::domain::account::Grants;
use crate::domain::account::Role;
use crate::domain::ids::AccountId;
use crate::domain::ids::ApiTokenId;
use crate::store::Store;
use crate::store::accounts::AccountChange;
use crate::store::accounts::events;
use crate::store::accounts::sessions;
use crate::store::accounts::tokens;
use crate::store::error::Error;

/// How long somebody who signs in waits for the session to be written; then it is kept in memory until it is.
const SHORT: Duration = Duration::from_millis(200);
/// How long what shuts somebody out waits to be written before it is said that it is not; less than an answer may take.
const LONG: Duration = Duration::from_secs(50);
/// How long the end of the program, and a change that holds only when it is written, wait for what came before them.
const IN_BETWEEN: Duration = Duration::from_secs(10);
/// How long to wait after another program held the database for longer than the busy timeout.
const PAUSE: Duration = Duration::from_millis(50);
/// Changes that anybody can make by guessing, or again and again; beyond it there is no room for more of them.
const MOST_OF_ANYBODY: usize = 1_000;
/// Changes in all.
const MOST: usize = 10_000;

/// A change in the order in which it came.
#[derive(Clone)]
pub(super) enum Change {
    /// A session, in place of the one that the browser had before.
    BeginSession { account: Account, token_hash: String, former: Option<String>, at_s: i64 },
    /// The end of a session.
    EndSession { token_hash: String },
    /// The end of all sessions of an account.
    EndAllSessions { account: Account, at_s: i64 },
    /// The rights of an account.
    SetRights { id: AccountId, rights: (Role, Grants), by: String, at_s: i64 },
    /// Whether an account may be used.
    SetDisabled { id: AccountId, disabled_at_s: Option<i64>, by: String, at_s: i64 },
    /// A new password, which ends all sessions and tokens.
    SetPassword { id: AccountId, password_hash: String, at_s: i64 },
    /// The end of a token.
    RevokeToken { account: Account, id: ApiTokenId, at_s: i64 },
    /// A sign-in that failed.
    FailedSignIn { name: String, at_s: i64 },
    /// Nothing: when its turn has come, what came before it is written.
    Turn,
}

impl Change {
    /// Whether it may stand behind so many others.
    pub(super) fn has_room(&self, n_pending: usize) -> bool {
        n_pending
            < match self {
                Self::BeginSession { .. } | Self::FailedSignIn { .. } => MOST_OF_ANYBODY,
                _ => MOST,
            }
    }

    async fn write(&self, transaction: &mut Transaction<'static, Sqlite>) -> Result<AccountChange, Error> {
        match self {
            Self::BeginSession { account, token_hash, former, at_s } => {
                sessions::begin(transaction, account, token_hash, former.as_deref(), *at_s).await?;
            }
            Self::EndSession { token_hash } => sessions::end(transaction, token_hash).await?,
            Self::EndAllSessions { account, at_s } => {
                sessions::end_all(transaction, account.id).await?;
                events::record(transaction, *at_s, "signed out everywhere", &account.name, "").await?;
            }
            Self::SetRights { id, rights, by, at_s } => {
                return super::set_rights(transaction, *id, *rights, by, *at_s).await;
            }
            Self::SetDisabled { id, disabled_at_s, by, at_s } => {
                return super::set_disabled(transaction, *id, *disabled_at_s, by, *at_s).await;
            }
            Self::SetPassword { id, password_hash, at_s } => {
                let name = super::account_name(transaction, *id).await?;
                super::change_password(transaction, *id, password_hash, *at_s).await?;
                events::record(transaction, *at_s, "password changed", &name, "").await?;
            }
            Self::RevokeToken { account, id, at_s } => {
                tokens::revoke(transaction, account.id, *id, *at_s).await?;
                events::record(transaction, *at_s, "token revoked", &account.name, "").await?;
            }
            Self::FailedSignIn { name, at_s } => {
                events::record_and_forget(transaction, *at_s, "sign-in failed", name, "").await?;
            }
            Self::Turn => {}
        }
        Ok(AccountChange::Made)
    }
}

/// The changes that are not written, the oldest first.
#[derive(Clone, Default)]
pub(super) struct Changes(Arc<Vec<Change>>);

impl Changes {
    /// A session that is not written: its place in the queue, its account, and when it was begun.
    pub(super) fn begun(&self, token: &str) -> Option<(usize, AccountId, i64)> {
        self.0.iter().enumerate().find_map(|(idx, change)| match change {
            Change::BeginSession { account, token_hash, at_s, .. } if token_hash == token => {
                Some((idx, account.id, *at_s))
            }
            _ => None,
        })
    }

    /// Whether a session has ended: one begun at a place in the queue, or, without one, one in the database.
    pub(super) fn have_ended(&self, token: &str, account: AccountId, begun: Option<usize>) -> bool {
        self.0.iter().skip(begun.map_or(0, |idx| idx + 1)).any(|change| match change {
            Change::EndSession { token_hash } => token_hash == token,
            Change::BeginSession { former, .. } => former.as_deref() == Some(token),
            Change::EndAllSessions { account: ended, .. } => ended.id == account,
            Change::SetDisabled { id, disabled_at_s, .. } => disabled_at_s.is_some() && *id == account,
            Change::SetPassword { id, .. } => *id == account,
            Change::SetRights { .. }
            | Change::RevokeToken { .. }
            | Change::FailedSignIn { .. }
            | Change::Turn => false,
        })
    }

    /// When a token of an account was revoked.
    pub(super) fn revoked_at_s(&self, token: ApiTokenId, account: AccountId) -> Option<i64> {
        self.0.iter().find_map(|change| match change {
            Change::RevokeToken { id, at_s, .. } if *id == token => Some(*at_s),
            Change::SetDisabled { id, disabled_at_s: Some(at_s), .. } if *id == account => Some(*at_s),
            Change::SetPassword { id, at_s, .. } if *id == account => Some(*at_s),
            _ => None,
        })
    }

    /// When an account was disabled, or none since it may be used again; nothing where neither is in the queue.
    fn disabled_at_s(&self, account: AccountId) -> Option<Option<i64>> {
        self.0.iter().rev().find_map(|change| match change {
            Change::SetDisabled { id, disabled_at_s, .. } if *id == account => Some(*disabled_at_s),
            _ => None,
        })
    }

    /// The rights of an account, where the queue has others than the database.
    fn rights(&self, account: AccountId) -> Option<(Role, Grants)> {
        self.0.iter().rev().find_map(|change| match change {
            Change::SetRights { id, rights, .. } if *id == account => Some(*rights),
            _ => None,
        })
    }

    /// The new password of an account, as an argon2id string.
    pub(super) fn password_hash(&self, account: AccountId) -> Option<&str> {
        self.0.iter().rev().find_map(|change| match change {
            Change::SetPassword { id, password_hash, .. } if *id == account => Some(password_hash.as_str()),
            _ => None,
        })
    }

    /// The account as it is with them.
    pub(super) fn applied_to(&self, account: Account) -> Account {
        let (role, grants) = self.rights(account.id).unwrap_or((account.role, account.grants));
        let disabled_at_s = self.disabled_at_s(account.id).unwrap_or(account.disabled_at_s);
        Account { role, grants, disabled_at_s, ..account }
    }
}

/// The queue.
#[derive(Default)]
pub(in crate::store) struct Pending(Mutex<Queue>);

#[derive(Default)]
struct Queue {
    changes: Changes,
    /// Who wants to know what became of each.
    told: VecDeque<oneshot::Sender<Result<AccountChange, Error>>>,
}

impl std::fmt::Debug for Pending {
    /// Says nothing: changes hold hashes of secrets.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Pending")
    }
}

impl Pending {
    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes away the first one, which was written or cannot be, and gives the one after it.
    fn done(&self, outcome: Result<AccountChange, Error>) -> Option<Change> {
        let mut queue = self.queue();
        Arc::make_mut(&mut queue.changes.0).remove(0);
        if let Some(Err(Err(error))) = queue.told.pop_front().map(|told| told.send(outcome)) {
            tracing::error!(%error, "a change of an account could not be written");
        }
        queue.changes.0.first().cloned()
    }
}

impl Store {
    /// What is in force and not written.
    pub(super) fn pending(&self) -> Changes {
        self.pending.queue().changes.clone()
    }

    /// Puts a change in force that somebody waits for a moment only.
    pub(super) async fn put_in_force(&self, change: Change) -> Result<(), Error> {
        self.enqueue(change, SHORT).await.map(drop)
    }

    /// Puts a change in force, and waits until it is written.
    pub(super) async fn put_in_force_and_write(&self, change: Change) -> Result<AccountChange, Error> {
        self.enqueue(change, LONG).await?.ok_or(Error::NotWritten)
    }

    /// Waits until what is in force now is written. False when it takes too long.
    pub(in crate::store) async fn catch_up(&self) -> Result<bool, Error> {
        if self.pending.queue().changes.0.is_empty() {
            return Ok(true);
        }
        Ok(self.enqueue(Change::Turn, IN_BETWEEN).await?.is_some())
    }

    /// What became of a change; none when it was not written in time, and will be when its turn comes.
    async fn enqueue(&self, change: Change, longest: Duration) -> Result<Option<AccountChange>, Error> {
        let outcome = {
            let mut queue = self.pending.queue();
            if !change.has_room(queue.changes.0.len()) {
                return Err(Error::Busy);
            }
            let (told, outcome) = oneshot::channel();
            if queue.changes.0.is_empty() {
                tokio::spawn(write_all(self.clone(), change.clone()));
            }
            Arc::make_mut(&mut queue.changes.0).push(change);
            queue.told.push_back(told);
            outcome
        };
        match tokio::time::timeout(longest, outcome).await {
            Ok(Ok(outcome)) => outcome.map(Some),
            Ok(Err(_)) | Err(_) => Ok(None),
        }
    }

    async fn write_change(&self, change: &Change) -> Result<AccountChange, Error> {
        let mut transaction = self.writer.begin_with("BEGIN IMMEDIATE").await?;
        let change = change.write(&mut transaction).await?;
        if change == AccountChange::Made {
            transaction.commit().await?;
        }
        Ok(change)
    }
}

/// Writes one change after the other until none is left, and waits for the writer as long as that takes.
async fn write_all(store: Store, first: Change) {
    let mut next = Some(first);
    while let Some(change) = next {
        let outcome = loop {
            match store.write_change(&change).await {
                Err(Error::Busy) => tokio::time::sleep(PAUSE).await,
                outcome => break outcome,
            }
        };
        next = store.pending.done(outcome);
    }
}
