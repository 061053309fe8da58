//! Seen or missed.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;

/// The page.
#[derive(Debug, Clone, Default)]
pub struct ObserversPage {
    /// What pairs of each kind of observer say, those of all kinds pooled last.
    pub kinds: Vec<KindShown>,
    /// Counts by pair of people.
    pub pairs: Vec<PairShown>,
}

/// What pairs of one kind of observer say.
#[derive(Debug, Clone, Default)]
pub struct KindShown {
    /// Its heading.
    pub title: &'static str,
    /// What is to be known of it; empty where there is nothing.
    pub note: &'static str,
    /// What two who look independently say, if anybody did.
    pub independent: Option<ProtocolShown>,
    /// What leader and follower say, if anybody did.
    pub lead_follow: Option<ProtocolShown>,
    /// Models in which detection depends on the meeting.
    pub models: Vec<ModelRow>,
    /// Encounters that the models rest on.
    pub n_modelled: usize,
}

/// What one protocol says.
#[derive(Debug, Clone, Default)]
pub struct ProtocolShown {
    /// The sentence for everybody.
    pub sentence: String,
    /// What the figures rest on.
    pub counts: String,
    /// Detection: of whom, and the share or why there is none.
    pub detection: Vec<(String, Result<Estimate, String>)>,
    /// The number of snakes that could be seen, in words.
    pub number: String,
    /// What limits the answer; empty where nothing beyond the usual does.
    pub caution: String,
}

/// A model.
#[derive(Debug, Clone)]
pub struct ModelRow {
    /// What detection depends on, in words.
    pub name: String,
    /// Akaike's criterion above the smallest, the share that either sees and the number of snakes; or why there is none.
    pub fit: Result<ModelFit, String>,
    /// Whether it has the smallest criterion.
    pub is_best: bool,
}

/// The fit of a model.
#[derive(Debug, Clone, Default)]
pub struct ModelFit {
    /// Criterion above the smallest.
    pub above_best: f64,
    /// Mean shares that the first, the second, and either sees.
    pub shares: [f64; 3],
    /// The number of snakes in words.
    pub number: String,
    /// Coefficients in words.
    pub effects: Vec<String>,
}

/// Two people.
#[derive(Debug, Clone, Default)]
pub struct PairShown {
    /// First and second, and how they shared the stretch.
    pub who: String,
    /// Walks.
    pub n_walks: usize,
    /// Encounters by the first only, the second only, both.
    pub counts: [u64; 3],
    /// Of what the other noticed, the share that the first and the second noticed.
    pub detection: [Option<Estimate>; 2],
}

/// The page's body.
pub fn body(page: &ObserversPage) -> Markup {
    html! {
        h1 { "Seen or missed" }
        p.soft { "Two observers on the same stretch show how many snakes one of them walks past." }
        @if page.kinds.is_empty() {
            section.card {
                p { strong { "No survey walk with two observers has been brought in yet, so it is not known how many snakes surveyors miss." } }
                p { "Walk a stretch in pairs, either each for themselves without a word, or one ahead and one behind who notes only what the first missed. Then " a href="/data/import" { "bring in" } " a file of the kind double-observer with the columns eventID, protocol (independent or lead-follow), firstObserver, secondObserver, occurrenceID, byFirst and bySecond. Walks and encounters come first; a row without occurrenceID says that neither saw any. The columns firstObserverKind and secondObserverKind may say what kind of observer each is: surveyor, ranger, volunteer or visitor." }
                p { "About 30 encounters, seven or more of them noticed by both, give a first usable answer." }
            }
        }
        @if !page.kinds.is_empty() {
            p.small.soft { "Detection is of one kind of observer: each is shown for itself, and what pairs of one kind notice is never taken for another." }
        }
        @for kind in &page.kinds {
            h2 { (kind.title) }
            @if !kind.note.is_empty() { p.small.soft { (kind.note) } }
            @if let Some(shown) = &kind.independent { (protocol("Two who look independently", shown)) }
            @if !kind.models.is_empty() { (models(kind)) }
            @if let Some(shown) = &kind.lead_follow { (protocol("Leader and follower", shown)) }
        }
        @if !page.pairs.is_empty() { (pairs(&page.pairs)) }
        div.caution {
            p { strong { "A lower bound." } " The numbers speak of snakes that could be seen at all, not of those under ground or under stones. Where some snakes are easier to notice for both, too few are counted." }
            p { "They hold for these observers on these walks, and no kind of observer speaks for another. Visitors look elsewhere and for other things: where no pairs of visitors walked, none of this is carried over to them." }
            p { "Looking closer is no reason to go nearer: note what you see from the trail." }
        }
    }
}

fn protocol(title: &str, shown: &ProtocolShown) -> Markup {
    html! {
        section.card {
            h3 { (title) }
            p { strong { (shown.sentence) } }
            p.small.soft { (shown.counts) }
            @if !shown.caution.is_empty() { p.notice { (shown.caution) } }
            table.stack {
                thead { tr { th scope="col" { "Noticed by" } th.num scope="col" { "Share of visible snakes" } th.num scope="col" { "95 % interval" } } }
                tbody { @for (who, share) in &shown.detection { tr {
                    th scope="row" { (who) }
                    @match share {
                        Ok(share) => {
                            td.num data-label="Share of visible snakes" { (percent(share.value)) }
                            td.num data-label="95 % interval" { (percent(share.lower)) " to " (percent(share.upper)) }
                        }
                        Err(why) => td colspan="2" data-label="No estimate" { (why) },
                    }
                } } }
            }
            p { (shown.number) }
        }
    }
}

