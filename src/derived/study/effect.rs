//! What signs did: before against after, with what was to be expected without them, and what was assumed.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::analysis::before_after::Change;
use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Verdict;
use crate::analysis::before_after::WhyNot;
use crate::analysis::before_after::control::Cells;
use crate::analysis::before_after::flips::FlipTest;
use crate::analysis::before_after::power::Detectable;
use crate::analysis::counts::RatioLimits;
use crate::derived::effect::Campaign;
use crate::derived::effect::ReportsAnswer;
use crate::derived::effect::SHARES_NEED_A_PLAN;
use crate::derived::effect::ShareOutcome;
use crate::derived::effect::Wait;
use crate::derived::effect::power_rows;
use crate::derived::effect::share_why_words;
use crate::derived::effect::why_words;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

/// The four cells of a comparison, and where they are.
const CELLS: [(&str, &str); 4] = [
    ("signed_before", "with signs, before they stood"),
    ("signed_after", "with signs, while they stood"),
    ("control_before", "whose walkers passed no sign, before"),
    ("control_after", "whose walkers passed no sign, after"),
];
/// What cells are divided by: kilometres, or for shares all encounters.
const BASE: &str = "km weighted by season and hour, or encounters of known contact";

/// The unit of survey-km that are compared.
const WEIGHTED: &str = "survey-km weighted by season and hour";

fn campaigns(layers: &Layers) -> Result<&[Campaign], String> {
    need(&layers.effect)?.campaigns.as_deref().map_err(Clone::clone)
}

/// One comparison of one campaign.
struct Row<'a> {
    number: usize,
    campaign: &'a Campaign,
    outcome: String,
    expected_from: &'static str,
    /// With signs before and after, without before and after.
    cells: [Period; 4],
    n_signs: Option<usize>,
    n_controls: Option<usize>,
    expected: Option<f64>,
    change: Result<(Change, RatioLimits), String>,
    p_value: Option<f64>,
    flips_p: Option<f64>,
    verdict: Option<&'static str>,
    n_draws: Option<usize>,
}

pub(super) fn effect(layers: &Layers) -> Result<Table, String> {
    let mut rows = Vec::new();
    for (idx, campaign) in campaigns(layers)?.iter().enumerate() {
        let ways = [
            ("places that lost the draw", campaign.lottery.as_ref()),
            ("a later baseline", campaign.later.as_ref()),
            ("the posterior of every stretch", Some(&campaign.bayes)),
        ];
        for (expected_from, found) in ways.into_iter().filter_map(|(words, found)| Some((words, found?))) {
            rows.push(survey(idx + 1, campaign, expected_from, found));
        }
        rows.extend(shares(idx + 1, campaign));
        rows.push(reports(idx + 1, campaign, layers.facts.settings.draws()));
    }
    let change = |row: &Row<'_>| row.change.as_ref().ok().copied();
    let mut table = Table::of(rows)
        .column("campaign", "", "number of the campaign: signs that went up together", |row| row.number)
        .column("plan", "", "name of its plan", |row| row.campaign.name.clone())
        .column("outcome", "", "what is counted", |row| row.outcome.clone())
        .column("expected_from", "", "what says how much was to be expected without signs", |row| {
            row.expected_from
        })
        .column("signs", "", "signs whose stretches were walked", |row| row.n_signs)
        .column("controls", "", "units without signs compared with", |row| row.n_controls);
    for (at, (cell, words)) in CELLS.into_iter().enumerate() {
        let (counted, base) = (format!("encounters on stretches {words}"), format!("divided by, {words}"));
        table = table.column(cell, "", &counted, move |row| row.cells[at].count).column(
            &format!("{cell}_base"),
            BASE,
            &base,
            move |row| row.cells[at].km,
        );
    }
    Ok(table
        .column("expected", "encounters", "expected with signs, had they done nothing", |row| row.expected)
        .column("estimate_is", "", "whether there is an estimate, or why not", |row| match &row.change {
            Ok((Change::Estimate(_), _)) => "estimated".to_owned(),
            Ok((Change::ZeroCell, _)) => "limits only: a cell is empty".to_owned(),
            Err(why) => format!("not estimable: {why}"),
        })
        .column("change", "ratio", "with signs over without; below one: fewer", |row| {
            change(row).and_then(|it| it.0.estimate())
        })
        .column("change_lower", "ratio", "lower 95 % limit of change", |row| change(row).map(|it| it.1.lower))
        .column("change_upper", "ratio", "upper 95 % limit of change; open when empty", |row| {
            change(row).and_then(|it| it.1.upper)
        })
        .column("p_value", "probability", "of no change, two-sided", |row| row.p_value)
        .column("flips_p_value", "probability", "of no change, each sign as one", |row| row.flips_p)
        .column("verdict", "", "what may be said", |row| row.verdict)
        .column("draws", "", "draws it rests on; empty where limits are computed without draws", |row| {
            row.n_draws
        })
        .done())
}

