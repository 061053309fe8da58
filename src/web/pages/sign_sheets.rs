//! The texts of a plan's signs, to be printed.

use axum::response::IntoResponse;

use crate::derived::plan::PlannedSite;
use crate::signage::wording::SignText;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::signs;
use crate::web::pages::signs::Texts;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::layout::Section;
use crate::web::views::notice::NoticeText;
use crate::web::views::sign_sheets::SheetsPage;
use crate::web::views::sign_sheets::SignSheets;

/// The page: the same parameters as the plan's.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["signs", "reach", "spacing"])?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let params = signs::params(&query, &facts).map_err(|errors| {
        let (field, words) = errors.into_iter().next().unwrap_or_default();
        Error::bad_request(field.clone(), format!("{field}: {words}."))
    })?;
    let plan = deriver.plan(&facts, params).await?;
    let (network, season) = (deriver.network(&facts).await?, deriver.season(&facts).await?);
    let texts = Texts::new(&app, &facts, &season);
    let sheets = |(idx, site): (usize, &PlannedSite)| SignSheets {
        number: idx + 1,
        place: signs::place_words(site, &network, &facts),
        standing: site.standing,
        letters: signs::letters_words(site, &facts),
        texts: texts.of(site, &network).into_iter().map(|(tag, text)| (tag, shown(text))).collect(),
    };
    let page = SheetsPage {
        signs: plan.sites.iter().enumerate().map(sheets).collect(),
        basis: format!(
            "{}, data revision {}, {}, sign",
            facts.area.name,
            common::revision_words(facts.revision, facts.written_on),
            facts.settings.words()
        ),
        plan_href: signs::with_words("/signs", &query),
    };
    let frame = common::frame(&facts, Section::Signs, "Texts of the signs", String::new());
    let policy = CachePolicy::of_revision(facts.revision, format!("sign sheets {}", query.words()));
    Ok(Cached(policy, views::layout::page(&frame, views::sign_sheets::body(&page))))
}

fn shown(text: SignText) -> NoticeText {
    NoticeText {
        signal_word: text.signal_word,
        title: text.title,
        lines: text.lines,
        emergency: text.emergency,
        first_aid: text.first_aid,
        authority: text.authority,
    }
}
