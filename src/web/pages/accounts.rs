//! Signing in and out, one's own account, and all accounts.

use std::collections::HashMap;

use axum::extract::Form;
use axum::extract::Path;
use axum::extract::State;
use axum::http::Extensions;
use axum::http::HeaderMap;
use axum::http::StatusCode;
use axum::http::header;
use axum::response::AppendHeaders;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use maud::Markup;

use crate::app::App;
use crate::app::BackOffKey;
use crate::app::Token;
use crate::app::hash_of;
use crate::domain::account::Account;
use crate::domain::account::Grants;
use crate::domain::account::LONGEST_PASSWORD;
use crate::domain::account::Right;
use crate::domain::account::Role;
use crate::domain::account::Scope;
use crate::domain::account::check_password;
use crate::domain::ids::AccountId;
use crate::domain::ids::ApiTokenId;
use crate::store::AccountChange;
use crate::store::ApiToken;
use crate::store::ApiTokenDraft;
use crate::store::Invitation;
use crate::store::Invited;
use crate::web::auth::Who;
use crate::web::auth::clear_cookie;
use crate::web::auth::client_address;
use crate::web::auth::session_cookie;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::origin::Origin;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::accounts::AccountRow;
use crate::web::views::accounts::AccountsPage;
use crate::web::views::accounts::InvitationPage;
use crate::web::views::accounts::OwnPage;
use crate::web::views::accounts::SignInPage;
use crate::web::views::accounts::TokenRow;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;

/// How long a one-time link works, seconds.
const INVITATION_S: i64 = 7 * 86_400;
/// The longest that a token works, days.
const LONGEST_TOKEN_DAYS: i64 = 366;
/// How many events a page shows.
const N_EVENTS: u32 = 100;
const DAY_S: i64 = 86_400;
/// The longest name of an account, characters.
const LONGEST_NAME: usize = 80;
/// The longest password that is looked at, bytes: as many as one of the longest that may be chosen can have.
const LONGEST_PASSWORD_BYTES: usize = 4 * LONGEST_PASSWORD;

type Fields = HashMap<String, String>;

/// The form to sign in.
pub async fn sign_in_form(State(app): State<App>, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&["next"])?;
    if !app.has_accounts().await? {
        return Ok(respond("Accounts", &who, views::accounts::none_body()));
    }
    let next = local(query.get("next").unwrap_or("/"));
    let body = views::accounts::sign_in_body(&SignInPage { next, ..SignInPage::default() });
    Ok(respond("Sign in", &who, body))
}

/// Signs in: a new session with a new token.
pub async fn sign_in(
    State(app): State<App>,
    who: Who,
    headers: HeaderMap,
    extensions: Extensions,
    Form(form): Form<Fields>,
) -> Result<Response, Error> {
    let now_s = app.clock().now_s();
    let (name, password) = (field(&form, "name"), form.get("password").cloned().unwrap_or_default());
    if name.chars().count() > LONGEST_NAME || password.len() > LONGEST_PASSWORD_BYTES {
        // No account is like that, so there is nothing to look up, to count or to keep.
        return Ok(wrong_sign_in(&name, &form));
    }
    let keys = back_off_keys(&app, &name, &headers, &extensions);
    app.back_off().begin(&keys, now_s).map_err(Error::Wait)?;
    let known =
        app.store().account_to_sign_in(&name).await?.filter(|(account, _)| account.disabled_at_s.is_none());
    let (account, stored) = known.unzip();
    let right = app.passwords().check(password, stored.clone()).await?;
    let Some(account) = account.filter(|_| right) else {
        // Somebody who guesses must not see in the time it takes, nor in the words, whether there is such an account.
        app.store().record_failed_sign_in(now_s, &name).await?;
        return Ok(wrong_sign_in(&name, &form));
    };
    app.back_off().was_right(keys[0], keys[1]);
    let token = Token::new()?;
    let former = who.signed_in().map(|(_, hash)| hash);
    app.store().begin_session(&account, &token.hash(), former, now_s).await?;
    // Checking takes a while. A password changed meanwhile ended the sessions there were, this one not among them; one changed
    // from now on ends this one, too.
    let now = app.store().account_to_sign_in(&name).await?;
    if now.map(|(_, now)| now) != stored {
        app.store().end_session(&token.hash()).await?;
        return Ok(wrong_sign_in(&name, &form));
    }
    let cookie = session_cookie(app.config().front, token.text());
    Ok(with_cookie(cookie, Redirect::to(&local(&field(&form, "next")))))
}

