//! The session's cookie: out of reach of scripts, never sent along from other sites.

use axum::http::HeaderMap;
use axum::http::header;
use cookie::Cookie;
use cookie::SameSite;

use crate::app::Front;

/// Behind TLS the name itself makes browsers insist on a secure, host-only cookie (RFC 6265bis, section 4.1.3.2).
fn name(front: Front) -> &'static str {
    match front {
        Front::Tls => "__Host-coilway",
        Front::None => "coilway",
    }
}

/// Sets the session's token.
pub fn session_cookie(front: Front, token: &str) -> String {
    cookie(front, token).to_string()
}

/// Takes the session's token back.
pub fn clear_cookie(front: Front) -> String {
    let mut cookie = cookie(front, "");
    cookie.make_removal();
    cookie.to_string()
}

fn cookie(front: Front, value: &str) -> Cookie<'static> {
    Cookie::build((name(front), value.to_owned()))
        .path("/")
        .http_only(true)
        .same_site(SameSite::Lax)
        .secure(front == Front::Tls)
        .build()
}

/// The session's token as the browser sent it.
pub(super) fn sent_token(front: Front, headers: &HeaderMap) -> Option<String> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(Cookie::split_parse)
        .filter_map(Result::ok)
        .find(|cookie| cookie.name() == name(front))
        .map(|cookie| cookie.value().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cookie_is_out_of_reach() {
        let plain = session_cookie(Front::None, "abc");
        assert_eq!(plain, "coilway=abc; HttpOnly; SameSite=Lax; Path=/");
        let secure = session_cookie(Front::Tls, "abc");
        assert!(secure.starts_with("__Host-coilway=abc; ") && secure.contains("Secure"), "{secure}");
        assert!(clear_cookie(Front::None).contains("Max-Age=0"));
    }

    #[test]
    fn only_its_own_cookie_is_read() {
        let mut headers = HeaderMap::new();
        headers.insert(header::COOKIE, "a=1; coilway=abc; b=2".parse().unwrap());
        assert_eq!(sent_token(Front::None, &headers).as_deref(), Some("abc"));
        assert_eq!(sent_token(Front::Tls, &headers), None);
        headers.insert(header::COOKIE, ";;=;coilway".parse().unwrap());
        assert_eq!(sent_token(Front::None, &headers), None);
    }
}
