//! What comparisons of signs say, in words.

use jiff::tz::TimeZone;

use crate::analysis::before_after::Change;
use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Index;
use crate::analysis::before_after::LimitsBasis;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Verdict;
use crate::analysis::before_after::flips::FlipMethod;
use crate::analysis::before_after::flips::FlipTest;
use crate::analysis::before_after::power::Detectable;
use crate::analysis::counts::Ratio;
use crate::analysis::counts::RatioLimits;
use crate::derived::effect::Campaign;
use crate::derived::effect::EffectLayer;
use crate::derived::effect::ReportsAnswer;
use crate::derived::effect::SHARES_NEED_A_PLAN;
use crate::derived::effect::ShareOutcome;
use crate::derived::effect::share_why_words;
use crate::derived::effect::why_words;
use crate::web::pages::effect::day_words;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::effect::CampaignShown;
use crate::web::views::effect::CountsRow;
use crate::web::views::effect::OutcomeRow;
use crate::web::views::effect::limits_words;

/// The first sentence of the page.
pub(super) fn headline(layer: &EffectLayer) -> String {
    match &layer.campaigns {
        Err(_) if layer.signs.is_empty() => {
            "No sign has been put up yet, so there is nothing to compare. The table says what could be found out once some \
             stand, before anyone waits for it."
                .to_owned()
        }
        Err(why) => format!("Nothing can be compared yet. {why}"),
        Ok(campaigns) => match &campaigns[..] {
            [only] => sentence(only),
            _ => format!("Signs went up on {} occasions; each is compared by itself.", campaigns.len()),
        },
    }
}

fn sentence(campaign: &Campaign) -> String {
    // The draw needs least to be believed, then a period that chose nothing.
    let known = [campaign.lottery.as_ref(), campaign.later.as_ref()];
    let best = known.into_iter().flatten().find(|found| matches!(found, Effectiveness::Estimated(_)));
    match best.unwrap_or(&campaign.bayes) {
        Effectiveness::NotEstimable(why) => {
            format!("It cannot be said yet whether the signs helped: {}.", why_words(*why))
        }
        Effectiveness::Estimated(index) => match index.verdict {
            Verdict::Fewer => format!(
                "Where the {} signs warn, surveys met fewer snakes than expected without them: {} instead of {:.0}.",
                index.n_signs, index.observed, index.expected
            ),
            Verdict::More => format!(
                "Where the {} signs warn, surveys met more snakes than expected without them: {} instead of {:.0}.",
                index.n_signs, index.observed, index.expected
            ),
            Verdict::NotToldApart => format!(
                "It cannot be told from chance whether the {} signs changed anything: surveys met {} snakes where {:.0} were expected.",
                index.n_signs, index.observed, index.expected
            ),
            Verdict::TooFewSigns => format!(
                "{} cannot show whether signs help: what they do is not told apart from what their places do.",
                if index.n_signs == 1 { "One sign".to_owned() } else { format!("{} signs", index.n_signs) }
            ),
        },
    }
}

/// A comparison as the page shows it.
pub(super) fn campaign(campaign: &Campaign, layer: &EffectLayer, zone: &TimeZone) -> CampaignShown {
    let is_only = layer.campaigns.as_ref().is_ok_and(|campaigns| campaigns.len() == 1);
    let mut outcomes = vec![outcome(
        "Survey encounters where signs warn",
        "held against what the posterior of every stretch expected, given all records before",
        &campaign.bayes,
    )];
    if let Some(drawn) = &campaign.lottery {
        let against = "held against places that lost the draw for a sign";
        outcomes.insert(0, outcome("Survey encounters where signs warn", against, drawn));
    }
    if let Some(later) = &campaign.later {
        outcomes.insert(
            0,
            outcome(
                "Survey encounters where signs warn",
                "held against the time between the plan and the signs, which chose nothing",
                later,
            ),
        );
    }
    outcomes.extend(campaign.shares.iter().map(share));
    CampaignShown {
        name: campaign.name.clone(),
        // The only one's sentence is the headline.
        sentence: if is_only { String::new() } else { sentence(campaign) },
        periods: periods(campaign, zone),
        raw: match campaign.raw_ratio {
            Ratio::Finite(ratio) => format!("{ratio:.2}"),
            Ratio::Infinite | Ratio::Undefined => "none, since nothing was met before".to_owned(),
        },
        outcomes,
        by_sign: campaign
            .by_sign
            .iter()
            .map(|counts| {
                counts_row(layer.signs[counts.sign].sign.given.name.clone(), counts.before, counts.after)
            })
            .collect(),
        controls: campaign
            .controls
            .iter()
            .map(|row| counts_row(format!("{}, {:.1} km", row.trail, row.length_km), row.before, row.after))
            .collect(),
        reports: reports(&campaign.reports),
    }
}

