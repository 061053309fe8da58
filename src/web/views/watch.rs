//! This season against expectation, and temporary notices.

use maud::Markup;
use maud::html;

use crate::web::views::charts::format_rate;
use crate::web::views::charts::small_probability;
use crate::web::views::form;

/// The page.
#[derive(Debug, Clone)]
pub struct WatchPage {
    /// Which trails were closed for a time, and what that means here; empty where none was.
    pub closed: String,
    /// What was found, or why nothing can be expected.
    pub season: Result<SeasonShown, String>,
    /// Whether trails are watched instead of stretches.
    pub is_by_trail: bool,
    /// The day asked for, as typed.
    pub until: String,
    /// The stretch or trail whose weeks are asked for, as typed.
    pub of: String,
    /// What is wrong with it.
    pub of_error: Option<String>,
    /// The form of a notice.
    pub form: NoticeForm,
    /// Notices, those that end last first.
    pub notices: Vec<NoticeRow>,
}

/// A season watched.
#[derive(Debug, Clone)]
pub struct SeasonShown {
    /// The last day looked at.
    pub until: String,
    /// How long ago that is, in words, where it is long; else empty.
    pub age: String,
    /// Weeks of the whole area.
    pub weeks: Vec<WeekShown>,
    /// The units there are, by name.
    pub names: Vec<String>,
    /// The unit whose weeks are shown beside them.
    pub chosen: Option<ChosenShown>,
    /// What stands out.
    pub alarms: Vec<AlarmShown>,
    /// False alarms to be expected, with the simulation's standard error, and how many were asked for.
    pub false_alarms: (f64, f64, f64),
    /// A window is called when its tail is at most this.
    pub threshold: f64,
    /// Units watched.
    pub n_units: usize,
    /// Units without walking in the whole season: nothing is expected there.
    pub n_unexposed: usize,
    /// Lines on what it rests on.
    pub basis: Vec<String>,
}

/// A stretch or trail whose weeks are shown, whether or not anything stands out there.
#[derive(Debug, Clone)]
pub struct ChosenShown {
    /// Its name.
    pub name: String,
    /// What is to be known of the walking there, in words; empty where counters tell it.
    pub walking: &'static str,
    /// Its weeks.
    pub weeks: Vec<WeekShown>,
    /// Whether nobody is known to have walked there in the whole season.
    pub is_unexposed: bool,
    /// Findings that stand out there.
    pub n_alarms: usize,
}

/// One week.
#[derive(Debug, Clone)]
pub struct WeekShown {
    /// Its first day, short.
    pub label: String,
    /// Encounters.
    pub observed: u64,
    /// Expected encounters, limits and tail; none where nobody walked.
    pub expected: Option<(f64, (u64, u64), f64)>,
}

/// Something that stands out.
#[derive(Debug, Clone)]
pub struct AlarmShown {
    /// Where.
    pub name: String,
    /// The trail, where it is about one.
    pub trail: Option<String>,
    /// What is to be known of the walking there, in words; empty where counters tell it.
    pub walking: &'static str,
    /// The weeks, in words.
    pub weeks: String,
    /// Since when the scan called it, in words.
    pub called: String,
    /// Encounters.
    pub observed: u64,
    /// Expected encounters.
    pub expected: f64,
    /// Limits of 95 in 100 such windows.
    pub limits: (u64, u64),
    /// Probability of as many or more.
    pub tail: f64,
    /// Whether it ended too long ago for a notice that speaks of now.
    pub is_past: bool,
}

/// The form of a notice, as typed.
#[derive(Debug, Clone, Default)]
pub struct NoticeForm {
    /// Trails there are.
    pub trails: Vec<String>,
    /// Wordings there are: key and title.
    pub wordings: Vec<(String, String)>,
    /// The title that says more than usual was reported, and the trails of which that is true today; none without such a wording.
    pub may_say_more: Option<(String, Vec<String>)>,
    /// The trail chosen.
    pub trail: String,
    /// The wording chosen.
    pub wording: String,
    /// First day.
    pub start: String,
    /// Last day.
    pub expiry: String,
    /// Why.
    pub reason: String,
    /// Who.
    pub name: String,
    /// The revision of the figures that are shown above it.
    pub basis: String,
    /// Whether it carries the name of an account, and asks for none.
    pub is_signed: bool,
    /// Whether the reader may look, but make and withdraw none.
    pub only_looks: bool,
    /// What is wrong: field and words.
    pub errors: Vec<(String, String)>,
}

