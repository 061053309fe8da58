//! Survey rates, planned walks without and with targeted ones, and surveys and reports side by side and together.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::thousands;
use crate::web::views::figure::format_count;
use crate::web::views::paging;
use crate::web::views::paging::Pages;

/// The page.
#[derive(Debug, Clone)]
pub struct SurveyPage {
    /// What survey teams met, in an everyday sentence.
    pub summary: String,
    /// How much of the planned walks lay inside places, in a sentence; empty where none did.
    pub inside_places: String,
    /// What visitors report of it, in an everyday sentence.
    pub reporting: String,
    /// The reporting ratio of all species together and of each.
    pub ratios: Vec<RatioRow>,
    /// What the ratio rests on, in words.
    pub ratio_basis: String,
    /// The ratios by which surveys and reports are joined; empty where one does for all.
    pub joined_by: Vec<JoinedRow>,
    /// The ratio with and without signs; none before the first sign.
    pub by_sign: Option<SignedReportingShown>,
    /// By trail.
    pub trails: SurveyTable,
    /// By stretch.
    pub stretches: SurveyTable,
    /// Where the stretches fill more than one page.
    pub pages: Option<Pages>,
    /// Survey encounters in no rate, in words; empty when all are in one.
    pub left_out: String,
}

/// Rates of one kind of unit.
#[derive(Debug, Clone)]
pub struct SurveyTable {
    /// The rows.
    pub rows: Vec<SurveyRow>,
    /// Why there are no survey rates, where there are none.
    pub no_rates: Option<String>,
    /// Why there is no joint answer, where there is none.
    pub no_joint: Option<String>,
}

/// One trail or stretch. Rates are per 1,000 km.
#[derive(Debug, Clone)]
pub struct SurveyRow {
    /// Its name.
    pub name: String,
    /// Its address, or empty.
    pub href: String,
    /// Encounters and survey-km on planned walks.
    pub planned: (f64, f64),
    /// The rate as counted on planned walks, with exact limits.
    pub raw: Option<Estimate>,
    /// The rate from planned walks alone.
    pub planned_only: Option<Estimate>,
    /// Encounters and survey-km on targeted walks.
    pub targeted: (f64, f64),
    /// The rate with targeted walks.
    pub with_targeted: Option<Estimate>,
    /// Encounters and survey-km on opportunistic walks, in no rate.
    pub opportunistic: (f64, f64),
    /// The rate from reports, per 1,000 km that parties walked.
    pub reports: Option<Estimate>,
    /// The joint rate, per 1,000 survey-km.
    pub joint: Option<Estimate>,
    /// How many times as frequent encounters are at the seasons and hours of the planned walks as when visitors usually walk.
    pub season_factor: Option<Estimate>,
}

/// The reporting ratio of a group of species.
#[derive(Debug, Clone)]
pub struct RatioRow {
    /// The group.
    pub name: String,
    /// The ratio with its interval, reports and survey encounters in shared segments; or why it is not estimated.
    pub ratio: Result<(Estimate, f64, f64), String>,
}

/// The ratio by which a group of species is joined.
#[derive(Debug, Clone)]
pub struct JoinedRow {
    /// The group and, where it matters, what walkers have read.
    pub name: String,
    /// The ratio with its interval; none where there is none.
    pub ratio: Option<Estimate>,
    /// Where it was counted, in words.
    pub basis: &'static str,
}

/// The reporting ratio with and without signs.
#[derive(Debug, Clone)]
pub struct SignedReportingShown {
    /// With signs, then without.
    pub rows: Vec<RatioRow>,
    /// What may be said of the two, in words.
    pub sentence: String,
}

/// The page's body.
pub fn body(page: &SurveyPage) -> Markup {
    html! {
        div.page-head { h1 { "Surveys beside reports" } a.button href="/walks" { "Survey walks" } }
        p { (page.summary) }
        @if !page.inside_places.is_empty() { p.small.soft { (page.inside_places) } }
        p { (page.reporting) }
        p.small.soft {
            "Survey encounters are divided by kilometres on survey walks, reports by kilometres that parties walked; the two are "
            "never mixed except where it says together. Survey teams look for snakes and notice more than people out walking."
        }
        (ratios(page))
        section.card {
            h2 { "By trail" }
            (table(&page.trails, "Trail"))
        }
        section.card #stretches {
            h2 { "By stretch" }
            @if let Some(pages) = page.pages {
                p.small.soft { "Page " (pages.number) " of " (pages.n_pages) ": " (thousands(pages.n_rows as i64)) " stretches, those first whose rate on planned walks is most surely high. The " a href="/study" { "study" } " has all trails." }
            }
            (table(&page.stretches, "Stretch"))
            @if let Some(pages) = page.pages { (paging::nav(pages, "/survey", "#stretches")) }
        }
        @if !page.left_out.is_empty() { p.small { "Survey encounters in no survey rate: " (page.left_out) "." } }
    }
}