/// The form again, without saying which of the two is wrong.
fn wrong_sign_in(name: &str, form: &Fields) -> Response {
    let name = name.chars().take(LONGEST_NAME).collect();
    let error = Some("Name or password is wrong.".to_owned());
    let page = SignInPage { name, next: local(&field(form, "next")), error };
    let body = views::accounts::sign_in_body(&page);
    (StatusCode::UNAUTHORIZED, respond("Sign in", &Who::Visitor, body)).into_response()
}

/// By what the tries of somebody are counted: the account's name, and the address.
fn back_off_keys(app: &App, name: &str, headers: &HeaderMap, extensions: &Extensions) -> [BackOffKey; 2] {
    let address = client_address(app.config().front, headers, extensions);
    [BackOffKey::name(name), BackOffKey::address(address)]
}

/// Ends the session.
pub async fn sign_out(State(app): State<App>, who: Who) -> Result<Response, Error> {
    if let Some((_, token_hash)) = who.signed_in() {
        app.store().end_session(token_hash).await?;
    }
    Ok(with_cookie(clear_cookie(app.config().front), Redirect::to("/")))
}

/// The form behind a one-time link.
pub async fn invitation_form(
    State(app): State<App>,
    who: Who,
    Path(token): Path<String>,
) -> Result<Response, Error> {
    let invitation = invitation(&app, &token).await?;
    Ok(respond("Choose a password", &who, invitation_body(token, &invitation, None)))
}

/// Takes up an invitation.
pub async fn take_invitation(
    State(app): State<App>,
    who: Who,
    Path(token): Path<String>,
    Form(form): Form<Fields>,
) -> Result<Response, Error> {
    let invitation = invitation(&app, &token).await?;
    let password = match new_password(&form, &invitation.name) {
        Ok(password) => password,
        Err(words) => {
            let body = invitation_body(token, &invitation, Some(words));
            let page = respond("Choose a password", &who, body);
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
        }
    };
    let hash = app.passwords().hash(password).await?;
    match app.store().take_invitation(&hash_of(&token), &hash, app.clock().now_s()).await? {
        Invited::Taken => Ok(Redirect::to("/sign-in").into_response()),
        Invited::NoInvitation => Err(no_invitation()),
        Invited::NameTaken => {
            Err(Error::bad_request("name", format!("There is an account \"{}\" already.", invitation.name)))
        }
    }
}

async fn invitation(app: &App, token: &str) -> Result<Invitation, Error> {
    let found = app.store().invitation(&hash_of(token), app.clock().now_s()).await?;
    found.ok_or_else(no_invitation)
}

fn no_invitation() -> Error {
    Error::NotFound(
        "This link was used, has ended, or never was. Ask an administrator for a new one.".to_owned(),
    )
}

fn invitation_body(token: String, invitation: &Invitation, error: Option<String>) -> Markup {
    views::accounts::invitation_body(&InvitationPage {
        token,
        name: invitation.name.clone(),
        role: invitation.role,
        by: invitation.created_by.clone(),
        error,
    })
}

/// A new password that was typed twice.
fn new_password(form: &Fields, account_name: &str) -> Result<String, String> {
    let typed = form.get("password").map(String::as_str).unwrap_or_default();
    check_password(typed, account_name).map_err(|error| format!("{error}."))?;
    if form.get("again").map(String::as_str) != Some(typed) {
        return Err("The two are not the same.".to_owned());
    }
    Ok(typed.to_owned())
}

