//! Trend of a share over ordered groups.

use statrs::function::erf::erfc;

use crate::analysis::counts::InvalidCounts;
use crate::analysis::counts::tails::ln_binomial_point;

/// Groups with events, trials and a score each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScoredGroups<'a> {
    /// Events in each group.
    pub events: &'a [u64],
    /// Trials in each group, at least the events.
    pub trials: &'a [u64],
    /// Score of each group, in the order that the trend is asked about.
    pub scores: &'a [f64],
}

/// Cochran and Armitage's test for trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Deviate of the events' summed scores with the variance divided by N; positive when the share rises.
    pub z_score: f64,
    /// Its square, one degree of freedom.
    pub chi_squared: f64,
    /// Two-sided p-value of the square.
    pub p_value: f64,
    /// The form with the variance divided by N - 1, Mantel's extension.
    pub chi_squared_mantel: f64,
    /// Its two-sided p-value.
    pub p_value_mantel: f64,
}

/// Whether a trend could be asked about at all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TrendTest {
    /// Every trial, or none, was an event, or all trials have one score.
    NotEstimable,
    /// The test.
    Tested(Trend),
}

/// Exact tails of the events' summed scores given the margins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExactTrend {
    /// Probability of a sum at least as large: against a rising share.
    pub upper: f64,
    /// Probability of a sum at most as large: against a falling share.
    pub lower: f64,
    /// Probability of a sum at least as far from its mean on either side.
    pub two_sided: f64,
}

impl ExactTrend {
    /// Twice the smaller tail, at most one.
    pub fn twice_smaller(&self) -> f64 {
        (2.0 * self.upper.min(self.lower)).min(1.0)
    }
}

/// Result of the exact trend test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ExactTrendTest {
    /// Every trial, or none, was an event, or all trials have one score.
    NotEstimable,
    /// The scores have no common unit down to a thousandth, or the table is too large to enumerate.
    OutOfReach,
    /// The tails.
    Tested(ExactTrend),
}

/// Cochran and Armitage's asymptotic test for trend, in both variance conventions.
///
/// It holds for independent trials only. With rare events the p-value can be half of the exact one.
///
/// # Errors
/// [`InvalidCounts`] when the groups differ in length, a group has more events than trials, or a score is not finite.
///
/// # References
/// Armitage, P. (1955). Tests for linear trends in proportions and frequencies. *Biometrics* 11, 375-386.
/// Mantel, N. (1963). Chi-square tests with one degree of freedom. *Journal of the American Statistical Association* 58,
/// 690-700.
pub fn cochran_armitage(groups: ScoredGroups) -> Result<TrendTest, InvalidCounts> {
    let moments = trend_moments(groups)?;
    if moments.variance <= 0.0 {
        return Ok(TrendTest::NotEstimable);
    }
    let n = moments.n_trials;
    let chi_squared_mantel = moments.excess.powi(2) / moments.variance;
    let chi_squared = chi_squared_mantel * n / (n - 1.0);
    Ok(TrendTest::Tested(Trend {
        z_score: moments.excess.signum() * chi_squared.sqrt(),
        chi_squared,
        p_value: chi_squared_tail(chi_squared),
        chi_squared_mantel,
        p_value_mantel: chi_squared_tail(chi_squared_mantel),
    }))
}

/// Exact test for trend, given the margins, by enumeration of the sums that can occur.
///
/// Scores must be whole multiples of a common unit of at least a thousandth of one (whole numbers, halves, tenths).
///
/// # Errors
/// As [`cochran_armitage`].
pub fn exact_trend(groups: ScoredGroups) -> Result<ExactTrendTest, InvalidCounts> {
    let moments = trend_moments(groups)?;
    if moments.variance <= 0.0 {
        return Ok(ExactTrendTest::NotEstimable);
    }
    let Some(units) = whole_scores(groups.scores) else { return Ok(ExactTrendTest::OutOfReach) };
    let n_events: u64 = groups.events.iter().sum();
    let Some(sums) = sum_probabilities(groups.trials, &units, n_events) else {
        return Ok(ExactTrendTest::OutOfReach);
    };
    let observed: u64 = groups.events.iter().zip(&units).map(|(events, unit)| events * unit).sum();
    let mean = sums.iter().enumerate().map(|(sum, p)| sum as f64 * p).sum::<f64>();
    // Sums are whole numbers: a distance within rounding of the observed one is a tie.
    let distance = (observed as f64 - mean).abs() * (1.0 - 1e-9);
    let total = |keep: &dyn Fn(usize) -> bool| {
        sums.iter().enumerate().filter(|(sum, _)| keep(*sum)).map(|(_, p)| p).sum::<f64>().min(1.0)
    };
    Ok(ExactTrendTest::Tested(ExactTrend {
        upper: total(&|sum| sum as u64 >= observed),
        lower: total(&|sum| sum as u64 <= observed),
        two_sided: total(&|sum| (sum as f64 - mean).abs() >= distance),
    }))
}

