//! How far people walk, where that is known from, and whether the model meets what was counted.

use maud::Markup;
use maud::html;

use crate::web::views::charts;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::thousands;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

mod closures;
mod counters;
mod fit;
mod sample;

pub use self::closures::ClosureRow;
pub use self::counters::CounterCard;
pub use self::fit::ParameterRow;
pub use self::fit::PeriodRow;
pub use self::fit::SiteRow;
pub use self::sample::samples;

/// The page.
#[derive(Debug, Clone)]
pub struct ExposurePage {
    /// The answer, or why there is none.
    pub answer: Result<Exposure, String>,
}

/// What is known of walking.
#[derive(Debug, Clone)]
pub struct Exposure {
    /// The days it is for, in words.
    pub period: String,
    /// Days with counter readings that lie years away from all others: in nothing.
    pub n_days_apart: usize,
    /// Log standard deviation of what the walker model gets wrong between junctions where nobody counts, and whether that is
    /// the default.
    pub place_log_sd: (f64, bool),
    /// All walking, party-kilometres.
    pub total_km: Estimate,
    /// Trails by where their walking is known from.
    pub drawing: MapDrawing,
    /// Counted, fitted, assumed, not walked: words, length of trail in km, party-kilometres.
    pub kinds: Vec<(&'static str, f64, Estimate)>,
    /// By trail.
    pub trails: Vec<TrailRow>,
    /// The stretches of the trail picked, with its name.
    pub stretches: Option<(String, Vec<StretchRow>)>,
    /// Counters.
    pub counters: Vec<CounterCard>,
    /// Where the counts say far fewer or far more walkers than the prior, a sentence a side.
    pub against_prior: Vec<String>,
    /// What the counts identify, a sentence each.
    pub identified: Vec<String>,
    /// Parameters of the walker model.
    pub parameters: Vec<ParameterRow>,
    /// Counted against expected, by site.
    pub sites: Vec<SiteRow>,
    /// Mean party size: where, mean, standard error.
    pub party_sizes: Vec<PartySizeRow>,
    /// Trailheads and trails that were taken out and have party sizes.
    pub party_sizes_apart: Vec<String>,
    /// Closures and what they did.
    pub closures: Vec<ClosureRow>,
    /// Counter sites that counted only while they were closed, a sentence each.
    pub lost_to_closures: Vec<String>,
    /// Places with parties who visited; none where visits are not known.
    pub places: Vec<(String, Option<Estimate>)>,
    /// Party-kilometres inside places with visits, in no segment's.
    pub inside_places_km: Estimate,
    /// Trails with records where nobody is said to walk: trail, segments, records; or why that cannot be said.
    pub contradictions: Result<Vec<(String, usize, f64)>, String>,
    /// Priors and rules: what, value, source.
    pub assumptions: Vec<(&'static str, String, &'static str)>,
}

/// One trail.
#[derive(Debug, Clone)]
pub struct TrailRow {
    /// Its name.
    pub name: String,
    /// Where its stretches are shown.
    pub href: String,
    /// Length, km.
    pub length_km: f64,
    /// Party-kilometres.
    pub km: Estimate,
    /// Where its walking is known from, in words.
    pub known_from: String,
}

/// One stretch of the trail picked.
#[derive(Debug, Clone)]
pub struct StretchRow {
    /// Its name.
    pub name: String,
    /// Its page.
    pub href: String,
    /// Party-kilometres.
    pub km: Estimate,
    /// Where its walking is known from.
    pub known_from: &'static str,
}

/// A mean party size.
#[derive(Debug, Clone)]
pub struct PartySizeRow {
    /// Whose parties: "from West Gate", "on Ledge Walk", or words for the rest.
    pub where_at: String,
    /// The time it holds for, in words.
    pub when: String,
    /// How many parties were counted.
    pub n_parties: Option<u32>,
    /// Mean walkers in a party.
    pub mean: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Whether the walker model uses it.
    pub is_used: bool,
    /// Whether it is that of those who walk on a trail, not of those who start somewhere.
    pub is_of_a_trail: bool,
}

/// The page's body.
pub fn body(page: &ExposurePage) -> Markup {
    let exposure = match &page.answer {
        Ok(exposure) => exposure,
        Err(reason) => return html! { h1 { "Walking" } p.card { (reason) } },
    };
    html! {
        h1 { "Walking" }
        p {
            "Parties walked about " strong { (km(exposure.total_km.value)) " km" } " on all trails together "
            "(95 % interval " (km(exposure.total_km.lower)) " to " (km(exposure.total_km.upper)) ") " (exposure.period) ". "
            (verdict(exposure))
        }
        @if exposure.n_days_apart > 0 {
            p.notice {
                "Counters have readings of " (exposure.n_days_apart) @if exposure.n_days_apart == 1 { " day that lies" } @else { " days that lie" }
                " more than a year away from all others, as when a clock is lost. They are in nothing: correct the clock, or take the batch back."
            }
        }
        @for words in &exposure.against_prior { p.notice { (words) } }
        div.grid {
            section.card { (svg_map::draw(&exposure.drawing)) (legend()) }
            section.card { h2 { "Where this is known from" } (kinds(exposure)) }
        }
        (trails(exposure))
        @if let Some((name, stretches)) = &exposure.stretches { (stretch_table(name, stretches)) }
        (contradictions(exposure))
        (fit::section(exposure))
        (counters::section(exposure))
        (fit::identified(exposure))
        (closures::section(exposure))
        (sizes_and_places(exposure))
        (assumptions(exposure))
    }
}

/// What a manager needs to know of the fit in one sentence.
fn verdict(exposure: &Exposure) -> String {
    let flagged = exposure.sites.iter().filter(|site| site.is_flagged()).count();
    match (exposure.sites.len(), flagged) {
        (0, _) => "No counter was read, so all of it rests on assumptions.".to_owned(),
        (1, 0) => "What was counted at the one counter site lies within what the model expects.".to_owned(),
        (n, 0) => format!("What was counted at the {n} counter sites lies within what the model expects."),
        (n, flagged) => {
            format!(
                "At {flagged} of {n} counter sites the months or hours differ from what the model expects: see below."
            )
        }
    }
}

/// How far the walker model is trusted where nobody counts.
fn trust((log_sd, is_default): (f64, bool)) -> String {
    if log_sd <= 0.0 {
        return "The intervals take the walker model for true where no counter stands: the setting model-error-elsewhere is 0. They are \
                too narrow by what it gets wrong there."
            .to_owned();
    }
    let factor = (1.96 * log_sd).exp();
    let allowed = format!(
        "Where no counter stands the intervals allow for what the walker model gets wrong from one junction to the next: up to a factor of \
         {factor:.1} (setting model-error-elsewhere)."
    );
    if is_default {
        format!(
            "{allowed} In twelve made-up parks whose walkers followed another model, 95 % intervals of walking held the truth on 97 of 100 \
             counted and fitted segments, and on 88 of 100 assumed ones; those of rates held it on 98, 97 and 98 of 100."
        )
    } else {
        allowed
    }
}

fn kinds(exposure: &Exposure) -> Markup {
    html! {
        table.stack {
            thead { tr { th scope="col" { "Walking is" } th.num scope="col" { "km of trail" } th.num scope="col" { "Party-km" } th.num scope="col" { "95 % interval" } } }
            tbody { @for (words, length_km, walked) in &exposure.kinds { tr {
                th scope="row" { (words) }
                td.num data-label="km of trail" { (format!("{length_km:.1}")) }
                td.num data-label="Party-km" { (km(walked.value)) }
                td.num data-label="95 % interval" { (interval(*walked)) }
            } } }
        }
        p.small.soft {
            "Counted: a counter stands on the same piece of trail. Fitted: the walker model, held by counters. Assumed: the "
            "walker model on stated priors; no rank, no exceedance and no cluster is given there. Not walked: fewer than one "
            "passage of a party is expected. Lengths go by segment; the map and decisions judge a stretch, routes and forecasts a "
            "trail or the way asked for, as a whole, so that theirs differ by some kilometres."
        }
        p.small.soft { (trust(exposure.place_log_sd)) }
    }
}

fn legend() -> Markup {
    let line = |class: &str, words: &str| {
        html! { li { svg width="40" height="8" aria-hidden="true" { path class=(class) d="M0 4H40" {} } " " (words) } }
    };
    html! {
        ul.line-legend {
            (line("narrow c4", "counted")) (line("narrow c2", "fitted"))
            (line("wide-interval c1", "assumed")) (line("no-walking", "not walked"))
        }
    }
}

fn trails(exposure: &Exposure) -> Markup {
    html! {
        section.card #trails {
            h2 { "By trail" }
            p.small.soft { "Kilometres walked by parties, both directions, out and home. Pick a trail for its stretches." }
            table.stack {
                thead { tr { th scope="col" { "Trail" } th.num scope="col" { "Length, km" } th.num scope="col" { "Party-km" } th.num scope="col" { "95 % interval" } th scope="col" { "Walking is" } } }
                tbody { @for trail in &exposure.trails { tr {
                    th scope="row" { a href=(trail.href) { (trail.name) } }
                    td.num data-label="Length, km" { (format!("{:.1}", trail.length_km)) }
                    td.num data-label="Party-km" { (km(trail.km.value)) }
                    td.num data-label="95 % interval" { (interval(trail.km)) }
                    td data-label="Walking is" { (trail.known_from) }
                } } }
            }
        }
    }
}

