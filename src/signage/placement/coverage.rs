//! Which sites cover which part of the demand.

use std::sync::Arc;

use rustc_hash::FxHashMap;

/// Lists of indices in compressed rows: row `i` is `items[starts[i]..starts[i + 1]]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Rows {
    starts: Vec<usize>,
    items: Vec<u32>,
}

impl Rows {
    /// No rows.
    pub(crate) fn new() -> Self {
        Self { starts: vec![0], items: Vec::new() }
    }

    /// Adds one row at the end.
    pub(crate) fn push(&mut self, row: impl IntoIterator<Item = u32>) {
        self.items.extend(row);
        self.starts.push(self.items.len());
    }

    /// How many rows.
    pub(crate) fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// One row.
    pub(crate) fn row(&self, idx: usize) -> &[u32] {
        &self.items[self.starts[idx]..self.starts[idx + 1]]
    }

    /// How many items in all rows.
    pub(crate) fn n_items(&self) -> usize {
        self.items.len()
    }

    /// The rows turned round: row `k` of the result lists, in ascending order, the rows that hold item `k`.
    pub(crate) fn transposed(&self, n_columns: usize) -> Self {
        let mut starts = vec![0usize; n_columns + 1];
        for &item in &self.items {
            starts[item as usize + 1] += 1;
        }
        for k in 0..n_columns {
            starts[k + 1] += starts[k];
        }
        let mut next = starts.clone();
        let mut items = vec![0u32; self.items.len()];
        for idx in 0..self.len() {
            for &item in self.row(idx) {
                items[next[item as usize]] = idx as u32;
                next[item as usize] += 1;
            }
        }
        Self { starts, items }
    }
}

/// A maximum-coverage instance: sites, elements of demand with their weight, and who covers what.
///
/// An element is covered when at least one site that covers it is chosen; covering it twice counts once. Elements that
/// no site covers are legal, as are sites that cover nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct Coverage {
    weights: Vec<f64>,
    by_site: Arc<Rows>,
    by_element: Arc<Rows>,
}

/// Why lists do not make a coverage instance.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidCoverage {
    /// A site covers an element that does not exist.
    #[error("site {site} covers element {element}, but there are {n_elements}")]
    NoSuchElement {
        /// The site.
        site: usize,
        /// The element it names.
        element: usize,
        /// How many there are.
        n_elements: usize,
    },
    /// A weight is negative or not finite.
    #[error("element {element} has the weight {weight}")]
    Weight {
        /// The element.
        element: usize,
        /// Its weight.
        weight: f64,
    },
    /// The number of weights is not the number of elements.
    #[error("{got} weights were given for {expected} elements")]
    Shape {
        /// How many were given.
        got: usize,
        /// How many are needed.
        expected: usize,
    },
}

impl Coverage {
    /// An instance from the elements each site covers (in any order, repeats ignored) and the weight of each element.
    ///
    /// # Errors
    /// [`InvalidCoverage`] when an element does not exist, or a weight is negative or not finite.
    pub fn new(cover: &[Vec<usize>], weights: Vec<f64>) -> Result<Self, InvalidCoverage> {
        check_weights(&weights)?;
        let n_elements = weights.len();
        let mut by_site = Rows::new();
        let mut row: Vec<u32> = Vec::new();
        for (site, elements) in cover.iter().enumerate() {
            if let Some(&element) = elements.iter().find(|&&element| element >= n_elements) {
                return Err(InvalidCoverage::NoSuchElement { site, element, n_elements });
            }
            row.clear();
            row.extend(elements.iter().map(|&element| element as u32));
            row.sort_unstable();
            row.dedup();
            by_site.push(row.iter().copied());
        }
        let by_element = Arc::new(by_site.transposed(n_elements));
        Ok(Self { weights, by_site: Arc::new(by_site), by_element })
    }

    /// An instance from rows that are already sorted and in range.
    pub(crate) fn from_rows(by_element: Rows, n_sites: usize, weights: Vec<f64>) -> Self {
        let by_site = Arc::new(by_element.transposed(n_sites));
        Self { weights, by_site, by_element: Arc::new(by_element) }
    }

    /// The same sites and elements with other weights.
    ///
    /// # Errors
    /// [`InvalidCoverage`] when the number of weights differs, or one is negative or not finite.
    pub fn reweighted(&self, weights: Vec<f64>) -> Result<Self, InvalidCoverage> {
        if weights.len() != self.weights.len() {
            return Err(InvalidCoverage::Shape { got: weights.len(), expected: self.weights.len() });
        }
        check_weights(&weights)?;
        Ok(Self { weights, by_site: Arc::clone(&self.by_site), by_element: Arc::clone(&self.by_element) })
    }

