//! What watching could find out: the smallest rise of a share that a comparison would show, told before anyone watches.

use rand::RngExt;
use rand_distr::{Beta, Distribution, StandardNormal};

use crate::analysis::before_after::empirical_bayes::CompareParams;
use crate::analysis::before_after::shares::watched_change;
use crate::analysis::before_after::{
    Effectiveness, FEWEST_SIGNS, InvalidComparison, Period, Role, Unit, Verdict,
};
use crate::analysis::counts::half_alpha;
use crate::analysis::random::{Stream, stream};

/// Comparisons simulated for an answer: a probability of 0.8 is known to 0.028.
const N_SIMULATED: u64 = 200;
/// Halvings when the smallest rise is sought, on the scale of a share that rises to all.
const N_HALVINGS: usize = 9;

/// What watching at signs, and as many places without, before and after would rest on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WatchedPowerInputs {
    /// Places with a sign; as many are watched without one.
    pub n_places: usize,
    /// Parties watched at each place, before and again after.
    pub parties: u64,
    /// Share of them that does as asked without a sign, in (0, 1).
    pub share: f64,
    /// How alike parties of one place are: the intraclass correlation, in [0, 1).
    pub correlation: f64,
    /// Standard deviation, on the scale of log odds, of how the share of a place changes on its own; 0 where all stay.
    pub own_change: f64,
    /// Confidence level of the limits.
    pub level: f64,
    /// Wanted probability to show the change, in (0, 1).
    pub power: f64,
}

impl Default for WatchedPowerInputs {
    fn default() -> Self {
        Self {
            n_places: 8,
            parties: 50,
            share: 0.5,
            correlation: 0.05,
            own_change: 0.3,
            level: 0.95,
            power: 0.8,
        }
    }
}

/// The smallest effect of signs that would show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Detectable {
    /// A rise of at least this shows with the wanted probability.
    From(Rise),
    /// Not even signs that all parties follow would show often enough.
    NotEvenAll,
    /// Fewer places than [`FEWEST_SIGNS`].
    TooFewPlaces,
}

/// A rise of the share that does as asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rise {
    /// What signs add to the log odds at every place.
    pub log_odds: f64,
    /// The share of all parties with signs, over places that differ: less than the log odds add to the share of an average
    /// place.
    pub share: f64,
}

/// The smallest rise that would show with the wanted probability: simulated comparisons, with a fixed seed, each judged as
/// [`watched_change`] judges.
///
/// # Errors
/// [`InvalidComparison`] when a number is out of range.
pub fn smallest_rise(inputs: &WatchedPowerInputs) -> Result<Detectable, InvalidComparison> {
    check(inputs)?;
    if inputs.n_places < FEWEST_SIGNS {
        return Ok(Detectable::TooFewPlaces);
    }
    let simulated: Vec<Simulated> = simulated(inputs);
    // Just below all: the log odds of all are not finite.
    let all = 1.0 - 1e-6;
    let raised = |share: f64| log_odds(share) - log_odds(inputs.share);
    if !is_often_shown(&simulated, inputs, raised(all))? {
        return Ok(Detectable::NotEvenAll);
    }
    let (mut hidden, mut shown) = (inputs.share, all);
    for _ in 0..N_HALVINGS {
        let middle = 0.5 * (hidden + shown);
        if is_often_shown(&simulated, inputs, raised(middle))? { shown = middle } else { hidden = middle }
    }
    let rise = raised(shown);
    let places = || simulated.iter().flat_map(|comparison| &comparison.signed);
    let total: f64 = places().map(|place| share_of(place.log_odds_after + rise)).sum();
    Ok(Detectable::From(Rise { log_odds: rise, share: total / places().count().max(1) as f64 }))
}

fn check(inputs: &WatchedPowerInputs) -> Result<(), InvalidComparison> {
    half_alpha(inputs.level)?;
    in_open("the power", inputs.power)?;
    in_open("the share without signs", inputs.share)?;
    within("the correlation of parties", inputs.correlation, 0.0..1.0, "from 0 to below 1")?;
    within("the own change of places", inputs.own_change, 0.0..10.0, "from 0 to below 10")?;
    within("parties at a place", inputs.parties as f64, 1.0..1e6, "1 or more, below a million")
}

fn in_open(name: &'static str, value: f64) -> Result<(), InvalidComparison> {
    within(name, value, f64::MIN_POSITIVE..1.0, "strictly between 0 and 1")
}

fn within(
    name: &'static str,
    value: f64,
    range: std::ops::Range<f64>,
    allowed: &'static str,
) -> Result<(), InvalidComparison> {
    if range.contains(&value) { Ok(()) } else { Err(InvalidComparison::Parameter { name, value, allowed }) }
}

