//! Encounters with their filters, and one encounter whole.

use maud::Markup;
use maud::html;

use crate::domain::encounter::EffortKind;
use crate::domain::encounter::VerificationStatus;
use crate::domain::terms::UnknownTerm;
use crate::domain::time::MONTHS;
use crate::domain::time::PartOfDay;
use crate::web::form::Given;
use crate::web::views::charts::thousands;
use crate::web::views::photos;
use crate::web::views::photos::PhotosCard;
use crate::web::views::review;
use crate::web::views::ties;
use crate::web::views::ties::TieCard;

/// The list.
#[derive(Debug, Clone)]
pub struct EncountersPage {
    /// The filter as given.
    pub filter: FilterForm,
    /// The species to choose from.
    pub species: Vec<String>,
    /// How many encounters match.
    pub n_matching: u64,
    /// How many there are at all.
    pub n_all: u64,
    /// The rows of this page.
    pub rows: Vec<EncounterRow>,
    /// The address of the next page.
    pub next: Option<String>,
    /// The address of the first page, where this is not it.
    pub first: Option<String>,
    /// The form that reviews the rows ticked.
    pub review: Given,
    /// The address of this page.
    pub here: String,
}

/// The filter's fields as text, so that a wrong one comes back as it was given.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FilterForm {
    /// Effort kind.
    pub effort: String,
    /// Species.
    pub species: String,
    /// Month, 1 to 12.
    pub month: String,
    /// First year.
    pub from_year: String,
    /// Last year.
    pub until_year: String,
    /// Part of the day.
    pub part: String,
    /// State of review.
    pub status: String,
    /// Batch.
    pub batch: String,
    /// What is wrong: field and words.
    pub errors: Vec<(String, String)>,
}

/// One row.
#[derive(Debug, Clone)]
pub struct EncounterRow {
    /// Its address.
    pub href: String,
    /// Its key.
    pub id: i64,
    /// Its identifier.
    pub occurrence_id: String,
    /// When, as far as known.
    pub when: String,
    /// Species.
    pub species: String,
    /// Effort kind.
    pub effort: String,
    /// State of review.
    pub status: String,
    /// Where it was tied to, in words.
    pub tied_to: String,
    /// How many photos there are of it.
    pub n_photos: u64,
}

/// The list's body.
pub fn list_body(page: &EncountersPage) -> Markup {
    html! {
        div.page-head {
            h1 { "Encounters" }
            div { a.button href="/data/ambiguous" { "Positions in doubt" } " " a.button href="/data/import" { "Bring in files" } }
        }
        (filter_form(page))
        p { (thousands(page.n_matching as i64)) " of " (thousands(page.n_all as i64)) " encounters" }
        @if page.rows.is_empty() { p.card { "None match. " a href="/encounters" { "Clear the filter" } } } @else {
            @let may_review = !page.review.only_looks();
            form.card method="post" action="/encounters/review" {
                input type="hidden" name="back" value=(page.here);
                table.stack {
                    thead { tr {
                        @if may_review { th.no-print scope="col" { span.visually-hidden { "Tick to review" } } }
                        th scope="col" { "Encounter" } th scope="col" { "When" } th scope="col" { "Species" }
                        th scope="col" { "Effort" } th scope="col" { "Review" } th scope="col" { "Tied to" } th.num scope="col" { "Photos" }
                    } }
                    tbody {
                        @for row in &page.rows {
                            tr {
                                @if may_review { td.no-print { label.check { input type="checkbox" name="id" value=(row.id) aria-label={ "review " (row.occurrence_id) }; } } }
                                th scope="row" { a href=(row.href) { (row.occurrence_id) } }
                                td data-label="When" { (row.when) }
                                td data-label="Species" { i { (row.species) } }
                                td data-label="Effort" { (row.effort) }
                                td data-label="Review" { (row.status) }
                                td data-label="Tied to" { (row.tied_to) }
                                td.num data-label="Photos" { @if row.n_photos > 0 { a href={ (row.href) "#photos" } { (row.n_photos) } } @else { "0" } }
                            }
                        }
                    }
                }
                @if may_review { (review::of_ticked(&page.review)) }
            }
            p {
                @if let Some(first) = &page.first { a.button href=(first) { "First page" } " " }
                @if let Some(next) = &page.next { a.button href=(next) { "Next page" } }
            }
        }
    }
}

