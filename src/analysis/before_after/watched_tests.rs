//! Watched shares by hand, and under planted truths: the binomial limits of all parties are seen to fail.

use rand_distr::{Beta, Binomial, Distribution};

use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::shares::watched_change;
use crate::analysis::before_after::watched::{
    Exchanges, PlacesAnswer, PlacesCompared, PlacesVerdict, ShareBasis, Watched, WatchedShare,
    places_compared, watched_share,
};
use crate::analysis::before_after::{Effectiveness, Index, Period, Role, Unit, Verdict, totals};
use crate::analysis::counts::binomial::clopper_pearson_limits;
use crate::analysis::counts::testing::close;
use crate::analysis::random::{Stream, stream};

fn n_runs() -> u64 {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { 4000 } else { 400 }
}

fn share(places: &[Watched]) -> WatchedShare {
    watched_share(places, 0.95).unwrap().unwrap()
}

fn at(did: u64, passed: u64) -> Watched {
    Watched { passed, did }
}

#[test]
fn one_place_speaks_of_itself() {
    let found = share(&[at(12, 40), at(0, 0)]);
    let exact = clopper_pearson_limits(12, 40, 0.95).unwrap();
    assert_eq!((found.n_places, found.basis), (1, ShareBasis::OfOnePlace));
    close(found.lower, exact.0, 1e-12);
    close(found.upper, exact.1, 1e-12);
    assert_eq!(watched_share(&[at(0, 0)], 0.95).unwrap(), None);
    assert!(watched_share(&[at(3, 2)], 0.95).is_err() && watched_share(&[at(1, 0)], 0.95).is_err());
    assert!(watched_share(&[at(1, 2)], 1.0).is_err());
}

#[test]
fn places_that_differ_tell_less_than_their_parties() {
    // Shares of 0.1, 0.3, 0.5, 0.7 of 40 each: residuals -12, -4, 4, 12, variance 320 * 4 / 3 / 160^2 = 1/60; of the
    // binomial 0.24 / 160. With 3 degrees of freedom Student's deviate is 3.182446: 14.4 parties are worth 5.4619.
    let found = share(&[at(4, 40), at(12, 40), at(20, 40), at(28, 40)]);
    close(found.share, 0.4, 1e-12);
    assert_eq!(found.basis, ShareBasis::ByPlace);
    let worth = 0.24 / (1.0 / 60.0) * (1.959963985_f64 / 3.182446305).powi(2);
    close(worth, 5.4619, 1e-3);
    let all = clopper_pearson_limits(64, 160, 0.95).unwrap();
    assert!(found.lower < all.0 - 0.15 && found.upper > all.1 + 0.15, "{found:?}");
    // Places alike still tell no more than their number allows.
    let alike = share(&[at(16, 40); 4]);
    assert!(alike.upper - alike.lower > all.1 - all.0, "{alike:?}");
    // Nobody at four places is nobody of four.
    let none = share(&[at(0, 40); 4]);
    assert_eq!((none.share, none.lower, none.basis), (0.0, 0.0, ShareBasis::PlacesAsParties));
    close(none.upper, 1.0 - 0.025_f64.powf(0.25), 1e-9);
    assert_eq!(share(&[at(40, 40); 4]).upper, 1.0);
}

fn compared(signed: &[Watched], control: &[Watched]) -> PlacesCompared {
    match places_compared(signed, control, &CompareParams::default()).unwrap() {
        PlacesAnswer::Compared(compared) => compared,
        other => panic!("{other:?}"),
    }
}

#[test]
fn exchanges_by_hand() {
    // Of the 20 ways to put three signs at six places only the given one and its mirror differ as much.
    let found = compared(&[at(8, 10), at(9, 10), at(10, 10)], &[at(1, 10), at(2, 10), at(3, 10)]);
    assert_eq!(found.exchanges, Exchanges::All(20));
    close(found.p_value, 0.1, 1e-12);
    close(found.difference, 0.7, 1e-12);
    assert_eq!(found.verdict, PlacesVerdict::TooFewPlaces);
    // Three of seven: 35 ways, no mirror.
    let found = compared(&[at(8, 10), at(9, 10), at(10, 10)], &[at(1, 10), at(2, 10), at(3, 10), at(2, 10)]);
    close(found.p_value, 1.0 / 35.0, 1e-12);
    assert_eq!(found.verdict, PlacesVerdict::Larger);
    let turned = compared(&[at(1, 10), at(2, 10), at(3, 10), at(2, 10)], &[at(8, 10), at(9, 10), at(10, 10)]);
    assert_eq!(turned.verdict, PlacesVerdict::Smaller);
    close(turned.lower, -found.upper, 1e-9);
    let same = compared(&[at(3, 10); 4], &[at(3, 10); 4]);
    assert_eq!((same.p_value, same.verdict), (1.0, PlacesVerdict::NotToldApart));
}

