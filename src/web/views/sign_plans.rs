//! Plans that are kept: the forms of keeping one and of a draw, and a kept plan to be printed and put up.

use maud::Markup;
use maud::html;

use crate::web::form::Given;
use crate::web::views::form;

/// The form of a draw.
#[derive(Debug, Clone)]
pub struct DrawForm {
    /// What was typed, and what is wrong with it.
    pub given: Given,
    /// Plans whose draw had some of the places already.
    pub drawn_in: Vec<String>,
}

/// A plan as it was kept.
#[derive(Debug, Clone)]
pub struct KeptPlan {
    /// Its name.
    pub name: String,
    /// When, by whom, from which data, in words.
    pub kept: String,
    /// The seed of its draw; none where nothing was drawn.
    pub seed: Option<u64>,
    /// Plans whose draw had some of its places before.
    pub drawn_before: Vec<String>,
    /// Why it was drawn again; empty where it was not.
    pub drawn_again_because: String,
    /// Its signs.
    pub sites: Vec<KeptSite>,
    /// Where the form goes by which signs are put up, and what was typed into it.
    pub put_up: (String, Given),
}

/// A sign of a kept plan.
#[derive(Debug, Clone)]
pub struct KeptSite {
    /// Its number.
    pub number: usize,
    /// The trails that meet there.
    pub place: String,
    /// Latitude and longitude, degrees.
    pub position: (f64, f64),
    /// What to put up.
    pub kind: String,
    /// When its turn is.
    pub turn: Turn,
    /// Since when a sign that was put up for it stands, in words.
    pub standing: Option<String>,
}

/// When a sign goes up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// It won the draw of its pair: now.
    First(usize),
    /// It lost it: next season.
    Second(usize),
    /// It was in no draw.
    NotDrawn,
}

/// The form's page.
pub fn form_body(page: &DrawForm) -> Markup {
    let given = &page.given;
    html! {
        h1 { "Draw lots for signs" }
        (form::summary(given.errors().map(|(field, words)| (field, "", words))))
        p { "Signs can go up at half of the places first. If lots say at which, the places that have to wait show what would have happened without a sign: nothing else tells so plainly whether signs help." }
        form.card method="post" action="/signs/draw" {
            p.small.soft { "The new signs of the plan are put into pairs in the order of how much they warn of: the first with the second, the third with the fourth. Of each pair lots say which gets its sign now and which next season. The draw is kept with its seed as soon as it is made, and cannot be taken back." }
            div.fields {
                (form::text("Name of the plan", "name", given))
                (form::text("Number of new signs, both halves together", "signs", given))
                (form::text("A sign reaches, metres of walking (empty: the area's setting)", "reach", given))
                (form::text("Least spacing, metres (empty: the area's setting)", "spacing", given))
                (form::text("Seed: a whole number, best named by somebody who has not seen the plan", "seed", given))
                (form::signer(given))
            }
            @if !page.drawn_in.is_empty() {
                p.notice { "Lots were drawn for some of these places before, in " (page.drawn_in.join(", ")) ". A draw that is repeated until it suits is no draw. If it must be repeated, say why: the reason and the earlier draws stand on the plan for good." }
                (form::lines("Why it is drawn again", "again", given))
            }
            p { button.main type="submit" { "Draw and keep" } }
        }
    }
}

/// The form by which a plan is kept as it is.
pub fn keep_body(given: &Given) -> Markup {
    html! {
        h1 { "Keep the plan" }
        p { "A kept plan stays as it is now, whatever records come later. Its signs can then be recorded as put up with one step, and it is known which records chose their places: without that nobody can tell later whether the signs help, since places chosen for many reports would have had fewer of them anyway." }
        form.card method="post" action="/signs/keep" {
            div.fields {
                (form::text("Name of the plan", "name", given))
                (form::text("Number of new signs", "signs", given))
                (form::text("A sign reaches, metres of walking (empty: the area's setting)", "reach", given))
                (form::text("Least spacing, metres (empty: the area's setting)", "spacing", given))
                (form::signer(given))
            }
            p.small.soft { "Where all signs can wait for each other, " a href="/signs/draw" { "draw lots instead" } ": nothing else tells so plainly whether signs help." }
            p { button.main type="submit" { "Keep" } }
        }
    }
}

