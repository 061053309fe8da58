//! The time until snakes react.

use axum::response::IntoResponse;

use crate::analysis::response::latency::Median;
use crate::derived::reactions::details::ReactionDetails;
use crate::derived::reactions::details::TIMES_S;
use crate::derived::reactions::details::Until;
use crate::derived::reactions::details::Wait;
use crate::derived::reactions::snakes_words;
use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::reactions;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::latency::LatencyPage;
use crate::web::views::latency::WaitCard;
use crate::web::views::latency::WaitRow;
use crate::web::views::layout::Section;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["effort", "until"])?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().reactions(&facts).await?;
    let details = app.deriver().reaction_details(&facts).await?;
    let effort = reactions::effort(&query, &layer)?;
    let until = match query.get("until") {
        None | Some("strike") => Until::Strike,
        Some("reaction") => Until::Reaction,
        Some(word) => {
            return Err(Error::bad_request("until", format!("\"{word}\" is neither strike nor reaction.")));
        }
    };
    let page = page(&details, effort, until);
    let records = reactions::records_words(&layer, effort);
    let frame = common::frame(&facts, Section::Analysis, "Time until snakes react", records);
    let policy = CachePolicy::of_revision(facts.revision, format!("latency {}", query.words()));
    Ok(Cached(policy, views::layout::page(&frame, views::latency::body(&page))))
}

fn page(details: &ReactionDetails, effort: EffortKind, until: Until) -> LatencyPage {
    let asked = details.waits.iter().filter(|wait| wait.effort == effort && wait.until == until);
    LatencyPage { effort, until, waits: asked.map(card).collect() }
}

fn card(wait: &Wait) -> WaitCard {
    let contact = Contact::ALL[wait.contact.index()].term();
    if !wait.is_representative || wait.curve.n_approaches == 0 {
        return refused(wait, contact);
    }
    let left_out = match wait.n_unknown {
        0 => String::new(),
        n => format!("; {n} without times are left out"),
    };
    let times =
        TIMES_S.iter().zip(&wait.at_risk).zip(&wait.zero_upper).filter(|((_, at_risk), _)| **at_risk > 0);
    let rows = times.map(|((time_s, at_risk), zero_upper)| {
        let (share, limits) = wait.reacted_by(*time_s);
        // Before the first reaction Greenwood's formula says nothing; the exact limit of none holds for whoever is watched.
        let limits = limits.or_else(|| zero_upper.map(|upper| (0.0, upper)));
        WaitRow { time_s: *time_s, at_risk: *at_risk, share, limits }
    });
    WaitCard {
        contact: contact.to_owned(),
        counts: format!(
            "{} approaches to {}{left_out}",
            wait.curve.n_approaches,
            snakes_words(wait.n_organisms as u64, wait.n_recognised as u64)
        ),
        sentence: sentence(wait),
        chart: curve(wait, contact),
        rows: rows.collect(),
        median: median(wait),
    }
}

/// Leaving out those that ended without a reaction would leave those that reacted.
fn refused(wait: &Wait, contact: &str) -> WaitCard {
    let n = wait.curve.n_approaches as u64 + wait.n_unknown;
    WaitCard {
        contact: contact.to_owned(),
        counts: format!("{n} approaches, {} of them with times", wait.curve.n_approaches),
        sentence: format!(
            "Not estimable: {} of {n} approaches ended without {}, and nobody noted how long the snake was watched. A curve of \
             the others would show little but snakes that did react.",
            wait.n_unwatched,
            wait.until.words()
        ),
        chart: None,
        rows: Vec::new(),
        median: String::new(),
    }
}

fn sentence(wait: &Wait) -> String {
    let what = match wait.until {
        Until::Strike => "struck or bitten",
        Until::Reaction => "reacted",
    };
    if let Some(upper) = wait.none_upper {
        return format!(
            "In none of {} approaches had the snake {what} while it was watched; the share may still be as high as {} (exact 95 % limit, each snake \
             counted once).",
            wait.curve.n_approaches,
            percent(upper)
        );
    }
    let (time_s, _) = wait.curve.steps.last().map_or((0.0, 0.0), |step| (step.time_s, step.waiting));
    let (share, limits) = wait.reacted_by(time_s);
    let limits = limits.map_or_else(
        || "limits not estimable".to_owned(),
        |(lower, upper)| format!("95 % limits {} to {}", percent(lower), percent(upper)),
    );
    let unit = if (0.95..1.05).contains(&time_s) { "second" } else { "seconds" };
    format!(
        "Within {} {unit} the snake had {what} in {} of the approaches ({limits}).",
        seconds_words(time_s),
        percent(share)
    )
}

/// "0.4", "1", "12".
fn seconds_words(time_s: f64) -> String {
    let tenths = (time_s * 10.0).round() / 10.0;
    if time_s < 10.0 && tenths.fract() > 0.0 { format!("{tenths:.1}") } else { format!("{time_s:.0}") }
}

fn median(wait: &Wait) -> String {
    // The share that waits falls where the share that reacted rises, so the median's limits stay as they are.
    let what = match wait.until {
        Until::Strike => "struck or bitten",
        Until::Reaction => "reacted",
    };
    match wait.curve.median.time_s {
        Some(time_s) => format!("Half had {what} by {time_s:.1} s ({}).", median_limits(&wait.curve.median)),
        None => format!(
            "Fewer than half had {what} while they were watched ({}).",
            median_limits(&wait.curve.median)
        ),
    }
}

/// The 95 % limits of the time until half have reacted, in words.
pub(super) fn median_limits(median: &Median) -> String {
    match (median.lower_s, median.upper_s) {
        (Some(lower), Some(upper)) => format!("95 % limits {lower:.1} s to {upper:.1} s"),
        (Some(lower), None) => format!("95 % limits {lower:.1} s to longer than they were watched"),
        (None, Some(upper)) => format!("upper 95 % limit {upper:.1} s"),
        (None, None) => "nor does either 95 % limit reach half".to_owned(),
    }
}

/// The share that had reacted by time.
pub(in crate::web) fn curve(wait: &Wait, contact: &str) -> Option<views::line_chart::LineChart> {
    let steps: Vec<(f64, Estimate)> = wait
        .curve
        .steps
        .iter()
        .map(|step| {
            let value = 1.0 - step.waiting;
            let (lower, upper) = step.uncertainty.limits().unwrap_or((step.waiting, step.waiting));
            (step.time_s, Estimate { value, lower: 1.0 - upper, upper: 1.0 - lower })
        })
        .collect();
    let last_s = TIMES_S.iter().zip(&wait.at_risk).filter(|(_, n)| **n > 0).map(|(time_s, _)| *time_s);
    let last_s = last_s.chain(steps.last().map(|(time_s, _)| *time_s)).fold(0.0, f64::max);
    (!steps.is_empty()).then(|| views::latency::chart(contact, &steps, last_s))
}
