//! An answer in time: the one asked for, or a page that says how far its figures are and asks again by itself.

use std::time::Duration;

use axum::extract::Request;
use axum::extract::State;
use axum::http::HeaderValue;
use axum::http::Method;
use axum::http::StatusCode;
use axum::http::header;
use axum::middleware::Next;
use axum::response::IntoResponse;
use axum::response::Response;
use tokio::task::JoinHandle;

use crate::app::App;
use crate::app::Progress;
use crate::app::Step;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::views;
use crate::web::views::layout::Reader;

/// How long a reader waits before being told how far the figures are.
const PATIENCE: Duration = Duration::from_secs(1);
/// After how many seconds the browser asks again.
const ASK_AGAIN_S: &str = "2";

/// Carries on when the reader has gone or the time is up: what was computed by then is there for the next question,
/// instead of being begun again by it. A page whose layers are still being derived says so instead of keeping its reader.
pub(super) async fn carry_on(
    State(app): State<App>,
    request: Request,
    next: Next,
) -> Result<Response, Error> {
    let path = request.uri().path();
    // Layers answer machines, which rather wait, as does a page for its pictures; a form must not be told to ask again.
    let is_awaited = ["/layers/", "/photos/"].iter().any(|start| path.starts_with(start));
    let is_page = request.method() == Method::GET && !is_awaited;
    let reader = request.extensions().get::<Who>().map(Reader::from).unwrap_or_default();
    let answer = tokio::spawn(next.run(request));
    let step = || match app.progress() {
        Progress::Deriving(step) if is_page => Some(step),
        _ => None,
    };
    in_time((answer, reader), PATIENCE, step).await
}

/// The answer, or after `patience` the page of the step that is under way; without one, waits on.
async fn in_time(
    (mut answer, reader): (JoinHandle<Response>, Reader),
    patience: Duration,
    step: impl Fn() -> Option<Step>,
) -> Result<Response, Error> {
    loop {
        match tokio::time::timeout(patience, &mut answer).await {
            Ok(answer) => return answer.map_err(|error| Error::Internal(error.to_string())),
            Err(_) => {
                if let Some(step) = step() {
                    return Ok(waiting(reader, &step));
                }
            }
        }
    }
}

fn waiting(reader: Reader, step: &Step) -> Response {
    let page = views::waiting::page(reader, (step.number, step.n_steps), step.words);
    let mut response = Cached(CachePolicy::Never, page).into_response();
    *response.status_mut() = StatusCode::ACCEPTED;
    response.headers_mut().insert(header::REFRESH, HeaderValue::from_static(ASK_AGAIN_S));
    response
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::revision::Revision;

    const STEP: Step = Step { number: 3, n_steps: 9, words: "drawing", revision: Revision(4) };
    const SHORT: Duration = Duration::from_millis(5);

    fn after(pause: Duration) -> (JoinHandle<Response>, Reader) {
        let answer = tokio::spawn(async move {
            tokio::time::sleep(pause).await;
            StatusCode::OK.into_response()
        });
        (answer, Reader::Staff)
    }

    #[tokio::test]
    async fn a_page_that_takes_long_says_how_far_its_figures_are() {
        let response = in_time(after(Duration::from_secs(600)), SHORT, || Some(STEP)).await.unwrap();
        assert_eq!(response.status(), StatusCode::ACCEPTED);
        assert_eq!(response.headers()[header::REFRESH], ASK_AGAIN_S);
        let body = axum::body::to_bytes(response.into_body(), 100_000).await.unwrap();
        let words = String::from_utf8(body.to_vec()).unwrap();
        assert!(words.contains("Step 3 of 9") && words.contains("drawing"), "{words}");
    }

    #[tokio::test]
    async fn a_quick_answer_is_given_and_one_that_nobody_derives_is_waited_for() {
        let quick = in_time(after(Duration::ZERO), Duration::from_secs(600), || Some(STEP)).await.unwrap();
        assert_eq!(quick.status(), StatusCode::OK);
        let slow = in_time(after(4 * SHORT), SHORT, || None).await.unwrap();
        assert_eq!(slow.status(), StatusCode::OK);
    }
}
