//! Long lists on several pages.

use maud::Markup;
use maud::html;

/// Rows of a list on one page.
pub const N_ROWS: usize = 40;

/// Which page of a list this is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pages {
    /// Its number, from 1.
    pub number: usize,
    /// How many pages there are.
    pub n_pages: usize,
    /// Rows on all of them.
    pub n_rows: usize,
}

impl Pages {
    /// None where everything fits on one page.
    pub fn of(n_rows: usize, number: usize) -> Option<Self> {
        let n_pages = n_rows.div_ceil(N_ROWS);
        (n_pages > 1).then_some(Self { number, n_pages, n_rows })
    }
}

/// The rows of a page; none beyond the last.
pub fn rows_of<T>(rows: Vec<T>, number: usize) -> Vec<T> {
    rows.into_iter().skip(number.saturating_sub(1).saturating_mul(N_ROWS)).take(N_ROWS).collect()
}

/// The way to the pages before and after: `address` without a query, `anchor` with its `#`.
pub fn nav(pages: Pages, address: &str, anchor: &str) -> Markup {
    let to = |number: usize| format!("{address}?page={number}{anchor}");
    html! {
        nav.row aria-label="Pages of stretches" {
            @if pages.number > 1 { a.button href=(to(pages.number - 1)) { "Before" } }
            @if pages.number < pages.n_pages { a.button href=(to(pages.number + 1)) { "Further stretches" } }
        }
    }
}
