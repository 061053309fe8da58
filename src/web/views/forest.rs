//! Estimates with their intervals, one a row: the chart of league tables and of shares.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;

/// The axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    /// Shares from 0 to 100 %.
    Share,
    /// Rates on a log scale, with ticks at powers of ten.
    Log,
}

/// One row.
#[derive(Debug, Clone)]
pub struct ForestRow {
    /// What the estimate is of.
    pub label: String,
    /// The counts behind it.
    pub counts: String,
    /// The estimate.
    pub estimate: Estimate,
    /// Class of its mark, 0 to 4.
    pub class: Option<u8>,
}

/// A chart of rows.
#[derive(Debug, Clone)]
pub struct Forest {
    /// What the chart shows, for those who do not see it.
    pub description: String,
    /// The words below the axis.
    pub unit: String,
    /// The axis.
    pub axis: Axis,
    /// What the axis has to hold beside the rows, so that charts to be held beside each other have one.
    pub also: Vec<Estimate>,
    /// The rows, top first.
    pub rows: Vec<ForestRow>,
}

/// Width of the picture in its own units.
const WIDTH: f64 = 720.0;
const LEFT: f64 = 270.0;
const RIGHT: f64 = 120.0;
const ROW: f64 = 20.0;
const BELOW: f64 = 44.0;
/// Rates below this are drawn at the axis' end.
const LOWEST_RATE: f64 = 0.01;

/// Draws the chart.
pub fn draw(forest: &Forest) -> Markup {
    let height = forest.rows.len() as f64 * ROW + BELOW;
    let ticks = ticks(forest);
    let (low, high) = (ticks.first().map_or(0.0, |it| it.0), ticks.last().map_or(1.0, |it| it.0));
    let place = |value: f64| match forest.axis {
        Axis::Share => (value - low) / (high - low),
        Axis::Log => (value.max(low).ln() - low.ln()) / (high.ln() - low.ln()),
    };
    let x = |value: f64| LEFT + (WIDTH - LEFT - RIGHT) * place(value).clamp(0.0, 1.0);
    let bottom = forest.rows.len() as f64 * ROW + 4.0;
    html! {
        svg.chart viewBox={ "0 0 " (WIDTH) " " (height) } role="img" aria-label=(forest.description) {
            @for (value, label) in &ticks {
                path.axis d={ "M" (one(x(*value))) " 2V" (one(bottom)) } {}
                text x=(one(x(*value))) y=(one(bottom + 14.0)) text-anchor="middle" { (label) }
            }
            text x=(one(LEFT)) y=(one(bottom + 32.0)) { (forest.unit) }
            @for (idx, row) in forest.rows.iter().enumerate() {
                @let y = idx as f64 * ROW + 12.0;
                @let mark = row.class.map_or_else(|| "mark".to_owned(), |class| format!("f{class}"));
                text.strong x=(one(LEFT - 10.0)) y=(one(y + 4.0)) text-anchor="end" { (cut(&row.label)) }
                path.whisker d={ "M" (one(x(row.estimate.lower))) " " (one(y)) "H" (one(x(row.estimate.upper))) } {}
                rect class=(mark) x=(one(x(row.estimate.value) - 4.0)) y=(one(y - 4.0)) width="8" height="8" {}
                text x=(one(WIDTH - RIGHT + 10.0)) y=(one(y + 4.0)) { (row.counts) }
            }
        }
    }
}

/// Values and labels of the ticks, the ends of the axis among them.
fn ticks(forest: &Forest) -> Vec<(f64, String)> {
    match forest.axis {
        Axis::Share => (0..=4).map(|step| (f64::from(step) / 4.0, format!("{} %", step * 25))).collect(),
        Axis::Log => {
            let values = forest.rows.iter().map(|row| row.estimate).chain(forest.also.iter().copied());
            let low = values.clone().map(|it| it.lower).fold(f64::INFINITY, f64::min).clamp(LOWEST_RATE, 1.0);
            let high = values.map(|it| it.upper).fold(0.0, f64::max).clamp(1.0, 1e6);
            let (first, last) = (low.log10().floor() as i32, high.log10().ceil() as i32);
            (first..=last.max(first + 1))
                .map(|power| 10f64.powi(power))
                .map(|it| (it, format!("{it}")))
                .collect()
        }
    }
}

/// A label that fits the room beside the axis.
fn cut(label: &str) -> String {
    const MOST: usize = 42;
    match label.chars().count() > MOST {
        true => label.chars().take(MOST - 1).chain(['…']).collect(),
        false => label.to_owned(),
    }
}

fn one(value: f64) -> String {
    format!("{value:.1}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn forest(axis: Axis, estimates: &[(f64, f64, f64)]) -> Forest {
        let row = |(value, lower, upper): &(f64, f64, f64)| ForestRow {
            label: "a".repeat(60),
            counts: "3 of 9".to_owned(),
            estimate: Estimate { value: *value, lower: *lower, upper: *upper },
            class: Some(2),
        };
        let rows = estimates.iter().map(row).collect();
        Forest { description: "d".to_owned(), unit: "per 1,000 km".to_owned(), axis, also: Vec::new(), rows }
    }

    #[test]
    fn a_log_axis_spans_its_intervals_in_powers_of_ten() {
        let labels = |forest: &Forest| ticks(forest).into_iter().map(|it| it.1).collect::<Vec<_>>();
        assert_eq!(labels(&forest(Axis::Log, &[(2.0, 0.3, 40.0)])), ["0.1", "1", "10", "100"]);
        assert_eq!(labels(&forest(Axis::Log, &[])), ["1", "10"]);
        let beside = vec![Estimate { value: 2.0, lower: 0.3, upper: 40.0 }];
        let one_of_two = Forest { also: beside, ..forest(Axis::Log, &[(2.0, 1.0, 3.0)]) };
        assert_eq!(labels(&one_of_two), ["0.1", "1", "10", "100"]);
        assert_eq!(labels(&forest(Axis::Log, &[(0.0, 0.0, 0.001)])), ["0.01", "0.1", "1"]);
    }

    #[test]
    fn nothing_is_drawn_outside_or_undefined() {
        for axis in [Axis::Log, Axis::Share] {
            let drawn =
                draw(&forest(axis, &[(0.0, 0.0, 0.0), (1.0, 0.5, 1.0), (0.2, 0.0, 1e9)])).into_string();
            assert!(!drawn.contains("NaN") && !drawn.contains("inf"), "{drawn}");
            assert!(drawn.contains('…'));
        }
    }
}
