//! A sign plan: the chosen locations with reasons, sizes and costs, and how good the choice is.

use crate::analysis::graph::Graph;
use crate::domain::units::Length;
use crate::signage::placement::curve::{CurvePoint, ceiling, curve};
use crate::signage::placement::demand::{Credit, Demand, InvalidDemand, Risk, credits};
use crate::signage::placement::evaluate::{HeedRange, Split, WarnedShare, chosen_shares, warned_shares};
use crate::signage::placement::exact::{SearchParams, best_choice};
use crate::signage::placement::rules::{InvalidRules, Limit, Rules};
use crate::signage::placement::walk::{InvalidWalk, Site, WalkedTrip};
use crate::signage::sizing::{LegibilityRule, letter_height, rounded_up};
use crate::signage::wording::SignKind;

/// A candidate site with what is known about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Where it is and whom it warns.
    pub site: Site,
    /// What would stand there.
    pub kind: SignKind,
    /// From how far it must be readable.
    pub reading_distance: Length,
    /// Whole-life cost, in the land manager's currency.
    pub cost: f64,
}

/// What a plan is made from.
#[derive(Debug, Clone, Copy)]
pub struct PlanInputs<'a> {
    /// The segment graph.
    pub graph: &'a Graph,
    /// Walkers of the period.
    pub trips: &'a [WalkedTrip],
    /// Days the walkers are counted over, more than zero.
    pub n_days: f64,
    /// Rates by draw, and whether only close contacts are to be warned of.
    pub risk: Risk<'a>,
    /// Candidate sites.
    pub candidates: &'a [Candidate],
}

/// How a plan is made.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanParams {
    /// Walking distance for which a sign warns.
    pub reach: Length,
    /// Limit, standing and required signs, spacing. Costs are taken from the candidates.
    pub rules: Rules,
    /// Effort of the search for the plan.
    pub search: SearchParams,
    /// Effort for each point of the curve.
    pub curve_search: SearchParams,
    /// Largest number of signs on the curve; zero for no curve.
    pub curve_to: usize,
    /// How likely a warned walker heeds.
    pub heed: HeedRange,
    /// Letter height by reading distance.
    pub legibility: LegibilityRule,
}

impl PlanParams {
    /// At most `n_signs` signs with a reach of 800 m, a curve to as many, and the usual effort.
    pub fn signs(n_signs: usize) -> Self {
        Self {
            reach: Length::metres(800.0).unwrap_or(Length::ZERO),
            rules: Rules::sites(n_signs),
            search: SearchParams::default(),
            curve_search: SearchParams { max_work: 200_000_000, ..SearchParams::default() },
            curve_to: n_signs,
            heed: HeedRange::default(),
            legibility: LegibilityRule::ThirtyFeetPerInch,
        }
    }
}

/// Whether a sign stands already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It stands.
    Already,
    /// It is proposed.
    Proposed,
}

/// One location of the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Location {
    /// The site, an index into the candidates.
    pub candidate: usize,
    /// Whether it stands already.
    pub standing: Standing,
    /// What it warns of first, by segment, and who passes it, by the way they go on. Over the period, at the mean rates of the
    /// selection draws.
    pub credit: Credit,
    /// Parties that pass and read it, a day, each once on its trip.
    pub parties_per_day: f64,
    /// The warned share of this sign and all before it in the list, on the draws that judge.
    pub together: WarnedShare,
    /// Share of the selection draws that choose this site when each chooses anew by greedy addition and exchange.
    pub chosen_share: f64,
    /// The walking distance to print on it, rounded up.
    pub distance: Length,
    /// Least letter height for its reading distance.
    pub letter_height: Length,
    /// Whole-life cost; zero for a sign that stands.
    pub cost: f64,
}

/// A share of expected encounters by number of signs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareOf {
    /// Most signs.
    pub n_signs: usize,
    /// Share the greedy choice warns of.
    pub greedy: f64,
    /// Share the best choice found warns of.
    pub best: f64,
    /// Share that no choice exceeds.
    pub upper: f64,
    /// Whether the best choice is proven.
    pub proven: bool,
}

