//! The search against enumeration, a general solver and published-style instances.

use proptest::prelude::*;

use crate::signage::placement::coverage::Coverage;
use crate::signage::placement::exact::{SearchParams, best_choice};
use crate::signage::placement::linear::{Sites, optimum_by_solver};
use crate::signage::placement::residual::Residual;
use crate::signage::placement::rules::{AtMost, InvalidRules, Limit, Rules};
use crate::signage::placement::selection::{greedy, improved};

fn best(coverage: &Coverage, rules: &Rules) -> f64 {
    let choice = best_choice(coverage, rules, &SearchParams::default()).unwrap();
    assert!(choice.proven, "the search ended early");
    let standing_too: Vec<usize> = choice.sites.iter().chain(&rules.existing).copied().collect();
    let covered = coverage.covered_weight(&standing_too);
    assert!((covered - choice.value).abs() <= 1e-9 * (1.0 + covered), "{covered} {}", choice.value);
    assert!(choice.upper >= choice.value);
    assert!(keeps(coverage, rules, &choice.sites), "{:?}", choice.sites);
    choice.value
}

/// Whether a choice keeps every rule; written apart from the search.
fn keeps(coverage: &Coverage, rules: &Rules, sites: &[usize]) -> bool {
    let paid = sites.iter().filter(|site| !rules.existing.contains(site));
    let within = match rules.limit {
        Limit::Sites(most) => paid.count() <= most,
        Limit::Budget(budget) => paid.map(|&site| rules.costs[site]).sum::<f64>() <= budget + 1e-6,
    };
    let chosen: Vec<bool> =
        (0..coverage.n_sites()).map(|site| sites.contains(&site) || rules.existing.contains(&site)).collect();
    let groups_hold = rules.at_most.iter().all(|group| {
        let standing = group.sites.iter().filter(|site| rules.existing.contains(site)).count();
        group.sites.iter().filter(|&&site| chosen[site]).count() <= group.most.max(standing)
    });
    let barred = rules.forbidden.iter().any(|site| sites.contains(site) && !rules.existing.contains(site));
    within && groups_hold && !barred && rules.required.iter().all(|&site| chosen[site])
}

/// The best value by trying every set of sites.
fn by_enumeration(coverage: &Coverage, rules: &Rules) -> Option<f64> {
    let n_sites = coverage.n_sites();
    (0..1u32 << n_sites)
        .map(|set| (0..n_sites).filter(|site| set >> site & 1 == 1).collect::<Vec<_>>())
        .filter(|sites| {
            rules.existing.iter().all(|site| sites.contains(site)) && keeps(coverage, rules, sites)
        })
        .map(|sites| coverage.covered_weight(&sites))
        .max_by(f64::total_cmp)
}

/// Worked by hand, except the last value, which two mixed-integer solvers and enumeration agree on.
#[test]
fn small_instances_have_their_known_optimum() {
    let check = |cover: &[&[usize]], weights: &[f64], p, optimum: f64, order: &[usize], greedy_value: f64| {
        let cover: Vec<Vec<usize>> = cover.iter().map(|row| row.to_vec()).collect();
        let coverage = Coverage::new(&cover, weights.to_vec()).unwrap();
        let rules = Rules::sites(p);
        assert_eq!(best(&coverage, &rules), optimum);
        let greedy = greedy(&coverage, &rules).unwrap();
        assert_eq!((greedy.order.as_slice(), greedy.value), (order, greedy_value));
        assert_eq!(greedy.gains.iter().sum::<f64>(), greedy_value);
    };
    let unit = [1.0; 10];
    check(&[&[0, 1, 2, 3], &[0, 1, 4, 5, 6], &[2, 3, 7, 8, 9], &[4, 7]], &unit, 2, 10.0, &[1, 2], 10.0);
    // Greedy takes site 0 first and cannot reach the optimum.
    let trap = [2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 1.0, 1.0, 1.0, 1.0];
    check(&[&[0, 1, 2, 3, 4, 5], &[0, 1, 2, 6, 7], &[3, 4, 5, 8, 9]], &trap, 2, 16.0, &[0, 1], 14.0);
    check(&[&[0], &[1]], &[3.0, 4.0, 5.0], 5, 7.0, &[1, 0], 7.0);
    check(&[&[0], &[1]], &[3.0, 4.0, 5.0], 0, 0.0, &[], 0.0);
    let cover: [&[usize]; 6] = [&[0, 1], &[2], &[0, 2, 3], &[], &[4, 5], &[1, 4]];
    check(&cover, &[5.5, 3.25, 2.0, 7.75, 1.0, 4.5], 3, 24.0, &[2, 4, 0], 24.0);
}