fn stretch_table(name: &str, stretches: &[StretchRow]) -> Markup {
    html! {
        section.card #stretches {
            h2 { "Stretches of " (name) }
            table.stack {
                thead { tr { th scope="col" { "Stretch" } th.num scope="col" { "Party-km" } th.num scope="col" { "95 % interval" } th scope="col" { "Walking is" } } }
                tbody { @for stretch in stretches { tr {
                    th scope="row" { a href=(stretch.href) { (stretch.name) } }
                    td.num data-label="Party-km" { (km(stretch.km.value)) }
                    td.num data-label="95 % interval" { (interval(stretch.km)) }
                    td data-label="Walking is" { (stretch.known_from) }
                } } }
            }
        }
    }
}

fn contradictions(exposure: &Exposure) -> Markup {
    html! {
        section.card {
            h2 { "Records where nobody is said to walk" }
            @match &exposure.contradictions {
                Err(reason) => p { (reason) },
                Ok(found) if found.is_empty() => p { "None: every report on a trail lies where somebody walks." },
                Ok(found) => {
                    p { "Exposure contradicts records here: a trailhead or a path may be missing, or the reports lie elsewhere. No rate is given." }
                    table.stack {
                        thead { tr { th scope="col" { "Trail" } th.num scope="col" { "Segments" } th.num scope="col" { "Reports" } } }
                        tbody { @for (name, n_segments, count) in found { tr {
                            th scope="row" { (name) }
                            td.num data-label="Segments" { (n_segments) }
                            td.num data-label="Reports" { (format!("{count:.1}")) }
                        } } }
                    }
                }
            }
        }
    }
}

