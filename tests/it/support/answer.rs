//! An answer of the server, read whole.

use std::collections::BTreeSet;
use std::str::FromStr;

use axum::body::to_bytes;
use axum::http::HeaderMap;
use axum::http::StatusCode;
use axum::response::Response;
use geojson::FeatureCollection;
use serde_json::Value;

/// The names of elements that stand in a page more than once: a link, a label or a message would lead to the first of them.
pub(crate) fn ids_twice(page: &str) -> Vec<String> {
    let mut seen = BTreeSet::new();
    let ids = page.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next());
    ids.filter(|id| !seen.insert(*id)).map(str::to_owned).collect()
}

/// Status, headers and body.
pub(crate) struct Answer {
    pub(crate) address: String,
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) body: String,
}

impl Answer {
    pub(crate) async fn read(address: &str, response: Response) -> Self {
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, 64 * 1024 * 1024).await.unwrap();
        let body = String::from_utf8(bytes.to_vec()).unwrap();
        Self { address: address.to_owned(), status: parts.status, headers: parts.headers, body }
    }

    /// A header as text, empty where there is none.
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    /// Fails unless the status is the one expected, and says the body then.
    #[track_caller]
    pub(crate) fn expect(self, status: u16) -> Self {
        assert_eq!(self.status.as_u16(), status, "{}: {}", self.address, self.body);
        self
    }

    /// Fails unless the body holds the words.
    #[track_caller]
    pub(crate) fn says(&self, words: &str) {
        assert!(self.body.contains(words), "{} does not say \"{words}\": {}", self.address, self.body);
    }

    /// Fails if the body holds the words.
    #[track_caller]
    pub(crate) fn never_says(&self, words: &str) {
        assert!(!self.body.contains(words), "{} says \"{words}\": {}", self.address, self.body);
    }

    /// The names of elements that stand in the page more than once.
    pub(crate) fn twice(&self) -> Vec<String> {
        ids_twice(&self.body)
    }

    /// The body as JSON.
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{}: {error}", self.address))
    }

    /// The body as a collection of features, of the right media type.
    #[track_caller]
    pub(crate) fn features(&self) -> FeatureCollection {
        assert_eq!(self.header("content-type"), "application/geo+json", "{}: {}", self.address, self.body);
        FeatureCollection::from_str(&self.body).unwrap_or_else(|error| panic!("{}: {error}", self.address))
    }
}
