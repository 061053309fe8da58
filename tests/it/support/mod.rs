//! An app around a database of its own, with a clock that stands still, and a small invented park.

mod answer;
mod complete;
mod park;
pub(crate) mod paths;
pub(crate) mod photo;

use axum::Router;
use axum::body::Body;
use axum::body::to_bytes;
use axum::http::HeaderMap;
use axum::http::Method;
use axum::http::Request;
use axum::http::StatusCode;
use axum::http::header;
use axum::http::request::Builder;
use axum::response::Response;
use jiff::Timestamp;
use tempfile::TempDir;
use tower::ServiceExt;

use coilway::app::App;
use coilway::app::Clock;
use coilway::config::Config;
use coilway::domain::ids::AreaId;
use coilway::domain::revision::Revision;
use coilway::store::AreaDraft;
use coilway::store::Target;
use coilway::store::Writer;

pub(crate) use crate::support::answer::Answer;
pub(crate) use crate::support::answer::ids_twice;
pub(crate) use crate::support::complete::OBSERVER;
pub(crate) use crate::support::park::LEDGE;
pub(crate) use crate::support::park::Park;
pub(crate) use crate::support::park::at;
pub(crate) use crate::support::park::report;
pub(crate) use crate::support::park::rows;

/// 2024-07-01T12:00:00Z.
pub(crate) const NOW_S: i64 = 1_719_835_200;

/// An app with its router; the database is gone when it is dropped.
pub(crate) struct TestApp {
    pub(crate) app: App,
    router: Router,
    _folder: TempDir,
}

