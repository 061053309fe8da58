//! Forms with files, read within bounds: so many parts, so many bytes of text, so many at once.

use std::io::ErrorKind;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::sync::atomic::Ordering;
use std::task::Context;
use std::task::Poll;

use axum::body::Body;
use axum::body::Bytes;
use axum::body::HttpBody;
use axum::extract::FromRequest;
use axum::extract::Multipart;
use axum::extract::Request;
use axum::extract::multipart::Field;
use axum::extract::multipart::MultipartError;
use axum::http::StatusCode;
use hyper::body::Frame;

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
/// Bytes after which those that came are looked at, however fast more of them come.
const STEP_BYTES: usize = 256 * 1024;
/// Bytes that may come before a part begins or gives anything: its head has no end then, or nobody wants it.
const MOST_HELD_BYTES: usize = 8 << 20;

/// The parts of a form with files, one after the other. As long as it is there, the upload counts as under way.
pub struct Parts {
    parts: Multipart,
    n_left: usize,
    held: Held,
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
        let held = Held::default();
        let request = request.map(|body| Body::new(Rationed { body, held: held.clone(), n_in_step: 0 }));
        let parts = Multipart::from_request(request, app)
            .await
            .map_err(|_| Error::bad_request("request", "This is not a form with files."))?;
        Ok(Self { parts, n_left: MOST_PARTS, held, _turn: turn })
    }
}

impl Parts {
    /// The next part, none after the last.
    ///
    /// # Errors
    /// [`Error`], the sender's, when the upload breaks off or has more parts than any form has.
    pub async fn next(&mut self) -> Result<Option<Part<'_>>, Error> {
        let part = self.parts.next_field().await.map_err(refused)?;
        match self.n_left.checked_sub(1) {
            Some(n_left) => self.n_left = n_left,
            None if part.is_some() => {
                return Err(Error::bad_request("form", format!("A form has at most {MOST_PARTS} parts.")));
            }
            None => {}
        }
        self.held.give_out();
        Ok(part.map(|field| Part { field, held: self.held.clone() }))
    }
}

/// A part of a form.
pub struct Part<'a> {
    field: Field<'a>,
    held: Held,
}

impl Part<'_> {
    /// The name of its field.
    pub fn name(&self) -> Option<&str> {
        self.field.name()
    }

    /// The name of the file, without folders, as some browsers send them; empty where it has none.
    pub fn file_name(&self) -> String {
        let name = self.field.file_name().unwrap_or_default();
        name.rsplit(['/', '\\']).next().unwrap_or(name).to_owned()
    }

    /// The text of a field.
    ///
    /// # Errors
    /// [`Error`] naming the field where it is too long.
    pub async fn text(&mut self) -> Result<String, Error> {
        let name = self.name().unwrap_or_default().to_owned();
        let mut text = Vec::new();
        while let Some(bytes) = self.bytes().await? {
            if text.len() + bytes.len() > MOST_TEXT_BYTES {
                let words = format!("The field {name} has at most {MOST_TEXT_BYTES} bytes.");
                return Err(Error::bad_request(name, words));
            }
            text.extend_from_slice(&bytes);
        }
        Ok(String::from_utf8_lossy(&text).into_owned())
    }

    /// The bytes of a file, kept on the disk; those beyond `most` are left out.
    ///
    /// # Errors
    /// [`Error`] when the upload breaks off or the disk is full.
    pub async fn file(&mut self, most: u64) -> Result<Spool, Error> {
        let mut spool = Spool::new().map_err(disk)?;
        while let Some(bytes) = self.bytes().await? {
            let room = usize::try_from(most.saturating_sub(spool.n_bytes())).unwrap_or(usize::MAX);
            spool.write(&bytes[..bytes.len().min(room)]).map_err(disk)?;
        }
        Ok(spool)
    }

    /// Reads it to its end and keeps nothing of it.
    ///
    /// # Errors
    /// [`Error`] when the upload breaks off.
    pub async fn leave_out(&mut self) -> Result<(), Error> {
        while self.bytes().await?.is_some() {}
        Ok(())
    }

    async fn bytes(&mut self) -> Result<Option<Bytes>, Error> {
        let bytes = self.field.chunk().await.map_err(refused)?;
        self.held.give_out();
        Ok(bytes)
    }
}

/// How many bytes have come since a part began or gave some.
#[derive(Clone, Default)]
struct Held(Arc<AtomicUsize>);

impl Held {
    fn give_out(&self) {
        self.0.store(0, Ordering::Relaxed);
    }
}

/// A body that gives a step at a time, since the reader of forms takes all it can get before it looks at any of it, and that
/// ends when nothing comes of what it gave.
struct Rationed {
    body: Body,
    held: Held,
    n_in_step: usize,
}

impl HttpBody for Rationed {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        if self.n_in_step >= STEP_BYTES {
            self.n_in_step = 0;
            context.waker().wake_by_ref();
            return Poll::Pending;
        }
        if self.held.0.load(Ordering::Relaxed) > MOST_HELD_BYTES {
            return Poll::Ready(Some(Err(axum::Error::new("a part has no beginning, or is too long"))));
        }
        let frame = std::task::ready!(Pin::new(&mut self.body).poll_frame(context));
        if let Some(Ok(frame)) = &frame {
            let n_bytes = frame.data_ref().map_or(0, Bytes::len);
            self.n_in_step += n_bytes;
            self.held.0.fetch_add(n_bytes, Ordering::Relaxed);
        }
        Poll::Ready(frame)
    }
}

/// The server could not keep an upload.
pub fn disk(error: std::io::Error) -> Error {
    if matches!(error.kind(), ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge) {
        return Error::disk_is_full();
    }
    Error::Internal(format!("an upload could not be kept: {error}"))
}

fn refused(error: MultipartError) -> Error {
    if error.status() == StatusCode::PAYLOAD_TOO_LARGE {
        return Error::TooLarge("The file is larger than this server takes.".to_owned());
    }
    Error::bad_request("file", format!("The upload broke off or is not a form: {error}"))
}
