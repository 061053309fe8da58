//! The trail risk map with the same facts beside it as text.

use maud::Markup;
use maud::html;

use crate::domain::time::MONTHS;
use crate::domain::time::PartOfDay;
use crate::signage::cautions;
use crate::signage::cautions::Cautions;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::SharedAxis;
use crate::web::views::charts::format_rate;
use crate::web::views::figure;
use crate::web::views::figure::Figure;
use crate::web::views::notice;
use crate::web::views::notice::StandingNotice;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// The map page.
#[derive(Debug, Clone)]
pub struct MapPage {
    /// What is said about snakes and bites.
    pub cautions: Cautions,
    /// The map.
    pub drawing: MapDrawing,
    /// Class bounds, per 1,000 km walked.
    pub bounds: [f64; 4],
    /// The month chosen, 1 to 12.
    pub month: Option<i8>,
    /// The part of the day chosen.
    pub part: Option<PartOfDay>,
    /// What the filter chose, in words ("all year, all day").
    pub period_words: String,
    /// Why the period has no figures of its own, in words.
    pub too_little: Option<String>,
    /// The stretch picked.
    pub picked: Option<(String, String, Figure)>,
    /// The highest rates, in order of the lower limit: name, address, figure.
    pub ranked: Vec<(String, String, Figure)>,
    /// Where the interactive map gets its data, and its script and style, where there is one.
    pub interactive: Option<Interactive>,
    /// What is missing, where there is nothing to show yet.
    pub empty: Option<String>,
    /// The reference rate, per 1,000 km.
    pub reference: Option<Estimate>,
    /// On how many stretches walking is assumed, in words; empty where on none.
    pub assumed: String,
    /// What share of the snakes met is reported, in words.
    pub reporting: String,
    /// Temporary notices that stand today.
    pub notices: Vec<StandingNotice>,
}

/// What the interactive map needs.
#[derive(Debug, Clone)]
pub struct Interactive {
    /// The address of its script.
    pub script: String,
    /// The address of its style sheet.
    pub style: String,
    /// The address of the stretches as GeoJSON.
    pub stretches: String,
    /// The address of the sign locations as GeoJSON.
    pub signs: String,
    /// The address of the notices that stand as GeoJSON.
    pub notices: String,
}

/// The page's body.
pub fn body(page: &MapPage) -> Markup {
    if let Some(reason) = &page.empty {
        return empty(reason);
    }
    html! {
        div.map-page {
            div.map-frame {
                div.map-box #map tabindex="0" aria-label="Map. Arrow keys move it, plus and minus zoom."
                    data-stretches=[page.interactive.as_ref().map(|map| &map.stretches)]
                    data-signs=[page.interactive.as_ref().map(|map| &map.signs)]
                    data-notices=[page.interactive.as_ref().map(|map| &map.notices)] {
                    (svg_map::draw(&page.drawing))
                    (filter(page))
                }
            }
            div.map-side {
                @if let Some(words) = &page.too_little {
                    p.notice {
                        (words) " "
                        @match page.reference {
                            Some(_) => "The figures below are carried over from other months and hours, so a low one says nothing.",
                            None => "So no stretch has a figure for it; all months and hours together have them.",
                        }
                    }
                }
                @if !page.notices.is_empty() {
                    section.card aria-label="Temporary notices" {
                        h2 { "Notices that stand today" }
                        (notice::list(&page.notices))
                        p.small.soft { "Each is about the whole of its trail." }
                    }
                }
                section.card aria-label="Picked stretch" {
                    @match &page.picked {
                        Some((name, href, figure)) => {
                            h2 { (name) }
                            (figure::figure(figure))
                            @if page.month.is_some() || page.part.is_some() {
                                p.small.soft {
                                    "Rate and interval are for " (page.period_words) ". Encounters, walking and the rate as counted "
                                    "are those of all months and hours, which the season and hour curve turns into this period's."
                                }
                            }
                            p { a href=(href) { "Why this figure" } }
                        }
                        None => {
                            h2.no-print { "Pick a stretch" }
                            p.soft.no-print { "Pick a line on the map or a row of the table." }
                        }
                    }
                }
                details.card.legend open {
                    summary { "Legend" }
                    (figure::legend(page.bounds))
                    @if !page.assumed.is_empty() { p.small { (page.assumed) " " a href="/exposure" { "Where walking is known" } } }
                    p.small.soft {
                        "Classes are bounds, not grades. Narrow and wide say over how many classes the interval reaches; each class is twice the one before, so that width is judged relative to the rate. Where walking is assumed no line is solid. A square with a number is a sign: filled, proposed; outlined, in place. A triangle with an exclamation mark is a temporary notice about the whole trail."
                    }
                }
                (figure::of_reports(&page.reporting))
                (ranked(page))
                p.no-print { a href="/route" { "What to expect on a walk" } " · " a href="/watch" { "This season against expectation" } }
                section.card.caution {
                    p {
                        "A low rate is not a safe trail. " (page.cautions.walking) " " (page.cautions.meeting) " "
                        a href="/about#cautions" { "Cautions" }
                    }
                }
            }
        }
        @if let Some(map) = &page.interactive {
            link rel="stylesheet" href=(map.style);
            script type="module" src=(map.script) {}
        }
    }
}

fn empty(reason: &str) -> Markup {
    html! {
        div.card {
            h1 { "Nothing to show yet" }
            p { (reason) }
            p { "Bring in the trails first, then trailheads, counters and their readings, then encounters." }
            p { a.button.main href="/data/import" { "Bring in files" } }
        }
    }
}

