//! The closures of the page, and what each did.

use jiff::Timestamp;
use jiff::civil::Time;
use jiff::tz::TimeZone;

use crate::analysis::exposure::CounterFit;
use crate::analysis::exposure::Passed;
use crate::derived::exposure::ExposureLayer;
use crate::derived::exposure::closures::Closed;
use crate::derived::exposure::closures::ClosureEffect;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::domain::closure::Closure;
use crate::web::pages::exposure::counters::site_words;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::exposure::ClosureRow;

/// Trails with a sentence of their own; of further ones there is a number.
const MOST_TRAILS: usize = 6;

/// The share of the passages expected of an open trail from which on a closure is doubted.
const HARDLY_CLOSED_FROM: f64 = 0.25;

/// One row a closure.
pub(super) fn rows(facts: &Facts, network: &NetworkLayer, exposure: &ExposureLayer) -> Vec<ClosureRow> {
    let zone = TimeZone::get(&facts.area.time_zone).unwrap_or(TimeZone::UTC);
    let each = facts.closures.iter().zip(&exposure.closures.effects);
    each.map(|(closure, effect)| ClosureRow {
        name: match closure.name.as_str() {
            "" => "the whole area".to_owned(),
            name => name.to_owned(),
        },
        from: first_words(closure, &zone),
        until: last_words(closure, &zone),
        reason: closure.reason.clone(),
        did: did(closure, effect, (facts, network, exposure)),
    })
    .collect()
}

/// Counter sites that counted only while they were closed, a sentence each: what they said of open time before is gone.
pub(super) fn lost(facts: &Facts, network: &NetworkLayer, exposure: &ExposureLayer) -> Vec<String> {
    let lost = exposure.field.counters.iter().filter(|fit| !fit.is_used && fit.observed_closed > 0.0);
    let words = |fit: &CounterFit| {
        format!(
            "{} {} counted {} passages, all of them while it was closed: it says nothing of the open time, so that walking around it is known less well and may come out higher than before.",
            facts.counters[fit.counter].name,
            site_words(fit.site, facts, network),
            thousands(fit.observed_closed.round() as i64)
        )
    };
    let mut lost: Vec<String> = lost.map(words).collect();
    if !lost.is_empty() {
        lost.push("Where people walked there all the same, look at the days of the closure.".to_owned());
    }
    lost
}

/// "1 May 2024", with the time where it is not the whole day.
fn first_words(closure: &Closure, zone: &TimeZone) -> String {
    let Ok(from) = Timestamp::from_second(closure.from_s) else { return String::new() };
    let from = zone.to_datetime(from);
    let form = if from.time() == Time::midnight() { "%-d %b %Y" } else { "%-d %b %Y %H:%M" };
    from.strftime(form).to_string()
}

/// The last whole day, or the moment from which on it was open again.
fn last_words(closure: &Closure, zone: &TimeZone) -> String {
    let Some(until) = closure.until_s.and_then(|until_s| Timestamp::from_second(until_s).ok()) else {
        return "still closed".to_owned();
    };
    let until = zone.to_datetime(until);
    match until.date().yesterday() {
        Ok(last) if until.time() == Time::midnight() => last.strftime("%-d %b %Y").to_string(),
        _ => until.strftime("%-d %b %Y %H:%M").to_string(),
    }
}

fn did(
    closure: &Closure,
    effect: &ClosureEffect,
    (facts, network, exposure): (&Facts, &NetworkLayer, &ExposureLayer),
) -> Vec<String> {
    if effect.closed == Closed::Nowhere {
        let is_there = facts.trails.iter().any(|it| it.name == closure.name)
            || facts.trailheads.iter().any(|it| it.name == closure.name);
        return vec![match is_there {
            true => "Holds nowhere: it lies on none of the trails that are walked here.".to_owned(),
            false => {
                "Holds nowhere: no trail or trailhead of that name is there now. It holds as soon as one comes in.".to_owned()
            }
        }];
    }
    if !effect.is_in_period {
        return vec!["Nothing: it lies outside the days looked at.".to_owned()];
    }
    let counted = effect.counters.iter().map(|it| {
        let name = &facts.counters[it.counter].name;
        let of = thousands(it.n_readings as i64);
        match it.n_zero {
            0 => format!("Counter {name}: {of} readings, none is zero."),
            n => format!(
                "Counter {name}: {} of {of} readings are zero, and none passes for an outage.",
                thousands(n as i64)
            ),
        }
    });
    let mut words: Vec<String> = counted.collect();
    words.extend(effect.less_on.iter().take(MOST_TRAILS).map(|trail| less_words(*trail, network, exposure)));
    if effect.less_on.len() > MOST_TRAILS {
        words.push(format!("Closed by it are {} further trails.", effect.less_on.len() - MOST_TRAILS));
    }
    if let Closed::Trailhead(head) = effect.closed {
        let less = exposure.closures.less_at(head);
        words.push(format!(
            "Walkers who start there are fewer by {} (95 % interval {} to {}), for all its own closures{}",
            percent(less.value),
            percent(less.lower),
            percent(less.upper),
            all_the_same(exposure.closures.passed_heads[head]),
        ));
    }
    words
}

/// By how much the walking on a trail is less, for all its closures.
fn less_words(trail: usize, network: &NetworkLayer, exposure: &ExposureLayer) -> String {
    let less = exposure.closures.less_on(trail);
    let n_closures = exposure.closures.effects.iter().filter(|it| it.less_on.contains(&trail)).count();
    format!(
        "Walking on {} is less by {} (95 % interval {} to {}){}{}",
        network.network.trails[trail].name,
        percent(less.value),
        percent(less.lower),
        percent(less.upper),
        if n_closures > 1 { ", for all its closures together" } else { "" },
        all_the_same(exposure.closures.passed[trail]),
    )
}

/// Who walked there all the same, to end a sentence.
fn all_the_same(passed: Passed) -> String {
    if passed.own() <= 0.0 {
        return ".".to_owned();
    }
    let doubt = match passed.share() >= HARDLY_CLOSED_FROM {
        true => " That is much of it: was it closed on all of these days?",
        false => "",
    };
    format!(
        "; some walked all the same: {} passages of theirs were counted while it was closed, where {} would be counted if it were open.{doubt}",
        thousands(passed.own().round() as i64),
        thousands(passed.expected.round() as i64)
    )
}
