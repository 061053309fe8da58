//! Permutation tails.
//!
//! Under conditional permutation a site keeps its value and its k neighbours are drawn from the other n - 1 sites
//! without replacement. The distribution of the sum of their values is found exactly where that is possible: by
//! counting every set, or, for values that are whole numbers, by adding up how many sets have each sum. Otherwise it is
//! sampled, and the p value is (1 + draws at least as extreme) / (1 + draws). Ties count as extreme on both sides.

use crate::analysis::random::{seed_of, stream};
use rand::Rng;
use rand::RngExt;

/// Most sets that are counted one by one; branches counted at once make this a matter of a second at most.
const ENUMERATION_LIMIT: f64 = 1e9;

/// Most additions spent on counting sets by their sum.
const COUNTING_LIMIT: f64 = 2e8;

/// Slack, relative to the values' size, within which two sums are a tie: summation order must not decide.
const TIE_SLACK: f64 = 1e-9;

/// The two tails of a permutation distribution at the observed value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tails {
    /// Probability of at least the observed value.
    pub p_greater: f64,
    /// Probability of at most the observed value.
    pub p_less: f64,
    /// How many sets (exact) or draws (sampled) it rests on.
    pub n_sets: f64,
    /// Whether every set was counted, or some were drawn.
    pub method: TailMethod,
}

/// How tails were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TailMethod {
    /// Over all sets: a probability, without the added one.
    Exact,
    /// Over random draws, as (1 + extreme) / (1 + draws).
    Sampled,
}

impl Tails {
    /// The two-sided p value: twice the smaller tail, at most one.
    pub fn two_sided(&self) -> f64 {
        two_sided(self.p_greater, self.p_less)
    }
}

/// Why permutation tails cannot be found.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidPermutation {
    /// The site, or one of its neighbours, does not exist.
    #[error("site {site} does not exist among {n_sites}")]
    NoSuchSite {
        /// The site named.
        site: usize,
        /// How many there are.
        n_sites: usize,
    },
    /// The site is its own neighbour.
    #[error("site {0} is its own neighbour")]
    OwnNeighbour(usize),
    /// A value is not finite.
    #[error("the value of site {0} is not finite")]
    Value(usize),
    /// There are too many sets to count, and the values are not small whole numbers.
    #[error("{n_sets} sets are too many to count")]
    TooManySets {
        /// How many sets there are.
        n_sets: f64,
    },
    /// No draws were asked for.
    #[error("no draws asked for")]
    NoDraws,
}

/// The Monte Carlo p value: (1 + extreme) / (1 + draws), never zero.
///
/// # References
/// Davison, A. C. & Hinkley, D. V. (1997). *Bootstrap Methods and their Application*, section 4.2.
pub fn monte_carlo_p(n_extreme: usize, n_draws: usize) -> f64 {
    (1.0 + n_extreme as f64) / (1.0 + n_draws as f64)
}

/// Twice the smaller tail, at most one.
pub fn two_sided(p_greater: f64, p_less: f64) -> f64 {
    (2.0 * p_greater.min(p_less)).min(1.0)
}

/// The tails of an observed statistic among draws of it under the null, ties extreme on both sides.
///
/// # Errors
/// [`InvalidPermutation::NoDraws`] when `draws` is empty.
pub fn tails_among(observed: f64, draws: &[f64]) -> Result<Tails, InvalidPermutation> {
    if draws.is_empty() {
        return Err(InvalidPermutation::NoDraws);
    }
    let slack = TIE_SLACK * draws.iter().fold(observed.abs(), |largest, draw| largest.max(draw.abs()));
    let n_greater = draws.iter().filter(|&&draw| draw >= observed - slack).count();
    let n_less = draws.iter().filter(|&&draw| draw <= observed + slack).count();
    Ok(Tails {
        p_greater: monte_carlo_p(n_greater, draws.len()),
        p_less: monte_carlo_p(n_less, draws.len()),
        n_sets: draws.len() as f64,
        method: TailMethod::Sampled,
    })
}