fn survey<'a>(
    number: usize,
    campaign: &'a Campaign,
    expected_from: &'static str,
    found: &Effectiveness,
) -> Row<'a> {
    let empty = Row {
        number,
        campaign,
        outcome: "survey encounters per survey-km, planned walks".to_owned(),
        expected_from,
        cells: [campaign.signed.0, campaign.signed.1, campaign.control.0, campaign.control.1],
        n_signs: None,
        n_controls: None,
        expected: None,
        change: Err(String::new()),
        p_value: None,
        flips_p: None,
        verdict: None,
        n_draws: None,
    };
    match found {
        Effectiveness::NotEstimable(why) => Row { change: Err(why_words(*why).to_owned()), ..empty },
        Effectiveness::Estimated(index) => Row {
            n_signs: Some(index.n_signs),
            n_controls: Some(index.n_controls),
            expected: Some(index.expected),
            change: Ok((index.change, index.limits)),
            p_value: Some(index.p_value),
            flips_p: match index.flips {
                FlipTest::Tested { p_value, .. } => Some(p_value),
                FlipTest::NothingToFlip => None,
            },
            verdict: Some(match index.verdict {
                Verdict::Fewer => "fewer",
                Verdict::More => "more",
                Verdict::NotToldApart => "not told apart",
                Verdict::TooFewSigns => "too few signs",
            }),
            ..empty
        },
    }
}

fn shares(number: usize, campaign: &Campaign) -> Vec<Row<'_>> {
    let row = |share: &ShareOutcome| {
        let nothing = Effectiveness::NotEstimable(WhyNot::NothingExpected);
        let found = share.since_plan.as_ref().map_or(&nothing, |compared| &compared.found);
        let expected_from = "the change on controls, from the time between plan and signs";
        let mut row = survey(number, campaign, expected_from, found);
        row.outcome = format!("share of survey encounters {}", share.contact.term());
        row.cells = share.since_plan.as_ref().map_or([Period::NONE; 4], |compared| in_order(&compared.cells));
        match (&share.since_plan, found) {
            (None, _) => row.change = Err(SHARES_NEED_A_PLAN.to_owned()),
            (_, Effectiveness::NotEstimable(why)) => row.change = Err(share_why_words(*why).to_owned()),
            (_, Effectiveness::Estimated(_)) => {}
        }
        row
    };
    campaign.shares.iter().map(row).collect()
}

fn in_order(cells: &Cells) -> [Period; 4] {
    [cells.signed_before, cells.signed_after, cells.control_before, cells.control_after]
}

fn reports(number: usize, campaign: &Campaign, n_draws: usize) -> Row<'_> {
    let (change, cells) = match &campaign.reports {
        ReportsAnswer::Estimated { change, limits, cells } => (Ok((*change, *limits)), *cells),
        ReportsAnswer::Refused { missing, cells, .. } => {
            let cell = |(words, n): &(&str, f64)| format!("{words} ({n:.0} survey encounters)");
            let missing: Vec<String> = missing.iter().map(cell).collect();
            (Err(format!("how much people report is not known {}", missing.join(", "))), *cells)
        }
        ReportsAnswer::NotWalked => {
            (Err("how far people walked is not known in one of the periods".to_owned()), [Period::NONE; 4])
        }
    };
    let has_estimate = change.is_ok();
    Row {
        number,
        campaign,
        outcome: "reports per km walked, each cell divided by its reporting ratio".to_owned(),
        expected_from: "the change on controls",
        cells,
        n_signs: None,
        n_controls: None,
        expected: None,
        change,
        p_value: None,
        flips_p: None,
        verdict: None,
        n_draws: has_estimate.then_some(n_draws),
    }
}

/// One sign of one campaign.
struct Sign {
    number: usize,
    name: String,
    before: Period,
    after: Period,
}

pub(super) fn signs(layers: &Layers) -> Result<Table, String> {
    let (signs, network) = (&layers.facts.signs_in_place, need(&layers.network)?);
    let is_told = |sign: usize| !layers.withheld.holds_position(network, signs[sign].given.position);
    let all = campaigns(layers)?.iter().flat_map(|campaign| &campaign.by_sign);
    let n_withheld = all.filter(|it| !is_told(it.sign)).count();
    let rows = campaigns(layers)?.iter().enumerate().flat_map(|(idx, campaign)| {
        campaign.by_sign.iter().filter(|it| is_told(it.sign)).map(move |it| Sign {
            number: idx + 1,
            name: signs[it.sign].given.name.clone(),
            before: it.before,
            after: it.after,
        })
    });
    Ok(Table::of(rows.collect())
        .withholding(n_withheld)
        .column("campaign", "", "number of the campaign", |row| row.number)
        .column("sign", "", "name of the sign", |row| row.name.clone())
        .column("before", "", "survey encounters where it warns, before", |row| row.before.count)
        .column("before_km", WEIGHTED, "walked there before on planned walks", |row| row.before.km)
        .column("after", "", "survey encounters where it warns, while it stood", |row| row.after.count)
        .column("after_km", WEIGHTED, "walked there while it stood on planned walks", |row| row.after.km)
        .done())
}