/// One's own account.
pub async fn own(State(app): State<App>, who: Who) -> Result<Response, Error> {
    match who {
        Who::ThisMachine => Ok(respond("Accounts", &who, views::accounts::none_body())),
        _ => own_page(&app, &who, OwnExtra::default()).await,
    }
}

/// What a page of one's own account shows beyond it.
#[derive(Default)]
struct OwnExtra {
    new_token: Option<String>,
    error: Option<(String, String)>,
}

async fn own_page(app: &App, who: &Who, extra: OwnExtra) -> Result<Response, Error> {
    let account = signed_in(who)?;
    let now_s = app.clock().now_s();
    let tokens = app.store().api_tokens(account.id).await?;
    let status = if extra.error.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    let page = OwnPage {
        name: account.name.clone(),
        role: account.role,
        rights: Right::ALL.iter().filter(|right| account.may(**right)).map(|right| right.term()).collect(),
        tokens: tokens.iter().map(|token| token_row(token, now_s)).collect(),
        new_token: extra.new_token,
        error: extra.error,
        administers: account.may(Right::Administer),
    };
    Ok((status, respond("Your account", who, views::accounts::own_body(&page))).into_response())
}

fn token_row(token: &ApiToken, now_s: i64) -> TokenRow {
    TokenRow {
        id: token.id.0,
        label: token.given.label.clone(),
        scope: token.given.scope.to_string(),
        ends: match token.revoked_at_s {
            Some(at_s) => format!("revoked {}", common::when(at_s)),
            None => common::when(token.given.expires_at_s),
        },
        usable: token.revoked_at_s.is_none() && token.given.expires_at_s > now_s,
    }
}

/// Changes one's own password; every session ends, this one is begun anew.
pub async fn change_password(
    State(app): State<App>,
    who: Who,
    headers: HeaderMap,
    extensions: Extensions,
    Form(form): Form<Fields>,
) -> Result<Response, Error> {
    let account = signed_in(&who)?;
    let now_s = app.clock().now_s();
    let keys = back_off_keys(&app, &account.name, &headers, &extensions);
    app.back_off().begin(&keys, now_s).map_err(Error::Wait)?;
    let stored = app.store().account_to_sign_in(&account.name).await?.map(|(_, stored)| stored);
    let present = form.get("present").cloned().unwrap_or_default();
    let right = present.len() <= LONGEST_PASSWORD_BYTES && app.passwords().check(present, stored).await?;
    if !right {
        let error = Some(("present".to_owned(), "This is not the present password.".to_owned()));
        return own_page(&app, &who, OwnExtra { error, ..OwnExtra::default() }).await;
    }
    app.back_off().was_right(keys[0], keys[1]);
    let password = match new_password(&form, &account.name) {
        Ok(password) => password,
        Err(words) => {
            let error = Some(("password".to_owned(), words));
            return own_page(&app, &who, OwnExtra { error, ..OwnExtra::default() }).await;
        }
    };
    let hash = app.passwords().hash(password).await?;
    app.store().set_password(account.id, &hash, now_s).await?;
    let token = Token::new()?;
    app.store().begin_session(account, &token.hash(), None, now_s).await?;
    Ok(with_cookie(session_cookie(app.config().front, token.text()), Redirect::to("/account")))
}

/// Ends every session.
pub async fn sign_out_everywhere(State(app): State<App>, who: Who) -> Result<Response, Error> {
    app.store().end_all_sessions(signed_in(&who)?, app.clock().now_s()).await?;
    Ok(with_cookie(clear_cookie(app.config().front), Redirect::to("/")))
}