/// The events' summed scores against their mean and variance given the margins.
pub(crate) struct TrendMoments {
    pub(crate) excess: f64,
    /// With N - 1, the variance given the margins; zero where nothing can vary.
    pub(crate) variance: f64,
    pub(crate) n_trials: f64,
}

pub(crate) fn trend_moments(groups: ScoredGroups) -> Result<TrendMoments, InvalidCounts> {
    let ScoredGroups { events, trials, scores } = groups;
    if events.len() != trials.len() || events.len() != scores.len() {
        return Err(InvalidCounts::GroupsDiffer {
            events: events.len(),
            trials: trials.len(),
            scores: scores.len(),
        });
    }
    for (&events, &trials) in events.iter().zip(trials) {
        if events > trials {
            return Err(InvalidCounts::MoreEventsThanTrials { events, trials });
        }
    }
    if let Some(&score) = scores.iter().find(|score| !score.is_finite()) {
        return Err(InvalidCounts::Score(score));
    }
    let n_trials = trials.iter().sum::<u64>() as f64;
    let n_events = events.iter().sum::<u64>() as f64;
    if n_trials < 2.0 {
        return Ok(TrendMoments { excess: 0.0, variance: 0.0, n_trials });
    }
    let weighted =
        |of: &dyn Fn(usize) -> f64| (0..trials.len()).map(|g| trials[g] as f64 * of(g)).sum::<f64>();
    let mean = weighted(&|g| scores[g]) / n_trials;
    // Scores are centred first, so that no digits are lost to their level.
    let spread = weighted(&|g| (scores[g] - mean).powi(2));
    let excess = events.iter().zip(scores).map(|(&k, score)| k as f64 * (score - mean)).sum();
    let variance = n_events * (n_trials - n_events) * spread / (n_trials * (n_trials - 1.0));
    Ok(TrendMoments { excess, variance, n_trials })
}

/// Upper tail of chi-squared with one degree of freedom.
pub(crate) fn chi_squared_tail(chi_squared: f64) -> f64 {
    erfc((0.5 * chi_squared).sqrt())
}

/// The scores above the least one, in whole units; `None` where no unit of at least a thousandth fits.
fn whole_scores(scores: &[f64]) -> Option<Vec<u64>> {
    let least = scores.iter().copied().fold(f64::INFINITY, f64::min);
    (1..=1000).map(f64::from).find_map(|per_one| {
        let whole = |score: &f64| {
            let units = (score - least) * per_one;
            ((units - units.round()).abs() < 1e-6).then(|| units.round() as u64)
        };
        scores.iter().map(whole).collect()
    })
}

/// Probability of each sum of units over the events, given the margins; `None` when there are too many.
///
/// Events are dealt to one group after the other. With binomial weights at the pooled share the probabilities given the
/// number of events so far stay in range.
fn sum_probabilities(trials: &[u64], units: &[u64], n_events: u64) -> Option<Vec<f64>> {
    // About 160 MB, and some seconds.
    const MOST_CELLS: u64 = 20_000_000;
    const MOST_STEPS: u64 = 10_000_000_000;
    let n_sums = units.iter().max()?.checked_mul(n_events)?.checked_add(1)?;
    let cells = n_sums.checked_mul(n_events + 1)?;
    if cells > MOST_CELLS || cells.checked_mul((n_events + 1) * trials.len() as u64)? > MOST_STEPS {
        return None;
    }
    let n_trials: u64 = trials.iter().sum();
    let logit = (n_events as f64).ln() - ((n_trials - n_events) as f64).ln();
    let (n_events, n_sums) = (n_events as usize, n_sums as usize);
    // Indexed by events dealt, then sum.
    let mut dealt = vec![Vec::new(); n_events + 1];
    dealt[0] = vec![1.0];
    for (&group_trials, &unit) in trials.iter().zip(units) {
        let most = n_events.min(group_trials as usize);
        let weights: Vec<f64> =
            (0..=most).map(|k| ln_binomial_point(k as u64, group_trials, logit).exp()).collect();
        dealt = deal(&dealt, &weights, unit as usize);
    }
    let mut sums = std::mem::take(&mut dealt[n_events]);
    sums.resize(n_sums, 0.0);
    let total: f64 = sums.iter().sum();
    sums.iter_mut().for_each(|sum| *sum /= total);
    Some(sums)
}

