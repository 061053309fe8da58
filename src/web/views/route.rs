//! The route question: what to expect on a walk, beside the area's trails.

use maud::Markup;
use maud::html;

use crate::analysis::forecast::PeriodKnown;
use crate::domain::time::PartOfDay;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::figure;
use crate::web::views::map::MONTHS;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// The page.
#[derive(Debug, Clone)]
pub struct RoutePage {
    /// The map, with the route where there is one.
    pub drawing: MapDrawing,
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
    /// Contacts and bites, for staff.
    pub contacts: Option<ContactsShown>,
    /// What share of the snakes met is reported, in words.
    pub reporting: String,
    /// The local emergency number.
    pub emergency_number: String,
    /// The distance that the land manager asks to keep, in words; empty when not set.
    pub keep_distance: String,
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
    /// Kilometres by trail.
    pub by_trail: Vec<(String, f64)>,
    /// Variance of counts over their mean.
    pub dispersion: f64,
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
                (answer(shown))
                (figure::of_reports(&page.reporting))
                (cautions(page))
                details.no-print { summary { "Ask about another walk" } (forms(page)) }
            }
            other => {
                (forms(page))
                @if let Some(Err(reason)) = other { p.card { (reason) } }
                (figure::of_reports(&page.reporting))
                (cautions(page))
            }
        }
        div.grid {
            section.card {
                h2 { "Map" }
                p.small.soft { "The first stretch you pick is the start, every further one the end. The route is drawn under the stretches." }
                div.map-box.route-map { (svg_map::draw(&page.drawing)) }
            }
            @if let Some(Ok(shown)) = &page.answer { (details(shown)) }
        }
        (beside(page))
        @if let Some(contacts) = &page.contacts { (staff(contacts)) }
    }
}

