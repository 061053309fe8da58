//! An upper bound on every choice, by Lagrangian relaxation.
//!
//! For prices u (one an element, 0 <= u <= weight) and v (one a group, v >= 0) no choice covers more than
//! gained + sum(weight - u) + sum(most v) + max over choices within the limit of sum(score), where the score of a site is
//! its own weight plus the prices of its elements less those of its groups (Galvao & ReVelle 1996, *European Journal of
//! Operational Research* 88, 114-123; Fisher 1981, *Management Science* 27, 1-18). The bound holds for any prices, so
//! rounding or early stopping never makes it wrong. Prices are lowered and raised along averaged subgradients.

use crate::signage::placement::residual::{Fate, Multipliers, Residual};

/// How long to work on one bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Effort {
    /// Most evaluations of the bound.
    pub(crate) n_evaluations: usize,
    /// Most work of these evaluations, in visits: see [`Residual::work_per_evaluation`].
    pub(crate) max_work: u64,
    /// First step, as a share of the step that would close the gap at once.
    pub(crate) step: f64,
    /// The selection of the relaxed problem is offered for completion every so many evaluations.
    pub(crate) offer_every: usize,
}

/// What the work on a bound gave.
pub(crate) struct Tightened {
    /// No choice among the open sites (with those decided before) covers more.
    pub(crate) upper: f64,
    /// Sites that every choice better than the cutoff has, or lacks.
    pub(crate) fates: Vec<Fate>,
    /// How much of the time each site was in the relaxed choice lately: near 0 or 1 where the relaxation is sure.
    pub(crate) mean_use: Vec<f64>,
    /// Score of each site at the best prices.
    pub(crate) scores: Vec<f64>,
    /// Prices of the best bound.
    pub(crate) prices: Multipliers,
    /// How often the bound was evaluated.
    pub(crate) n_evaluations: usize,
}

impl Tightened {
    /// How many sites were decided.
    pub(crate) fn n_decided(&self) -> usize {
        self.fates.iter().filter(|&&fate| fate != Fate::Open).count()
    }
}

/// After so many evaluations without a better bound the step is halved.
const PATIENCE: usize = 20;
/// Weight of the newest subgradient in the direction.
const NEWEST: f64 = 0.6;
/// Weight of the newest relaxed choice in the mean use.
const NEWEST_USE: f64 = 0.05;
/// A step below this share of the first one moves nothing any more.
const LEAST_STEP: f64 = 1e-3;
/// Once this share of the open sites is decided it pays to rebuild the residual.
const WORTH_REBUILDING: f64 = 0.25;

/// Lowers the bound from the given prices.
///
/// `offer` is given relaxed choices (sites by falling score) and returns the cutoff: only choices that cover more are
/// still of interest. It may rise while the work goes on.
pub(crate) fn tighten(
    residual: &Residual,
    start: &Multipliers,
    effort: Effort,
    mut offer: impl FnMut(Option<&[u32]>) -> f64,
) -> Tightened {
    let mut point = Point::new(residual, start.clone());
    let mut direction =
        Multipliers { elements: vec![0.0; start.elements.len()], groups: vec![0.0; start.groups.len()] };
    let mut best = Tightened {
        upper: f64::INFINITY,
        fates: vec![Fate::Open; residual.n_open()],
        mean_use: vec![0.5; residual.n_open()],
        scores: vec![0.0; residual.n_open()],
        prices: start.clone(),
        n_evaluations: 0,
    };
    let mut cutoff = offer(None);
    let (mut step, mut n_idle) = (effort.step, 0);
    let (mut next_offer, mut offer_gap) = (effort.offer_every, effort.offer_every);
    let affordable = (effort.max_work / residual.work_per_evaluation()) as usize;
    for evaluation in 1..=effort.n_evaluations.min(affordable.max(1)) {
        point.evaluate(residual);
        best.n_evaluations = evaluation;
        if point.bound < best.upper {
            let progress = (best.upper - point.bound) / (best.upper - cutoff).abs().max(f64::MIN_POSITIVE);
            n_idle = if progress > 1e-3 || progress.is_nan() { 0 } else { n_idle + 1 };
            best.upper = point.bound;
            best.prices.clone_from(&point.prices);
            best.scores.copy_from_slice(&point.scores);
        } else {
            n_idle += 1;
        }
        if evaluation == next_offer {
            // Completing a choice costs as much as many evaluations: seldom where it has stopped helping.
            let offered = offer(Some(&point.taken));
            offer_gap = if offered > cutoff { effort.offer_every } else { (offer_gap * 3 / 2).min(100) };
            next_offer += offer_gap;
            cutoff = cutoff.max(offered);
        }
        if best.upper <= cutoff {
            break;
        }
        point.decide(residual, cutoff, &mut best.fates);
        for (mean, &used) in best.mean_use.iter_mut().zip(&point.usage) {
            *mean += NEWEST_USE * (used - *mean);
        }
        if best.n_decided() as f64 > WORTH_REBUILDING * residual.n_open() as f64 {
            break;
        }
        if n_idle >= PATIENCE {
            step *= 0.5;
            n_idle = 0;
            if step < LEAST_STEP * effort.step {
                break;
            }
            point.prices.clone_from(&best.prices);
            direction.elements.fill(0.0);
            direction.groups.fill(0.0);
            continue;
        }
        point.descend(residual, &mut direction, step * (point.bound - cutoff));
    }
    best
}

