//! Did it help: signs in place, what can be said of them, and what could be found out.

use maud::Markup;
use maud::html;

use crate::domain::sign::SignCondition;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::effect_watch;
use crate::web::views::effect_watch::WatchingShown;
use crate::web::views::form;

/// The page.
#[derive(Debug, Clone)]
pub struct EffectPage {
    /// Which trails were closed for a time, and what that means here; empty where none was.
    pub closed: String,
    /// The sentence for everybody.
    pub headline: String,
    /// The signs.
    pub signs: Vec<SignShown>,
    /// Signs that went up together; or why there is nothing to compare.
    pub campaigns: Result<Vec<CampaignShown>, String>,
    /// What could be found out.
    pub planning: PlanningShown,
    /// What watching found.
    pub watching: WatchingShown,
    /// Kept plans that a sign can go up for: number and name.
    pub plans: Vec<(i64, String)>,
    /// What was typed into a form that was refused, by name of its field.
    pub given: Vec<(String, String)>,
    /// Messages at the fields of that form.
    pub errors: Vec<(String, String)>,
    /// Whether forms carry the name of an account, and ask for none.
    pub is_signed: bool,
    /// Whether the reader may look, but record nothing.
    pub only_looks: bool,
}

/// A sign.
#[derive(Debug, Clone, Default)]
pub struct SignShown {
    /// Its row, for the forms.
    pub id: i64,
    /// Its name.
    pub name: String,
    /// What kind it is, and for which plan.
    pub kind: String,
    /// Since when and until when.
    pub stands: String,
    /// Whether it stands now.
    pub is_up: bool,
    /// What it warns of.
    pub warns: String,
    /// That it gives a sensitive place away, for those who manage; empty where it does not.
    pub shows: &'static str,
    /// How it was found last.
    pub inspected: String,
}

/// Signs that went up together.
#[derive(Debug, Clone, Default)]
pub struct CampaignShown {
    /// Their name.
    pub name: String,
    /// The sentence for everybody; empty where it stands above already.
    pub sentence: String,
    /// The periods in words.
    pub periods: Vec<String>,
    /// The raw ratio, in words, to be struck.
    pub raw: String,
    /// Outcomes.
    pub outcomes: Vec<OutcomeRow>,
    /// Each sign's counts.
    pub by_sign: Vec<CountsRow>,
    /// Controls by trail.
    pub controls: Vec<CountsRow>,
    /// What reports say, or why they are refused.
    pub reports: String,
}

/// An outcome.
#[derive(Debug, Clone)]
pub struct OutcomeRow {
    /// What was counted.
    pub what: String,
    /// Against what it is held.
    pub against: String,
    /// Counted and expected, or the counts of the four cells.
    pub counts: String,
    /// The estimate; none where a cell is empty.
    pub estimate: Result<Estimate, String>,
    /// Tests in words.
    pub tests: String,
    /// What may be said.
    pub verdict: String,
}

/// Counts before and after.
#[derive(Debug, Clone, Default)]
pub struct CountsRow {
    /// Of what.
    pub name: String,
    /// Before: encounters and kilometres.
    pub before: String,
    /// After.
    pub after: String,
}

/// What could be found out.
#[derive(Debug, Clone)]
pub struct PlanningShown {
    /// What surveys count now.
    pub basis: String,
    /// How much rates change on their own from place to place: a coefficient of variation.
    pub variation: f64,
    /// The numbers that the table rests on, as typed: field, label, value.
    pub fields: Vec<(String, String, String)>,
    /// Messages at the fields.
    pub errors: Vec<(String, String)>,
    /// The years of the columns, in words.
    pub years: Vec<String>,
    /// Signs, and for each number of years what would show.
    pub rows: Result<Vec<(usize, Vec<String>)>, String>,
}

/// The page's body.
pub fn body(page: &EffectPage) -> Markup {
    html! {
        h1 { "Did the signs help?" }
        (form::summary(page.errors.iter().map(|(field, words)| (field.as_str(), label(field), words.as_str()))))
        (form::summary_of_question(question_errors(&page.planning)))
        @if !page.closed.is_empty() { p.notice { (page.closed) } }
        p { strong { (page.headline) } }
        @match &page.campaigns {
            Ok(campaigns) => @for campaign in campaigns { (campaign_card(campaign)) },
            Err(_) => {},
        }
        (effect_watch::section(&page.watching))
        (planning(&page.planning))
        (signs(page))
        div.caution {
            p { "Warned is not prevented, and a trail without encounters is not a safe one. A sign names no single spot and is not put up, inspected or taken down near a snake: stop, back away, come back another day." }
        }
    }
}

