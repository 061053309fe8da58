//! Bringing in files, taking batches back, mending rows.

use std::collections::HashMap;

use axum::extract::Form;
use axum::extract::Path;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;

use crate::app::App;
use crate::app::BringIn;
use crate::app::BringInError;
use crate::app::BroughtIn;
use crate::app::MOST_IN_A_BATCH;
use crate::app::Opener;
use crate::app::PhotoFile;
use crate::domain::account::Right;
use crate::domain::area::Area;
use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::batch::StoredRowError;
use crate::domain::ids::BatchId;
use crate::domain::ids::RowErrorId;
use crate::ingest;
use crate::ingest::columns;
use crate::store;
use crate::store::RowErrorState;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::data::error_row;
use crate::web::pages::data::see_own;
use crate::web::upload::Parts;
use crate::web::upload::disk;
use crate::web::views::import;
use crate::web::views::import::ErrorRow;
use crate::web::views::import::ImportPage;
use crate::web::views::import::MendField;
use crate::web::views::import::MendPage;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;
use crate::web::views::layout::page;

/// The field of the mend form that says what to do; no header of a file is called so.
const ACTION: &str = "coilway-action";

/// The longest reason for taking a batch back, in characters.
const LONGEST_REASON: usize = 500;

/// The form.
pub async fn form(State(app): State<App>, who: Who) -> Result<Response, Error> {
    let area = the_area(&app).await?;
    Ok(respond(StatusCode::OK, (&app, &who), &area, &empty(&who)))
}

/// The form with the contents that somebody may bring in.
fn empty(who: &Who) -> ImportPage {
    let contents = Content::ALL.iter().copied();
    let contents = contents
        .filter(|content| *content != Content::Form && who.may_bring_in(*content))
        .map(|content| (content, columns(content)))
        .collect();
    ImportPage { contents, reviews: who.trust().reviews, ..ImportPage::default() }
}

fn require(who: &Who, content: Content) -> Result<(), Error> {
    match who.may_bring_in(content) {
        true => Ok(()),
        false => Err(Error::Forbidden(format!("Your account has no right to bring in {content}."))),
    }
}

/// Takes an upload and brings it in.
pub async fn upload(State(app): State<App>, who: Who, mut parts: Parts) -> Result<Response, Error> {
    let area = the_area(&app).await?;
    let mut shown = empty(&who);
    let mut content = None;
    let mut uploads = Vec::new();
    while let Some(mut part) = parts.next().await? {
        match part.name() {
            Some("content") => {
                shown.content = part.text().await?;
                content = shown.content.parse::<Content>().ok();
                content.map_or(Ok(()), |content| require(&who, content))?;
            }
            Some("file") if uploads.len() < most_files(content) => {
                let name = part.file_name();
                let spool = part.file(u64::MAX).await?;
                uploads.push(Upload { name, n_bytes: spool.n_bytes(), open: spool.opener().map_err(disk)? });
            }
            // Refused before anything of it is kept.
            Some("file") => return Ok(too_many((&app, &who), &area, shown, content)),
            _ => {}
        }
    }
    if content == Some(Content::Photos) && !uploads.is_empty() {
        return photos(&app, &who, &area, uploads).await;
    }
    let (Some(content), Some(upload)) = (content, uploads.pop()) else {
        shown.error = Some(("content".to_owned(), "Choose what the rows are, and a file.".to_owned()));
        return Ok(respond(StatusCode::BAD_REQUEST, (&app, &who), &area, &shown));
    };
    if upload.n_bytes == 0 {
        shown.error = Some(("file".to_owned(), "The file is empty.".to_owned()));
        return Ok(respond(StatusCode::BAD_REQUEST, (&app, &who), &area, &shown));
    }
    let request = BringIn {
        content,
        file_name: upload.name,
        actor: who.name().to_owned(),
        open: upload.open,
        trust: who.trust(),
    };
    let outcome = app.bring_in(area.id, request, |_| {}).await;
    after((&app, &who), &area, &mut shown, outcome)
}

/// A file that came.
struct Upload {
    name: String,
    n_bytes: u64,
    open: Opener,
}

/// How many files come together; one, too, as long as it is not said what they are.
fn most_files(content: Option<Content>) -> usize {
    if content == Some(Content::Photos) { MOST_IN_A_BATCH } else { 1 }
}