/// The page of a kept plan.
pub fn plan_body(plan: &KeptPlan) -> Markup {
    let is_drawn = plan.seed.is_some();
    html! {
        div.page-head { h1 { (plan.name) } a.button.no-print href="/signs" { "Sign plan" } }
        p.soft { (plan.kept) @if let Some(seed) = plan.seed { " Lots were drawn with seed " (seed) "." } }
        @if !plan.drawn_before.is_empty() {
            p.notice { strong { "Drawn again." } " Lots had been drawn for some of these places before, in " (plan.drawn_before.join(", ")) ". Reason given: " (plan.drawn_again_because) }
        }
        section.card {
            h2 { "Signs" }
            table.stack {
                thead { tr { th.num scope="col" { "No." } th scope="col" { "Place" } th scope="col" { "Latitude, longitude" } th scope="col" { "What" } @if is_drawn { th scope="col" { "When" } } th scope="col" { "Stands" } } }
                tbody { @for site in &plan.sites { tr {
                    td.num data-label="No." { (site.number) }
                    th scope="row" { (site.place) }
                    td data-label="Latitude, longitude" { (format!("{:.5}, {:.5}", site.position.0, site.position.1)) }
                    td data-label="What" { (site.kind) }
                    @if is_drawn { td data-label="When" { (turn_words(site.turn)) } }
                    td data-label="Stands" { @match &site.standing { Some(since) => { "since " (since) }, None => "not yet" } }
                } } }
            }
            p.small.soft {
                "Record each sign for this plan when it is put up, here or under " a href="/effect" { "Did the signs help?" }
                @if is_drawn { "; places are compared while those of the second turn have no sign." } @else { "." }
            }
        }
        (put_up_form(plan))
        p.only-print { "Checked by ______________________  Date ______________" }
    }
}

/// The form by which signs of the plan are recorded as put up, for those who may.
fn put_up_form(plan: &KeptPlan) -> Markup {
    let (action, given) = &plan.put_up;
    let waiting: Vec<&KeptSite> = plan.sites.iter().filter(|site| site.standing.is_none()).collect();
    if given.only_looks() || waiting.is_empty() {
        return html! {};
    }
    html! {
        form.card.no-print method="post" action=(action) {
            h2 { "Signs that were put up" }
            fieldset.choices.choices-down {
                legend { "Tick those that stand" }
                @for site in waiting {
                    label.choice { input type="checkbox" name="site" value=(site.number); "No. " (site.number) ", " (site.place) }
                }
                (form::error_line(given.error("site")))
            }
            div.fields { (form::date("Since which day", "day", given)) (form::signer(given)) }
            p { button.main type="submit" { "Record" } }
        }
    }
}

fn turn_words(turn: Turn) -> String {
    match turn {
        Turn::First(pair) => format!("now (first of pair {pair})"),
        Turn::Second(pair) => format!("next season (second of pair {pair})"),
        Turn::NotDrawn => "now, without a draw".to_owned(),
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<Markup> {
    let site = |number: usize, turn: Turn| KeptSite {
        number,
        place: "Ledge Walk and Swale Path".to_owned(),
        position: (37.6, -109.4),
        kind: "trail sign".to_owned(),
        turn,
        standing: (number == 3).then(|| "4 May 2024".to_owned()),
    };
    let plan = KeptPlan {
        name: "Plan of spring".to_owned(),
        kept: "Kept on 2024-07-01 12:00 UTC by R. Example, from data revision 12.".to_owned(),
        seed: Some(2024),
        drawn_before: vec!["Plan of winter".to_owned()],
        drawn_again_because: "a sign of the first draw cannot be put up: the bank has slid".to_owned(),
        sites: vec![site(1, Turn::Second(1)), site(2, Turn::First(1)), site(3, Turn::NotDrawn)],
        put_up: ("/signs/plans/1/up".to_owned(), Given::default()),
    };
    let kept = KeptPlan {
        seed: None,
        drawn_before: Vec::new(),
        drawn_again_because: String::new(),
        sites: vec![site(1, Turn::NotDrawn), site(3, Turn::NotDrawn)],
        ..plan.clone()
    };
    let mut given = Given::default();
    given.set("signs", "8");
    given.refuse("again", "lots were drawn for these places before, in Plan of winter.");
    vec![
        plan_body(&plan),
        plan_body(&kept),
        keep_body(&given),
        form_body(&DrawForm { given, drawn_in: vec!["Plan of winter".to_owned()] }),
    ]
}
