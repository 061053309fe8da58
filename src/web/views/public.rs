//! What anybody sees: whole trails, with the cautions.

use maud::Markup;
use maud::html;

use crate::signage::cautions;
use crate::signage::cautions::Cautions;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::thousands;
use crate::web::views::figure;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// The public page.
#[derive(Debug, Clone)]
pub struct PublicPage {
    /// The area's name.
    pub area_name: String,
    /// The local emergency number.
    pub emergency_number: String,
    /// What is said about snakes and bites.
    pub cautions: Cautions,
    /// The distance to keep, in words; empty when staff set none.
    pub keep_distance: String,
    /// The map.
    pub drawing: MapDrawing,
    /// Class bounds, per 1,000 km walked.
    pub bounds: [f64; 4],
    /// The trails, or groups of them.
    pub rows: Vec<PublicRow>,
    /// What was done to make the figures less exact, in words.
    pub generalised: String,
    /// What is left out, in words.
    pub withheld: String,
}

/// One group of trails.
#[derive(Debug, Clone)]
pub struct PublicRow {
    /// The names of its trails.
    pub names: Vec<String>,
    /// Its figure.
    pub figure: PublicWords,
}

/// A figure in numbers that were rounded before.
#[derive(Debug, Clone, Copy)]
pub enum PublicWords {
    /// Nobody is known to have walked there.
    NoWalking,
    /// Fewer encounters than are shown.
    TooFew {
        /// The least number shown.
        least: u64,
        /// Distance walked, km.
        walked_km: f64,
    },
    /// A rate.
    Rate {
        /// Per 1,000 km walked, with its 95 % interval.
        rate: Estimate,
        /// Encounters, rounded.
        encounters: u64,
        /// Distance walked, km, rounded.
        walked_km: f64,
    },
}

/// The page's body.
pub fn body(page: &PublicPage) -> Markup {
    html! {
        h1 { "Reports of venomous snakes on the trails of " (page.area_name) }
        (cautions(page))
        div.grid {
            section.card {
                div.map-box.public-map { (svg_map::draw(&page.drawing)) }
                (figure::legend(page.bounds))
            }
            section.card {
                h2 { "Trail by trail" }
                p.soft { "How often parties that walked here reported a venomous snake, over all years, months and hours. More are met than are reported." }
                p { strong { "Only reports that somebody has verified are counted." } " While others wait for that, the true rates are higher than these, and higher than their intervals say." }
                table.stack {
                    thead { tr { th scope="col" { "Trail" } th scope="col" { "Verified reports per 1,000 km walked, at least" } th scope="col" { "What it rests on" } } }
                    tbody { @for row in &page.rows { tr {
                        th scope="row" { (row.names.join(", ")) }
                        (cells(&row.figure))
                    } } }
                }
            }
        }
        section.card {
            h2 { "What these figures are" }
            p { (page.generalised) }
            p { (page.withheld) }
            p { "A trail with few reports is not safe: few may walk there, or few report." }
        }
    }
}

fn cautions(page: &PublicPage) -> Markup {
    let said = &page.cautions;
    html! {
        section.caution {
            p {
                "Snakes can be met on any trail. " (said.walking) " " (said.meeting)
                @if let Some(text) = said.keep_distance(&page.keep_distance) { " " (text) }
            }
            p {
                strong { (said.bite(&page.emergency_number)) }
                " " (said.authority) " "
                a href="/about#cautions" { "Cautions" }
            }
        }
    }
}

fn cells(figure: &PublicWords) -> Markup {
    let km = |km: f64| if km >= 10.0 { thousands(km as i64) } else { km.to_string() };
    html! { @match figure {
        PublicWords::NoWalking => { td data-label="Rate" { "no estimate" } td data-label="Rests on" { "no walking recorded" } }
        PublicWords::TooFew { least, walked_km } => {
            td data-label="Rate" { "too few to say" }
            td data-label="Rests on" { "fewer than " (least) " encounters in about " (km(*walked_km)) " km" }
        }
        PublicWords::Rate { rate, encounters, walked_km } => {
            td data-label="Rate" {
                "about " (format_rate(rate.value)) " (95 % interval " (format_rate(rate.lower)) " to " (format_rate(rate.upper)) ")"
            }
            td data-label="Rests on" { "about " (encounters) " encounters in about " (km(*walked_km)) " km" }
        }
    } }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<PublicPage> {
    let row = |name: &str, figure: PublicWords| PublicRow { names: vec![name.to_owned()], figure };
    let rate = Estimate { value: 2.9, lower: 1.8, upper: 4.4 };
    vec![PublicPage {
        area_name: "Example Basin".to_owned(),
        emergency_number: "112".to_owned(),
        cautions: cautions::shipped(),
        keep_distance: "3 m".to_owned(),
        drawing: MapDrawing::default(),
        bounds: [0.5, 1.0, 2.0, 4.0],
        rows: vec![
            row("Ledge Loop", PublicWords::Rate { rate, encounters: 35, walked_km: 12000.0 }),
            row("Mill Path", PublicWords::TooFew { least: 5, walked_km: 8.5 }),
            row("Rim Way", PublicWords::NoWalking),
        ],
        generalised: "Encounters are pooled over whole trails.".to_owned(),
        withheld: "Single places are left out.".to_owned(),
    }]
}