/// A notice in the list.
#[derive(Debug, Clone)]
pub struct NoticeRow {
    /// Its number.
    pub id: i64,
    /// The trail.
    pub trail: String,
    /// What it says, in its title's words.
    pub wording: String,
    /// From when to when.
    pub days: String,
    /// Its state in words.
    pub state: String,
    /// Whether it can still be withdrawn.
    pub can_withdraw: bool,
    /// Why.
    pub reason: String,
    /// Who made it and who withdrew it, in words.
    pub by: String,
    /// The revision and settings it rests on, in words.
    pub rests_on: String,
}

/// The page's body.
pub fn body(page: &WatchPage) -> Markup {
    html! {
        h1 { "This season against expectation" }
        (form::summary(page.form.errors.iter().map(|(field, words)| (field.as_str(), label(field), words.as_str()))))
        @if !page.closed.is_empty() { p.notice { (page.closed) " Nothing is expected there in closed weeks, in weeks to come as far as a closure that is known holds then; all else is walked as in the same weeks of former seasons." } }
        (question(page))
        @match &page.season {
            Ok(season) => (shown(season, page)),
            Err(reason) => p.card { (reason) },
        }
        @if !page.form.only_looks { (notice_form(&page.form)) }
        (notices(&page.notices, &page.form))
    }
}

fn question(page: &WatchPage) -> Markup {
    html! {
        form.card.row.no-print method="get" action="/watch" {
            label { "Up to the day" input type="date" name="until" value=(page.until); }
            label { "By"
                select name="unit" {
                    option value="" selected[!page.is_by_trail] { "stretch" }
                    option value="trail" selected[page.is_by_trail] { "whole trail" }
                }
            }
            label { "Weeks of"
                input name="of" list="units" value=(page.of) size="30" placeholder="the whole area" aria-invalid=[page.of_error.as_ref().map(|_| "true")];
                @if let Some(words) = &page.of_error { span.field-error { (words) } }
            }
            @if let Ok(season) = &page.season {
                datalist #units { @for name in &season.names { option value=(name) {} } }
            }
            button.main type="submit" { "Show" }
        }
    }
}

fn shown(season: &SeasonShown, page: &WatchPage) -> Markup {
    let unit = if page.is_by_trail { "trails" } else { "stretches" };
    html! {
        section.card {
            h2 { "What stands out up to " (season.until) }
            @if !season.age.is_empty() { p.notice { (season.age) } }
            p { (sentence(season, unit)) }
            @if !season.alarms.is_empty() { (alarms(season, page.form.only_looks)) }
            p.small.soft {
                "If nothing has changed, about " (format!("{:.1}", season.false_alarms.0)) " false alarms (± "
                (format!("{:.2}", season.false_alarms.1 * 2.0)) ") are expected in the whole season over all " (season.n_units) " " (unit)
                " and the area together, however often you look; at most " (format_rate(season.false_alarms.2)) " were asked for. A window is called when its probability is at most "
                (small_probability(season.threshold)) ", which holds for every week of the season. A list of every week below 5 % would give many false alarms."
            }
            @if season.n_unexposed > 0 {
                p.small.soft { (season.n_unexposed) " " (unit) " without recorded walking are not watched: nothing can be expected there." }
            }
            p.small.soft { "More meetings can also mean more reporting or more walkers than the counters tell. Fewer than expected is never good news by itself, and nothing here says that a trail is free of snakes." }
        }
        @if let Some(chosen) = &season.chosen { (of_chosen(chosen)) }
        section.card {
            h2 { "The whole area, week by week" }
            (by_week(&season.weeks))
        }
        section.card { h2 { "What it rests on" } ul { @for line in &season.basis { li { (line) } } } }
    }
}

fn of_chosen(chosen: &ChosenShown) -> Markup {
    html! {
        section.card #weeks {
            h2 { (chosen.name) ", week by week" }
            @if chosen.is_unexposed {
                p.notice { "Nobody is known to have walked here this season: nothing can be expected, and that is not the same as few snakes." }
            } @else if chosen.n_alarms == 0 {
                p { "Nothing stands out here from what former years lead to expect." }
            } @else {
                p { "Something stands out here: see above." }
            }
            @if !chosen.walking.is_empty() { p.small.soft { (chosen.walking) } }
            (by_week(&chosen.weeks))
            p.small.soft { "A single week with a small probability is no finding: among so many weeks and places some always have one. What is called above is held against all of them." }
        }
    }
}

