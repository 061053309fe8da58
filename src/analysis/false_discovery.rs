//! Adjusting p-values for looking in many places.

/// A p-value is not a probability.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("p-value {idx} is {p_value}, but must lie in [0, 1]")]
pub struct InvalidPValue {
    /// Its position in the input.
    pub idx: usize,
    /// The value.
    pub p_value: f64,
}

/// Benjamini and Hochberg's adjusted p-values, in the order of the input.
///
/// Calling what has an adjusted value at most `q` a discovery keeps the expected share of false ones at `q`, for
/// independent or positively dependent tests. Tied p-values get tied values; an empty list gives an empty list.
///
/// # Errors
/// [`InvalidPValue`] when a value is outside [0, 1], NaN included.
///
/// # References
/// Benjamini, Y. & Hochberg, Y. (1995). Controlling the false discovery rate. *Journal of the Royal Statistical Society B*
/// 57, 289-300.
pub fn benjamini_hochberg(p_values: &[f64]) -> Result<Vec<f64>, InvalidPValue> {
    let order = rising_order(p_values)?;
    let n = p_values.len() as f64;
    let mut adjusted = vec![0.0; p_values.len()];
    let mut least = 1.0f64;
    // From the largest p-value down, so that no smaller one is adjusted above a larger one.
    for (rank, &idx) in order.iter().enumerate().rev() {
        least = least.min(p_values[idx] * (n / (rank as f64 + 1.0)));
        adjusted[idx] = least;
    }
    Ok(adjusted)
}

/// Holm's adjusted p-values, in the order of the input.
///
/// Rejecting what has an adjusted value at most `alpha` keeps the chance of any false rejection at `alpha`, however the
/// tests depend on each other.
///
/// # Errors
/// [`InvalidPValue`] when a value is outside [0, 1], NaN included.
///
/// # References
/// Holm, S. (1979). A simple sequentially rejective multiple test procedure. *Scandinavian Journal of Statistics* 6,
/// 65-70.
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, InvalidPValue> {
    let order = rising_order(p_values)?;
    let n = p_values.len();
    let mut adjusted = vec![0.0; n];
    let mut most = 0.0f64;
    for (rank, &idx) in order.iter().enumerate() {
        most = most.max((p_values[idx] * (n - rank) as f64).min(1.0));
        adjusted[idx] = most;
    }
    Ok(adjusted)
}

fn rising_order(p_values: &[f64]) -> Result<Vec<usize>, InvalidPValue> {
    if let Some((idx, &p_value)) =
        p_values.iter().enumerate().find(|(_, p_value)| !(0.0..=1.0).contains(*p_value))
    {
        return Err(InvalidPValue { idx, p_value });
    }
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|&left, &right| p_values[left].total_cmp(&p_values[right]));
    Ok(order)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(got: Vec<f64>, expected: &[f64]) {
        assert_eq!(got.len(), expected.len());
        for (got, expected) in got.iter().zip(expected) {
            assert!((got - expected).abs() < 1e-12, "got {got}, expected {expected}");
        }
    }

    #[test]
    fn published_and_computed_adjustments() {
        // Documentation of stdlib's stats/padjust, method "bh".
        check(benjamini_hochberg(&[0.008, 0.03, 0.123, 0.6, 0.2]).unwrap(), &[0.04, 0.075, 0.205, 0.6, 0.25]);
        // statsmodels 0.15.0 multipletests(method = "fdr_bh"), equal to R p.adjust(method = "BH").
        check(
            benjamini_hochberg(&[0.02, 0.02, 0.5, 0.02, 0.5, 0.001]).unwrap(),
            &[0.03, 0.03, 0.5, 0.03, 0.5, 0.006],
        );
        check(benjamini_hochberg(&[0.0, 1.0, 1.0, 0.0, 0.2]).unwrap(), &[0.0, 1.0, 1.0, 0.0, 1.0 / 3.0]);
        check(benjamini_hochberg(&[]).unwrap(), &[]);
    }

    #[test]
    fn holm_by_hand() {
        // Sorted 0.01, 0.02, 0.03, 0.04 times 4, 3, 2, 1, then the running maximum.
        check(holm(&[0.04, 0.01, 0.03, 0.02]).unwrap(), &[0.06, 0.04, 0.06, 0.06]);
        check(holm(&[0.9, 0.8]).unwrap(), &[1.0, 1.0]);
    }

    #[test]
    fn what_is_no_probability_is_refused() {
        assert!(matches!(benjamini_hochberg(&[0.1, f64::NAN]), Err(InvalidPValue { idx: 1, .. })));
        assert!(holm(&[1.1]).is_err());
    }

    proptest! {
        #[test]
        fn adjusting_keeps_the_order_and_only_raises(p in prop::collection::vec(0.0..=1.0f64, 1..40)) {
            for adjusted in [benjamini_hochberg(&p).unwrap(), holm(&p).unwrap()] {
                for i in 0..p.len() {
                    prop_assert!(adjusted[i] >= p[i] - 1e-15 && adjusted[i] <= 1.0);
                    for j in 0..p.len() {
                        prop_assert!(p[i] > p[j] || adjusted[i] <= adjusted[j]);
                    }
                }
            }
        }
    }
}
