//! Finds out who asks, before anything else looks at the request.

use std::net::IpAddr;
use std::net::SocketAddr;

use axum::extract::ConnectInfo;
use axum::extract::Request;
use axum::extract::State;
use axum::http::Extensions;
use axum::http::HeaderMap;
use axum::http::header;
use axum::middleware::Next;
use axum::response::IntoResponse;
use axum::response::Response;
use base64ct::Base64;
use base64ct::Encoding;

use crate::app::App;
use crate::app::Front;
use crate::app::hash_of;
use crate::store::SessionLimits;
use crate::web::auth::Who;
use crate::web::auth::cookies::sent_token;
use crate::web::cache::AnsweredFor;
use crate::web::error::Error;
use crate::web::views::layout::Reader;

/// Puts who asks into the request.
pub async fn identify(State(app): State<App>, mut request: Request, next: Next) -> Response {
    if let Err(error) = check_host(&app, request.headers()) {
        return error.into_response();
    }
    match who(&app, request.headers()).await {
        Ok(who) => {
            let rights = AnsweredFor(who.rights());
            // Whoever draws a page of what went wrong asks the answer who it is for.
            let reader = Reader::from(&who);
            request.extensions_mut().insert(who);
            let mut response = next.run(request).await;
            response.extensions_mut().insert(rights);
            response.extensions_mut().insert(reader);
            response
        }
        Err(error) => error.into_response(),
    }
}

/// With an address of its own the server answers under it and to this machine only: a page that had its own name resolved to
/// this server gets nothing.
fn check_host(app: &App, headers: &HeaderMap) -> Result<(), Error> {
    let Some(address) = &app.config().address else { return Ok(()) };
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    if host.eq_ignore_ascii_case(address.authority()) || is_this_machine(host) {
        return Ok(());
    }
    Err(Error::Forbidden(format!("This server answers as {}.", address.as_str())))
}

async fn who(app: &App, headers: &HeaderMap) -> Result<Who, Error> {
    let now_s = app.clock().now_s();
    if let Some(token) = token(headers) {
        let known = app.store().api_token_account(&hash_of(&token), now_s).await?;
        let (account, scope) = known.ok_or(Error::BadToken)?;
        return Ok(Who::Token(account, scope));
    }
    if !app.has_accounts().await? {
        return at_this_machine(headers);
    }
    let Some(token) = sent_token(app.config().front, headers) else { return Ok(Who::Visitor) };
    let token_hash = hash_of(&token);
    let account = app.store().session_account(&token_hash, SessionLimits::default(), now_s).await?;
    Ok(account.map_or(Who::Visitor, |account| Who::SignedIn(account, token_hash)))
}

/// A token sent as a bearer (RFC 6750), or as the password of basic sign-in (RFC 7617), which is all some clients know.
fn token(headers: &HeaderMap) -> Option<String> {
    let sent = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, credentials) = sent.split_once(' ')?;
    if scheme.eq_ignore_ascii_case("bearer") {
        return Some(credentials.trim().to_owned());
    }
    if !scheme.eq_ignore_ascii_case("basic") {
        return None;
    }
    let decoded = String::from_utf8(Base64::decode_vec(credentials.trim()).ok()?).ok()?;
    decoded.split_once(':').map(|(_, password)| password.to_owned())
}

/// Headers by which a proxy says for whom it asks.
const PASSED_ON: [&str; 4] = ["forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip"];

/// Without accounts only this machine is trusted: not what a proxy passes on, and not a page that had its own name
/// resolved to this machine.
fn at_this_machine(headers: &HeaderMap) -> Result<Who, Error> {
    if PASSED_ON.iter().any(|name| headers.contains_key(*name)) {
        return Err(Error::Forbidden(
            "There are no accounts yet, so this server answers this machine only, and nothing that a proxy \
             passes on. Create the first administrator: coilway user."
                .to_owned(),
        ));
    }
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or("localhost");
    if is_this_machine(host) {
        return Ok(Who::ThisMachine);
    }
    Err(Error::Forbidden(format!(
        "There are no accounts yet, so this server answers as localhost only, not as \"{host}\"."
    )))
}

fn is_this_machine(host: &str) -> bool {
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.chars().all(|digit| digit.is_ascii_digit()) => name,
        _ => host,
    };
    let address = name.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
    name.eq_ignore_ascii_case("localhost") || address.is_ok_and(|address| address.is_loopback())
}

/// The address somebody asks from, for slowing down who guesses; none where the server was not asked over a network.
pub fn client_address(front: Front, headers: &HeaderMap, extensions: &Extensions) -> Option<IpAddr> {
    let direct = extensions.get::<ConnectInfo<SocketAddr>>().map(|info| info.0.ip());
    if front == Front::None {
        return direct;
    }
    // The last one was written by the proxy in front; those before it by whoever asked.
    let passed = headers.get_all("x-forwarded-for").iter().next_back()?.to_str().ok()?;
    passed.rsplit(',').next().and_then(|address| address.trim().parse().ok()).or(direct)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (name.parse().unwrap(), value.parse().unwrap())).collect()
    }

    #[test]
    fn this_machine_has_few_names() {
        for host in ["localhost", "LOCALHOST:8017", "127.0.0.1:80", "127.9.9.9", "[::1]:8017", "[::1]"] {
            assert!(is_this_machine(host), "{host}");
        }
        for host in
            ["park.example", "192.0.2.1:80", "localhost.example", "127.0.0.1.example", "", "[2001:db8::1]"]
        {
            assert!(!is_this_machine(host), "{host}");
        }
    }

    #[test]
    fn tokens_come_as_bearer_or_password() {
        let of = |value: &str| token(&headers(&[("authorization", value)]));
        assert_eq!(of("Bearer abc").as_deref(), Some("abc"));
        // "map:abc"
        assert_eq!(of("Basic bWFwOmFiYw==").as_deref(), Some("abc"));
        assert_eq!(of("Basic !!"), None);
        assert_eq!(of("Digest abc"), None);
        assert_eq!(token(&HeaderMap::new()), None);
    }

    #[test]
    fn only_the_proxy_in_front_is_believed() {
        let sent = headers(&[("x-forwarded-for", "192.0.2.66, 198.51.100.7")]);
        let mut extensions = Extensions::new();
        extensions.insert(ConnectInfo(SocketAddr::from(([127, 0, 0, 1], 9))));
        let of = |front: Front| client_address(front, &sent, &extensions).map(|address| address.to_string());
        assert_eq!(of(Front::None).as_deref(), Some("127.0.0.1"));
        assert_eq!(of(Front::Tls).as_deref(), Some("198.51.100.7"));
    }
}