pub(super) fn power(layers: &Layers) -> Result<Table, String> {
    let basis = need(&layers.effect)?.planning;
    let wait = Wait::usual(&basis, layers.facts.settings.effect_variation);
    let rows = power_rows(&wait).map_err(|error| error.to_string())?;
    let cells =
        rows.iter().flat_map(|row| row.after.iter().map(|(years, found)| (row.n_signs, *years, *found)));
    Ok(Table::of(cells.collect::<Vec<_>>())
        .column("signs", "", "signs put up together", |(n_signs, ..)| *n_signs)
        .column("years_before", "years", "counted before the signs", |_| wait.years_before)
        .column("years_after", "years", "counted while they stand", |(_, years, _)| *years)
        .column("per_sign_year", "encounters a year", "where one sign of average place warns", |_| {
            wait.per_sign_year
        })
        .column("control_per_year", "encounters a year", "on stretches without signs", |(n_signs, ..)| {
            wait.control_per_year(*n_signs)
        })
        .column("shows", "", "what would show with a probability of 80 %", |(.., found)| match found {
            Detectable::Reduction(_) => "a reduction of at least that share",
            Detectable::NotEvenAll { .. } => "not even that all encounters ended",
            Detectable::TooFewSigns => "nothing: too few signs",
            Detectable::NoControls => "nothing: no stretch left without signs",
        })
        .column("smallest_reduction", "share", "of the encounters expected without signs", |(.., found)| {
            match found {
                Detectable::Reduction(share) => Some(*share),
                Detectable::NotEvenAll { .. } | Detectable::TooFewSigns | Detectable::NoControls => None,
            }
        })
        .done())
}

pub(super) fn assumptions(layers: &Layers) -> Result<Table, String> {
    let zone = TimeZone::get(&layers.facts.area.time_zone).map_err(|error| error.to_string())?;
    let day = |at_s: i64| match Timestamp::from_second(at_s) {
        Ok(instant) => zone.to_datetime(instant).date().to_string(),
        Err(_) => "unknown".to_owned(),
    };
    let settings = &layers.facts.settings;
    let mut rows: Vec<(String, &'static str, String)> = Vec::new();
    for (idx, campaign) in campaigns(layers)?.iter().enumerate() {
        let (number, times) = ((idx + 1).to_string(), &campaign.times);
        let mut add = |what, value: String| rows.push((number.clone(), what, value));
        let chosen = times.chosen_s.map_or_else(|| "no kept plan says".to_owned(), day);
        add("records before this day chose the places", chosen);
        add("before ends: first sign up", day(times.first_up_s));
        for (from_s, until_s) in &times.before {
            if *from_s != i64::MIN {
                add("before goes on: other signs that warned there are down", day(*from_s));
            }
            if *until_s != times.first_up_s {
                add("before breaks off: other signs warn there", day(*until_s));
            }
        }
        if times.after.is_empty() {
            add("after begins: last sign up", "not all stood at once".to_owned());
        }
        for (from_s, until_s) in &times.after {
            add("after begins: last sign up", day(*from_s));
            let down = if *until_s == i64::MAX { "all stand".to_owned() } else { day(*until_s) };
            add("after ends: first sign down", down);
        }
    }
    let mut add = |what, value: String| rows.push(("all".to_owned(), what, value));
    add("a sign is remembered for", format!("{} m of walking", settings.reach_m));
    add("a stretch is a sign's where this share of walkers is in reach", settings.effect_warned.to_string());
    add("a stretch is a control where at most this share passed a sign", settings.effect_passed.to_string());
    add("who passed a sign", "the walker model, mean over its draws".to_owned());
    add(
        "walks compared",
        "planned ones; km weighted by how frequent encounters are at their month and hour".to_owned(),
    );
    add("prior of rates between stretches", "gamma; mean and spread integrated over a grid".to_owned());
    add(
        "limits",
        "95 %, variance clustered by sign; of four totals where a cell of a later baseline is empty; by lot, of the exchange \
         of places and of all encounters"
            .to_owned(),
    );
    Ok(Table::of(rows)
        .column("campaign", "", "number of the campaign, or all", |row| row.0.clone())
        .column("assumption", "", "what is assumed", |row| row.1)
        .column("value", "", "its value", |row| row.2.clone())
        .done())
}