#[test]
fn nothing_to_choose_from_covers_nothing() {
    let none = Coverage::new(&[], vec![1.0]).unwrap();
    assert_eq!(best(&none, &Rules::sites(3)), 0.0);
    let weightless = Coverage::new(&[vec![0], vec![0]], vec![0.0]).unwrap();
    assert_eq!(best(&weightless, &Rules::sites(1)), 0.0);
}

#[test]
fn impossible_rules_are_named() {
    let coverage = Coverage::new(&[vec![0], vec![1]], vec![1.0, 2.0]).unwrap();
    let refused = |rules: Rules| best_choice(&coverage, &rules, &SearchParams::default()).unwrap_err();
    assert_eq!(refused(Rules { required: vec![0, 1], ..Rules::sites(1) }), InvalidRules::Infeasible);
    let group = AtMost { sites: vec![0, 1], most: 1 };
    let both = Rules { required: vec![0, 1], at_most: vec![group.clone()], ..Rules::sites(2) };
    assert_eq!(refused(both), InvalidRules::Infeasible);
    // Standing signs may break a group; then nothing more goes in.
    let standing = Rules { existing: vec![0, 1], at_most: vec![group], ..Rules::sites(2) };
    assert_eq!(best(&coverage, &standing), 3.0);
}

#[test]
fn too_little_work_still_gives_a_bound() {
    let coverage = disc_instance(60, 400, 0.3, 5);
    let params = SearchParams { max_work: 1, ..SearchParams::default() };
    let choice = best_choice(&coverage, &Rules::sites(6), &params).unwrap();
    assert!(!choice.proven);
    let optimum = best(&coverage, &Rules::sites(6));
    assert!(choice.value <= optimum + 1e-9 && optimum <= choice.upper + 1e-9);
    assert!(choice.gap() > 0.0);
}

/// Sites and elements at seeded places in the unit square; a site covers what lies within the radius.
fn disc_instance(n_sites: usize, n_elements: usize, radius: f64, seed: u64) -> Coverage {
    use crate::analysis::random::stream;
    use rand::RngExt;
    let mut rng = stream(seed, 0);
    let mut points =
        |n: usize| (0..n).map(|_| (rng.random::<f64>(), rng.random::<f64>())).collect::<Vec<_>>();
    let (sites, elements) = (points(n_sites), points(n_elements));
    let within = |a: &(f64, f64), b: &(f64, f64)| (a.0 - b.0).hypot(a.1 - b.1) <= radius;
    let cover: Vec<Vec<usize>> = sites
        .iter()
        .map(|site| (0..n_elements).filter(|&element| within(site, &elements[element])).collect())
        .collect();
    let mut rng = stream(seed, 1);
    Coverage::new(&cover, (0..n_elements).map(|_| -rng.random::<f64>().max(1e-9).ln()).collect()).unwrap()
}

#[test]
fn two_hundred_sites_are_proven_and_agree_with_a_general_solver() {
    for (seed, p) in [(1, 12), (2, 5), (3, 20)] {
        let coverage = disc_instance(200, 300, 0.09, seed);
        let rules = Rules::sites(p);
        let value = best(&coverage, &rules);
        let bound = optimum_by_solver(&coverage, &rules, Sites::InPart).unwrap();
        assert!(value <= bound + 1e-6, "{value} {bound}");
        let reference = optimum_by_solver(&coverage, &rules, Sites::Whole).unwrap();
        assert!((value - reference).abs() < 1e-6 * reference, "{value} {reference}");
        let start = greedy(&coverage, &rules).unwrap().value;
        let improved = improved(&Residual::new(&coverage, &rules).unwrap()).1;
        assert!(start <= improved + 1e-9 && improved <= value + 1e-9);
        // Nemhauser, Wolsey & Fisher (1978): greedy reaches 1 - 1/e of the optimum.
        assert!(start >= (1.0 - (-1.0f64).exp()) * value);
    }
}

