//! Which stretches stand out, how sure that is, and what the fit rests on.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::interval_bar;
use crate::web::views::charts::percent;
use crate::web::views::charts::probability;
use crate::web::views::charts::thousands;
use crate::web::views::figure;
use crate::web::views::figure::Behind;
use crate::web::views::figure::format_count;
use crate::web::views::paging;
use crate::web::views::paging::Pages;
use crate::web::views::scatter;
use crate::web::views::scatter::Scatter;

/// The page.
#[derive(Debug, Clone)]
pub struct RatesPage {
    /// The everyday sentence.
    pub sentence: String,
    /// What a call is, in words.
    pub rule: String,
    /// What rates are set against, and all trails together.
    pub together: Vec<TogetherRow>,
    /// The ranked stretches, by falling lower limit.
    pub rows: Vec<RankRow>,
    /// Where they fill more than one page.
    pub pages: Option<Pages>,
    /// Stretches that are not ranked, and why, in words.
    pub not_ranked: String,
    /// What strata are: trails or habitats.
    pub strata_are: &'static str,
    /// The strata.
    pub strata: Vec<StratumRow>,
    /// Whether neighbours resemble each other, question and answer.
    pub pattern: Vec<(&'static str, String)>,
    /// What each stretch's counts leave over beside what its neighbours' do; none where nothing is expected.
    pub scatter: Option<Scatter>,
}

/// Some trails together.
#[derive(Debug, Clone)]
pub struct TogetherRow {
    /// Which.
    pub name: &'static str,
    /// Encounters and walking.
    pub behind: Behind,
    /// Their rate per 1,000 km.
    pub rate: Estimate,
}

/// One ranked stretch.
#[derive(Debug, Clone)]
pub struct RankRow {
    /// Its name.
    pub name: String,
    /// Its page.
    pub href: String,
    /// Its rate per 1,000 km, and the class it is drawn in.
    pub rate: Estimate,
    /// The class it is drawn in, where the map makes a statement.
    pub class: Option<u8>,
    /// Encounters and walking behind it.
    pub behind: Behind,
    /// 95 % limits of its rank.
    pub rank: (f64, f64),
    /// Share of draws in which it is among the first ten.
    pub top_share: f64,
    /// Probability of a rate above the multiple of the reference.
    pub exceedance: f64,
    /// Whether it is called.
    pub call: Call,
}

/// Whether a stretch is called above the multiple.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Call {
    /// It is.
    Called,
    /// It is not.
    NotCalled,
}

/// One stratum.
#[derive(Debug, Clone)]
pub struct StratumRow {
    /// Its name.
    pub name: String,
    /// Stretches with counted or fitted walking.
    pub n_units: usize,
    /// Encounters and walking on them.
    pub behind: Behind,
    /// Mean rate per 1,000 km.
    pub mean: Estimate,
    /// Coefficient of variation of the rates.
    pub variation: Estimate,
    /// Whether its stretches can be told apart, in words.
    pub spread: String,
}

/// The page's body.
pub fn body(page: &RatesPage) -> Markup {
    html! {
        h1 { "Which stretches stand out" }
        p { (page.sentence) }
        p.soft { (page.rule) }
        section.card {
            h2 { "Highest rates" }
            p.small.soft { "In order of the lower limit, so that luck on a quiet trail does not lead. Rates are reports per 1,000 km walked by parties. The share in the first ten says how sure a place in the list is. Encounters are means over draws where a record may lie on several stretches; kilometres walked have their 95 % interval." }
            (ranks(page))
            @if !page.not_ranked.is_empty() { p.small.soft { (page.not_ranked) } }
        }
        section.card {
            h2 { "All trails together" }
            (together(&page.together))
            p.small.soft { "Rates are set against the first line. The second also holds trails whose walking is assumed from priors, and reports too vague for a segment: it says how much the choice matters." }
        }
        section.card {
            h2 { "Strata" }
            p.small.soft { "Rates of one stratum (" (page.strata_are) ") share a distribution, and each stretch is drawn towards its mean as far as its own records are few. Stretches whose walking is assumed tell nothing to others: their own records say how far they are drawn. Where the records cannot tell stretches apart, the intervals stay as wide as the prior makes them." }
            (strata(page))
        }
        section.card {
            h2 { "Do neighbours resemble each other?" }
            dl.facts { @for (question, answer) in &page.pattern { dt { (question) } dd { (answer) } } }
            @if let Some(points) = &page.scatter { (scatter::draw(points)) }
            p.small.soft { "Moran's I of what counts leave over their expectation, between stretches that touch; its tail comes from maps in which the reports are handed out by expectation. Near zero: no resemblance. The median over allocations of the records that may lie on several segments." }
        }
    }
}

fn together(rows: &[TogetherRow]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Trails" } th.num scope="col" { "Rate" } th.num scope="col" { "95 % interval" }
                th.num scope="col" { "Encounters" } th.num scope="col" { "km walked" }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (row.name) }
                td.num data-label="Rate" { (format_rate(row.rate.value)) }
                td.num data-label="95 % interval" { (format_rate(row.rate.lower)) "–" (format_rate(row.rate.upper)) }
                (behind_cells(&row.behind))
            } } }
        }
    }
}

