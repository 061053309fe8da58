//! The sign plan: map, table, reasons, and what any plan could reach.

use maud::Markup;
use maud::html;

use crate::web::views::charts;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// The page.
#[derive(Debug, Clone)]
pub struct SignsPage {
    /// How many signs were asked for, as given.
    pub n_signs: String,
    /// How far a sign reaches, metres of walking, as given.
    pub reach_m: String,
    /// Least spacing along the trails, metres, as given.
    pub spacing_m: String,
    /// What is wrong with the form: field and words.
    pub errors: Vec<(String, String)>,
    /// The plan, or why there is none.
    pub plan: Result<PlanShown, String>,
    /// Where it is kept as it is, for those who may.
    pub keep_href: Option<String>,
    /// Where lots are drawn for it, for those who may.
    pub draw_href: Option<String>,
    /// Where its signs are printed.
    pub sheets_href: String,
    /// Kept plans: name and address, newest first.
    pub kept: Vec<(String, String)>,
}

/// A plan.
#[derive(Debug, Clone)]
pub struct PlanShown {
    /// The map with the signs.
    pub drawing: MapDrawing,
    /// The signs: those in place first, then new ones; of each, those first that warn first of most.
    pub sites: Vec<SiteRow>,
    /// The warned share of the whole plan, on draws that did not choose it.
    pub warned: Estimate,
    /// The share of expected encounters whose walkers heed the sign, at the low and the high heed probability.
    pub heeded: (f64, f64),
    /// The heed probabilities.
    pub heed_range: (f64, f64),
    /// What watching at standing signs found of heeding.
    pub watched: Vec<String>,
    /// Warned share by number of signs.
    pub curve: Vec<Estimate>,
    /// What signs at every candidate could reach.
    pub reachable: f64,
    /// Proven optimal, or the gap, in words.
    pub proof_words: String,
    /// The season in which signs stand, in words.
    pub season_words: String,
    /// Candidates left out and why, in words.
    pub left_out: Vec<String>,
}

/// One sign.
#[derive(Debug, Clone)]
pub struct SiteRow {
    /// Its number.
    pub number: usize,
    /// Where, in words.
    pub place: String,
    /// Whether it stands already.
    pub standing: bool,
    /// What to put up.
    pub kind: String,
    /// Its text.
    pub text: String,
    /// Latitude and longitude, degrees.
    pub position: (f64, f64),
    /// Which walkers it faces, in words.
    pub facing: String,
    /// Up and down, in words.
    pub dates: String,
    /// Letter size, in words.
    pub letters: String,
    /// Parties a day that pass it, either way, each once on its trip.
    pub parties_per_day: f64,
    /// What it adds to the warned share, and the share warned with all signs up to this one.
    pub adds: f64,
    /// The share of all signs up to this one.
    pub together: Estimate,
    /// The share of draws in which it is chosen.
    pub chosen_share: f64,
    /// Why here.
    pub reason: String,
}

/// The page's body.
pub fn body(page: &SignsPage) -> Markup {
    html! {
        div.page-head {
            h1 { "Sign plan" }
            @if page.plan.is_ok() { a.button.no-print href=(page.sheets_href) { "Texts to print" } }
        }
        (form(page))
        @match &page.plan {
            Ok(plan) => (shown(plan)),
            Err(reason) => p.card { (reason) },
        }
        section.card.no-print {
            h2 { "Carry it out" }
            @if let Some(href) = &page.keep_href {
                p { "Keep the plan before signs go up: it stays as it is, its signs are recorded with one step, and it can be told later whether they help. " a href=(href) { "Keep this plan" } }
            }
            p { "Half of the signs first, the other half next season, and lots say which: then it can be told whether they help. "
                @if let Some(href) = &page.draw_href { a href=(href) { "Draw lots for this plan" } } }
            @if !page.kept.is_empty() {
                h3 { "Kept plans" }
                ul { @for (name, href) in &page.kept { li { a href=(href) { (name) } } } }
            }
        }
    }
}

fn form(page: &SignsPage) -> Markup {
    let error = |field: &str| page.errors.iter().find(|(at, _)| at == field).map(|(_, words)| words.clone());
    let field = |name: &str, words: &str, value: &str| {
        let error = error(name);
        html! { label { (words)
            input name=(name) value=(value) inputmode="numeric" size="6" aria-invalid=[error.as_ref().map(|_| "true")];
            @if let Some(words) = error { span.field-error { (words) } }
        } }
    };
    html! {
        form.card.row.no-print method="get" action="/signs" {
            (field("signs", "Number of signs", &page.n_signs))
            (field("reach", "A sign reaches, metres of walking", &page.reach_m))
            (field("spacing", "Least spacing, metres", &page.spacing_m))
            button.main type="submit" { "Plan" }
        }
    }
}