fn filter_form(page: &EncountersPage) -> Markup {
    let form = &page.filter;
    html! {
        form.card.row method="get" action="/encounters" {
            (choice("Effort", "effort", (&form.effort, form), EffortKind::ALL.iter().map(|kind| (kind.term().to_owned(), kind.term().to_owned()))))
            (choice("Species", "species", (&form.species, form), page.species.iter().map(|name| (name.clone(), name.clone()))))
            (choice("Month", "month", (&form.month, form), MONTHS.iter().enumerate().map(|(idx, name)| ((idx + 1).to_string(), (*name).to_owned()))))
            (choice("Part of the day", "part", (&form.part, form), PartOfDay::ALL.iter().map(|part| (part.term().to_owned(), part.words().to_owned()))))
            (choice("Review", "status", (&form.status, form), VerificationStatus::ALL.iter().map(|status| (status.term().to_owned(), status.term().to_owned()))))
            (number("From year", "from_year", &form.from_year, form))
            (number("To year", "until_year", &form.until_year, form))
            (number("Batch", "batch", &form.batch, form))
            button.main type="submit" { "Show" }
        }
    }
}

fn choice(
    words: &str,
    name: &str,
    (chosen, form): (&str, &FilterForm),
    options: impl Iterator<Item = (String, String)>,
) -> Markup {
    let error = error_at(form, name);
    html! {
        label { (words)
            select name=(name) aria-invalid=[error.map(|_| "true")] {
                option value="" selected[chosen.is_empty()] { "all" }
                @if error.is_some() { option value=(chosen) selected { (chosen) } }
                @for (value, words) in options { option value=(value) selected[chosen == value] { (words) } }
            }
            @if let Some(words) = error { span.field-error { (words) } }
        }
    }
}

fn error_at<'a>(form: &'a FilterForm, name: &str) -> Option<&'a String> {
    form.errors.iter().find(|(field, _)| field == name).map(|(_, words)| words)
}

fn number(words: &str, name: &str, given: &str, form: &FilterForm) -> Markup {
    let error = error_at(form, name);
    html! {
        label { (words)
            input name=(name) value=(given) inputmode="numeric" size="6" aria-invalid=[error.map(|_| "true")];
            @if let Some(words) = error { span.field-error { (words) } }
        }
    }
}

/// Reads one of a closed list, or nothing.
///
/// # Errors
/// [`UnknownTerm`] when the word is not in the list.
pub fn optional<T: std::str::FromStr<Err = UnknownTerm>>(text: &str) -> Result<Option<T>, UnknownTerm> {
    if text.trim().is_empty() { Ok(None) } else { text.parse().map(Some) }
}

/// One encounter whole.
#[derive(Debug, Clone)]
pub struct EncounterPage {
    /// Its identifier.
    pub occurrence_id: String,
    /// Fields with their values, empty ones left out; Darwin Core names.
    pub fields: Vec<(String, String)>,
    /// What it did to people; none where nothing is known of it, or the reader may not see it.
    pub health: Option<HealthCard>,
    /// Its approaches in order.
    pub approaches: Vec<ApproachRow>,
    /// What it may be divided by, in words.
    pub tied: Vec<String>,
    /// What it is tied to, where it has a position and there are trails.
    pub tie: Option<TieCard>,
    /// Its photos.
    pub photos: PhotosCard,
    /// Its key, its state of review, and the form that gives it another.
    pub review: (i64, String, Given),
    /// Where it came from.
    pub origin: String,
    /// Where its whole history is.
    pub history_at: String,
    /// What changed: when, who, what.
    pub history: Vec<(String, String, String)>,
}

/// What an encounter did to people: health data, for those alone who may see reported bites.
#[derive(Debug, Clone)]
pub struct HealthCard {
    /// What was reported; empty where only a reaction says it.
    pub outcome: String,
    /// Whether a reaction says that the snake bit skin.
    pub bit_skin: bool,
    /// The local emergency number.
    pub emergency_number: String,
}

/// One approach.
#[derive(Debug, Clone)]
pub struct ApproachRow {
    /// Its number.
    pub ordinal: u32,
    /// Contact.
    pub contact: String,
    /// Distance, load, duration, device, in words.
    pub circumstances: String,
    /// Reactions in order, in words.
    pub reactions: String,
    /// Whether it was a trial.
    pub is_trial: bool,
}