fn ranks(page: &RatesPage) -> Markup {
    html! {
        @if let Some(pages) = page.pages {
            p.small.soft #ranked { "Page " (pages.number) " of " (pages.n_pages) ": " (thousands(pages.n_rows as i64)) " stretches, by falling lower limit of the rate. The " a href="/study" { "study" } " has all in one table." }
        }
        table.stack {
            thead { tr {
                th scope="col" { "Stretch" } th.num scope="col" { "Rate" } th.num scope="col" { "95 % interval" } th scope="col" { "Interval" }
                th.num scope="col" { "Encounters" } th.num scope="col" { "km walked" }
                th.num scope="col" { "Rank, 95 % limits" } th.num scope="col" { "In the first ten" } th.num scope="col" { "Chance of being above" } th scope="col" { "Called" }
            } }
            tbody { @for row in &page.rows { tr {
                th scope="row" { a href=(row.href) { (row.name) } }
                td.num data-label="Rate" { (format_rate(row.rate.value)) }
                td.num data-label="95 % interval" { (format_rate(row.rate.lower)) "–" (format_rate(row.rate.upper)) }
                td data-label="Interval" { (interval_bar(row.rate, row.class)) }
                (behind_cells(&row.behind))
                td.num data-label="Rank, 95 % limits" { (format!("{:.0}–{:.0}", row.rank.0, row.rank.1)) }
                td.num data-label="In the first ten" { (percent(row.top_share)) }
                td.num data-label="Chance of being above" { (probability(row.exceedance)) }
                td data-label="Called" { @match row.call { Call::Called => "called", Call::NotCalled => "" } }
            } } }
        }
        @if let Some(pages) = page.pages { (paging::nav(pages, "/rates", "#ranked")) }
    }
}

fn behind_cells(behind: &Behind) -> Markup {
    html! {
        td.num data-label="Encounters" { (format_count(behind.count)) }
        td.num data-label="km walked" { (behind.km_words()) }
    }
}

fn strata(page: &RatesPage) -> Markup {
    html! {
        table.stack {
            thead { tr { th scope="col" { "Stratum" } th.num scope="col" { "Stretches" } th.num scope="col" { "Encounters" } th.num scope="col" { "km walked" } th.num scope="col" { "Mean rate" } th.num scope="col" { "95 % interval" } th.num scope="col" { "Variation" } th scope="col" { "Told apart" } } }
            tbody { @for row in &page.strata { tr {
                th scope="row" { (row.name) }
                td.num data-label="Stretches" { (row.n_units) }
                (behind_cells(&row.behind))
                td.num data-label="Mean rate" { (format_rate(row.mean.value)) }
                td.num data-label="95 % interval" { (format_rate(row.mean.lower)) "–" (format_rate(row.mean.upper)) }
                td.num data-label="Variation" { (format!("{:.2} ({:.2}–{:.2})", row.variation.value, row.variation.lower, row.variation.upper)) }
                td.prose data-label="Told apart" { (row.spread) }
            } } }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<RatesPage> {
    let rate = Estimate { value: 5.3, lower: 3.6, upper: 7.3 };
    let row = RankRow {
        name: "Ledge Walk, km 0.40 to 0.73".to_owned(),
        href: "/stretch/0".to_owned(),
        rate,
        class: Some(4),
        behind: figure::behind(&figure::sample()),
        rank: (1.0, 6.0),
        top_share: 0.97,
        exceedance: 0.93,
        call: Call::Called,
    };
    let page = RatesPage {
        sentence: "1 of 12 stretches stands out; 0.1 of such calls is expected to be wrong.".to_owned(),
        rule: "A stretch is called at a probability of 0.8.".to_owned(),
        together: vec![TogetherRow {
            name: "whose walking is known",
            behind: figure::behind(&figure::sample()),
            rate,
        }],
        rows: vec![row.clone(), RankRow { call: Call::NotCalled, exceedance: 0.31, ..row }],
        pages: Some(Pages { number: 2, n_pages: 3, n_rows: 92 }),
        not_ranked: "3 stretches are not ranked.".to_owned(),
        strata_are: "each trail by itself",
        strata: vec![StratumRow {
            name: "Ledge Walk".to_owned(),
            n_units: 7,
            behind: Behind {
                count: 91.0,
                walked_km: Estimate { value: 31_000.0, lower: 26_500.0, upper: 36_200.0 },
            },
            mean: rate,
            variation: Estimate { value: 0.6, lower: 0.2, upper: 1.4 },
            spread: "not surely; probability that all rates are the same 0.41".to_owned(),
        }],
        pattern: vec![("Before the fit", "I = 0.21, p 0.012, 64 stretches".to_owned())],
        scatter: Some(Scatter {
            description: "What is left over".to_owned(),
            points: vec![(0.4, -0.2, "Ledge Walk, km 0.40 to 0.73".to_owned())],
            across: "left over on a stretch, standard deviations".to_owned(),
            up: "mean of its neighbours".to_owned(),
        }),
    };
    let none = RatesPage {
        rows: Vec::new(),
        pages: None,
        strata: Vec::new(),
        not_ranked: String::new(),
        scatter: None,
        ..page.clone()
    };
    vec![page, none]
}
