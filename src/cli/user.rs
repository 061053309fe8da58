//! Accounts from the command line: the first administrator, and whoever lost a password.

use anyhow::bail;

use crate::app::App;
use crate::app::Token;
use crate::cli::DatabaseFile;
use crate::cli::open;
use crate::domain::account::Account;
use crate::domain::account::Grants;
use crate::domain::account::Role;
use crate::store::AccountChange;
use crate::store::Invitation;

/// How long a one-time link works, seconds.
const INVITATION_S: i64 = 7 * 86_400;

/// Accounts.
#[derive(Debug, clap::Args)]
pub(super) struct UserArguments {
    #[command(flatten)]
    database: DatabaseFile,
    #[command(subcommand)]
    command: UserCommand,
}

#[derive(Debug, clap::Subcommand)]
enum UserCommand {
    /// Make a one-time link to choose a password with: for a new account, or for one that is there.
    Invite {
        /// The account's name.
        name: String,
        /// What the account is for: observer, manager or administrator.
        #[arg(long, default_value = "observer")]
        role: Role,
        /// May see exact places; managers and administrators always do.
        #[arg(long)]
        exact: bool,
        /// May see reported bites, which are health data.
        #[arg(long)]
        health: bool,
        /// The server's address, for the link.
        #[arg(long, default_value = "http://localhost:8017")]
        address: String,
    },
    /// List the accounts.
    List,
    /// Disable an account: it cannot sign in, its sessions and tokens end.
    Disable {
        /// The account's name.
        name: String,
    },
    /// Let a disabled account sign in again.
    Enable {
        /// The account's name.
        name: String,
    },
}

/// Runs the command.
pub(super) async fn run(arguments: UserArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    match arguments.command {
        UserCommand::Invite { name, role, exact, health, address } => {
            let grants = Grants { sees_exact: exact, sees_health: health };
            let link = invite(&app, name.trim(), (role, grants)).await?;
            println!("{}/invitation/{link}", address.trim_end_matches('/'));
        }
        UserCommand::List => list(&app.store().accounts().await?),
        UserCommand::Disable { name } => disable(&app, &name, Some(app.clock().now_s())).await?,
        UserCommand::Enable { name } => disable(&app, &name, None).await?,
    }
    Ok(())
}

async fn invite(app: &App, name: &str, (role, grants): (Role, Grants)) -> anyhow::Result<String> {
    if name.is_empty() || name.chars().count() > 80 {
        bail!("a name has 1 to 80 characters");
    }
    let now_s = app.clock().now_s();
    let known = app.store().account_to_sign_in(name).await?.map(|(account, _)| account);
    let is_first = known.is_none() && !app.has_accounts().await?;
    if is_first && role != Role::Administrator {
        bail!("the first account has to be an administrator: --role administrator");
    }
    let token = Token::new()?;
    let invitation = Invitation {
        account_id: known.as_ref().map(|account| account.id),
        name: known.as_ref().map_or(name, |account| &account.name).to_owned(),
        role: known.as_ref().map_or(role, |account| account.role),
        grants: known.as_ref().map_or(grants, |account| account.grants),
        created_by: "command line".to_owned(),
        expires_at_s: now_s + INVITATION_S,
    };
    app.store().invite(&token.hash(), &invitation, now_s).await?;
    Ok(token.text().to_owned())
}

fn list(accounts: &[Account]) {
    for account in accounts {
        let exact = if account.grants.sees_exact { ", exact places" } else { "" };
        let health = if account.grants.sees_health { ", reported bites" } else { "" };
        let disabled = if account.disabled_at_s.is_some() { ", disabled" } else { "" };
        println!("{}: {}{exact}{health}{disabled}", account.name, account.role);
    }
}

async fn disable(app: &App, name: &str, at_s: Option<i64>) -> anyhow::Result<()> {
    let Some((account, _)) = app.store().account_to_sign_in(name).await? else {
        bail!("there is no account \"{name}\"");
    };
    let done = app.store().disable_account(account.id, at_s, "command line", app.clock().now_s()).await?;
    if done == AccountChange::LastAdministrator {
        bail!("one administrator who can sign in has to be left");
    }
    Ok(())
}