/// Prices and the relaxed problem solved at them.
struct Point {
    prices: Multipliers,
    scores: Vec<f64>,
    /// Sites by index; partly sorted by worth.
    order: Vec<u32>,
    /// The relaxed choice, by falling score.
    taken: Vec<u32>,
    /// How much of each site the relaxed choice takes: 0 or 1, or a fraction for the last one that a budget splits.
    usage: Vec<f64>,
    bound: f64,
    /// Any value between them is the price of one unit of the limit at which the relaxed choice is best.
    price_low: f64,
    price_high: f64,
    /// Scale of the group prices.
    typical_score: f64,
}

impl Point {
    fn new(residual: &Residual, prices: Multipliers) -> Self {
        let n_open = residual.n_open();
        Self {
            prices,
            scores: vec![0.0; n_open],
            order: (0..n_open as u32).collect(),
            taken: Vec::new(),
            usage: vec![0.0; n_open],
            bound: f64::INFINITY,
            price_low: 0.0,
            price_high: 0.0,
            typical_score: 0.0,
        }
    }

    fn evaluate(&mut self, residual: &Residual) {
        for (site, score) in self.scores.iter_mut().enumerate() {
            let elements = residual.by_site.row(site).iter();
            let worth: f64 = elements.map(|&element| self.prices.elements[element as usize]).sum();
            let groups = residual.groups_of.row(site).iter();
            let toll: f64 = groups.map(|&group| self.prices.groups[group as usize]).sum();
            *score = residual.own[site] + worth - toll;
        }
        self.usage.fill(0.0);
        self.taken.clear();
        let inner = if residual.unit_costs { self.take_best(residual) } else { self.take_by_cost(residual) };
        let given_up: f64 = residual.weights.iter().zip(&self.prices.elements).map(|(w, u)| w - u).sum();
        let tolls: f64 =
            residual.most.iter().zip(&self.prices.groups).map(|(&most, v)| f64::from(most) * v).sum();
        self.bound = residual.gained + given_up + tolls + inner;
        self.typical_score = inner / (self.taken.len().max(1) as f64);
    }

    /// The best sites by score, as many as the limit allows; returns their score.
    fn take_best(&mut self, residual: &Residual) -> f64 {
        let n_sites = (residual.capacity + 1e-6).floor() as usize;
        let scores = &self.scores;
        let falling = |&a: &u32, &b: &u32| scores[b as usize].total_cmp(&scores[a as usize]).then(a.cmp(&b));
        let n_taken = n_sites.min(self.order.len());
        (self.price_low, self.price_high) = (0.0, 0.0);
        if n_taken < self.order.len() && n_taken > 0 {
            let (_, last, below) = self.order.select_nth_unstable_by(n_taken - 1, falling);
            let next = below.iter().map(|&site| scores[site as usize]).fold(0.0, f64::max);
            self.price_high = scores[*last as usize].max(0.0);
            self.price_low = next.min(self.price_high);
        }
        self.taken.extend(self.order[..n_taken].iter().filter(|&&site| scores[site as usize] > 0.0));
        self.taken.sort_unstable_by(falling);
        for &site in &self.taken {
            self.usage[site as usize] = 1.0;
        }
        self.taken.iter().map(|&site| scores[site as usize]).sum()
    }

