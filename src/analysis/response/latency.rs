//! Time to a reaction, where the end of the watch censors.

use crate::analysis::counts::binomial::exact_logits;
use crate::analysis::counts::half_alpha;
use crate::analysis::counts::quantiles::logistic;
use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::random::stream;
use crate::analysis::response::bootstrap::BootstrapParams;
use crate::analysis::response::bootstrap::FEWEST_FOR_BOOTSTRAP;
use crate::analysis::response::{Approach, ClusterNumbers, Contact, EffortKind, InvalidApproaches};
use rand::RngExt;
use rayon::prelude::*;

/// How a watch ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// By the reaction.
    Reacted,
    /// Without it.
    WatchEnded,
}

/// One watched approach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Latency {
    /// Seconds from the approach, at least zero.
    pub time_s: f64,
    /// What happened then.
    pub ended: Ended,
}

/// Which approaches and reactions a curve is about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LatencyQuestion<'a> {
    /// Approaches of this effort kind only.
    pub effort_kind: EffortKind,
    /// Approaches of this contact only.
    pub contact: Contact,
    /// The reactions that end the wait, whichever comes first.
    pub terms: &'a [usize],
}

/// The latencies behind a curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Latencies {
    /// Approaches whose times are known, in input order.
    pub known: Vec<Latency>,
    /// The organism of each of them.
    pub organisms: Vec<Option<usize>>,
    /// Approaches with the reaction but without its latency, or without it and without the end of the watch: left out.
    pub n_unknown: u64,
    /// Those among them without the reaction, whose watch has no end.
    pub n_unwatched: u64,
}

/// Share of approaches without reaction and without end of watch above which no curve is drawn.
pub const MOST_UNWATCHED: f64 = 0.1;

impl Latencies {
    /// Whether a curve may be drawn from what is known.
    ///
    /// Leaving out approaches that ended without a reaction leaves those that reacted: where more than
    /// [`MOST_UNWATCHED`] of all are missing that way, a curve would say that nearly every snake reacts.
    pub fn are_representative(&self) -> bool {
        let n = self.known.len() as f64 + self.n_unknown as f64;
        self.n_unwatched as f64 <= MOST_UNWATCHED * n
    }
}

/// Collects latencies from approaches. Approaches whose reactions were not recorded are left out unmentioned.
pub fn latencies(approaches: &[Approach], question: LatencyQuestion) -> Latencies {
    let mut result = Latencies { known: Vec::new(), organisms: Vec::new(), n_unknown: 0, n_unwatched: 0 };
    let asked = approaches.iter().filter(|approach| {
        approach.effort_kind == question.effort_kind && approach.contact == question.contact
    });
    for approach in asked {
        let Some(reactions) = &approach.reactions else { continue };
        // Reactions are in order: the first of the asked terms came first, whether or not it was timed.
        let shown = reactions.iter().find(|reaction| question.terms.contains(&reaction.term));
        let latency = match shown {
            Some(reaction) => reaction.latency_s.map(|time_s| Latency { time_s, ended: Ended::Reacted }),
            None => approach.watch_end_s.map(|time_s| Latency { time_s, ended: Ended::WatchEnded }),
        };
        match latency {
            Some(latency) => {
                result.known.push(latency);
                result.organisms.push(approach.organism);
            }
            None => {
                result.n_unknown += 1;
                result.n_unwatched += u64::from(shown.is_none());
            }
        }
    }
    result
}

/// Kaplan and Meier's curve of the share that has not reacted yet.
#[derive(Debug, Clone, PartialEq)]
pub struct KaplanMeier {
    /// Approaches.
    pub n_approaches: usize,
    /// One step for each time at which a reaction came, rising. Empty when none did.
    pub steps: Vec<Step>,
    /// The time by which half have reacted.
    pub median: Median,
}

/// The curve from one reaction to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Seconds from the approach.
    pub time_s: f64,
    /// Approaches still watched and without reaction just before.
    pub n_at_risk: usize,
    /// Reactions at this time.
    pub n_reacted: usize,
    /// Share without reaction from this time on.
    pub waiting: f64,
    /// Its standard error and limits.
    pub uncertainty: Uncertainty,
}

