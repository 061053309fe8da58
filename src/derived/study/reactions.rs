//! Tables of reactions and of the tests beside them.

use crate::analysis::response::Contact;
use crate::analysis::response::Occasion;
use crate::analysis::response::bootstrap::ClusterMethod;
use crate::analysis::response::bootstrap::WhyNoBootstrap;
use crate::analysis::response::contact_test::ContactTest;
use crate::analysis::response::contact_test::Scheme;
use crate::analysis::response::latency::Step;
use crate::analysis::response::logit::ClusteredLogit;
use crate::analysis::response::logit::Coefficient;
use crate::analysis::response::logit::LogitFit;
use crate::analysis::response::logit::LogitTerm;
use crate::analysis::response::table::CellEstimate;
use crate::analysis::response::table::ReactionCell;
use crate::analysis::response::table::ReactionTable;
use crate::derived::rates::Limits;
use crate::derived::reactions::ANY_STRIKE;
use crate::derived::reactions::StrikeFindings;
use crate::derived::reactions::details::Part;
use crate::derived::reactions::details::SubTables;
use crate::derived::reactions::details::Wait;
use crate::derived::reactions::effort_kind;
use crate::derived::reactions::why_no_odds;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Building;
use crate::derived::study::table::Table;
use crate::domain::encounter::EffortKind;

const LEVEL_WORDS: &str = "95 % limit of the share";

pub(super) fn shares(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.reactions)?;
    let cells: Vec<(&ReactionTable, &ReactionCell)> = layer
        .tables
        .iter()
        .flat_map(|table| table.cells.iter().map(move |cell| (table, cell)))
        .filter(|(_, cell)| cell.n_approaches > 0)
        // Any strike stands behind the strike itself, so it is never the first.
        .filter(|(table, cell)| {
            table.occasion == Occasion::Any
                || layer.terms.get(cell.term).is_none_or(|term| *term != ANY_STRIKE)
        })
        .collect();
    let share = |cell: &ReactionCell, pick: fn(&CellEstimate) -> Option<f64>| pick(&cell.estimate);
    let table = Table::of(cells)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |(table, _)| {
            EffortKind::ALL
                .iter()
                .find(|kind| effort_kind(**kind) == table.effort_kind)
                .map(|kind| kind.term())
        })
        .column("counted", "", "the first reaction of each approach, or any", |(table, _)| {
            match table.occasion {
                Occasion::First => "first",
                Occasion::Any => "any",
            }
        })
        .column("contact", "", "how near the approach came", |(_, cell)| contact(cell.contact))
        .column("reaction", "", "what the snake did", |(_, cell)| layer.terms.get(cell.term).cloned())
        .column("shown", "", "approaches that showed it", |(_, cell)| cell.n_shown)
        .column("approaches", "", "approaches watched", |(_, cell)| cell.n_approaches)
        .column(
            "snakes",
            "",
            "snakes behind them at most: one not recognised counts for itself",
            |(_, cell)| cell.n_organisms,
        )
        .column(
            "unrecorded",
            "",
            "approaches of the kind whose reactions were not recorded, left out",
            |(table, _)| table.n_unrecorded,
        );
    let table = table
        .column("share", "share", "shown over approaches", |(_, cell)| share(cell, |it| part(it, |it| it.0)))
        .column("exact_lower", "share", &format!("Clopper and Pearson's lower {LEVEL_WORDS}"), |(_, cell)| {
            share(cell, |it| part(it, |it| it.1.0))
        })
        .column("exact_upper", "share", &format!("Clopper and Pearson's upper {LEVEL_WORDS}"), |(_, cell)| {
            share(cell, |it| part(it, |it| it.1.1))
        })
        .column("wilson_lower", "share", &format!("Wilson's lower {LEVEL_WORDS}"), |(_, cell)| {
            share(cell, |it| part(it, |it| it.2.0))
        })
        .column("wilson_upper", "share", &format!("Wilson's upper {LEVEL_WORDS}"), |(_, cell)| {
            share(cell, |it| part(it, |it| it.2.1))
        });
    Ok(by_snake(table).done())
}

