//! Charts of numbers against numbers: likelihoods by bandwidth, shares by time.

use maud::Markup;
use maud::html;

/// One line of a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What it is of, for its label at the right end; may be empty.
    pub label: String,
    /// Across and up, in the units of the axes.
    pub points: Vec<[f64; 2]>,
    /// Lower and upper limits at places across, where there are any.
    pub band: Vec<[f64; 3]>,
}

/// How the axis across is divided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Across {
    /// Evenly.
    Linear,
    /// By factors; all places must be above zero.
    Logarithmic,
}

/// A chart.
#[derive(Debug, Clone, PartialEq)]
pub struct LineChart {
    /// What the chart shows, for those who do not see it.
    pub description: String,
    /// The lines.
    pub lines: Vec<Line>,
    /// How the axis across is divided.
    pub across: Across,
    /// Ticks across: place and words.
    pub ticks_across: Vec<(f64, String)>,
    /// Ticks up: place and words; the first and the last bound the chart.
    pub ticks_up: Vec<(f64, String)>,
    /// The words above the axis up.
    pub unit_up: String,
    /// The words below the axis across.
    pub unit_across: String,
    /// A place across that is marked, with words.
    pub mark: Option<(f64, String)>,
}

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 260.0;
const LEFT: f64 = 56.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 44.0;

/// Draws the chart; nothing but its axes without points.
pub fn draw(chart: &LineChart) -> Markup {
    let scale = Scale::of(chart);
    html! {
        svg.chart viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(chart.description) {
            @for (at, words) in &chart.ticks_up {
                path.axis d={ "M" (LEFT) " " (one(scale.y(*at))) "H" (WIDTH - RIGHT) } {}
                text x=(LEFT - 6.0) y=(one(scale.y(*at) + 4.0)) text-anchor="end" { (words) }
            }
            @for (at, words) in &chart.ticks_across {
                path.axis d={ "M" (one(scale.x(*at))) " " (HEIGHT - BOTTOM) "v4" } {}
                text x=(one(scale.x(*at))) y=(HEIGHT - BOTTOM + 18.0) text-anchor="middle" { (words) }
            }
            text x="4" y="12" { (chart.unit_up) }
            text x=(WIDTH - RIGHT) y=(HEIGHT - 6.0) text-anchor="end" { (chart.unit_across) }
            @for line in &chart.lines {
                @if !line.band.is_empty() { polygon.band points=(band(line, &scale)) {} }
            }
            @for (idx, line) in chart.lines.iter().enumerate() {
                path class={ "line c" (4 - (idx % 5)) } d=(path(line, &scale)) { title { (line.label) } }
                @if let Some([x, y]) = line.points.last() {
                    text.strong x=(one(scale.x(*x) - 4.0)) y=(one(scale.y(*y) - 6.0)) text-anchor="end" { (line.label) }
                }
            }
            @if let Some((at, words)) = &chart.mark {
                path.mark-line d={ "M" (one(scale.x(*at))) " " (TOP) "V" (HEIGHT - BOTTOM) } {}
                text.strong x=(one(scale.x(*at).clamp(LEFT + 60.0, WIDTH - 70.0))) y=(TOP - 8.0) text-anchor="middle" { (words) }
            }
        }
    }
}

struct Scale {
    across: Across,
    from: f64,
    to: f64,
    low: f64,
    high: f64,
}

impl Scale {
    fn of(chart: &LineChart) -> Self {
        let place = |x: f64| match chart.across {
            Across::Linear => x,
            Across::Logarithmic => x.ln(),
        };
        let points = chart.lines.iter().flat_map(|line| line.points.iter().map(|point| point[0]));
        let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
        for x in points.chain(chart.ticks_across.iter().map(|(at, _)| *at)) {
            (from, to) = (from.min(place(x)), to.max(place(x)));
        }
        let ends = |first: Option<&(f64, String)>| first.map(|(at, _)| *at);
        let (low, high) = (ends(chart.ticks_up.first()), ends(chart.ticks_up.last()));
        let (low, high) = (low.unwrap_or(0.0), high.unwrap_or(1.0));
        let (from, to) = if from < to { (from, to) } else { (0.0, 1.0) };
        Self { across: chart.across, from, to, low, high: if high > low { high } else { low + 1.0 } }
    }

    fn x(&self, at: f64) -> f64 {
        let place = match self.across {
            Across::Linear => at,
            Across::Logarithmic => at.max(f64::MIN_POSITIVE).ln(),
        };
        LEFT + (place.clamp(self.from, self.to) - self.from) / (self.to - self.from) * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        let share = (value.clamp(self.low, self.high) - self.low) / (self.high - self.low);
        HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)
    }
}

fn path(line: &Line, scale: &Scale) -> String {
    let mut path = String::new();
    for (idx, [x, y]) in line.points.iter().enumerate() {
        let step = if idx == 0 { 'M' } else { 'L' };
        path.push_str(&format!("{step}{} {}", one(scale.x(*x)), one(scale.y(*y))));
    }
    path
}

fn band(line: &Line, scale: &Scale) -> String {
    let uppers = line.band.iter().map(|[x, _, upper]| (x, upper));
    let lowers = line.band.iter().rev().map(|[x, lower, _]| (x, lower));
    let corners = uppers.chain(lowers).map(|(x, y)| format!("{},{}", one(scale.x(*x)), one(scale.y(*y))));
    corners.collect::<Vec<_>>().join(" ")
}

fn one(value: f64) -> String {
    format!("{value:.1}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chart_without_points_still_has_its_axes() {
        let chart = LineChart {
            description: "nothing".to_owned(),
            lines: vec![Line { label: String::new(), points: Vec::new(), band: Vec::new() }],
            across: Across::Logarithmic,
            ticks_across: Vec::new(),
            ticks_up: vec![(0.0, "0".to_owned()), (1.0, "1".to_owned())],
            unit_up: "share".to_owned(),
            unit_across: "seconds".to_owned(),
            mark: None,
        };
        let drawn = draw(&chart).into_string();
        assert!(drawn.contains("seconds") && !drawn.contains("NaN") && !drawn.contains("inf"), "{drawn}");
    }

    #[test]
    fn equal_factors_are_equally_far_apart() {
        let points = vec![[10.0, 0.0], [100.0, 0.5], [1000.0, 1.0]];
        let chart = LineChart {
            description: String::new(),
            lines: vec![Line { label: String::new(), points, band: Vec::new() }],
            across: Across::Logarithmic,
            ticks_across: Vec::new(),
            ticks_up: vec![(0.0, String::new()), (1.0, String::new())],
            unit_up: String::new(),
            unit_across: String::new(),
            mark: None,
        };
        let scale = Scale::of(&chart);
        let (a, b, c) = (scale.x(10.0), scale.x(100.0), scale.x(1000.0));
        assert!(((b - a) - (c - b)).abs() < 1e-9);
        assert!(scale.y(1.0) < scale.y(0.0));
    }
}
