//! The study page: every table and figure of the present revision, to look at and to take along.

use maud::Markup;
use maud::html;

use crate::web::views::charts::thousands;

/// The page.
#[derive(Debug, Clone)]
pub struct StudyPage {
    /// The data revision.
    pub revision: u64,
    /// The revision that figures rest on.
    pub basis: u64,
    /// The seed of all draws.
    pub seed: u64,
    /// Draws.
    pub n_draws: u64,
    /// Settings that differ from the defaults, in words.
    pub settings: String,
    /// The tables, in reading order.
    pub tables: Vec<TableCard>,
    /// The figures, in reading order.
    pub figures: Vec<FigureCard>,
    /// The line by which it is cited.
    pub cited: String,
    /// The methods: heading and text.
    pub methods: Vec<(&'static str, &'static str)>,
    /// What the methods rest on.
    pub references: Vec<&'static str>,
    /// Whether this program can print.
    pub can_print: bool,
}

/// A table.
#[derive(Debug, Clone)]
pub struct TableCard {
    /// Its name in its address.
    pub name: &'static str,
    /// Its title.
    pub title: &'static str,
    /// Its first rows, or what the facts lack for it.
    pub content: Result<Preview, String>,
}

/// The beginning of a table.
#[derive(Debug, Clone)]
pub struct Preview {
    /// Name, unit and meaning of each column.
    pub columns: Vec<(String, &'static str, String)>,
    /// The first rows.
    pub rows: Vec<Vec<String>>,
    /// How many rows there are.
    pub n_rows: usize,
    /// How many are withheld, and why.
    pub withheld: Option<String>,
}

/// A figure.
#[derive(Debug, Clone)]
pub struct FigureCard {
    /// Its name in its address.
    pub name: String,
    /// Its title.
    pub title: String,
    /// What the facts lack for it, where they do.
    pub missing: Option<String>,
}

/// The page's body.
pub fn body(page: &StudyPage) -> Markup {
    html! {
        div.page-head {
            div {
                h1 { "Study" }
                p.soft {
                    "Every table and figure of data revision " (page.revision) ", with the methods behind them."
                    @if page.basis != page.revision { " Figures name revision " (page.basis) ", on which they rest: since then decisions and notices alone were written." }
                }
            }
            a.button.main href="/study.zip" { "Take all along (ZIP)" }
        }
        section.card {
            h2 { "To make the numbers again" }
            p {
                "The same revision, settings (" (page.settings) "), " (page.n_draws) " draws and seed " (page.seed)
                " give the same bytes. The archive lists the hash of every file; the second command computes them anew and names what differs."
            }
            p { strong { "How to cite: " } (page.cited) }
            pre.command { code { "coilway study --out study.zip\ncoilway study --check study.zip" } }
            p.small.soft {
                "No table or figure holds the position of an encounter, the name of a person or a sensitive place. Around the sensitive places on record whole trails alone are told: "
                "finer rows are withheld in the grid cell of the place and within its buffer of that cell, and each table says how many. Elsewhere maps, and tables of segments and stretches, still say "
                "where encounters are frequent: judge before publishing them whether whole trails must stand instead, and whether all dens are on record."
            }
        }
        h2 { "Figures" }
        div.grid { @for figure in &page.figures { (figure_card(figure, page.can_print)) } }
        h2 { "Tables" }
        @for table in &page.tables { (table_card(table)) }
        section.card #methods {
            h2 { "Methods" }
            @for (heading, words) in &page.methods { h3 { (heading) } p { (words) } }
            h3 { "References" }
            ul.small { @for reference in &page.references { li { (reference) } } }
        }
    }
}

fn figure_card(figure: &FigureCard, can_print: bool) -> Markup {
    html! {
        section.card {
            h3 { (figure.title) }
            @match &figure.missing {
                Some(reason) => { p { (reason) } }
                None => {
                    img.study-figure src={ "/study/" (figure.name) ".svg" } alt={ (figure.title) "; the tables below have the numbers" } loading="lazy";
                    p {
                        a.button href={ "/study/" (figure.name) ".svg" } download { "SVG" } " "
                        @if can_print { a.button href={ "/study/" (figure.name) ".pdf" } download { "PDF" } }
                    }
                }
            }
        }
    }
}

fn table_card(table: &TableCard) -> Markup {
    html! {
        details.card #(table.name) {
            summary {
                span.summary-title { (table.title) }
                @if let Ok(preview) = &table.content {
                    " " span.small.soft { (thousands(preview.n_rows as i64)) " rows, " (preview.columns.len()) " columns" }
                } @else { " " span.small.soft { "not yet" } }
            }
            @match &table.content {
                Err(reason) => { p { (reason) } }
                Ok(preview) => {
                    p { a.button href={ "/study/" (table.name) ".csv" } download { "CSV" } }
                    @if let Some(words) = &preview.withheld { p { (words) } }
                    div.table-wrap tabindex="0" role="region" aria-label={ "First rows: " (table.title) } { (preview_table(preview)) }
                    h3 { "Columns" }
                    dl.facts.columns { @for (name, unit, meaning) in &preview.columns {
                        dt { (name) }
                        dd { (meaning) @if !unit.is_empty() { " (" (unit) ")" } }
                    } }
                }
            }
        }
    }
}

fn preview_table(preview: &Preview) -> Markup {
    html! {
        table.preview.stack {
            caption { "The first " (preview.rows.len()) " rows" }
            thead { tr { @for (name, _, _) in &preview.columns { th scope="col" { (name) } } } }
            tbody { @for row in &preview.rows { tr { @for ((name, _, _), cell) in preview.columns.iter().zip(row) { td data-label=(name) { (cell) } } } } }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<StudyPage> {
    let preview = Preview {
        columns: vec![
            ("name".to_owned(), "", "name of the unit".to_owned()),
            ("rate_per_1000_km".to_owned(), "per 1,000 km walked", "rate of reported encounters".to_owned()),
        ],
        rows: vec![vec!["Ledge Walk".to_owned(), "2.25".to_owned()]],
        n_rows: 1204,
        withheld: Some("34 of 1238 rows withheld: near a sensitive place.".to_owned()),
    };
    let full = StudyPage {
        revision: 12,
        basis: 12,
        seed: 1,
        n_draws: 200,
        settings: "default settings".to_owned(),
        tables: vec![
            TableCard { name: "trails", title: "Encounter rates of trails", content: Ok(preview) },
            TableCard {
                name: "latency",
                title: "Time to the first strike",
                content: Err("No strike with a known time.".to_owned()),
            },
        ],
        figures: vec![
            FigureCard {
                name: "rates".to_owned(),
                title: "Stretches by encounter rate".to_owned(),
                missing: None,
            },
            FigureCard {
                name: "season".to_owned(),
                title: "By month".to_owned(),
                missing: Some("No reports.".to_owned()),
            },
        ],
        cited: "Example Basin: encounters with venomous snakes on trails. Study of data revision 12."
            .to_owned(),
        methods: vec![("Rates", "Gamma-Poisson.")],
        references: vec!["Garwood, F. (1936)."],
        can_print: true,
    };
    let bare = StudyPage {
        can_print: false,
        tables: Vec::new(),
        figures: full.figures[..1].to_vec(),
        ..full.clone()
    };
    vec![full, bare]
}
