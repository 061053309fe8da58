//! Where encounters lie close together: along the trails, in the plane, and relative to walking.

use maud::Markup;
use maud::html;

use crate::derived::density::JunctionRule;
use crate::derived::density::Kernel;
use crate::domain::encounter::EffortKind;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::thousands;
use crate::web::views::charts::times;
use crate::web::views::figure::Behind;
use crate::web::views::figure::format_count;
use crate::web::views::line_chart;
use crate::web::views::line_chart::LineChart;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// The page.
#[derive(Debug, Clone)]
pub struct DensityPage {
    /// What is shown.
    pub shown: Shown,
    /// The choices of the form.
    pub choices: Choices,
    /// The map with what stands beside it, or why there is none.
    pub answer: Result<Answer, String>,
    /// The address of the same as a layer.
    pub layer: String,
}

/// Which of the densities.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shown {
    /// Encounters a kilometre of trail.
    Trails,
    /// Encounters a square kilometre.
    Plane,
    /// Encounters over walking, against even risk.
    Relative,
}

impl Shown {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Relative, Self::Trails, Self::Plane];

    /// The term in addresses.
    pub fn term(self) -> &'static str {
        match self {
            Self::Trails => "trails",
            Self::Plane => "plane",
            Self::Relative => "relative",
        }
    }

    /// The words on pages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Trails => "records along the trails",
            Self::Plane => "records on the map",
            Self::Relative => "records relative to walking",
        }
    }
}

/// What the form holds.
#[derive(Debug, Clone)]
pub struct Choices {
    /// The effort kind.
    pub effort: EffortKind,
    /// The kernel.
    pub kernel: Kernel,
    /// The rule at junctions.
    pub rule: JunctionRule,
    /// The bandwidth as written: empty for the setting, metres, or "likelihood".
    pub bandwidth: String,
}

/// The map with what stands beside it.
#[derive(Debug, Clone)]
pub struct Answer {
    /// The everyday sentence.
    pub sentence: String,
    /// The map.
    pub drawing: MapDrawing,
    /// The words of the five classes, lowest first.
    pub classes: [String; 5],
    /// What the classes are of.
    pub caption: String,
    /// How it was computed, a line each.
    pub rules: Vec<String>,
    /// Log likelihood by bandwidth, where the bandwidth was chosen by it.
    pub likelihood: Option<LineChart>,
    /// Where the records lie closest, by trail.
    pub trails: Vec<TrailRow>,
    /// The runs of trail outside the tolerance contours, where these are shown.
    pub outside: Vec<OutsideRow>,
}

/// One trail.
#[derive(Debug, Clone)]
pub struct TrailRow {
    /// Its name.
    pub name: String,
    /// Its length, kilometres.
    pub length_km: f64,
    /// Encounters tied to it, one that may lie on either of two trails shared out.
    pub count: f64,
    /// Mean encounters a kilometre of trail.
    pub mean_per_km: f64,
    /// Highest encounters a kilometre of trail.
    pub highest_per_km: f64,
}

/// One run of trail outside the tolerance contours.
#[derive(Debug, Clone)]
pub struct OutsideRow {
    /// The trail.
    pub trail: String,
    /// Metres from the start of the trail's run to the start and end.
    pub between_m: (f64, f64),
    /// Whether there are more records than even risk gives, or fewer.
    pub side: Side,
    /// The smoothed ratio to even risk that is farthest from one.
    pub ratio: f64,
    /// Tolerance limits of the ratio there: what even risk gives.
    pub even: Option<(f64, f64)>,
    /// Encounters and walking on the whole of it.
    pub behind: Behind,
    /// Encounters over what even risk gives on the whole of it, not smoothed.
    pub as_counted: Estimate,
    /// The least pointwise two-sided p.
    pub p_value: f64,
}

/// A side of the tolerance contours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// More records than even risk gives.
    More,
    /// Fewer.
    Fewer,
}

/// The page's body.
pub fn body(page: &DensityPage) -> Markup {
    html! {
        h1 { "Density of encounters" }
        (form(page))
        @match &page.answer {
            Ok(answer) => (shown(page, answer)),
            Err(reason) => p.card { (reason) },
        }
    }
}

