//! Signing in, one's own account, and all accounts.

use maud::Markup;
use maud::html;

use crate::domain::account::LEAST_PASSWORD;
use crate::domain::account::Role;

/// The form to sign in.
#[derive(Debug, Clone, Default)]
pub struct SignInPage {
    /// The name typed before.
    pub name: String,
    /// Where to go afterwards.
    pub next: String,
    /// Why the last try failed.
    pub error: Option<String>,
}

/// Its body.
pub fn sign_in_body(page: &SignInPage) -> Markup {
    html! {
        h1 { "Sign in" }
        @if let Some(error) = &page.error { p.notice role="alert" { (error) } }
        form.card method="post" action="/sign-in" {
            input type="hidden" name="next" value=(page.next);
            label { "Name" input name="name" value=(page.name) autocomplete="username" required; }
            label { "Password" input name="password" type="password" autocomplete="current-password" required; }
            p { button.main type="submit" { "Sign in" } }
        }
        p.soft { "Accounts are made by an administrator, who sends a link. A forgotten password is replaced the same way." }
    }
}

/// What stands in place of an account while there are none.
pub fn none_body() -> Markup {
    html! {
        h1 { "Accounts" }
        section.card {
            p { "There are no accounts yet. Whoever sits at this machine sees and may do everything, and no other machine gets an answer." }
            p { "Before others use it, make the first administrator: choose a name, open the one-time link, set a password. From then on everybody signs in." }
            p { a.button.main href="/accounts" { "Make the first administrator" } }
            p.soft { "Or on the command line:" }
            pre.command { code { "coilway user invite \"Ash\" --role administrator" } }
        }
    }
}

/// The form behind a one-time link.
#[derive(Debug, Clone)]
pub struct InvitationPage {
    /// The token of the link.
    pub token: String,
    /// The account's name.
    pub name: String,
    /// The account's role.
    pub role: Role,
    /// Who invited.
    pub by: String,
    /// What is wrong with the password.
    pub error: Option<String>,
}

/// Its body.
pub fn invitation_body(page: &InvitationPage) -> Markup {
    html! {
        h1 { "Choose a password" }
        p { (page.by) " invites " strong { (page.name) } " as " (page.role) ". The link works once." }
        form.card method="post" action={ "/invitation/" (page.token) } {
            // Helps password managers to keep name and password together.
            input type="hidden" name="name" value=(page.name) autocomplete="username";
            (new_password(page.error.as_deref()))
            p { button.main type="submit" { "Set the password" } }
        }
    }
}

fn new_password(error: Option<&str>) -> Markup {
    html! {
        label { "New password"
            input name="password" type="password" autocomplete="new-password" required aria-invalid=[error.map(|_| "true")];
            span.soft { "At least " (LEAST_PASSWORD) " characters; a few words in a row are easy to keep." }
            @if let Some(error) = error { span.field-error { (error) } }
        }
        label { "The same again" input name="again" type="password" autocomplete="new-password" required; }
    }
}

/// One's own account.
#[derive(Debug, Clone)]
pub struct OwnPage {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// What the account may do, in words.
    pub rights: Vec<&'static str>,
    /// Tokens: key, label, scope, ends, whether it may still be used.
    pub tokens: Vec<TokenRow>,
    /// A token just made, shown once.
    pub new_token: Option<String>,
    /// What is wrong with a form: the field and the words.
    pub error: Option<(String, String)>,
    /// Whether the account may look after others.
    pub administers: bool,
}

/// One token.
#[derive(Debug, Clone)]
pub struct TokenRow {
    /// Its key.
    pub id: i64,
    /// What it is for.
    pub label: String,
    /// What it may be used for.
    pub scope: String,
    /// Until when, or since when no longer, in words.
    pub ends: String,
    /// Whether it may be used.
    pub usable: bool,
}

/// Its body.
pub fn own_body(page: &OwnPage) -> Markup {
    let error_at =
        |field: &str| page.error.as_ref().filter(|(at, _)| at == field).map(|(_, words)| words.as_str());
    html! {
        div.page-head { h1 { (page.name) } form method="post" action="/sign-out" { button type="submit" { "Sign out" } } }
        p { "Role: " (page.role) ". This account may: " (page.rights.join("; ")) "." }
        @if page.administers { p { a.button href="/accounts" { "All accounts" } " " a.button href="/server" { "Server" } } }
        section.card {
            h2 { "Password" }
            form method="post" action="/account/password" {
                label { "Present password" input name="present" type="password" autocomplete="current-password" required;
                    @if let Some(error) = error_at("present") { span.field-error { (error) } }
                }
                (new_password(error_at("password")))
                p { "Ends every session of this account and revokes its tokens. " button type="submit" { "Change the password" } }
            }
            form method="post" action="/account/sign-out-everywhere" {
                p { "Ends every session of this account, on all devices. " button type="submit" { "Sign out everywhere" } }
            }
        }
        section.card #tokens {
            h2 { "Tokens for scripts and map clients" }
            @if let Some(token) = &page.new_token {
                p.notice { "The new token, shown this once: " code { (token) } }
            }
            p.soft { "Sent as a bearer token, or as the password of basic sign-in with any name." }
            @if !page.tokens.is_empty() { (tokens(&page.tokens)) }
            form method="post" action="/account/tokens" {
                label { "What it is for" input name="label" maxlength="80" required;
                    @if let Some(error) = error_at("label") { span.field-error { (error) } }
                }
                label { "What it may do" select name="scope" { option value="read" { "read" } option value="bring in" { "read and bring in files" } } }
                label { "Days until it ends" input name="days" type="number" min="1" max="366" value="90" required;
                    @if let Some(error) = error_at("days") { span.field-error { (error) } }
                }
                p { button type="submit" { "Make a token" } }
            }
        }
    }
}