fn sizes_and_places(exposure: &Exposure) -> Markup {
    html! {
        div.grid {
            section.card {
                h2 { "Party size" }
                table.stack {
                    thead { tr { th scope="col" { "Walkers" } th scope="col" { "When" } th.num scope="col" { "Parties counted" } th.num scope="col" { "Mean" } th.num scope="col" { "Standard error" } } }
                    tbody { @for row in &exposure.party_sizes { tr {
                        th scope="row" { (row.where_at) }
                        td data-label="When" { (row.when) @if !row.is_used { " (not used)" } }
                        td.num data-label="Parties counted" { @match row.n_parties { Some(n) => { (thousands(i64::from(n))) }, None => "not given" } }
                        td.num data-label="Mean" { (format!("{:.2}", row.mean)) }
                        td.num data-label="Standard error" { (format!("{:.2}", row.standard_error)) }
                    } } }
                }
                @if exposure.party_sizes.iter().any(|row| !row.is_used) {
                    p.small.soft { "A mean that is not used holds for days outside the days looked at, and nearer ones stand for these; or its trailhead or trail is not on the map." }
                }
                @if !exposure.party_sizes_apart.is_empty() {
                    p { "Sizes of " (exposure.party_sizes_apart.join(", ")) " hold nowhere: no trailhead or trail of that name is there now. They hold again as soon as one comes in." }
                }
                @if exposure.party_sizes.iter().any(|row| row.is_of_a_trail) {
                    p.small.soft { "A mean on a trail turns all who walk there into parties, wherever they started. Elsewhere that of their trailhead does, or else that of the whole area." }
                }
            }
            section.card {
                h2 { "Visits of places" }
                @if exposure.places.is_empty() { p { "No places yet." } } @else { table.stack {
                    thead { tr { th scope="col" { "Place" } th.num scope="col" { "Parties" } th.num scope="col" { "95 % interval" } } }
                    tbody { @for (name, visits) in &exposure.places { tr {
                        th scope="row" { (name) }
                        @match visits {
                            Some(visits) => {
                                td.num data-label="Parties" { (km(visits.value)) }
                                td.num data-label="95 % interval" {
                                    // A number that somebody stated has no error that anybody knows.
                                    @if visits.lower < visits.upper { (interval(*visits)) } @else { "as stated" }
                                }
                            }
                            None => { td.num data-label="Parties" colspan="2" { "not known" } }
                        }
                    } } }
                } }
                @if exposure.inside_places_km.value > 0.0 {
                    p.small.soft { "Snakes met inside a place belong to it and are divided by its visits. So the " (km(exposure.inside_places_km.value)) " km (95 % interval " (interval(exposure.inside_places_km)) ") that parties walked on trails inside places are left out of the trails." }
                }
                @if exposure.places.iter().any(|(_, visits)| visits.is_none()) {
                    p.small.soft { "A place whose visits are not known holds only what lies off all trails." }
                }
            }
        }
    }
}

fn assumptions(exposure: &Exposure) -> Markup {
    html! {
        details.card {
            summary { "Priors and rules" }
            p.small.soft { "What is drawn from a prior is drawn from these; medians with 95 % limits." }
            table.stack {
                thead { tr { th scope="col" { "What" } th.num scope="col" { "Value" } th scope="col" { "Where it comes from" } } }
                tbody { @for (name, value, source) in &exposure.assumptions { tr {
                    th scope="row" { (name) } td.num data-label="Value" { (value) } td data-label="Where it comes from" { (source) }
                } } }
            }
        }
    }
}

/// A whole number of kilometres or parties, with a place after the point where there are few.
fn km(value: f64) -> String {
    if value > 0.0 && value < 9.95 { charts::format_rate(value) } else { thousands(value.round() as i64) }
}

fn interval(estimate: Estimate) -> String {
    format!("{}–{}", km(estimate.lower), km(estimate.upper))
}
