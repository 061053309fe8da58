//! Charts, drawn as SVG on the server.

use maud::Markup;
use maud::html;

/// A number with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Width of an interval's drawing.
const INTERVAL_WIDTH: f64 = 110.0;
/// Where the ticks of an interval stand.
const INTERVAL_TICKS: [f64; 3] = [0.1, 1.0, 10.0];

/// Where a value lies on the axis of an interval, logarithmic from 0.02 to 50.
fn on_interval(value: f64) -> f64 {
    10.0 + 90.0 * (value.clamp(0.02, 50.0).log10() - 0.02f64.log10()) / (50f64 / 0.02).log10()
}

/// An interval as a bar on a log axis with ticks at 0.1, 1 and 10, the estimate a square in its class colour.
pub fn interval_bar(estimate: Estimate, class: Option<u8>) -> Markup {
    html! {
        svg.interval viewBox="0 0 110 16" role="img" width="110" height="16" aria-label=(interval_words(estimate)) {
            (interval_marks(estimate, class))
        }
    }
}

/// A logarithmic axis of doublings that holds all of some intervals, so that rows of a list can be compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharedAxis {
    /// Powers of two at its ends.
    ends: (i32, i32),
    /// Where all trails whose walking is known lie.
    reference: Option<f64>,
}

/// Width of a row's drawing and the room on either side of its axis.
const SHARED_WIDTH: f64 = 330.0;
const SHARED_EDGE: f64 = 8.0;
/// What lies more doublings below the highest is drawn at the end of the axis.
const MOST_DOUBLINGS: i32 = 8;

/// A power of two as its tick has it: one figure where it is small, since "0" is no place on this axis.
fn tick_words(tick: f64) -> String {
    let places = (-tick.log10()).ceil().max(0.0) as usize;
    if tick < 0.095 { format!("{tick:.places$}") } else { format_rate(tick) }
}

/// Share of a drawing's width at either end in which a label would be cut off if it stood in the middle of its tick.
const LABEL_EDGE: f64 = 0.07;

/// The label of a tick: near an end of the drawing it is set towards the middle, so that none is cut off however large letters
/// are.
fn tick_label(at: f64, y: &str, width: f64, words: &str) -> Markup {
    let (class, x) = match at {
        at if at < width * LABEL_EDGE => (Some("at-start"), 0.0),
        at if at > width * (1.0 - LABEL_EDGE) => (Some("at-end"), width),
        at => (None, at),
    };
    html! { text class=[class] x=(one(x)) y=(y) { (words) } }
}

impl SharedAxis {
    /// From the intervals that it has to hold; values of zero lie at its end.
    pub fn of(estimates: &[Estimate], reference: Option<f64>) -> Self {
        let drawn = estimates.iter().flat_map(|it| [it.lower, it.upper]).chain(reference);
        let (low, high) = drawn
            .filter(|value| *value > 0.0)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        if low > high {
            return Self { ends: (-1, 1), reference };
        }
        let top = high.log2().ceil() as i32;
        let bottom = (low.log2().floor() as i32).clamp(top - MOST_DOUBLINGS, top - 1);
        Self { ends: (bottom, top), reference }
    }

    fn x(&self, value: f64) -> f64 {
        let (bottom, top) = (f64::from(self.ends.0), f64::from(self.ends.1));
        let at = if value > 0.0 { value.log2().clamp(bottom, top) } else { bottom };
        SHARED_EDGE + (SHARED_WIDTH - 2.0 * SHARED_EDGE) * (at - bottom) / (top - bottom)
    }

    /// Its doublings, every other one where they lie close.
    fn ticks(&self) -> impl Iterator<Item = f64> + use<> {
        let every = if self.ends.1 - self.ends.0 > 6 { 2 } else { 1 };
        (self.ends.0..=self.ends.1).step_by(every).map(|power| f64::from(power).exp2())
    }

    /// What its ticks stand for.
    pub fn head(&self, description: &str) -> Markup {
        html! {
            svg.shared-axis viewBox="0 0 330 16" role="img" aria-label=(description) {
                @for tick in self.ticks() { (tick_label(self.x(tick), "12", SHARED_WIDTH, &tick_words(tick))) }
            }
        }
    }

