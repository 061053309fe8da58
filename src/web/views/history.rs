//! The history: of one record, with the way back to an earlier state, and of all records together.

use maud::Markup;
use maud::html;

use crate::web::form::Given;
use crate::web::views::form;

/// A record with everything that was changed about it.
#[derive(Debug, Clone)]
pub struct RecordPage {
    /// What kind of record, in words.
    pub kind: String,
    /// What it is called.
    pub label: String,
    /// Its address.
    pub address: String,
    /// The page that shows it, empty where none does.
    pub shown_at: String,
    /// Whether it is in force; none where its kind cannot be put back.
    pub is_present: Option<bool>,
    /// Where it came from.
    pub origin: String,
    /// Its fields as they are, or were last.
    pub fields: Vec<(String, String)>,
    /// Its changes, newest first.
    pub changes: Vec<ChangeRow>,
    /// The earlier state that was chosen.
    pub chosen: Option<Chosen>,
    /// The forms, none for those who may not use them.
    pub forms: Option<Forms>,
}

/// The two forms of a record's page. Their fields have the same names, so what was typed and what is wrong belong to the one
/// that was sent.
#[derive(Debug, Clone, Default)]
pub struct Forms {
    /// To put it back to an earlier state, or bring it back.
    pub put_back: Given,
    /// To take it out.
    pub take_out: Given,
}

/// What is wrong with a form: field, label, words.
fn errors(given: &Given) -> impl Iterator<Item = (&str, &str, &str)> {
    let label = |field: &str| match field {
        "who" => SIGNER,
        "reason" => REASON,
        _ => "",
    };
    given.errors().map(move |(field, words)| (field, label(field), words))
}

impl RecordPage {
    /// The form to put it back, where an earlier state is chosen that is not the present one.
    fn put_back(&self) -> Option<&Given> {
        let chosen = self.chosen.as_ref()?;
        let is_so_now = chosen.fields.is_empty() && self.is_present == Some(true);
        self.forms.as_ref().map(|forms| &forms.put_back).filter(|_| !is_so_now)
    }

    /// The form to take it out, where it is there.
    fn take_out(&self) -> Option<&Given> {
        self.forms.as_ref().map(|forms| &forms.take_out).filter(|_| self.is_present == Some(true))
    }

    /// What is wrong with a form that was sent and is not there any more, as after somebody else has taken the record out.
    fn of_forms_gone(&self) -> Vec<&str> {
        let Some(forms) = &self.forms else { return Vec::new() };
        let sent = [(&forms.put_back, self.put_back()), (&forms.take_out, self.take_out())];
        let gone = sent.into_iter().filter(|(_, shown)| shown.is_none());
        gone.flat_map(|(given, _)| given.errors().map(|(_, words)| words)).collect()
    }
}

const SIGNER: &str = "Your name";
const REASON: &str = "Reason";

/// One change in words.
#[derive(Debug, Clone)]
pub struct ChangeRow {
    /// When, by whom, and why.
    pub when: String,
    /// Who.
    pub who: String,
    /// Why.
    pub why: String,
    /// What kind of record and which, with its address; empty on the record's own page.
    pub record: (String, String),
    /// What became of the record as a whole.
    pub effect: String,
    /// The batch that brought it.
    pub batch: Option<i64>,
    /// The revision it made.
    pub revision: u64,
    /// Field, before, after.
    pub fields: Vec<[String; 3]>,
    /// Where the state that it left can be looked at; empty where it left none.
    pub state: String,
}

/// An earlier state, compared with now.
#[derive(Debug, Clone)]
pub struct Chosen {
    /// What the address calls it.
    pub key: String,
    /// Which state, in words.
    pub words: String,
    /// What putting it back would change: field, now, then.
    pub fields: Vec<[String; 3]>,
}

/// Longest value shown in full, in characters: lines of trails have thousands.
const LONGEST: usize = 120;

