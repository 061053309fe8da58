//! Counted against expected, and what the counts identify.

use maud::Markup;
use maud::html;

use crate::web::views::charts;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::thousands;
use crate::web::views::exposure::Exposure;

/// One counter site.
#[derive(Debug, Clone)]
pub struct SiteRow {
    /// The counter and where it stood.
    pub name: String,
    /// Dispersion of its daily counts.
    pub dispersion: f64,
    /// All its counts.
    pub whole: PeriodRow,
    /// By month.
    pub months: Vec<PeriodRow>,
    /// By part of the day.
    pub hours: Vec<PeriodRow>,
    /// All its counts against what the prior and all other sites expect of it.
    pub level: PeriodRow,
    /// p of the months, the hours and the level, corrected for the number of tests; none where not tested.
    pub p_values: [Option<f64>; 3],
    /// Whether the months, the hours and the level differ from what the model expects.
    pub differs: [bool; 3],
}

impl SiteRow {
    /// Whether anything differs.
    pub fn is_flagged(&self) -> bool {
        self.differs.contains(&true)
    }
}

/// One period at a site.
#[derive(Debug, Clone)]
pub struct PeriodRow {
    /// The period.
    pub name: String,
    /// Passages counted.
    pub counted: f64,
    /// Passages expected, with the 95 % predictive interval.
    pub expected: Estimate,
    /// Standardised residual.
    pub residual: f64,
}

/// One parameter of the walker model.
#[derive(Debug, Clone)]
pub struct ParameterRow {
    /// What it is about.
    pub name: String,
    /// How it was had.
    pub status: &'static str,
    /// Its value.
    pub value: Estimate,
    /// Its prior: median with 95 % limits.
    pub prior: Estimate,
}

/// The diagnostic.
pub(super) fn section(exposure: &Exposure) -> Markup {
    html! {
        section.card #fit {
            h2 { "Does the model meet what was counted?" }
            p {
                "Squares are what the device counted, bars the 95 % predictive interval of what the model expects it to count in "
                "the hours it was there. One time profile holds for all trailheads; a site whose months or hours differ from it "
                "is named here even where its total fits."
            }
            p {
                "A counter that is off by a constant factor bends the fit until it seems to agree. So each site is also left out: "
                "its count is held against what the stated priors and all other sites expect there. Where the level differs, "
                "either this counter's calibration or its position is wrong, or that of the counters it is held against: see the "
                "sessions of counting by hand. A wide interval says that no other counter knows, and that an error of this size "
                "would not be noticed."
            }
            @if exposure.sites.is_empty() { p { "No counter that walkers pass has readings in the study period." } } @else {
                table.stack {
                    thead { tr {
                        th scope="col" { "Site" } th.num scope="col" { "Counted" } th.num scope="col" { "Expected" } th.num scope="col" { "95 % predictive interval" }
                        th.num scope="col" { "Residual, sd" } th.num scope="col" { "Dispersion" } th.num scope="col" { "p, months" } th.num scope="col" { "p, hours" }
                        th.num scope="col" { "Others expect (95 %)" } th.num scope="col" { "p, level" } th scope="col" { "Finding" }
                    } }
                    tbody { @for site in &exposure.sites { (site_row(site)) } }
                }
            }
            @for site in &exposure.sites { (site_detail(site)) }
            p.small.soft {
                "Residual: counted less expected over the standard deviation of replicated counts. Dispersion: variance of daily counts "
                "over what chance alone gives. p of months and hours: posterior predictive; the counts have served the fit, so they are "
                "conservative. p of the level: normal, of the logarithm of the count over what the others expect. All are corrected "
                "after Holm for the number of sites, kinds of period and levels."
            }
        }
    }
}

