//! Time to a reaction, where the end of the watch censors.

use crate::analysis::counts::half_alpha;
use crate::analysis::counts::quantiles::upper_deviate;
use crate::analysis::response::{Approach, Contact, EffortKind, InvalidApproaches};

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
    let mut result = Latencies { known: Vec::new(), n_unknown: 0, n_unwatched: 0 };
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
            Some(latency) => result.known.push(latency),
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
    let limits = |step: &Step| match step.uncertainty {
        Uncertainty::Greenwood { lower, upper, .. } => Some((lower, upper)),
        Uncertainty::NotEstimable => None,
    };
    Median {
        time_s: first(&|step| Some(step.waiting)),
        lower_s: first(&|step| limits(step).map(|limits| limits.0)),
        upper_s: first(&|step| limits(step).map(|limits| limits.1)),
    }
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
}
