//! An answer in time: the one asked for, or a page that says how far its figures are and asks again by itself.

use std::collections::HashSet;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;
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

/// Who is asked to come back, and what became of what they asked for.
#[derive(Clone)]
pub(super) struct Waits {
    app: App,
    failed: Failed,
}

impl Waits {
    /// Nobody waits yet.
    pub(super) fn new(app: App) -> Self {
        Self { app, failed: Failed::default() }
    }
}

/// Addresses whose answer ended in an error after its reader was told to ask again: the next reader stays for it, or would be
/// told so for ever.
#[derive(Clone, Default)]
struct Failed(Arc<Mutex<HashSet<String>>>);

/// Failed addresses that are remembered; there is no end of addresses.
const N_FAILED: usize = 256;

impl Failed {
    fn take(&self, address: &str) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(address)
    }

    /// Remembers the address if its answer ends in an error.
    async fn follow(self, address: String, answer: JoinHandle<Response>) {
        let is_error = answer
            .await
            .map_or(true, |answer| answer.status().is_client_error() || answer.status().is_server_error());
        if is_error {
            let mut failed = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            if failed.len() >= N_FAILED {
                failed.clear();
            }
            failed.insert(address);
        }
    }
}

/// Carries on when the reader has gone or the time is up: what was computed by then is there for the next question,
/// instead of being begun again by it. A page that takes long says so instead of keeping its reader.
pub(super) async fn carry_on(
    State(waits): State<Waits>,
    request: Request,
    next: Next,
) -> Result<Response, Error> {
    let address = request.uri().path_and_query().map(ToString::to_string).unwrap_or_default();
    let patience = if waits.failed.take(&address) { None } else { Patience::of(&request) };
    let reader = request.extensions().get::<Who>().map(Reader::from).unwrap_or_default();
    let answer = tokio::spawn(next.run(request));
    let step = || match (waits.app.progress(), patience) {
        (_, None) => None,
        (Progress::Deriving(step), Some(_)) => Some(Some(step)),
        (_, Some(Patience::OfAReader)) => Some(None),
        (_, Some(Patience::OfAMachine)) => None,
    };
    match in_time(answer, PATIENCE, step).await? {
        InTime::Answer(answer) => Ok(answer),
        InTime::Later(answer, step) => {
            tokio::spawn(waits.failed.follow(address, answer));
            Ok(waiting(reader, step.as_ref()))
        }
    }
}

/// Who is told to ask again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Patience {
    /// A browser that wants a page: told whenever it would wait for long.
    OfAReader,
    /// Anything else that asks for one: told while the layers of a new revision are made, which takes longest.
    OfAMachine,
}

impl Patience {
    /// None for what is always waited for: layers, which answer machines, pictures, and forms.
    fn of(request: &Request) -> Option<Self> {
        let path = request.uri().path();
        let is_awaited = ["/layers/", "/photos/"].iter().any(|start| path.starts_with(start));
        if request.method() != Method::GET || is_awaited {
            return None;
        }
        // A page that asks again for a file would stay when the file comes.
        let is_file = path.rsplit('/').next().is_some_and(|name| name.contains('.'));
        let accepted = request.headers().get_all(header::ACCEPT).iter().filter_map(|line| line.to_str().ok());
        let takes_pages = accepted.into_iter().any(|line| line.contains("text/html"));
        Some(if takes_pages && !is_file { Self::OfAReader } else { Self::OfAMachine })
    }
}

/// What there is when the time is up.
enum InTime {
    /// The answer.
    Answer(Response),
    /// It is still being made, and the step of deriving the layers that is under way, if one is.
    Later(JoinHandle<Response>, Option<Step>),
}

/// The answer, or after `patience` the step that is under way; where there is none to be told, waits on.
async fn in_time(
    mut answer: JoinHandle<Response>,
    patience: Duration,
    step: impl Fn() -> Option<Option<Step>>,
) -> Result<InTime, Error> {
    loop {
        match tokio::time::timeout(patience, &mut answer).await {
            Ok(answer) => {
                let answer = answer.map_err(|error| Error::Internal(error.to_string()))?;
                return Ok(InTime::Answer(answer));
            }
            Err(_) => {
                if let Some(step) = step() {
                    return Ok(InTime::Later(answer, step));
                }
            }
        }
    }
}