fn models(kind: &KindShown) -> Markup {
    html! {
        section.card {
            h3 { "What makes a snake easy to notice" }
            p { "Conditional likelihood of " (kind.n_modelled) " encounters for which all of it is known. The smaller the criterion (AIC), the better; within two of the best, models are hardly told apart." }
            table.stack {
                thead { tr {
                    th scope="col" { "Detection depends on" } th.num scope="col" { "AIC above the best" }
                    th.num scope="col" { "First, second, either" } th scope="col" { "Snakes that could be seen" }
                } }
                tbody { @for model in &kind.models { tr {
                    th scope="row" { (model.name) @if model.is_best { span.soft { " (best)" } }
                        @if let Ok(fit) = &model.fit { details { summary { "Coefficients" } ul { @for words in &fit.effects { li { (words) } } } } }
                    }
                    @match &model.fit {
                        Ok(fit) => {
                            td.num data-label="AIC above the best" { (format!("{:.1}", fit.above_best)) }
                            td.num data-label="First, second, either" { (percent(fit.shares[0])) ", " (percent(fit.shares[1])) ", " (percent(fit.shares[2])) }
                            td data-label="Snakes that could be seen" { (fit.number) }
                        }
                        Err(why) => td colspan="3" data-label="No estimate" { (why) },
                    }
                } } }
            }
        }
    }
}

fn noticed(share: Option<Estimate>) -> String {
    share.map_or_else(String::new, |it| {
        format!("{} ({}–{})", percent(it.value), percent(it.lower), percent(it.upper))
    })
}

fn pairs(pairs: &[PairShown]) -> Markup {
    html! {
        section.card {
            h2 { "Counts by pair" }
            table.stack {
                thead { tr { th scope="col" { "First and second" } th.num scope="col" { "Walks" } th.num scope="col" { "First only" } th.num scope="col" { "Second only" } th.num scope="col" { "Both" } th.num scope="col" { "First noticed" } th.num scope="col" { "Second noticed" } } }
                tbody { @for pair in pairs { tr {
                    th scope="row" { (pair.who) }
                    td.num data-label="Walks" { (pair.n_walks) }
                    td.num data-label="First only" { (pair.counts[0]) }
                    td.num data-label="Second only" { (pair.counts[1]) }
                    td.num data-label="Both" { (pair.counts[2]) }
                    td.num data-label="First noticed" { (noticed(pair.detection[0])) }
                    td.num data-label="Second noticed" { (noticed(pair.detection[1])) }
                } } }
            }
            p.small.soft { "Noticed: of what the other of the two noticed, with exact 95 % limits. People differ; the figures above take all pairs together, which makes the number of snakes too small rather than too large." }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<ObserversPage> {
    let share = |value: f64| -> Result<Estimate, String> {
        Ok(Estimate { value, lower: value - 0.15, upper: value + 0.12 })
    };
    let fit = ModelFit {
        above_best: 0.0,
        shares: [0.61, 0.52, 0.8],
        number: "54 (47 to 72)".to_owned(),
        effects: vec!["distance first noticed, m: -0.310 (standard error 0.110)".to_owned()],
    };
    let independent = ProtocolShown {
        sentence: "Of ten snakes that could be seen, one observer walks past about four.".to_owned(),
        counts: "12 walks, 43 encounters: 15 noticed by the first only, 9 by the second only, 19 by both."
            .to_owned(),
        detection: vec![
            ("First observer".to_owned(), share(0.68)),
            ("Second observer".to_owned(), Err("the first noticed none to judge by".to_owned())),
        ],
        number: "At least 50 snakes could have been seen (95 % interval 45 to 63), 43 were.".to_owned(),
        caution: "Fewer than seven were noticed by both: the interval is too narrow.".to_owned(),
    };
    let surveyors = KindShown {
        title: "Two surveyors",
        note: "",
        independent: Some(independent.clone()),
        lead_follow: Some(ProtocolShown { caution: String::new(), ..independent.clone() }),
        models: vec![
            ModelRow { name: "distance first noticed, m".to_owned(), fit: Ok(fit), is_best: true },
            ModelRow {
                name: "nothing".to_owned(),
                fit: Err("both noticed everything".to_owned()),
                is_best: false,
            },
        ],
        n_modelled: 40,
    };
    let pooled = KindShown {
        title: "All kinds pooled",
        note: "Pairs of all kinds taken together: an average over these walks, and the detection of no kind of observer.",
        independent: Some(independent),
        ..KindShown::default()
    };
    let page = ObserversPage {
        kinds: vec![surveyors, pooled],
        pairs: vec![PairShown {
            who: "A and B, independent, surveyor".to_owned(),
            n_walks: 12,
            counts: [15, 9, 19],
            detection: [share(0.68).ok(), None],
        }],
    };
    vec![page, ObserversPage::default()]
}
