//! Trails with their stretches, and places.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::interval_bar;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::figure;
use crate::web::views::figure::Figure;
use crate::web::views::notice;
use crate::web::views::notice::StandingNotice;

/// The list of trails.
#[derive(Debug, Clone)]
pub struct TrailsPage {
    /// The trails.
    pub trails: Trails,
    /// Places with their encounters.
    pub places: Vec<PlaceRow>,
    /// What share of the snakes met is reported, in words.
    pub reporting: String,
}

/// How much of the trails is shown, always in order of name.
#[derive(Debug, Clone)]
pub enum Trails {
    /// All of them with their stretches.
    WithStretches(Vec<TrailRow>),
    /// All of them, a line each: their stretches would be too many for one page.
    Overview(Vec<TrailRow>),
    /// One with its stretches.
    One(TrailRow),
}

/// One trail.
#[derive(Debug, Clone)]
pub struct TrailRow {
    /// Its name.
    pub name: String,
    /// The page of its stretches.
    pub href: String,
    /// Its habitat, or empty.
    pub habitat: String,
    /// Its length, kilometres.
    pub length_km: f64,
    /// The rate of the whole trail.
    pub figure: Figure,
    /// Temporary notices that stand today about it.
    pub notices: Vec<StandingNotice>,
    /// Its stretches in order.
    pub stretches: Vec<StretchRow>,
}

/// One stretch.
#[derive(Debug, Clone)]
pub struct StretchRow {
    /// Its name.
    pub name: String,
    /// Its page.
    pub href: String,
    /// Its rate.
    pub figure: Figure,
    /// Share of draws in which it is among the ten highest of the area; none where it is not ranked.
    pub top_share: Option<f64>,
}

/// One place.
#[derive(Debug, Clone)]
pub struct PlaceRow {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: String,
    /// Encounters tied to it, by effort kind: reports, surveys, located, chance.
    pub counts: [u64; 4],
    /// Parties that visited in the study period, where known, and reports per 1,000 of them.
    pub visits: Option<(Estimate, Estimate)>,
}

/// The page's body.
pub fn body(page: &TrailsPage) -> Markup {
    html! {
        div.page-head { h1 { "Trails" } div { a.button href="/rates" { "Which stand out" } " " a.button href="#places" { "Places" } } }
        p.soft {
            "Reported encounters per 1,000 km walked by parties, with 95 % intervals. Reports are divided by walking on the "
            "trails; encounters on surveys, located ones and chance ones never go into these figures."
        }
        (figure::of_reports(&page.reporting))
        @match &page.trails {
            Trails::WithStretches(trails) => { @for trail in trails { (trail_card(trail)) } (places(page)) }
            Trails::Overview(trails) => { (overview(trails)) (places(page)) }
            Trails::One(trail) => {
                p { a href="/trails" { "All trails" } }
                (trail_card(trail))
            }
        }
    }
}

fn overview(trails: &[TrailRow]) -> Markup {
    html! {
        section.card {
            table.stack {
                thead { tr {
                    th scope="col" { "Trail" } th.num scope="col" { "Length" } th scope="col" { "Habitat" }
                    th.num scope="col" { "Rate" } th.num scope="col" { "95 % interval" } th scope="col" { "Interval" }
                    th.num scope="col" { "Encounters" } th.num scope="col" { "km walked" }
                } }
                tbody { @for trail in trails { (overview_row(trail)) } }
            }
        }
    }
}

fn overview_row(trail: &TrailRow) -> Markup {
    let figure = &trail.figure;
    html! {
        tr {
            th scope="row" { a href=(trail.href) { (trail.name) } @if !trail.notices.is_empty() { " " span.small { "a notice stands here today" } } }
            td.num data-label="Length" { (format!("{:.1} km", trail.length_km)) }
            td data-label="Habitat" { (trail.habitat) }
            (rate_cells(figure))
            td.num data-label="Encounters" { (figure::format_count(figure.count)) }
            td.num data-label="km walked" { (thousands(figure.walked_km.round() as i64)) }
        }
    }
}

fn trail_card(trail: &TrailRow) -> Markup {
    html! {
        section.card {
            h2 { (trail.name) }
            (notice::standing(&trail.notices))
            p.small.soft {
                (format!("{:.1} km", trail.length_km))
                @if !trail.habitat.is_empty() { " · " (trail.habitat) }
                " · " (figure::counts(&trail.figure))
            }
            @if let Ok(rate) = trail.figure.rate {
                p { "Whole trail: " strong { (format_rate(rate.value)) } " (" (format_rate(rate.lower)) " to " (format_rate(rate.upper)) ")" }
            }
            table.stack {
                thead { tr {
                    th scope="col" { "Stretch" } th.num scope="col" { "Rate" } th.num scope="col" { "95 % interval" }
                    th scope="col" { "Interval" } th.num scope="col" { "Encounters" } th.num scope="col" { "km walked" }
                    th.num scope="col" { "In the area's first ten" } th scope="col" { "Walking is" }
                } }
                tbody {
                    @for stretch in &trail.stretches { (stretch_row(stretch)) }
                }
            }
        }
    }
}

