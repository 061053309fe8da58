//! The list of everything the records say beyond the map, each under the question it answers.

use maud::Markup;
use maud::html;

/// One page of the analysis: its address, its name, and the question that it answers.
pub struct Entry(pub &'static str, pub &'static str, pub &'static str);

/// All pages of the analysis, in reading order.
pub const ENTRIES: &[Entry] = &[
    Entry(
        "/season",
        "Season and hours",
        "In which weeks and at which hours are encounters frequent, given when people walk?",
    ),
    Entry(
        "/reactions",
        "Reactions",
        "What did snakes do when people passed, stood beside, stepped over or on them?",
    ),
    Entry(
        "/decisions",
        "Decisions",
        "Which stretches stand out and wait for a decision, and what was decided on which figure?",
    ),
];

/// The page's body.
pub fn body(entries: &[Entry]) -> Markup {
    html! {
        h1 { "Analysis" }
        p.soft { "Each page answers one question, with intervals and the counts behind them." }
        ul.entries { @for Entry(address, name, question) in entries { li.card {
            h2 { a href=(address) { (name) } }
            p { (question) }
        } } }
    }
}
