//! Building and improving a choice: greedy addition and exchange of one site for another.
//!
//! Greedy addition reaches at least 1 - 1/e of the optimum when only the number of sites is limited (Nemhauser, Wolsey
//! & Fisher 1978, *Mathematical Programming* 14, 265-294); exchange mends most of what it misses (Teitz & Bart 1968,
//! *Operations Research* 16, 955-961).

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use crate::signage::placement::coverage::{Coverage, Rows};
use crate::signage::placement::residual::Residual;
use crate::signage::placement::rules::{InvalidRules, Rules};

/// The greedy choice: at each step the site that adds most, per unit of cost under a budget.
#[derive(Debug, Clone, PartialEq)]
pub struct Greedy {
    /// The sites in the order chosen; ties go to the lowest index. Standing and required signs are not listed.
    pub order: Vec<usize>,
    /// The weight each added.
    pub gains: Vec<f64>,
    /// The weight covered before the first: that of the standing and required signs.
    pub start: f64,
    /// The weight covered by all.
    pub value: f64,
}

/// The greedy choice under the rules; it stops early when no site adds anything.
///
/// # Errors
/// [`InvalidRules`] when the rules cannot be kept.
pub fn greedy(coverage: &Coverage, rules: &Rules) -> Result<Greedy, InvalidRules> {
    let residual = Residual::new(coverage, rules)?;
    let mut selection = Selection::new(&residual);
    let gains = selection.fill();
    let order = selection.chosen.iter().map(|&site| residual.sites[site as usize] as usize).collect();
    Ok(Greedy { order, gains, start: residual.gained, value: selection.value })
}

/// The greedy choice of what is left to decide, improved by exchanges until none helps: fast, good, without proof.
///
/// Returns the sites ascending (required ones included, standing ones not) and the weight covered.
pub(crate) fn improved(residual: &Residual) -> (Vec<usize>, f64) {
    let selection = Selection::completed(residual, &[]);
    (selection.in_instance(), selection.value)
}

/// A choice among the open sites, with what is needed to change it quickly.
pub(crate) struct Selection<'a> {
    residual: &'a Residual,
    /// How many chosen sites cover each element.
    times: Vec<u32>,
    /// How many chosen sites are in each group.
    used: Vec<u32>,
    is_chosen: Vec<bool>,
    pub(crate) chosen: Vec<u32>,
    spent: f64,
    pub(crate) value: f64,
    /// Visits of elements so far.
    pub(crate) work: u64,
}

/// An improvement smaller than this share of the value is rounding noise.
const LEAST_GAIN: f64 = 1e-12;

impl<'a> Selection<'a> {
    pub(crate) fn new(residual: &'a Residual) -> Self {
        Self {
            residual,
            times: vec![0; residual.weights.len()],
            used: vec![0; residual.most.len()],
            is_chosen: vec![false; residual.n_open()],
            chosen: Vec::new(),
            spent: 0.0,
            value: residual.gained,
            work: 0,
        }
    }

    /// The preferred sites in their order as far as the rules allow, then greedy addition and exchanges.
    pub(crate) fn completed(residual: &'a Residual, preferred: &[u32]) -> Self {
        let mut selection = Self::new(residual);
        for &site in preferred {
            if selection.fits(site as usize) {
                selection.add(site as usize);
            }
        }
        loop {
            selection.fill();
            if !selection.exchange() {
                return selection;
            }
        }
    }

    /// The chosen sites as numbered in the instance, ascending, with those decided before.
    pub(crate) fn in_instance(&self) -> Vec<usize> {
        let local = self.chosen.iter().map(|&site| self.residual.sites[site as usize]);
        let mut sites: Vec<usize> =
            self.residual.chosen.iter().copied().chain(local).map(|site| site as usize).collect();
        sites.sort_unstable();
        sites
    }

    fn gain(&self, site: usize) -> f64 {
        let uncovered = self.residual.by_site.row(site).iter().map(|&element| element as usize);
        let fresh = uncovered.filter(|&element| self.times[element] == 0);
        self.residual.own[site] + fresh.map(|element| self.residual.weights[element]).sum::<f64>()
    }

    fn fits(&self, site: usize) -> bool {
        let residual = self.residual;
        !self.is_chosen[site]
            && residual.affords(self.spent, residual.costs[site])
            && residual.groups_of.row(site).iter().all(|&g| self.used[g as usize] < residual.most[g as usize])
    }

    /// Whether `site` may come in when `out` leaves.
    fn fits_without(&self, site: usize, out: usize) -> bool {
        let residual = self.residual;
        let leaving = residual.groups_of.row(out);
        let room = |&group: &u32| {
            let freed = u32::from(leaving.binary_search(&group).is_ok());
            self.used[group as usize] < residual.most[group as usize] + freed
        };
        residual.affords(self.spent - residual.costs[out], residual.costs[site])
            && residual.groups_of.row(site).iter().all(room)
    }

    fn add(&mut self, site: usize) {
        let residual = self.residual;
        self.value += self.gain(site);
        self.spent += residual.costs[site];
        self.is_chosen[site] = true;
        self.chosen.push(site as u32);
        for &element in residual.by_site.row(site) {
            self.times[element as usize] += 1;
        }
        for &group in residual.groups_of.row(site) {
            self.used[group as usize] += 1;
        }
    }