fn by_snake<'a>(
    table: Building<(&'a ReactionTable, &'a ReactionCell)>,
) -> Building<(&'a ReactionTable, &'a ReactionCell)> {
    let clustered = |cell: &ReactionCell| match &cell.estimate {
        CellEstimate::Share { clustered, .. } => Some(*clustered),
        CellEstimate::NoApproaches => None,
    };
    table
        .column("by_snake_lower", "share", "lower limit that holds when snakes differ", move |(_, cell)| {
            clustered(cell).map(|it| it.lower)
        })
        .column("by_snake_upper", "share", "upper limit that holds when snakes differ", move |(_, cell)| {
            clustered(cell).map(|it| it.upper)
        })
        .column("by_snake_method", "", "how the limits by snake were made", move |(_, cell)| {
            clustered(cell).map(|it| method(it.method))
        })
        .column("recognised_snakes", "", "recognised snakes among those behind them", |(_, cell)| {
            cell.n_recognised
        })
}

type Parts = (f64, (f64, f64), (f64, f64));

fn part(estimate: &CellEstimate, pick: fn(&Parts) -> f64) -> Option<f64> {
    match estimate {
        CellEstimate::NoApproaches => None,
        CellEstimate::Share { share, clopper_pearson, wilson, .. } => {
            Some(pick(&(*share, *clopper_pearson, *wilson)))
        }
    }
}

fn method(method: ClusterMethod) -> &'static str {
    match method {
        ClusterMethod::Bootstrap => "whole snakes resampled",
        ClusterMethod::ClopperPearsonOnOrganisms(why) => match why {
            WhyNoBootstrap::NoVariation => "exact on snakes: shown never or always",
            WhyNoBootstrap::NoRepeats => "exact: each snake approached once",
            WhyNoBootstrap::FewOrganisms => "exact on snakes: too few to resample",
            WhyNoBootstrap::OrganismsAlike => "exact on snakes: all alike",
        },
    }
}

fn contact(contact: Contact) -> &'static str {
    match contact {
        Contact::Passed => "passed",
        Contact::Beside => "beside",
        Contact::Over => "over",
        Contact::Underfoot => "underfoot",
        Contact::Handled => "handled",
    }
}

fn scheme(test: &ContactTest) -> &'static str {
    match test {
        ContactTest::NotEstimable => "not estimable",
        ContactTest::Unrecognised { .. } => {
            "not tested: no snake was recognised, so nothing can be permuted within snakes"
        }
        ContactTest::Tested { scheme, .. } => match scheme {
            Scheme::WithinOrganisms => "contacts permuted within snakes",
            Scheme::BetweenOrganisms => "whole snakes permuted between contacts",
            Scheme::WithinAndBetween => "permuted within and between snakes",
        },
    }
}

fn n_permutations(test: &ContactTest) -> Option<usize> {
    match test {
        ContactTest::NotEstimable | ContactTest::Unrecognised { .. } => None,
        ContactTest::Tested { n_permutations, .. } => Some(*n_permutations),
    }
}

fn n_snakes(test: &ContactTest) -> Option<usize> {
    match test {
        ContactTest::NotEstimable | ContactTest::Unrecognised { .. } => None,
        ContactTest::Tested { n_organisms, .. } => Some(*n_organisms),
    }
}

fn n_unrecognised(test: &ContactTest) -> Option<usize> {
    match test {
        ContactTest::NotEstimable => None,
        ContactTest::Unrecognised { n_approaches } => Some(*n_approaches),
        ContactTest::Tested { n_unrecognised, .. } => Some(*n_unrecognised),
    }
}

const UNRECOGNISED_WORDS: &str =
    "snakes among them that nobody recognised, each taken as one of its own, which nothing says";

fn statistic(test: &ContactTest) -> Option<f64> {
    match test {
        ContactTest::NotEstimable | ContactTest::Unrecognised { .. } => None,
        ContactTest::Tested { statistic, .. } => Some(*statistic),
    }
}

pub(super) fn tests(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.reactions)?;
    let both =
        |it: &StrikeFindings| [(it.effort, "any difference", it.test), (it.effort, "trend", it.escalation)];
    let rows: Vec<(EffortKind, &str, ContactTest)> = layer.strikes.iter().flat_map(both).collect();
    Ok(Table::of(rows)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |(effort, ..)| effort.term())
        .column(
            "looked_for",
            "",
            "any difference between contacts, or a rise or fall with escalating contact",
            |(_, looked_for, _)| *looked_for,
        )
        .column(
            "statistic",
            "",
            "squared departures of the contacts' counts from their mean, or the size of the departures' summed scores",
            |(.., test)| statistic(test),
        )
        .column("p_value", "probability", "that strikes do not depend on contact", |(.., test)| {
            test.p_value()
        })
        .column("permutations", "", "draws", |(.., test)| n_permutations(test))
        .column("snakes", "", "snakes whose contacts were permuted", |(.., test)| n_snakes(test))
        .column("not_recognised", "", UNRECOGNISED_WORDS, |(.., test)| n_unrecognised(test))
        .column("method", "", "how contacts were permuted, or why there is no test", |(.., test)| scheme(test))
        .done())
}

