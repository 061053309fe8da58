//! Tables of reactions and of the tests beside them.

use crate::analysis::response::Contact;
use crate::analysis::response::Occasion;
use crate::analysis::response::bootstrap::ClusterMethod;
use crate::analysis::response::bootstrap::WhyNoBootstrap;
use crate::analysis::response::contact_test::ContactTest;
use crate::analysis::response::contact_test::Scheme;
use crate::analysis::response::latency::Step;
use crate::analysis::response::latency::Uncertainty;
use crate::analysis::response::logit::ClusteredLogit;
use crate::analysis::response::logit::Coefficient;
use crate::analysis::response::logit::LogitFit;
use crate::analysis::response::logit::LogitTerm;
use crate::analysis::response::table::CellEstimate;
use crate::analysis::response::table::ReactionCell;
use crate::analysis::response::table::ReactionTable;
use crate::derived::rates::Limits;
use crate::derived::reactions::StrikeFindings;
use crate::derived::reactions::effort_kind;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Building;
use crate::derived::study::table::Table;
use crate::derived::study::table::Value;
use crate::domain::encounter::EffortKind;

const LEVEL_WORDS: &str = "95 % limit of the share";

pub(super) fn shares(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.reactions)?;
    let cells: Vec<(&ReactionTable, &ReactionCell)> = layer
        .tables
        .iter()
        .flat_map(|table| table.cells.iter().map(move |cell| (table, cell)))
        .filter(|(_, cell)| cell.n_approaches > 0)
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
        ContactTest::Tested { scheme, .. } => match scheme {
            Scheme::WithinOrganisms => "contacts permuted within snakes",
            Scheme::BetweenOrganisms => "whole snakes permuted between contacts",
            Scheme::WithinAndBetween => "permuted within and between snakes",
        },
    }
}

fn n_permutations(test: &ContactTest) -> Option<usize> {
    match test {
        ContactTest::NotEstimable => None,
        ContactTest::Tested { n_permutations, .. } => Some(*n_permutations),
    }
}

fn n_snakes(test: &ContactTest) -> Option<usize> {
    match test {
        ContactTest::NotEstimable => None,
        ContactTest::Tested { n_organisms, .. } => Some(*n_organisms),
    }
}

fn statistic(test: &ContactTest) -> Option<f64> {
    match test {
        ContactTest::NotEstimable => None,
        ContactTest::Tested { statistic, .. } => Some(*statistic),
    }
}

pub(super) fn tests(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.reactions)?;
    Ok(Table::of(layer.strikes.iter().collect())
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |it: &&StrikeFindings| {
            it.effort.term()
        })
        .column("statistic", "", "squared departures of the contacts' counts from their mean", |it| {
            statistic(&it.test)
        })
        .column("p_value", "probability", "that strikes do not depend on contact", |it| it.test.p_value())
        .column("permutations", "", "draws", |it| n_permutations(&it.test))
        .column("snakes", "", "snakes whose contacts were permuted", |it| n_snakes(&it.test))
        .column("method", "", "how contacts were permuted, or why there is no test", |it| scheme(&it.test))
        .done())
}