/// An instance with every kind of rule, small enough to enumerate.
fn instances() -> impl Strategy<Value = (Coverage, Rules)> {
    let sizes = (1usize..9, 1usize..12);
    sizes.prop_flat_map(|(n_sites, n_elements)| {
        let cover = prop::collection::vec(prop::collection::vec(0..n_elements, 0..5), n_sites);
        let weights =
            prop::collection::vec(prop_oneof![(0u32..6).prop_map(f64::from), 0.0..6.0f64], n_elements);
        let limit = prop_oneof![(0usize..5).prop_map(Limit::Sites), (0.0..9.0f64).prop_map(Limit::Budget)];
        let costs = prop::collection::vec(prop_oneof![(1u32..4).prop_map(f64::from), 0.5..4.0f64], n_sites);
        let some = || prop::collection::vec(0..n_sites, 0..2);
        let members = prop::collection::btree_set(0..n_sites, 0..5);
        let groups = prop::collection::vec((members, 0usize..3), 0..3);
        (cover, weights, limit, costs, (some(), some(), some()), groups).prop_map(
            |(cover, weights, limit, costs, (existing, required, forbidden), groups)| {
                let groups = groups
                    .into_iter()
                    .map(|(sites, most)| AtMost { sites: sites.into_iter().collect(), most });
                let at_most = groups.collect();
                let rules = Rules { limit, costs, existing, required, forbidden, at_most };
                (Coverage::new(&cover, weights).unwrap(), rules)
            },
        )
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

    #[test]
    fn the_search_equals_enumeration((coverage, rules) in instances()) {
        match best_choice(&coverage, &rules, &SearchParams::default()) {
            Ok(_) => {
                let expected = by_enumeration(&coverage, &rules).unwrap();
                let value = best(&coverage, &rules);
                prop_assert!((value - expected).abs() <= 1e-8 * (1.0 + expected), "{value} {expected}");
            }
            Err(InvalidRules::Infeasible) => prop_assert_eq!(by_enumeration(&coverage, &rules), None),
            Err(error) => prop_assert!(matches!(error, InvalidRules::Contradiction { .. }), "{error}"),
        }
    }

    #[test]
    fn the_general_solver_equals_enumeration((coverage, rules) in instances()) {
        prop_assume!(best_choice(&coverage, &rules, &SearchParams::default()).is_ok());
        let expected = by_enumeration(&coverage, &rules).unwrap();
        let value = optimum_by_solver(&coverage, &rules, Sites::Whole).unwrap();
        prop_assert!((value - expected).abs() <= 1e-6 * (1.0 + expected), "{value} {expected}");
        prop_assert!(optimum_by_solver(&coverage, &rules, Sites::InPart).unwrap() >= expected - 1e-6);
    }

    #[test]
    fn merging_and_renumbering_change_nothing((coverage, rules) in instances(), shift in 0usize..9) {
        prop_assume!(best_choice(&coverage, &rules, &SearchParams::default()).is_ok());
        let value = best(&coverage, &rules);
        let merged = best(&coverage.merged(), &rules);
        prop_assert!((value - merged).abs() <= 1e-8 * (1.0 + value));
        let n_sites = coverage.n_sites();
        let moved = |site: usize| (site + shift) % n_sites;
        let all = |sites: &[usize]| sites.iter().map(|&site| moved(site)).collect::<Vec<_>>();
        let mut cover = vec![Vec::new(); n_sites];
        let mut costs = vec![1.0; n_sites];
        for site in 0..n_sites {
            cover[moved(site)] = coverage.covered_by(site).iter().map(|&element| element as usize).collect();
            costs[moved(site)] = rules.costs[site];
        }
        let renumbered = Rules {
            limit: rules.limit,
            costs,
            existing: all(&rules.existing),
            required: all(&rules.required),
            forbidden: all(&rules.forbidden),
            at_most: rules.at_most.iter().map(|g| AtMost { sites: all(&g.sites), most: g.most }).collect(),
        };
        let other = best(&Coverage::new(&cover, coverage.weights().to_vec()).unwrap(), &renumbered);
        prop_assert!((value - other).abs() <= 1e-8 * (1.0 + value));
    }

    #[test]
    fn medium_instances_agree_with_a_general_solver(seed in 0u64..1000, p in 1usize..6, radius in 0.1..0.3f64) {
        let coverage = disc_instance(25, 40, radius, seed);
        let mut rules = Rules::sites(p);
        if seed % 2 == 0 {
            rules.limit = Limit::Budget(p as f64 * 1.5);
            rules.costs = (0..25).map(|site| 1.0 + (site % 3) as f64).collect();
        }
        rules.at_most = vec![AtMost { sites: (0..10).collect(), most: 1 }, AtMost { sites: (5..20).collect(), most: 2 }];
        let reference = optimum_by_solver(&coverage, &rules, Sites::Whole).unwrap();
        let value = best(&coverage, &rules);
        prop_assert!((value - reference).abs() <= 1e-6 * (1.0 + reference), "{value} {reference}");
    }
}
