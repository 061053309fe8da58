//! The study page, its tables and figures one by one, and the archive.

use std::sync::Arc;

use axum::extract::Path;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;
use maud::Markup;
use rayon::prelude::*;

use crate::derived::study;
use crate::derived::study::Layers;
use crate::derived::study::Table;
use crate::derived::study::Value;
use crate::domain::revision::Revision;
use crate::signage::export;
use crate::signage::export::ExportError;
use crate::web;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::study::StudyError;
use crate::web::study::archive::cited;
use crate::web::study::archive::withheld_words;
use crate::web::study::figures;
use crate::web::study::methods::SECTIONS;
use crate::web::study::methods::how_to_cite;
use crate::web::views;
use crate::web::views::about::REFERENCES;
use crate::web::views::layout::Section;
use crate::web::views::study::FigureCard;
use crate::web::views::study::Preview;
use crate::web::views::study::StudyPage;
use crate::web::views::study::TableCard;

/// Rows of a preview.
const N_PREVIEWED: usize = 5;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&[])?;
    let layers = Layers { most_rows: N_PREVIEWED, ..Layers::read(app.deriver()).await? };
    let revision = layers.facts.revision;
    // Every table is made to show its first rows: work for threads that answer nobody meanwhile.
    let made = tokio::task::spawn_blocking(move || page(&layers)).await;
    let markup = made.map_err(|error| Error::Internal(error.to_string()))?;
    Ok(Cached(CachePolicy::of_revision(revision, "study"), markup))
}

fn page(layers: &Layers) -> Markup {
    let facts = &layers.facts;
    let card = |entry: &study::Entry| TableCard {
        name: entry.name,
        title: entry.title,
        content: (entry.make)(layers).map(|table| preview(layers, &table)),
    };
    let (tables, figures) =
        rayon::join(|| study::TABLES.par_iter().map(card).collect(), || figures::all(layers));
    let page = StudyPage {
        revision: facts.revision.0,
        basis: facts.basis.0,
        seed: facts.settings.seed(),
        n_draws: facts.settings.draws() as u64,
        settings: facts.parameters.clone(),
        tables,
        figures: figures
            .into_iter()
            .map(|figure| FigureCard { name: figure.name, title: figure.title, missing: figure.drawn.err() })
            .collect(),
        cited: how_to_cite(&facts.area.name, &cited(layers)),
        methods: SECTIONS.to_vec(),
        references: REFERENCES.to_vec(),
        can_print: export::CAN_PRINT,
    };
    let records = match &layers.rates {
        Ok(rates) => common::rate_records(rates),
        Err(_) => String::new(),
    };
    let frame = common::frame(facts, Section::Analysis, "Study", records);
    views::layout::page(&frame, views::study::body(&page))
}

fn preview(layers: &Layers, table: &Table) -> Preview {
    let columns = table.columns.iter().map(|it| (it.name.clone(), it.unit, it.meaning.clone()));
    let rows = table.rows.iter().take(N_PREVIEWED).map(|row| row.iter().map(Value::to_string).collect());
    Preview {
        columns: columns.collect(),
        rows: rows.collect(),
        n_rows: table.n_rows,
        withheld: withheld_words(layers, table),
    }
}

/// One table or figure: `trails.csv`, `season.svg`, `reactions-located.pdf`.
pub async fn file(app: Exact, Path(name): Path<String>, query: Query) -> Result<Response, Error> {
    query.allow(&[])?;
    let nothing = || Error::NotFound(format!("There is no table or figure \"{name}\" in the study."));
    let (stem, extension) = name.rsplit_once('.').ok_or_else(nothing)?;
    let may_be_figure = figures::may_be(stem);
    let is_table = stem == "references" || study::TABLES.iter().any(|entry| entry.name == stem);
    let media_type = match extension {
        "csv" if is_table => "text/csv; charset=utf-8",
        "svg" if may_be_figure => "image/svg+xml",
        "pdf" if may_be_figure => "application/pdf",
        _ => return Err(nothing()),
    };
    let revision = app.deriver().facts().await?.revision;
    let make = async || {
        let layers = Layers::read(app.deriver()).await?;
        match extension {
            "svg" | "pdf" => {
                let figure = figures::named(&layers, stem).ok_or_else(nothing)?;
                let title = figure.title.clone();
                let picture = figures::picture(&layers, figure).map_err(Error::Unanswerable)?;
                match extension {
                    "pdf" => figures::pdf(&picture, &title).map_err(not_printed),
                    _ => Ok(picture.svg.into_bytes()),
                }
            }
            _ => {
                let table = match stem {
                    "references" => web::study::archive::references(),
                    stem => study::make(&layers, stem).ok_or_else(nothing)?.map_err(Error::Unanswerable)?,
                };
                study::csv_bytes(&table).map_err(Error::Internal)
            }
        }
    };
    let bytes = app.answers().get(revision, format!("study {name}"), make).await?;
    Ok(download(revision, media_type, &name, bytes))
}

/// The archive.
pub async fn archive(app: Exact, query: Query) -> Result<Response, Error> {
    query.allow(&[])?;
    let revision = app.deriver().facts().await?.revision;
    let make = async || {
        let layers = Layers::read(app.deriver()).await?;
        let made = tokio::task::spawn_blocking(move || web::study::archive(&layers)).await;
        made.map_err(|error| Error::Internal(error.to_string()))?.map_err(|error| match error {
            StudyError::Derive(error) => error.into(),
            StudyError::Export(error) => not_printed(error),
            StudyError::Write(words) | StudyError::Read(words) => Error::Internal(words),
        })
    };
    let bytes = app.answers().get(revision, "study.zip".to_owned(), make).await?;
    Ok(download(revision, "application/zip", &format!("study-revision-{revision}.zip"), bytes))
}

pub(super) fn not_printed(error: ExportError) -> Error {
    match error {
        ExportError::NotBuiltIn => Error::Unanswerable(error.to_string()),
        ExportError::Template(_) => Error::Internal(error.to_string()),
    }
}

/// Bytes with their type and the name they are saved under; figures are shown where they are asked for.
pub(super) fn download(
    revision: Revision,
    media_type: &'static str,
    name: &str,
    bytes: Arc<Vec<u8>>,
) -> Response {
    let how = if media_type.starts_with("image/") { "inline" } else { "attachment" };
    let policy = CachePolicy::of_revision(revision, name);
    let headers = [
        (header::CONTENT_TYPE, media_type.to_owned()),
        (header::CONTENT_DISPOSITION, format!("{how}; filename=\"{name}\"")),
    ];
    // A figure carries its rules inside; nothing else may run or load in it.
    let figure_policy = "default-src 'none'; style-src 'unsafe-inline'";
    let mut response = Cached(policy, (headers, bytes.as_ref().clone())).into_response();
    if media_type.starts_with("image/") {
        let value = axum::http::HeaderValue::from_static(figure_policy);
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, value);
    }
    response
}
