//! Two independent observers where detection depends on the meeting: conditional likelihood.

use nalgebra::{DMatrix, DVector};

use crate::analysis::counts::half_alpha;
use crate::analysis::counts::quantiles::{logistic, upper_deviate};
use crate::analysis::double_observer::{InvalidSightings, lognormal_limits};

/// A snake that at least one observer saw.
#[derive(Debug, Clone, PartialEq)]
pub struct Sighting {
    /// Whether the first observer saw it.
    pub by_first: bool,
    /// Whether the second observer saw it.
    pub by_second: bool,
    /// One number for each name of [`Covariates`], finite.
    pub covariates: Vec<f64>,
}

/// What detection may depend on.
#[derive(Debug, Clone, PartialEq)]
pub struct Covariates {
    /// Names, in the order of the sightings' numbers.
    pub names: Vec<String>,
    /// The models to fit: for each, the covariates it holds, by index. None for one share for all.
    pub models: Vec<Vec<usize>>,
    /// Whether the observers may differ in the models.
    pub observers: Observers,
}

/// Whether two observers share one detection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Observers {
    /// They see alike.
    Alike,
    /// The second has a log odds ratio against the first.
    Differ,
}

/// One coefficient, on the scale of the log odds per unit of its covariate.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// `intercept`, `second observer`, or the covariate's name.
    pub name: String,
    /// Estimate.
    pub estimate: f64,
    /// Standard error.
    pub std_error: f64,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq)]
pub struct HugginsFit {
    /// Coefficients.
    pub effects: Vec<Effect>,
    /// Akaike's criterion: the smaller the better among models of the same sightings.
    pub aic: f64,
    /// Number of snakes that could be seen.
    pub abundance: f64,
    /// Its variance, from chance and from the coefficients.
    pub variance: f64,
    /// Log-normal limits of the number.
    pub limits: Option<(f64, f64)>,
    /// Mean share that the first observer sees of the snakes estimated to be there.
    pub first: f64,
    /// The same for the second.
    pub second: f64,
    /// The same for either.
    pub either: f64,
}

/// Result of one model.
#[derive(Debug, Clone, PartialEq)]
pub enum HugginsResult {
    /// The fit.
    Fitted(HugginsFit),
    /// There is none.
    NotEstimable(WhyNot),
}

/// Why a model has no finite estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyNot {
    /// No sightings, or none by both, or fewer than coefficients.
    TooFew,
    /// A covariate does not vary, or says the same as another.
    Collinear,
    /// Both saw everything, or the covariates foretell who saw what without fail.
    Separation,
}

/// Fits every model by conditional likelihood: given that a snake was seen by at least one.
///
/// The log odds that observer j sees snake i are linear in the covariates. The number of snakes is the sum of
/// `1 / P(seen by either)` over those seen (Horvitz & Thompson 1952). Results are in the order of the models; all rest on
/// the same sightings, so that their criteria compare.
///
/// # Errors
/// [`InvalidSightings`] when a sighting was made by nobody, covariates are missing, or the level is out of range.
///
/// # References
/// Huggins, R. M. (1989). On the statistical analysis of capture experiments. *Biometrika* 76, 133-140, equations for the
/// number and its variance; Akaike, H. (1974). *IEEE Transactions on Automatic Control* 19, 716-723.
pub fn huggins(
    sightings: &[Sighting],
    covariates: &Covariates,
    level: f64,
) -> Result<Vec<HugginsResult>, InvalidSightings> {
    let deviate = upper_deviate(half_alpha(level)?);
    check(sightings, covariates)?;
    let fit = |model: &Vec<usize>| match fit(sightings, covariates, model, deviate) {
        Ok(fit) => HugginsResult::Fitted(fit),
        Err(why) => HugginsResult::NotEstimable(why),
    };
    Ok(covariates.models.iter().map(fit).collect())
}

/// The fitted model with the smallest criterion, by index; `None` where none could be fitted.
pub fn best(results: &[HugginsResult]) -> Option<usize> {
    let aic = |result: &HugginsResult| match result {
        HugginsResult::Fitted(fit) => Some(fit.aic),
        HugginsResult::NotEstimable(_) => None,
    };
    let known = results.iter().enumerate().filter_map(|(idx, result)| Some((idx, aic(result)?)));
    known.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(idx, _)| idx)
}

