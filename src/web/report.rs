//! Renders errors as a page or as problem details (RFC 9457), and logs server errors once.

use axum::extract::MatchedPath;
use axum::extract::Request;
use axum::http::HeaderValue;
use axum::http::Method;
use axum::http::StatusCode;
use axum::http::header;
use axum::middleware::Next;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;

use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::query::encoded;
use crate::web::views;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;

/// The shape of problem details.
#[derive(serde::Serialize)]
struct Problem<'a> {
    r#type: &'static str,
    title: &'a str,
    status: u16,
    detail: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    field: Option<&'a str>,
    instance: &'a str,
}

/// Turns errors that handlers left in a response into something to read.
pub async fn render_errors(request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    let address = request.uri().path_and_query().map_or(path.clone(), ToString::to_string);
    let method = request.method().clone();
    let wants_page = wants_page(&request);
    let response = next.run(request).await;
    let error = match response.extensions().get::<Error>() {
        Some(error) => error.clone(),
        None => match rejected(&response) {
            Some(error) => error,
            None => return response,
        },
    };
    if matches!(error, Error::SignInFirst) && wants_page && method == Method::GET {
        let next = format!("/sign-in?next={}", encoded(&address));
        return Cached(CachePolicy::Never, Redirect::to(&next)).into_response();
    }
    log(&error, &method, &route);
    let status = response.status();
    // Who was refused before it was known who asks gets what anybody gets.
    let reader = response.extensions().get::<Reader>().copied().unwrap_or_default();
    let (mut parts, _) = response.into_parts();
    let mut rendered = if wants_page {
        page(reader, status.as_u16(), &error)
    } else {
        problem(status.as_u16(), &error, &path)
    };
    *rendered.status_mut() = status;
    if status == StatusCode::UNAUTHORIZED && path.starts_with("/layers/") {
        // Map clients ask for name and password only when they see this.
        let challenge = HeaderValue::from_static("Basic realm=\"Coilway\", charset=\"UTF-8\"");
        rendered.headers_mut().insert(header::WWW_AUTHENTICATE, challenge);
    }
    if let Some(seconds) = error.again_after_s() {
        rendered.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
    }
    if let Some(allow) = parts.headers.remove(header::ALLOW) {
        rendered.headers_mut().insert(header::ALLOW, allow);
    }
    rendered
}

/// Layers answer machines, all other addresses people, unless the request says otherwise.
fn wants_page(request: &Request) -> bool {
    let accept = request.headers().get(header::ACCEPT).and_then(|accept| accept.to_str().ok()).unwrap_or("");
    !request.uri().path().starts_with("/layers/")
        && (accept.is_empty() || accept.contains("html") || accept.contains("*/*"))
}

/// An empty or plain answer that the router itself made: a missing address, a wrong method, a refused body.
fn rejected(response: &Response) -> Option<Error> {
    let status = response.status();
    let is_plain = response
        .headers()
        .get(header::CONTENT_TYPE)
        .is_none_or(|media_type| media_type.as_bytes().starts_with(b"text/plain"));
    if !(status.is_client_error() || status.is_server_error()) || !is_plain {
        return None;
    }
    Some(match status.as_u16() {
        403 => Error::Forbidden("This form was sent from another site, and was not taken.".to_owned()),
        404 => Error::NotFound("There is no page at this address.".to_owned()),
        405 => Error::bad_request("method", "This address does not take that method."),
        413 => Error::TooLarge("The upload is larger than this server takes.".to_owned()),
        408 | 504 => Error::Unanswerable("This took too long.".to_owned()),
        code if status.is_client_error() => {
            Error::bad_request("request", format!("The request was refused ({code})."))
        }
        code => Error::Internal(format!("status {code}")),
    })
}

/// The route, never the address: addresses hold keys of records and the secrets of one-time links.
fn log(error: &Error, method: &Method, route: &str) {
    if let Error::Internal(cause) | Error::NotKept(cause) = error {
        tracing::error!(%method, route, cause, "a request failed");
    }
}

fn page(reader: Reader, status: u16, error: &Error) -> Response {
    let frame = Frame {
        title: "Error".to_owned(),
        section: Section::Elsewhere,
        area_name: String::new(),
        basis: Basis::default(),
        width: Width::Column,
        reader,
    };
    views::layout::page(&frame, views::error::body(reader, status, &error.to_string())).into_response()
}

fn problem(status: u16, error: &Error, path: &str) -> Response {
    let field = match error {
        Error::BadRequest { field, .. } => Some(field.as_str()),
        _ => None,
    };
    let title = axum::http::StatusCode::from_u16(status).ok().and_then(|status| status.canonical_reason());
    let detail = error.to_string();
    let body = Problem {
        r#type: "about:blank",
        title: title.unwrap_or("Error"),
        status,
        detail: &detail,
        field,
        instance: path,
    };
    let json = serde_json::to_vec(&body).unwrap_or_default();
    ([(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"))], json).into_response()
}