/// Whether enough of the comparisons show it; stops as soon as that is certain.
fn is_often_shown(
    simulated: &[Simulated],
    inputs: &WatchedPowerInputs,
    raised: f64,
) -> Result<bool, InvalidComparison> {
    let wanted = (inputs.power * N_SIMULATED as f64).ceil() as usize;
    let (mut n_shown, mut n_hidden) = (0, 0);
    for comparison in simulated {
        match comparison.shows(inputs, raised)? {
            true => n_shown += 1,
            false => n_hidden += 1,
        }
        if n_shown >= wanted || n_hidden > simulated.len() - wanted {
            break;
        }
    }
    Ok(n_shown >= wanted)
}

/// A place before the signs did anything.
struct Place {
    /// Log odds of doing as asked after, if no sign stood.
    log_odds_after: f64,
    /// Parties that did as asked before.
    before: u64,
    /// For each party after, what its log odds must be above.
    thresholds: Vec<f64>,
}

/// A comparison before the signs did anything.
struct Simulated {
    signed: Vec<Place>,
    control: Vec<Unit>,
}

fn simulated(inputs: &WatchedPowerInputs) -> Vec<Simulated> {
    (0..N_SIMULATED).map(|idx| Simulated::draw(inputs, &mut stream(2, idx))).collect()
}

impl Simulated {
    fn draw(inputs: &WatchedPowerInputs, rng: &mut Stream) -> Self {
        let signed = (0..inputs.n_places).map(|_| Place::draw(inputs, rng)).collect();
        let control = |_| {
            let place = Place::draw(inputs, rng);
            place.unit(0.0, inputs.parties, Role::Control)
        };
        Self { signed, control: (0..inputs.n_places).map(control).collect() }
    }

    fn shows(&self, inputs: &WatchedPowerInputs, raised: f64) -> Result<bool, InvalidComparison> {
        let signed = self.signed.iter().map(|place| place.unit(raised, inputs.parties, Role::Signed));
        let units: Vec<Unit> = signed.chain(self.control.iter().copied()).collect();
        let params = CompareParams { level: inputs.level, seed: 1 };
        // A rise of the share is what the comparison calls more.
        Ok(match watched_change(&units, &params)? {
            Effectiveness::Estimated(index) => index.verdict == Verdict::More,
            Effectiveness::NotEstimable(_) => false,
        })
    }
}

impl Place {
    fn draw(inputs: &WatchedPowerInputs, rng: &mut Stream) -> Self {
        let share = own_share(inputs, rng);
        let change: f64 = StandardNormal.sample(rng);
        let before = log_odds(share);
        let threshold = |rng: &mut Stream| log_odds(rng.random::<f64>().clamp(1e-12, 1.0 - 1e-12));
        let n_before = (0..inputs.parties).filter(|_| before > threshold(rng)).count() as u64;
        let mut thresholds: Vec<f64> = (0..inputs.parties).map(|_| threshold(rng)).collect();
        thresholds.sort_by(f64::total_cmp);
        Self { log_odds_after: before + inputs.own_change * change, before: n_before, thresholds }
    }

    /// What is counted where a sign raises the log odds.
    fn unit(&self, raised: f64, parties: u64, role: Role) -> Unit {
        let log_odds = self.log_odds_after + raised;
        let after = self.thresholds.partition_point(|threshold| *threshold < log_odds) as u64;
        let km = parties as f64;
        Unit { before: Period { count: self.before, km }, after: Period { count: after, km }, role }
    }
}

/// The share of one place: from the beta distribution of the mean and correlation of all.
fn own_share(inputs: &WatchedPowerInputs, rng: &mut Stream) -> f64 {
    if inputs.correlation == 0.0 {
        return inputs.share;
    }
    let firmness = 1.0 / inputs.correlation - 1.0;
    let own = Beta::new(inputs.share * firmness, (1.0 - inputs.share) * firmness);
    own.map_or(inputs.share, |own| own.sample(rng)).clamp(1e-9, 1.0 - 1e-9)
}