    /// An interval on it, the estimate a square in its class colour.
    pub fn row(&self, estimate: Estimate, class: Option<u8>) -> Markup {
        let (from, to) = (self.x(estimate.lower), self.x(estimate.upper));
        html! {
            svg.shared-axis viewBox="0 0 330 18" role="img" aria-label=(interval_words(estimate)) {
                @for tick in self.ticks() { path.tick d={ "M" (one(self.x(tick))) " 2V16" } {} }
                @if let Some(reference) = self.reference { path.reference d={ "M" (one(self.x(reference))) " 0V18" } {} }
                path.whisker d={ "M" (one(from)) " 9H" (one(to)) } {}
                rect class={ "mark" @if let Some(class) = class { " f" (class) } } x=(one(self.x(estimate.value) - 4.5)) y="4.5" width="9" height="9" {}
            }
        }
    }
}

/// The same, large, with what its ticks stand for.
pub fn interval_axis(estimate: Estimate, class: Option<u8>) -> Markup {
    html! {
        svg.interval-axis viewBox="0 0 110 25" role="img" aria-label=(interval_words(estimate)) {
            (interval_marks(estimate, class))
            @for tick in INTERVAL_TICKS { (tick_label(on_interval(tick), "23", INTERVAL_WIDTH, &tick.to_string())) }
        }
    }
}

fn interval_words(estimate: Estimate) -> String {
    let [value, lower, upper] = [estimate.value, estimate.lower, estimate.upper].map(format_rate);
    format!("{value}, from {lower} to {upper}")
}

fn interval_marks(estimate: Estimate, class: Option<u8>) -> Markup {
    let fill = class.map_or_else(|| "mark".to_owned(), |class| format!("f{class}"));
    html! {
        @for tick in INTERVAL_TICKS { path.axis d={ "M" (one(on_interval(tick))) " 1V15" } {} }
        path.whisker d={ "M" (one(on_interval(estimate.lower))) " 8H" (one(on_interval(estimate.upper))) } {}
        rect class=(fill) x=(one(on_interval(estimate.value) - 3.0)) y="5" width="6" height="6" {}
    }
}

/// A rate in the precision that pages use: two figures below 10, none after the point from 10 on.
pub fn format_rate(value: f64) -> String {
    if value >= 9.95 {
        thousands(value.round() as i64)
    } else if value >= 0.095 {
        format!("{value:.1}")
    } else if value >= 0.005 {
        format!("{value:.2}")
    } else {
        "0".to_owned()
    }
}

/// A probability in words that say how small it is: two places that count, never fewer than three places.
pub fn small_probability(probability: f64) -> String {
    match probability {
        tiny if tiny < 1e-6 => "below 0.000001".to_owned(),
        small if small < 0.01 => {
            let places = (1.0 - small.log10().floor()) as usize;
            format!("{small:.places$}")
        }
        probability => format!("{probability:.3}"),
    }
}

/// A posterior probability as a percentage: draws never make anything certain.
pub fn probability(probability: f64) -> String {
    match probability {
        high if high > 0.99 => "over 99 %".to_owned(),
        low if low < 0.01 => "under 1 %".to_owned(),
        probability => percent(probability),
    }
}

/// How many times the mean, with two places; "below 0.01" where those would be zero and it is not, "0" where it is none.
pub fn times(value: f64) -> String {
    match value {
        0.0 => "0".to_owned(),
        small if small < 0.005 => "below 0.01".to_owned(),
        value => format!("{value:.2}"),
    }
}

/// A whole number with commas between thousands.
pub fn thousands(value: i64) -> String {
    let digits = value.unsigned_abs().to_string();
    let mut words = String::new();
    for (idx, digit) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            words.push(',');
        }
        words.push(digit);
    }
    if value < 0 { format!("-{words}") } else { words }
}

/// A proportion in per cent, with one place below 10 %.
pub fn percent(share: f64) -> String {
    let percent = share * 100.0;
    if percent > 0.0 && percent < 9.95 { format!("{percent:.1} %") } else { format!("{percent:.0} %") }
}

fn one(value: f64) -> String {
    format!("{value:.1}")
}

/// A curve with its band over evenly spaced steps (months, hours), with one label a step.
pub struct Curve<'a> {
    /// What the chart shows, for those who do not see it.
    pub description: &'a str,
    /// The label of each step; an empty one leaves the tick bare.
    pub labels: Vec<String>,
    /// The value of each step; none where there is no estimate.
    pub values: Vec<Option<Estimate>>,
    /// The words beside the vertical axis.
    pub unit: &'a str,
    /// The words below the steps.
    pub across: &'a str,
}