fn form(page: &DensityPage) -> Markup {
    let choices = &page.choices;
    html! {
        form.card.row method="get" action="/density" {
            label { "Show" select name="show" { @for shown in Shown::ALL { option value=(shown.term()) selected[shown == page.shown] { (shown.words()) } } } }
            label { "Effort kind (never pooled)" select name="effort" { @for kind in EffortKind::ALL { option value=(kind.term()) selected[*kind == choices.effort] { (kind.term()) } } } }
            label { "Kernel" select name="kernel" { @for kernel in Kernel::ALL { option value=(kernel.term()) selected[kernel == choices.kernel] { (kernel.term()) } } } }
            label { "At junctions" select name="rule" { @for rule in JunctionRule::ALL { option value=(rule.term()) selected[rule == choices.rule] { (rule.term()) } } } }
            label { "Bandwidth: metres, or \"likelihood\"" input name="bandwidth" value=(choices.bandwidth) size="12" placeholder="as set"; }
            button.main type="submit" { "Show" }
        }
    }
}

fn shown(page: &DensityPage, answer: &Answer) -> Markup {
    html! {
        p { (answer.sentence) }
        section.card {
            div.map-box { (svg_map::draw(&answer.drawing)) }
            (legend(page.shown, answer))
        }
        @if page.shown == Shown::Relative { (outside(&answer.outside)) }
        (trails(&answer.trails))
        section.card {
            h2 { "How it was computed" }
            ul { @for line in &answer.rules { li { (line) } } }
            @if let Some(chart) = &answer.likelihood {
                h3 { "Which bandwidth predicts best" }
                (line_chart::draw(chart))
                p.small.soft { "Each encounter is predicted by all others; the higher the curve, the better. One encounter a snake and day counts, and no bandwidth below the median error of the positions is tried." }
            }
            p.small { a href=(page.layer) { "This density as a map layer (GeoJSON)" } }
        }
    }
}

fn legend(shown: Shown, answer: &Answer) -> Markup {
    let sample = |class: &str| html! { svg width="40" height="8" aria-hidden="true" { path class=(class) d="M0 4H40" {} } };
    let area = |class: usize| html! { svg width="40" height="14" aria-hidden="true" { rect class={ "f" (class) } width="40" height="14" {} } };
    html! {
        table.legend-table {
            caption { (answer.caption) }
            thead { tr { @for name in &answer.classes { th scope="col" { (name) } } } }
            tbody { tr { @for class in 0..5 { td {
                @if shown == Shown::Plane { (area(class)) } @else { (sample(&format!("narrow c{class}"))) }
            } } } }
        }
        @match shown {
            Shown::Relative => p.small.soft {
                "Solid: outside the 95 % tolerance contours, so even risk seldom gives as much, or as little. "
                svg width="40" height="8" aria-hidden="true" { path.too-wide d="M0 4H40" {} path.too-wide-core d="M0 4H40" {} }
                " within them: even risk may look like this, and the map makes no statement. Dotted: no walking recorded, or walking assumed and not judged."
            },
            Shown::Trails => p.small.soft { "Records smoothed along the trails, without regard to how many people walk: where many walk, many meet. No interval belongs to it; rates have theirs on the map." },
            Shown::Plane => p.small.soft { "Records smoothed over the map, without regard to how many people walk. Dotted: the trails. No interval belongs to it; rates have theirs on the map." },
        }
    }
}

fn outside(rows: &[OutsideRow]) -> Markup {
    html! {
        section.card {
            h2 { "Outside what even risk gives" }
            p.small.soft { "Pointwise: one twentieth of a map of even risk lies outside as well. To find places that stand out after correction for having looked everywhere, use the cluster pages, not this table." }
            p.small.soft { "Times even risk is the smoothed ratio farthest from one, with its 95 % tolerance limits: what maps of even risk give there. Parts are whole segments more than half of which lies outside, as in the study. As counted is of the whole part, nothing smoothed, with exact 95 % limits that allow for how well the walking is known. The parts were picked because they stand out, so that both come out farther from one than the truth." }
            @if rows.is_empty() { p { "No part of any trail lies outside the tolerance contours." } } @else {
                table.stack {
                    thead { tr { th scope="col" { "Trail" } th.num scope="col" { "From–to, m" } th scope="col" { "Records" } th.num scope="col" { "Encounters" } th.num scope="col" { "km walked" } th.num scope="col" { "As counted, times even risk" } th.num scope="col" { "Times even risk" } th.num scope="col" { "Even risk gives" } th.num scope="col" { "Least p" } } }
                    tbody { @for row in rows { tr {
                        th scope="row" { (row.trail) }
                        td.num data-label="From–to, m" { (thousands(row.between_m.0.round() as i64)) "–" (thousands(row.between_m.1.round() as i64)) }
                        td data-label="Records" { @match row.side { Side::More => "more", Side::Fewer => "fewer" } }
                        td.num data-label="Encounters" { (format_count(row.behind.count)) }
                        td.num data-label="km walked" { (row.behind.km_words()) }
                        td.num data-label="As counted, times even risk" { (times(row.as_counted.value)) " (" (times(row.as_counted.lower)) "–" (times(row.as_counted.upper)) ")" }
                        td.num data-label="Times even risk" { (times(row.ratio)) }
                        td.num data-label="Even risk gives" { @match row.even { Some((lower, upper)) => { (times(lower)) "–" (times(upper)) }, None => "not estimable" } }
                        td.num data-label="Least p" { (format!("{:.3}", row.p_value)) }
                    } } }
                }
            }
        }
    }
}

