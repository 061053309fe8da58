//! The list of the analysis pages.

use axum::response::IntoResponse;

use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::analysis::ENTRIES;
use crate::web::views::layout::Section;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&[])?;
    let facts = app.deriver().facts().await?;
    let frame = common::frame(&facts, Section::Analysis, "Analysis", String::new());
    let markup = views::layout::page(&frame, views::analysis::body(ENTRIES));
    Ok(Cached(CachePolicy::of_revision(facts.revision, "analysis"), markup))
}
