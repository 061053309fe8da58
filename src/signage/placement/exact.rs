//! The best choice, proven where the proof closes within its effort.
//!
//! Branch and bound over the Lagrangian relaxation: at every node the bound is tightened, sites whose other fate would
//! end at or below the best choice found are decided, the residual is rebuilt smaller, and what the relaxation is least
//! sure of is decided both ways. Effort is counted in evaluations of the bound, never in time, so that the same input
//! gives the same answer on every machine.

use crate::signage::placement::coverage::Coverage;
use crate::signage::placement::relaxation::{Effort, Tightened, tighten};
use crate::signage::placement::residual::{Fate, Multipliers, Residual};
use crate::signage::placement::rules::{InvalidRules, Rules};
use crate::signage::placement::selection::Selection;

/// How much work to spend on the proof.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SearchParams {
    /// Most work, in visits of a site by an element or the reverse: about a billion a second on one core. The search
    /// ends at the first node that finds it spent.
    pub max_work: u64,
    /// Most evaluations of the bound at the root.
    pub root_evaluations: usize,
    /// Most evaluations of the bound at every other node.
    pub node_evaluations: usize,
    /// Choices better than the best by less than this share of it are not looked for.
    pub tolerance: f64,
}

impl Default for SearchParams {
    /// Work of four billion visits, 2,000 evaluations at the root and 60 at other nodes, tolerance 1e-9.
    fn default() -> Self {
        Self { max_work: 4_000_000_000, root_evaluations: 2_000, node_evaluations: 60, tolerance: 1e-9 }
    }
}

/// A choice of sites with what is known about how good it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// The sites, ascending: required ones included, standing ones not. Sites that would add nothing are left out, so
    /// there may be fewer than the limit allows.
    pub sites: Vec<usize>,
    /// The weight covered, that of the standing signs included.
    pub value: f64,
    /// No choice within the rules covers more than this.
    pub upper: f64,
    /// Whether the search ended, so that no choice is better by more than the tolerance.
    pub proven: bool,
    /// Nodes of the search tree looked at after the root.
    pub n_nodes: usize,
}

impl Choice {
    /// How far the bound lies above the value, as a share of the bound; zero where the bound is zero.
    pub fn gap(&self) -> f64 {
        if self.upper > 0.0 { (self.upper - self.value).max(0.0) / self.upper } else { 0.0 }
    }
}

/// The choice that covers most within the rules.
///
/// # Errors
/// [`InvalidRules`] when the rules cannot be kept.
///
/// # References
/// Church, R. & ReVelle, C. (1974). The maximal covering location problem. *Papers of the Regional Science Association*
/// 32, 101-118. Bound and variable fixing: see the relaxation module.
pub fn best_choice(
    coverage: &Coverage,
    rules: &Rules,
    params: &SearchParams,
) -> Result<Choice, InvalidRules> {
    Ok(Prepared::new(coverage, rules)?.best(params))
}

/// An instance under its rules, made smaller once for several searches.
pub(crate) struct Prepared<'a> {
    weights: &'a [f64],
    root: Residual,
    condensed: Option<(Residual, Multipliers)>,
}

impl<'a> Prepared<'a> {
    /// # Errors
    /// [`InvalidRules`] when the rules cannot be kept.
    pub(crate) fn new(coverage: &'a Coverage, rules: &Rules) -> Result<Self, InvalidRules> {
        let root = Residual::new(coverage, rules)?;
        let condensed = root.condensed();
        Ok(Self { weights: coverage.weights(), root, condensed })
    }

    /// The same with another number of sites to choose, at least one; that of the rules was at least one, too.
    pub(crate) fn choosing(&self, n_sites: usize) -> Self {
        let limited = |residual: &Residual| Residual { capacity: n_sites as f64, ..residual.clone() };
        let condensed = self.condensed.as_ref();
        Self {
            weights: self.weights,
            root: limited(&self.root),
            condensed: condensed.map(|(residual, prices)| (limited(residual), prices.clone())),
        }
    }

