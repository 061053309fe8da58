//! The one error that becomes a response.
//!
//! Handlers return `Result<_, Error>`. Turning an error into a response logs nothing: the middleware in
//! [`crate::web::report`] logs server errors once and renders a page or problem details (RFC 9457).

use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Response;

use crate::app::MetricsError;
use crate::app::SecretError;
use crate::derived::DeriveError;
use crate::store;

/// A moment, seconds: imports and uploads mostly take less.
const AGAIN_AFTER_S: i64 = 10;

/// Why a request could not be answered.
#[derive(Debug, Clone, thiserror::Error)]
pub enum Error {
    /// There is nothing at this address.
    #[error("{0}")]
    NotFound(String),
    /// The request itself is wrong: a parameter or a form field.
    #[error("{detail}")]
    BadRequest {
        /// The parameter or field.
        field: String,
        /// What is wrong with it and what would be right.
        detail: String,
    },
    /// The upload is larger than the server takes.
    #[error("{0}")]
    TooLarge(String),
    /// Somebody has to sign in before this can be answered.
    #[error("Sign in first.")]
    SignInFirst,
    /// The token sent is not one, has ended, or was revoked.
    #[error("This token is not known here, has ended, or was revoked.")]
    BadToken,
    /// Whoever asks may not have this.
    #[error("{0}")]
    Forbidden(String),
    /// Too many failures: wait.
    #[error("Too many failed tries. Try again in {0} seconds.")]
    Wait(i64),
    /// Whoever asks has to wait until what they began before has ended.
    #[error("{0}")]
    TooMuchAtOnce(String),
    /// It can be done in a moment.
    #[error("{0}")]
    NotNow(String),
    /// Another process is writing.
    #[error("another import or edit is being written; try again in a moment")]
    Busy,
    /// The server has no room for it, or may not write.
    #[error("{0}")]
    NotKept(String),
    /// The figure asked for cannot be computed from the data there is.
    #[error("{0}")]
    Unanswerable(String),
    /// Our fault. The cause goes to the log, never to the reader.
    #[error("something went wrong on the server")]
    Internal(String),
}

impl Error {
    /// A wrong parameter or field.
    pub fn bad_request(field: impl Into<String>, detail: impl Into<String>) -> Self {
        Self::BadRequest { field: field.into(), detail: detail.into() }
    }

    /// There is no room on the server's disk.
    pub fn disk_is_full() -> Self {
        let words = "The disk of the server is full, or cannot be written, and nothing of this was kept. What was kept before is still there. Tell \
                     whoever looks after the server, and send it again when there is room.";
        Self::NotKept(words.to_owned())
    }

    /// After how many seconds to ask again, where that is what would help.
    pub fn again_after_s(&self) -> Option<i64> {
        match self {
            Self::Wait(seconds) => Some(*seconds),
            Self::TooMuchAtOnce(_) | Self::NotNow(_) | Self::Busy => Some(AGAIN_AFTER_S),
            _ => None,
        }
    }

    /// The HTTP status.
    pub fn status(&self) -> StatusCode {
        match self {
            Self::NotFound(_) => StatusCode::NOT_FOUND,
            Self::BadRequest { .. } => StatusCode::BAD_REQUEST,
            Self::SignInFirst | Self::BadToken => StatusCode::UNAUTHORIZED,
            Self::Forbidden(_) => StatusCode::FORBIDDEN,
            Self::Wait(_) | Self::TooMuchAtOnce(_) => StatusCode::TOO_MANY_REQUESTS,
            Self::TooLarge(_) => StatusCode::PAYLOAD_TOO_LARGE,
            Self::Busy | Self::NotNow(_) => StatusCode::SERVICE_UNAVAILABLE,
            Self::Unanswerable(_) => StatusCode::UNPROCESSABLE_ENTITY,
            Self::NotKept(_) => StatusCode::INSUFFICIENT_STORAGE,
            Self::Internal(_) => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }
}

impl IntoResponse for Error {
    fn into_response(self) -> Response {
        let mut response = self.status().into_response();
        response.extensions_mut().insert(self);
        response
    }
}

impl From<store::Error> for Error {
    fn from(error: store::Error) -> Self {
        match error {
            store::Error::Busy => Self::Busy,
            store::Error::NotWritten => Self::NotNow(
                "This is in force until the server stops. An import or edit that takes long has kept it from being written \
                 so far: try again, so that it stays in force."
                    .to_owned(),
            ),
            store::Error::Missing { .. } => Self::NotFound(format!("{error}.")),
            store::Error::UndoneAlready(_) => Self::Unanswerable(format!("{error}.")),
            store::Error::Full => Self::disk_is_full(),
            store::Error::ReadOnly => Self::NotKept(
                "The database of the server may only be read, and nothing of this was kept. Tell whoever looks after the server."
                    .to_owned(),
            ),
            other => Self::Internal(with_causes(&other)),
        }
    }
}

/// An error with what caused it, for the log.
fn with_causes(error: &dyn std::error::Error) -> String {
    let causes = std::iter::successors(error.source(), |cause| cause.source());
    causes.fold(error.to_string(), |words, cause| format!("{words}: {cause}"))
}

impl From<SecretError> for Error {
    fn from(error: SecretError) -> Self {
        Self::Internal(error.to_string())
    }
}

impl From<MetricsError> for Error {
    fn from(error: MetricsError) -> Self {
        Self::Internal(error.to_string())
    }
}

impl From<DeriveError> for Error {
    fn from(error: DeriveError) -> Self {
        match error {
            DeriveError::Store(error) => error.into(),
            DeriveError::Unanswerable(reason) => Self::Unanswerable(reason),
            DeriveError::Internal(reason) => Self::Internal(reason),
        }
    }
}
