//! How long snakes waited before they reacted.

use maud::Markup;
use maud::html;

use crate::derived::reactions::details::Until;
use crate::domain::encounter::EffortKind;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::line_chart;
use crate::web::views::line_chart::LineChart;
use crate::web::views::reactions;

/// The page.
#[derive(Debug, Clone)]
pub struct LatencyPage {
    /// The effort kind whose encounters are shown: kinds are never pooled.
    pub effort: EffortKind,
    /// What is waited for.
    pub until: Until,
    /// One a kind of contact.
    pub waits: Vec<WaitCard>,
}

/// The wait after one kind of contact.
#[derive(Debug, Clone)]
pub struct WaitCard {
    /// The kind of contact.
    pub contact: String,
    /// Approaches and snakes behind the curve, and what was left out.
    pub counts: String,
    /// The everyday sentence.
    pub sentence: String,
    /// The curve; none where no snake reacted.
    pub chart: Option<LineChart>,
    /// Share that had reacted by a few times.
    pub rows: Vec<WaitRow>,
    /// The median with its limits, in words.
    pub median: String,
}

/// One time.
#[derive(Debug, Clone)]
pub struct WaitRow {
    /// Seconds from the start of the approach.
    pub time_s: f64,
    /// Approaches still watched and without reaction just before.
    pub at_risk: usize,
    /// The share that had reacted by then.
    pub share: f64,
    /// Its limits; none where there are none to give.
    pub limits: Option<(f64, f64)>,
}

/// The page's body.
pub fn body(page: &LatencyPage) -> Markup {
    html! {
        h1 { "Time until snakes react" }
        (reactions::do_not_test())
        form.card.row method="get" action="/reactions/latency" {
            label { "Effort kind (never pooled)" select name="effort" { @for kind in EffortKind::ALL { option value=(kind.term()) selected[*kind == page.effort] { (kind.term()) } } } }
            label { "Time until" select name="until" {
                option value="strike" selected[page.until == Until::Strike] { (Until::Strike.words()) }
                option value="reaction" selected[page.until == Until::Reaction] { (Until::Reaction.words()) }
            } }
            button.main type="submit" { "Show" }
        }
        @if page.waits.is_empty() { p.card { "No approaches of this effort kind have times." } }
        @for wait in &page.waits { (card(wait)) }
        p.small.soft {
            "Share that had reacted, after Kaplan and Meier (1958); an approach whose watch ended without a reaction counts as watched up to then. "
            "Where none had reacted yet, limits are exact (Clopper and Pearson 1934) and each snake still watched counts once, however often it was approached; so they are where all reacted at once. "
            "In between, where the same snake was approached again, whole snakes are drawn again and again, and limits are never narrower than Greenwood's, which take approaches one by one; "
            "with fewer than ten snakes they are exact, each snake counted once. Where no snake is known to repeat they are Greenwood's. " a href="/reactions" { "Shares by kind of contact" }
            " have limits by snake as well."
        }
    }
}

fn card(wait: &WaitCard) -> Markup {
    html! {
        section.card {
            h2 { (wait.contact) }
            p { (wait.sentence) }
            p.small.soft { (wait.counts) }
            @if let Some(chart) = &wait.chart { (line_chart::draw(chart)) }
            @if !wait.rows.is_empty() {
                table.stack {
                    thead { tr { th scope="col" { "Seconds" } th.num scope="col" { "Still watched" } th.num scope="col" { "Had by then" } th.num scope="col" { "95 % limits" } } }
                    tbody { @for row in &wait.rows { tr {
                        th scope="row" { (row.time_s) " s" }
                        td.num data-label="Still watched" { (row.at_risk) }
                        td.num data-label="Had by then" { (percent(row.share)) }
                        td.num data-label="95 % limits" { @match row.limits { Some((lower, upper)) => { (percent(lower)) "–" (percent(upper)) }, None => "not estimable" } }
                    } } }
                }
            }
            p.small { (wait.median) }
        }
    }
}

/// The curve of the share that had reacted, as steps, with its limits.
pub fn chart(contact: &str, steps: &[(f64, Estimate)], last_s: f64) -> LineChart {
    let mut points = vec![[0.0, 0.0]];
    let mut band = Vec::new();
    let mut at = Estimate { value: 0.0, lower: 0.0, upper: 0.0 };
    for (time_s, next) in steps {
        points.extend([[*time_s, at.value], [*time_s, next.value]]);
        band.extend([[*time_s, at.lower, at.upper], [*time_s, next.lower, next.upper]]);
        at = *next;
    }
    points.push([last_s, at.value]);
    band.push([last_s, at.lower, at.upper]);
    let step = nice_step(last_s);
    let n_steps = (last_s / step - 1e-9).ceil().max(1.0) as usize;
    let highest = steps.iter().map(|(_, at)| at.upper).fold(0.0, f64::max);
    let top = [0.02, 0.05, 0.1, 0.2, 0.5].into_iter().find(|top| highest <= *top).unwrap_or(1.0);
    LineChart {
        description: format!("Share that had reacted by time, {contact}; the table has the numbers"),
        lines: vec![line_chart::Line { label: String::new(), points, band }],
        across: line_chart::Across::Linear,
        ticks_across: (0..=n_steps).map(|k| k as f64 * step).map(|at| (at, format!("{at}"))).collect(),
        ticks_up: [0.0, 0.25, 0.5, 0.75, 1.0].into_iter().map(|at| (at * top, percent(at * top))).collect(),
        unit_up: "reacted".to_owned(),
        unit_across: "seconds".to_owned(),
        mark: None,
    }
}

/// A fifth of the axis, rounded up to 1, 2 or 5 times a power of ten.
fn nice_step(last_s: f64) -> f64 {
    let fifth = (last_s / 5.0).max(0.1);
    let power = 10f64.powf(fifth.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|step| step * power)
        .find(|step| *step >= fifth * 0.999)
        .unwrap_or(fifth)
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<LatencyPage> {
    let steps = [
        (2.0, Estimate { value: 0.05, lower: 0.01, upper: 0.2 }),
        (9.5, Estimate { value: 0.12, lower: 0.05, upper: 0.28 }),
    ];
    let wait = WaitCard {
        contact: "underfoot".to_owned(),
        counts: "41 approaches to 20 snakes; 3 without times are left out".to_owned(),
        sentence: "Within 10 seconds about 1 in 8 had struck (95 % limits 5.0 % to 28 %).".to_owned(),
        chart: Some(chart("underfoot", &steps, 60.0)),
        rows: vec![
            WaitRow { time_s: 0.0, at_risk: 41, share: 0.0, limits: None },
            WaitRow { time_s: 10.0, at_risk: 30, share: 0.12, limits: Some((0.05, 0.28)) },
        ],
        median: "Fewer than half had struck while they were watched (nor does either 95 % limit reach half)."
            .to_owned(),
    };
    let never = WaitCard { chart: None, rows: Vec::new(), contact: "passed".to_owned(), ..wait.clone() };
    let page = LatencyPage { effort: EffortKind::Located, until: Until::Strike, waits: vec![wait, never] };
    vec![page.clone(), LatencyPage { until: Until::Reaction, waits: Vec::new(), ..page }]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axis_is_cut_at_round_seconds() {
        for (last_s, step) in [(60.0, 20.0), (50.0, 10.0), (7.0, 2.0), (0.0, 0.1)] {
            assert!((nice_step(last_s) - step).abs() < 1e-12, "{last_s}: {}", nice_step(last_s));
        }
    }
}
