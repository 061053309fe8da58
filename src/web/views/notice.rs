//! One temporary notice, as it is printed, and those that stand today, as pages about their trails say it.

use maud::Markup;
use maud::html;

/// The page.
#[derive(Debug, Clone)]
pub struct NoticePage {
    /// The text in each language: language tag, then the notice.
    pub texts: Vec<(String, NoticeText)>,
    /// Whether it stands today, in words; none when it does.
    pub not_standing: Option<String>,
    /// The line at the foot: area, number and revision.
    pub foot: String,
    /// The side for staff, a paragraph each: which notice it is, and on what revision and settings it rests.
    pub staff: Vec<String>,
}

/// A temporary notice that stands today.
#[derive(Debug, Clone)]
pub struct StandingNotice {
    /// What visitors read first.
    pub title: String,
    /// Its address.
    pub href: String,
    /// Its first day, in words.
    pub from: String,
    /// Its last day, in words.
    pub until: String,
}

/// What stands today, a line each.
pub fn list(notices: &[StandingNotice]) -> Markup {
    html! {
        ul { @for notice in notices { li { a href=(notice.href) { (notice.title) } ", from " (notice.from) " until " (notice.until) } } }
    }
}

/// What stands today about the trails of a page; nothing where none does.
pub fn standing(notices: &[StandingNotice]) -> Markup {
    html! {
        @if !notices.is_empty() {
            div.notice role="note" aria-label="Temporary notices" {
                p { strong { @if notices.len() == 1 { "A notice stands here today, about the whole trail:" } @else { "Notices stand here today, each about a whole trail:" } } }
                (list(notices))
            }
        }
    }
}

/// A notice made up for tests and previews.
pub fn sample_standing() -> StandingNotice {
    StandingNotice {
        title: "Venomous snakes live along Ledge Walk".to_owned(),
        href: "/notices/3".to_owned(),
        from: "3 May 2026".to_owned(),
        until: "24 May 2026".to_owned(),
    }
}

/// A notice's text.
#[derive(Debug, Clone)]
pub struct NoticeText {
    /// Signal word.
    pub signal_word: String,
    /// Title.
    pub title: String,
    /// Lines.
    pub lines: Vec<String>,
    /// Whom to call.
    pub emergency: String,
    /// First aid.
    pub first_aid: Vec<String>,
    /// Whose word comes first.
    pub authority: String,
}

/// The page's body.
pub fn body(page: &NoticePage) -> Markup {
    html! {
        p.no-print { a href="/watch" { "All notices" } " · Print this page on A4 and take it down after its last day. The last side is for staff." }
        @if let Some(words) = &page.not_standing { p.notice { strong { (words) } } }
        @for (language, text) in &page.texts {
            section.card.notice-sheet lang=(language) {
                p.signal { (text.signal_word) }
                h1 { (text.title) }
                @for line in &text.lines { p.notice-line { (line) } }
                p.notice-emergency { strong { (text.emergency) } }
                ul.small { @for line in &text.first_aid { li { (line) } } }
                p.small { (text.authority) }
                p.small.soft { (page.foot) }
            }
        }
        section.card {
            h2 { "For staff: keep this side, do not put it up" }
            @for words in &page.staff { p { (words) } }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<NoticePage> {
    let text = NoticeText {
        signal_word: "WARNING".to_owned(),
        title: "More snakes than usual have been reported along Ledge Walk".to_owned(),
        lines: vec!["This notice stands from 28 May 2026 to 18 June 2026.".to_owned()],
        emergency: "Bitten? Call 112 at once.".to_owned(),
        first_aid: vec!["Stay calm.".to_owned()],
        authority: "Local emergency services come first.".to_owned(),
    };
    let standing = NoticePage {
        texts: vec![("en".to_owned(), text)],
        not_standing: None,
        foot: "Example Basin, notice 2".to_owned(),
        staff: vec![
            "Notice 2 of Example Basin: Ledge Walk, 28 May 2026 to 18 June 2026.".to_owned(),
            "What was found rests on data revision 12; default settings, 200 draws, seed 1.".to_owned(),
        ],
    };
    vec![
        NoticePage { not_standing: Some("Expired: do not put it up.".to_owned()), ..standing.clone() },
        standing,
    ]
}