/// Uncertainty of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Uncertainty {
    /// All have reacted: Greenwood's formula has no value there.
    NotEstimable,
    /// Standard error of the share, and limits on the scale of `ln(-ln)`, which keeps them within 0 and 1.
    Greenwood {
        /// Standard error.
        std_error: f64,
        /// Lower limit.
        lower: f64,
        /// Upper limit.
        upper: f64,
    },
    /// Limits of the share that hold when organisms repeat, or where Greenwood's formula has no value.
    ByOrganism {
        /// Lower limit.
        lower: f64,
        /// Upper limit.
        upper: f64,
    },
}

impl Uncertainty {
    /// The limits of the share without reaction, where there are any.
    pub fn limits(&self) -> Option<(f64, f64)> {
        match *self {
            Self::NotEstimable => None,
            Self::Greenwood { lower, upper, .. } | Self::ByOrganism { lower, upper } => Some((lower, upper)),
        }
    }
}

/// A median with its limits; `None` where the curve, or its limit, never falls to one half.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Median {
    /// Seconds until half have reacted.
    pub time_s: Option<f64>,
    /// Lower limit (Brookmeyer & Crowley 1982, *Biometrics* 38, 29-41).
    pub lower_s: Option<f64>,
    /// Upper limit.
    pub upper_s: Option<f64>,
}

/// Kaplan and Meier's curve with Greenwood's limits at a confidence level.
///
/// A watch that ends at the time of a reaction counts as still watched there. Approaches are taken as independent:
/// where organisms repeat, the limits are too narrow.
///
/// # Errors
/// [`InvalidApproaches`] when a time is negative or not finite or the level is out of range.
///
/// # References
/// Kaplan, E. L. & Meier, P. (1958). Nonparametric estimation from incomplete observations. *Journal of the American
/// Statistical Association* 53, 457-481. Greenwood, M. (1926). *The natural duration of cancer*. HMSO, London.
pub fn kaplan_meier(latencies: &[Latency], level: f64) -> Result<KaplanMeier, InvalidApproaches> {
    let deviate = upper_deviate(half_alpha(level)?);
    if let Some(bad) = latencies.iter().find(|latency| !(latency.time_s.is_finite() && latency.time_s >= 0.0))
    {
        return Err(InvalidApproaches::Time(bad.time_s));
    }
    let mut sorted = latencies.to_vec();
    sorted.sort_by(|left, right| left.time_s.total_cmp(&right.time_s));
    let mut steps: Vec<Step> = Vec::new();
    let (mut waiting, mut greenwood, mut passed) = (1.0, 0.0, 0);
    for tied in sorted.chunk_by(|left, right| left.time_s == right.time_s) {
        let n_at_risk = sorted.len() - passed;
        passed += tied.len();
        let n_reacted = tied.iter().filter(|latency| latency.ended == Ended::Reacted).count();
        if n_reacted == 0 {
            continue;
        }
        let (at_risk, reacted) = (n_at_risk as f64, n_reacted as f64);
        waiting *= (at_risk - reacted) / at_risk;
        greenwood += reacted / (at_risk * (at_risk - reacted));
        let uncertainty = uncertainty(waiting, greenwood, deviate);
        steps.push(Step { time_s: tied[0].time_s, n_at_risk, n_reacted, waiting, uncertainty });
    }
    let median = median(&steps);
    Ok(KaplanMeier { n_approaches: latencies.len(), steps, median })
}

fn uncertainty(waiting: f64, greenwood: f64, deviate: f64) -> Uncertainty {
    if waiting <= 0.0 {
        return Uncertainty::NotEstimable;
    }
    let reach = deviate * greenwood.sqrt() / waiting.ln();
    Uncertainty::Greenwood {
        std_error: waiting * greenwood.sqrt(),
        lower: waiting.powf((-reach).exp()),
        upper: waiting.powf(reach.exp()),
    }
}