/// The body of a record's page.
pub fn record_body(page: &RecordPage) -> Markup {
    html! {
        div.page-head { h1 { "History of " (page.kind) " " (page.label) } }
        (form::summary(page.put_back().into_iter().chain(page.take_out()).flat_map(errors)))
        @for words in page.of_forms_gone() { p.notice role="alert" { (words) } }
        @if !page.shown_at.is_empty() { p { a href=(page.shown_at) { "The record itself" } } }
        @if page.is_present == Some(false) {
            p.notice { "This record was taken out. It is in no figure, and can be brought back." }
        }
        @if let Some(chosen) = &page.chosen { (chosen_state(page, chosen)) }
        section.card {
            h2 { "What was changed" }
            @if page.changes.is_empty() { p { "Not changed since it was brought in." } } @else { (changes(&page.changes)) }
            p.soft { "Where it came from: " (page.origin) "." }
        }
        @if !page.fields.is_empty() {
            section.card {
                h2 { @if page.is_present == Some(false) { "As it was last" } @else { "As it is now" } }
                table.stack.long-words {
                    thead { tr { th scope="col" { "Field" } th scope="col" { "Value" } } }
                    tbody { @for (field, value) in &page.fields { tr { th scope="row" { (field) } td data-label="Value" { (short(value)) } } } }
                }
            }
        }
        @if let Some(given) = page.take_out() { (withdraw(page, given)) }
    }
}

fn chosen_state(page: &RecordPage, chosen: &Chosen) -> Markup {
    html! {
        section.card #chosen {
            h2 { (chosen.words) }
            @if chosen.fields.is_empty() {
                p { @if page.is_present == Some(true) { "It is in this state now." } @else { "This is how it was last." } }
            } @else {
                p { "Putting it back would change:" }
                table.stack.long-words {
                    thead { tr { th scope="col" { "Field" } th scope="col" { "Now" } th scope="col" { "Then" } } }
                    tbody { @for [field, now, then] in &chosen.fields { tr {
                        th scope="row" { (field) } td data-label="Now" { (short(now)) } td data-label="Then" { (short(then)) }
                    } } }
                }
            }
            @if let Some(given) = page.put_back() {
                form method="post" action={ (page.address) "/put-back" } {
                    input type="hidden" name="to" value=(chosen.key);
                    input type="hidden" name="seen" value=(given.get("seen"));
                    div.fields { (form::signer(given)) (form::text(REASON, "reason", given)) }
                    (form::error_at("form", given))
                    p { button type="submit" { @if page.is_present == Some(true) { "Put the record back to this state" } @else { "Bring the record back" } } }
                }
            }
        }
    }
}

fn withdraw(page: &RecordPage, given: &Given) -> Markup {
    html! {
        form.card method="post" action={ (page.address) "/withdraw" } {
            h2 { "Take it out" }
            p { "The record then counts nowhere. It stays in the history, from which it can be brought back." }
            input type="hidden" name="seen" value=(given.get("seen"));
            div.fields { (form::signer(given)) (form::text(REASON, "reason", given)) }
            (form::error_at("form", given))
            p { button type="submit" { "Take the record out" } }
        }
    }
}

fn changes(rows: &[ChangeRow]) -> Markup {
    html! {
        table.stack.long-words {
            thead { tr { th scope="col" { "When" } th scope="col" { "Who" } th scope="col" { "What" } th scope="col" { "Why" } } }
            tbody { @for row in rows { tr {
                th scope="row" { (row.when) div.soft.small { "revision " (row.revision) } }
                td data-label="Who" { div { (row.who) @if let Some(batch) = row.batch { div.small { a href={ "/data/batches/" (batch) } { "batch " (batch) } } } } }
                td data-label="What" { div {
                    @if !row.record.0.is_empty() { div { a href=(row.record.1) { (row.record.0) } } }
                    @if !row.effect.is_empty() { div { (row.effect) } }
                    @if !row.fields.is_empty() { (fields(&row.fields)) }
                    @if !row.state.is_empty() { div.small { a href=(row.state) { "Compare this state with now" } } }
                } }
                td data-label="Why" { (row.why) }
            } } }
        }
    }
}

fn fields(fields: &[[String; 3]]) -> Markup {
    html! {
        ul.changed { @for [field, before, after] in fields { li {
            strong { (field) } ": " @if before.is_empty() { "nothing" } @else { q { (short(before)) } }
            " → " @if after.is_empty() { "nothing" } @else { q { (short(after)) } }
        } } }
    }
}

fn short(value: &str) -> String {
    if value.chars().count() <= LONGEST {
        return value.to_owned();
    }
    let start: String = value.chars().take(LONGEST).collect();
    format!("{start}… ({} characters)", value.chars().count())
}

