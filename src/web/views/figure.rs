//! A rate as pages say it: the number with its interval, its counts and an everyday sentence.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::interval_axis;
use crate::web::views::charts::thousands;
use crate::web::views::svg_map::Stroke;

/// A rate with all that must stand beside it. Rates are per 1,000 km walked.
#[derive(Debug, Clone)]
pub struct Figure {
    /// The estimate, or why there is none.
    pub rate: Result<Estimate, NoRate>,
    /// The class of the estimate, where the map makes a statement.
    pub stroke: Stroke,
    /// Whether encounters and walking are of all months and hours, while the rate is of some of them.
    pub is_of_all: bool,
    /// Encounters as counted.
    pub count: f64,
    /// Exposure, kilometres walked by parties.
    pub walked_km: f64,
    /// Limits of the exposure's own interval, kilometres.
    pub walked_limits_km: (f64, f64),
    /// Where the exposure comes from, in words.
    pub provenance: &'static str,
}

/// Encounters and walking behind a figure of several units together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Behind {
    /// Encounters, mean over draws.
    pub count: f64,
    /// Kilometres walked by parties.
    pub walked_km: Estimate,
}

impl Behind {
    /// The kilometres with their interval: "4,986 (4,100–6,020)".
    pub fn km_words(&self) -> String {
        let km = |value: f64| thousands(value.round() as i64);
        let Estimate { value, lower, upper } = self.walked_km;
        format!("{} ({}–{})", km(value), km(lower), km(upper))
    }
}

/// Why there is no rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoRate {
    /// Nobody walks here as far as is known.
    NoExposure,
    /// Encounters were recorded where nobody is said to walk.
    Contradiction,
    /// Neither counters nor records allow a figure.
    NotEstimable,
    /// Too little is known of the month and part of the day.
    TooLittle,
}

impl NoRate {
    /// The words on pages.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoExposure => "no exposure",
            Self::Contradiction => "exposure contradicts records",
            Self::NotEstimable => "not estimable",
            Self::TooLittle => "too little known",
        }
    }
}

impl NoRate {
    /// What it means for somebody who has to decide, and what it does not mean.
    fn meaning(self) -> &'static str {
        match self {
            Self::NoExposure => {
                "Nobody is known to walk here, so that reports cannot be divided by walking. That is not the same as few snakes."
            }
            Self::Contradiction => {
                "Snakes were reported here, but nobody is said to walk here: a trailhead or a path may be missing, or the reports lie elsewhere."
            }
            Self::NotEstimable => {
                "Neither counters nor records allow a figure. That is not the same as few snakes."
            }
            Self::TooLittle => {
                "So few people walk in this month and part of the day that even no report at all would say nothing. That is not the same as few snakes."
            }
        }
    }
}

/// The number, its interval, its counts, its bar, and the everyday sentence.
pub fn figure(figure: &Figure) -> Markup {
    let estimate = match figure.rate {
        Ok(estimate) => estimate,
        Err(reason) => return no_figure(figure, reason),
    };
    html! {
        p { span.figure { (format_rate(estimate.value)) } " reports per 1,000 km walked" }
        p.small.soft {
            "95 % interval " (format_rate(estimate.lower)) " to " (format_rate(estimate.upper)) " · "
            (counts(figure))
            @if let Some(raw) = raw_rate(figure) { " · " (format_rate(raw)) " as counted" }
        }
        (interval_axis(estimate, class_of(figure.stroke)))
        @if figure.stroke == Stroke::TooWide {
            p.small { "The interval is too wide for the map to make a statement." }
        }
        p { (everyday(estimate)) }
    }
}

fn no_figure(figure: &Figure, reason: NoRate) -> Markup {
    html! {
        p { span.figure { (reason.words()) } }
        p { (reason.meaning()) }
        p.small.soft { (counts(figure)) }
    }
}

/// "29 encounters in 4,986 km walked (estimated from counters)".
pub fn counts(figure: &Figure) -> String {
    let noun = if (figure.count - 1.0).abs() < 0.05 { "encounter" } else { "encounters" };
    let of_all = if figure.is_of_all { ", in all months and hours" } else { "" };
    format!(
        "{} {noun} in {} km walked ({} to {}; {}){of_all}",
        format_count(figure.count),
        thousands(figure.walked_km.round() as i64),
        thousands(figure.walked_limits_km.0.round() as i64),
        thousands(figure.walked_limits_km.1.round() as i64),
        figure.provenance
    )
}

/// The kilometres walked of a figure with their interval: "4,986 (4,100–6,020)".
pub fn km_words(figure: &Figure) -> String {
    behind(figure).km_words()
}

/// Encounters and walking behind a figure.
pub fn behind(figure: &Figure) -> Behind {
    let (lower, upper) = figure.walked_limits_km;
    Behind { count: figure.count, walked_km: Estimate { value: figure.walked_km, lower, upper } }
}

/// What brings a count that lies halfway between two tenths, but for the last bits, to the upper one; tenths.
const HALFWAY_UP: f64 = 1e-6;