fn forms(page: &RoutePage) -> Markup {
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

fn answer(shown: &RouteShown) -> Markup {
    html! {
        section.card {
            h2 { (shown.title) }
            p.soft { (km_words(shown.km.walked)) " · " (shown.period_words) }
            @match shown.figures {
                FiguresShown::Estimated { lower, upper } => {
                    p { strong { (everyday(&lower, &upper, shown.is_doubled)) } }
                    @if shown.n_parties > 1 {
                        p {
                            "Of " (thousands(i64::from(shown.n_parties))) " parties together: "
                            (range(lower.expected_of_all.value, upper.expected_of_all.value)) " reports expected; between "
                            (thousands(lower.predicted_of_all.0 as i64)) " and " (thousands(upper.predicted_of_all.1 as i64))
                            " in 95 of 100 such cases; at least one with a probability of "
                            (percent_range(lower.at_least_one_of_all, upper.at_least_one_of_all)) "."
                        }
                    }
                    @if let (Some(words), Some(per_km)) = (&shown.too_little, shown.alone_per_km) {
                        p.notice { (words) " On a walk as long as this that is at most " (one_in(-(-per_km * shown.km.walked).exp_m1())) " parties." }
                    }
                }
                FiguresShown::TooLittleKnown(known) => {
                    @if let Some(words) = &shown.too_little { p { strong { (words) } } }
                    @if let Some(per_km) = known.at_most_per_km() {
                        p { "On a walk as long as this that is at most " (one_in(-(-per_km * shown.km.walked).exp_m1()))
                            " parties, where the rate is that of all trails together; a stretch may have more. That is a limit, no estimate: few have walked then, so nobody can know." }
                    }
                }
                FiguresShown::NotEstimable => {
                    p { strong { "Nothing can be said of this walk." } " Nobody is known to walk here, so that the records cannot be divided by walking. That is not the same as few snakes." }
                }
            }
            (gaps(&shown.km))
        }
    }
}

/// "About 1 in 40 parties report a snake on this walk (95 % interval 1 in 61 to 1 in 28)."
fn everyday(lower: &BoundShown, upper: &BoundShown, is_doubled: bool) -> String {
    let interval =
        format!("95 % interval {} to {}", one_in(lower.at_least_one.lower), one_in(upper.at_least_one.upper));
    let (low, high) = (one_in(lower.at_least_one.value), one_in(upper.at_least_one.value));
    if !is_doubled || low == high {
        return format!("About {high} parties report a snake on this walk ({interval}).");
    }
    format!(
        "Between about {low} and {high} parties report a snake on this walk, depending on whether the same snake is met \
         again on the way back ({interval})."
    )
}

/// "1 in 40"; "6 in 10" for frequent ones.
fn one_in(probability: f64) -> String {
    if probability >= 0.95 {
        return "nearly all".to_owned();
    }
    if probability >= 0.2 {
        return format!("{:.0} in 10", probability * 10.0);
    }
    if probability < 1e-6 {
        return "fewer than 1 in 1,000,000".to_owned();
    }
    let n = 1.0 / probability;
    let step = 10f64.powf((n.log10() - 1.0).floor()).max(1.0);
    format!("1 in {}", thousands(((n / step).round() * step) as i64))
}

fn km_words(km: f64) -> String {
    format!("{km:.1} km walked")
}

fn range(low: f64, high: f64) -> String {
    let (low, high) = (format_rate(low), format_rate(high));
    if low == high { low } else { format!("{low} to {high}") }
}

fn percent_range(low: f64, high: f64) -> String {
    let (low, high) = (percent(low), percent(high));
    if low == high { low } else { format!("{low} to {high}") }
}

/// Kilometres that rest on assumptions or are in no figure.
fn gaps(km: &KmShown) -> Markup {
    html! {
        @if km.unexposed > 0.0 {
            p.notice { (format!("{:.1} km", km.unexposed)) " of it are on stretches without recorded walking: nothing is known of them, and they are in no figure above." }
        }
        @if km.contradicting > 0.0 {
            p.notice { (format!("{:.1} km", km.contradicting)) " of it are on stretches with encounters but no recorded walking: the walking there is wrong, and they are in no figure above." }
        }
        @if km.assumed > 0.0 {
            p.notice { (format!("{:.1} km", km.assumed)) " of it rest on assumed walking: no counter tells how many people walk there." }
        }
    }
}

fn cautions(page: &RoutePage) -> Markup {
    html! {
        section.card.caution {
            p { "A low figure does not make a trail safe: it describes past reports, not the snake beside the path today. Watch where you put hands and feet, stay on the trail, leash dogs." }
            p { "If you meet a snake, stop, back away slowly and give it room and time. Never catch, chase, kill or handle one, not even a dead one."
                @if !page.keep_distance.is_empty() { " The land manager asks you to keep at least " (page.keep_distance) " away." }
            }
            p { "After a bite move away from the snake and call "
                @if page.emergency_number.is_empty() { "the local emergency number" } @else { strong { (page.emergency_number) } }
                " at once; do not wait for symptoms. Local emergency services, poison centres, local codes and licensed practitioners come first. "
                a href="/about#cautions" { "Cautions" }
            }
        }
    }
}

fn details(shown: &RouteShown) -> Markup {
    html! {
        section.card {
            h2 { "The figures" }
            @if let FiguresShown::Estimated { lower, upper } = shown.figures {
                table.stack {
                    thead { tr {
                        th scope="col" { "One party" } th.num scope="col" { "Estimate" } th.num scope="col" { "95 % interval" }
                    } }
                    tbody {
                        @if shown.is_doubled {
                            (bound_rows("each kilometre once", &lower))
                            (bound_rows("out and back both counted", &upper))
                        } @else { (bound_rows("", &upper)) }
                    }
                }
                p.small.soft {
                    "The probability is averaged over the draws of the rates; at the mean rate it would come out too high. "
                    "Reports of many parties are negative binomial: their variance is " (format!("{:.2}", shown.dispersion))
                    " times their mean, as fitted over months and hours."
                }
            }
            h3 { "Trails walked" }
            ul { @for (trail, km) in &shown.by_trail { li { (trail) ", " (format!("{km:.1} km")) } } }
        }
    }
}

fn bound_rows(how: &str, bound: &BoundShown) -> Markup {
    let with = |words: &str| if how.is_empty() { words.to_owned() } else { format!("{words}, {how}") };
    html! {
        tr {
            th scope="row" { (with("Reports expected")) }
            td.num data-label="Estimate" { (small_number(bound.expected.value)) }
            td.num data-label="95 % interval" { (small_number(bound.expected.lower)) "–" (small_number(bound.expected.upper)) }
        }
        tr {
            th scope="row" { (with("At least one report")) }
            td.num data-label="Estimate" { (fine_percent(bound.at_least_one.value)) }
            td.num data-label="95 % interval" { (fine_percent(bound.at_least_one.lower)) "–" (fine_percent(bound.at_least_one.upper)) }
        }
    }
}

/// Two significant figures: expected encounters of one party are far below one.
fn small_number(value: f64) -> String {
    if value <= 0.0 {
        return "0".to_owned();
    }
    let places = (1.0 - value.log10().floor()).clamp(0.0, 8.0) as usize;
    format!("{value:.places$}")
}

fn fine_percent(share: f64) -> String {
    format!("{} %", small_number(share * 100.0))
}

fn beside(page: &RoutePage) -> Markup {
    html! {
        @if !page.beside.is_empty() {
            section.card {
                h2 { "The same question for each trail" }
                p.small.soft { "From the nearest trailhead along the trail and back, " (format!("{:.1} km", page.beside_out_km)) " out or to its end, same month and part of the day. The order is that of names. Differences smaller than the intervals say nothing." }
                table.stack {
                    thead { tr {
                        th scope="col" { "Trail" } th scope="col" { "From" } th.num scope="col" { "Walked" }
                        th.num scope="col" { "At least one report, a party" } th.num scope="col" { "95 % interval" } th scope="col" { "What is known" }
                    } }
                    tbody { @for row in &page.beside { (beside_row(row)) } }
                }
            }
        }
    }
}

fn beside_row(row: &BesideRow) -> Markup {
    html! {
        tr {
            th scope="row" { (row.trail) }
            td data-label="From" { (row.trailhead) }
            td.num data-label="Walked" { (format!("{:.1} km", row.km.walked)) }
            @match row.figures {
                FiguresShown::Estimated { lower, upper } => {
                    td.num data-label="At least one report, a party" { (one_in(lower.at_least_one.value)) @if lower != upper { " to " (one_in(upper.at_least_one.value)) } }
                    td.num data-label="95 % interval" { (one_in(lower.at_least_one.lower)) " to " (one_in(upper.at_least_one.upper)) }
                }
                FiguresShown::TooLittleKnown(_) => { td.num data-label="At least one report, a party" colspan="2" { "too little walking is known" } }
                FiguresShown::NotEstimable => { td.num data-label="At least one report, a party" colspan="2" { "no exposure" } }
            }
            td data-label="What is known" { (known_words(&row.km)) }
        }
    }
}

fn known_words(km: &KmShown) -> String {
    let part = |length: f64, words: &str| (length > 0.0).then(|| format!("{length:.1} km {words}"));
    let parts = [
        part(km.assumed, "on assumed walking"),
        part(km.unexposed, "without recorded walking"),
        part(km.contradicting, "where walking contradicts records"),
    ];
    let found: Vec<String> = parts.into_iter().flatten().collect();
    if found.is_empty() { "counters tell the walking".to_owned() } else { found.join(", ") }
}

fn staff(contacts: &ContactsShown) -> Markup {
    html! {
        details.card {
            summary { "For staff: contacts underfoot and bites" }
            @match contacts.per_100_000_km {
                Some((underfoot, bites, of_prior)) => {
                    table.stack {
                        thead { tr { th scope="col" { "Reported per 100,000 km walked, whole area" } th.num scope="col" { "Estimate" } th.num scope="col" { "95 % interval" } th.num scope="col" { "Of it prior" } } }
                        tbody {
                            (contact_row("Snakes stepped on", underfoot, contacts.underfoot.prior_part))
                            (contact_row("Bites", bites, contacts.bite.prior_part))
                        }
                    }
                    @if contacts.bite.shown == 0 {
                        p.small { "No report had a bite: the whole figure of bites is the prior's, and only its upper limit says something." }
                    }
                    p.small.soft { "From the prior alone bites would be " (format_rate(of_prior)) " per 100,000 km." }
                }
                None => p { "Not estimable: no report says how near people came. It would all be prior." },
            }
            p.small.soft { (share_words("stepped on", &contacts.underfoot)) " " (share_words("bites through to the skin", &contacts.bite))
                " Reports over the kilometres walked, so that what is met and not reported is in neither figure; located snakes and trials do not enter. The share with a bite is rather too high, since bites are reported more readily than other meetings." }
        }
    }
}

fn contact_row(words: &str, estimate: Estimate, prior_part: f64) -> Markup {
    html! {
        tr {
            th scope="row" { (words) }
            td.num data-label="Estimate" { (format_rate(estimate.value)) }
            td.num data-label="95 % interval" { (format_rate(estimate.lower)) "–" (format_rate(estimate.upper)) }
            td.num data-label="Of it prior" { (percent(prior_part)) }
        }
    }
}

fn share_words(what: &str, share: &ShareShown) -> String {
    format!(
        "{what}: {} of {} reported encounters whose approach is known (the closest contact of each counts), prior Beta({}, {}), which is worth {} encounters with a mean of {}.",
        share.shown,
        share.watched,
        share.prior.0,
        share.prior.1,
        share.prior.0 + share.prior.1,
        percent(share.prior.0 / (share.prior.0 + share.prior.1))
    )
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<RoutePage> {
    let around = |value: f64| Estimate { value, lower: value * 0.6, upper: value * 1.5 };
    let bound = |value: f64| BoundShown {
        expected: around(value),
        at_least_one: around(value),
        expected_of_all: around(value * 200.0),
        at_least_one_of_all: 0.99,
        predicted_of_all: (1, 12),
    };
    let figures = FiguresShown::Estimated { lower: bound(0.0128), upper: bound(0.0255) };
    let km = KmShown { walked: 8.4, assumed: 1.2, unexposed: 0.6, contradicting: 0.0 };
    let shown = RouteShown {
        title: "Basin Gate to end of Ledge Walk and back".to_owned(),
        period_words: "May, early".to_owned(),
        too_little: None,
        alone_per_km: None,
        n_parties: 200,
        is_doubled: true,
        figures,
        km,
        by_trail: vec![("Ledge Walk".to_owned(), 8.4)],
        dispersion: 1.3,
    };
    let nothing = KmShown { walked: 2.0, assumed: 0.0, unexposed: 2.0, contradicting: 0.0 };
    let row = |trail: &str, figures, km| BesideRow {
        trail: trail.to_owned(),
        trailhead: "Basin Gate".to_owned(),
        figures,
        km,
    };
    let share = |shown: u64| ShareShown {
        shown,
        watched: 180,
        prior: (0.5, 9.5),
        prior_part: 0.5 / (0.5 + shown as f64),
    };
    let full = RoutePage {
        drawing: MapDrawing::default(),
        form: RouteForm {
            from: StopField { text: "Basin Gate".to_owned(), picked: String::new() },
            to: StopField { text: "9".to_owned(), picked: "point on Ledge Walk".to_owned() },
            is_return: true,
            ..RouteForm::default()
        },
        stops: vec![
            ("Basin Gate".to_owned(), "trailhead"),
            ("end of Ledge Walk".to_owned(), "end of a trail"),
        ],
        trails: vec!["Ledge Walk".to_owned()],
        errors: Vec::new(),
        answer: Some(Ok(shown.clone())),
        beside: vec![row("Ledge Walk", figures, km), row("Swale Path", FiguresShown::NotEstimable, nothing)],
        beside_out_km: 4.2,
        contacts: Some(ContactsShown {
            per_100_000_km: Some((around(9.0), around(0.4), 2.0)),
            underfoot: share(4),
            bite: share(0),
        }),
        reporting: "Where survey teams would meet 100 snakes, parties out walking the same kilometres report about 12 \
                    (95 % interval 9.1 to 16)."
            .to_owned(),
        emergency_number: "112".to_owned(),
        keep_distance: "3 m".to_owned(),
    };
    let one_way = RoutePage {
        answer: Some(Ok(RouteShown {
            is_doubled: false,
            n_parties: 1,
            figures: FiguresShown::Estimated { lower: bound(0.0255), upper: bound(0.0255) },
            km: KmShown { assumed: 0.0, unexposed: 0.0, ..km },
            ..shown.clone()
        })),
        contacts: None,
        ..full.clone()
    };
    let unknown = RoutePage {
        answer: Some(Ok(RouteShown { figures: FiguresShown::NotEstimable, km: nothing, ..shown.clone() })),
        beside: Vec::new(),
        ..full.clone()
    };
    let wrong = RoutePage {
        answer: Some(Err("Mend what is marked above.".to_owned())),
        errors: vec![("km".to_owned(), "give kilometres from 0.1 to 100".to_owned())],
        form: RouteForm { km: "far".to_owned(), ..RouteForm::default() },
        contacts: Some(ContactsShown { per_100_000_km: None, underfoot: share(0), bite: share(0) }),
        ..full.clone()
    };
    let known = PeriodKnown { count: 0, walked_km: 7.4, n_timed: 900, n_records: 950, all_km: 410_000.0 };
    let too_little = RoutePage {
        answer: Some(Ok(RouteShown {
            period_words: "January, night".to_owned(),
            too_little: Some(
                "Too little walking is known in this month and part of the day to say: 0 reports on about 7.4 km; over all \
                 trails together at most 428 reports per 1,000 km (exact upper 95 % limit)."
                    .to_owned(),
            ),
            figures: FiguresShown::TooLittleKnown(known),
            ..shown.clone()
        })),
        beside: vec![row("Ledge Walk", FiguresShown::TooLittleKnown(known), km)],
        contacts: None,
        ..full.clone()
    };
    vec![full, one_way, unknown, wrong, too_little]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probabilities_read_as_frequencies() {
        for (probability, words) in [
            (0.0255, "1 in 39"),
            (0.0041, "1 in 240"),
            (0.19, "1 in 5"),
            (0.34, "3 in 10"),
            (0.97, "nearly all"),
            (0.0, "fewer than 1 in 1,000,000"),
        ] {
            assert_eq!(one_in(probability), words);
        }
        assert_eq!(small_number(0.01234), "0.012");
        assert_eq!(small_number(2.34), "2.3");
    }

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
            assert!(drawn.contains("call <strong>112</strong>"));
        }
    }
}