fn campaign_card(campaign: &CampaignShown) -> Markup {
    html! {
        section.card {
            h2 { (campaign.name) }
            @if !campaign.sentence.is_empty() { p { strong { (campaign.sentence) } } }
            ul.small.soft { @for words in &campaign.periods { li { (words) } } }
            p.small.soft { "Planned survey walks only: others were made where or when snakes were expected. Their kilometres are weighted by how frequent encounters are at the month and hour of the walk, so that walks of different seasons and hours compare." }
            (outcomes(&campaign.outcomes))
            p { "Raw, after over before: " s.struck { (campaign.raw) } " " span.small.soft { "Struck: places chosen for high counts have lower counts afterwards whatever is done there. In simulations useless signs looked a fifth effective this way." } }
            p { (campaign.reports) }
            p { "What people do at the signs is told under " a href="#watched" { "Watched at the signs" } "." }
            (counts("Each sign", "What one sign warns of", &campaign.by_sign))
            (counts("Controls", "Stretches whose walkers passed no sign, or at most one in twenty of them", &campaign.controls))
        }
    }
}

/// Outcomes as a table.
pub fn outcomes(rows: &[OutcomeRow]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Outcome" } th scope="col" { "Counted" } th.num scope="col" { "With signs over without" }
                th.num scope="col" { "95 % interval" } th scope="col" { "What may be said" }
            } }
            tbody { @for outcome in rows { (outcome_row(outcome)) } }
        }
    }
}

fn outcome_row(outcome: &OutcomeRow) -> Markup {
    html! { tr {
        th scope="row" { (outcome.what) br; span.soft { (outcome.against) } }
        td data-label="Counted" { (outcome.counts) }
        @match &outcome.estimate {
            Ok(estimate) => {
                td.num data-label="With signs over without" { (format!("{:.2}", estimate.value)) }
                td.num data-label="95 % interval" { (limits_words(estimate.lower, estimate.upper)) }
            }
            Err(words) => td.prose colspan="2" data-label="With signs over without" { (words) },
        }
        td.prose data-label="What may be said" { (outcome.verdict) @if !outcome.tests.is_empty() { br; span.small.soft { (outcome.tests) } } }
    } }
}

/// Limits of a ratio; an upper one without end is open.
pub fn limits_words(lower: f64, upper: f64) -> String {
    if upper.is_finite() {
        format!("{lower:.2} to {upper:.2}")
    } else {
        format!("{lower:.2} and up, no upper limit")
    }
}

fn counts(title: &str, what: &str, rows: &[CountsRow]) -> Markup {
    html! {
        details {
            summary { (title) " (" (rows.len()) ")" }
            table.stack {
                thead { tr { th scope="col" { (what) } th.num scope="col" { "Before" } th.num scope="col" { "After" } } }
                tbody { @for row in rows { tr {
                    th scope="row" { (row.name) }
                    td.num data-label="Before" { (row.before) }
                    td.num data-label="After" { (row.after) }
                } } }
            }
        }
    }
}

fn planning(shown: &PlanningShown) -> Markup {
    html! {
        section.card {
            h2 { "What could be found out" }
            p { "Before anyone waits: the smallest reduction of survey encounters that would show with 80 % probability at the 95 % level, by the limits and by the test that takes each sign as one. A smaller effect may be real and still not show." }
            p.small.soft { (shown.basis) }
            form.row.no-print method="get" action="/effect" {
                @for (name, label, value) in &shown.fields {
                    label { (label)
                        input name=(name) value=(value) inputmode="decimal" aria-invalid=[message(&shown.errors, name).map(|_| "true")];
                        @if let Some(words) = message(&shown.errors, name) { span.field-error id=(form::anchor(name)) { (words) } }
                    }
                }
                button.main type="submit" { "Work out" }
            }
            @match &shown.rows {
                Err(why) => p.notice { (why) },
                Ok(rows) => table.stack {
                    thead { tr { th.num scope="col" { "Signs" } @for years in &shown.years { th.num scope="col" { (years) } } } }
                    tbody { @for (n_signs, cells) in rows { tr {
                        th.num scope="row" { (n_signs) " signs" }
                        @for (years, words) in shown.years.iter().zip(cells) { td.num data-label=(years) { (words) } }
                    } } }
                },
            }
            p.small.soft { "Rates are taken to change on their own over the years, from place to place, with a standard deviation of " (percent(shown.variation)) ". Comparisons are simulated for each number: places of signs are alike, each has its own luck before, and what a sign warns of is missing from what it is compared with. Fewer than six signs can never stand out in a test that takes each sign as one. Signs put up by lot among like places give the plainest answer." }
        }
    }
}

