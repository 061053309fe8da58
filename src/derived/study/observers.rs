//! Tables of what two observers saw and missed, by the kind of the observers.

use std::cmp::Reverse;

use crate::analysis::double_observer::Detection;
use crate::analysis::double_observer::HugginsFit;
use crate::analysis::double_observer::HugginsResult;
use crate::analysis::double_observer::LeadFollow;
use crate::analysis::double_observer::huggins::Effect;
use crate::derived::observers::Counts;
use crate::derived::observers::IndependentFindings;
use crate::derived::observers::PairRow;
use crate::derived::observers::pair_term;
use crate::derived::observers::why_words;
use crate::derived::rates::Limits;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::domain::double_observer::PairKind;

/// What the column of kinds says.
const KIND_WORDS: &str =
    "kind of both observers, two kinds, or not said; none speaks for another, and pooled is nobody's";
/// A pair with fewer walks is in no table: it would say who walked that day.
const LEAST_WALKS: usize = 5;
/// Normal deviate of 95 % limits.
const DEVIATE: f64 = 1.959_964;

/// One way of sharing a stretch.
struct Protocol {
    pair: Option<PairKind>,
    name: &'static str,
    n_walks: usize,
    counts: Counts,
    estimate: &'static str,
    first: Option<Detection>,
    second: Option<Detection>,
    either: Option<Detection>,
    abundance: Option<f64>,
    limits: Option<(f64, f64)>,
}

pub(super) fn observers(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.observers)?;
    let mut rows = Vec::new();
    for of_kind in layer.findings() {
        let pair = of_kind.pair;
        if let Some(found) = &of_kind.independent {
            let plain = &found.plain;
            rows.push(Protocol {
                pair,
                name: "independent",
                n_walks: found.n_walks,
                counts: found.counts,
                estimate: if plain.either.is_some() { "estimated" } else { "not estimable" },
                first: plain.first,
                second: plain.second,
                either: plain.either,
                abundance: plain.either.map(|_| plain.chapman),
                limits: plain.limits,
            });
        }
        if let Some(found) = &of_kind.lead_follow {
            let fit = match &found.removal {
                LeadFollow::Estimated(fit) => Some(fit),
                LeadFollow::NotEstimable { .. } | LeadFollow::NothingSeen => None,
            };
            rows.push(Protocol {
                pair,
                name: "leader and follower",
                n_walks: found.n_walks,
                counts: found.counts,
                estimate: if fit.is_some() { "estimated" } else { "not estimable" },
                first: fit.map(|fit| fit.each),
                second: fit.map(|fit| fit.each),
                either: fit.map(|fit| fit.both),
                abundance: fit.map(|fit| fit.abundance),
                limits: fit.and_then(|fit| fit.limits),
            });
        }
    }
    if rows.is_empty() {
        return Err("There are no walks with two observers.".to_owned());
    }
    let share =
        |it: Option<Detection>| it.map(|it| Limits { value: it.share, lower: it.lower, upper: it.upper });
    Ok(Table::of(rows)
        .column("observer_kind", "", KIND_WORDS, |row| pair_term(row.pair))
        .column("protocol", "", "how the two shared the stretch", |row| row.name)
        .column("walks", "", "walks, those without any snake noticed included", |row| row.n_walks)
        .column("only_first", "", "encounters noticed by the first, or the leader, only", |row| {
            row.counts.only_first
        })
        .column("only_second", "", "encounters noticed by the second, or the follower, only", |row| {
            row.counts.only_second
        })
        .column("both", "", "encounters noticed by both", |row| row.counts.both)
        .column("estimate_is", "", "whether detection can be estimated", |row| row.estimate)
        .limits("first_sees", "share", "of the snakes that can be seen", |row| share(row.first))
        .limits("second_sees", "share", "of the snakes that can be seen", |row| share(row.second))
        .limits("either_sees", "share", "of the snakes that can be seen", |row| share(row.either))
        .column(
            "snakes",
            "",
            "snakes that could be seen, a lower bound: Chapman's or the removal estimate",
            |row| row.abundance,
        )
        .column("snakes_lower", "", "lower 95 % limit of it, log-normal", |row| row.limits.map(|it| it.0))
        .column("snakes_upper", "", "upper 95 % limit of it, log-normal", |row| row.limits.map(|it| it.1))
        .done())
}

/// A coefficient of a model, or a model that has none.
struct ModelRow<'a> {
    pair: Option<PairKind>,
    found: &'a IndependentFindings,
    idx: usize,
    effect: Option<&'a Effect>,
}

impl ModelRow<'_> {
    fn fit(&self) -> Option<&HugginsFit> {
        fitted(&self.found.models[self.idx].1)
    }

    /// The criterion above the smallest of the same encounters.
    fn above_best(&self) -> Option<f64> {
        let best = fitted(&self.found.models[self.found.best?].1)?;
        Some(self.fit()?.aic - best.aic)
    }
}

fn fitted(result: &HugginsResult) -> Option<&HugginsFit> {
    match result {
        HugginsResult::Fitted(fit) => Some(fit),
        HugginsResult::NotEstimable(_) => None,
    }
}

