//! The forms that ask about a walk.

use maud::Markup;
use maud::html;

use crate::domain::time::MONTHS;
use crate::domain::time::PartOfDay;
use crate::web::views::route::RoutePage;
use crate::web::views::route::StopField;

pub(super) fn forms(page: &RoutePage) -> Markup {
    html! {
        // One list for all fields: it is long in a large park.
        datalist id="stops" { @for (name, kind) in &page.stops { option value=(name) { (kind) } } }
        div.grid.no-print {
            form.card method="get" action="/route" {
                h2 { "From a start to an end" }
                p.small.soft { (page.stops.len()) " trailheads, places, junctions and ends of trails can be chosen: type part of a name." }
                (stop_field(page, "from", "Start", &page.form.from))
                (stop_field(page, "via", "On the way (may stay empty)", &page.form.via))
                (stop_field(page, "to", "End", &page.form.to))
                label.check { input type="checkbox" name="back" value="1" checked[page.form.is_return]; "and back the same way" }
                (period_fields(page))
                button.main type="submit" { "Ask" }
            }
            form.card method="get" action="/route" {
                h2 { "Out from a trailhead and back" }
                (stop_field(page, "from", "Start", &page.form.from))
                label { "Kilometres out"
                    input name="km" value=(page.form.km) inputmode="decimal" size="6" aria-invalid=[error(page, "km").map(|_| "true")];
                    (message(page, "km"))
                }
                label { "Along"
                    select name="trail" {
                        option value="" selected[page.form.trail.is_empty()] { "the trails that lead farthest" }
                        @for (idx, name) in page.trails.iter().enumerate() {
                            option value=(idx) selected[page.form.trail == idx.to_string()] { (name) }
                        }
                    }
                    (message(page, "trail"))
                }
                (period_fields(page))
                button.main type="submit" { "Ask" }
            }
        }
    }
}

fn error<'a>(page: &'a RoutePage, field: &str) -> Option<&'a str> {
    page.errors.iter().find(|(at, _)| at == field).map(|(_, words)| words.as_str())
}

fn message(page: &RoutePage, field: &str) -> Markup {
    html! { @if let Some(words) = error(page, field) { span.field-error { (words) } } }
}

fn stop_field(page: &RoutePage, name: &str, words: &str, value: &StopField) -> Markup {
    html! {
        label { (words)
            input name=(name) value=(value.text) list="stops" autocomplete="off" aria-invalid=[error(page, name).map(|_| "true")];
            @if !value.picked.is_empty() { span.small.soft { "picked on the map: " (value.picked) } }
            (message(page, name))
        }
    }
}

fn period_fields(page: &RoutePage) -> Markup {
    html! {
        label { "Month"
            select name="month" {
                option value="" selected[page.form.month.is_none()] { "all months" }
                @for (idx, name) in MONTHS.iter().enumerate() {
                    option value=(idx + 1) selected[page.form.month == i8::try_from(idx + 1).ok()] { (name) }
                }
            }
        }
        label { "Part of the day"
            select name="part" {
                option value="" selected[page.form.part.is_none()] { "all day" }
                @for part in PartOfDay::ALL {
                    option value=(part.term()) selected[page.form.part == Some(part)] { (part.words()) }
                }
            }
        }
        label { "Parties"
            input name="parties" value=(page.form.parties) inputmode="numeric" size="6" aria-invalid=[error(page, "parties").map(|_| "true")];
            (message(page, "parties"))
        }
    }
}