/// What is wrong with the numbers of the question: field, label, words.
fn question_errors(shown: &PlanningShown) -> impl Iterator<Item = (&str, &str, &str)> {
    shown
        .fields
        .iter()
        .filter_map(|(name, label, _)| Some((name.as_str(), label.as_str(), message(&shown.errors, name)?)))
}

fn message<'a>(errors: &'a [(String, String)], name: &str) -> Option<&'a str> {
    errors.iter().find(|(field, _)| field == name).map(|(_, words)| words.as_str())
}

fn signs(page: &EffectPage) -> Markup {
    html! {
        section.card {
            h2 { "Signs put up" }
            @if page.signs.is_empty() { p { "None yet." } }
            @else {
                table.stack {
                    thead { tr { th scope="col" { "Sign" } th scope="col" { "Stands" } th scope="col" { "Warns of" } th scope="col" { "Last inspection" } th.no-print scope="col" { "Record" } } }
                    tbody { @for sign in &page.signs { (sign_row(sign, page)) } }
                }
            }
            @if !page.only_looks { (put_up(page)) (effect_watch::form(&page.given, &page.errors)) }
            p.small.no-print { "Files of signs in place, of inspections and of watches go in under " a href="/data/import" { "Data" } "." }
        }
    }
}

fn sign_row(sign: &SignShown, page: &EffectPage) -> Markup {
    html! { tr {
        th scope="row" { (sign.name) br; span.soft { (sign.kind) } }
        td data-label="Stands" { (sign.stands) }
        td data-label="Warns of" { (sign.warns)
            @if !page.only_looks && !sign.shows.is_empty() { p.notice.no-print { (sign.shows) } }
        }
        td data-label="Last inspection" { (sign.inspected) }
        td.no-print { @if !page.only_looks {
            details {
                summary { "Inspection" }
                form.stacked method="post" action={ "/effect/signs/" (sign.id) "/inspection" } {
                    label { "Day" input type="date" name="day" required; }
                    label { "Found" select name="condition" { @for condition in SignCondition::ALL { option { (condition) } } } }
                    label { "Remarks" input name="remarks"; }
                    label { "By" input name="by" required; }
                    button type="submit" { "Record" }
                }
            }
            @if sign.is_up {
                details {
                    summary { "Taken down" }
                    form.stacked method="post" action={ "/effect/signs/" (sign.id) "/down" } {
                        label { "Day" input type="date" name="day" required; }
                        @if !page.is_signed { label { "By" input name="by" required; } }
                        button type="submit" { "Record" }
                    }
                }
            }
        } }
    } }
}

/// The label of a field of the forms that record signs and watches.
fn label(field: &str) -> &'static str {
    let of_watch = effect_watch::FIELDS.iter().find(|(name, ..)| *name == field).map(|(_, label, ..)| *label);
    let of_sign = PUT_UP.iter().find(|(name, ..)| *name == field).map(|(_, label, _)| *label);
    of_watch.or(of_sign).unwrap_or("")
}

/// The fields of a sign that was put up: name, label, kind.
const PUT_UP: [(&str, &str, &str); 5] = [
    ("name", "Name", "text"),
    ("latitude", "Latitude, degrees", "text"),
    ("longitude", "Longitude, degrees", "text"),
    ("kind", "Kind, as trail sign or trailhead panel", "text"),
    ("day", "Put up on", "date"),
];