/// A row for each coefficient of each model; one for a model without an estimate.
pub(super) fn models(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.observers)?;
    let mut rows = Vec::new();
    for of_kind in layer.findings() {
        let Some(found) = &of_kind.independent else { continue };
        for (idx, (_, result)) in found.models.iter().enumerate() {
            let row = |effect| ModelRow { pair: of_kind.pair, found, idx, effect };
            match fitted(result) {
                None => rows.push(row(None)),
                Some(fit) => rows.extend(fit.effects.iter().map(|effect| row(Some(effect)))),
            }
        }
    }
    if rows.is_empty() {
        return Err("There are no walks with two observers who looked each for themselves.".to_owned());
    }
    Ok(Table::of(rows)
        .column("observer_kind", "", KIND_WORDS, |row: &ModelRow<'_>| pair_term(row.pair))
        .column("depends_on", "", "what detection depends on beside the observer", |row| {
            let names = &row.found.models[row.idx].0;
            if names.is_empty() { "the observer only".to_owned() } else { names.join(" and ") }
        })
        .column("encounters", "", "that the models rest on: everything of them is known", |row| {
            row.found.n_modelled
        })
        .column("model_is", "", "whether it has an estimate, or why not", |row| {
            match &row.found.models[row.idx].1 {
                HugginsResult::Fitted(_) => "estimated",
                HugginsResult::NotEstimable(why) => why_words(*why),
            }
        })
        .column("aic", "", "Akaike's criterion of the conditional likelihood", |row| {
            row.fit().map(|fit| fit.aic)
        })
        .column("aic_above_best", "", "above the smallest of the same kind of observers", |row| {
            row.above_best()
        })
        .column("first_sees", "share", "mean over the snakes estimated to be there", |row| {
            row.fit().map(|fit| fit.first)
        })
        .column("second_sees", "share", "mean over the snakes estimated to be there", |row| {
            row.fit().map(|fit| fit.second)
        })
        .column("either_sees", "share", "mean over the snakes estimated to be there", |row| {
            row.fit().map(|fit| fit.either)
        })
        .column("snakes", "", "snakes that could be seen, a lower bound: Huggins' estimate", |row| {
            row.fit().map(|fit| fit.abundance)
        })
        .column("snakes_lower", "", "lower 95 % limit of it, log-normal", |row| {
            row.fit().and_then(|fit| fit.limits).map(|it| it.0)
        })
        .column("snakes_upper", "", "upper 95 % limit of it, log-normal", |row| {
            row.fit().and_then(|fit| fit.limits).map(|it| it.1)
        })
        .column("coefficient", "", "what the coefficient is of: the following columns are its own", |row| {
            row.effect.map(|effect| effect.name.clone())
        })
        .limits("log_odds", "log odds", "of noticing, for one unit more of it; limits of Wald", |row| {
            let effect = row.effect?;
            let reach = DEVIATE * effect.std_error;
            let (lower, upper) = (effect.estimate - reach, effect.estimate + reach);
            Some(Limits { value: effect.estimate, lower, upper })
        })
        .column("log_odds_error", "log odds", "its standard error", |row| {
            row.effect.map(|effect| effect.std_error)
        })
        .done())
}

/// Pairs without their names, in the order of their own counts, so that neither number nor place in the table says who they are.
pub(super) fn pairs(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.observers)?;
    // Names that the rule for personal data emptied make no pair.
    let has_names = |pair: &&PairRow| !pair.first.is_empty() || !pair.second.is_empty();
    let mut rows: Vec<&PairRow> =
        layer.pairs.iter().filter(has_names).filter(|pair| pair.n_walks >= LEAST_WALKS).collect();
    if rows.is_empty() {
        return Err(format!(
            "No two observers made {LEAST_WALKS} walks or more together: fewer would say who they were."
        ));
    }
    rows.sort_by_key(|pair| {
        let Counts { only_first, only_second, both } = pair.counts;
        (pair.pair, pair.protocol, Reverse((pair.n_walks, both, only_first, only_second)))
    });
    let shares = |pair: &PairRow| pair.detection();
    let rows: Vec<(usize, &PairRow)> = rows.into_iter().enumerate().collect();
    let number = format!(
        "pairs by their own counts; those with fewer than {LEAST_WALKS} walks are left out, since they would say who walked"
    );
    Ok(Table::of(rows)
        .column("pair", "", &number, |(idx, _)| format!("pair {}", idx + 1))
        .column("observer_kind", "", KIND_WORDS, |(_, pair)| pair_term(Some(pair.pair)))
        .column("protocol", "", "how the two shared the stretch", |(_, pair)| pair.protocol.term())
        .column("walks", "", "walks, those without any snake noticed included", |(_, pair)| pair.n_walks)
        .column("only_first", "", "encounters noticed by the first, or the leader, only", |(_, pair)| {
            pair.counts.only_first
        })
        .column("only_second", "", "encounters noticed by the second, or the follower, only", |(_, pair)| {
            pair.counts.only_second
        })
        .column("both", "", "encounters noticed by both", |(_, pair)| pair.counts.both)
        .limits("first_noticed", "share", "of what the second noticed, exact", move |(_, pair)| {
            shares(pair)[0]
        })
        .limits("second_noticed", "share", "of what the first noticed, exact", move |(_, pair)| {
            shares(pair)[1]
        })
        .done())
}