/// Exact tails of the sum of a site's neighbours' values under conditional permutation.
///
/// Serves Gi, Gi* and, with equal weights in the row, local Moran, whose tails are swapped where the site lies below
/// the mean. A site without neighbours has both tails one.
///
/// # Errors
/// [`InvalidPermutation`] for a site or value that is not usable, or when there are too many sets to count (over
/// a thousand million) and the values are not whole numbers; then [`sampled_tails`] remains.
pub fn exact_tails(values: &[f64], site: usize, neighbours: &[usize]) -> Result<Tails, InvalidPermutation> {
    let question = Question::new(values, site, neighbours)?;
    let n_sets = n_choose_k(question.others.len(), question.k);
    let tails = |greater: f64, less: f64, total: f64| Tails {
        p_greater: greater / total,
        p_less: less / total,
        n_sets,
        method: TailMethod::Exact,
    };
    if n_sets <= ENUMERATION_LIMIT {
        let (greater, less, total) = question.enumerate();
        return Ok(tails(greater, less, total));
    }
    match question.count_by_sum() {
        Some((greater, less, total)) => Ok(tails(greater, less, total)),
        None => Err(InvalidPermutation::TooManySets { n_sets }),
    }
}

/// Tails of the sum of a site's neighbours' values from `n_draws` random sets; draw i uses stream i of the seed.
///
/// # Errors
/// [`InvalidPermutation`] for a site or value that is not usable, or no draws.
pub fn sampled_tails(
    values: &[f64],
    site: usize,
    neighbours: &[usize],
    sampling: Sampling,
) -> Result<Tails, InvalidPermutation> {
    let mut question = Question::new(values, site, neighbours)?;
    if sampling.n_draws == 0 {
        return Err(InvalidPermutation::NoDraws);
    }
    let (mut n_greater, mut n_less) = (0, 0);
    for draw in 0..sampling.n_draws {
        let mut rng = stream(seed_of(sampling.seed, "permutation"), draw as u64);
        let sum = question.draw(&mut rng);
        n_greater += usize::from(question.is_greater(sum));
        n_less += usize::from(question.is_less(sum));
    }
    Ok(Tails {
        p_greater: monte_carlo_p(n_greater, sampling.n_draws),
        p_less: monte_carlo_p(n_less, sampling.n_draws),
        n_sets: sampling.n_draws as f64,
        method: TailMethod::Sampled,
    })
}

/// How many random sets to draw, and from which seed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sampling {
    /// Number of draws, at least one.
    pub n_draws: usize,
    /// Seed of the streams.
    pub seed: u64,
}

/// One site's question: the other sites' values, how many are drawn, and what was observed.
struct Question {
    others: Vec<f64>,
    k: usize,
    observed: f64,
    slack: f64,
}

impl Question {
    fn new(values: &[f64], site: usize, neighbours: &[usize]) -> Result<Self, InvalidPermutation> {
        let n_sites = values.len();
        if let Some(bad) = values.iter().position(|value| !value.is_finite()) {
            return Err(InvalidPermutation::Value(bad));
        }
        for &named in neighbours.iter().chain([&site]) {
            if named >= n_sites {
                return Err(InvalidPermutation::NoSuchSite { site: named, n_sites });
            }
        }
        if neighbours.contains(&site) {
            return Err(InvalidPermutation::OwnNeighbour(site));
        }
        let mut others = values.to_vec();
        others.remove(site);
        let largest = values.iter().fold(0.0, |largest: f64, value| largest.max(value.abs()));
        Ok(Self {
            others,
            k: neighbours.len(),
            observed: neighbours.iter().map(|&neighbour| values[neighbour]).sum(),
            slack: TIE_SLACK * largest * neighbours.len().max(1) as f64,
        })
    }

    fn is_greater(&self, sum: f64) -> bool {
        sum >= self.observed - self.slack
    }

    fn is_less(&self, sum: f64) -> bool {
        sum <= self.observed + self.slack
    }

    /// (sets at least as large, sets at most as large, sets), by visiting them in sorted order.
    ///
    /// Branches whose sums all lie on one side are counted at once.
    fn enumerate(&self) -> (f64, f64, f64) {
        let mut sorted = self.others.clone();
        sorted.sort_by(f64::total_cmp);
        let mut running = vec![0.0];
        running.extend(sorted.iter().scan(0.0, |sum, value| {
            *sum += value;
            Some(*sum)
        }));
        let mut counts = (0.0, 0.0);
        self.visit(&sorted, &running, (self.k, 0.0), &mut counts);
        (counts.0, counts.1, n_choose_k(sorted.len(), self.k))
    }