fn put_up(page: &EffectPage) -> Markup {
    let field = |name: &str, label: &str, kind: &str| {
        let value = message(&page.given, name).unwrap_or_default();
        let wrong = message(&page.errors, name);
        html! {
            label { (label)
                input name=(name) value=(value) type=(kind) required aria-invalid=[wrong.map(|_| "true")];
                @if let Some(words) = wrong { span.field-error id=(form::anchor(name)) { (words) } }
            }
        }
    };
    html! {
        details.no-print open[page.errors.iter().any(|(field, _)| !field.starts_with("watch-"))] {
            summary { "Record a sign that was put up" }
            @if let Some(words) = message(&page.errors, "form") { p.notice id=(form::anchor("form")) { (words) } }
            form.row method="post" action="/effect/signs" {
                @for (name, label, kind) in PUT_UP { (field(name, label, kind)) }
                @if !page.plans.is_empty() { label { "For the plan"
                    select name="plan" {
                        option value="" { "none" }
                        @for (id, name) in &page.plans { option value=(id) selected[message(&page.given, "plan") == Some(&id.to_string())] { (name) } }
                    }
                    @if let Some(words) = message(&page.errors, "plan") { span.field-error id=(form::anchor("plan")) { (words) } }
                } }
                @if page.is_signed { p.small.soft.signed { "Kept under the name you signed in with." } } @else { (field("by", "By", "text")) }
                button.main type="submit" { "Record" }
            }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<EffectPage> {
    let planning = PlanningShown {
        basis: "186 planned survey walks over 3 years met 214 snakes on 1,020 km.".to_owned(),
        variation: 0.3,
        fields: vec![(
            "per_sign".to_owned(),
            "Encounters a year where one sign warns".to_owned(),
            "1.5".to_owned(),
        )],
        errors: Vec::new(),
        years: vec!["after 1 year".to_owned(), "after 2 years".to_owned()],
        rows: Ok(vec![
            (3, vec!["too few signs".to_owned(), "too few signs".to_owned()]),
            (10, vec!["not even all".to_owned(), "64 % or more".to_owned()]),
        ]),
    };
    let row = |name: &str| CountsRow {
        name: name.to_owned(),
        before: "12 in 84.0 weighted km".to_owned(),
        after: "5 in 80.0 weighted km".to_owned(),
    };
    let outcome = OutcomeRow {
        what: "Survey encounters per km".to_owned(),
        against: "what the posterior of every stretch expected".to_owned(),
        counts: "31 counted, 52.4 expected".to_owned(),
        estimate: Ok(Estimate { value: 0.58, lower: 0.36, upper: 0.93 }),
        tests: "p = 0.02; by flipping each of 8 signs p = 0.03".to_owned(),
        verdict: "Fewer than expected".to_owned(),
    };
    let empty_cell = OutcomeRow {
        estimate: Err("no estimate, since none was counted; interval from 0 to 0.8".to_owned()),
        verdict: "Not told apart from chance".to_owned(),
        ..outcome.clone()
    };
    let open = OutcomeRow {
        estimate: Ok(Estimate { value: 2.0, lower: 0.4, upper: f64::INFINITY }),
        ..outcome.clone()
    };
    let campaign = CampaignShown {
        name: "Plan of spring".to_owned(),
        sentence: "Where the 8 signs warn, surveys met fewer snakes than expected without them.".to_owned(),
        periods: vec!["Before: until 12 April 2024".to_owned()],
        raw: "0.42".to_owned(),
        outcomes: vec![outcome.clone(), empty_cell, open],
        by_sign: vec![row("S1")],
        controls: vec![row("Swale Path, 2.1 km")],
        reports: "Reports say nothing here: how much people report is not known with signs, after."
            .to_owned(),
    };
    let sign = SignShown {
        id: 4,
        name: "S1".to_owned(),
        kind: "trail sign, for Plan of spring".to_owned(),
        stands: "since 12 April 2024".to_owned(),
        is_up: true,
        warns: "0.8 km of Ledge Walk".to_owned(),
        shows: "",
        inspected: "good, 2 May 2024, by A. Ranger".to_owned(),
    };
    let page = EffectPage {
        closed: String::new(),
        headline: "Fewer snakes were met where the signs warn.".to_owned(),
        signs: vec![sign.clone(), SignShown { id: 5, name: "S2".to_owned(), is_up: false, ..sign }],
        campaigns: Ok(vec![campaign]),
        planning: planning.clone(),
        watching: effect_watch::sample(&outcome),
        plans: vec![(3, "Plan of spring".to_owned())],
        given: Vec::new(),
        errors: Vec::new(),
        is_signed: false,
        only_looks: false,
    };
    let none = EffectPage {
        closed: String::new(),
        headline: "No sign has been put up yet.".to_owned(),
        campaigns: Err("No sign has been put up yet.".to_owned()),
        planning: PlanningShown {
            errors: vec![("per_sign".to_owned(), "give a number from 0 to 1,000".to_owned())],
            rows: Err("Mend what is marked above.".to_owned()),
            ..planning
        },
        given: vec![("name".to_owned(), "S1".to_owned()), ("latitude".to_owned(), "north".to_owned())],
        errors: vec![
            ("latitude".to_owned(), "give degrees, as 37.61".to_owned()),
            ("watch-did".to_owned(), "12 parties did as asked, but only 9 passed".to_owned()),
        ],
        watching: WatchingShown {
            sentence: "Nobody has watched how people pass a sign yet.".to_owned(),
            ..WatchingShown::default()
        },
        signs: Vec::new(),
        plans: Vec::new(),
        is_signed: true,
        only_looks: false,
    };
    vec![page, none]
}