fn ratios(page: &SurveyPage) -> Markup {
    html! {
        section.card {
            h2 { "Reporting ratio" }
            p.small.soft {
                "Reports a kilometre by visitors over encounters a kilometre by survey teams, on the same segments. It may exceed 1, as where "
                "many people pass one snake. " (page.ratio_basis)
            }
            @if page.ratios.is_empty() { p { "Not estimable: nothing says how far visitors walk." } } @else {
                (ratio_table("Species", &page.ratios))
            }
            @if let Some(by_sign) = &page.by_sign {
                h3 { "With and without signs" }
                p { (by_sign.sentence) }
                @if !by_sign.rows.is_empty() { (ratio_table("Where and when", &by_sign.rows)) }
            }
            @if !page.joined_by.is_empty() {
                h3 { "How reports are joined to surveys" }
                p.small.soft {
                    "Together, reports count by the ratio of their species, and kilometres by what walkers had read there and then. Species of which "
                    "survey teams met too few go together, and where these are too few, too, by surveys alone. What share each species has of "
                    "the snakes of a stretch is drawn from what was found there, as firmly as stretches are alike."
                }
                (joined_table(&page.joined_by))
            }
        }
    }
}

fn ratio_table(what: &str, rows: &[RatioRow]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { (what) } th.num scope="col" { "Ratio" } th.num scope="col" { "95 % interval" }
                th.num scope="col" { "Reports there" } th.num scope="col" { "Survey encounters there" }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (row.name) }
                @match &row.ratio {
                    Ok((ratio, reports, surveys)) => {
                        td.num data-label="Ratio" { (format!("{:.3}", ratio.value)) }
                        td.num data-label="95 % interval" { (format!("{:.3}", ratio.lower)) "–" (format!("{:.3}", ratio.upper)) }
                        td.num data-label="Reports there" { (format_count(*reports)) }
                        td.num data-label="Survey encounters there" { (format_count(*surveys)) }
                    }
                    Err(reason) => { td data-label="Ratio" colspan="4" { (reason) } }
                }
            } } }
        }
    }
}

fn joined_table(rows: &[JoinedRow]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Species" } th.num scope="col" { "Ratio" } th.num scope="col" { "95 % interval" } th scope="col" { "The ratio" }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (row.name) }
                @match row.ratio {
                    Some(ratio) => {
                        td.num data-label="Ratio" { (format!("{:.3}", ratio.value)) }
                        td.num data-label="95 % interval" { (format!("{:.3}", ratio.lower)) "–" (format!("{:.3}", ratio.upper)) }
                    }
                    None => { td.num data-label="Ratio" colspan="2" { "not estimable" } }
                }
                td.prose data-label="The ratio" { (row.basis) }
            } } }
        }
    }
}

fn table(table: &SurveyTable, unit: &str) -> Markup {
    html! {
        @if let Some(reason) = &table.no_rates { p.notice { "No survey rates: " (reason) "." } }
        @if let Some(reason) = &table.no_joint { p.notice { "Together: " (reason) "." } }
        div.scroll {
            table.stack {
                caption.small.soft { "Rates per 1,000 km with 95 % intervals. Targeted walks inform their own units only. Together: per 1,000 survey-km at the "
                    "seasons and hours at which visitors walk. The season factor says how many times as frequent encounters are at the seasons and hours of the planned walks: "
                    "together times the factor is on the base of planned only." }
                thead { tr {
                    th scope="col" { (unit) } th.num scope="col" { "Planned walks" } th.num scope="col" { "As counted" }
                    th.num scope="col" { "Planned only" } th.num scope="col" { "Targeted walks" } th.num scope="col" { "With targeted" }
                    th.num scope="col" { "Reports" } th.num scope="col" { "Together" } th.num scope="col" { "Season factor" }
                } }
                tbody { @for row in &table.rows { (table_row(row)) } }
            }
        }
    }
}

fn table_row(row: &SurveyRow) -> Markup {
    html! {
        tr {
            th scope="row" { @if row.href.is_empty() { (row.name) } @else { a href=(row.href) { (row.name) } }
                @if row.opportunistic.1 > 0.0 { div.small.soft { "in no rate: " (effort(row.opportunistic)) " on opportunistic walks" } }
            }
            td.num data-label="Planned walks" { (effort(row.planned)) }
            td.num data-label="As counted" { (rate(row.raw, row.planned.1)) }
            td.num data-label="Planned only" { (rate(row.planned_only, row.planned.1)) }
            td.num data-label="Targeted walks" { (effort(row.targeted)) }
            td.num data-label="With targeted" { (rate(row.with_targeted, row.planned.1 + row.targeted.1)) }
            td.num data-label="Reports" { (rate(row.reports, 1.0)) }
            td.num data-label="Together" { (rate(row.joint, 1.0)) }
            td.num data-label="Season factor" { @match row.season_factor { Some(it) => { (times(it)) }, None => "none" } }
        }
    }
}

