//! The register of decisions: what waits, what was decided on which figure, and what changed since.

use maud::Markup;
use maud::html;

use crate::store::Choice;
use crate::web::form::Given;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::probability as probability_words;
use crate::web::views::charts::thousands;
use crate::web::views::figure::format_count;
use crate::web::views::form;

/// The register.
#[derive(Debug, Clone)]
pub struct DecisionsPage {
    /// The stretches that wait, the highest lower limit first.
    pub waiting: Vec<Ask>,
    /// The decisions that hold, wholly or in part, newest first.
    pub in_force: Vec<DecisionRow>,
    /// The decisions that later ones took the place of, newest first.
    pub superseded: Vec<DecisionRow>,
    /// The threshold in words, or why no stretch can be judged now.
    pub threshold: String,
    /// The stretches that nobody can judge, since how many people walk there is not known: in words, and one by one, the
    /// highest lower limit first.
    pub not_judged: Option<(String, Vec<NotJudged>)>,
    /// The form that decides about several stretches at once.
    pub several: Given,
}

/// A stretch that cannot be judged.
#[derive(Debug, Clone)]
pub struct NotJudged {
    /// Its name.
    pub name: String,
    /// Its address.
    pub href: String,
    /// Encounters per 1,000 km, or why there is no rate.
    pub rate: Result<Estimate, String>,
    /// Reported encounters.
    pub count: f64,
    /// Why it is not judged.
    pub provenance: String,
}

/// A stretch to decide about: its figure now, and the form.
#[derive(Debug, Clone)]
pub struct Ask {
    /// The stretch's name.
    pub name: String,
    /// Its address.
    pub href: String,
    /// Its figure now.
    pub figure: FigureCell,
    /// Earlier decisions about parts of it, in words.
    pub earlier: String,
    /// The form as given; what names the figure is in it.
    pub given: Given,
}

/// A figure as it stands in the register.
#[derive(Debug, Clone)]
pub struct FigureCell {
    /// Encounters per 1,000 km, or why there is no rate.
    pub rate: Result<Estimate, String>,
    /// Reported encounters.
    pub count: f64,
    /// Kilometres walked by parties with limits.
    pub walked_km: Estimate,
    /// Where the walking comes from.
    pub provenance: String,
    /// Probability that the rate is above the multiple; none where it is not judged.
    pub exceedance: Option<f64>,
    /// The multiple.
    pub multiple: f64,
    /// Days, revision and settings, in words.
    pub basis: String,
}

/// One decision.
#[derive(Debug, Clone)]
pub struct DecisionRow {
    /// Its number.
    pub id: i64,
    /// What it is about.
    pub subject: String,
    /// What was decided.
    pub choice: String,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub decided_by: String,
    /// On which day.
    pub decided_on: String,
    /// The decision that took its place, and whether for a part only.
    pub superseded_by: Option<(i64, bool)>,
    /// The figure as it was.
    pub then: Option<FigureCell>,
    /// The revision that the figure rests on.
    pub based_on: u64,
    /// The stretches of now: name, address, figure.
    pub now: Vec<(String, String, FigureCell)>,
    /// What changed since, in words; empty when nothing did.
    pub changed: Vec<String>,
}

/// The page's body.
pub fn body(page: &DecisionsPage) -> Markup {
    html! {
        div.page-head {
            h1 { "Decisions" }
            div.no-print { a.button href="/decisions.csv" { "CSV" } " " a.button href="/decisions.json" { "JSON" } }
        }
        p { (page.threshold) }
        p.caution {
            "Not being in this list makes no stretch safe: either its records do not say that it stands out, or it cannot be judged at all."
            @if let Some((words, _)) = &page.not_judged { " " (words) }
        }
        section {
            h2 { "Waiting for a decision (" (page.waiting.len()) ")" }
            @if page.waiting.is_empty() { p.card { "None waits." } }
            @let together = page.waiting.len() > 1 && !page.several.only_looks();
            @for ask in &page.waiting { (waiting(ask, together)) }
            @if together { (of_ticked(&page.several)) }
        }
        section {
            h2 { "Decided (" (page.in_force.len()) ")" }
            @if page.in_force.is_empty() { p.card { "Nothing was decided yet." } }
            @for row in &page.in_force { (decision(row)) }
        }
        @if !page.superseded.is_empty() {
            section {
                h2 { "Superseded (" (page.superseded.len()) ")" }
                @for row in &page.superseded { (decision(row)) }
            }
        }
        @if let Some((words, rows)) = &page.not_judged { (not_judged(words, rows)) }
        div.sign-off.only-print {
            p { "Read and agreed:" }
            p { span.sign-line { "Name" } span.sign-line { "Signature" } span.sign-line { "Date" } }
        }
    }
}

