//! What went wrong, in words, and the way on.

use maud::Markup;
use maud::html;

/// The page's body.
pub fn body(status: u16, detail: &str) -> Markup {
    let heading = match status {
        401 => "Sign in first",
        403 => "Not for this account",
        404 => "There is nothing here",
        429 => "Wait a little",
        400 | 413 | 422 => "This cannot be answered",
        503 => "Not just now",
        _ => "Something went wrong",
    };
    html! {
        div.card {
            h1 { (heading) }
            p { (detail) }
            p {
                a.button href="/" { "Map" } " " a.button href="/trails" { "Trails" } " " a.button href="/data" { "Data" }
            }
        }
    }
}
