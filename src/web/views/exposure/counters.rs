//! Each counter: what was read, what was missing, what a count stands for.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::exposure::Exposure;

/// One counter.
#[derive(Debug, Clone)]
pub struct CounterCard {
    /// Its name.
    pub name: String,
    /// Where it stood and when, in words, one for each place.
    pub places: Vec<String>,
    /// Share of the study period's walkers that it was there to count while it was open, by place it stood at.
    pub coverage: Vec<f64>,
    /// Bins used, and of these apportioned over hours.
    pub used: (usize, usize),
    /// Bins that do not count: how many, and why.
    pub left_out: Vec<(usize, &'static str)>,
    /// Outages found, in words with dates.
    pub outages: Vec<String>,
    /// Manual over device count with its 95 % interval, and where it comes from.
    pub calibration: (Estimate, String),
    /// Paired sessions: counted by hand, counted by the device.
    pub sessions: Vec<(u32, u32)>,
    /// Clock corrections, in words.
    pub clock: Vec<String>,
}

/// All counters.
pub(super) fn section(exposure: &Exposure) -> Markup {
    html! {
        h2 { "Counters" }
        @if exposure.counters.is_empty() { p.card { "No counters yet." } }
        div.grid { @for counter in &exposure.counters { (card(counter)) } }
    }
}

fn card(counter: &CounterCard) -> Markup {
    let (factor, source) = &counter.calibration;
    html! {
        section.card {
            h3 { (counter.name) }
            ul { @for place in &counter.places { li { (place) } } }
            p {
                (thousands(counter.used.0 as i64)) " readings used"
                @if counter.used.1 > 0 { " (" (counter.used.1) " longer than part of a day, shared out over hours by the stated profile)" }
                @if !counter.coverage.is_empty() {
                    "; it was there for "
                    @for (idx, share) in counter.coverage.iter().enumerate() { @if idx > 0 { " and " } (percent(*share)) }
                    " of the walkers of the study period"
                }
                "."
            }
            @if !counter.left_out.is_empty() {
                ul { @for (n, why) in &counter.left_out { li { (thousands(*n as i64)) " " (why) } } }
            }
            p {
                "One count stands for " (format!("{:.2}", factor.value)) " passages (95 % interval "
                (format!("{:.2} to {:.2}", factor.lower, factor.upper)) "), " (source) "."
            }
            @if !counter.sessions.is_empty() {
                details {
                    summary { (counter.sessions.len()) " sessions of counting by hand" }
                    ul { @for (manual, device) in &counter.sessions { li { (manual) " by hand, " (device) " by the device" } } }
                }
            }
            @if counter.outages.is_empty() { p { "No outages found." } } @else {
                details {
                    summary { (counter.outages.len()) " outages found: missing, not zero" }
                    ul { @for outage in &counter.outages { li { (outage) } } }
                }
            }
            @if !counter.clock.is_empty() {
                details {
                    summary { (counter.clock.len()) " clock corrections" }
                    ul { @for words in &counter.clock { li { (words) } } }
                }
            }
        }
    }
}
