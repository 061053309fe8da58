//! Drawn answers, kept by revision and address: a page that many ask for is drawn and compressed once.
//!
//! Only answers whose [`CachePolicy`] names the revision they rest on are kept, apart for every set of rights, so that
//! nobody is given what was drawn for somebody else's. While the layers of a new revision are being derived, the answer
//! of the one before stands in for it and says so, where the new revision only brought in further records: a form that
//! was sent shows at once, and so does whatever makes a place more secret.

use std::convert::Infallible;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;

use axum::body::Body;
use axum::body::Bytes;
use axum::body::HttpBody;
use axum::extract::Request;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::HeaderValue;
use axum::http::Method;
use axum::http::StatusCode;
use axum::http::header;
use axum::middleware::Next;
use axum::response::Response;
use quick_cache::Weighter;
use quick_cache::sync::Cache;
use tokio::sync::OnceCell;
use tower::ServiceExt;
use tower::service_fn;
use tower_http::compression::Compression;

use crate::app::App;
use crate::domain::revision::Revision;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::error::Error;
use crate::web::views;

/// How many bytes of answers are kept.
const CAPACITY: u64 = 192 * 1024 * 1024;
/// About how many answers that are.
const N_ANSWERS: usize = 4096;
/// The largest answer that is kept, in bytes before compression.
const LARGEST: u64 = 16 * 1024 * 1024;
/// What an answer weighs beside its body.
const OVERHEAD: u64 = 512;

/// Which answer.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Key {
    revision: Revision,
    /// The rights it was drawn for.
    rights: u16,
    /// The host it was asked of, since links in layers name it.
    host: String,
    /// Path and query.
    address: String,
}

/// What is known of an answer.
#[derive(Clone)]
enum Entry {
    Kept(Arc<Answer>),
    /// It has to be made each time.
    MadeAnew,
}

/// An answer as it was made.
struct Answer {
    headers: HeaderMap,
    policy: CachePolicy,
    body: Bytes,
    gzip: OnceCell<Bytes>,
    brotli: OnceCell<Bytes>,
    /// The same, saying that newer records wait.
    standing_in: OnceCell<Arc<Self>>,
}

/// Bodies compressed twice and once more with the notice come to about as much as the body itself.
#[derive(Clone)]
struct Bodies;

impl Weighter<Key, Entry> for Bodies {
    fn weight(&self, key: &Key, entry: &Entry) -> u64 {
        let body = match entry {
            Entry::Kept(answer) => 2 * answer.body.len() as u64,
            Entry::MadeAnew => 0,
        };
        OVERHEAD + (key.host.len() + key.address.len()) as u64 + body
    }
}

/// The answers kept for one server.
#[derive(Clone)]
pub(super) struct Kept {
    app: App,
    answers: Arc<Cache<Key, Entry, Bodies>>,
    /// The last question whether one revision may stand in for another, with its answer.
    stands_in: Arc<Mutex<Option<(Revision, Revision, bool)>>>,
}

impl Kept {
    /// Nothing kept yet.
    pub(super) fn new(app: App) -> Self {
        let answers = Arc::new(Cache::with_weighter(N_ANSWERS, CAPACITY, Bodies));
        Self { app, answers, stands_in: Arc::default() }
    }

    /// The revision whose answers may stand in for those of `now`.
    async fn standing_in(&self, now: Revision) -> Result<Option<Revision>, Error> {
        let Some(former) = self.app.standing_in(now) else { return Ok(None) };
        let known = *self.stands_in.lock().unwrap_or_else(PoisonError::into_inner);
        let may = match known {
            Some((from, until, may)) if (from, until) == (former, now) => may,
            _ => {
                let may = self.app.store().only_brought_in(former, now).await?;
                *self.stands_in.lock().unwrap_or_else(PoisonError::into_inner) = Some((former, now, may));
                may
            }
        };
        Ok(may.then_some(former))
    }
}