fn check(sightings: &[Sighting], covariates: &Covariates) -> Result<(), InvalidSightings> {
    for (idx, sighting) in sightings.iter().enumerate() {
        if !sighting.by_first && !sighting.by_second {
            return Err(InvalidSightings::ByNobody(idx));
        }
        let is_whole = sighting.covariates.len() == covariates.names.len();
        if !is_whole || sighting.covariates.iter().any(|value| !value.is_finite()) {
            return Err(InvalidSightings::Covariate(idx));
        }
    }
    let unknown = covariates.models.iter().flatten().find(|idx| **idx >= covariates.names.len());
    unknown.map_or(Ok(()), |idx| Err(InvalidSightings::NoSuchCovariate(*idx)))
}

/// Centre and spread of a covariate, so that Newton's method works on numbers near one.
struct Scale {
    mean: f64,
    sd: f64,
}

fn scales(sightings: &[Sighting], model: &[usize]) -> Result<Vec<Scale>, WhyNot> {
    let n = sightings.len() as f64;
    let scale = |&covariate: &usize| {
        let values = || sightings.iter().map(move |sighting| sighting.covariates[covariate]);
        let mean = values().sum::<f64>() / n;
        let sd = (values().map(|value| (value - mean).powi(2)).sum::<f64>() / n).sqrt();
        if sd > 1e-9 * (1.0 + mean.abs()) { Ok(Scale { mean, sd }) } else { Err(WhyNot::Collinear) }
    };
    model.iter().map(scale).collect()
}

/// Rows of the two observers, on the standardised scale.
struct Design {
    first: DMatrix<f64>,
    second: DMatrix<f64>,
}

fn fit(
    sightings: &[Sighting],
    covariates: &Covariates,
    model: &[usize],
    deviate: f64,
) -> Result<HugginsFit, WhyNot> {
    let n_both = sightings.iter().filter(|sighting| sighting.by_first && sighting.by_second).count();
    let n_shared = 1 + usize::from(covariates.observers == Observers::Differ);
    let n_terms = n_shared + model.len();
    if n_both == 0 || sightings.len() <= n_terms {
        return Err(WhyNot::TooFew);
    }
    let scales = scales(sightings, model)?;
    let rows = |second: f64| {
        DMatrix::from_fn(sightings.len(), n_terms, |row, column| match column {
            0 => 1.0,
            1 if n_shared == 2 => second,
            _ => {
                let scale = &scales[column - n_shared];
                (sightings[row].covariates[model[column - n_shared]] - scale.mean) / scale.sd
            }
        })
    };
    let design = Design { first: rows(0.0), second: rows(1.0) };
    if design.second.rank(1e-9 * design.second.norm()) + usize::from(n_shared == 2) < n_terms {
        return Err(WhyNot::Collinear);
    }
    let found = maximum(&design, sightings)?;
    Ok(described(&found, &design, &Described { sightings, covariates, model, scales, deviate }))
}

/// The maximum of the conditional likelihood.
struct Maximum {
    estimates: DVector<f64>,
    covariance: DMatrix<f64>,
    ln_likelihood: f64,
}

/// Shares that each observer, and either, sees of a snake.
fn shares(design: &Design, estimates: &DVector<f64>) -> Vec<(f64, f64, f64)> {
    let (first, second) = (&design.first * estimates, &design.second * estimates);
    let pairs = first.iter().zip(second.iter());
    pairs
        .map(|(a, b)| {
            let (a, b) = (logistic(*a), logistic(*b));
            (a, b, a + b - a * b)
        })
        .collect()
}