    /// The best sites by score per cost until the budget is spent, the last one in part; returns their score.
    fn take_by_cost(&mut self, residual: &Residual) -> f64 {
        let scores = &self.scores;
        let worth = |site: u32| scores[site as usize] / residual.costs[site as usize];
        self.order.sort_unstable_by(|&a, &b| worth(b).total_cmp(&worth(a)).then(a.cmp(&b)));
        let (mut spent, mut total) = (0.0, 0.0);
        (self.price_low, self.price_high) = (0.0, 0.0);
        for &site in &self.order {
            let (idx, cost) = (site as usize, residual.costs[site as usize]);
            if scores[idx] <= 0.0 {
                break;
            }
            if residual.affords(spent, cost) {
                self.usage[idx] = 1.0;
                self.taken.push(site);
                total += scores[idx];
                spent += cost;
                continue;
            }
            let part = ((residual.capacity - spent) / cost).clamp(0.0, 1.0);
            self.usage[idx] = part;
            total += part * scores[idx];
            (self.price_low, self.price_high) = (worth(site), worth(site));
            break;
        }
        total
    }

    /// Decides sites whose other fate would push the bound to the cutoff or below.
    fn decide(&self, residual: &Residual, cutoff: f64, fates: &mut [Fate]) {
        for (site, fate) in fates.iter_mut().enumerate().filter(|(_, fate)| **fate == Fate::Open) {
            let (score, cost) = (self.scores[site], residual.costs[site]);
            if self.usage[site] == 0.0 && self.bound + (score - self.price_high * cost).min(0.0) <= cutoff {
                *fate = Fate::Out;
            } else if self.usage[site] == 1.0
                && self.bound - (score - self.price_low * cost).max(0.0) <= cutoff
            {
                *fate = Fate::In;
            }
        }
    }

    /// One step along the averaged subgradient. Steps scale with the weight of the element, so that joining elements
    /// changes nothing.
    fn descend(&mut self, residual: &Residual, direction: &mut Multipliers, distance: f64) {
        let mut excess = vec![1.0; residual.weights.len()];
        for (site, &usage) in self.usage.iter().enumerate().filter(|(_, usage)| **usage > 0.0) {
            for &element in residual.by_site.row(site) {
                excess[element as usize] -= usage;
            }
        }
        let mut squared = 0.0;
        for (element, &weight) in residual.weights.iter().enumerate() {
            let along = NEWEST * excess[element] + (1.0 - NEWEST) * direction.elements[element];
            direction.elements[element] = along;
            let price = self.prices.elements[element];
            if !((price >= weight && along > 0.0) || (price <= 0.0 && along < 0.0)) {
                squared += weight * along * along;
            }
        }
        let group_scale = GROUP_STEP * self.typical_score;
        for group in 0..residual.most.len() {
            let used: f64 = residual.groups.row(group).iter().map(|&site| self.usage[site as usize]).sum();
            let along =
                NEWEST * (used - f64::from(residual.most[group])) + (1.0 - NEWEST) * direction.groups[group];
            direction.groups[group] = along;
            if self.prices.groups[group] > 0.0 || along > 0.0 {
                squared += group_scale * along * along;
            }
        }
        let step = distance / squared.max(f64::MIN_POSITIVE);
        for (element, &weight) in residual.weights.iter().enumerate() {
            let price = self.prices.elements[element] + step * weight * direction.elements[element];
            self.prices.elements[element] = price.clamp(0.0, weight);
        }
        for (price, along) in self.prices.groups.iter_mut().zip(&direction.groups) {
            *price = (*price + step * group_scale * along).max(0.0);
        }
    }
}

/// Step of a group's price against that of an element as heavy as a typical site.
const GROUP_STEP: f64 = 0.1;
