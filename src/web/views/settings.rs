//! The settings of an area: what each does, its value, its default, and the form that changes them.

use maud::Markup;
use maud::html;

use crate::web::form::Given;
use crate::web::views::form;

/// The page.
#[derive(Debug, Clone)]
pub struct SettingsPage {
    /// The settings under their headings.
    pub groups: Vec<(String, Vec<SettingRow>)>,
    /// The form of the settings as given.
    pub given: Given,
    /// The form of the area's own facts as given.
    pub area: Given,
    /// The area's reactions: term, whether it is a strike, whether it is one of the fixed core.
    pub reactions: Vec<(String, bool, bool)>,
    /// The form of a further reaction as given.
    pub reaction: Given,
    /// What changed, newest first: when, who, what, why.
    pub history: Vec<[String; 4]>,
}

/// One setting.
#[derive(Debug, Clone)]
pub struct SettingRow {
    /// Its key, as on the command line.
    pub key: String,
    /// Its name.
    pub words: String,
    /// Its unit, or empty.
    pub unit: String,
    /// The value in use.
    pub value: String,
    /// The default.
    pub default: String,
    /// The range allowed, in words.
    pub range: String,
    /// What it does and why the default is what it is.
    pub why: String,
    /// Who changed it last and when, or empty.
    pub last: String,
}

/// The page's body.
pub fn body(page: &SettingsPage) -> Markup {
    html! {
        div.page-head { h1 { "Settings" } a.button href="/data" { "Data" } }
        p { "Every figure rests on these, and prints those that differ from their defaults. A change makes a new data revision: all figures are then computed again." }
        (summary(page))
        @if page.given.only_looks() { p.notice { (form::FOR_MANAGERS) } }
        (area_form(&page.area))
        form method="post" action="/data/settings" { fieldset.whole disabled[page.given.only_looks()] {
            div.card {
                div.fields {
                    (form::signer(&page.given))
                    (form::text("Reason", "reason", &page.given))
                }
                p { button.main type="submit" { "Keep the changes" } }
            }
            (form::error_at("form", &page.given))
            @for (heading, rows) in &page.groups { (group(heading, rows, &page.given)) }
            p { button.main type="submit" { "Keep the changes" } }
        } }
        (reactions(&page.reactions, &page.reaction))
        (history(&page.history))
    }
}

/// What is wrong with any of the forms, under the name of the setting.
fn summary(page: &SettingsPage) -> Markup {
    let label = |field: &str| {
        let mut rows = page.groups.iter().flat_map(|(_, rows)| rows);
        rows.find(|row| row.key == field).map_or("", |row| row.words.as_str())
    };
    let errors = [&page.given, &page.area, &page.reaction].into_iter().flat_map(Given::errors);
    form::summary(errors.map(|(field, words)| (field, label(field), words)))
}

fn reactions(known: &[(String, bool, bool)], given: &Given) -> Markup {
    let (core, own): (Vec<_>, Vec<_>) = known.iter().partition(|(_, _, is_core)| *is_core);
    let words = |terms: &[&(String, bool, bool)]| {
        terms
            .iter()
            .map(|(term, is_strike, _)| if *is_strike { format!("{term} (strike)") } else { term.clone() })
            .collect::<Vec<_>>()
            .join("; ")
    };
    html! {
        form.card #reactions method="post" action="/data/settings/reactions" { fieldset.whole disabled[given.only_looks()] {
            h2 { "Reactions" }
            p { "Every area has these: " (words(&core)) "." }
            p { @if own.is_empty() { "This area has none of its own." } @else { "Of this area’s own: " (words(&own)) "." } }
            div.fields {
                (form::text("A further reaction", "term", given))
                (form::choice("It is a strike", "strike", given, &[("no", "no"), ("yes", "yes")]))
                (form::signer(given))
                (form::text("Reason", "reason", given))
            }
            p.small.soft { "Files may use it from then on. It stays: records rest on it." }
            p { button type="submit" { "Add the reaction" } }
        } }
    }
}

fn group(heading: &str, rows: &[SettingRow], given: &Given) -> Markup {
    html! {
        section.card {
            h2 { (heading) }
            table.stack {
                thead { tr {
                    th scope="col" { "Setting" } th scope="col" { "Value" } th.num scope="col" { "Default" }
                    th.num scope="col" { "Range" } th scope="col" { "What it does, and why the default" }
                } }
                tbody { @for row in rows { (setting(row, given)) } }
            }
        }
    }
}