/// Gives the kept answer, or makes it and keeps it; the same question asked meanwhile waits for the one answer.
pub(super) async fn give(
    State(kept): State<Kept>,
    who: Who,
    request: Request,
    next: Next,
) -> Result<Response, Error> {
    if request.method() != Method::GET {
        return Ok(next.run(request).await);
    }
    let encoding = Encoding::wanted(request.headers());
    let revision = kept.app.store().revision().await?;
    let key = Key {
        revision,
        rights: who.rights(),
        host: request.headers().get(header::HOST).map(|host| format!("{host:?}")).unwrap_or_default(),
        address: request.uri().path_and_query().map(ToString::to_string).unwrap_or_default(),
    };
    let now_s = kept.app.clock().now_s();
    if let Some(Entry::Kept(answer)) = kept.answers.get(&key) {
        if answer.policy.holds_at(now_s) {
            return Ok(answer.response(encoding).await);
        }
        kept.answers.remove(&key);
    }
    if let Some(former) = kept.standing_in(revision).await? {
        let former = Key { revision: former, ..key.clone() };
        if let Some(Entry::Kept(answer)) = kept.answers.get(&former)
            && answer.policy.holds_at(now_s)
        {
            let answer = answer.standing_in().await;
            return Ok(answer.response(encoding).await);
        }
    }
    let place = match kept.answers.get_value_or_guard_async(&key).await {
        Ok(Entry::Kept(answer)) => return Ok(answer.response(encoding).await),
        Ok(Entry::MadeAnew) => return Ok(next.run(request).await),
        Err(place) => place,
    };
    let made = next.run(request).await;
    let entry = match kept_from(made, revision).await? {
        Made::Keep(answer) => Entry::Kept(answer),
        Made::Give(response) => {
            // Whoever waits for this one would wait in a row if each of them tried anew.
            if !response.status().is_server_error() {
                // A full cache may refuse it.
                let _ = place.insert(Entry::MadeAnew);
            }
            return Ok(*response);
        }
    };
    let _ = place.insert(entry.clone());
    match entry {
        Entry::Kept(answer) => Ok(answer.response(encoding).await),
        Entry::MadeAnew => Err(Error::Internal("an answer was lost".to_owned())),
    }
}

enum Made {
    Keep(Arc<Answer>),
    Give(Box<Response>),
}

/// Takes an answer apart, if it may be kept.
async fn kept_from(response: Response, asked_at: Revision) -> Result<Made, Error> {
    let policy = response.extensions().get::<CachePolicy>().cloned();
    let size = response.body().size_hint().exact();
    let (Some(policy), StatusCode::OK, Some(0..=LARGEST)) = (policy, response.status(), size) else {
        return Ok(Made::Give(Box::new(response)));
    };
    // Facts committed while it was made belong to a newer question.
    let sets_cookie = response.headers().contains_key(header::SET_COOKIE);
    if sets_cookie || policy.rests_on() != Some(asked_at) {
        return Ok(Made::Give(Box::new(response)));
    }
    let (parts, body) = response.into_parts();
    let body = axum::body::to_bytes(body, LARGEST as usize).await;
    let body = body.map_err(|error| Error::Internal(format!("an answer broke off: {error}")))?;
    Ok(Made::Keep(Arc::new(Answer::new(parts.headers, policy, body))))
}

impl Answer {
    fn new(mut headers: HeaderMap, policy: CachePolicy, body: Bytes) -> Self {
        headers.remove(header::CONTENT_LENGTH);
        Self {
            headers,
            policy,
            body,
            gzip: OnceCell::new(),
            brotli: OnceCell::new(),
            standing_in: OnceCell::new(),
        }
    }

    /// The answer in an encoding, compressed at most once.
    async fn response(&self, encoding: Encoding) -> Response {
        let (body, name) = match encoding {
            Encoding::Plain => (Some(&self.body), None),
            Encoding::Gzip => (self.compressed(&self.gzip, "gzip").await, Some("gzip")),
            Encoding::Brotli => (self.compressed(&self.brotli, "br").await, Some("br")),
        };
        let mut response = Response::new(Body::from(body.unwrap_or(&self.body).clone()));
        *response.headers_mut() = self.headers.clone();
        if let (Some(name), Some(_)) = (name, body) {
            response.headers_mut().insert(header::CONTENT_ENCODING, HeaderValue::from_static(name));
        }
        response.extensions_mut().insert(self.policy.clone());
        response
    }

    /// The body compressed as answers that are not kept are; none where it is not worth it.
    async fn compressed<'a>(&'a self, cell: &'a OnceCell<Bytes>, name: &'static str) -> Option<&'a Bytes> {
        let compress = async || {
            let mut plain = Response::new(Body::from(self.body.clone()));
            *plain.headers_mut() = self.headers.clone();
            let mut plain = Some(plain);
            let answer = service_fn(move |_: Request| {
                let plain = plain.take().unwrap_or_default();
                async move { Ok::<_, Infallible>(plain) }
            });
            let mut request = Request::new(Body::empty());
            request.headers_mut().insert(header::ACCEPT_ENCODING, HeaderValue::from_static(name));
            let Ok(response) = Compression::new(answer).oneshot(request).await;
            if !response.headers().contains_key(header::CONTENT_ENCODING) {
                return Err(());
            }
            axum::body::to_bytes(Body::new(response.into_body()), usize::MAX).await.map_err(|_| ())
        };
        cell.get_or_try_init(compress).await.ok()
    }

    /// The same, saying that newer records wait.
    async fn standing_in(&self) -> &Arc<Self> {
        let noted = async || {
            let body = match std::str::from_utf8(&self.body) {
                Ok(page) if page.contains(views::layout::NEWER_HERE) => Bytes::from(page.replacen(
                    views::layout::NEWER_HERE,
                    &views::layout::newer_records().into_string(),
                    1,
                )),
                _ => self.body.clone(),
            };
            Arc::new(Self::new(self.headers.clone(), self.policy.standing_in(), body))
        };
        self.standing_in.get_or_init(noted).await
    }
}