fn counts_row(name: String, before: Period, after: Period) -> CountsRow {
    CountsRow { name, before: period_words(before), after: period_words(after) }
}

fn period_words(period: Period) -> String {
    if period.km == 0.0 {
        "not walked".to_owned()
    } else {
        format!("{} in {:.1} weighted km", period.count, period.km)
    }
}

fn periods(campaign: &Campaign, zone: &TimeZone) -> Vec<String> {
    let times = &campaign.times;
    let gaps = times.before.windows(2).map(|pair| (pair[0].1, pair[1].0));
    let last = times.before.last().map(|(_, until_s)| (*until_s, times.first_up_s));
    let gaps = gaps.chain(last).filter(|(from_s, until_s)| from_s < until_s);
    let other_signs: Vec<String> = gaps
        .map(|(from_s, until_s)| format!("{} until {}", day_words(from_s, zone), day_words(until_s, zone)))
        .collect();
    let but_for = match other_signs.is_empty() {
        true => String::new(),
        false => format!(", but for {}, when other signs warned there", other_signs.join(", ")),
    };
    let mut words = vec![format!(
        "Before: until {}{but_for}. With signs {}; on controls {}.",
        day_words(times.first_up_s, zone),
        period_words(campaign.signed.0),
        period_words(campaign.control.0)
    )];
    let stand = |(from_s, until_s): &(i64, i64)| match *until_s {
        i64::MAX => format!("from {}", day_words(*from_s, zone)),
        until_s => format!("from {} until {}", day_words(*from_s, zone), day_words(until_s, zone)),
    };
    let after: Vec<String> = times.after.iter().map(stand).collect();
    words.push(format!(
        "After: {}. With signs {}; on controls {}.",
        if after.is_empty() { "never, since not all stood at once".to_owned() } else { after.join(", ") },
        period_words(campaign.signed.1),
        period_words(campaign.control.1)
    ));
    words.push(match times.chosen_s {
        Some(chosen_s) => format!(
            "The records until {} chose the places; they are never \"before\" by themselves.",
            day_words(chosen_s, zone)
        ),
        None => "No kept plan says which records chose the places, so all before the first sign are taken as such."
            .to_owned(),
    });
    words
}

pub(super) fn outcome(what: &str, against: &str, found: &Effectiveness) -> OutcomeRow {
    let (what, against) = (what.to_owned(), against.to_owned());
    match found {
        Effectiveness::NotEstimable(why) => OutcomeRow {
            what,
            against,
            counts: String::new(),
            estimate: Err(why_words(*why).to_owned()),
            tests: String::new(),
            verdict: "Nothing yet".to_owned(),
        },
        Effectiveness::Estimated(index) => OutcomeRow {
            what,
            against,
            counts: format!("{} counted, {:.1} expected", index.observed, index.expected),
            estimate: estimate(index.change, index.limits),
            tests: tests(index),
            verdict: verdict(index.verdict).to_owned(),
        },
    }
}

fn estimate(change: Change, limits: RatioLimits) -> Result<Estimate, String> {
    let upper = limits.upper.unwrap_or(f64::INFINITY);
    match change {
        Change::Estimate(value) => Ok(Estimate { value, lower: limits.lower, upper }),
        Change::ZeroCell => {
            Err(format!("no estimate, since a count is zero; interval {}", limits_words(limits.lower, upper)))
        }
    }
}

