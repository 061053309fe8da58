//! Exact Poisson limits remembered by count.

use std::collections::HashMap;

use crate::analysis::counts::poisson::limits_beyond;
use crate::analysis::counts::{InvalidLevel, half_alpha};

/// Counts below this are kept in a plain list: at 24 bytes a count, at most 1.5 MB.
const DENSE_COUNTS: u64 = 65_536;

/// Exact Poisson limits at one confidence level, each count computed once.
///
/// Limits depend on the count alone, so that a million segments with a few dozen distinct counts need a few dozen
/// computations.
#[derive(Debug, Clone)]
pub struct PoissonLimitsTable {
    beyond: f64,
    dense: Vec<Option<(f64, f64)>>,
    sparse: HashMap<u64, (f64, f64)>,
}

impl PoissonLimitsTable {
    /// An empty table for a confidence level.
    ///
    /// # Errors
    /// [`InvalidLevel`] when `level` is not strictly between 0 and 1.
    pub fn new(level: f64) -> Result<Self, InvalidLevel> {
        Ok(Self { beyond: half_alpha(level)?, dense: Vec::new(), sparse: HashMap::new() })
    }

    /// The limits of a count, as [`poisson_limits`](crate::analysis::counts::poisson_limits) gives them.
    pub fn limits(&mut self, count: u64) -> (f64, f64) {
        let beyond = self.beyond;
        if count >= DENSE_COUNTS {
            return *self.sparse.entry(count).or_insert_with(|| limits_beyond(count, beyond));
        }
        let idx = count as usize;
        if idx >= self.dense.len() {
            // Doubling, so that rising counts do not copy the list each time.
            self.dense.resize((idx + 1).next_power_of_two(), None);
        }
        *self.dense[idx].get_or_insert_with(|| limits_beyond(count, beyond))
    }

    /// The limits of every count, in order.
    pub fn limits_of(&mut self, counts: &[u64]) -> Vec<(f64, f64)> {
        counts.iter().map(|&count| self.limits(count)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::counts::poisson_limits;

    #[test]
    fn remembers_what_the_function_says() {
        let mut table = PoissonLimitsTable::new(0.9).unwrap();
        let counts = [3, 0, 3, 70_000, 12, 70_000, 65_535, 65_536];
        let expected: Vec<_> = counts.iter().map(|&count| poisson_limits(count, 0.9).unwrap()).collect();
        assert_eq!(table.limits_of(&counts), expected);
        assert_eq!(table.limits_of(&counts), expected);
    }
}