pub(super) fn odds(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.reactions)?;
    let fits = layer.strikes.iter().filter_map(|found| match &found.logit {
        ClusteredLogit::Fitted(fit) => Some((found.effort, fit)),
        ClusteredLogit::NotEstimable(_) => None,
    });
    let rows: Vec<(EffortKind, &LogitFit, &Coefficient)> = fits
        .flat_map(|(effort, fit)| fit.coefficients.iter().map(move |coefficient| (effort, fit, coefficient)))
        .filter(|(_, _, coefficient)| coefficient.term != LogitTerm::Intercept)
        .collect();
    if rows.is_empty() {
        return Err("No odds can be estimated: at some contact all approaches, or none, ended in a strike."
            .to_owned());
    }
    Ok(Table::of(rows)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |(effort, _, _)| effort.term())
        .column("compared", "", "what the odds are of", |(_, _, it)| match it.term {
            LogitTerm::Intercept => "",
            LogitTerm::Contact(with) => contact(with),
            LogitTerm::TrialOrder => "each earlier trial of the same snake",
        })
        .column("against", "", "the contact compared with", |(_, fit, it)| match it.term {
            LogitTerm::TrialOrder => "",
            _ => contact(fit.reference),
        })
        .limits("odds_ratio", "times", "odds of a strike, errors by snake", |(_, _, it)| {
            Some(Limits { value: it.estimate.exp(), lower: it.limits.0.exp(), upper: it.limits.1.exp() })
        })
        .column("p_value", "probability", "against an odds ratio of 1", |(_, _, it)| it.p_value)
        .column("approaches", "", "approaches in the fit", |(_, fit, _)| fit.n_approaches)
        .column("snakes", "", "snakes in the fit", |(_, fit, _)| fit.n_organisms)
        .done())
}

pub(super) fn sub_tables(layers: &Layers) -> Result<Table, String> {
    let details = need(&layers.reaction_details)?;
    let rows: Vec<_> = details
        .sub_tables
        .iter()
        .flat_map(|tables| tables.parts.iter().map(move |part| (tables, part)))
        .collect();
    Ok(Table::of(rows)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |(tables, _)| {
            tables.effort.term()
        })
        .column("parted_by", "", "what approaches are parted by", |(tables, _)| tables.factor.words())
        .column("part", "", "the part", |(_, it)| it.name.clone())
        .column("approaches", "", "approaches in it", |(_, it)| {
            it.strikes.iter().map(|cell| cell.n_approaches).sum::<u64>()
        })
        .column("p_value", "probability", "that strikes do not depend on contact", |(_, it)| {
            it.test.test.p_value()
        })
        .column("holm_p_value", "probability", "adjusted by Holm over the parts", |(_, it)| {
            it.test.holm_p_value
        })
        .column("snakes", "", "snakes whose contacts were permuted", |(_, it)| n_snakes(&it.test.test))
        .column("method", "", "how contacts were permuted, or why there is no test", |(_, it)| {
            scheme(&it.test.test)
        })
        .done())
}

pub(super) fn latency(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.reactions)?;
    let curves = layer.strikes.iter().filter_map(|found| Some((found.effort, found.underfoot.as_ref()?)));
    let rows: Vec<(EffortKind, usize, &Step)> = curves
        .flat_map(|(effort, curve)| curve.steps.iter().map(move |step| (effort, curve.n_approaches, step)))
        .collect();
    if rows.is_empty() {
        return Err("No strike with a known time followed an approach of this contact.".to_owned());
    }
    let limits = |step: &Step| match step.uncertainty {
        Uncertainty::NotEstimable => (Value::Missing, Value::Missing),
        Uncertainty::Greenwood { lower, upper, .. } => (lower.into(), upper.into()),
    };
    Ok(Table::of(rows)
        .column("effort_kind", "", "kind of effort; kinds are never pooled", |(effort, _, _)| effort.term())
        .column("approaches", "", "approaches whose times are known", |(_, n, _)| *n)
        .column("time_s", "s", "time from the approach to a strike", |(_, _, step)| step.time_s)
        .column("at_risk", "", "approaches still watched and without strike just before", |(_, _, step)| {
            step.n_at_risk
        })
        .column("struck", "", "strikes at this time", |(_, _, step)| step.n_reacted)
        .column(
            "waiting",
            "share",
            "share without strike from this time on (Kaplan and Meier)",
            |(_, _, step)| step.waiting,
        )
        .column(
            "waiting_lower",
            "share",
            "lower 95 % limit (Greenwood), snakes taken as independent",
            |(_, _, step)| limits(step).0,
        )
        .column(
            "waiting_upper",
            "share",
            "upper 95 % limit (Greenwood), snakes taken as independent",
            |(_, _, step)| limits(step).1,
        )
        .done())
}