#[test]
fn what_cannot_be_compared_is_said() {
    let answer = |signed: &[Watched], control: &[Watched]| {
        places_compared(signed, control, &CompareParams::default()).unwrap()
    };
    assert_eq!(answer(&[], &[at(1, 2)]), PlacesAnswer::NoSigned);
    assert_eq!(answer(&[at(1, 2)], &[at(0, 0)]), PlacesAnswer::NoControl);
    assert_eq!(answer(&[at(1, 2)], &[at(1, 2), at(1, 2)]), PlacesAnswer::OnePlace);
}

#[test]
fn drawn_exchanges_agree_with_all_of_them_and_repeat() {
    let place = |idx: u64| at(3 + idx * 7 % 11, 20);
    let few: Vec<Watched> = (0..14).map(place).collect();
    let more: Vec<Watched> = few.iter().copied().chain([at(0, 0)]).collect();
    let all = compared(&few[..7], &few[7..]);
    assert_eq!(all.exchanges, Exchanges::All(3432));
    assert_eq!(compared(&few[..7], &more[7..]), all, "a place that nobody passed says nothing");
    let many: Vec<Watched> = few.iter().flat_map(|place| [*place, *place]).collect();
    let drawn = compared(&many[..14], &many[14..]);
    assert!(matches!(drawn.exchanges, Exchanges::Drawn(_)) && drawn == compared(&many[..14], &many[14..]));
}

/// How much places differ: shares with this correlation of two parties of one place.
const ALIKE: f64 = 0.08;
const PARTIES: u64 = 40;

/// The share of a place around a mean.
fn own_share(rng: &mut Stream, mean: f64) -> f64 {
    let size = 1.0 / ALIKE - 1.0;
    Beta::new(mean * size, (1.0 - mean) * size).unwrap().sample(rng)
}

fn parties(rng: &mut Stream, share: f64) -> Watched {
    at(Binomial::new(PARTIES, share.clamp(0.0, 1.0)).unwrap().sample(rng), PARTIES)
}

fn places(rng: &mut Stream, n: usize, mean: f64) -> Vec<Watched> {
    (0..n)
        .map(|_| {
            let own = own_share(rng, mean);
            parties(rng, own)
        })
        .collect()
}

#[test]
fn limits_by_place_hold_and_those_of_all_parties_do_not() {
    let n_runs = n_runs();
    for (n_places, mean) in [(4, 0.3), (8, 0.3), (8, 0.6), (16, 0.1)] {
        let (mut held, mut held_naively) = (0, 0);
        for seed in 0..n_runs {
            let places = places(&mut stream(60_000 + seed, 0), n_places, mean);
            let found = share(&places);
            held += u32::from(found.lower <= mean && mean <= found.upper);
            let naive = clopper_pearson_limits(found.counted.did, found.counted.passed, 0.95).unwrap();
            held_naively += u32::from(naive.0 <= mean && mean <= naive.1);
        }
        let share = |n: u32| f64::from(n) / n_runs as f64;
        println!(
            "{n_places} places of {mean}: {} by place, {} of all parties",
            share(held),
            share(held_naively)
        );
        assert!(share(held) >= 0.92, "{n_places} {mean}: {}", share(held));
        assert!(share(held_naively) < 0.8, "{n_places} {mean}: {}", share(held_naively));
    }
}

/// Whether the difference of two shares of all parties is called at the 5 % level, as if every party were on its own.
fn naive_call(found: &PlacesCompared) -> bool {
    let variance = |of: &WatchedShare| of.share * (1.0 - of.share) / of.counted.passed as f64;
    found.difference.abs() > 1.959964 * (variance(&found.signed) + variance(&found.control)).sqrt()
}