/// Draws a curve with its band; linear axis from zero.
pub fn curve(chart: &Curve<'_>) -> Markup {
    let (width, height, left, bottom, top) = (560.0, 256.0, 48.0, 44.0, 24.0);
    let highest = chart.values.iter().flatten().map(|estimate| estimate.upper).fold(0.0, f64::max);
    let highest = nice_ceiling(highest);
    let n = chart.values.len().max(1) as f64;
    let x = |idx: usize| left + (idx as f64 + 0.5) * (width - left - 8.0) / n;
    let y = |value: f64| height - bottom - (height - bottom - top) * value.min(highest) / highest;
    let known: Vec<(usize, Estimate)> =
        chart.values.iter().enumerate().filter_map(|(idx, value)| value.map(|value| (idx, value))).collect();
    let line: String = known
        .iter()
        .enumerate()
        .map(|(order, (idx, value))| {
            format!("{}{} {}", if order == 0 { 'M' } else { 'L' }, one(x(*idx)), one(y(value.value)))
        })
        .collect();
    let uppers = known.iter().map(|(idx, value)| (*idx, value.upper));
    let lowers = known.iter().rev().map(|(idx, value)| (*idx, value.lower));
    let band: Vec<String> =
        uppers.chain(lowers).map(|(idx, value)| format!("{},{}", one(x(idx)), one(y(value)))).collect();
    html! {
        svg.chart viewBox={ "0 0 " (width) " " (height) } role="img" aria-label=(chart.description) {
            @for step in 0..=4 {
                @let value = highest * f64::from(step) / 4.0;
                path.axis d={ "M" (left) " " (one(y(value))) "H" (width - 8.0) } {}
                text x=(left - 6.0) y=(one(y(value) + 4.0)) text-anchor="end" { (format_axis(value)) }
            }
            text x="4" y="12" { (chart.unit) }
            polygon.band points=(band.join(" ")) {}
            path.curve d=(line) {}
            @for (idx, label) in chart.labels.iter().enumerate() {
                text x=(one(x(idx))) y=(height - 26.0) text-anchor="middle" { (label) }
            }
            text x=(width - 8.0) y=(height - 6.0) text-anchor="end" { (chart.across) }
        }
    }
}

/// A stacked bar of shares with the number printed in each part; parts are told apart by lightness and label.
pub struct StackedBar {
    /// What the bar is of.
    pub label: String,
    /// Each part: label and count.
    pub parts: Vec<(String, u64)>,
}

/// Draws stacked bars, one a row.
pub fn stacked_bars(description: &str, bars: &[StackedBar]) -> Markup {
    stacked(description, bars, &[])
}

/// The same with a key of its own, for where nothing stands beside it: every kind of part that is drawn.
pub fn stacked_bars_with_key(description: &str, bars: &[StackedBar]) -> Markup {
    let mut key: Vec<(usize, &str)> = Vec::new();
    for (idx, (label, count)) in bars.iter().flat_map(|bar| bar.parts.iter().enumerate()) {
        if *count > 0 && !key.iter().any(|(known, _)| *known == idx) {
            key.push((idx, label));
        }
    }
    key.sort_unstable();
    stacked(description, bars, &key)
}

fn stacked(description: &str, bars: &[StackedBar], key: &[(usize, &str)]) -> Markup {
    let (width, row, left, key_row) = (560.0, 40.0, 96.0, 20.0);
    let below = row * bars.len() as f64 + 4.0;
    let height = below + key_row * key.len() as f64;
    html! {
        svg.chart viewBox={ "0 0 " (width) " " (height) } role="img" aria-label=(description) {
            @for (idx, bar) in bars.iter().enumerate() { (stacked_bar(bar, idx as f64 * row + 2.0, left, width - left - 4.0)) }
            @for (nth, (idx, label)) in key.iter().enumerate() {
                @let y = below + key_row * nth as f64;
                rect class={ "part f" (idx.min(&4)) } x=(left) y=(y + 2.0) width="14" height="14" {}
                text x=(left + 22.0) y=(y + 14.0) { (label) }
            }
        }
    }
}

