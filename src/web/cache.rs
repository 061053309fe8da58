//! How long an answer may be kept, as a type; one middleware writes the headers.

use axum::extract::Request;
use axum::http::HeaderValue;
use axum::http::Method;
use axum::http::StatusCode;
use axum::http::header;
use axum::middleware::Next;
use axum::response::IntoResponse;
use axum::response::Response;

use crate::domain::revision::Revision;
use crate::web::assets;

/// What a handler says about keeping its answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CachePolicy {
    /// Named by its content: keep for ever.
    Forever,
    /// Derived from one revision with some parameters: ask again, but nothing is sent when both are the same.
    Revision {
        /// The revision.
        revision: Revision,
        /// The parameters, in words; they go into the tag as a hash.
        parameters: String,
        /// When it has to be made anew although the facts are the same, since it speaks of today; in seconds since
        /// 1970-01-01T00:00:00Z.
        until_s: Option<i64>,
    },
    /// Named by the hash of its bytes, and for this reader only: ask again, but nothing is sent when it is the same.
    Content {
        /// The BLAKE3 hash of the bytes.
        blake3: String,
    },
    /// The same for everybody who may see no more, and kept by the server only: readers learn no revision.
    ServerOnly(Revision),
    /// Never kept.
    Never,
}

impl CachePolicy {
    /// An answer derived from one revision.
    pub fn of_revision(revision: Revision, parameters: impl Into<String>) -> Self {
        Self::Revision { revision, parameters: parameters.into(), until_s: None }
    }

    /// The same, for no longer than until an instant in seconds since 1970-01-01T00:00:00Z. What the answer says of the day
    /// belongs into the parameters.
    pub fn until(self, at_s: i64) -> Self {
        match self {
            Self::Revision { revision, parameters, .. } => {
                Self::Revision { revision, parameters, until_s: Some(at_s) }
            }
            other => other,
        }
    }

    /// Whether an answer that is kept may still be given at an instant.
    pub(super) fn holds_at(&self, now_s: i64) -> bool {
        !matches!(self, Self::Revision { until_s: Some(until_s), .. } if *until_s <= now_s)
    }

    fn etag(&self, rights: AnsweredFor) -> Option<String> {
        match self {
            Self::Revision { revision, parameters, .. } => {
                // Another version of the program, or of its style sheet, draws other pages from the same facts.
                let program = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));
                let named = format!("{program} {} {} {parameters}", rights.0, assets::style_path());
                let hash = blake3::hash(named.as_bytes()).to_hex();
                Some(format!("W/\"{revision}-{}\"", &hash[..16]))
            }
            Self::Content { blake3 } => Some(format!("\"{blake3}\"")),
            Self::Forever | Self::ServerOnly(_) | Self::Never => None,
        }
    }

    /// The revision that an answer was derived from.
    pub(super) fn rests_on(&self) -> Option<Revision> {
        match self {
            Self::Revision { revision, .. } | Self::ServerOnly(revision) => Some(*revision),
            Self::Forever | Self::Content { .. } | Self::Never => None,
        }
    }

    /// The policy of an answer that stands in for that of a newer revision: under another tag.
    pub(super) fn standing_in(&self) -> Self {
        match self {
            Self::Revision { revision, parameters, until_s } => Self::Revision {
                revision: *revision,
                parameters: format!("{parameters}, newer records wait"),
                until_s: *until_s,
            },
            other => other.clone(),
        }
    }

    /// What of a request an answer depends on, beside its address.
    fn vary(&self) -> HeaderValue {
        HeaderValue::from_static(match self {
            Self::Forever => "Accept-Encoding",
            _ => "Accept, Accept-Encoding, Cookie, Authorization",
        })
    }

    fn cache_control(&self) -> HeaderValue {
        HeaderValue::from_static(match self {
            Self::Forever => "public, max-age=31536000, immutable",
            Self::Revision { .. } | Self::Content { .. } => "private, no-cache",
            Self::ServerOnly(_) | Self::Never => "no-store",
        })
    }
}

/// A response with its policy.
pub struct Cached<R>(pub CachePolicy, pub R);

impl<R: IntoResponse> IntoResponse for Cached<R> {
    fn into_response(self) -> Response {
        let mut response = self.1.into_response();
        response.extensions_mut().insert(self.0);
        response
    }
}

/// The rights that an answer was made for, in one number. They are part of every tag: else a browser that somebody with
/// fewer rights signs in with is told that the page it kept from before is still the right one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct AnsweredFor(pub(super) u16);

/// Writes `Cache-Control` and `ETag`, and answers 304 where the reader has the same.
pub async fn write_headers(request: Request, next: Next) -> Response {
    let asked =
        request.headers().get(header::IF_NONE_MATCH).and_then(|tag| tag.to_str().ok()).map(str::to_owned);
    let may_be_unchanged = matches!(*request.method(), Method::GET | Method::HEAD);
    let mut response = next.run(request).await;
    let policy = response.extensions_mut().remove::<CachePolicy>().unwrap_or(CachePolicy::Never);
    let rights = response.extensions().get::<AnsweredFor>().copied().unwrap_or_default();
    let headers = response.headers_mut();
    headers.entry(header::CACHE_CONTROL).or_insert(policy.cache_control());
    headers.append(header::VARY, policy.vary());
    let Some(etag) = policy.etag(rights) else { return response };
    if let Ok(value) = HeaderValue::from_str(&etag) {
        headers.insert(header::ETAG, value);
    }
    if may_be_unchanged
        && response.status() == StatusCode::OK
        && asked.is_some_and(|asked| matches(&asked, &etag))
    {
        let mut unchanged = StatusCode::NOT_MODIFIED.into_response();
        for name in [header::CACHE_CONTROL, header::ETAG, header::VARY] {
            if let Some(value) = response.headers().get(&name) {
                unchanged.headers_mut().insert(name, value.clone());
            }
        }
        return unchanged;
    }
    response
}

/// Weak comparison of an `If-None-Match` list (RFC 9110, section 8.8.3.2).
fn matches(asked: &str, etag: &str) -> bool {
    let opaque = |tag: &str| tag.trim().trim_start_matches("W/").to_owned();
    asked.trim() == "*" || asked.split(',').any(|tag| opaque(tag) == opaque(etag))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags_compare_weakly_and_in_lists() {
        assert!(matches("\"1-a\", W/\"2-b\"", "W/\"2-b\""));
        assert!(matches("*", "W/\"2-b\""));
        assert!(!matches("\"1-a\"", "W/\"2-b\""));
    }

    #[test]
    fn another_parameter_is_another_tag() {
        let tag = |parameters: &str, rights| {
            CachePolicy::of_revision(Revision(3), parameters).etag(AnsweredFor(rights))
        };
        assert_ne!(tag("month=5", 1), tag("month=6", 1));
        assert_eq!(tag("month=5", 1), tag("month=5", 1));
        assert_ne!(tag("month=5", 1), tag("month=5", 3));
    }
}
