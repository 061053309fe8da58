//! The evidence, its null, and whether encounters come in clumps.

use crate::analysis::clusters::ClusterError;
use crate::analysis::clusters::tails::CountLaw;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::weights::Weights;

/// What clusters are looked for in.
#[derive(Debug, Clone, Copy)]
pub struct Evidence<'a> {
    /// Encounters by segment: whole-number allocations.
    pub counts: &'a CountDraws,
    /// Exposure by segment: whole draws. Draw `d` goes with count draw `d`, each counted round again where it has fewer.
    pub exposure: &'a ExposureDraws,
    /// Segments that are looked at: those whose exposure is counted or fitted. The others take no part at all.
    pub is_looked_at: &'a [bool],
}

/// How far encounters come in clumps (several parties meet one snake).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dispersion {
    /// Variance of a count over that of a Poisson count, as estimated; below 1 where counts vary less.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Pairs of neighbouring segments that it rests on.
    pub n_pairs: usize,
}

impl Dispersion {
    /// The factor that the null uses: never below 1. Above 1 counts are negative binomial.
    pub fn factor(&self) -> f64 {
        self.estimate.max(1.0)
    }
}

/// Evidence with its null: totals by draw, shares of exposure, dispersion.
#[derive(Debug, Clone)]
pub struct Null<'a> {
    pub(super) evidence: Evidence<'a>,
    pub(super) n_draws: usize,
    /// Encounters on the segments looked at, by draw.
    pub(super) totals: Vec<u64>,
    /// Exposure of the segments looked at, by exposure draw, km.
    pub(super) total_km: Vec<f64>,
    /// Variance of a count over that of a Poisson count, at least 1.
    pub(super) factor: f64,
    /// Mean count by segment; zero where not looked at.
    pub(super) mean_counts: Vec<f64>,
    /// Mean share of exposure by segment; zero where not looked at.
    pub(super) mean_shares: Vec<f64>,
}

impl<'a> Null<'a> {
    /// The null of some evidence. `factor` is [`Dispersion::factor`], or 1 for encounters that fall one by one.
    ///
    /// # Errors
    /// [`ClusterError`] when lists do not fit together, an exposure is negative or not finite, some draw has no exposure
    /// or no encounter on the segments looked at, or the factor is below 1.
    pub fn new(evidence: Evidence<'a>, factor: f64) -> Result<Self, ClusterError> {
        check(&evidence)?;
        if !(factor.is_finite() && factor >= 1.0) {
            return Err(ClusterError::Parameter { what: "the dispersion", value: factor });
        }
        let n_segments = evidence.is_looked_at.len();
        let n_draws = evidence.counts.n_draws.max(evidence.exposure.n_draws);
        let looked_at = || (0..n_segments).filter(|segment| evidence.is_looked_at[*segment]);
        let totals: Vec<u64> = (0..evidence.counts.n_draws)
            .map(|draw| looked_at().map(|segment| u64::from(evidence.count(draw, segment))).sum())
            .collect();
        let total_km: Vec<f64> = (0..evidence.exposure.n_draws)
            .map(|draw| looked_at().map(|segment| evidence.km(draw, segment)).sum())
            .collect();
        if total_km.iter().any(|km| *km <= 0.0) {
            return Err(ClusterError::NoExposure);
        }
        if totals.contains(&0) {
            return Err(ClusterError::NoEncounters);
        }
        let mut null = Self {
            evidence,
            n_draws,
            totals,
            total_km,
            factor,
            mean_counts: vec![0.0; n_segments],
            mean_shares: vec![0.0; n_segments],
        };
        for segment in looked_at() {
            let (n_counts, n_exposures) = (evidence.counts.n_draws, evidence.exposure.n_draws);
            let counts: u64 = (0..n_counts).map(|draw| u64::from(evidence.count(draw, segment))).sum();
            null.mean_counts[segment] = counts as f64 / n_counts as f64;
            let shares: f64 = (0..n_exposures).map(|draw| null.share(draw, segment)).sum();
            null.mean_shares[segment] = shares / n_exposures as f64;
        }
        Ok(null)
    }

    /// Mean number of encounters on the segments looked at.
    pub fn mean_total(&self) -> f64 {
        self.totals.iter().sum::<u64>() as f64 / self.totals.len() as f64
    }