fn stacked_bar(bar: &StackedBar, y: f64, left: f64, width: f64) -> Markup {
    let total: u64 = bar.parts.iter().map(|(_, count)| count).sum();
    let mut from = left;
    let parts: Vec<_> = bar
        .parts
        .iter()
        .enumerate()
        .filter(|(_, (_, count))| *count > 0)
        .map(|(idx, (label, count))| {
            let part_width = width * *count as f64 / total.max(1) as f64;
            let at = from;
            from += part_width;
            (idx, label, *count, at, part_width)
        })
        .collect();
    html! {
        text.strong x="0" y=(y + 22.0) { (bar.label) }
        @for (idx, label, count, at, part_width) in parts {
            rect class={ "part f" (idx.min(4)) } x=(one(at)) y=(y) width=(one(part_width)) height="30" { title { (label) ": " (count) " of " (total) } }
            @if part_width > 22.0 {
                text.part-text x=(one(at + part_width / 2.0)) y=(y + 20.0) text-anchor="middle" { (count) }
            }
        }
    }
}

/// Estimates with whiskers by number of signs, in per cent.
pub fn steps_with_whiskers(description: &str, values: &[Estimate]) -> Markup {
    let (width, height, left, bottom) = (560.0, 220.0, 48.0, 28.0);
    let n = values.len().max(1) as f64;
    let x = |idx: usize| left + (idx as f64 + 0.5) * (width - left - 8.0) / n;
    let y = |share: f64| height - bottom - (height - bottom - 16.0) * share.clamp(0.0, 1.0);
    html! {
        svg.chart viewBox={ "0 0 " (width) " " (height) } role="img" aria-label=(description) {
            @for step in 0..=4 {
                @let share = f64::from(step) / 4.0;
                path.axis d={ "M" (left) " " (one(y(share))) "H" (width - 8.0) } {}
                text x=(left - 6.0) y=(one(y(share) + 4.0)) text-anchor="end" { (step * 25) " %" }
            }
            @for (idx, estimate) in values.iter().enumerate() {
                path.whisker d={ "M" (one(x(idx))) " " (one(y(estimate.lower))) "V" (one(y(estimate.upper))) } {}
                rect.sign-box x=(one(x(idx) - 6.0)) y=(one(y(estimate.value) - 6.0)) width="12" height="12" {}
                text x=(one(x(idx))) y=(height - 10.0) text-anchor="middle" { (idx + 1) }
            }
        }
    }
}

/// Where the label of a column stands so that the end of the drawing does not cut it off: in the middle, or set towards it. On
/// a phone letters are 17 units high, some 9 wide.
fn within(at: f64, width: f64, label: &str) -> (f64, &'static str) {
    match at + label.chars().count() as f64 * 4.5 > width {
        true => (width - 1.0, "end"),
        false => (at, "middle"),
    }
}

/// What was counted as squares over the intervals of what was expected, by period; linear axis from zero.
pub fn counted_and_expected(description: &str, periods: &[(String, f64, Estimate)]) -> Markup {
    let (width, height, left, bottom, top) = (560.0, 200.0, 56.0, 28.0, 16.0);
    let highest =
        periods.iter().map(|(_, counted, expected)| expected.upper.max(*counted)).fold(0.0, f64::max);
    let highest = nice_ceiling(highest);
    let step = (width - left - 8.0) / periods.len().max(1) as f64;
    let x = |idx: usize| left + (idx as f64 + 0.5) * step;
    let y = |value: f64| height - bottom - (height - bottom - top) * value.min(highest) / highest;
    // A label needs some 64 units of width.
    let every = (64.0 / step).ceil().max(1.0) as usize;
    // Quarters of a small number are not whole.
    let tick = |value: f64| if highest < 8.0 { format_axis(value) } else { thousands(value.round() as i64) };
    html! {
        svg.chart viewBox={ "0 0 " (width) " " (height) } role="img" aria-label=(description) {
            @for part in 0..=4 {
                @let value = highest * f64::from(part) / 4.0;
                path.axis d={ "M" (left) " " (one(y(value))) "H" (width - 8.0) } {}
                text x=(left - 6.0) y=(one(y(value) + 4.0)) text-anchor="end" { (tick(value)) }
            }
            @for (idx, (label, counted, expected)) in periods.iter().enumerate() {
                rect.band x=(one(x(idx) - step * 0.35)) width=(one(step * 0.7))
                    y=(one(y(expected.upper))) height=(one((y(expected.lower) - y(expected.upper)).max(1.0))) {}
                path.whisker d={ "M" (one(x(idx) - step * 0.35)) " " (one(y(expected.value))) "h" (one(step * 0.7)) } {}
                rect.mark x=(one(x(idx) - 3.0)) y=(one(y(*counted) - 3.0)) width="6" height="6" {}
                @if idx % every == 0 {
                    @let (at, anchor) = within(x(idx), width, label);
                    text x=(one(at)) y=(height - 10.0) text-anchor=(anchor) { (label) }
                }
            }
        }
    }
}

