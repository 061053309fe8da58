//! Reactions by kind of contact, in shares with their limits.

use maud::Markup;
use maud::html;

use crate::domain::encounter::EffortKind;
use crate::web::views::charts;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::StackedBar;
use crate::web::views::charts::percent;

/// The page.
#[derive(Debug, Clone)]
pub struct ReactionsPage {
    /// The effort kind whose encounters are shown: kinds are never pooled.
    pub effort: EffortKind,
    /// Whether the first reaction or any reaction is counted.
    pub counting: Counting,
    /// First reactions by contact, for the bars.
    pub bars: Vec<StackedBarRow>,
    /// One table a kind of contact.
    pub contacts: Vec<ContactTable>,
    /// Tests and models, in words.
    pub findings: Vec<(String, String)>,
    /// Approaches and snakes behind the page, in words.
    pub records_words: String,
}

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Counting {
    /// The first reaction of each approach.
    First,
    /// Any reaction of each approach.
    Any,
}

/// One bar.
#[derive(Debug, Clone)]
pub struct StackedBarRow {
    /// The kind of contact.
    pub contact: String,
    /// Each part: words and count.
    pub parts: Vec<(String, u64)>,
}

/// Reactions to one kind of contact.
#[derive(Debug, Clone)]
pub struct ContactTable {
    /// The kind of contact.
    pub contact: String,
    /// Approaches of it.
    pub n: u64,
    /// Snakes behind them, in words.
    pub snakes: String,
    /// The rows.
    pub rows: Vec<ShareRow>,
}

/// One share.
#[derive(Debug, Clone)]
pub struct ShareRow {
    /// The reaction.
    pub term: String,
    /// How often.
    pub k: u64,
    /// The share with its exact limits (Clopper and Pearson).
    pub exact: Estimate,
    /// Limits after Wilson.
    pub wilson: (f64, f64),
    /// Limits that take account of the same snake being met again, and how they were made.
    pub by_snake: Option<(f64, f64)>,
    /// How the limits by snake were made.
    pub by_snake_words: &'static str,
}

/// The page's body.
pub fn body(page: &ReactionsPage) -> Markup {
    html! {
        div.page-head {
            div { h1 { "Reactions" } p.soft { (page.records_words) } }
            @if !page.contacts.is_empty() { p {
                a.button href={ "/reactions/fact-sheet.pdf?lang=en&effort=" (page.effort) } { "Fact sheet (PDF)" } " "
                a.button href={ "/reactions/fact-sheet.pdf?lang=es&effort=" (page.effort) } lang="es" hreflang="es" { "Hoja informativa (PDF)" }
            } }
        }
        (do_not_test())
        (choices(page))
        @if page.contacts.is_empty() {
            p.card { "No approaches of this effort kind are recorded." }
        } @else {
            section.card {
                h2 { "First reaction, by kind of contact" }
                @if page.counting == Counting::Any { p.small.soft { "The bars show the first reaction of each approach, so that they add up; the tables below count what was shown at any time." } }
                (charts::stacked_bars("First reactions by kind of contact; the tables below have the numbers", &page.bars.iter().map(|row| StackedBar { label: row.contact.clone(), parts: row.parts.clone() }).collect::<Vec<_>>()))
                (key(page))
            }
            @for table in &page.contacts { (contact_table(table, page.counting)) }
            (findings(page))
        }
    }
}

/// What stands above every share of reactions.
pub fn do_not_test() -> Markup {
    html! {
        div.caution {
            p { strong { "Do not test this." } " These shares come from approaches under a protocol and from chance meetings. They describe what was recorded, "
                "not what the next snake will do. Keep your distance, and do not step over what you cannot see behind." }
            p { "If someone is bitten: move away from the snake and call the local emergency services at once. " a href="/about#cautions" { "Cautions" } }
        }
    }
}

