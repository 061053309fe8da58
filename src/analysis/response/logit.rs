//! Logistic regression of a reaction on contact and trial order, with standard errors by organism.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::analysis::counts::half_alpha;
use crate::analysis::counts::quantiles::{logistic, student_deviate};
use crate::analysis::response::{
    Approach, Contact, InvalidApproaches, Outcome, Question, n_unrecognised, outcomes,
};

/// What a coefficient belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogitTerm {
    /// Log odds at the reference contact in an organism's first trial.
    Intercept,
    /// Log odds ratio of a contact against the reference.
    Contact(Contact),
    /// Log odds ratio of one more trial before: negative when organisms get used to it.
    TrialOrder,
}

/// One coefficient on the scale of the log odds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficient {
    /// What it belongs to.
    pub term: LogitTerm,
    /// Estimate.
    pub estimate: f64,
    /// Standard error with organisms as clusters.
    pub std_error: f64,
    /// Standard error as if approaches were independent, to be compared only.
    pub std_error_independent: f64,
    /// Limits by `std_error` and Student's distribution with one degree less than organisms.
    pub limits: (f64, f64),
    /// Two-sided p-value against zero, by the same distribution.
    pub p_value: f64,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq)]
pub struct LogitFit {
    /// The least contact in the data, which the others are compared with.
    pub reference: Contact,
    /// Intercept, the other contacts present, and the trial order where it varies.
    pub coefficients: Vec<Coefficient>,
    /// Approaches.
    pub n_approaches: usize,
    /// Organisms.
    pub n_organisms: usize,
    /// Approaches to organisms not recognised, each taken as one of its own: for them the errors by organism are those of
    /// independent approaches.
    pub n_unrecognised: usize,
}

/// Result of the regression.
#[derive(Debug, Clone, PartialEq)]
pub enum ClusteredLogit {
    /// There is no finite estimate.
    NotEstimable(WhyNot),
    /// The fit.
    Fitted(LogitFit),
}

/// Why there is no finite estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyNot {
    /// No approaches, or all or none showed the reaction.
    NoVariation,
    /// At this contact all approaches, or none, showed the reaction: its odds ratio has no finite estimate.
    ContactSeparates(Contact),
    /// Contact and trial order together foretell the reaction of some approaches without fail.
    Separation,
    /// Trial order says the same as contact.
    Collinear,
    /// No more organisms than coefficients, so that the standard errors would be meaningless.
    FewOrganisms,
    /// Nobody recognised any organism and no protocol kept them apart, which callers know: there are no errors by organism.
    Unrecognised,
}

/// Logistic regression by maximum likelihood, with standard errors that hold when an organism's approaches are alike.
///
/// The log odds are an intercept, one term for each contact above the least one present, and the number of earlier
/// trials of the organism. The estimates describe the population of approaches, not single organisms.
///
/// # Errors
/// [`InvalidApproaches::Level`] when `level` is not strictly between 0 and 1.
///
/// # References
/// Liang, K.-Y. & Zeger, S. L. (1986). Longitudinal data analysis using generalized linear models. *Biometrika* 73,
/// 13-22, independence working model; the variance is multiplied by m / (m - 1) for m organisms. Albert, A. & Anderson,
/// J. A. (1984). On the existence of maximum likelihood estimates in logistic regression models. *Biometrika* 71, 1-10.
pub fn clustered_logit(
    approaches: &[Approach],
    question: Question,
    level: f64,
) -> Result<ClusteredLogit, InvalidApproaches> {
    let beyond = half_alpha(level)?;
    let outcomes = outcomes(approaches, question);
    Ok(match fit(&outcomes, beyond) {
        Ok(fit) => {
            ClusteredLogit::Fitted(LogitFit { n_unrecognised: n_unrecognised(approaches, question), ..fit })
        }
        Err(why) => ClusteredLogit::NotEstimable(why),
    })
}