pub(super) fn odds(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.reactions)?;
    let mut rows = Vec::new();
    for found in &layer.strikes {
        let effort = found.effort;
        match &found.logit {
            ClusteredLogit::NotEstimable(why) => {
                rows.push(OddsRow { effort, fitted: None, why_none: why_no_odds(*why) });
            }
            ClusteredLogit::Fitted(fit) => {
                let slopes = fit.coefficients.iter().filter(|it| it.term != LogitTerm::Intercept);
                rows.extend(slopes.map(|slope| OddsRow {
                    effort,
                    fitted: Some((fit, slope)),
                    why_none: String::new(),
                }));
            }
        }
    }
    if rows.is_empty() {
        return Err("No approaches are recorded.".to_owned());
    }
    let of_fit = |row: &OddsRow<'_>, pick: fn(&LogitFit) -> usize| row.fitted.map(|(fit, _)| pick(fit));
    Ok(Table::of(rows)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |row: &OddsRow<'_>| {
            row.effort.term()
        })
        .column("compared", "", "what the odds are of", |row| {
            row.fitted.map(|(_, it)| match it.term {
                LogitTerm::Intercept => "",
                LogitTerm::Contact(with) => contact(with),
                LogitTerm::TrialOrder => "each earlier trial of the same snake",
            })
        })
        .column("against", "", "the contact compared with", |row| {
            row.fitted.map(|(fit, it)| match it.term {
                LogitTerm::TrialOrder => "",
                _ => contact(fit.reference),
            })
        })
        .limits("odds_ratio", "times", "odds of a strike, errors by snake", |row| {
            let (_, it) = row.fitted?;
            Some(Limits { value: it.estimate.exp(), lower: it.limits.0.exp(), upper: it.limits.1.exp() })
        })
        .column("p_value", "probability", "against an odds ratio of 1", |row| {
            row.fitted.map(|(_, it)| it.p_value)
        })
        .column("approaches", "", "approaches in the fit", move |row| of_fit(row, |it| it.n_approaches))
        .column("snakes", "", "snakes in the fit", move |row| of_fit(row, |it| it.n_organisms))
        .column("not_recognised", "", UNRECOGNISED_WORDS, move |row| of_fit(row, |it| it.n_unrecognised))
        .column("why_none", "", "why there are no odds", |row| row.why_none.clone())
        .done())
}

/// A coefficient of a fit, or why there is no fit.
struct OddsRow<'a> {
    effort: EffortKind,
    fitted: Option<(&'a LogitFit, &'a Coefficient)>,
    why_none: String,
}

/// A part of the approaches, and one kind of contact in it; no contact where none was watched.
struct SubRow<'a> {
    tables: &'a SubTables,
    part: &'a Part,
    cell: Option<&'a ReactionCell>,
}