    /// Mean count of some segments over the draws.
    pub fn count(&self, segments: &[usize]) -> f64 {
        segments.iter().map(|segment| self.mean_counts[*segment]).sum()
    }

    /// Mean expected count of some segments under the null.
    pub fn expected(&self, segments: &[usize]) -> f64 {
        self.mean_total() * segments.iter().map(|segment| self.mean_shares[*segment]).sum::<f64>()
    }

    /// How many draws are pooled.
    pub fn n_draws(&self) -> usize {
        self.n_draws
    }

    pub(super) fn total(&self, draw: usize) -> u64 {
        self.totals[draw % self.totals.len()]
    }

    /// A segment's share of the exposure in a draw; zero where it is not looked at.
    pub(super) fn share(&self, draw: usize, segment: usize) -> f64 {
        let draw = draw % self.total_km.len();
        if self.evidence.is_looked_at[segment] {
            self.evidence.km(draw, segment) / self.total_km[draw]
        } else {
            0.0
        }
    }

    /// Count and share of exposure of a set of segments in a draw; those not looked at add nothing.
    pub(super) fn in_draw(&self, draw: usize, segments: impl Iterator<Item = usize>) -> (u64, f64) {
        let kept = segments.filter(|segment| self.evidence.is_looked_at[*segment]);
        kept.fold((0, 0.0), |(count, share), segment| {
            (count + u64::from(self.evidence.count(draw, segment)), share + self.share(draw, segment))
        })
    }

    /// The distribution of the count on a share of the exposure in a draw.
    pub(super) fn law(&self, draw: usize, share: f64) -> CountLaw {
        CountLaw::new(self.total(draw), share, self.factor)
    }
}

impl Evidence<'_> {
    pub(super) fn count(&self, draw: usize, segment: usize) -> u32 {
        self.counts.counts[draw % self.counts.n_draws * self.counts.n_units + segment]
    }

    pub(super) fn km(&self, draw: usize, segment: usize) -> f64 {
        self.exposure.party_km[draw % self.exposure.n_draws * self.exposure.n_units + segment]
    }
}

fn check(evidence: &Evidence<'_>) -> Result<(), ClusterError> {
    let n_segments = evidence.is_looked_at.len();
    let (counts, exposure) = (evidence.counts, evidence.exposure);
    let shapes = [
        ("segments of the counts", counts.n_units, n_segments),
        ("segments of the exposure", exposure.n_units, n_segments),
        ("counts", counts.counts.len(), counts.n_draws.max(1) * n_segments),
        ("exposures", exposure.party_km.len(), exposure.n_draws.max(1) * n_segments),
    ];
    for (what, got, expected) in shapes {
        if got != expected {
            return Err(ClusterError::Lengths { what, got, expected });
        }
    }
    match exposure.party_km.iter().position(|km| !(km.is_finite() && *km >= 0.0)) {
        Some(at) => Err(ClusterError::Exposure {
            segment: at % n_segments,
            draw: at / n_segments,
            value: exposure.party_km[at],
        }),
        None => Ok(()),
    }
}