fn median(steps: &[Step]) -> Median {
    let first = |value: &dyn Fn(&Step) -> Option<f64>| {
        steps.iter().find(|step| value(step).is_some_and(|value| value <= 0.5)).map(|step| step.time_s)
    };
    let limits = |step: &Step| step.uncertainty.limits();
    Median {
        time_s: first(&|step| Some(step.waiting)),
        lower_s: first(&|step| limits(step).map(|limits| limits.0)),
        upper_s: first(&|step| limits(step).map(|limits| limits.1)),
    }
}

/// Kaplan and Meier's curve with limits that hold when organisms repeat.
///
/// Where every organism was watched once, limits are Greenwood's. Else whole organisms are resampled, and limits are the
/// percentiles of the share in the draws, never narrower than Greenwood's, since resampling misses the tail of what is rare. With
/// fewer organisms than [`FEWEST_FOR_BOOTSTRAP`], limits are those of Clopper and Pearson with each organism whose watch had not
/// ended before counted once, the share as its part of an event, the widest that dependence within organisms can ask for.
/// Where all have reacted, the share is no lower than it was before the last; where all reacted at once, the exact limit of all
/// organisms holds. Draw `i` takes stream `i` of the seed.
///
/// # Errors
/// [`InvalidApproaches`] when a time is negative or not finite, the level is out of range, or no draws are asked for.
///
/// # References
/// Davison, A. C. & Hinkley, D. V. (1997). *Bootstrap Methods and their Application*. Cambridge, sections 3.5 and 3.8. Korn, E. L. &
/// Graubard, B. I. (1998). *Survey Methodology* 24, 193-201.
pub fn kaplan_meier_by_organism(
    latencies: &Latencies,
    params: BootstrapParams,
) -> Result<KaplanMeier, InvalidApproaches> {
    let beyond = half_alpha(params.level)?;
    if params.n_draws == 0 {
        return Err(InvalidApproaches::NoDraws);
    }
    let mut curve = kaplan_meier(&latencies.known, params.level)?;
    let mut numbers = ClusterNumbers::default();
    let of_clusters = latencies.organisms.iter().map(|organism| numbers.of(*organism));
    let mut watched: Vec<(usize, Latency)> = of_clusters.zip(latencies.known.iter().copied()).collect();
    watched.sort_by(|left, right| left.1.time_s.total_cmp(&right.1.time_s));
    let n_clusters = watched.iter().map(|(cluster, _)| cluster + 1).max().unwrap_or(0);
    let repeats = n_clusters < watched.len();
    let bands = match repeats && n_clusters >= FEWEST_FOR_BOOTSTRAP {
        true => resampled_bands(&curve, &watched, n_clusters, params, beyond),
        false => Vec::new(),
    };
    let mut before_upper = None;
    for (idx, step) in curve.steps.iter_mut().enumerate() {
        let (lower, upper) = if step.waiting <= 0.0 {
            (0.0, before_upper.unwrap_or_else(|| exact_waiting(&watched, n_clusters, step, beyond).1))
        } else {
            match (step.uncertainty.limits(), bands.get(idx)) {
                (Some((lower, upper)), Some(band)) => (lower.min(band.0), upper.max(band.1)),
                (Some((lower, upper)), None) if repeats => {
                    let exact = exact_waiting(&watched, n_clusters, step, beyond);
                    (lower.min(exact.0), upper.max(exact.1))
                }
                (Some(limits), None) => limits,
                (None, _) => exact_waiting(&watched, n_clusters, step, beyond),
            }
        };
        before_upper = Some(upper);
        if repeats || step.waiting <= 0.0 {
            step.uncertainty = Uncertainty::ByOrganism { lower, upper };
        }
    }
    curve.median = median(&curve.steps);
    Ok(curve)
}

/// Exact limits of the share without reaction, each organism that was watched up to the step, or reacted before it, counted once.
fn exact_waiting(watched: &[(usize, Latency)], n_clusters: usize, step: &Step, beyond: f64) -> (f64, f64) {
    let mut counts = vec![false; n_clusters];
    let told = |latency: &Latency| latency.ended == Ended::Reacted || latency.time_s >= step.time_s;
    watched.iter().filter(|(_, latency)| told(latency)).for_each(|(cluster, _)| counts[*cluster] = true);
    let n = counts.iter().filter(|counted| **counted).count() as f64;
    let (lower, upper) = exact_logits(n * step.waiting, n, beyond);
    (lower.map_or(0.0, logistic), upper.map_or(1.0, logistic))
}

