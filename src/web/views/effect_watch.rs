//! Watched behaviour: what parties did at signs, with signs against without, and the form for a watch.

use maud::Markup;
use maud::html;

use crate::domain::sign_watch::LONGEST_ASKED;
use crate::domain::sign_watch::Watcher;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::effect::OutcomeRow;
use crate::web::views::effect::outcomes;
use crate::web::views::form::anchor;

/// What watching found.
#[derive(Debug, Clone, Default)]
pub struct WatchingShown {
    /// The sentence for everybody.
    pub sentence: String,
    /// Shares of parties at standing signs.
    pub shares: Vec<ShareRow>,
    /// Comparisons of signs that went up together.
    pub compared: Vec<WatchCard>,
    /// Why there is no comparison; empty where there is one, or no watch.
    pub refusal: String,
    /// Places that count nowhere, and why.
    pub left_out: Vec<String>,
    /// What watching could find out.
    pub power: WatchPowerShown,
}

/// What watching could find out, before anyone watches.
#[derive(Debug, Clone, Default)]
pub struct WatchPowerShown {
    /// What is taken to be, in words.
    pub basis: String,
    /// Numbers of parties, in words.
    pub parties: Vec<String>,
    /// Numbers of places, and what would show with each number of parties.
    pub rows: Vec<(usize, Vec<String>)>,
}

/// A share of parties at standing signs.
#[derive(Debug, Clone)]
pub struct ShareRow {
    /// What they did, and how they were watched.
    pub what: String,
    /// The counts.
    pub counts: String,
    /// The share.
    pub estimate: Estimate,
    /// What the limits speak of.
    pub basis: String,
    /// Each sign: name, counts, share with limits of that place.
    pub by_sign: Vec<(String, String, String)>,
}

/// One thing asked, one way of watching, one group of signs.
#[derive(Debug, Clone)]
pub struct WatchCard {
    /// What was asked, how it was watched, of which signs.
    pub title: String,
    /// Before and after.
    pub outcomes: Vec<OutcomeRow>,
    /// With signs against without while they stood, in words.
    pub places: String,
    /// Every place: name with what it is, before, after.
    pub rows: Vec<(String, String, String)>,
}

/// Fields of the form: name, label, type, whether it must be filled in.
pub const FIELDS: [(&str, &str, &str, bool); 11] = [
    ("watch-place", "Place: the sign’s name, or a name for a place without one", "text", true),
    ("watch-latitude", "Latitude, degrees", "text", true),
    ("watch-longitude", "Longitude, degrees", "text", true),
    ("watch-start", "Start", "datetime-local", true),
    ("watch-minutes", "Minutes", "text", true),
    ("watch-passed", "Parties that passed", "text", true),
    ("watch-read", "Of these, read or looked at the sign (empty where none stands)", "text", false),
    ("watch-did", "Of those that passed, did as asked", "text", true),
    ("watch-asked", "What is asked, in the same few words every time", "text", true),
    ("watch-by", "Watched by", "text", true),
    ("watch-remarks", "Remarks", "text", false),
];

/// The section.
pub fn section(shown: &WatchingShown) -> Markup {
    html! {
        section.card #watched {
            h2 { "Watched at the signs" }
            p { strong { (shown.sentence) } }
            @if !shown.shares.is_empty() {
                h3 { "What parties do where a sign stands" }
                p.small.soft { "Counts of parties, not people. Who feels watched behaves: watches that walkers could see and those they could not are never put together. Doing as asked is not yet what the sign did: many would have done so without one, and the comparison below tells the two apart." }
                table.stack {
                    thead { tr { th scope="col" { "What they did" } th scope="col" { "Counted" } th.num scope="col" { "Share" } th.num scope="col" { "95 % interval" } th scope="col" { "Of what the interval speaks" } } }
                    tbody { @for row in &shown.shares { tr {
                        th scope="row" { (row.what) }
                        td data-label="Counted" { (row.counts) }
                        td.num data-label="Share" { (percent(row.estimate.value)) }
                        td.num data-label="95 % interval" { (percent(row.estimate.lower)) " to " (percent(row.estimate.upper)) }
                        td data-label="Speaks of" { (row.basis) }
                    } } }
                }
                @for row in shown.shares.iter().filter(|row| row.by_sign.len() > 1) {
                    details {
                        summary { "By sign: " (row.what) " (" (row.by_sign.len()) ")" }
                        table.stack {
                            thead { tr { th scope="col" { "Sign" } th scope="col" { "Counted" } th.num scope="col" { "Share, 95 % interval of that sign alone" } } }
                            tbody { @for (name, counts, share) in &row.by_sign { tr {
                                th scope="row" { (name) } td data-label="Counted" { (counts) } td.num data-label="Share" { (share) }
                            } } }
                        }
                    }
                }
            }
            @for card in &shown.compared {
                h3 { (card.title) }
                (outcomes(&card.outcomes))
                p { (card.places) }
                details {
                    summary { "Each place (" (card.rows.len()) ")" }
                    table.stack {
                        thead { tr { th scope="col" { "Place" } th.num scope="col" { "Before" } th.num scope="col" { "After" } } }
                        tbody { @for (name, before, after) in &card.rows { tr {
                            th scope="row" { (name) } td.num data-label="Before" { (before) } td.num data-label="After" { (after) }
                        } } }
                    }
                }
            }
            @if !shown.compared.is_empty() {
                p.small.soft { "Each place counts as one, however many parties passed. Before may reach back to before the plan, since encounters chose the places and not behaviour; where watched behaviour chose them, only the time since the plan counts." }
            }
            @if !shown.refusal.is_empty() { p { (shown.refusal) } }
            (power(&shown.power))
            @if !shown.left_out.is_empty() {
                details { summary { "Watches that are in no comparison (" (shown.left_out.len()) ")" } ul { @for words in &shown.left_out { li { (words) } } } }
            }
        }
    }
}