impl TestApp {
    /// Nothing in the database, not even an area.
    pub(crate) async fn empty() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = Config::new(folder.path().join("test.db"), None, 0);
        Self::with_config(config, folder).await
    }

    /// A database for another program to read; it is there when this is dropped.
    pub(crate) async fn write_park(database: &std::path::Path, park: &Park) {
        let clock = Clock::Fixed(Timestamp::from_second(NOW_S).unwrap());
        let app = App::open(Config::new(database.to_owned(), None, 0), clock).await.unwrap();
        let mut writer = app.store().write("tester", "test", NOW_S).await.unwrap();
        park.write(&mut writer).await;
        writer.commit().await.unwrap();
        let areas = app.store().snapshot().await.unwrap().areas().await.unwrap();
        let target = Target { area: areas[0].id, source: None };
        let mut writer = app.store().write("tester", "test", NOW_S).await.unwrap();
        complete::complete(&mut writer, &target).await;
        writer.commit().await.unwrap();
    }

    /// The same database at another time by the machine's clock.
    pub(crate) async fn at(self, now_s: i64) -> Self {
        self.app.store().close().await;
        let config = self.app.config().clone();
        Self::open(config, self._folder, now_s).await
    }

    async fn with_config(config: Config, folder: TempDir) -> Self {
        Self::open(config, folder, NOW_S).await
    }

    async fn open(config: Config, folder: TempDir, now_s: i64) -> Self {
        let clock = Clock::Fixed(Timestamp::from_second(now_s).unwrap());
        let app = App::open(config, clock).await.unwrap();
        let router = coilway::web::router(app.clone());
        Self { app, router, _folder: folder }
    }

    /// The small park on a server that readers know under an address.
    pub(crate) async fn known_as(address: &str) -> Self {
        Self::configured(|config| Config { address: Some(address.parse().unwrap()), ..config }).await
    }

    /// The small park on a server with another configuration.
    pub(crate) async fn configured(change: impl FnOnce(Config) -> Config) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = change(Config::new(folder.path().join("test.db"), None, 0));
        let test = Self::with_config(config, folder).await;
        test.write(async |writer| Park::default().write(writer).await).await;
        test
    }

    /// The small park, all of it.
    pub(crate) async fn park() -> Self {
        Self::with(&Park::default()).await
    }

    /// The small park as described.
    pub(crate) async fn with(park: &Park) -> Self {
        let test = Self::empty().await;
        test.write(async |writer| park.write(writer).await).await;
        test
    }

    /// Changes facts and commits.
    pub(crate) async fn write(&self, change: impl AsyncFnOnce(&mut Writer)) -> Revision {
        let mut writer = self.app.store().write("tester", "test", NOW_S).await.unwrap();
        change(&mut writer).await;
        writer.commit().await.unwrap()
    }

    /// The area, and that rows do not come from a file.
    pub(crate) async fn by_hand(&self) -> Target {
        let areas = self.app.store().snapshot().await.unwrap().areas().await.unwrap();
        Target { area: areas[0].id, source: None }
    }

    /// Asks for an address.
    pub(crate) async fn get(&self, address: &str) -> Answer {
        self.ask(Method::GET, address, &[]).await
    }

    /// Sends a form as it stands.
    pub(crate) async fn submit(&self, address: &str, form: &str) -> Answer {
        self.post(address, form, &[]).await
    }

    /// Asks with a method and headers.
    pub(crate) async fn ask(&self, method: Method, address: &str, headers: &[(&str, &str)]) -> Answer {
        Answer::read(address, self.respond(method, address, headers).await).await
    }

    /// The headers of an answer whose body is not text.
    pub(crate) async fn headers(&self, address: &str, headers: &[(&str, &str)]) -> HeaderMap {
        self.respond(Method::GET, address, headers).await.headers().clone()
    }

    /// Sends a form.
    pub(crate) async fn post_fields(&self, address: &str, fields: &[(&str, &str)]) -> Answer {
        let encoded = |text: &str| -> String {
            text.bytes()
                .map(|byte| match byte {
                    b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' => char::from(byte).to_string(),
                    _ => format!("%{byte:02X}"),
                })
                .collect()
        };
        let body: Vec<String> =
            fields.iter().map(|(name, value)| format!("{}={}", encoded(name), encoded(value))).collect();
        self.post(address, &body.join("&"), &[]).await
    }

    /// The body of an answer that is not text, given that it is a good one.
    pub(crate) async fn bytes(&self, address: &str) -> Vec<u8> {
        let response = self.respond(Method::GET, address, &[]).await;
        assert_eq!(response.status(), StatusCode::OK, "{address}");
        to_bytes(response.into_body(), 64 * 1024 * 1024).await.unwrap().to_vec()
    }

    /// The body of a good answer in an encoding.
    pub(crate) async fn packed(&self, address: &str, encoding: &str) -> Vec<u8> {
        let response = self.respond(Method::GET, address, &[("accept-encoding", encoding)]).await;
        assert_eq!(response.headers()[header::CONTENT_ENCODING], encoding, "{address}");
        to_bytes(response.into_body(), 64 * 1024 * 1024).await.unwrap().to_vec()
    }

    /// Sends a form with headers.
    pub(crate) async fn post(&self, address: &str, form: &str, headers: &[(&str, &str)]) -> Answer {
        let kind = (header::CONTENT_TYPE.as_str(), "application/x-www-form-urlencoded");
        let headers: Vec<(&str, &str)> = headers.iter().copied().chain([kind]).collect();
        let request =
            Self::request(Method::POST, address, &headers).body(Body::from(form.to_owned())).unwrap();
        Answer::read(address, self.router.clone().oneshot(request).await.unwrap()).await
    }

    /// Sends a form with files as browsers do: field, file name (none for text), content.
    pub(crate) async fn send_files(
        &self,
        address: &str,
        parts: &[(&str, Option<&str>, &[u8])],
        headers: &[(&str, &str)],
    ) -> Answer {
        let mut body = Vec::new();
        for (field, file, content) in parts {
            body.extend(format!("--limit\r\nContent-Disposition: form-data; name=\"{field}\"").bytes());
            if let Some(file) = file {
                let kind = "Content-Type: application/octet-stream";
                body.extend(format!("; filename=\"{file}\"\r\n{kind}").bytes());
            }
            body.extend(b"\r\n\r\n");
            body.extend(*content);
            body.extend(b"\r\n");
        }
        body.extend(b"--limit--\r\n");
        let kind = (header::CONTENT_TYPE.as_str(), "multipart/form-data; boundary=limit");
        let headers: Vec<(&str, &str)> = headers.iter().copied().chain([kind]).collect();
        let request = Self::request(Method::POST, address, &headers).body(Body::from(body)).unwrap();
        Answer::read(address, self.router.clone().oneshot(request).await.unwrap()).await
    }

    /// An answer that is not text: status, headers, bytes.
    pub(crate) async fn file(&self, address: &str, headers: &[(&str, &str)]) -> (u16, HeaderMap, Vec<u8>) {
        let (parts, body) = self.respond(Method::GET, address, headers).await.into_parts();
        let bytes = to_bytes(body, 64 * 1024 * 1024).await.unwrap();
        (parts.status.as_u16(), parts.headers, bytes.to_vec())
    }

    async fn respond(&self, method: Method, address: &str, headers: &[(&str, &str)]) -> Response {
        // As a browser does that is asked to come back.
        loop {
            let request = Self::request(method.clone(), address, headers).body(Body::empty()).unwrap();
            let response = self.router.clone().oneshot(request).await.unwrap();
            if !response.headers().contains_key(header::REFRESH) {
                return response;
            }
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        }
    }

    fn request(method: Method, address: &str, headers: &[(&str, &str)]) -> Builder {
        let mut request = Request::builder().method(method).uri(address);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let named = request.headers_ref().is_some_and(|headers| headers.contains_key(header::HOST));
        if named { request } else { request.header(header::HOST, "localhost:8017") }
    }
}

/// An area in a zone without summer time, so that hours are easy to follow.
pub(crate) async fn put_area(writer: &mut Writer, name: &str) -> AreaId {
    let draft = AreaDraft {
        name: name.to_owned(),
        time_zone: "America/Phoenix".to_owned(),
        emergency_number: "911".to_owned(),
        keep_distance: None,
    };
    writer.put_area(&draft).await.unwrap()
}

/// A form as browsers send it.
pub(crate) fn form(fields: &[(&str, &str)]) -> String {
    let encoded = |text: &str| -> String { text.bytes().map(|byte| format!("%{byte:02X}")).collect() };
    let pairs = fields.iter().map(|(name, value)| format!("{}={}", encoded(name), encoded(value)));
    pairs.collect::<Vec<_>>().join("&")
}
