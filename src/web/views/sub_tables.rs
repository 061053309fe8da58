//! Strikes by species, life stage, temperature and season.

use maud::Markup;
use maud::html;

use crate::domain::encounter::EffortKind;
use crate::web::views::charts::percent;
use crate::web::views::reactions;

/// The page.
#[derive(Debug, Clone)]
pub struct SubTablesPage {
    /// The effort kind whose encounters are shown: kinds are never pooled.
    pub effort: EffortKind,
    /// One a factor.
    pub factors: Vec<FactorTable>,
}

/// One factor.
#[derive(Debug, Clone)]
pub struct FactorTable {
    /// By what the parts differ.
    pub factor: &'static str,
    /// The parts in order.
    pub parts: Vec<PartRow>,
    /// Approaches for which the factor is not recorded.
    pub n_unknown: usize,
}

/// One part of the approaches.
#[derive(Debug, Clone)]
pub struct PartRow {
    /// Its words.
    pub name: String,
    /// By kind of contact, those with approaches alone.
    pub cells: Vec<PartCell>,
    /// The test of contact within the part, in words.
    pub test: String,
}

/// Strikes at one kind of contact.
#[derive(Debug, Clone)]
pub struct PartCell {
    /// The kind of contact.
    pub contact: String,
    /// Approaches with a strike or bite.
    pub k: u64,
    /// Approaches.
    pub n: u64,
    /// Snakes behind them, in words where some were not recognised.
    pub snakes: String,
    /// The share with its limits by snake.
    pub share: (f64, f64, f64),
}

/// The page's body.
pub fn body(page: &SubTablesPage) -> Markup {
    html! {
        h1 { "Strikes by species, life stage, temperature and season" }
        (reactions::do_not_test())
        form.card.row method="get" action="/reactions/parts" {
            label { "Effort kind (never pooled)" select name="effort" { @for kind in EffortKind::ALL { option value=(kind.term()) selected[*kind == page.effort] { (kind.term()) } } } }
            button.main type="submit" { "Show" }
        }
        p.soft {
            "Does a strike or bite depend on the kind of contact within each part of the approaches? Looking at many parts finds something by luck: "
            "each p-value is adjusted by Holm's method over the parts of its table, and the tables together are exploratory. Parts are not compared with each other."
        }
        @if page.factors.is_empty() { p.card { "No approaches of this effort kind are recorded." } }
        @for table in &page.factors { (factor(table)) }
        p.small.soft { "Strikes of any kind at any time of the approach. Limits at 95 % by snake: whole snakes drawn again and again, or exact limits with each snake counted once where that cannot be done. " a href="/reactions" { "All approaches together" } }
    }
}

fn factor(table: &FactorTable) -> Markup {
    html! {
        section.card {
            h2 { "By " (table.factor) }
            @if table.n_unknown > 0 { p.small.soft { (table.n_unknown) " approaches have no " (table.factor) " recorded and are in no part." } }
            @if table.parts.is_empty() { p { "Not recorded for any approach." } } @else {
                table.stack {
                    thead { tr { th scope="col" { "Part" } th scope="col" { "Contact" } th.num scope="col" { "Struck or bit" } th.num scope="col" { "Snakes" } th.num scope="col" { "Share" } th.num scope="col" { "95 % limits" } } }
                    tbody { @for part in &table.parts {
                        @for cell in &part.cells { tr {
                            th scope="row" { (part.name) }
                            td data-label="Contact" { (cell.contact) }
                            td.num data-label="Struck or bit" { (cell.k) " of " (cell.n) }
                            td.num data-label="Snakes" { (cell.snakes) }
                            td.num data-label="Share" { (percent(cell.share.0)) }
                            td.num data-label="95 % limits" { (percent(cell.share.1)) "–" (percent(cell.share.2)) }
                        } }
                        tr { td colspan="6" data-label="Test" { span.small.soft { (part.name) ": " (part.test) } } }
                    } }
                }
            }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<SubTablesPage> {
    let cell = PartCell {
        contact: "underfoot".to_owned(),
        k: 0,
        n: 21,
        snakes: "9".to_owned(),
        share: (0.0, 0.0, 0.336),
    };
    let part = PartRow {
        name: "15 to under 25 °C".to_owned(),
        cells: vec![cell.clone(), PartCell { contact: "over".to_owned(), ..cell }],
        test: "contact: p 0.210, after Holm 0.420".to_owned(),
    };
    let table = FactorTable { factor: "air temperature", parts: vec![part], n_unknown: 4 };
    let none = FactorTable { factor: "life stage", parts: Vec::new(), n_unknown: 25 };
    vec![
        SubTablesPage { effort: EffortKind::Located, factors: vec![table, none] },
        SubTablesPage { effort: EffortKind::Chance, factors: Vec::new() },
    ]
}
