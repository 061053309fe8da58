//! Clusters: where encounters gather beyond what the walking there explains.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::interval_bar;
use crate::web::views::charts::thousands;
use crate::web::views::figure;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// The page.
#[derive(Debug, Clone)]
pub struct ClustersPage {
    /// The trails by rate with the outlines of what stands out.
    pub drawing: MapDrawing,
    /// Class bounds of the trails' colours, per 1,000 km walked.
    pub bounds: [f64; 4],
    /// What was found, or why nothing can be looked for.
    pub answer: Result<Clusters, String>,
    /// What stands out period by period, or why nothing can be looked for.
    pub periods: Result<ByPeriod, String>,
    /// What takes no part and why, a line each.
    pub left_out: Vec<String>,
}

/// What stands out in each period.
#[derive(Debug, Clone)]
pub struct ByPeriod {
    /// The name of the cut in addresses: months, quarters or parts.
    pub cut: &'static str,
    /// The periods in order, every report counted.
    pub periods: Vec<PeriodRow>,
    /// The same with every known snake counted once in each; none where no known snake was reported twice in one.
    pub once: Option<Vec<PeriodRow>>,
    /// Known snakes that were reported more than once in some period.
    pub n_repeated: usize,
    /// What was compared, in words.
    pub basis: String,
    /// What becomes of reports whose time does not tell the period, a sentence or two.
    pub untimed: Vec<String>,
}

/// One period.
#[derive(Debug, Clone)]
pub struct PeriodRow {
    /// Its name.
    pub name: String,
    /// Reports looked at.
    pub n_reports: f64,
    /// Reports on trails that the season-hour curve gave the period, mean over draws.
    pub n_allotted: f64,
    /// Groups of segments that stand out, or why the period cannot be looked at.
    pub groups: Result<Vec<ClusterRow>, String>,
}

/// What was found.
#[derive(Debug, Clone)]
pub struct Clusters {
    /// Every report counted.
    pub all: Counted,
    /// Every known snake counted once; none where no known snake was reported twice.
    pub once: Option<Counted>,
    /// Known snakes that were reported more than once.
    pub n_repeated: usize,
    /// The level of p and q.
    pub level: f64,
    /// How it was computed, a line each.
    pub method: Vec<String>,
}

/// One way of counting.
#[derive(Debug, Clone)]
pub struct Counted {
    /// Reports looked at.
    pub n_reports: f64,
    /// Dispersion and the number of windows, in words.
    pub basis: String,
    /// Windows of the scan, the likeliest first.
    pub windows: Vec<ClusterRow>,
    /// Groups of segments that stand out with their neighbours.
    pub groups: Vec<ClusterRow>,
    /// What local Moran's I says, in words.
    pub moran: String,
}

/// One cluster.
#[derive(Debug, Clone)]
pub struct ClusterRow {
    /// Trails and segments.
    pub name: String,
    /// The page of its stretch.
    pub href: String,
    /// Whether it holds more than expected, else fewer.
    pub is_more: bool,
    /// Reports, mean over draws.
    pub count: f64,
    /// Reports expected.
    pub expected: f64,
    /// Reports over expectation.
    pub ratio: Estimate,
    /// Its p-value.
    pub p_value: f64,
    /// Its q-value; none for windows.
    pub q_value: Option<f64>,
    /// Whether it stands out at the level.
    pub stands_out: bool,
}

/// The page's body.
pub fn body(page: &ClustersPage) -> Markup {
    html! {
        h1 { "Clusters" }
        p.soft {
            "Parts of the trails with more reported encounters than the walking there explains, after correction for having looked "
            "everywhere. A busy trail alone makes no cluster, and no rate is compared here."
        }
        @match &page.answer {
            Err(reason) => {
                section.card { p { (reason) } }
                div.cluster-map { (svg_map::draw(&page.drawing)) }
                (left_out(page))
            }
            Ok(clusters) => {
                section.card {
                    h2 { "What stands out" }
                    @for sentence in sentences(clusters) { p { (sentence) } }
                    (cautions())
                }
                div.cluster-map { (svg_map::draw(&page.drawing)) }
                p.small.soft { "A dotted outline: more reports than expected, found by either method with every report counted. Colours are those of the map of rates." }
                details.card { summary { "Legend of the trails" } (figure::legend(page.bounds)) }
                (counted("Every report counted", &clusters.all, clusters.level))
                @match &clusters.once {
                    Some(once) => {
                        (counted("Every known snake counted once", once, clusters.level))
                        p.small.soft {
                            (repeated(clusters.n_repeated)) " reported more than once. One report of each is taken, another one in each "
                            "draw. What stands out above but not here may be one snake that many parties met."
                        }
                    }
                    None => { section.card {
                        h2 { "Every known snake counted once" }
                        p { "No known snake was reported more than once, so the figures are the same. Snakes that nobody recognised may still have been met several times." }
                    } }
                }
                @match &page.periods {
                    Ok(found) => (by_period(found, clusters.level)),
                    Err(reason) => section.card #periods { h2 { "Period by period" } p { (reason) } },
                }
                (left_out(page))
                section.card {
                    h2 { "How it was computed" }
                    ul { @for line in &clusters.method { li { (line) } } }
                }
            }
        }
    }
}

