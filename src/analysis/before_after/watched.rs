//! Parties watched at places: the share that did something, and places with signs against places without.
//!
//! Parties at one place resemble each other: they meet the same path, light and sign. What carries over to other places is
//! learnt from places, so every place counts as one, and the binomial limits of all parties together are too narrow.

use rand::RngExt;

use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::counts::binomial::exact_logits;
use crate::analysis::counts::quantiles::{logistic, student_deviate, upper_deviate};
use crate::analysis::counts::{InvalidCounts, checked_trials, half_alpha};
use crate::analysis::random::{seed_of, stream};

/// Exchanges are all tried where there are no more than this.
const MOST_EXCHANGES: f64 = 20_000.0;
/// Exchanges drawn where there are more.
const N_DRAWN: u64 = 9_999;
/// Differences this close count as tied.
const TIE: f64 = 1e-9;

/// Parties watched at one place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Watched {
    /// Parties that passed.
    pub passed: u64,
    /// Of these, those that did it.
    pub did: u64,
}

impl Watched {
    /// Both together.
    pub fn and(self, other: Self) -> Self {
        Self { passed: self.passed + other.passed, did: self.did + other.did }
    }
}

/// A share of watched parties with its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WatchedShare {
    /// Places with a party.
    pub n_places: usize,
    /// All parties.
    pub counted: Watched,
    /// The share of all parties.
    pub share: f64,
    /// Its lower limit.
    pub lower: f64,
    /// Its upper limit.
    pub upper: f64,
    /// What the limits speak of.
    pub basis: ShareBasis,
}

/// What limits of a share speak of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ShareBasis {
    /// One place alone: exact limits of its parties, which say nothing of any other place.
    OfOnePlace,
    /// Places like these: as many parties as would tell as much if each were watched at a place of its own.
    ByPlace,
    /// Places like these, where all parties did the same: every place counts as one party, the least that they can tell.
    PlacesAsParties,
}

/// The share of parties, with limits by place. Places where nobody passed say nothing; none where nobody passed at all.
///
/// The variance between places gives the number of parties that would tell as much if each were watched at another place,
/// lessened by what Student's distribution asks for with so few places; limits are exact at that number.
///
/// # Errors
/// [`InvalidCounts`] when more parties did it than passed, or the level is out of range.
///
/// # References
/// Korn, E. L. & Graubard, B. I. (1998). Confidence intervals for proportions with small expected number of positive counts
/// estimated from survey data. *Survey Methodology* 24, 193-201.
pub fn watched_share(places: &[Watched], level: f64) -> Result<Option<WatchedShare>, InvalidCounts> {
    let beyond = half_alpha(level)?;
    let places: Vec<Watched> = places.iter().copied().filter(|place| *place != Watched::default()).collect();
    for place in &places {
        checked_trials(place.did, place.passed)?;
    }
    let counted = places.iter().fold(Watched::default(), |all, place| all.and(*place));
    if counted.passed == 0 {
        return Ok(None);
    }
    let (n_places, n) = (places.len(), counted.passed as f64);
    let share = counted.did as f64 / n;
    let (trials, basis) = match n_places {
        1 => (n, ShareBasis::OfOnePlace),
        _ if counted.did == 0 || counted.did == counted.passed => {
            (n_places as f64, ShareBasis::PlacesAsParties)
        }
        _ => (worth(&places, share, n, beyond)?, ShareBasis::ByPlace),
    };
    let (lower, upper) = exact_logits(share * trials, trials, beyond);
    let (lower, upper) = (lower.map_or(0.0, logistic), upper.map_or(1.0, logistic));
    Ok(Some(WatchedShare { n_places, counted, share, lower, upper, basis }))
}

/// How many parties, each at a place of its own, would tell as much as these.
fn worth(places: &[Watched], share: f64, n: f64, beyond: f64) -> Result<f64, InvalidCounts> {
    let k = places.len() as f64;
    let residual = |place: &Watched| place.did as f64 - share * place.passed as f64;
    let by_place = places.iter().map(|place| residual(place).powi(2)).sum::<f64>() * k / (k - 1.0) / (n * n);
    let by_chance = share * (1.0 - share) / n;
    let freedom_costs = (upper_deviate(beyond) / student_deviate(k - 1.0, beyond)?).powi(2);
    Ok(n * by_chance / by_place.max(by_chance) * freedom_costs)
}

/// Places with signs against places without, at the same time.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacesCompared {
    /// Where signs stood.
    pub signed: WatchedShare,
    /// Where none did.
    pub control: WatchedShare,
    /// The share with signs less the share without.
    pub difference: f64,
    /// Its lower limit.
    pub lower: f64,
    /// Its upper limit.
    pub upper: f64,
    /// Probability of a difference this large if the signs stood at any of these places alike, two-sided.
    pub p_value: f64,
    /// How many exchanges it rests on.
    pub exchanges: Exchanges,
    /// What may be said.
    pub verdict: PlacesVerdict,
}

/// Exchanges of signs among places.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exchanges {
    /// All that there are.
    All(u64),
    /// So many drawn with the seed.
    Drawn(u64),
}

/// What may be said of places with and without signs. None of it is what signs do: places differ in more than signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlacesVerdict {
    /// A larger share with signs, by limits and by exchange.
    Larger,
    /// A smaller share with signs, by both.
    Smaller,
    /// Neither is told apart from what places differ in anyway.
    NotToldApart,
    /// So few places that no exchange could ever show a difference at this level.
    TooFewPlaces,
}

