//! Randomisation test: under no effect each difference could as well have had the other sign.

use rand::RngExt;

use crate::analysis::random::{seed_of, stream};

/// All ways of flipping are tried below so many differences.
pub const EXACT_BELOW: usize = 20;
/// Flips drawn from there on.
const N_DRAWN: u64 = 9_999;
/// Sums this close, relative to the largest possible, count as tied.
const TIE: f64 = 1e-9;

/// Result of the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FlipTest {
    /// Two-sided p-value.
    Tested {
        /// Share of flips with a sum at least as far from zero, the observed one included.
        p_value: f64,
        /// Whether all flips were tried.
        method: FlipMethod,
    },
    /// There is no difference other than zero to flip.
    NothingToFlip,
}

/// How flips were chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlipMethod {
    /// All of them.
    Exact,
    /// So many drawn with the seed.
    Drawn(u64),
}

/// Tests whether differences sum to zero, by flipping their signs: exact below [`EXACT_BELOW`], else drawn with the seed.
///
/// Fewer than six differences can never give a p-value of 0.05 or less.
///
/// # References
/// Fisher, R. A. (1935). *The Design of Experiments*, section 21; Phipson, B. & Smyth, G. K. (2010). *Statistical
/// Applications in Genetics and Molecular Biology* 9, 39, for `(M + 1) / (R + 1)`.
pub fn flip_test(differences: &[f64], seed: u64) -> FlipTest {
    let sizes: Vec<f64> = differences.iter().copied().filter(|d| *d != 0.0).collect();
    let largest: f64 = sizes.iter().map(|d| d.abs()).sum();
    if sizes.is_empty() || !largest.is_finite() {
        return FlipTest::NothingToFlip;
    }
    let observed = sizes.iter().sum::<f64>().abs() - TIE * largest;
    if sizes.len() < EXACT_BELOW {
        let n = 1u64 << sizes.len();
        let p_value = as_far(&sizes, observed) as f64 / n as f64;
        return FlipTest::Tested { p_value, method: FlipMethod::Exact };
    }
    let seed = seed_of(seed, "flipped signs");
    let is_as_far = |draw: &u64| {
        let mut rng = stream(seed, *draw);
        let sum: f64 = sizes.iter().map(|d| if rng.random::<bool>() { *d } else { -d }).sum();
        sum.abs() >= observed
    };
    let n_as_far = (0..N_DRAWN).filter(is_as_far).count();
    let p_value = (n_as_far as f64 + 1.0) / (N_DRAWN as f64 + 1.0);
    FlipTest::Tested { p_value, method: FlipMethod::Drawn(N_DRAWN) }
}

/// How many of all flips have a sum at least that far from zero. Gray code: each flip changes one sign.
fn as_far(sizes: &[f64], observed: f64) -> u64 {
    let n = 1u64 << sizes.len();
    let mut signed: Vec<f64> = sizes.to_vec();
    let mut n_as_far = 0;
    let mut sum: f64 = signed.iter().sum();
    for step in 1..=n {
        n_as_far += u64::from(sum.abs() >= observed);
        if step == n {
            break;
        }
        let flipped = step.trailing_zeros() as usize;
        sum -= 2.0 * signed[flipped];
        signed[flipped] = -signed[flipped];
    }
    n_as_far
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn p_value(differences: &[f64]) -> f64 {
        match flip_test(differences, 1) {
            FlipTest::Tested { p_value, .. } => p_value,
            FlipTest::NothingToFlip => panic!("nothing to flip"),
        }
    }

    #[test]
    fn small_tests_by_hand() {
        // Of the eight flips of 1, 2, 3 only all plus and all minus sum to 6 or -6.
        assert_eq!(p_value(&[1.0, 2.0, 3.0]), 0.25);
        // 1 + 2 - 3 = 0: every flip is as far.
        assert_eq!(p_value(&[1.0, 2.0, -3.0]), 1.0);
        assert_eq!(p_value(&[1.0; 5]), 2.0 / 32.0);
        assert_eq!(p_value(&[1.0; 6]), 2.0 / 64.0);
        assert_eq!(flip_test(&[0.0, 0.0], 1), FlipTest::NothingToFlip);
    }

    #[test]
    fn darwins_plants() {
        // Fisher (1935), section 21: 15 differences in eighths of an inch, sum 314; 1,726 of 32,768 flips are as far.
        let darwin = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48].map(f64::from);
        let expected = 1726.0 / 32768.0;
        assert!((p_value(&darwin) - expected).abs() < 1e-12, "{}", p_value(&darwin));
    }

    #[test]
    fn drawn_flips_agree_with_all_of_them() {
        let few: Vec<f64> = (0..19).map(|idx| f64::from(idx % 7) - 1.8).collect();
        let mut more = few.clone();
        more.extend([1e-12; 1]);
        assert!((p_value(&few) - p_value(&more)).abs() < 0.02);
        assert!(matches!(flip_test(&more, 1), FlipTest::Tested { method: FlipMethod::Drawn(_), .. }));
        assert_eq!(flip_test(&more, 5), flip_test(&more, 5));
    }

    proptest! {
        #[test]
        fn order_side_and_scale_do_not_matter(differences in prop::collection::vec(-9i32..9, 1..10), scale in 0.1f64..10.0) {
            let plain: Vec<f64> = differences.iter().map(|d| f64::from(*d)).collect();
            let mut other: Vec<f64> = plain.iter().map(|d| -scale * d).collect();
            other.reverse();
            match (flip_test(&plain, 1), flip_test(&other, 1)) {
                (FlipTest::Tested { p_value, .. }, FlipTest::Tested { p_value: same, .. }) => {
                    prop_assert!((p_value - same).abs() < 1e-12);
                    prop_assert!(p_value > 0.0 && p_value <= 1.0);
                }
                (one, same) => prop_assert_eq!(one, same),
            }
        }
    }
}