fn site_row(site: &SiteRow) -> Markup {
    let p = |value: Option<f64>| value.map_or("not tested".to_owned(), |p| format!("{p:.3}"));
    let n = |value: f64| thousands(value.round() as i64);
    html! { tr {
        th scope="row" { (site.name) }
        (figures(&site.whole))
        td.num data-label="Dispersion" { (format!("{:.1}", site.dispersion)) }
        td.num data-label="p, months" { (p(site.p_values[0])) }
        td.num data-label="p, hours" { (p(site.p_values[1])) }
        td.num data-label="Others expect (95 %)" {
            (n(site.level.expected.value)) " (" (n(site.level.expected.lower)) "–" (n(site.level.expected.upper)) ")"
        }
        td.num data-label="p, level" { (p(site.p_values[2])) }
        td data-label="Finding" { (finding(site)) }
    } }
}

/// "level differs: 2.4 times what the others expect; months differ".
fn finding(site: &SiteRow) -> String {
    let [months, hours, level] = site.differs;
    let times = site.level.counted / site.level.expected.value.max(0.5);
    let level_words = format!("level differs: {times:.1} times what the others expect");
    let found = [(level, level_words.as_str()), (months, "months differ"), (hours, "hours differ")];
    let words: Vec<&str> =
        found.into_iter().filter(|(differs, _)| *differs).map(|(_, words)| words).collect();
    if words.is_empty() { "as expected".to_owned() } else { words.join("; ") }
}

fn figures(row: &PeriodRow) -> Markup {
    let n = |value: f64| thousands(value.round() as i64);
    html! {
        td.num data-label="Counted" { (n(row.counted)) }
        td.num data-label="Expected" { (n(row.expected.value)) }
        td.num data-label="95 % predictive interval" { (n(row.expected.lower)) "–" (n(row.expected.upper)) }
        td.num data-label="Residual, sd" { (residual(row.residual)) }
    }
}

/// With its sign, which rounding leaves out of zero.
fn residual(value: f64) -> String {
    if value.abs() < 0.05 { "0.0".to_owned() } else { format!("{value:+.1}") }
}

fn site_detail(site: &SiteRow) -> Markup {
    html! {
        details open[site.is_flagged()] {
            summary { (site.name) ", by period" }
            (chart(&site.months, "Passages counted and expected by month; the table below has the numbers"))
            @if !site.hours.is_empty() {
                (chart(&site.hours, "Passages counted and expected by part of the day; the table below has the numbers"))
            }
            table.stack {
                thead { tr { th scope="col" { "Period" } th.num scope="col" { "Counted" } th.num scope="col" { "Expected" } th.num scope="col" { "95 % predictive interval" } th.num scope="col" { "Residual, sd" } } }
                tbody { @for row in site.months.iter().chain(&site.hours) { tr { th scope="row" { (row.name) } (figures(row)) } } }
            }
        }
    }
}

fn chart(rows: &[PeriodRow], description: &str) -> Markup {
    let periods: Vec<_> = rows.iter().map(|row| (row.name.clone(), row.counted, row.expected)).collect();
    charts::counted_and_expected(description, &periods)
}

/// What the counts identify.
pub(super) fn identified(exposure: &Exposure) -> Markup {
    html! {
        section.card #identified {
            h2 { "What the counts can tell" }
            ul { @for line in &exposure.identified { li { (line) } } }
            details {
                summary { "All " (exposure.parameters.len()) " parameters of the walker model" }
                table.stack {
                    thead { tr { th scope="col" { "Parameter" } th scope="col" { "Is" } th.num scope="col" { "Mean" } th.num scope="col" { "95 % interval" } th.num scope="col" { "Prior median (95 %)" } } }
                    tbody { @for row in &exposure.parameters { tr {
                        th scope="row" { (row.name) }
                        td data-label="Is" { (row.status) }
                        td.num data-label="Mean" { (figure(row.value.value)) }
                        td.num data-label="95 % interval" { (figure(row.value.lower)) "–" (figure(row.value.upper)) }
                        td.num data-label="Prior median (95 %)" { (figure(row.prior.value)) " (" (figure(row.prior.lower)) "–" (figure(row.prior.upper)) ")" }
                    } } }
                }
            }
        }
    }
}

fn figure(value: f64) -> String {
    if value < 99.5 { format!("{value:.2}") } else { thousands(value.round() as i64) }
}
