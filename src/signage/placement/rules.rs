//! What a choice of sites must respect.

/// How many sites may be chosen, or what they may cost together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// At most this many sites, those already standing not counted.
    Sites(usize),
    /// At most this whole-life cost together, in the unit of [`Rules::costs`], those already standing not counted.
    Budget(f64),
}

/// At most so many of some sites: least spacing, most signs per km, one side of a sensitive place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtMost {
    /// The sites concerned, repeats ignored; sites already standing count.
    pub sites: Vec<usize>,
    /// How many of them may be chosen.
    pub most: usize,
}

/// What a choice of sites must respect.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// How many, or for how much.
    pub limit: Limit,
    /// Whole-life cost of each site, more than zero; read only under [`Limit::Budget`], and may be empty otherwise.
    pub costs: Vec<f64>,
    /// Signs already standing: they cover at no cost and do not count towards the limit.
    pub existing: Vec<usize>,
    /// Sites that must be chosen; they count.
    pub required: Vec<usize>,
    /// Sites that must not be chosen (permit, rock, heritage, the buffer of a sensitive place).
    pub forbidden: Vec<usize>,
    /// Groups of sites of which only some may be chosen.
    pub at_most: Vec<AtMost>,
}

/// Why rules cannot be kept.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidRules {
    /// A site does not exist.
    #[error("the rules name site {site}, but there are {n_sites}")]
    NoSuchSite {
        /// The site named.
        site: usize,
        /// How many there are.
        n_sites: usize,
    },
    /// A cost is missing, not finite or not above zero.
    #[error("under a budget every site needs a cost above zero; site {site} has none")]
    Cost {
        /// The site.
        site: usize,
    },
    /// The budget is negative or not finite.
    #[error("the budget {budget} is not a finite number of at least zero")]
    Budget {
        /// The budget.
        budget: f64,
    },
    /// A site is both required and forbidden.
    #[error("site {site} is both required and forbidden")]
    Contradiction {
        /// The site.
        site: usize,
    },
    /// The required sites alone break the limit, or they and the standing ones break a group.
    #[error("the required sites cannot all be chosen within the limit and the groups")]
    Infeasible,
}

impl Rules {
    /// At most `n_sites` sites and nothing else.
    pub fn sites(n_sites: usize) -> Self {
        Self {
            limit: Limit::Sites(n_sites),
            costs: Vec::new(),
            existing: Vec::new(),
            required: Vec::new(),
            forbidden: Vec::new(),
            at_most: Vec::new(),
        }
    }

    /// At most this whole-life cost together and nothing else.
    pub fn budget(budget: f64, costs: Vec<f64>) -> Self {
        Self { limit: Limit::Budget(budget), costs, ..Self::sites(0) }
    }

    /// The cost of one site: its whole-life cost under a budget, one otherwise.
    pub(crate) fn cost(&self, site: usize) -> f64 {
        match self.limit {
            Limit::Sites(_) => 1.0,
            Limit::Budget(_) => self.costs[site],
        }
    }

    /// The limit in the unit of [`Rules::cost`].
    pub(crate) fn capacity(&self) -> f64 {
        match self.limit {
            Limit::Sites(n_sites) => n_sites as f64,
            Limit::Budget(budget) => budget,
        }
    }

    /// Checks the rules against the number of sites.
    ///
    /// # Errors
    /// [`InvalidRules`] when a site does not exist, a cost or the budget is unusable, or a site is required and
    /// forbidden. Whether the required sites fit together is found when the choice is made.
    pub fn check(&self, n_sites: usize) -> Result<(), InvalidRules> {
        let groups = self.at_most.iter().flat_map(|group| &group.sites);
        let named = self.existing.iter().chain(&self.required).chain(&self.forbidden).chain(groups);
        if let Some(&site) = named.into_iter().find(|&&site| site >= n_sites) {
            return Err(InvalidRules::NoSuchSite { site, n_sites });
        }
        if let Some(&site) = self.required.iter().find(|site| self.forbidden.contains(site)) {
            return Err(InvalidRules::Contradiction { site });
        }
        if let Limit::Budget(budget) = self.limit {
            if !(budget.is_finite() && budget >= 0.0) {
                return Err(InvalidRules::Budget { budget });
            }
            let usable =
                |site: usize| self.costs.get(site).is_some_and(|cost| cost.is_finite() && *cost > 0.0);
            if let Some(site) = (0..n_sites).find(|&site| !usable(site)) {
                return Err(InvalidRules::Cost { site });
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rules_are_checked() {
        assert_eq!(Rules::sites(3).check(0), Ok(()));
        let check = |change: fn(&mut Rules), expected| {
            let mut rules = Rules::budget(10.0, vec![1.0, 2.0]);
            change(&mut rules);
            assert_eq!(rules.check(2), Err(expected));
        };
        check(|rules| rules.existing.push(2), InvalidRules::NoSuchSite { site: 2, n_sites: 2 });
        check(|rules| rules.costs[1] = 0.0, InvalidRules::Cost { site: 1 });
        check(|rules| rules.costs.truncate(1), InvalidRules::Cost { site: 1 });
        check(|rules| rules.limit = Limit::Budget(-1.0), InvalidRules::Budget { budget: -1.0 });
        check(
            |rules| {
                rules.required.push(1);
                rules.forbidden.push(1);
            },
            InvalidRules::Contradiction { site: 1 },
        );
    }
}
