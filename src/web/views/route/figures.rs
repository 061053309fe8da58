//! What may be expected on a walk, in words and figures, beside the area's trails.

use maud::Markup;
use maud::html;

use crate::web::views::charts::format_rate;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::figure::format_count;
use crate::web::views::route::BesideRow;
use crate::web::views::route::BoundShown;
use crate::web::views::route::FiguresShown;
use crate::web::views::route::KmShown;
use crate::web::views::route::RoutePage;
use crate::web::views::route::RouteShown;
use crate::web::views::route::SHOWN_KM;

pub(super) fn answer(shown: &RouteShown) -> Markup {
    html! {
        section.card {
            h2 { (shown.title) }
            p.soft { (km_words(shown.km.walked)) " · " (shown.period_words) }
            @match shown.figures {
                FiguresShown::Estimated { lower, upper } => {
                    p { strong { (everyday(&lower, &upper, shown.is_doubled)) } }
                    @if shown.n_parties > 1 {
                        p {
                            "Of " (thousands(i64::from(shown.n_parties))) " parties together: "
                            (range(lower.expected_of_all.value, upper.expected_of_all.value)) " reports expected (95 % interval "
                            (range(lower.expected_of_all.lower, upper.expected_of_all.upper)) "); between "
                            (thousands(lower.predicted_of_all.0 as i64)) " and " (thousands(upper.predicted_of_all.1 as i64))
                            " in 95 of 100 such cases; at least one with a probability of "
                            (percent_range(lower.at_least_one_of_all, upper.at_least_one_of_all)) ", averaged over what is not known of the rates."
                            @if shown.is_doubled { " Of two figures the lower counts each kilometre once, the higher both out and back." }
                        }
                    }
                    @if let (Some(words), Some(per_km)) = (&shown.too_little, shown.alone_per_km) {
                        p.notice { (words) " On a walk as long as this that is at most " (one_in(-(-per_km * shown.km.walked).exp_m1())) " parties." }
                    }
                }
                FiguresShown::TooLittleKnown(known) => {
                    @if let Some(words) = &shown.too_little { p { strong { (words) } } }
                    @if let Some(per_km) = known.at_most_per_km() {
                        p { "On a walk as long as this that is at most " (one_in(-(-per_km * shown.km.walked).exp_m1()))
                            " parties, where the rate is that of all trails together; a stretch may have more. That is a limit, no estimate: few have walked then, so nobody can know." }
                    }
                }
                FiguresShown::NotEstimable => {
                    p { strong { "Nothing can be said of this walk." } " Nobody is known to walk here, so that the records cannot be divided by walking. That is not the same as few snakes." }
                }
            }
            (gaps(&shown.km))
        }
    }
}

/// "About 1 in 40 parties report a snake on this walk (95 % interval 1 in 61 to 1 in 28)."
fn everyday(lower: &BoundShown, upper: &BoundShown, is_doubled: bool) -> String {
    let interval =
        format!("95 % interval {} to {}", one_in(lower.at_least_one.lower), one_in(upper.at_least_one.upper));
    let (low, high) = (one_in(lower.at_least_one.value), one_in(upper.at_least_one.value));
    if !is_doubled || low == high {
        return format!("About {high} parties report a snake on this walk ({interval}).");
    }
    format!(
        "Between about {low} and {high} parties report a snake on this walk, depending on whether the same snake is met \
         again on the way back ({interval})."
    )
}

/// "1 in 40"; "6 in 10" for frequent ones.
pub(super) fn one_in(probability: f64) -> String {
    if probability >= 0.95 {
        return "nearly all".to_owned();
    }
    if probability >= 0.2 {
        return format!("{:.0} in 10", probability * 10.0);
    }
    if probability < 1e-6 {
        return "fewer than 1 in 1,000,000".to_owned();
    }
    let n = 1.0 / probability;
    let step = 10f64.powf((n.log10() - 1.0).floor()).max(1.0);
    format!("1 in {}", thousands(((n / step).round() * step) as i64))
}

fn km_words(km: f64) -> String {
    format!("{km:.1} km walked")
}

pub(super) fn range(low: f64, high: f64) -> String {
    let (low, high) = (format_rate(low), format_rate(high));
    if low == high { low } else { format!("{low} to {high}") }
}

pub(super) fn percent_range(low: f64, high: f64) -> String {
    let (low, high) = (percent(low), percent(high));
    if low == high { low } else { format!("{low} to {high}") }
}

/// Kilometres that rest on assumptions or are in no figure.
fn gaps(km: &KmShown) -> Markup {
    html! {
        @if km.unexposed > 0.0 {
            p.notice { (format!("{:.1} km", km.unexposed)) " of it are on stretches without recorded walking: nothing is known of them, and they are in no figure above." }
        }
        @if km.at_places >= SHOWN_KM {
            p.small.soft { (format!("{:.1} km", km.at_places)) " of it lead through places such as car parks: what is met there is counted by their visits, and is in no figure above." }
        }
        @if km.contradicting > 0.0 {
            p.notice { (format!("{:.1} km", km.contradicting)) " of it are on stretches with encounters but no recorded walking: the walking there is wrong, and they are in no figure above." }
        }
        @if km.assumed > 0.0 {
            p.notice { (format!("{:.1} km", km.assumed)) " of it rest on assumed walking: no counter tells how many people walk there." }
        }
    }
}

