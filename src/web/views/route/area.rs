//! What to expect over the whole area.

use maud::Markup;
use maud::html;

use crate::web::views::charts::format_rate;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::figure::format_count;
use crate::web::views::route::AreaNumbers;
use crate::web::views::route::AreaShown;
use crate::web::views::route::SHOWN_KM;
use crate::web::views::route::figures::bound_rows;
use crate::web::views::route::figures::one_in;
use crate::web::views::route::figures::percent_range;
use crate::web::views::route::figures::range;
use crate::web::views::route::figures::small_range;

pub(super) fn area(area: &Result<AreaShown, String>) -> Markup {
    html! {
        section.card #area {
            h2 { "The whole area" }
            @match area {
                Err(reason) => p { (reason) },
                Ok(shown) => {
                    p.soft { "All walking of a mean year, as counters and the walker model have it · " (shown.period_words) }
                    @match &shown.numbers {
                        Ok(numbers) => (figures(shown, numbers)),
                        Err(reason) => p { strong { (reason) } },
                    }
                    (gaps(shown))
                }
            }
        }
    }
}

fn figures(shown: &AreaShown, numbers: &AreaNumbers) -> Markup {
    let (once, every) = &numbers.of_parties;
    let (all_once, all_every) = &numbers.of_all;
    let behind = &shown.behind;
    let (low, high) = (one_in(once.at_least_one.value), one_in(every.at_least_one.value));
    let among = if low == high { format!("About {high}") } else { format!("Between about {low} and {high}") };
    let usual = if shown.is_usual { ", as many as on an average day then" } else { "" };
    let cases = if shown.is_year { "years" } else { "such months" };
    html! {
        p {
            strong {
                (among) " parties report a snake on the average of all walks (95 % interval "
                (one_in(once.at_least_one.lower)) " to " (one_in(every.at_least_one.upper)) ")."
            }
            " A party walks " (format!("{:.1}", numbers.party_km.value)) " km on average ("
            (format!("{:.1}", numbers.party_km.lower)) " to " (format!("{:.1}", numbers.party_km.upper))
            ") where there is a rate; those who go farther report more, those who turn early fewer."
        }
        @if shown.n_parties > 1 {
            p {
                "Of " (thousands(i64::from(shown.n_parties))) " parties together" (usual) ": "
                (small_range(once.expected_of_all.value, every.expected_of_all.value)) " reports expected; between "
                (thousands(once.predicted_of_all.0 as i64)) " and " (thousands(every.predicted_of_all.1 as i64))
                " in 95 of 100 such cases; at least one with a probability of "
                (chance(once.at_least_one_of_all, every.at_least_one_of_all)) "."
            }
        }
        p {
            "Of all " (thousands(numbers.parties.value.round() as i64)) " parties of the period ("
            (thousands(numbers.parties.lower.round() as i64)) " to " (thousands(numbers.parties.upper.round() as i64)) "): "
            (range(all_once.expected.value, all_every.expected.value)) " reports expected (95 % interval "
            (format_rate(all_once.expected.lower)) " to " (format_rate(all_every.expected.upper)) "); between "
            (thousands(all_once.predicted_of_all.0 as i64)) " and " (thousands(all_every.predicted_of_all.1 as i64))
            " in 95 of 100 " (cases) "; at least one with a probability of "
            (chance(all_once.at_least_one.value, all_every.at_least_one.value)) "."
        }
        table.stack {
            thead { tr {
                th scope="col" { "One party, the average of all walks" } th.num scope="col" { "Estimate" } th.num scope="col" { "95 % interval" }
            } }
            tbody {
                (bound_rows("each kilometre once", once))
                (bound_rows("out and back both counted", every))
            }
        }
        p.small.soft {
            "They rest on " (format_count(behind.count)) " reports in " (thousands(behind.walked_km.value.round() as i64)) " ("
            (thousands(behind.walked_km.lower.round() as i64)) "–" (thousands(behind.walked_km.upper.round() as i64))
            ") km that parties walked on these trails, in all months and hours."
        }
        p.small.soft { "Rates are for each kilometre walked, out and back: with both counted, all walking comes to what was reported. Each kilometre once is what would be left if a snake that is met again on the way back were never reported again. The limits take years to be alike; where snakes or walkers change from year to year, reports change by more." }
        p.small.soft { "Rate and walking are multiplied draw by draw, stretch by stretch. Where parties differ, somewhat fewer of them have a report than the average says, since one that goes far may have two." }
    }
}

/// No probability is a promise: what rounds to all is "more than 99 %".
fn chance(low: f64, high: f64) -> String {
    match (low >= 0.995, high >= 0.995) {
        (true, _) => "more than 99 %".to_owned(),
        (false, true) => format!("{} or more", percent(low)),
        (false, false) => percent_range(low, high),
    }
}

/// What is in no figure, and what rests on assumptions.
fn gaps(shown: &AreaShown) -> Markup {
    let km = &shown.trail_km;
    let assumed = match &shown.numbers {
        Ok(numbers) if numbers.assumed_km > 0.0 => Some(percent(numbers.assumed_km / numbers.walked_km)),
        _ => None,
    };
    html! {
        @if km.unexposed > 0.0 {
            p.notice { (format!("{:.1} of {:.1} km", km.unexposed, km.walked)) " of trail are without recorded walking: nothing is known of them, and they are in no figure above." }
        }
        @if km.at_places >= SHOWN_KM {
            p.small.soft { (format!("{:.1} of {:.1} km", km.at_places, km.walked)) " of trail lead through places such as car parks: what is met there is counted by their visits, and is in no figure above." }
        }
        @if km.contradicting > 0.0 {
            p.notice { (format!("{:.1} of {:.1} km", km.contradicting, km.walked)) " of trail have encounters but no recorded walking: the walking there is wrong, and they are in no figure above." }
        }
        @if let Some(share) = assumed {
            p.notice { (share) " of the kilometres walked rest on assumed walking, on " (format!("{:.1} km", km.assumed)) " of trail: no counter tells how many people walk there." }
        }
        @if shown.is_reopened {
            p.small.soft { "What was closed for a time counts as open, unless it is closed without a known end." }
        }
        @if shown.n_months_unknown > 0 {
            p.notice { "Nothing was counted in " (shown.n_months_unknown) " of the months: they are in no figure above." }
        }
    }
}
