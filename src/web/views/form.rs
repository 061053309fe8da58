//! Fields of forms with what is wrong with them.

use maud::Markup;
use maud::html;

use crate::web::form::Given;

/// What stands in place of a form that only managers may send.
pub const FOR_MANAGERS: &str = "Only managers can change this; your account may look.";

/// One line of text.
pub fn text(words: &str, name: &str, given: &Given) -> Markup {
    let error = given.error(name);
    html! {
        label { (words)
            input name=(name) value=(given.get(name)) maxlength="2000" aria-invalid=[error.map(|_| "true")];
            (error_at(name, given))
        }
    }
}

/// Who does it: a name to type in while there are no accounts, else the account's.
pub fn signer(given: &Given) -> Markup {
    signer_in("who", given)
}

/// The same, where a page has several such forms.
pub fn signer_in(field: &str, given: &Given) -> Markup {
    match given.signed_as() {
        // The name itself would make a page drawn for one person another's.
        Some(_) => html! { p.small.soft.signed { "Kept under the name you signed in with." } },
        None => text("Your name", field, given),
    }
}

/// Several lines of text.
pub fn lines(words: &str, name: &str, given: &Given) -> Markup {
    let error = given.error(name);
    html! {
        label { (words)
            textarea name=(name) rows="2" maxlength="2000" aria-invalid=[error.map(|_| "true")] { (given.get(name)) }
            (error_at(name, given))
        }
    }
}

/// A date.
pub fn date(words: &str, name: &str, given: &Given) -> Markup {
    let error = given.error(name);
    html! {
        label { (words)
            input type="date" name=(name) value=(given.get(name)) aria-invalid=[error.map(|_| "true")];
            (error_at(name, given))
        }
    }
}

/// One of several, as buttons of which one is on.
pub fn choice(words: &str, name: &str, given: &Given, options: &[(&str, &str)]) -> Markup {
    html! {
        fieldset.choices {
            legend { (words) }
            @for (value, words) in options {
                label.choice { input type="radio" name=(name) value=(value) checked[given.get(name) == *value]; (words) }
            }
            (error_at(name, given))
        }
    }
}

/// What is wrong with a form, at the top of its page, where the reader is when the page is there: a link to each field, with
/// its label where the words do not name it. Nothing when nothing is wrong.
pub fn summary<'a>(errors: impl IntoIterator<Item = (&'a str, &'a str, &'a str)>) -> Markup {
    summary_of("Nothing was kept.", errors)
}

/// The same for a question, which keeps nothing: what did not come of it.
pub fn summary_of_question<'a>(errors: impl IntoIterator<Item = (&'a str, &'a str, &'a str)>) -> Markup {
    summary_of("Nothing was worked out.", errors)
}

fn summary_of<'a>(outcome: &str, errors: impl IntoIterator<Item = (&'a str, &'a str, &'a str)>) -> Markup {
    let errors: Vec<_> = errors.into_iter().collect();
    html! {
        @if !errors.is_empty() {
            div.notice role="alert" tabindex="-1" autofocus {
                p { strong { (outcome) " Mend what is marked below:" } }
                ul { @for (field, label, words) in errors {
                    li { a href={ "#" (anchor(field)) } { @if !label.is_empty() { (label) ": " } (words) } }
                } }
            }
        }
    }
}

/// The name of the place on the page where it is said what is wrong with a field.
pub fn anchor(field: &str) -> String {
    format!("wrong-{field}")
}

/// What is wrong with a field, where something is.
pub fn error_line(error: Option<&str>) -> Markup {
    html! { @if let Some(words) = error { span.field-error { (words) } } }
}

/// The same, as a place to lead to.
pub fn error_at(field: &str, given: &Given) -> Markup {
    html! { @if let Some(words) = given.error(field) { span.field-error id=(anchor(field)) { (words) } } }
}