fn not_judged(words: &str, rows: &[NotJudged]) -> Markup {
    html! {
        section {
            h2 { "Not judged (" (rows.len()) ")" }
            p { (words) " A counter near them would tell. Their reports are as real as any: whoever knows the ground may still act." }
            details {
                summary { "All of them, the highest lower limit first" }
                table.stack {
                    thead { tr {
                        th scope="col" { "Stretch" } th.num scope="col" { "Reported" }
                        th.num scope="col" { "Per 1,000 km, walking assumed" } th.num scope="col" { "95 % interval" } th scope="col" { "Walking" }
                    } }
                    tbody { @for row in rows { tr {
                        th scope="row" { a href=(row.href) { (row.name) } }
                        td.num data-label="Reported" { (format_count(row.count)) }
                        @match &row.rate {
                            Ok(rate) => {
                                td.num data-label="Per 1,000 km, walking assumed" { (format_rate(rate.value)) }
                                td.num data-label="95 % interval" { (format_rate(rate.lower)) " to " (format_rate(rate.upper)) }
                            }
                            Err(reason) => td.prose colspan="2" data-label="Rate" { (reason) },
                        }
                        td data-label="Walking" { (row.provenance) }
                    } } }
                }
            }
        }
    }
}

fn waiting(ask: &Ask, together: bool) -> Markup {
    html! {
        article.card {
            h3 { a href=(ask.href) { (ask.name) } }
            (figure(&ask.figure))
            @if !ask.earlier.is_empty() { p.small.soft { (ask.earlier) } }
            @if together {
                label.check.no-print {
                    input type="checkbox" form="several" name="stretch" value=(key(ask)) aria-label={ "Decide about " (ask.name) " together with others" };
                    "Decide together with others ticked"
                }
            }
            @if !ask.given.only_looks() { details.no-print { summary { "Decide" } (decide_form(ask)) } }
        }
    }
}

/// What names a stretch and its figure in the form for several.
fn key(ask: &Ask) -> String {
    format!("{}|{}", ask.given.get("segments"), ask.given.get("shown"))
}

/// The form that decides about all stretches ticked.
fn of_ticked(given: &Given) -> Markup {
    html! {
        form #several.card.no-print method="post" action="/decisions/several" {
            h3 { "Decide about the stretches ticked" }
            (what_and_why(given))
            p.small.soft { "Each stretch gets a decision of its own, with its own figure as it is now." }
            p { button.main type="submit" { "Keep the decisions" } }
        }
    }
}

/// The page of a form for several stretches that came back.
pub fn several_body(asks: &[Ask], given: &Given) -> Markup {
    html! {
        div.page-head { h1 { "Decide about " (asks.len()) " stretches" } a.button href="/decisions" { "Decisions" } }
        (form::summary(given.errors().map(|(field, words)| (field, "", words))))
        (form::error_at("shown", given))
        @for ask in asks { article.card { h3 { a href=(ask.href) { (ask.name) } } (figure(&ask.figure)) } }
        form.card method="post" action="/decisions/several" {
            @for ask in asks { input type="hidden" name="stretch" value=(key(ask)); }
            (what_and_why(given))
            p { button.main type="submit" { "Keep the decisions" } }
        }
    }
}

fn what_and_why(given: &Given) -> Markup {
    html! {
        (form::choice("Decision", "choice", given, &[
            (Choice::Act.term(), "act: something is done"),
            (Choice::Wait.term(), "wait: more is awaited"),
            (Choice::NoAction.term(), "no action"),
        ]))
        div.fields {
            (form::lines("Reason", "reason", given))
            (form::signer(given))
            (form::date("Decided on", "date", given))
        }
    }
}

/// The form that records a decision.
pub fn decide_form(ask: &Ask) -> Markup {
    let given = &ask.given;
    html! {
        form method="post" action="/decisions" {
            input type="hidden" name="segments" value=(given.get("segments"));
            input type="hidden" name="shown" value=(given.get("shown"));
            @if let Some(words) = given.error("shown") { p.notice { (words) } }
            (what_and_why(given))
            p.small.soft { "The figure is kept as it is now, with its revision and settings. A decision is never changed: a later one takes its place." }
            p { button.main type="submit" { "Keep the decision" } }
        }
    }
}

/// The page of a form that came back.
pub fn form_body(ask: &Ask) -> Markup {
    html! {
        div.page-head { h1 { "Decide about " (ask.name) } a.button href="/decisions" { "Decisions" } }
        section.card { (figure(&ask.figure)) (decide_form(ask)) }
    }
}

/// What the page of a stretch shows of the register.
pub fn card(ask: &Ask, decisions: &[DecisionRow]) -> Markup {
    html! {
        section #decide {
            h2 { "Decisions" }
            @if decisions.is_empty() { p { "Nothing was decided about this stretch yet." } }
            @for row in decisions { (decision(row)) }
            @if ask.given.only_looks() { p.soft.no-print { (form::FOR_MANAGERS) } } @else { details.card.no-print { summary { "Decide" } (decide_form(ask)) } }
        }
    }
}