/// Newton's method. The model is an exponential family in the pair of sightings, so that the gradient is what was seen
/// less what is expected of a snake that was seen, and the likelihood has one maximum.
fn maximum(design: &Design, sightings: &[Sighting]) -> Result<Maximum, WhyNot> {
    // Where data separate, the estimates run off by about one a step; where they do not, a dozen steps converge.
    const MOST_STEPS: usize = 60;
    let mut estimates = DVector::zeros(design.first.ncols());
    for _ in 0..MOST_STEPS {
        let shares = shares(design, &estimates);
        let mut gradient = DVector::zeros(estimates.len());
        let mut information = DMatrix::zeros(estimates.len(), estimates.len());
        for (row, (sighting, (a, b, either))) in sightings.iter().zip(&shares).enumerate() {
            let (x, y) = (design.first.row(row).transpose(), design.second.row(row).transpose());
            let (mean_a, mean_b) = (a / either, b / either);
            gradient += &x * (f64::from(u8::from(sighting.by_first)) - mean_a);
            gradient += &y * (f64::from(u8::from(sighting.by_second)) - mean_b);
            let shared = a * b / either - mean_a * mean_b;
            information += &x * x.transpose() * (mean_a * (1.0 - mean_a));
            information += &y * y.transpose() * (mean_b * (1.0 - mean_b));
            information += (&x * y.transpose() + &y * x.transpose()) * shared;
        }
        let decomposed = information.cholesky().ok_or(WhyNot::Separation)?;
        let mut step = decomposed.solve(&gradient);
        if step.amax() < 1e-10 {
            let ln_likelihood = ln_likelihood(sightings, &shares);
            return Ok(Maximum { estimates, covariance: decomposed.inverse(), ln_likelihood });
        }
        // A full step from afar can jump over the maximum.
        let longest = step.amax();
        if longest > 2.0 {
            step *= 2.0 / longest;
        }
        estimates += step;
        if estimates.amax() > 30.0 {
            return Err(WhyNot::Separation);
        }
    }
    Err(WhyNot::Separation)
}

fn ln_likelihood(sightings: &[Sighting], shares: &[(f64, f64, f64)]) -> f64 {
    let one = |share: f64, seen: bool| if seen { share.ln() } else { (1.0 - share).ln() };
    let pairs = sightings.iter().zip(shares);
    pairs
        .map(|(sighting, (a, b, either))| {
            one(*a, sighting.by_first) + one(*b, sighting.by_second) - either.ln()
        })
        .sum()
}

/// What a description needs beside the maximum.
struct Described<'a> {
    sightings: &'a [Sighting],
    covariates: &'a Covariates,
    model: &'a [usize],
    scales: Vec<Scale>,
    deviate: f64,
}

fn described(found: &Maximum, design: &Design, given: &Described<'_>) -> HugginsFit {
    let shares = shares(design, &found.estimates);
    let abundance: f64 = shares.iter().map(|(_, _, either)| 1.0 / either).sum();
    let chance: f64 = shares.iter().map(|(_, _, either)| (1.0 - either) / (either * either)).sum();
    let mut slope = DVector::zeros(found.estimates.len());
    for (row, (a, b, either)) in shares.iter().enumerate() {
        let missed = (1.0 - either) / (either * either);
        slope -= design.first.row(row).transpose() * (missed * a);
        slope -= design.second.row(row).transpose() * (missed * b);
    }
    let variance = chance + slope.dot(&(&found.covariance * &slope));
    let mean = |pick: fn(&(f64, f64, f64)) -> f64| {
        shares.iter().map(|share| pick(share) / share.2).sum::<f64>() / abundance
    };
    let seen = given.sightings.len() as f64;
    HugginsFit {
        effects: effects(found, given),
        aic: 2.0 * (found.estimates.len() as f64 - found.ln_likelihood),
        abundance,
        variance,
        limits: lognormal_limits(seen, abundance, variance, given.deviate),
        first: mean(|share| share.0),
        second: mean(|share| share.1),
        either: seen / abundance,
    }
}

