//! Reactions by kind of contact.

use axum::response::IntoResponse;

use crate::analysis::counts::trend::ExactTrendTest;
use crate::analysis::counts::trend::TrendTest;
use crate::analysis::response::Occasion;
use crate::analysis::response::bootstrap::ClusterMethod;
use crate::analysis::response::contact_test::ContactTest;
use crate::analysis::response::contact_test::Scheme;
use crate::analysis::response::escalation::EscalationTrend;
use crate::analysis::response::logit::ClusteredLogit;
use crate::analysis::response::logit::LogitTerm;
use crate::analysis::response::table::CellEstimate;
use crate::analysis::response::table::ReactionTable;
use crate::derived::reactions::ANY_STRIKE;
use crate::derived::reactions::ReactionLayer;
use crate::derived::reactions::StrikeFindings;
use crate::derived::reactions::effort_kind;
use crate::derived::reactions::snakes_words;
use crate::derived::reactions::why_no_odds;
use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::latency;
use crate::web::pages::season::p_words;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::layout::Section;
use crate::web::views::reactions::ContactTable;
use crate::web::views::reactions::Counting;
use crate::web::views::reactions::ReactionsPage;
use crate::web::views::reactions::ShareRow;
use crate::web::views::reactions::StackedBarRow;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["effort", "count"])?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().reactions(&facts).await?;
    let effort = effort(&query, &layer)?;
    let counting = match query.get("count") {
        Some("first") => Counting::First,
        None | Some("any") => Counting::Any,
        Some(word) => {
            return Err(Error::bad_request("count", format!("\"{word}\" is neither first nor any.")));
        }
    };
    let page = page(&layer, effort, counting);
    let frame = common::frame(&facts, Section::Analysis, "Reactions", page.records_words.clone());
    let policy = CachePolicy::of_revision(facts.revision, format!("reactions {}", query.words()));
    Ok(Cached(policy, views::layout::page(&frame, views::reactions::body(&page))))
}

/// The effort kind asked for, or the one to begin with.
pub(super) fn effort(query: &Query, layer: &ReactionLayer) -> Result<EffortKind, Error> {
    match query.get("effort") {
        Some(word) => word.parse().map_err(|error| Error::bad_request("effort", format!("{error}"))),
        None => Ok(layer.first_shown()),
    }
}

/// "568 approaches of located encounters, 42 recognised snakes".
pub(super) fn records_words(layer: &ReactionLayer, effort: EffortKind) -> String {
    let position = EffortKind::ALL.iter().position(|kind| *kind == effort).unwrap_or(0);
    let (n_approaches, n_organisms) = layer.sizes[position];
    match n_organisms {
        0 if n_approaches > 0 => format!(
            "{n_approaches} approaches of {effort} encounters, to {}",
            snakes_words(n_approaches as u64, 0)
        ),
        n => format!("{n_approaches} approaches of {effort} encounters, {n} recognised snakes"),
    }
}

fn page(layer: &ReactionLayer, effort: EffortKind, counting: Counting) -> ReactionsPage {
    let occasion = match counting {
        Counting::First => Occasion::First,
        Counting::Any => Occasion::Any,
    };
    let of_kind = |table: &&ReactionTable| table.effort_kind == effort_kind(effort);
    let find = |wanted: Occasion| layer.tables.iter().filter(of_kind).find(|table| table.occasion == wanted);
    let contacts = find(occasion).map(|table| contacts(layer, table, counting)).unwrap_or_default();
    // The bars show first reactions, which add up to the approaches.
    let bars = find(Occasion::First).map(|table| bars(layer, table)).unwrap_or_default();
    ReactionsPage {
        effort,
        counting,
        bars,
        contacts,
        findings: layer.strikes.iter().find(|found| found.effort == effort).map(findings).unwrap_or_default(),
        records_words: records_words(layer, effort),
    }
}

fn contacts(layer: &ReactionLayer, table: &ReactionTable, counting: Counting) -> Vec<ContactTable> {
    let n_terms = layer.terms.len();
    let tables = Contact::ALL.iter().enumerate().map(|(contact, words)| {
        let cells = &table.cells[contact * n_terms..(contact + 1) * n_terms];
        let rows: Vec<ShareRow> = cells
            .iter()
            .zip(&layer.terms)
            // What was never seen has a row as well: zero with its upper limit. Any strike stands behind the strike itself, so it
            // is never the first.
            .filter(|(_, term)| counting == Counting::Any || *term != ANY_STRIKE)
            .filter_map(|(cell, term)| match &cell.estimate {
                CellEstimate::NoApproaches => None,
                CellEstimate::Share { share, clopper_pearson, wilson, clustered } => Some(ShareRow {
                    term: term.clone(),
                    k: cell.n_shown,
                    exact: Estimate { value: *share, lower: clopper_pearson.0, upper: clopper_pearson.1 },
                    wilson: *wilson,
                    by_snake: Some((clustered.lower, clustered.upper)),
                    by_snake_words: match clustered.method {
                        ClusterMethod::Bootstrap => "whole snakes drawn again and again",
                        ClusterMethod::ClopperPearsonOnOrganisms(_) => {
                            "exact limits, each snake counted once"
                        }
                    },
                }),
            })
            .collect();
        ContactTable {
            contact: words.term().to_owned(),
            n: cells.first().map_or(0, |cell| cell.n_approaches),
            snakes: cells
                .first()
                .map(|cell| snakes_words(cell.n_organisms, cell.n_recognised))
                .unwrap_or_default(),
            rows,
        }
    });
    tables.filter(|table| table.n > 0).collect()
}

