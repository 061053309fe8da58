//! What an encounter is tied to: the candidates, the form that places it by hand, and the list of those in doubt.

use maud::Markup;
use maud::html;

use crate::web::form::Given;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::form;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// What one encounter is tied to.
#[derive(Debug, Clone)]
pub struct TieCard {
    /// The address of the encounter.
    pub address: String,
    /// The position with its error circle, and the candidates, numbered.
    pub drawing: MapDrawing,
    /// Where it counts now, in words.
    pub now: String,
    /// Whether the computation finds it ambiguous.
    pub is_ambiguous: bool,
    /// Second weights above this are ambiguous.
    pub ambiguous_weight: f64,
    /// Standard deviation of the position on each axis, in words.
    pub error_words: String,
    /// What the computation finds, most probable first.
    pub candidates: Vec<CandidateRow>,
    /// What staff set by hand.
    pub by_hand: Option<HandNote>,
    /// Other segments and places near by: the form's value, and words.
    pub nearby: Vec<(String, String)>,
    /// The form as given.
    pub given: Given,
}

/// One candidate.
#[derive(Debug, Clone)]
pub struct CandidateRow {
    /// The form's value; empty where nothing can be chosen.
    pub value: String,
    /// Its name.
    pub words: String,
    /// Where it is shown whole, or empty.
    pub href: String,
    /// Distance from the position, metres.
    pub distance_m: Option<f64>,
    /// Its share of the record.
    pub weight: Option<f64>,
}

/// What was set by hand.
#[derive(Debug, Clone)]
pub struct HandNote {
    /// Where to.
    pub target: String,
    /// Who, and when.
    pub by: String,
    /// Why.
    pub reason: String,
    /// Why it is not used now, or empty.
    pub not_used: String,
    /// What changed since, or empty.
    pub changed_since: String,
}

/// The card on the encounter's page.
pub fn card(tie: &TieCard) -> Markup {
    html! {
        section.card #tie {
            h2 { "Where it happened" }
            div.grid {
                div {
                    p { strong { (tie.now) } }
                    @if tie.is_ambiguous && tie.by_hand.is_none() {
                        p.notice { "Ambiguous: the second segment holds more than " (percent(tie.ambiguous_weight)) " of it. In each draw it is put on one of them by chance; who knows better can place it by hand." }
                    }
                    @if let Some(note) = &tie.by_hand { (hand_note(note)) }
                    @if !tie.candidates.is_empty() { (candidates(tie)) }
                    p.small.soft { (tie.error_words) }
                }
                div.map-box.tie-map { (svg_map::draw(&tie.drawing)) }
            }
            (place_form(tie))
        }
    }
}

fn hand_note(note: &HandNote) -> Markup {
    html! {
        div.notice {
            p { "Placed by hand: " strong { (note.target) } ", by " (note.by) "." }
            p { "Reason: " (note.reason) }
            @if !note.not_used.is_empty() { p { strong { "Not used: " } (note.not_used) } }
            @if !note.changed_since.is_empty() { p { (note.changed_since) } }
        }
    }
}

fn candidates(tie: &TieCard) -> Markup {
    html! {
        table.stack {
            caption { "What the position alone says; numbers as on the map" }
            thead { tr { th scope="col" { "No." } th scope="col" { "Candidate" } th.num scope="col" { "Distance" } th.num scope="col" { "Weight" } } }
            tbody { @for (idx, row) in tie.candidates.iter().enumerate() { tr {
                th scope="row" { (idx + 1) }
                td data-label="Candidate" { @if row.href.is_empty() { (row.words) } @else { a href=(row.href) { (row.words) } } }
                td.num data-label="Distance" { @if let Some(metres) = row.distance_m { (format!("{metres:.0}")) " m" } }
                td.num data-label="Weight" { @if let Some(weight) = row.weight { (percent(weight)) } }
            } } }
        }
    }
}

fn place_form(tie: &TieCard) -> Markup {
    let (given, chosen) = (&tie.given, tie.given.get("target"));
    let option = |value: &str, words: Markup| {
        html! { label.choice { input type="radio" name="target" value=(value) checked[chosen == value]; span { (words) } } }
    };
    html! {
        details open[!given.is_good()] {
            summary { "Place it by hand" }
            form method="post" action={ (tie.address) "/tie" } {
                fieldset.choices.choices-down {
                    legend { "It happened" }
                    @for (idx, row) in tie.candidates.iter().enumerate().filter(|(_, row)| !row.value.is_empty()) {
                        (option(&row.value, html! { "on candidate " (idx + 1) ", " (row.words) }))
                    }
                    @if !tie.nearby.is_empty() {
                        (option("other", html! { "elsewhere near by:" }))
                        select name="other" aria-label="Segments and places near by" {
                            @for (value, words) in &tie.nearby { option value=(value) selected[given.get("other") == value] { (words) } }
                        }
                    }
                    (option("off", html! { "off the trail: it goes into no rate" }))
                    (form::error_line(given.error("target")))
                }
                div.fields {
                    (form::text("Reason (what you know that the position does not say)", "reason", given))
                    (form::signer(given))
                }
                p { button.main type="submit" { "Place it there" } }
            }
            @if tie.by_hand.is_some() {
                form method="post" action={ (tie.address) "/tie/clear" } {
                    div.fields {
                        (form::text("Reason to leave it to the position again", "clear-reason", given))
                        (form::signer_in("clear-who", given))
                    }
                    p { button type="submit" { "Leave it to the position" } }
                }
            }
        }
    }
}