fn by_week(weeks: &[WeekShown]) -> Markup {
    html! {
        (chart(weeks))
        p.small.soft { "Squares: encounters. Line: expected from former years. Band: where 95 in 100 such weeks lie. Weeks in which nobody walked have none." }
        details {
            summary { "As a table" }
            table.stack {
                thead { tr { th scope="col" { "Week from" } th.num scope="col" { "Observed" } th.num scope="col" { "Expected" } th.num scope="col" { "95 of 100 such weeks" } th.num scope="col" { "Probability of as many" } } }
                tbody { @for week in weeks { (week_row(week)) } }
            }
        }
    }
}

fn sentence(season: &SeasonShown, unit: &str) -> String {
    match season.alarms.len() {
        0 => format!("No {unit} stand out from what former years lead to expect."),
        1 => format!("One finding stands out from what former years lead to expect.{}", by_chance(season)),
        n => format!("{n} findings stand out from what former years lead to expect.{}", by_chance(season)),
    }
}

/// How many would stand out if nothing were the matter: as many as are found, or fewer.
fn by_chance(season: &SeasonShown) -> String {
    let (expected, ..) = season.false_alarms;
    let all = if season.alarms.len() == 1 { "it may be one of them" } else { "they may all be such" };
    match expected {
        few if few < 0.05 => String::new(),
        expected if season.alarms.len() as f64 <= expected.ceil() => format!(
            " In a whole season chance alone makes about {expected:.1} stand out, so {all}: look at the records before acting."
        ),
        expected => format!(" In a whole season chance alone makes about {expected:.1} stand out."),
    }
}

fn alarms(season: &SeasonShown, only_looks: bool) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Where" } th scope="col" { "Weeks" } th.num scope="col" { "Observed" } th.num scope="col" { "Expected" }
                th.num scope="col" { "95 of 100 such weeks" } th.num scope="col" { "Probability of as many" } th.no-print scope="col" { span.visually-hidden { "Notice" } }
            } }
            tbody { @for alarm in &season.alarms { tr {
                th scope="row" { (alarm.name) " " span.soft { (alarm.called) @if !alarm.walking.is_empty() { ". " (alarm.walking) } } }
                td data-label="Weeks" { (alarm.weeks) }
                td.num data-label="Observed" { (alarm.observed) }
                td.num data-label="Expected" { (format_rate(alarm.expected)) }
                td.num data-label="95 of 100 such weeks" { (alarm.limits.0) "–" (alarm.limits.1) }
                td.num data-label="Probability of as many" { (small_probability(alarm.tail)) }
                td.no-print { @if let Some(trail) = alarm.trail.as_ref().filter(|_| !only_looks) {
                    @if alarm.is_past { span.small.soft { "over four weeks ago: too long for a notice" } } @else { (notice_link(trail, alarm)) }
                } }
            } } }
        }
    }
}

fn notice_link(trail: &str, alarm: &AlarmShown) -> Markup {
    html! {
        form method="get" action="/watch#notice" {
            input type="hidden" name="trail" value=(trail);
            input type="hidden" name="reason" value={ (alarm.observed) " encounters where " (format_rate(alarm.expected)) " were expected, " (alarm.weeks) };
            button type="submit" { "Make a notice" }
        }
    }
}

fn week_row(week: &WeekShown) -> Markup {
    html! {
        tr {
            th scope="row" { (week.label) }
            td.num data-label="Observed" { (week.observed) }
            @match week.expected {
                Some((expected, limits, tail)) => {
                    td.num data-label="Expected" { (format_rate(expected)) }
                    td.num data-label="95 of 100 such weeks" { (limits.0) "–" (limits.1) }
                    td.num data-label="Probability of as many" { (small_probability(tail)) }
                }
                None => { td.num data-label="Expected" colspan="3" { "no exposure" } }
            }
        }
    }
}