    /// The best choice.
    pub(crate) fn best(self, params: &SearchParams) -> Choice {
        let mut search = Search::new(&self.root, self.weights, params);
        search.offer(&self.root, &[]);
        let root_node = |(residual, prices)| Node { residual, prices, upper: f64::INFINITY };
        let mut open: Vec<Node> = self.condensed.into_iter().map(root_node).collect();
        let mut n_nodes = 0;
        let mut is_root = true;
        while let Some(node) = open.pop() {
            if node.upper <= search.cutoff() {
                continue;
            }
            if !is_root && search.work >= params.max_work {
                open.push(node);
                break;
            }
            n_nodes += usize::from(!is_root);
            search.expand(node, if is_root { Stage::Root } else { Stage::Below }, &mut open);
            is_root = false;
        }
        let left = open.iter().map(|node| node.upper).fold(f64::NEG_INFINITY, f64::max);
        let proven = open.iter().all(|node| node.upper <= search.cutoff());
        let upper = search.exhausted_upper().max(left);
        Choice { sites: search.sites, value: search.value, upper, proven, n_nodes }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Stage {
    Root,
    Below,
}

struct Node {
    residual: Residual,
    prices: Multipliers,
    upper: f64,
}

/// The best choice so far, and when a bound is low enough.
struct Search<'a> {
    params: &'a SearchParams,
    sites: Vec<usize>,
    value: f64,
    work: u64,
    /// With whole-number weights a better choice is better by at least one.
    whole_weights: bool,
}

impl<'a> Search<'a> {
    fn new(root: &Residual, weights: &[f64], params: &'a SearchParams) -> Self {
        // Sums of whole numbers are exact below 2^53.
        let whole_weights =
            weights.iter().all(|weight| weight.fract() == 0.0) && weights.iter().sum::<f64>() < 9e15;
        let sites = root.chosen.iter().map(|&site| site as usize).collect();
        Self { params, sites, value: root.gained, work: 0, whole_weights }
    }

    /// A node whose bound is no higher holds nothing of interest.
    fn cutoff(&self) -> f64 {
        let slack = self.params.tolerance * self.value.abs();
        if self.whole_weights { self.value + slack.max(1.0 - 1e-6) } else { self.value + slack }
    }

    /// The bound that a finished search proves.
    fn exhausted_upper(&self) -> f64 {
        if self.whole_weights && self.params.tolerance * self.value.abs() < 1.0 {
            self.value
        } else {
            self.cutoff()
        }
    }

    /// Completes a relaxed choice and keeps it if it is the best so far.
    fn offer(&mut self, residual: &Residual, preferred: &[u32]) {
        let selection = Selection::completed(residual, preferred);
        self.work += selection.work;
        if selection.value > self.value {
            self.value = selection.value;
            self.sites = selection.in_instance();
        }
    }

    /// Tightens, decides and rebuilds while that pays, then branches.
    fn expand(&mut self, mut node: Node, stage: Stage, open: &mut Vec<Node>) {
        let mut effort = match stage {
            Stage::Root => Effort {
                n_evaluations: self.params.root_evaluations,
                max_work: 0,
                step: 1.0,
                offer_every: 10,
            },
            Stage::Below => Effort {
                n_evaluations: self.params.node_evaluations,
                max_work: 0,
                step: 0.5,
                offer_every: 20,
            },
        };
        loop {
            if node.residual.n_open() == 0 {
                self.offer(&node.residual, &[]);
                return;
            }
            let residual = &node.residual;
            effort.max_work = self.params.max_work.saturating_sub(self.work);
            let tightened = tighten(residual, &node.prices, effort, |preferred| {
                if let Some(preferred) = preferred {
                    self.offer(residual, preferred);
                }
                self.cutoff()
            });
            self.work += tightened.n_evaluations as u64 * node.residual.work_per_evaluation();
            node.upper = node.upper.min(tightened.upper);
            if node.upper <= self.cutoff() {
                return;
            }
            if tightened.n_decided() == 0 || self.work >= self.params.max_work {
                return self.branch(node, &tightened, open);
            }
            let shrank = tightened.n_decided() as f64 > REPEAT_FROM * node.residual.n_open() as f64;
            let Some((residual, prices)) = node.residual.decide(&tightened.fates, &tightened.prices) else {
                return;
            };
            node = Node { residual, prices, upper: node.upper };
            effort.step = 0.5;
            if !shrank {
                // One short look at the smaller residual gives the scores to branch on.
                effort.n_evaluations = effort.n_evaluations.min(self.params.node_evaluations);
            }
        }
    }

    fn branch(&mut self, node: Node, tightened: &Tightened, open: &mut Vec<Node>) {
        let doubt = |site: usize| {
            let used = tightened.mean_use[site];
            used.min(1.0 - used) * tightened.scores[site].abs().max(f64::MIN_POSITIVE)
        };
        let sites = 0..node.residual.n_open();
        let Some(site) = sites.max_by(|&a, &b| doubt(a).total_cmp(&doubt(b)).then(b.cmp(&a))) else {
            return;
        };
        for fate in [Fate::Out, Fate::In] {
            let mut fates = vec![Fate::Open; node.residual.n_open()];
            fates[site] = fate;
            if let Some((residual, prices)) = node.residual.decide(&fates, &tightened.prices) {
                open.push(Node { residual, prices, upper: node.upper });
            }
        }
    }
}

/// A residual that shrank by at least this share is worked on with full effort again.
const REPEAT_FROM: f64 = 0.05;