/// How far encounters come in clumps, from the differences between neighbouring segments.
///
/// In a pair with exposures in the shares p and 1 - p, counts n and m of the same rate have E (n (1 - p) - m p)² =
/// φ (n + m) p (1 - p), whatever the rate; φ is the sum of the left sides over that of the right sides, over all pairs of
/// neighbours and all draws. Rates that change slowly along the trails, a cluster of several segments among them, hardly
/// move it, while a Pearson statistic over all segments would take every real cluster for clumping and hide it. Draws are
/// pooled before dividing; the standard error takes pairs as independent. Without any encounter in a pair the estimate
/// is 1.
///
/// # Errors
/// [`ClusterError`] when lists do not fit together or an exposure is negative or not finite.
pub fn dispersion(evidence: &Evidence<'_>, neighbours: &Weights) -> Result<Dispersion, ClusterError> {
    check(evidence)?;
    let n_segments = evidence.is_looked_at.len();
    if neighbours.n_sites() != n_segments {
        let (got, expected) = (neighbours.n_sites(), n_segments);
        return Err(ClusterError::Lengths { what: "rows of the weights", got, expected });
    }
    let n_draws = evidence.counts.n_draws.max(evidence.exposure.n_draws);
    let mut pairs = Vec::new();
    for segment in (0..n_segments).filter(|segment| evidence.is_looked_at[*segment]) {
        let after = neighbours.neighbours(segment).iter().filter(|other| **other > segment);
        for &other in after.filter(|other| evidence.is_looked_at[**other]) {
            let (mut squares, mut expected) = (0.0, 0.0);
            for draw in 0..n_draws {
                let (km, other_km) = (evidence.km(draw, segment), evidence.km(draw, other));
                if km + other_km <= 0.0 {
                    continue;
                }
                let p = km / (km + other_km);
                let (n, m) =
                    (f64::from(evidence.count(draw, segment)), f64::from(evidence.count(draw, other)));
                squares += (n * (1.0 - p) - m * p).powi(2);
                expected += (n + m) * p * (1.0 - p);
            }
            pairs.push((squares / n_draws as f64, expected / n_draws as f64));
        }
    }
    let (squares, expected) = pairs.iter().fold((0.0, 0.0), |sums, pair| (sums.0 + pair.0, sums.1 + pair.1));
    if expected <= 0.0 {
        return Ok(Dispersion { estimate: 1.0, standard_error: 0.0, n_pairs: 0 });
    }
    let estimate = squares / expected;
    let scatter: f64 = pairs.iter().map(|(squares, expected)| (squares - estimate * expected).powi(2)).sum();
    Ok(Dispersion { estimate, standard_error: scatter.sqrt() / expected, n_pairs: pairs.len() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three segments in a row with exposures 1, 1, 3 and counts 4, 2, 3. First pair: p = 1/2, (4 - 2)² / 4 = 1 against
    /// 6 / 4; second: p = 1/4, (2 × 3/4 - 3 × 1/4)² = 9/16 against 5 × 3/16. Together 25/16 over 39/16.
    #[test]
    fn dispersion_by_hand() {
        let counts = CountDraws::certain(vec![4, 2, 3]);
        let exposure = ExposureDraws::certain(vec![1.0, 1.0, 3.0]);
        let row = Weights::binary(&[vec![1], vec![0, 2], vec![1]]).unwrap();
        let all = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 3] };
        let got = dispersion(&all, &row).unwrap();
        assert!((got.estimate - 25.0 / 39.0).abs() < 1e-12 && got.n_pairs == 2, "{got:?}");
        assert_eq!(got.factor(), 1.0);
        let part = Evidence { is_looked_at: &[true, true, false], ..all };
        assert!((dispersion(&part, &row).unwrap().estimate - 2.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_looked_at_takes_no_part() {
        let counts = CountDraws::certain(vec![4, 2, 300]);
        let exposure = ExposureDraws::certain(vec![1.0, 2.0, 3.0]);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true, true, false] };
        let null = Null::new(evidence, 1.0).unwrap();
        assert_eq!((null.mean_total(), null.count(&[0, 1, 2])), (6.0, 6.0));
        assert!((null.expected(&[1]) - 4.0).abs() < 1e-12 && null.expected(&[2]) == 0.0);
    }

    #[test]
    fn impossible_evidence_is_refused() {
        let counts = CountDraws::certain(vec![0, 0]);
        let exposure = ExposureDraws::certain(vec![1.0, 2.0]);
        let looked = [true, true];
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &looked };
        assert_eq!(Null::new(evidence, 1.0).unwrap_err(), ClusterError::NoEncounters);
        let none = Evidence { is_looked_at: &[false, false], ..evidence };
        assert_eq!(Null::new(none, 1.0).unwrap_err(), ClusterError::NoExposure);
        let short = Evidence { is_looked_at: &[true], ..evidence };
        assert!(matches!(Null::new(short, 1.0), Err(ClusterError::Lengths { .. })));
        let bad = ExposureDraws::certain(vec![1.0, f64::NAN]);
        let bad = Evidence { exposure: &bad, ..evidence };
        assert!(matches!(Null::new(bad, 1.0), Err(ClusterError::Exposure { segment: 1, .. })));
        assert!(matches!(Null::new(evidence, 0.5), Err(ClusterError::Parameter { .. })));
    }
}