fn filter(page: &MapPage) -> Markup {
    html! {
        details.map-filter {
            summary { (page.period_words) }
            form method="get" action="/" {
                label { "Month"
                    select name="month" {
                        option value="" selected[page.month.is_none()] { "all months" }
                        @for (idx, name) in MONTHS.iter().enumerate() {
                            option value=(idx + 1) selected[page.month == i8::try_from(idx + 1).ok()] { (name) }
                        }
                    }
                }
                label { "Part of the day"
                    select name="part" {
                        option value="" selected[page.part.is_none()] { "all day" }
                        @for part in PartOfDay::ALL {
                            option value=(part.term()) selected[page.part == Some(part)] { (part.words()) }
                        }
                    }
                }
                button.main type="submit" { "Show" }
            }
        }
    }
}

fn ranked(page: &MapPage) -> Markup {
    html! {
        section.card.highest {
            h2 { "Highest rates" }
            p.small.soft {
                "In order of the lower limit, so that luck on a quiet trail does not lead the list. Stretches whose walkers "
                "are only assumed are left out."
                @if let Some(reference) = page.reference {
                    " All trails whose walking is known: " (format_rate(reference.value)) " (" (format_rate(reference.lower)) " to "
                    (format_rate(reference.upper)) ")."
                }
            }
            @if page.ranked.is_empty() {
                @match (page.reference, &page.too_little) {
                    (None, Some(_)) => p { "Too little is known of this month and part of the day for any." },
                    _ => p { "No stretch has enough walking and records to be ranked." },
                }
            } @else {
                @let axis = shared_axis(page);
                table.ranked {
                    thead {
                        tr {
                            th scope="col" { "Stretch" }
                            th.num scope="col" { "Rate" }
                            th.num scope="col" { "95 % interval" }
                        }
                        tr.drawn { td colspan="3" { (axis.head("Reports per 1,000 km walked, every line twice the one before; the thick line is all trails whose walking is known")) } }
                    }
                    tbody {
                        @for (name, href, figure) in &page.ranked {
                            @if let Ok(rate) = figure.rate {
                                tr {
                                    th scope="row" { a href=(href) { (name) } br; span.small.soft { (figure::counts(figure)) } }
                                    td.num { (format_rate(rate.value)) }
                                    td.num { (format_rate(rate.lower)) "–" (format_rate(rate.upper)) }
                                }
                                tr.drawn { td colspan="3" { (axis.row(rate, figure::class_of(figure.stroke))) } }
                            }
                        }
                    }
                }
                p.small.soft { "Drawn: reports per 1,000 km walked, each tick twice the one before; the long line is all trails whose walking is known." }
                p { a href="/trails" { "All trails and stretches" } }
            }
        }
    }
}

/// The axis that all ranked stretches are drawn on.
fn shared_axis(page: &MapPage) -> SharedAxis {
    let rates: Vec<Estimate> = page.ranked.iter().filter_map(|(_, _, figure)| figure.rate.ok()).collect();
    SharedAxis::of(&rates, page.reference.map(|reference| reference.value))
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<MapPage> {
    let line = svg_map::MapLine {
        points: vec![[0.0, 0.0], [400.0, 300.0], [900.0, 200.0]],
        stroke: svg_map::Stroke::Narrow(4),
        href: "/?stretch=0".to_owned(),
        title: "Ledge Walk, km 0.40 to 0.73".to_owned(),
        picked: true,
    };
    let drawing = MapDrawing {
        description: "Trails by encounter rate".to_owned(),
        lines: vec![line],
        labels: vec![svg_map::MapLabel { at: [400.0, 300.0], words: "Ledge Walk".to_owned() }],
        notices: vec![svg_map::MapNotice {
            at: [650.0, 250.0],
            href: "/notices/3".to_owned(),
            title: "More snakes than usual on Ledge Walk, until 24 May 2026".to_owned(),
        }],
        ..MapDrawing::default()
    };
    let named = ("Ledge Walk, km 0.40 to 0.73".to_owned(), "/stretch/0".to_owned(), figure::sample());
    let full = MapPage {
        cautions: cautions::shipped(),
        drawing,
        bounds: [0.5, 1.0, 2.0, 4.0],
        month: Some(5),
        part: Some(PartOfDay::Early),
        period_words: "May, early".to_owned(),
        too_little: None,
        picked: Some(named.clone()),
        ranked: vec![named],
        interactive: None,
        empty: None,
        reference: Some(Estimate { value: 2.1, lower: 1.9, upper: 2.4 }),
        assumed:
            "On 4 of 20 stretches (1.6 km) how many people walk is assumed: they have a colour, but no rank."
                .to_owned(),
        reporting: "What share is reported is not known: no survey walk lies on the trails.".to_owned(),
        notices: vec![StandingNotice {
            title: "More snakes than usual on Ledge Walk".to_owned(),
            href: "/notices/3".to_owned(),
            from: "3 May 2026".to_owned(),
            until: "24 May 2026".to_owned(),
        }],
    };
    let bare = MapPage {
        empty: Some("There are no trails yet.".to_owned()),
        picked: None,
        ranked: Vec::new(),
        ..full.clone()
    };
    let too_little = MapPage {
        too_little: Some(
            "Too little walking is known in this month and part of the day to say: 0 reports on about 7.4 km; over all trails \
             together at most 428 reports per 1,000 km (exact upper 95 % limit)."
                .to_owned(),
        ),
        reference: None,
        picked: None,
        ranked: Vec::new(),
        ..full.clone()
    };
    vec![full, bare, too_little]
}
