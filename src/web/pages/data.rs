//! What data there are: counts, batches, rows that wait.

use axum::extract::Path;
use axum::extract::State;
use axum::response::IntoResponse;

use crate::app::App;
use crate::app::Progress;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::domain::account::Right;
use crate::domain::area::Area;
use crate::domain::batch::BatchSummary;
use crate::domain::batch::StoredRowError;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::VerificationStatus;
use crate::domain::ids::RowErrorId;
use crate::store::EncounterRow;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::query::key;
use crate::web::views;
use crate::web::views::charts::thousands;
use crate::web::views::import::BatchPage;
use crate::web::views::import::BatchRow;
use crate::web::views::import::DataPage;
use crate::web::views::import::ErrorRow;
use crate::web::views::import::FileRow;
use crate::web::views::import::OPEN;
use crate::web::views::import::RowsPage;
use crate::web::views::import::content_words;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;

/// Most rows that wait on one page.
const N_ROWS: u32 = 500;

/// The overview.
pub async fn overview(app: Exact, who: Who) -> Result<impl IntoResponse, Error> {
    let facts = match app.deriver().facts().await {
        Ok(facts) => facts,
        Err(DeriveError::Unanswerable(reason)) => return Err(Error::Unanswerable(reason)),
        Err(error) => return Err(error.into()),
    };
    let mut snapshot = app.store().snapshot().await?;
    let batches = snapshot.batches(facts.area.id).await?;
    let n_open_errors = snapshot.n_open_row_errors(facts.area.id).await?;
    let n_photos = snapshot.n_photos(facts.area.id).await? as usize;
    drop(snapshot);
    let mut counts: Vec<(String, u64, String)> = EffortKind::ALL
        .iter()
        .map(|kind| {
            let n = facts.encounters.rows.iter().filter(|row| row.effort_kind == *kind).count();
            (format!("Encounters, {kind}"), n as u64, format!("/encounters?effort={kind}"))
        })
        .collect();
    let others: [(&str, usize, &str); 10] = [
        ("Photos of encounters", n_photos, "/encounters"),
        ("Trails", facts.trails.len(), "/trails"),
        ("Trailheads", facts.trailheads.len(), ""),
        ("Places", facts.places.len(), "/trails#places"),
        ("Sensitive places", facts.sensitive_places.len(), ""),
        ("Counters", facts.counters.len(), ""),
        ("Counter readings", facts.readings.rows.len(), ""),
        ("Calibration sessions", facts.calibrations.len(), ""),
        ("Survey walks", facts.walks.len(), ""),
        ("Species", facts.species.len(), ""),
    ];
    counts.extend(others.map(|(words, n, href)| (words.to_owned(), n as u64, href.to_owned())));
    let page = DataPage {
        counts,
        left_out: left_out(&facts),
        batches: batches.iter().map(batch_row).collect(),
        n_open_errors,
        progress: progress_words(app.progress()),
        may_see_changes: who.may(Right::Manage),
    };
    Ok(respond((&facts.area, Reader::Staff), "Data", Some(facts.revision.0), views::import::data_body(&page)))
}

/// Why fewer reports are in figures than there are; empty where all may be.
fn left_out(facts: &Facts) -> String {
    let reports = || facts.encounters.rows.iter().filter(|row| row.effort_kind == EffortKind::Report);
    let is_rejected = |row: &&EncounterRow| row.verification_status == VerificationStatus::Rejected;
    let n_rejected = reports().filter(is_rejected).count();
    let n_harmless = reports().filter(|row| !is_rejected(row) && !facts.counts(row)).count();
    let n = |count: usize, words: &str| format!("{} {words}", thousands(count as i64));
    let reasons = match (n_harmless, n_rejected) {
        (0, 0) => return String::new(),
        (_, 0) => n(n_harmless, "of species that the area’s list says are not venomous"),
        (0, _) => n(n_rejected, "rejected at review"),
        _ => format!(
            "{} and {}",
            n(n_harmless, "of species that the area’s list says are not venomous"),
            n(n_rejected, "rejected at review")
        ),
    };
    let n_all = reports().count();
    format!(
        "Of the {} reports {} may be in figures; the others, {reasons}, are in none.",
        thousands(n_all as i64),
        thousands((n_all - n_harmless - n_rejected) as i64)
    )
}

fn progress_words(progress: Progress) -> String {
    match progress {
        Progress::NotFollowed => String::new(),
        Progress::Deriving(step) => {
            format!("Being computed: step {} of {}, {}.", step.number, step.n_steps, step.words)
        }
        Progress::Ready(revision) => format!("All figures of revision {revision} are computed."),
        Progress::Stopped(revision, reason) => {
            format!("Revision {revision}, as far as the data allow: {reason}")
        }
    }
}

/// Rows that wait.
pub async fn rows(app: Exact, who: Who) -> Result<impl IntoResponse, Error> {
    let mut snapshot = app.store().snapshot().await?;
    let area = common::first_area(snapshot.areas().await?)?;
    let errors = snapshot.open_row_errors(area.id, RowErrorId(0), N_ROWS).await?;
    let page = RowsPage {
        n_open: snapshot.n_open_row_errors(area.id).await?,
        rows: errors.iter().map(|row| error_row(&who, row)).collect(),
    };
    Ok(respond((&area, Reader::Staff), "Rows that did not go in", None, views::import::rows_body(&page)))
}