#[test]
fn places_alike_are_told_apart_at_the_level_and_places_that_differ_are_found() {
    let n_runs = n_runs();
    let (mut naive, mut exchanged, mut excluded, mut called) = (0, 0, 0, 0);
    let (mut held, mut found_larger) = (0, 0);
    for seed in 0..n_runs {
        let mut rng = stream(61_000 + seed, 0);
        let (signed, control) = (places(&mut rng, 8, 0.4), places(&mut rng, 10, 0.4));
        let found = compared(&signed, &control);
        naive += u32::from(naive_call(&found));
        exchanged += u32::from(found.p_value <= 0.05);
        excluded += u32::from(found.lower > 0.0 || found.upper < 0.0);
        called += u32::from(found.verdict != PlacesVerdict::NotToldApart);
        let (signed, control) = (places(&mut rng, 8, 0.7), places(&mut rng, 10, 0.4));
        let found = compared(&signed, &control);
        held += u32::from(found.lower <= 0.3 && 0.3 <= found.upper);
        found_larger += u32::from(found.verdict == PlacesVerdict::Larger);
    }
    let share = |n: u32| f64::from(n) / n_runs as f64;
    println!(
        "naive {}, exchanged {}, excluded {}, called {}; held {}, larger {}",
        share(naive),
        share(exchanged),
        share(excluded),
        share(called),
        share(held),
        share(found_larger)
    );
    assert!(share(naive) > 0.2, "{}", share(naive));
    assert!(share(exchanged) <= 0.08 && share(excluded) <= 0.075 && share(called) <= 0.075);
    assert!(share(held) >= 0.92 && share(found_larger) > 0.8);
}

/// A park of watched places: the share before the plan, between plan and signs, and with signs, each of so many parties.
struct Park {
    periods: Vec<[Watched; 3]>,
    is_signed: Vec<bool>,
}

/// What chose the places.
#[derive(Clone, Copy, PartialEq)]
enum ChosenBy {
    /// Encounters, which have nothing to do with how people behave.
    Encounters,
    /// The smallest shares of parties that did as asked in the first period.
    Behaviour,
}

const N_SIGNED: usize = 8;
const N_PLACES: usize = 20;

/// All shares grow by `trend` with the years, those at signs by `effect` besides; every place drifts on its own a little.
fn park(seed: u64, chosen_by: ChosenBy, trend: f64, effect: f64) -> Park {
    let mut rng = stream(seed, 0);
    let shares: Vec<f64> = (0..N_PLACES).map(|_| own_share(&mut rng, 0.35)).collect();
    let mut first = |share: f64| parties(&mut rng, share);
    let before: Vec<Watched> = shares.iter().map(|share| first(*share)).collect();
    let mut order: Vec<usize> = (0..N_PLACES).collect();
    if chosen_by == ChosenBy::Behaviour {
        order.sort_by_key(|place| before[*place].did);
    }
    let is_signed: Vec<bool> = (0..N_PLACES).map(|place| order[..N_SIGNED].contains(&place)).collect();
    let periods = (0..N_PLACES)
        .map(|place| {
            let drifted = |rng: &mut Stream, mean: f64| {
                let size = 60.0;
                let mean = mean.clamp(0.02, 0.98);
                Beta::new(mean * size, (1.0 - mean) * size).unwrap().sample(rng)
            };
            let between = drifted(&mut rng, shares[place]);
            let kept = if is_signed[place] { effect } else { 1.0 };
            let after = drifted(&mut rng, shares[place] * trend * kept);
            [before[place], parties(&mut rng, between), parties(&mut rng, after)]
        })
        .collect();
    Park { periods, is_signed }
}

fn units(park: &Park, before: usize) -> Vec<Unit> {
    let period = |watched: Watched| Period { count: watched.did, km: watched.passed as f64 };
    park.periods
        .iter()
        .zip(&park.is_signed)
        .map(|(periods, is_signed)| Unit {
            before: period(periods[before]),
            after: period(periods[2]),
            role: if *is_signed { Role::Signed } else { Role::Control },
        })
        .collect()
}