/// First reactions in five groups that shade from calm to strike.
pub(in crate::web) fn bars(layer: &ReactionLayer, table: &ReactionTable) -> Vec<StackedBarRow> {
    let n_terms = layer.terms.len();
    let group = |term: usize| match layer.terms[term].as_str() {
        _ if layer.is_strike[term] => 4,
        "still" | "head hidden" => 0,
        "withdrew" => 1,
        "coiled" | "musked" => 2,
        _ => 3,
    };
    let names = [
        "still or hid its head",
        "withdrew",
        "coiled or musked",
        "warned, came near, other",
        "struck or bit",
    ];
    let rows = Contact::ALL.iter().enumerate().map(|(contact, words)| {
        let cells = &table.cells[contact * n_terms..(contact + 1) * n_terms];
        let mut parts = names.map(|name| (name.to_owned(), 0));
        let own = cells.iter().enumerate().filter(|(term, _)| layer.terms[*term] != ANY_STRIKE);
        own.for_each(|(term, cell)| parts[group(term)].1 += cell.n_shown);
        StackedBarRow { contact: words.term().to_owned(), parts: parts.to_vec() }
    });
    rows.filter(|row| row.parts.iter().any(|(_, count)| *count > 0)).collect()
}

fn findings(found: &StrikeFindings) -> Vec<(String, String)> {
    let mut lines = Vec::new();
    lines.push(("Do strikes depend on contact?".to_owned(), test_words(&found.test)));
    lines.push(("Do they rise or fall with closer contact?".to_owned(), test_words(&found.escalation)));
    lines.push(("The same for independent data".to_owned(), trend_words(&found.trend)));
    match &found.logit {
        ClusteredLogit::NotEstimable(why) => {
            lines.push(("Odds of a strike".to_owned(), format!("not estimable: {}", why_no_odds(*why))));
        }
        ClusteredLogit::Fitted(fit) => {
            for coefficient in &fit.coefficients {
                let name = match coefficient.term {
                    LogitTerm::Intercept => continue,
                    LogitTerm::Contact(contact) => {
                        format!("Odds of a strike, {:?} against {:?}", contact, fit.reference).to_lowercase()
                    }
                    LogitTerm::TrialOrder => {
                        "odds of a strike, each earlier trial of the same snake".to_owned()
                    }
                };
                let value = format!(
                    "{:.2} times (95 % interval {:.2} to {:.2}; errors by snake, {} snakes{})",
                    coefficient.estimate.exp(),
                    coefficient.limits.0.exp(),
                    coefficient.limits.1.exp(),
                    fit.n_organisms,
                    taken_words(fit.n_unrecognised)
                );
                lines.push((name, value));
            }
        }
    }
    if let Some(curve) = &found.underfoot {
        let time_s = curve.median.time_s;
        let value = format!(
            "{} ({}; {} approaches, end of watch censors, limits by snake)",
            time_s
                .map_or("not reached, fewer than half struck".to_owned(), |time_s| format!("{time_s:.1} s")),
            latency::median_limits(&curve.median),
            curve.n_approaches
        );
        lines.push(("Median time to a strike when stepped on".to_owned(), value));
    }
    lines
}

fn test_words(test: &ContactTest) -> String {
    match test {
        ContactTest::NotEstimable => "not testable from these approaches".to_owned(),
        ContactTest::Unrecognised { n_approaches } => unrecognised_words(*n_approaches),
        ContactTest::Tested { p_value, n_permutations, n_organisms, scheme, n_unrecognised, .. } => {
            let how = match scheme {
                Scheme::WithinOrganisms => "contacts permuted within snakes",
                Scheme::BetweenOrganisms => "whole snakes permuted between contacts",
                Scheme::WithinAndBetween => {
                    "contacts permuted within snakes that met several, whole snakes among the others"
                }
            };
            format!(
                "p {} ({n_permutations} permutations, {n_organisms} snakes{}; {how})",
                p_words(*p_value),
                taken_words(*n_unrecognised)
            )
        }
    }
}

/// Why nothing is permuted.
pub(super) fn unrecognised_words(n_approaches: usize) -> String {
    format!(
        "not tested: in all {n_approaches} approaches nobody recognised the snake, so that nothing can be permuted within snakes, and \
         one snake met again would pass for several"
    )
}

/// What is taken for granted of snakes that were not recognised; empty where all were.
pub(super) fn taken_words(n_unrecognised: usize) -> String {
    match n_unrecognised {
        0 => String::new(),
        n => format!(", {n} of them not recognised and each taken as one of its own, which nothing says"),
    }
}

/// Cochran and Armitage's test stands only where it holds.
fn trend_words(trend: &EscalationTrend) -> String {
    match trend {
        EscalationTrend::RepeatedOrganisms { n_repeated } => format!(
            "not given: {n_repeated} snakes were approached more than once, so a test for independent data does not hold"
        ),
        EscalationTrend::Unrecognised { n_approaches } => format!(
            "not given: in {n_approaches} approaches nobody recognised the snake and no protocol kept snakes apart, so nothing says \
             that each was approached once"
        ),
        EscalationTrend::Independent { asymptotic, exact } => {
            let z_score = match asymptotic {
                TrendTest::NotEstimable => return "not testable from these approaches".to_owned(),
                TrendTest::Tested(tested) => tested.z_score,
            };
            let exact = match exact {
                ExactTrendTest::Tested(tails) => p_words(tails.two_sided),
                ExactTrendTest::NotEstimable | ExactTrendTest::OutOfReach => "not computed".to_owned(),
            };
            format!(
                "Cochran–Armitage z {z_score:.2}, exact p {exact}; every recognised snake was approached once, and those not \
                 recognised are taken as different ones"
            )
        }
    }
}