pub(super) fn sub_tables(layers: &Layers) -> Result<Table, String> {
    let details = need(&layers.reaction_details)?;
    let mut rows = Vec::new();
    for tables in &details.sub_tables {
        for part in &tables.parts {
            let watched: Vec<_> = part.strikes.iter().filter(|cell| cell.n_approaches > 0).collect();
            let row = |cell| SubRow { tables, part, cell };
            match watched.is_empty() {
                true => rows.push(row(None)),
                false => rows.extend(watched.into_iter().map(|cell| row(Some(cell)))),
            }
        }
    }
    let table = Table::of(rows)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |row: &SubRow<'_>| {
            row.tables.effort.term()
        })
        .column("parted_by", "", "what approaches are parted by", |row| row.tables.factor.words())
        .column("part", "", "the part", |row| row.part.name.clone())
        .column("approaches", "", "approaches in the part, all kinds of contact together", |row| {
            row.part.strikes.iter().map(|cell| cell.n_approaches).sum::<u64>()
        })
        .column("p_value", "probability", "that strikes do not depend on contact, in the part", |row| {
            row.part.test.test.p_value()
        })
        .column("holm_p_value", "probability", "adjusted by Holm over the parts", |row| {
            row.part.test.holm_p_value
        })
        .column("snakes", "", "snakes whose contacts were permuted", |row| n_snakes(&row.part.test.test))
        .column("not_recognised", "", UNRECOGNISED_WORDS, |row| n_unrecognised(&row.part.test.test))
        .column("method", "", "how contacts were permuted, or why there is no test", |row| {
            scheme(&row.part.test.test)
        })
        .column("contact", "", "how near the approach came: the following columns are of it", |row| {
            row.cell.map(|cell| contact(cell.contact))
        })
        .column("struck", "", "approaches with a strike or bite", |row| row.cell.map(|cell| cell.n_shown))
        .column("of_approaches", "", "approaches watched", |row| row.cell.map(|cell| cell.n_approaches))
        .column("of_snakes", "", "snakes behind them at most: one not recognised counts for itself", |row| {
            row.cell.map(|cell| cell.n_organisms)
        });
    Ok(sub_shares(table).done())
}

fn sub_shares<'a>(table: Building<SubRow<'a>>) -> Building<SubRow<'a>> {
    let of = |row: &SubRow<'_>, pick: fn(&Parts) -> f64| part(&row.cell?.estimate, pick);
    let clustered = |row: &SubRow<'_>| match &row.cell?.estimate {
        CellEstimate::Share { clustered, .. } => Some(*clustered),
        CellEstimate::NoApproaches => None,
    };
    table
        .column("share", "share", "struck over approaches", move |row| of(row, |it| it.0))
        .column("exact_lower", "share", &format!("Clopper and Pearson's lower {LEVEL_WORDS}"), move |row| {
            of(row, |it| it.1.0)
        })
        .column("exact_upper", "share", &format!("Clopper and Pearson's upper {LEVEL_WORDS}"), move |row| {
            of(row, |it| it.1.1)
        })
        .column("by_snake_lower", "share", "lower limit that holds when snakes differ", move |row| {
            clustered(row).map(|it| it.lower)
        })
        .column("by_snake_upper", "share", "upper limit that holds when snakes differ", move |row| {
            clustered(row).map(|it| it.upper)
        })
}

pub(super) fn latency(layers: &Layers) -> Result<Table, String> {
    let details = need(&layers.reaction_details)?;
    let shown = details.waits.iter().filter(|wait| wait.is_representative);
    let rows: Vec<(&Wait, &Step)> =
        shown.flat_map(|wait| wait.curve.steps.iter().map(move |step| (wait, step))).collect();
    if rows.is_empty() {
        return Err("No reaction with a known time followed an approach whose watch has an end.".to_owned());
    }
    let limits = |step: &Step| step.uncertainty.limits();
    Ok(Table::of(rows)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |(wait, _)| wait.effort.term())
        .column("contact", "", "how near the approach came", |(wait, _)| contact(wait.contact))
        .column("until", "", "what was waited for", |(wait, _)| wait.until.words())
        .column("approaches", "", "approaches whose times are known", |(wait, _)| wait.curve.n_approaches)
        .column(
            "snakes",
            "",
            "snakes behind them at most: one not recognised counts for itself",
            |(wait, _)| wait.n_organisms,
        )
        .column("without_times", "", "approaches whose times are not known, left out", |(wait, _)| {
            wait.n_unknown
        })
        .column("time_s", "s", "time from the approach to the reaction", |(_, step)| step.time_s)
        .column("at_risk", "", "approaches still watched and without it just before", |(_, step)| {
            step.n_at_risk
        })
        .column("reacted", "", "reactions at this time", |(_, step)| step.n_reacted)
        .column("waiting", "share", "share without it from this time on (Kaplan and Meier)", |(_, step)| {
            step.waiting
        })
        .column(
            "waiting_lower",
            "share",
            "lower 95 % limit, by snake where snakes repeat, else Greenwood's",
            |(_, step)| limits(step).map(|it| it.0),
        )
        .column(
            "waiting_upper",
            "share",
            "upper 95 % limit, by snake where snakes repeat, else Greenwood's",
            |(_, step)| limits(step).map(|it| it.1),
        )
        .done())
}