fn power(shown: &WatchPowerShown) -> Markup {
    html! {
        details #watch-power {
            summary { "How many parties to watch" }
            p { "Before anyone watches: the smallest share of parties doing as asked, with signs, that would show with 80 % probability at the 95 % level. A smaller rise may be real and still not show." }
            p.small.soft { (shown.basis) }
            table.stack {
                thead { tr { th scope="col" { "Places with a sign, and as many without" } @for parties in &shown.parties { th.num scope="col" { (parties) } } } }
                tbody { @for (n_places, cells) in &shown.rows { tr {
                    th scope="row" { (n_places) " and " (n_places) }
                    @for (parties, words) in shown.parties.iter().zip(cells) { td.num data-label=(parties) { (words) } }
                } } }
            }
            p.small.soft { "Watched at every place before its sign stands and again while it does. Fewer than six signs can never stand out in a test that takes each sign as one." }
        }
    }
}

/// The form for one watch, with what was typed and the messages at its fields.
pub fn form(given: &[(String, String)], errors: &[(String, String)]) -> Markup {
    let find = |all: &[(String, String)], name: &str| {
        all.iter().find(|(field, _)| field == name).map(|(_, words)| words.clone())
    };
    html! {
        details.no-print open[errors.iter().any(|(field, _)| field.starts_with("watch-"))] {
            summary { "Record a watch" }
            p.small { "Stand where nobody needs to pass close to a snake or off the path for you, count the parties that pass, and of these how many did what was asked. Watch places without signs in the same weeks too: without them nothing can be compared." }
            @if let Some(words) = find(errors, "watch-form") { p.notice id=(anchor("watch-form")) { (words) } }
            form.row method="post" action="/effect/watches" {
                @for (name, label, kind, is_needed) in FIELDS {
                    @let wrong = find(errors, name);
                    label { (label)
                        input name=(name) value=(find(given, name).unwrap_or_default()) type=(kind) required[is_needed]
                            maxlength=[(name == "watch-asked").then_some(LONGEST_ASKED)] aria-invalid=[wrong.as_ref().map(|_| "true")];
                        @if let Some(words) = wrong { span.field-error id=(anchor(name)) { (words) } }
                    }
                }
                label { "Walkers saw that somebody watched"
                    select name="watch-watcher" { @for watcher in Watcher::ALL {
                        option value=(watcher) selected[find(given, "watch-watcher").as_deref() == Some(watcher.term())] { (watcher_words(*watcher)) }
                    } }
                    @if let Some(words) = find(errors, "watch-watcher") { span.field-error id=(anchor("watch-watcher")) { (words) } }
                }
                button.main type="submit" { "Record" }
            }
        }
    }
}

/// How walkers were watched, for the form.
fn watcher_words(watcher: Watcher) -> &'static str {
    match watcher {
        Watcher::Unseen => "no, unseen",
        Watcher::Seen => "yes, seen",
    }
}

/// Made up for tests and previews.
pub fn sample(outcome: &OutcomeRow) -> WatchingShown {
    let share = ShareRow {
        what: "read or looked at the sign, watched unseen".to_owned(),
        counts: "41 of 120 parties at 4 signs".to_owned(),
        estimate: Estimate { value: 0.34, lower: 0.18, upper: 0.54 },
        basis: "signs like these, each as one".to_owned(),
        by_sign: vec![
            ("S1".to_owned(), "11 of 30".to_owned(), "37 % (20 % to 56 %)".to_owned()),
            ("S2".to_owned(), "9 of 30".to_owned(), "30 % (15 % to 49 %)".to_owned()),
        ],
    };
    WatchingShown {
        sentence: "Of the parties that passed a standing sign, 34 % read it.".to_owned(),
        shares: vec![share],
        compared: vec![WatchCard {
            title: "Keeps to the middle, watched unseen: Plan of spring".to_owned(),
            outcomes: vec![outcome.clone()],
            places: "While the signs stood, 60 % did so at 4 places with signs and 41 % at 5 places without."
                .to_owned(),
            rows: vec![("S1, with a sign".to_owned(), "12 of 30".to_owned(), "20 of 30".to_owned())],
        }],
        refusal: String::new(),
        left_out: vec!["Ford, 2 watches: it lies away from the trails, and at no sign.".to_owned()],
        power: WatchPowerShown {
            basis: "Without a sign 50 % are taken to do as asked.".to_owned(),
            parties: vec!["20 parties at each".to_owned()],
            rows: vec![(6, vec!["82 %".to_owned()])],
        },
    }
}