/// How an answer is compressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Encoding {
    Plain,
    Gzip,
    Brotli,
}

impl Encoding {
    /// The best that a reader takes (RFC 9110, section 12.5.3), brotli first.
    fn wanted(headers: &HeaderMap) -> Self {
        let takes = |name: &str| {
            let lines = headers.get_all(header::ACCEPT_ENCODING).iter().filter_map(|line| line.to_str().ok());
            lines.flat_map(|line| line.split(',')).any(|entry| {
                let mut parts = entry.split(';').map(str::trim);
                let is_it = parts.next().is_some_and(|coding| coding.eq_ignore_ascii_case(name));
                let weight = parts.find_map(|part| part.strip_prefix("q=")).unwrap_or("1");
                is_it && weight.parse::<f32>().is_ok_and(|weight| weight > 0.0)
            })
        };
        match (takes("br"), takes("gzip")) {
            (true, _) => Self::Brotli,
            (false, true) => Self::Gzip,
            (false, false) => Self::Plain,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wanted(line: &str) -> Encoding {
        let mut headers = HeaderMap::new();
        headers.insert(header::ACCEPT_ENCODING, line.parse().unwrap());
        Encoding::wanted(&headers)
    }

    #[test]
    fn readers_say_what_they_take() {
        assert_eq!(Encoding::wanted(&HeaderMap::new()), Encoding::Plain);
        assert_eq!(wanted("gzip, deflate, br, zstd"), Encoding::Brotli);
        assert_eq!(wanted("gzip;q=0.5, br;q=0"), Encoding::Gzip);
        assert_eq!(wanted("GZIP"), Encoding::Gzip);
        assert_eq!(wanted("identity, gzip;q=0, br;q=none"), Encoding::Plain);
    }

    fn page(words: &str) -> Answer {
        let mut headers = HeaderMap::new();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
        let body = format!("<main>{}{}</main>", views::layout::NEWER_HERE, words.repeat(200));
        Answer::new(headers, CachePolicy::of_revision(Revision(7), "page"), Bytes::from(body))
    }

    #[tokio::test]
    async fn a_compressed_answer_is_the_same_once_it_is_unpacked() {
        use std::io::Read;
        let answer = page("snakes on paths ");
        let response = answer.response(Encoding::Gzip).await;
        assert_eq!(response.headers()[header::CONTENT_ENCODING], "gzip");
        let packed = axum::body::to_bytes(response.into_body(), 100_000).await.unwrap();
        assert!(packed.len() < answer.body.len() / 10);
        let mut unpacked = Vec::new();
        flate2::read::GzDecoder::new(packed.as_ref()).read_to_end(&mut unpacked).unwrap();
        assert_eq!(unpacked, answer.body);
        let brotli = answer.response(Encoding::Brotli).await;
        assert_eq!(brotli.headers()[header::CONTENT_ENCODING], "br");
        assert!(!answer.response(Encoding::Plain).await.headers().contains_key(header::CONTENT_ENCODING));
    }

    #[tokio::test]
    async fn what_stands_in_says_so_under_its_own_tag() {
        let answer = page("x");
        let former = answer.standing_in().await;
        let words = std::str::from_utf8(&former.body).unwrap();
        assert!(words.contains("Newer records"), "{words}");
        assert!(!words.contains(views::layout::NEWER_HERE));
        assert_ne!(former.policy, answer.policy);
    }

    #[test]
    fn what_speaks_of_today_ends_with_the_day() {
        let policy = CachePolicy::of_revision(Revision(7), "map on a day");
        assert!(policy.holds_at(i64::MAX));
        let of_today = policy.until(1000);
        assert!(of_today.holds_at(999) && !of_today.holds_at(1000));
        assert!(!of_today.standing_in().holds_at(1000));
    }

    #[test]
    fn answers_of_other_rights_are_other_answers() {
        assert_ne!(Who::Visitor.rights(), Who::ThisMachine.rights());
        assert_eq!(Who::Visitor.rights().count_ones(), 1);
    }
}