/// Observed squares over the line and band of what was expected.
pub fn chart(weeks: &[WeekShown]) -> Markup {
    let (width, height, left, bottom, top) = (720.0, 240.0, 40.0, 28.0, 24.0);
    let most = weeks.iter().map(|week| week.observed.max(week.expected.map_or(0, |it| it.1.1))).max();
    let highest = (most.unwrap_or(1).max(4) as f64 / 4.0).ceil() * 4.0;
    let x = |idx: usize| left + (idx as f64 + 0.5) * (width - left - 8.0) / weeks.len().max(1) as f64;
    let y = |value: f64| height - bottom - (height - bottom - top) * value / highest;
    let known = || weeks.iter().enumerate().filter_map(|(idx, week)| Some((idx, week.expected?)));
    let point = |idx: usize, value: f64| format!("{:.1},{:.1}", x(idx), y(value));
    let mut band: Vec<String> = known().map(|(idx, it)| point(idx, it.1.1 as f64)).collect();
    let below: Vec<String> = known().map(|(idx, it)| point(idx, it.1.0 as f64)).collect();
    band.extend(below.into_iter().rev());
    let line: Vec<String> = known().map(|(idx, it)| point(idx, it.0)).collect();
    html! {
        svg.chart viewBox={ "0 0 " (width) " " (height) } role="img" aria-label="Encounters by week against expectation; the table below has the numbers" {
            @for step in 0..=4 {
                @let value = highest * f64::from(step) / 4.0;
                path.axis d={ "M" (left) " " (format!("{:.1}", y(value))) "H" (width - 8.0) } {}
                text x=(left - 6.0) y=(format!("{:.1}", y(value) + 4.0)) text-anchor="end" { (value) }
            }
            text x="4" y="12" { "encounters a week" }
            polygon.band points=(band.join(" ")) {}
            polyline.curve points=(line.join(" ")) {}
            @for (idx, week) in weeks.iter().enumerate() {
                rect.observed x=(format!("{:.1}", x(idx) - 3.5)) y=(format!("{:.1}", y(week.observed as f64) - 3.5)) width="7" height="7" { title { (week.label) ": " (week.observed) } }
                @if idx % 8 == 0 { text x=(format!("{:.1}", x(idx))) y=(height - 10.0) text-anchor="middle" { (week.label) } }
            }
        }
    }
}

/// The label of a field of the form of a notice.
fn label(field: &str) -> &'static str {
    match field {
        "trail" => "Trail",
        "wording" => "Wording",
        "start" => "First day",
        "expiry" => "Last day",
        "reason" => "Reason",
        "name" => "Your name",
        _ => "",
    }
}

fn notice_form(given: &NoticeForm) -> Markup {
    let error =
        |field: &str| given.errors.iter().find(|(at, _)| at == field).map(|(_, words)| words.as_str());
    let message = |field: &str| html! { @if let Some(words) = error(field) { span.field-error id=(form::anchor(field)) { (words) } } };
    let invalid = |field: &str| error(field).map(|_| "true");
    html! {
        section.card.no-print #notice {
            h2 { "Make a temporary notice" }
            p.small.soft { "A notice is about a whole trail under its public name: it never names or marks off a place on it. It stands at most 60 days. The reason is for staff and is not printed." }
            (message("basis"))
            form.row method="post" action="/notices" {
                input type="hidden" name="basis" value=(given.basis);
                label { "Trail"
                    select name="trail" aria-invalid=[invalid("trail")] {
                        option value="" selected[given.trail.is_empty()] { "–" }
                        @for trail in &given.trails { option value=(trail) selected[*trail == given.trail] { (trail) } }
                    }
                    (message("trail"))
                }
                label { "Wording"
                    select name="wording" aria-invalid=[invalid("wording")] {
                        @for (key, title) in &given.wordings { option value=(key) selected[*key == given.wording] { (title) } }
                    }
                    (message("wording"))
                }
                @if let Some((title, trails)) = &given.may_say_more {
                    p.small.soft {
                        "“" (title) "” may be said where that stands out now: "
                        @if trails.is_empty() { "today of no trail." } @else { "today of " (trails.join(", ")) "." }
                    }
                }
                label { "First day" input type="date" name="start" value=(given.start) aria-invalid=[invalid("start")]; (message("start")) }
                label { "Last day" input type="date" name="expiry" value=(given.expiry) required aria-invalid=[invalid("expiry")]; (message("expiry")) }
                label { "Reason" input name="reason" value=(given.reason) size="40" maxlength="500" aria-invalid=[invalid("reason")]; (message("reason")) }
                @if given.is_signed { p.small.soft.signed { "Kept under the name you signed in with." } } @else { label { "Your name" input name="name" value=(given.name) maxlength="100" aria-invalid=[invalid("name")]; (message("name")) } }
                button.main type="submit" { "Make the notice" }
            }
        }
    }
}

fn notices(notices: &[NoticeRow], form: &NoticeForm) -> Markup {
    html! {
        section.card {
            h2 { "Notices" }
            @if notices.is_empty() { p { "There are none." } } @else {
                table.stack {
                    thead { tr {
                        th scope="col" { "Trail" } th scope="col" { "Stands" } th scope="col" { "State" } th scope="col" { "Reason" }
                        th scope="col" { "By" } th scope="col" { "Rests on" } th.no-print scope="col" { span.visually-hidden { "Withdraw" } }
                    } }
                    tbody { @for notice in notices { (notice_row(notice, form)) } }
                }
            }
        }
    }
}