const CUTS: [(&str, &str); 3] =
    [("months", "by month"), ("quarters", "by quarter of the year"), ("parts", "by part of the day")];

fn by_period(found: &ByPeriod, level: f64) -> Markup {
    let n_groups = |row: &PeriodRow| row.groups.as_ref().map_or(0, Vec::len);
    let n_standing: usize = found.periods.iter().map(n_groups).sum();
    html! {
        section.card #periods {
            h2 { "Period by period" }
            @if n_standing == 0 {
                p { "In no period does a part of the trails stand out from the others, after correction for having looked at every segment in every period." }
            }
            p.small {
                @for (term, words) in CUTS {
                    @if term == found.cut { strong { (words) } } @else { a href=(format!("/clusters?periods={term}#periods")) { (words) } }
                    " "
                }
            }
            @for words in &found.untimed { p.small { (words) } }
            (period_table(&found.periods))
            @match &found.once {
                Some(once) => {
                    h3 { "Every known snake counted once in each period" }
                    p.small.soft {
                        (repeated(found.n_repeated)) " reported more than once in a period. What stands out above but not here may be one snake that "
                        "many parties met."
                    }
                    (period_table(once))
                }
                None => p.small.soft { "No known snake was reported more than once in a period, so that counting each once changes nothing." },
            }
            p.small.soft { (found.basis) " Shown up to a q of " (level) "." }
        }
    }
}

fn period_table(periods: &[PeriodRow]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Period" } th.num scope="col" { "Reports" } th.num scope="col" { "On trails by the curve" } th scope="col" { "Where" } th scope="col" { "Side" }
                th.num scope="col" { "Reports there" } th.num scope="col" { "Expected" } th.num scope="col" { "Ratio, 95 % interval" } th.num scope="col" { "q" }
            } }
            tbody { @for period in periods { (period_rows(period)) } }
        }
    }
}

fn period_rows(period: &PeriodRow) -> Markup {
    let head = html! {
        th scope="row" { (period.name) }
        td.num data-label="Reports" { (figure::format_count(period.n_reports)) }
        td.num data-label="On trails by the curve" { (figure::format_count(period.n_allotted)) }
    };
    match &period.groups {
        Err(reason) => html! { tr { (head) td data-label="Where" colspan="6" { (reason) } } },
        Ok(groups) if groups.is_empty() => {
            html! { tr { (head) td data-label="Where" colspan="6" { "nothing stands out" } } }
        }
        Ok(groups) => html! { @for row in groups { tr {
            (head)
            td data-label="Where" { a href=(row.href) { (row.name) } }
            td data-label="Side" { @if row.is_more { "more" } @else { "fewer" } }
            td.num data-label="Reports there" { (figure::format_count(row.count)) }
            td.num data-label="Expected" { (format_rate(row.expected)) }
            td.num data-label="Ratio, 95 % interval" { (ratio(row.ratio.value)) " (" (ratio(row.ratio.lower)) "–" (ratio(row.ratio.upper)) ")" }
            td.num data-label="q" { @if let Some(q) = row.q_value { (p_words(q)) } }
        } } },
    }
}

fn repeated(n: usize) -> String {
    if n == 1 { "One known snake was".to_owned() } else { format!("{n} known snakes were") }
}

fn cautions() -> Markup {
    html! {
        p.small.soft {
            "A cluster says where to look, not why. A part of a trail that does not stand out is not a safe trail. Do not go off the trail "
            "to look for snakes there; stop, back away slowly, give them room. " a href="/about#cautions" { "Cautions" }
        }
    }
}