/// A count: whole where it is whole, with one place where records may lie on either of two segments.
pub fn format_count(count: f64) -> String {
    // Sums of draws in another order differ in the last bits: 29.15 must not be 29.1 here and 29.2 there.
    let tenths = (count * 10.0 + HALFWAY_UP).round();
    if tenths % 10.0 == 0.0 { thousands((tenths / 10.0) as i64) } else { format!("{:.1}", tenths / 10.0) }
}

/// The rate as counted, where anybody walked.
pub fn raw_rate(figure: &Figure) -> Option<f64> {
    (figure.walked_km > 0.0).then(|| figure.count / figure.walked_km * 1000.0)
}

/// The class of a stroke that has one.
pub fn class_of(stroke: Stroke) -> Option<u8> {
    match stroke {
        Stroke::Narrow(class) | Stroke::Wide(class) => Some(class),
        Stroke::TooWide | Stroke::NoWalking | Stroke::Matched | Stroke::Track | Stroke::Withheld => None,
    }
}

/// The word for the width of the interval.
pub fn width_words(stroke: Stroke) -> &'static str {
    match stroke {
        Stroke::Narrow(_) => "narrow",
        Stroke::Wide(_) => "wide",
        Stroke::TooWide => "too wide",
        Stroke::NoWalking | Stroke::Matched | Stroke::Track => "no walking recorded",
        Stroke::Withheld => "withheld",
    }
}

/// "About one report for every 190 km that parties walked here (between 140 and 280)."
fn everyday(estimate: Estimate) -> String {
    if estimate.value <= 0.0 {
        return String::new();
    }
    let km = |rate: f64| {
        let km = 1000.0 / rate.max(1e-6);
        let step = 10f64.powf((km.log10() - 1.0).floor()).max(1.0);
        thousands(((km / step).round() * step) as i64)
    };
    format!(
        "About one report for every {} km that parties walked here (between {} and {}).",
        km(estimate.value),
        km(estimate.upper),
        km(estimate.lower)
    )
}

/// What a figure of reports is no figure of, with what surveys say of the difference.
pub fn of_reports(reporting: &str) -> Markup {
    html! {
        p.small.soft {
            "These figures count reports: more snakes are met than are reported. " (reporting) " "
            a href="/survey" { "Surveys beside reports" }
        }
    }
}

/// The legend: rows narrow, wide, too wide; columns the classes; each cell drawn with the line itself.
pub fn legend(bounds: [f64; 4]) -> Markup {
    let names = [
        format!("< {}", bounds[0]),
        format!("{}–{}", bounds[0], bounds[1]),
        format!("{}–{}", bounds[1], bounds[2]),
        format!("{}–{}", bounds[2], bounds[3]),
        format!("> {}", bounds[3]),
    ];
    let sample = |class: String| {
        html! { svg width="40" height="8" aria-hidden="true" { path class=(class) d="M0 4H40" {} } }
    };
    html! {
        table.legend-table {
            caption { "Reported encounters per 1,000 km walked by parties" }
            thead { tr { td {} @for name in &names { th scope="col" { (name) } } } }
            tbody {
                tr {
                    th scope="row" { "narrow" br; span.soft { "limits in 1–2 classes" } }
                    @for class in 0..5 { td { (sample(format!("narrow c{class}"))) } }
                }
                tr {
                    th scope="row" { "wide" br; span.soft { "in 3 classes" } }
                    td {}
                    @for class in 1..4 { td { (sample(format!("wide-interval c{class}"))) } }
                    td {}
                }
                tr {
                    th scope="row" { "too wide" br; span.soft { "in 4 or 5, or under 3 expected" } }
                    td colspan="5" {
                        svg width="200" height="8" aria-hidden="true" {
                            path.too-wide d="M0 4H200" {} path.too-wide-core d="M0 4H200" {}
                        }
                    }
                }
                tr {
                    th scope="row" { "no walking recorded" }
                    td colspan="5" { svg width="200" height="8" aria-hidden="true" { path.no-walking d="M0 4H200" {} } }
                }
            }
        }
    }
}

/// A figure of a stretch, made up for tests and previews.
pub fn sample() -> Figure {
    Figure {
        is_of_all: false,
        rate: Ok(Estimate { value: 5.3, lower: 3.6, upper: 7.3 }),
        stroke: Stroke::Narrow(4),
        count: 29.0,
        walked_km: 4986.0,
        walked_limits_km: (4100.0, 6020.0),
        provenance: "fitted",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_never_stands_without_interval_and_counts() {
        let words = figure(&sample()).into_string();
        for part in
            ["5.3", "3.6 to 7.3", "29 encounters", "4,986 km walked", "5.8 as counted", "every 190 km"]
        {
            assert!(words.contains(part), "{part}: {words}");
        }
    }

    #[test]
    fn no_figure_is_said_in_words() {
        let none = Figure { rate: Err(NoRate::NoExposure), walked_km: 0.0, ..sample() };
        let words = figure(&none).into_string();
        assert!(
            words.contains("no exposure")
                && words.contains("not the same as few snakes")
                && !words.contains("NaN")
        );
    }
}
