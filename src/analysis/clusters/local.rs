//! Every segment with its neighbours: Gi* and local Moran's I under the exposure null.

use rayon::prelude::*;

use crate::analysis::clusters::ClusterError;
use crate::analysis::clusters::Side;
use crate::analysis::clusters::null::Null;
use crate::analysis::clusters::tails::CountLaw;
use crate::analysis::false_discovery::benjamini_hochberg;
use crate::analysis::moran::Quadrant;
use crate::analysis::permutation;
use crate::analysis::weights::Weights;

/// Draws that local Moran's I pools at most: its tail is a sum of tails, some twenty times the work of Gi*.
const MORAN_DRAWS: usize = 20;
/// Counts less likely than this are left out of the sum behind a tail of local Moran's I.
const NEGLIGIBLE: f64 = 1e-13;
/// Slack for products that are equal but for rounding, relative to the expected count.
const TIE_SLACK: f64 = 1e-9;

/// What Gi* says of a segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SegmentFinding {
    /// It was tested.
    Tested(LocalFinding),
    /// Its exposure is not known well enough, or nobody walks in its neighbourhood.
    LeftOut,
}

/// A segment with its neighbours against the expectation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalFinding {
    /// Encounters on the segment and its neighbours, mean over draws.
    pub count: f64,
    /// Encounters expected there.
    pub expected: f64,
    /// (count - expected) / standard deviation under the null, mean over draws.
    pub z_score: f64,
    /// On which side of its expectation the count lies.
    pub side: Side,
    /// Two-sided p-value: twice the smaller of the two mean tails.
    pub p_value: f64,
    /// Benjamini and Hochberg's adjusted p-value over all that were looked at.
    pub q_value: f64,
}

/// What local Moran's I says of a segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SegmentMoran {
    /// It was tested.
    Tested(LocalMoranFinding),
    /// It is not looked at, or has no neighbour that is.
    LeftOut,
}

/// A segment's residual times that of its neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalMoranFinding {
    /// (n - λE) of the segment times the sum of (n - λE) of its neighbours, mean over draws, encounters squared.
    pub statistic: f64,
    /// Which sides of their expectations the segment and its neighbours lie on.
    pub quadrant: Quadrant,
    /// Two-sided p-value.
    pub p_value: f64,
    /// Benjamini and Hochberg's adjusted p-value over all that were looked at.
    pub q_value: f64,
}

/// Gi* of every segment under the exposure null: the count of a segment and its neighbours, less what their exposure
/// lets expect.
///
/// With weights of one the count is binomial (beta-binomial where encounters come in clumps), so its tails are exact and
/// nothing is drawn; q-values can therefore reach any level whatever the number of segments. Neighbours that are not
/// looked at are left out of the neighbourhood. See [`crate::analysis::clusters`] for how draws are pooled.
///
/// # Errors
/// [`ClusterError::NotBinary`] for any weight but one, [`ClusterError::Lengths`] for weights of other segments.
///
/// # References
/// Ord, J. K. & Getis, A. (1995). *Geographical Analysis* 27, 286-306, for the statistic; its null there lets values lie
/// anywhere, which uneven exposure contradicts.
pub fn gi_star(null: &Null<'_>, weights: &Weights) -> Result<Vec<SegmentFinding>, ClusterError> {
    check(null, weights)?;
    let segments = 0..weights.n_sites();
    let mut found: Vec<SegmentFinding> =
        segments.into_par_iter().map(|segment| neighbourhood(null, weights, segment)).collect();
    adjust(&mut [&mut found]);
    Ok(found)
}

fn neighbourhood(null: &Null<'_>, weights: &Weights, segment: usize) -> SegmentFinding {
    if !null.evidence.is_looked_at[segment] {
        return SegmentFinding::LeftOut;
    }
    let members = || weights.neighbours(segment).iter().copied().chain([segment]);
    let (mut less, mut greater, mut z_sum) = (0.0, 0.0, 0.0);
    for draw in 0..null.n_draws {
        let (count, share) = null.in_draw(draw, members());
        let law = null.law(draw, share);
        let tails = law.tails(count);
        less += tails.less;
        greater += tails.greater;
        let variance = law.variance();
        if variance > 0.0 {
            z_sum += (count as f64 - law.mean()) / variance.sqrt();
        }
    }
    let n = null.n_draws as f64;
    let members: Vec<usize> = members().collect();
    let (count, expected) = (null.count(&members), null.expected(&members));
    if expected <= 0.0 {
        return SegmentFinding::LeftOut;
    }
    SegmentFinding::Tested(LocalFinding {
        count,
        expected,
        z_score: z_sum / n,
        side: if greater <= less { Side::More } else { Side::Fewer },
        p_value: permutation::two_sided(greater / n, less / n),
        q_value: 1.0,
    })
}