/// Coefficients back on the scale of the covariates.
fn effects(found: &Maximum, given: &Described<'_>) -> Vec<Effect> {
    let n_shared = found.estimates.len() - given.model.len();
    let n_terms = found.estimates.len();
    // The intercept on the old scale takes off each slope times its centre.
    let back = DMatrix::from_fn(n_terms, n_terms, |row, column| match (row, column) {
        (0, column) if column >= n_shared => {
            let scale = &given.scales[column - n_shared];
            -scale.mean / scale.sd
        }
        (row, column) if row == column && row >= n_shared => 1.0 / given.scales[row - n_shared].sd,
        (row, column) if row == column => 1.0,
        _ => 0.0,
    });
    let estimates = &back * &found.estimates;
    let covariance = &back * &found.covariance * back.transpose();
    let name = |idx: usize| match idx {
        0 => "intercept".to_owned(),
        1 if n_shared == 2 => "second observer".to_owned(),
        idx => given.covariates.names[given.model[idx - n_shared]].clone(),
    };
    (0..n_terms)
        .map(|idx| Effect {
            name: name(idx),
            estimate: estimates[idx],
            std_error: covariance[(idx, idx)].max(0.0).sqrt(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;

    fn plain(only_first: usize, only_second: usize, both: usize) -> Vec<Sighting> {
        let sighting = |by_first, by_second| Sighting { by_first, by_second, covariates: Vec::new() };
        let mut all = vec![sighting(true, false); only_first];
        all.extend(vec![sighting(false, true); only_second]);
        all.extend(vec![sighting(true, true); both]);
        all
    }

    fn without(observers: Observers) -> Covariates {
        Covariates { names: Vec::new(), models: vec![Vec::new()], observers }
    }

    #[test]
    fn without_covariates_it_is_lincoln_and_petersen() {
        // Closed form: with one share for each observer, p1 = m / n2, p2 = m / n1 and N = n1 n2 / m.
        let result = huggins(&plain(15, 9, 19), &without(Observers::Differ), 0.95).unwrap();
        let HugginsResult::Fitted(fit) = &result[0] else { panic!("{result:?}") };
        close(fit.first, 19.0 / 28.0, 1e-9);
        close(fit.second, 19.0 / 34.0, 1e-9);
        close(fit.abundance, 34.0 * 28.0 / 19.0, 1e-9);
        close(fit.either, 0.858193277311, 1e-9);
    }

    #[test]
    fn one_share_for_both_has_a_closed_form() {
        // p = 2 m / (n1 + n2); N = (n1 + n2)^2 / (4 m).
        let result = huggins(&plain(15, 9, 19), &without(Observers::Alike), 0.95).unwrap();
        let HugginsResult::Fitted(fit) = &result[0] else { panic!("{result:?}") };
        close(fit.first, 38.0 / 62.0, 1e-9);
        close(fit.abundance, 62.0 * 62.0 / 76.0, 1e-9);
    }

    #[test]
    fn what_cannot_be_fitted_has_a_reason() {
        let why = |sightings: &[Sighting], covariates: &Covariates| match huggins(sightings, covariates, 0.95)
            .unwrap()
            .remove(0)
        {
            HugginsResult::NotEstimable(why) => why,
            HugginsResult::Fitted(fit) => panic!("{fit:?}"),
        };
        assert_eq!(why(&[], &without(Observers::Alike)), WhyNot::TooFew);
        assert_eq!(why(&plain(9, 9, 0), &without(Observers::Alike)), WhyNot::TooFew);
        assert_eq!(why(&plain(0, 0, 9), &without(Observers::Alike)), WhyNot::Separation);
        let mut same = plain(4, 4, 8);
        same.iter_mut().for_each(|sighting| sighting.covariates = vec![3.0]);
        let covariates = Covariates {
            names: vec!["distance".to_owned()],
            models: vec![vec![0]],
            ..without(Observers::Alike)
        };
        assert_eq!(why(&same, &covariates), WhyNot::Collinear);
        assert_eq!(huggins(&plain(1, 1, 1), &covariates, 0.95), Err(InvalidSightings::Covariate(0)));
        let nobody = [Sighting { by_first: false, by_second: false, covariates: Vec::new() }];
        assert_eq!(huggins(&nobody, &without(Observers::Alike), 0.95), Err(InvalidSightings::ByNobody(0)));
    }

    #[test]
    fn the_unit_of_a_covariate_changes_only_its_coefficient() {
        let values = [1.0, 2.0, 3.0, 5.0, 8.0, 4.0, 2.5, 6.0, 7.0, 3.5, 1.5, 2.2];
        let with = |factor: f64| -> Vec<Sighting> {
            let sightings = plain(4, 3, 5).into_iter().zip(values);
            sightings
                .map(|(sighting, value)| Sighting { covariates: vec![value * factor], ..sighting })
                .collect()
        };
        let covariates = Covariates {
            names: vec!["distance".to_owned()],
            models: vec![vec![0]],
            ..without(Observers::Differ)
        };
        let fitted = |factor| match huggins(&with(factor), &covariates, 0.95).unwrap().remove(0) {
            HugginsResult::Fitted(fit) => fit,
            HugginsResult::NotEstimable(why) => panic!("{why:?}"),
        };
        let (metres, feet) = (fitted(1.0), fitted(3.28));
        close(metres.abundance, feet.abundance, 1e-9);
        close(metres.aic, feet.aic, 1e-9);
        close(metres.effects[2].estimate, feet.effects[2].estimate * 3.28, 1e-8);
        close(metres.effects[0].estimate, feet.effects[0].estimate, 1e-8);
    }
}
