//! Forms with files, read within bounds: so many parts, so many bytes of text, so many at once.

use axum::extract::FromRequest;
use axum::extract::Multipart;
use axum::extract::Request;
use axum::extract::multipart::Field;
use axum::extract::multipart::MultipartError;
use axum::http::StatusCode;

use crate::app::App;
use crate::app::MOST_IN_A_BATCH;
use crate::app::NoTurn;
use crate::app::Spool;
use crate::app::UploadTurn;
use crate::web::auth::Who;
use crate::web::auth::client_address;
use crate::web::error::Error;

/// Parts of a form: as many files as may come together, and a few fields.
const MOST_PARTS: usize = MOST_IN_A_BATCH + 8;
/// The longest text in a field beside a file, bytes.
const MOST_TEXT_BYTES: usize = 2048;

/// The parts of a form with files, one after the other. As long as it is there, the upload counts as under way.
pub struct Parts {
    parts: Multipart,
    n_left: usize,
    _turn: UploadTurn,
}

impl FromRequest<App> for Parts {
    type Rejection = Error;

    async fn from_request(request: Request, app: &App) -> Result<Self, Error> {
        let account = request.extensions().get::<Who>().and_then(Who::account).map(|account| account.id);
        let whose = match account {
            Some(id) => format!("account {id}"),
            None => {
                let address = client_address(app.config().front, request.headers(), request.extensions());
                address.map_or("address unknown".to_owned(), |address| format!("address {address}"))
            }
        };
        let turn = app.uploads().begin(&whose).map_err(|no_turn| match no_turn {
            NoTurn::Yours => Error::TooMuchAtOnce(
                "Two uploads of yours are under way. Send this one when one of them has ended.".to_owned(),
            ),
            NoTurn::All => Error::NotNow(
                "As many uploads are under way as this server takes. Send this one again in a moment."
                    .to_owned(),
            ),
        })?;
        let parts = Multipart::from_request(request, app)
            .await
            .map_err(|_| Error::bad_request("request", "This is not a form with files."))?;
        Ok(Self { parts, n_left: MOST_PARTS, _turn: turn })
    }
}

impl Parts {
    /// The next part, none after the last.
    ///
    /// # Errors
    /// [`Error`], the sender's, when the upload breaks off or has more parts than any form has.
    pub async fn next(&mut self) -> Result<Option<Field<'_>>, Error> {
        let part = self.parts.next_field().await.map_err(refused)?;
        match self.n_left.checked_sub(1) {
            Some(n_left) => self.n_left = n_left,
            None if part.is_some() => {
                return Err(Error::bad_request("form", format!("A form has at most {MOST_PARTS} parts.")));
            }
            None => {}
        }
        Ok(part)
    }
}

/// The text of a field.
///
/// # Errors
/// [`Error`] naming the field where it is too long.
pub async fn text(part: &mut Field<'_>) -> Result<String, Error> {
    let name = part.name().unwrap_or_default().to_owned();
    let mut bytes = Vec::new();
    while let Some(chunk) = part.chunk().await.map_err(refused)? {
        if bytes.len() + chunk.len() > MOST_TEXT_BYTES {
            let words = format!("The field {name} has at most {MOST_TEXT_BYTES} bytes.");
            return Err(Error::bad_request(name, words));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// The bytes of a file, kept on the disk; those beyond `most` are left out.
///
/// # Errors
/// [`Error`] when the upload breaks off or the disk is full.
pub async fn file(part: &mut Field<'_>, most: u64) -> Result<Spool, Error> {
    let mut spool = Spool::new().map_err(disk)?;
    while let Some(bytes) = part.chunk().await.map_err(refused)? {
        let room = usize::try_from(most.saturating_sub(spool.n_bytes())).unwrap_or(usize::MAX);
        spool.write(&bytes[..bytes.len().min(room)]).map_err(disk)?;
    }
    Ok(spool)
}

/// The server could not keep an upload.
pub fn disk(error: std::io::Error) -> Error {
    Error::Internal(format!("an upload could not be kept: {error}"))
}

/// The name without folders, as some browsers send them.
pub fn plain_name(name: &str) -> String {
    name.rsplit(['/', '\\']).next().unwrap_or(name).to_owned()
}

fn refused(error: MultipartError) -> Error {
    if error.status() == StatusCode::PAYLOAD_TOO_LARGE {
        return Error::TooLarge("The file is larger than this server takes.".to_owned());
    }
    Error::bad_request("file", format!("The upload broke off or is not a form: {error}"))
}