/// Local Moran's I of every segment under the exposure null.
///
/// The statistic is (n - λE) of the segment times the sum of (n - λE) of its neighbours. Given the segment's count the
/// neighbours' is binomial again (or beta-binomial), so the tail of the product is an exact sum over the counts that the
/// segment may have. Two-sided: a large product means like neighbours, a small one unlike neighbours. At most 20 draws,
/// evenly spaced, are pooled.
///
/// # Errors
/// As [`gi_star`].
///
/// # References
/// Anselin, L. (1995). Local indicators of spatial association: LISA. *Geographical Analysis* 27, 93-115.
pub fn local_moran(null: &Null<'_>, weights: &Weights) -> Result<Vec<SegmentMoran>, ClusterError> {
    check(null, weights)?;
    let segments = 0..weights.n_sites();
    let mut found: Vec<SegmentMoran> =
        segments.into_par_iter().map(|segment| product(null, weights, segment)).collect();
    adjust(&mut [&mut found]);
    Ok(found)
}

fn product(null: &Null<'_>, weights: &Weights, segment: usize) -> SegmentMoran {
    let neighbours = weights.neighbours(segment);
    let has_neighbours = neighbours.iter().any(|other| null.evidence.is_looked_at[*other]);
    if !null.evidence.is_looked_at[segment] || !has_neighbours {
        return SegmentMoran::LeftOut;
    }
    let n_pooled = null.n_draws.min(MORAN_DRAWS);
    let (mut less, mut greater, mut statistic) = (0.0, 0.0, 0.0);
    for pooled in 0..n_pooled {
        let draw = pooled * null.n_draws / n_pooled;
        let own = null.in_draw(draw, std::iter::once(segment));
        let around = null.in_draw(draw, neighbours.iter().copied());
        let tails = product_tails(null, draw, own, around);
        statistic += tails.0;
        less += tails.1;
        greater += tails.2;
    }
    let n = n_pooled as f64;
    let is_more = |segments: &[usize]| null.count(segments) > null.expected(segments);
    let quadrant = match (is_more(&[segment]), is_more(neighbours)) {
        (true, true) => Quadrant::HighHigh,
        (false, true) => Quadrant::LowHigh,
        (false, false) => Quadrant::LowLow,
        (true, false) => Quadrant::HighLow,
    };
    SegmentMoran::Tested(LocalMoranFinding {
        statistic: statistic / n,
        quadrant,
        p_value: permutation::two_sided(greater / n, less / n),
        q_value: 1.0,
    })
}

/// The product with P(product <= seen) and P(product >= seen), from the counts and shares of a segment and its neighbours.
fn product_tails(
    null: &Null<'_>,
    draw: usize,
    (own, own_share): (u64, f64),
    (around, around_share): (u64, f64),
) -> (f64, f64, f64) {
    let total = null.total(draw);
    let law = null.law(draw, own_share);
    let (own_mean, around_mean) = (total as f64 * own_share, total as f64 * around_share);
    let seen = (own as f64 - own_mean) * (around as f64 - around_mean);
    let slack = TIE_SLACK * (1.0 + seen.abs());
    let (mut less, mut greater) = (0.0, 0.0);
    for (count, probability) in law.support(NEGLIGIBLE) {
        let deviation = count as f64 - own_mean;
        let rest = given(&law, count, own_share, around_share);
        // At a deviation of zero the product is zero whatever the neighbours have.
        let at_least = |threshold: f64| match threshold.ceil() {
            least if least <= 0.0 => 1.0,
            least => rest.tails(least as u64).greater,
        };
        let at_most = |threshold: f64| match threshold.floor() {
            most if most < 0.0 => 0.0,
            most => rest.tails(most as u64).less,
        };
        let lower = around_mean + (seen - slack) / deviation;
        let upper = around_mean + (seen + slack) / deviation;
        let (ge, le) = if deviation > 0.0 {
            (at_least(lower), at_most(upper))
        } else if deviation < 0.0 {
            (at_most(lower), at_least(upper))
        } else {
            (f64::from(u8::from(seen - slack <= 0.0)), f64::from(u8::from(seen + slack >= 0.0)))
        };
        greater += probability * ge;
        less += probability * le;
    }
    (seen, less.min(1.0), greater.min(1.0))
}

