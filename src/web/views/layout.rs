//! The frame of every page.

use maud::DOCTYPE;
use maud::Markup;
use maud::PreEscaped;
use maud::html;

use crate::domain::account::Right;
use crate::web::assets;
use crate::web::auth::Who;

/// What the frame needs to know of a page.
#[derive(Debug, Clone)]
pub struct Frame {
    /// The title, also of the window.
    pub title: String,
    /// Which item of the navigation the page belongs to.
    pub section: Section,
    /// The area's name; empty before there is one.
    pub area_name: String,
    /// What the page rests on: records, revision, parameters.
    pub basis: Basis,
    /// Whether the page fills the window, as the map does.
    pub width: Width,
    /// Who reads it: the navigation leads only where they may go.
    pub reader: Reader,
}

/// Who reads a page, as far as the navigation is concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Reader {
    /// Anybody.
    #[default]
    Visitor,
    /// Somebody who brings in records, and sees exact places of own ones only.
    Contributor,
    /// Somebody who sees exact places.
    Staff,
}

/// How wide the page's body is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Width {
    /// A column that reads well.
    Column,
    /// The whole window.
    Window,
}

/// What a page rests on.
#[derive(Debug, Clone, Default)]
pub struct Basis {
    /// The data revision, where the page shows data.
    pub revision: Option<u64>,
    /// The day on which that revision was written, in words; empty where the page names no revision.
    pub written_on: String,
    /// How many records the page's figures rest on, in words ("1,204 reports and 213 survey encounters").
    pub records: String,
    /// The parameters of the figures, in words.
    pub parameters: String,
}

impl Basis {
    /// "24 of 29 November 2026"; none where the page shows no data.
    fn revision_words(&self) -> Option<String> {
        let revision = self.revision?;
        Some(match self.written_on.as_str() {
            "" => revision.to_string(),
            day => format!("{revision} of {day}"),
        })
    }
}

/// The items of the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Section {
    /// The trail risk map.
    Map,
    /// Trails, stretches, places.
    Trails,
    /// What the records say beyond the map.
    Analysis,
    /// The sign plan.
    Signs,
    /// Encounters and imports.
    Data,
    /// Methods and cautions.
    About,
    /// One's own account.
    Account,
    /// None of them: a page that says what went wrong.
    Elsewhere,
}

impl Section {
    const FOR_STAFF: &'static [NavItem] = &[
        (Self::Map, "/", "Map"),
        (Self::Trails, "/trails", "Trails"),
        (Self::Analysis, "/analysis", "Analysis"),
        (Self::Signs, "/signs", "Signs"),
        (Self::Data, "/data", "Data"),
        (Self::About, "/about", "About"),
        (Self::Account, "/account", "Account"),
    ];
    const FOR_CONTRIBUTORS: &'static [NavItem] = &[
        (Self::Trails, "/", "Trails"),
        (Self::Data, "/data/own", "Your records"),
        (Self::About, "/about", "About"),
        (Self::Account, "/account", "Account"),
    ];
    const FOR_VISITORS: &'static [NavItem] = &[
        (Self::Trails, "/", "Trails"),
        (Self::About, "/about", "About"),
        (Self::Account, "/sign-in", "Sign in"),
    ];

    /// What the navigation leads to: nothing that the reader would be refused.
    fn all_for(reader: Reader) -> &'static [NavItem] {
        match reader {
            Reader::Staff => Self::FOR_STAFF,
            Reader::Contributor => Self::FOR_CONTRIBUTORS,
            Reader::Visitor => Self::FOR_VISITORS,
        }
    }

    /// A phone's bar has room for four.
    fn is_on_the_phone_bar(self, reader: Reader) -> bool {
        reader != Reader::Staff || matches!(self, Self::Map | Self::Trails | Self::Signs | Self::Data)
    }
}

impl From<&Who> for Reader {
    fn from(who: &Who) -> Self {
        if who.may(Right::SeeExact) {
            Self::Staff
        } else if who.may(Right::BringIn) {
            Self::Contributor
        } else {
            Self::Visitor
        }
    }
}

/// A section, its address, its words.
type NavItem = (Section, &'static str, &'static str);

/// Where a page says that newer records wait, if they do.
pub(in crate::web) const NEWER_HERE: &str = "<!-- newer records -->";

/// Says that newer records wait for their figures.
pub(in crate::web) fn newer_records() -> Markup {
    html! {
        p.notice role="status" {
            "Newer records have come in. These are the figures without them, until those of all records are worked out: "
            "look again in a minute."
        }
    }
}

/// The whole page around its body.
pub fn page(frame: &Frame, body: Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (frame.title) " · Coilway" }
                link rel="stylesheet" href=(assets::style_path());
                link rel="icon" href=(assets::icon_path()) type="image/svg+xml";
            }
            body {
                a.skip href="#main" { "Skip to the page" }
                (header(frame.reader, frame.section, &frame.area_name))
                p.only-print.small {
                    (frame.area_name) " · " (frame.title)
                    @if let Some(words) = frame.basis.revision_words() { " · data revision " (words) }
                }
                main #main .wide[frame.width == Width::Window] { (PreEscaped(NEWER_HERE)) (body) }
                (footer(frame))
            }
        }
    }
}

/// The whole page around a body that anybody may see: it names no revision and leads to nothing that its reader may not see.
pub fn public_page(area_name: &str, (reader, section): (Reader, Section), body: Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (area_name) " · Coilway" }
                link rel="stylesheet" href=(assets::style_path());
                link rel="icon" href=(assets::icon_path()) type="image/svg+xml";
            }
            body {
                a.skip href="#main" { "Skip to the page" }
                (header(reader, section, area_name))
                main #main { (body) }
                footer.page-foot { (emergency()) }
            }
        }
    }
}

fn brand() -> Markup {
    html! {
        a.brand href="/" {
            svg viewBox="0 0 28 14" aria-hidden="true" { path d="M2 9c4-9 8-9 12-2s8 7 12-2" {} }
            "Coilway"
        }
    }
}

fn emergency() -> Markup {
    html! {
        p {
            "In an emergency call the local emergency services. Local emergency services, local codes and licensed "
            "practitioners come first; nothing here is medical advice. " a href="/about#cautions" { "Cautions" }
        }
    }
}

fn header(reader: Reader, present: Section, area_name: &str) -> Markup {
    html! {
        header.top {
            (brand())
            nav.nav aria-label="Main" {
                @for (section, href, words) in Section::all_for(reader) {
                    a href=(href) aria-current=[(*section == present).then_some("page")]
                        .desk-only[!section.is_on_the_phone_bar(reader)] { (words) }
                }
            }
            span.area-name { (area_name) }
        }
    }
}

fn footer(frame: &Frame) -> Markup {
    html! {
        footer.page-foot {
            @if let Some(words) = frame.basis.revision_words() {
                p {
                    "Data revision " (words)
                    @if !frame.basis.records.is_empty() { " · " (frame.basis.records) }
                    @if !frame.basis.parameters.is_empty() { " · " (frame.basis.parameters) }
                }
            }
            @if frame.reader == Reader::Staff {
                p.phone-only { a href="/analysis" { "Analysis" } " · " a href="/about" { "About" } " · " a href="/account" { "Account" } }
            }
            (emergency())
        }
    }
}
