//! The route question: what to expect on a walk, beside the area's trails.

mod area;
mod figures;
mod form;
mod samples;
mod staff;

pub use crate::web::views::route::samples::samples;

use maud::Markup;
use maud::html;

use crate::analysis::forecast::PeriodKnown;
use crate::domain::time::PartOfDay;
use crate::signage::cautions::Cautions;
use crate::web::views::charts::Estimate;
use crate::web::views::figure;
use crate::web::views::figure::Behind;
use crate::web::views::notice;
use crate::web::views::notice::StandingNotice;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// Kilometres inside places that are worth a word.
const SHOWN_KM: f64 = 0.05;

/// The page.
#[derive(Debug, Clone)]
pub struct RoutePage {
    /// The map, with the route where there is one.
    pub drawing: MapDrawing,
    /// What a click on the map chooses.
    pub picking: Picking,
    /// What was asked, as typed.
    pub form: RouteForm,
    /// The starts and ends there are: name, and what they are.
    pub stops: Vec<(String, &'static str)>,
    /// The trails there are, by number.
    pub trails: Vec<String>,
    /// What is wrong with what was asked: field and words.
    pub errors: Vec<(String, String)>,
    /// The answer, or why there is none; nothing before a question.
    pub answer: Option<Result<RouteShown, String>>,
    /// The same question for each trail: out and back, as far.
    pub beside: Vec<BesideRow>,
    /// How far out the trails beside are walked, km.
    pub beside_out_km: f64,
    /// The whole area, or why there is nothing to say of it.
    pub area: Result<AreaShown, String>,
    /// Contacts and bites, for staff.
    pub contacts: Option<ContactsShown>,
    /// What share of the snakes met is reported, in words.
    pub reporting: String,
    /// The local emergency number.
    pub emergency_number: String,
    /// What is said about snakes and bites.
    pub cautions: Cautions,
    /// The distance that the land manager asks to keep, in words; empty when not set.
    pub keep_distance: String,
}

/// What a click on a stretch chooses; marks of trailheads and places always choose the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Picking {
    /// Where the walk begins.
    Start,
    /// Where it ends.
    End,
    /// The trail that it goes along, so far out.
    Along,
}

impl Picking {
    /// What a click does, in a sentence.
    fn words(self) -> &'static str {
        match self {
            Self::Start => {
                "Pick a square, which is a trailhead or a place, or any stretch of trail: the walk begins there."
            }
            Self::End => {
                "Pick a stretch of trail and the walk ends there, or a square and it begins there instead."
            }
            Self::Along => {
                "Pick a square and the walk begins at that trailhead or place, or a stretch and it goes along that trail; the distance stays as asked."
            }
        }
    }
}

/// What was asked, as typed.
#[derive(Debug, Clone, Default)]
pub struct RouteForm {
    /// Start.
    pub from: StopField,
    /// On the way.
    pub via: StopField,
    /// End.
    pub to: StopField,
    /// Whether it is walked back.
    pub is_return: bool,
    /// How far out, km.
    pub km: String,
    /// Trail to stay on.
    pub trail: String,
    /// Month, 1 to 12.
    pub month: Option<i8>,
    /// Part of the day.
    pub part: Option<PartOfDay>,
    /// Parties.
    pub parties: String,
}

/// A start, an end or what lies between, as typed.
#[derive(Debug, Clone, Default)]
pub struct StopField {
    /// The name, or the number of a point picked on the map.
    pub text: String,
    /// Where a point picked on the map lies; empty for others.
    pub picked: String,
}

/// Estimates of one way of counting kilometres walked twice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoundShown {
    /// Reported encounters of one party.
    pub expected: Estimate,
    /// Probability that one party reports at least one snake.
    pub at_least_one: Estimate,
    /// Reported encounters of all parties.
    pub expected_of_all: Estimate,
    /// Probability of at least one report of all parties together.
    pub at_least_one_of_all: f64,
    /// Limits of the number of reports of all parties.
    pub predicted_of_all: (u64, u64),
}

/// Figures of a walk.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FiguresShown {
    /// Some of it can be estimated.
    Estimated {
        /// Each kilometre once.
        lower: BoundShown,
        /// Each kilometre as often as it is walked.
        upper: BoundShown,
    },
    /// Too little walking is known in the period for a figure.
    TooLittleKnown(PeriodKnown),
    /// Nothing of it can be estimated.
    NotEstimable,
}

/// Kilometres of a walk by what is known of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KmShown {
    /// All of them.
    pub walked: f64,
    /// On assumed walking.
    pub assumed: f64,
    /// Without known walking: in no figure.
    pub unexposed: f64,
    /// Where exposure contradicts the records: in no figure.
    pub contradicting: f64,
    /// Inside places with visits.
    pub at_places: f64,
}

/// An answer.
#[derive(Debug, Clone)]
pub struct RouteShown {
    /// The route in words.
    pub title: String,
    /// Month and part of the day in words.
    pub period_words: String,
    /// Why the period has no figure of its own, in words.
    pub too_little: Option<String>,
    /// What the reports of the period by themselves allow at most, per km, where it has few.
    pub alone_per_km: Option<f64>,
    /// Parties.
    pub n_parties: u32,
    /// Whether anything is walked twice.
    pub is_doubled: bool,
    /// Its figures.
    pub figures: FiguresShown,
    /// Its kilometres.
    pub km: KmShown,
    /// What stands behind its figures, of all months and hours.
    pub behind: Behind,
    /// Kilometres by trail.
    pub by_trail: Vec<(String, f64)>,
    /// Variance of counts over their mean.
    pub dispersion: f64,
    /// Temporary notices that stand today about trails it uses.
    pub notices: Vec<StandingNotice>,
}