fn tests(index: &Index) -> String {
    let flips = match index.flips {
        FlipTest::NothingToFlip => "no sign differs from what was expected".to_owned(),
        FlipTest::Tested { p_value, method } => {
            let how = match method {
                FlipMethod::Exact => "all ways".to_owned(),
                FlipMethod::Drawn(n) => format!("{n} drawn ways"),
            };
            format!("by randomisation of {} signs, {how}, p = {}", index.n_signs, p_words(p_value))
        }
    };
    let p_value = p_words(index.p_value);
    match index.basis {
        LimitsBasis::BySign => format!("p = {p_value}, variance by sign; {flips}"),
        LimitsBasis::Totals => format!("interval of the four totals, not by sign; {flips}"),
        LimitsBasis::Lots => {
            format!("p = {p_value}, the larger one of exchange and of all encounters; {flips}")
        }
    }
}

pub(super) fn p_words(p_value: f64) -> String {
    if p_value < 0.001 { "below 0.001".to_owned() } else { format!("{p_value:.3}") }
}

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Fewer => "Fewer than expected",
        Verdict::More => "More than expected",
        Verdict::NotToldApart => "Not told apart from chance",
        Verdict::TooFewSigns => "Too few signs to say: six at least",
    }
}

fn share(share: &ShareOutcome) -> OutcomeRow {
    let what = format!("Share of survey encounters: {}", share.contact);
    let Some(compared) = &share.since_plan else {
        return OutcomeRow {
            what,
            against: "change with signs over change on controls".to_owned(),
            counts: String::new(),
            estimate: Err(SHARES_NEED_A_PLAN.to_owned()),
            tests: String::new(),
            verdict: "Nothing yet".to_owned(),
        };
    };
    let words = |period: Period| format!("{} of {:.0}", period.count, period.km);
    let cells = &compared.cells;
    let against =
        "change with signs over change on controls; before is the time between the plan and the signs";
    let mut row = outcome(&what, against, &compared.found);
    row.counts = format!(
        "with signs {} before, {} after; controls {} before, {} after",
        words(cells.signed_before),
        words(cells.signed_after),
        words(cells.control_before),
        words(cells.control_after)
    );
    if let Effectiveness::NotEstimable(why) = &compared.found {
        row.estimate = Err(share_why_words(*why).to_owned());
    }
    if let Effectiveness::Estimated(index) = &compared.found {
        row.verdict = match index.verdict {
            Verdict::Fewer => "A smaller share than expected",
            Verdict::More => "A larger share than expected",
            other => verdict(other),
        }
        .to_owned();
    }
    row
}

fn reports(answer: &ReportsAnswer) -> String {
    let counts = |cells: &[Period; 4]| {
        let [sb, sa, cb, ca] = cells.map(|cell| cell.count);
        format!("{sb} before and {sa} after with signs, {cb} and {ca} on controls")
    };
    match answer {
        ReportsAnswer::Estimated { change, limits, cells: counted } => {
            let words = match estimate(*change, *limits) {
                Ok(found) => {
                    format!("{:.2} (95 % interval {})", found.value, limits_words(found.lower, found.upper))
                }
                Err(words) => words,
            };
            format!(
                "Reports ({}), each of the four divided by its own reporting ratio: {words}.",
                counts(counted)
            )
        }
        ReportsAnswer::Refused { missing, cells: counted } => {
            let cells: Vec<String> =
                missing.iter().map(|(cell, n)| format!("{cell} ({n:.0} of 20)")).collect();
            format!(
                "Reports ({}) are refused: a sign changes what people report. How much they report is not known {}, for want \
                 of survey encounters on the same stretches.",
                counts(counted),
                cells.join("; ")
            )
        }
        ReportsAnswer::NotWalked => {
            "Reports are refused: nothing says how far people walked in one of the periods.".to_owned()
        }
    }
}

/// What would show, in words.
pub(super) fn detectable(found: Detectable) -> String {
    match found {
        Detectable::Reduction(share) => format!("{} or more", percent(share)),
        Detectable::NotEvenAll { .. } => "not even all".to_owned(),
        Detectable::TooFewSigns => "too few signs".to_owned(),
        Detectable::NoControls => "nothing left to compare with".to_owned(),
    }
}