/// Percentiles of the share without reaction at each step, over draws of whole organisms.
fn resampled_bands(
    curve: &KaplanMeier,
    watched: &[(usize, Latency)],
    n_clusters: usize,
    params: BootstrapParams,
    beyond: f64,
) -> Vec<(f64, f64)> {
    let one_draw = |draw: usize| {
        let mut rng = stream(params.seed, draw as u64);
        let mut times = vec![0u32; n_clusters];
        (0..n_clusters).for_each(|_| times[rng.random_range(0..n_clusters)] += 1);
        waiting_at(curve, watched, &times)
    };
    let draws: Vec<Vec<f64>> = (0..params.n_draws).into_par_iter().map(one_draw).collect();
    let of_step = |step: usize| {
        let mut shares: Vec<f64> = draws.iter().map(|shares| shares[step]).collect();
        shares.sort_by(f64::total_cmp);
        // Outwards to the next draw.
        let outside = ((beyond * (shares.len() as f64 + 1.0)).floor() as usize).clamp(1, shares.len());
        (shares[outside - 1], shares[shares.len() - outside])
    };
    (0..curve.steps.len()).map(of_step).collect()
}

/// The share without reaction at each step of a curve, each organism taken so many times. `watched` is in order of time.
fn waiting_at(curve: &KaplanMeier, watched: &[(usize, Latency)], times: &[u32]) -> Vec<f64> {
    let weight = |(cluster, _): &(usize, Latency)| f64::from(times[*cluster]);
    let mut at_risk: f64 = watched.iter().map(weight).sum();
    let (mut waiting, mut passed) = (1.0, 0);
    let mut shares = Vec::with_capacity(curve.steps.len());
    for step in &curve.steps {
        while let Some(earlier) = watched.get(passed).filter(|(_, latency)| latency.time_s < step.time_s) {
            at_risk -= weight(earlier);
            passed += 1;
        }
        let tied = watched[passed..].iter().take_while(|(_, latency)| latency.time_s == step.time_s);
        let reacted: f64 = tied.filter(|(_, latency)| latency.ended == Ended::Reacted).map(weight).sum();
        if at_risk > 0.0 {
            waiting *= (at_risk - reacted) / at_risk;
        }
        shares.push(waiting);
    }
    shares
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::testing::close;
    use crate::analysis::response::Reaction;
    use crate::analysis::response::testing::approach;

    fn watched(times: &[f64], ended: Ended) -> Vec<Latency> {
        times.iter().map(|&time_s| Latency { time_s, ended }).collect()
    }

    #[test]
    fn remission_times_under_6_mp() {
        // Weeks in remission under 6-mercaptopurine, Freireich et al. (1963), Blood 21, 699-716. Estimates and standard
        // errors as in Klein & Moeschberger, Survival Analysis, section 4.2 (from memory, three places).
        let mut all = watched(&[6.0, 6.0, 6.0, 7.0, 10.0, 13.0, 16.0, 22.0, 23.0], Ended::Reacted);
        let censored = [6.0, 9.0, 10.0, 11.0, 17.0, 19.0, 20.0, 25.0, 32.0, 32.0, 34.0, 35.0];
        all.extend(watched(&censored, Ended::WatchEnded));
        let curve = kaplan_meier(&all, 0.95).unwrap();
        let expected = [
            (6.0, 21, 0.857, 0.076),
            (7.0, 17, 0.807, 0.087),
            (10.0, 15, 0.753, 0.096),
            (13.0, 12, 0.690, 0.107),
            (16.0, 11, 0.627, 0.114),
            (22.0, 7, 0.538, 0.128),
            (23.0, 6, 0.448, 0.135),
        ];
        assert_eq!(curve.steps.len(), expected.len());
        for (step, (time_s, n_at_risk, waiting, expected_error)) in curve.steps.iter().zip(expected) {
            assert_eq!((step.time_s, step.n_at_risk), (time_s, n_at_risk));
            assert!((step.waiting - waiting).abs() < 6e-4);
            let Uncertainty::Greenwood { std_error, lower, upper } = step.uncertainty else { panic!() };
            assert!((std_error - expected_error).abs() < 6e-4);
            assert!(lower < step.waiting && step.waiting < upper);
        }
        assert_eq!(curve.median.time_s, Some(23.0));
    }

    #[test]
    fn limits_by_hand() {
        // One of two at 1 s: S = 1/2, Greenwood's sum 1/2; limits 0.5^exp(-+1.959964 * sqrt(0.5) / ln 0.5).
        let mut all = watched(&[1.0], Ended::Reacted);
        all.extend(watched(&[2.0], Ended::WatchEnded));
        let Uncertainty::Greenwood { std_error, lower, upper } =
            kaplan_meier(&all, 0.95).unwrap().steps[0].uncertainty
        else {
            panic!()
        };
        close(std_error, 0.5 * 0.5f64.sqrt(), 1e-12);
        let reach = 1.959963984540054 * 0.5f64.sqrt() / 2f64.ln();
        close(lower, 0.5f64.powf(reach.exp()), 1e-9);
        close(upper, 0.5f64.powf((-reach).exp()), 1e-9);
    }

    #[test]
    fn the_end_has_no_standard_error() {
        let curve = kaplan_meier(&watched(&[1.0, 3.0], Ended::Reacted), 0.95).unwrap();
        assert_eq!(curve.steps[1].waiting, 0.0);
        assert_eq!(curve.steps[1].uncertainty, Uncertainty::NotEstimable);
        let none = kaplan_meier(&watched(&[5.0], Ended::WatchEnded), 0.95).unwrap();
        assert_eq!((none.steps.len(), none.median.time_s), (0, None));
        assert!(kaplan_meier(&watched(&[-1.0], Ended::Reacted), 0.95).is_err());
    }

    #[test]
    fn unknown_times_are_counted() {
        let reaction = |term, latency_s| Reaction { term, latency_s };
        let mut approaches = vec![approach(Contact::Over, None, false); 4];
        approaches[0].reactions = Some(vec![reaction(3, Some(1.0)), reaction(0, Some(4.0))]);
        approaches[1].reactions = Some(vec![reaction(0, None), reaction(0, Some(9.0))]);
        approaches[2].watch_end_s = Some(30.0);
        let question =
            LatencyQuestion { effort_kind: EffortKind::Survey, contact: Contact::Over, terms: &[0] };
        let result = latencies(&approaches, question);
        assert_eq!(
            result.known,
            [
                Latency { time_s: 4.0, ended: Ended::Reacted },
                Latency { time_s: 30.0, ended: Ended::WatchEnded }
            ]
        );
        assert_eq!(result.n_unknown, 2);
    }

    const PARAMS: BootstrapParams = BootstrapParams { level: 0.95, n_draws: 400, seed: 5 };

    fn by_organism(known: Vec<Latency>, organisms: Vec<Option<usize>>) -> Latencies {
        Latencies { known, organisms, n_unknown: 0, n_unwatched: 0 }
    }

    #[test]
    fn without_repeats_limits_are_greenwoods() {
        let mut known = watched(&[1.0, 2.0, 2.0], Ended::Reacted);
        known.extend(watched(&[1.5, 4.0, 5.0], Ended::WatchEnded));
        let organisms = (0..known.len()).map(|idx| (idx % 2 == 0).then_some(idx)).collect();
        let plain = kaplan_meier(&known, 0.95).unwrap();
        assert_eq!(kaplan_meier_by_organism(&by_organism(known, organisms), PARAMS).unwrap(), plain);
    }

    #[test]
    fn where_all_reacted_in_the_end_the_share_has_a_limit() {
        let of = |times: &[f64], organisms: &[usize]| {
            let organisms = organisms.iter().map(|organism| Some(*organism)).collect();
            let found = by_organism(watched(times, Ended::Reacted), organisms);
            kaplan_meier_by_organism(&found, PARAMS).unwrap().steps
        };
        // Two approaches to one snake and one to another, all at once: of two snakes both, 0.025^(1/2) of the share.
        let at_once = of(&[2.0, 2.0, 2.0], &[1, 1, 2]);
        let (lower, upper) = at_once[0].uncertainty.limits().unwrap();
        assert!(lower == 0.0 && (1.0 - upper - 0.158_114).abs() < 1e-5, "{upper}");
        let in_turn = of(&[2.0, 4.0], &[1, 2]);
        assert_eq!(in_turn[1].uncertainty.limits().unwrap().1, in_turn[0].uncertainty.limits().unwrap().1);
    }

    #[test]
    fn draws_of_all_organisms_once_are_the_curve_itself() {
        let mut known = watched(&[1.0, 2.0, 2.0, 7.0], Ended::Reacted);
        known.extend(watched(&[1.5, 2.0, 8.0], Ended::WatchEnded));
        let curve = kaplan_meier(&known, 0.95).unwrap();
        let mut sorted: Vec<(usize, Latency)> = known.into_iter().enumerate().collect();
        sorted.sort_by(|left, right| left.1.time_s.total_cmp(&right.1.time_s));
        for (share, step) in waiting_at(&curve, &sorted, &[1; 7]).iter().zip(&curve.steps) {
            close(*share, step.waiting, 1e-12);
        }
        // Without those that reacted at 2 s, the curve does not fall there.
        let shares = waiting_at(&curve, &sorted, &[1, 0, 0, 1, 1, 1, 1]);
        assert_eq!(shares[0], shares[1]);
    }

    /// Snakes are approached eight times each and differ in how readily they react: limits that take approaches one by one cover
    /// far less than they say.
    #[test]
    fn only_limits_by_organism_cover_where_snakes_repeat() {
        use rand_distr::{Beta, Distribution};
        let propensity = Beta::new(0.9, 2.1).unwrap();
        let coverage = |n_organisms: usize, n_runs: u64| {
            let (mut naive, mut by_snake) = (0, 0);
            for run in 0..n_runs {
                let mut rng = stream(43, run);
                let (mut known, mut organisms) = (Vec::new(), Vec::new());
                for organism in 0..n_organisms {
                    let share: f64 = propensity.sample(&mut rng);
                    for _ in 0..8 {
                        let watch_end_s = rng.random_range(3.0..10.0);
                        let reacts = rng.random::<f64>() < share;
                        let at_s = if reacts { rng.random_range(0.0..5.0) } else { f64::INFINITY };
                        known.push(match at_s <= watch_end_s {
                            true => Latency { time_s: at_s, ended: Ended::Reacted },
                            false => Latency { time_s: watch_end_s, ended: Ended::WatchEnded },
                        });
                        organisms.push(Some(organism));
                    }
                }
                // Three in ten react, four fifths of these within 4 s.
                let holds = |curve: &KaplanMeier| {
                    let step = curve.steps.iter().rev().find(|step| step.time_s <= 4.0);
                    let (lower, upper) =
                        step.and_then(|step| step.uncertainty.limits()).unwrap_or((0.0, 1.0));
                    u32::from(lower <= 0.76 && 0.76 <= upper)
                };
                naive += holds(&kaplan_meier(&known, 0.95).unwrap());
                by_snake += holds(&kaplan_meier_by_organism(&by_organism(known, organisms), PARAMS).unwrap());
            }
            (f64::from(naive) / n_runs as f64, f64::from(by_snake) / n_runs as f64)
        };
        let (naive, by_snake) = coverage(40, 400);
        println!("40 snakes: naive {naive}, by snake {by_snake}");
        assert!(naive < 0.87, "naive {naive}");
        assert!(by_snake > 0.91, "by snake {by_snake}");
        let (naive, by_snake) = coverage(8, 400);
        println!("8 snakes: naive {naive}, by snake {by_snake}");
        assert!(naive < 0.87, "naive {naive}");
        assert!(by_snake > 0.93, "by snake {by_snake}");
    }
}