/// A comparison, or why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum PlacesAnswer {
    /// Compared.
    Compared(PlacesCompared),
    /// No place with a sign was watched.
    NoSigned,
    /// No place without one was watched.
    NoControl,
    /// One place alone on a side: what is its own cannot be told from what the sign does.
    OnePlace,
}

/// Compares places, each as one.
///
/// Limits of the difference are those of the two shares joined; the test exchanges the signs among all places.
///
/// # Errors
/// As [`watched_share`].
///
/// # References
/// Newcombe, R. G. (1998). Interval estimation for the difference between independent proportions: comparison of eleven
/// methods. *Statistics in Medicine* 17, 873-890, method 10, here with the limits by place; Fisher, R. A. (1935). *The
/// Design of Experiments*, section 21; Phipson, B. & Smyth, G. K. (2010). *Statistical Applications in Genetics and Molecular
/// Biology* 9, 39.
pub fn places_compared(
    signed: &[Watched],
    control: &[Watched],
    params: &CompareParams,
) -> Result<PlacesAnswer, InvalidCounts> {
    let Some(with) = watched_share(signed, params.level)? else { return Ok(PlacesAnswer::NoSigned) };
    let Some(without) = watched_share(control, params.level)? else { return Ok(PlacesAnswer::NoControl) };
    if with.n_places < 2 || without.n_places < 2 {
        return Ok(PlacesAnswer::OnePlace);
    }
    let difference = with.share - without.share;
    let below = (with.share - with.lower).hypot(without.upper - without.share);
    let above = (with.upper - with.share).hypot(without.share - without.lower);
    let places: Vec<Watched> =
        signed.iter().chain(control).copied().filter(|place| place.passed > 0).collect();
    let (p_value, exchanges) = exchange(&places, with.n_places, params.seed);
    let (lower, upper) = ((difference - below).max(-1.0), (difference + above).min(1.0));
    let alpha = 1.0 - params.level;
    let verdict = match () {
        () if least_p(with.n_places, without.n_places) > alpha => PlacesVerdict::TooFewPlaces,
        () if p_value <= alpha && lower > 0.0 => PlacesVerdict::Larger,
        () if p_value <= alpha && upper < 0.0 => PlacesVerdict::Smaller,
        () => PlacesVerdict::NotToldApart,
    };
    let compared = PlacesCompared {
        signed: with,
        control: without,
        difference,
        lower,
        upper,
        p_value,
        exchanges,
        verdict,
    };
    Ok(PlacesAnswer::Compared(compared))
}

/// The smallest p-value that exchanges of so many places can give: with as many on either side, every exchange has another
/// that mirrors it.
fn least_p(n_signed: usize, n_control: usize) -> f64 {
    let mirrored = if n_signed == n_control { 2.0 } else { 1.0 };
    mirrored / ways(n_signed + n_control, n_signed)
}

/// In how many ways so many can be chosen.
fn ways(n: usize, chosen: usize) -> f64 {
    (0..chosen).map(|idx| (n - idx) as f64 / (idx + 1) as f64).product::<f64>().round()
}

/// How often the first `n_signed` of exchanged places differ from the others by as much as those of the places given.
fn exchange(places: &[Watched], n_signed: usize, seed: u64) -> (f64, Exchanges) {
    let all = places.iter().fold(Watched::default(), |all, place| all.and(*place));
    let difference = |signed: Watched| {
        let (others, did) = ((all.passed - signed.passed) as f64, (all.did - signed.did) as f64);
        (signed.did as f64 / signed.passed as f64 - did / others).abs()
    };
    let sum = |chosen: &[usize]| chosen.iter().fold(Watched::default(), |sum, idx| sum.and(places[*idx]));
    let given: Vec<usize> = (0..n_signed).collect();
    let observed = difference(sum(&given)) - TIE;
    let n_ways = ways(places.len(), n_signed);
    if n_ways <= MOST_EXCHANGES {
        let mut chosen = given;
        let mut n_as_far = 0_u64;
        loop {
            n_as_far += u64::from(difference(sum(&chosen)) >= observed);
            if !to_next(&mut chosen, places.len()) {
                break;
            }
        }
        return (n_as_far as f64 / n_ways, Exchanges::All(n_ways as u64));
    }
    let mut order: Vec<usize> = (0..places.len()).collect();
    let seed = seed_of(seed, "exchanged places");
    let mut is_as_far = |draw: u64| {
        let mut rng = stream(seed, draw);
        for idx in 0..n_signed {
            let other = rng.random_range(idx..order.len());
            order.swap(idx, other);
        }
        let is_far = difference(sum(&order[..n_signed])) >= observed;
        // Every draw begins with the same order, so that it depends on its stream alone.
        order.sort_unstable();
        is_far
    };
    let n_as_far = (0..N_DRAWN).filter(|draw| is_as_far(*draw)).count();
    ((n_as_far as f64 + 1.0) / (N_DRAWN as f64 + 1.0), Exchanges::Drawn(N_DRAWN))
}

/// The next choice of indices below `n` in lexicographic order; false after the last.
fn to_next(chosen: &mut [usize], n: usize) -> bool {
    let k = chosen.len();
    let Some(at) = (0..k).rev().find(|at| chosen[*at] < n - k + at) else { return false };
    chosen[at] += 1;
    for later in at + 1..k {
        chosen[later] = chosen[later - 1] + 1;
    }
    true
}