fn choices(page: &ReactionsPage) -> Markup {
    html! {
        form.card.row method="get" action="/reactions" {
            label { "Effort kind (never pooled)"
                select name="effort" { @for kind in EffortKind::ALL { option value=(kind.term()) selected[*kind == page.effort] { (kind.term()) } } }
            }
            label { "Count"
                select name="count" {
                    option value="any" selected[page.counting == Counting::Any] { "any reaction" }
                    option value="first" selected[page.counting == Counting::First] { "the first reaction" }
                }
            }
            button.main type="submit" { "Show" }
        }
    }
}

fn key(page: &ReactionsPage) -> Markup {
    let mut labels: Vec<&str> = Vec::new();
    for (label, _) in page.bars.iter().flat_map(|row| &row.parts) {
        if !labels.contains(&label.as_str()) {
            labels.push(label);
        }
    }
    html! {
        p.small { @for (idx, label) in labels.iter().enumerate() {
            span.key-entry { svg width="14" height="14" aria-hidden="true" { rect class={ "f" (idx.min(4)) } width="14" height="14" {} } " " (label) } " "
        } }
    }
}

fn contact_table(table: &ContactTable, counting: Counting) -> Markup {
    let counted = match counting {
        Counting::First => "the first reaction of each",
        Counting::Any => "reactions at any time of each, so that shares may add up to more than 100 %",
    };
    html! {
        section.card {
            h2 { (table.contact) }
            p.small.soft { (table.n) " approaches to " (table.snakes) "; " (counted) }
            table.stack {
                thead { tr {
                    th scope="col" { "Reaction" } th.num scope="col" { "Count" } th.num scope="col" { "Share" } th.num scope="col" { "Exact 95 % limits" }
                    th.num scope="col" { "Wilson" } th.num scope="col" { "By snake" }
                } }
                tbody { @for row in &table.rows { tr {
                    th scope="row" { (row.term) }
                    td.num data-label="Count" { (row.k) " of " (table.n) }
                    td.num data-label="Share" { (percent(row.exact.value)) }
                    td.num data-label="Exact 95 % limits" { (percent(row.exact.lower)) "–" (percent(row.exact.upper)) }
                    td.num data-label="Wilson" { (percent(row.wilson.0)) "–" (percent(row.wilson.1)) }
                    td.num data-label="By snake" title=(row.by_snake_words) {
                        @match row.by_snake { Some((lower, upper)) => { (percent(lower)) "–" (percent(upper)) }, None => "not estimable" }
                    }
                } } }
            }
        }
    }
}

fn findings(page: &ReactionsPage) -> Markup {
    html! {
        section.card {
            h2 { "Does contact matter?" }
            dl.facts { @for (question, answer) in &page.findings { dt { (question) } dd { (answer) } } }
            p.small.soft { "Limits by snake come from drawing whole snakes again and again, and are never narrower than the exact ones; where a reaction was seen never or always, exact limits on the number of snakes stand instead." }
            p.small { a href="/reactions/latency" { "Time until snakes react" } " · " a href="/reactions/parts" { "Strikes by species, life stage, temperature and season" } }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<ReactionsPage> {
    let row = ShareRow {
        term: "struck short".to_owned(),
        k: 6,
        exact: Estimate { value: 0.034, lower: 0.013, upper: 0.073 },
        wilson: (0.016, 0.073),
        by_snake: Some((0.01, 0.08)),
        by_snake_words: "snakes drawn again",
    };
    let page = ReactionsPage {
        effort: EffortKind::Located,
        counting: Counting::First,
        bars: vec![StackedBarRow {
            contact: "underfoot".to_owned(),
            parts: vec![("still".to_owned(), 120), ("struck short".to_owned(), 6)],
        }],
        contacts: vec![ContactTable {
            contact: "underfoot".to_owned(),
            n: 175,
            snakes: "42 snakes".to_owned(),
            rows: vec![row],
        }],
        findings: vec![(
            "Strikes by contact".to_owned(),
            "p = 0.003, contacts permuted within snakes".to_owned(),
        )],
        records_words: "568 approaches to 42 snakes".to_owned(),
    };
    vec![
        page.clone(),
        ReactionsPage { contacts: Vec::new(), bars: Vec::new(), effort: EffortKind::Chance, ..page },
    ]
}
