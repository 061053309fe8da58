//! What is left to decide once some sites are in and others out, kept as small as it can be.

use std::sync::Arc;

use rustc_hash::FxHashMap;

use crate::signage::placement::coverage::{Coverage, Rows};
use crate::signage::placement::rules::{InvalidRules, Limit, Rules};

/// What has been decided about an open site.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fate {
    /// Nothing.
    Open,
    /// It is chosen.
    In,
    /// It is not chosen.
    Out,
}

/// Lagrange multipliers: one for each element (at most its weight) and one for each group.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Multipliers {
    pub(crate) elements: Vec<f64>,
    pub(crate) groups: Vec<f64>,
}

/// The undecided part of an instance.
///
/// Elements already covered are gone, elements with one open site left are part of that site's `own` weight, and
/// elements with the same open sites are one. Sites are numbered anew; `sites` gives their number in the instance.
#[derive(Debug, Clone)]
pub(crate) struct Residual {
    pub(crate) sites: Vec<u32>,
    pub(crate) own: Vec<f64>,
    pub(crate) costs: Vec<f64>,
    pub(crate) weights: Vec<f64>,
    pub(crate) by_site: Arc<Rows>,
    pub(crate) by_element: Arc<Rows>,
    pub(crate) groups: Arc<Rows>,
    pub(crate) most: Vec<u32>,
    pub(crate) groups_of: Arc<Rows>,
    /// What may still be spent, in the unit of `costs`.
    pub(crate) capacity: f64,
    /// Weight already covered.
    pub(crate) gained: f64,
    /// Sites decided in, as numbered in the instance.
    pub(crate) chosen: Vec<u32>,
    /// Whether every site costs one, so that the limit is a number of sites.
    pub(crate) unit_costs: bool,
}

/// Slack on the limit, relative, so that costs which add up to the budget in another order still fit.
const CAPACITY_SLACK: f64 = 1e-9;

impl Residual {
    /// The whole instance under its rules: standing and required signs in, forbidden ones out.
    ///
    /// # Errors
    /// [`InvalidRules`] when the rules cannot be kept.
    pub(crate) fn new(coverage: &Coverage, rules: &Rules) -> Result<Self, InvalidRules> {
        Reduction::new(coverage, rules).map(|reduction| reduction.residual)
    }

    fn whole(coverage: &Coverage, rules: &Rules) -> Result<(Self, Vec<Went>), InvalidRules> {
        let n_sites = coverage.n_sites();
        rules.check(n_sites)?;
        let mut whole = Self::undecided(coverage, rules);
        let mut fates = vec![Fate::Open; n_sites];
        for &site in &rules.forbidden {
            fates[site] = Fate::Out;
        }
        for &site in &rules.required {
            fates[site] = Fate::In;
        }
        let mut standing = vec![false; n_sites];
        for &site in &rules.existing {
            fates[site] = Fate::In;
            whole.costs[site] = 0.0;
            standing[site] = true;
        }
        whole.make_room_for_standing(&standing, rules);
        let first_prices = whole.first_prices();
        let Reduced { mut residual, went, .. } =
            whole.reduced(&fates, &first_prices).ok_or(InvalidRules::Infeasible)?;
        residual.chosen.retain(|&site| !standing[site as usize]);
        Ok((residual, went))
    }

    /// Raises a group's limit to the standing signs in it, where these alone exceed it: nothing more goes in then.
    fn make_room_for_standing(&mut self, standing: &[bool], rules: &Rules) {
        for (group, rule) in rules.at_most.iter().enumerate() {
            let members = self.groups.row(group).iter();
            let n_standing = members.filter(|&&site| standing[site as usize]).count();
            self.most[group] = rule.most.max(n_standing) as u32;
        }
    }

    fn undecided(coverage: &Coverage, rules: &Rules) -> Self {
        let n_sites = coverage.n_sites();
        let mut groups = Rows::new();
        for group in &rules.at_most {
            let mut row: Vec<u32> = group.sites.iter().map(|&site| site as u32).collect();
            row.sort_unstable();
            row.dedup();
            groups.push(row);
        }
        Self {
            sites: (0..n_sites as u32).collect(),
            own: vec![0.0; n_sites],
            costs: (0..n_sites).map(|site| rules.cost(site)).collect(),
            weights: coverage.weights().to_vec(),
            by_site: Arc::clone(coverage.by_site()),
            by_element: Arc::clone(coverage.by_element()),
            groups_of: Arc::new(groups.transposed(n_sites)),
            most: rules.at_most.iter().map(|group| group.most as u32).collect(),
            groups: Arc::new(groups),
            capacity: rules.capacity(),
            gained: 0.0,
            chosen: Vec::new(),
            unit_costs: matches!(rules.limit, Limit::Sites(_)),
        }
    }

    /// How many sites are open.
    pub(crate) fn n_open(&self) -> usize {
        self.sites.len()
    }

