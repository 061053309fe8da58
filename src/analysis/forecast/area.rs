//! Encounters to be expected in a whole area: all walking of a period, and a party that walks the average of it.
//!
//! Walking is not known as a route's kilometres are, so that rate and walking are multiplied draw by draw: where a draw
//! takes more to have been walked its rates are lower, and the product of the means would be too high
//! (see [`crate::analysis::rates::expected_counts`]). The expected number of a period is Σ λ f W over the units, with the
//! rate λ, the factor f of the season and the walking W; that of one party is the same over the parties of the draw.
//!
//! A party that walks the average of all walking stands for parties that differ: of those fewer have at least one
//! encounter, since some take what others would have had. The difference is small where encounters are rare.

use rayon::prelude::*;

use crate::analysis::forecast::{
    Bound, ForecastError, ForecastParams, ForecastRates, RouteKm, UnitKnown, bound, check_params, check_rates,
};
use crate::analysis::rates::Interval;

/// Walking by draw and unit over a study period.
#[derive(Debug, Clone, Copy)]
pub struct AreaWalking<'a> {
    /// Party-kilometres, index `draw * n_units + unit`; draws are paired with those of the rates, counted round again where
    /// there are fewer.
    pub party_km: &'a [f64],
    /// Parties who started, by draw; as many draws as `party_km` has.
    pub parties: &'a [f64],
    /// Of each unit's party-kilometres, the share that a party walks for the first time, in (0, 1].
    pub first_pass: &'a [f64],
}

/// One part of the period that is asked about, with its own factors.
#[derive(Debug, Clone, Copy)]
pub struct AreaPart<'a> {
    /// The rates, with the factors of this part.
    pub rates: ForecastRates<'a>,
    /// What is walked in it, in study periods: at least zero.
    pub amount: f64,
}

/// Sums over the area by draw.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AreaDraws {
    /// Encounters expected where each kilometre of a party counts once.
    once: Vec<f64>,
    /// Encounters expected where each kilometre counts as often as it is walked.
    every: Vec<f64>,
    /// Parties who walk.
    parties: Vec<f64>,
    /// Party-kilometres on units that have a rate.
    walked_km: Vec<f64>,
    /// Their mean by what is known of the units.
    km: RouteKm,
}

/// What is expected of an area in a period.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaForecast {
    /// Kilometres that a party walks on average, on units that have a rate.
    pub party_km: Interval,
    /// Parties of the whole period.
    pub parties: Interval,
    /// A party that walks the average of all walking, and so many of them as were asked for: each kilometre once, and as often
    /// as it is walked.
    pub of_parties: (Bound, Bound),
    /// All parties of the period, taken as one: `expected` and `at_least_one` are of all of them together.
    pub of_all: (Bound, Bound),
    /// Party-kilometres of the whole period by what is known of them.
    pub km: RouteKm,
}