/// Makes a token and shows it once.
pub async fn make_token(
    State(app): State<App>,
    who: Who,
    Form(form): Form<Fields>,
) -> Result<Response, Error> {
    let account = signed_in(&who)?;
    let wrong = |field: &str, words: &str| OwnExtra {
        error: Some((field.to_owned(), words.to_owned())),
        ..OwnExtra::default()
    };
    let label = field(&form, "label");
    if label.is_empty() || label.chars().count() > 80 {
        return own_page(&app, &who, wrong("label", "Say in 1 to 80 characters what it is for.")).await;
    }
    let days =
        field(&form, "days").parse::<i64>().ok().filter(|days| (1..=LONGEST_TOKEN_DAYS).contains(days));
    let Some(days) = days else {
        return own_page(&app, &who, wrong("days", "A number of days from 1 to 366.")).await;
    };
    let scope: Scope =
        field(&form, "scope").parse().map_err(|error| Error::bad_request("scope", format!("{error}")))?;
    let now_s = app.clock().now_s();
    let token = Token::new()?;
    let draft = ApiTokenDraft { label, scope, expires_at_s: now_s + days * DAY_S };
    app.store().add_api_token(account, &token.hash(), &draft, now_s).await?;
    own_page(&app, &who, OwnExtra { new_token: Some(token.text().to_owned()), ..OwnExtra::default() }).await
}

/// Revokes a token of one's own.
pub async fn revoke_token(State(app): State<App>, who: Who, Path(id): Path<i64>) -> Result<Response, Error> {
    app.store().revoke_api_token(signed_in(&who)?, ApiTokenId(id), app.clock().now_s()).await?;
    Ok(Redirect::to("/account#tokens").into_response())
}

/// All accounts.
pub async fn all(State(app): State<App>, who: Who) -> Result<Response, Error> {
    all_page(&app, &who, None, None).await
}

async fn all_page(
    app: &App,
    who: &Who,
    link: Option<(String, String)>,
    error: Option<String>,
) -> Result<Response, Error> {
    let accounts = app.store().accounts().await?;
    let events = app.store().account_events(N_EVENTS).await?;
    let status = if error.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    let page = AccountsPage {
        accounts: accounts.iter().map(account_row).collect(),
        link,
        error,
        events: events
            .into_iter()
            .map(|event| [common::when(event.at_s), event.kind, event.account_name, event.detail])
            .collect(),
    };
    Ok((status, respond("Accounts", who, views::accounts::accounts_body(&page))).into_response())
}

fn account_row(account: &Account) -> AccountRow {
    AccountRow {
        id: account.id.0,
        name: account.name.clone(),
        role: account.role,
        sees_exact: account.grants.sees_exact,
        sees_health: account.grants.sees_health,
        disabled: account.disabled_at_s.is_some(),
    }
}

/// Makes a one-time link for a new account.
pub async fn invite(
    State(app): State<App>,
    who: Who,
    origin: Origin,
    Form(form): Form<Fields>,
) -> Result<Response, Error> {
    let name = field(&form, "name");
    if name.is_empty() || name.chars().count() > LONGEST_NAME {
        return all_page(&app, &who, None, Some("A name has 1 to 80 characters.".to_owned())).await;
    }
    if app.store().account_to_sign_in(&name).await?.is_some() {
        return all_page(&app, &who, None, Some(format!("There is an account \"{name}\" already."))).await;
    }
    let (role, grants) = rights(&form)?;
    if role != Role::Administrator && !app.has_accounts().await? {
        return all_page(&app, &who, None, Some("The first account has to be an administrator.".to_owned()))
            .await;
    }
    let link =
        link(&app, &origin, Invitee { account_id: None, name: name.clone(), role, grants }, who.name())
            .await?;
    all_page(&app, &who, Some((name, link)), None).await
}

/// Makes a one-time link for a new password.
pub async fn password_link(
    State(app): State<App>,
    who: Who,
    origin: Origin,
    Path(id): Path<i64>,
) -> Result<Response, Error> {
    let account = account(&app, id).await?;
    let invitee = Invitee {
        account_id: Some(account.id),
        name: account.name.clone(),
        role: account.role,
        grants: account.grants,
    };
    let link = link(&app, &origin, invitee, who.name()).await?;
    all_page(&app, &who, Some((account.name, link)), None).await
}

struct Invitee {
    account_id: Option<AccountId>,
    name: String,
    role: Role,
    grants: Grants,
}