/// What a manager reads first.
fn sentences(clusters: &Clusters) -> Vec<String> {
    let more: Vec<&ClusterRow> =
        clusters.all.windows.iter().filter(|row| row.stands_out && row.is_more).collect();
    let mut words = Vec::new();
    match more.first() {
        None => words.push(
            "No part of the trails stands out as a whole: the reports lie as the walking lets expect."
                .to_owned(),
        ),
        Some(first) => {
            let n = match more.len() {
                1 => "One part of the trails stands out".to_owned(),
                n => format!("{n} parts of the trails stand out, first"),
            };
            words.push(format!(
                "{n}: {}. {} reports where {} would be expected from how far people walk there, {} times as many \
                 (95 % interval {} to {}); chance alone would give as much somewhere {}.",
                first.name,
                figure::format_count(first.count),
                format_rate(first.expected),
                ratio(first.ratio.value),
                ratio(first.ratio.lower),
                ratio(first.ratio.upper),
                chance(first.p_value),
            ));
            words.extend(stays(clusters, first));
        }
    }
    let groups = clusters.all.groups.iter().filter(|row| row.is_more).count();
    if groups > 0 {
        let verb = if groups == 1 { "group of segments stands out" } else { "groups of segments stand out" };
        words.push(format!("Looked at segment by segment with their neighbours, {groups} {verb}."));
    }
    words
}

/// Whether the first cluster stays when known snakes count once.
fn stays(clusters: &Clusters, first: &ClusterRow) -> Option<String> {
    let once = clusters.once.as_ref()?;
    let trail = |name: &str| name.split(',').next().unwrap_or_default().to_owned();
    let same = |row: &&ClusterRow| row.stands_out && row.is_more && trail(&row.name) == trail(&first.name);
    Some(match once.windows.iter().find(same) {
        Some(row) => format!(
            "With every known snake counted once, {} still stands out ({} reports, {} expected, {} times).",
            row.name,
            figure::format_count(row.count),
            format_rate(row.expected),
            ratio(row.ratio.value),
        ),
        None => "With every known snake counted once it no longer stands out: it may be a snake that many parties met."
            .to_owned(),
    })
}

fn chance(p_value: f64) -> String {
    let n_maps = (p_value * 1000.0).ceil().max(1.0);
    if n_maps < 2.0 {
        "on 1 map in 1,000 or fewer".to_owned()
    } else {
        format!("on about {n_maps} maps in 1,000")
    }
}

/// A ratio with the two places that tell 0.04 from 0.4.
fn ratio(value: f64) -> String {
    if value >= 9.95 { format_rate(value) } else { format!("{value:.2}") }
}

fn counted(title: &str, counted: &Counted, level: f64) -> Markup {
    html! {
        section.card {
            h2 { (title) }
            p.small.soft { (thousands(counted.n_reports.round() as i64)) " reports. " (counted.basis) }
            h3 { "Parts of the trails, by the scan" }
            @if counted.windows.is_empty() {
                p { "No part of the trails is small enough to be compared with the rest: see the largest window among the parameters." }
            } @else {
                (table(&counted.windows))
                @if counted.windows.iter().any(|row| !row.stands_out) {
                    p.small.soft { "A row in brackets does not stand out (p above " (level) "); it says how far from it the next part is." }
                }
            }
            h3 { "Segments with their neighbours" }
            @if counted.groups.is_empty() {
                p { "No segment stands out with its neighbours (q above " (level) " everywhere)." }
            } @else { (table(&counted.groups)) }
            p.small.soft { (counted.moran) }
        }
    }
}

fn table(rows: &[ClusterRow]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Where" } th scope="col" { "Side" } th.num scope="col" { "Reports" } th.num scope="col" { "Expected" }
                th.num scope="col" { "Ratio" } th.num scope="col" { "95 % interval" } th scope="col" { "Interval" }
                th.num scope="col" { "p" } th.num scope="col" { "q" }
            } }
            tbody { @for row in rows { (table_row(row)) } }
        }
    }
}

fn table_row(row: &ClusterRow) -> Markup {
    html! {
        tr {
            th scope="row" {
                @if row.stands_out { a href=(row.href) { (row.name) } } @else { "(" (row.name) ")" }
            }
            td data-label="Side" { @if row.is_more { "more" } @else { "fewer" } }
            td.num data-label="Reports" { (figure::format_count(row.count)) }
            td.num data-label="Expected" { (format_rate(row.expected)) }
            td.num data-label="Ratio" { (ratio(row.ratio.value)) }
            td.num data-label="95 % interval" { (ratio(row.ratio.lower)) "–" (ratio(row.ratio.upper)) }
            td data-label="Interval" { (interval_bar(row.ratio, None)) }
            td.num data-label="p" { (p_words(row.p_value)) }
            td.num data-label="q" { @match row.q_value { Some(q) => (p_words(q)), None => "over all windows" } }
        }
    }
}

