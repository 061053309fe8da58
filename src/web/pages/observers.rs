//! Seen or missed.

use axum::response::IntoResponse;

use crate::analysis::double_observer::Detection;
use crate::analysis::double_observer::HugginsResult;
use crate::analysis::double_observer::LeadFollow;
use crate::analysis::double_observer::Overlap;
use crate::derived::observers::Counts;
use crate::derived::observers::IndependentFindings;
use crate::derived::observers::KindFindings;
use crate::derived::observers::LeadFollowFindings;
use crate::derived::observers::ObserverLayer;
use crate::derived::observers::pair_term;
use crate::derived::observers::why_words;
use crate::domain::double_observer::ObserverKind;
use crate::domain::double_observer::PairKind;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::layout::Section;
use crate::web::views::observers::KindShown;
use crate::web::views::observers::ModelFit;
use crate::web::views::observers::ModelRow;
use crate::web::views::observers::ObserversPage;
use crate::web::views::observers::PairShown;
use crate::web::views::observers::ProtocolShown;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&[])?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().observers(&facts).await?;
    let n: u64 = layer.pairs.iter().map(|pair| pair.counts.total()).sum();
    let records = format!("{n} encounters on walks with two observers");
    let frame = common::frame(&facts, Section::Analysis, "Seen or missed", records);
    let policy = CachePolicy::of_revision(facts.revision, "observers");
    Ok(Cached(policy, views::layout::page(&frame, views::observers::body(&page(&layer)))))
}

fn page(layer: &ObserverLayer) -> ObserversPage {
    ObserversPage {
        kinds: layer.findings().map(of_kind).collect(),
        pairs: layer
            .pairs
            .iter()
            .map(|pair| PairShown {
                who: match pair.pair {
                    PairKind::NotSaid => format!("{} and {}, {}", pair.first, pair.second, pair.protocol),
                    kinds => {
                        let kinds = pair_term(Some(kinds));
                        format!("{} and {}, {}, {kinds}", pair.first, pair.second, pair.protocol)
                    }
                },
                n_walks: pair.n_walks,
                counts: [pair.counts.only_first, pair.counts.only_second, pair.counts.both],
                detection: pair.detection().map(|limits| limits.map(common::estimate)),
            })
            .collect(),
    }
}

fn of_kind(found: &KindFindings) -> KindShown {
    let (title, note) = kind_words(found.pair);
    KindShown {
        title,
        note,
        independent: found.independent.as_ref().map(independent),
        lead_follow: found.lead_follow.as_ref().map(lead_follow),
        models: found.independent.as_ref().map(models).unwrap_or_default(),
        n_modelled: found.independent.as_ref().map_or(0, |found| found.n_modelled),
    }
}

/// The heading of a kind, and what is to be known of it.
fn kind_words(pair: Option<PairKind>) -> (&'static str, &'static str) {
    match pair {
        Some(PairKind::Of(ObserverKind::Surveyor)) => ("Two surveyors", ""),
        Some(PairKind::Of(ObserverKind::Ranger)) => ("Two rangers", ""),
        Some(PairKind::Of(ObserverKind::Volunteer)) => ("Two volunteers", ""),
        Some(PairKind::Of(ObserverKind::Visitor)) => ("Two visitors", ""),
        Some(PairKind::Mixed) => (
            "Pairs of two kinds",
            "Who was first and who second may change from walk to walk: the shares are of no kind of observer.",
        ),
        Some(PairKind::NotSaid) => (
            "Kind of observer not said",
            "The files of these walks do not say what kind of observer both were, so the figures are of no kind.",
        ),
        None => (
            "All kinds pooled",
            "Pairs of all kinds taken together: an average over these walks, and the detection of no kind of observer.",
        ),
    }
}

fn estimate(share: Detection) -> Estimate {
    Estimate { value: share.share, lower: share.lower, upper: share.upper }
}

fn counts_words(n_walks: usize, counts: Counts, names: (&str, &str)) -> String {
    let (first, second) = names;
    format!(
        "{n_walks} walks, {} encounters: {} noticed by the {first} only, {} by the {second} only, {} by both.",
        counts.total(),
        counts.only_first,
        counts.only_second,
        counts.both
    )
}

/// What one observer misses, of ten.
fn missed_sentence(share: Detection) -> String {
    let of_ten = |share: f64| ((1.0 - share) * 10.0).round();
    format!(
        "Of ten snakes that could be seen, the one observer who misses more walks past about {:.0} ({:.0} to {:.0}).",
        of_ten(share.share),
        of_ten(share.upper),
        of_ten(share.lower)
    )
}