fn format_axis(value: f64) -> String {
    if value == 0.0 || value >= 10.0 { format!("{value:.0}") } else { format!("{value:.1}") }
}

/// The next 1, 2, 4, 6 or 8 times a power of ten.
fn nice_ceiling(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let power = 10f64.powf(value.log10().floor());
    [1.0, 2.0, 4.0, 6.0, 8.0, 10.0]
        .iter()
        .map(|step| step * power)
        .find(|step| *step >= value)
        .unwrap_or(10.0 * power)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_probabilities_keep_two_places_that_count() {
        for (probability, words) in [
            (0.3, "0.300"),
            (0.0412, "0.041"),
            (0.00312, "0.0031"),
            (0.000_312, "0.00031"),
            (0.000_000_2, "below 0.000001"),
        ] {
            assert_eq!(small_probability(probability), words);
        }
    }

    #[test]
    fn no_label_at_the_end_of_an_axis_is_cut_off() {
        let axis = SharedAxis::of(&[Estimate { value: 0.01, lower: 0.0011, upper: 0.24 }], None);
        let head = axis.head("reports per 1,000 km").into_string();
        assert!(head.contains("class=\"at-start\" x=\"0.0\""), "{head}");
        assert!(head.contains("class=\"at-end\" x=\"330.0\""), "{head}");
        assert_eq!(within(545.0, 560.0, "Dec 2025"), (559.0, "end"));
        assert_eq!(within(300.0, 560.0, "Dec 2025"), (300.0, "middle"));
    }

    #[test]
    fn a_large_interval_says_what_its_ticks_stand_for() {
        let estimate = Estimate { value: 5.3, lower: 3.6, upper: 7.3 };
        let (small, large) =
            (interval_bar(estimate, None).into_string(), interval_axis(estimate, None).into_string());
        for tick in [">0.1<", ">1<", ">10<"] {
            assert!(large.contains(tick) && !small.contains(tick), "{tick}");
        }
        assert!(large.contains("5.3, from 3.6 to 7.3"));
    }

    #[test]
    fn numbers_read_as_on_pages() {
        for (value, words) in
            [(5.26, "5.3"), (0.052, "0.05"), (12.4, "12"), (0.0004, "0"), (0.0, "0"), (12345.6, "12,346")]
        {
            assert_eq!(format_rate(value), words);
        }
        assert_eq!(thousands(-1234567), "-1,234,567");
        assert_eq!(percent(0.034), "3.4 %");
        assert_eq!(percent(0.41), "41 %");
        for (value, words) in
            [(0.0, "0"), (1e-9, "below 0.01"), (0.0049, "below 0.01"), (0.006, "0.01"), (1.2, "1.20")]
        {
            assert_eq!(times(value), words);
        }
    }

    #[test]
    fn a_shared_axis_holds_all_rows_and_names_no_tick_zero() {
        let estimate = |value: f64, lower: f64, upper: f64| Estimate { value, lower, upper };
        let axis = SharedAxis::of(&[estimate(4.0, 2.1, 7.0), estimate(3.0, 0.9, 9.0)], Some(2.0));
        assert_eq!(
            axis.ticks().map(tick_words).collect::<Vec<_>>(),
            ["0.5", "1.0", "2.0", "4.0", "8.0", "16"]
        );
        assert!(axis.x(0.9) > SHARED_EDGE && axis.x(9.0) < SHARED_WIDTH - SHARED_EDGE);
        // January: far down, and lower limits that are nearly nothing lie at the end.
        let quiet = SharedAxis::of(&[estimate(0.03, 0.00001, 0.4)], None);
        let ticks: Vec<String> = quiet.ticks().map(tick_words).collect();
        assert_eq!(ticks, ["0.002", "0.008", "0.03", "0.1", "0.5"]);
        assert_eq!(quiet.x(0.0), SHARED_EDGE);
        assert_eq!(SharedAxis::of(&[], None).ticks().count(), 3);
    }

    #[test]
    fn a_curve_with_gaps_has_no_holes_in_its_numbers() {
        let value = Estimate { value: 1.0, lower: 0.5, upper: 2.0 };
        let chart = Curve {
            description: "d",
            labels: vec!["a".into(), "b".into()],
            values: vec![None, Some(value)],
            unit: "u",
            across: "a",
        };
        let drawn = curve(&chart).into_string();
        assert!(!drawn.contains("NaN"), "{drawn}");
    }
}
