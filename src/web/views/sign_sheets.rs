//! The texts of a plan's signs, a sheet each, for the sign maker and for the crew.

use maud::Markup;
use maud::html;

use crate::web::views::notice::NoticeText;

/// The page.
#[derive(Debug, Clone)]
pub struct SheetsPage {
    /// The signs in the order of the plan.
    pub signs: Vec<SignSheets>,
    /// Area and revision, for the foot of every sheet.
    pub basis: String,
    /// Where the plan is.
    pub plan_href: String,
}

/// One sign.
#[derive(Debug, Clone)]
pub struct SignSheets {
    /// Its number in the plan.
    pub number: usize,
    /// Where it stands; for the crew, not on the sheet.
    pub place: String,
    /// Whether it stands already.
    pub standing: bool,
    /// How large its letters have to be.
    pub letters: String,
    /// The text in each language: language tag, then the text.
    pub texts: Vec<(String, NoticeText)>,
}

/// The page's body.
pub fn body(page: &SheetsPage) -> Markup {
    html! {
        div.no-print {
            div.page-head { h1 { "Texts of the signs" } a.button href=(page.plan_href) { "Sign plan" } }
            p { "A sheet for each sign and language, for the sign maker and for checking. Printed on A4 they are texts, not signs: the letters of a sign have to be as large as said here to be read in passing." }
            p.caution { strong { "Have every text checked before it is put up." } " Local emergency services, local codes and licensed practitioners come first. A sheet says nowhere where its sign stands: keep its number with it." }
            ul { @for sign in &page.signs { li {
                a href={ "#sign-" (sign.number) } { "Sign " (sign.number) } ": " (sign.place) ", " (sign.letters)
                @if sign.standing { " (in place already: print it only to replace what stands there)" }
            } } }
        }
        @for sign in &page.signs { @for (idx, (language, text)) in sign.texts.iter().enumerate() {
            section.card.notice-sheet lang=(language) id=[(idx == 0).then(|| format!("sign-{}", sign.number))] {
                p.signal { (text.signal_word) }
                h2.sheet-title { (text.title) }
                @for line in &text.lines { p.notice-line { (line) } }
                p.notice-emergency { strong { (text.emergency) } }
                @if !text.first_aid.is_empty() { ul.small { @for line in &text.first_aid { li { (line) } } } }
                p.small { (text.authority) }
                p.small.soft { (page.basis) ", " (sign.number) }
            }
        } }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<SheetsPage> {
    let text = NoticeText {
        signal_word: "WARNING".to_owned(),
        title: "Venomous snakes".to_owned(),
        lines: vec!["Stay on the trail.".to_owned()],
        emergency: "Bitten? Call 112 at once.".to_owned(),
        first_aid: Vec::new(),
        authority: "Local emergency services come first.".to_owned(),
    };
    let panel = NoticeText { first_aid: vec!["Stay calm.".to_owned()], ..text.clone() };
    let sign = |number, standing, text| SignSheets {
        number,
        place: "Ledge Walk, junction with Swale Path".to_owned(),
        standing,
        letters: "letters at least 25 mm, read from 9 m".to_owned(),
        texts: vec![("en".to_owned(), text)],
    };
    vec![SheetsPage {
        signs: vec![sign(1, false, panel), sign(2, true, text)],
        basis: "Example Basin, data revision 12, sign".to_owned(),
        plan_href: "/signs?signs=2".to_owned(),
    }]
}
