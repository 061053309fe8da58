//! What went wrong, in words, and the way on.

use maud::Markup;
use maud::html;

/// The page's body.
pub fn body(status: u16, detail: &str) -> Markup {
    let heading = match status {
        404 => "There is nothing here",
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
