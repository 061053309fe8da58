//! Closures: what was closed when, why, and what that did to walking.

use maud::Markup;
use maud::html;

use crate::web::views::exposure::Exposure;

/// One closure.
#[derive(Debug, Clone)]
pub struct ClosureRow {
    /// What was closed: the name of a trail or trailhead, or words for the whole area.
    pub name: String,
    /// Since when, in words.
    pub from: String,
    /// Until when, in words.
    pub until: String,
    /// Why, or empty.
    pub reason: String,
    /// What it did, a sentence each.
    pub did: Vec<String>,
}

/// All closures.
pub(super) fn section(exposure: &Exposure) -> Markup {
    html! {
        section.card #closures {
            h2 { "Closures" }
            @if exposure.closures.is_empty() {
                p { "None were brought in. A counter on a trail that is closed reads zeros, which pass for an outage: bring in when trails were closed." }
            } @else {
                @if !exposure.lost_to_closures.is_empty() {
                    p.notice { @for (idx, words) in exposure.lost_to_closures.iter().enumerate() { @if idx > 0 { " " } (words) } }
                }
                table.stack {
                    thead { tr { th scope="col" { "Closed" } th scope="col" { "From" } th scope="col" { "Until" } th scope="col" { "Why" } th scope="col" { "What it does here" } } }
                    tbody { @for row in &exposure.closures { tr {
                        th scope="row" { (row.name) }
                        td data-label="From" { (row.from) }
                        td data-label="Until" { (row.until) }
                        td data-label="Why" { @if row.reason.is_empty() { "not given" } @else { (row.reason) } }
                        td.prose data-label="What it does here" { @for (idx, words) in row.did.iter().enumerate() { @if idx > 0 { " " } (words) } }
                    } } }
                }
                p.small.soft {
                    "How many walk, and when, is taken from the time that was open. Then a trail’s walking is less by the share that would fall into the closed time, once, however many closures of trail, trailhead or area cover it, and it is less in the months, weeks and hours that were closed; a closure of the whole area takes the parties and the visits of places with it, one of a trailhead those who start there. Some people walk all the same: what a counter that counts mostly them counts of them while it is closed is put back, as a share of what it would count if it were open. "
                    "Beyond closures, the months and hours in which people walk are one course for all trails. A closure says nothing about snakes."
                }
            }
        }
    }
}
