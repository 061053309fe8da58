//! Contacts underfoot and bites, for staff.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::percent;
use crate::web::views::route::ContactsShown;
use crate::web::views::route::ShareShown;

pub(super) fn staff(contacts: &ContactsShown) -> Markup {
    html! {
        details.card {
            summary { "For staff: contacts underfoot and bites" }
            @match contacts.per_100_000_km {
                Some((underfoot, bites, of_prior)) => {
                    table.stack {
                        thead { tr { th scope="col" { "Reported per 100,000 km walked, where walking is known" } th.num scope="col" { "Estimate" } th.num scope="col" { "95 % interval" } th.num scope="col" { "Of it prior" } } }
                        tbody {
                            (contact_row("Snakes stepped on", underfoot, contacts.underfoot.prior_part))
                            (contact_row("Bites", bites, contacts.bite.prior_part))
                        }
                    }
                    @if contacts.bite.shown == 0 {
                        p.small { "No report had a bite: the whole figure of bites is the prior's, and only its upper limit says something." }
                    }
                    p.small.soft { "From the prior alone bites would be " (format_rate(of_prior)) " per 100,000 km." }
                }
                None => p { "Not estimable: no report says how near people came. It would all be prior." },
            }
            p.small.soft { (share_words("stepped on", &contacts.underfoot)) " " (share_words("bites through to the skin", &contacts.bite))
                " Reports over the kilometres walked, so that what is met and not reported is in neither figure; located snakes and trials do not enter. The share with a bite is rather too high, since bites are reported more readily than other meetings." }
        }
    }
}

fn contact_row(words: &str, estimate: Estimate, prior_part: f64) -> Markup {
    html! {
        tr {
            th scope="row" { (words) }
            td.num data-label="Estimate" { (format_rate(estimate.value)) }
            td.num data-label="95 % interval" { (format_rate(estimate.lower)) "–" (format_rate(estimate.upper)) }
            td.num data-label="Of it prior" { (percent(prior_part)) }
        }
    }
}

fn share_words(what: &str, share: &ShareShown) -> String {
    format!(
        "{what}: {} of {} reported encounters whose approach is known (the closest contact of each counts), prior Beta({}, {}), which is worth {} encounters with a mean of {}.",
        share.shown,
        share.watched,
        share.prior.0,
        share.prior.1,
        share.prior.0 + share.prior.1,
        percent(share.prior.0 / (share.prior.0 + share.prior.1))
    )
}