/// Sums rate × walking over the units that have a rate, draw by draw, and over the parts of the period.
///
/// # Errors
/// [`ForecastError`] when the walking does not match the rates, or a number is out of range.
pub fn area_draws(parts: &[AreaPart<'_>], walking: &AreaWalking<'_>) -> Result<AreaDraws, ForecastError> {
    let mut sums = AreaDraws::default();
    for part in parts {
        sums.add(&of_part(part, walking)?);
    }
    Ok(sums)
}

fn of_part(part: &AreaPart<'_>, walking: &AreaWalking<'_>) -> Result<AreaDraws, ForecastError> {
    let rates = &part.rates;
    check_rates(rates)?;
    let n_units = rates.draws.n_units;
    let n_walked = walking.parties.len();
    let is_whole = n_walked > 0 && walking.party_km.len() == n_walked * n_units;
    if !is_whole || walking.first_pass.len() != n_units {
        return Err(ForecastError::Shape("the walking of the area"));
    }
    if !(part.amount.is_finite() && part.amount >= 0.0) {
        return Err(ForecastError::Value { name: "the amount of walking", value: part.amount });
    }
    let has_rate: Vec<usize> = (0..n_units)
        .filter(|unit| matches!(rates.known[*unit], UnitKnown::Identified | UnitKnown::Assumed))
        .collect();
    let of_draw = |draw: usize| {
        let (per_km, walked) = (rates.draws.row(draw), draw % n_walked);
        let row = &walking.party_km[walked * n_units..(walked + 1) * n_units];
        let (mut once, mut every, mut walked_km) = (0.0, 0.0, 0.0);
        for unit in &has_rate {
            let expected = per_km[*unit] * row[*unit] * rates.factors.of(draw, *unit);
            every += expected;
            once += expected * walking.first_pass[*unit];
            walked_km += row[*unit];
        }
        [once, every, walking.parties[walked], walked_km].map(|sum| sum * part.amount)
    };
    let rows: Vec<[f64; 4]> = (0..rates.draws.n_draws).into_par_iter().map(of_draw).collect();
    let column = |idx: usize| rows.iter().map(|row| row[idx]).collect();
    let mut km = RouteKm::default();
    for row in walking.party_km.chunks_exact(n_units.max(1)) {
        for (walked, known) in row.iter().zip(rates.known) {
            km.add(*known, walked * part.amount / n_walked as f64);
        }
    }
    Ok(AreaDraws { once: column(0), every: column(1), parties: column(2), walked_km: column(3), km })
}

impl AreaDraws {
    /// Adds another part of the same area's period.
    pub fn add(&mut self, other: &Self) {
        if self.every.is_empty() {
            self.clone_from(other);
            return;
        }
        let add = |sums: &mut [f64], more: &[f64]| sums.iter_mut().zip(more).for_each(|(sum, it)| *sum += it);
        add(&mut self.once, &other.once);
        add(&mut self.every, &other.every);
        add(&mut self.parties, &other.parties);
        add(&mut self.walked_km, &other.walked_km);
        self.km.identified += other.km.identified;
        self.km.assumed += other.km.assumed;
        self.km.unexposed += other.km.unexposed;
        self.km.contradicting += other.km.contradicting;
    }

    /// Mean number of parties; zero without draws.
    pub fn mean_parties(&self) -> f64 {
        self.parties.iter().sum::<f64>() / self.parties.len().max(1) as f64
    }

    /// The forecast of so many parties and of all walking; none where nobody walks where there is a rate.
    ///
    /// # Errors
    /// [`ForecastError::Value`] when a parameter is out of range.
    pub fn forecast(&self, params: &ForecastParams) -> Result<Option<AreaForecast>, ForecastError> {
        check_params(params)?;
        if self.km.estimated() <= 0.0 || self.parties.iter().any(|parties| *parties <= 0.0) {
            return Ok(None);
        }
        let level = params.confidence_level;
        let by_party = |sums: &[f64]| -> Vec<f64> {
            sums.iter().zip(&self.parties).map(|(sum, parties)| sum / parties).collect()
        };
        let together = ForecastParams { n_parties: 1, ..*params };
        Ok(Some(AreaForecast {
            party_km: Interval::from_draws(&mut by_party(&self.walked_km), level),
            parties: Interval::from_draws(&mut self.parties.clone(), level),
            of_parties: (bound(by_party(&self.once), params), bound(by_party(&self.every), params)),
            of_all: (bound(self.once.clone(), &together), bound(self.every.clone(), &together)),
            km: self.km,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rates::{RateDraws, UnitFactors};

    const PARAMS: ForecastParams = ForecastParams { n_parties: 10, dispersion: 1.0, confidence_level: 0.95 };

    fn part<'a>(draws: &'a RateDraws, factors: &'a UnitFactors, known: &'a [UnitKnown]) -> AreaPart<'a> {
        AreaPart { rates: ForecastRates { draws, factors, known }, amount: 1.0 }
    }

    #[test]
    fn two_units_by_hand() {
        // 100 km at 0.01 and 50 km at 0.02 per km make 2 reports; 100 parties, 0.02 each. Half the first unit is walked back.
        let draws = RateDraws { n_draws: 1, n_units: 3, per_km: vec![0.01, 0.02, 9.0] };
        let known = [UnitKnown::Identified, UnitKnown::Assumed, UnitKnown::Unexposed];
        let factors = UnitFactors::common(vec![1.0]);
        let walking =
            AreaWalking { party_km: &[100.0, 50.0, 0.0], parties: &[100.0], first_pass: &[0.5, 1.0, 1.0] };
        let once = part(&draws, &factors, &known);
        let found = area_draws(&[once], &walking).unwrap().forecast(&PARAMS).unwrap().unwrap();
        let (lower, upper) = &found.of_parties;
        assert!((upper.expected.mean - 0.02).abs() < 1e-15 && (lower.expected.mean - 0.015).abs() < 1e-15);
        assert!((upper.expected_of_all.mean - 0.2).abs() < 1e-14);
        assert!((found.of_all.1.expected.mean - 2.0).abs() < 1e-14);
        // 1 − exp(−2).
        assert!((found.of_all.1.at_least_one.mean - 0.864_664_716_8).abs() < 1e-9);
        assert!((found.party_km.mean - 1.5).abs() < 1e-15);
        assert_eq!((found.km.identified, found.km.assumed), (100.0, 50.0));
        // Two parts of the period: as much again at thrice the rate makes 8 of 200 parties.
        let thrice = UnitFactors::common(vec![3.0]);
        let parts = [once, part(&draws, &thrice, &known)];
        let found = area_draws(&parts, &walking).unwrap().forecast(&PARAMS).unwrap().unwrap();
        assert!((found.of_all.1.expected.mean - 8.0).abs() < 1e-13 && found.parties.mean == 200.0);
        assert!((found.of_parties.1.expected.mean - 0.04).abs() < 1e-15);
    }

    /// Rate and walking of a draw go against each other: the product of the means is seen too high, the product of draws not.
    #[test]
    fn the_product_of_the_means_is_too_high() {
        let (n, spread) = (2000, 1.5f64);
        let at = |draw: i32| spread.powf(f64::from(draw % 5 - 2));
        let party_km: Vec<f64> = (0..n).map(|draw| 1000.0 * at(draw)).collect();
        let per_km: Vec<f64> = (0..n).map(|draw| 0.01 / at(draw)).collect();
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let naive = mean(&party_km) * mean(&per_km);
        let draws = RateDraws { n_draws: n as usize, n_units: 1, per_km };
        let factors = UnitFactors::common(vec![1.0]);
        let walking =
            AreaWalking { party_km: &party_km, parties: &vec![300.0; n as usize], first_pass: &[1.0] };
        let sums = area_draws(&[part(&draws, &factors, &[UnitKnown::Identified])], &walking).unwrap();
        let found = sums.forecast(&PARAMS).unwrap().unwrap();
        assert!((found.of_all.1.expected.mean - 10.0).abs() < 1e-9, "{found:?}");
        assert!(naive > 12.0, "{naive}");
    }

    #[test]
    fn where_nobody_walks_there_is_no_figure_and_wrong_shapes_are_refused() {
        let draws = RateDraws { n_draws: 1, n_units: 1, per_km: vec![0.01] };
        let factors = UnitFactors::common(vec![1.0]);
        let walking = AreaWalking { party_km: &[0.0], parties: &[0.0], first_pass: &[1.0] };
        let one = part(&draws, &factors, &[UnitKnown::Identified]);
        assert_eq!(area_draws(&[one], &walking).unwrap().forecast(&PARAMS), Ok(None));
        assert_eq!(area_draws(&[], &walking).unwrap().forecast(&PARAMS), Ok(None));
        let short = AreaWalking { parties: &[1.0, 1.0], ..walking };
        assert!(matches!(area_draws(&[one], &short), Err(ForecastError::Shape(_))));
        let negative = AreaPart { amount: -1.0, ..one };
        assert!(matches!(area_draws(&[negative], &walking), Err(ForecastError::Value { .. })));
        let nobody = ForecastParams { n_parties: 0, ..PARAMS };
        assert!(area_draws(&[one], &walking).unwrap().forecast(&nobody).is_err());
    }
}