fn log_odds(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

fn share_of(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_distr::Binomial;

    #[test]
    fn more_places_and_more_parties_show_more() {
        let from = |n_places: usize, parties: u64| {
            let inputs = WatchedPowerInputs { n_places, parties, ..WatchedPowerInputs::default() };
            match smallest_rise(&inputs).unwrap() {
                Detectable::From(rise) => rise.share,
                other => panic!("{other:?}"),
            }
        };
        assert!(from(10, 50) < from(6, 50), "places");
        assert!(from(8, 100) < from(8, 20), "parties");
        // However many parties are watched, places that change on their own hide a small rise.
        assert!(from(6, 2000) > 0.55);
    }

    #[test]
    fn what_cannot_be_shown_is_said() {
        let of = |inputs: WatchedPowerInputs| smallest_rise(&inputs);
        let usual = WatchedPowerInputs::default();
        let few = WatchedPowerInputs { n_places: FEWEST_SIGNS - 1, ..usual };
        assert_eq!(of(few).unwrap(), Detectable::TooFewPlaces);
        let all_do = WatchedPowerInputs { share: 0.97, parties: 10, n_places: 6, ..usual };
        assert_eq!(of(all_do).unwrap(), Detectable::NotEvenAll);
        for bad in [
            WatchedPowerInputs { share: 1.0, ..usual },
            WatchedPowerInputs { correlation: 1.0, ..usual },
            WatchedPowerInputs { own_change: f64::NAN, ..usual },
            WatchedPowerInputs { parties: 0, ..usual },
            WatchedPowerInputs { level: 1.0, ..usual },
        ] {
            assert!(of(bad).is_err(), "{bad:?}");
        }
    }

    fn rise(inputs: &WatchedPowerInputs) -> Rise {
        match smallest_rise(inputs).unwrap() {
            Detectable::From(rise) => rise,
            other => panic!("{other:?}"),
        }
    }

    /// Watches made here, by other means and with other numbers, are called as often as was promised; without an effect hardly
    /// ever. Parties taken to be independent (the naive way) promise much more than is kept.
    #[test]
    fn what_is_promised_is_kept() {
        let inputs =
            WatchedPowerInputs { correlation: 0.1, own_change: 0.4, ..WatchedPowerInputs::default() };
        let needed = rise(&inputs);
        let kept = called(&inputs, needed.log_odds);
        assert!((0.7..=0.9).contains(&kept.0), "{kept:?}");
        // The share that is told is that of the parties, not that of an average place.
        assert!((kept.1 - needed.share).abs() < 0.02, "{kept:?} {needed:?}");
        assert!(called(&inputs, 0.0).0 <= 0.05);
        let shown = simulated(&inputs).iter().filter(|it| it.shows(&inputs, 0.0).unwrap()).count();
        assert!(shown as f64 <= 0.05 * N_SIMULATED as f64, "{shown}");
        let naive = WatchedPowerInputs { correlation: 0.0, own_change: 0.0, ..inputs };
        let kept = called(&inputs, rise(&naive).log_odds);
        assert!(kept.0 < 0.65, "{kept:?}");
    }

    #[test]
    fn places_that_differ_have_a_smaller_share_than_an_average_one() {
        let inputs = WatchedPowerInputs { correlation: 0.4, ..WatchedPowerInputs::default() };
        let Rise { log_odds, share } = rise(&inputs);
        assert!(share < share_of(log_odds) - 0.05, "{share} {log_odds}");
    }

    /// Share of planted comparisons whose verdict is a rise, and share of parties with signs that do as asked.
    fn called(inputs: &WatchedPowerInputs, raised: f64) -> (f64, f64) {
        const N: u64 = 400;
        let firmness = 1.0 / inputs.correlation - 1.0;
        let places = Beta::new(inputs.share * firmness, (1.0 - inputs.share) * firmness).unwrap();
        let mut did_with_signs = 0;
        let mut is_called = |run: &u64| {
            let mut rng = stream(77, *run);
            let mut unit = |role: Role| {
                let own: f64 = places.sample(&mut rng);
                let drift: f64 = StandardNormal.sample(&mut rng);
                let effect = if role == Role::Signed { raised } else { 0.0 };
                let odds = (log_odds(own) + inputs.own_change * drift + effect).exp();
                let mut did = |share: f64| Binomial::new(inputs.parties, share).unwrap().sample(&mut rng);
                let km = inputs.parties as f64;
                let (before, after) = (did(own), did(odds / (1.0 + odds)));
                Unit { before: Period { count: before, km }, after: Period { count: after, km }, role }
            };
            let units: Vec<Unit> = [Role::Signed, Role::Control]
                .iter()
                .flat_map(|role| (0..inputs.n_places).map(|_| *role))
                .map(&mut unit)
                .collect();
            did_with_signs += units[..inputs.n_places].iter().map(|unit| unit.after.count).sum::<u64>();
            let found = watched_change(&units, &CompareParams { level: inputs.level, seed: 5 }).unwrap();
            matches!(found, Effectiveness::Estimated(index) if index.verdict == Verdict::More)
        };
        let n_called = (0..N).filter(|run| is_called(run)).count() as f64;
        let parties = N as f64 * inputs.n_places as f64 * inputs.parties as f64;
        (n_called / N as f64, did_with_signs as f64 / parties)
    }
}
