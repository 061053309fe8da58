//! What went wrong, in words, and the way on.

use maud::Markup;
use maud::html;

use crate::web::views::layout::Reader;

/// The page's body.
pub fn body(reader: Reader, status: u16, detail: &str) -> Markup {
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
            p { @for (href, words) in ways_on(reader, status) { a.button href=(href) { (words) } " " } }
        }
    }
}

/// Where to go from here; nothing that would be refused again.
fn ways_on(reader: Reader, status: u16) -> &'static [(&'static str, &'static str)] {
    match (reader, status) {
        (Reader::Staff, _) => &[("/", "Map"), ("/trails", "Trails"), ("/data", "Data")],
        (Reader::Contributor, _) => {
            &[("/", "Trails"), ("/data/own", "Your records"), ("/data/import", "Bring in files")]
        }
        (Reader::Visitor, 401) => &[("/sign-in", "Sign in"), ("/", "Trails")],
        (Reader::Visitor, _) => &[("/", "Trails"), ("/about", "About")],
    }
}