    /// Counts the sets of `left` of the sorted values on top of `sum`; `running` starts one before the first of them.
    fn visit(&self, sorted: &[f64], running: &[f64], (left, sum): (usize, f64), counts: &mut (f64, f64)) {
        let n = sorted.len();
        let least = sum + running[left] - running[0];
        let greatest = sum + running[n] - running[n - left];
        let all = || n_choose_k(n, left);
        if !self.is_less(least) || !self.is_greater(greatest) || left == 0 {
            counts.0 += if self.is_greater(least) { all() } else { 0.0 };
            counts.1 += if self.is_less(greatest) { all() } else { 0.0 };
        } else if left == 1 {
            counts.0 += (n - sorted.partition_point(|value| !self.is_greater(sum + value))) as f64;
            counts.1 += sorted.partition_point(|value| self.is_less(sum + value)) as f64;
        } else {
            for next in 0..=n - left {
                let state = (left - 1, sum + sorted[next]);
                self.visit(&sorted[next + 1..], &running[next + 1..], state, counts);
            }
        }
    }

    /// The same for whole numbers, adding up how many sets of each size have each sum.
    fn count_by_sum(&self) -> Option<(f64, f64, f64)> {
        let least = self.others.iter().copied().fold(f64::INFINITY, f64::min);
        if self.others.iter().any(|value| value.fract() != 0.0) {
            return None;
        }
        let mut shifted: Vec<f64> = self.others.iter().map(|value| value - least).collect();
        shifted.sort_by(f64::total_cmp);
        let largest_sum: f64 = shifted.iter().rev().take(self.k).sum();
        if (largest_sum + 1.0) * (self.k * shifted.len()) as f64 > COUNTING_LIMIT {
            return None;
        }
        let width = largest_sum as usize + 1;
        // ways[j * width + s]: sets of j values with the sum s. Floating point holds the huge counts to 1e-13.
        let mut ways = vec![0.0; (self.k + 1) * width];
        ways[0] = 1.0;
        for value in shifted {
            let value = value as usize;
            for size in (1..=self.k).rev() {
                for sum in value..width {
                    ways[size * width + sum] += ways[(size - 1) * width + sum - value];
                }
            }
        }
        let by_sum = &ways[self.k * width..];
        let sum_of = |shifted: usize| shifted as f64 + self.k as f64 * least;
        let total = |keep: &dyn Fn(f64) -> bool| {
            by_sum
                .iter()
                .enumerate()
                .filter(|(shifted, _)| keep(sum_of(*shifted)))
                .map(|(_, ways)| ways)
                .sum()
        };
        Some((total(&|sum| self.is_greater(sum)), total(&|sum| self.is_less(sum)), total(&|_| true)))
    }

    /// The sum of k of the others, drawn by the first steps of a shuffle.
    fn draw(&mut self, rng: &mut impl Rng) -> f64 {
        let n = self.others.len();
        let mut sum = 0.0;
        for place in 0..self.k {
            let other = rng.random_range(place..n);
            self.others.swap(place, other);
            sum += self.others[place];
        }
        sum
    }
}