fn p_words(p_value: f64) -> String {
    if p_value < 0.001 { "< 0.001".to_owned() } else { format!("{p_value:.3}") }
}

fn left_out(page: &ClustersPage) -> Markup {
    html! {
        section.card {
            h2 { "What takes no part" }
            @if page.left_out.is_empty() { p { "All segments are looked at, and all reports that lie on them." } } @else {
                ul { @for line in &page.left_out { li { (line) } } }
            }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<ClustersPage> {
    let row = |name: &str, p_value: f64, is_more: bool| ClusterRow {
        name: name.to_owned(),
        href: "/stretch/3".to_owned(),
        is_more,
        count: 18.0,
        expected: 6.2,
        ratio: Estimate { value: 2.9, lower: 1.7, upper: 4.7 },
        p_value,
        q_value: None,
        stands_out: p_value <= 0.05,
    };
    let group = ClusterRow { q_value: Some(0.004), ..row("Ledge Walk, segments 4 to 6", 0.0001, true) };
    let fewer = ClusterRow { count: 1.0, expected: 9.0, ..row("Swale Path, segments 1 to 9", 0.03, false) };
    let all = Counted {
        n_reports: 612.0,
        basis: "1,204 windows compared.".to_owned(),
        windows: vec![
            row("Ledge Walk, segments 3 to 7", 0.001, true),
            fewer,
            row("Mill Path, segment 2", 0.4, true),
        ],
        groups: vec![group],
        moran: "Local Moran's I: 3 segments with more reports than expected beside others of their kind."
            .to_owned(),
    };
    let once = Counted {
        n_reports: 588.0,
        windows: vec![row("Mill Path, segment 2", 0.3, true)],
        groups: Vec::new(),
        ..all.clone()
    };
    let drawing = MapDrawing {
        description: "Trails with clusters".to_owned(),
        outlines: vec![svg_map::MapOutline {
            rings: vec![vec![[0.0, -50.0], [500.0, -50.0], [500.0, 50.0], [0.0, 50.0]]],
            title: "Ledge Walk, segments 3 to 7".to_owned(),
        }],
        ..MapDrawing::default()
    };
    let period =
        |name: &str, groups| PeriodRow { name: name.to_owned(), n_reports: 41.0, n_allotted: 6.4, groups };
    let periods = ByPeriod {
        cut: "quarters",
        periods: vec![
            period("December to February", Err("too few reports".to_owned())),
            period("March to May", Ok(all.groups.clone())),
            period("June to August", Ok(Vec::new())),
        ],
        once: Some(vec![period("March to May", Ok(Vec::new()))]),
        n_repeated: 1,
        basis: "248 segments and periods were tested together.".to_owned(),
        untimed: vec!["19 reports on trails do not tell their quarter.".to_owned()],
    };
    let clusters = Clusters {
        all: all.clone(),
        once: Some(once),
        n_repeated: 9,
        level: 0.05,
        method: vec!["999 replicates".to_owned()],
    };
    let quiet = Clusters {
        all: Counted { windows: vec![row("Mill Path, segment 2", 0.4, true)], groups: Vec::new(), ..all },
        once: None,
        n_repeated: 0,
        ..clusters.clone()
    };
    let page = ClustersPage {
        drawing,
        bounds: [0.5, 1.0, 2.0, 4.0],
        answer: Ok(clusters),
        periods: Ok(periods),
        left_out: vec![
            "31 segments whose walking is only assumed, with 44 reports: no cluster can be told there."
                .to_owned(),
        ],
    };
    let bare = MapDrawing::default();
    vec![
        page.clone(),
        ClustersPage {
            answer: Ok(quiet),
            periods: Err("No walking in any period.".to_owned()),
            drawing: bare.clone(),
            left_out: Vec::new(),
            ..page.clone()
        },
        ClustersPage {
            answer: Err("No report lies on a trail.".to_owned()),
            drawing: bare,
            periods: Err("No report lies on a trail.".to_owned()),
            ..page
        },
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cluster_that_one_snake_makes_is_said_to_be_one() {
        let words = body(&samples()[0]).into_string();
        assert!(words.contains("it may be a snake that many parties met"));
        assert!(words.contains("18 reports where 6.2 would be expected"));
        assert!(words.contains("(Mill Path, segment 2)"), "what does not stand out is in brackets");
        assert!(body(&samples()[1]).into_string().contains("No part of the trails stands out"));
    }
}