fn decision(row: &DecisionRow) -> Markup {
    html! {
        article.card.decision id={ "d" (row.id) } {
            h3 { (row.subject) ": " (row.choice) }
            p { (row.reason) }
            p.small.soft {
                "Decision " (row.id) ", by " (row.decided_by) " on " (row.decided_on) ", on revision " (row.based_on)
                @if let Some((by, in_part)) = row.superseded_by {
                    " · " @if in_part { "partly " } "superseded by " a href={ "#d" (by) } { "decision " (by) }
                }
            }
            div.then-now {
                div { h4 { "Then" } @match &row.then { Some(cell) => (figure(cell)), None => p { "kept in another form; see the JSON of the database" } } }
                div {
                    h4 { "Now" }
                    @if row.now.is_empty() { p { "Its segments are not among the stretches of now." } }
                    @for (name, href, cell) in &row.now {
                        p { a href=(href) { (name) } }
                        @if row.changed.is_empty() && row.then.is_some() { p { "Unchanged." } } @else { (figure(cell)) }
                    }
                }
            }
            @if !row.changed.is_empty() { p { strong { "Changed since: " } (row.changed.join("; ")) "." } }
        }
    }
}

fn figure(cell: &FigureCell) -> Markup {
    html! {
        p {
            @match &cell.rate {
                Ok(rate) => { strong { (format_rate(rate.value)) } " reported encounters per 1,000 km walked (95 % interval " (format_rate(rate.lower)) " to " (format_rate(rate.upper)) ")" }
                Err(reason) => strong { (reason) },
            }
            "; " (format_count(cell.count)) " reported in " (km(cell.walked_km.value)) " km (" (km(cell.walked_km.lower)) " to " (km(cell.walked_km.upper)) "; " (cell.provenance) ")"
        }
        p.small {
            @match cell.exceedance {
                Some(probability) => { "Probability of being above " (cell.multiple) " times the rate of all trails whose walking is known: " (probability_words(probability)) "." },
                None => "Not compared with other stretches: how many people walk here is assumed.",
            }
        }
        p.small.soft { (cell.basis) }
    }
}

fn km(value: f64) -> String {
    thousands(value.round() as i64)
}

/// A stretch to decide about, made up for tests and previews.
pub fn sample_ask() -> Ask {
    let mut given = Given::default();
    given.set("segments", "000000000000000a");
    given.set("shown", "0123456789abcdef");
    given.set("date", "2024-07-01");
    Ask {
        name: "Ledge Walk, km 0.40 to 0.73".to_owned(),
        href: "/stretch/1".to_owned(),
        figure: sample_figure(),
        earlier: "Decision 3 speaks of a part of it.".to_owned(),
        given,
    }
}

fn sample_figure() -> FigureCell {
    FigureCell {
        rate: Ok(Estimate { value: 5.8, lower: 3.9, upper: 8.4 }),
        count: 29.0,
        walked_km: Estimate { value: 4986.0, lower: 4200.0, upper: 5900.0 },
        provenance: "fitted from counters".to_owned(),
        exceedance: Some(0.97),
        multiple: 1.5,
        basis:
            "2024-04-01 to 2024-06-30, all months and hours; revision 12; default settings, 200 draws, seed 1"
                .to_owned(),
    }
}

/// A decision made up for tests and previews.
pub fn sample_row() -> DecisionRow {
    let now = FigureCell { rate: Err("no exposure".to_owned()), exceedance: None, ..sample_figure() };
    DecisionRow {
        id: 4,
        subject: "Ledge Walk, km 0.40 to 0.73".to_owned(),
        choice: "act".to_owned(),
        reason: "Signs at both ends before egress.".to_owned(),
        decided_by: "A. Warden".to_owned(),
        decided_on: "2024-07-01".to_owned(),
        superseded_by: Some((5, true)),
        then: Some(sample_figure()),
        based_on: 12,
        now: vec![("Ledge Walk, km 0.40 to 0.62".to_owned(), "/stretch/1".to_owned(), now)],
        changed: vec!["no longer above the threshold".to_owned()],
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<DecisionsPage> {
    let page = DecisionsPage {
        waiting: vec![sample_ask(), sample_ask()],
        in_force: vec![sample_row()],
        superseded: vec![DecisionRow { superseded_by: Some((4, false)), then: None, now: Vec::new(), ..sample_row() }],
        threshold: "A stretch waits for a decision when the probability that its rate is above 1.5 times that of all trails whose walking is known is above 80 %.".to_owned(),
        not_judged: Some((
            "1 of 3 stretches, 0.5 of 1.4 km with 6 of 12 reports, cannot be judged: how many people walk there is assumed \
             or not known."
                .to_owned(),
            vec![NotJudged {
                name: "Swale Path, km 0.00 to 0.52".to_owned(),
                href: "/stretch/2".to_owned(),
                rate: Ok(Estimate { value: 6.2, lower: 3.0, upper: 11.0 }),
                count: 6.0,
                provenance: "assumed".to_owned(),
            }],
        )),
        several: Given::default(),
    };
    let empty = DecisionsPage {
        waiting: Vec::new(),
        in_force: Vec::new(),
        superseded: Vec::new(),
        not_judged: None,
        ..page.clone()
    };
    vec![page, empty]
}