fn independent(found: &IndependentFindings) -> ProtocolShown {
    let plain = &found.plain;
    let share = |known: Option<Detection>, other: &str| {
        known.map(estimate).ok_or_else(|| format!("the {other} noticed none to judge by"))
    };
    let number = match (plain.overlap, plain.limits) {
        (Overlap::NothingSeen, _) => {
            "Neither noticed any snake: how many there were is not known.".to_owned()
        }
        (Overlap::None, _) => format!(
            "{} different encounters, none noticed by both: the data set no upper bound on how many could have been seen.",
            plain.seen
        ),
        (_, Some((lower, upper))) => format!(
            "At least {:.0} could have been seen (95 % interval {lower:.0} to {upper:.0}), {} were noticed.",
            plain.chapman, plain.seen
        ),
        (_, None) => format!(
            "One missed nothing that the other noticed: at least the {} noticed could be seen; no interval can be given.",
            plain.seen
        ),
    };
    let caution = match plain.overlap {
        Overlap::Few => {
            "Fewer than seven were noticed by both: the number is badly biased and its interval too narrow."
        }
        Overlap::None => {
            "None was noticed by both, so that shares of zero only say that more pairs of walks are needed."
        }
        Overlap::NothingSeen | Overlap::NothingMissed | Overlap::Enough => "",
    };
    let sentence = match (plain.overlap, plain.first, plain.second) {
        (Overlap::NothingSeen | Overlap::None, _, _) | (_, None, _) | (_, _, None) => {
            "It cannot be said yet how many snakes one observer walks past.".to_owned()
        }
        // The one who misses more is the one to plan with.
        (_, Some(first), Some(second)) => {
            missed_sentence(if first.share < second.share { first } else { second })
        }
    };
    ProtocolShown {
        sentence,
        counts: counts_words(found.n_walks, found.counts, ("first", "second")),
        detection: vec![
            ("First observer".to_owned(), share(plain.first, "second")),
            ("Second observer".to_owned(), share(plain.second, "first")),
            ("At least one of them".to_owned(), share(plain.either, "other")),
        ],
        number,
        caution: caution.to_owned(),
    }
}

fn models(found: &IndependentFindings) -> Vec<ModelRow> {
    let best_aic = found.best.and_then(|best| match &found.models[best].1 {
        HugginsResult::Fitted(fit) => Some(fit.aic),
        HugginsResult::NotEstimable(_) => None,
    });
    let row = |(idx, (names, result)): (usize, &(Vec<String>, HugginsResult))| ModelRow {
        name: if names.is_empty() { "the observer only".to_owned() } else { names.join(" and ") },
        fit: match result {
            HugginsResult::NotEstimable(why) => Err(why_words(*why).to_owned()),
            HugginsResult::Fitted(fit) => Ok(ModelFit {
                above_best: fit.aic - best_aic.unwrap_or(fit.aic),
                shares: [fit.first, fit.second, fit.either],
                number: match fit.limits {
                    Some((lower, upper)) => {
                        format!("{:.0} (95 % interval {lower:.0} to {upper:.0})", fit.abundance)
                    }
                    None => format!("{:.0}, no interval", fit.abundance),
                },
                effects: fit
                    .effects
                    .iter()
                    .map(|effect| {
                        format!(
                            "{}: {:.3} (standard error {:.3})",
                            effect.name, effect.estimate, effect.std_error
                        )
                    })
                    .collect(),
            }),
        },
        is_best: found.best == Some(idx),
    };
    found.models.iter().enumerate().map(row).collect()
}

fn lead_follow(found: &LeadFollowFindings) -> ProtocolShown {
    let counts = counts_words(found.n_walks, found.counts, ("leader", "follower"));
    match &found.removal {
        LeadFollow::Estimated(fit) => ProtocolShown {
            sentence: missed_sentence(fit.each),
            counts,
            detection: vec![
                ("One observer".to_owned(), Ok(estimate(fit.each))),
                ("Leader and follower together".to_owned(), Ok(estimate(fit.both))),
            ],
            number: match fit.limits {
                Some((lower, upper)) => format!(
                    "At least {:.0} could have been seen (95 % interval {lower:.0} to {upper:.0}), {} were noticed.",
                    fit.abundance, fit.seen
                ),
                None => format!(
                    "The follower found nothing: at least the {} noticed could be seen; no interval can be given.",
                    fit.seen
                ),
            },
            caution: format!(
                "Both are taken to notice alike, and a snake to stay until the follower has passed. Together they miss {}.",
                percent(1.0 - fit.both.share)
            ),
        },
        LeadFollow::NotEstimable { first, second } => ProtocolShown {
            sentence: "It cannot be said how many snakes one observer walks past.".to_owned(),
            counts,
            detection: vec![(
                "One observer".to_owned(),
                Err(format!(
                    "the follower found {second}, no fewer than the leader's {first}: not estimable"
                )),
            )],
            number: "Two passes of which the second finds as many say nothing about what is left.".to_owned(),
            caution: String::new(),
        },
        LeadFollow::NothingSeen => ProtocolShown {
            sentence: "Neither noticed any snake: how many are missed is not known.".to_owned(),
            counts,
            ..ProtocolShown::default()
        },
    }
}