/// One batch.
pub async fn batch(
    State(app): State<App>,
    who: Who,
    Path(id): Path<String>,
    query: Query,
) -> Result<impl IntoResponse, Error> {
    query.allow(&["again"])?;
    let is_again = match query.get("again") {
        None => false,
        Some("yes") => true,
        Some(other) => return Err(Error::bad_request("again", format!("\"{other}\" is not: yes."))),
    };
    let id: i64 = key(&id, "batch")?;
    let mut snapshot = app.store().snapshot().await?;
    let area = common::first_area(snapshot.areas().await?)?;
    let found = snapshot.batches(area.id).await?.into_iter().find(|batch| batch.id.0 == id);
    // A batch of others is none for whoever may not see it: else its number would tell how much others bring in.
    let found = found.filter(|batch| see_own(&who, &batch.actor).is_ok());
    let found = found.ok_or_else(|| Error::NotFound(format!("There is no batch {id}.")))?;
    let files = snapshot.files_of_batch(found.id).await?;
    let errors = snapshot.row_errors_of_batch(found.id, N_ROWS).await?;
    let n_errors = snapshot.n_row_errors_of_batch(found.id).await?;
    let lacking = snapshot.lacking_of_batch(found.id).await?;
    let holds = snapshot.batch_holds(found.id).await?;
    let taken_back = snapshot.batch_story(found.id).await?.and_then(|story| story.taken_back);
    let page = BatchPage {
        row: batch_row(&found),
        brought_in_before: is_again.then(|| common::when(found.created_at_s)),
        n_changed: holds.n_changed,
        holds: holds.added.iter().map(|(content, n)| (content_words(*content).to_owned(), *n)).collect(),
        taken_back: taken_back
            .map(|step| format!("{}, {}: {}", step.actor, common::when(step.at_s), step.summary)),
        files: files
            .into_iter()
            .map(|file| FileRow {
                format: format!("{}, {}", file.given.format, file.given.encoding),
                name: file.given.name,
                mapping: file.given.mapping,
            })
            .collect(),
        n_errors,
        errors: errors.iter().map(|row| of_batch(error_row(&who, row), &found)).collect(),
        // Whether a walk of that eventID is there may only be told to those who may see it.
        lacking: if who.may(Right::SeeExact) { lacking } else { (lacking.0, lacking.1, 0) },
        may_undo: who.may(Right::Manage),
    };
    Ok(respond((&area, Reader::from(&who)), &format!("Batch {id}"), None, views::import::batch_body(&page)))
}

/// The batches that somebody brought in, for whoever may see no others.
pub async fn own(State(app): State<App>, who: Who) -> Result<impl IntoResponse, Error> {
    let mut snapshot = app.store().snapshot().await?;
    let area = common::first_area(snapshot.areas().await?)?;
    let batches = snapshot.batches(area.id).await?;
    let rows: Vec<_> = batches.iter().filter(|batch| batch.actor == who.name()).map(batch_row).collect();
    Ok(respond((&area, Reader::from(&who)), "What you brought in", None, views::import::own_body(&rows)))
}

/// Rows say where somebody was: whoever may not see exact places sees those only that they brought in themselves.
pub(super) fn see_own(who: &Who, actor: &str) -> Result<(), Error> {
    if who.name() == actor { Ok(()) } else { who.require(Right::SeeExact) }
}

/// Batches and rows change without a new revision, so nothing is kept.
fn respond(
    (area, reader): (&Area, Reader),
    title: &str,
    revision: Option<u64>,
    body: maud::Markup,
) -> Cached<maud::Markup> {
    let frame = Frame {
        title: title.to_owned(),
        section: Section::Data,
        area_name: area.name.clone(),
        basis: Basis { revision, ..Basis::default() },
        width: Width::Column,
        reader,
    };
    Cached(CachePolicy::Never, views::layout::page(&frame, body))
}

fn batch_row(batch: &BatchSummary) -> BatchRow {
    let when = common::when(batch.created_at_s);
    BatchRow {
        id: batch.id.0,
        content: views::import::content_words(batch.content).to_owned(),
        files: batch.file_names.join(", "),
        by: format!("{}, {when}", batch.actor),
        counts: [batch.n_accepted, batch.n_unchanged, batch.n_refused],
        undone: batch.undone_at_s.is_some(),
    }
}

/// A row of a batch: where that was undone, it waits no longer.
fn of_batch(row: ErrorRow, batch: &BatchSummary) -> ErrorRow {
    match batch.undone_at_s {
        Some(_) if row.state == OPEN => ErrorRow { state: "undone with its batch".to_owned(), ..row },
        _ => row,
    }
}

/// A row that did not go in, as somebody may see it.
pub(super) fn error_row(who: &Who, stored: &StoredRowError) -> ErrorRow {
    let error = &stored.error;
    ErrorRow {
        id: stored.id.0,
        file: stored.file_name.clone(),
        row_number: error.row_number,
        field: error.field.clone(),
        value: common::cell_words(who, stored.content, &error.field, &error.value),
        reason: error.reason.clone(),
        hint: error.hint.clone(),
        state: stored.state.clone(),
    }
}
