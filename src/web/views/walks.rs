//! Survey walks, and one walk: the raw track against the path that was matched.

use maud::Markup;
use maud::html;

use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::Stroke;

/// The list.
#[derive(Debug, Clone)]
pub struct WalksPage {
    /// The purpose that is shown, or empty for all.
    pub purpose: String,
    /// The purposes to choose from.
    pub purposes: Vec<&'static str>,
    /// All walks shown, in an everyday sentence.
    pub summary: String,
    /// The rows of this page, newest first.
    pub rows: Vec<WalkRow>,
    /// The address of the next page.
    pub next: Option<String>,
    /// The address of the first page, where this is not it.
    pub first: Option<String>,
}

/// One walk of the list.
#[derive(Debug, Clone)]
pub struct WalkRow {
    /// Its address.
    pub href: String,
    /// Its `eventID`.
    pub event_id: String,
    /// When it began, local time.
    pub when: String,
    /// Who walked, or empty.
    pub observers: String,
    /// Why it was made where it was.
    pub purpose: String,
    /// What of its track lies on the trails.
    pub track: TrackWords,
    /// Encounters on it, none included.
    pub n_encounters: usize,
}

/// What became of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TrackWords {
    /// None was recorded: the walk is in no survey rate.
    NoTrack,
    /// Kilometres on the trails, and kilometres left out.
    Matched {
        /// On the trails.
        matched_km: f64,
        /// Left out.
        left_out_km: f64,
    },
}

/// One walk.
#[derive(Debug, Clone)]
pub struct WalkPage {
    /// Its `eventID`.
    pub event_id: String,
    /// When, local time.
    pub when: String,
    /// Who walked, or empty.
    pub observers: String,
    /// Why it was made where it was.
    pub purpose: String,
    /// What the purpose means for rates.
    pub purpose_words: &'static str,
    /// The protocol, or empty.
    pub protocol: String,
    /// The everyday sentence.
    pub summary: String,
    /// Track and matched path.
    pub drawing: MapDrawing,
    /// What was walked, in order.
    pub legs: Vec<LegRow>,
    /// What was left out.
    pub left_out: Vec<LeftOutRow>,
    /// What must be known about the track, a line each.
    pub notes: Vec<String>,
    /// Its encounters: address, when, what became of each.
    pub encounters: Vec<(String, String, String)>,
}

/// Passages over neighbouring segments of one trail in one direction.
#[derive(Debug, Clone)]
pub struct LegRow {
    /// The trail.
    pub trail: String,
    /// Where along the trail, in words.
    pub segments: String,
    /// The first segment's address.
    pub href: String,
    /// Where it begins and ends on its first and last segment, in words.
    pub offsets: String,
    /// Metres walked.
    pub metres: f64,
}

/// A part left out.
#[derive(Debug, Clone)]
pub struct LeftOutRow {
    /// Which positions of the track, in words.
    pub positions: String,
    /// When, in words; empty where the track has no times.
    pub when: String,
    /// Metres.
    pub metres: f64,
    /// Why.
    pub reason: &'static str,
}

/// The list's body.
pub fn list_body(page: &WalksPage) -> Markup {
    html! {
        div.page-head { div { h1 { "Survey walks" } p.soft { (page.summary) } } a.button href="/survey" { "Survey rates" } }
        form.card.row method="get" action="/walks" {
            label { "Purpose"
                select name="purpose" {
                    option value="" selected[page.purpose.is_empty()] { "all" }
                    @for purpose in &page.purposes { option value=(purpose) selected[page.purpose == *purpose] { (purpose) } }
                }
            }
            button.main type="submit" { "Show" }
        }
        @if page.rows.is_empty() {
            p.card { "No survey walks. " a href="/data/import" { "Bring in survey walks" } " as a CSV table or as GPX tracks." }
        } @else {
            section.card {
                table.stack {
                    thead { tr {
                        th scope="col" { "Walk" } th scope="col" { "When" } th scope="col" { "Observers" } th scope="col" { "Purpose" }
                        th.num scope="col" { "km on trails" } th.num scope="col" { "km left out" } th.num scope="col" { "Encounters" }
                    } }
                    tbody { @for row in &page.rows { (walk_row(row)) } }
                }
                nav.row aria-label="Pages" {
                    @if let Some(first) = &page.first { a.button href=(first) { "Newest" } }
                    @if let Some(next) = &page.next { a.button href=(next) { "Older" } }
                }
            }
        }
    }
}

fn walk_row(row: &WalkRow) -> Markup {
    html! {
        tr {
            th scope="row" { a href=(row.href) { (row.event_id) } }
            td data-label="When" { (row.when) }
            td data-label="Observers" { @if row.observers.is_empty() { "not given" } @else { (row.observers) } }
            td data-label="Purpose" { (row.purpose) }
            @match row.track {
                TrackWords::NoTrack => {
                    td.num data-label="km on trails" { "no track" }
                    td.num data-label="km left out" { "–" }
                }
                TrackWords::Matched { matched_km, left_out_km } => {
                    td.num data-label="km on trails" { (format!("{matched_km:.2}")) }
                    td.num data-label="km left out" { (format!("{left_out_km:.2}")) }
                }
            }
            td.num data-label="Encounters" { (row.n_encounters) }
        }
    }
}