    /// How many visits one evaluation of the bound with its step takes.
    pub(crate) fn work_per_evaluation(&self) -> u64 {
        let sorting = if self.unit_costs { 1 } else { 20 };
        let lists = self.by_site.n_items() + 2 * self.groups.n_items() + self.weights.len();
        (lists + sorting * self.n_open() + 1) as u64
    }

    /// Whether something of this cost still fits after `spent`.
    pub(crate) fn affords(&self, spent: f64, cost: f64) -> bool {
        spent + cost <= self.capacity + CAPACITY_SLACK * (1.0 + self.capacity.abs())
    }

    /// What is left after deciding some open sites, with the multipliers carried over; `None` when the sites decided
    /// in break the limit or a group. Sites that no longer fit, or that another site can always replace, are out.
    pub(crate) fn decide(&self, fates: &[Fate], prices: &Multipliers) -> Option<(Self, Multipliers)> {
        let mut next = self.reduced(fates, prices)?;
        loop {
            let dominated = next.residual.dominated();
            if !dominated.contains(&Fate::Out) {
                return Some((next.residual, next.prices));
            }
            next = next.residual.reduced(&dominated, &next.prices)?;
        }
    }

    /// The same without sites that another can always replace, and with prices to start from.
    pub(crate) fn condensed(&self) -> Option<(Self, Multipliers)> {
        let open = vec![Fate::Open; self.n_open()];
        self.decide(&open, &self.first_prices())
    }

    /// Prices to start from: each element's weight shared among the sites that cover it.
    pub(crate) fn first_prices(&self) -> Multipliers {
        let share =
            |(element, weight): (usize, &f64)| weight / self.by_element.row(element).len().max(1) as f64;
        Multipliers {
            elements: self.weights.iter().enumerate().map(share).collect(),
            groups: vec![0.0; self.most.len()],
        }
    }

    fn reduced(&self, fates: &[Fate], prices: &Multipliers) -> Option<Reduced> {
        let mut spent = 0.0;
        let mut most = self.most.clone();
        let mut covered = vec![false; self.weights.len()];
        let mut gained = self.gained;
        let mut chosen = self.chosen.clone();
        for site in (0..self.n_open()).filter(|&site| fates[site] == Fate::In) {
            spent += self.costs[site];
            gained += self.own[site];
            chosen.push(self.sites[site]);
            for &group in self.groups_of.row(site) {
                most[group as usize] = most[group as usize].checked_sub(1)?;
            }
            for &element in self.by_site.row(site) {
                covered[element as usize] = true;
            }
        }
        if !self.affords(0.0, spent) {
            return None;
        }
        gained += (0..covered.len()).filter(|&e| covered[e]).map(|e| self.weights[e]).sum::<f64>();
        let still_open = |site: usize| {
            fates[site] == Fate::Open
                && self.affords(spent, self.costs[site])
                && self.groups_of.row(site).iter().all(|&group| most[group as usize] > 0)
        };
        let kept: Vec<usize> = (0..self.n_open()).filter(|&site| still_open(site)).collect();
        let mut renumbered = vec![u32::MAX; self.n_open()];
        for (idx, &site) in kept.iter().enumerate() {
            renumbered[site] = idx as u32;
        }
        let elements = self.reduced_elements(&kept, &renumbered, &covered, prices);
        let groups = self.reduced_groups(&renumbered, &most, prices);
        let next = Self {
            sites: kept.iter().map(|&site| self.sites[site]).collect(),
            costs: kept.iter().map(|&site| self.costs[site]).collect(),
            by_site: Arc::new(elements.rows.transposed(kept.len())),
            groups_of: Arc::new(groups.rows.transposed(kept.len())),
            own: elements.own,
            weights: elements.weights,
            by_element: Arc::new(elements.rows),
            most: groups.most,
            groups: Arc::new(groups.rows),
            capacity: (self.capacity - spent).max(0.0),
            gained,
            chosen,
            unit_costs: self.unit_costs,
        };
        let prices = Multipliers { elements: elements.prices, groups: groups.prices };
        Some(Reduced { residual: next, prices, went: elements.went })
    }

    fn reduced_elements(
        &self,
        kept: &[usize],
        renumbered: &[u32],
        covered: &[bool],
        prices: &Multipliers,
    ) -> ReducedElements {
        let mut own: Vec<f64> = kept.iter().map(|&site| self.own[site]).collect();
        let (mut rows, mut weights, mut next_prices) = (Rows::new(), Vec::new(), Vec::new());
        let mut seen: FxHashMap<Vec<u32>, usize> = FxHashMap::default();
        let mut row: Vec<u32> = Vec::new();
        let mut went = vec![Went::Covered; covered.len()];
        for element in (0..covered.len()).filter(|&element| !covered[element]) {
            row.clear();
            let sites = self.by_element.row(element).iter().map(|&site| renumbered[site as usize]);
            row.extend(sites.filter(|&site| site != u32::MAX));
            match row.as_slice() {
                [] => went[element] = Went::Lost,
                &[site] => {
                    went[element] = Went::Own(site);
                    own[site as usize] += self.weights[element];
                }
                sites => {
                    if let Some(&idx) = seen.get(sites) {
                        went[element] = Went::Element(idx as u32);
                        weights[idx] += self.weights[element];
                        next_prices[idx] += prices.elements[element];
                    } else {
                        seen.insert(row.clone(), weights.len());
                        went[element] = Went::Element(weights.len() as u32);
                        rows.push(row.iter().copied());
                        weights.push(self.weights[element]);
                        next_prices.push(prices.elements[element]);
                    }
                }
            }
        }
        ReducedElements { own, rows, weights, prices: next_prices, went }
    }