/// Which encounters a list shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TieList {
    /// Ambiguous, and not placed by hand.
    Ambiguous,
    /// Placed by hand.
    ByHand,
    /// Placed by hand, but not used, since what they were placed on is gone.
    NotUsed,
}

impl TieList {
    /// All lists.
    pub const ALL: [Self; 3] = [Self::Ambiguous, Self::ByHand, Self::NotUsed];

    /// The word in the address.
    pub fn term(self) -> &'static str {
        match self {
            Self::Ambiguous => "ambiguous",
            Self::ByHand => "by-hand",
            Self::NotUsed => "not-used",
        }
    }

    /// The words on the page.
    pub fn words(self) -> &'static str {
        match self {
            Self::Ambiguous => "Ambiguous",
            Self::ByHand => "Placed by hand",
            Self::NotUsed => "Placed by hand, not used",
        }
    }
}

/// The list.
#[derive(Debug, Clone)]
pub struct TiesPage {
    /// Which encounters.
    pub shown: TieList,
    /// How many there are in each list, as in [`TieList::ALL`].
    pub counts: [usize; 3],
    /// How many encounters lie on a trail and count.
    pub n_on_trail: usize,
    /// Second weights above this are ambiguous.
    pub ambiguous_weight: f64,
    /// Multiple of the reference rate above which a stretch may be called.
    pub multiple: f64,
    /// How many hang on a call, on several trails, on several stretches, on nothing, or go into no rate, as in
    /// [`crate::derived::doubt::Stakes::ALL`]; none where no rate can be given, so that the order is that of doubt alone.
    pub stakes: Option<[usize; 5]>,
    /// How many rows of the list stand before this page.
    pub first_row: usize,
    /// How many rows the list has.
    pub n_rows: usize,
    /// The rows of this page.
    pub rows: Vec<TieRow>,
    /// The address of the page before.
    pub previous: Option<String>,
    /// The address of the next page.
    pub next: Option<String>,
}

/// One row.
#[derive(Debug, Clone)]
pub struct TieRow {
    /// Its address.
    pub href: String,
    /// Its identifier.
    pub occurrence_id: String,
    /// When, as far as known.
    pub when: String,
    /// Effort kind.
    pub effort: String,
    /// Where it may lie, or was placed: words and share.
    pub places: Vec<(String, Option<f64>)>,
    /// What hangs on where it belongs; empty in the other lists.
    pub hangs: String,
    /// Who placed it, when, why; empty where nobody did.
    pub note: String,
}

/// The list's body.
pub fn list_body(page: &TiesPage) -> Markup {
    html! {
        div.page-head { h1 { "Positions in doubt" } a.button href="/encounters" { "All encounters" } }
        p {
            (thousands(page.counts[0] as i64)) " of " (thousands(page.n_on_trail as i64))
            " encounters on trails are ambiguous: their second segment holds more than " (percent(page.ambiguous_weight))
            " of them. They stay in every figure, shared out by chance in each draw; placing one by hand narrows it."
        }
        p { @for (list, n) in TieList::ALL.into_iter().zip(page.counts) {
            a.button href={ "/data/ambiguous?show=" (list.term()) } aria-current=[(list == page.shown).then_some("page")] { (list.words()) " (" (thousands(n as i64)) ")" } " "
        } }
        @if page.shown == TieList::Ambiguous { (order_words(page)) }
        @if page.rows.is_empty() { p.card { "None." } } @else {
            @let last = page.first_row + page.rows.len();
            p.small.soft { (thousands(page.first_row as i64 + 1)) " to " (thousands(last as i64)) " of " (thousands(page.n_rows as i64)) }
            div.card { table.stack {
                thead { tr {
                    th scope="col" { "Encounter" } th scope="col" { "When" } th scope="col" { "Effort" } th scope="col" { "Where" }
                    @if page.shown == TieList::Ambiguous { th scope="col" { "What hangs on it" } } @else { th scope="col" { "By hand" } }
                } }
                tbody { @for row in &page.rows { tr {
                    th scope="row" { a href={ (row.href) "#tie" } { (row.occurrence_id) } }
                    td data-label="When" { (row.when) }
                    td data-label="Effort" { (row.effort) }
                    td data-label="Where" { @for (words, share) in &row.places { div { (words) @if let Some(share) = share { ", " (percent(*share)) } } } }
                    @if page.shown == TieList::Ambiguous { td.prose data-label="What hangs on it" { (row.hangs) } } @else { td.prose data-label="By hand" { (row.note) } }
                } } }
            } }
            p {
                @if let Some(previous) = &page.previous { a.button href=(previous) rel="prev" { "Page before" } " " }
                @if let Some(next) = &page.next { a.button href=(next) rel="next" { "Next page" } }
            }
        }
    }
}

