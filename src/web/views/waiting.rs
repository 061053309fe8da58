//! The page shown while figures are being computed.

use maud::Markup;
use maud::html;

use crate::web::views::layout;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;

/// A step by its number, of how many, and what is done in it.
pub type StepWords = ((usize, usize), &'static str);

/// The whole page: which step is under way, and what happens next; without a step, it is one answer that takes its time. The
/// browser is told to ask again by a header.
pub fn page(reader: Reader, step: Option<StepWords>) -> Markup {
    let frame = Frame {
        title: "Being computed".to_owned(),
        section: Section::Data,
        area_name: String::new(),
        basis: Basis::default(),
        width: Width::Column,
        reader,
    };
    layout::page(&frame, body(reader, step))
}

/// The page's body.
pub fn body(reader: Reader, step: Option<StepWords>) -> Markup {
    html! {
        section.card {
            h1 { "Figures are being computed" }
            @match step {
                Some(((step, n_steps), words)) => {
                    p role="status" { "Step " (step) " of " (n_steps) ": " (words) "." }
                    progress.steps max=(n_steps) value=(step.saturating_sub(1)) aria-label="Steps done" {}
                    p.soft {
                        "The data changed, and everything that rests on them is computed once. This page asks again every few "
                        "seconds and then shows what you asked for."
                    }
                }
                None => {
                    p role="status" { "What you chose has not been asked for since the data changed, and is worked out now." }
                    progress.steps aria-label="Working" {}
                    p.soft {
                        "That is done once. This page asks again every few seconds and then shows what you asked for."
                    }
                }
            }
            @if reader == Reader::Staff { p { a href="/data" { "Data" } " can be looked at meanwhile." } }
        }
    }
}