/// "1.62 (1.30–2.01)".
fn times(factor: Estimate) -> String {
    format!("{:.2} ({:.2}–{:.2})", factor.value, factor.lower, factor.upper)
}

/// "12 in 34.5 km"; fractions stand for encounters that may lie on a neighbour.
fn effort((count, km): (f64, f64)) -> String {
    if km <= 0.0 {
        return "none".to_owned();
    }
    let km = if km < 1000.0 { format!("{km:.1}") } else { thousands(km.round() as i64) };
    format!("{} in {km} km", format_count(count))
}

fn rate(estimate: Option<Estimate>, km: f64) -> Markup {
    html! {
        @match estimate {
            Some(rate) => { (format_rate(rate.value)) " (" (format_rate(rate.lower)) "–" (format_rate(rate.upper)) ")" }
            None if km <= 0.0 => "no exposure",
            None => "not estimable",
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<SurveyPage> {
    let estimate = |value: f64| Estimate { value, lower: value * 0.6, upper: value * 1.5 };
    let row = SurveyRow {
        name: "Mill Path, km 0.00 to 0.41".to_owned(),
        href: "/stretch/4".to_owned(),
        planned: (12.0, 84.2),
        raw: Some(estimate(142.5)),
        planned_only: Some(estimate(131.0)),
        targeted: (9.4, 20.3),
        with_targeted: Some(estimate(205.0)),
        opportunistic: (1.0, 3.1),
        reports: Some(estimate(5.3)),
        joint: Some(estimate(150.0)),
        season_factor: Some(Estimate { value: 1.62, lower: 1.3, upper: 2.01 }),
    };
    let bare = SurveyRow {
        name: "Swale Path".to_owned(),
        href: String::new(),
        planned: (0.0, 0.0),
        raw: None,
        planned_only: None,
        targeted: (0.0, 0.0),
        with_targeted: None,
        opportunistic: (0.0, 0.0),
        reports: None,
        joint: None,
        season_factor: None,
    };
    let table = SurveyTable { rows: vec![row, bare], no_rates: None, no_joint: None };
    let page = SurveyPage {
        inside_places: "Planned walks went 623.4 km on the trails, 11.4 km of it inside places with visits."
            .to_owned(),
        summary: "On planned walks survey teams went 612 km and met 96 snakes, about one every 6.4 km."
            .to_owned(),
        reporting:
            "Of 100 encounters that a survey team would have, visitors report about 4 (between 3 and 5)."
                .to_owned(),
        ratios: vec![
            RatioRow { name: "All venomous species".to_owned(), ratio: Ok((estimate(0.041), 310.0, 96.0)) },
            RatioRow {
                name: "Crotalus concolor".to_owned(),
                ratio: Err("not estimable: 7 of at least 20 survey encounters".to_owned()),
            },
        ],
        ratio_basis: "212 segments are covered by both.".to_owned(),
        joined_by: vec![JoinedRow {
            name: "Crotalus concolor, no sign passed, or none stood yet".to_owned(),
            ratio: Some(estimate(0.052)),
            basis: "of such stretches",
        }],
        by_sign: Some(SignedReportingShown {
            rows: vec![
                RatioRow {
                    name: "With signs (14 segments)".to_owned(),
                    ratio: Ok((estimate(0.06), 31.0, 24.0)),
                },
                RatioRow {
                    name: "Without (90 segments)".to_owned(),
                    ratio: Err("not estimable: 7 of at least 20 survey encounters".to_owned()),
                },
            ],
            sentence: "Whether people report more where a sign stands cannot be told.".to_owned(),
        }),
        trails: table.clone(),
        stretches: table,
        pages: Some(Pages { number: 2, n_pages: 3, n_rows: 240 }),
        left_out: "3 name no walk".to_owned(),
    };
    let none = SurveyTable {
        rows: Vec::new(),
        no_rates: Some("no planned walk lies on the trails".to_owned()),
        no_joint: Some("not estimable".to_owned()),
    };
    let refused = SurveyPage {
        ratios: Vec::new(),
        by_sign: None,
        pages: None,
        trails: none.clone(),
        stretches: none,
        left_out: String::new(),
        ..page.clone()
    };
    vec![page, refused]
}