async fn link(app: &App, origin: &Origin, invitee: Invitee, by: &str) -> Result<String, Error> {
    let now_s = app.clock().now_s();
    let token = Token::new()?;
    let invitation = Invitation {
        account_id: invitee.account_id,
        name: invitee.name,
        role: invitee.role,
        grants: invitee.grants,
        created_by: by.to_owned(),
        expires_at_s: now_s + INVITATION_S,
    };
    app.store().invite(&token.hash(), &invitation, now_s).await?;
    Ok(format!("{}/invitation/{}", origin.0, token.text()))
}

/// Changes role, grants, and whether an account may be used.
pub async fn change(
    State(app): State<App>,
    who: Who,
    Path(id): Path<i64>,
    Form(form): Form<Fields>,
) -> Result<Response, Error> {
    let account = account(&app, id).await?;
    let (now_s, by) = (app.clock().now_s(), who.name());
    let (disable, rights) = (checked(&form, "disabled"), rights(&form)?);
    let mut done = AccountChange::Made;
    // Shutting somebody out comes first: it waits for no other write.
    if disable != account.disabled_at_s.is_some() {
        done = app.store().disable_account(account.id, disable.then_some(now_s), by, now_s).await?;
    }
    if done == AccountChange::Made && rights != (account.role, account.grants) {
        done = app.store().change_account(account.id, rights, by, now_s).await?;
    }
    match done {
        AccountChange::Made | AccountChange::NameTaken => Ok(Redirect::to("/accounts").into_response()),
        AccountChange::LastAdministrator => {
            all_page(&app, &who, None, Some("One administrator who can sign in has to be left.".to_owned()))
                .await
        }
    }
}

async fn account(app: &App, id: i64) -> Result<Account, Error> {
    let accounts = app.store().accounts().await?;
    let found = accounts.into_iter().find(|account| account.id.0 == id);
    found.ok_or_else(|| Error::NotFound(format!("There is no account {id}.")))
}

fn rights(form: &Fields) -> Result<(Role, Grants), Error> {
    let role = field(form, "role").parse().map_err(|error| Error::bad_request("role", format!("{error}")))?;
    Ok((role, Grants { sees_exact: checked(form, "exact"), sees_health: checked(form, "health") }))
}

fn checked(form: &Fields, name: &str) -> bool {
    form.get(name).is_some_and(|value| value == "yes")
}

fn field(form: &Fields, name: &str) -> String {
    form.get(name).map(|value| value.trim().to_owned()).unwrap_or_default()
}

fn signed_in(who: &Who) -> Result<&Account, Error> {
    match (who.signed_in(), who) {
        (Some((account, _)), _) => Ok(account),
        (None, Who::ThisMachine) => Err(Error::Unanswerable(
            "There are no accounts: everybody at this machine sees everything. The first administrator is made \
             on the command line: coilway user."
                .to_owned(),
        )),
        _ => Err(Error::SignInFirst),
    }
}

/// An address on this server: anything that could lead elsewhere becomes the first page.
fn local(next: &str) -> String {
    let plain = next.starts_with('/')
        && !next.starts_with("//")
        && !next.contains('\\')
        && next.chars().all(|letter| !letter.is_control());
    if plain { next.to_owned() } else { "/".to_owned() }
}

fn with_cookie(cookie: String, redirect: Redirect) -> Response {
    (AppendHeaders([(header::SET_COOKIE, cookie)]), Cached(CachePolicy::Never, redirect)).into_response()
}

fn respond(title: &str, who: &Who, body: Markup) -> Response {
    let frame = Frame {
        title: title.to_owned(),
        section: Section::Account,
        area_name: String::new(),
        basis: Basis::default(),
        width: Width::Column,
        reader: Reader::from(who),
    };
    Cached(CachePolicy::Never, views::layout::page(&frame, body)).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_led_elsewhere() {
        for (next, expected) in [
            ("/season?month=5", "/season?month=5"),
            ("", "/"),
            ("//elsewhere.example", "/"),
            ("/\\elsewhere.example", "/"),
            ("https://elsewhere.example", "/"),
            ("/a\r\nSet-Cookie: x", "/"),
        ] {
            assert_eq!(local(next), expected, "{next}");
        }
    }
}