/// In which order the list stands, and why.
fn order_words(page: &TiesPage) -> Markup {
    let n = |count: usize| thousands(count as i64);
    html! {
        @match page.stakes {
            Some([calls, trails, stretches, none, no_rate]) => {
                p { "In the order of what hangs on them:" }
                ol {
                    li { (n(calls)) " lie between a stretch that is called above " (page.multiple) " times the rate of all trails whose walking is known and one that is not" }
                    li { (n(trails)) " between stretches of several trails" }
                    li { (n(stretches)) " between stretches of one trail" }
                    li { (n(none)) " within one stretch: no figure of a stretch or trail changes" }
                    li { (n(no_rate)) " are in no rate of stretches" }
                }
                p.small.soft {
                    "Within each, those first that would move the rate of a stretch most: placing a record adds or takes away up to one encounter there, "
                    "which is told in half-widths of the 95 % interval of that rate, less what the estimate draws towards its trail."
                }
            }
            None => p { "No rate can be given yet, so the order is that of doubt: the heaviest second segment first." },
        }
    }
}

/// Cards made up for tests and previews.
pub fn samples() -> Vec<TieCard> {
    let row = |value: &str, words: &str, weight| CandidateRow {
        value: value.to_owned(),
        words: words.to_owned(),
        href: "/segment/1".to_owned(),
        distance_m: Some(12.0),
        weight: Some(weight),
    };
    let card = TieCard {
        address: "/encounters/1".to_owned(),
        drawing: MapDrawing::default(),
        now: "On Ledge Walk, segment 4, or near by".to_owned(),
        is_ambiguous: true,
        ambiguous_weight: 0.25,
        error_words: "The circle holds the true place 95 times in 100; standard deviation 8 m on each axis."
            .to_owned(),
        candidates: vec![
            row("segment:1", "Ledge Walk, segment 4", 0.6),
            row("segment:2", "Ledge Walk, segment 5", 0.4),
        ],
        by_hand: None,
        nearby: vec![("segment:3".to_owned(), "Ledge Walk, segment 6, 90 m".to_owned())],
        given: Given::default(),
    };
    let note = HandNote {
        target: "Ledge Walk, segment 5".to_owned(),
        by: "A. Warden, 2024-06-01 10:00 UTC".to_owned(),
        reason: "below the steps".to_owned(),
        not_used: "that segment is no longer there".to_owned(),
        changed_since: "The record was changed on 2024-06-02, after it was placed.".to_owned(),
    };
    let mut wrong = Given::default();
    wrong.set("reason", "below the steps");
    wrong.refuse("target", "Choose where it happened.");
    vec![card.clone(), TieCard { by_hand: Some(note), given: wrong, ..card }]
}

/// Lists made up for tests and previews.
pub fn list_samples() -> Vec<TiesPage> {
    let row = TieRow {
        href: "/encounters/1".to_owned(),
        occurrence_id: "R-1".to_owned(),
        when: "2024-05-04 09:10".to_owned(),
        effort: "report".to_owned(),
        places: vec![
            ("Ledge Walk, segment 4".to_owned(), Some(0.6)),
            ("Swale Path, segment 1".to_owned(), Some(0.4)),
        ],
        hangs: "Another trail: Ledge Walk, km 0.00 to 0.41 (2.1 per 1,000 km) or Swale Path, km 0.00 to 0.52 (0.4 per 1,000 km); moves a rate by up \
                to 12 % of its interval's half-width"
            .to_owned(),
        note: String::new(),
    };
    let page = TiesPage {
        shown: TieList::Ambiguous,
        counts: [1, 0, 0],
        n_on_trail: 60,
        ambiguous_weight: 0.25,
        multiple: 1.5,
        stakes: Some([0, 1, 0, 0, 0]),
        first_row: 0,
        n_rows: 1,
        rows: vec![row],
        previous: None,
        next: None,
    };
    let unrated = TiesPage { stakes: None, ..page.clone() };
    vec![page.clone(), TiesPage { shown: TieList::NotUsed, rows: Vec::new(), n_rows: 0, ..page }, unrated]
}