/// Changes of all records.
#[derive(Debug, Clone)]
pub struct ChangesPage {
    /// The filter as given, with what is wrong with it.
    pub given: Given,
    /// Kinds of records to choose from.
    pub kinds: Vec<String>,
    /// People to choose from.
    pub actors: Vec<String>,
    /// The changes, newest first.
    pub rows: Vec<ChangeRow>,
    /// The address of the next ones; empty when these are the last.
    pub next: String,
}

/// The body of the list.
pub fn list_body(page: &ChangesPage) -> Markup {
    let given = &page.given;
    html! {
        div.page-head { h1 { "What was changed" } }
        form.card method="get" action="/history" {
            div.fields {
                (choose("Kind of record", "kind", &page.kinds, given))
                (choose("By", "who", &page.actors, given))
                (form::text("Batch", "batch", given))
                (form::date("From", "from", given))
                (form::date("Up to and with", "until", given))
            }
            p { button type="submit" { "Show" } }
        }
        @if page.rows.is_empty() { p.card { "No change fits." } } @else { section.card { (changes(&page.rows)) } }
        @if !page.next.is_empty() { p { a.button href=(page.next) { "Earlier changes" } } }
        p.small.soft { "Most records that came in with a file have no line of their own here: their own page and the batch name it." }
    }
}

fn choose(words: &str, name: &str, options: &[String], given: &Given) -> Markup {
    html! {
        label { (words)
            select name=(name) {
                option value="" { "all" }
                @for option in options { option value=(option) selected[given.get(name) == option] { (option) } }
            }
            (form::error_line(given.error(name)))
        }
    }
}

fn sample_row() -> ChangeRow {
    ChangeRow {
        when: "2024-06-01 10:00 UTC".to_owned(),
        who: "A. Warden".to_owned(),
        why: "seen on the photo".to_owned(),
        record: (String::new(), String::new()),
        effect: String::new(),
        batch: None,
        revision: 7,
        fields: vec![["scientific_name", "Crotalus viridis", "Crotalus cerastes"].map(str::to_owned)],
        state: "/history/encounter/4?to=12".to_owned(),
    }
}

/// Pages of records made up for tests and previews.
pub fn samples() -> Vec<RecordPage> {
    let mut given = Given::default();
    given.set("seen", "0a1b");
    let chosen = Chosen {
        key: "first".to_owned(),
        words: "As it was before its first change".to_owned(),
        fields: vec![["scientific_name", "Crotalus cerastes", "Crotalus viridis"].map(str::to_owned)],
    };
    let page = RecordPage {
        kind: "encounter".to_owned(),
        label: "R-4".to_owned(),
        address: "/history/encounter/4".to_owned(),
        shown_at: "/encounters/4".to_owned(),
        is_present: Some(true),
        origin: "row 5 of file 1, batch 2".to_owned(),
        fields: vec![("scientific_name".to_owned(), "Crotalus cerastes".to_owned())],
        changes: vec![sample_row()],
        chosen: None,
        forms: None,
    };
    let mut refused = given.clone();
    refused.refuse("form", "Somebody changed this record since you opened the page.");
    let forms = Forms { put_back: given.clone(), take_out: given };
    let put_back_refused = Forms { put_back: refused, ..forms.clone() };
    let taken_out = ChangeRow {
        effect: "taken out".to_owned(),
        fields: Vec::new(),
        state: String::new(),
        ..sample_row()
    };
    vec![
        RecordPage { chosen: Some(chosen.clone()), forms: Some(forms), ..page.clone() },
        RecordPage {
            is_present: Some(false),
            changes: vec![taken_out, sample_row()],
            chosen: Some(Chosen { fields: Vec::new(), ..chosen }),
            forms: Some(put_back_refused),
            ..page.clone()
        },
        RecordPage { changes: Vec::new(), ..page },
    ]
}

/// Lists made up for tests and previews.
pub fn list_samples() -> Vec<ChangesPage> {
    let record = ("encounter 4".to_owned(), "/history/encounter/4".to_owned());
    let page = ChangesPage {
        given: Given::default(),
        kinds: vec!["encounter".to_owned(), "trail".to_owned()],
        actors: vec!["A. Warden".to_owned()],
        rows: vec![ChangeRow { record, batch: Some(3), ..sample_row() }],
        next: "/history?before=12".to_owned(),
    };
    let mut wrong = Given::default();
    wrong.set("batch", "last");
    wrong.refuse("batch", "\"last\" is not the number of a batch.");
    vec![page.clone(), ChangesPage { given: wrong, rows: Vec::new(), next: String::new(), ..page }]
}