fn index(units: &[Unit]) -> Index {
    match watched_change(units, &CompareParams::default()).unwrap() {
        Effectiveness::Estimated(index) => index,
        Effectiveness::NotEstimable(why) => panic!("{why:?}"),
    }
}

fn excludes(index: &Index, change: f64) -> bool {
    index.limits.lower > change || index.limits.upper.is_some_and(|upper| upper < change)
}

/// Signs that do nothing while all walkers take more heed over the years: after against before at the signs alone finds
/// them useful.
#[test]
fn useless_signs_are_called_at_the_level_although_all_behaviour_changes() {
    let n_runs = n_runs();
    let (mut naive, mut excluded, mut called, mut ln_mean) = (0, 0, 0, 0.0);
    for seed in 0..n_runs {
        let units = units(&park(62_000 + seed, ChosenBy::Encounters, 1.3, 1.0), 0);
        let (before, after) = totals(&units, Role::Signed);
        let share = |period: Period| period.count as f64 / period.km;
        let variance = |period: Period| share(period) * (1.0 - share(period)) / period.km;
        naive += u32::from(share(after) - share(before) > 1.96 * (variance(before) + variance(after)).sqrt());
        let found = index(&units);
        ln_mean += found.change.estimate().unwrap().ln() / n_runs as f64;
        excluded += u32::from(excludes(&found, 1.0));
        called += u32::from(matches!(found.verdict, Verdict::Fewer | Verdict::More));
    }
    let share = |n: u32| f64::from(n) / n_runs as f64;
    println!(
        "naive {}, excluded {}, called {}, mean {}",
        share(naive),
        share(excluded),
        share(called),
        ln_mean.exp()
    );
    assert!(share(naive) > 0.4, "{}", share(naive));
    assert!(share(excluded) <= 0.08 && share(called) <= 0.075, "{} {}", share(excluded), share(called));
    assert!(ln_mean.abs() < 0.03, "before may reach back where behaviour chose no place: {ln_mean}");
}

#[test]
fn signs_that_work_are_found_with_their_size() {
    const EFFECT: f64 = 1.5;
    let n_runs = n_runs();
    let (mut held, mut called, mut ln_mean) = (0, 0, 0.0);
    for seed in 0..n_runs {
        let found = index(&units(&park(63_000 + seed, ChosenBy::Encounters, 1.2, EFFECT), 0));
        ln_mean += found.change.estimate().unwrap().ln() / n_runs as f64;
        held += u32::from(!excludes(&found, EFFECT));
        called += u32::from(found.verdict == Verdict::More);
    }
    let share = |n: u32| f64::from(n) / n_runs as f64;
    println!("mean {}, held {}, called {}", ln_mean.exp(), share(held), share(called));
    assert!((ln_mean.exp() / EFFECT - 1.0).abs() < 0.06, "{}", ln_mean.exp());
    assert!(share(held) >= 0.92 && share(called) > 0.7, "{} {}", share(held), share(called));
}

/// Where the worst behaviour chose the places, the time that chose them is no before: useless signs look useful. The time
/// between plan and signs has no part in it.
#[test]
fn behaviour_that_chose_the_places_is_no_before() {
    let n_runs = n_runs();
    let (mut biased, mut biased_calls, mut later, mut later_calls) = (0.0, 0, 0.0, 0);
    for seed in 0..n_runs {
        let park = park(64_000 + seed, ChosenBy::Behaviour, 1.0, 1.0);
        let all = index(&units(&park, 0));
        biased += all.change.estimate().unwrap().ln() / n_runs as f64;
        biased_calls += u32::from(all.verdict == Verdict::More);
        let since = index(&units(&park, 1));
        later += since.change.estimate().unwrap().ln() / n_runs as f64;
        later_calls += u32::from(matches!(since.verdict, Verdict::Fewer | Verdict::More));
    }
    let share = |n: u32| f64::from(n) / n_runs as f64;
    println!("{} {}; {} {}", biased.exp(), share(biased_calls), later.exp(), share(later_calls));
    assert!(biased > 0.08 && share(biased_calls) > 0.1, "{biased} {}", share(biased_calls));
    assert!(later.abs() < 0.04 && share(later_calls) <= 0.075, "{later} {}", share(later_calls));
}