/// The page's body.
pub fn one_body(page: &EncounterPage) -> Markup {
    html! {
        div.page-head { h1 { "Encounter " (page.occurrence_id) } a.button href="/encounters" { "All encounters" } }
        @if let Some(health) = &page.health { (health_card(health)) }
        div.grid {
            section.card {
                h2 { "Record" }
                dl.facts { @for (name, value) in &page.fields { dt { (name) } dd { (value) } } }
                p.small.soft { (page.origin) }
            }
            section.card {
                h2 { "Where it counts" }
                ul { @for line in &page.tied { li { (line) } } }
            }
        }
        @if !page.review.2.only_looks() { (review::of_one(page.review.0, &page.review.1, &page.review.2)) }
        (photos::card(&page.photos))
        @if let Some(tie) = &page.tie { (ties::card(tie)) }
        @if !page.approaches.is_empty() {
            section.card {
                h2 { "Approaches" }
                p.caution { "What follows was recorded under a protocol or by chance. Do not test this: keep your distance." }
                table.stack {
                    thead { tr { th scope="col" { "No." } th scope="col" { "Contact" } th scope="col" { "Circumstances" } th scope="col" { "Reactions, in order" } th scope="col" { "Trial" } } }
                    tbody { @for row in &page.approaches { tr {
                        th scope="row" { (row.ordinal) }
                        td data-label="Contact" { (row.contact) }
                        td data-label="Circumstances" { (row.circumstances) }
                        td data-label="Reactions" { (row.reactions) }
                        td data-label="Trial" { @if row.is_trial { "yes" } @else { "no" } }
                    } } }
                }
            }
        }
        section.card {
            h2 { "History" }
            @if page.history.is_empty() { p { "Not changed since it was brought in." } } @else {
                ul { @for (when, who, what) in &page.history { li { (when) ", " (who) ": " (what) } } }
            }
            p { a href=(page.history_at) { "Its history, and putting it back to an earlier state" } }
        }
    }
}

fn health_card(health: &HealthCard) -> Markup {
    html! {
        section.card {
            h2 { "What it did to people" }
            p.caution {
                strong { "In an emergency call " (health.emergency_number) "." }
                " Local emergency services and licensed practitioners come first; this record is no medical history."
            }
            p {
                @if health.outcome.is_empty() { "No outcome was reported." } @else { "Reported: " (health.outcome) "." }
                @if health.bit_skin { " A reaction says that the snake bit skin." }
            }
            p.small.soft { "Health data: shown to those alone to whom an administrator granted reported bites, and on no map, layer or export. Pass nothing of it on." }
        }
    }
}

/// Lists made up for tests and previews.
pub fn list_samples() -> Vec<EncountersPage> {
    let row = EncounterRow {
        href: "/encounters/1".to_owned(),
        id: 1,
        occurrence_id: "R-1".to_owned(),
        when: "2024-05-04 09:10".to_owned(),
        species: "Crotalus viridis".to_owned(),
        effort: "report".to_owned(),
        status: "verified".to_owned(),
        tied_to: "Ledge Walk".to_owned(),
        n_photos: 2,
    };
    let errors = vec![
        ("from_year".to_owned(), "\"last\" is not a year; give four digits".to_owned()),
        ("part".to_owned(), "\"noon\" is not a part of the day".to_owned()),
    ];
    let page = EncountersPage {
        filter: FilterForm::default(),
        species: vec!["Crotalus viridis".to_owned()],
        n_matching: 1,
        n_all: 1500,
        rows: vec![row],
        next: Some("/encounters?after=1".to_owned()),
        first: None,
        review: Given::default(),
        here: "/encounters?".to_owned(),
    };
    let wrong =
        FilterForm { from_year: "last".to_owned(), part: "noon".to_owned(), errors, ..FilterForm::default() };
    vec![page.clone(), EncountersPage { rows: Vec::new(), n_matching: 0, filter: wrong, next: None, ..page }]
}

/// Encounters made up for tests and previews.
pub fn one_samples() -> Vec<EncounterPage> {
    let cards = photos::samples().into_iter();
    let page = |photos| EncounterPage {
        occurrence_id: "T-1-2".to_owned(),
        fields: vec![("scientificName".to_owned(), "Crotalus viridis".to_owned())],
        health: Some(HealthCard {
            outcome: "bite reported".to_owned(),
            bit_skin: true,
            emergency_number: "112".to_owned(),
        }),
        approaches: vec![ApproachRow {
            ordinal: 1,
            contact: "beside".to_owned(),
            circumstances: "0.5 m, boot on a pole".to_owned(),
            reactions: "still".to_owned(),
            is_trial: true,
        }],
        tied: vec!["located: never in a rate".to_owned()],
        tie: ties::samples().into_iter().next(),
        photos,
        review: (4, "unverified".to_owned(), Given::default()),
        origin: "trials.csv, row 4, batch 3".to_owned(),
        history_at: "/history/encounter/4".to_owned(),
        history: vec![("2024-06-01 10:00".to_owned(), "staff".to_owned(), "species changed".to_owned())],
    };
    cards.map(page).collect()
}
