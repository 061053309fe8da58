//! Stretches: neighbouring segments of a trail, joined until their records can say something.

use std::ops::Range;

use crate::analysis::rates::input::{CountDraws, ExposureDraws, Provenance, RateError, check_positive};

/// Segments of one trail joined into one unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// Index of the trail run.
    pub trail_run: usize,
    /// Its segments in the order of the run.
    pub segments: Vec<usize>,
}

/// Joins neighbouring segments of each trail run until the expected count reaches a threshold (3 by default elsewhere).
///
/// `trail_runs` are ordered runs of segments; `expected` is the expected count by segment, exposure times reference
/// rate, finite and at least zero. Each run is cut into as many stretches as can all reach the threshold; of those
/// cuts the one with the most even expected counts is taken (least sum of squares), so nothing is left over. A run that
/// cannot reach the threshold at all is one stretch; an empty run gives none. Stretches come in the order of the runs.
///
/// # Errors
/// [`RateError`] when the threshold is not above zero, an expected count is invalid, or a run names a segment that
/// `expected` does not hold.
pub fn merge_stretches(
    trail_runs: &[Vec<usize>],
    expected: &[f64],
    threshold: f64,
) -> Result<Vec<Stretch>, RateError> {
    check_positive("the expected count of a stretch", threshold)?;
    if let Some(&value) = expected.iter().find(|value| !value.is_finite() || **value < 0.0) {
        let allowed = "finite and at least 0";
        return Err(RateError::Parameter { name: "an expected count", value, allowed });
    }
    let mut stretches = Vec::new();
    for (trail_run, segments) in trail_runs.iter().enumerate() {
        check_segments(segments, expected.len())?;
        let sums = running_sums(segments, expected);
        let groups = most_even_groups(&sums, threshold);
        let joined =
            groups.into_iter().map(|group| Stretch { trail_run, segments: segments[group].to_vec() });
        stretches.extend(joined);
    }
    Ok(stretches)
}

/// Counts by stretch: the sums over its segments, draw by draw.
///
/// # Errors
/// [`RateError`] when the counts' shape is wrong or a stretch names a segment they do not hold.
pub fn stretch_counts(stretches: &[Stretch], counts: &CountDraws) -> Result<CountDraws, RateError> {
    counts.check()?;
    check_stretches(stretches, counts.n_units)?;
    let sum = |row: &[u32], stretch: &Stretch| stretch.segments.iter().map(|&segment| row[segment]).sum();
    let rows = (0..counts.n_draws).map(|draw| counts.row(draw));
    let sums = rows.flat_map(|row| stretches.iter().map(move |stretch| sum(row, stretch))).collect();
    Ok(CountDraws { n_draws: counts.n_draws, n_units: stretches.len(), counts: sums })
}

/// Exposure by stretch in km walked: the sums over its segments, draw by draw.
///
/// # Errors
/// [`RateError`] when the exposure's shape or a value is wrong or a stretch names a segment it does not hold.
pub fn stretch_exposure(stretches: &[Stretch], exposure: &ExposureDraws) -> Result<ExposureDraws, RateError> {
    exposure.check()?;
    check_stretches(stretches, exposure.n_units)?;
    let sum = |row: &[f64], stretch: &Stretch| stretch.segments.iter().map(|&segment| row[segment]).sum();
    let rows = (0..exposure.n_draws).map(|draw| exposure.row(draw));
    let sums = rows.flat_map(|row| stretches.iter().map(move |stretch| sum(row, stretch))).collect();
    Ok(ExposureDraws { n_draws: exposure.n_draws, n_units: stretches.len(), party_km: sums })
}

/// Provenance by stretch: the weakest among its walked segments; `NotWalked` where none was walked.
///
/// # Errors
/// [`RateError::Units`] when a stretch names a segment without provenance.
pub fn stretch_provenance(
    stretches: &[Stretch],
    provenance: &[Provenance],
) -> Result<Vec<Provenance>, RateError> {
    check_stretches(stretches, provenance.len())?;
    let weakest = |stretch: &Stretch| {
        let walked = stretch.segments.iter().map(|&s| provenance[s]).filter(|&p| p != Provenance::NotWalked);
        walked.max().unwrap_or(Provenance::NotWalked)
    };
    Ok(stretches.iter().map(weakest).collect())
}

fn check_stretches(stretches: &[Stretch], n_segments: usize) -> Result<(), RateError> {
    stretches.iter().try_for_each(|stretch| check_segments(&stretch.segments, n_segments))
}

fn check_segments(segments: &[usize], n_segments: usize) -> Result<(), RateError> {
    match segments.iter().find(|&&segment| segment >= n_segments) {
        Some(&segment) => {
            Err(RateError::Units { what: "a trail run", found: segment + 1, expected: n_segments })
        }
        None => Ok(()),
    }
}

fn running_sums(segments: &[usize], expected: &[f64]) -> Vec<f64> {
    let mut sums = vec![0.0];
    let mut sum = 0.0;
    for &segment in segments {
        sum += expected[segment];
        sums.push(sum);
    }
    sums
}

/// The best cut of a prefix: most groups first, then least sum of squares.
#[derive(Debug, Clone, Copy)]
struct Cut {
    n_groups: usize,
    sum_of_squares: f64,
    start: usize,
}