/// A trail's own out-and-back.
#[derive(Debug, Clone)]
pub struct BesideRow {
    /// The trail.
    pub trail: String,
    /// From which trailhead.
    pub trailhead: String,
    /// Its figures.
    pub figures: FiguresShown,
    /// Its kilometres.
    pub km: KmShown,
    /// What stands behind its figures, of all months and hours.
    pub behind: Behind,
}

/// The whole area in a period of a mean year.
#[derive(Debug, Clone)]
pub struct AreaShown {
    /// Month and part of the day in words.
    pub period_words: String,
    /// Whether it is of a whole year, not of a month.
    pub is_year: bool,
    /// Parties that walk the average of all walking.
    pub n_parties: u32,
    /// Whether they are as many as on an average day.
    pub is_usual: bool,
    /// Kilometres of trail by what is known of them.
    pub trail_km: KmShown,
    /// Months of the period of which nothing was counted.
    pub n_months_unknown: usize,
    /// Whether something was closed for a time that counts as open here.
    pub is_reopened: bool,
    /// Reports and walking that the rates rest on, in all months and hours.
    pub behind: Behind,
    /// The figures, or why there are none.
    pub numbers: Result<Box<AreaNumbers>, String>,
}

/// Figures of the whole area. Bounds count each kilometre of a party once, and as often as it is walked.
#[derive(Debug, Clone)]
pub struct AreaNumbers {
    /// Kilometres that a party walks on average.
    pub party_km: Estimate,
    /// Parties of the whole period.
    pub parties: Estimate,
    /// One party and several that walk that average.
    pub of_parties: (BoundShown, BoundShown),
    /// All parties of the period.
    pub of_all: (BoundShown, BoundShown),
    /// Kilometres of all of them, where there are rates.
    pub walked_km: f64,
    /// Of these, on assumed walking.
    pub assumed_km: f64,
}

/// A share with its prior.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareShown {
    /// Encounters that showed it.
    pub shown: u64,
    /// Encounters of which it is known.
    pub watched: u64,
    /// Parameters of the Beta prior.
    pub prior: (f64, f64),
    /// Part of the estimate that is the prior's.
    pub prior_part: f64,
}

/// Contacts and bites of the area.
#[derive(Debug, Clone)]
pub struct ContactsShown {
    /// Contacts underfoot, bites, and bites of the prior alone, per 100,000 km; none without approaches.
    pub per_100_000_km: Option<(Estimate, Estimate, f64)>,
    /// Share underfoot.
    pub underfoot: ShareShown,
    /// Share with a bite.
    pub bite: ShareShown,
}

/// The page's body.
pub fn body(page: &RoutePage) -> Markup {
    html! {
        h1 { "What to expect on a walk" }
        p.soft { "Choose where a walk begins and ends, or how far it goes from a trailhead. The answer rests on past reports and past walking." }
        // What was asked comes first, so that nobody on a phone has to look for the answer under the forms.
        @match &page.answer {
            Some(Ok(shown)) => {
                (figures::answer(shown))
                (notice::standing(&shown.notices))
                (figure::of_reports(&page.reporting))
                (cautions(page))
                details.card.no-print { summary { span.summary-title { "Ask about another walk" } } (form::forms(page)) }
            }
            other => {
                (form::forms(page))
                @if let Some(Err(reason)) = other { p.card { (reason) } }
                (figure::of_reports(&page.reporting))
                (cautions(page))
            }
        }
        div.grid {
            section.card #map {
                h2 { "Map" }
                p.small.soft { (page.picking.words()) }
                div.map-box.route-map { (svg_map::draw(&page.drawing)) }
                p.small.soft { "The route is drawn under the stretches. Trails can also be chosen in the forms." }
            }
            @if let Some(Ok(shown)) = &page.answer { (figures::details(shown)) }
        }
        (figures::beside(page))
        (area::area(&page.area))
        @if let Some(contacts) = &page.contacts { (staff::staff(contacts)) }
    }
}

fn cautions(page: &RoutePage) -> Markup {
    let said = &page.cautions;
    html! {
        section.card.caution {
            p { "A low figure does not make a trail safe: it describes past reports, not the snake beside the path today. " (said.walking) }
            p { (said.meeting) @if let Some(text) = said.keep_distance(&page.keep_distance) { " " (text) } }
            p { strong { (said.bite(&page.emergency_number)) } " " (said.authority) " "
                a href="/about#cautions" { "Cautions" }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Words that would make a promise. "safe" may stand in one sentence only: the one that denies it.
    #[test]
    fn no_page_says_that_a_trail_is_safe() {
        for page in samples() {
            let drawn = body(&page).into_string().to_lowercase();
            let denied = drawn.replace("a low figure does not make a trail safe", "");
            for word in
                ["safe", "harmless", "no risk", "risk-free", "no danger", "nothing to fear", "recommended"]
            {
                assert!(!denied.contains(word), "{word}");
            }
            assert!(drawn.contains("a low figure does not make a trail safe"));
            assert!(drawn.contains("call 112 at once"));
        }
    }
}
