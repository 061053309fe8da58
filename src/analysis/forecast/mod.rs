//! Encounters to be expected on a route, and what they may come to.
//!
//! A route is a list of visits: so many kilometres on a unit of known rate, walked once or more. The expected number of
//! encounters of one party is Σ λ L over the visits, draw by draw; the probability of at least one is
//! 1 − E[exp(−Σ λ L)] over the posterior draws, never 1 − exp(−E[Σ λ L]), which is higher where the posterior is wide.
//!
//! With rates of reports the encounters are reports: what is met and not reported is in no figure.
//!
//! Who walks a trail out and back may meet the same snake twice. The lower bound counts each kilometre once, the upper
//! one as often as it is walked. Kilometres without known walking are counted apart and are in no figure.

pub mod area;
pub mod contacts;
mod floor;
pub mod predictive;
mod route;

pub use floor::{FEWEST_OWN, LEAST_EXPECTED, PeriodKnown};
pub use route::{Ground, Visit, out_and_back, round_trip, visits};

use crate::analysis::rates::{Interval, RateDraws, UnitFactors};

/// What is known of the walking behind a unit's rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnitKnown {
    /// Counted, or fitted from counters.
    Identified,
    /// From stated priors.
    Assumed,
    /// Nobody is known to walk here: there is no rate.
    Unexposed,
    /// Encounters were recorded where nobody is said to walk: there is no rate.
    ContradictsRecords,
}

/// The rates that a forecast rests on.
#[derive(Debug, Clone, Copy)]
pub struct ForecastRates<'a> {
    /// Rates by draw and unit, per km.
    pub draws: &'a RateDraws,
    /// The factor of the period on each unit's rate of all periods, by draw; counted round again where there are fewer.
    pub factors: &'a UnitFactors,
    /// What is known of each unit.
    pub known: &'a [UnitKnown],
}

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForecastParams {
    /// Parties that walk the route; at least one.
    pub n_parties: u32,
    /// Variance of counts over their mean, at least one: how much encounters bunch beyond chance.
    pub dispersion: f64,
    /// Confidence level of all intervals, in (0, 1).
    pub confidence_level: f64,
}

/// Kilometres of a route by what is known of them, as walked: out and back counts twice.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RouteKm {
    /// Counted, or fitted from counters.
    pub identified: f64,
    /// From stated priors.
    pub assumed: f64,
    /// Without known walking: in no figure.
    pub unexposed: f64,
    /// Where exposure contradicts the records: in no figure.
    pub contradicting: f64,
    /// Inside places with visits, which count what is met there: in no figure.
    pub at_places: f64,
}

impl RouteKm {
    /// Kilometres that the figures are about.
    pub fn estimated(&self) -> f64 {
        self.identified + self.assumed
    }

    /// Kilometres that are in no figure.
    pub fn left_out(&self) -> f64 {
        self.unexposed + self.contradicting
    }

    /// Adds kilometres of which so much is known.
    pub fn add(&mut self, known: UnitKnown, km: f64) {
        match known {
            UnitKnown::Identified => self.identified += km,
            UnitKnown::Assumed => self.assumed += km,
            UnitKnown::Unexposed => self.unexposed += km,
            UnitKnown::ContradictsRecords => self.contradicting += km,
        }
    }
}

/// What a forecast says of one way of counting kilometres walked more than once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// Encounters of one party.
    pub expected: Interval,
    /// Probability that one party has at least one encounter: its mean is 1 − E[exp(−Σ λ L)].
    pub at_least_one: Interval,
    /// Encounters of all parties together.
    pub expected_of_all: Interval,
    /// Probability that at least one party has an encounter.
    pub at_least_one_of_all: f64,
    /// Predictive limits of the number of encounters of all parties.
    pub predicted_of_all: (u64, u64),
}

/// The forecast of a route.
#[derive(Debug, Clone, PartialEq)]
pub enum Forecast {
    /// Some of it can be estimated: see `km` for what is left out.
    Estimated {
        /// Each kilometre once.
        lower: Box<Bound>,
        /// Each kilometre as often as it is walked.
        upper: Box<Bound>,
        /// Kilometres by what is known of them.
        km: RouteKm,
    },
    /// Too little walking is known in the period for a figure: the curves of other months and hours are no answer.
    TooLittleKnown {
        /// Kilometres by what is known of them.
        km: RouteKm,
        /// What is known of the period.
        known: PeriodKnown,
    },
    /// None of it can be estimated.
    NotEstimable {
        /// Kilometres by what is known of them.
        km: RouteKm,
    },
}

impl Forecast {
    /// Kilometres by what is known of them.
    pub fn km(&self) -> &RouteKm {
        match self {
            Self::Estimated { km, .. } | Self::TooLittleKnown { km, .. } | Self::NotEstimable { km } => km,
        }
    }

    /// The forecast without its figures where too little is known of the period.
    pub fn of_period(self, known: Option<PeriodKnown>) -> Self {
        match (self, known.filter(PeriodKnown::is_too_little)) {
            (Self::Estimated { km, .. }, Some(known)) => Self::TooLittleKnown { km, known },
            (forecast, _) => forecast,
        }
    }
}