fn setting(row: &SettingRow, given: &Given) -> Markup {
    let typed = if given.has(&row.key) { given.get(&row.key) } else { &row.value };
    let error = given.error(&row.key);
    html! {
        tr #(row.key) {
            th scope="row" {
                div { (row.words) @if !row.unit.is_empty() { span.soft { ", " (row.unit) } } div.soft { code { (row.key) } } }
            }
            td data-label="Value" {
                div.value-cell {
                    input name=(row.key) value=(typed) inputmode="decimal" size="8" aria-label=(row.words) aria-invalid=[error.map(|_| "true")];
                    input type="hidden" name={ "was:" (row.key) } value=(row.value);
                    (form::error_at(&row.key, given))
                    @if row.value != row.default {
                        button type="submit" name="reset" value=(row.key) { "Back to " (row.default) }
                    }
                    @if !row.last.is_empty() { span.small.soft { (row.last) } }
                }
            }
            td.num data-label="Default" { (row.default) }
            td.num data-label="Range" { (row.range) }
            td.prose data-label="What it does" { (row.why) }
        }
    }
}

fn area_form(given: &Given) -> Markup {
    let field = |words: &str, name: &str| {
        html! { (form::text(words, name, given)) input type="hidden" name={ "was:" (name) } value=(given.get(&format!("was:{name}"))); }
    };
    html! {
        form.card method="post" action="/data/settings/area" { fieldset.whole disabled[given.only_looks()] {
            h2 { "The area" }
            div.fields {
                (field("Name", "area-name"))
                (field("Time zone (IANA), such as Europe/Vienna", "area-zone"))
                (field("Local emergency number", "area-emergency"))
                (field("Distance to keep from a snake, m (empty: none given)", "area-keep"))
                (form::signer(given))
                (form::text("Reason", "reason", given))
            }
            (form::error_at("form", given))
            p.small.soft { "The zone says how files are read from now on; what was read before stays as it is. The distance is the land manager's: it is printed, never computed." }
            p { button type="submit" { "Keep the area's facts" } }
        } }
    }
}

fn history(changes: &[[String; 4]]) -> Markup {
    html! {
        section.card #history {
            h2 { "What was changed" }
            @if changes.is_empty() { p { "Nothing since the area was made." } } @else {
                table.stack {
                    thead { tr { th scope="col" { "When" } th scope="col" { "Who" } th scope="col" { "What" } th scope="col" { "Why" } } }
                    tbody { @for [when, who, what, why] in changes { tr {
                        th scope="row" { (when) } td data-label="Who" { (who) } td data-label="What" { (what) } td data-label="Why" { (why) }
                    } } }
                }
            }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<SettingsPage> {
    let row = SettingRow {
        key: "call-level".to_owned(),
        words: "Call level".to_owned(),
        unit: "probability".to_owned(),
        value: "0.9".to_owned(),
        default: "0.8".to_owned(),
        range: "0.5 to 0.99".to_owned(),
        why: "a stretch is called above the multiple when the probability is at least this".to_owned(),
        last: "by A. Warden on 2024-06-01".to_owned(),
    };
    let mut area = Given::default();
    area.set("area-name", "Example Basin");
    area.set("was:area-name", "Example Basin");
    let page = SettingsPage {
        groups: vec![("Rates".to_owned(), vec![row])],
        given: Given::default(),
        area,
        reactions: vec![
            ("hissed".to_owned(), false, true),
            ("struck short".to_owned(), true, true),
            ("played dead".to_owned(), false, false),
        ],
        reaction: Given::default(),
        history: vec![
            ["2024-06-01 10:00", "A. Warden", "call-level from 0.8 to 0.9", "fewer calls"].map(str::to_owned),
        ],
    };
    let mut wrong = Given::default();
    wrong.set("call-level", "9");
    wrong.refuse("call-level", "\"9\" is not a number from 0.5 to 0.99.");
    let mut reaction = Given::default();
    reaction.refuse("term", "Give the reaction a name.");
    vec![
        page.clone(),
        SettingsPage { given: wrong, history: Vec::new(), reactions: Vec::new(), reaction, ..page },
    ]
}
