//! The address under which the reader found this server: links in layers must be absolute, since some clients do not
//! follow others.

use std::convert::Infallible;

use axum::extract::FromRequestParts;
use axum::http::header;
use axum::http::request::Parts;

use crate::app::App;
use crate::app::Front;
use crate::app::is_host;

/// Scheme and authority, "http://127.0.0.1:8017".
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin(pub String);

impl FromRequestParts<App> for Origin {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Infallible> {
        if let Some(address) = &app.config().address {
            return Ok(Self(address.as_str().to_owned()));
        }
        let host = parts.headers.get(header::HOST).and_then(|host| host.to_str().ok());
        let host = host.or(parts.uri.authority().map(|authority| authority.as_str()));
        let scheme = match app.config().front {
            Front::None => "http",
            Front::Tls => "https",
        };
        Ok(Self(format!("{scheme}://{}", host.filter(|host| is_host(host)).unwrap_or("localhost"))))
    }
}