pub(super) fn details(shown: &RouteShown) -> Markup {
    html! {
        section.card {
            h2 { "The figures" }
            @if let FiguresShown::Estimated { lower, upper } = shown.figures {
                table.stack {
                    thead { tr {
                        th scope="col" { "One party" } th.num scope="col" { "Estimate" } th.num scope="col" { "95 % interval" }
                    } }
                    tbody {
                        @if shown.is_doubled {
                            (bound_rows("each kilometre once", &lower))
                            (bound_rows("out and back both counted", &upper))
                        } @else { (bound_rows("", &upper)) }
                    }
                }
                p.small.soft {
                    "They rest on " (format_count(shown.behind.count)) " encounters in " (shown.behind.km_words())
                    " km that parties walked on these stretches, in all months and hours."
                }
                p.small.soft {
                    "The probability is averaged over the draws of the rates; at the mean rate it would come out too high. "
                    "Reports of many parties are negative binomial: their variance is " (format!("{:.2}", shown.dispersion))
                    " times their mean, as fitted over months and hours."
                }
            }
            h3 { "Trails walked" }
            ul { @for (trail, km) in &shown.by_trail { li { (trail) ", " (format!("{km:.1} km")) } } }
        }
    }
}

pub(super) fn bound_rows(how: &str, bound: &BoundShown) -> Markup {
    let with = |words: &str| if how.is_empty() { words.to_owned() } else { format!("{words}, {how}") };
    html! {
        tr {
            th scope="row" { (with("Reports expected")) }
            td.num data-label="Estimate" { (small_number(bound.expected.value)) }
            td.num data-label="95 % interval" { (small_number(bound.expected.lower)) "–" (small_number(bound.expected.upper)) }
        }
        tr {
            th scope="row" { (with("At least one report")) }
            td.num data-label="Estimate" { (fine_percent(bound.at_least_one.value)) }
            td.num data-label="95 % interval" { (fine_percent(bound.at_least_one.lower)) "–" (fine_percent(bound.at_least_one.upper)) }
        }
    }
}

/// Two significant figures: expected encounters of one party are far below one.
pub(super) fn small_number(value: f64) -> String {
    if value <= 0.0 {
        return "0".to_owned();
    }
    let places = (1.0 - value.log10().floor()).clamp(0.0, 8.0) as usize;
    format!("{value:.places$}")
}

pub(super) fn small_range(low: f64, high: f64) -> String {
    let (low, high) = (small_number(low), small_number(high));
    if low == high { low } else { format!("{low} to {high}") }
}

pub(super) fn fine_percent(share: f64) -> String {
    format!("{} %", small_number(share * 100.0))
}

pub(super) fn beside(page: &RoutePage) -> Markup {
    html! {
        @if !page.beside.is_empty() {
            section.card {
                h2 { "The same question for each trail" }
                p.small.soft { "From the nearest trailhead along the trail and back, " (format!("{:.1} km", page.beside_out_km)) " out or to its end, same month and part of the day. The order is that of names. Differences smaller than the intervals say nothing. Encounters and kilometres walked are those of the stretches on the way, in all months and hours." }
                table.stack {
                    thead { tr {
                        th scope="col" { "Trail" } th.num scope="col" { "Reports expected, a party, 95 % interval" }
                        th.num scope="col" { "At least one report, a party, 95 % interval" }
                        th.num scope="col" { "Encounters, km walked by parties" } th scope="col" { "What is known" }
                    } }
                    tbody { @for row in &page.beside { (beside_row(row)) } }
                }
            }
        }
    }
}

fn beside_row(row: &BesideRow) -> Markup {
    html! {
        tr {
            th scope="row" { (row.trail) div.small.soft { (format!("{:.1} km from {}", row.km.walked, row.trailhead)) } }
            @match row.figures {
                FiguresShown::Estimated { lower, upper } => {
                    td.num data-label="Reports expected, a party" {
                        (small_range(lower.expected.value, upper.expected.value))
                        div.small.soft { (small_number(lower.expected.lower)) "–" (small_number(upper.expected.upper)) }
                    }
                    td.num data-label="At least one report, a party" {
                        (one_in(lower.at_least_one.value)) @if lower != upper { " to " (one_in(upper.at_least_one.value)) }
                        div.small.soft { (one_in(lower.at_least_one.lower)) " to " (one_in(upper.at_least_one.upper)) }
                    }
                }
                FiguresShown::TooLittleKnown(_) => { td.num data-label="Reports expected, a party" colspan="2" { "too little walking is known" } }
                FiguresShown::NotEstimable => { td.num data-label="Reports expected, a party" colspan="2" { "no exposure" } }
            }
            td.num data-label="Encounters, km walked" {
                (format_count(row.behind.count))
                div.small.soft { "in " (row.behind.km_words()) " km" }
            }
            td data-label="What is known" { (known_words(&row.km)) }
        }
    }
}

fn known_words(km: &KmShown) -> String {
    let part = |length: f64, words: &str| (length > 0.0).then(|| format!("{length:.1} km {words}"));
    let parts = [
        part(km.assumed, "on assumed walking"),
        part(km.unexposed, "without recorded walking"),
        part(km.contradicting, "where walking contradicts records"),
    ];
    let found: Vec<String> = parts.into_iter().flatten().collect();
    if found.is_empty() { "counters tell the walking".to_owned() } else { found.join(", ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probabilities_read_as_frequencies() {
        for (probability, words) in [
            (0.0255, "1 in 39"),
            (0.0041, "1 in 240"),
            (0.19, "1 in 5"),
            (0.34, "3 in 10"),
            (0.97, "nearly all"),
            (0.0, "fewer than 1 in 1,000,000"),
        ] {
            assert_eq!(one_in(probability), words);
        }
        assert_eq!(small_number(0.01234), "0.012");
        assert_eq!(small_number(2.34), "2.3");
    }
}