fn fit(outcomes: &[Outcome], beyond: f64) -> Result<LogitFit, WhyNot> {
    let contacts = contacts_that_vary(outcomes)?;
    let reference = contacts[0];
    let terms = terms(outcomes, &contacts);
    let n_organisms = outcomes.iter().map(|outcome| outcome.cluster + 1).max().unwrap_or(0);
    if n_organisms <= terms.len() {
        return Err(WhyNot::FewOrganisms);
    }
    let design =
        DMatrix::from_fn(outcomes.len(), terms.len(), |row, column| value(&outcomes[row], terms[column]));
    if design.rank(1e-9 * design.norm()) < terms.len() {
        return Err(WhyNot::Collinear);
    }
    let shown = DVector::from_iterator(outcomes.len(), outcomes.iter().map(|o| f64::from(u8::from(o.shown))));
    let MaximumLikelihood { estimates, covariance, residuals } = maximum_likelihood(&design, &shown)?;
    let clustered = sandwich(&design, &residuals, outcomes, &covariance, n_organisms);
    let degrees = n_organisms as f64 - 1.0;
    let coefficients = terms.iter().enumerate().map(|(idx, &term)| {
        let std_error = clustered[(idx, idx)].max(0.0).sqrt();
        coefficient(term, estimates[idx], std_error, covariance[(idx, idx)].sqrt(), (degrees, beyond))
    });
    let coefficients = coefficients.collect::<Option<Vec<_>>>().ok_or(WhyNot::FewOrganisms)?;
    Ok(LogitFit { reference, coefficients, n_approaches: outcomes.len(), n_organisms, n_unrecognised: 0 })
}

/// The contacts present, least first, each with approaches that did and did not show the reaction.
fn contacts_that_vary(outcomes: &[Outcome]) -> Result<Vec<Contact>, WhyNot> {
    let mut counts = [(0, 0); Contact::ALL.len()];
    for outcome in outcomes {
        let (shown, n) = &mut counts[outcome.contact.index()];
        *shown += usize::from(outcome.shown);
        *n += 1;
    }
    let total: usize = counts.iter().map(|(shown, _)| shown).sum();
    if total == 0 || total == outcomes.len() {
        return Err(WhyNot::NoVariation);
    }
    let present: Vec<Contact> =
        Contact::ALL.into_iter().filter(|contact| counts[contact.index()].1 > 0).collect();
    let separates = |contact: &&Contact| {
        let (shown, n) = counts[contact.index()];
        shown == 0 || shown == n
    };
    match present.iter().find(separates) {
        Some(&contact) => Err(WhyNot::ContactSeparates(contact)),
        None => Ok(present),
    }
}

fn terms(outcomes: &[Outcome], contacts: &[Contact]) -> Vec<LogitTerm> {
    let mut terms = vec![LogitTerm::Intercept];
    terms.extend(contacts[1..].iter().map(|&contact| LogitTerm::Contact(contact)));
    if outcomes.iter().any(|outcome| outcome.trial_order != outcomes[0].trial_order) {
        terms.push(LogitTerm::TrialOrder);
    }
    terms
}

fn value(outcome: &Outcome, term: LogitTerm) -> f64 {
    match term {
        LogitTerm::Intercept => 1.0,
        LogitTerm::Contact(contact) => f64::from(u8::from(outcome.contact == contact)),
        LogitTerm::TrialOrder => f64::from(outcome.trial_order),
    }
}

/// Estimates, their covariance under independence, and the residuals.
struct MaximumLikelihood {
    estimates: DVector<f64>,
    covariance: DMatrix<f64>,
    residuals: DVector<f64>,
}

/// Maximum likelihood by Newton's method.
fn maximum_likelihood(design: &DMatrix<f64>, shown: &DVector<f64>) -> Result<MaximumLikelihood, WhyNot> {
    // Where data separate, the estimates run off by about one a step; where they do not, a dozen steps converge.
    const MOST_STEPS: usize = 25;
    let mut estimates = DVector::zeros(design.ncols());
    for _ in 0..MOST_STEPS {
        let fitted = (design * &estimates).map(logistic);
        let weights = fitted.map(|share| share * (1.0 - share));
        let mut weighted = design.clone();
        for (mut row, weight) in weighted.row_iter_mut().zip(weights.iter()) {
            row *= *weight;
        }
        let information = design.transpose() * weighted;
        let residuals = shown - fitted;
        // Fitted shares of exactly 0 or 1 leave no information: the data separate.
        let decomposed = information.cholesky().ok_or(WhyNot::Separation)?;
        let step = decomposed.solve(&(design.transpose() * &residuals));
        if step.amax() < 1e-10 {
            return Ok(MaximumLikelihood { estimates, covariance: decomposed.inverse(), residuals });
        }
        estimates += step;
        if !estimates.iter().all(|estimate: &f64| estimate.is_finite()) {
            return Err(WhyNot::Separation);
        }
    }
    Err(WhyNot::Separation)
}