fn notice_row(notice: &NoticeRow, form: &NoticeForm) -> Markup {
    html! {
        tr {
            th scope="row" { a href={ "/notices/" (notice.id) } { (notice.trail) } " " span.soft { (notice.wording) } }
            td data-label="Stands" { (notice.days) }
            td data-label="State" { (notice.state) }
            td data-label="Reason" { (notice.reason) }
            td data-label="By" { (notice.by) }
            td.small data-label="Rests on" { (notice.rests_on) }
            td.no-print { @if notice.can_withdraw && !form.only_looks {
                form.row method="post" action={ "/notices/" (notice.id) "/withdraw" } {
                    @if !form.is_signed { input name="name" size="12" maxlength="100" required placeholder="your name" aria-label="Your name"; }
                    button type="submit" { "Withdraw" }
                }
            } }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<WatchPage> {
    let week = |idx: u64| WeekShown {
        label: format!("{} May", idx * 7 + 1),
        observed: idx * 3 % 7,
        expected: (idx != 2).then_some((2.4, (0, 6), 0.21)),
    };
    let alarm = |name: &str, trail: Option<&str>| AlarmShown {
        name: name.to_owned(),
        trail: trail.map(str::to_owned),
        walking: if trail.is_some() { "Walking here is assumed." } else { "" },
        weeks: "8 to 21 May".to_owned(),
        called: "first called in the week from 8 May".to_owned(),
        is_past: trail.is_none(),
        observed: 8,
        expected: 2.1,
        limits: (0, 5),
        tail: 0.000_31,
    };
    let season = SeasonShown {
        until: "28 May 2026".to_owned(),
        age: String::new(),
        weeks: (0..4).map(week).collect(),
        names: vec!["Ledge Walk, km 0.00 to 0.40".to_owned(), "Ledge Walk, km 0.40 to 0.73".to_owned()],
        chosen: None,
        alarms: vec![alarm("Ledge Walk, km 0.40 to 0.73", Some("Ledge Walk")), alarm("the whole area", None)],
        false_alarms: (0.94, 0.03, 1.0),
        threshold: 0.0004,
        n_units: 41,
        n_unexposed: 2,
        basis: vec!["612 reports of 2024 and 2025".to_owned()],
    };
    let form = NoticeForm {
        trails: vec!["Ledge Walk".to_owned(), "Swale Path".to_owned()],
        wordings: vec![("more-than-usual".to_owned(), "More snakes than usual".to_owned())],
        may_say_more: Some(("More snakes than usual".to_owned(), vec!["Ledge Walk".to_owned()])),
        trail: "Ledge Walk".to_owned(),
        start: "2026-05-28".to_owned(),
        ..NoticeForm::default()
    };
    let row = |id, state: &str, can_withdraw| NoticeRow {
        id,
        trail: "Ledge Walk".to_owned(),
        wording: "More snakes than usual".to_owned(),
        days: "28 May to 18 June 2026".to_owned(),
        state: state.to_owned(),
        can_withdraw,
        reason: "8 encounters where 2.1 were expected".to_owned(),
        by: "R. Example".to_owned(),
        rests_on: "data revision 12; default settings, 200 draws, seed 1".to_owned(),
    };
    let full = WatchPage {
        closed: String::new(),
        season: Ok(season.clone()),
        is_by_trail: false,
        until: "2026-05-28".to_owned(),
        of: String::new(),
        of_error: None,
        form: form.clone(),
        notices: vec![row(2, "active", true), row(1, "expired", false)],
    };
    let chosen = ChosenShown {
        name: "Ledge Walk".to_owned(),
        walking: "Walking here is assumed.",
        weeks: (0..4).map(week).collect(),
        is_unexposed: false,
        n_alarms: 0,
    };
    let quiet = WatchPage {
        season: Ok(SeasonShown { alarms: Vec::new(), n_unexposed: 0, chosen: Some(chosen), ..season }),
        of: "Ledge Walk".to_owned(),
        is_by_trail: true,
        form: NoticeForm {
            errors: vec![("expiry".to_owned(), "give the last day".to_owned())],
            may_say_more: Some(("More snakes than usual".to_owned(), Vec::new())),
            ..form
        },
        notices: Vec::new(),
        ..full.clone()
    };
    let first = WatchPage {
        closed: String::new(),
        season: Err("There is no earlier year.".to_owned()),
        of_error: Some("there is no trail of that name".to_owned()),
        ..quiet.clone()
    };
    vec![full, quiet, first]
}