fn waiting(reader: Reader, step: Option<&Step>) -> Response {
    let page = views::waiting::page(reader, step.map(|step| ((step.number, step.n_steps), step.words)));
    let mut response = Cached(CachePolicy::Never, page).into_response();
    *response.status_mut() = StatusCode::ACCEPTED;
    response.headers_mut().insert(header::REFRESH, HeaderValue::from_static(ASK_AGAIN_S));
    response
}

#[cfg(test)]
mod tests {
    use axum::body::Body;

    use super::*;
    use crate::domain::revision::Revision;

    const STEP: Step = Step { number: 3, n_steps: 9, words: "drawing", revision: Revision(4) };
    const SHORT: Duration = Duration::from_millis(5);

    fn after(pause: Duration) -> JoinHandle<Response> {
        tokio::spawn(async move {
            tokio::time::sleep(pause).await;
            StatusCode::OK.into_response()
        })
    }

    async fn words_of(response: Response) -> String {
        assert_eq!(response.status(), StatusCode::ACCEPTED);
        assert_eq!(response.headers()[header::REFRESH], ASK_AGAIN_S);
        let body = axum::body::to_bytes(response.into_body(), 100_000).await.unwrap();
        String::from_utf8(body.to_vec()).unwrap()
    }

    #[tokio::test]
    async fn a_page_that_takes_long_says_how_far_its_figures_are() {
        for step in [Some(STEP), None] {
            let told = step.clone();
            let later = in_time(after(Duration::from_secs(600)), SHORT, || Some(told.clone())).await.unwrap();
            let InTime::Later(_, found) = later else { panic!() };
            assert_eq!(found, step);
        }
        let words = words_of(waiting(Reader::Staff, Some(&STEP))).await;
        assert!(words.contains("Step 3 of 9") && words.contains("drawing"), "{words}");
        let words = words_of(waiting(Reader::Staff, None)).await;
        assert!(!words.contains("Step") && words.contains("worked out"), "{words}");
    }

    #[tokio::test]
    async fn a_quick_answer_is_given_and_one_that_nobody_derives_is_waited_for() {
        let quick = in_time(after(Duration::ZERO), Duration::from_secs(600), || Some(None)).await.unwrap();
        assert!(matches!(quick, InTime::Answer(_)));
        let slow = in_time(after(4 * SHORT), SHORT, || None).await.unwrap();
        assert!(matches!(slow, InTime::Answer(_)));
    }

    #[tokio::test]
    async fn whoever_asks_again_for_what_failed_stays_for_its_error() {
        let failed = Failed::default();
        let ended = |status: StatusCode| tokio::spawn(async move { status.into_response() });
        for (address, status) in [("/a", StatusCode::INTERNAL_SERVER_ERROR), ("/b", StatusCode::OK)] {
            failed.clone().follow(address.to_owned(), ended(status)).await;
        }
        assert_eq!([failed.take("/a"), failed.take("/a"), failed.take("/b")], [true, false, false]);
    }

    #[test]
    fn browsers_are_told_of_pages_and_files_and_layers_are_waited_for() {
        let of = |method: Method, address: &str, accept: &str| {
            let request = Request::builder().method(method).uri(address).header(header::ACCEPT, accept);
            Patience::of(&request.body(Body::empty()).unwrap())
        };
        let page = "text/html,application/xhtml+xml";
        assert_eq!(of(Method::GET, "/signs?signs=8", page), Some(Patience::OfAReader));
        assert_eq!(of(Method::GET, "/signs?signs=8", "*/*"), Some(Patience::OfAMachine));
        assert_eq!(of(Method::GET, "/study/rates.csv", page), Some(Patience::OfAMachine));
        assert_eq!(of(Method::GET, "/layers/density.geojson?bandwidth=400", page), None);
        assert_eq!(of(Method::POST, "/decisions", page), None);
    }
}