    fn reduced_groups(&self, renumbered: &[u32], most: &[u32], prices: &Multipliers) -> ReducedGroups {
        let mut reduced = ReducedGroups { rows: Rows::new(), most: Vec::new(), prices: Vec::new() };
        for (group, &most) in most.iter().enumerate() {
            let sites = self.groups.row(group).iter().map(|&site| renumbered[site as usize]);
            let row: Vec<u32> = sites.filter(|&site| site != u32::MAX).collect();
            if row.len() > most as usize {
                reduced.rows.push(row);
                reduced.most.push(most);
                reduced.prices.push(prices.groups[group]);
            }
        }
        reduced
    }

    /// Sites that can be left out without loss: what they cover, another site no dearer covers too.
    fn dominated(&self) -> Vec<Fate> {
        // Own weight is covered by nobody else, so such a site is never redundant.
        let redundant = |site: usize| self.own[site] == 0.0 && self.is_dominated(site);
        (0..self.n_open()).map(|site| if redundant(site) { Fate::Out } else { Fate::Open }).collect()
    }

    fn is_dominated(&self, site: usize) -> bool {
        let row = self.by_site.row(site);
        let rarest = row.iter().min_by_key(|&&element| self.by_element.row(element as usize).len());
        let Some(&rarest) = rarest else {
            return true;
        };
        self.by_element.row(rarest as usize).iter().any(|&other| {
            let other = other as usize;
            other != site && self.replaces(other, site)
        })
    }

    /// Whether `other` can stand in for `site` in every choice; of two equal sites the first stands in.
    fn replaces(&self, other: usize, site: usize) -> bool {
        let (theirs, ours) = (self.by_site.row(other), self.by_site.row(site));
        let better = theirs.len() > ours.len()
            || self.own[other] > 0.0
            || self.costs[other] < self.costs[site]
            || other < site;
        better
            && theirs.len() >= ours.len()
            && self.costs[other] <= self.costs[site]
            && is_subset(self.groups_of.row(other), self.groups_of.row(site))
            && is_subset(ours, theirs)
    }
}

/// An instance under its rules, for weights that change while sites, elements and rules do not.
#[derive(Debug, Clone)]
pub(crate) struct Reduction {
    residual: Residual,
    went: Vec<Went>,
}

impl Reduction {
    /// # Errors
    /// [`InvalidRules`] when the rules cannot be kept.
    pub(crate) fn new(coverage: &Coverage, rules: &Rules) -> Result<Self, InvalidRules> {
        Residual::whole(coverage, rules).map(|(residual, went)| Self { residual, went })
    }

    /// What is left to decide with other weights of the elements of the instance, one each.
    pub(crate) fn at(&self, weights: &[f64]) -> Residual {
        let mut residual = self.residual.clone();
        residual.own.fill(0.0);
        residual.weights.fill(0.0);
        residual.gained = 0.0;
        for (weight, went) in weights.iter().zip(&self.went) {
            match *went {
                Went::Covered => residual.gained += weight,
                Went::Own(site) => residual.own[site as usize] += weight,
                Went::Element(element) => residual.weights[element as usize] += weight,
                Went::Lost => {}
            }
        }
        residual
    }
}

/// What became of an element.
#[derive(Debug, Clone, Copy)]
enum Went {
    /// A site that is in covers it.
    Covered,
    /// No open site covers it.
    Lost,
    /// One open site alone covers it.
    Own(u32),
    /// It is part of this element.
    Element(u32),
}

/// What is left, its prices, and what became of the elements.
struct Reduced {
    residual: Residual,
    prices: Multipliers,
    went: Vec<Went>,
}

struct ReducedElements {
    own: Vec<f64>,
    rows: Rows,
    weights: Vec<f64>,
    prices: Vec<f64>,
    went: Vec<Went>,
}

struct ReducedGroups {
    rows: Rows,
    most: Vec<u32>,
    prices: Vec<f64>,
}

/// Whether every item of `part` is in `whole`; both ascending.
fn is_subset(part: &[u32], whole: &[u32]) -> bool {
    let mut rest = whole.iter();
    part.iter().all(|item| rest.by_ref().any(|other| other == item))
}