fn stretch_row(stretch: &StretchRow) -> Markup {
    let figure = &stretch.figure;
    html! {
        tr {
            th scope="row" { a href=(stretch.href) { (stretch.name) } }
            (rate_cells(figure))
            td.num data-label="Encounters" { (figure::format_count(figure.count)) }
            td.num data-label="km walked" { (thousands(figure.walked_km.round() as i64)) }
            td.num data-label="In the area's first ten" { @match stretch.top_share { Some(share) => { (percent(share)) " of draws" }, None => "not ranked" } }
            td data-label="Walking is" { (figure.provenance) }
        }
    }
}

/// The rate, its interval in figures and drawn; or why there is none.
fn rate_cells(figure: &Figure) -> Markup {
    html! {
        @match figure.rate {
            Ok(rate) => {
                td.num data-label="Rate" { (format_rate(rate.value)) }
                td.num data-label="95 % interval" { (format_rate(rate.lower)) "–" (format_rate(rate.upper)) " (" (figure::width_words(figure.stroke)) ")" }
                td data-label="Interval" { (interval_bar(rate, figure::class_of(figure.stroke))) }
            }
            Err(reason) => {
                td.num data-label="Rate" colspan="3" { (reason.words()) }
            }
        }
    }
}

fn places(page: &TrailsPage) -> Markup {
    html! {
        section.card #places {
            h2 { "Places" }
            p.soft.small {
                "Encounters reported in car parks, campsites, viewpoints and buildings belong to the place, not to a trail. "
                "Reports are given for each 1,000 visits where visits are known, with exact 95 % limits that allow for how well the visits are known."
            }
            @if page.places.is_empty() { p { "No places yet." } } @else {
                table.stack {
                    thead { tr {
                        th scope="col" { "Place" } th scope="col" { "Kind" } th.num scope="col" { "Reports" }
                        th.num scope="col" { "On surveys" } th.num scope="col" { "Located" } th.num scope="col" { "Chance" }
                        th.num scope="col" { "Parties visiting" } th.num scope="col" { "Reports per 1,000 visits" }
                    } }
                    tbody { @for place in &page.places { (place_row(place)) } }
                }
            }
        }
    }
}

fn place_row(place: &PlaceRow) -> Markup {
    html! {
        tr {
            th scope="row" { (place.name) }
            td data-label="Kind" { (place.kind) }
            td.num data-label="Reports" { (place.counts[0]) }
            td.num data-label="On surveys" { (place.counts[1]) }
            td.num data-label="Located" { (place.counts[2]) }
            td.num data-label="Chance" { (place.counts[3]) }
            @match place.visits {
                Some((visits, rate)) => {
                    td.num data-label="Parties visiting" { (interval_words(visits, |value| thousands(value.round() as i64))) }
                    td.num data-label="Reports per 1,000 visits" { (interval_words(rate, format_rate)) }
                }
                None => {
                    td.num data-label="Parties visiting" { "not known" }
                    td.num data-label="Reports per 1,000 visits" { "no exposure" }
                }
            }
        }
    }
}

fn interval_words(estimate: Estimate, words: impl Fn(f64) -> String) -> String {
    format!("{} ({}–{})", words(estimate.value), words(estimate.lower), words(estimate.upper))
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<TrailsPage> {
    let named = StretchRow {
        name: "Ledge Walk, km 0.40 to 0.73".to_owned(),
        href: "/stretch/0".to_owned(),
        figure: figure::sample(),
        top_share: Some(0.62),
    };
    let none =
        Figure { rate: Err(figure::NoRate::NoExposure), walked_km: 0.0, count: 0.0, ..figure::sample() };
    let trail = TrailRow {
        name: "Ledge Walk".to_owned(),
        href: "/trails?trail=0".to_owned(),
        habitat: "ledge".to_owned(),
        length_km: 6.2,
        figure: figure::sample(),
        notices: vec![notice::sample_standing()],
        stretches: vec![named.clone(), StretchRow { figure: none, top_share: None, ..named }],
    };
    let place = |visits| PlaceRow {
        name: "Gate car park".to_owned(),
        kind: "car park".to_owned(),
        counts: [9, 0, 0, 1],
        visits,
    };
    let reporting = "What share is reported is not known: no survey walk lies on the trails.".to_owned();
    let visits = Estimate { value: 12000.0, lower: 9000.0, upper: 15000.0 };
    let rate = Estimate { value: 0.75, lower: 0.34, upper: 1.42 };
    let places = vec![place(Some((visits, rate))), place(None)];
    vec![
        TrailsPage {
            trails: Trails::WithStretches(vec![trail.clone()]),
            places: places.clone(),
            reporting: reporting.clone(),
        },
        TrailsPage {
            trails: Trails::WithStretches(Vec::new()),
            places: Vec::new(),
            reporting: reporting.clone(),
        },
        TrailsPage { trails: Trails::Overview(vec![trail.clone()]), places, reporting: reporting.clone() },
        TrailsPage { trails: Trails::One(trail), places: Vec::new(), reporting },
    ]
}