/// The form with what is wrong about so many files.
fn too_many(app: (&App, &Who), area: &Area, mut shown: ImportPage, content: Option<Content>) -> Response {
    let (field, words) = match content {
        None => ("content", "Say what the rows are before the files.".to_owned()),
        Some(Content::Photos) => ("file", BringInError::TooMany { most: MOST_IN_A_BATCH }.to_string()),
        Some(_) => (
            "file",
            "Only photos come several at once. Bring in one file of rows after the other.".to_owned(),
        ),
    };
    shown.error = Some((field.to_owned(), words));
    respond(StatusCode::BAD_REQUEST, app, area, &shown)
}

/// Brings in photos, several at once.
async fn photos(app: &App, who: &Who, area: &Area, uploads: Vec<Upload>) -> Result<Response, Error> {
    let files: Vec<PhotoFile> =
        uploads.into_iter().map(|upload| PhotoFile { name: upload.name, open: upload.open }).collect();
    let outcome = app.bring_in_photos(area.id, &files, (who.name(), who.trust()), |_| {}).await;
    let mut shown = ImportPage { content: Content::Photos.term().to_owned(), ..empty(who) };
    after((app, who), area, &mut shown, outcome.map(|photos| photos.brought_in))
}

/// Shows the batch, or the form with what is wrong.
fn after(
    app: (&App, &Who),
    area: &Area,
    shown: &mut ImportPage,
    outcome: Result<BroughtIn, BringInError>,
) -> Result<Response, Error> {
    match outcome {
        Ok(BroughtIn { batch, is_known, .. }) => {
            let again = if is_known { "?again=yes" } else { "" };
            Ok(Redirect::to(&format!("/data/batches/{batch}{again}")).into_response())
        }
        Err(error @ (BringInError::TooMany { .. } | BringInError::File { .. } | BringInError::Format(_))) => {
            shown.error = Some(("file".to_owned(), error.to_string()));
            Ok(respond(StatusCode::UNPROCESSABLE_ENTITY, app, area, shown))
        }
        Err(BringInError::Store(error)) => Err(error.into()),
        Err(error) => Err(Error::Internal(error.to_string())),
    }
}

async fn the_area(app: &App) -> Result<Area, Error> {
    common::first_area(app.store().snapshot().await?.areas().await?)
}

fn frame(area: &Area, who: &Who, title: &str) -> Frame {
    Frame {
        title: title.to_owned(),
        section: Section::Data,
        area_name: area.name.clone(),
        basis: Basis::default(),
        width: Width::Column,
        reader: Reader::from(who),
    }
}

fn respond(status: StatusCode, (app, who): (&App, &Who), area: &Area, shown: &ImportPage) -> Response {
    let gib = app.config().largest_upload_bytes as f64 / (1024.0 * 1024.0 * 1024.0);
    let shown = ImportPage { limit: format!("{gib:.0} GiB"), ..shown.clone() };
    let markup = page(&frame(area, who, "Bring in files"), import::import_body(&shown));
    (status, Cached(CachePolicy::Never, markup)).into_response()
}

/// Takes a whole batch back, with the reason where one is given.
pub async fn undo(
    State(app): State<App>,
    who: Who,
    Path(batch): Path<i64>,
    Form(given): Form<HashMap<String, String>>,
) -> Result<Redirect, Error> {
    let reason = given.get("reason").map(|reason| reason.trim()).unwrap_or_default();
    if reason.chars().count() > LONGEST_REASON {
        let words = format!("The reason is longer than {LONGEST_REASON} characters.");
        return Err(Error::bad_request("reason", words));
    }
    let summary = match reason {
        "" => format!("batch {batch} undone"),
        reason => format!("batch {batch} undone: {reason}"),
    };
    let mut writer = app.store().write(who.name(), &summary, app.clock().now_s()).await?;
    writer.undo_batch(BatchId(batch)).await?;
    writer.commit().await?;
    Ok(Redirect::to(&format!("/data/batches/{batch}")))
}