fn n_choose_k(n: usize, k: usize) -> f64 {
    let k = k.min(n - k);
    (0..k).fold(1.0, |product, step| (product * (n - step) as f64 / (step + 1) as f64).round())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Counts on twelve segments with many ties; tails over all C(11, 3) = 165 sets, counted independently.
    const COUNTS: [f64; 12] = [0.0, 1.0, 0.0, 3.0, 7.0, 6.0, 2.0, 0.0, 0.0, 1.0, 4.0, 5.0];

    #[test]
    fn every_set_is_counted() {
        let tails = exact_tails(&COUNTS, 4, &[3, 5, 11]).unwrap();
        assert_eq!(tails.n_sets, 165.0);
        assert!((tails.p_greater - 2.0 / 165.0).abs() < 1e-12);
        assert!((tails.p_less - 164.0 / 165.0).abs() < 1e-12);
        let six = exact_tails(&[2.0, 3.0, 3.2, 5.0, 8.0, 7.0], 0, &[1, 3]).unwrap();
        assert_eq!((six.p_greater, six.p_less, six.n_sets), (0.9, 0.2, 10.0));
        assert_eq!(six.two_sided(), 0.4);
    }

    #[test]
    fn counting_by_sum_agrees_with_counting_sets() {
        for (site, neighbours) in [(4, vec![3, 5, 11]), (8, vec![7, 9]), (0, vec![1, 2, 3, 4, 5, 6])] {
            let question = Question::new(&COUNTS, site, &neighbours).unwrap();
            let (greater, less, total) = question.enumerate();
            assert_eq!(question.count_by_sum(), Some((greater, less, total)));
        }
    }

    proptest::proptest! {
        /// Sets named by the bits of a number, each summed by itself.
        #[test]
        fn pruned_counting_equals_visiting_every_set(
            values in proptest::collection::vec(-3.0..3.0f64, 2..11),
            ties in proptest::bool::ANY,
            k in 0usize..10,
        ) {
            let values: Vec<f64> = if ties { values.iter().map(|value| value.round()).collect() } else { values };
            let k = k.min(values.len() - 1);
            let neighbours: Vec<usize> = (1..=k).collect();
            let question = Question::new(&values, 0, &neighbours).unwrap();
            let (mut greater, mut less, mut total) = (0.0, 0.0, 0.0);
            for set in (0u32..1 << question.others.len()).filter(|set| set.count_ones() as usize == k) {
                let members = question.others.iter().enumerate().filter(|(bit, _)| set >> bit & 1 == 1);
                let sum: f64 = members.map(|(_, value)| value).sum();
                greater += f64::from(u8::from(question.is_greater(sum)));
                less += f64::from(u8::from(question.is_less(sum)));
                total += 1.0;
            }
            proptest::prop_assert_eq!(question.enumerate(), (greater, less, total));
        }
    }

    #[test]
    fn many_sets_of_whole_numbers_stay_exact_and_agree_with_draws() {
        let values: Vec<f64> = (0..400).map(|k| f64::from(k * k % 7)).collect();
        let neighbours: Vec<usize> = (1..=12).collect();
        let exact = exact_tails(&values, 0, &neighbours).unwrap();
        assert_eq!(exact.method, TailMethod::Exact);
        let n_draws = 4000;
        let sampled = sampled_tails(&values, 0, &neighbours, Sampling { n_draws, seed: 5 }).unwrap();
        for (p, got) in [(exact.p_greater, sampled.p_greater), (exact.p_less, sampled.p_less)] {
            let slack = 4.0 * (p * (1.0 - p) / n_draws as f64).sqrt() + 2.0 / n_draws as f64;
            assert!((p - got).abs() < slack, "{p} {got}");
        }
        let uneven: Vec<f64> = values.iter().map(|value| value + 0.5).collect();
        let refused = exact_tails(&uneven, 0, &neighbours);
        assert!(matches!(refused, Err(InvalidPermutation::TooManySets { .. })));
    }

    #[test]
    fn no_neighbours_and_bad_sites() {
        let alone = exact_tails(&COUNTS, 0, &[]).unwrap();
        assert_eq!((alone.p_greater, alone.p_less, alone.n_sets), (1.0, 1.0, 1.0));
        assert_eq!(
            exact_tails(&COUNTS, 12, &[]),
            Err(InvalidPermutation::NoSuchSite { site: 12, n_sites: 12 })
        );
        assert_eq!(exact_tails(&COUNTS, 1, &[1]), Err(InvalidPermutation::OwnNeighbour(1)));
        assert_eq!(exact_tails(&[1.0, f64::NAN], 0, &[]), Err(InvalidPermutation::Value(1)));
    }

    #[test]
    fn monte_carlo_p_counts_the_observation() {
        assert_eq!(monte_carlo_p(0, 999), 0.001);
        let tails = tails_among(1.0, &[0.0, 1.0, 2.0]).unwrap();
        assert_eq!((tails.p_greater, tails.p_less), (0.75, 0.75));
        assert_eq!(tails.two_sided(), 1.0);
        assert_eq!(tails_among(1.0, &[]), Err(InvalidPermutation::NoDraws));
    }
}