/// What was wrong with the input of a forecast.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ForecastError {
    /// The route has no length.
    #[error("the route has no length")]
    EmptyRoute,
    /// A visit names a unit that does not exist.
    #[error("a visit names unit {unit}, but there are {n_units}")]
    NoSuchUnit {
        /// The unit.
        unit: usize,
        /// How many there are.
        n_units: usize,
    },
    /// A number is out of range.
    #[error("{name} is {value}, which is out of range")]
    Value {
        /// Which number.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// Draws, factors or states do not match the units.
    #[error("{0} do not match the rates")]
    Shape(&'static str),
}

/// Forecasts a route.
///
/// `visits` hold kilometres and how often they are walked, in any order: neither their order nor how a unit is cut into
/// visits changes the answer.
///
/// # Errors
/// [`ForecastError`] when the route is empty, a unit does not exist, or a number is out of range.
pub fn forecast(
    visits: &[Visit],
    rates: &ForecastRates<'_>,
    params: &ForecastParams,
) -> Result<Forecast, ForecastError> {
    check(visits, rates, params)?;
    let km = route_km(visits, rates.known);
    if km.estimated() <= 0.0 {
        return Ok(Forecast::NotEstimable { km });
    }
    let once = expected_draws(visits, rates, Visit::outside_km);
    let every = expected_draws(visits, rates, |visit| visit.outside_km() * f64::from(visit.n_passes));
    Ok(Forecast::Estimated {
        lower: Box::new(bound(once, params)),
        upper: Box::new(bound(every, params)),
        km,
    })
}

/// Expected encounters by draw: Σ λ L over the visits whose unit has a rate.
fn expected_draws(
    visits: &[Visit],
    rates: &ForecastRates<'_>,
    walked_km: impl Fn(&Visit) -> f64,
) -> Vec<f64> {
    let of_draw = |draw: usize| {
        let row = rates.draws.row(draw);
        let has_rate =
            |visit: &&Visit| matches!(rates.known[visit.unit], UnitKnown::Identified | UnitKnown::Assumed);
        let of_visit =
            |visit: &Visit| row[visit.unit] * walked_km(visit) * rates.factors.of(draw, visit.unit);
        visits.iter().filter(has_rate).map(of_visit).sum()
    };
    (0..rates.draws.n_draws).map(of_draw).collect()
}

fn bound(mut expected: Vec<f64>, params: &ForecastParams) -> Bound {
    let level = params.confidence_level;
    let mut of_all: Vec<f64> = expected.iter().map(|mean| mean * f64::from(params.n_parties)).collect();
    let n_draws = of_all.len() as f64;
    let nobody = of_all.iter().map(|mean| predictive::none(*mean, params.dispersion)).sum::<f64>() / n_draws;
    let predicted_of_all = predictive::limits(&of_all, params.dispersion, level);
    let mut at_least_one: Vec<f64> = expected.iter().map(|mean| -(-mean).exp_m1()).collect();
    Bound {
        expected: Interval::from_draws(&mut expected, level),
        at_least_one: Interval::from_draws(&mut at_least_one, level),
        expected_of_all: Interval::from_draws(&mut of_all, level),
        at_least_one_of_all: 1.0 - nobody,
        predicted_of_all,
    }
}

fn route_km(visits: &[Visit], known: &[UnitKnown]) -> RouteKm {
    let mut km = RouteKm::default();
    for visit in visits {
        km.add(known[visit.unit], visit.outside_km() * f64::from(visit.n_passes));
        km.at_places += visit.inside_km * f64::from(visit.n_passes);
    }
    km
}

fn check(visits: &[Visit], rates: &ForecastRates<'_>, params: &ForecastParams) -> Result<(), ForecastError> {
    check_rates(rates)?;
    let n_units = rates.draws.n_units;
    for visit in visits {
        if visit.unit >= n_units {
            return Err(ForecastError::NoSuchUnit { unit: visit.unit, n_units });
        }
        if !(visit.km.is_finite() && visit.km >= 0.0) {
            return Err(ForecastError::Value { name: "the length of a visit", value: visit.km });
        }
        if !(0.0..=visit.km).contains(&visit.inside_km) {
            return Err(ForecastError::Value { name: "the length inside places", value: visit.inside_km });
        }
    }
    if visits.iter().map(|visit| visit.km * f64::from(visit.n_passes)).sum::<f64>() <= 0.0 {
        return Err(ForecastError::EmptyRoute);
    }
    check_params(params)
}

fn check_rates(rates: &ForecastRates<'_>) -> Result<(), ForecastError> {
    let n_units = rates.draws.n_units;
    if rates.known.len() != n_units {
        return Err(ForecastError::Shape("what is known of the units"));
    }
    if rates.draws.n_draws == 0 || rates.draws.per_km.len() != rates.draws.n_draws * n_units {
        return Err(ForecastError::Shape("the draws"));
    }
    if rates.factors.check(n_units).is_err() {
        return Err(ForecastError::Shape("the factors of the period"));
    }
    Ok(())
}

fn check_params(params: &ForecastParams) -> Result<(), ForecastError> {
    let bad = |name, value| Err(ForecastError::Value { name, value });
    if params.n_parties == 0 {
        return bad("the number of parties", 0.0);
    }
    if !(params.dispersion.is_finite() && params.dispersion >= 1.0) {
        return bad("the dispersion", params.dispersion);
    }
    if !(params.confidence_level > 0.0 && params.confidence_level < 1.0) {
        return bad("the confidence level", params.confidence_level);
    }
    Ok(())
}

#[cfg(test)]
mod tests;