    /// Elements covered by the same sites joined into one, in the order of their first member; the weights add up.
    pub fn merged(&self) -> Self {
        let mut seen: FxHashMap<&[u32], usize> = FxHashMap::default();
        let mut by_element = Rows::new();
        let mut weights: Vec<f64> = Vec::new();
        for element in 0..self.n_elements() {
            let sites = self.by_element.row(element);
            let idx = *seen.entry(sites).or_insert(weights.len());
            if idx == weights.len() {
                weights.push(0.0);
                by_element.push(sites.iter().copied());
            }
            weights[idx] += self.weights[element];
        }
        Self::from_rows(by_element, self.n_sites(), weights)
    }

    /// How many sites.
    pub fn n_sites(&self) -> usize {
        self.by_site.len()
    }

    /// How many elements.
    pub fn n_elements(&self) -> usize {
        self.weights.len()
    }

    /// The weight of each element.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// The elements a site covers, ascending.
    pub fn covered_by(&self, site: usize) -> &[u32] {
        self.by_site.row(site)
    }

    /// The sites that cover an element, ascending.
    pub fn sites_of(&self, element: usize) -> &[u32] {
        self.by_element.row(element)
    }

    /// The weight of all elements, covered or not.
    pub fn total_weight(&self) -> f64 {
        self.weights.iter().sum()
    }

    /// The weight the given sites cover together; repeats are ignored, no sites cover nothing.
    pub fn covered_weight(&self, sites: &[usize]) -> f64 {
        let mut covered = vec![false; self.n_elements()];
        for &site in sites {
            for &element in self.covered_by(site) {
                covered[element as usize] = true;
            }
        }
        covered.iter().zip(&self.weights).filter(|(covered, _)| **covered).map(|(_, weight)| weight).sum()
    }

    /// The weight that the first of the given sites cover together, for one, two and so on up to all.
    pub fn covered_weights(&self, sites: &[usize]) -> Vec<f64> {
        let mut covered = vec![false; self.n_elements()];
        let mut weight = 0.0;
        let add = |&site: &usize| {
            for &element in self.covered_by(site) {
                if !std::mem::replace(&mut covered[element as usize], true) {
                    weight += self.weights[element as usize];
                }
            }
            weight
        };
        sites.iter().map(add).collect()
    }

    pub(crate) fn by_site(&self) -> &Arc<Rows> {
        &self.by_site
    }

    pub(crate) fn by_element(&self) -> &Arc<Rows> {
        &self.by_element
    }
}

fn check_weights(weights: &[f64]) -> Result<(), InvalidCoverage> {
    match weights.iter().position(|weight| !(weight.is_finite() && *weight >= 0.0)) {
        Some(element) => Err(InvalidCoverage::Weight { element, weight: weights[element] }),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn covering_twice_counts_once() {
        let coverage = Coverage::new(&[vec![0, 1, 1], vec![2, 1], vec![]], vec![1.0, 2.0, 4.0, 8.0]).unwrap();
        assert_eq!(coverage.covered_weight(&[0, 1]), 7.0);
        assert_eq!(coverage.covered_weight(&[2]), 0.0);
        assert_eq!(coverage.covered_weights(&[1, 0, 2, 1]), [6.0, 7.0, 7.0, 7.0]);
        assert_eq!(coverage.sites_of(1), &[0, 1]);
        assert_eq!(coverage.total_weight(), 15.0);
    }

    #[test]
    fn merging_joins_elements_with_the_same_sites() {
        let coverage = Coverage::new(&[vec![0, 1, 2], vec![0, 2]], vec![1.0, 2.0, 4.0, 8.0]).unwrap();
        let merged = coverage.merged();
        assert_eq!(merged.weights(), &[5.0, 2.0, 8.0]);
        for sites in [&[][..], &[0], &[1], &[0, 1]] {
            assert_eq!(merged.covered_weight(sites), coverage.covered_weight(sites), "{sites:?}");
        }
    }

    #[test]
    fn impossible_instances_are_refused() {
        assert!(matches!(
            Coverage::new(&[vec![1]], vec![1.0]),
            Err(InvalidCoverage::NoSuchElement { site: 0, element: 1, n_elements: 1 })
        ));
        for weight in [-1.0, f64::NAN, f64::INFINITY] {
            assert!(Coverage::new(&[vec![0]], vec![weight]).is_err(), "{weight}");
        }
        let one = Coverage::new(&[vec![0]], vec![1.0]).unwrap();
        assert!(matches!(one.reweighted(vec![]), Err(InvalidCoverage::Shape { got: 0, expected: 1 })));
    }
}