/// Cuts a run, given the running sums of its expected counts, into groups of positions.
///
/// Dynamic programming over prefixes. A group that could itself be cut in two that both reach the threshold is never
/// part of the answer, so only short groups are tried.
fn most_even_groups(sums: &[f64], threshold: f64) -> Vec<Range<usize>> {
    let n_segments = sums.len() - 1;
    let enough = |start: usize, end: usize| sums[end] - sums[start] >= threshold;
    let mut best: Vec<Option<Cut>> = vec![Some(Cut { n_groups: 0, sum_of_squares: 0.0, start: 0 })];
    for end in 1..=n_segments {
        let latest = (0..end).rev().find(|&start| enough(start, end));
        let mut cut: Option<Cut> = None;
        for start in (0..=latest.unwrap_or(0)).rev().take_while(|_| latest.is_some()) {
            if latest.is_some_and(|latest| start < latest && enough(start, latest)) {
                break;
            }
            let Some(before) = best[start] else { continue };
            let n_groups = before.n_groups + 1;
            let sum_of_squares = before.sum_of_squares + (sums[end] - sums[start]).powi(2);
            let better = cut.is_none_or(|cut| {
                n_groups > cut.n_groups || (n_groups == cut.n_groups && sum_of_squares < cut.sum_of_squares)
            });
            if better {
                cut = Some(Cut { n_groups, sum_of_squares, start });
            }
        }
        best.push(cut);
    }
    let mut groups = Vec::new();
    let mut end = n_segments;
    while end > 0 {
        // A run that cannot reach the threshold has no cut at its end and stays whole.
        let start = best[end].map_or(0, |cut| cut.start);
        groups.push(start..end);
        end = start;
    }
    groups.reverse();
    groups
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lengths(expected: &[f64]) -> Vec<usize> {
        let run: Vec<usize> = (0..expected.len()).collect();
        let stretches = merge_stretches(&[run], expected, 3.0).unwrap();
        stretches.iter().map(|stretch| stretch.segments.len()).collect()
    }

    #[test]
    fn cuts_evenly_and_leaves_nothing_over() {
        assert_eq!(lengths(&[1.0; 9]), [3, 3, 3]);
        assert_eq!(lengths(&[1.0; 8]), [4, 4]);
        assert_eq!(lengths(&[1.0; 11]), [4, 4, 3]);
        assert_eq!(lengths(&[5.0, 7.0, 3.0]), [1, 1, 1]);
        assert_eq!(lengths(&[10.0, 1.0, 1.0, 1.0, 10.0]), [1, 3, 1]);
        assert_eq!(lengths(&[0.5; 4]), [4]);
        assert_eq!(lengths(&[4.0, 0.1, 0.1]), [3]);
        assert_eq!(lengths(&[0.0; 3]), [3]);
        assert!(lengths(&[]).is_empty());
    }

    #[test]
    fn sums_follow_the_stretches() {
        let stretches =
            [Stretch { trail_run: 0, segments: vec![2, 0] }, Stretch { trail_run: 1, segments: vec![1] }];
        let counts = CountDraws { n_draws: 2, n_units: 3, counts: vec![1, 2, 3, 4, 5, 6] };
        assert_eq!(stretch_counts(&stretches, &counts).unwrap().counts, [4, 2, 10, 5]);
        let exposure = ExposureDraws::certain(vec![1.0, 2.0, 4.0]);
        assert_eq!(stretch_exposure(&stretches, &exposure).unwrap().party_km, [5.0, 2.0]);
        let provenance = [Provenance::Assumed, Provenance::NotWalked, Provenance::Counted];
        assert_eq!(
            stretch_provenance(&stretches, &provenance).unwrap(),
            [Provenance::Assumed, Provenance::NotWalked]
        );
        let beyond = [Stretch { trail_run: 0, segments: vec![3] }];
        assert!(stretch_counts(&beyond, &counts).is_err());
    }

    /// Most groups that all reach the threshold, by taking each as soon as it does.
    fn most_groups(expected: &[f64]) -> usize {
        let (mut groups, mut sum) = (0, 0.0);
        for value in expected {
            sum += value;
            if sum >= 3.0 {
                (groups, sum) = (groups + 1, 0.0);
            }
        }
        groups.max(1)
    }

    proptest! {
        #[test]
        fn every_stretch_reaches_the_threshold(quarters in prop::collection::vec(0_u32..20, 1..60)) {
            // Quarters are exact in floating point, so sums have one value in any order.
            let expected: Vec<f64> = quarters.iter().map(|&q| f64::from(q) / 4.0).collect();
            let run: Vec<usize> = (0..expected.len()).collect();
            let stretches = merge_stretches(std::slice::from_ref(&run), &expected, 3.0).unwrap();
            let joined: Vec<usize> = stretches.iter().flat_map(|s| s.segments.clone()).collect();
            prop_assert_eq!(joined, run);
            prop_assert_eq!(stretches.len(), most_groups(&expected));
            if expected.iter().sum::<f64>() >= 3.0 {
                for stretch in &stretches {
                    prop_assert!(stretch.segments.iter().map(|&s| expected[s]).sum::<f64>() >= 3.0);
                }
            }
        }
    }
}
