//! Strikes by species, life stage, temperature and season.

use axum::response::IntoResponse;

use crate::analysis::response::contact_test::ContactTest;
use crate::analysis::response::sub_tables::SubTableTest;
use crate::analysis::response::table::CellEstimate;
use crate::analysis::response::table::ReactionCell;
use crate::derived::reactions::details::Part;
use crate::derived::reactions::details::SubTables;
use crate::domain::approach::Contact;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::reactions;
use crate::web::pages::season::p_words;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::layout::Section;
use crate::web::views::sub_tables::FactorTable;
use crate::web::views::sub_tables::PartCell;
use crate::web::views::sub_tables::PartRow;
use crate::web::views::sub_tables::SubTablesPage;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["effort"])?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().reactions(&facts).await?;
    let details = app.deriver().reaction_details(&facts).await?;
    let effort = reactions::effort(&query, &layer)?;
    let of_kind = details.sub_tables.iter().filter(|tables| tables.effort == effort);
    let page = SubTablesPage { effort, factors: of_kind.map(table).collect() };
    let records = reactions::records_words(&layer, effort);
    let frame = common::frame(&facts, Section::Analysis, "Strikes in parts of the approaches", records);
    let policy = CachePolicy::of_revision(facts.revision, format!("parts {}", query.words()));
    Ok(Cached(policy, views::layout::page(&frame, views::sub_tables::body(&page))))
}

fn table(tables: &SubTables) -> FactorTable {
    FactorTable {
        factor: tables.factor.words(),
        parts: tables.parts.iter().map(part).collect(),
        n_unknown: tables.n_unknown,
    }
}

fn part(part: &Part) -> PartRow {
    PartRow {
        name: part.name.clone(),
        cells: part.strikes.iter().filter_map(cell).collect(),
        test: test_words(&part.test),
    }
}

fn cell(cell: &ReactionCell) -> Option<PartCell> {
    match cell.estimate {
        CellEstimate::NoApproaches => None,
        CellEstimate::Share { share, clustered, .. } => Some(PartCell {
            contact: Contact::ALL[cell.contact.index()].term().to_owned(),
            k: cell.n_shown,
            n: cell.n_approaches,
            snakes: match cell.n_recognised == cell.n_organisms {
                true => cell.n_organisms.to_string(),
                false => format!("at most {}", cell.n_organisms),
            },
            share: (share, clustered.lower, clustered.upper),
        }),
    }
}

fn test_words(test: &SubTableTest) -> String {
    match test.test {
        ContactTest::NotEstimable => {
            "not testable: one kind of contact, or all or none of the approaches ended in a strike".to_owned()
        }
        ContactTest::Unrecognised { n_approaches } => reactions::unrecognised_words(n_approaches),
        ContactTest::Tested { p_value, n_permutations, n_organisms, n_unrecognised, .. } => format!(
            "do strikes depend on contact? p {}, after Holm {} ({n_permutations} permutations, {n_organisms} snakes{})",
            p_words(p_value),
            test.holm_p_value.map_or_else(|| "none".to_owned(), p_words),
            reactions::taken_words(n_unrecognised)
        ),
    }
}