/// Covariance of the estimates with each organism's summed scores as one observation.
fn sandwich(
    design: &DMatrix<f64>,
    residuals: &DVector<f64>,
    outcomes: &[Outcome],
    covariance: &DMatrix<f64>,
    n_organisms: usize,
) -> DMatrix<f64> {
    let mut scores = DMatrix::zeros(n_organisms, design.ncols());
    for (row, outcome) in outcomes.iter().enumerate() {
        let mut score = scores.row_mut(outcome.cluster);
        score += design.row(row) * residuals[row];
    }
    let organisms = n_organisms as f64;
    covariance * (scores.transpose() * scores) * covariance * (organisms / (organisms - 1.0))
}

fn coefficient(
    term: LogitTerm,
    estimate: f64,
    std_error: f64,
    std_error_independent: f64,
    (degrees, beyond): (f64, f64),
) -> Option<Coefficient> {
    let reach = student_deviate(degrees, beyond).ok()? * std_error;
    let student = StudentsT::new(0.0, 1.0, degrees).ok()?;
    // Without any spread between organisms the ratio below would not be a number.
    if std_error <= 0.0 {
        return None;
    }
    Some(Coefficient {
        term,
        estimate,
        std_error,
        std_error_independent,
        limits: (estimate - reach, estimate + reach),
        p_value: (2.0 * student.sf((estimate / std_error).abs())).min(1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;
    use crate::analysis::random::stream;
    use crate::analysis::response::testing::{QUESTION, approach};
    use rand::RngExt;

    fn fitted(approaches: &[Approach]) -> LogitFit {
        match clustered_logit(approaches, QUESTION, 0.95).unwrap() {
            ClusteredLogit::Fitted(fit) => fit,
            ClusteredLogit::NotEstimable(why) => panic!("{why:?}"),
        }
    }

    fn not_estimable(approaches: &[Approach]) -> WhyNot {
        match clustered_logit(approaches, QUESTION, 0.95).unwrap() {
            ClusteredLogit::Fitted(fit) => panic!("{fit:?}"),
            ClusteredLogit::NotEstimable(why) => why,
        }
    }

    /// 10 of 30 beside and 18 of 25 underfoot, each organism `repeats` times alike.
    fn two_contacts(repeats: usize) -> Vec<Approach> {
        let mut approaches = Vec::new();
        for organism in 0..55 {
            let (contact, shown) = if organism < 30 {
                (Contact::Beside, organism < 10)
            } else {
                (Contact::Underfoot, organism < 48)
            };
            approaches.extend((0..repeats).map(|_| approach(contact, Some(organism), shown)));
        }
        approaches
    }

    #[test]
    fn two_contacts_are_a_two_by_two_table() {
        let fit = fitted(&two_contacts(1));
        let effect = fit.coefficients[1];
        assert_eq!((fit.reference, effect.term), (Contact::Beside, LogitTerm::Contact(Contact::Underfoot)));
        close(effect.estimate, (18.0f64 * 20.0 / (7.0 * 10.0)).ln(), 1e-10);
        // Woolf (1955): the variance of a log odds ratio is the sum of the cells' inverses.
        let woolf = (1.0f64 / 18.0 + 1.0 / 7.0 + 1.0 / 10.0 + 1.0 / 20.0).sqrt();
        close(effect.std_error_independent, woolf, 1e-9);
        // In a saturated model the sandwich is the same but for m / (m - 1).
        close(effect.std_error, woolf * (55.0f64 / 54.0).sqrt(), 1e-9);
        close(effect.limits.1 - effect.estimate, 2.004879 * effect.std_error, 1e-5);
    }

    #[test]
    fn copies_of_an_organism_add_nothing() {
        let (once, thrice) = (fitted(&two_contacts(1)), fitted(&two_contacts(3)));
        for (one, three) in once.coefficients.iter().zip(&thrice.coefficients) {
            close(three.std_error, one.std_error, 1e-9);
            close(three.std_error_independent, one.std_error_independent / 3f64.sqrt(), 1e-9);
        }
    }

    #[test]
    fn separation_is_told() {
        let beside: Vec<_> = (0..9).map(|idx| approach(Contact::Beside, None, idx < 4)).collect();
        let mut with_none = beside.clone();
        with_none.extend(vec![approach(Contact::Over, None, false); 9]);
        assert_eq!(not_estimable(&with_none), WhyNot::ContactSeparates(Contact::Over));
        let mut by_order = beside.clone();
        for one in &mut by_order {
            one.trial_order = if one.showed(0, QUESTION.occasion) == Some(true) { 0 } else { 3 };
        }
        assert_eq!(not_estimable(&by_order), WhyNot::Separation);
        assert_eq!(not_estimable(&[]), WhyNot::NoVariation);
        assert_eq!(not_estimable(&beside[..1]), WhyNot::NoVariation);
    }

    #[test]
    fn what_cannot_be_told_apart_is_told() {
        let mut approaches = two_contacts(1);
        for one in &mut approaches {
            one.trial_order = if one.contact == Contact::Beside { 0 } else { 1 };
        }
        assert_eq!(not_estimable(&approaches), WhyNot::Collinear);
        let one_organism: Vec<_> = (0..9).map(|idx| approach(Contact::Beside, Some(1), idx < 4)).collect();
        assert_eq!(not_estimable(&one_organism), WhyNot::FewOrganisms);
    }

    #[test]
    fn planted_effects_are_found() {
        // Log odds -1 + 1.2 underfoot - 0.4 per earlier trial; 600 organisms of four trials.
        let mut approaches = Vec::new();
        let mut rng = stream(19, 0);
        for organism in 0..600 {
            for trial_order in 0..4 {
                let contact = if rng.random::<bool>() { Contact::Beside } else { Contact::Underfoot };
                let effect = if contact == Contact::Underfoot { 1.2 } else { 0.0 };
                let share = logistic(-1.0 + effect - 0.4 * f64::from(trial_order));
                let mut one = approach(contact, Some(organism), rng.random::<f64>() < share);
                one.trial_order = trial_order;
                approaches.push(one);
            }
        }
        let fit = fitted(&approaches);
        for (coefficient, planted) in fit.coefficients.iter().zip([-1.0, 1.2, -0.4]) {
            assert!((coefficient.estimate - planted).abs() < 3.0 * coefficient.std_error, "{coefficient:?}");
            assert!(coefficient.std_error < 0.15);
        }
    }

    /// Contact given to whole organisms that differ, without any effect: standard errors as if approaches were
    /// independent find one far too often.
    #[test]
    fn only_errors_by_organism_hold_their_level() {
        let n_runs = 200;
        let (mut naive, mut clustered) = (0, 0);
        for run in 0..n_runs {
            let mut rng = stream(23, run);
            let mut approaches = Vec::new();
            for organism in 0..60 {
                let contact = if organism % 2 == 0 { Contact::Beside } else { Contact::Over };
                let share = if rng.random::<bool>() { 0.15 } else { 0.75 };
                for _ in 0..5 {
                    approaches.push(approach(contact, Some(organism), rng.random::<f64>() < share));
                }
            }
            let effect = fitted(&approaches).coefficients[1];
            clustered += u32::from(effect.p_value <= 0.05);
            naive += u32::from(effect.estimate.abs() > 1.96 * effect.std_error_independent);
        }
        assert!(naive > 30, "naive finds {naive} of {n_runs}");
        // Binomial(200, 0.05) exceeds 20 with probability 0.001.
        assert!(clustered <= 20, "clustered finds {clustered} of {n_runs}");
    }
}