    fn remove(&mut self, slot: usize) {
        let residual = self.residual;
        let site = self.chosen.swap_remove(slot) as usize;
        self.spent -= residual.costs[site];
        self.is_chosen[site] = false;
        for &element in residual.by_site.row(site) {
            self.times[element as usize] -= 1;
        }
        for &group in residual.groups_of.row(site) {
            self.used[group as usize] -= 1;
        }
        self.value -= self.gain(site);
    }

    /// Greedy addition until nothing that fits adds anything; returns the gains. A gain only falls as others come in,
    /// so an outdated one is an upper bound and most sites are never looked at again (Minoux 1978).
    pub(crate) fn fill(&mut self) -> Vec<f64> {
        let worth = |selection: &Self, site: usize| selection.gain(site) / selection.residual.costs[site];
        let open = (0..self.residual.n_open()).filter(|&site| self.fits(site));
        let mut heap: BinaryHeap<Worth> =
            open.map(|site| Worth { worth: worth(self, site), site, n_chosen: self.chosen.len() }).collect();
        self.work += self.residual.by_site.n_items() as u64;
        let mut gains = Vec::new();
        while let Some(top) = heap.pop() {
            if !self.fits(top.site) {
                continue;
            }
            if top.n_chosen < self.chosen.len() {
                heap.push(Worth { worth: worth(self, top.site), n_chosen: self.chosen.len(), ..top });
                continue;
            }
            if top.worth <= 0.0 {
                break;
            }
            gains.push(self.gain(top.site));
            self.add(top.site);
        }
        gains
    }

    /// Exchanges of one chosen site for another while they help; whether any did.
    fn exchange(&mut self) -> bool {
        let mut any = false;
        let mut stakes = Stakes::of(self);
        self.work += self.residual.weights.len() as u64;
        loop {
            let mut improved = false;
            for site in 0..self.residual.n_open() {
                if self.is_chosen[site] || self.chosen.is_empty() {
                    continue;
                }
                self.work += 1 + self.residual.by_site.row(site).len() as u64;
                if let Some(slot) = self.best_exchange(site, &mut stakes) {
                    self.remove(slot);
                    self.add(site);
                    stakes = Stakes::of(self);
                    self.work += self.residual.weights.len() as u64;
                    improved = true;
                }
            }
            any |= improved;
            if !improved {
                return any;
            }
        }
    }

    /// The chosen slot whose exchange for `site` gains most, if any exchange gains.
    fn best_exchange(&self, site: usize, stakes: &mut Stakes) -> Option<usize> {
        let residual = self.residual;
        let mut gain = residual.own[site];
        stakes.touched.clear();
        for &element in residual.by_site.row(site) {
            let element = element as usize;
            match self.times[element] {
                0 => gain += residual.weights[element],
                1 => {
                    let slot = stakes.owner[element] as usize;
                    if stakes.shared[slot] == 0.0 {
                        stakes.touched.push(slot);
                    }
                    stakes.shared[slot] += residual.weights[element];
                }
                _ => {}
            }
        }
        let least = LEAST_GAIN * self.value.abs();
        let mut best: Option<(usize, f64)> = None;
        let mut consider = |slot: usize, change: f64| {
            if change > best.map_or(least, |(_, change)| change)
                && self.fits_without(site, self.chosen[slot] as usize)
            {
                best = Some((slot, change));
            }
        };
        // Without side rules only the sites that share something, or the one with least to lose, can be best.
        let simple = residual.unit_costs && residual.most.is_empty();
        if simple {
            stakes.touched.push(stakes.least);
            for &slot in &stakes.touched {
                consider(slot, gain - stakes.loss[slot] + stakes.shared[slot]);
            }
        } else {
            for slot in 0..self.chosen.len() {
                consider(slot, gain - stakes.loss[slot] + stakes.shared[slot]);
            }
        }
        for &slot in &stakes.touched {
            stakes.shared[slot] = 0.0;
        }
        best.map(|(slot, _)| slot)
    }
}

/// What each chosen slot has to lose.
struct Stakes {
    /// For each element covered once, the slot that covers it.
    owner: Vec<u32>,
    loss: Vec<f64>,
    /// The slot with the least loss.
    least: usize,
    /// Scratch: what a candidate would save of each slot's loss.
    shared: Vec<f64>,
    touched: Vec<usize>,
}

impl Stakes {
    fn of(selection: &Selection) -> Self {
        let residual = selection.residual;
        let rows: &Rows = &residual.by_site;
        let mut owner = vec![u32::MAX; residual.weights.len()];
        let mut loss = Vec::with_capacity(selection.chosen.len());
        for (slot, &site) in selection.chosen.iter().enumerate() {
            let mut sole = residual.own[site as usize];
            for &element in rows.row(site as usize) {
                if selection.times[element as usize] == 1 {
                    owner[element as usize] = slot as u32;
                    sole += residual.weights[element as usize];
                }
            }
            loss.push(sole);
        }
        let least = (0..loss.len()).min_by(|&a, &b| loss[a].total_cmp(&loss[b])).unwrap_or(0);
        let shared = vec![0.0; loss.len()];
        Self { owner, loss, least, shared, touched: Vec::new() }
    }
}

/// An entry of the greedy queue: larger worth first, then lower index.
struct Worth {
    worth: f64,
    site: usize,
    /// How many sites were chosen when the worth was computed.
    n_chosen: usize,
}

impl PartialEq for Worth {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Worth {}

impl PartialOrd for Worth {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Worth {
    fn cmp(&self, other: &Self) -> Ordering {
        self.worth.total_cmp(&other.worth).then_with(|| other.site.cmp(&self.site))
    }
}