fn tokens(rows: &[TokenRow]) -> Markup {
    html! {
        table.stack {
            thead { tr { th scope="col" { "Token" } th scope="col" { "May" } th scope="col" { "Ends" } th scope="col" {} } }
            tbody { @for row in rows { tr {
                th scope="row" { (row.label) } td data-label="May" { (row.scope) } td data-label="Ends" { (row.ends) }
                td { @if row.usable { form method="post" action={ "/account/tokens/" (row.id) "/revoke" } { button type="submit" { "Revoke" } } } }
            } } }
        }
    }
}

/// All accounts, for administrators.
#[derive(Debug, Clone)]
pub struct AccountsPage {
    /// The accounts.
    pub accounts: Vec<AccountRow>,
    /// A one-time link just made: for whom, and the link.
    pub link: Option<(String, String)>,
    /// What is wrong with a form.
    pub error: Option<String>,
    /// What happened lately: when, what, whose account, more.
    pub events: Vec<[String; 4]>,
}

/// One account.
#[derive(Debug, Clone)]
pub struct AccountRow {
    /// Its key.
    pub id: i64,
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// Whether exact places were granted.
    pub sees_exact: bool,
    /// Whether reported bites were granted.
    pub sees_health: bool,
    /// Whether it is disabled.
    pub disabled: bool,
}

/// Its body.
pub fn accounts_body(page: &AccountsPage) -> Markup {
    html! {
        h1 { "Accounts" }
        @if let Some(error) = &page.error { p.notice role="alert" { (error) } }
        @if let Some((name, link)) = &page.link {
            p.notice { "Send this link to " strong { (name) } ". It works once, for seven days: " code { (link) } }
        }
        @for account in &page.accounts { (account_card(account)) }
        section.card {
            h2 { "Invite somebody" }
            form method="post" action="/accounts/invite" {
                label { "Name" input name="name" maxlength="80" required; }
                // The first account has to be able to make the others.
                (rights_fields(if page.accounts.is_empty() { Role::Administrator } else { Role::Observer }, false, false))
                p { button.main type="submit" { "Make a link" } }
            }
        }
        section.card {
            h2 { "What happened lately" }
            table.stack {
                thead { tr { th scope="col" { "When" } th scope="col" { "What" } th scope="col" { "Account" } th scope="col" { "More" } } }
                tbody { @for [at, kind, name, detail] in &page.events { tr {
                    th scope="row" { (at) } td data-label="What" { (kind) } td data-label="Account" { (name) } td data-label="More" { (detail) }
                } } }
            }
        }
    }
}

fn account_card(account: &AccountRow) -> Markup {
    html! {
        section.card {
            h2 { (account.name) @if account.disabled { " (disabled)" } }
            form method="post" action={ "/accounts/" (account.id) } {
                (rights_fields(account.role, account.sees_exact, account.sees_health))
                label.inline { input type="checkbox" name="disabled" value="yes" checked[account.disabled]; " Disabled: cannot sign in, all sessions and tokens ended" }
                p { button type="submit" { "Save" } }
            }
            form method="post" action={ "/accounts/" (account.id) "/password-link" } {
                p { button type="submit" { "Make a link for a new password" } }
            }
        }
    }
}

fn rights_fields(role: Role, sees_exact: bool, sees_health: bool) -> Markup {
    html! {
        label { "Role" select name="role" { @for known in Role::ALL { option value=(known) selected[*known == role] { (known) } } } }
        label.inline { input type="checkbox" name="exact" value="yes" checked[sees_exact]; " May see exact places (managers and administrators always do)" }
        label.inline { input type="checkbox" name="health" value="yes" checked[sees_health]; " May see reported bites, which are health data" }
    }
}

/// All pages of this file, made up for tests and previews.
pub fn samples() -> Vec<Markup> {
    let account = AccountRow {
        id: 1,
        name: "Rowan".to_owned(),
        role: Role::Manager,
        sees_exact: true,
        sees_health: false,
        disabled: false,
    };
    let token = TokenRow {
        id: 4,
        label: "map client".to_owned(),
        scope: "read".to_owned(),
        ends: "2024-09-29".to_owned(),
        usable: true,
    };
    let own = OwnPage {
        name: "Rowan".to_owned(),
        role: Role::Manager,
        rights: vec!["see exact places", "bring in records"],
        tokens: vec![token],
        new_token: None,
        error: None,
        administers: false,
    };
    let failed = SignInPage {
        name: "Rowan".to_owned(),
        next: "/season".to_owned(),
        error: Some("Name or password is wrong.".to_owned()),
    };
    vec![
        none_body(),
        sign_in_body(&SignInPage { next: "/".to_owned(), ..SignInPage::default() }),
        sign_in_body(&failed),
        invitation_body(&InvitationPage {
            token: "abc".to_owned(),
            name: "Rowan".to_owned(),
            role: Role::Observer,
            by: "Ash".to_owned(),
            error: Some("The two are not the same.".to_owned()),
        }),
        own_body(&own),
        own_body(&OwnPage { new_token: Some("0123abcd".to_owned()), administers: true, ..own }),
        accounts_body(&AccountsPage {
            accounts: vec![account.clone(), AccountRow { id: 2, disabled: true, ..account }],
            link: Some(("Birch".to_owned(), "http://localhost/invitation/abc".to_owned())),
            error: None,
            events: vec![["2024-07-01T12:00:00Z", "signed in", "Rowan", ""].map(str::to_owned)],
        }),
    ]
}
