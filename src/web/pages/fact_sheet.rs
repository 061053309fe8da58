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
    let (sheets, signs) = (&app.texts().fact_sheets, &app.texts().wording);
    let in_language = sheets.iter().zip(signs).find(|(_, signs)| signs.language == language);
    let texts = in_language.ok_or_else(|| {
        let known: Vec<&str> = signs.iter().map(|signs| signs.language.as_str()).collect();
        let words = format!("\"{language}\" is not a language of the sheet: {}.", known.join(", "));
        Error::bad_request("lang", words)
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

fn print(
    told: &SheetFacts,
    (sheet, signs): (&fact_sheet::SheetCatalogue, &wording::Catalogue),
) -> Result<Vec<u8>, Error> {
    fact_sheet::pdf(&fact_sheet::lay_out(told, sheet, signs)).map_err(not_printed)
}