/// How good the choice is on the draws that made it: too good, so not for showing as what to expect.
#[derive(Debug, Clone, PartialEq)]
pub struct SelectionResult {
    /// Expected encounters of the period.
    pub expected_encounters: f64,
    /// Share warned of by the plan.
    pub warned: f64,
    /// Share no plan within the rules exceeds.
    pub upper: f64,
    /// Whether the plan is proven to be the best.
    pub proven: bool,
    /// Share warned of if every allowed site had a sign.
    pub ceiling: f64,
    /// The share by number of signs, 1 and up.
    pub curve: Vec<ShareOf>,
}

/// A sign plan.
#[derive(Debug, Clone, PartialEq)]
pub struct SignPlan {
    /// The locations: those in place, then the proposed ones, in each case those that warn first of most first.
    pub locations: Vec<Location>,
    /// The warned share on the draws held back: the one to show.
    pub warned: WarnedShare,
    /// The share warned and heeding, as a range; `None` when the warned share is not estimable.
    pub heeded: Option<(f64, f64)>,
    /// The choice on the draws that made it; `None` when these expect no encounter.
    pub selection: Option<SelectionResult>,
}

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// Walkers, sites or rates do not fit the network.
    #[error(transparent)]
    Demand(#[from] InvalidDemand),
    /// The rules cannot be kept.
    #[error(transparent)]
    Rules(#[from] InvalidRules),
    /// The number of days is not above zero.
    #[error("walkers cannot be counted over {n_days} days")]
    Days {
        /// The number given.
        n_days: f64,
    },
}

impl From<InvalidWalk> for PlanError {
    fn from(error: InvalidWalk) -> Self {
        Self::Demand(error.into())
    }
}

/// Chooses sign locations and says why, how large and how good.
///
/// The even draws choose, the odd ones judge: see [`Split`].
///
/// # Errors
/// [`PlanError`] when the inputs do not fit each other or the rules cannot be kept.
pub fn plan(inputs: &PlanInputs, params: &PlanParams) -> Result<SignPlan, PlanError> {
    check(inputs)?;
    let sites: Vec<Site> = inputs.candidates.iter().map(|candidate| candidate.site).collect();
    let reach_m = params.reach.in_metres();
    let rules = rules_of(inputs, params);
    let demand = Demand::new(inputs.graph, inputs.trips, &sites, reach_m)?;
    let split = Split::of(inputs.risk.n_draws);
    let rates = inputs.risk.mean_over(&split.selection);
    let coverage = demand.coverage_at(&rates);
    let total = coverage.total_weight();
    let (choice, (chosen_share, (points, ceiling))) = rayon::join(
        || best_choice(&coverage, &rules, &params.search),
        || {
            let chosen_share = chosen_shares(&demand, &inputs.risk, &split.selection, &rules);
            let points = match total > 0.0 {
                true => curve(&coverage, &rules, params.curve_to, &params.curve_search),
                false => Ok(Vec::new()),
            };
            (chosen_share, (points, ceiling(&coverage, &rules)))
        },
    );
    let (choice, chosen_share, points, ceiling) = (choice?, chosen_share?, points?, ceiling?);
    let signs: Vec<usize> = standing_first(&rules, &choice.sites);
    let share = |point: CurvePoint| ShareOf {
        n_signs: point.n_sites,
        greedy: point.greedy / total,
        best: point.best.value / total,
        upper: point.best.upper / total,
        proven: point.best.proven,
    };
    let selection = (total > 0.0).then(|| SelectionResult {
        expected_encounters: total,
        warned: choice.value / total,
        upper: choice.upper / total,
        proven: choice.proven,
        ceiling: ceiling / total,
        curve: points.into_iter().map(share).collect(),
    });
    let standing_sites: Vec<Site> = signs.iter().map(|&site| sites[site]).collect();
    let credits = credits(inputs.graph, inputs.trips, &standing_sites, reach_m, &rates)?;
    let mut locations: Vec<Location> = Vec::with_capacity(signs.len());
    for (&candidate, credit) in signs.iter().zip(credits) {
        let standing =
            if rules.existing.contains(&candidate) { Standing::Already } else { Standing::Proposed };
        let mut location = location(inputs, params, candidate, credit);
        location.standing = standing;
        location.chosen_share = chosen_share[candidate];
        location.cost = if standing == Standing::Already { 0.0 } else { location.cost };
        locations.push(location);
    }
    let worth = |location: &Location| location.credit.warned_first_total();
    let is_proposed = |location: &Location| location.standing == Standing::Proposed;
    locations.sort_by(|a, b| {
        let by_worth = worth(b).total_cmp(&worth(a)).then(a.candidate.cmp(&b.candidate));
        is_proposed(a).cmp(&is_proposed(b)).then(by_worth)
    });
    let order: Vec<usize> = locations.iter().map(|location| location.candidate).collect();
    let mut together = warned_shares(&demand, &inputs.risk, &split.held_back, &order);
    let warned = *together.last().unwrap_or(&WarnedShare::NotEstimable);
    for (location, together) in locations.iter_mut().zip(together.drain(1..)) {
        location.together = together;
    }
    Ok(SignPlan { locations, warned, heeded: warned.heeded(params.heed), selection })
}

fn check(inputs: &PlanInputs) -> Result<(), PlanError> {
    let n_segments = inputs.graph.n_edges();
    inputs.risk.check(n_segments)?;
    if !(inputs.n_days > 0.0 && inputs.n_days.is_finite()) {
        return Err(PlanError::Days { n_days: inputs.n_days });
    }
    Ok(())
}

/// The rules with the costs of the candidates.
fn rules_of(inputs: &PlanInputs, params: &PlanParams) -> Rules {
    let mut rules = params.rules.clone();
    if matches!(rules.limit, Limit::Budget(_)) {
        rules.costs = inputs.candidates.iter().map(|candidate| candidate.cost).collect();
    }
    rules
}

fn standing_first(rules: &Rules, chosen: &[usize]) -> Vec<usize> {
    let mut signs = rules.existing.clone();
    signs.sort_unstable();
    signs.dedup();
    signs.extend(chosen);
    signs
}

fn location(inputs: &PlanInputs, params: &PlanParams, candidate: usize, credit: Credit) -> Location {
    let described = &inputs.candidates[candidate];
    let warned_m: f64 =
        credit.warned_first.iter().map(|&(segment, _)| inputs.graph.edges()[segment].length_m).sum();
    // What it warns of may lie along several ways on; no walker needs the warning for longer than its reach.
    let distance = Length::metres(warned_m).map_or(params.reach, |warned| warned.min(params.reach));
    Location {
        candidate,
        standing: Standing::Proposed,
        parties_per_day: credit.parties / inputs.n_days,
        together: WarnedShare::NotEstimable,
        chosen_share: 0.0,
        distance: rounded_up(distance),
        letter_height: letter_height(described.reading_distance, params.legibility),
        cost: described.cost,
        credit,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::graph::Edge;
    use crate::signage::placement::spacing::{least_spacing, neighbours};
    use crate::signage::placement::walk::{Heading, Spot, WalkedLeg, sites_at_vertices};

    /// A line of twenty 100 m segments, walked from vertex 0 to every depth and back; segment 12 is a hotspot.
    struct Line {
        graph: Graph,
        trips: Vec<WalkedTrip>,
        rates: Vec<f64>,
    }

    const HOTSPOT: usize = 12;
    const N_DRAWS: usize = 20;

    fn line() -> Line {
        let edges = (0..20).map(|idx| Edge { from: idx, to: idx + 1, length_m: 100.0 }).collect();
        let leg = |segment, heading| WalkedLeg { segment, heading };
        let trips = (5..=20).map(|depth| {
            let out = (0..depth).map(|segment| leg(segment, Heading::Forward));
            let back = (0..depth).rev().map(|segment| leg(segment, Heading::Backward));
            let legs = out.chain(back).collect();
            WalkedTrip { trailhead: 0, parties: 30.0, legs, leg_parties: Vec::new() }
        });
        let draw = |draw: usize| {
            let wobble = 1.0 + 0.1 * ((draw * 7 % 5) as f64 - 2.0);
            (0..20).map(move |segment| if segment == HOTSPOT { 0.5 * wobble } else { 0.001 * wobble })
        };
        let rates = (0..N_DRAWS).flat_map(draw).collect();
        Line { graph: Graph::new(21, edges).unwrap(), trips: trips.collect(), rates }
    }

    fn candidates(sites: Vec<Site>) -> Vec<Candidate> {
        let candidate = |site: Site| Candidate {
            kind: if site.spot == Spot::Vertex(0) { SignKind::TrailheadPanel } else { SignKind::TrailSign },
            site,
            reading_distance: Length::metres(9.144).unwrap(),
            cost: 100.0,
        };
        sites.into_iter().map(candidate).collect()
    }

    fn made(line: &Line, candidates: &[Candidate], params: &PlanParams) -> SignPlan {
        let inputs = PlanInputs {
            graph: &line.graph,
            trips: &line.trips,
            n_days: 30.0,
            risk: Risk { n_draws: N_DRAWS, rate_per_km: &line.rates, contact_share: None },
            candidates,
        };
        plan(&inputs, params).unwrap()
    }

    #[test]
    fn the_sign_stands_on_the_approach_to_the_hotspot() {
        let line = line();
        let params = PlanParams { reach: Length::metres(300.0).unwrap(), ..PlanParams::signs(1) };
        let plan = made(&line, &candidates(sites_at_vertices(&line.graph)), &params);
        let location = &plan.locations[0];
        // All walkers come from vertex 0, and some turn round within the hotspot's reach: the sign stands before it.
        assert!((10..=12).contains(&location.candidate), "{}", location.candidate);
        assert_eq!(location.credit.main_way().unwrap().heading, Heading::Forward);
        assert_eq!(location.credit.warned_first[0].0, HOTSPOT);
        assert_eq!(location.distance, Length::metres(300.0).unwrap());
        assert!((location.letter_height.in_millimetres() - 25.4).abs() < 1e-6);
        assert_eq!(location.chosen_share, 1.0);
        let WarnedShare::Estimated { mean, lower, upper } = plan.warned else {
            panic!("there are encounters")
        };
        assert!(0.4 < lower && lower <= mean && mean <= upper && upper < 0.6);
        let selection = plan.selection.unwrap();
        assert!(
            selection.proven && selection.warned <= selection.upper && selection.upper <= selection.ceiling
        );
        let (low, high) = plan.heeded.unwrap();
        assert!((low - 0.2 * lower).abs() < 1e-12 && (high - 0.8 * upper).abs() < 1e-12);
    }

    #[test]
    fn spacing_standing_and_forbidden_sites_are_honoured() {
        let line = line();
        let sites = sites_at_vertices(&line.graph);
        let mut params = PlanParams { reach: Length::metres(200.0).unwrap(), ..PlanParams::signs(4) };
        params.rules.at_most = least_spacing(&line.graph, &sites, 400.0).unwrap();
        params.rules.existing = vec![11];
        params.rules.forbidden = (13..16).collect();
        let plan = made(&line, &candidates(sites.clone()), &params);
        let signs: Vec<usize> = plan.locations.iter().map(|location| location.candidate).collect();
        assert!(signs.contains(&11) && signs.iter().all(|sign| !(13..16).contains(sign)), "{signs:?}");
        let near = neighbours(&line.graph, &sites, 399.0);
        let crowded =
            |sign: &usize| near[*sign].iter().any(|(other, _)| other != sign && signs.contains(other));
        assert!(!signs.iter().any(crowded), "{signs:?}");
        let standing = plan.locations.iter().find(|location| location.candidate == 11).unwrap();
        assert_eq!((standing.standing, standing.cost), (Standing::Already, 0.0));
        let proposed: Vec<f64> = plan.locations.iter().filter(|l| l.cost > 0.0).map(|l| l.cost).collect();
        assert_eq!(proposed.len() + 1, plan.locations.len());
    }

    #[test]
    fn a_budget_buys_what_it_can() {
        let line = line();
        let mut params = PlanParams::signs(0);
        params.rules.limit = Limit::Budget(250.0);
        params.curve_to = 5;
        let plan = made(&line, &candidates(sites_at_vertices(&line.graph)), &params);
        assert_eq!(plan.locations.len(), 2);
        assert!(plan.locations.iter().map(|location| location.cost).sum::<f64>() <= 250.0);
        let curve = plan.selection.unwrap().curve;
        assert_eq!(curve.len(), 5);
        assert!(curve.windows(2).all(|pair| pair[0].best <= pair[1].best + 1e-9));
        assert!(curve.iter().all(|point| point.greedy <= point.best + 1e-9 && point.best <= point.upper));
    }

    #[test]
    fn without_encounters_nothing_is_promised() {
        let mut line = line();
        line.rates.fill(0.0);
        let plan = made(&line, &candidates(sites_at_vertices(&line.graph)), &PlanParams::signs(3));
        assert_eq!((plan.warned, plan.heeded, plan.selection), (WarnedShare::NotEstimable, None, None));
        assert!(plan.locations.is_empty());
    }
}