fn trails(rows: &[TrailRow]) -> Markup {
    html! {
        section.card {
            h2 { "Records by trail" }
            p.small.soft { "The mean is of the smoothed density: near a junction a record counts in part for the other trails too." }
            table.stack {
                thead { tr { th scope="col" { "Trail" } th.num scope="col" { "Records" } th.num scope="col" { "Length, km" } th.num scope="col" { "Mean, a km" } th.num scope="col" { "Highest, a km" } } }
                tbody { @for row in rows { tr {
                    th scope="row" { (row.name) }
                    td.num data-label="Records" { (format_count(row.count)) }
                    td.num data-label="Length, km" { (format!("{:.1}", row.length_km)) }
                    td.num data-label="Mean, a km" { (format_rate(row.mean_per_km)) }
                    td.num data-label="Highest, a km" { (format_rate(row.highest_per_km)) }
                } } }
            }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<DensityPage> {
    let line = |class| svg_map::MapLine {
        points: vec![[0.0, f64::from(class) * 100.0], [900.0, 400.0]],
        stroke: svg_map::Stroke::Narrow(class),
        href: String::new(),
        title: "Ledge Walk".to_owned(),
        picked: false,
    };
    let chart = LineChart {
        description: "Log likelihood by bandwidth".to_owned(),
        lines: vec![line_chart::Line {
            label: String::new(),
            points: vec![[25.0, -900.0], [200.0, -850.0], [3000.0, -880.0]],
            band: Vec::new(),
        }],
        across: line_chart::Across::Logarithmic,
        ticks_across: vec![(50.0, "50".to_owned()), (500.0, "500".to_owned())],
        ticks_up: vec![(-900.0, "-900".to_owned()), (-850.0, "-850".to_owned())],
        unit_up: "log likelihood".to_owned(),
        unit_across: "bandwidth, m".to_owned(),
        mark: Some((200.0, "200 m".to_owned())),
    };
    let answer = Answer {
        sentence: "On 1.2 km of 30.0 km of trail there are more records than even risk gives.".to_owned(),
        drawing: MapDrawing { lines: vec![line(1), line(4)], ..MapDrawing::default() },
        classes: ["< 0.5", "0.5–1", "1–2", "2–4", "> 4"].map(str::to_owned),
        caption: "Times what even risk gives".to_owned(),
        rules: vec!["quartic kernel, bandwidth 200 m".to_owned()],
        likelihood: Some(chart),
        trails: vec![TrailRow {
            name: "Ledge Walk".to_owned(),
            length_km: 6.2,
            count: 77.0,
            mean_per_km: 12.5,
            highest_per_km: 41.0,
        }],
        outside: vec![OutsideRow {
            trail: "Ledge Walk".to_owned(),
            between_m: (1200.0, 1650.0),
            side: Side::More,
            ratio: 2.31,
            even: Some((0.42, 1.83)),
            behind: Behind {
                count: 19.0,
                walked_km: Estimate { value: 2450.0, lower: 2010.0, upper: 2980.0 },
            },
            as_counted: Estimate { value: 1.97, lower: 1.15, upper: 3.2 },
            p_value: 0.01,
        }],
    };
    let page = DensityPage {
        shown: Shown::Relative,
        choices: Choices {
            effort: EffortKind::Report,
            kernel: Kernel::Quartic,
            rule: JunctionRule::Continuous,
            bandwidth: "likelihood".to_owned(),
        },
        answer: Ok(answer.clone()),
        layer: "/layers/density.geojson?show=relative".to_owned(),
    };
    let shape = svg_map::MapShape {
        rings: vec![vec![[0.0, 0.0], [300.0, 0.0], [0.0, 300.0]]],
        class: 2,
        opacity: 0.8,
    };
    let plane = Answer {
        drawing: MapDrawing { lines: vec![line(0)], shapes: vec![shape], ..MapDrawing::default() },
        outside: Vec::new(),
        likelihood: None,
        ..answer
    };
    vec![
        page.clone(),
        DensityPage { shown: Shown::Plane, answer: Ok(plane), ..page.clone() },
        DensityPage { answer: Err("Only reports are divided by walking.".to_owned()), ..page },
    ]
}