/// The form that mends a row.
pub async fn mend_form(State(app): State<App>, who: Who, Path(id): Path<i64>) -> Result<Response, Error> {
    let (area, (stored, _)) = (the_area(&app).await?, stored_error(&app, &who, id).await?);
    let fields = cells(&who, &stored, stored.error.raw.clone());
    Ok(mend_page(StatusCode::OK, (&area, &who), error_row(&who, &stored), fields))
}

/// Tries a mended row again, or sets it aside.
pub async fn mend(
    State(app): State<App>,
    who: Who,
    Path(id): Path<i64>,
    Form(given): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let (area, (mut stored, batch)) = (the_area(&app).await?, stored_error(&app, &who, id).await?);
    let given: HashMap<String, String> = given.into_iter().collect();
    if given.get(ACTION).map(String::as_str) == Some("set-aside") {
        let mut writer =
            app.store().write(who.name(), &format!("row error {id} set aside"), app.clock().now_s()).await?;
        writer.settle_row_error(RowErrorId(id), RowErrorState::SetAside).await?;
        writer.commit().await?;
        return Ok(other_rows(&who, batch).into_response());
    }
    let mended: Vec<(String, String)> = stored
        .error
        .raw
        .iter()
        .map(|(header, old)| {
            let is_withheld = common::is_withheld_cell(&who, stored.content, header, old);
            // What somebody was not shown is kept unless they write something else.
            let given = given.get(header).filter(|value| !(is_withheld && value.trim().is_empty()));
            (header.clone(), given.unwrap_or(old).clone())
        })
        .collect();
    match app.retry(area.id, &stored, mended.clone(), (who.name(), who.trust())).await {
        Ok(Ok(_)) => Ok(other_rows(&who, batch).into_response()),
        Ok(Err(error)) => {
            let fields = cells(&who, &stored, mended);
            // A row that is tried again is read by itself, as the first of its kind.
            stored.error = RowError { row_number: stored.error.row_number, ..error };
            Ok(mend_page(StatusCode::UNPROCESSABLE_ENTITY, (&area, &who), error_row(&who, &stored), fields))
        }
        Err(BringInError::Store(error)) => Err(error.into()),
        Err(error) => Err(Error::Internal(error.to_string())),
    }
}

/// Where the other rows wait: all of them, or for whoever may not see those of others the ones of the same batch.
fn other_rows(who: &Who, batch: BatchId) -> Redirect {
    match who.may(Right::SeeExact) {
        true => Redirect::to("/data/rows"),
        false => Redirect::to(&format!("/data/batches/{batch}")),
    }
}

async fn stored_error(app: &App, who: &Who, id: i64) -> Result<(StoredRowError, BatchId), Error> {
    let none = || Error::NotFound(format!("There is no row error {id}."));
    let mut snapshot = app.store().snapshot().await?;
    let mut stored = snapshot.row_error(RowErrorId(id)).await?.ok_or_else(none)?;
    let (batch, actor) = snapshot.row_error_origin(RowErrorId(id)).await?.ok_or_else(none)?;
    see_own(who, &actor).map_err(|_| none())?;
    require(who, stored.content)?;
    // What goes in with a batch that was taken back could be taken back by nobody.
    if snapshot.batch_story(batch).await?.is_some_and(|story| story.taken_back.is_some()) {
        return Err(store::Error::UndoneAlready(batch.0).into());
    }
    // A field that the file lacks can be filled in, too.
    let error = &mut stored.error;
    error.raw = ingest::with_field(stored.content, std::mem::take(&mut error.raw), &error.field);
    Ok((stored, batch))
}

/// The cells of a row as they are to be shown; what is stored and withheld stays so until somebody writes something else.
fn cells(who: &Who, stored: &StoredRowError, shown: Vec<(String, String)>) -> Vec<MendField> {
    let cells = stored.error.raw.iter().zip(shown).map(|((_, old), (header, value))| {
        let is_withheld = value == *old && common::is_withheld_cell(who, stored.content, &header, old);
        MendField { value: if is_withheld { String::new() } else { value }, header, is_withheld }
    });
    cells.collect()
}

fn mend_page(
    status: StatusCode,
    (area, who): (&Area, &Who),
    row: ErrorRow,
    fields: Vec<MendField>,
) -> Response {
    let markup = page(&frame(area, who, "Mend a row"), import::mend_body(&MendPage { row, fields }));
    (status, Cached(CachePolicy::Never, markup)).into_response()
}
