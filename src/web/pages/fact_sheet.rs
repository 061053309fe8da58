//! The fact sheet about reactions as PDF.

use axum::response::Response;

use crate::derived::fact_sheet::tell;
use crate::domain::encounter::EffortKind;
use crate::signage::fact_sheet;
use crate::signage::fact_sheet::SheetFacts;
use crate::signage::wording;
use crate::web::auth::Exact;
use crate::web::error::Error;
use crate::web::pages::study::download;
use crate::web::pages::study::not_printed;
use crate::web::query::Query;

/// The sheet in the language asked for, English unless another is.
pub async fn show(app: Exact, query: Query) -> Result<Response, Error> {
    query.allow(&["lang", "effort"])?;
    let language = query.get("lang").unwrap_or("en");
    let texts = shipped(language).ok_or_else(|| {
        Error::bad_request("lang", format!("\"{language}\" is not a language of the sheet: en, es."))
    })?;
    let effort: Option<EffortKind> = match query.get("effort") {
        None => None,
        Some(word) => Some(word.parse().map_err(|error| Error::bad_request("effort", format!("{error}")))?),
    };
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().reactions(&facts).await?;
    let told = tell(&facts, &layer, effort)?;
    let name = format!("fact-sheet-{}-{language}.pdf", told.effort);
    let make = async || print(&told, texts);
    let bytes = app.answers().get(facts.revision, name.clone(), make).await?;
    Ok(download(facts.revision, "application/pdf", &name, bytes))
}

/// The texts of a language: those of the sheet and those of signs.
fn shipped(language: &str) -> Option<(&'static str, &'static str)> {
    let of =
        |list: &'static [(&str, &str); 2]| list.iter().find(|(known, _)| *known == language).map(|it| it.1);
    Some((of(&fact_sheet::SHIPPED)?, of(&wording::SHIPPED)?))
}

fn print(told: &SheetFacts, (sheet, signs): (&str, &str)) -> Result<Vec<u8>, Error> {
    let words = |error: wording::InvalidCatalogue| Error::Internal(error.to_string());
    let (sheet, signs) = (fact_sheet::parse(sheet).map_err(words)?, wording::parse(signs).map_err(words)?);
    fact_sheet::pdf(&fact_sheet::lay_out(told, &sheet, &signs)).map_err(not_printed)
}
