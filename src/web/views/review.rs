//! The form that gives records a state of review.

use maud::Markup;
use maud::html;

use crate::domain::encounter::VerificationStatus;
use crate::web::form::Given;
use crate::web::views::form;

/// What the states mean for figures, in one sentence.
const MEANING: &str =
    "Rejected records count in no figure; only verified ones are counted in what the public sees.";

/// The fields below a list of records with boxes to tick, inside its form.
pub(super) fn of_ticked(given: &Given) -> Markup {
    html! {
        fieldset.card.no-print {
            legend { "Review the records ticked" }
            (fields(given, ""))
        }
    }
}

/// The form of one record.
pub(super) fn of_one(id: i64, status: &str, given: &Given) -> Markup {
    html! {
        section.card.no-print {
            h2 { "Review" }
            p { "State of review: " strong { (status) } "." }
            form method="post" action="/encounters/review" {
                input type="hidden" name="id" value=(id);
                input type="hidden" name="back" value={ "/encounters/" (id) };
                (fields(given, status))
            }
        }
    }
}

fn fields(given: &Given, now: &str) -> Markup {
    html! {
        p.small.soft { (MEANING) }
        div.fields {
            label { "New state"
                select name="status" required {
                    option value="" { "–" }
                    @for status in VerificationStatus::ALL.iter().filter(|status| status.term() != now) {
                        option value=(status.term()) { (status.term()) }
                    }
                }
            }
            (form::signer(given))
        }
        button.main type="submit" { "Keep the review" }
    }
}
