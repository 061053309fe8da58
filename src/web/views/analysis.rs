//! The list of everything the records say beyond the map, each under the question it answers.

use maud::Markup;
use maud::html;

/// One page of the analysis: its address, its name, and the question that it answers.
pub struct Entry(pub &'static str, pub &'static str, pub &'static str);

/// All pages of the analysis, in reading order, under what they are for.
pub const ENTRIES: &[(&str, &[Entry])] = &[
    (
        "What to do",
        &[
            Entry(
                "/decisions",
                "Decisions",
                "Which stretches stand out and wait for a decision, and what was decided on which figure?",
            ),
            Entry(
                "/watch",
                "This season against expectation",
                "Does any trail have more encounters this season than former years lead to expect? Temporary notices.",
            ),
            Entry(
                "/route",
                "What to expect on a walk",
                "How often does a party report a snake on this walk, in this month, beside the area's other trails?",
            ),
            Entry(
                "/effect",
                "Did the signs help?",
                "Are fewer snakes met, or stepped over, where signs warn than were to be expected, and what could be found out?",
            ),
        ],
    ),
    (
        "Where and when snakes are met",
        &[
            Entry(
                "/rates",
                "Which stretches stand out",
                "Which stretches have a higher rate than the others, and how many of such calls will be wrong?",
            ),
            Entry(
                "/clusters",
                "Clusters",
                "Where do encounters gather beyond what the walking there explains?",
            ),
            Entry(
                "/density",
                "Density of encounters",
                "Where do records lie close together, and where closer than walking explains?",
            ),
            Entry(
                "/season",
                "Season and hours",
                "In which weeks and at which hours are encounters frequent, given when people walk?",
            ),
        ],
    ),
    (
        "What snakes do",
        &[
            Entry(
                "/reactions",
                "Reactions",
                "What did snakes do when people passed, stood beside, stepped over or on them?",
            ),
            Entry(
                "/reactions/latency",
                "Time until snakes react",
                "How long did it take until a snake struck, or reacted at all?",
            ),
            Entry(
                "/reactions/parts",
                "Strikes by species, life stage, temperature and season",
                "Does what holds for all approaches hold in each part of them?",
            ),
        ],
    ),
    (
        "What the figures rest on",
        &[
            Entry(
                "/exposure",
                "Walking",
                "How far do people walk on each trail, how do we know, and does the model meet what was counted?",
            ),
            Entry(
                "/walks",
                "Survey walks",
                "Where did survey walks go, and what of their tracks lies on the trails?",
            ),
            Entry(
                "/survey",
                "Surveys beside reports",
                "How often do survey teams meet snakes, and what share of that do visitors report?",
            ),
            Entry(
                "/observers",
                "Seen or missed",
                "How many snakes that could be seen do surveyors walk past?",
            ),
        ],
    ),
    (
        "To take along",
        &[
            Entry(
                "/study",
                "Study",
                "Which tables and figures can go into a paper, and how are their numbers made again?",
            ),
            Entry(
                "/reactions/fact-sheet.pdf",
                "Fact sheet (PDF)",
                "What can be said about snakes' reactions on one page, for school classes and visitors?",
            ),
        ],
    ),
];

/// The page's body.
pub fn body(groups: &[(&str, &[Entry])]) -> Markup {
    html! {
        h1 { "Analysis" }
        p.soft { "Each page answers one question, with intervals and the counts behind them." }
        @for (heading, entries) in groups {
            section {
                h2 { (heading) }
                ul.entries { @for Entry(address, name, question) in *entries { li.card {
                    h3 { a href=(address) { (name) } }
                    p { (question) }
                } } }
            }
        }
    }
}