fn shown(plan: &PlanShown) -> Markup {
    html! {
        div.grid.plan-head {
            section.card { div.map-box { (svg_map::draw(&plan.drawing)) } }
            section.card {
                h2 { "What each sign adds" }
                p.small.soft { "Share of expected encounters whose walkers passed a sign before; bars are 95 % intervals on draws that did not choose the plan. Warned is not prevented." }
                (charts::steps_with_whiskers("Warned share by number of signs; the table below has the numbers", &plan.curve))
                p { strong { (percent(plan.warned.value)) } " warned (" (percent(plan.warned.lower)) " to " (percent(plan.warned.upper)) "); signs everywhere could reach " (percent(plan.reachable)) "." }
                p.small.soft { (plan.proof_words) }
                p.small.soft { (plan.season_words) }
            }
        }
        section.card {
            h2 { "Signs in order" }
            table.stack.plan-signs {
                thead { tr {
                    th.num scope="col" { "No." } th scope="col" { "Place and text" } th scope="col" { "For the crew" } th.num scope="col" { "Parties a day" }
                    th.num scope="col" { "Adds" } th.num scope="col" { "Together so far" } th.num scope="col" { "Chosen in" }
                } }
                tbody { @for site in &plan.sites { (site_row(site)) } }
            }
        }
        section.card {
            h2 { "Warned, and heeding it" }
            p.small { "If between " (percent(plan.heed_range.0)) " and " (percent(plan.heed_range.1)) " of those warned heed it, " (percent(plan.heeded.0)) " to " (percent(plan.heeded.1)) " of expected encounters meet a walker who does." }
            (watched(&plan.watched))
        }
        @if !plan.left_out.is_empty() {
            section.card { h2 { "Left out" } ul { @for line in &plan.left_out { li { (line) } } } }
        }
        div.caution {
            p { "A sign names no single spot, and none is placed near a sensitive place. Its distances are rounded up. The distance to keep from a snake is the land manager's setting. "
                "Local emergency services, local codes and licensed practitioners come first: have every text checked before it is put up." }
        }
        p.only-print { "Checked by ______________________  Date ______________" }
    }
}

fn site_row(site: &SiteRow) -> Markup {
    html! {
        tr {
            td.num data-label="No." { strong { (site.number) } }
            th scope="row" {
                (site.place)
                br; span.soft { @if site.standing { "in place, keep" } @else { (site.kind) } " · " (site.reason) }
                details { summary { "Its text" } p { (site.text) } }
            }
            td.facts-cell.prose data-label="For the crew" { (format!("{:.5}, {:.5}", site.position.0, site.position.1)) br; (site.facing) br; (site.dates) br; (site.letters) }
            td.num data-label="Parties a day" { (thousands(site.parties_per_day.round() as i64)) }
            td.num data-label="Adds" { (percent(site.adds)) }
            td.num data-label="Together so far" { (percent(site.together.value)) " (" (percent(site.together.lower)) "–" (percent(site.together.upper)) ")" }
            td.num data-label="Chosen in" { @if site.standing { "in place" } @else { (percent(site.chosen_share)) " of draws" } }
        }
    }
}

/// What watching found, beside the heed probabilities that are assumed.
fn watched(lines: &[String]) -> Markup {
    html! {
        @if lines.is_empty() {
            p.small.soft { "Those two are assumed: nobody has watched at a standing sign yet. Watches are recorded with " a href="/effect#watched" { "what the signs did" } "." }
        } @else {
            p.small { "Those two are assumed, and watching changes neither by itself. What watching at standing signs found:" }
            ul.small { @for line in lines { li { (line) } } }
            p.small.soft { "Reading is not heeding, and many who did as asked would have done so without a sign: see " a href="/effect#watched" { "what the signs did" } ". The two probabilities are set under " a href="/data/settings" { "Settings" } "." }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<SignsPage> {
    let together = Estimate { value: 0.24, lower: 0.17, upper: 0.32 };
    let site = SiteRow {
        number: 1,
        place: "Ledge Walk, junction with Swale Path".to_owned(),
        standing: false,
        kind: "trail sign".to_owned(),
        text: "Rattlesnakes live along the next 700 m".to_owned(),
        position: (37.61013, -109.40770),
        facing: "faces walkers from Gatehouse".to_owned(),
        dates: "up 5 April, down 12 October".to_owned(),
        letters: "letters 25 mm, read from 9 m".to_owned(),
        parties_per_day: 31.0,
        adds: 0.24,
        together,
        chosen_share: 0.91,
        reason: "most encounters after it happen on Ledge Walk, km 0.40 to 0.73".to_owned(),
    };
    let plan = PlanShown {
        drawing: MapDrawing::default(),
        sites: vec![site.clone(), SiteRow { number: 2, standing: true, ..site }],
        warned: together,
        heeded: (0.05, 0.19),
        heed_range: (0.2, 0.8),
        watched: vec!["read or looked at the sign, watched unseen: 34 % (18 % to 54 %), 41 of 120 parties at 4 signs; of signs like these, each as one.".to_owned()],
        curve: vec![together],
        reachable: 0.88,
        proof_words: "Proven: no other choice of as many signs warns more.".to_owned(),
        season_words: "Season April to October".to_owned(),
        left_out: vec!["Carved ledge: forbidden (rock carvings)".to_owned()],
    };
    let page = SignsPage {
        n_signs: "6".to_owned(),
        reach_m: "800".to_owned(),
        spacing_m: "300".to_owned(),
        errors: Vec::new(),
        plan: Ok(plan),
        keep_href: Some("/signs/keep?signs=6".to_owned()),
        draw_href: Some("/signs/draw?signs=6".to_owned()),
        sheets_href: "/signs/sheets?signs=6".to_owned(),
        kept: vec![("Plan of spring".to_owned(), "/signs/plans/1".to_owned())],
    };
    let errors = vec![("signs".to_owned(), "\"six\" is not a whole number".to_owned())];
    vec![
        page.clone(),
        SignsPage {
            n_signs: "six".to_owned(),
            errors,
            plan: Err("no trips: bring in trailheads first".to_owned()),
            ..page
        },
    ]
}