/// The count of the neighbours when the segment itself has `count` of all encounters.
fn given(law: &CountLaw, count: u64, own_share: f64, around_share: f64) -> CountLaw {
    let left = law.total() - count;
    match *law {
        CountLaw::Binomial { .. } => {
            CountLaw::Binomial { total: left, share: (around_share / (1.0 - own_share)).clamp(0.0, 1.0) }
        }
        CountLaw::BetaBinomial { inside, outside, .. } => {
            let size = (inside + outside) * around_share;
            CountLaw::BetaBinomial { total: left, inside: size, outside: (outside - size).max(0.0) }
        }
    }
}

/// A finding among those that are adjusted together.
pub trait Together {
    /// Its p-value; none when it was not tested.
    fn p_value(&self) -> Option<f64>;
    /// Takes its q-value.
    fn set_q_value(&mut self, q_value: f64);
}

impl Together for SegmentFinding {
    fn p_value(&self) -> Option<f64> {
        match self {
            Self::Tested(finding) => Some(finding.p_value),
            Self::LeftOut => None,
        }
    }

    fn set_q_value(&mut self, q_value: f64) {
        if let Self::Tested(finding) = self {
            finding.q_value = q_value;
        }
    }
}

impl Together for SegmentMoran {
    fn p_value(&self) -> Option<f64> {
        match self {
            Self::Tested(finding) => Some(finding.p_value),
            Self::LeftOut => None,
        }
    }

    fn set_q_value(&mut self, q_value: f64) {
        if let Self::Tested(finding) = self {
            finding.q_value = q_value;
        }
    }
}

/// Benjamini and Hochberg's adjustment over all segments of all periods that were looked at, one list a period.
///
/// What was not tested takes no part. One list is the adjustment over segments alone.
pub fn adjust<T: Together>(periods: &mut [&mut Vec<T>]) {
    let tested = periods.iter().flat_map(|period| period.iter()).filter_map(Together::p_value);
    let p_values: Vec<f64> = tested.map(|p| p.clamp(0.0, 1.0)).collect();
    // Every value lies in [0, 1] by now.
    let Ok(q_values) = benjamini_hochberg(&p_values) else { return };
    let findings = periods.iter_mut().flat_map(|period| period.iter_mut());
    findings
        .filter(|finding| finding.p_value().is_some())
        .zip(q_values)
        .for_each(|(finding, q)| finding.set_q_value(q));
}

