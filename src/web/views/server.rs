//! How the server is.

use maud::Markup;
use maud::html;

/// The page.
#[derive(Debug, Clone)]
pub struct ServerPage {
    /// What is told, and its value.
    pub rows: Vec<(&'static str, String)>,
}

/// The page's body.
pub fn body(page: &ServerPage) -> Markup {
    html! {
        h1 { "Server" }
        section.card { table.stack { tbody { @for (words, value) in &page.rows { tr { th scope="row" { (words) } td { (value) } } } } } }
        p.soft { "A backup while the server runs: coilway backup FILE. A check that the data are whole: coilway check." }
        p { a.button href="/accounts" { "Accounts" } }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<ServerPage> {
    vec![ServerPage {
        rows: vec![("Data revision", "12".to_owned()), ("Last backup", "none is known".to_owned())],
    }]
}