/// One walk's body.
pub fn one_body(page: &WalkPage) -> Markup {
    html! {
        div.page-head { div {
            h1 { "Survey walk " (page.event_id) }
            p.soft { (page.when) " · " @if page.observers.is_empty() { "observers not given" } @else { (page.observers) } " · " (page.purpose)
                @if !page.protocol.is_empty() { " · " (page.protocol) } }
        } a.button href="/walks" { "All walks" } }
        p { (page.summary) }
        p.small.soft { (page.purpose_words) }
        section.card.walk-map {
            (svg_map::draw(&page.drawing))
            p.small { (sample("no-walking")) " trails " (sample("matched")) " path matched " (sample("track")) " track as recorded" }
        }
        @if !page.notes.is_empty() { ul.notice.plain { @for note in &page.notes { li { (note) } } } }
        (legs(page))
        (left_out(page))
        section.card {
            h2 { "Encounters" }
            @if page.encounters.is_empty() { p { "None: a walk without an encounter counts as much as the others." } } @else {
                ul { @for (href, when, fate) in &page.encounters { li { a href=(href) { (when) } ": " (fate) } } }
            }
        }
    }
}

fn sample(class: &str) -> Markup {
    html! { svg width="32" height="8" aria-hidden="true" { path class=(class) d="M0 4H32" {} } }
}

fn legs(page: &WalkPage) -> Markup {
    html! {
        section.card {
            h2 { "What was walked" }
            @if page.legs.is_empty() { p { "Nothing on the trails." } } @else {
                table.stack {
                    caption.small.soft { "In order; a segment walked out and back counts twice." }
                    thead { tr {
                        th scope="col" { "Trail" } th scope="col" { "Segments" } th scope="col" { "From and to" } th.num scope="col" { "m walked" }
                    } }
                    tbody { @for leg in &page.legs { tr {
                        th scope="row" { (leg.trail) }
                        td data-label="Where" { a href=(leg.href) { (leg.segments) } }
                        td data-label="From and to" { (leg.offsets) }
                        td.num data-label="m walked" { (format!("{:.0}", leg.metres)) }
                    } } }
                }
            }
        }
    }
}

fn left_out(page: &WalkPage) -> Markup {
    html! {
        section.card {
            h2 { "What was left out" }
            @if page.left_out.is_empty() { p { "Nothing: the whole track lies on the trails." } } @else {
                table.stack {
                    thead { tr {
                        th scope="col" { "Why" } th scope="col" { "Positions" } th scope="col" { "When" } th.num scope="col" { "m" }
                    } }
                    tbody { @for row in &page.left_out { tr {
                        th scope="row" { (row.reason) }
                        td data-label="Positions" { (row.positions) }
                        td data-label="When" { @if row.when.is_empty() { "no times" } @else { (row.when) } }
                        td.num data-label="m" { (format!("{:.0}", row.metres)) }
                    } } }
                }
            }
        }
    }
}

/// Lists made up for tests and previews.
pub fn list_samples() -> Vec<WalksPage> {
    let row = WalkRow {
        href: "/walks/1".to_owned(),
        event_id: "W-0001".to_owned(),
        when: "2025-05-04 07:10".to_owned(),
        observers: "Team <2>".to_owned(),
        purpose: "planned".to_owned(),
        track: TrackWords::Matched { matched_km: 6.21, left_out_km: 1.4 },
        n_encounters: 0,
    };
    let bare =
        WalkRow { track: TrackWords::NoTrack, observers: String::new(), n_encounters: 2, ..row.clone() };
    let page = WalksPage {
        purpose: "planned".to_owned(),
        purposes: vec!["planned", "targeted", "opportunistic"],
        summary: "2 walks, 6.2 km on the trails; 1 of them met no snake.".to_owned(),
        rows: vec![row, bare],
        next: Some("/walks?page=2".to_owned()),
        first: None,
    };
    let empty = WalksPage { rows: Vec::new(), next: None, purpose: String::new(), ..page.clone() };
    vec![page, empty]
}

/// Walks made up for tests and previews.
pub fn one_samples() -> Vec<WalkPage> {
    let line = |points: Vec<[f64; 2]>, stroke| MapLine {
        points,
        stroke,
        href: String::new(),
        title: String::new(),
        picked: false,
    };
    let page = WalkPage {
        event_id: "W-0001".to_owned(),
        when: "2025-05-04 07:10".to_owned(),
        observers: "Team 2".to_owned(),
        purpose: "targeted".to_owned(),
        purpose_words: "It informs only the stretches it went over.",
        protocol: "walked transect".to_owned(),
        summary: "1.9 km on the trails and 1 encounter; 2.0 km of the track are left out.".to_owned(),
        drawing: MapDrawing {
            description: "The track and the path matched to it".to_owned(),
            lines: vec![
                line(vec![[0.0, 0.0], [2000.0, 0.0]], Stroke::NoWalking),
                line(vec![[0.0, 0.0], [1900.0, 0.0]], Stroke::Matched),
                line(vec![[0.0, 8.0], [900.0, -6.0], [1900.0, 5.0]], Stroke::Track),
            ],
            ..MapDrawing::default()
        },
        legs: vec![LegRow {
            trail: "Mill Path".to_owned(),
            segments: "km 0.00 to 1.90".to_owned(),
            href: "/segment/1".to_owned(),
            offsets: "from 12 m to 98 m".to_owned(),
            metres: 1886.0,
        }],
        left_out: vec![LeftOutRow {
            positions: "332 to 377".to_owned(),
            when: "09:41 to 09:45".to_owned(),
            metres: 2037.0,
            reason: "faster than walking: a drive",
        }],
        notes: vec!["610 m lie between positions far apart and are filled in along the trail.".to_owned()],
        encounters: vec![("/encounters/7".to_owned(), "2025-05-04 08:02".to_owned(), "counted".to_owned())],
    };
    let empty = WalkPage {
        legs: Vec::new(),
        left_out: Vec::new(),
        notes: Vec::new(),
        encounters: Vec::new(),
        drawing: MapDrawing::default(),
        ..page.clone()
    };
    vec![page, empty]
}