fn deal(dealt: &[Vec<f64>], weights: &[f64], unit: usize) -> Vec<Vec<f64>> {
    let mut next: Vec<Vec<f64>> = vec![Vec::new(); dealt.len()];
    for (before, sums) in dealt.iter().enumerate().filter(|(_, sums)| !sums.is_empty()) {
        for (k, weight) in weights.iter().enumerate().take(dealt.len() - before) {
            let target = &mut next[before + k];
            let shift = k * unit;
            if target.len() < sums.len() + shift {
                target.resize(sums.len() + shift, 0.0);
            }
            for (slot, p) in target[shift..].iter_mut().zip(sums) {
                *slot += weight * p;
            }
        }
    }
    next
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::fisher::fisher_exact;
    use crate::analysis::counts::testing::close;

    fn tested(events: &[u64], trials: &[u64], scores: &[f64]) -> Trend {
        match cochran_armitage(ScoredGroups { events, trials, scores }).unwrap() {
            TrendTest::Tested(trend) => trend,
            TrendTest::NotEstimable => panic!("no trend"),
        }
    }

    fn exact(events: &[u64], trials: &[u64], scores: &[f64]) -> ExactTrend {
        match exact_trend(ScoredGroups { events, trials, scores }).unwrap() {
            ExactTrendTest::Tested(trend) => trend,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn both_variances_match_other_libraries() {
        // R 4.2.2 prop.trend.test for the N form.
        let trend = tested(&[83, 90, 129, 70], &[86, 93, 136, 82], &[1.0, 2.0, 3.0, 4.0]);
        close(trend.z_score, -2.86791253095, 1e-11);
        close(trend.chi_squared, 8.2249222852, 1e-10);
        close(trend.p_value, 0.00413189747764, 1e-10);
        close(trend.chi_squared_mantel, 8.20420459682, 1e-10);
        close(trend.p_value_mantel, 0.00417934262853, 1e-10);
    }

    #[test]
    fn rare_events_need_the_exact_test() {
        // Graubard & Korn (1988) data; StatXact worked example 6 prints 0.0078, 0.0159 and 0.0158; mpmath the rest.
        let (events, trials) = ([48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38]);
        let scores = [0.0, 0.5, 1.5, 4.0, 8.0];
        close(tested(&events, &trials, &scores).p_value, 0.00780018341411, 1e-9);
        let tails = exact(&events, &trials, &scores);
        close(tails.upper, 0.0157686974799, 1e-9);
        close(tails.lower, 0.986751856953, 1e-9);
        close(tails.two_sided, 0.0158821298574, 1e-9);
        close(tails.twice_smaller(), 0.0315373949598, 1e-9);
        // The example prints 0.1792 for equal scores, which its own table does not give: enumerated apart from this
        // code, the table gives 0.178968.
        close(exact(&events, &trials, &[1.0, 2.0, 3.0, 4.0, 5.0]).two_sided, 0.178967793719, 1e-9);
    }

    #[test]
    fn two_groups_are_fishers_test() {
        let tails = exact(&[2, 8], &[7, 9], &[0.0, 1.0]);
        let fisher = fisher_exact([[8, 1], [2, 5]], 0.95).unwrap().tails;
        close(tails.upper, fisher.greater, 1e-11);
        close(tails.lower, fisher.less, 1e-11);
    }

    #[test]
    fn what_cannot_vary_has_no_trend() {
        let groups = |events, scores| ScoredGroups { events, trials: &[5, 5], scores };
        assert_eq!(cochran_armitage(groups(&[0, 0], &[1.0, 2.0])), Ok(TrendTest::NotEstimable));
        assert_eq!(cochran_armitage(groups(&[1, 2], &[1.0, 1.0])), Ok(TrendTest::NotEstimable));
        assert_eq!(exact_trend(groups(&[5, 5], &[1.0, 2.0])), Ok(ExactTrendTest::NotEstimable));
        let uneven = [0.0, std::f64::consts::PI];
        assert!(matches!(exact_trend(groups(&[1, 2], &uneven)), Ok(ExactTrendTest::OutOfReach)));
        assert!(cochran_armitage(groups(&[6, 0], &[1.0, 2.0])).is_err());
        assert!(cochran_armitage(groups(&[1], &[1.0, 2.0])).is_err());
    }
}