fn check(null: &Null<'_>, weights: &Weights) -> Result<(), ClusterError> {
    let (got, expected) = (weights.n_sites(), null.mean_counts.len());
    if got != expected {
        return Err(ClusterError::Lengths { what: "rows of the weights", got, expected });
    }
    for segment in 0..got {
        for (neighbour, weight) in weights.row(segment) {
            if weight != 1.0 {
                return Err(ClusterError::NotBinary { segment, neighbour, weight });
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::clusters::Evidence;
    use crate::analysis::rates::CountDraws;
    use crate::analysis::rates::ExposureDraws;

    fn row(n: usize) -> Weights {
        let list = |at: usize| [at.checked_sub(1), Some(at + 1).filter(|next| *next < n)];
        Weights::binary(&(0..n).map(|at| list(at).into_iter().flatten().collect()).collect::<Vec<_>>())
            .unwrap()
    }

    fn finding(found: &[SegmentFinding], segment: usize) -> LocalFinding {
        match found[segment] {
            SegmentFinding::Tested(finding) => finding,
            SegmentFinding::LeftOut => panic!("left out"),
        }
    }

    /// Four segments with exposures 1, 1, 2, 4 and counts 3, 1, 0, 0: of four encounters, all lie on the first two, whose
    /// share is 1/4: P = (1/4)^4 = 1/256, twice that two-sided. Segment 3 with segment 2: share 3/4, none of four.
    #[test]
    fn gi_star_by_hand() {
        let counts = CountDraws::certain(vec![3, 1, 0, 0]);
        let exposure = ExposureDraws::certain(vec![1.0, 1.0, 2.0, 4.0]);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 4] };
        let null = Null::new(evidence, 1.0).unwrap();
        let found = gi_star(&null, &row(4)).unwrap();
        let first = finding(&found, 0);
        assert_eq!((first.count, first.expected, first.side), (4.0, 1.0, Side::More));
        assert!((first.p_value - 2.0 / 256.0).abs() < 1e-12);
        // (4 - 1) / √(4 × 1/4 × 3/4).
        assert!((first.z_score - 3.0 / 0.75f64.sqrt()).abs() < 1e-12);
        let last = finding(&found, 3);
        assert_eq!(last.side, Side::Fewer);
        assert!((last.p_value - 2.0 / 256.0).abs() < 1e-12);
        // Segments 0 to 2 hold four of four at a share of 1/2: twice 1/16. Two of four at 2/256, then 2/16 twice.
        assert!((finding(&found, 1).p_value - 0.125).abs() < 1e-12);
        assert!((first.q_value - 4.0 / 256.0).abs() < 1e-12);
    }

    #[test]
    fn tails_are_pooled_over_draws_and_assumed_walking_is_left_out() {
        // Twice the same exposure of what is looked at, but the record lies on either of two segments.
        let counts = CountDraws { n_draws: 2, n_units: 3, counts: vec![2, 0, 9, 1, 1, 9] };
        let exposure = ExposureDraws::certain(vec![1.0, 3.0, 0.1]);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true, true, false] };
        let alone = Weights::binary(&[vec![2], vec![], vec![0]]).unwrap();
        let null = Null::new(evidence, 1.0).unwrap();
        let found = gi_star(&null, &alone).unwrap();
        // P(X >= 2) = 1/16, P(X >= 1) = 7/16: mean 1/4.
        let first = finding(&found, 0);
        assert!((first.p_value - 0.5).abs() < 1e-12 && (first.count - 1.5).abs() < 1e-12);
        assert_eq!(found[2], SegmentFinding::LeftOut);
    }

    /// Every outcome of four encounters on a segment, its neighbours and the rest, each with its probability.
    #[test]
    fn local_moran_agrees_with_every_outcome() {
        for (counts, factor) in [
            (vec![2, 1, 1, 0], 1.0),
            (vec![0, 3, 0, 1], 1.0),
            (vec![1, 1, 0, 2], 1.0),
            (vec![2, 1, 0, 1], 1.8),
        ] {
            let kilometres = [1.0, 2.0, 1.0, 4.0];
            let shares = kilometres.map(|km| km / 8.0);
            let (counts, exposure) =
                (CountDraws::certain(counts), ExposureDraws::certain(kilometres.to_vec()));
            let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 4] };
            let null = Null::new(evidence, factor).unwrap();
            let found = local_moran(&null, &row(4)).unwrap();
            let SegmentMoran::Tested(first) = found[0] else { panic!("left out") };
            let product = |own: u64, next: u64| (own as f64 - 0.5) * (next as f64 - 1.0);
            let seen = product(u64::from(counts.counts[0]), u64::from(counts.counts[1]));
            let (mut less, mut greater) = (0.0, 0.0);
            for own in 0..=4u64 {
                for next in 0..=4 - own {
                    let law = CountLaw::new(4, shares[0], factor);
                    let p = law.point(own) * given(&law, own, shares[0], shares[1]).point(next);
                    less += if product(own, next) <= seen + 1e-9 { p } else { 0.0 };
                    greater += if product(own, next) >= seen - 1e-9 { p } else { 0.0 };
                }
            }
            let expected = permutation::two_sided(greater, less);
            assert!((first.p_value - expected).abs() < 1e-9, "{factor} {} {expected}", first.p_value);
            assert!((first.statistic - seen).abs() < 1e-12);
        }
    }

    #[test]
    fn periods_are_adjusted_together() {
        let tested = |p_value: f64| {
            SegmentFinding::Tested(LocalFinding {
                count: 1.0,
                expected: 1.0,
                z_score: 0.0,
                side: Side::More,
                p_value,
                q_value: 1.0,
            })
        };
        let (mut spring, mut autumn) =
            (vec![tested(0.01), SegmentFinding::LeftOut], vec![tested(0.5), tested(0.04)]);
        adjust(&mut [&mut spring, &mut autumn]);
        assert!((finding(&spring, 0).q_value - 0.03).abs() < 1e-12);
        assert!((finding(&autumn, 1).q_value - 0.06).abs() < 1e-12);
    }

    #[test]
    fn other_weights_are_refused() {
        let counts = CountDraws::certain(vec![1, 1]);
        let exposure = ExposureDraws::certain(vec![1.0, 1.0]);
        let evidence = Evidence { counts: &counts, exposure: &exposure, is_looked_at: &[true; 2] };
        let null = Null::new(evidence, 1.0).unwrap();
        let half = Weights::from_lists(&[vec![(1, 0.5)], vec![]]).unwrap();
        assert!(matches!(gi_star(&null, &half), Err(ClusterError::NotBinary { segment: 0, .. })));
        assert!(matches!(gi_star(&null, &row(3)), Err(ClusterError::Lengths { .. })));
    }
}
